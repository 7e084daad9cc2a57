//! Rates and their intervals, false discoveries, conformal p-values.
//!
//! Source: Wilson (1927), J. Am. Stat. Assoc. 22, 209 and Clopper & Pearson (1934), Biometrika
//!         26, 404, both as tabulated by Newcombe (1998), Stat. Med. 17, 857; Benjamini &
//!         Hochberg (1995), J. R. Stat. Soc. B 57, 289; conformal p: Vovk, Gammerman & Shafer
//!         (2005), Algorithmic Learning in a Random World (from memory).

use crate::distribution::{beta_quantile, normal_quantile};

/// Two ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Interval {
    /// Whether a value lies in it, ends included.
    pub fn contains(&self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }
}

/// Wilson's interval of a share; 0..1 without trials.
pub fn wilson_interval(successes: u64, trials: u64, confidence: f64) -> Interval {
    if trials == 0 {
        return Interval { low: 0.0, high: 1.0 };
    }
    let n = trials as f64;
    let share = successes.min(trials) as f64 / n;
    let z = normal_quantile(0.5 + confidence / 2.0);
    let square = z * z / n;
    let middle = (share + square / 2.0) / (1.0 + square);
    let half = z / (1.0 + square) * (share * (1.0 - share) / n + square / (4.0 * n)).sqrt();
    Interval {
        low: if successes == 0 { 0.0 } else { middle - half },
        high: if successes >= trials { 1.0 } else { middle + half },
    }
}

/// Clopper and Pearson's interval of a share: never covers less than it says.
pub fn clopper_pearson_interval(successes: u64, trials: u64, confidence: f64) -> Interval {
    let successes = successes.min(trials);
    let (k, n) = (successes as f64, trials as f64);
    let outside = (1.0 - confidence) / 2.0;
    Interval {
        low: if successes == 0 { 0.0 } else { beta_quantile(outside, k, n - k + 1.0) },
        high: if successes == trials { 1.0 } else { beta_quantile(1.0 - outside, k + 1.0, n - k) },
    }
}

/// Benjamini and Hochberg's adjusted p-values, in the order given.
///
/// Those at or below q are discoveries of which a share q is expected to be false. A NaN takes
/// no part and stays NaN.
pub fn benjamini_hochberg(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).filter(|&i| !p[i].is_nan()).collect();
    order.sort_by(|&a, &b| p[a].total_cmp(&p[b]));
    let mut adjusted = vec![f64::NAN; p.len()];
    let n = order.len() as f64;
    let mut least = 1.0_f64;
    for (rank, &idx) in order.iter().enumerate().rev() {
        least = least.min(p[idx] * n / (rank + 1) as f64);
        adjusted[idx] = least;
    }
    adjusted
}

/// Share of quiet scores at least as large as `score`, itself counted: (1 + #) / (n + 1).
///
/// NaN among the quiet scores is left out; a NaN score gives 1, the least surprising p.
pub fn conformal_p(quiet_scores: &[f64], score: f64) -> f64 {
    if score.is_nan() {
        return 1.0;
    }
    let n = quiet_scores.iter().filter(|quiet| !quiet.is_nan()).count();
    let above = quiet_scores.iter().filter(|&&quiet| quiet >= score).count();
    (1 + above) as f64 / (n + 1) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_trials_say_nothing() {
        assert_eq!(wilson_interval(0, 0, 0.95), Interval { low: 0.0, high: 1.0 });
        assert_eq!(clopper_pearson_interval(0, 0, 0.95), Interval { low: 0.0, high: 1.0 });
    }

    #[test]
    fn all_successes_mirror_none() {
        let (none, all) = (wilson_interval(0, 20, 0.9), wilson_interval(20, 20, 0.9));
        assert!((none.high - (1.0 - all.low)).abs() < 1e-15);
        assert_eq!((none.low, all.high), (0.0, 1.0));
        assert!(wilson_interval(25, 20, 0.9).contains(1.0));
    }

    #[test]
    fn a_missing_p_takes_no_part() {
        let adjusted = benjamini_hochberg(&[0.02, f64::NAN, 0.01]);
        assert_eq!((adjusted[0], adjusted[2]), (0.02, 0.02));
        assert!(adjusted[1].is_nan());
        assert_eq!(conformal_p(&[1.0, f64::NAN], f64::NAN), 1.0);
        assert_eq!(conformal_p(&[1.0, f64::NAN], 2.0), 0.5);
    }
}
