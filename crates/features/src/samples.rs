//! The good samples of one signal and day, with the time each stands for and what the recorder
//! did to it.
//!
//! In:     one signal of the day in time order, and the end of the day before.
//! Out:    columns of one length: time since the start of the window (two hours before midnight),
//!         value, microseconds held, flags.
//! Method: samples that are not good, not finite or outside the signal's physical span end the
//!         hold of the value before them and are counted. A value holds until the next sample,
//!         at most `max_hold_s`; on a tag that comes on a clock, at most ten of its spacings
//!         (or a minute): a clock that stops has stopped. Where straight lines dominate, a
//!         sample stands for half of the way to either neighbour instead.

use crate::cells::{WARM_US, WINDOW_US};
use crate::habits::{self, Habits};
use crate::input::SignalDay;
use crate::settings::Settings;
use crate::weighted::Held;
use metersift_model::time::US_PER_DAY;
use metersift_model::{Day, Quality};

/// The value equals the one before it exactly.
pub(crate) const REPEAT: u8 = 1;
/// The value lies on a straight line between its neighbours.
pub(crate) const LINE: u8 = 2;
/// Nothing connects the sample with the one before it: the first, a bad one between, a long gap.
pub(crate) const BREAK: u8 = 4;

/// Spacings, in modal spacings, that a clocked tag may be late without a gap.
const CLOCK_HOLD_SPACINGS: i64 = 10;
/// ... and the least time, us, that it may be late.
const CLOCK_HOLD_MIN_US: i64 = 60_000_000;
/// Share of the time between first and last sample that even spacings must fill on a clocked tag.
const CLOCK_SHARE: f64 = 0.8;

/// Good samples of one signal and day.
#[derive(Clone, Debug, Default)]
pub(crate) struct Samples {
    /// Microseconds since two hours before midnight UTC.
    pub(crate) t_us: Vec<i64>,
    /// Value in the storage unit; finite.
    pub(crate) v: Vec<f64>,
    /// Microseconds for which the sample stands.
    pub(crate) hold_us: Vec<i64>,
    /// [`REPEAT`], [`LINE`], [`BREAK`].
    pub(crate) flag: Vec<u8>,
    /// Good samples of the day before, which come first.
    pub(crate) own: usize,
    /// Samples of the day, good or not.
    pub(crate) n_raw: usize,
    /// Of those, not good, without a number, or outside the physical span.
    pub(crate) n_bad: usize,
    /// Whether the signal came with any sample at all.
    pub(crate) habits: Habits,
}

impl Samples {
    /// Reads the day's samples and those of the warm-up, replacing what was held before.
    pub(crate) fn fill(
        &mut self,
        (before, signal): (&SignalDay<'_>, &SignalDay<'_>),
        day: Day,
        span: (f64, f64),
        settings: &Settings,
        scratch: &mut habits::HabitScratch,
    ) {
        self.compact((&before.tail_before(day, WARM_US), &signal.of_day(day)), day, span);
        let spacing_us = habits::modal_spacing_us(self, &mut scratch.spacings);
        let hold_max_us = self.longest_hold_us(spacing_us, settings);
        self.limit_holds(hold_max_us);
        let resolution = habits::mark_updates(self, scratch);
        if habits::line_share(self) > 0.5 {
            self.hold_along_lines(hold_max_us);
        }
        self.habits = habits::summarise(self, spacing_us, resolution);
    }

    /// Keeps the good samples; `hold_us` becomes the time to the next sample of any quality.
    fn compact(
        &mut self,
        (before, signal): (&SignalDay<'_>, &SignalDay<'_>),
        day: Day,
        span: (f64, f64),
    ) {
        let start = day.start().0 - WARM_US;
        self.t_us.clear();
        self.v.clear();
        self.hold_us.clear();
        self.flag.clear();
        self.n_raw = signal.len();
        let mut linked = false;
        self.take_runs(before, start, span, &mut linked);
        self.own = self.len();
        self.n_bad = self.take_runs(signal, start, span, &mut linked);
    }

    /// Takes the runs of good samples between bad ones; gives the number of bad ones.
    fn take_runs(
        &mut self,
        part: &SignalDay<'_>,
        start: i64,
        (low, high): (f64, f64),
        linked: &mut bool,
    ) -> usize {
        let (time, value, quality) = (part.time_us(), part.value(), part.quality());
        // A NaN lies in no span.
        let is_good = |(&v, &q): (&f64, &u8)| Quality(q).is_good() && v >= low && v <= high;
        let mut n_bad = 0;
        let mut from = 0;
        while from < time.len() {
            let rest = value[from..].iter().zip(&quality[from..]);
            let until = from + rest.take_while(|&pair| is_good(pair)).count();
            self.take_run(&time[from..until], &value[from..until], start, linked);
            if let Some(&bad) = time.get(until) {
                self.end_hold(bad - start, *linked);
                *linked = false;
                n_bad += 1;
            }
            from = until + 1;
        }
        n_bad
    }

