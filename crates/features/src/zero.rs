//! Zero: what the meter reads when nothing flows, in time in which that means something.
//!
//! Why:    a false zero is wrong flow at every flow. But gas, partial filling, a leaking valve
//!         and temperature drift all look like one, so only full and quiet time counts, and
//!         even then a leaking valve looks the same: alone this is a reason to take an as-found
//!         zero, never to re-zero.
//! In:     mass flow kg/h, density, and temperature and drive gain where kept; the register.
//! Out:    median and robust spread in zero stabilities.
//! Method: shut in = |q| under 1 % of the largest flow for 45 min, first 30 dropped. Full =
//!         density within 1 % of its last flowing median after its own thermal expansion, of
//!         which a cooling fluid may have none or twice as much as set.
//!         Quiet, by blocks of 15 min (of five spacings of a slow recorder): robust spread of q
//!         under 3 zero stabilities, drive gain within its steady band (above it where the fluid
//!         has cooled, since it thickens, but then no wider than the band over a block),
//!         temperature drift under 0.2 K/min. After an as-left record only what comes later counts. More than half exact
//!         zeros: a cut-off hides the zero.

use crate::cells::{
    self, CELLS, Cells, FLOWING, GAS, LOW, Minutes, OWN, QUIET, SHUT, STEADY_OWN, WARM_US, Within,
};
use crate::density::MEDIAN_MIN;
use crate::input::MeterDay;
use crate::operation::Edges;
use crate::row::{FeatureRow, WhyNull};
use crate::samples::Samples;
use crate::settings::Settings;
use crate::table::{Count, F, Group};
use crate::weighted::{self, Held};
use metersift_model::records::ZeroState;
use std::ops::Range;

/// Minutes of a block that is quiet or not as a whole.
const BLOCK_MIN: usize = 15;
/// Samples that a spread wants, at the commonest spacing.
const BLOCK_SAMPLES: f64 = 5.0;
/// Shut-in time below which nothing is said about a cut-off.
const CUT_OFF_MIN_US: i64 = 600_000_000;
/// Flowing minutes whose density stands for the last flowing one.
const LEVEL_MIN: usize = 60;
/// Widening of the band of steady drive gain (judgement).
const DRIVE_BAND: f64 = 1.25;
/// Cooling since the fluid flowed from which a higher drive gain is no sign of gas, K (judgement).
const COOLED_K: f64 = 1.0;
/// A cooling fluid may expand up to this many times as much as set: light oils against water.
const EXPANSION_RANGE: f64 = 2.0;

/// Per-minute views of the signals that tell full and quiet.
#[derive(Clone, Copy)]
pub(crate) struct Views<'a> {
    /// Density.
    pub(crate) density: &'a Minutes,
    /// Temperature.
    pub(crate) temperature: &'a Minutes,
    /// Drive gain.
    pub(crate) drive: &'a Minutes,
}

/// Marks full and quiet minutes and writes the zero group.
pub(crate) fn write(
    input: &MeterDay<'_>,
    (flow, density): (&Samples, &Samples),
    views: Views<'_>,
    (edges, settings): (Edges, &Settings),
    cells: &mut Cells,
    pairs: &mut Vec<Held>,
    row: &mut FeatureRow,
) {
    let stability = input.meter.zero_stability_kg_h;
    for signal in [flow, density] {
        if signal.is_empty() {
            return row.why(Group::Zero, WhyNull::absent(signal));
        }
    }
    if stability.is_nan() || stability <= 0.0 {
        return row.why(Group::Zero, WhyNull::NoSignal);
    }
    mark_quiet(input, flow, views, stability, settings, cells, pairs);
    row.set(F::HoursZeroQuiet, cells.count(QUIET | OWN) as f64 / 60.0);
    if cut_off_active(flow, edges) {
        return row.why(Group::Zero, WhyNull::CutOffActive);
    }
    let spans = cells.spans(QUIET | OWN);
    let mut quiet = Within::new(cells, QUIET | OWN, &spans);
    flow.gather(pairs, |t_us, hold| quiet.time(t_us, hold));
    row.count(Count::Zero, pairs.len());
    if pairs.len() < MEDIAN_MIN {
        let none = pairs.is_empty();
        return row.why(Group::Zero, if none { WhyNull::FilterEmpty } else { WhyNull::TooFew });
    }
    pairs.iter_mut().for_each(|pair| pair.0 /= stability);
    if let Some((median, spread)) = weighted::median_and_spread(pairs) {
        row.set(F::ZeroStabilities, median);
        row.set(F::ZeroSpread, spread);
    }
}

