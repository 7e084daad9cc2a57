//! Noise models of block values: their scales, the nuisance that is left, and what is set aside.

use crate::likelihood::{Data, Noise};
use crate::nuisance::{self, Coefficients, Covariate};
use crate::observable::{Observable, Reference};
use crate::settings::{ObservablePrior, Priors};
use metersift_stats as stats;

/// V enters twice: once for the estimate from differences, once because differences of white
/// noise are not independent.
const COVARIANCE_FACTOR: f64 = 2.0;

/// Slow wander of absolute references has this time constant, days (judgement).
const STATED_WANDER_DAYS: f64 = 60.0;

/// Longest episode that counts as one that passed, blocks.
const LONGEST_EPISODE: usize = 14;

/// Blocks before and after an episode that must agree.
const EPISODE_CONTEXT: usize = 4;

/// The ten noise models of learned wander.
pub(crate) fn noise_models(priors: &Priors) -> Vec<Noise> {
    let p = &priors.noise;
    let mut models = vec![Noise::White];
    for &r in &p.variance_ratios {
        models.extend(
            p.time_constants_days.iter().map(|&tau_days| Noise::FirstOrder { r, tau_days }),
        );
    }
    models.extend(p.variance_ratios.iter().map(|&r| Noise::Walk { r, days: p.walk_days }));
    models
}

/// How much of the stated scatter and wander of an absolute reference is true, by model: the
/// fleet's own checks and zeros tell which.
pub(crate) fn stated_models(priors: &Priors) -> Vec<(f64, f64)> {
    let shares = &priors.noise.stated_shares;
    shares.iter().flat_map(|&scatter| shares.iter().map(move |&wander| (scatter, wander))).collect()
}

/// Noise models and widths of one observable.
pub(crate) struct Model {
    prior: ObservablePrior,
    noises: Vec<Noise>,
    /// Shares of the stated scatter and wander; empty where both are learned.
    stated: Vec<(f64, f64)>,
    clip: f64,
    scatter_weight: f64,
}

pub(crate) struct Built {
    pub data: Data,
    pub noises: Vec<Noise>,
    pub scales: Vec<f64>,
}

impl Model {
    pub(crate) fn new(priors: &Priors, observable: Observable, prior: &ObservablePrior) -> Model {
        let stated = observable.reference() == Reference::Absolute;
        Model {
            prior: *prior,
            noises: if stated { Vec::new() } else { noise_models(priors) },
            stated: if stated { stated_models(priors) } else { Vec::new() },
            clip: priors.noise.clip,
            scatter_weight: priors.noise.scatter_weight,
        }
    }

    pub(crate) fn build(
        &self,
        t: &[f64],
        y: Vec<f64>,
        w: Vec<f64>,
        covariates: &[Covariate],
        frees: &[i32],
    ) -> Built {
        let n = t.len();
        // Whether a recorded reset lies between a block and the next.
        let separated =
            |i: usize| frees.iter().any(|&day| t[i] < f64::from(day) && f64::from(day) <= t[i + 1]);
        let Coefficients { b, v } =
            nuisance::estimate(&y, &w, covariates, self.prior.scatter, separated);
        let explained: Vec<f64> =
            (0..n).map(|i| covariates.iter().zip(&b).map(|(c, b)| b * c.x[i]).sum()).collect();
        let residual: Vec<f64> = y.iter().zip(&explained).map(|(y, e)| y - e).collect();
        let scale = |noise, typical| self.scale(noise, typical, t, &residual, &w, separated);
        let clip_wanted = self.stated.is_empty();
        let (noises, scales): (Vec<Noise>, Vec<f64>) = if clip_wanted {
            self.noises.iter().map(|&noise| (noise, scale(noise, self.prior.scatter))).unzip()
        } else {
            // A stated wander keeps its size whatever scatter was found.
            let model = |&(scatter, wander): &(f64, f64)| {
                let s = scale(Noise::White, scatter * self.prior.scatter);
                let r = (wander * self.prior.wander / s).powi(2);
                (Noise::FirstOrder { r, tau_days: STATED_WANDER_DAYS }, s)
            };
            self.stated.iter().map(model).unzip()
        };
        let residual =
            if clip_wanted { clipped(&residual, self.clip * scales[0]) } else { residual };
        let mut z = vec![vec![self.prior.level_sd; n]];
        let coefficients = Coefficients { b, v };
        z.extend(nuisance::unit_directions(covariates, &coefficients, COVARIANCE_FACTOR));
        for &day in frees {
            let after: Vec<f64> = t
                .iter()
                .map(|t| if *t > f64::from(day) { self.prior.level_sd } else { 0.0 })
                .collect();
            let some = after.iter().any(|x| *x > 0.0) && after.contains(&0.0);
            if some && z.last() != Some(&after) {
                z.push(after);
            }
        }
        // V is centred on b: what the coefficients explain is taken out of y.
        let mut data = Data { t: t.to_vec(), y: residual, w, z };
        if clip_wanted {
            let passed = passed_by_themselves(&data.y, scales[0], self.prior.floor, separated);
            data.drop_blocks(&passed);
        }
        Built { data, noises, scales }
    }

