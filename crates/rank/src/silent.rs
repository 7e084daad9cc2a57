//! Sources of dumps that stopped: silence is an entry, and never a pass.
//!
//! In:     per source the last days of its dumps, and the as-of date.
//! Out:    an entry of the list `mend_data` per source that is late by its own habit.
//! Method: a source is late when twice its usual step from dump to dump has passed since its last
//!         sample, and at least two days. The usual step is the median of the steps between the
//!         last days of its youngest ten dumps: a weekly export is not late on a Tuesday.
//! Choice: twice, two days, ten dumps: our judgement, no source.

use metersift_model::watch_list::EntryChange;
use metersift_model::{Day, Hypothesis, ListKind, WatchListEntry, WatchLists};
use std::collections::{BTreeMap, BTreeSet};

/// Days of silence that no source is asked about.
const PATIENCE_DAYS: f64 = 2.0;
/// Usual steps after which a source is late.
const STEPS: f64 = 2.0;
/// Dumps that the habit is read from.
const YOUNGEST: usize = 10;

/// A source that should have sent something.
#[derive(Clone, Debug, PartialEq)]
pub struct Silent {
    /// Name of the source.
    pub source: String,
    /// Day of its last sample; `None` = never any.
    pub last: Option<Day>,
    /// Usual days from dump to dump.
    pub usual_days: Option<f64>,
}

impl Silent {
    /// `dock: last sample 2026-03-01, usually a dump every 1 d`.
    pub fn words(&self) -> String {
        let last =
            self.last.map_or("no sample has ever come".into(), |day| format!("last sample {day}"));
        let usual = self
            .usual_days
            .map_or(String::new(), |days| format!(", usually a dump every {days:.0} d"));
        format!("{}: {last}{usual}", self.source)
    }
}

/// The sources that are late on a morning. `last_days`: source -> last day of each of its dumps
/// that has samples.
pub fn silent_sources(last_days: &BTreeMap<String, Vec<Day>>, as_of: Day) -> Vec<Silent> {
    let late = last_days.iter().filter_map(|(source, days)| {
        let days: BTreeSet<i32> = days.iter().filter(|day| **day < as_of).map(|d| d.0).collect();
        let Some(&last) = days.last() else {
            return Some(Silent { source: source.clone(), last: None, usual_days: None });
        };
        let youngest: Vec<i32> = days.iter().rev().take(YOUNGEST).copied().collect();
        let mut steps: Vec<i32> = youngest.windows(2).map(|pair| pair[0] - pair[1]).collect();
        steps.sort_unstable();
        let usual_days = (!steps.is_empty()).then(|| f64::from(steps[steps.len() / 2]));
        // The as-of date itself is not looked at: a dump up to its eve is a day old.
        let silent = f64::from(as_of.0 - 1 - last);
        (silent > PATIENCE_DAYS.max(STEPS * usual_days.unwrap_or(0.0))).then(|| Silent {
            source: source.clone(),
            last: Some(Day(last)),
            usual_days,
        })
    });
    late.collect()
}

/// Puts late sources on the list `mend_data`, behind its meters. `before` are the sources that
/// were late in the last night.
pub fn add_silent(lists: &mut WatchLists, silent: &[Silent], before: &[Silent]) {
    let entries = silent.iter().map(|one| {
        let known = before.iter().any(|other| other.source == one.source);
        entry(one, if known { EntryChange::Same } else { EntryChange::New })
    });
    append(lists, entries.collect());
}

/// Numbers entries of the list `mend_data` behind those that are there.
pub(crate) fn append(lists: &mut WatchLists, mut entries: Vec<WatchListEntry>) {
    let last = lists.of(ListKind::MendData).map(|entry| entry.rank).max().unwrap_or(0);
    for (entry, rank) in entries.iter_mut().zip(last + 1..) {
        entry.rank = rank;
    }
    lists.entries.extend(entries);
    lists.entries.sort_by_key(|entry| (entry.list, entry.rank == 0, entry.rank));
}

/// An entry about data that should have come; its number is given by [`append`].
pub(crate) fn missing_entry(
    name: String,
    change: EntryChange,
    evidence: String,
    next_step: String,
    settles: String,
    caution: &str,
) -> WatchListEntry {
    WatchListEntry {
        list: ListKind::MendData,
        rank: 0,
        meter: name,
        service: String::new(),
        stream: String::new(),
        mode: Hypothesis::Data,
        probability: None,
        severity: None,
        days_left: None,
        expected_cost: 0.0,
        cost_unit: "points",
        change,
        evidence,
        next_step,
        settles,
        ne107: 'C',
        cautions: vec![caution.into()],
        group_members: Vec::new(),
        accepted: false,
    }
}

fn entry(silent: &Silent, change: EntryChange) -> WatchListEntry {
    let usual = silent
        .usual_days
        .map_or(String::new(), |days| format!(", usually a dump every {days:.0} d"));
    let evidence = match silent.last {
        Some(last) => format!("Measured: the last sample of this source is of {last}{usual}."),
        None => "Measured: no sample of this source has ever come.".into(),
    };
    missing_entry(
        format!("source {}", silent.source),
        change,
        evidence,
        "Ask who exports it: the job, its disk, its rights, a moved folder or a new file name \
         that the patterns of site.toml do not fit."
            .into(),
        "a dump of this source with yesterday's samples in its folder".into(),
        "Until it comes its meters are judged less or not at all: silence is no pass.",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> Day {
        Day::parse(text).expect("a day")
    }

    fn late(days: &[&str], as_of: &str) -> bool {
        let days = days.iter().map(|text| day(text)).collect();
        !silent_sources(&BTreeMap::from([("a".to_string(), days)]), day(as_of)).is_empty()
    }

    #[test]
    fn a_daily_source_is_late_after_two_days_and_a_weekly_one_after_two_weeks() {
        let daily = ["2026-03-01", "2026-03-02", "2026-03-03"];
        assert!(!late(&daily, "2026-03-06"));
        assert!(late(&daily, "2026-03-07"));
        let weekly = ["2026-02-01", "2026-02-08", "2026-02-15"];
        assert!(!late(&weekly, "2026-03-02"));
        assert!(late(&weekly, "2026-03-03"));
        // One dump tells no habit.
        assert!(late(&["2026-03-01"], "2026-03-05") && !late(&["2026-03-01"], "2026-03-04"));
    }

    #[test]
    fn what_came_after_the_morning_is_not_known_to_it() {
        assert!(late(&["2026-03-01", "2026-03-20"], "2026-03-10"));
        let none = silent_sources(&BTreeMap::from([("a".into(), vec![])]), day("2026-03-10"));
        assert_eq!(none[0].last, None);
    }
}
