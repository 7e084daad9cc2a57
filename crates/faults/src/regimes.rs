//! Product grades: what the fluid was, day by day, from density at a reference temperature.
//!
//! Why:    a grade change moves density and damping of every meter on the line; taken as a
//!         covariate it explains what it can, and a grade that first appears at the suspected
//!         onset makes the evidence vanish, as it should.
//! In:     daily density, kg/m3 (the peers' median where there are peers; the meter's own only
//!         where grades come and go several times, else a fault would be called a grade).
//! Out:    a grade per day, or nothing where one grade explains the days.
//! Method: Gaussian mixture in one dimension with k = 1..3, several seeds (the library's own
//!         `n_runs` does not restart), standardised; responsibilities, likelihood and BIC are
//!         computed here with log-sum-exp, since the library's own overflow far from all parts.
//!         BIC = -2 lnL + p ln n, lower is better. Variance floor: 1e-4 of the whole variance.
//! Source: Schwarz (1978), Ann. Statist. 6, 461.

use linfa::DatasetBase;
use linfa::traits::Fit as _;
use linfa_clustering::GaussianMixtureModel;
use metersift_stats as stats;
use ndarray::Array2;
use rand::SeedableRng;
use rand_xoshiro::Xoshiro256Plus;

/// Most grades.
const MAX_GRADES: usize = 3;
/// Starts per number of grades.
const SEEDS: u64 = 3;
/// Days that a mixture is fitted on at most; the rest is only assigned.
const MAX_POINTS: usize = 160;
/// Fewest days.
const MIN_POINTS: usize = 40;
/// Smallest standard deviation of a part, of the whole.
const SD_FLOOR: f64 = 1e-2;
/// Grades differ by at least this many standard deviations of the wider one ...
const SEPARATION: f64 = 3.0;
/// ... and by this much, kg/m3.
const SEPARATION_KG_M3: f64 = 2.0;
/// A grade runs on at least this share of the days.
const MIN_SHARE: f64 = 0.05;
/// Short-term noise this many times inside the spread means one grade: no fit is tried.
const SPREAD_OVER_NOISE: f64 = 10.0;

/// A mixture in one dimension.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Mixture {
    pub weight: Vec<f64>,
    pub mean: Vec<f64>,
    pub sd: Vec<f64>,
    pub log_likelihood: f64,
}

impl Mixture {
    /// ln of weight times density of each part at `x`.
    fn log_parts(&self, x: f64) -> Vec<f64> {
        (0..self.weight.len())
            .map(|k| {
                let z = (x - self.mean[k]) / self.sd[k];
                self.weight[k].ln() - self.sd[k].ln() - 0.5 * (z * z + std::f64::consts::TAU.ln())
            })
            .collect()
    }

    /// BIC for n points: 3 k - 1 free parameters.
    pub fn bic(&self, n: usize) -> f64 {
        let parameters = 3.0 * self.weight.len() as f64 - 1.0;
        -2.0 * self.log_likelihood + parameters * (n as f64).ln()
    }

    fn part(&self, x: f64) -> usize {
        let parts = self.log_parts(x);
        (0..parts.len()).fold(0, |best, k| if parts[k] > parts[best] { k } else { best })
    }
}

/// The best mixture of `k` parts over a few seeds; `None` where none can be fitted.
pub(crate) fn fit_mixture(values: &[f64], k: usize) -> Option<Mixture> {
    let n = values.len();
    let (mean, sd) = (stats::mean(values), stats::standard_deviation(values));
    if k == 0 || n <= 3 * k || !values.iter().all(|x| x.is_finite()) || !(sd > 0.0) {
        return None;
    }
    let standard: Vec<f64> = values.iter().map(|x| (x - mean) / sd).collect();
    let array = Array2::from_shape_vec((n, 1), standard.clone()).ok()?;
    let dataset = DatasetBase::from(array);
    let mut best: Option<Mixture> = None;
    for seed in 0..SEEDS {
        let fitted = GaussianMixtureModel::params_with_rng(k, Xoshiro256Plus::seed_from_u64(seed))
            .n_runs(1)
            .tolerance(1e-5)
            .reg_covariance(SD_FLOOR * SD_FLOOR)
            .max_n_iterations(300)
            .fit(&dataset);
        let Ok(fitted) = fitted else { continue };
        let mut mixture = Mixture {
            weight: fitted.weights().to_vec(),
            mean: fitted.means().column(0).to_vec(),
            sd: fitted.covariances().iter().map(|v| v.sqrt()).collect(),
            log_likelihood: 0.0,
        };
        let log_density = |x: &f64| stats::log_sum_exp(&mixture.log_parts(*x));
        // Back from the standardised scale: each density is divided by the sd.
        let sum = standard.iter().map(log_density).sum::<f64>() - n as f64 * sd.ln();
        mixture.log_likelihood = sum;
        if sum.is_finite() && best.as_ref().is_none_or(|b| b.log_likelihood < sum) {
            mixture.mean.iter_mut().for_each(|m| *m = mean + sd * *m);
            mixture.sd.iter_mut().for_each(|s| *s *= sd);
            best = Some(mixture);
        }
    }
    best
}

