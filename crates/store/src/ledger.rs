//! The ledger: which dumps were imported, what became of their rows, and what every day file
//! must look like.
//!
//! One file of JSON Lines, written whole and sealed with its own hash: a header, one line per
//! dump (by number, kept for ever), one line per day file (by day, then bucket). For every dump
//! `rows_in = stored + duplicate + conflicting + held_back + rejected + ignored`.

use crate::error::StoreError;
use crate::layout::{FORMAT_VERSION, LEDGER, Unit};
use crate::seal;
use metersift_model::{Day, TimeUs};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What became of the readings of one dump in one unit, or of all of them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct RowCounts {
    /// New keys.
    pub stored: u64,
    /// Keys that were there with the same value and quality.
    pub duplicate: u64,
    /// Keys that were there with another value or quality; the later dump stands.
    pub conflicting: u64,
}

impl RowCounts {
    /// All three.
    pub fn sum(&self) -> u64 {
        self.stored + self.duplicate + self.conflicting
    }

    /// Whether anything in the store became different.
    pub fn changed(&self) -> bool {
        self.stored + self.conflicting > 0
    }

    pub(crate) fn add(&mut self, other: &RowCounts) {
        self.stored += other.stored;
        self.duplicate += other.duplicate;
        self.conflicting += other.conflicting;
    }
}

/// Whether a dump's readings are in the store.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DumpState {
    /// They are.
    Imported,
    /// Some went when a damaged day was set aside: to be imported again.
    ToImportAgain,
    /// They were taken out again.
    Withdrawn,
}

/// A later import of the same bytes that did change something.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Again {
    /// When it arrived, microseconds UTC.
    pub arrived_us: i64,
    /// What became of its readings that time.
    pub rows: RowCounts,
}

/// A step where one dump hands over to another, as it was noted when the later one had come.
///
/// Levels are medians in the storage unit of the signal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NotedStep {
    /// Meter.
    pub meter: String,
    /// Signal name.
    pub signal: String,
    /// Number of the dump on the other side of the handover.
    pub other: u32,
    /// Time of the first reading after it, microseconds UTC.
    pub at_us: i64,
    /// Level before.
    pub before: f64,
    /// Readings that it is the median of.
    pub n_before: u64,
    /// Level after.
    pub after: f64,
    /// Readings that it is the median of.
    pub n_after: u64,
    /// What explains the step, in words: `g/cm3 taken for kg/m3`.
    pub words: String,
    /// The unit that one side would be in; empty for a shifted decimal mark.
    pub unit: String,
    /// Whether that is the newer side.
    pub newer: bool,
    /// Number of the dump that told that side.
    pub suspect: u32,
    /// The factor of the explanation.
    pub factor: f64,
}

// Levels are finite: a step that was noted equals itself.
impl Eq for NotedStep {}

/// One dump, for ever.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DumpEntry {
    /// Number in the `dump` column of origin files.
    pub number: u32,
    /// File name as the import gave it.
    pub name: String,
    /// blake3 of the file as it lay on disk.
    pub hash: String,
    /// Source of the site file.
    pub source: String,
    /// Size of the file, bytes.
    pub bytes: u64,
    /// When it was first imported, microseconds UTC.
    pub arrived_us: i64,
    /// First reading, microseconds UTC.
    pub first_us: Option<i64>,
    /// Last reading, microseconds UTC.
    pub last_us: Option<i64>,
    /// State.
    pub state: DumpState,
    /// Data rows (long) or non-empty data cells (wide).
    pub rows_in: u64,
    /// What became of the readings.
    pub rows: RowCounts,
    /// Rows held back.
    pub held_back: u64,
    /// Rows rejected, without `ignored`.
    pub rejected: u64,
    /// Rows of tags that are known and not wanted.
    pub ignored: u64,
    /// Empty cells, not part of `rows_in`.
    pub empty_cells: u64,
    /// Units that its readings fell into, whatever became of them.
    #[serde(with = "units_as_text")]
    pub units: BTreeMap<Unit, RowCounts>,
    /// Later imports of the same bytes that changed something.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub again: Vec<Again>,
    /// Lines at which another header took over.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub header_lines: Vec<u64>,
    /// Steps at its handovers that a slip of units explains; `None` before anybody looked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub steps: Option<Vec<NotedStep>>,
}

impl DumpEntry {
    /// When it was imported.
    pub fn arrived(&self) -> TimeUs {
        TimeUs(self.arrived_us)
    }

    /// Time of its first reading.
    pub fn first(&self) -> Option<TimeUs> {
        self.first_us.map(TimeUs)
    }

    /// Time of its last reading.
    pub fn last(&self) -> Option<TimeUs> {
        self.last_us.map(TimeUs)
    }

    /// The days that its readings fell into.
    pub fn days(&self) -> Vec<Day> {
        let mut days: Vec<Day> = self.units.keys().map(|unit| unit.day).collect();
        days.dedup();
        days
    }

