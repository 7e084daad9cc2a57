//! From scores to probabilities that can be held to their word, and how well they keep it.
//!
//! In:     scores or probabilities with labels; a pair whose number is NaN is left out.
//! Source: Platt (1999) with the targets and the Newton iteration of Lin, Lin & Weng (2007),
//!         Mach. Learn. 68, 267; isotonic by pool-adjacent-violators: Ayer et al. (1955), Ann.
//!         Math. Stat. 26, 641; Brier (1950), Mon. Weather Rev. 78, 1; calibration error:
//!         Naeini, Cooper & Hauskrecht (2015), AAAI (all from memory).

use crate::likelihood::from_log_odds;
use crate::logistic::{CoefficientPrior, LogisticLine, logistic_line};

/// Platt's curve P = 1 / (1 + exp(a s + b)).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Platt {
    /// Slope: negative where larger scores are more likely positive.
    pub a: f64,
    /// Offset.
    pub b: f64,
}

impl Platt {
    /// Probability of a positive at `score`.
    pub fn probability(&self, score: f64) -> f64 {
        from_log_odds(-(self.a * score + self.b))
    }
}

/// Fits Platt's curve; `None` unless both classes are there.
pub fn platt(scores: &[f64], labels: &[bool]) -> Option<Platt> {
    let pairs = pairs(scores, labels);
    let positives = pairs.iter().filter(|pair| pair.1).count() as f64;
    let negatives = pairs.len() as f64 - positives;
    if positives == 0.0 || negatives == 0.0 {
        return None;
    }
    // Targets short of 0 and 1, so that separable classes do not give certainty.
    let high = (positives + 1.0) / (positives + 2.0);
    let low = 1.0 / (negatives + 2.0);
    let targets: Vec<(f64, f64)> =
        pairs.iter().map(|&(score, label)| (score, if label { high } else { low })).collect();
    let start =
        LogisticLine { intercept: -((negatives + 1.0) / (positives + 1.0)).ln(), slope: 0.0 };
    let flat = CoefficientPrior::FLAT;
    let line = logistic_line(&targets, start, flat, flat);
    Some(Platt { a: -line.slope, b: -line.intercept })
}

/// Rising fit of `values` in their order, each of weight 1.
pub fn isotonic(values: &[f64]) -> Vec<f64> {
    isotonic_weighted(values, &vec![1.0; values.len()])
}

/// Rising weighted least-squares fit of `values` in their order (no gaps, positive weights).
pub fn isotonic_weighted(values: &[f64], weights: &[f64]) -> Vec<f64> {
    // Blocks of (sum of weight * value, weight, length); neighbours that fall are pooled.
    let mut blocks: Vec<(f64, f64, usize)> = Vec::with_capacity(values.len());
    for (&value, &weight) in values.iter().zip(weights) {
        blocks.push((value * weight, weight, 1));
        while let [.., before, last] = blocks.as_mut_slice() {
            if before.0 / before.1 < last.0 / last.1 {
                break;
            }
            *before = (before.0 + last.0, before.1 + last.1, before.2 + last.2);
            blocks.pop();
        }
    }
    blocks.iter().flat_map(|&(sum, weight, n)| std::iter::repeat_n(sum / weight, n)).collect()
}

/// A rising curve from score to probability.
#[derive(Clone, Debug, PartialEq)]
pub struct IsotonicCurve {
    /// Distinct scores, rising.
    pub scores: Vec<f64>,
    /// Probability at each, never falling.
    pub probabilities: Vec<f64>,
}

impl IsotonicCurve {
    /// Probability at `score`: straight between the scores seen, level beyond them.
    pub fn probability(&self, score: f64) -> f64 {
        if score.is_nan() {
            return f64::NAN;
        }
        let above = self.scores.partition_point(|&seen| seen < score);
        if above == 0 {
            return self.probabilities.first().copied().unwrap_or(f64::NAN);
        }
        if above == self.scores.len() {
            return self.probabilities[above - 1];
        }
        let (s0, s1) = (self.scores[above - 1], self.scores[above]);
        let (p0, p1) = (self.probabilities[above - 1], self.probabilities[above]);
        p0 + (p1 - p0) * (score - s0) / (s1 - s0)
    }
}

/// Isotonic regression of labels on scores; equal scores are pooled first.
pub fn isotonic_curve(scores: &[f64], labels: &[bool]) -> Option<IsotonicCurve> {
    let mut pairs = pairs(scores, labels);
    if pairs.is_empty() {
        return None;
    }
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut distinct, mut shares, mut weights) = (Vec::new(), Vec::new(), Vec::new());
    for tie in pairs.chunk_by(|a, b| a.0 == b.0) {
        let size = tie.len() as f64;
        distinct.push(tie[0].0);
        shares.push(tie.iter().filter(|pair| pair.1).count() as f64 / size);
        weights.push(size);
    }
    let probabilities = isotonic_weighted(&shares, &weights);
    Some(IsotonicCurve { scores: distinct, probabilities })
}

