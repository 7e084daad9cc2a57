//! Figures of a back-test on nights made by hand.

use metersift_backtest::{Extra, ExtraNight, Known, MeterNight, Night, score, score_beside};
use metersift_model::verdict::Interval;
use metersift_model::{Day, Hypothesis, ListKind, Table};
use std::collections::BTreeMap;

fn row(meter: &str, fault_score: f64, listed: bool) -> MeterNight {
    let fault_probability = 1.0 / (1.0 + (-fault_score).exp());
    MeterNight {
        meter: meter.into(),
        service: "syrup".into(),
        judged: true,
        fault_score,
        fault_probability,
        mode: Hypothesis::Coating,
        listed: listed.then_some(ListKind::Clean),
        listed_probability: listed.then_some(fault_probability),
        days_left: None,
        rival_fixed_limits: 0.0,
        rival_latest_check: 0.0,
        rival_trend_test: 0.0,
        rival_control_chart: 0.0,
    }
}

fn night(as_of: i32, meters: Vec<MeterNight>) -> Night {
    Night { as_of: Day(as_of), meters, groups: Vec::new(), verdicts: Table::default() }
}

fn known(meter: &str, mode: Option<Hypothesis>, onset: i32, limit: Option<i32>) -> Known {
    let new_grade = ("new_grade".to_string(), Day(90));
    Known {
        meter: meter.into(),
        mode,
        onset: mode.map(|_| Day(onset)),
        limit: limit.map(Day),
        confounders: if mode.is_none() { vec![new_grade] } else { Vec::new() },
        ..Known::default()
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
    assert!((verdict.false_entries.value - 100.0 / months).abs() < 1e-9);
    assert!(verdict.false_entries.interval.contains(verdict.false_entries.value));
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

#[test]
fn a_gas_call_on_a_stream_that_brings_gas_is_right_and_any_other_call_is_false() {
    let with_gas = |meter: &str| Known {
        meter: meter.into(),
        process_gas: vec![(Day(100), Some(Day(110)))],
        ..Known::default()
    };
    let called = |meter: &str, mode: Hypothesis| MeterNight { mode, ..row(meter, 3.0, true) };
    let nights = [105, 112, 119, 126].map(|as_of| {
        let listed = as_of == 112;
        night(
            as_of,
            vec![
                MeterNight { listed: None, ..called("A", Hypothesis::TwoPhase) },
                if listed { called("B", Hypothesis::TwoPhase) } else { row("B", -3.0, false) },
                if listed { called("C", Hypothesis::Coating) } else { row("C", -3.0, false) },
            ],
        )
    });
    let truth = ["A", "B", "C"].map(with_gas);
    let scores = score(&nights, &truth);
    assert_eq!(scores.methods[0].false_entries.count, 1, "the coating call of C alone");
    // Gas that left on day 110 is remembered until day 124: three of four nights rank nothing.
    assert_eq!(scores.process_gas_nights, 9);
    assert!(truth[0].process_gas_before(Day(124)) && !truth[0].process_gas_before(Day(125)));
}

#[test]
fn precision_at_k_and_recall_at_n_are_means_over_nights_with_a_fault() {
    // Night 100: no fault. Night 107: A at fault, ranked second. Night 114: A first.
    let nights = [
        night(100, vec![row("A", 0.0, false), row("B", 1.0, false)]),
        night(107, vec![row("A", 1.0, false), row("B", 2.0, false)]),
        night(114, vec![row("A", 3.0, false), row("B", 2.0, false)]),
    ];
    let scores = score(&nights, &[known("A", Some(Hypothesis::Erosion), 103, None)]);
    let verdict = &scores.methods[0];
    assert_eq!(verdict.recall_at_n, 0.5);
    assert_eq!(verdict.recall_at_n_last, 1.0);
    // Lists of five hold both meters, so one of two is right on either night.
    assert_eq!(verdict.precision_at[0], (5, 0.5));
}

#[test]
fn a_fault_never_listed_has_the_shortest_lead_of_all() {
    let meters = |listed: [bool; 3]| {
        ["A", "B", "C"].iter().zip(listed).map(|(m, listed)| row(m, 1.0, listed)).collect()
    };
    let nights = [
        night(100, meters([false, false, false])),
        night(110, meters([true, false, false])),
        night(120, meters([true, true, false])),
        night(160, meters([true, true, false])),
    ];
    let truth = ["A", "B", "C"].map(|m| known(m, Some(Hypothesis::Coating), 95, Some(130)));
    let scores = score(&nights, &truth);
    let verdict = &scores.methods[0];
    assert_eq!((verdict.limits_reached, verdict.listed_before_limit), (3, 2));
    // Leads 20, 10 and never: the median is 10.
    assert_eq!(verdict.median_lead_days, 10.0);
    let fewer = score(&nights, &truth[1..]);
    assert_eq!(fewer.methods[0].median_lead_days, f64::NEG_INFINITY);
}

/// Brier (1950): mean squared difference; 0.9 right and 0.9 wrong give (0.01 + 0.81) / 2.
#[test]
fn calibration_counts_what_was_stated_against_what_was_so() {
    let stated = |meter: &str, p: f64, listed: bool| MeterNight {
        fault_probability: p,
        listed_probability: listed.then_some(p),
        ..row(meter, p, listed)
    };
    let nights = [night(
        100,
        vec![stated("A", 0.9, true), stated("B", 0.9, true), stated("C", 0.02, false)],
    )];
    let scores = score(&nights, &[known("A", Some(Hypothesis::Coating), 50, None)]);
    let calibration = &scores.calibration;
    assert!((calibration.listed_brier - 0.41).abs() < 1e-12);
    assert!((calibration.listed_error - 0.4).abs() < 1e-12, "half of those given 0.9");
    assert_eq!(calibration.n_raised, 2);
    let bin = calibration.fault.last().expect("ten bins");
    assert_eq!((bin.n, bin.seen), (2, 0.5));
    assert!((calibration.fault_brier - (0.01 + 0.81 + 0.0004) / 3.0).abs() < 1e-12);
}

#[test]
fn coverage_counts_listed_nights_of_a_rightly_named_fault() {
    let left = |low: f64, high: f64| MeterNight {
        days_left: Some(Interval { mid: low, low, high }),
        ..row("A", 1.0, true)
    };
    let nights = [
        night(100, vec![left(10.0, 40.0)]),
        night(110, vec![left(30.0, 60.0)]),
        night(120, vec![row("A", 1.0, true)]),
        night(140, vec![MeterNight { mode: Hypothesis::Erosion, ..left(0.0, 9.0) }]),
    ];
    let scores = score(&nights, &[known("A", Some(Hypothesis::Coating), 50, Some(130))]);
    let limits = scores.limits;
    assert_eq!((limits.nights, limits.no_estimate, limits.scored), (3, 1, 2));
    // 30 days were left on day 100; on day 110 it was 20, before the interval began.
    assert_eq!((limits.covered, limits.too_late, limits.too_early, limits.meters), (1, 1, 0, 1));
}

#[test]
fn a_false_entry_is_put_down_to_the_look_alike_that_began_last_before_it() {
    let nights = [night(100, vec![row("A", -1.0, false)]), night(107, vec![row("A", 1.0, true)])];
    let mut story = known("A", None, 0, None);
    story.confounders =
        vec![("gap".into(), Day(20)), ("swapped".into(), Day(95)), ("stuck".into(), Day(200))];
    let scores = score(&nights, &[story]);
    assert_eq!(scores.false_by_confounder, [("swapped".to_string(), 1)]);
}

#[test]
fn another_method_is_scored_on_the_same_rows_as_the_verdict() {
    let nights = [night(100, vec![row("A", 1.0, false), row("B", 2.0, false)])];
    let said = |score, listed| ExtraNight { score, listed, mode: Some(Hypothesis::Coating) };
    let extra = Extra {
        name: "observer".into(),
        nights: BTreeMap::from([
            (("A".to_string(), Day(100)), said(9.0, true)),
            (("B".to_string(), Day(100)), said(-9.0, false)),
        ]),
    };
    let truth = [known("A", Some(Hypothesis::Coating), 50, None)];
    let scores = score_beside(&nights, &truth, &[extra]);
    let observer = scores.methods.last().expect("a last method");
    assert_eq!((observer.method.as_str(), observer.average_precision.0), ("observer", 1.0));
    assert_eq!((observer.found, observer.faults, observer.mode_accuracy), (1, 1, 1.0));
    assert_eq!(scores.methods[0].average_precision.0, 0.5);
}

#[test]
fn services_add_up_to_the_whole() {
    let nights = [100, 114].map(|as_of| {
        let water = MeterNight { service: "water".into(), ..row("B", 2.0, true) };
        night(as_of, vec![row("A", 1.0, true), water])
    });
    let scores = score(&nights, &[known("A", Some(Hypothesis::Coating), 50, None)]);
    let names: Vec<&str> = scores.services.iter().map(|s| s.service.as_str()).collect();
    assert_eq!(names, ["syrup", "water"]);
    let months: f64 = scores.services.iter().map(|s| s.meter_months).sum();
    assert!((months - scores.meter_months).abs() < 1e-12);
    assert_eq!((scores.services[0].found, scores.services[1].false_entries), (1, 1));
}
