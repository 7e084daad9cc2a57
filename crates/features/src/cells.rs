//! The day in minutes: which of them flow, are steady, carry gas or are quiet and shut in.
//!
//! Window: two hours of the day before come first, so that midnight is no edge: what flowed, stood
//!         or carried gas then still does. Times and minutes count from the start of the window;
//!         what is summed up for the day asks for [`OWN`] minutes.
//!
//! Why:    signals of one meter come at times of their own. States of the meter change rarely,
//!         so a minute is fine enough to say which samples of any signal may be used, and a
//!         look-up costs nothing.
//! In:     held samples of a signal.
//! Out:    per minute means and bits; times within a state are exact to the sample where held
//!         values cross the edge of a minute.

use crate::samples::Samples;
use std::ops::Range;

/// Minutes of the day before that are looked at.
pub(crate) const WARM: usize = 120;
/// Minutes of the window: the warm-up and the UTC day.
pub(crate) const CELLS: usize = WARM + 1440;
/// Microseconds of a minute.
pub(crate) const CELL_US: i64 = 60_000_000;
/// Midnight in the window, us.
pub(crate) const WARM_US: i64 = WARM as i64 * CELL_US;
/// Length of the window, us.
pub(crate) const WINDOW_US: i64 = CELLS as i64 * CELL_US;

/// The state of the flow is known.
pub(crate) const KNOWN: u16 = 1;
/// Flowing for most of its known time.
pub(crate) const FLOWING: u16 = 2;
/// Single-phase and steady.
pub(crate) const STEADY: u16 = 4;
/// Hardly any flow.
pub(crate) const SHUT: u16 = 8;
/// Shut in long enough, full and quiet.
pub(crate) const QUIET: u16 = 16;
/// Touched by a gas episode.
pub(crate) const GAS: u16 = 32;
/// Density under half of the day's level.
pub(crate) const LOW: u16 = 64;
/// Of the day itself, not of the warm-up.
pub(crate) const OWN: u16 = 128;
/// Somebody looked for gas.
pub(crate) const JUDGED: u16 = 256;
/// Flowing minutes of the day itself.
pub(crate) const FLOWING_OWN: u16 = FLOWING | OWN;
/// Steady minutes of the day itself.
pub(crate) const STEADY_OWN: u16 = STEADY | OWN;

/// The minute that holds a time.
pub(crate) fn cell_of(t_us: i64) -> usize {
    usize::try_from(t_us / CELL_US).unwrap_or(0).min(CELLS - 1)
}

/// Calls `add` with each minute that a held sample touches and the time in it.
pub(crate) fn spread(t_us: i64, hold_us: i64, mut add: impl FnMut(usize, i64)) {
    let mut from = t_us;
    let until = t_us.saturating_add(hold_us).min(WINDOW_US);
    while from < until {
        let cell = cell_of(from);
        let edge = (cell as i64 + 1) * CELL_US;
        let to = edge.min(until);
        add(cell, to - from);
        from = to;
    }
}

/// As [`spread`] for samples whose times rise: `add` is told the place of the sample, minutes in
/// a row and the time in each of them. Minutes that one value fills from end to end come at once.
pub(crate) fn spread_all(
    t_us: &[i64],
    hold_us: &[i64],
    mut add: impl FnMut(usize, Range<usize>, i64),
) {
    let (mut cell, mut edge) = (0, 0);
    for (i, (&t_us, &hold)) in t_us.iter().zip(hold_us).enumerate() {
        if !(edge - CELL_US..edge).contains(&t_us) {
            cell = cell_of(t_us);
            edge = (cell as i64 + 1) * CELL_US;
        }
        let until = t_us.saturating_add(hold).min(WINDOW_US);
        if until <= t_us {
            continue;
        }
        add(i, cell..cell + 1, until.min(edge) - t_us);
        if until > edge {
            let last = (until / CELL_US) as usize;
            add(i, cell + 1..last, CELL_US);
            let rest = until - last as i64 * CELL_US;
            if rest > 0 {
                add(i, last..last + 1, rest);
            }
        }
    }
}

/// Bits per minute.
#[derive(Clone, Debug)]
pub(crate) struct Cells {
    bits: Vec<u16>,
    flowing: Sums,
    steady: Sums,
}

