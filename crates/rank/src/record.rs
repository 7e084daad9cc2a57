//! The lists' own record: how many entries came up, how many were opened, how many of those
//! were false.
//!
//! Only what was opened or tested counts: an entry that nobody looked at is neither right nor
//! wrong. A night's list is not a new entry; an entry lasts from the night it comes up to the
//! night it leaves.
//! Source: Wilson's interval for a proportion (Newcombe 1998, Stat. Med. 17, 857), from `stats`.

use crate::past::{History, PastEntry};
use metersift_model::records::DecisionKind;
use metersift_model::watch_list::TrackRecord;
use metersift_model::{Day, ListKind, Records};
use metersift_stats::wilson_interval;

/// Two-sided confidence of the interval.
const CONFIDENCE: f64 = 0.95;

/// The record of the last `days` before the as-of date.
pub fn track_record(
    previous: &[PastEntry],
    records: &Records,
    as_of: Day,
    days: u32,
) -> TrackRecord {
    let history = History::new(previous, as_of);
    let oldest = as_of.plus(-i32::try_from(days).unwrap_or(i32::MAX));
    let mut record = TrackRecord { days, ..TrackRecord::default() };
    for (meter, nights) in history.all() {
        for first in entries_of(nights).filter(|day| *day >= oldest) {
            record.entries += 1;
            if let Some(good) = found_good(records, meter, first, as_of) {
                record.settled += 1;
                record.false_entries += u32::from(good);
            }
        }
    }
    if record.settled > 0 {
        let (k, n) = (u64::from(record.false_entries), u64::from(record.settled));
        let share = wilson_interval(k, n, CONFIDENCE);
        record.false_share = Some((share.low, share.high));
    }
    record
}

/// First nights of the entries of one meter.
fn entries_of<'a>(nights: &'a [&'a PastEntry]) -> impl Iterator<Item = Day> + 'a {
    let mut before: Option<ListKind> = None;
    nights.iter().filter_map(move |night| {
        let comes_up = night.list.is_some() && night.list != before;
        before = night.list;
        comes_up.then_some(night.as_of)
    })
}

/// What the first look after `since` found: `Some(true)` = nothing wrong, `None` = nobody looked.
fn found_good(records: &Records, meter: &str, since: Day, as_of: Day) -> Option<bool> {
    let findings = records.findings.get(meter).into_iter().flatten();
    let of_findings = findings.map(|finding| (finding.day, finding.mode.is_none()));
    let of_decisions =
        records.decisions.iter().filter(|d| d.meter == meter).filter_map(|d| match d.decision {
            DecisionKind::Found => Some((d.day, false)),
            DecisionKind::FoundGood => Some((d.day, true)),
            DecisionKind::Accepted | DecisionKind::NotOpened => None,
        });
    // On one day, a fault found outweighs a part found good.
    of_findings
        .chain(of_decisions)
        .filter(|(day, _)| *day >= since && *day <= as_of)
        .min()
        .map(|(_, good)| good)
}
