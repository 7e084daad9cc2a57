//! The check plan against fleets made by hand.

mod hand;

use hand::*;
use jiff::tz::TimeZone;
use metersift_model::records::{Check, CheckOutcome, CheckPosition};
use metersift_model::verdict::{Fact, FactKind};
use metersift_model::{ColumnData, Table};
use metersift_model::{Day, Hypothesis, Records, TimeUs, Verdict};
use metersift_rank::{CheckPlan, Crew, Hours, PlannedCheck, Settings, ToldCheck, check_plan};
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

fn plan_of(verdicts: &[Verdict], records: &Records, days: u32, per_day: Option<u32>) -> CheckPlan {
    let crew = Crew { days, per_day, ..Crew::default() };
    plan_with(verdicts, records, &crew, &Hours::unknown(TimeZone::UTC))
}

fn plan_with(verdicts: &[Verdict], records: &Records, crew: &Crew, hours: &Hours) -> CheckPlan {
    let lists = lists(verdicts, records, &[]);
    check_plan(verdicts, &lists, records, &Settings::default(), crew, hours, &BTreeMap::new())
}

/// Eight weeks of hours: `good` says for which meter, UTC weekday (0 = Monday) and hour.
fn hours(names: &[&str], good: impl Fn(&str, i8, i8) -> bool) -> Hours {
    let (mut meters, mut times, mut minutes) = (Vec::new(), Vec::new(), Vec::new());
    for name in names {
        for n in 0..56 * 24_i64 {
            let time = TimeUs(tonight().plus(-56).start().0 + n * 3_600_000_000);
            let weekday = time.day().civil().weekday().to_monday_zero_offset();
            meters.push(Some((*name).to_string()));
            times.push(Some(time));
            minutes.push(if good(name, weekday, (n % 24) as i8) { 60.0 } else { 5.0 });
        }
    }
    let n = times.len();
    let mut table = Table::default();
    table.push("meter", "", ColumnData::Text(meters));
    table.push("hour", "", ColumnData::Time(times));
    table.push("steady_min", "min", ColumnData::Number(minutes.clone()));
    table.push("single_phase_min", "min", ColumnData::Number(minutes));
    table.push("gas_min", "min", ColumnData::Number(vec![f64::NAN; n]));
    Hours::from_table(&table, TimeZone::UTC, tonight(), 8).expect("hours")
}

fn check(days_ago: i32, outcome: CheckOutcome) -> Check {
    Check {
        time: TimeUs(tonight().plus(-days_ago).start().0 + 3_600_000_000),
        outcome,
        quantity: String::new(),
        position: CheckPosition::Whole,
        value_pct: None,
        trigger: "schedule".into(),
    }
}

/// A fleet of quiet meters on three streams, `asked` of which have an interval that ran out.
fn fleet(n: usize, asked: usize) -> (Vec<Verdict>, Records) {
    let names: Vec<String> = (0..n).map(|i| format!("FT-{i:03}")).collect();
    let mut records = records(&names.iter().map(String::as_str).collect::<Vec<_>>());
    let mut verdicts = Vec::new();
    for (i, name) in names.iter().enumerate() {
        let stream = format!("stream-{}", i % 3);
        let meter = records.meters.get_mut(name).expect("registered");
        meter.stream.clone_from(&stream);
        if i < asked {
            meter.check_interval_days = Some(91.0);
            let done = check(92 + i as i32, CheckOutcome::Pass);
            records.checks.insert(name.clone(), vec![done]);
        }
        verdicts.push(Verdict { stream, ..verdict(name, Hypothesis::Coating, 0.02) });
    }
    (verdicts, records)
}

fn by_name<'a>(plan: &'a CheckPlan, name: &str) -> &'a PlannedCheck {
    let mut all = plan.checks.iter().chain(&plan.beyond);
    all.find(|check| check.meter == name).expect("planned")
}

fn is_planned(plan: &CheckPlan, name: &str) -> bool {
    plan.checks.iter().chain(&plan.beyond).any(|check| check.meter == name && !check.drawn)
}