/// Grade of each day, `None` for days without a value; nothing where there is one grade.
pub(crate) fn grades(values: &[f64]) -> Option<Vec<Option<usize>>> {
    let known: Vec<f64> = values.iter().copied().filter(|x| x.is_finite()).collect();
    if known.len() < MIN_POINTS || !spread_exceeds_noise(&known) {
        return None;
    }
    let stride = known.len().div_ceil(MAX_POINTS);
    let sample: Vec<f64> = known.iter().copied().step_by(stride).collect();
    let mut best: Option<(f64, Mixture)> = None;
    for k in 1..=MAX_GRADES {
        if let Some(mixture) = fit_mixture(&sample, k) {
            let bic = mixture.bic(sample.len());
            if best.as_ref().is_none_or(|b| bic < b.0) {
                best = Some((bic, mixture));
            }
        }
    }
    let (_, mixture) = best.filter(|(_, mixture)| apart(mixture))?;
    Some(values.iter().map(|x| x.is_finite().then(|| mixture.part(*x))).collect())
}

/// How often the grade changes from one known day to the next.
pub(crate) fn switches(grades: &[Option<usize>]) -> usize {
    let known: Vec<usize> = grades.iter().copied().flatten().collect();
    known.windows(2).filter(|pair| pair[0] != pair[1]).count()
}

fn spread_exceeds_noise(known: &[f64]) -> bool {
    let mut sorted = known.to_vec();
    sorted.sort_by(f64::total_cmp);
    let spread = stats::quantile_type7(&sorted, 0.95) - stats::quantile_type7(&sorted, 0.05);
    let steps: Vec<f64> = known.windows(2).map(|p| p[1] - p[0]).collect();
    // Grade changes are rare among the steps, so their MAD is the noise within a grade.
    let noise = stats::mad_sigma(&steps) / std::f64::consts::SQRT_2;
    spread > SEPARATION_KG_M3 && spread > SPREAD_OVER_NOISE * noise
}

fn apart(mixture: &Mixture) -> bool {
    let k = mixture.weight.len();
    let mut order: Vec<usize> = (0..k).collect();
    order.sort_by(|&a, &b| mixture.mean[a].total_cmp(&mixture.mean[b]));
    k >= 2
        && mixture.weight.iter().all(|w| *w >= MIN_SHARE)
        && order.windows(2).all(|pair| {
            let gap = mixture.mean[pair[1]] - mixture.mean[pair[0]];
            let sd = mixture.sd[pair[0]].max(mixture.sd[pair[1]]);
            gap > SEPARATION * sd && gap > SEPARATION_KG_M3
        })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::num::splitmix64;
    use crate::oracle;

    fn normals(n: usize, seed: u64) -> Vec<f64> {
        let mut state = seed;
        (0..n)
            .map(|_| {
                let u = ((splitmix64(&mut state) >> 11) as f64 + 0.5) / 2f64.powi(53);
                stats::normal_quantile(u)
            })
            .collect()
    }

    #[test]
    fn two_grades_that_alternate_are_found() {
        let noise = normals(200, 1);
        let values: Vec<f64> = (0..200)
            .map(|i| if (i / 17) % 2 == 0 { 1250.0 } else { 1290.0 } + 0.8 * noise[i])
            .collect();
        let got = grades(&values).expect("two grades");
        assert_eq!(switches(&got), 11);
        assert!(got.iter().enumerate().all(|(i, g)| (*g == got[0]) == ((i / 17) % 2 == 0)));
    }

    /// Old Faithful, waiting alone: scikit-learn 1.9.1 has BIC 2201.7892 and 2096.0325 for one
    /// and two parts with free variances. Ours has a variance floor, a ten-thousandth of the
    /// whole variance, which both parts stay far above: half a unit is more than it can cost.
    #[test]
    fn bic_of_old_faithful_agrees_with_scikit_learn() {
        let waiting: Vec<f64> = oracle::WAITING_MIN.iter().map(|x| f64::from(*x)).collect();
        let bic = |k: usize| fit_mixture(&waiting, k).expect("a mixture").bic(waiting.len());
        assert!((bic(1) - 2201.7892).abs() < 0.05, "{}", bic(1));
        assert!((bic(2) - 2096.0325).abs() < 0.5, "{}", bic(2));
        assert!(bic(3) > bic(2), "{}", bic(3));
    }

    /// Galaxies, one part: R mclust 6.0.0 has -489.4892 with the opposite sign.
    #[test]
    fn bic_of_the_galaxies_agrees_with_mclust() {
        let velocity: Vec<f64> =
            oracle::GALAXIES_KM_S.iter().map(|x| f64::from(*x) / 1000.0).collect();
        let one = fit_mixture(&velocity, 1).expect("a mixture").bic(velocity.len());
        assert!((one - 489.4892).abs() < 0.02, "{one}");
    }

    #[test]
    fn one_grade_with_drift_is_one_grade() {
        let noise = normals(200, 2);
        let values: Vec<f64> = (0..200).map(|i| 1250.0 + 0.01 * i as f64 + noise[i]).collect();
        assert_eq!(grades(&values), None);
        assert_eq!(grades(&[f64::NAN; 100]), None);
        assert_eq!(grades(&[1000.0; 100]), None);
    }

    #[test]
    fn a_mixture_that_cannot_be_fitted_is_none_and_no_panic() {
        assert_eq!(fit_mixture(&[], 1), None);
        assert_eq!(fit_mixture(&[1.0; 50], 2), None);
        assert_eq!(fit_mixture(&[1.0, 2.0, 3.0], 2), None);
        assert_eq!(fit_mixture(&[1.0, f64::INFINITY, 3.0, 4.0, 5.0], 1), None);
    }
}
