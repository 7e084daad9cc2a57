//! Likelihoods: Gaussian with any covariance, the gain of a shape, Student's t, sums of logs.
//!
//! Why:    the verdict compares explanations by their likelihoods, all in logarithms.
//! In:     slices of one length and a [`Cholesky`] factor of the covariance; no gaps: the caller
//!         leaves out rows and columns of blocks without a value.
//! Source: generalised least squares: any textbook; t with 4 degrees:
//!         -(5/2) ln(1 + z^2/4) is the exact log density ratio to z = 0.

use std::f64::consts::PI;

use crate::linear::{Cholesky, dot};

/// Log density of a Gaussian with mean zero at `residual`.
pub fn gaussian_log_density(residual: &[f64], covariance: &Cholesky) -> f64 {
    gaussian_log_density_with(residual, covariance, &mut Vec::new())
}

/// [`gaussian_log_density`] that leaves the whitened residual in `whitened`.
pub fn gaussian_log_density_with(
    residual: &[f64],
    covariance: &Cholesky,
    whitened: &mut Vec<f64>,
) -> f64 {
    whitened.clear();
    whitened.extend_from_slice(residual);
    covariance.whiten(whitened);
    whitened_log_density(whitened, covariance.log_det())
}

/// Log density from a whitened residual and the log-determinant of its covariance.
pub fn whitened_log_density(whitened: &[f64], log_det: f64) -> f64 {
    let n = whitened.len() as f64;
    -0.5 * (n * (2.0 * PI).ln() + log_det + dot(whitened, whitened))
}

/// The best amplitude of one shape in correlated noise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ShapeFit {
    /// Amplitude a = g'S^-1 y / g'S^-1 g.
    pub amplitude: f64,
    /// Its standard error (g'S^-1 g)^-1/2.
    pub standard_error: f64,
    /// Log likelihood gained by a over zero: (a / se)^2 / 2.
    pub gain: f64,
}

/// Fits `a` in y = a g + noise; both slices whitened. `None` for a shape that is zero.
pub fn shape_fit(whitened_y: &[f64], whitened_g: &[f64]) -> Option<ShapeFit> {
    let squares = dot(whitened_g, whitened_g);
    if squares.is_nan() || squares <= 0.0 {
        return None;
    }
    let cross = dot(whitened_g, whitened_y);
    let amplitude = cross / squares;
    let gain = 0.5 * amplitude * cross;
    Some(ShapeFit { amplitude, standard_error: squares.sqrt().recip(), gain })
}

/// ln sum exp of logarithms, without overflow; negative infinity for nothing.
///
/// A NaN among them makes the sum NaN: a broken likelihood must not vanish in a sum.
pub fn log_sum_exp(logs: &[f64]) -> f64 {
    let largest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if largest.is_infinite() {
        return if logs.iter().any(|log| log.is_nan()) { f64::NAN } else { largest };
    }
    largest + logs.iter().map(|log| (log - largest).exp()).sum::<f64>().ln()
}

/// Log density of Student's t with 4 degrees of freedom at `z` over that at 0.
pub fn student_t4_log_ratio(z: f64) -> f64 {
    -2.5 * (0.25 * z * z).ln_1p()
}

/// Log density of Student's t with 4 degrees of freedom; 3/8 at 0.
pub fn student_t4_log_density(z: f64) -> f64 {
    0.375_f64.ln() + student_t4_log_ratio(z)
}

/// Log odds of a probability; infinite at 0 and 1.
pub fn log_odds(p: f64) -> f64 {
    p.ln() - (-p).ln_1p()
}

/// The probability behind log odds.
pub fn from_log_odds(log_odds: f64) -> f64 {
    if log_odds >= 0.0 {
        1.0 / (1.0 + (-log_odds).exp())
    } else {
        let odds = log_odds.exp();
        odds / (1.0 + odds)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn log_sum_exp_of_nothing_is_impossible_and_nan_shows() {
        assert_eq!(log_sum_exp(&[]), f64::NEG_INFINITY);
        assert_eq!(log_sum_exp(&[f64::NEG_INFINITY; 3]), f64::NEG_INFINITY);
        assert!(log_sum_exp(&[f64::NAN, 0.0]).is_nan());
        assert!(log_sum_exp(&[f64::NAN, f64::NEG_INFINITY]).is_nan());
        assert_eq!(log_sum_exp(&[f64::INFINITY, 0.0]), f64::INFINITY);
    }

    #[test]
    fn a_shape_that_is_zero_cannot_be_fitted() {
        assert_eq!(shape_fit(&[1.0, 2.0], &[0.0, 0.0]), None);
        assert_eq!(shape_fit(&[], &[]), None);
    }

    #[test]
    fn log_odds_go_there_and_back() {
        for p in [1e-12, 0.2, 0.5, 0.99] {
            assert!((from_log_odds(log_odds(p)) / p - 1.0).abs() < 1e-12);
        }
        assert_eq!(from_log_odds(f64::NEG_INFINITY), 0.0);
        assert_eq!(from_log_odds(f64::INFINITY), 1.0);
    }
}
