//! What a day's features were made from, so that only what changed is made again, and why.
//!
//! Key:    four parts per day and bucket: the program's formulas, the settings, the samples (of
//!         the day, of the day before, and of partner meters in other buckets), the records (of
//!         every meter of the bucket). A row carries the key of its own meter's records: a changed
//!         line of the register makes the rows of that meter anew, and no other.

use metersift_features::Settings;
use metersift_model::records::{Alert, Change, Check, Records, ZeroRecord, ZeroState};
use metersift_model::{Day, TimeUs};
use metersift_store::{DayFile, bucket_of};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::{self, Debug, Display};

/// Changes whenever a formula or a column changes, so that a new program computes old days anew. 4:
/// what is told as limited by the recorder, and Allan deviations on straight lines (left out since).
const FEATURES_VERSION: u32 = 5;
/// Characters of a hash that go into a key.
const SHORT: usize = 16;

/// Why a meter-day is computed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Why {
    /// It was not there.
    New,
    /// Samples came for it, for the two hours before it, or for its partner.
    Late,
    /// A record of the meter changed: its line of the register, a check, a zero, an alert.
    Record,
    /// A setting changed.
    Setting,
    /// The program changed.
    Program,
}

impl Why {
    /// All, in the order in which they are told.
    pub const ALL: [Why; 5] = [Why::New, Why::Late, Why::Record, Why::Setting, Why::Program];

    /// The word for it.
    pub fn name(self) -> &'static str {
        match self {
            Why::New => "new",
            Why::Late => "late",
            Why::Record => "record",
            Why::Setting => "setting",
            Why::Program => "program",
        }
    }
}

/// What the features of one day and bucket were made from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Key {
    program: String,
    settings: String,
    samples: String,
    records: String,
    /// Rows of the table; not part of what was put in.
    rows: u64,
}

impl Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "program={} settings={} samples={} records={} rows={}",
            self.program, self.settings, self.samples, self.records, self.rows
        )
    }
}

impl Key {
    /// Reads a key as it was written; `None` = another program's.
    pub fn parse(text: &str) -> Option<Key> {
        let parts: BTreeMap<&str, &str> =
            text.split(' ').filter_map(|part| part.split_once('=')).collect();
        let part = |name: &str| parts.get(name).map(|text| (*text).to_string());
        Some(Key {
            program: part("program")?,
            settings: part("settings")?,
            samples: part("samples")?,
            records: part("records")?,
            rows: part("rows")?.parse().ok()?,
        })
    }

    /// The same, of a table of so many rows.
    pub fn with_rows(&self, rows: u64) -> Key {
        Key { rows, ..self.clone() }
    }

    /// Rows of the table.
    pub fn rows(&self) -> u64 {
        self.rows
    }

    /// Why a table with the key `old` must be made anew; `None` = it is right as it is.
    pub fn differs(&self, old: &Key) -> Option<Why> {
        [
            (self.program != old.program, Why::Program),
            (self.settings != old.settings, Why::Setting),
            (self.samples != old.samples, Why::Late),
            (self.records != old.records, Why::Record),
        ]
        .into_iter()
        .find_map(|(differs, why)| differs.then_some(why))
    }
}

/// Hash of a list up to each of its entries, so that "all before a day" costs a look-up.
struct Prefixes {
    until: Vec<(TimeUs, blake3::Hash)>,
}

impl Prefixes {
    fn of<T: Debug>(list: &[T], time: impl Fn(&T) -> TimeUs) -> Prefixes {
        let mut hasher = blake3::Hasher::new();
        let until = list.iter().map(|one| {
            hasher.update(format!("{one:?}").as_bytes());
            (time(one), hasher.finalize())
        });
        Prefixes { until: until.collect() }
    }

    fn before(&self, end: TimeUs) -> Option<&blake3::Hash> {
        let n = self.until.partition_point(|(time, _)| *time < end);
        n.checked_sub(1).map(|last| &self.until[last].1)
    }
}

/// One meter's records, ready to be looked up by day; `None` = none are kept.
struct MeterKeys {
    line: blake3::Hash,
    checks: Option<Prefixes>,
    zeros: Option<Prefixes>,
    changes: Option<Prefixes>,
    alerts: Option<BTreeMap<Day, blake3::Hash>>,
}

/// Everything beside the samples that the features depend on.
pub struct Inputs<'a> {
    /// Settings of the feature room.
    pub settings: &'a Settings,
    /// The records.
    pub records: &'a Records,
    /// Meters whose flow somebody else needs.
    pub partners: BTreeSet<&'a str>,
    settings_key: String,
    bucket_count: u32,
    meters: BTreeMap<&'a str, MeterKeys>,
}

