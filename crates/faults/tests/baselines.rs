//! Baselines that a slow fault cannot train, one known truth per kind of disturbance. Renamed tags
//! are joined by the tag list when dumps are imported, so this room sees one series.

mod common;

use common::{FIRST, Plan, Site, Truth, as_of, quiet, site};
use metersift_faults::{FindingScore, Fleet, Settings};
use metersift_model::records::{Change, Finding};
use metersift_model::time::{TimeUs, US_PER_DAY};
use metersift_model::verdict::Calibrated;
use metersift_model::{ColumnData, Day, Hypothesis, Verdict};

const DAYS: i32 = 420;

fn fleet(site: &Site) -> Fleet {
    Fleet::new(&site.daily, &site.records, &Settings::default()).expect("a fleet that builds")
}

fn judge(site: &Site, days: i32) -> Vec<Verdict> {
    fleet(site).judge(as_of(days))
}

fn one(verdicts: &[Verdict]) -> &Verdict {
    verdicts.iter().find(|v| v.meter == "the-one").expect("every meter has a verdict")
}

fn fault(verdict: &Verdict) -> f64 {
    1.0 / (1.0 + (-verdict.fault_score).exp())
}

/// Quiet streams, and one meter alone on its own.
fn plans(truth: Truth, onset: i32) -> Vec<Plan> {
    let mut plans = quiet("beta", 6);
    plans.extend(quiet("gamma", 6));
    plans.push(Plan::new("the-one", "alone", truth, onset));
    plans
}

/// Rewrites a column of the one meter by day.
fn edit(site: &mut Site, column: &str, change: impl Fn(i32, f64) -> f64) {
    let meters = site.daily.texts("meter").expect("meter").to_vec();
    let days = site.daily.days("day").expect("day").to_vec();
    let column = site.daily.columns.iter_mut().find(|c| c.name == column).expect("a column");
    let ColumnData::Number(values) = &mut column.data else { panic!("numbers") };
    for ((value, meter), day) in values.iter_mut().zip(&meters).zip(&days) {
        if meter.as_deref() == Some("the-one") {
            *value = change(day.expect("a day").0 - FIRST, *value);
        }
    }
}

fn record(site: &mut Site, day: i32, item: &str, before: &str, after: &str) {
    let time = TimeUs(i64::from(FIRST + day) * US_PER_DAY + US_PER_DAY / 2);
    let (item, before, after) = (item.into(), before.into(), after.into());
    let changes = site.records.changes.entry("the-one".into()).or_default();
    changes.push(Change { time, item, before, after });
}

#[test]
fn seasons_seen_for_less_than_a_year_are_no_fault_and_do_not_hide_one() {
    let quiet = site(&plans(Truth::None, 0), 300, 11);
    assert!(fault(one(&judge(&quiet, 300))) < 0.3, "{}", one(&judge(&quiet, 300)).reason);
    let truth = Truth::Coating { share: 0.04, excess: 600.0, damping: 25.0 };
    let coated = judge(&site(&plans(truth, 120), 300, 11), 300);
    assert_eq!(one(&coated).mode, Hypothesis::Coating);
    assert!(fault(one(&coated)) > 0.5, "{}", one(&coated).reason);
}

#[test]
fn a_density_step_at_a_recorded_recalibration_is_no_fault() {
    let mut recorded = site(&plans(Truth::None, 0), DAYS, 12);
    edit(&mut recorded, "density_kg_m3", |day, x| if day > 300 { x + 9.0 } else { x });
    record(&mut recorded, 300, "recalibrated", "", "");
    let told = judge(&recorded, DAYS);
    assert!(fault(one(&told)) < 0.2, "{}", one(&told).reason);
}

#[test]
fn a_known_offset_is_undone_exactly() {
    let plain = site(&plans(Truth::None, 0), DAYS, 13);
    let mut shifted = site(&plans(Truth::None, 0), DAYS, 13);
    edit(&mut shifted, "density_kg_m3", |day, x| if day > 200 { x + 25.0 } else { x });
    record(&mut shifted, 200, "density_offset_kg_m3", "0", "25");
    let (a, b) = (judge(&plain, DAYS), judge(&shifted, DAYS));
    // The median density of the segment, which scales amplitudes, is the only thing that differs.
    assert!((one(&a).fault_score - one(&b).fault_score).abs() < 0.15);
}

#[test]
fn noise_that_changed_with_the_damping_setting_is_no_evidence() {
    let mut told = site(&plans(Truth::None, 0), DAYS, 14);
    edit(&mut told, "density_noise_kg_m3", |day, x| if day > 250 { 3.0 * x } else { x });
    record(&mut told, 250, "damping_s", "4", "1");
    assert!(fault(one(&judge(&told, DAYS))) < 0.2);
}

#[test]
fn an_installation_ends_what_was_before_it() {
    let truth = Truth::Coating { share: 0.05, excess: 500.0, damping: 20.0 };
    let mut plans = plans(truth, 50);
    plans.last_mut().expect("the one").swap = Some(250);
    let mut site = site(&plans, DAYS, 15);
    for change in site.records.changes.get_mut("the-one").expect("a change") {
        change.item = "installed".into();
    }
    assert!(fault(one(&judge(&site, DAYS))) < 0.3);
}

#[test]
fn a_fault_that_was_there_before_the_data_is_seen_by_what_has_a_reference_of_its_own() {
    let verdicts = judge(&site(&plans(Truth::Damage { step_pct: -2.0 }, 0), DAYS, 16), DAYS);
    let one = one(&verdicts);
    assert!(fault(one) > 0.5, "{}", one.reason);
    assert!(matches!(one.mode, Hypothesis::Damage | Hypothesis::Erosion), "{}", one.reason);
}

