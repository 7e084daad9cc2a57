//! Average precision, ROC area.

use metersift_stats as stats;

use crate::{assert_close, number, rows};

/// Source: scikit-learn documentation, seen. Tolerance: 1e-15.
#[test]
fn four_items_of_the_scikit_learn_documentation() {
    let (labels, scores) = ([false, false, true, true], [0.1, 0.4, 0.35, 0.8]);
    assert_close(stats::roc_auc(&labels, &scores), 0.75, 1e-15, "AUC");
    assert_close(stats::average_precision(&labels, &scores), 5.0 / 6.0, 1e-15, "AP");
}

/// Source: scikit-learn 1.9.1, computed; one tied pair of opposite classes. Tolerance: 1e-15.
#[test]
fn a_tie_between_classes_counts_one_half() {
    let labels = [1, 0, 1, 1, 0, 0, 1, 0, 0, 0].map(|label| label == 1);
    let scores = [0.9, 0.8, 0.7, 0.6, 0.6, 0.5, 0.4, 0.3, 0.2, 0.1];
    assert_close(stats::roc_auc(&labels, &scores), 0.7708333333333333, 1e-15, "AUC");
    assert_close(stats::average_precision(&labels, &scores), 0.7095238095238094, 1e-15, "AP");
    // By hand: three of the first four, the tied pair counted half each: (2 + 1/2 + 0) / 4 + ...
    assert_close(stats::precision_at_k(&labels, &scores, 4), 2.5 / 4.0, 1e-15, "precision at 4");
}

/// Labels and scores of a set of `judging.py`.
pub fn items(set: &str) -> (Vec<bool>, Vec<f64>) {
    let rows = rows("judging_items.csv");
    rows.iter().filter(|row| row[0] == set).map(|row| (row[2] == "1", number(&row[1]))).unzip()
}

/// Source: `judging.py`, scikit-learn 1.9.1 on three sets with few, many and hardly any ties.
/// Tolerance: 1e-13, sums of up to 300.
#[test]
fn rankings_with_ties_agree_with_scikit_learn() {
    let mut checked = 0;
    for row in rows("judging.csv") {
        let (labels, scores) = items(&row[0]);
        let got = match row[1].as_str() {
            "average_precision" => stats::average_precision(&labels, &scores),
            "roc_auc" => stats::roc_auc(&labels, &scores),
            _ => continue,
        };
        assert_close(got, number(&row[3]), 1e-13, &row.join(" "));
        checked += 1;
    }
    assert_eq!(checked, 6);
}
