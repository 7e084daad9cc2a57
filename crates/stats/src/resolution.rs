//! Effective resolution: the step that a recorder rounds a signal to.
//!
//! Why:    noise under it is the recorder's, and lines and repeats look different in rounded
//!         values.
//! In:     absolute non-zero steps between neighbours, sorted.
//! Out:    the largest step of which 95 % of them are whole multiples within 2 %.
//! Method: whole parts of three of the smaller steps are tried from the largest on, after a look
//!         at two dozen steps that spares wrong ones the fit; each is fitted by least squares to
//!         the multiples it claims. If none is right, parts of the differences between the
//!         sorted steps: under a dead-band every step is a large multiple.
//! Source: our own.

use crate::noise::MIN_NOISE_STEPS;

/// Share of the non-zero steps that must be whole multiples of a resolution (our choice).
const RESOLUTION_SHARE: f64 = 0.95;
/// How far from a whole multiple a step may be, in resolutions (our choice).
const RESOLUTION_SLACK: f64 = 0.02;
/// Steps looked at while searching; the finding is then confirmed on all of them.
const RESOLUTION_SAMPLE: usize = 256;
/// Largest multiple that an anchor step is tried as: noise up to some 600 resolutions is seen.
const RESOLUTION_MULTIPLES: usize = 64;

/// Steps of the quick look at a candidate, the part of the sorted steps they come from, and how
/// far from whole multiples a quarter of them may lie (our choice). A step of an unrounded signal
/// passes one time in five, so a wrong candidate passes one time in ten million.
const PROBE_STEPS: usize = 24;
const PROBE_FROM: f64 = 0.06;
const PROBE_UNTIL: f64 = 0.5;
const PROBE_SLACK: f64 = 0.1;

/// Parts of the sorted steps' own differences that are tried, up to this multiple of them; a
/// resolution found so may be finer than a 64th of the smaller steps, but no finer than this part.
const GAP_ANCHORS: [f64; 2] = [0.12, 0.25];
const GAP_MULTIPLES: usize = 8;
const GAP_REACH: f64 = 512.0;

/// Effective resolution: the largest step of which 95 % of the steps are whole multiples.
///
/// `absolute_steps` are sorted rising, non-zero. `None` under [`MIN_NOISE_STEPS`] steps or when
/// there is no such step above the working precision of the values (`largest_value` tells
/// their size): a signal finer than it is noisy has no effective resolution.
pub fn resolution_of_steps(absolute_steps: &[f64], largest_value: f64) -> Option<f64> {
    search_resolution(absolute_steps, largest_value, true)
}

/// The search; `probing` spares wrong candidates the fit (off only to test that it spares no
/// right one).
fn search_resolution(absolute_steps: &[f64], largest_value: f64, probing: bool) -> Option<f64> {
    let n = absolute_steps.len();
    if n < MIN_NOISE_STEPS {
        return None;
    }
    // Decimal texts parsed to binary leave this much dust in a difference.
    let dust = 8.0 * f64::EPSILON * largest_value.abs();
    let mut search = Search { steps: absolute_steps, sample: Vec::new(), dust, best: None };
    let anchors = [0.06, 0.12, 0.25].map(|p| absolute_steps[(p * n as f64) as usize]);
    for anchor in anchors {
        search.parts_of(anchor, RESOLUTION_MULTIPLES, 0.0, probing.then_some(anchor));
    }
    if search.best.is_none() {
        for anchor in gap_anchors(absolute_steps, dust) {
            let finest = anchors[0] / GAP_REACH;
            search.parts_of(anchor, GAP_MULTIPLES, finest, Some(anchor));
        }
    }
    search.best
}

/// Small differences between neighbours among the sorted steps.
///
/// A recorder with a dead-band keeps no small step: all are large multiples of the resolution,
/// crowded above the band, but they still differ by small ones.
fn gap_anchors(sorted: &[f64], dust: f64) -> Vec<f64> {
    let gaps = sorted.windows(2).map(|pair| pair[1] - pair[0]);
    let mut gaps: Vec<f64> = gaps.filter(|gap| gap * RESOLUTION_SLACK > dust).collect();
    gaps.sort_unstable_by(f64::total_cmp);
    GAP_ANCHORS.iter().filter_map(|p| gaps.get((p * gaps.len() as f64) as usize).copied()).collect()
}