/// Whether more than half of the shut-in time reads exactly zero.
fn cut_off_active(flow: &Samples, edges: Edges) -> bool {
    let (mut zero, mut shut) = (0, 0);
    for (&q, hold) in flow.v.iter().zip(flow.own_holds()) {
        if q.abs() < edges.shut_in {
            shut += hold;
            zero += if q == 0.0 { hold } else { 0 };
        }
    }
    shut >= CUT_OFF_MIN_US && 2 * zero > shut
}

fn mark_quiet(
    input: &MeterDay<'_>,
    flow: &Samples,
    views: Views<'_>,
    stability: f64,
    settings: &Settings,
    cells: &mut Cells,
    pairs: &mut Vec<Held>,
) {
    let minutes = |setting: f64| setting.clamp(0.0, CELLS as f64) as usize;
    let (least, drop) = (minutes(settings.shut_in_min), minutes(settings.shut_in_drop_min));
    let after_zero = first_minute_after_zero(input);
    let band = drive_band(views.drive, cells);
    let block_min = block_minutes(flow);
    for stretch in cells.stretches(SHUT) {
        if stretch.len() < least {
            continue;
        }
        let Some(level) = flowing_level(views, cells, &stretch) else { continue };
        let from = (stretch.start + drop).max(after_zero);
        let mut start = from;
        while start + BLOCK_MIN <= stretch.end {
            // What is left of a stretch joins its last block.
            let left = stretch.end - start;
            let block = start..if left < 2 * block_min { stretch.end } else { start + block_min };
            let next = block.end;
            let is_full = block.clone().all(|cell| full(views, level, settings, cell));
            if is_full
                && drive_is_usual(views, band, level.1, &block)
                && drift(views.temperature, &block) < settings.quiet_k_per_min
                && spread_of(flow, &block, pairs) < settings.quiet_zero_stabilities * stability
            {
                block.for_each(|cell| cells.set(cell, QUIET));
            }
            start = next;
        }
    }
}

/// Minutes of a block: a slow recorder needs longer ones to show a spread.
fn block_minutes(flow: &Samples) -> usize {
    let wanted = BLOCK_SAMPLES * flow.habits.spacing_s / 60.0;
    // A NaN becomes 0.
    (wanted.ceil() as usize).clamp(BLOCK_MIN, CELLS)
}

fn first_minute_after_zero(input: &MeterDay<'_>) -> usize {
    let records = input.zeros.unwrap_or(&[]).iter();
    records
        .filter(|zero| zero.state == ZeroState::AsLeft && zero.time.day() == input.day)
        .map(|zero| cells::cell_of(zero.time.0 - input.day.start().0 + WARM_US) + 1)
        .max()
        .unwrap_or(0)
}

/// Density and temperature of the last flowing hour before a shut-in, else the first after it.
fn flowing_level(
    views: Views<'_>,
    cells: &Cells,
    stretch: &Range<usize>,
) -> Option<(f64, Option<f64>)> {
    let fit = |cell: &usize| {
        cells.has(*cell, FLOWING)
            && !cells.has_any(*cell, GAS | LOW)
            && views.density.mean[*cell].is_finite()
    };
    let mut near: Vec<usize> = (0..stretch.start).rev().filter(fit).take(LEVEL_MIN).collect();
    if near.is_empty() {
        near = (stretch.end..CELLS).filter(fit).take(LEVEL_MIN).collect();
    }
    let median = |minutes: &Minutes| {
        let mut values: Vec<f64> =
            near.iter().map(|&cell| minutes.mean[cell]).filter(|mean| mean.is_finite()).collect();
        let median = metersift_stats::median_in_place(&mut values);
        (!median.is_nan()).then_some(median)
    };
    Some((median(views.density)?, median(views.temperature)))
}