/// Minutes of one state before each minute, for times in that state without a walk; and the
/// stretches of that state, us.
#[derive(Clone, Debug, Default)]
struct Sums {
    before: Vec<u16>,
    spans: Vec<Range<i64>>,
}

impl Sums {
    fn fill(&mut self, bits: &[u16], mask: u16) {
        self.before.clear();
        self.before.push(0);
        let mut sum = 0;
        for bits in bits {
            sum += u16::from(bits & mask == mask);
            self.before.push(sum);
        }
        self.spans.clear();
        spans_into(bits, mask, &mut self.spans);
    }

    /// Time of that state before `t_us`.
    fn until(&self, t_us: i64) -> i64 {
        let cell = cell_of(t_us);
        let is_in = i64::from(self.before[cell + 1] - self.before[cell]);
        i64::from(self.before[cell]) * CELL_US + is_in * (t_us - cell as i64 * CELL_US)
    }
}

impl Default for Cells {
    fn default() -> Cells {
        let mut cells =
            Cells { bits: vec![0; CELLS], flowing: Sums::default(), steady: Sums::default() };
        cells.clear();
        cells
    }
}

impl Cells {
    /// Forgets everything.
    pub(crate) fn clear(&mut self) {
        self.bits.fill(0);
        self.bits[WARM..].fill(OWN);
        self.flowing.before.clear();
        self.steady.before.clear();
    }

    /// Whether a minute has all bits of `mask`.
    pub(crate) fn has(&self, cell: usize, mask: u16) -> bool {
        self.bits[cell] & mask == mask
    }

    /// Whether a minute has a bit of `mask`.
    pub(crate) fn has_any(&self, cell: usize, mask: u16) -> bool {
        self.bits[cell] & mask != 0
    }

    /// Adds bits to a minute.
    pub(crate) fn set(&mut self, cell: usize, mask: u16) {
        self.bits[cell] |= mask;
    }

    /// Sums up the day's flowing minutes; call it when they are all marked.
    pub(crate) fn sum_flowing(&mut self) {
        self.flowing.fill(&self.bits, FLOWING_OWN);
    }

    /// Sums up the day's steady minutes; call it when they are all marked.
    pub(crate) fn sum_steady(&mut self) {
        self.steady.fill(&self.bits, STEADY_OWN);
    }

    /// Part of a held sample's time that falls into minutes with all bits of `mask`, us.
    pub(crate) fn time_in(&self, mask: u16, t_us: i64, hold_us: i64) -> i64 {
        let cell = cell_of(t_us);
        if t_us + hold_us <= (cell as i64 + 1) * CELL_US {
            return if self.has(cell, mask) { hold_us } else { 0 };
        }
        let sums = match mask {
            FLOWING_OWN => &self.flowing,
            STEADY_OWN => &self.steady,
            _ => &Sums { before: Vec::new(), spans: Vec::new() },
        };
        if !sums.before.is_empty() {
            let until = t_us.saturating_add(hold_us).min(WINDOW_US);
            return sums.until(until) - sums.until(t_us);
        }
        let mut time = 0;
        spread(t_us, hold_us, |cell, part| time += if self.has(cell, mask) { part } else { 0 });
        time
    }

    /// Walks along the day's flowing time; they must have been summed up.
    pub(crate) fn flowing(&self) -> Within<'_> {
        Within::new(self, FLOWING_OWN, &self.flowing.spans)
    }

    /// Walks along the day's steady time; it must have been summed up.
    pub(crate) fn steady(&self) -> Within<'_> {
        Within::new(self, STEADY_OWN, &self.steady.spans)
    }

    /// Stretches with all bits of `mask`, us.
    pub(crate) fn spans(&self, mask: u16) -> Vec<Range<i64>> {
        let mut spans = Vec::new();
        spans_into(&self.bits, mask, &mut spans);
        spans
    }

    /// Number of minutes with all bits of `mask`.
    pub(crate) fn count(&self, mask: u16) -> usize {
        let summed = match mask {
            FLOWING_OWN => self.flowing.before.last(),
            STEADY_OWN => self.steady.before.last(),
            _ => None,
        };
        if let Some(&sum) = summed {
            return usize::from(sum);
        }
        self.bits.iter().filter(|&&bits| bits & mask == mask).count()
    }

    /// Unbroken stretches of minutes with all bits of `mask`, as ranges.
    pub(crate) fn stretches(&self, mask: u16) -> Vec<Range<usize>> {
        stretches(|cell| self.has(cell, mask))
    }
}