    /// `stored + duplicate + conflicting + held_back + rejected + ignored`.
    pub fn accounted(&self) -> u64 {
        self.rows.sum() + self.held_back + self.rejected + self.ignored
    }
}

/// One day file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DayFile {
    /// Day and bucket.
    pub unit: Unit,
    /// Size, bytes.
    pub bytes: u64,
    /// Readings.
    pub rows: u64,
    /// blake3 of the file.
    pub hash: String,
    /// `END:HASH` of each row group and of what follows the last, where it ends and a short hash,
    /// so that one group can be checked without the rest; none for a file of one group.
    pub parts: Vec<String>,
    /// Its origin file; `None` for a day file of format 1, which has none.
    pub origin: Option<FileStamp>,
}

/// What a file must look like.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FileStamp {
    /// Size, bytes.
    pub bytes: u64,
    /// Rows: tellings, of an origin file.
    pub rows: u64,
    /// blake3 of the file.
    pub hash: String,
    /// As those of a day file.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub parts: Vec<String>,
}

impl DayFile {
    /// The day.
    pub fn day(&self) -> Day {
        self.unit.day
    }

    /// The bucket.
    pub fn bucket(&self) -> u32 {
        self.unit.bucket
    }
}

/// Dumps and day files.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Ledger {
    /// Raised by one with every commit.
    pub sequence: u64,
    /// Number that the next new dump gets.
    pub next_dump: u32,
    /// Dumps with a smaller number may have been imported by a program of format 1, which kept
    /// only what stood: of what they told besides, nothing is known.
    pub told_whole_from: u32,
    /// Readings that left the store with a day that was set aside or a dump withdrawn.
    pub rows_removed: u64,
    /// Dumps by number.
    pub dumps: Vec<DumpEntry>,
    /// Day files.
    pub days: BTreeMap<Unit, DayFile>,
}

#[derive(Serialize, Deserialize)]
struct Header {
    what: String,
    format: u64,
    sequence: u64,
    next_dump: u32,
    /// Missing in format 1.
    told_whole_from: Option<u32>,
    rows_removed: u64,
    dumps: usize,
    days: usize,
}

#[derive(Serialize, Deserialize)]
struct DayLine {
    unit: String,
    bytes: u64,
    rows: u64,
    hash: String,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    parts: Vec<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    origin: Option<FileStamp>,
}

impl Ledger {
    /// The dump of a content hash.
    pub fn dump_by_hash(&self, hash: &str) -> Option<&DumpEntry> {
        self.dumps.iter().find(|dump| dump.hash == hash)
    }

    /// The dump of a number.
    pub fn dump(&self, number: u32) -> Option<&DumpEntry> {
        let at = self.dumps.binary_search_by_key(&number, |dump| dump.number).ok()?;
        self.dumps.get(at)
    }

    /// Whether a dump of this content is in the store and need not be imported again.
    pub fn holds(&self, hash: &str) -> bool {
        self.dump_by_hash(hash).is_some_and(|dump| dump.state == DumpState::Imported)
    }

    /// Readings in all day files.
    pub fn rows(&self) -> u64 {
        self.days.values().map(|day| day.rows).sum()
    }

    /// Names of the dumps that have readings in a unit.
    pub fn dumps_of(&self, unit: Unit) -> Vec<String> {
        let touches = |dump: &&DumpEntry| {
            dump.state != DumpState::Withdrawn && dump.units.contains_key(&unit)
        };
        self.dumps.iter().filter(touches).map(|dump| dump.name.clone()).collect()
    }

    /// Hash over dumps and day files: names the state of the store in every output.
    pub fn state_hash(&self) -> String {
        seal::hash(&self.to_bytes())
    }

    pub(crate) fn to_bytes(&self) -> Vec<u8> {
        let mut body = seal::line(&Header {
            what: "metersift ledger".into(),
            format: FORMAT_VERSION,
            sequence: self.sequence,
            next_dump: self.next_dump,
            told_whole_from: Some(self.told_whole_from),
            rows_removed: self.rows_removed,
            dumps: self.dumps.len(),
            days: self.days.len(),
        });
        for dump in &self.dumps {
            body.extend(seal::line(dump));
        }
        for day in self.days.values() {
            body.extend(seal::line(&DayLine {
                unit: day.unit.to_string(),
                bytes: day.bytes,
                rows: day.rows,
                hash: day.hash.clone(),
                parts: day.parts.clone(),
                origin: day.origin.clone(),
            }));
        }
        seal::close(body)
    }