struct Search<'a> {
    steps: &'a [f64],
    /// Some of the steps, once a candidate is fitted.
    sample: Vec<f64>,
    dust: f64,
    best: Option<f64>,
}

impl Search<'_> {
    /// Tries the whole parts of an anchor, from the largest on, until one fits.
    fn parts_of(&mut self, anchor: f64, multiples: usize, finest: f64, probe: Option<f64>) {
        let probe = probe.map(|anchor| Probe::new(self.steps, anchor));
        for multiple in 1..=multiples {
            let candidate = anchor / multiple as f64;
            let too_fine = candidate * RESOLUTION_SLACK <= self.dust || candidate < finest;
            if too_fine || self.best.is_some_and(|best| candidate <= best) {
                break;
            }
            if probe.as_ref().is_some_and(|probe| !probe.passes(multiple as f64)) {
                continue;
            }
            if self.sample.is_empty() {
                let stride = self.steps.len().div_ceil(RESOLUTION_SAMPLE);
                self.sample.extend(self.steps.iter().copied().step_by(stride));
            }
            let refined = refine_resolution(&self.sample, candidate);
            if is_multiple_share(&self.sample, refined) && is_multiple_share(self.steps, refined) {
                self.best = Some(self.best.map_or(refined, |best| best.max(refined)));
                break;
            }
        }
    }
}

/// A look at two dozen of the smaller steps, in units of one of them: most of a rounded signal's
/// are whole multiples of a whole part of it.
struct Probe {
    ratios: [f64; PROBE_STEPS],
}

impl Probe {
    fn new(sorted: &[f64], anchor: f64) -> Probe {
        let at = |p: f64| (p * sorted.len() as f64) as usize;
        // Spread over the lower half: neighbours in order hit or miss a multiple together.
        let (from, until) = (at(PROBE_FROM), at(PROBE_UNTIL));
        let mut ratios = [0.0; PROBE_STEPS];
        for (i, ratio) in ratios.iter_mut().enumerate() {
            *ratio = sorted[from + i * (until - from) / PROBE_STEPS] / anchor;
        }
        Probe { ratios }
    }

    /// Whether three quarters lie near a whole multiple of the anchor's part `1 / multiple`.
    fn passes(&self, multiple: f64) -> bool {
        let is_near = |ratio: &f64| u32::from(off_whole(ratio * multiple) <= PROBE_SLACK);
        // Half of them without a way out: the machine takes several at once. Most wrong
        // candidates are out after the first half.
        let near = |ratios: &[f64]| ratios.iter().map(is_near).sum::<u32>() as usize;
        let (first, second) = self.ratios.split_at(PROBE_STEPS / 2);
        let (wanted, of_first) = (PROBE_STEPS * 3 / 4, near(first));
        of_first + second.len() >= wanted && of_first + near(second) >= wanted
    }
}

/// Distance of a positive number under 2^51 from the nearest whole one.
///
/// Adding and taking away 1.5 x 2^52 rounds to whole numbers; halves may go either way, and half
/// is never near.
fn off_whole(x: f64) -> f64 {
    (x - nearest_whole(x)).abs()
}

fn nearest_whole(x: f64) -> f64 {
    const SHIFT: f64 = 6_755_399_441_055_744.0;
    (x + SHIFT) - SHIFT
}

/// Least squares of the sorted steps on their multiples, from the small multiples outwards.
fn refine_resolution(steps: &[f64], candidate: f64) -> f64 {
    let mut refined = candidate;
    for reach in [4.0, 16.0, 64.0, 256.0] {
        let (mut cross, mut squares) = (0.0, 0.0);
        for &step in steps {
            let ratio = step / refined;
            let multiple = nearest_whole(ratio);
            if multiple > reach {
                break;
            }
            if multiple >= 1.0 && (ratio - multiple).abs() <= 10.0 * RESOLUTION_SLACK {
                cross += step * multiple;
                squares += multiple * multiple;
            }
        }
        if squares > 0.0 {
            refined = cross / squares;
        }
    }
    refined
}