#[test]
fn no_day_has_more_checks_than_the_capacity_and_what_does_not_fit_is_named() {
    let (verdicts, records) = fleet(40, 25);
    let plan = plan_of(&verdicts, &records, 7, Some(3));
    let mut per_day: BTreeMap<Day, usize> = BTreeMap::new();
    for check in &plan.checks {
        *per_day.entry(check.day.expect("a day")).or_default() += 1;
    }
    assert!(per_day.values().all(|n| *n <= 3), "{per_day:?}");
    assert!(per_day.keys().all(|day| *day >= tonight() && *day < tonight().plus(7)));
    // 21 slots, two of them draws: 19 of 25 fit.
    assert_eq!(plan.checks.iter().filter(|check| !check.drawn).count(), 19);
    assert_eq!(plan.beyond.len(), 6);
    assert!(plan.beyond.iter().all(|check| check.day.is_none()));
    let named: BTreeSet<&str> = plan
        .checks
        .iter()
        .chain(&plan.beyond)
        .filter(|check| !check.drawn)
        .map(|check| check.meter.as_str())
        .collect();
    assert_eq!(named.len(), 25, "nothing is dropped and nothing twice");
}

#[test]
fn without_a_capacity_everything_fits() {
    let (verdicts, records) = fleet(60, 55);
    let plan = plan_of(&verdicts, &records, 28, None);
    assert!(plan.beyond.is_empty(), "{:?}", plan.beyond);
    assert_eq!(plan.checks.iter().filter(|check| !check.drawn).count(), 55);
}

#[test]
fn one_slot_in_ten_goes_to_a_meter_without_an_entry() {
    let (verdicts, records) = fleet(60, 20);
    let plan = plan_of(&verdicts, &records, 10, Some(4));
    let drawn: Vec<&PlannedCheck> = plan.checks.iter().filter(|check| check.drawn).collect();
    assert_eq!(drawn.len(), 4);
    for check in &drawn {
        assert!(!is_planned(&plan, &check.meter), "{} is asked for already", check.meter);
        assert!(check.why.contains("drawn at random"), "{}", check.why);
    }
    let fewer = plan_of(&verdicts[..21], &records, 10, Some(4));
    assert_eq!(fewer.checks.iter().filter(|check| check.drawn).count(), 1, "one quiet meter");
}

#[test]
fn a_meter_checked_of_late_is_not_drawn() {
    let (verdicts, mut records) = fleet(12, 0);
    for verdict in &verdicts[1..] {
        records.checks.insert(verdict.meter.clone(), vec![check(20, CheckOutcome::Pass)]);
    }
    let plan = plan_of(&verdicts, &records, 28, Some(1));
    let drawn: Vec<&str> = plan.checks.iter().map(|check| check.meter.as_str()).collect();
    assert_eq!(drawn, ["FT-000"], "the only one that nobody looked at");
}

#[test]
fn a_risk_is_told_with_its_chance_and_its_likeliest_cause() {
    let records = records(&["FT-1"]);
    let plan = plan_of(&[verdict("FT-1", Hypothesis::Erosion, 0.4)], &records, 5, None);
    assert_eq!(
        by_name(&plan, "FT-1").why,
        "check now, rank 1: 40 % chance of something that a check can see, erosion 40 %"
    );
}

#[test]
fn the_dearest_check_comes_first_and_among_equals_the_longest_overdue() {
    let (mut verdicts, records) = fleet(9, 9);
    // Nine meters of one price on three streams: FT-008 is overdue longest.
    let plan = plan_of(&verdicts, &records, 9, Some(1));
    assert_eq!(plan.checks[0].meter, "FT-008");
    assert_eq!(by_name(&plan, "FT-000").day, Some(tonight().plus(8)));
    verdicts[0] =
        Verdict { stream: "stream-0".into(), ..verdict("FT-000", Hypothesis::Erosion, 0.4) };
    let plan = plan_of(&verdicts, &records, 9, Some(1));
    assert_eq!(plan.checks[0].meter, "FT-000");
}

#[test]
fn meters_of_one_stream_are_spread_over_days() {
    let (verdicts, records) = fleet(9, 9);
    let plan = plan_of(&verdicts, &records, 28, Some(3));
    for day in 0..3 {
        let streams: BTreeSet<&str> = plan
            .checks
            .iter()
            .filter(|check| check.day == Some(tonight().plus(day)))
            .map(|check| check.stream.as_str())
            .collect();
        assert_eq!(streams.len(), 3, "day {day}: {:?}", plan.checks);
    }
}

