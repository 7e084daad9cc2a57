//! Tags that the site lists and that never came: nobody misses what was never there, so it is
//! looked for.
//!
//! In:     the tags of the tag table with their times of force, the series that any stored day
//!         has a sample of, and the as-of date.
//! Out:    one entry of the list `mend_data` per set of signals that is lacking: a signal that
//!         the export leaves out is lacking at a hundred meters and is one matter. Meters of
//!         which nothing at all has come are one entry together.
//! Method: a tag is missed when it has been in force for [`PATIENCE_DAYS`] and the store has
//!         looked back as long, and no dump ever had a sample of it, good or bad.
//! Choice: three days: a weekend and a day, our judgement, no source.
//! Limits: a pattern in the tag table names no tags, and nobody knows which of them there should
//!         be; a signal of the site's own (`other:`) has no daily column and is not looked for.

use crate::silent::{append, missing_entry};
use metersift_model::watch_list::EntryChange;
use metersift_model::{Day, WatchLists};
use std::collections::{BTreeMap, BTreeSet};

/// Days that a tag gets to come.
pub const PATIENCE_DAYS: i32 = 3;
/// Tags that an entry names; the report's page has more.
const NAMED: usize = 8;

/// A tag that the site lists.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct ListedTag {
    /// Meter.
    pub meter: String,
    /// Signal, as files name it.
    pub signal: String,
    /// The tag of the historian.
    pub tag: String,
    /// First day on which it is in force.
    pub from: Day,
    /// First day on which it is in force no more.
    pub until: Day,
}

/// Tags that never came, of one set of signals.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NeverSeen {
    /// What is lacking: signals as people write them, or `all signals` of meters of which
    /// nothing came.
    pub signals: String,
    /// `FT-1 density (LM.FT-1.DENS)`, in order of meter and signal.
    pub tags: Vec<String>,
    /// Meters.
    pub n_meters: usize,
}

impl NeverSeen {
    /// `tube frequency, 2 meters: ` and the first tags, as many as are asked for.
    pub fn words(&self, named: usize) -> String {
        let meters = if self.n_meters == 1 { "meter" } else { "meters" };
        let shown = self.tags.iter().take(named).cloned().collect::<Vec<_>>().join(", ");
        let more = self.tags.len().saturating_sub(named);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        format!("{}, {} {meters}: {shown}{more}", self.signals, self.n_meters)
    }

    /// The name of its entry; the same from night to night while the same signals are lacking.
    fn name(&self) -> String {
        format!("tags of {}", self.signals)
    }
}

/// The tags that are missed on a morning. `seen` holds meter and signal of every series that came
/// before it; `first` is the first day that the store has.
pub fn never_seen(
    listed: &[ListedTag],
    seen: &BTreeSet<(String, String)>,
    first: Day,
    as_of: Day,
) -> Vec<NeverSeen> {
    let asked = |tag: &&ListedTag| {
        tag.from.max(first).0.saturating_add(PATIENCE_DAYS) <= as_of.0 && tag.until >= as_of
    };
    let mut by_meter: BTreeMap<&str, Vec<&ListedTag>> = BTreeMap::new();
    for tag in listed.iter().filter(asked) {
        by_meter.entry(&tag.meter).or_default().push(tag);
    }
    let mut groups: BTreeMap<String, NeverSeen> = BTreeMap::new();
    for mut tags in by_meter.into_values() {
        let all = tags.len();
        // A series may have several tags over the years; one that came is enough.
        tags.retain(|tag| !seen.contains(&(tag.meter.clone(), tag.signal.clone())));
        if tags.is_empty() {
            continue;
        }
        tags.sort();
        let words = |tag: &&ListedTag| tag.signal.replace('_', " ");
        let lacking: BTreeSet<String> = tags.iter().map(words).collect();
        let signals = match tags.len() == all {
            true => "all signals".into(),
            false => lacking.into_iter().collect::<Vec<_>>().join(", "),
        };
        let group = groups.entry(signals.clone()).or_insert_with(|| NeverSeen {
            signals,
            tags: Vec::new(),
            n_meters: 0,
        });
        group.n_meters += 1;
        let named = tags.iter().map(|tag| format!("{} {} ({})", tag.meter, words(tag), tag.tag));
        group.tags.extend(named);
    }
    groups.into_values().collect()
}

