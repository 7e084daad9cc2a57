//! Kaplan-Meier curves of two published sets.

use metersift_stats as stats;

use crate::assert_within;

/// Source: Freireich (1963) / Gehan (1965), 6-MP arm, R MASS `gehan`; computed with R survival
/// 3.5.3, textbook values agree. Tolerance: half the last digit printed.
#[test]
fn remission_times_of_gehan() {
    let (durations, observed): (Vec<f64>, Vec<bool>) = [
        (6, 1),
        (6, 1),
        (6, 1),
        (6, 0),
        (7, 1),
        (9, 0),
        (10, 1),
        (10, 0),
        (11, 0),
        (13, 1),
        (16, 1),
        (17, 0),
        (19, 0),
        (20, 0),
        (22, 1),
        (23, 1),
        (25, 0),
        (32, 0),
        (32, 0),
        (34, 0),
        (35, 0),
    ]
    .map(|(weeks, end)| (f64::from(weeks), end == 1))
    .into_iter()
    .unzip();
    let steps = stats::kaplan_meier(&durations, &observed);
    let want = [
        (6.0, 0.8571428571),
        (7.0, 0.8067226891),
        (10.0, 0.7529411765),
        (13.0, 0.6901960784),
        (16.0, 0.6274509804),
        (22.0, 0.5378151261),
        (23.0, 0.4481792717),
    ];
    assert_eq!(steps.len(), want.len());
    for (step, (weeks, survival)) in steps.iter().zip(want) {
        assert_eq!(step.duration, weeks);
        assert_within(step.survival, survival, 5e-11, "survival");
    }
    for (idx, error) in [(0, 0.0763603548), (4, 0.1140538653), (6, 0.1345914568)] {
        assert_within(steps[idx].standard_error, error, 5e-11, "standard error");
    }
    assert_eq!(stats::median_survival(&steps), Some(23.0));
    assert_within(stats::survival_at(&steps, 15.9), 0.6901960784, 5e-11, "between steps");
}

/// Source: `aml` of R survival, maintained arm (data from memory), computed with R survival
/// 3.5.3. Tolerance: half the last digit printed.
#[test]
fn maintained_arm_of_aml() {
    let durations = [9.0, 13.0, 13.0, 18.0, 23.0, 28.0, 31.0, 34.0, 45.0, 48.0, 161.0];
    let observed = [1, 1, 0, 1, 1, 0, 1, 1, 0, 1, 0].map(|end| end == 1);
    let want = [
        (9.0, 0.90909),
        (13.0, 0.81818),
        (18.0, 0.71591),
        (23.0, 0.61364),
        (31.0, 0.49091),
        (34.0, 0.36818),
        (48.0, 0.18409),
    ];
    let steps = stats::kaplan_meier(&durations, &observed);
    assert_eq!(steps.len(), want.len());
    for (step, (weeks, survival)) in steps.iter().zip(want) {
        assert_eq!(step.duration, weeks);
        assert_within(step.survival, survival, 5e-6, "survival");
    }
}
