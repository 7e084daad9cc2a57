//! Quantiles: of plain values, of weighted values, and of a held signal over time.
//!
//! Why:    historians store a value when it changes, so the time a value stood matters more
//!         than how often it was written.
//! Method: Hyndman & Fan (1996), Am. Stat. 50, 361, types 5 to 8; type 7 is the house default.
//!         Weighted: the smallest value whose cumulated weight reaches `p` times the whole
//!         (numpy calls it `inverted_cdf`).
//! NaN:    sorted inputs hold no NaN; weighted pairs with a gap or without weight are left out.

use crate::location::keep_finite;

/// The definition of a sample quantile (Hyndman & Fan 1996).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum QuantileType {
    /// Midway: `p n + 1/2`.
    Five,
    /// `p (n + 1)`.
    Six,
    /// `p (n - 1) + 1`; the default of R and numpy.
    Seven,
    /// `p (n + 1/3) + 1/3`; median-unbiased.
    Eight,
}

/// Quantile of the given type of a sorted slice without NaN; NaN when empty or `p` is not 0..=1.
pub fn quantile(sorted: &[f64], p: f64, kind: QuantileType) -> f64 {
    let n = sorted.len();
    if n == 0 || !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    let place = position(n, p, kind);
    let below = place.floor();
    let low = sorted[below as usize - 1];
    let high = sorted[(below as usize).min(n - 1)];
    if low == high { low } else { low + (place - below) * (high - low) }
}

/// The one-based place of a quantile among `n` sorted values, within 1..=n.
fn position(n: usize, p: f64, kind: QuantileType) -> f64 {
    let size = n as f64;
    let place = match kind {
        QuantileType::Five => p * size + 0.5,
        QuantileType::Six => p * (size + 1.0),
        QuantileType::Seven => p * (size - 1.0) + 1.0,
        QuantileType::Eight => p * (size + 1.0 / 3.0) + 1.0 / 3.0,
    };
    place.clamp(1.0, size)
}

/// Type-7 quantile of a sorted slice without NaN.
pub fn quantile_type7(sorted: &[f64], p: f64) -> f64 {
    quantile(sorted, p, QuantileType::Seven)
}

/// Type-7 quantile of an unsorted slice; gaps are left out; working memory from the caller.
pub fn quantile_with(values: &[f64], p: f64, scratch: &mut Vec<f64>) -> f64 {
    keep_finite(values, scratch);
    quantile_in_place(scratch, p)
}

/// Type-7 quantile of a slice that holds no NaN; reorders it instead of sorting.
pub fn quantile_in_place(values: &mut [f64], p: f64) -> f64 {
    let n = values.len();
    if n == 0 || !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    let place = position(n, p, QuantileType::Seven) - 1.0;
    let below = place.floor() as usize;
    let (_, low, above) = values.select_nth_unstable_by(below, f64::total_cmp);
    let low = *low;
    let part = place - below as f64;
    if part == 0.0 || above.is_empty() {
        return low;
    }
    let high = above.iter().copied().fold(f64::INFINITY, f64::min);
    if low == high { low } else { low + part * (high - low) }
}

/// Weighted quantile of unsorted values (inverted CDF): always one of the values.
pub fn weighted_quantile(values: &[f64], weights: &[f64], p: f64) -> f64 {
    WeightedValues::new(values, weights).quantile(p)
}

/// Weighted median (inverted CDF).
pub fn weighted_median(values: &[f64], weights: &[f64]) -> f64 {
    weighted_quantile(values, weights, 0.5)
}

/// Weighted mean of the pairs with a finite value and a positive weight.
pub fn weighted_mean(values: &[f64], weights: &[f64]) -> f64 {
    let (mut sum, mut total) = (0.0, 0.0);
    for (&value, &weight) in values.iter().zip(weights) {
        if value.is_finite() && weight > 0.0 && weight.is_finite() {
            sum += weight * value;
            total += weight;
        }
    }
    if total > 0.0 { sum / total } else { f64::NAN }
}

/// Values sorted once with their weights, for several quantiles; reusable as working memory.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct WeightedValues {
    pairs: Vec<(f64, f64)>,
    total: f64,
}