/// Whether [`RESOLUTION_SHARE`] of the steps are whole multiples.
fn is_multiple_share(steps: &[f64], resolution: f64) -> bool {
    let misses_allowed = ((1.0 - RESOLUTION_SHARE) * steps.len() as f64 + 1e-9) as usize;
    let is_miss = |step: &&f64| {
        let ratio = **step / resolution;
        nearest_whole(ratio) < 1.0 || off_whole(ratio) > RESOLUTION_SLACK
    };
    steps.iter().filter(is_miss).take(misses_allowed + 1).count() <= misses_allowed
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Xoshiro256;
    use crate::made::{normals, rounded};

    #[test]
    fn the_resolution_of_a_rounded_signal_is_found() {
        for (sigma, resolution) in [(1.0, 0.1), (0.3, 0.1), (5.0, 0.1), (0.02, 0.01)] {
            let mut steps = Vec::new();
            crate::absolute_steps(&rounded(&normals(3000, sigma, 3), resolution), &mut steps);
            steps.sort_unstable_by(f64::total_cmp);
            let found = resolution_of_steps(&steps, 1000.0).expect("a resolution");
            assert!((found / resolution - 1.0).abs() < 1e-6, "{sigma} {resolution}: {found}");
        }
    }

    #[test]
    fn a_signal_that_is_not_rounded_has_no_resolution() {
        let mut steps = Vec::new();
        crate::absolute_steps(&normals(3000, 1.0, 5), &mut steps);
        steps.sort_unstable_by(f64::total_cmp);
        assert_eq!(resolution_of_steps(&steps, 1000.0), None);
    }

    /// Rounded signals of 0.2 to 400 resolutions' noise, with up to 6 % of steps off the grid,
    /// unrounded ones, and steps crowded by a dead-band: the quick look changes no answer.
    #[test]
    fn the_quick_look_spares_no_right_candidate() {
        let mut generator = Xoshiro256::seeded(77);
        let mut found = 0;
        for case in 0..600_u32 {
            let n = 40 + (generator.uniform() * 1500.0) as usize;
            let sigma = 0.2 * 2000_f64.powf(generator.uniform());
            let spoiled = 0.06 * generator.uniform();
            let mut steps: Vec<f64> = (0..n)
                .map(|_| (sigma * generator.normal()).abs())
                .map(|step| match case % 3 {
                    0 => step,
                    1 => step.round(),
                    _ => (4.5 * sigma + 0.3 * step).round(),
                })
                .filter(|&step| step > 0.0)
                .collect();
            for step in &mut steps {
                *step += if generator.uniform() < spoiled { 0.37 } else { 1e-12 };
            }
            steps.sort_unstable_by(f64::total_cmp);
            let quick = search_resolution(&steps, 1000.0, true);
            assert_eq!(quick, search_resolution(&steps, 1000.0, false), "case {case}, {sigma}");
            found += usize::from(quick.is_some());
        }
        assert!((200..400).contains(&found), "{found}");
    }

    /// Steps of a recorder that keeps only what leaves a band of 70 resolutions.
    #[test]
    fn a_dead_band_hides_no_resolution() {
        for seed in 0..50 {
            let mut generator = Xoshiro256::seeded(seed);
            let mut steps: Vec<f64> = (0..60)
                .map(|_| 10.0 * (70.0 + 15.0 * generator.normal().abs()).round() + 1e-12)
                .collect();
            steps.sort_unstable_by(f64::total_cmp);
            let found = resolution_of_steps(&steps, 10_000.0).expect("a resolution");
            assert!((found / 10.0 - 1.0).abs() < 1e-9, "{seed}: {found}");
            // The same without rounding has none.
            let mut steps: Vec<f64> =
                (0..60).map(|_| 700.0 + 150.0 * generator.normal().abs()).collect();
            steps.sort_unstable_by(f64::total_cmp);
            assert_eq!(resolution_of_steps(&steps, 10_000.0), None, "{seed}");
        }
    }
}
