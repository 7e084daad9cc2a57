//! Middles and plain spreads: mean, standard deviation, median, median absolute deviation.
//!
//! In:     any slice; values that are not finite are left out.
//! Out:    NaN when too few values are left.
//! Method: two-pass sums. The one-pass form E[y^2] - m^2 returns 0 for data of the shape
//!         10000000.2 +- 0.1 and is absent on purpose.
//! Source: corrected two-pass variance: Chan, Golub & LeVeque (1983), Am. Stat. 37, 242 (from
//!         memory); MAD as sigma: Rousseeuw & Croux (1993), JASA 88, 1273-1283.

/// `1 / Phi^-1(3/4)`: turns a MAD of normal data into a standard deviation.
///
/// The full constant (seen in scipy 1.17.1), not the 1.4826 that many programs carry.
pub const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;

/// Arithmetic mean of the finite values; NaN if there are none.
pub fn mean(values: &[f64]) -> f64 {
    let (mut sum, mut n) = (0.0, 0_usize);
    for value in finite(values) {
        sum += value;
        n += 1;
    }
    if n == 0 {
        return f64::NAN;
    }
    let first = sum / n as f64;
    // The second pass takes back the rounding of the first.
    first + finite(values).map(|value| value - first).sum::<f64>() / n as f64
}

/// Variance with n - 1; NaN under two finite values.
pub fn variance(values: &[f64]) -> f64 {
    let middle = mean(values);
    let (mut squares, mut sum, mut n) = (0.0, 0.0, 0_usize);
    for value in finite(values) {
        let off = value - middle;
        squares += off * off;
        sum += off;
        n += 1;
    }
    if n < 2 {
        return f64::NAN;
    }
    (squares - sum * sum / n as f64) / (n - 1) as f64
}

/// Standard deviation with n - 1; NaN under two finite values.
pub fn standard_deviation(values: &[f64]) -> f64 {
    variance(values).sqrt()
}

/// Median of the finite values; the mean of the middle two for an even count.
pub fn median(values: &[f64]) -> f64 {
    median_with(values, &mut Vec::new())
}

/// [`median`] with the caller's working memory.
pub fn median_with(values: &[f64], scratch: &mut Vec<f64>) -> f64 {
    keep_finite(values, scratch);
    median_in_place(scratch)
}

/// Median of a slice that holds no NaN; reorders it. NaN when empty.
pub fn median_in_place(values: &mut [f64]) -> f64 {
    let n = values.len();
    if n == 0 {
        return f64::NAN;
    }
    let (below, upper, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    let upper = *upper;
    if n % 2 == 1 {
        return upper;
    }
    let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    f64::midpoint(lower, upper)
}

/// Median absolute deviation about the median, as it comes (no constant).
pub fn mad(values: &[f64]) -> f64 {
    mad_with(values, &mut Vec::new())
}

/// [`mad`] with the caller's working memory.
pub fn mad_with(values: &[f64], scratch: &mut Vec<f64>) -> f64 {
    let middle = median_with(values, scratch);
    for value in scratch.iter_mut() {
        *value = (*value - middle).abs();
    }
    median_in_place(scratch)
}

/// [`mad`] times [`MAD_TO_SIGMA`]: a standard deviation that half the data may be wrong about.
pub fn mad_sigma(values: &[f64]) -> f64 {
    MAD_TO_SIGMA * mad(values)
}

/// [`mad_sigma`] with the caller's working memory.
pub fn mad_sigma_with(values: &[f64], scratch: &mut Vec<f64>) -> f64 {
    MAD_TO_SIGMA * mad_with(values, scratch)
}

/// Median of the absolute values: the spread about zero, for steps and residuals.
pub fn median_absolute_with(values: &[f64], scratch: &mut Vec<f64>) -> f64 {
    scratch.clear();
    scratch.extend(finite(values).map(f64::abs));
    median_in_place(scratch)
}

/// Root mean square of the finite values; NaN if there are none.
pub fn root_mean_square(values: &[f64]) -> f64 {
    let (mut squares, mut n) = (0.0, 0_usize);
    for value in finite(values) {
        squares += value * value;
        n += 1;
    }
    if n == 0 { f64::NAN } else { (squares / n as f64).sqrt() }
}

/// The finite values, in order.
pub(crate) fn finite(values: &[f64]) -> impl Iterator<Item = f64> + '_ {
    values.iter().copied().filter(|value| value.is_finite())
}

/// Copies the finite values into `into`, which is cleared first.
pub(crate) fn keep_finite(values: &[f64], into: &mut Vec<f64>) {
    into.clear();
    into.extend(finite(values));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gap_changes_no_middle() {
        let with = [3.0, f64::NAN, 1.0, f64::INFINITY, 2.0];
        assert_eq!(mean(&with), 2.0);
        assert_eq!(median(&with), 2.0);
        assert_eq!(mad(&with), 1.0);
        assert_eq!(standard_deviation(&with), 1.0);
    }

    #[test]
    fn nothing_has_no_middle() {
        assert!(mean(&[]).is_nan());
        assert!(median(&[f64::NAN]).is_nan());
        assert!(mad(&[]).is_nan());
        assert!(variance(&[1.0]).is_nan());
        assert!(root_mean_square(&[]).is_nan());
    }

    #[test]
    fn an_even_count_takes_the_mean_of_the_middle_two() {
        assert_eq!(median(&[4.0, 1.0, 3.0, 2.0]), 2.5);
        assert_eq!(median(&[-0.0, 0.0]), 0.0);
    }

    #[test]
    fn half_the_data_may_be_wrong() {
        let spoiled = [1.0, 2.0, 3.0, 1e9, -1e9];
        assert_eq!(median(&spoiled), 2.0);
        assert_eq!(mad(&spoiled), 1.0);
    }
}