    pub(crate) fn from_bytes(bytes: &[u8]) -> Result<Ledger, StoreError> {
        let unreadable =
            |reason: &str| StoreError::Unreadable { file: LEDGER.into(), reason: reason.into() };
        let body = seal::open(LEDGER, bytes)?;
        let mut lines = body.split(|&b| b == b'\n').filter(|line| !line.is_empty());
        let first = lines.next().ok_or_else(|| unreadable("it is empty"))?;
        seal::check_version(LEDGER, first)?;
        let header: Header = seal::parse(LEDGER, first)?;
        let mut ledger = Ledger {
            sequence: header.sequence,
            next_dump: header.next_dump,
            told_whole_from: header.told_whole_from.unwrap_or(header.next_dump),
            rows_removed: header.rows_removed,
            ..Ledger::default()
        };
        for line in lines.by_ref().take(header.dumps) {
            ledger.dumps.push(seal::parse(LEDGER, line)?);
        }
        for line in lines {
            let line: DayLine = seal::parse(LEDGER, line)?;
            let unit = Unit::parse(&line.unit).ok_or_else(|| unreadable("a unit is no unit"))?;
            let DayLine { bytes, rows, hash, parts, origin, .. } = line;
            ledger.days.insert(unit, DayFile { unit, bytes, rows, hash, parts, origin });
        }
        if ledger.days.len() != header.days || ledger.dumps.len() != header.dumps {
            return Err(unreadable("the header counts other lines than there are"));
        }
        Ok(ledger)
    }
}

/// Units as JSON keys: the shape of the file does not follow the shape of the struct.
mod units_as_text {
    use super::{BTreeMap, RowCounts, Unit};
    use serde::{Deserialize, Deserializer, Serializer, de::Error};

    pub fn serialize<S: Serializer>(
        units: &BTreeMap<Unit, RowCounts>,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        serializer.collect_map(units.iter().map(|(unit, counts)| {
            (unit.to_string(), [counts.stored, counts.duplicate, counts.conflicting])
        }))
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<BTreeMap<Unit, RowCounts>, D::Error> {
        let raw = BTreeMap::<String, [u64; 3]>::deserialize(deserializer)?;
        raw.into_iter()
            .map(|(text, [stored, duplicate, conflicting])| {
                let unit = Unit::parse(&text)
                    .ok_or_else(|| D::Error::custom(format!("`{text}` is no unit")))?;
                Ok((unit, RowCounts { stored, duplicate, conflicting }))
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ledger() -> Ledger {
        let unit = Unit { day: Day(20_519), bucket: 3 };
        let rows = RowCounts { stored: 5, duplicate: 2, conflicting: 1 };
        let dump = DumpEntry {
            number: 1,
            name: "syrup \"house\"\n.csv".into(),
            hash: seal::hash(b"x"),
            source: "syrup-house".into(),
            bytes: 99,
            arrived_us: 1,
            first_us: Some(-5),
            last_us: None,
            state: DumpState::Imported,
            rows_in: 10,
            rows,
            held_back: 0,
            rejected: 1,
            ignored: 1,
            empty_cells: 7,
            units: BTreeMap::from([(unit, rows)]),
            again: Vec::new(),
            header_lines: vec![40],
            steps: Some(vec![NotedStep {
                meter: "FT-3107".into(),
                signal: "density".into(),
                other: 0,
                at_us: 7,
                before: 1043.25,
                n_before: 64,
                after: 1.04,
                n_after: 9,
                words: "g/cm3 taken for kg/m3".into(),
                unit: "g/cm3".into(),
                newer: true,
                suspect: 1,
                factor: 0.001,
            }]),
        };
        let hash = seal::hash(b"y");
        let origin =
            Some(FileStamp { bytes: 3, rows: 8, hash: seal::hash(b"z"), parts: Vec::new() });
        let day = DayFile { unit, bytes: 9, rows: 5, hash, parts: vec!["p".into()], origin };
        Ledger {
            sequence: 4,
            next_dump: 2,
            told_whole_from: 1,
            rows_removed: 0,
            dumps: vec![dump],
            days: BTreeMap::from([(unit, day)]),
        }
    }

    #[test]
    fn a_ledger_comes_back_as_it_was_written() {
        let ledger = ledger();
        assert_eq!(Ledger::from_bytes(&ledger.to_bytes()).unwrap(), ledger);
        assert_eq!(ledger.dumps[0].accounted(), ledger.dumps[0].rows_in);
    }

    #[test]
    fn a_newer_ledger_is_refused_with_both_versions() {
        let text = String::from_utf8(ledger().to_bytes()).unwrap();
        let body = text.lines().take(3).collect::<Vec<_>>().join("\n") + "\n";
        let newer = seal::close(body.replacen("\"format\":2", "\"format\":3", 1).into_bytes());
        let error = Ledger::from_bytes(&newer).unwrap_err();
        assert!(matches!(error, StoreError::FormatVersion { found: 3, known: 2, .. }), "{error}");
    }

    #[test]
    fn any_flipped_bit_in_a_ledger_is_noticed() {
        let bytes = ledger().to_bytes();
        for bit in 0..bytes.len() * 8 {
            let mut broken = bytes.clone();
            broken[bit / 8] ^= 1 << (bit % 8);
            assert!(Ledger::from_bytes(&broken).is_err(), "bit {bit}");
        }
    }
}
