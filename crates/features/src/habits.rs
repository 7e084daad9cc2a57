//! Recorder habits: what the historian did to a signal before anyone measured anything on it.
//!
//! Why:    a historian writes what it did not measure in two ways, *held* repeats and points
//!         *interpolated* on straight lines, and which one differs from tag to tag in one
//!         export. Noise counted on either is noise of the recorder, and a change of habit makes
//!         a change of noise no evidence.
//! In:     the good samples of one signal and day.
//! Out:    flags per sample (repeat, on a line) and one [`Habits`] per signal.
//! Method: *repeat*: equal to the sample before, to the last bit. *On a line*: between unbroken
//!         neighbours of different value, within three thousandths of their difference (or one
//!         single-precision step) of the straight line through them; independent noise passes
//!         that in 0.22 % of its points. On a signal with a known resolution r a short line and
//!         rounded noise look alike, so there a point counts where its neighbours differ by
//!         50 r, or in a stretch of five or more steps of one sign, each of r or more, whose
//!         neighbours differ by no more than two r: a line, rounded.
//!         *Resolution*: largest step of which 95 % of the steps are whole multiples within 2 %.
//!         *Floor, ceiling*: share of the time within a thousandth of the day's span (or one
//!         resolution) of the day's lowest or highest value.
//! Source: the rules are our own; the figures they are held against were measured on ten open
//!         recordings of a flow facility (Control Engineering Practice 42, 2015, 74).

use crate::cells::{WARM_US, WINDOW_US};
use crate::input::SignalDay;
use crate::samples::{BREAK, LINE, REPEAT, Samples, count};
use crate::settings::Settings;
use crate::weighted::extent;
use metersift_model::time::US_PER_DAY;
use metersift_model::{Day, Signal};
use metersift_stats as stats;

/// Relative step of single precision: historians that store it leave no finer steps.
const SINGLE_STEP: f64 = 1.2e-7;
/// A point within this share of its neighbours' difference of their line is on it.
const LINE_SLACK: f64 = 3e-3;
/// Neighbours this many resolutions apart show a line in a rounded signal.
const LINE_MIN_RESOLUTIONS: f64 = 50.0;
/// Steps of one sign that make a rounded line.
const ROUNDED_LINE_STEPS: usize = 5;
/// Steps looked at when the resolution is sought.
const RESOLUTION_STEPS: usize = 1024;
/// Share of the day's span that counts as its floor or ceiling.
const EDGE_SHARE: f64 = 1e-3;
/// Samples without any change that make a tag stuck, once a sibling moves.
pub(crate) const STUCK_MIN_SAMPLES: usize = 10;

/// What the recorder did to one signal in one day; NaN = not known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Habits {
    /// Points that are neither repeats nor on a line.
    pub updates: f64,
    /// Share of the day that values stand for.
    pub covered_share: f64,
    /// Share of the samples that are not good.
    pub bad_share: f64,
    /// Longest time without a good value, from midnight to midnight, s.
    pub longest_gap_s: f64,
    /// Share of the steps that are exact repeats.
    pub repeat_share: f64,
    /// Share of the points between two unbroken neighbours that lie on their line.
    pub line_share: f64,
    /// Commonest spacing of the samples, s.
    pub spacing_s: f64,
    /// Effective resolution, in the unit of the signal; NaN = finer than the signal moves.
    pub resolution: f64,
    /// Share of the time at the day's lowest value.
    pub floor_share: f64,
    /// Share of the time at the day's highest value.
    pub ceiling_share: f64,
    /// Lowest value.
    pub lowest: f64,
    /// Highest value.
    pub highest: f64,
}

impl Default for Habits {
    fn default() -> Habits {
        let unknown = f64::NAN;
        Habits {
            updates: unknown,
            covered_share: unknown,
            bad_share: unknown,
            longest_gap_s: unknown,
            repeat_share: unknown,
            line_share: unknown,
            spacing_s: unknown,
            resolution: unknown,
            floor_share: unknown,
            ceiling_share: unknown,
            lowest: unknown,
            highest: unknown,
        }
    }
}

