//! Kaplan-Meier: durations of which some are only known to be longer than seen.
//!
//! Why:    the lead time of a meter that nobody opened is censored, not zero.
//! In:     durations, and whether the end was observed; a NaN duration is left out.
//! Method: at equal durations ends come before censorings; Greenwood's standard error.
//! Source: Kaplan & Meier (1958), J. Am. Stat. Assoc. 53, 457 (from memory).

/// One step of the survival curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SurvivalStep {
    /// Duration at which ends were observed.
    pub duration: f64,
    /// Those still waiting just before.
    pub at_risk: usize,
    /// Ends observed.
    pub ends: usize,
    /// Share still waiting after.
    pub survival: f64,
    /// Greenwood's standard error of it; NaN once it is 0.
    pub standard_error: f64,
}

/// The survival curve: one step per duration with an observed end, rising.
pub fn kaplan_meier(durations: &[f64], observed: &[bool]) -> Vec<SurvivalStep> {
    let mut subjects: Vec<(f64, bool)> = durations
        .iter()
        .zip(observed)
        .filter(|(duration, _)| !duration.is_nan())
        .map(|(&duration, &end)| (duration, end))
        .collect();
    subjects.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut at_risk, mut survival, mut greenwood) = (subjects.len(), 1.0, 0.0);
    let mut steps = Vec::new();
    for tie in subjects.chunk_by(|a, b| a.0 == b.0) {
        let ends = tie.iter().filter(|subject| subject.1).count();
        if ends > 0 {
            let (n, d) = (at_risk as f64, ends as f64);
            survival *= (n - d) / n;
            greenwood += d / (n * (n - d));
            let standard_error = survival * f64::sqrt(greenwood);
            steps.push(SurvivalStep {
                duration: tie[0].0,
                at_risk,
                ends,
                survival,
                standard_error,
            });
        }
        at_risk -= tie.len();
    }
    steps
}

/// Share still waiting after `duration`; 1 before the first step.
pub fn survival_at(steps: &[SurvivalStep], duration: f64) -> f64 {
    let past = steps.partition_point(|step| step.duration <= duration);
    if past == 0 { 1.0 } else { steps[past - 1].survival }
}

/// The first duration by which the share still waiting is at most 1 - `p`; `None` if never seen.
pub fn survival_quantile(steps: &[SurvivalStep], p: f64) -> Option<f64> {
    steps.iter().find(|step| step.survival <= 1.0 - p).map(|step| step.duration)
}

/// Median duration; `None` when fewer than half were seen to end.
pub fn median_survival(steps: &[SurvivalStep]) -> Option<f64> {
    survival_quantile(steps, 0.5)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_censoring_it_is_the_plain_share() {
        let steps = kaplan_meier(&[3.0, 1.0, 2.0, f64::NAN], &[true; 4]);
        assert_eq!(steps.len(), 3);
        assert!((survival_at(&steps, 1.5) - 2.0 / 3.0).abs() < 1e-15);
        assert_eq!(survival_at(&steps, 0.5), 1.0);
        assert_eq!(median_survival(&steps), Some(2.0));
        assert!(steps[2].standard_error.is_nan());
    }

    #[test]
    fn nobody_seen_to_end_has_no_median() {
        assert_eq!(median_survival(&kaplan_meier(&[1.0, 2.0], &[false; 2])), None);
        assert_eq!(median_survival(&[]), None);
    }
}
