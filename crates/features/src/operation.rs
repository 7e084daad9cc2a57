//! Operation states: how long the meter was shut in, flowed within its span, and how much.
//!
//! In:     mass flow, kg/h (or volume flow times the day's median density where mass flow is
//!         not kept); largest flow, zero stability and base accuracy of the register.
//! Out:    hours per state, starts, flow quantiles while flowing, mass.
//! States: *flowing* |q| > max(3 % of the largest flow, 10 zero stabilities); apart from that
//!         every covered moment is one of *reverse* (q under -1 % of the largest flow), *shut in*
//!         (|q| under 1 %), *zero-limited* (the error of one zero stability exceeds the base
//!         accuracy, or not flowing), *in span*, *above span*.
//! Steady: flowing for 15 minutes, no stop within 15 minutes, each minute's mean within 10 % of
//!         the median of the 15 minutes around it and nine tenths of the minute too.
//! Source: the states are our own; the zero-limited edge is the usual accuracy law, error =
//!         max(base accuracy, 100 zero stability / |q|) (common practice, no source).

use crate::cells::{
    self, CELLS, Cells, FLOWING, GAS, KNOWN, LOW, Minutes, SHUT, STEADY, STEADY_OWN, WARM,
};
use crate::row::{FeatureRow, WhyNull};
use crate::samples::Samples;
use crate::settings::Settings;
use crate::table::{F, Group};
use crate::weighted::{self, Held};
use metersift_model::records::Meter;

/// Minutes of the rolling median of flow.
const MEDIAN_MINUTES: usize = 15;
/// Minutes without flow before a start (judgement).
const STANDSTILL_MIN: usize = 5;
/// Values and flowing time, us, behind the outer quantiles of flow.
const EDGE_MIN: usize = 20;
const EDGE_MIN_US: i64 = 7_200_000_000;
/// Share of a minute that must lie within the steady band.
const STEADY_TIME_SHARE: f64 = 0.9;
/// Share of a minute that must be covered for its state to be known.
const KNOWN_US: i64 = cells::CELL_US / 2;

/// Flows that part the states, kg/h.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Edges {
    /// Over it the meter flows.
    pub(crate) flowing: f64,
    /// Under it the meter is shut in.
    pub(crate) shut_in: f64,
    zero_limited: f64,
    above: f64,
}

impl Edges {
    /// Edges of one meter; a register line without usable numbers has none above zero.
    pub(crate) fn of(meter: &Meter, settings: &Settings) -> Edges {
        let positive = |x: f64| if x.is_finite() { x.max(0.0) } else { 0.0 };
        let most = positive(meter.max_flow_kg_h);
        let zero = positive(meter.zero_stability_kg_h);
        let flowing = (settings.flowing_share * most).max(settings.flowing_zero_stabilities * zero);
        let accuracy = meter.base_accuracy_pct;
        let limited = if accuracy > 0.0 { 100.0 * zero / accuracy } else { 0.0 };
        Edges {
            flowing,
            shut_in: settings.shut_in_share * most,
            zero_limited: limited.max(flowing),
            above: if most > 0.0 { most } else { f64::INFINITY },
        }
    }
}

/// Marks what each minute did: known, flowing, shut in.
pub(crate) fn mark_flow(flow: &Samples, edges: Edges, cells: &mut Cells) {
    let mut flowing = [0_i64; CELLS];
    let mut shut = [0_i64; CELLS];
    let mut known = [0_i64; CELLS];
    cells::spread_all(&flow.t_us, &flow.hold_us, |i, cells, part| {
        let q = flow.v[i].abs();
        let add = |to: &mut [i64]| to[cells.clone()].iter_mut().for_each(|time| *time += part);
        add(&mut known);
        if q > edges.flowing {
            add(&mut flowing);
        }
        if q < edges.shut_in {
            add(&mut shut);
        }
    });
    for (cell, ((&known, &flowing), &shut)) in known.iter().zip(&flowing).zip(&shut).enumerate() {
        if known < KNOWN_US {
            continue;
        }
        cells.set(cell, KNOWN);
        if 2 * flowing > known {
            cells.set(cell, FLOWING);
        }
        if shut == known {
            cells.set(cell, SHUT);
        }
    }
    cells.sum_flowing();
}

/// Minutes in which flow began after a known standstill of some minutes.
///
/// Slugs stop and start the flow by the minute: that is not starting up.
pub(crate) fn starts(cells: &Cells) -> Vec<usize> {
    let standstill = |cell: usize| cells.has(cell, KNOWN) && !cells.has(cell, FLOWING);
    (STANDSTILL_MIN..CELLS)
        .filter(|&cell| cells.has(cell, FLOWING) && (cell - STANDSTILL_MIN..cell).all(standstill))
        .collect()
}