/// Walks along the stretches of one state: times asked for must rise.
///
/// Samples come in order and most of them lie within one stretch: two comparisons each.
pub(crate) struct Within<'a> {
    cells: &'a Cells,
    mask: u16,
    later: &'a [Range<i64>],
    now: Range<i64>,
}

impl<'a> Within<'a> {
    /// Along `spans`, which are those of `mask`.
    pub(crate) fn new(cells: &'a Cells, mask: u16, spans: &'a [Range<i64>]) -> Within<'a> {
        Within { cells, mask, later: spans, now: 0..0 }
    }

    /// Part of a held sample's time that lies in the state, us.
    #[inline]
    pub(crate) fn time(&mut self, t_us: i64, hold_us: i64) -> i64 {
        self.advance(t_us);
        let until = t_us + hold_us;
        if t_us >= self.now.start && until <= self.now.end {
            return hold_us;
        }
        if until <= self.now.start || self.now.is_empty() {
            return 0;
        }
        self.cells.time_in(self.mask, t_us, hold_us)
    }

    /// Whether a moment lies in the state.
    #[inline]
    pub(crate) fn covers(&mut self, t_us: i64) -> bool {
        self.advance(t_us);
        self.now.contains(&t_us)
    }

    /// To the first stretch that ends after `t_us`; an empty one when there is none.
    #[inline]
    fn advance(&mut self, t_us: i64) {
        while self.now.end <= t_us {
            let Some((next, later)) = self.later.split_first() else {
                self.now = i64::MAX..i64::MAX;
                return;
            };
            (self.now, self.later) = (next.clone(), later);
        }
    }
}

fn spans_into(bits: &[u16], mask: u16, spans: &mut Vec<Range<i64>>) {
    let mut start = None;
    for (cell, now) in bits.iter().map(|bits| bits & mask == mask).chain([false]).enumerate() {
        let edge = cell as i64 * CELL_US;
        match (now, start) {
            (true, None) => start = Some(edge),
            (false, Some(from)) => {
                spans.push(from..edge);
                start = None;
            }
            _ => {}
        }
    }
}

/// Unbroken stretches of minutes for which `is_in` holds.
pub(crate) fn stretches(is_in: impl Fn(usize) -> bool) -> Vec<Range<usize>> {
    let mut found = Vec::new();
    let mut start = None;
    for cell in 0..=CELLS {
        match (cell < CELLS && is_in(cell), start) {
            (true, None) => start = Some(cell),
            (false, Some(from)) => {
                found.push(from..cell);
                start = None;
            }
            _ => {}
        }
    }
    found
}

/// Mean, lowest and highest value per minute of one signal; NaN where nothing stands.
#[derive(Clone, Debug)]
pub(crate) struct Minutes {
    /// Time-weighted mean.
    pub(crate) mean: Vec<f64>,
    /// Lowest value that stood in the minute.
    pub(crate) low: Vec<f64>,
    /// Highest one.
    pub(crate) high: Vec<f64>,
    /// Covered time, us.
    pub(crate) time_us: Vec<i64>,
    /// Whether nothing stands in any minute.
    is_empty: bool,
}

impl Default for Minutes {
    fn default() -> Minutes {
        Minutes {
            mean: vec![f64::NAN; CELLS],
            low: vec![f64::NAN; CELLS],
            high: vec![f64::NAN; CELLS],
            time_us: vec![0; CELLS],
            is_empty: true,
        }
    }
}

