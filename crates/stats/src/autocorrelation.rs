//! Autocorrelation, and how many independent values a correlated series is worth.
//!
//! In:     evenly spaced values, gap = NaN: a pair with a gap is left out of the sum.
//! Method: r_k = sum (y_i - m)(y_{i+k} - m) / sum (y_i - m)^2, the form that NIST certifies.
//! Source: NIST/ITL Statistical Reference Datasets; effective size: Bayley & Hammersley (1946),
//!         J. R. Stat. Soc. Suppl. 8, 184.

use crate::location::{finite, mean};

/// Autocorrelation at one lag; NaN for a constant or empty series.
pub fn autocorrelation(values: &[f64], lag: usize) -> f64 {
    let middle = mean(values);
    let squares: f64 = finite(values).map(|value| (value - middle) * (value - middle)).sum();
    if squares.is_nan() || squares <= 0.0 {
        return f64::NAN;
    }
    let ahead = values.iter().skip(lag);
    let products = values.iter().zip(ahead).map(|(a, b)| (a - middle) * (b - middle));
    products.filter(|product| product.is_finite()).sum::<f64>() / squares
}

/// Autocorrelations at lags 1 to `max_lag`.
pub fn autocorrelations(values: &[f64], max_lag: usize) -> Vec<f64> {
    (1..=max_lag).map(|lag| autocorrelation(values, lag)).collect()
}

/// Independent values in `n` values of first-order correlation `r`: n (1 - r) / (1 + r).
///
/// The form for long series; larger than `n` for negative `r`.
pub fn effective_sample_size(n: usize, r: f64) -> f64 {
    n as f64 * (1.0 - r) / (1.0 + r)
}

/// The same without the long-series shortcut: 1 / (1/n + 2/n^2 sum (n - j) r^j).
pub fn effective_sample_size_exact(n: usize, r: f64) -> f64 {
    let size = n as f64;
    let mut power = 1.0;
    let mut sum = 0.0;
    for j in 1..n {
        power *= r;
        sum += (n - j) as f64 * power;
    }
    1.0 / (1.0 / size + 2.0 / (size * size) * sum)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_constant_has_no_autocorrelation() {
        assert!(autocorrelation(&[2.0; 9], 1).is_nan());
        assert!(autocorrelation(&[], 1).is_nan());
    }

    #[test]
    fn lag_zero_is_one_and_a_far_lag_is_zero() {
        let values = [1.0, 3.0, 2.0, 5.0];
        assert_eq!(autocorrelation(&values, 0), 1.0);
        assert_eq!(autocorrelation(&values, 9), 0.0);
    }

    #[test]
    fn uncorrelated_values_count_in_full() {
        assert_eq!(effective_sample_size(50, 0.0), 50.0);
        assert!((effective_sample_size_exact(50, 0.0) - 50.0).abs() < 1e-12);
    }
}
