//! No back-test sees the future: everything from the as-of date on is turned upside down, in the
//! daily table and in the records, and not a byte of that date's verdict changes.

use crate::straightway::daily_table;
use metersift_backtest::{Night, Seen, Span};
use metersift_faults::Fleet;
use metersift_model::records::*;
use metersift_model::{ColumnData, Day, Hypothesis, Records, Table};

const AS_OF_AFTER_DAYS: i32 = 150;

struct Site {
    as_of: Day,
    daily: Table,
    records: Records,
}

fn site() -> Site {
    let dir = tempfile::tempdir().expect("a folder");
    let plan = metersift_sim::Plan::larkmoor(30, 200, 21);
    let fiction = metersift_sim::Fiction::new(&plan).expect("a site");
    fiction.write_records(dir.path()).expect("records are written");
    let (records, _) =
        metersift_import::read_records(dir.path(), &Default::default()).expect("records");
    let daily = daily_table(&fiction, &plan, &records);
    Site { as_of: plan.start.plus(AS_OF_AFTER_DAYS), daily, records }
}

fn nights(site: &Site) -> Vec<Night> {
    let fleet = Fleet::new(&site.daily, &site.records, &Default::default()).expect("a fleet");
    let seen = Seen::new(fleet, &site.daily, &site.records);
    let span = Span { from: site.as_of.plus(-28), to: site.as_of, every_days: 14 };
    metersift_backtest::replay(&mut |_| Ok(seen.clone()), &site.records, &Default::default(), span)
        .expect("nights")
}

/// The verdict of the last night as the bytes of its file, and what else a back-test scores.
fn bytes(nights: &[Night]) -> (Vec<u8>, String) {
    let last = nights.last().expect("a night");
    let verdicts = metersift_store::table_to_bytes(&last.verdicts, &Default::default());
    (verdicts.expect("bytes"), format!("{:?} {:?}", last.meters, last.groups))
}

/// Every number of the days from `from` on becomes another; some rows lose their numbers.
fn upset_table(daily: &mut Table, from: Day) -> usize {
    let days: Vec<Option<Day>> = daily.days("day").expect("days").to_vec();
    let later: Vec<usize> =
        (0..days.len()).filter(|&row| days[row].is_some_and(|day| day >= from)).collect();
    for column in &mut daily.columns {
        for &row in &later {
            match &mut column.data {
                ColumnData::Number(v) if row % 5 == 0 => v[row] = f64::NAN,
                ColumnData::Number(v) => v[row] = -3.0 * v[row] + row as f64 + 7.0,
                ColumnData::Count(v) => v[row] = v[row].map(|n| 2 * n + 1),
                ColumnData::Flag(v) => v[row] = v[row].map(|flag| !flag),
                _ => {}
            }
        }
    }
    later.len()
}

/// What is turned upside down.
const PARTS: [&str; 8] =
    ["table", "checks", "zeros", "alerts", "changes", "findings", "decisions", "all"];

/// Every record of a part from `from` on becomes another, and new ones come in.
fn upset_records(records: &mut Records, from: Day, part: &str) {
    let start = from.start();
    let concerned = |name: &str| part == name || part == "all";
    let meters: Vec<String> = records.meters.keys().cloned().collect();
    for (i, meter) in meters.into_iter().enumerate() {
        if concerned("checks") {
            let checks = records.checks.entry(meter.clone()).or_default();
            for check in checks.iter_mut().filter(|check| check.time >= start) {
                check.value_pct = Some(-9.0);
                check.outcome = CheckOutcome::Fail;
            }
            checks.push(Check {
                time: start,
                outcome: CheckOutcome::Fail,
                quantity: "stiffness".into(),
                position: CheckPosition::Whole,
                value_pct: Some(-30.0),
                trigger: "manual".into(),
            });
        }
        if concerned("zeros") {
            let zeros = records.zeros.entry(meter.clone()).or_default();
            zeros.retain(|zero| zero.time < start);
            zeros.push(ZeroRecord { time: start, zero_kg_h: 1e6, state: ZeroState::AsFound });
        }
        if concerned("alerts") {
            let alerts = records.alerts.entry(meter.clone()).or_default();
            alerts.retain(|alert| alert.time < start);
        }
        if concerned("changes") {
            let items = ["swapped", "cleaned", "recalibrated", "damping_s", "installed"];
            records.changes.entry(meter.clone()).or_default().push(Change {
                time: start,
                item: items[i % items.len()].into(),
                before: "1".into(),
                after: "2".into(),
            });
        }
        if concerned("findings") {
            records.findings.entry(meter.clone()).or_default().push(Finding {
                day: from,
                mode: (i % 2 == 0).then_some(Hypothesis::Erosion),
                severity: "1 %".into(),
                note: String::new(),
            });
        }
        if concerned("decisions") {
            // What the team writes on the morning itself counts: it answers the list of that day.
            records.decisions.push(Decision {
                meter,
                day: from.plus(1),
                mode: None,
                decision: [DecisionKind::Accepted, DecisionKind::FoundGood][i % 2],
                until: Some(from.plus(60)),
                who: "R. Tarn".into(),
                why: "later".into(),
            });
        }
    }
}

#[test]
fn upsetting_everything_from_the_as_of_date_on_changes_no_byte_of_its_verdict() {
    let site = site();
    let before = bytes(&nights(&site));
    let mut seen = Vec::new();
    for part in PARTS {
        let mut upset =
            Site { as_of: site.as_of, daily: site.daily.clone(), records: site.records.clone() };
        if part == "table" || part == "all" {
            let n = upset_table(&mut upset.daily, site.as_of);
            assert!(n > 1000, "{n} meter-days lie after the date");
        }
        upset_records(&mut upset.records, site.as_of, part);
        let after = bytes(&nights(&upset));
        if before.0 != after.0 || before.1 != after.1 {
            seen.push(part);
        }
    }
    assert!(seen.is_empty(), "the verdict depends on later {seen:?}");

    // The same upset a day earlier is seen: the test could fail.
    let mut earlier = site;
    upset_table(&mut earlier.daily, earlier.as_of.plus(-1));
    assert!(before.0 != bytes(&nights(&earlier)).0, "the last day looked at");
}
