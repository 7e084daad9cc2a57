//! Coefficients of what may legitimately move an observable, from block differences.
//!
//! Why:    estimated on levels, a half-seen season swallows 62 % of a slow ramp; estimated on
//!         differences it swallows none, because a slow fault hardly changes from block to block.
//! Method: y and x differenced, weighted by the blocks' sizes, centred (a steady slope teaches
//!         nothing), ridge toward zero with stated widths, Huber weights from residuals. The
//!         covariance V of the coefficients is returned and kept in the model.
//! Source: Huber (1964) k = 1.345; Hoerl & Kennard (1970).

use crate::num::cholesky;
use metersift_stats as stats;

/// Huber's constant: 95 % efficient for normal errors.
const HUBER_K: f64 = 1.345;
/// Rounds of reweighting; the weights settle to three digits by then.
const ROUNDS: usize = 6;

/// One covariate.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Covariate {
    /// What it is, for words.
    pub kind: CovariateKind,
    /// Centred block values, in the covariate's unit.
    pub x: Vec<f64>,
    /// Width of its coefficient before data, in y per x.
    pub prior_sd: f64,
    /// Extra variance of the coefficient as a share of its square: others do not answer exactly
    /// alike, or could themselves be the ones that changed.
    pub unlikeness: f64,
}

/// Kinds of covariates.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "named as what they are")]
pub(crate) enum CovariateKind {
    Temperature,
    Thermometer,
    LogFlow,
    Pressure,
    Peers,
    SinglePeer,
    Grade,
    Season,
}

/// Coefficients and their covariance (row-major).
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Coefficients {
    pub b: Vec<f64>,
    pub v: Vec<f64>,
}

/// Estimates the coefficients. `w` are relative white variances; `cut` tells pairs of
/// neighbouring blocks that a recorded reset separates.
pub(crate) fn estimate(
    y: &[f64],
    w: &[f64],
    covariates: &[Covariate],
    typical_scatter: f64,
    cut: impl Fn(usize) -> bool,
) -> Coefficients {
    let p = covariates.len();
    if p == 0 {
        return Coefficients::default();
    }
    let pairs: Vec<usize> = (0..y.len().saturating_sub(1)).filter(|&i| !cut(i)).collect();
    let weight: Vec<f64> = pairs.iter().map(|&i| (w[i] + w[i + 1]).recip()).collect();
    let dy = centred(pairs.iter().map(|&i| y[i + 1] - y[i]).collect(), &weight);
    let dx: Vec<Vec<f64>> = covariates
        .iter()
        .map(|c| centred(pairs.iter().map(|&i| c.x[i + 1] - c.x[i]).collect(), &weight))
        .collect();
    let floor = 0.1 * typical_scatter;
    let scale = |residual: &[f64]| {
        let scaled: Vec<f64> = residual.iter().zip(&weight).map(|(r, w)| r * w.sqrt()).collect();
        // Variance of a difference of unit-weight blocks, back from the weighted residuals.
        let sigma = stats::mad_sigma(&scaled);
        if sigma.is_finite() { sigma.max(floor) } else { typical_scatter }
    };
    let mut sigma = scale(&dy);
    let mut huber = vec![1.0; pairs.len()];
    let mut b = vec![0.0; p];
    let mut factor = vec![0.0; p * p];
    for _ in 0..ROUNDS {
        let mut right = vec![0.0; p];
        factor.iter_mut().for_each(|x| *x = 0.0);
        for i in 0..pairs.len() {
            let wi = weight[i] * huber[i];
            for a in 0..p {
                right[a] += wi * dx[a][i] * dy[i];
                for c in 0..=a {
                    factor[a * p + c] += wi * dx[a][i] * dx[c][i];
                }
            }
        }
        for a in 0..p {
            factor[a * p + a] += (sigma / covariates[a].prior_sd).powi(2);
        }
        cholesky(&mut factor, p);
        stats::solve_lower(&factor, p, &mut right);
        stats::solve_lower_transposed(&factor, p, &mut right);
        b = right;
        let residual: Vec<f64> = (0..pairs.len())
            .map(|i| dy[i] - (0..p).map(|a| b[a] * dx[a][i]).sum::<f64>())
            .collect();
        sigma = scale(&residual);
        for i in 0..pairs.len() {
            let z = (residual[i] * weight[i].sqrt() / sigma).abs();
            huber[i] = if z <= HUBER_K { 1.0 } else { HUBER_K / z };
        }
    }
    let mut v = inverse(&factor, p);
    v.iter_mut().for_each(|x| *x *= sigma * sigma);
    for (a, covariate) in covariates.iter().enumerate() {
        v[a * p + a] += covariate.unlikeness * b[a] * b[a];
    }
    Coefficients { b, v }
}

