//! Robust scales, the medcouple and Huber's location.
//!
//! Source of all: R robustbase 0.95.0 and R 4.2.2 on data sets of R and MASS, computed (MAD with
//! 1.4826, Qn constant 2.21914, Sn constant 1.1926, finite-sample correction on).

use metersift_stats as stats;

use crate::location::series;
use crate::{assert_close, assert_within, number, numbers, rows};

const CHEM: [f64; 24] = [
    2.9, 3.1, 3.4, 3.4, 3.7, 3.7, 2.8, 2.5, 2.4, 2.4, 2.7, 2.2, 5.28, 3.37, 3.03, 3.03, 28.95,
    3.77, 3.4, 2.2, 3.5, 3.6, 3.7, 3.7,
];
const ABBEY: [f64; 31] = [
    5.2, 6.5, 6.9, 7.0, 7.0, 7.0, 7.4, 8.0, 8.0, 8.0, 8.0, 8.5, 9.0, 9.0, 10.0, 11.0, 11.0, 12.0,
    12.0, 13.7, 14.0, 14.0, 14.0, 16.0, 17.0, 17.0, 18.0, 24.0, 28.0, 34.0, 125.0,
];
const PRIMES: [f64; 10] = [2.0, 3.0, 5.0, 7.0, 11.0, 13.0, 17.0, 19.0, 23.0, 29.0];
const OUTLIER: [f64; 9] = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 1000.0];

fn eruptions() -> Vec<f64> {
    numbers("faithful.csv").iter().map(|row| row[0]).collect()
}

fn sets() -> Vec<(&'static str, Vec<f64>)> {
    vec![
        ("chem", CHEM.to_vec()),
        ("abbey", ABBEY.to_vec()),
        ("nile", series("nile")),
        ("eruptions", eruptions()),
        ("primes", PRIMES.to_vec()),
        ("outlier", OUTLIER.to_vec()),
    ]
}

/// Tolerance: 2e-6, because R's `mad` carries 1.4826 for 1.482602218505602 (1.5e-6 apart) and
/// seven digits are printed.
#[test]
fn scaled_mad_agrees_with_r_within_its_constant() {
    let want = [0.526323, 4.4478, 179.3946, 0.9510879, 10.3782, 2.9652];
    for ((name, values), want) in sets().iter().zip(want) {
        assert_close(stats::mad_sigma(values), want, 2e-6, name);
    }
}

/// Tolerance: 1e-9 where R printed 11 digits or more, half a unit of the last digit printed else;
/// 1e-8 for the eruptions: R's raw 0.703467383703589 is 2.21914 times 0.31700000167, which is no
/// distance between two of the data. Sorting all 36,856 distances (next test) gives 0.317.
#[test]
fn qn_agrees_with_robustbase_with_and_without_its_small_sample_factor() {
    let corrected = [
        (0.6330337719957102, 1e-9),
        (4.2298129794029107, 1e-9),
        (164.78356768594531, 1e-9),
        (0.69406956354504157, 1e-8),
        (9.5885488776, 1e-9),
        (3.8765712832, 1e-9),
    ];
    let raw = [0.7323162, 4.43828, 170.87378, 0.703467383703589, 13.31484, 4.43828];
    for (((name, values), (corrected, tolerance)), raw) in sets().iter().zip(corrected).zip(raw) {
        assert_close(stats::qn(values), corrected, tolerance, name);
        assert_close(stats::qn_uncorrected(values), raw, 1e-8, name);
    }
}

/// Source: `series.py`, numpy 2.4.6, all pairwise distances sorted. Tolerance: 1e-15.
#[test]
fn qn_is_an_order_statistic_of_all_distances() {
    let mut checked = 0;
    for row in rows("series.csv").iter().filter(|row| row[1] == "qn_raw") {
        assert_close(stats::qn_uncorrected(&series(&row[0])), number(&row[3]), 1e-15, &row[0]);
        checked += 1;
    }
    assert_eq!(checked, 6);
}

/// Tolerance: half a unit of the last digit printed.
#[test]
fn sn_agrees_with_robustbase() {
    let want = [0.799042, 4.913036544850498, 181.2752, 0.95408, 11.926, 4.0464918];
    for ((name, values), want) in sets().iter().zip(want) {
        assert_close(stats::sn(values), want, 1e-9, name);
    }
    assert_close(stats::sn_uncorrected(&ABBEY), 4.7704, 1e-12, "abbey");
    assert_close(stats::sn_uncorrected(&OUTLIER), 3.5778, 1e-12, "outlier");
}

/// Source: R `mc` 0.95.0, computed. Tolerance: 1e-12, a closed formula; 1e-4 for the eruptions,
/// where the kernel has two middle values: R takes one of them, statsmodels and we their mean.
#[test]
fn medcouple_agrees_with_r() {
    let want = [
        (-0.4502281021897806, 1e-12),
        (0.2, 1e-12),
        (0.18539325842696627, 1e-12),
        (-0.53846153846153766, 1e-4),
        (0.04761904761904763, 1e-12),
    ];
    for ((name, values), (want, tolerance)) in sets().iter().zip(want) {
        assert_close(stats::medcouple(values), want, tolerance, name);
    }
}

/// Source: `series.py`, statsmodels 0.15.0 on six sets, the eruptions among them.
/// Tolerance: 1e-12; 1e-9 for sets with decimal dust in their centred values (Mavro, Michelso).
#[test]
fn medcouple_agrees_with_statsmodels() {
    let mut checked = 0;
    for row in rows("series.csv").iter().filter(|row| row[1] == "medcouple") {
        let tolerance = if row[0].starts_with('m') { 1e-9 } else { 1e-12 };
        assert_close(stats::medcouple(&series(&row[0])), number(&row[3]), tolerance, &row[0]);
        checked += 1;
    }
    assert_eq!(checked, 6);
}

/// R stops when a step is below 1e-6 scales and its scale carries 1.4826.
/// Tolerance: 5e-6 scales, those two together.
#[test]
fn huber_location_agrees_with_r() {
    let want = [
        3.2067241296435198,
        11.551360039525063,
        916.77764616750585,
        3.5418810584684288,
        12.840802703,
        5.0559740520584597,
    ];
    for ((name, values), want) in sets().iter().zip(want) {
        let slack = 5e-6 * stats::mad_sigma(values);
        assert_within(stats::huber_location(values, 1.5), want, slack, name);
    }
}