/// Puts tags that never came on the list `mend_data`, behind everything else. `before` is what
/// was missed in the last night.
pub fn add_never_seen(lists: &mut WatchLists, missed: &[NeverSeen], before: &[NeverSeen]) {
    let entries = missed.iter().map(|one| {
        let known = before.iter().find(|other| other.signals == one.signals);
        let change = match known.map(|other| other.tags.len().cmp(&one.tags.len())) {
            None => EntryChange::New,
            Some(std::cmp::Ordering::Less) => EntryChange::Worse,
            Some(std::cmp::Ordering::Equal) => EntryChange::Same,
            Some(std::cmp::Ordering::Greater) => EntryChange::Better,
        };
        missing_entry(
            one.name(),
            change,
            format!("Measured: in the tag table, and in no dump so far: {}.", one.words(NAMED)),
            "Ask whether the export holds these tags at all, and whether records/tags.csv spells \
             them as the historian does; a tag that is not to come gets an `until`, or goes."
                .into(),
            "a dump with one sample of each of them".into(),
            "What these signals would have shown is not seen: quiet says less at these meters.",
        )
    });
    append(lists, entries.collect());
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tag(meter: &str, signal: &str) -> ListedTag {
        ListedTag {
            meter: meter.into(),
            signal: signal.into(),
            tag: format!("{meter}.{signal}"),
            from: Day(i32::MIN),
            until: Day(i32::MAX),
        }
    }

    fn seen(series: &[(&str, &str)]) -> BTreeSet<(String, String)> {
        series.iter().map(|(meter, signal)| (meter.to_string(), signal.to_string())).collect()
    }

    #[test]
    fn tags_that_never_came_are_grouped_by_what_is_lacking() {
        let listed = [
            tag("FT-1", "mass_flow"),
            tag("FT-1", "tube_frequency"),
            tag("FT-2", "mass_flow"),
            tag("FT-2", "tube_frequency"),
            tag("FT-3", "mass_flow"),
        ];
        let came = seen(&[("FT-1", "mass_flow"), ("FT-2", "mass_flow")]);
        let missed = never_seen(&listed, &came, Day(0), Day(10));
        let told: Vec<(&str, usize)> =
            missed.iter().map(|one| (one.signals.as_str(), one.n_meters)).collect();
        assert_eq!(told, [("all signals", 1), ("tube frequency", 2)]);
        assert_eq!(missed[1].tags[0], "FT-1 tube frequency (FT-1.tube_frequency)");
        let all = seen(&[("FT-3", "mass_flow"), ("FT-1", "tube_frequency")]);
        let came: BTreeSet<_> = came.union(&all).cloned().collect();
        assert_eq!(never_seen(&listed, &came, Day(0), Day(10))[0].n_meters, 1, "FT-2 is left");
    }

    #[test]
    fn a_tag_gets_three_days_and_one_that_is_not_in_force_is_not_missed() {
        let listed = [tag("FT-1", "density"), tag("FT-1", "mass_flow")];
        let came = seen(&[("FT-1", "mass_flow")]);
        assert!(never_seen(&listed, &came, Day(8), Day(10)).is_empty(), "a store of two days");
        assert_eq!(never_seen(&listed, &came, Day(7), Day(10)).len(), 1);
        let bound = |from: i32, until: i32| {
            let mut listed = listed.clone();
            (listed[0].from, listed[0].until) = (Day(from), Day(until));
            never_seen(&listed, &came, Day(0), Day(10)).len()
        };
        assert_eq!(bound(7, 10), 1);
        assert_eq!((bound(8, 20), bound(0, 9)), (0, 0));
    }

    #[test]
    fn a_second_tag_of_a_series_that_came_is_not_missed() {
        let mut old = tag("FT-1", "density");
        old.tag = "OLD".into();
        let listed = [old, tag("FT-1", "density"), tag("FT-1", "mass_flow")];
        let came = seen(&[("FT-1", "density"), ("FT-1", "mass_flow")]);
        assert!(never_seen(&listed, &came, Day(0), Day(10)).is_empty());
    }
}
