//! What changed since the last list, and why: new samples, late samples, corrected samples, dumps
//! taken again or withdrawn, a changed setting or record, a changed program. Different words,
//! because each asks something else of the reader.
//!
//! In:     the [`Basis`] of the last night and of tonight, and what arrived in between.
//! Out:    [`Since`], and its sentences.
//! Ranks:  an entry whose own evidence is the same and whose place moved is named as such: it
//!         moved because others came or left.
//! Pure:   the basis holds no clock, so the same night has the same basis on any machine.

use crate::past::PastEntry;
use metersift_model::watch_list::EntryChange;
use metersift_model::{Day, WatchLists};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// Names told in one sentence; the rest is counted.
const NAMED: usize = 5;

/// What a night stood on: kept beside its results for the next night to compare.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Basis {
    /// Program and version.
    pub program: String,
    /// Section of the site file -> hash of its settings.
    pub settings: BTreeMap<String, String>,
    /// Record file -> hash of what it says.
    pub records: BTreeMap<String, String>,
    /// Dumps with a smaller number were known.
    pub next_dump: u32,
    /// Dump number -> how often it had been taken again.
    pub again: BTreeMap<u32, u32>,
    /// Dumps that had been withdrawn.
    pub withdrawn: BTreeSet<u32>,
}

/// How a dump's readings came.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Arrival {
    /// For the first time.
    New,
    /// The same file once more.
    Again,
    /// They were taken out.
    Withdrawn,
}

/// One dump that came, came again or went since the last night.
#[derive(Clone, Debug, PartialEq)]
pub struct Arrived {
    /// Its name in the ledger.
    pub name: String,
    /// How.
    pub arrival: Arrival,
    /// Readings of days that the last night could not look at.
    pub new_rows: u64,
    /// Readings of days that it had looked at already.
    pub late_rows: u64,
    /// Readings that replaced another value.
    pub corrected_rows: u64,
    /// First and last of the days looked at already that changed.
    pub late_days: Option<(Day, Day)>,
}

/// An entry that moved without moving itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Pushed {
    /// Meter.
    pub meter: String,
    /// List.
    pub list: metersift_model::ListKind,
    /// Rank in the last night.
    pub from: u32,
    /// Rank tonight.
    pub to: u32,
}

/// Everything that is different from the last night.
#[derive(Clone, Debug, PartialEq)]
pub struct Since {
    /// First day that the last night did not look at.
    pub last_night: Day,
    /// Dumps.
    pub arrived: Vec<Arrived>,
    /// Sections of the site file whose settings changed.
    pub settings: Vec<String>,
    /// Record files that changed.
    pub records: Vec<String>,
    /// Program then and now, where it changed.
    pub program: Option<(String, String)>,
    /// Entries whose rank moved although their evidence did not.
    pub pushed: Vec<Pushed>,
}

impl Since {
    /// Compares two nights.
    pub fn new(
        last_night: Day,
        then: &Basis,
        now: &Basis,
        arrived: Vec<Arrived>,
        pushed: Vec<Pushed>,
    ) -> Since {
        let program =
            (then.program != now.program).then(|| (then.program.clone(), now.program.clone()));
        Since {
            last_night,
            arrived,
            settings: different(&then.settings, &now.settings),
            records: different(&then.records, &now.records),
            program,
            pushed,
        }
    }

    /// One sentence per kind of cause; one that says so where there is none.
    pub fn sentences(&self) -> Vec<String> {
        let mut out = Vec::new();
        let last = self.last_night;
        let new: Vec<&Arrived> = self.with(|a| a.arrival == Arrival::New && a.new_rows > 0);
        if !new.is_empty() {
            let rows: u64 = new.iter().map(|a| a.new_rows).sum();
            out.push(format!(
                "New samples: {} of {last} and later, from {}.",
                grouped(rows),
                dumps(&new)
            ));
        }
        let late = self.with(|a| a.arrival == Arrival::New && a.late_rows > 0);
        if !late.is_empty() {
            let rows: u64 = late.iter().map(|a| a.late_rows).sum();
            out.push(format!(
                "Late samples: {} of days before {last}{}, from {}; what looked at those days was \
                 computed again.",
                grouped(rows),
                span(&late),
                dumps(&late)
            ));
        }
        let corrected = self.with(|a| a.corrected_rows > 0);
        if !corrected.is_empty() {
            let rows: u64 = corrected.iter().map(|a| a.corrected_rows).sum();
            out.push(format!(
                "Corrected samples: {} readings have another value than before, by {}.",
                grouped(rows),
                dumps(&corrected)
            ));
        }
        let again = self.with(|a| a.arrival == Arrival::Again);
        if !again.is_empty() {
            out.push(format!("Imported again: {}{}.", dumps(&again), span(&again)));
        }
        let withdrawn = self.with(|a| a.arrival == Arrival::Withdrawn);
        if !withdrawn.is_empty() {
            out.push(format!("Withdrawn: {}{}.", dumps(&withdrawn), span(&withdrawn)));
        }
        if !self.settings.is_empty() {
            out.push(format!("Changed setting: {} of site.toml.", self.settings.join(", ")));
        }
        if !self.records.is_empty() {
            out.push(format!("Changed records: {}.", self.records.join(", ")));
        }
        if let Some((then, now)) = &self.program {
            out.push(format!("Changed program: {then} then, {now} now."));
        }
        if out.is_empty() {
            out.push(format!(
                "Nothing came and nothing was changed since the night of {last}: the same samples, \
                 records, settings and program."
            ));
        }
        out.extend(self.pushed_words());
        out
    }

    fn with(&self, wanted: impl Fn(&Arrived) -> bool) -> Vec<&Arrived> {
        self.arrived.iter().filter(|arrived| wanted(arrived)).collect()
    }

