//! What became different between two nights, and which of it moved an entry.
//!
//! Why:    "it is worse than yesterday" is half a message. The other half is whether the meter
//!         said something new, whether old samples came late, or whether somebody turned a
//!         setting or another program did the reckoning.
//! Words:  *new samples* (days that the night before did not look at), *late samples* (days that
//!         it did look at and that read differently now), *new record* (a check, a zero, a
//!         decision ...), *changed setting*, *changed program*. Nothing of these: the date and
//!         the fleet around the meter moved.
//! Ranks:  an entry that kept its place among those that stayed, and has another number, moved
//!         only because others left or came.

use metersift_model::watch_list::{EntryChange, WatchListEntry, WatchLists};
use metersift_model::{Column, ColumnData, Day, ListKind};
use std::collections::{BTreeMap, BTreeSet};

/// What differs between the inputs of the night before and those of tonight.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Since {
    /// First day that the night before did not look at.
    pub as_of: Option<Day>,
    /// Program then, where it was another.
    pub program_before: Option<String>,
    /// Settings that read differently now, one phrase each.
    pub settings: Vec<String>,
    /// Dumps that brought, changed or took away samples of days that the night before had seen.
    pub late_dumps: Vec<String>,
    /// What is different per meter; `None` = the night before did not keep its inputs.
    pub meters: Option<BTreeMap<String, MeterSince>>,
    /// Rank of each entry of the night before, by list and meter or stream.
    pub ranks: BTreeMap<(ListKind, String), u32>,
}

/// What differs in the inputs of one meter.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct MeterSince {
    /// Days that the night before did not look at.
    pub new_samples: bool,
    /// Days that it did look at read differently: the dumps with samples of this very meter that
    /// did it, one phrase each.
    pub late_samples: Vec<String>,
    /// Checks, zeros, changes, findings, decisions or the register read differently.
    pub new_records: bool,
}

/// How an entry's number changed, where its place among the entries did not.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Moved {
    pub rank_before: u32,
    /// Entries above it that left or came; empty where it was overtaken or overtook.
    pub because: Vec<String>,
}

impl Since {
    /// Reasons that apply to an entry, in a fixed order.
    pub(crate) fn reasons(&self, entry: &WatchListEntry) -> Vec<String> {
        let mut reasons = Vec::new();
        let Some(meters) = &self.meters else { return reasons };
        let own = std::iter::once(&entry.meter).chain(&entry.group_members);
        let own: Vec<&MeterSince> = own.filter_map(|meter| meters.get(meter)).collect();
        let any = |is: fn(&MeterSince) -> bool| own.iter().any(|meter| is(meter));
        if any(|meter| meter.new_samples) {
            reasons.push("new samples".to_string());
        }
        let mut late: Vec<&str> = Vec::new();
        for words in own.iter().flat_map(|meter| &meter.late_samples) {
            if !late.contains(&words.as_str()) {
                late.push(words);
            }
        }
        match late.as_slice() {
            [] => {}
            [one] => reasons.push(format!("late samples ({one})")),
            [one, rest @ ..] => {
                reasons.push(format!("late samples ({one}, and {} more like it)", rest.len()));
            }
        }
        if any(|meter| meter.new_records) {
            reasons.push("new record".into());
        }
        if !self.settings.is_empty() {
            reasons.push("changed setting".into());
        }
        if self.program_before.is_some() {
            reasons.push("changed program".into());
        }
        if reasons.is_empty() {
            reasons.push("its own inputs are the same: the date and the fleet moved on".into());
        }
        reasons
    }

    /// How many meters differ in one way.
    pub(crate) fn count(&self, is: fn(&MeterSince) -> bool) -> usize {
        self.meters.iter().flat_map(BTreeMap::values).filter(|meter| is(meter)).count()
    }