#[test]
fn an_interval_counts_from_the_last_completed_check() {
    let mut records = records(&["FT-A", "FT-B", "FT-C", "FT-D"]);
    for name in ["FT-A", "FT-B", "FT-C", "FT-D"] {
        records.meters.get_mut(name).expect("registered").check_interval_days = Some(91.0);
    }
    records.meters.get_mut("FT-D").expect("registered").installed = Some(tonight().plus(-10));
    let pass = CheckOutcome::Pass;
    records.checks.insert("FT-A".into(), vec![check(70, pass)]);
    // Aborted: the tube was not measured. After tonight: not known yet.
    records.checks.insert("FT-B".into(), vec![check(70, pass), check(3, CheckOutcome::Aborted)]);
    records.checks.insert("FT-C".into(), vec![check(30, pass), check(-1, pass)]);
    let verdicts: Vec<Verdict> = ["FT-A", "FT-B", "FT-C", "FT-D"]
        .map(|name| verdict(name, Hypothesis::Coating, 0.01))
        .to_vec();
    let plan = plan_of(&verdicts, &records, 28, Some(1));
    for name in ["FT-A", "FT-B"] {
        let planned = by_name(&plan, name);
        assert_eq!(planned.due, Some(tonight().plus(21)));
        assert_eq!(planned.last_checked, Some(tonight().plus(-70)));
        assert!(planned.why.contains("91 days runs out on 2026-04-04"), "{}", planned.why);
    }
    assert!(!is_planned(&plan, "FT-C"), "its interval runs out after the span");
    assert!(!is_planned(&plan, "FT-D"), "installed ten days ago, never checked");
}

#[test]
fn a_listed_meter_that_a_check_would_settle_is_planned() {
    let records = records(&["FT-1", "FT-2"]);
    let settled = Verdict {
        next_test: "an in-situ check in full, steady, single-phase flow (would part ...)".into(),
        ..verdict("FT-1", Hypothesis::Coating, 0.95)
    };
    let flushed = Verdict {
        next_test: "the density in a reference flush (would part ...)".into(),
        ..verdict("FT-2", Hypothesis::Coating, 0.95)
    };
    let plan = plan_of(&[settled, flushed], &records, 5, Some(2));
    assert!(by_name(&plan, "FT-1").why.contains("a check would settle coating 95 % (clean"));
    assert!(!is_planned(&plan, "FT-2"));
}

#[test]
fn an_overdue_meter_is_told_once_and_its_cautions_travel_along() {
    let mut records = records(&["FT-1"]);
    let meter = records.meters.get_mut("FT-1").expect("registered");
    (meter.custody, meter.safety_function) = (true, true);
    meter.check_interval_days = Some(91.0);
    records.checks.insert("FT-1".into(), vec![check(100, CheckOutcome::Pass)]);
    let mut overdue = verdict("FT-1", Hypothesis::Coating, 0.01);
    let since = Some(tonight().plus(-9));
    overdue.facts = vec![Fact { since, ..fact(FactKind::CheckOverdue, 100.0, 91.0) }];
    let plan = plan_of(&[overdue], &records, 28, None);
    let planned = by_name(&plan, "FT-1");
    assert_eq!(
        planned.why,
        "check now, rank 1: its check interval of 91 days ran out on 2026-03-05"
    );
    assert_eq!(planned.cautions.len(), 2);
    assert!(planned.cautions[0].starts_with("Custody") && planned.cautions[1].contains("safety"));
    assert_eq!(planned.day, Some(tonight()));
}

#[test]
fn a_meter_that_the_team_accepted_is_neither_asked_for_nor_drawn() {
    let mut records = records(&["FT-1"]);
    records.decisions.push(accepted("FT-1", 1, 20));
    let settled = Verdict {
        next_test: "an in-situ check".into(),
        ..verdict("FT-1", Hypothesis::Coating, 0.95)
    };
    let plan = plan_of(&[settled], &records, 28, None);
    assert!(plan.checks.is_empty() && plan.beyond.is_empty(), "{plan:?}");
}

