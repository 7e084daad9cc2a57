//! Ranks and correlations between two series.
//!
//! In:     two slices of one length; a pair with a gap on either side is left out.
//! Out:    NaN under three pairs or when one side is constant.
//! Method: Pearson by centred sums; Spearman is Pearson of mid-ranks.

use crate::location::mean;

/// Ranks from 1, ties sharing their mean rank. NaN sorts last and takes part.
pub fn mid_ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|&a, &b| values[a].total_cmp(&values[b]));
    let mut ranks = vec![0.0; values.len()];
    let mut start = 0;
    while start < order.len() {
        let mut end = start + 1;
        while end < order.len() && values[order[end]] == values[order[start]] {
            end += 1;
        }
        let rank = (start + 1 + end) as f64 / 2.0;
        for &idx in &order[start..end] {
            ranks[idx] = rank;
        }
        start = end;
    }
    ranks
}

/// Pearson's correlation.
pub fn pearson(x: &[f64], y: &[f64]) -> f64 {
    let (x, y) = complete_pairs(x, y);
    pearson_complete(&x, &y)
}

/// Spearman's rank correlation.
pub fn spearman(x: &[f64], y: &[f64]) -> f64 {
    let (x, y) = complete_pairs(x, y);
    pearson_complete(&mid_ranks(&x), &mid_ranks(&y))
}

fn complete_pairs(x: &[f64], y: &[f64]) -> (Vec<f64>, Vec<f64>) {
    x.iter().zip(y).filter(|(a, b)| a.is_finite() && b.is_finite()).unzip()
}

fn pearson_complete(x: &[f64], y: &[f64]) -> f64 {
    if x.len() < 3 {
        return f64::NAN;
    }
    let (mean_x, mean_y) = (mean(x), mean(y));
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for (a, b) in x.iter().zip(y) {
        xx += (a - mean_x) * (a - mean_x);
        yy += (b - mean_y) * (b - mean_y);
        xy += (a - mean_x) * (b - mean_y);
    }
    if xx > 0.0 && yy > 0.0 { (xy / (xx * yy).sqrt()).clamp(-1.0, 1.0) } else { f64::NAN }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ties_share_their_mean_rank() {
        assert_eq!(mid_ranks(&[10.0, 20.0, 10.0, 5.0]), [2.5, 4.0, 2.5, 1.0]);
    }

    #[test]
    fn any_rising_curve_has_rank_correlation_one() {
        let x = [1.0, 2.0, f64::NAN, 3.0, 4.0];
        let y = [1.0, 8.0, 3.0, 27.0, 64.0];
        assert_eq!(spearman(&x, &y), 1.0);
        assert!(pearson(&x, &y) < 1.0);
    }

    #[test]
    fn a_constant_correlates_with_nothing() {
        assert!(pearson(&[1.0, 1.0, 1.0], &[1.0, 2.0, 3.0]).is_nan());
        assert!(spearman(&[1.0, 2.0], &[1.0, 2.0]).is_nan());
    }
}