    /// How the number of an entry moved; `None` = as before, or not there before.
    pub(crate) fn moved(&self, lists: &WatchLists, entry: &WatchListEntry) -> Option<Moved> {
        let rank_of = |name: &str| self.ranks.get(&(entry.list, name.to_string())).copied();
        let rank_before = rank_of(&entry.meter).filter(|rank| *rank != entry.rank)?;
        let tonight: BTreeMap<&str, u32> =
            lists.of(entry.list).map(|other| (other.meter.as_str(), other.rank)).collect();
        let above_before: BTreeSet<&str> = self
            .ranks
            .iter()
            .filter(|((list, _), rank)| *list == entry.list && **rank < rank_before)
            .map(|((_, name), _)| name.as_str())
            .collect();
        let above_now: BTreeSet<&str> =
            tonight.iter().filter(|(_, rank)| **rank < entry.rank).map(|(name, _)| *name).collect();
        let left = above_before.iter().filter(|name| !tonight.contains_key(**name));
        let came = above_now.iter().filter(|name| rank_of(name).is_none());
        let stayed_before: BTreeSet<&str> =
            above_before.iter().filter(|name| tonight.contains_key(**name)).copied().collect();
        let stayed_now: BTreeSet<&str> =
            above_now.iter().filter(|name| rank_of(name).is_some()).copied().collect();
        let because = match stayed_before == stayed_now {
            true => left
                .map(|name| format!("{name} left"))
                .chain(came.map(|name| format!("{name} came in above")))
                .collect(),
            false => Vec::new(),
        };
        Some(Moved { rank_before, because })
    }
}

/// The columns that a list gains beside its own: the rank of the night before, and why an entry
/// changed or moved; in the order of the entries.
pub fn since_columns(since: &Since, lists: &WatchLists) -> [Column; 2] {
    let before = |entry: &WatchListEntry| {
        since.ranks.get(&(entry.list, entry.meter.clone())).map(|rank| i64::from(*rank))
    };
    let text = |entry: &WatchListEntry| Some(words(since, lists, entry)).filter(|w| !w.is_empty());
    [
        Column {
            name: "rank_before".into(),
            unit: String::new(),
            data: ColumnData::Count(lists.entries.iter().map(before).collect()),
        },
        Column {
            name: "changed_because".into(),
            unit: String::new(),
            data: ColumnData::Text(lists.entries.iter().map(text).collect()),
        },
    ]
}

/// The budget line of each entry's list, in columns, so that no copy of a row travels without it:
/// how many entries the list has, how many of them are expected to be false, and of the entries
/// of the last nights on all lists how many were opened or tested, and found good.
pub fn budget_columns(lists: &WatchLists) -> [Column; 4] {
    let entries = &lists.entries;
    let count = |name: &str, of: &dyn Fn(&WatchListEntry) -> i64| Column {
        name: name.into(),
        unit: String::new(),
        data: ColumnData::Count(entries.iter().map(|entry| Some(of(entry))).collect()),
    };
    let expected = entries.iter().map(|entry| lists.expected_false[entry.list as usize]).collect();
    let record = lists.record;
    [
        count("list_entries", &|entry| lists.of(entry.list).count() as i64),
        Column {
            name: "list_expected_false".into(),
            unit: String::new(),
            data: ColumnData::Number(expected),
        },
        count("record_settled", &|_| i64::from(record.settled)),
        count("record_false", &|_| i64::from(record.false_entries)),
    ]
}

/// Why an entry changed and how its number moved; empty where neither did.
pub(crate) fn words(since: &Since, lists: &WatchLists, entry: &WatchListEntry) -> String {
    let mut parts = match entry.change {
        EntryChange::Same => Vec::new(),
        _ => since.reasons(entry),
    };
    if let Some(moved) = since.moved(lists, entry).filter(|_| entry.rank > 0) {
        parts.push(moved.words());
    }
    parts.join("; ")
}

impl Moved {
    /// `was no. 4, moved only because FT-1 left`.
    pub(crate) fn words(&self) -> String {
        match self.because.is_empty() {
            true => format!("was no. {}", self.rank_before),
            false => format!("was no. {}, moved only because {}", self.rank_before, self.why()),
        }
    }

