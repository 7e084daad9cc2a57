//! The accounts of an import: what is told about each dump, what became of its rows, and the
//! lines that go into the ledger.
//!
//! For every dump, to the row:
//! `rows_in = stored + duplicate + conflicting + held_back + rejected + ignored`.

use crate::commit::Move;
use crate::conflicts::{self, ConflictPart, DumpNames};
use crate::error::StoreError;
use crate::incoming::DumpNumbers;
use crate::layout::Unit;
use crate::ledger::{Again, DayFile, DumpEntry, DumpState, Ledger, RowCounts};
use crate::merge::Counts;
use crate::storage::Storage;
use crate::unit_job::{Fate, MergedUnit};
use metersift_model::{Day, TimeUs};
use std::collections::{BTreeMap, BTreeSet};

/// What the reading of a dump says about it when it ends.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct DumpTotals {
    /// Data rows (long) or non-empty data cells (wide).
    pub rows_in: u64,
    /// Rows rejected, without `ignored`.
    pub rejected: u64,
    /// Rows of tags that are known and not wanted.
    pub ignored: u64,
    /// Rows held back.
    pub held_back: u64,
    /// Empty cells, not part of `rows_in`.
    pub empty_cells: u64,
    /// Size of the file, bytes.
    pub bytes: u64,
    /// Time of the first reading.
    pub first: Option<TimeUs>,
    /// Time of the last reading.
    pub last: Option<TimeUs>,
    /// Source of the site file.
    pub source: String,
    /// Lines at which another header took over.
    pub header_lines: Vec<u64>,
    /// When it is being imported: an argument, because the store looks at no clock.
    pub arrived: Option<TimeUs>,
}

/// What became of one dump.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DumpOutcome {
    /// File name.
    pub name: String,
    /// Content hash.
    pub hash: String,
    /// Number in the ledger and in the `dump` column.
    pub number: u32,
    /// Whether the ledger knew this content before.
    pub known: bool,
    /// Data rows.
    pub rows_in: u64,
    /// New keys.
    pub stored: u64,
    /// Keys that were there with the same value.
    pub duplicate: u64,
    /// Keys that were there with another value; the later dump's stands.
    pub conflicting: u64,
    /// Rows held back.
    pub held_back: u64,
    /// Rows rejected.
    pub rejected: u64,
    /// Rows of tags not wanted.
    pub ignored: u64,
    /// Empty cells.
    pub empty_cells: u64,
    /// Days that its readings fell into.
    pub days: Vec<Day>,
}

/// What an import did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ImportOutcome {
    /// Dumps, in the order in which they were begun; aborted ones are not among them.
    pub dumps: Vec<DumpOutcome>,
    /// Days and buckets whose files changed.
    pub days: Vec<(Day, u32)>,
    /// Readings with a key that was there with another value.
    pub conflicts: u64,
    /// Path of the conflict file within the store.
    pub conflicts_file: Option<String>,
    /// Conflicts by meter and signal name.
    pub conflicts_by_series: BTreeMap<(String, String), u64>,
    /// How often readings went to disk because memory was short.
    pub spills: usize,
}

/// A dump within one import.
#[derive(Debug)]
pub(crate) struct LocalDump {
    pub name: String,
    pub hash: String,
    pub pushed: u64,
    /// `None` while it is open and after it was aborted.
    pub totals: Option<DumpTotals>,
}

/// What a commit will do.
pub(crate) struct Plan {
    pub ledger: Ledger,
    pub moves: Vec<Move>,
    pub outcome: ImportOutcome,
}

/// Ledger number of each dump: content that is known keeps its number; new content gets the next
/// one, in the order of arrival; an aborted dump gets none.
pub(crate) fn number_dumps(ledger: &Ledger, dumps: &[LocalDump]) -> DumpNumbers {
    let mut next = ledger.next_dump;
    let mut numbers: BTreeMap<&str, u32> =
        ledger.dumps.iter().map(|entry| (entry.hash.as_str(), entry.number)).collect();
    let mut given = DumpNumbers::default();
    for dump in dumps {
        let known = numbers.contains_key(dump.hash.as_str());
        given.known.push(known);
        given.ledger.push(dump.totals.is_some().then(|| {
            *numbers.entry(&dump.hash).or_insert_with(|| {
                next += 1;
                next - 1
            })
        }));
    }
    given
}

/// Names of all dumps by number, those that are coming included.
pub(crate) fn names(ledger: &Ledger, dumps: &[LocalDump], numbers: &DumpNumbers) -> DumpNames {
    let coming = dumps.iter().zip(&numbers.ledger);
    let coming = coming.filter_map(|(dump, number)| Some(((*number)?, dump.name.clone())));
    let held = ledger.dumps.iter().map(|entry| (entry.number, entry.name.clone()));
    std::sync::Arc::new(coming.chain(held).collect())
}