#[test]
fn a_check_goes_to_a_day_and_hour_in_which_its_meter_usually_runs() {
    let (verdicts, records) = fleet(3, 2);
    // FT-000 runs on Tuesdays from ten to noon, FT-001 never: 2026-03-14 is a Saturday.
    let hours = hours(&["FT-000", "FT-001"], |name, weekday, hour| {
        name == "FT-000" && weekday == 1 && (10..12).contains(&hour)
    });
    let crew = Crew { days: 14, per_day: Some(2), ..Crew::default() };
    let plan = plan_with(&verdicts, &records, &crew, &hours);
    let runs = by_name(&plan, "FT-000");
    let hour = runs.hour.expect("an hour");
    assert_eq!(hour.start.to_string(), "2026-03-17T10:00:00Z");
    assert_eq!(
        (hour.end.0 - hour.start.0, hour.share.good, hour.share.seen),
        (3_600_000_000, 8, 8)
    );
    assert_eq!(runs.day, Some(tonight().plus(3)));
    assert!(runs.hour_note.starts_with("8 of the last 8 such hours"), "{}", runs.hour_note);
    let stands = by_name(&plan, "FT-001");
    assert_eq!((stands.hour, stands.day), (None, Some(tonight())), "a day all the same");
    assert!(stands.hour_note.starts_with("no good hour known: at best"), "{}", stands.hour_note);
    assert!(stands.hour_note.ends_with("0 of 8"), "{}", stands.hour_note);
    let unseen = plan.checks.iter().find(|check| check.meter == "FT-002").expect("the draw");
    assert_eq!(unseen.hour_note, "no good hour known: no hours on record");
}

#[test]
fn checks_of_one_day_take_different_hours_while_there_are_any() {
    let (verdicts, records) = fleet(3, 3);
    let names = ["FT-000", "FT-001", "FT-002"];
    let hours = hours(&names, |_, _, hour| hour == 8 || hour == 9);
    let crew = Crew { days: 1, per_day: Some(3), ..Crew::default() };
    let plan = plan_with(&verdicts, &records, &crew, &hours);
    let taken: Vec<u8> = plan.checks.iter().filter_map(|c| Some(c.hour?.hour)).collect();
    assert_eq!(taken, [8, 9, 8]);
}

#[test]
fn nobody_is_sent_on_a_day_off() {
    let (verdicts, records) = fleet(12, 10);
    let crew: Crew =
        toml::from_str("days = 9\nper_day = 1\nweekdays = [\"mon\", \"wed\"]").expect("a crew");
    let plan = plan_with(&verdicts, &records, &crew, &Hours::unknown(TimeZone::UTC));
    let days: Vec<String> = plan.checks.iter().filter_map(|c| Some(c.day?.to_string())).collect();
    assert_eq!(days, ["2026-03-16", "2026-03-18"]);
    assert_eq!(plan.beyond.len(), 8);
}

proptest! {
    #[test]
    fn shuffling_the_input_changes_nothing(seed in any::<u64>(), asked in 0usize..30, per_day in 1u32..6) {
        let (mut verdicts, records) = fleet(30, asked);
        verdicts[3] = Verdict { stream: "stream-0".into(), ..verdict("FT-003", Hypothesis::Erosion, 0.4) };
        let lists = lists(&verdicts, &records, &[]);
        let crew = Crew { days: 9, per_day: Some(per_day), ..Crew::default() };
        let hours = hours(&["FT-003", "FT-004"], |name, weekday, hour| {
            (weekday + hour) % 3 == 0 || name.ends_with('4')
        });
        let plan = check_plan(&verdicts, &lists, &records, &Settings::default(), &crew, &hours, &BTreeMap::new());
        let mut shuffled = lists.clone();
        let key = |n: usize| (n as u64 + 1).wrapping_mul(seed | 1).rotate_left(17);
        let mut at = 0;
        verdicts.sort_by_cached_key(|_| { at += 1; key(at) });
        shuffled.entries.sort_by_cached_key(|_| { at += 1; key(at) });
        let again = check_plan(&verdicts, &shuffled, &records, &Settings::default(), &crew, &hours, &BTreeMap::new());
        prop_assert_eq!(format!("{plan:?}"), format!("{again:?}"));
    }

    #[test]
    fn the_capacity_holds_and_every_candidate_appears_once(
        n in 0usize..40, asked in 0usize..40, days in 1u32..12, per_day in 1u32..6,
    ) {
        let (verdicts, records) = fleet(n, asked.min(n));
        let plan = plan_of(&verdicts, &records, days, Some(per_day));
        let mut taken: BTreeMap<Day, u32> = BTreeMap::new();
        let mut names = BTreeSet::new();
        for check in plan.checks.iter().chain(&plan.beyond) {
            prop_assert!(names.insert(check.meter.clone()), "{} twice", check.meter);
            if let Some(day) = check.day {
                *taken.entry(day).or_default() += 1;
            }
        }
        prop_assert!(taken.values().all(|count| *count <= per_day));
        let candidates = plan.checks.iter().filter(|check| !check.drawn).count() + plan.beyond.len();
        prop_assert_eq!(candidates, asked.min(n));
        let full = taken.values().sum::<u32>() == days * per_day;
        prop_assert!(plan.beyond.is_empty() || full, "beyond the span with room left");
    }
}

