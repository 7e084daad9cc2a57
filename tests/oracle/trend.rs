//! Theil-Sen, Mann-Kendall, seasonal Kendall.

use metersift_stats as stats;

use crate::location::series;
use crate::{assert_close, assert_within, number, rows};

const SODIUM_YEAR: [f64; 10] = [89.6, 90.1, 90.8, 91.1, 92.1, 93.1, 94.1, 95.6, 96.1, 96.3];
const SODIUM: [f64; 10] = [56.0, 53.0, 51.0, 55.0, 52.0, 60.0, 62.0, 59.0, 61.0, 63.0];

/// Source: Sen (1968), JASA 63, 1379, example, seen in scipy's own tests. The interval there
/// rounds its ranks; ours interpolates, so it must enclose at least the published inner ends.
/// Tolerance: exact, small whole numbers.
#[test]
fn sen_example() {
    let time = [1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0];
    let value = [9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0];
    let line = stats::theil_sen(&time, &value, 0.93).expect("a line");
    assert_eq!((line.slope, line.intercept, line.n_slopes), (4.0, 4.0, 21));
    assert!((3.0..4.0).contains(&line.interval.low) && (4.0..5.0).contains(&line.interval.high));
}

/// Source: Hollander & Wolfe, table 9.1 (data from memory), slopes and test computed by hand and
/// with scipy 1.17.1. Tolerance: 1e-12.
#[test]
fn hollander_and_wolfe_example() {
    let value = [1.26, 1.27, 1.12, 1.16, 1.03];
    let line = stats::theil_sen(&[1.0, 2.0, 3.0, 4.0, 5.0], &value, 0.95).expect("a line");
    assert_close(line.slope, -0.05625, 1e-12, "slope");
    let test = stats::mann_kendall(&value).expect("five values");
    assert_eq!((test.s, test.tau), (-6.0, -0.6));
}

/// Source: USEPA (2009), Unified Guidance, example 17-7; results seen in the EnvStats examples
/// (the data are from memory and reproduce every digit printed).
/// Tolerance: half a unit of the last digit printed.
#[test]
fn usepa_example_17_7_with_gilberts_interval() {
    let test = stats::mann_kendall(&SODIUM).expect("ten values");
    assert_eq!((test.s, test.variance, test.n), (25.0, 125.0, 10));
    assert_within(test.tau, 0.5555556, 5e-8, "tau");
    assert_within(test.z, 2.146625, 5e-7, "z");
    assert_within(test.p, 0.03182313, 5e-9, "p");
    let line = stats::theil_sen(&SODIUM_YEAR, &SODIUM, 0.95).expect("a line");
    assert_within(line.slope, 1.3333333, 5e-8, "slope");
    assert_within(line.intercept, -65.9666667, 5e-8, "intercept");
    assert_within(line.interval.low, 0.3992083, 5e-8, "low");
    assert_within(line.interval.high, 2.3333333, 5e-8, "high");
}

/// Source: USEPA (2009), Unified Guidance, example 14-10 (data and results seen in EnvStats,
/// recomputed with pymannkendall 1.4.3). Tolerance: half a unit of the last digit printed.
#[test]
fn usepa_example_14_10_season_by_season() {
    let months = [
        1.99, 2.10, 2.12, 2.12, 2.11, 2.15, 2.19, 2.18, 2.16, 2.08, 2.05, 2.08, 2.01, 2.10, 2.17,
        2.13, 2.13, 2.18, 2.25, 2.24, 2.22, 2.13, 2.08, 2.16, 2.15, 2.17, 2.27, 2.23, 2.24, 2.26,
        2.31, 2.32, 2.28, 2.22, 2.19, 2.22,
    ];
    let seasonal = stats::seasonal_kendall(&months, 12).expect("three years");
    assert_eq!((seasonal.s, seasonal.variance), (35.0, 43.0));
    assert_within(seasonal.z, 5.1849514, 5e-8, "z");
    assert_close(seasonal.p, 2.160712e-07, 3e-7, "p");
    assert_close(seasonal.slope, 0.06, 1e-12, "slope");
    let plain = stats::mann_kendall(&months).expect("36 values");
    assert_eq!((plain.s, plain.variance), (315.0, 5371.0));
    assert_within(plain.z, 4.2845189882, 5e-11, "z without seasons");
    let time: Vec<f64> = (0..36).map(f64::from).collect();
    let line = stats::theil_sen(&time, &months, 0.95).expect("a line");
    assert_close(line.slope, 0.0053137254901960826, 1e-12, "slope without seasons");
}