    /// `FT-1 left and FT-2 came in above`; empty where it was overtaken or overtook.
    pub(crate) fn why(&self) -> String {
        match self.because.as_slice() {
            [] => String::new(),
            [one] => one.clone(),
            [one, two] => format!("{one} and {two}"),
            [one, two, rest @ ..] => format!("{one}, {two}, and {} more like them", rest.len()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use metersift_model::Hypothesis;
    use metersift_model::watch_list::{FleetCounts, TrackRecord};

    fn entry(meter: &str, rank: u32, change: EntryChange) -> WatchListEntry {
        WatchListEntry {
            list: ListKind::Clean,
            rank,
            meter: meter.into(),
            service: String::new(),
            stream: String::new(),
            mode: Hypothesis::Coating,
            probability: Some(0.9),
            severity: None,
            days_left: None,
            expected_cost: 1.0,
            cost_unit: "points",
            change,
            evidence: String::new(),
            next_step: String::new(),
            settles: String::new(),
            ne107: 'M',
            cautions: Vec::new(),
            group_members: Vec::new(),
            accepted: false,
        }
    }

    fn lists(meters: &[&str]) -> WatchLists {
        let ranked = meters.iter().zip(1..);
        WatchLists {
            as_of: Day(20_000),
            counts: FleetCounts::default(),
            entries: ranked.map(|(m, rank)| entry(m, rank, EntryChange::Same)).collect(),
            expected_false: [0.0; 8],
            not_judged: Vec::new(),
            calibrated: false,
            budget: 0.2,
            entry_probability: [0.8; 8],
            withheld: Vec::new(),
            record: TrackRecord::default(),
            before: None,
        }
    }

    fn before(meters: &[&str]) -> Since {
        let ranks =
            meters.iter().zip(1..).map(|(m, rank)| ((ListKind::Clean, m.to_string()), rank));
        Since { ranks: ranks.collect(), meters: Some(BTreeMap::new()), ..Since::default() }
    }

    fn said(before_meters: &[&str], now: &[&str], meter: &str) -> String {
        let (since, lists) = (before(before_meters), lists(now));
        let entry = lists.entries.iter().find(|entry| entry.meter == meter).expect("listed");
        words(&since, &lists, entry)
    }

    #[test]
    fn a_rank_that_moved_only_because_another_left_or_came_says_so() {
        assert_eq!(
            said(&["a", "b", "c"], &["b", "c"], "c"),
            "was no. 3, moved only because a left"
        );
        assert_eq!(
            said(&["b", "c"], &["x", "b", "c"], "b"),
            "was no. 1, moved only because x came in above"
        );
        assert_eq!(said(&["a", "b"], &["b", "a"], "b"), "was no. 2", "it overtook");
        // One left above while another overtook: the move is not only the leaving.
        assert_eq!(said(&["a", "b", "c", "d"], &["d", "b", "c"], "c"), "");
        assert_eq!(said(&["a", "b", "c", "d"], &["d", "b", "c"], "d"), "was no. 4");
        assert_eq!(said(&["a", "b"], &["a", "b"], "b"), "");
    }

    #[test]
    fn the_words_for_causes_differ_and_late_samples_name_their_dump() {
        let mut since = before(&[]);
        let new = entry("a", 1, EntryChange::New);
        assert!(since.reasons(&new)[0].contains("date and the fleet"));
        let inputs = MeterSince {
            new_samples: true,
            late_samples: vec!["unit3.csv imported again".into()],
            new_records: true,
        };
        since.meters = Some(BTreeMap::from([("a".to_string(), inputs)]));
        since.late_dumps = vec!["unit3.csv imported again".into(), "unit4.csv came in".into()];
        since.settings = vec!["limits: 1 to 2".into()];
        since.program_before = Some("metersift 0.0.9".into());
        assert_eq!(
            since.reasons(&new),
            [
                "new samples",
                "late samples (unit3.csv imported again)",
                "new record",
                "changed setting",
                "changed program"
            ]
        );
        since.meters = None;
        assert!(since.reasons(&new).is_empty(), "what is not known is not guessed");
    }
}