/// Brier score: mean squared distance of probability and outcome; NaN for nothing.
pub fn brier(probabilities: &[f64], labels: &[bool]) -> f64 {
    mean_of(probabilities, labels, |p, label| {
        let outcome = f64::from(u8::from(label));
        (p - outcome) * (p - outcome)
    })
}

/// Mean negative log likelihood, probabilities kept 1e-15 away from 0 and 1.
pub fn log_loss(probabilities: &[f64], labels: &[bool]) -> f64 {
    mean_of(probabilities, labels, |p, label| {
        let p = p.clamp(1e-15, 1.0 - 1e-15);
        if label { -p.ln() } else { -(-p).ln_1p() }
    })
}

fn mean_of(probabilities: &[f64], labels: &[bool], loss: impl Fn(f64, bool) -> f64) -> f64 {
    let pairs = pairs(probabilities, labels);
    let sum: f64 = pairs.iter().map(|&(p, label)| loss(p, label)).sum();
    if pairs.is_empty() { f64::NAN } else { sum / pairs.len() as f64 }
}

/// One bin of a reliability table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReliabilityBin {
    /// Lower edge of the probabilities in it.
    pub from: f64,
    /// Upper edge.
    pub until: f64,
    /// Pairs in it.
    pub n: usize,
    /// Mean probability stated; NaN when empty.
    pub stated: f64,
    /// Share of positives seen; NaN when empty.
    pub seen: f64,
}

/// Stated against seen in `n_bins` bins of equal width; an edge belongs to the bin above it.
pub fn reliability(probabilities: &[f64], labels: &[bool], n_bins: usize) -> Vec<ReliabilityBin> {
    let mut sums = vec![(0_usize, 0.0, 0_usize); n_bins];
    for (p, label) in pairs(probabilities, labels) {
        if n_bins == 0 {
            break;
        }
        let bin = ((p * n_bins as f64) as usize).min(n_bins - 1);
        sums[bin].0 += 1;
        sums[bin].1 += p;
        sums[bin].2 += usize::from(label);
    }
    let width = 1.0 / n_bins as f64;
    sums.iter()
        .enumerate()
        .map(|(i, &(n, sum, positives))| ReliabilityBin {
            from: i as f64 * width,
            until: (i + 1) as f64 * width,
            n,
            stated: sum / n as f64,
            seen: positives as f64 / n as f64,
        })
        .collect()
}

/// Expected calibration error: distance of stated and seen, weighted by the bins' counts.
pub fn expected_calibration_error(probabilities: &[f64], labels: &[bool], n_bins: usize) -> f64 {
    let bins = reliability(probabilities, labels, n_bins);
    let n: usize = bins.iter().map(|bin| bin.n).sum();
    let filled = bins.iter().filter(|bin| bin.n > 0);
    let sum: f64 = filled.map(|bin| bin.n as f64 * (bin.stated - bin.seen).abs()).sum();
    if n == 0 { f64::NAN } else { sum / n as f64 }
}

fn pairs(numbers: &[f64], labels: &[bool]) -> Vec<(f64, bool)> {
    numbers
        .iter()
        .zip(labels)
        .filter(|(number, _)| !number.is_nan())
        .map(|(&number, &label)| (number, label))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_class_cannot_be_calibrated() {
        assert_eq!(platt(&[1.0, 2.0], &[true, true]), None);
        assert_eq!(isotonic_curve(&[f64::NAN], &[true]), None);
        assert!(brier(&[], &[]).is_nan());
        assert!(expected_calibration_error(&[], &[], 10).is_nan());
    }

    #[test]
    fn separable_classes_do_not_give_certainty() {
        let curve = platt(&[-1.0, -0.9, 0.9, 1.0], &[false, false, true, true]).expect("both");
        assert!(curve.probability(1.0) < 0.99 && curve.probability(1.0) > 0.6);
    }

    #[test]
    fn an_isotonic_curve_never_falls_and_is_level_outside() {
        let curve = isotonic_curve(&[1.0, 2.0, 2.0, 3.0], &[true, false, true, false]).expect("4");
        assert!(curve.probabilities.windows(2).all(|pair| pair[0] <= pair[1]));
        assert_eq!(curve.probability(-9.0), curve.probabilities[0]);
        assert_eq!(curve.probability(9.0), curve.probabilities[2]);
    }

    #[test]
    fn a_probability_of_one_has_a_bin() {
        assert_eq!(reliability(&[1.0, 0.0], &[true, false], 4)[3].n, 1);
        assert_eq!(expected_calibration_error(&[1.0, 0.0], &[true, false], 4), 0.0);
        assert_eq!(expected_calibration_error(&[0.9, 0.9], &[true, false], 4), 0.4);
    }
}