impl<'a> Inputs<'a> {
    /// Takes settings and records of a site whose store has so many buckets.
    pub fn new(settings: &'a Settings, records: &'a Records, bucket_count: u32) -> Inputs<'a> {
        let partners =
            records.meters.values().filter_map(|meter| meter.series_with.as_deref()).collect();
        let settings_key = short(blake3::hash(format!("{settings:?}").as_bytes()));
        let meters = records.meters.keys().map(|name| (name.as_str(), keys_of(name, records)));
        let meters = meters.collect();
        Inputs { settings, records, partners, settings_key, bucket_count, meters }
    }

    /// Partners, by bucket, of the meters of a bucket that lie in other ones.
    pub fn partners_elsewhere(&self, bucket: u32) -> BTreeMap<u32, BTreeSet<&'a str>> {
        let mut elsewhere: BTreeMap<u32, BTreeSet<&str>> = BTreeMap::new();
        for (name, meter) in &self.records.meters {
            let Some(partner) = meter.series_with.as_deref() else { continue };
            let lies_in = bucket_of(partner, self.bucket_count);
            if bucket_of(name, self.bucket_count) == bucket && lies_in != bucket {
                elsewhere.entry(lies_in).or_default().insert(partner);
            }
        }
        elsewhere
    }

    /// Key of one meter's records as they bear on a day; never 0.
    pub fn record_key(&self, meter: &str, day: Day) -> i64 {
        let mut hasher = blake3::Hasher::new();
        if let Some(keys) = self.meters.get(meter) {
            hasher.update(keys.line.as_bytes());
            for kept in [&keys.checks, &keys.zeros, &keys.changes] {
                let until = kept.as_ref().map(|prefixes| prefixes.before(day.end()));
                hasher.update(&[u8::from(kept.is_some())]);
                hasher.update(until.flatten().map_or(&[], |hash| hash.as_bytes()));
            }
            hasher.update(&[u8::from(keys.alerts.is_some())]);
            let of_day = keys.alerts.as_ref().and_then(|alerts| alerts.get(&day));
            hasher.update(of_day.map_or(&[], |hash| hash.as_bytes()));
        }
        let mut bytes = [0; 8];
        hasher.finalize_xof().fill(&mut bytes);
        i64::from_le_bytes(bytes).max(1)
    }

    /// Key of one day file; `files` are all of the store.
    pub fn key(&self, file: &DayFile, files: &Files<'_>) -> Key {
        let (day, bucket) = (file.day(), file.bucket());
        let mut samples = blake3::Hasher::new();
        let mut looks_at = |day: Day, bucket: u32| {
            samples.update(files.hash(day, bucket).unwrap_or("none").as_bytes());
        };
        for bucket in [bucket].into_iter().chain(self.partners_elsewhere(bucket).into_keys()) {
            looks_at(day, bucket);
            looks_at(day.plus(-1), bucket);
        }
        let mut records = blake3::Hasher::new();
        for name in self.records.meters.keys() {
            if bucket_of(name, self.bucket_count) == bucket {
                records.update(name.as_bytes());
                records.update(&self.record_key(name, day).to_le_bytes());
            }
        }
        Key {
            program: FEATURES_VERSION.to_string(),
            settings: self.settings_key.clone(),
            samples: short(samples.finalize()),
            records: short(records.finalize()),
            rows: 0,
        }
    }
}

fn keys_of(name: &str, records: &Records) -> MeterKeys {
    let line = format!("{:?}", records.meters.get(name));
    let as_left = |zeros: &Vec<ZeroRecord>| {
        let left: Vec<&ZeroRecord> =
            zeros.iter().filter(|zero| zero.state == ZeroState::AsLeft).collect();
        Prefixes::of(&left, |zero| zero.time)
    };
    let by_day = |alerts: &Vec<Alert>| {
        let days = alerts.chunk_by(|a, b| a.time.day() == b.time.day());
        let hash = |day: &[Alert]| blake3::hash(format!("{day:?}").as_bytes());
        days.map(|day| (day[0].time.day(), hash(day))).collect()
    };
    MeterKeys {
        line: blake3::hash(line.as_bytes()),
        checks: records.checks.get(name).map(|all| Prefixes::of(all, |one: &Check| one.time)),
        zeros: records.zeros.get(name).map(as_left),
        changes: records.changes.get(name).map(|all| Prefixes::of(all, |one: &Change| one.time)),
        alerts: records.alerts.get(name).map(by_day),
    }
}

/// Day files by day and bucket.
pub struct Files<'a> {
    hashes: BTreeMap<(Day, u32), &'a str>,
}

impl<'a> Files<'a> {
    /// Of a store's list.
    pub fn new(files: &'a [DayFile]) -> Files<'a> {
        let hashes = files.iter().map(|file| ((file.day(), file.bucket()), file.hash.as_str()));
        Files { hashes: hashes.collect() }
    }

    fn hash(&self, day: Day, bucket: u32) -> Option<&'a str> {
        self.hashes.get(&(day, bucket)).copied()
    }
}

fn short(hash: blake3::Hash) -> String {
    hash.to_hex().chars().take(SHORT).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_is_read_as_it_was_written_and_tells_what_differs() {
        let key = Key {
            program: "2".into(),
            settings: "a".into(),
            samples: "b".into(),
            records: "c".into(),
            rows: 160,
        };
        assert_eq!(Key::parse(&key.to_string()), Some(key.clone()));
        assert_eq!(Key::parse("e3b0c44298fc1c149afbf4c8996fb924"), None);
        assert_eq!(key.differs(&Key { rows: 7, ..key.clone() }), None);
        for (other, why) in [
            (Key { samples: "x".into(), records: "x".into(), ..key.clone() }, Why::Late),
            (Key { records: "x".into(), ..key.clone() }, Why::Record),
            (Key { settings: "x".into(), samples: "x".into(), ..key.clone() }, Why::Setting),
            (Key { program: "x".into(), settings: "x".into(), ..key.clone() }, Why::Program),
        ] {
            assert_eq!(key.differs(&other), Some(why));
        }
    }
}