/// Working memory of this module.
#[derive(Clone, Debug, Default)]
pub(crate) struct HabitScratch {
    pub(crate) spacings: Spacings,
    steps: Vec<f64>,
    bits: Vec<u64>,
}

/// The habits of one signal of one day by themselves, with the update mask (true = the point is
/// neither a repeat nor on a line) for each good sample.
pub fn habits_of(
    signal: &SignalDay<'_>,
    kind: &Signal,
    day: Day,
    settings: &Settings,
) -> (Habits, Vec<bool>) {
    let mut samples = Samples::default();
    let both = (&SignalDay::default(), signal);
    samples.fill(both, day, kind.physical_span(), settings, &mut HabitScratch::default());
    let updates = (0..samples.len()).map(|i| samples.is_update(i)).collect();
    (samples.habits, updates)
}

/// Working memory of the search for the commonest spacing.
#[derive(Clone, Debug, Default)]
pub(crate) struct Spacings {
    /// How often each spacing up to [`COUNTED_MS`] came, by the millisecond; zero when not in use.
    counts: Vec<u32>,
    longer: Vec<i64>,
}

/// Spacings, ms, up to which they are counted in a table; longer ones are sorted.
const COUNTED_MS: usize = 1 << 16;

/// Commonest spacing between neighbours, us, to the millisecond; the smallest one of a draw.
pub(crate) fn modal_spacing_us(samples: &Samples, scratch: &mut Spacings) -> Option<i64> {
    let spacings = || samples.own_times().windows(2).map(|pair| pair[1] - pair[0]);
    let n = samples.n_own().saturating_sub(1);
    let to_ms = |us: i64| (us + 500) / 1000;
    // Most tags run on one clock: what the middle of the day shows is tried first.
    let leader = to_ms(spacings().nth(n / 2)?);
    let near = leader * 1000 - 500..leader * 1000 + 500;
    let backing = spacings().fold(0_u32, |n, us| n.wrapping_add(u32::from(near.contains(&us))));
    if 2 * backing as usize > n {
        return Some((leader * 1000).max(1));
    }
    let commonest = scratch.commonest(|| spacings().map(to_ms));
    Some((commonest * 1000).max(1))
}

impl Spacings {
    /// The commonest of some positive numbers, the smallest one of a draw.
    fn commonest<I: Iterator<Item = i64>>(&mut self, all: impl Fn() -> I) -> i64 {
        self.counts.resize(COUNTED_MS, 0);
        self.longer.clear();
        for ms in all() {
            match self.counts.get_mut(ms as usize) {
                Some(count) => *count += 1,
                None => self.longer.push(ms),
            }
        }
        let mut best = (0, 0);
        for ms in all() {
            // Taken out as it is looked at, so that the table is empty again.
            let count = self.counts.get_mut(ms as usize).map_or(0, std::mem::take);
            if count > best.1 || (count == best.1 && ms < best.0) {
                best = (ms, count);
            }
        }
        self.longer.sort_unstable();
        for run in self.longer.chunk_by(|a, b| a == b) {
            if run.len() > best.1 as usize {
                best = (run[0], run.len() as u32);
            }
        }
        best.0
    }
}

/// Flags repeats and points on lines; gives the effective resolution.
pub(crate) fn mark_updates(samples: &mut Samples, scratch: &mut HabitScratch) -> Option<f64> {
    mark_repeats(samples);
    let resolution = resolution(samples, scratch);
    match resolution {
        None => {
            mark_free_lines(samples);
            // Steps along lines hide the resolution of the points that were really stored.
            let lines = line_share(samples);
            if lines > 0.05 { resolution_of_updates(samples, scratch) } else { None }
        }
        Some(r) => {
            mark_rounded_lines(samples, r);
            resolution
        }
    }
}

fn mark_repeats(samples: &mut Samples) {
    let pairs = samples.v.windows(2).zip(samples.flag.iter_mut().skip(1));
    for (pair, flag) in pairs {
        if *flag & BREAK == 0 && pair[0] == pair[1] {
            *flag |= REPEAT;
        }
    }
}

