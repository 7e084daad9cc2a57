//! Two textbook rivals on one daily column of one meter: a trend test and a control chart.
//!
//! Why:    both are what a statistics package offers for a drifting signal. A verdict must beat
//!         them, and they show what a test on one column at a time is worth.
//! In:     one value a day, gap = NaN.
//! Out:    how far the test goes beyond its own edge: 1 = just significant, just out of control;
//!         0 where it cannot be said.
//! Trend:  Mann-Kendall's z after Hamed & Rao's correction, which finds the correlation beside
//!         the Theil-Sen line, over its two-sided 5 % edge shared by the columns (Bonferroni).
//! Chart:  exponentially weighted mean about the first sixty values, lambda 0.3, limits at three
//!         deviations of it.
//! Source: `metersift_stats::mann_kendall_corrected`; NIST/SEMATECH e-Handbook 6.3.2.4, whose
//!         example has these settings. Its cumulative sums (6.3.2.3) see the same shifts and
//!         would be a third chart of one kind.
//! Limits: neither knows of a cleaning, a new grade or a swapped meter: both stay out of control.

use metersift_stats as stats;

/// Days that the trend test looks back, and the values it needs.
pub(crate) const TREND_DAYS: i32 = 90;
const TREND_MIN_VALUES: usize = 30;
/// Lags whose correlation may widen the variance: a third of the days (judgement).
const TREND_MAX_LAG: usize = 30;
const SIGNIFICANCE: f64 = 0.05;
/// Values that the chart takes its centre and deviation from.
const REFERENCE_VALUES: usize = 60;
const LAMBDA: f64 = 0.3;
const WIDTHS: f64 = 3.0;

/// Size of a trend's z over its edge, for one of `columns` that are tested side by side.
pub(crate) fn trend(values: &[f64], columns: usize) -> f64 {
    if values.iter().filter(|value| value.is_finite()).count() < TREND_MIN_VALUES {
        return 0.0;
    }
    let correction = stats::TrendCorrection::HamedRao { max_lag: TREND_MAX_LAG };
    let edge = stats::normal_quantile(1.0 - SIGNIFICANCE / (2 * columns) as f64);
    stats::mann_kendall_corrected(values, correction).map_or(0.0, |test| test.z.abs() / edge)
}

/// Distance of the chart's last mean from its centre over its limit.
pub(crate) fn chart(values: impl Iterator<Item = f64>) -> f64 {
    let mut values = values.filter(|value| value.is_finite());
    let reference: Vec<f64> = values.by_ref().take(REFERENCE_VALUES).collect();
    let charted: Vec<f64> = values.collect();
    let (centre, sigma) = (stats::mean(&reference), stats::standard_deviation(&reference));
    let Some(last) = stats::ewma(&charted, LAMBDA, centre).last().copied() else { return 0.0 };
    let limit = stats::ewma_half_width(LAMBDA, sigma, WIDTHS, charted.len() as u32);
    // A reference that never moved has no limits.
    if limit > 0.0 { (last - centre).abs() / limit } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(n: usize, seed: u64) -> Vec<f64> {
        let mut generator = stats::Xoshiro256::seeded(seed);
        (0..n).map(|_| generator.normal()).collect()
    }

    #[test]
    fn a_drift_is_a_trend_and_noise_is_none_more_often_than_stated() {
        let drift: Vec<f64> =
            noise(90, 1).iter().enumerate().map(|(i, v)| v + 0.05 * i as f64).collect();
        assert!(trend(&drift, 4) > 1.5, "{}", trend(&drift, 4));
        let called = (0..400).filter(|&seed| trend(&noise(90, seed), 1) >= 1.0).count();
        // 20 of 400 at nominal 5 %; the correction costs a little more on 90 values.
        assert!((5..=45).contains(&called), "{called}");
        let shared = (0..400).filter(|&seed| trend(&noise(90, seed), 4) >= 1.0).count();
        assert!(shared < called, "{shared} of {called}");
    }

    #[test]
    fn too_little_or_nothing_that_moves_is_no_trend_and_no_alarm() {
        assert_eq!(trend(&noise(29, 1), 4), 0.0);
        assert_eq!(trend(&[5.0; 90], 4), 0.0);
        assert_eq!(chart(noise(60, 1).into_iter()), 0.0);
        assert_eq!(chart([5.0; 90].into_iter()), 0.0);
    }

    /// Centre 0 and deviation 1 by construction: one value of 10 moves the mean by 3, and the
    /// limit of a first value is three deviations times lambda, 0.9.
    #[test]
    fn the_first_value_after_the_reference_is_judged_by_the_handbooks_limit() {
        let reference = (0..60).map(|i| if i % 2 == 0 { 1.0 } else { -1.0 });
        let sigma = (60.0_f64 / 59.0).sqrt();
        let far = chart(reference.clone().chain([10.0]));
        assert!((far - 3.0 / (0.9 * sigma)).abs() < 1e-12, "{far}");
        let gap = chart(reference.chain([f64::NAN, 10.0, f64::NAN]));
        assert_eq!(gap, far, "gaps leave the chart where it was");
    }

    #[test]
    fn a_shift_of_two_deviations_goes_out_of_control_and_comes_back() {
        let mut values = noise(160, 4);
        values[60..120].iter_mut().for_each(|value| *value += 2.0);
        assert!(chart(values[..110].iter().copied()) > 1.0);
        assert!(chart(values.into_iter()) < 1.0);
    }
}
