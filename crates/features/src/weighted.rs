//! Quantiles and means of held values: each value counts for the time it stood.
//!
//! Why:    a historian stores by exception, so samples crowd where a signal moves; counting
//!         samples would weigh restless hours most.
//! In:     pairs (value, microseconds held); finite values, weights not negative.
//! Out:    the smallest value whose cumulative weight reaches p of the total (inverted
//!         distribution function); `None` for no weight at all.
//! Method: weights are whole microseconds, so sums are exact in any order. The weight is summed up
//!         in even bins between the lowest and the highest value; only what shares the bin of the
//!         quantile is then put in order. A bin holds whole values, so nothing is interpolated.

use std::cmp::Ordering;

/// Pair of value and held microseconds.
pub(crate) type Held = (f64, i64);

fn by_value(a: &Held, b: &Held) -> Ordering {
    a.0.total_cmp(&b.0)
}

/// Below this length a plain sort is quicker than another selection.
const SORT_LEN: usize = 24;
/// Even bins of the first look, and the length from which they pay.
const BINS: usize = 256;
const BINS_FROM_LEN: usize = 256;

/// Quantile `p` (0..=1) of held values; reorders `pairs`.
pub(crate) fn quantile(pairs: &mut [Held], p: f64) -> Option<f64> {
    let total = weight(pairs);
    if total <= 0 {
        return None;
    }
    let target = ((p * total as f64).ceil() as i64).clamp(1, total);
    let (mut low, mut high, mut before) = (0, pairs.len(), 0);
    if high >= BINS_FROM_LEN {
        (high, before) = share_a_bin(pairs, target);
    }
    while high - low > SORT_LEN {
        let mid = (high - low) / 2;
        pairs[low..high].select_nth_unstable_by(mid, by_value);
        let left = weight(&pairs[low..low + mid]);
        if before + left >= target {
            high = low + mid;
        } else {
            before += left;
            low += mid;
        }
    }
    pairs[low..high].sort_unstable_by(by_value);
    for pair in &pairs[low..high] {
        before += pair.1;
        if before >= target {
            return Some(pair.0);
        }
    }
    None
}

/// Sum of the held times; a day's are far from the end of their type, so nothing can wrap.
fn weight(pairs: &[Held]) -> i64 {
    pairs.iter().fold(0, |sum, pair| sum.wrapping_add(pair.1))
}

/// Brings the values that share a bin with the one at `target` to the front: how many they are,
/// and the weight of all that are smaller.
fn share_a_bin(pairs: &mut [Held], target: i64) -> (usize, i64) {
    let (low, high) = extent(pairs, |pair| pair.0);
    // Rising in the value whatever is rounded; all share a bin when the span is no number.
    let scale = BINS as f64 / (high - low);
    // A NaN (of a span that is no number) becomes 0; 32 bits are the quickest to come by.
    let bin = |value: f64| (((value - low) * scale) as i32).clamp(0, BINS as i32 - 1) as usize;
    let mut sums = [0_i64; BINS];
    for &(value, weight) in pairs.iter() {
        let sum = &mut sums[bin(value)];
        *sum = sum.wrapping_add(weight);
    }
    let (mut chosen, mut before) = (0, 0);
    while chosen + 1 < BINS && before + sums[chosen] < target {
        before += sums[chosen];
        chosen += 1;
    }
    let mut n = 0;
    for i in 0..pairs.len() {
        if bin(pairs[i].0) == chosen {
            pairs.swap(i, n);
            n += 1;
        }
    }
    (n, before)
}

/// Lowest and highest of finite values; infinities the wrong way round without any.
pub(crate) fn extent<T>(items: &[T], value: impl Fn(&T) -> f64) -> (f64, f64) {
    let mut low = [f64::INFINITY; 4];
    let mut high = [f64::NEG_INFINITY; 4];
    // Four at a time do not wait for each other; `f64::min` minds NaN, which costs as much again.
    let fours = items.chunks_exact(4);
    let rest = fours.remainder();
    for four in fours {
        for lane in 0..4 {
            let v = value(&four[lane]);
            low[lane] = if v < low[lane] { v } else { low[lane] };
            high[lane] = if v > high[lane] { v } else { high[lane] };
        }
    }
    let rest = || rest.iter().map(&value);
    (
        low.into_iter().chain(rest()).fold(f64::INFINITY, f64::min),
        high.into_iter().chain(rest()).fold(f64::NEG_INFINITY, f64::max),
    )
}

/// Median of held values; reorders `pairs`.
pub(crate) fn median(pairs: &mut [Held]) -> Option<f64> {
    quantile(pairs, 0.5)
}

/// Median and robust spread (1.4826.. x median absolute deviation); overwrites `pairs`.
pub(crate) fn median_and_spread(pairs: &mut [Held]) -> Option<(f64, f64)> {
    let center = median(pairs)?;
    pairs.iter_mut().for_each(|pair| pair.0 = (pair.0 - center).abs());
    Some((center, crate::noise::MAD_TO_SIGMA * median(pairs)?))
}

/// Mean of held values, in the order given.
pub(crate) fn mean(pairs: &[Held]) -> Option<f64> {
    let total: i64 = pairs.iter().map(|pair| pair.1).sum();
    let sum: f64 = pairs.iter().map(|pair| pair.0 * pair.1 as f64).sum();
    (total > 0).then(|| sum / total as f64)
}

/// Values of a signal with the time each stood, from samples and the end of the window, s.
fn held(time_s: &[f64], value: &[f64], end_s: f64, max_hold_s: f64) -> Vec<Held> {
    let next = time_s.iter().skip(1).copied().chain([end_s]);
    time_s
        .iter()
        .zip(value)
        .zip(next)
        .filter(|((_, value), _)| value.is_finite())
        .map(|((&time, &value), next)| {
            (value, ((next - time).clamp(0.0, max_hold_s) * 1e6).round() as i64)
        })
        .collect()
}

