//! Robust scales that need no middle (Qn, Sn), the medcouple and Huber's location.
//!
//! In:     any slice; values that are not finite are left out. O(n^2) memory and time for Qn,
//!         Sn and the medcouple: meant for block values and residuals, not for raw samples.
//! Out:    NaN under two values.
//! Source: Rousseeuw & Croux (1993), JASA 88, 1273-1283, doi:10.1080/01621459.1993.10476408
//!         (the 2.2219 printed there is a slip for 2.2191); small-sample factors seen in
//!         R robustbase 0.95.0; medcouple: Brys, Hubert & Struyf (2004), J. Comput. Graph.
//!         Stat. 13, 996 (from memory).

use crate::location::{MAD_TO_SIGMA, finite, mad, median, median_in_place};

/// Consistency of Qn at the normal distribution, as in robustbase.
pub const QN_TO_SIGMA: f64 = 2.219_14;
/// Consistency of Sn at the normal distribution, as in robustbase.
pub const SN_TO_SIGMA: f64 = 1.192_6;

/// Small-sample factors of Qn for n = 2..=12 (seen in R robustbase 0.95.0).
const QN_SMALL: [f64; 11] = [
    0.399_356, 0.993_65, 0.513_21, 0.844_01, 0.612_2, 0.858_77, 0.669_93, 0.873_44, 0.720_14,
    0.889_06, 0.757_43,
];
/// Small-sample factors of Sn for n = 2..=9 (Croux & Rousseeuw 1992, from memory).
const SN_SMALL: [f64; 8] = [0.743, 1.851, 0.954, 1.351, 0.993, 1.198, 1.005, 1.131];

/// Qn without the small-sample factor: an order statistic of all pairwise distances.
pub fn qn_uncorrected(values: &[f64]) -> f64 {
    let values: Vec<f64> = finite(values).collect();
    let n = values.len();
    if n < 2 {
        return f64::NAN;
    }
    let mut distances = Vec::with_capacity(n * (n - 1) / 2);
    for (i, &a) in values.iter().enumerate() {
        distances.extend(values[i + 1..].iter().map(|&b| (a - b).abs()));
    }
    let half = n / 2 + 1;
    let kth = half * (half - 1) / 2;
    QN_TO_SIGMA * *distances.select_nth_unstable_by(kth - 1, f64::total_cmp).1
}

/// Qn with robustbase's small-sample factor.
pub fn qn(values: &[f64]) -> f64 {
    let n = finite(values).count();
    qn_uncorrected(values) * qn_factor(n)
}

fn qn_factor(n: usize) -> f64 {
    let size = n as f64;
    match n {
        0 | 1 => f64::NAN,
        2..=12 => QN_SMALL[n - 2],
        _ if n % 2 == 1 => 1.0 / (1.0 + (1.60188 + (-2.1284 - 5.172 / size) / size) / size),
        _ => 1.0 / (1.0 + (3.67561 + (1.9654 + (6.987 - 77.0 / size) / size) / size) / size),
    }
}

/// Sn without the small-sample factor: a median of medians of distances.
pub fn sn_uncorrected(values: &[f64]) -> f64 {
    let values: Vec<f64> = finite(values).collect();
    let n = values.len();
    if n < 2 {
        return f64::NAN;
    }
    let mut distances = vec![0.0; n];
    let mut middles: Vec<f64> = Vec::with_capacity(n);
    for &a in &values {
        for (distance, &b) in distances.iter_mut().zip(&values) {
            *distance = (a - b).abs();
        }
        // High median over all n distances, the zero to itself included.
        middles.push(*distances.select_nth_unstable_by(n / 2, f64::total_cmp).1);
    }
    // Low median of those.
    SN_TO_SIGMA * *middles.select_nth_unstable_by(n.div_ceil(2) - 1, f64::total_cmp).1
}

/// Sn with the small-sample factor.
pub fn sn(values: &[f64]) -> f64 {
    let n = finite(values).count();
    let factor = match n {
        0 | 1 => f64::NAN,
        2..=9 => SN_SMALL[n - 2],
        _ if n % 2 == 1 => n as f64 / (n as f64 - 0.9),
        _ => 1.0,
    };
    sn_uncorrected(values) * factor
}

/// Medcouple: a skewness in -1..1 that a quarter of the data may be wrong about.
pub fn medcouple(values: &[f64]) -> f64 {
    let middle = median(values);
    if middle.is_nan() {
        return f64::NAN;
    }
    let mut sorted: Vec<f64> = finite(values).map(|value| value - middle).collect();
    sorted.sort_unstable_by(f64::total_cmp);
    let lower: Vec<f64> = sorted.iter().copied().filter(|&off| off <= 0.0).collect();
    let upper: Vec<f64> = sorted.iter().copied().filter(|&off| off >= 0.0).collect();
    let ties = upper.iter().filter(|&&off| off == 0.0).count();
    let first_tie = lower.len() - ties;
    let mut kernel = Vec::with_capacity(lower.len() * upper.len());
    for (j, &up) in upper.iter().enumerate() {
        for (i, &down) in lower.iter().enumerate() {
            kernel.push(if up == 0.0 && down == 0.0 {
                tie_kernel(i - first_tie, j, ties)
            } else {
                (up + down) / (up - down)
            });
        }
    }
    median_in_place(&mut kernel)
}

/// The kernel of two values that both equal the median: by their ranks among the ties.
fn tie_kernel(i: usize, j: usize, ties: usize) -> f64 {
    match (i + j + 1).cmp(&ties) {
        std::cmp::Ordering::Less => -1.0,
        std::cmp::Ordering::Equal => 0.0,
        std::cmp::Ordering::Greater => 1.0,
    }
}

/// Huber's M-estimate of location with the scaled MAD as fixed scale.
///
/// `k` is the bend in scales (1.5 is usual). Returns the median when the MAD is zero.
pub fn huber_location(values: &[f64], k: f64) -> f64 {
    let scale = MAD_TO_SIGMA * mad(values);
    let mut middle = median(values);
    if scale.is_nan() || scale <= 0.0 {
        return middle;
    }
    let n = finite(values).count() as f64;
    for _ in 0..200 {
        let (low, high) = (middle - k * scale, middle + k * scale);
        // `max` and `min`, because `clamp` panics where values near f64::MAX make a bound NaN.
        let next = finite(values).map(|value| value.max(low).min(high)).sum::<f64>() / n;
        if !next.is_finite() {
            break;
        }
        let moved = (next - middle).abs();
        middle = next;
        if moved <= 1e-14 * scale {
            break;
        }
    }
    middle
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_value_has_no_scale() {
        assert!(qn(&[1.0]).is_nan());
        assert!(sn(&[]).is_nan());
        assert!(medcouple(&[]).is_nan());
    }

    #[test]
    fn symmetric_data_has_no_skew() {
        assert_eq!(medcouple(&[-3.0, -1.0, 0.0, 1.0, 3.0]), 0.0);
        assert_eq!(medcouple(&[5.0, 5.0, 5.0]), 0.0);
    }

    #[test]
    fn values_that_overflow_their_sum_do_not_panic() {
        assert!(huber_location(&[f64::MAX, f64::MAX, -f64::MAX, 0.0], 1.5).is_finite());
    }

    #[test]
    fn one_wild_value_moves_huber_by_less_than_a_scale() {
        let values = [1.0, 2.0, 3.0, 4.0, 1e6];
        assert!(huber_location(&values, 1.5) < 4.5);
    }
}