/// Resolution of the steps between neighbours, from evenly chosen ones.
fn resolution(samples: &Samples, scratch: &mut HabitScratch) -> Option<f64> {
    let steps = &mut scratch.steps;
    let from = (samples.own + 1).min(samples.len());
    let is_step = |flag: u8| flag & (BREAK | REPEAT) == 0;
    let n = count(samples.flag[from..].iter().copied(), is_step);
    // Steps are counted, not samples: every 85th sample of a tag held for 5 s is a repeat.
    let stride = n.div_ceil(RESOLUTION_STEPS).max(1);
    steps.clear();
    let pairs = samples.v[from.saturating_sub(1)..].windows(2).zip(&samples.flag[from..]);
    let chosen = pairs.filter(|(_, flag)| is_step(**flag)).step_by(stride);
    steps.extend(chosen.map(|(pair, _)| (pair[1] - pair[0]).abs()));
    resolution_of(scratch, samples)
}

fn resolution_of(scratch: &mut HabitScratch, samples: &Samples) -> Option<f64> {
    // Positive numbers are in the order of their bits, which sort in two thirds of the time.
    let HabitScratch { steps, bits, .. } = scratch;
    bits.clear();
    bits.extend(steps.iter().map(|step| step.to_bits()));
    bits.sort_unstable();
    steps.clear();
    steps.extend(bits.iter().map(|&bits| f64::from_bits(bits)));
    let (low, high) = extent(&samples.v[samples.own..], |v| *v);
    let largest = low.abs().max(high.abs());
    stats::resolution_of_steps(steps, largest)
}

fn resolution_of_updates(samples: &Samples, scratch: &mut HabitScratch) -> Option<f64> {
    let steps = &mut scratch.steps;
    steps.clear();
    let mut last: Option<f64> = None;
    for i in samples.own..samples.len() {
        if samples.is_broken(i) {
            last = None;
        }
        if samples.is_update(i) {
            if let Some(last) = last
                && last != samples.v[i]
            {
                steps.push((samples.v[i] - last).abs());
            }
            last = Some(samples.v[i]);
        }
        if steps.len() >= RESOLUTION_STEPS {
            break;
        }
    }
    resolution_of(scratch, samples)
}

/// Where point `i` should lie if its neighbours were joined.
fn between(samples: &Samples, i: usize) -> f64 {
    let (t, v) = (&samples.t_us[i - 1..=i + 1], &samples.v[i - 1..=i + 1]);
    let part = (t[1] - t[0]) as f64 / (t[2] - t[0]) as f64;
    v[0] + part * (v[2] - v[0])
}

/// Whether point `i` is no repeat and nothing parts it from its neighbours.
fn may_be_on_line(flag: &[u8], i: usize) -> bool {
    flag[i] & (BREAK | REPEAT) == 0 && flag[i + 1] & BREAK == 0
}

/// Lines in a signal without a known resolution.
fn mark_free_lines(samples: &mut Samples) {
    for i in 1..samples.len().saturating_sub(1) {
        let v = &samples.v[i - 1..=i + 1];
        let (now, rise) = (v[1], (v[2] - v[0]).abs());
        let single = SINGLE_STEP * now.abs();
        let of_rise = LINE_SLACK * rise;
        let slack = if of_rise > single { of_rise } else { single };
        // Outside its neighbours by more than that, it is on no line: most noise goes here.
        let reach = rise + 1.01 * slack;
        let is_outside = ((now - v[0]).abs() > reach) | ((now - v[2]).abs() > reach);
        if is_outside | (rise <= 4.0 * single) || !may_be_on_line(&samples.flag, i) {
            continue;
        }
        if (now - between(samples, i)).abs() <= slack {
            samples.flag[i] |= LINE;
        }
    }
}

