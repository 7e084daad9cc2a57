//! Mean, standard deviation, median and MAD.

use metersift_stats as stats;

use crate::{assert_close, column, number, rows};

fn num_acc(base: f64, low: f64, high: f64) -> Vec<f64> {
    let mut values = vec![base];
    for _ in 0..500 {
        values.extend([low, high]);
    }
    values
}

fn set(name: &str) -> Vec<f64> {
    match name {
        "NumAcc1" => vec![10_000_001.0, 10_000_003.0, 10_000_002.0],
        "NumAcc2" => num_acc(1.2, 1.1, 1.3),
        "NumAcc3" => num_acc(1_000_000.2, 1_000_000.1, 1_000_000.3),
        "NumAcc4" => num_acc(10_000_000.2, 10_000_000.1, 10_000_000.3),
        file => column(&format!("{}.csv", file.to_lowercase())),
    }
}

/// Source: NIST/ITL Statistical Reference Datasets, univariate; certified values seen in a
/// public numerics library's test data and re-derived with 60-digit arithmetic.
/// Tolerance: 1e-13 where the inputs are exact in binary; else the loss that decimal inputs
/// alone cause, as measured for a two-pass sum in numpy 2.4.6 (sd of Mavro 8e-14, of NumAcc3
/// 3.5e-10, of NumAcc4 5.6e-9), rounded up to the next power of ten.
#[test]
fn univariate_sets_reach_their_certified_digits() {
    let cases = [
        ("Lew", 200, -177.435, 277.332168044316, 1e-13),
        ("Lottery", 218, 518.958715596330, 291.699727470969, 1e-13),
        ("Mavro", 50, 2.001856, 0.000429123454003053, 1e-12),
        ("Michelso", 100, 299.8524, 0.0790105478190518, 1e-13),
        ("NumAcc1", 3, 10_000_002.0, 1.0, 1e-15),
        ("NumAcc2", 1001, 1.2, 0.1, 1e-13),
        ("NumAcc3", 1001, 1_000_000.2, 0.1, 1e-9),
        ("NumAcc4", 1001, 10_000_000.2, 0.1, 1e-8),
    ];
    for (name, n, mean, sd, tolerance) in cases {
        let values = set(name);
        assert_eq!(values.len(), n, "{name}");
        assert_close(stats::mean(&values), mean, 1e-14, name);
        assert_close(stats::standard_deviation(&values), sd, tolerance, name);
    }
}

/// Source: the same sets; medians and MADs computed with numpy 2.4.6.
/// Tolerance: 1e-12, the dust of decimal inputs in a difference (Mavro, NumAcc: 1e-6 more).
#[test]
fn medians_and_mads_of_the_certified_sets_agree_with_numpy() {
    let cases = [
        ("Lew", -162.0, 270.5, 1e-15),
        ("Lottery", 522.5, 254.0, 1e-15),
        ("Mavro", 2.0018, 0.0003, 1e-11),
        ("Michelso", 299.85, 0.045, 1e-11),
        ("NumAcc2", 1.2, 0.1, 1e-14),
        ("NumAcc3", 1_000_000.2, 0.1, 1e-9),
        ("NumAcc4", 10_000_000.2, 0.1, 1e-8),
    ];
    for (name, median, mad, tolerance) in cases {
        assert_close(stats::median(&set(name)), median, 1e-15, name);
        assert_close(stats::mad(&set(name)), mad, tolerance, name);
    }
}

/// Source: the certified sd of NumAcc3 and NumAcc4 is 0.1; the one-pass form E[y^2] - m^2 gives
/// 0.098871 and 0 (computed with numpy 2.4.6). Density in kg/m3 with noise of 0.1 has this shape.
#[test]
fn a_one_pass_variance_would_fail_where_ours_does_not() {
    let values = set("NumAcc4");
    let n = values.len() as f64;
    let one_pass =
        values.iter().map(|v| v * v).sum::<f64>() / n - (values.iter().sum::<f64>() / n).powi(2);
    assert!((one_pass.max(0.0).sqrt() - 0.1).abs() > 1e-3);
    assert!((stats::standard_deviation(&values) - 0.1).abs() < 1e-8);
}

/// Source: 1/Phi^-1(3/4), computed with scipy 1.17.1. Tolerance: 2 ulp.
#[test]
fn the_mad_constant_is_the_exact_one_and_not_1_4826() {
    assert_close(stats::MAD_TO_SIGMA, 1.482602218505602, 4.5e-16, "constant");
    assert_close(stats::MAD_TO_SIGMA, 1.0 / stats::normal_quantile(0.75), 4.5e-16, "from quantile");
    assert!((stats::MAD_TO_SIGMA - 1.4826).abs() > 1e-6);
}

/// Source: `series.py`, numpy 2.4.6 and statsmodels 0.15.0 on Nile, the SP 1065 set and a set
/// with ties. Tolerance: 1e-14, rounding of sums of a thousand values.
#[test]
fn location_and_spread_agree_with_numpy_on_three_series() {
    for row in rows("series.csv") {
        let values = series(&row[0]);
        let got = match row[1].as_str() {
            "mean" => stats::mean(&values),
            "sd" => stats::standard_deviation(&values),
            "median" => stats::median(&values),
            "mad" => stats::mad(&values),
            _ => continue,
        };
        assert_close(got, number(&row[3]), 1e-14, &row.join(" "));
    }
}

/// The series of `series.py` by name.
pub fn series(name: &str) -> Vec<f64> {
    match name {
        "sp1065" => crate::minimal_standard(1000),
        "tied" => vec![2.0, 1.0, 2.0, 2.0, 3.0, 3.0, 5.0, 4.0, 4.0, 6.0],
        file => column(&format!("{file}.csv")),
    }
}