    fn pushed_words(&self) -> Option<String> {
        let moved: Vec<String> = self
            .pushed
            .iter()
            .take(NAMED)
            .map(|p| format!("{} ({}, {} to {})", p.meter, p.list.name(), p.from, p.to))
            .collect();
        let more = self.pushed.len().saturating_sub(NAMED);
        let rest = if more > 0 { format!(" and {more} more") } else { String::new() };
        (!moved.is_empty()).then(|| {
            format!("Moved in rank only because others came or left: {}{rest}.", moved.join(", "))
        })
    }
}

/// Entries that are the same as last night and stand elsewhere on the same list.
pub fn pushed(lists: &WatchLists, previous: &[PastEntry]) -> Vec<Pushed> {
    let earlier = previous.iter().filter(|night| night.as_of < lists.as_of);
    let Some(last_night) = earlier.map(|night| night.as_of).max() else { return Vec::new() };
    let ranks: BTreeMap<_, u32> = previous
        .iter()
        .filter(|night| night.as_of == last_night)
        .filter_map(|night| Some(((night.list?, night.meter.as_str()), night.rank?)))
        .collect();
    let moved = lists.entries.iter().filter_map(|entry| {
        let from = *ranks.get(&(entry.list, entry.meter.as_str()))?;
        let same = entry.change == EntryChange::Same && entry.rank > 0 && from > 0;
        (same && from != entry.rank).then(|| Pushed {
            meter: entry.meter.clone(),
            list: entry.list,
            from,
            to: entry.rank,
        })
    });
    moved.collect()
}

fn different(then: &BTreeMap<String, String>, now: &BTreeMap<String, String>) -> Vec<String> {
    let names: BTreeSet<&String> = then.keys().chain(now.keys()).collect();
    names.into_iter().filter(|name| then.get(*name) != now.get(*name)).cloned().collect()
}

fn dumps(arrived: &[&Arrived]) -> String {
    let named: Vec<&str> = arrived.iter().take(NAMED).map(|a| a.name.as_str()).collect();
    match arrived.len().saturating_sub(NAMED) {
        0 => named.join(", "),
        more => format!("{} and {more} more dumps", named.join(", ")),
    }
}

fn span(arrived: &[&Arrived]) -> String {
    let first = arrived.iter().filter_map(|a| Some(a.late_days?.0)).min();
    let last = arrived.iter().filter_map(|a| Some(a.late_days?.1)).max();
    match first.zip(last) {
        Some((first, last)) if first == last => format!(" ({first})"),
        Some((first, last)) => format!(" ({first} to {last})"),
        None => String::new(),
    }
}

/// `1234567` as `1,234,567`.
fn grouped(count: u64) -> String {
    let digits = count.to_string();
    let mut out = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> Day {
        Day::parse(text).expect("a day")
    }

    fn basis() -> Basis {
        let map = |pairs: &[(&str, &str)]| {
            pairs.iter().map(|(a, b)| ((*a).to_string(), (*b).to_string())).collect()
        };
        Basis {
            program: "metersift 0.1.0".into(),
            settings: map(&[("[faults]", "a"), ("[rank]", "b")]),
            records: map(&[("checks.csv", "c")]),
            next_dump: 4,
            ..Basis::default()
        }
    }

    fn arrived(name: &str, arrival: Arrival, new: u64, late: u64, corrected: u64) -> Arrived {
        let late_days = (late + corrected > 0).then(|| (day("2026-03-02"), day("2026-03-03")));
        Arrived {
            name: name.into(),
            arrival,
            new_rows: new,
            late_rows: late,
            corrected_rows: corrected,
            late_days,
        }
    }

    fn since(now: &Basis, arrived: Vec<Arrived>) -> Vec<String> {
        Since::new(day("2026-03-13"), &basis(), now, arrived, Vec::new()).sentences()
    }

    #[test]
    fn each_cause_has_its_own_words() {
        let mut now = basis();
        assert_eq!(since(&now, Vec::new()).len(), 1);
        assert!(since(&now, Vec::new())[0].starts_with("Nothing came"));
        let new = since(&now, vec![arrived("a.csv", Arrival::New, 1440, 0, 0)]);
        assert_eq!(new, ["New samples: 1,440 of 2026-03-13 and later, from a.csv."]);
        let both = since(&now, vec![arrived("b.csv", Arrival::New, 10, 20, 3)]);
        assert_eq!(both.len(), 3, "{both:?}");
        assert!(both[1].starts_with(
            "Late samples: 20 of days before 2026-03-13 (2026-03-02 to 2026-03-03), from b.csv"
        ));
        assert!(both[2].starts_with("Corrected samples: 3 readings"), "{both:?}");
        let again = since(&now, vec![arrived("c.csv", Arrival::Again, 0, 5, 0)]);
        assert_eq!(again, ["Imported again: c.csv (2026-03-02 to 2026-03-03)."]);
        now.settings.insert("[rank]".into(), "other".into());
        now.records.insert("zeros.csv".into(), "new".into());
        now.program = "metersift 0.2.0".into();
        let changed = since(&now, Vec::new());
        assert_eq!(
            changed,
            [
                "Changed setting: [rank] of site.toml.",
                "Changed records: zeros.csv.",
                "Changed program: metersift 0.1.0 then, metersift 0.2.0 now."
            ]
        );
    }

    #[test]
    fn many_dumps_are_counted_and_not_all_named() {
        let many: Vec<Arrived> =
            (0..9).map(|n| arrived(&format!("{n}.csv"), Arrival::New, 1, 0, 0)).collect();
        let words = since(&basis(), many);
        assert!(words[0].ends_with("from 0.csv, 1.csv, 2.csv, 3.csv, 4.csv and 4 more dumps."));
    }
}