/// Lines in a signal that is rounded to `r`.
fn mark_rounded_lines(samples: &mut Samples, r: f64) {
    let mut run_start = 0; // first point of the present stretch of steps of one kind
    let mut before = 0.0; // the step to the point before
    for i in 1..samples.len() {
        let now = samples.v[i] - samples.v[i - 1];
        if i + 1 < samples.len() {
            let rise = (samples.v[i + 1] - samples.v[i - 1]).abs();
            if rise >= LINE_MIN_RESOLUTIONS * r && may_be_on_line(&samples.flag, i) {
                let slack = (LINE_SLACK * rise).max(r);
                if (samples.v[i] - between(samples, i)).abs() <= slack {
                    samples.flag[i] |= LINE;
                }
            }
        }
        let is_line_step = (samples.flag[i] & BREAK == 0) & (now.abs() >= 0.9 * r);
        let goes_on = (now * before > 0.0) & ((now - before).abs() <= 2.1 * r);
        if !is_line_step | !(goes_on | (run_start + 1 >= i)) {
            close_rounded_line(samples, run_start, i - 1);
            // A step of a new kind may itself begin the next stretch.
            run_start = if is_line_step { i - 1 } else { i };
        }
        before = now;
    }
    if !samples.is_empty() {
        close_rounded_line(samples, run_start, samples.len() - 1);
    }
}

fn close_rounded_line(samples: &mut Samples, first: usize, last: usize) {
    if last >= first + ROUNDED_LINE_STEPS {
        samples.flag[first + 1..last].iter_mut().for_each(|flag| *flag |= LINE);
    }
}

/// Share of the points between unbroken neighbours that lie on a line; 0 without such points.
pub(crate) fn line_share(samples: &Samples) -> f64 {
    let flags = &samples.flag[samples.own..];
    let inner = flags.get(1..).unwrap_or(&[]);
    // The line bit of a point with the break bits of both of its sides.
    let both = || inner.iter().zip(inner.iter().skip(1)).map(|(now, next)| now | (next & BREAK));
    let inside = count(both(), |flag| flag & BREAK == 0);
    let lines = count(both(), |flag| flag & (BREAK | LINE) == LINE);
    if inside == 0 { 0.0 } else { lines as f64 / inside as f64 }
}

/// The day's habits, once samples are flagged and held.
pub(crate) fn summarise(
    samples: &Samples,
    spacing_us: Option<i64>,
    resolution: Option<f64>,
) -> Habits {
    let mut habits = Habits::default();
    if samples.n_raw == 0 {
        return habits;
    }
    let share = |part: usize, whole: usize| {
        if whole == 0 { f64::NAN } else { part as f64 / whole as f64 }
    };
    habits.bad_share = share(samples.n_bad, samples.n_raw);
    let held = samples.own_holds().fold(0, i64::wrapping_add);
    habits.covered_share = held as f64 / US_PER_DAY as f64;
    habits.longest_gap_s = longest_gap_us(samples) as f64 / 1e6;
    habits.updates = samples.own_count(|flag| flag & (REPEAT | LINE) == 0) as f64;
    let steps = samples.own_count(|flag| flag & BREAK == 0);
    let repeats = samples.own_count(|flag| flag & REPEAT != 0);
    habits.repeat_share = share(repeats, steps);
    habits.line_share = if samples.n_own() > 2 { line_share(samples) } else { f64::NAN };
    habits.spacing_s = spacing_us.map_or(f64::NAN, |us| us as f64 / 1e6);
    habits.resolution = resolution.unwrap_or(f64::NAN);
    edges(samples, held, &mut habits);
    habits
}

fn longest_gap_us(samples: &Samples) -> i64 {
    let times = samples.own_times();
    let ends = times.iter().copied().chain([WINDOW_US]);
    let starts = [WARM_US].into_iter().chain(times.iter().copied());
    starts.zip(ends).map(|(from, until)| until - from).max().unwrap_or(US_PER_DAY)
}

