//! A break in a level, and two running charts.

use metersift_stats as stats;

use crate::{assert_close, assert_within, column};

/// Source: R strucchange (Zeileis et al. 2003), computed; Cobb (1978), Biometrika 65, 243, put
/// the break of Nile at 1898, its 28th year (from memory). Tolerance: 1e-12.
#[test]
fn nile_breaks_after_1898() {
    let found = stats::level_break(&column("nile.csv"), 15).expect("100 values");
    assert_eq!(found.at, 28);
    assert_close(found.before, 1097.75, 1e-14, "before");
    assert_close(found.after, 849.972222222222, 1e-14, "after");
    assert_close(found.squares_one_level, 2835156.75, 1e-12, "one level");
    assert_close(found.squares_two_levels, 1597457.19444444, 1e-12, "two levels");
}

/// Source: NIST/SEMATECH e-Handbook 6.3.2.4, seen in several public tests and recomputed.
/// Tolerance: half a unit of the last digit printed; of the exact last value 1e-5.
#[test]
fn exponentially_weighted_means_of_the_e_handbook() {
    let values = [
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8,
        51.2, 52.6, 52.4, 53.6, 52.1,
    ];
    let want = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52,
        50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    ];
    let got = stats::ewma(&values, 0.3, 50.0);
    for (got, want) in got.iter().zip(want) {
        assert_within(*got, want, 0.005_000_1, "mean");
    }
    assert_within(got[19], 51.98824, 5e-6, "last");
    for (i, want) in [(1, 1.84851), (2, 2.256394), (3, 2.431406), (1000, 2.588432)] {
        assert_within(stats::ewma_half_width(0.3, 2.0539, 3.0, i), want, 1e-6, "limit");
    }
}

/// Source: NIST/SEMATECH e-Handbook 6.3.2.3, seen and recomputed.
/// Tolerance: 1e-9, decimal inputs near 325.
#[test]
fn cumulative_sums_of_the_e_handbook() {
    let values = [
        324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
        324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
    ];
    let upper = [
        0.0, 0.0, 0.0, 0.0, 0.0325, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 3.0075, 4.94, 7.4475, 10.63,
        11.9875, 14.445, 16.0025, 19.035,
    ];
    let lower = [0.0, 0.0075, 0.0, 0.3325, 0.0, 0.0, 0.5575, 0.715, 0.1725, 0.255, 0.3125, 0.0];
    let got = stats::cusum(&values, 325.0, 0.3175);
    for (got, want) in got.iter().zip(upper) {
        assert_within(got.0, want, 1e-9, "upper");
    }
    for (got, want) in got.iter().zip(lower) {
        assert_within(got.1, want, 1e-9, "lower");
    }
    let alarm = got.iter().position(|sums| sums.0 > 4.1959 || sums.1 > 4.1959);
    assert_eq!(alarm, Some(13), "the 14th value is the first alarm");
}