/// The new ledger, the moves that go with it, and the outcome to report. Stages the conflict
/// file.
pub(crate) fn plan(
    storage: &dyn Storage,
    old: &Ledger,
    dumps: &[LocalDump],
    units: Vec<MergedUnit>,
) -> Result<Plan, StoreError> {
    let numbers = number_dumps(old, dumps);
    let mut ledger = old.clone();
    let mut moves = Vec::new();
    let mut outcome = ImportOutcome::default();
    let mut counts: Vec<BTreeMap<Unit, Counts>> = vec![BTreeMap::new(); dumps.len()];
    let mut conflicts: Vec<ConflictPart> = Vec::new();
    for merged in units {
        let told = merged.counts.iter().enumerate().filter(|(_, c)| c.rows.sum() > 0);
        for (local, rows) in told {
            counts[local].insert(merged.unit, *rows);
        }
        conflicts.push(merged.conflicts);
        let unit = merged.unit;
        if let Fate::Written { day, samples } = merged.fate {
            if samples {
                let (from, to) = (unit.staged_path(), unit.samples_path());
                moves.push(Move { from, to, hash: day.hash.clone() });
                outcome.days.push((unit.day, unit.bucket));
            }
            moves.extend(origin_move(unit, &day));
            ledger.days.insert(unit, day);
        }
    }
    for ((dump, units), number) in dumps.iter().zip(counts).zip(&numbers.ledger) {
        if let (Some(number), Some(totals)) = (*number, &dump.totals) {
            outcome.dumps.push(enter(&mut ledger, dump, totals, number, units)?);
        }
    }
    if ledger != *old {
        ledger.sequence += 1;
        if conflicts.iter().any(|part| part.bytes > 0) {
            let written = conflicts::stage(storage, ledger.sequence, &conflicts)?;
            outcome.conflicts_file = Some(written.to.clone());
            moves.push(written);
        }
    }
    outcome.tell_conflicts(&conflicts);
    Ok(Plan { ledger, moves, outcome })
}

/// The move of a unit's staged origin file.
pub(crate) fn origin_move(unit: Unit, day: &DayFile) -> Option<Move> {
    let hash = day.origin.as_ref()?.hash.clone();
    Some(Move { from: unit.staged_origin_path(), to: unit.origin_path(), hash })
}

impl ImportOutcome {
    fn tell_conflicts(&mut self, conflicts: &[ConflictPart]) {
        for ((meter, signal), n) in conflicts.iter().flat_map(|part| &part.by_series) {
            let series = (meter.to_string(), signal.to_string());
            *self.conflicts_by_series.entry(series).or_insert(0) += n;
            self.conflicts += n;
        }
    }
}

/// Enters one dump into the ledger.
fn enter(
    ledger: &mut Ledger,
    dump: &LocalDump,
    totals: &DumpTotals,
    number: u32,
    units: BTreeMap<Unit, Counts>,
) -> Result<DumpOutcome, StoreError> {
    let told_new = units.values().any(|counts| counts.new > 0);
    let units: BTreeMap<Unit, RowCounts> =
        units.into_iter().map(|(unit, counts)| (unit, counts.rows)).collect();
    let mut rows = RowCounts::default();
    units.values().for_each(|unit| rows.add(unit));
    if rows.sum() != dump.pushed {
        return Err(StoreError::Accounts {
            dump: dump.name.clone(),
            rows_in: dump.pushed,
            accounted: rows.sum(),
            parts: format!(
                "{} stored, {} duplicate, {} conflicting",
                rows.stored, rows.duplicate, rows.conflicting
            ),
        });
    }
    let days: BTreeSet<Day> = units.keys().map(|unit| unit.day).collect();
    let arrived_us = totals.arrived.map_or(0, |time| time.0);
    let known = ledger.dumps.binary_search_by_key(&number, |entry| entry.number).ok();
    match known.and_then(|at| ledger.dumps.get_mut(at)) {
        None => {
            ledger.next_dump = ledger.next_dump.max(number + 1);
            ledger.dumps.push(new_entry(dump, totals, number, arrived_us, rows, units));
        }
        Some(entry) if told_new || entry.state != DumpState::Imported => {
            entry.state = DumpState::Imported;
            entry.again.push(Again { arrived_us, rows });
            entry.steps = None;
            for (unit, counts) in units {
                entry.units.entry(unit).or_default().add(&counts);
            }
        }
        // Nothing new came of it: the ledger stays as it is, byte for byte.
        Some(_) => {}
    }
    Ok(DumpOutcome {
        name: dump.name.clone(),
        hash: dump.hash.clone(),
        number,
        known: known.is_some(),
        rows_in: totals.rows_in,
        stored: rows.stored,
        duplicate: rows.duplicate,
        conflicting: rows.conflicting,
        held_back: totals.held_back,
        rejected: totals.rejected,
        ignored: totals.ignored,
        empty_cells: totals.empty_cells,
        days: days.into_iter().collect(),
    })
}

fn new_entry(
    dump: &LocalDump,
    totals: &DumpTotals,
    number: u32,
    arrived_us: i64,
    rows: RowCounts,
    units: BTreeMap<Unit, RowCounts>,
) -> DumpEntry {
    DumpEntry {
        number,
        name: dump.name.clone(),
        hash: dump.hash.clone(),
        source: totals.source.clone(),
        bytes: totals.bytes,
        arrived_us,
        first_us: totals.first.map(|time| time.0),
        last_us: totals.last.map(|time| time.0),
        state: DumpState::Imported,
        rows_in: totals.rows_in,
        rows,
        held_back: totals.held_back,
        rejected: totals.rejected,
        ignored: totals.ignored,
        empty_cells: totals.empty_cells,
        units,
        again: Vec::new(),
        header_lines: totals.header_lines.clone(),
        steps: None,
    }
}