    fn take_run(&mut self, time: &[i64], value: &[f64], start: i64, linked: &mut bool) {
        let (Some(&first), Some(&last)) = (time.first(), time.last()) else { return };
        self.end_hold(first - start, *linked);
        self.t_us.extend(time.iter().map(|time| time - start));
        self.v.extend_from_slice(value);
        self.hold_us.extend(time.windows(2).map(|pair| pair[1] - pair[0]));
        self.hold_us.push(WINDOW_US - (last - start));
        self.flag.push(if *linked { 0 } else { BREAK });
        self.flag.resize(self.t_us.len(), 0);
        *linked = true;
    }

    /// The last sample stands until `t_us`, if it still stands.
    fn end_hold(&mut self, t_us: i64, linked: bool) {
        if linked && let (Some(hold), Some(&last)) = (self.hold_us.last_mut(), self.t_us.last()) {
            *hold = t_us - last;
        }
    }

    fn longest_hold_us(&self, spacing_us: Option<i64>, settings: &Settings) -> i64 {
        let max_hold_us = ((settings.max_hold_s * 1e6) as i64).clamp(0, US_PER_DAY);
        let (Some(spacing), Some(first), Some(last)) =
            (spacing_us, self.own_times().first(), self.own_times().last())
        else {
            return max_hold_us;
        };
        let usual = spacing * 3 / 2;
        let spacings = self.own_times().windows(2).map(|pair| pair[1].wrapping_sub(pair[0]));
        let even = spacings.fold(0_i64, |sum, d| sum.wrapping_add(if d <= usual { d } else { 0 }));
        if (even as f64) < CLOCK_SHARE * (last - first) as f64 {
            return max_hold_us;
        }
        max_hold_us.min((spacing * CLOCK_HOLD_SPACINGS).max(CLOCK_HOLD_MIN_US))
    }

    /// Cuts holds at the longest one and breaks the chain there.
    fn limit_holds(&mut self, hold_max_us: i64) {
        if self.hold_us.iter().all(|&hold| hold <= hold_max_us) {
            return;
        }
        let mut cut = false;
        for (hold, flag) in self.hold_us.iter_mut().zip(&mut self.flag) {
            if cut {
                *flag = BREAK;
            }
            cut = *hold > hold_max_us;
            *hold = (*hold).min(hold_max_us);
        }
    }

    fn hold_along_lines(&mut self, hold_max_us: i64) {
        let mut left = 0;
        for i in 0..self.len() {
            let linked = self.flag.get(i + 1).is_some_and(|flag| flag & BREAK == 0);
            let right = if linked { (self.hold_us[i] / 2).min(hold_max_us) } else { 0 };
            let next_left = if linked { self.hold_us[i] - right } else { 0 };
            self.hold_us[i] = left + right;
            left = next_left;
        }
    }

    /// Number of good samples, those of the warm-up included.
    pub(crate) fn len(&self) -> usize {
        self.v.len()
    }

    /// Number of good samples of the day.
    pub(crate) fn n_own(&self) -> usize {
        self.v.len() - self.own
    }

    /// Whether the day has no good sample.
    pub(crate) fn is_empty(&self) -> bool {
        self.n_own() == 0
    }

    /// Times of the day's samples.
    pub(crate) fn own_times(&self) -> &[i64] {
        &self.t_us[self.own..]
    }

