//! Bootstrap interval of any statistic.
//!
//! In:     the number of units and a statistic of a list of their numbers, so that pairs,
//!         meters or whole streams can be drawn, whichever is independent.
//! Out:    the percentile interval; `None` when fewer than half of the draws had a statistic.
//! Source: Efron & Tibshirani (1993), An Introduction to the Bootstrap, ch. 13.

use crate::generator::Xoshiro256;
use crate::quantile::quantile_type7;
use crate::rates::Interval;

/// Percentile interval of `statistic` over `resamples` draws of `n` units with replacement.
///
/// A draw whose statistic is not finite (a resample without a positive, say) is left out.
pub fn bootstrap_interval(
    n: usize,
    resamples: usize,
    confidence: f64,
    seed: u64,
    mut statistic: impl FnMut(&[usize]) -> f64,
) -> Option<Interval> {
    let mut generator = Xoshiro256::seeded(seed);
    let mut units = vec![0; n];
    let mut found = Vec::with_capacity(resamples);
    for _ in 0..resamples {
        for unit in &mut units {
            *unit = generator.below(n);
        }
        let value = statistic(&units);
        if value.is_finite() {
            found.push(value);
        }
    }
    if n == 0 || found.is_empty() || 2 * found.len() < resamples {
        return None;
    }
    found.sort_unstable_by(f64::total_cmp);
    let outside = (1.0 - confidence) / 2.0;
    Some(Interval {
        low: quantile_type7(&found, outside),
        high: quantile_type7(&found, 1.0 - outside),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::location::mean;

    #[test]
    fn the_interval_of_a_mean_is_two_standard_errors_wide() {
        let values: Vec<f64> = (0..400).map(|i| f64::from(i % 20)).collect();
        let statistic =
            |units: &[usize]| mean(&units.iter().map(|&unit| values[unit]).collect::<Vec<_>>());
        let interval = bootstrap_interval(400, 2000, 0.95, 1, statistic).expect("an interval");
        let half = 1.96 * (33.25_f64 / 400.0).sqrt();
        assert!((interval.high - 9.5 - half).abs() < 0.05, "{interval:?}");
        assert!((9.5 - interval.low - half).abs() < 0.05, "{interval:?}");
    }

    #[test]
    fn a_statistic_that_mostly_fails_has_no_interval() {
        assert_eq!(bootstrap_interval(3, 10, 0.95, 1, |_| f64::NAN), None);
        assert_eq!(bootstrap_interval(0, 10, 0.95, 1, |_| 1.0), None);
    }
}
