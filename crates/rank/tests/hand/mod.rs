//! Verdicts, meters and earlier nights made by hand.
#![allow(dead_code, reason = "each test file uses its own part")]

use metersift_model::records::{Decision, DecisionKind, Meter};
use metersift_model::verdict::{Calibrated, ModeOutlook};
use metersift_model::verdict::{Fact, FactKind, Interval, JudgedState, Severity};
use metersift_model::watch_list::WatchLists;
use metersift_model::{Day, Hypothesis, ListKind, Records, Table, Verdict, WatchListEntry};
use metersift_rank::{PastEntry, Settings, verdicts_table, watch_lists};

/// The as-of date of every test.
pub fn tonight() -> Day {
    Day::parse("2026-03-14").expect("a day")
}

pub fn meter(name: &str) -> Meter {
    Meter {
        meter: name.into(),
        service: "glucose syrup".into(),
        stream: "syrup-3".into(),
        max_flow_kg_h: 50_000.0,
        zero_stability_kg_h: 2.5,
        base_accuracy_pct: 0.1,
        criticality: 3,
        ..Meter::default()
    }
}

pub fn records(names: &[&str]) -> Records {
    let mut records = Records::default();
    for name in names {
        records.meters.insert((*name).into(), meter(name));
    }
    records
}

/// A judged meter whose probability is `p` for `mode` and the rest for no change.
pub fn verdict(name: &str, mode: Hypothesis, p: f64) -> Verdict {
    let mut probabilities = [0.0; 10];
    probabilities[Hypothesis::NoChange.index()] = 1.0 - p;
    probabilities[mode.index()] += p;
    Verdict {
        as_of: tonight(),
        meter: name.into(),
        service: "glucose syrup".into(),
        stream: "syrup-3".into(),
        state: JudgedState::Judged,
        mode,
        probability: p,
        probabilities,
        fault_score: (p / (1.0 - p)).ln(),
        raw_fault_score: f64::NAN,
        calibrated: Calibrated::Simulated,
        decoy_score: f64::NAN,
        severity: Some(Severity { size: interval(3.0, 2.0, 4.0), unit: "%".into() }),
        days_left: None,
        limit: None,
        tolerable_error_pct: 0.5,
        error_now_pct: Some(0.5),
        error_rate_pct_d: None,
        by_mode: vec![ModeOutlook {
            mode,
            error_now_pct: Some(0.5),
            error_rate_pct_d: None,
            days_left: None,
        }],
        group: None,
        exceeds_group: false,
        blind_spots: Vec::new(),
        evidence: Vec::new(),
        facts: Vec::new(),
        next_test: String::new(),
        reason: String::new(),
        usual_flow_kg_h: Some(20_000.0),
    }
}

pub fn unjudged(name: &str, reason: &str) -> Verdict {
    Verdict {
        state: JudgedState::NotJudged,
        probability: f64::NAN,
        probabilities: [f64::NAN; 10],
        fault_score: f64::NAN,
        severity: None,
        reason: reason.into(),
        ..verdict(name, Hypothesis::Unknown, 0.0)
    }
}

pub fn interval(mid: f64, low: f64, high: f64) -> Interval {
    Interval { mid, low, high }
}

pub fn fact(kind: FactKind, value: f64, limit: f64) -> Fact {
    Fact { kind, value, limit, unit: "%".into(), since: None, text: String::new() }
}

pub fn accepted(name: &str, days_ago: i32, until_in_days: i32) -> Decision {
    Decision {
        meter: name.into(),
        day: tonight().plus(-days_ago),
        mode: None,
        decision: DecisionKind::Accepted,
        until: Some(tonight().plus(until_in_days)),
        who: "shift 2".into(),
        why: "spare ordered".into(),
    }
}

/// One earlier night of one meter.
pub fn past(
    name: &str,
    days_ago: i32,
    list: Option<ListKind>,
    mode: Hypothesis,
    p: f64,
) -> PastEntry {
    let now = verdict(name, mode, p);
    PastEntry {
        as_of: tonight().plus(-days_ago),
        meter: name.into(),
        state: JudgedState::Judged,
        list,
        mode,
        probabilities: now.probabilities,
        severity: now.severity.map(|severity| severity.size),
        days_left: None,
    }
}

/// The lists of tonight with default settings.
pub fn lists(verdicts: &[Verdict], records: &Records, previous: &[PastEntry]) -> WatchLists {
    watch_lists(verdicts, records, previous, tonight(), &Settings::default())
}

/// Names on a list in rank order.
pub fn names(lists: &WatchLists, list: ListKind) -> Vec<&str> {
    lists.of(list).map(|entry| entry.meter.as_str()).collect()
}

pub fn entry<'a>(lists: &'a WatchLists, name: &str) -> &'a WatchListEntry {
    lists.entries.iter().find(|entry| entry.meter == name).expect("an entry")
}

pub fn table(verdicts: &[Verdict], lists: &WatchLists) -> Table {
    verdicts_table(verdicts, lists)
}
