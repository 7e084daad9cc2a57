//! Scatter of density: sensor noise, tail, and the Allan deviation at long times.
//!
//! Why:    gas and electrical faults make density jump between readings; the mean hides that.
//!         Sensor noise is read from steps between *updates*: a repeat or a point on a line was
//!         written by the recorder.
//! In:     density samples with their flags, the minutes to use.
//! Out:    kg/m3, never negative; nothing below 30 steps.
//! Method: robust step noise with resolution correction (see `metersift-stats`); tail ratio
//!         (q50 - q2) / (q98 - q50) about the mean of 300 s windows; overlapping Allan
//!         deviation over unbroken steady stretches of an evenly spaced tag.
//! Source: Rousseeuw & Croux (1993), JASA 88, 1273; Riley (2008), NIST SP 1065.
//! Limits: assumes independent neighbours; a damped signal reads too quiet. `floor_limited`: under
//!         the resolution, or on a tag that keeps fewer points than rounding explains, within 2.5
//!         resolutions or at pauses that differ five-fold; such a noise is the recorder's, at
//!         best an upper bound.

use crate::burst::Updates;
use crate::cells::{Cells, STEADY_OWN, Within};
use crate::row::{FeatureRow, WhyNull};
use crate::samples::Samples;
use crate::settings::Settings;
use crate::table::{Count, F, Group};
use metersift_stats as stats;

pub(crate) use metersift_stats::MAD_TO_SIGMA;

/// Updates behind a 2 % quantile: 10 / 0.02.
const TAIL_MIN_UPDATES: usize = 500;
/// Resolutions within which a noise may be the recorder's dead-band (judgement).
const DEAD_BAND_RESOLUTIONS: f64 = 2.5;
/// ... where it keeps fewer points, by this factor, than a rounded normal signal would give.
const THINNING: f64 = 1.5;
/// Upper over lower decile of the pauses of a recorder by exception. A real one was seen to store at
/// 1 and 4 s in turn, which is a clock.
const UNEVEN_PAUSES: f64 = 5.0;
/// ... on a tag with straight lines, where the grid of the export hides the shortest pauses.
const UNEVEN_ON_LINES: f64 = 2.0;
/// Share of points on lines beyond which a tag has lines: an Allan deviation would be theirs.
const LINES: f64 = 0.05;
/// Fewest differences behind an Allan deviation.
const ALLAN_MIN_DIFFERENCES: usize = 20;

/// Working memory of this module.
#[derive(Clone, Debug, Default)]
pub(crate) struct NoiseScratch {
    steps: Vec<f64>,
    pub(crate) spacings: Vec<f64>,
    even: Vec<f64>,
    sums: Vec<(f64, usize)>,
}

/// Robust step noise of the updates that lie in the chosen minutes.
pub(crate) fn step_noise(
    updates: &Updates,
    mut chosen: Within<'_>,
    resolution: f64,
    scratch: &mut NoiseScratch,
) -> Option<stats::StepNoise> {
    scratch.steps.clear();
    scratch.spacings.clear();
    let mut before_in = false;
    for i in 0..updates.len() {
        let is_in = chosen.covers(updates.t_us[i]);
        if is_in && before_in && updates.near[i] {
            let step = (updates.v[i] - updates.v[i - 1]).abs();
            if step > 0.0 {
                scratch.steps.push(step);
                scratch.spacings.push((updates.t_us[i] - updates.t_us[i - 1]) as f64 / 1e6);
            }
        }
        before_in = is_in;
    }
    let resolution = Some(resolution).filter(|r| r.is_finite());
    stats::noise_of_steps_in_place(&mut scratch.steps, resolution)
}

/// Writes the noise group but for the bursts.
pub(crate) fn write(
    density: &Samples,
    updates: &Updates,
    cells: &Cells,
    settings: &Settings,
    scratch: &mut NoiseScratch,
    row: &mut FeatureRow,
) {
    if density.is_empty() {
        row.why(Group::Noise, WhyNull::absent(density));
        return;
    }
    row.set(F::Resolution, density.habits.resolution);
    let steady = cells.count(STEADY_OWN);
    if steady == 0 || (steady as f64) < settings.steady_min {
        let none = steady == 0;
        row.why(Group::Noise, if none { WhyNull::FilterEmpty } else { WhyNull::TooFew });
        return;
    }
    let noise = step_noise(updates, cells.steady(), density.habits.resolution, scratch);
    row.count(Count::Noise, scratch.steps.len());
    match noise {
        Some(noise) => {
            let floor_limited = noise.floor_limited
                || is_thinned_away(noise.sigma, density)
                || is_by_exception(noise.sigma, density, updates, cells, &mut scratch.even);
            row.set(F::Noise, noise.sigma);
            row.set(F::NoiseFloorLimited, f64::from(u8::from(floor_limited)));
            row.set(F::NoiseSpacing, stats::median_in_place(&mut scratch.spacings));
            if floor_limited {
                row.why(Group::Noise, WhyNull::FloorLimited);
            }
        }
        None => row.why(Group::Noise, WhyNull::TooFew),
    }
    if let Some(ratio) = tail_ratio(updates, cells, settings, &mut scratch.steps) {
        row.set(F::TailRatio, ratio);
    }
    write_allan(density, cells, scratch, row);
}