/// Marks steady minutes; gas and low density must be marked before.
pub(crate) fn mark_steady(
    flow: &Samples,
    minutes: &Minutes,
    settings: &Settings,
    cells: &mut Cells,
) {
    let settle = settings.settle_min.clamp(0.0, CELLS as f64) as usize;
    let settled = settled(cells, settle);
    let middle = rolling_median(&minutes.mean, &settled);
    let is_near =
        |q: f64, middle: f64| (q - middle).abs() < settings.steady_band_share * middle.abs();
    let mut inside = [0_i64; CELLS];
    cells::spread_all(&flow.t_us, &flow.hold_us, |i, cells, part| {
        for (inside, &middle) in inside[cells.clone()].iter_mut().zip(&middle[cells]) {
            *inside += if is_near(flow.v[i], middle) { part } else { 0 };
        }
    });
    for (cell, (&settled, &inside)) in settled.iter().zip(&inside).enumerate() {
        let near = is_near(minutes.mean[cell], middle[cell])
            && inside as f64 >= STEADY_TIME_SHARE * minutes.time_us[cell] as f64;
        if settled && near && !cells.has_any(cell, GAS | LOW) {
            cells.set(cell, STEADY);
        }
    }
    cells.sum_steady();
}

/// Flowing since `settle` minutes, and no stop within `settle` minutes to come.
fn settled(cells: &Cells, settle: usize) -> [bool; CELLS] {
    let mut settled = [false; CELLS];
    for stretch in cells.stretches(FLOWING) {
        // A stretch that ends without a known standstill ran into missing data, not into a stop.
        let stopped = stretch.end < CELLS && cells.has(stretch.end, KNOWN);
        let until = if stopped { stretch.end.saturating_sub(settle) } else { stretch.end };
        let from = stretch.start + settle;
        if from < until {
            settled[from..until].fill(true);
        }
    }
    settled
}

/// Median of the known minutes among the 15 around each settled minute.
fn rolling_median(mean: &[f64], settled: &[bool]) -> [f64; CELLS] {
    let half = MEDIAN_MINUTES / 2;
    let mut window = SortedWindow::default();
    let mut middle = [f64::NAN; CELLS];
    let mut last = None;
    for cell in (0..CELLS).filter(|&cell| settled[cell]) {
        let around = cell.saturating_sub(half)..(cell + half + 1).min(CELLS);
        if last.is_some_and(|last| last + 1 == cell) {
            let left = cell.checked_sub(half + 1).map(|left| mean[left]);
            let came = mean.get(cell + half).copied();
            window.slide(left, came);
        } else {
            window.refill(&mean[around]);
        }
        middle[cell] = window.median();
        last = Some(cell);
    }
    middle
}

/// The finite values of a window in rising order, as whole numbers of the same order.
#[derive(Debug)]
struct SortedWindow {
    /// The first `n` count; the others lie above every value.
    keys: [i64; MEDIAN_MINUTES],
    n: usize,
}

/// The key of a value, as [`f64::total_cmp`] orders it; from there and back again.
fn key(value: f64) -> i64 {
    flipped(value.to_bits().cast_signed())
}

fn value(key: i64) -> f64 {
    f64::from_bits(flipped(key).cast_unsigned())
}

fn flipped(bits: i64) -> i64 {
    bits ^ ((bits >> 63).cast_unsigned() >> 1).cast_signed()
}

impl Default for SortedWindow {
    fn default() -> SortedWindow {
        SortedWindow { keys: [i64::MAX; MEDIAN_MINUTES], n: 0 }
    }
}

impl SortedWindow {
    fn refill(&mut self, values: &[f64]) {
        *self = SortedWindow::default();
        for &value in values.iter().filter(|value| value.is_finite()) {
            self.keys[self.n] = key(value);
            self.n += 1;
        }
        self.keys.sort_unstable();
    }

    /// One value leaves, one comes; where both are equal, nothing is to be done.
    fn slide(&mut self, left: Option<f64>, came: Option<f64>) {
        if left.map(f64::to_bits) == came.map(f64::to_bits) {
            return;
        }
        let key = |value: Option<f64>| value.filter(|value| value.is_finite()).map(key);
        let (left, came) = (key(left), key(came));
        // What leaves makes room; an empty place lies behind all values.
        let from = left.map_or(self.n, |left| self.below(left));
        let Some(came) = came else {
            if left.is_some() {
                self.keys.copy_within(from + 1.., from);
                self.keys[MEDIAN_MINUTES - 1] = i64::MAX;
                self.n -= 1;
            }
            return;
        };
        let below = self.below(came);
        if below > from {
            self.keys.copy_within(from + 1..below, from);
            self.keys[below - 1] = came;
        } else {
            self.keys.copy_within(below..from, below + 1);
            self.keys[below] = came;
        }
        self.n += usize::from(left.is_none());
    }

