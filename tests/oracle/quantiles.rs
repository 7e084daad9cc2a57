//! Quantile definitions, weights and time-weighted quantiles of a held signal.

use metersift_stats::{self as stats, QuantileType};

use crate::location::series;
use crate::{assert_close, assert_within, number, rows};

/// Source: Hyndman & Fan (1996); computed with R 4.2.2. Tolerance: 1e-6, five decimals printed.
#[test]
fn four_definitions_of_a_quantile_agree_with_r() {
    let sorted = [1.0, 3.0, 4.0, 8.0, 9.0, 15.0, 20.0];
    let want = [
        (QuantileType::Five, [1.4, 3.25, 8.0, 13.5, 19.0]),
        (QuantileType::Six, [1.0, 3.0, 8.0, 15.0, 20.0]),
        (QuantileType::Seven, [2.2, 3.5, 8.0, 12.0, 17.0]),
        (QuantileType::Eight, [1.13333, 3.16667, 8.0, 14.0, 19.66667]),
    ];
    for (kind, quantiles) in want {
        for (p, want) in [0.1, 0.25, 0.5, 0.75, 0.9].into_iter().zip(quantiles) {
            assert_within(stats::quantile(&sorted, p, kind), want, 6e-6, &format!("{kind:?} {p}"));
        }
    }
}

/// Source: `series.py`, numpy 2.4.6 (`hazen`, `weibull`, `linear`, `median_unbiased`).
/// Tolerance: 1e-13, one interpolation between neighbours.
#[test]
fn quantiles_of_three_series_agree_with_numpy() {
    let mut checked = 0;
    for row in rows("series.csv") {
        let kind = match row[1].as_str() {
            "quantile5" => QuantileType::Five,
            "quantile6" => QuantileType::Six,
            "quantile7" => QuantileType::Seven,
            "quantile8" => QuantileType::Eight,
            _ => continue,
        };
        let mut sorted = series(&row[0]);
        sorted.sort_unstable_by(f64::total_cmp);
        let got = stats::quantile(&sorted, number(&row[2]), kind);
        assert_close(got, number(&row[3]), 1e-13, &row.join(" "));
        checked += 1;
    }
    assert_eq!(checked, 84);
}

/// Source: NIST SP 1065 set, type 7, computed with numpy 2.4.6. Tolerance: 1e-14.
#[test]
fn type_7_of_the_sp_1065_set_without_sorting() {
    let want = [
        (0.05, 0.05189219492110061),
        (0.25, 0.2362041685200316),
        (0.75, 0.7381371142054615),
        (0.95, 0.9439454312408089),
    ];
    let mut scratch = Vec::new();
    for (p, want) in want {
        let got = stats::quantile_with(&crate::minimal_standard(1000), p, &mut scratch);
        assert_close(got, want, 1e-14, "type 7");
    }
}

/// Source: numpy `quantile(method="inverted_cdf", weights=...)`, computed. Exact: it is a value.
#[test]
fn a_weighted_median_goes_to_the_heavy_value() {
    let (values, weights) = ([1.0, 2.0, 3.0, 4.0], [1.0, 1.0, 1.0, 5.0]);
    assert_eq!(stats::weighted_median(&values, &weights), 4.0);
    assert_eq!(stats::weighted_quantile(&values, &weights, 0.375), 3.0);
}

/// A held signal: seconds, values, end.
const HELD: ([i64; 7], [f64; 7], i64) =
    ([0, 60, 90, 600, 605, 610, 3000], [10.0, 12.0, 9.0, 11.0, 40.0, 11.5, 10.5], 3600);

fn held(max_hold_s: i64) -> (stats::WeightedValues, Vec<f64>) {
    let (time_s, values, end_s) = HELD;
    let time_us: Vec<i64> = time_s.iter().map(|t| t * 1_000_000).collect();
    let mut held_s = Vec::new();
    stats::held_seconds(&time_us, end_s * 1_000_000, max_hold_s * 1_000_000, &mut held_s);
    (stats::WeightedValues::new(&values, &held_s), held_s)
}

/// Source: `TimeSeries.mean` and `.distribution` of PyPI traces 0.7.0 and numpy weights agree,
/// computed. Tolerance: 1e-14, a sum of seven.
#[test]
fn a_held_signal_is_weighted_by_the_time_it_stood() {
    let (weighted, held_s) = held(i64::MAX / 1_000_000);
    assert_close(weighted.mean(), 10.997222222222224, 1e-14, "mean");
    assert_close(stats::weighted_mean(&HELD.1, &held_s), 10.997222222222224, 1e-14, "mean");
    assert_close(stats::mean(&HELD.1), 14.857, 1e-4, "the plain mean is far off");
    let quantiles = [0.05, 0.25, 0.5, 0.75, 0.95].map(|p| weighted.quantile(p));
    assert_eq!(quantiles, [9.0, 10.5, 11.5, 11.5, 11.5]);
}

/// Source and tolerance: as above.
#[test]
fn a_hold_that_is_too_long_is_not_covered() {
    let (weighted, _) = held(900);
    assert_eq!(weighted.total_weight(), 2110.0);
    assert_close(weighted.total_weight() / 3600.0, 0.586111111, 1e-9, "coverage");
    assert_close(weighted.mean(), 10.64218009478673, 1e-14, "mean");
    let quantiles = [0.05, 0.25, 0.5, 0.75, 0.95].map(|p| weighted.quantile(p));
    assert_eq!(quantiles, [9.0, 10.0, 10.5, 11.5, 11.5]);
}