impl WeightedValues {
    /// Sorts the pairs; gaps and weights that are not positive are left out.
    pub fn new(values: &[f64], weights: &[f64]) -> WeightedValues {
        let mut fresh = WeightedValues::default();
        fresh.fill(values, weights);
        fresh
    }

    /// The same into memory that is there already.
    pub fn fill(&mut self, values: &[f64], weights: &[f64]) {
        self.pairs.clear();
        for (&value, &weight) in values.iter().zip(weights) {
            if value.is_finite() && weight > 0.0 && weight.is_finite() {
                self.pairs.push((value, weight));
            }
        }
        self.pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
        self.total = self.pairs.iter().map(|pair| pair.1).sum();
    }

    /// Sum of the weights: held seconds, if the weights are seconds.
    pub fn total_weight(&self) -> f64 {
        self.total
    }

    /// Pairs that took part.
    pub fn count(&self) -> usize {
        self.pairs.len()
    }

    /// Weighted mean; NaN when empty.
    pub fn mean(&self) -> f64 {
        let sum: f64 = self.pairs.iter().map(|&(value, weight)| weight * value).sum();
        if self.total > 0.0 { sum / self.total } else { f64::NAN }
    }

    /// The smallest value whose cumulated weight reaches `p` times the whole.
    pub fn quantile(&self, p: f64) -> f64 {
        if !(0.0..=1.0).contains(&p) {
            return f64::NAN;
        }
        let aim = p * self.total;
        let mut reached = 0.0;
        for &(value, weight) in &self.pairs {
            reached += weight;
            if reached >= aim {
                return value;
            }
        }
        self.pairs.last().map_or(f64::NAN, |pair| pair.0)
    }
}

/// Seconds for which each stored value stands until the next one, at most `max_hold_us`.
///
/// `time_us` rises; the last value stands until `end_us`. A sample out of order gets no time.
/// The weights go into `held_s`, which is cleared first. A NaN sample ends the one before it and
/// holds its own time, which the weighted quantiles then leave out: its time is not covered.
pub fn held_seconds(time_us: &[i64], end_us: i64, max_hold_us: i64, held_s: &mut Vec<f64>) {
    held_s.clear();
    let next = time_us.iter().copied().skip(1).chain(std::iter::once(end_us));
    held_s.extend(time_us.iter().zip(next).map(|(&start, stop)| {
        let hold = stop.saturating_sub(start).clamp(0, max_hold_us.max(0));
        hold as f64 / 1e6
    }));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reordering_finds_the_same_quantile_as_sorting() {
        let values = [9.0, 1.0, 20.0, 4.0, 15.0, 3.0, 8.0];
        let mut sorted = values;
        sorted.sort_unstable_by(f64::total_cmp);
        for p in [0.0, 0.1, 0.25, 0.5, 0.77, 0.9, 1.0] {
            let mut mixed = values;
            assert_eq!(quantile_in_place(&mut mixed, p), quantile_type7(&sorted, p));
        }
    }

    #[test]
    fn a_share_outside_0_to_1_has_no_quantile() {
        assert!(quantile_type7(&[1.0], 1.5).is_nan());
        assert!(quantile_in_place(&mut [1.0], f64::NAN).is_nan());
        assert!(quantile_type7(&[], 0.5).is_nan());
        assert!(weighted_quantile(&[], &[], 0.5).is_nan());
    }

    #[test]
    fn a_weighted_quantile_leaves_out_gaps_and_what_has_no_weight() {
        let values = [f64::NAN, 7.0, 5.0, 6.0];
        let weights = [9.0, 0.0, 1.0, 1.0];
        assert_eq!(weighted_quantile(&values, &weights, 1.0), 6.0);
        assert_eq!(weighted_quantile(&values, &weights, 0.0), 5.0);
    }

    #[test]
    fn a_sample_out_of_order_gets_no_time() {
        let mut held = Vec::new();
        held_seconds(&[2_000_000, 1_000_000], 3_000_000, i64::MAX, &mut held);
        assert_eq!(held, [0.0, 2.0]);
    }
}
