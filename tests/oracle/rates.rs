//! Shares, false discoveries, conformal p-values.

use metersift_stats as stats;

use crate::{assert_close, assert_within, number, rows};

/// Source: Newcombe (1998), Stat. Med. 17, 857, table I, computed with statsmodels 0.15.0; the
/// last pair is a list of 31 entries of which 2 were false. Tolerance: half the last digit.
#[test]
fn wilson_intervals_of_newcombes_table() {
    let cases = [
        (81, 263, 0.2552885199, 0.3662095770),
        (15, 148, 0.0623863995, 0.1604872417),
        (0, 20, 0.0, 0.1611251581),
        (1, 29, 0.0061132143, 0.1717552188),
        (2, 31, 0.0178747835, 0.2071863674),
    ];
    for (successes, trials, low, high) in cases {
        let got = stats::wilson_interval(successes, trials, 0.95);
        assert_within(got.low, low, 5e-11, "low");
        assert_within(got.high, high, 5e-11, "high");
    }
}

/// Source: the same table, computed with statsmodels 0.15.0. Tolerance: half the last digit.
#[test]
fn clopper_pearson_intervals_of_newcombes_table() {
    let cases = [(81, 263, 0.2527367456, 0.3676219226), (0, 20, 0.0, 0.1684334710)];
    for (successes, trials, low, high) in cases {
        let got = stats::clopper_pearson_interval(successes, trials, 0.95);
        assert_within(got.low, low, 5e-11, "low");
        assert_within(got.high, high, 5e-11, "high");
    }
}

/// Source: `judging.py`, statsmodels 0.15.0, six shares, full digits.
/// Tolerance: 1e-12; Clopper and Pearson solve an incomplete beta function.
#[test]
fn intervals_of_six_shares_agree_with_statsmodels() {
    let mut checked = 0;
    for row in rows("judging.csv") {
        let Some((successes, trials)) = row[0].split_once('/') else { continue };
        let (successes, trials) = (number(successes) as u64, number(trials) as u64);
        let got = match row[1].as_str() {
            "wilson_low" => stats::wilson_interval(successes, trials, 0.95).low,
            "wilson_high" => stats::wilson_interval(successes, trials, 0.95).high,
            "clopper_pearson_low" => stats::clopper_pearson_interval(successes, trials, 0.95).low,
            _ => stats::clopper_pearson_interval(successes, trials, 0.95).high,
        };
        // Near 0 the middle and the half width of Wilson cancel: absolute there.
        assert_within(got, number(&row[3]), 1e-12, &row.join(" "));
        checked += 1;
    }
    assert_eq!(checked, 24);
}

/// Source: Benjamini & Hochberg (1995), J. R. Stat. Soc. B 57, 289, p. 295; adjusted values
/// computed, scipy 1.17.1 and R agree. Tolerance: 1e-9, nine digits given.
#[test]
fn four_discoveries_of_the_original_example() {
    let p = [
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
        0.5719, 0.6528, 0.7590, 1.000,
    ];
    let want = [
        0.0015,
        0.003,
        0.0095,
        0.035625,
        0.0603,
        0.0638571428571429,
        0.0638571428571429,
        0.0645,
        0.0765,
        0.486,
        0.581181818,
        0.714875,
        0.753230769,
        0.813214286,
        1.0,
    ];
    let got = stats::benjamini_hochberg(&p);
    for (got, want) in got.iter().zip(want) {
        assert_close(*got, want, 1e-9, "adjusted");
    }
    assert_eq!(got.iter().filter(|&&adjusted| adjusted <= 0.05).count(), 4);
    assert_eq!(p.iter().filter(|&&p| p * 15.0 <= 0.05).count(), 3, "Bonferroni");
}

/// Source: identity (1 + #) / (n + 1). Exact.
#[test]
fn a_score_above_99_quiet_ones_has_a_conformal_p_of_one_percent() {
    let quiet: Vec<f64> = (0..99).map(f64::from).collect();
    assert_eq!(stats::conformal_p(&quiet, 1000.0), 0.01);
    assert_eq!(stats::conformal_p(&quiet, -1.0), 1.0);
    assert_eq!(stats::conformal_p(&quiet, 98.0), 0.02);
}
