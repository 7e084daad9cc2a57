//! The conflict file: readings that came twice with different values, both values kept.
//!
//! Each unit writes its own part to `staging/` as it is merged, so that no number of conflicts
//! fills the memory; the parts become one file in the order of the units.

use crate::commit::Move;
use crate::csv_text::Line;
use crate::error::StoreError;
use crate::group_writer::HashingFile;
use crate::layout::{CONFLICTS, STAGING, Unit};
use crate::storage::{NewFile, Storage};
use crate::tellings::Told;
use metersift_model::{Signal, TimeUs};
use std::collections::BTreeMap;
use std::io::Write;
use std::sync::Arc;

const HEADER: &str = "meter,signal,time,unit,value_before,quality_before,dump_before,line_before,\
                      value_after,quality_after,dump_after,line_after\n";
/// Text gathered before a write, and read at once.
const PART_BYTES: usize = 1 << 20;

/// Two values for one key.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Conflict {
    pub meter: Arc<str>,
    pub signal: Arc<str>,
    pub time_us: i64,
    /// What does not stand.
    pub before: Told,
    /// What stands.
    pub after: Told,
}

/// Names of dumps by ledger number.
pub(crate) type DumpNames = Arc<BTreeMap<u32, String>>;

/// Takes the conflicts of one unit.
pub(crate) struct ConflictSink {
    /// `None`: nothing is written, for a merge that only looks.
    target: Option<(Arc<dyn Storage>, DumpNames)>,
    path: String,
    file: Option<Box<dyn NewFile>>,
    text: String,
    bytes: u64,
    /// All of them, by meter and signal.
    by_series: BTreeMap<(Arc<str>, Arc<str>), u64>,
}

/// What a unit's conflicts came to.
#[derive(Debug, Default)]
pub(crate) struct ConflictPart {
    pub path: String,
    pub bytes: u64,
    pub by_series: BTreeMap<(Arc<str>, Arc<str>), u64>,
}

impl ConflictSink {
    /// Looks at conflicts and writes none.
    pub(crate) fn blind() -> ConflictSink {
        ConflictSink {
            target: None,
            path: String::new(),
            file: None,
            text: String::new(),
            bytes: 0,
            by_series: BTreeMap::new(),
        }
    }

    pub(crate) fn new(storage: Arc<dyn Storage>, names: DumpNames, unit: Unit) -> ConflictSink {
        let name = unit.to_string().replace('/', "-");
        let path = format!("{STAGING}/{name}.conflicts");
        ConflictSink { target: Some((storage, names)), path, ..ConflictSink::blind() }
    }

    pub(crate) fn add(&mut self, conflict: Conflict) -> Result<(), StoreError> {
        let Some((_, names)) = &self.target else { return Ok(()) };
        let unit = Signal::parse(&conflict.signal).map_or("", |signal| signal.unit());
        let mut line = Line::new(&mut self.text);
        line.text(&conflict.meter).text(&conflict.signal);
        line.text(&TimeUs(conflict.time_us).to_string()).text(unit);
        for told in [conflict.before, conflict.after] {
            let name = names.get(&told.dump).map_or("", String::as_str);
            line.number(told.value).whole(u64::from(told.quality)).text(name);
            match told.line {
                0 => line.text(""),
                known => line.whole(u64::from(known)),
            };
        }
        line.end();
        *self.by_series.entry((conflict.meter, conflict.signal)).or_insert(0) += 1;
        if self.text.len() >= PART_BYTES { self.flush() } else { Ok(()) }
    }

    fn flush(&mut self) -> Result<(), StoreError> {
        let Some((storage, _)) = &self.target else { return Ok(()) };
        let io = |e| StoreError::io("write", &self.path, e);
        let mut file = match self.file.take() {
            Some(file) => file,
            None => storage.create(&self.path).map_err(io)?,
        };
        file.write_all(self.text.as_bytes()).map_err(io)?;
        self.bytes += self.text.len() as u64;
        self.text.clear();
        self.file = Some(file);
        Ok(())
    }

    pub(crate) fn finish(mut self) -> Result<ConflictPart, StoreError> {
        if !self.text.is_empty() {
            self.flush()?;
        }
        if let Some(mut file) = self.file.take() {
            file.flush().map_err(|e| StoreError::io("write", &self.path, e))?;
        }
        let (path, bytes, by_series) = (self.path, self.bytes, self.by_series);
        Ok(ConflictPart { path, bytes, by_series })
    }
}

/// Stages the conflicts of an import as `conflicts/import-NNNNNN.csv`.
pub(crate) fn stage(
    storage: &dyn Storage,
    sequence: u64,
    parts: &[ConflictPart],
) -> Result<Move, StoreError> {
    let name = format!("import-{sequence:06}.csv");
    let from = format!("{STAGING}/{name}");
    let io = |e| StoreError::io("write", &from, e);
    let mut file = HashingFile::create(storage, &from)?;
    file.write_all(HEADER.as_bytes()).map_err(io)?;
    let mut buffer = vec![0; PART_BYTES];
    for part in parts.iter().filter(|part| part.bytes > 0) {
        let read = |e| StoreError::io("read", &part.path, e);
        let open = storage.open(&part.path).map_err(read)?;
        let mut at = 0;
        while at < part.bytes {
            let n = (part.bytes - at).min(PART_BYTES as u64) as usize;
            open.read_at(at, &mut buffer[..n]).map_err(read)?;
            file.write_all(&buffer[..n]).map_err(io)?;
            at += n as u64;
        }
    }
    let written = file.finish(&from, 0)?;
    Ok(Move { from, to: format!("{CONFLICTS}/{name}"), hash: written.hash })
}
