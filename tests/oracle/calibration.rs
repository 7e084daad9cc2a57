//! Probabilities from scores, and their scores.

use metersift_stats as stats;

use crate::ranking::items;
use crate::{assert_close, assert_within, number, rows};

const SCORES: [f64; 10] = [-3.0, -2.5, -1.0, -0.5, 0.0, 0.2, 0.7, 1.5, 2.0, 3.0];
const LABELS: [bool; 10] = [false, false, false, true, false, true, false, true, true, true];

/// Source: Platt's curve with the targets of Lin, Lin & Weng (2007): scikit-learn 1.9.1 and
/// direct minimisation agree to 4e-7, computed. Tolerance: half the fifth decimal printed, plus
/// that 4e-7.
#[test]
fn platt_curve_agrees_with_scikit_learn() {
    let curve = stats::platt(&SCORES, &LABELS).expect("both classes");
    assert_within(curve.a, -0.65218, 5.4e-6, "A");
    assert_within(curve.b, 0.04337, 5.4e-6, "B");
    for (score, want) in [(-3.0, 0.11921), (0.0, 0.48916), (3.0, 0.87138)] {
        assert_within(curve.probability(score), want, 5.4e-6, "P");
    }
}

/// Source: pool-adjacent-violators by hand; scikit-learn agrees. Tolerance: 1 ulp.
#[test]
fn isotonic_fit_of_ten_labels() {
    let labels = [0.0, 0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 1.0, 0.0, 1.0];
    let want = [0.0, 0.0, 0.5, 0.5, 0.5, 0.5, 2.0 / 3.0, 2.0 / 3.0, 2.0 / 3.0, 1.0];
    for (got, want) in stats::isotonic(&labels).iter().zip(want) {
        assert_close(*got, want, 3e-16, "fit");
    }
}

/// Source: by hand and scikit-learn 1.9.1, computed. Tolerance: 1e-14.
#[test]
fn brier_score_and_log_loss_of_four_forecasts() {
    let (p, labels) = ([0.1, 0.9, 0.8, 0.3], [false, true, true, false]);
    assert_close(stats::brier(&p, &labels), 0.0375, 1e-14, "Brier");
    assert_close(stats::log_loss(&p, &labels), 0.19763488164214868, 1e-14, "log loss");
}

/// Source: `judging.py`, scikit-learn 1.9.1 (isotonic, Brier, log loss) and direct minimisation
/// with scipy 1.17.1 (Platt). Tolerance: 1e-12; Platt 1e-6, where the minimiser stops.
#[test]
fn calibration_of_three_sets_agrees_with_two_programs() {
    let mut checked = 0;
    for row in rows("judging.csv").iter().filter(|row| !row[0].contains('/')) {
        let (labels, scores) = items(&row[0]);
        let want = number(&row[3]);
        let platt = || stats::platt(&scores, &labels).expect("both classes");
        let (got, tolerance) = match row[1].as_str() {
            "brier" => (stats::brier(&scores, &labels), 1e-13),
            "log_loss" => (stats::log_loss(&scores, &labels), 1e-13),
            "platt_a" => (platt().a, 1e-6),
            "platt_b" => (platt().b, 1e-6),
            "isotonic" => {
                let curve = stats::isotonic_curve(&scores, &labels).expect("items");
                (curve.probability(number(&row[2])), 1e-12)
            }
            _ => continue,
        };
        assert_close(got, want, tolerance, &row.join(" "));
        checked += 1;
    }
    assert_eq!(checked, 36);
}

/// Source: by hand: bins 0..0.25 (0.1, 0.2; seen 1/2), 0.75..1 (0.8, 0.9, 1.0; seen 2/3).
/// |0.15 - 0.5| * 2/5 + |0.9 - 2/3| * 3/5 = 0.28. Tolerance: 1e-14.
#[test]
fn expected_calibration_error_of_five_forecasts() {
    let p = [0.1, 0.2, 0.8, 0.9, 1.0];
    let labels = [false, true, true, false, true];
    assert_close(stats::expected_calibration_error(&p, &labels, 4), 0.28, 1e-14, "error");
}

/// Source: first passage of a drifting walk: scipy 1.17.1 `invgauss`, mean 2, shape 3, computed.
/// Tolerance: 1e-13.
#[test]
fn first_passage_agrees_with_scipy() {
    let want = [(1.0, 0.28738674440477), (2.0, 0.64367062476673), (4.0, 0.90091051363354)];
    for (x, want) in want {
        assert_close(stats::inverse_gaussian_cdf(x, 2.0, 3.0), want, 1e-13, "F");
    }
}
