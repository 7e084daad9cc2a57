//! Autocorrelation, effective sample size, correlations.

use metersift_stats as stats;

use crate::location::series;
use crate::{assert_close, number, rows};

/// Source: NIST/ITL Statistical Reference Datasets, certified lag-1 autocorrelations, seen in a
/// public numerics library's test data. Tolerance: 1e-13; for Mavro 1e-11 (decimal inputs).
#[test]
fn lag_one_reaches_the_certified_digits() {
    let cases = [
        ("lew", -0.307304800605679, 1e-13),
        ("lottery", -0.120948622967393, 1e-13),
        ("mavro", 0.937989183438248, 1e-11),
        ("michelso", 0.535199668621283, 1e-11),
    ];
    for (name, want, tolerance) in cases {
        assert_close(stats::autocorrelation(&series(name), 1), want, tolerance, name);
    }
    // NumAcc1's digits, exact in binary.
    let num_acc_1 = [10_000_001.0, 10_000_003.0, 10_000_002.0];
    assert_eq!(stats::autocorrelation(&num_acc_1, 1), -0.5);
}

/// Source: `series.py`, statsmodels 0.15.0 `acf`; R agrees on Nile. Tolerance: 1e-12, sums of up
/// to 218 products; 1e-10 for sets whose sd is 1e-4 of their mean (Mavro, Michelso).
#[test]
fn autocorrelations_agree_with_statsmodels() {
    let mut checked = 0;
    for row in rows("series.csv").iter().filter(|row| row[1] == "autocorrelation") {
        // The script takes the first 150 points of the SP 1065 set.
        let mut values = series(&row[0]);
        values.truncate(if row[0] == "sp1065" { 150 } else { 1000 });
        let tolerance = if row[0].starts_with('m') { 1e-10 } else { 1e-12 };
        let got = stats::autocorrelation(&values, number(&row[2]) as usize);
        assert_close(got, number(&row[3]), tolerance, &row.join(" "));
        checked += 1;
    }
    assert_eq!(checked, 56);
}

/// Source: Bayley & Hammersley (1946), large-n form, and the exact sum for first-order
/// correlation, computed with Python. Tolerance: 1e-8, nine decimals given.
#[test]
fn effective_sample_sizes_of_three_series() {
    let r = stats::autocorrelation(&series("nile"), 1);
    assert_close(stats::effective_sample_size(100, r), 33.474978392, 1e-9, "nile");
    assert_close(stats::effective_sample_size_exact(100, r), 33.924917122, 1e-9, "nile, exact");
    let r = stats::autocorrelation(&series("mavro"), 1);
    assert_close(stats::effective_sample_size(50, r), 1.5998752, 1e-7, "mavro");
    let r = stats::autocorrelation(&series("lew"), 1);
    assert_close(stats::effective_sample_size(200, r), 377.454558, 1e-8, "lew");
}

/// Source: `series.py`, scipy 1.17.1 on 60 pairs, one side rounded so that ranks tie.
/// Tolerance: 1e-13.
#[test]
fn correlations_agree_with_scipy() {
    let values = crate::minimal_standard(120);
    let rounded: Vec<f64> = values[60..].iter().map(|v| (10.0 * v).round_ties_even()).collect();
    for row in rows("series.csv") {
        let got = match row[1].as_str() {
            "pearson" => stats::pearson(&values[..60], &rounded),
            "spearman" => stats::spearman(&values[..60], &rounded),
            _ => continue,
        };
        assert_close(got, number(&row[3]), 1e-13, &row[1]);
    }
}