    /// How many keys are smaller: all of them looked at, several at once.
    fn below(&self, key: i64) -> usize {
        self.keys.iter().map(|&other| usize::from(other < key)).sum()
    }

    fn median(&self) -> f64 {
        match self.n {
            0 => f64::NAN,
            n if n % 2 == 1 => value(self.keys[n / 2]),
            n => f64::midpoint(value(self.keys[n / 2 - 1]), value(self.keys[n / 2])),
        }
    }
}

/// Writes the operation group.
pub(crate) fn write(
    flow: &Samples,
    edges: Edges,
    cells: &Cells,
    pairs: &mut Vec<Held>,
    row: &mut FeatureRow,
) {
    if flow.is_empty() {
        row.why(Group::Operation, WhyNull::absent(flow));
        return;
    }
    let mut time = StateTimes::default();
    let mut mass = 0.0;
    pairs.clear();
    for (&q, hold) in flow.v.iter().zip(flow.own_holds()) {
        time.add(q, hold, edges);
        mass += q * hold as f64;
        if q.abs() > edges.flowing && hold > 0 {
            pairs.push((q, hold));
        }
    }
    let hours = |us: i64| us as f64 / 3.6e9;
    row.set(F::HoursFlowing, hours(time.flowing));
    row.set(F::HoursShutIn, hours(time.shut_in));
    row.set(F::HoursZeroLimited, hours(time.zero_limited));
    row.set(F::HoursInSpan, hours(time.in_span));
    row.set(F::HoursAboveSpan, hours(time.above));
    row.set(F::HoursReverse, hours(time.reverse));
    let starts = starts(cells).into_iter().filter(|&cell| cell >= WARM).count();
    row.set(F::Starts, starts as f64);
    row.set(F::HoursSteady, cells.count(STEADY_OWN) as f64 / 60.0);
    row.set(F::MassKg, mass / 3.6e9);
    row.count(crate::table::Count::Flow, pairs.len());
    if pairs.len() < 10 {
        row.why(Group::Operation, WhyNull::FilterEmpty);
        return;
    }
    row.set(F::FlowQ50, weighted::median(pairs).unwrap_or(f64::NAN));
    // A recorder by exception stores a few dozen values in hours: time carries a quantile, the
    // 20th part of two hours being six minutes.
    if pairs.len() >= EDGE_MIN && time.flowing >= EDGE_MIN_US {
        row.set(F::FlowQ05, weighted::quantile(pairs, 0.05).unwrap_or(f64::NAN));
        row.set(F::FlowQ95, weighted::quantile(pairs, 0.95).unwrap_or(f64::NAN));
    }
}

#[derive(Default)]
struct StateTimes {
    flowing: i64,
    shut_in: i64,
    zero_limited: i64,
    in_span: i64,
    above: i64,
    reverse: i64,
}

impl StateTimes {
    fn add(&mut self, q: f64, hold: i64, edges: Edges) {
        if q.abs() > edges.flowing {
            self.flowing += hold;
        }
        let state = if q.abs() < edges.shut_in {
            &mut self.shut_in
        } else if q < 0.0 {
            &mut self.reverse
        } else if q > edges.above {
            &mut self.above
        } else if q > edges.zero_limited {
            &mut self.in_span
        } else {
            &mut self.zero_limited
        };
        *state += hold;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sliding_median_is_the_median_of_each_window() {
        let mut generator = metersift_stats::Xoshiro256::seeded(5);
        let mean: Vec<f64> = (0..CELLS)
            .map(|cell| match cell % 97 {
                0 => f64::NAN,
                1..40 => 7.0,
                _ => (10.0 * generator.normal()).round(),
            })
            .collect();
        let settled: Vec<bool> = (0..CELLS).map(|cell| cell % 211 > 20).collect();
        let middle = rolling_median(&mean, &settled);
        for cell in 0..CELLS {
            let around = cell.saturating_sub(7)..(cell + 8).min(CELLS);
            let want =
                if settled[cell] { metersift_stats::median(&mean[around]) } else { f64::NAN };
            assert_eq!(middle[cell].to_bits(), want.to_bits(), "{cell}");
        }
    }
}