    /// Part of each hold that lies in the day, us.
    pub(crate) fn own_holds(&self) -> impl Iterator<Item = i64> + '_ {
        let (before, own) = self.t_us.split_at(self.own);
        let (holds_before, holds) = self.hold_us.split_at(self.own);
        let before = before.iter().zip(holds_before).map(|(&t_us, &hold)| own_part(t_us, hold));
        // A sample of the day stands within it but for the end.
        let own = own.iter().zip(holds).map(|(&t_us, &hold)| hold.min(WINDOW_US - t_us));
        before.chain(own)
    }

    /// Samples of the day whose flags `are`.
    pub(crate) fn own_count(&self, are: impl Fn(u8) -> bool) -> usize {
        count(self.flag[self.own..].iter().copied(), are)
    }

    /// Whether sample `i` brought something new: neither a repeat nor a point on a line.
    pub(crate) fn is_update(&self, i: usize) -> bool {
        self.flag[i] & (REPEAT | LINE) == 0
    }

    /// Whether nothing connects sample `i` with the one before it.
    pub(crate) fn is_broken(&self, i: usize) -> bool {
        self.flag[i] & BREAK != 0
    }

    /// Values with the time that `time_in` grants each of them, into `pairs`, which is cleared.
    pub(crate) fn gather(&self, pairs: &mut Vec<Held>, mut time_in: impl FnMut(i64, i64) -> i64) {
        pairs.clear();
        for ((&t_us, &value), &hold) in self.t_us.iter().zip(&self.v).zip(&self.hold_us) {
            let time = time_in(t_us, hold);
            if time > 0 {
                pairs.push((value, time));
            }
        }
    }

    /// Walks along: the value that stands at `t_us`, if one does. Times asked for must rise.
    pub(crate) fn cursor(&self) -> Cursor<'_> {
        Cursor { samples: self, next: 0 }
    }
}

/// Part of a hold that lies in the day, us. Times lie in the window: nothing can wrap.
pub(crate) fn own_part(t_us: i64, hold_us: i64) -> i64 {
    t_us.wrapping_add(hold_us).min(WINDOW_US).wrapping_sub(t_us.max(WARM_US)).max(0)
}

/// How many flags there are that `are`, sixteen at a time: a count that minds its own overflow
/// takes them one by one.
pub(crate) fn count(flags: impl Iterator<Item = u8>, are: impl Fn(u8) -> bool) -> usize {
    flags.fold(0_u32, |n, flag| n.wrapping_add(u32::from(are(flag)))) as usize
}

/// As-of look-up for rising times.
pub(crate) struct Cursor<'a> {
    samples: &'a Samples,
    next: usize,
}

impl Cursor<'_> {
    /// Index of the sample that stands at `t_us`; `None` in a gap.
    pub(crate) fn index_at(&mut self, t_us: i64) -> Option<usize> {
        let times = &self.samples.t_us;
        while self.next < times.len() && times[self.next] <= t_us {
            self.next += 1;
        }
        let at = self.next.checked_sub(1)?;
        // Half holds of line samples end early; the value still stands until the next sample.
        let until = match self.samples.flag.get(at + 1) {
            Some(flag) if flag & BREAK == 0 => times[at + 1],
            _ => times[at] + self.samples.hold_us[at].max(1),
        };
        (t_us < until).then_some(at)
    }

    /// The value that stands at `t_us`; `None` in a gap.
    pub(crate) fn value_at(&mut self, t_us: i64) -> Option<f64> {
        self.index_at(t_us).map(|at| self.samples.v[at])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn samples(time_s: &[i64], value: &[f64], quality: &[u8]) -> Samples {
        let time_us: Vec<i64> = time_s.iter().map(|s| s * 1_000_000).collect();
        let mut samples = Samples::default();
        samples.fill(
            (&SignalDay::default(), &SignalDay::new(&time_us, value, quality).expect("sorted")),
            Day(0),
            (-1e9, 1e9),
            &Settings::default(),
            &mut habits::HabitScratch::default(),
        );
        samples
    }

    #[test]
    fn a_bad_sample_ends_the_hold_and_stands_for_no_time() {
        let s = samples(&[0, 100, 400, 1000], &[1.0, f64::NAN, 3.0, 4.0], &[192, 192, 0, 192]);
        assert_eq!(s.v, [1.0, 4.0]);
        assert_eq!(s.hold_us, [100_000_000, 3_600_000_000]);
        assert_eq!((s.n_raw, s.n_bad), (4, 2));
        assert!(s.is_broken(0) && s.is_broken(1));
    }

    #[test]
    fn a_clocked_tag_that_stops_is_not_held_for_an_hour() {
        let time: Vec<i64> = (0..3000).collect();
        let value: Vec<f64> = (0..3000).map(|i| f64::from(i * 7919 % 101)).collect();
        let s = samples(&time, &value, &[192; 3000]);
        assert_eq!(s.hold_us.iter().sum::<i64>(), (2999 + 60) * 1_000_000);
    }

    #[test]
    fn a_gap_holds_no_value() {
        let s = samples(&[0, 10_000], &[1.0, 2.0], &[192; 2]);
        let mut cursor = s.cursor();
        assert_eq!(cursor.value_at(WARM_US - 1), None);
        assert_eq!(cursor.value_at(WARM_US + 3_599_000_000), Some(1.0));
        assert_eq!(cursor.value_at(WARM_US + 3_600_000_000), None);
        assert_eq!(cursor.value_at(WARM_US + 10_000_000_000), Some(2.0));
    }
}