fn edges(samples: &Samples, all: i64, habits: &mut Habits) {
    if samples.is_empty() {
        return;
    }
    let (low, high) = extent(&samples.v[samples.own..], |v| *v);
    (habits.lowest, habits.highest) = (low, high);
    // A constant has no floor that differs from its ceiling.
    if low == high || all <= 0 {
        return;
    }
    let slack = (EDGE_SHARE * (high - low)).max(habits.resolution);
    let (low, high) = (low + slack, high - slack);
    let held = samples.v.iter().zip(samples.own_holds());
    let (floor, ceiling) = held.fold((0_i64, 0_i64), |(floor, ceiling), (&v, hold)| {
        let at = |is_at: bool| if is_at { hold } else { 0 };
        (floor.wrapping_add(at(v <= low)), ceiling.wrapping_add(at(v >= high)))
    });
    habits.floor_share = floor as f64 / all as f64;
    habits.ceiling_share = ceiling as f64 / all as f64;
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Independent noise, as a fixed scramble of the index.
    fn noise(n: usize, sigma: f64) -> Vec<f64> {
        let mut generator = stats::Xoshiro256::seeded(11);
        (0..n).map(|_| 1000.0 + sigma * generator.normal()).collect()
    }

    fn of(value: &[f64]) -> (Habits, Vec<bool>) {
        let time: Vec<i64> = (0..value.len() as i64).map(|i| i * 1_000_000).collect();
        let quality = vec![192; value.len()];
        let signal = SignalDay::new(&time, value, &quality).expect("sorted");
        habits_of(&signal, &Signal::Density, Day(0), &Settings::default())
    }

    fn rounded(value: &[f64], r: f64) -> Vec<f64> {
        value.iter().map(|v| (v / r).round() * r).collect()
    }

    /// Every `every`-th value stays, straight lines between.
    fn interpolated(value: &[f64], every: usize) -> Vec<f64> {
        (0..value.len())
            .map(|i| {
                let (left, part) = (i / every * every, (i % every) as f64 / every as f64);
                let right = (left + every).min(value.len() - 1);
                value[left] + part * (value[right] - value[left])
            })
            .collect()
    }

    #[test]
    fn noise_is_made_of_updates() {
        let (habits, updates) = of(&noise(5000, 0.3));
        assert!(habits.line_share < 0.003, "{habits:?}");
        assert_eq!(habits.repeat_share, 0.0);
        assert!(habits.resolution.is_nan());
        assert_eq!(habits.spacing_s, 1.0);
        assert!(updates.iter().filter(|&&update| update).count() > 4980);
    }

    #[test]
    fn points_between_stored_points_are_no_updates() {
        let (habits, _) = of(&interpolated(&noise(5000, 0.3), 5));
        assert!((habits.line_share - 0.8).abs() < 0.01, "{habits:?}");
        assert!((habits.updates - 1000.0).abs() < 20.0, "{habits:?}");
    }

    #[test]
    fn rounded_lines_are_found_and_rounded_noise_is_none() {
        let lines = rounded(&interpolated(&noise(6000, 2.0), 20), 0.01);
        let (habits, _) = of(&lines);
        assert!(habits.line_share > 0.8, "{habits:?}");
        for sigma in [0.005, 0.01, 0.02, 0.05, 0.1] {
            let (habits, _) = of(&rounded(&noise(6000, sigma), 0.01));
            assert!(habits.line_share < 0.02, "{sigma}: {habits:?}");
            assert!((habits.resolution - 0.01).abs() < 1e-6, "{sigma}: {habits:?}");
        }
    }

    #[test]
    fn held_repeats_are_counted_and_are_no_updates() {
        let value: Vec<f64> = noise(4000, 1.0).chunks(4).flat_map(|c| [c[0]; 4]).collect();
        let (habits, _) = of(&value);
        assert_eq!(habits.updates, 1000.0);
        assert!((habits.repeat_share - 0.75).abs() < 1e-3);
        assert!(habits.line_share < 0.003, "{habits:?}");
    }

    #[test]
    fn time_at_the_floor_is_found() {
        let value: Vec<f64> = noise(4000, 1.0).iter().map(|v| v.max(1000.0)).collect();
        let (habits, _) = of(&value);
        assert!((habits.floor_share - 0.5).abs() < 0.05, "{habits:?}");
        assert!(habits.ceiling_share < 0.01, "{habits:?}");
    }

    #[test]
    fn the_commonest_spacing_needs_no_majority() {
        let time: Vec<i64> = [0, 1, 3, 4, 6, 9, 10].iter().map(|s| s * 1_000_000).collect();
        let value: Vec<f64> = (0..7).map(f64::from).collect();
        let signal = SignalDay::new(&time, &value, &[192; 7]).expect("sorted");
        let (habits, _) = habits_of(&signal, &Signal::Density, Day(0), &Settings::default());
        assert_eq!(habits.spacing_s, 1.0);
        assert_eq!(habits.longest_gap_s, 86_390.0);
    }
}
