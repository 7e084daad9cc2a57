//! Counts per time with an exact interval.
//!
//! Source: Garwood (1936), Biometrika 28: the interval of a Poisson mean from chi-square
//!         quantiles (from memory); found here by bisection of the distribution function.

use metersift_stats::{Interval, chi_square_cdf};

/// A count per unit of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rate {
    /// What was counted.
    pub count: usize,
    /// Per unit.
    pub value: f64,
    /// 95 % interval.
    pub interval: Interval,
}

/// `count` events in `units` of time, as a rate per one unit; NaN without time.
pub fn rate_per(count: usize, units: f64) -> Rate {
    let twice = 2.0 * count as f64;
    let low = if count == 0 { 0.0 } else { 0.5 * chi_square_quantile(0.025, twice) };
    let high = 0.5 * chi_square_quantile(0.975, twice + 2.0);
    let per = |n: f64| if units > 0.0 { n / units } else { f64::NAN };
    Rate { count, value: per(count as f64), interval: Interval { low: per(low), high: per(high) } }
}

fn chi_square_quantile(p: f64, degrees: f64) -> f64 {
    let (mut low, mut high) = (0.0, degrees + 10.0 * degrees.sqrt() + 40.0);
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if chi_square_cdf(middle, degrees) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Exact Poisson limits of the printed table (Pearson & Hartley, Biometrika Tables, from
    /// memory): 0: 0..3.689, 1: 0.0253..5.572, 5: 1.623..11.668, 10: 4.795..18.390.
    #[test]
    fn the_interval_of_a_count_is_that_of_the_printed_table() {
        for (count, low, high) in
            [(0, 0.0, 3.689), (1, 0.0253, 5.572), (5, 1.623, 11.668), (10, 4.795, 18.390)]
        {
            let rate = rate_per(count, 1.0);
            assert!((rate.interval.low - low).abs() < 6e-4, "{count}: {}", rate.interval.low);
            assert!((rate.interval.high - high).abs() < 6e-4, "{count}: {}", rate.interval.high);
        }
        assert!(rate_per(3, 0.0).value.is_nan());
        assert_eq!(rate_per(3, 2.0).value, 1.5);
    }
}
