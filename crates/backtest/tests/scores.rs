//! Figures of a back-test on nights made by hand.

use metersift_backtest::{Known, MeterNight, Night, score};
use metersift_model::{Day, Hypothesis, ListKind, Table};

fn row(meter: &str, fault_score: f64, listed: bool) -> MeterNight {
    MeterNight {
        meter: meter.into(),
        judged: true,
        fault_score,
        mode: Hypothesis::Coating,
        listed: listed.then_some(ListKind::Clean),
        rival_fixed_limits: 0.0,
        rival_latest_check: 0.0,
    }
}

fn night(as_of: i32, meters: Vec<MeterNight>) -> Night {
    Night { as_of: Day(as_of), meters, verdicts: Table::default() }
}

fn known(meter: &str, mode: Option<Hypothesis>, onset: i32, limit: Option<i32>) -> Known {
    Known {
        meter: meter.into(),
        mode,
        onset: mode.map(|_| Day(onset)),
        limit: limit.map(Day),
        mended: None,
        confounders: if mode.is_none() { vec!["new_grade".into()] } else { Vec::new() },
    }
}

/// Scikit-learn's documentation of `average_precision_score`: labels 0 0 1 1 with scores
/// 0.1 0.4 0.35 0.8 give 0.8333...
#[test]
fn average_precision_is_that_of_the_reference_library() {
    let nights = [night(
        100,
        vec![
            row("A", 0.1, false),
            row("B", 0.4, false),
            row("C", 0.35, false),
            row("D", 0.8, false),
        ],
    )];
    let truth = ["C", "D"].map(|meter| known(meter, Some(Hypothesis::Coating), 50, None));
    let scores = score(&nights, &truth);
    assert!((scores.methods[0].average_precision.0 - 0.833_333_333_333_333_3).abs() < 1e-12);
    assert_eq!(scores.methods[0].recall_at_n, 0.5);
}

#[test]
fn an_entry_before_the_onset_is_false_and_one_after_it_has_a_lead() {
    let nights: Vec<Night> = [(100, true), (107, false), (114, true), (121, true)]
        .into_iter()
        .map(|(as_of, listed)| night(as_of, vec![row("A", 1.0, listed), row("B", -1.0, false)]))
        .collect();
    let truth = [known("A", Some(Hypothesis::Coating), 104, Some(130))];
    let scores = score(&nights, &truth);
    let verdict = &scores.methods[0];
    // Two meters judged on four nights of seven days: one false start in that time.
    let months = 8.0 * 7.0 / 30.44;
    assert!((verdict.false_per_100_meter_months - 100.0 / months).abs() < 1e-9);
    assert_eq!((verdict.found, verdict.faults), (1, 1));
    assert_eq!(verdict.mode_accuracy, 1.0);
    let lead = &scores.leads[0];
    assert_eq!(lead.first_listed, Some(Day(114)));
    assert_eq!((lead.lead_days, lead.delay_days), (Some(16), Some(10)));
}

#[test]
fn an_entry_that_stays_is_one_false_entry_and_named_by_what_was_there() {
    let nights: Vec<Night> =
        [100, 107, 114].into_iter().map(|as_of| night(as_of, vec![row("A", 1.0, true)])).collect();
    let scores = score(&nights, &[known("A", None, 0, None)]);
    assert_eq!(scores.false_by_confounder, [("new_grade".to_string(), 1)]);
    assert_eq!((scores.methods[0].found, scores.methods[0].faults), (0, 0));
}

#[test]
fn after_mending_the_meter_is_no_longer_at_fault() {
    let mut story = known("A", Some(Hypothesis::Erosion), 100, None);
    story.mended = Some(Day(120));
    assert!(!story.faulty_before(Day(100)), "the onset day itself was not looked at");
    assert!(story.faulty_before(Day(101)) && story.faulty_before(Day(120)));
    assert!(!story.faulty_before(Day(121)));
}