    /// White scale of a noise model from the robust first differences, so that every model has
    /// the same short-term scatter; the typical scatter counts as a few blocks.
    fn scale(
        &self,
        noise: Noise,
        typical: f64,
        t: &[f64],
        residual: &[f64],
        w: &[f64],
        separated: impl Fn(usize) -> bool,
    ) -> f64 {
        let standard: Vec<f64> = (0..t.len().saturating_sub(1))
            .filter(|&i| !separated(i))
            .map(|i| {
                let variance = noise.difference_variance(t[i + 1] - t[i], w[i], w[i + 1]);
                (residual[i + 1] - residual[i]) / variance.sqrt()
            })
            .collect();
        let found = stats::mad_sigma(&standard);
        let n = if found.is_finite() { standard.len() as f64 } else { 0.0 };
        let own = if n > 0.0 { found * found } else { 0.0 };
        ((self.scatter_weight * typical * typical + n * own) / (self.scatter_weight + n)).sqrt()
    }
}

/// Blocks of episodes that came and went without a recorded reset: a far-off run between two
/// stretches of one level. What has passed by itself is not a state of today, and neither a
/// level, a step nor a ramp has room for it.
fn passed_by_themselves(
    y: &[f64],
    s: f64,
    floor: f64,
    separated: impl Fn(usize) -> bool,
) -> Vec<bool> {
    let n = y.len();
    let mut passed = vec![false; n];
    let (far, near) = ((6.0 * s).max(3.0 * floor), (3.0 * s).max(1.5 * floor));
    let mut i = EPISODE_CONTEXT;
    while i + EPISODE_CONTEXT < n {
        let before: Vec<f64> =
            (0..i).rev().filter(|&k| !passed[k]).take(EPISODE_CONTEXT).map(|k| y[k]).collect();
        let level = stats::median(&before);
        let length = (i..n).take_while(|&k| (y[k] - level).abs() > far).count();
        let end = i + length;
        if length == 0 {
            i += 1;
            continue;
        }
        let cut = (i - 1..end.min(n - 1)).any(&separated);
        if length <= LONGEST_EPISODE && !cut && end + EPISODE_CONTEXT <= n {
            let after = stats::median(&y[end..end + EPISODE_CONTEXT]);
            if (after - level).abs() <= near {
                passed[i..end].iter_mut().for_each(|p| *p = true);
            }
        }
        i = end;
    }
    passed
}

/// Values farther than `width` from a running median of five blocks are pulled in to it.
fn clipped(values: &[f64], width: f64) -> Vec<f64> {
    let mut scratch = Vec::new();
    (0..values.len())
        .map(|i| {
            let from = i.saturating_sub(2);
            let until = (i + 3).min(values.len());
            let middle = stats::median_with(&values[from..until], &mut scratch);
            values[i].clamp(middle - width, middle + width)
        })
        .collect()
}