impl Minutes {
    /// Fills in one signal, replacing what was held before.
    pub(crate) fn fill(&mut self, samples: &Samples) {
        if samples.v.is_empty() {
            return self.empty();
        }
        self.is_empty = false;
        self.mean.fill(0.0);
        self.low.fill(f64::INFINITY);
        self.high.fill(f64::NEG_INFINITY);
        self.time_us.fill(0);
        let mut now = Minute::default();
        for ((&t_us, &v), &hold) in samples.t_us.iter().zip(&samples.v).zip(&samples.hold_us) {
            let until = t_us.saturating_add(hold).min(WINDOW_US);
            if !(now.edge_us - CELL_US..now.edge_us).contains(&t_us) {
                self.turn_to(cell_of(t_us), &mut now);
            }
            if until <= now.edge_us {
                now.add(until - t_us, v);
                continue;
            }
            now.add(now.edge_us - t_us, v);
            let last = (until / CELL_US) as usize;
            self.add_whole(now.cell + 1..last, v);
            let tail_us = until - last as i64 * CELL_US;
            if tail_us > 0 {
                self.turn_to(last, &mut now);
                now.add(tail_us, v);
            }
        }
        self.turn_to(0, &mut now);
        let columns = self.mean.iter_mut().zip(&mut self.low).zip(&mut self.high);
        for (((mean, low), high), &time) in columns.zip(&self.time_us) {
            if time > 0 {
                *mean /= time as f64;
            } else {
                (*mean, *low, *high) = (f64::NAN, f64::NAN, f64::NAN);
            }
        }
    }

    fn empty(&mut self) {
        if !self.is_empty {
            *self = Minutes::default();
        }
    }

    /// Puts the minute at hand back and takes up another one.
    fn turn_to(&mut self, cell: usize, now: &mut Minute) {
        if now.edge_us > 0 {
            let at = now.cell;
            (self.mean[at], self.time_us[at]) = (now.sum, now.time_us);
            (self.low[at], self.high[at]) = (now.low, now.high);
        }
        *now = Minute {
            cell,
            edge_us: (cell as i64 + 1) * CELL_US,
            sum: self.mean[cell],
            time_us: self.time_us[cell],
            low: self.low[cell],
            high: self.high[cell],
        };
    }

    /// Minutes that one value fills from end to end: column by column, since a recorder by
    /// exception leaves most of the day to a few values.
    fn add_whole(&mut self, cells: Range<usize>, v: f64) {
        if cells.is_empty() {
            return;
        }
        let share = v * CELL_US as f64;
        self.mean[cells.clone()].iter_mut().for_each(|mean| *mean += share);
        self.time_us[cells.clone()].iter_mut().for_each(|time| *time += CELL_US);
        self.low[cells.clone()].iter_mut().for_each(|low| *low = low.min(v));
        self.high[cells].iter_mut().for_each(|high| *high = high.max(v));
    }
}

/// The minute at hand while a signal is filled in: several samples fall into one.
#[derive(Clone, Copy, Debug, Default)]
struct Minute {
    cell: usize,
    /// End of the minute, us; 0 = none at hand.
    edge_us: i64,
    sum: f64,
    time_us: i64,
    low: f64,
    high: f64,
}

impl Minute {
    #[inline]
    fn add(&mut self, part_us: i64, v: f64) {
        if part_us > 0 {
            self.sum += v * part_us as f64;
            self.time_us += part_us;
            self.low = if v < self.low { v } else { self.low };
            self.high = if v > self.high { v } else { self.high };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_held_sample_gives_each_minute_its_own_part() {
        let mut parts = Vec::new();
        spread(50_000_000, 100_000_000, |cell, part| parts.push((cell, part / 1_000_000)));
        assert_eq!(parts, [(0, 10), (1, 60), (2, 30)]);
        let mut cells = Cells::default();
        cells.set(WARM - 1, STEADY);
        cells.set(WARM + 1, STEADY);
        cells.set(CELLS - 1, STEADY);
        let second = |s: i64| WARM_US + s * 1_000_000;
        let time = |cells: &Cells| {
            [(50, 100), (60, 60), (-60, 130), (86_390, 10), (86_340, 60), (70, 10)]
                .map(|(t, hold)| cells.time_in(STEADY_OWN, second(t), hold * 1_000_000) / 1_000_000)
        };
        assert_eq!(time(&cells), [60, 60, 10, 10, 60, 10]);
        cells.sum_steady();
        assert_eq!(time(&cells), [60, 60, 10, 10, 60, 10], "sums and walks agree");
    }

    #[test]
    fn nothing_stands_beyond_midnight() {
        let mut total = 0;
        spread(WARM_US + 86_390_000_000, i64::MAX, |_, part| total += part);
        assert_eq!(total, 10_000_000);
    }

    #[test]
    fn stretches_reach_the_end_of_the_day() {
        let found = stretches(|cell| cell == 3 || cell >= CELLS - 2);
        assert_eq!(found, [3..4, CELLS - 2..CELLS]);
    }
}