fn centred(mut values: Vec<f64>, weight: &[f64]) -> Vec<f64> {
    let total: f64 = weight.iter().sum();
    if total > 0.0 {
        let mean = values.iter().zip(weight).map(|(x, w)| x * w).sum::<f64>() / total;
        values.iter_mut().for_each(|x| *x -= mean);
    }
    values
}

fn inverse(l: &[f64], p: usize) -> Vec<f64> {
    let mut inverse = vec![0.0; p * p];
    for a in 0..p {
        let mut column = vec![0.0; p];
        column[a] = 1.0;
        stats::solve_lower(l, p, &mut column);
        stats::solve_lower_transposed(l, p, &mut column);
        for c in 0..p {
            inverse[c * p + a] = column[c];
        }
    }
    inverse
}

/// Directions `sqrt(factor) X L` with L L' = V: unit prior variance each.
pub(crate) fn unit_directions(
    covariates: &[Covariate],
    coefficients: &Coefficients,
    factor: f64,
) -> Vec<Vec<f64>> {
    let p = covariates.len();
    let mut l = coefficients.v.clone();
    cholesky(&mut l, p);
    (0..p)
        .map(|a| {
            let n = covariates[a].x.len();
            (0..n)
                .map(|i| {
                    let sum: f64 = (a..p).map(|c| covariates[c].x[i] * l[c * p + a]).sum();
                    factor.sqrt() * sum
                })
                .collect()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::num::splitmix64;
    use metersift_stats::normal_quantile;

    fn noise(n: usize, seed: u64) -> Vec<f64> {
        let mut state = seed;
        (0..n)
            .map(|_| normal_quantile(((splitmix64(&mut state) >> 11) as f64 + 0.5) / 2f64.powi(53)))
            .collect()
    }

    fn covariate(x: Vec<f64>, prior_sd: f64) -> Covariate {
        Covariate { kind: CovariateKind::Temperature, x, prior_sd, unlikeness: 0.0 }
    }

    #[test]
    fn a_slow_ramp_does_not_train_its_own_reference() {
        // Temperature falls slowly over half a season while the drive rises: on levels the
        // coefficient takes the ramp; on differences it stays at its true value, zero.
        let n = 90;
        let e = noise(n, 3);
        let wiggle = noise(n, 4);
        let x: Vec<f64> = (0..n)
            .map(|i| -10.0 * (std::f64::consts::PI * i as f64 / n as f64).cos() + wiggle[i])
            .collect();
        let y: Vec<f64> = (0..n).map(|i| 0.3 * i as f64 / n as f64 + 0.01 * e[i]).collect();
        let got = estimate(&y, &vec![1.0; n], &[covariate(x, 0.02)], 0.01, |_| false);
        assert!(got.b[0].abs() < 0.002, "{}", got.b[0]);
        assert!(got.v[0] > 0.0);
    }

    #[test]
    fn a_true_coefficient_is_found_and_one_jump_does_not_spoil_it() {
        let n = 90;
        let (e, x) = (noise(n, 5), noise(n, 6));
        let mut y: Vec<f64> = (0..n).map(|i| 0.5 * x[i] + 0.05 * e[i]).collect();
        y.iter_mut().skip(60).for_each(|v| *v += 10.0);
        let got = estimate(&y, &vec![1.0; n], &[covariate(x, 1.0)], 0.05, |_| false);
        assert!((got.b[0] - 0.5).abs() < 0.05, "{}", got.b[0]);
    }
}
