//! What all parsers of one dump share, and what one of them hands on.

use super::book::TagBook;
use super::parse::LastQuality;
use crate::clock::TimeReader;
use crate::dialect::Dialect;
use crate::error::ImportError;
use crate::report::DumpReport;
use crate::schema::Schema;
use crate::source::LONGEST_LINE;
use crate::tags::{Binding, TagEntry, TagKind, TagTable};
use crate::text::shown;
use crate::units::{bare_unit, is_unit};
use foldhash::HashMap;
use metersift_model::unit::conversion;
use metersift_model::{Origin, ReadingBlock, Reject, RejectReason, Series, Signal};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, RwLock};

/// Distinct unknown tags whose look-up is remembered.
const MAX_UNKNOWN_TAGS: usize = 100_000;

/// The header in force and what it says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Table {
    pub(super) schema: Schema,
    /// The header's line as it stands; empty where there is none.
    pub(super) header: Vec<u8>,
}

/// What all parsers of one dump share.
pub(super) struct Plan<'p> {
    pub(super) dialect: &'p Dialect,
    table: &'p TagTable,
    pub(super) file: String,
    pub(super) young: bool,
    found: RwLock<Found>,
    /// What parsers of earlier pieces learned.
    kept: Mutex<Vec<Kept<'p>>>,
}

/// What a parser learned and hands on to the next one: it makes a piece faster and never other.
pub(super) struct Kept<'p> {
    pub(super) book: TagBook,
    pub(super) times: TimeReader<'p>,
    pub(super) quality: LastQuality,
    /// Bytes of text that a reading of the last piece took; none before the first.
    pub(super) reading_bytes: Option<usize>,
}

/// Tags that were looked up in this dump.
#[derive(Default)]
struct Found {
    entries: HashMap<Box<[u8]>, Arc<TagEntry>>,
    extra: Vec<Series>,
}

impl<'p> Plan<'p> {
    pub(super) fn new(
        dialect: &'p Dialect,
        table: &'p TagTable,
        file: String,
        young: bool,
    ) -> Plan<'p> {
        Plan { dialect, table, file, young, found: RwLock::default(), kept: Mutex::default() }
    }

    /// What an earlier parser learned, where its book of tags fits a table; else nothing yet.
    pub(super) fn learned(&self, table: &Arc<Table>) -> Kept<'p> {
        let used = self.kept.lock().ok().and_then(|mut kept| kept.pop());
        used.filter(|kept| kept.book.fits(self, table)).unwrap_or_else(|| Kept {
            book: TagBook::new(self, table),
            times: TimeReader::new(&self.dialect.time_format, &self.dialect.zone),
            quality: LastQuality::default(),
            reading_bytes: None,
        })
    }

    /// Keeps what was learned for the next piece.
    pub(super) fn take_back(&self, mut learned: Kept<'p>) {
        learned.times.n_leap = 0;
        if let Ok(mut kept) = self.kept.lock()
            && learned.book.close()
        {
            kept.push(learned);
        }
    }

    pub(super) fn entry(&self, tag: &[u8]) -> Arc<TagEntry> {
        // A poisoned lock means that a parser panicked: its panic is on its way already.
        let known = self.found.read().ok().and_then(|found| found.entries.get(tag).cloned());
        if let Some(entry) = known {
            return entry;
        }
        let Ok(mut found) = self.found.write() else {
            return self.table.resolve(tag, &mut Vec::new());
        };
        if let Some(entry) = found.entries.get(tag) {
            return Arc::clone(entry);
        }
        let mut name = self.dialect.tag_prefix.clone().into_bytes();
        name.extend_from_slice(tag);
        let entry = self.table.resolve(&name, &mut found.extra);
        let unknown = matches!(entry.kind, TagKind::Unknown);
        if !unknown || found.entries.len() < MAX_UNKNOWN_TAGS {
            found.entries.insert(tag.into(), Arc::clone(&entry));
        }
        entry
    }

    /// A unit in a row of units that is another than the tag table's. What no unit is known by
    /// is not compared.
    pub(super) fn unit_conflict(
        &self,
        schema: &Schema,
        units: &[String],
        line: u64,
    ) -> Option<ImportError> {
        schema.cells.iter().find_map(|&(column, _)| {
            let read = units.get(column).filter(|unit| is_unit(unit))?;
            let entry = self.entry(schema.names.get(column)?.as_bytes());
            let TagKind::Bound(bindings) = &entry.kind else { return None };
            let differs = |binding: &&Binding| {
                let own = conversion(&binding.signal, bare_unit(read)).ok();
                !matches!(binding.signal, Signal::Other(_)) && own != Some(binding.conversion)
            };
            let clash = bindings.iter().find(differs)?;
            let tag = entry.name.clone();
            let at = Origin { file: self.file.clone(), line, column: column as u32 + 1, tag };
            let (read, table) = (shown(bare_unit(read).as_bytes()), clash.unit.clone());
            Some(ImportError::UnitConflict { at, read, table })
        })
    }

    /// The series of a slot.
    pub(super) fn series(&self, slot: u32) -> Option<Series> {
        let own = self.table.series();
        if let Some(series) = own.get(slot as usize) {
            return Some(series.clone());
        }
        let found = self.found.read().ok()?;
        found.extra.get(slot as usize - own.len()).cloned()
    }

    pub(super) fn too_long(&self, bytes: u64) -> Parsed {
        let mut parsed = Parsed { lines: 1, ..Parsed::default() };
        let reject = Reject {
            origin: Origin { file: self.file.clone(), line: 1, column: 0, tag: String::new() },
            reason: RejectReason::TooLong,
            read: format!("{bytes} bytes"),
            expected: format!("a line of at most {LONGEST_LINE} bytes"),
        };
        parsed.report.rows_in = 1;
        parsed.reject(reject, 1);
        parsed
    }
}

/// A reading whose instant is one of two.
pub(super) struct FoldReading {
    /// Readings of the block that stand before it.
    pub(super) at: usize,
    /// What its run of times is told by.
    pub(super) run: u32,
    pub(super) line: u64,
    pub(super) column: u32,
    pub(super) local: i64,
    pub(super) early: i64,
    pub(super) late: i64,
    pub(super) slot: u32,
    pub(super) value: f64,
    pub(super) quality: u8,
    pub(super) tag: Arc<TagEntry>,
}

/// What came out of one piece; lines count from 1 within it, series are slots.
#[derive(Default)]
pub(super) struct Parsed {
    pub(super) block: ReadingBlock,
    pub(super) folds: Vec<FoldReading>,
    pub(super) rejects: Vec<Reject>,
    pub(super) lines: u64,
    pub(super) report: DumpReport,
    /// Cells of wide columns whose tag is unknown: name and count by header (its line within
    /// this piece, 0 for the one in force before) and column.
    pub(super) unknown_cells: BTreeMap<(u64, usize), (String, u64)>,
    /// Line of the last header that changed the columns, 0 for none.
    pub(super) header_line: u64,
    /// The table in force behind this piece.
    pub(super) table: Option<Arc<Table>>,
    pub(super) fatal: Option<ImportError>,
}

impl Parsed {
    pub(super) fn reject(&mut self, reject: Reject, rows: u64) {
        if rows > 0 {
            *self.report.rejected.entry(reject.reason).or_default() += rows;
        }
        self.rejects.push(reject);
    }
}