#[test]
fn noise_of_a_tag_that_was_thinned_anew_is_no_evidence() {
    let mut thinned = site(&plans(Truth::None, 0), DAYS, 17);
    edit(&mut thinned, "density_noise_kg_m3", |day, x| if day > 220 { 2.2 * x } else { x });
    edit(&mut thinned, "density_noise_spacing_s", |day, x| if day > 220 { 10.0 * x } else { x });
    assert!(fault(one(&judge(&thinned, DAYS))) < 0.2);
}

#[test]
fn density_in_another_unit_for_a_while_or_until_today_is_no_fault() {
    for days in [200..222, 400..DAYS] {
        let mut slipped = site(&plans(Truth::None, 0), DAYS, 18);
        let inside = |day: i32| days.contains(&day);
        edit(&mut slipped, "density_kg_m3", |d, x| if inside(d) { x / 1000.0 } else { x });
        edit(&mut slipped, "density_noise_kg_m3", |d, x| if inside(d) { x / 1000.0 } else { x });
        let verdicts = judge(&slipped, DAYS);
        assert!(fault(one(&verdicts)) < 0.2, "{days:?}: {}", one(&verdicts).reason);
    }
}

#[test]
fn two_grades_that_alternate_are_no_fault() {
    let mut graded = site(&plans(Truth::None, 0), DAYS, 19);
    let second = |day: i32| (day / 30) % 2 == 1;
    edit(&mut graded, "density_kg_m3", |day, x| if second(day) { x + 40.0 } else { x });
    edit(&mut graded, "drive_log_low", |day, x| if second(day) { x + 0.15 } else { x });
    let verdicts = judge(&graded, DAYS);
    assert!(fault(one(&verdicts)) < 0.3, "{}", one(&verdicts).reason);
}

#[test]
fn a_group_stays_when_one_of_its_meters_is_dropped() {
    let mut all = quiet("beta", 6);
    for i in 0..6 {
        let truth = Truth::Process { log_viscosity: 1.2 };
        all.push(Plan::new(&format!("shared-{i}"), "alpha", truth, 300));
    }
    let grouped = |plans: &[Plan]| -> Vec<String> {
        let verdicts = judge(&site(plans, DAYS, 20), DAYS);
        let members = verdicts.iter().filter(|v| v.group.is_some());
        members.map(|v| v.meter.clone()).collect()
    };
    let whole = grouped(&all);
    assert!(whole.len() >= 4, "{whole:?}");
    let reversed: Vec<Plan> = all.iter().rev().cloned().collect();
    assert_eq!(grouped(&reversed), whole, "order has no say");
    let without: Vec<Plan> = all.iter().filter(|p| p.name != whole[0]).cloned().collect();
    let rest: Vec<String> = whole[1..].to_vec();
    assert_eq!(grouped(&without), rest);
}

#[test]
fn every_listed_limit_says_how_much_of_what_and_why() {
    let verdicts = judge(&site(&plans(Truth::Erosion { loss_pct: 2.0 }, 100), DAYS, 21), DAYS);
    let limit = one(&verdicts).limit.clone().expect("erosion has a limit");
    assert_eq!(limit.unit, "% of stiffness");
    // 5 x 0.1 % base accuracy: the fault then makes 5 / sqrt(26) = 98 % of the error.
    assert!((limit.value - 0.5).abs() < 1e-9 && limit.reason.contains("98 %"), "{limit:?}");
}

#[test]
fn findings_before_the_date_recalibrate_and_later_ones_leave_no_trace() {
    let site = site(&plans(Truth::Erosion { loss_pct: 2.0 }, 100), DAYS, 22);
    let scores = |until: i32| -> Vec<FindingScore> {
        (0..24)
            .map(|i| FindingScore {
                day: Day(FIRST + until - i),
                raw_fault_score: 1.0,
                fault: i % 3 == 0,
            })
            .collect()
    };
    let plain = judge(&site, DAYS);
    let told = fleet(&site).with_findings(scores(DAYS - 1)).judge(as_of(DAYS));
    assert_eq!(one(&plain).calibrated, Calibrated::Simulated);
    assert_eq!(one(&told).calibrated, Calibrated::Findings(24));
    // Two of three that looked like faults were none: the same evidence now weighs less.
    let (now, before) = (one(&told).fault_score, one(&plain).fault_score);
    assert!(now < before - 0.5, "{now} against {before}");
    let later = fleet(&site).with_findings(scores(DAYS + 60)).judge(as_of(DAYS));
    assert_eq!(format!("{later:?}"), format!("{plain:?}"));
}

#[test]
fn records_of_the_future_leave_no_trace() {
    let honest = site(&plans(Truth::Erosion { loss_pct: 2.0 }, 100), DAYS, 23);
    let mut disturbed = site(&plans(Truth::Erosion { loss_pct: 2.0 }, 100), DAYS, 23);
    record(&mut disturbed, 330, "swapped", "", "");
    record(&mut disturbed, 340, "recalibrated", "", "");
    let finding = Finding {
        day: Day(FIRST + 350),
        mode: Some(Hypothesis::Erosion),
        severity: String::new(),
        note: String::new(),
    };
    disturbed.records.findings.insert("the-one".into(), vec![finding]);
    assert_eq!(format!("{:?}", judge(&honest, 320)), format!("{:?}", judge(&disturbed, 320)));
}