/// What a plan tells, as the next one gets it.
fn told(plan: &CheckPlan) -> BTreeMap<String, ToldCheck> {
    let checks = plan.checks.iter().map(|check| {
        let start = check.hour.map(|hour| hour.start);
        let day = check.day.expect("a planned check has a day");
        (check.meter.clone(), ToldCheck { day, start, drawn: check.drawn })
    });
    checks.collect()
}

#[test]
fn the_next_plan_keeps_what_was_told_and_what_is_past_gets_another_day() {
    let (verdicts, records) = fleet(60, 25);
    let names: Vec<&str> = verdicts.iter().map(|verdict| verdict.meter.as_str()).collect();
    let hours = hours(&names, |_, _, hour| (8..12).contains(&hour));
    let crew = Crew { days: 14, per_day: Some(4), ..Crew::default() };
    let plan_after = |told: &BTreeMap<String, ToldCheck>| {
        let lists = lists(&verdicts, &records, &[]);
        check_plan(&verdicts, &lists, &records, &Settings::default(), &crew, &hours, told)
    };
    let fresh = plan_after(&BTreeMap::new());
    assert!(fresh.checks.iter().filter(|check| check.drawn).count() >= 3);

    // As a plan of three days ago would have told it: each check three days earlier.
    let mut earlier = told(&fresh);
    for check in earlier.values_mut() {
        check.day = check.day.plus(-3);
        check.start = check.start.map(|start| TimeUs(start.0 - 3 * 24 * 3_600_000_000));
    }
    let next = plan_after(&earlier);
    assert_eq!(next.checks.len() + next.beyond.len(), fresh.checks.len() + fresh.beyond.len());
    let mut per_day = BTreeMap::new();
    next.checks.iter().for_each(|check| *per_day.entry(check.day).or_insert(0) += 1);
    let mut kept = 0;
    for check in &next.checks {
        let Some(before) = earlier.get(&check.meter) else { continue };
        assert!(check.day >= Some(tonight()), "{}", check.meter);
        if !crew.works_on(before.day) || before.day < tonight() {
            continue;
        }
        if check.day == Some(before.day) {
            assert_eq!(check.hour.map(|hour| hour.start), before.start, "{}", check.meter);
            assert_eq!(check.drawn, before.drawn, "{}", check.meter);
            kept += 1;
        } else {
            // Only one whose day a dearer meter filled is moved.
            assert_eq!(per_day[&Some(before.day)], 4, "{} was moved for nothing", check.meter);
            assert!(!before.drawn, "{} was drawn and moved", check.meter);
        }
    }
    assert!(kept > 10, "only {kept} were kept");
    assert!(per_day.values().all(|n| *n <= 4), "{per_day:?}");
    // A share that is not known equals nothing, so what was told is compared.
    assert_eq!(told(&plan_after(&told(&next))), told(&next), "a plan keeps to itself");
}

#[test]
fn a_smaller_crew_is_not_overbooked_by_what_was_told() {
    let (verdicts, records) = fleet(60, 25);
    let fresh = plan_of(&verdicts, &records, 14, Some(4));
    let crew = Crew { days: 14, per_day: Some(1), ..Crew::default() };
    let lists = lists(&verdicts, &records, &[]);
    let unknown = Hours::unknown(TimeZone::UTC);
    let settings = Settings::default();
    let next = check_plan(&verdicts, &lists, &records, &settings, &crew, &unknown, &told(&fresh));
    let mut per_day = BTreeMap::new();
    next.checks.iter().for_each(|check| *per_day.entry(check.day).or_insert(0) += 1);
    assert!(per_day.values().all(|n| *n == 1), "{per_day:?}");
}
