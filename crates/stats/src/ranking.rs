//! How good an order is: average precision, area under the ROC curve, precision at k.
//!
//! In:     one label and one score per item, larger = more suspect; an item whose score is NaN
//!         is left out.
//! Out:    NaN when a class that is needed is missing.
//! Method: equal scores are one threshold: average precision takes them together (as
//!         scikit-learn does), the ROC area counts a tied pair of opposite classes one half,
//!         precision at k takes the mean over all orders of the ties.
//! Source: Fawcett (2006), Pattern Recognit. Lett. 27, 861; scikit-learn user guide.

use crate::correlation::mid_ranks;

/// Average precision: the mean of the precision over the steps of the recall.
pub fn average_precision(labels: &[bool], scores: &[f64]) -> f64 {
    let groups = tied_groups(labels, scores);
    let positives: usize = groups.iter().map(|group| group.positives).sum();
    let (mut taken, mut found, mut sum) = (0, 0, 0.0);
    for group in &groups {
        taken += group.size;
        found += group.positives;
        sum += group.positives as f64 * found as f64 / taken as f64;
    }
    if positives == 0 { f64::NAN } else { sum / positives as f64 }
}

/// Area under the ROC curve: chance that a positive scores above a negative.
pub fn roc_auc(labels: &[bool], scores: &[f64]) -> f64 {
    let (labels, scores): (Vec<bool>, Vec<f64>) =
        labels.iter().zip(scores).filter(|(_, score)| !score.is_nan()).unzip();
    let positives = labels.iter().filter(|&&label| label).count() as f64;
    let negatives = labels.len() as f64 - positives;
    let ranks = mid_ranks(&scores);
    let sum: f64 = ranks.iter().zip(&labels).filter(|(_, label)| **label).map(|(r, _)| r).sum();
    if positives == 0.0 || negatives == 0.0 {
        return f64::NAN;
    }
    (sum - positives * (positives + 1.0) / 2.0) / (positives * negatives)
}

/// Share of positives among the `k` highest scores; NaN for k = 0 or no items.
///
/// With fewer than `k` items the share is of what is there.
pub fn precision_at_k(labels: &[bool], scores: &[f64], k: usize) -> f64 {
    let groups = tied_groups(labels, scores);
    let (mut taken, mut found) = (0_usize, 0.0);
    for group in &groups {
        let room = group.size.min(k - taken);
        found += room as f64 * group.positives as f64 / group.size as f64;
        taken += room;
        if taken == k {
            break;
        }
    }
    if taken == 0 { f64::NAN } else { found / taken as f64 }
}

/// Items that share one score.
struct TiedGroup {
    size: usize,
    positives: usize,
}

/// Groups of equal scores, highest first.
fn tied_groups(labels: &[bool], scores: &[f64]) -> Vec<TiedGroup> {
    let mut items: Vec<(f64, bool)> = scores
        .iter()
        .zip(labels)
        .filter(|(score, _)| !score.is_nan())
        .map(|(&score, &label)| (score, label))
        .collect();
    items.sort_by(|a, b| b.0.total_cmp(&a.0));
    items
        .chunk_by(|a, b| a.0 == b.0)
        .map(|tie| TiedGroup {
            size: tie.len(),
            positives: tie.iter().filter(|item| item.1).count(),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_perfect_order_scores_one_on_everything() {
        let (labels, scores) = ([true, false, true, false], [0.9, 0.2, 0.8, f64::NAN]);
        assert_eq!(average_precision(&labels, &scores), 1.0);
        assert_eq!(roc_auc(&labels, &scores), 1.0);
        assert_eq!(precision_at_k(&labels, &scores, 2), 1.0);
        assert_eq!(precision_at_k(&labels, &scores, 9), 2.0 / 3.0);
    }

    #[test]
    fn one_score_for_all_is_worth_the_base_rate() {
        let (labels, scores) = ([true, false, false, false], [1.0; 4]);
        assert_eq!(average_precision(&labels, &scores), 0.25);
        assert_eq!(roc_auc(&labels, &scores), 0.5);
        assert_eq!(precision_at_k(&labels, &scores, 2), 0.25);
    }

    #[test]
    fn without_a_class_there_is_no_measure() {
        assert!(average_precision(&[false], &[1.0]).is_nan());
        assert!(roc_auc(&[true], &[1.0]).is_nan());
        assert!(precision_at_k(&[true], &[1.0], 0).is_nan());
        assert!(precision_at_k(&[], &[], 3).is_nan());
    }
}