/// Whether the recorder kept far fewer points than rounding explains, at steps of a few
/// resolutions: a dead-band keeps only what exceeds it, so the noise sits on the band.
fn is_thinned_away(sigma: f64, density: &Samples) -> bool {
    let r = density.habits.resolution;
    let expected = 1.0 - stats::equal_neighbour_share(r, sigma);
    let kept = density.habits.updates / density.n_own() as f64;
    sigma < DEAD_BAND_RESOLUTIONS * r && kept * THINNING < expected
}

/// Whether the updates come at pauses that differ five-fold and are fewer than rounding explains.
///
/// A dead-band without rounding leaves no other trace: what is stored is what left the band, and a
/// step between two such values is the band, or the drift over the pause.
fn is_by_exception(
    sigma: f64,
    density: &Samples,
    updates: &Updates,
    cells: &Cells,
    pauses: &mut Vec<f64>,
) -> bool {
    pauses.clear();
    let mut steady = cells.steady();
    for i in 1..updates.len() {
        if updates.linked[i] && steady.covers(updates.t_us[i]) {
            pauses.push((updates.t_us[i] - updates.t_us[i - 1]) as f64);
        }
    }
    let all: f64 = pauses.iter().sum();
    let low = stats::quantile_in_place(pauses, 0.1);
    let high = stats::quantile_in_place(pauses, 0.9);
    // NaN, an unrounded signal, shows no repeats.
    let repeats = stats::equal_neighbour_share(density.habits.resolution, sigma);
    let expected = if repeats.is_nan() { 1.0 } else { 1.0 - repeats };
    let kept = low * pauses.len() as f64 / all;
    let uneven = if density.habits.line_share > LINES { UNEVEN_ON_LINES } else { UNEVEN_PAUSES };
    high > uneven * low && kept * THINNING < expected
}

/// (q50 - q2) / (q98 - q50) of steady updates about the mean of their window.
fn tail_ratio(
    updates: &Updates,
    cells: &Cells,
    settings: &Settings,
    deviations: &mut Vec<f64>,
) -> Option<f64> {
    deviations.clear();
    let window_us = ((settings.burst_window_s * 1e6) as i64).max(1);
    let mut start = 0; // index into `deviations` at which the present window began
    let mut window_end = i64::MIN;
    let mut steady = cells.steady();
    for (&t_us, &v) in updates.t_us.iter().zip(&updates.v) {
        if t_us >= window_end {
            center(&mut deviations[start..]);
            (start, window_end) = (deviations.len(), (t_us / window_us + 1) * window_us);
        }
        if steady.covers(t_us) {
            deviations.push(v);
        }
    }
    center(&mut deviations[start..]);
    if deviations.len() < TAIL_MIN_UPDATES {
        return None;
    }
    let mut at = |p| stats::quantile_in_place(deviations, p);
    let (low, middle, high) = (at(0.02), at(0.5), at(0.98));
    (high > middle).then(|| (middle - low) / (high - middle))
}

fn center(values: &mut [f64]) {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    values.iter_mut().for_each(|value| *value -= mean);
}

fn write_allan(density: &Samples, cells: &Cells, scratch: &mut NoiseScratch, row: &mut FeatureRow) {
    let spacing_s = density.habits.spacing_s;
    if spacing_s.is_nan() || density.habits.line_share > LINES {
        return;
    }
    even_series(density, cells, (spacing_s * 1e6) as i64, &mut scratch.even);
    let mut at = |m: usize| {
        let allan = stats::overlapping_allan_deviation_with(&scratch.even, m, &mut scratch.sums);
        if allan.n_differences >= ALLAN_MIN_DIFFERENCES { allan.deviation } else { f64::NAN }
    };
    row.set(F::Allan10, at(10));
    let hour = (3600.0 / spacing_s).round();
    if (1.0..=86_400.0).contains(&hour) {
        row.set(F::Allan1h, at(hour as usize));
    }
}

/// Steady values on an even grid; a NaN stands wherever a neighbour is missing or late.
fn even_series(density: &Samples, cells: &Cells, spacing_us: i64, even: &mut Vec<f64>) {
    even.clear();
    let mut steady = cells.steady();
    let mut last = i64::MIN;
    for i in 0..density.len() {
        let t_us = density.t_us[i];
        if !steady.covers(t_us) {
            continue;
        }
        let late = t_us - last.max(-spacing_us * 10) - spacing_us;
        if !even.is_empty() && (density.is_broken(i) || late.abs() > spacing_us / 2) {
            even.push(f64::NAN);
        }
        even.push(density.v[i]);
        last = t_us;
    }
}