/// Source: Nile, computed with pymannkendall 1.4.3 and scipy 1.17.1 (ties make the variance).
/// Tolerance: 1e-13; p 1e-11, because the program takes 1 less a number near 1. scipy's interval
/// rounds its ranks: ours lies within one slope of it.
#[test]
fn nile_falls_by_2_6_a_year() {
    let values = series("nile");
    let test = stats::mann_kendall(&values).expect("100 values");
    assert_eq!(test.s, -1387.0);
    assert_close(test.variance, 112728.33333333333, 1e-14, "variance");
    assert_close(test.z, -4.128066522844101, 1e-13, "z");
    assert_close(test.p, 3.658262921657496e-05, 1e-11, "p");
    let time: Vec<f64> = (0..100).map(f64::from).collect();
    let line = stats::theil_sen(&time, &values, 0.95).expect("a line");
    assert_close(line.slope, -2.6, 1e-14, "slope");
    assert_within(line.interval.low, -3.627906976744186, 5e-3, "low");
    assert_within(line.interval.high, -1.4285714285714286, 5e-3, "high");
}

/// Source: pymannkendall and R `cor.test(exact = FALSE, continuity = TRUE)` agree, computed.
/// Tolerance: 1e-10, eleven digits printed.
#[test]
fn ties_shrink_the_variance() {
    let test = stats::mann_kendall(&series("tied")).expect("ten values");
    assert_eq!(test.s, 34.0);
    assert_within(test.variance, 119.333333, 5e-7, "variance");
    assert_close(test.z, 3.0208770786, 1e-10, "z");
    assert_close(test.p, 0.0025204365793, 1e-10, "p");
    assert_close(test.tau_b, 0.801387685344754, 1e-13, "tau-b");
    assert_within(test.tau, 0.755556, 5e-7, "tau-a");
}

/// Source: `series.py`, pymannkendall 1.4.3 and scipy 1.17.1 on three series.
/// Tolerance: 1e-11; the slope of the random series is a difference of near values.
#[test]
fn trends_of_three_series_agree_with_two_programs() {
    let mut checked = 0;
    for row in rows("series.csv") {
        let mut values = series(&row[0]);
        values.truncate(if row[0] == "sp1065" { 150 } else { 1000 });
        let time: Vec<f64> = (0..values.len()).map(|i| i as f64).collect();
        let test = stats::mann_kendall(&values).expect("values");
        let line = || stats::theil_sen(&time, &values, 0.95).expect("a line");
        let got = match row[1].as_str() {
            "kendall_s" => test.s,
            "kendall_var" => test.variance,
            "kendall_z" => test.z,
            "kendall_p" => test.p,
            "tau_b" => test.tau_b,
            "sen_slope" => line().slope,
            "sen_intercept_at_medians" => line().intercept,
            _ => continue,
        };
        assert_close(got, number(&row[3]), 1e-11, &row.join(" "));
        checked += 1;
    }
    assert_eq!(checked, 21);
}

/// Source: `series.py`, pymannkendall 1.4.3 on three series, all lags (written 0), one and three.
/// Tolerance: 1e-10, sums of up to 150 products.
#[test]
fn corrected_trends_of_three_series_agree_with_pymannkendall() {
    use stats::TrendCorrection::{HamedRao, PreWhitened, TrendFreePreWhitened, YueWang};
    let mut checked = 0;
    for row in rows("series.csv") {
        let mut values = series(&row[0]);
        values.truncate(if row[0] == "sp1065" { 150 } else { 1000 });
        let max_lag = match number(&row[2]) as usize {
            0 => values.len(),
            lag => lag,
        };
        let Some((name, part)) = row[1].rsplit_once('_') else { continue };
        let correction = match name {
            "hamed_rao" => HamedRao { max_lag },
            "yue_wang" => YueWang { max_lag },
            "pre_whitened" => PreWhitened,
            "trend_free" => TrendFreePreWhitened,
            _ => continue,
        };
        let test = stats::mann_kendall_corrected(&values, correction).expect("values");
        let got = match part {
            "s" => test.s,
            "var" => test.variance,
            _ => test.z,
        };
        assert_close(got, number(&row[3]), 1e-10, &row.join(" "));
        checked += 1;
    }
    assert_eq!(checked, 48);
}