/// Quantile `p` of a held signal over a window that ends at `end_s`; gaps are NaN.
///
/// ```
/// // 10 stands for an hour, 20 for a minute: the median is 10, whatever the count.
/// let (time_s, flow) = ([0.0, 3600.0, 3630.0], [10.0, 20.0, 20.5]);
/// let median = metersift_features::held_quantile(&time_s, &flow, 3660.0, 3600.0, 0.5);
/// assert_eq!(median, Some(10.0));
/// ```
pub fn held_quantile(
    time_s: &[f64],
    value: &[f64],
    end_s: f64,
    max_hold_s: f64,
    p: f64,
) -> Option<f64> {
    quantile(&mut held(time_s, value, end_s, max_hold_s), p)
}

/// Mean of a held signal over a window that ends at `end_s`, and the seconds it covers.
pub fn held_mean(time_s: &[f64], value: &[f64], end_s: f64, max_hold_s: f64) -> Option<(f64, f64)> {
    let pairs = held(time_s, value, end_s, max_hold_s);
    let covered_s = pairs.iter().map(|pair| pair.1).sum::<i64>() as f64 / 1e6;
    Some((mean(&pairs)?, covered_s))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Time-weighted example, made with PyPI `traces` 0.7.0 and numpy weights, which agree.
    const TIME_S: [f64; 7] = [0.0, 60.0, 90.0, 600.0, 605.0, 610.0, 3000.0];
    const VALUE: [f64; 7] = [10.0, 12.0, 9.0, 11.0, 40.0, 11.5, 10.5];

    #[test]
    fn time_weighted_statistics_agree_with_traces() {
        let (mean, covered) = held_mean(&TIME_S, &VALUE, 3600.0, 3600.0).expect("held");
        // Closed sums in f64: 1e-12 relative.
        assert!((mean - 10.997222222222224).abs() < 1e-11, "{mean}");
        assert_eq!(covered, 3600.0);
        let (mean, covered) = held_mean(&TIME_S, &VALUE, 3600.0, 900.0).expect("held");
        assert!((mean - 10.642_180_094_786_73).abs() < 1e-11, "{mean}");
        assert_eq!(covered, 2110.0);
        // Quantiles are values of the signal: exact.
        for (max_hold, want) in
            [(3600.0, [9.0, 10.5, 11.5, 11.5, 11.5]), (900.0, [9.0, 10.0, 10.5, 11.5, 11.5])]
        {
            for (p, want) in [0.05, 0.25, 0.5, 0.75, 0.95].into_iter().zip(want) {
                assert_eq!(
                    held_quantile(&TIME_S, &VALUE, 3600.0, max_hold, p),
                    Some(want),
                    "{p} with hold {max_hold}"
                );
            }
        }
    }

    #[test]
    fn weights_move_the_median_as_in_numpy_inverted_cdf() {
        // numpy `quantile(..., weights=..., method="inverted_cdf")`: 4.
        assert_eq!(median(&mut [(1.0, 1), (2.0, 1), (3.0, 1), (4.0, 5)]), Some(4.0));
    }

    /// The value at which the running weight of sorted pairs reaches the share `p` of all.
    fn by_sorting(sorted: &[Held], p: f64) -> Option<f64> {
        let target = ((p * weight(sorted) as f64).ceil() as i64).max(1);
        let mut sum = 0;
        let reached = sorted.iter().find(|pair| {
            sum += pair.1;
            sum >= target
        });
        reached.map(|pair| pair.0)
    }

    #[test]
    fn selection_finds_what_sorting_finds() {
        let mut pairs: Vec<Held> =
            (0..1000_i64).map(|i| ((i * 7919 % 1009) as f64, i * 31 % 17)).collect();
        let mut sorted = pairs.clone();
        sorted.sort_by(by_value);
        for p in [0.0, 0.02, 0.2, 0.5, 0.9, 1.0] {
            assert_eq!(quantile(&mut pairs, p), by_sorting(&sorted, p), "{p}");
        }
        assert_eq!(quantile(&mut [], 0.5), None);
        assert_eq!(quantile(&mut [(1.0, 0)], 0.5), None);
    }

    /// Shapes that bins do badly on: one far value, two heaps, ties, zeros of both signs, spans
    /// beyond and below what a number can hold.
    #[test]
    fn bins_change_no_quantile() {
        let shapes: [fn(i64) -> f64; 8] = [
            |i| if i == 3 { 1e9 } else { (i * 7919 % 1009) as f64 },
            |i| if i % 2 == 0 { 1.0 + i as f64 * 1e-13 } else { 1e6 },
            |i| (i % 3) as f64,
            |_| 7.5,
            |i| if i % 2 == 0 { 0.0 } else { -0.0 },
            |i| if i % 2 == 0 { f64::MAX } else { f64::MIN },
            |i| f64::from_bits(i as u64 % 5),
            |i| -1.0 / (1.0 + i as f64),
        ];
        for (shape, value) in shapes.into_iter().enumerate() {
            let pairs: Vec<Held> = (0..3000).map(|i| (value(i), i * 31 % 17)).collect();
            let mut sorted = pairs.clone();
            sorted.sort_by(by_value);
            for p in [0.0, 0.02, 0.2, 0.5, 0.9, 1.0] {
                let found = quantile(&mut pairs.clone(), p).map(f64::to_bits);
                assert_eq!(found, by_sorting(&sorted, p).map(f64::to_bits), "{shape} {p}");
            }
        }
    }
}