fn full(views: Views<'_>, level: (f64, Option<f64>), settings: &Settings, cell: usize) -> bool {
    let warm = views.temperature.mean[cell];
    let warmer = level.1.map_or(0.0, |then| if warm.is_nan() { 0.0 } else { warm - then });
    let after = |expansion: f64| level.0 * (1.0 - expansion * warmer);
    // Less dense than expected is what gas does, so warming is given no range.
    let (low, high) = if warmer < 0.0 {
        (level.0, after(EXPANSION_RANGE * settings.expansion_per_k))
    } else {
        let expected = after(settings.expansion_per_k);
        (expected, expected)
    };
    let slack = settings.full_share * high.abs();
    (low - slack..=high + slack).contains(&views.density.mean[cell])
}

/// Lowest and highest steady drive gain, widened; `None` where it is not known.
fn drive_band(drive: &Minutes, cells: &Cells) -> Option<(f64, f64)> {
    let known = (0..CELLS).filter(|&cell| cells.has(cell, STEADY_OWN) && drive.time_us[cell] > 0);
    let (low, high) = known.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), cell| {
        (low.min(drive.mean[cell]), high.max(drive.mean[cell]))
    });
    (low <= high).then_some((low / DRIVE_BAND, high * DRIVE_BAND))
}

/// Whether the drive gain of a block tells of nothing but the fluid. A fluid that cools in the tube
/// thickens and damps it more; bubbles that pass make the drive leap.
fn drive_is_usual(
    views: Views<'_>,
    band: Option<(f64, f64)>,
    flowing_degc: Option<f64>,
    block: &Range<usize>,
) -> bool {
    let Some((low, high)) = band else { return true };
    let known = |minutes: &Minutes| -> (f64, f64) {
        let means = block.clone().map(|cell| minutes.mean[cell]).filter(|mean| !mean.is_nan());
        means.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(x), h.max(x)))
    };
    let (least, most) = known(views.drive);
    if least > most || (least >= low && most <= high) {
        return true;
    }
    let warmest = known(views.temperature).1;
    let has_cooled = flowing_degc.is_some_and(|then| warmest < then - COOLED_K);
    has_cooled && least >= low && most <= least * DRIVE_BAND * DRIVE_BAND
}

/// Temperature change over a block, K/min; 0 where temperature is not kept.
fn drift(temperature: &Minutes, block: &Range<usize>) -> f64 {
    let mut known = block.clone().filter(|&cell| temperature.mean[cell].is_finite());
    let (Some(first), Some(last)) = (known.next(), known.next_back()) else { return 0.0 };
    (temperature.mean[last] - temperature.mean[first]).abs() / (last - first).max(1) as f64
}

/// Robust spread of flow over a block.
fn spread_of(flow: &Samples, block: &Range<usize>, pairs: &mut Vec<Held>) -> f64 {
    let from = block.start as i64 * cells::CELL_US;
    let until = block.end as i64 * cells::CELL_US;
    let first = flow.t_us.partition_point(|&t| t < from).saturating_sub(1);
    pairs.clear();
    for i in first..flow.len() {
        if flow.t_us[i] >= until {
            break;
        }
        let end = (flow.t_us[i] + flow.hold_us[i]).min(until);
        let time = end - flow.t_us[i].max(from);
        if time > 0 {
            pairs.push((flow.v[i], time));
        }
    }
    weighted::median_and_spread(pairs).map_or(f64::INFINITY, |(_, spread)| spread)
}
