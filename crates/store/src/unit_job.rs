//! The job of one unit in a commit: merge, encode, stage, read back.
//!
//! A unit is a pure function of what came, what is there and the ledger: no clock, no thread
//! count. Units run side by side; within one, groups are merged while others are encoded.

use crate::conflicts::{ConflictPart, ConflictSink, DumpNames};
use crate::day_file::{self, Group};
use crate::day_reader::{verify_staged, verify_staged_origin};
use crate::error::StoreError;
use crate::group_writer::{GroupWriter, Rows, Written};
use crate::incoming::Incoming;
use crate::layout::Unit;
use crate::ledger::{DayFile, FileStamp, Ledger};
use crate::merge::{Counts, Keep, UnitMerge};
use crate::ration::{Load, Ration, Wave};
use crate::storage::Storage;
use crate::store::Store;
use crate::tellings;
use rayon::prelude::*;
use std::sync::Arc;

/// What became of one unit.
pub(crate) struct MergedUnit {
    pub unit: Unit,
    pub counts: Vec<Counts>,
    pub conflicts: ConflictPart,
    /// Readings that went.
    pub removed: u64,
    /// Readings that stand otherwise without what went.
    pub restored: u64,
    pub fate: Fate,
}

/// What becomes of the files of a unit.
pub(crate) enum Fate {
    /// Nothing differs.
    Stays,
    /// Nothing is left.
    Gone,
    /// Files are staged: the origin file, and the day file if it has become another.
    Written { day: DayFile, samples: bool },
}

/// How a unit is merged.
#[derive(Clone, Copy)]
pub(crate) struct MergeJob<'a> {
    pub store: &'a Store,
    pub ledger: &'a Ledger,
    pub names: &'a DumpNames,
    /// Dumps that count; all when `None`.
    pub keep: Option<Keep<'a>>,
}

impl MergeJob<'_> {
    /// A unit and how much there is to do for it.
    pub(crate) fn load<'i>(&self, unit: Unit, work: Incoming<'i>) -> Load<Incoming<'i>> {
        let there = self.ledger.days.get(&unit).map(|day| day.rows);
        let rows = work.rows() + there.unwrap_or(0);
        Load { unit, rows, existing: there.is_some(), work }
    }

    /// Merges units side by side, as many at a time as the memory holds; the results are in their
    /// order.
    pub(crate) fn run_all(
        self,
        ration: Ration,
        loads: Vec<Load<Incoming<'_>>>,
    ) -> Result<Vec<MergedUnit>, StoreError> {
        let mut all = Vec::with_capacity(loads.len());
        // A thread that waits within a unit takes up whatever else there is to do. It must not find
        // all other units: each holds some row groups in memory.
        for wave in ration.waves(loads) {
            let merged: Result<Vec<MergedUnit>, StoreError> = wave
                .into_par_iter()
                .with_max_len(1)
                .map(|(load, wave)| {
                    let merged = self.run(load.unit, &load.work, wave);
                    // What is there is read as it is merged.
                    merged.map_err(|error| self.store.naming_dumps(error, load.unit))
                })
                .collect();
            all.extend(merged?);
        }
        Ok(all)
    }

    /// Merges one unit and stages the files that have become others.
    fn run(
        self,
        unit: Unit,
        incoming: &Incoming<'_>,
        wave: Wave,
    ) -> Result<MergedUnit, StoreError> {
        let there = self.ledger.days.get(&unit);
        // A day file of an older format is written anew whatever came.
        let old = there.is_some_and(|day| day.origin.is_none());
        let rows = there.map_or(0, |day| day.rows);
        let mut samples = true;
        if !old && (self.keep.is_some() || incoming.rows() <= 2 * rows) {
            // Dumps overlap: often all that came is there. Finding out costs a fraction of writing.
            let mut sink = ConflictSink::blind();
            let existing = self.store.existing(unit)?;
            let mut merge = UnitMerge::new(incoming, existing, self.keep, &mut sink);
            while !merge.samples_changed && merge.next_group()?.is_some() {}
            samples = merge.samples_changed;
            if !samples && !merge.told_new() && self.keep.is_none() {
                let (counts, conflicts) = (merge.counts, ConflictPart::default());
                return Ok(MergedUnit {
                    unit,
                    counts,
                    conflicts,
                    removed: 0,
                    restored: 0,
                    fate: Fate::Stays,
                });
            }
        }
        let storage = self.store.storage();
        let mut sink = ConflictSink::new(storage.clone(), self.names.clone(), unit);
        let existing = self.store.existing(unit)?;
        let mut merge = UnitMerge::new(incoming, existing, self.keep, &mut sink);
        let written = UnitWriter::write(&**storage, unit, samples, &mut merge, wave)?;
        let (counts, removed) = (std::mem::take(&mut merge.counts), merge.removed);
        let restored = merge.restored;
        let samples = merge.samples_changed || old;
        let fate = self.fate(unit, written, samples)?;
        let conflicts = sink.finish()?;
        Ok(MergedUnit { unit, counts, conflicts, removed, restored, fate })
    }

    /// Reads back what was staged, and takes away what is as it was.
    fn fate(
        self,
        unit: Unit,
        written: Option<(Option<Written>, Written)>,
        samples: bool,
    ) -> Result<Fate, StoreError> {
        let Some((day, origin)) = written else {
            let there = self.ledger.days.contains_key(&unit);
            return Ok(if there { Fate::Gone } else { Fate::Stays });
        };
        let storage: &Arc<dyn Storage> = self.store.storage();
        let origin_path = unit.staged_origin_path();
        let parts = verify_staged_origin(storage, &origin_path, &origin)?;
        let Written { bytes, rows, hash, .. } = origin;
        let origin = Some(FileStamp { bytes, rows, hash, parts });
        let path = unit.staged_path();
        match (day, self.ledger.days.get(&unit)) {
            (day, Some(there)) if !samples => {
                if day.is_some() {
                    storage.remove(&path).map_err(|e| StoreError::io("remove", &path, e))?;
                }
                Ok(Fate::Written { day: DayFile { origin, ..there.clone() }, samples })
            }
            (Some(day), _) => {
                let parts = verify_staged(storage, &path, &day)?;
                let Written { bytes, rows, hash, .. } = day;
                Ok(Fate::Written {
                    day: DayFile { unit, bytes, rows, hash, parts, origin },
                    samples: true,
                })
            }
            (None, _) => Err(StoreError::Mistake { what: "a changed day file was not written" }),
        }
    }
}

/// Writes the two files of a unit side by side.
struct UnitWriter {
    samples: Option<GroupWriter>,
    origin: GroupWriter,
    rows: u64,
}

impl UnitWriter {
    /// Merges and encodes, at the same time where memory allows: while one wave of groups is
    /// encoded, the next is merged. `None` when there is nothing to write.
    fn write(
        storage: &dyn Storage,
        unit: Unit,
        samples: bool,
        merge: &mut UnitMerge<'_>,
        size: Wave,
    ) -> Result<Option<(Option<Written>, Written)>, StoreError> {
        let mut wave = next_wave(merge, size)?;
        if wave.is_empty() {
            return Ok(None);
        }
        let (path, origin) = (unit.staged_path(), unit.staged_origin_path());
        let day_file = |path: &str| {
            GroupWriter::create(storage, path, day_file::schema(), day_file::properties())
        };
        let mut writer = UnitWriter {
            samples: samples.then(|| day_file(&path)).transpose()?,
            origin: GroupWriter::create(
                storage,
                &origin,
                tellings::schema(),
                tellings::properties(),
            )?,
            rows: 0,
        };
        while !wave.is_empty() {
            let mut days: Vec<Rows> = Vec::new();
            let mut tellings: Vec<Rows> = Vec::new();
            for group in wave {
                let wrong = |e: arrow::error::ArrowError| StoreError::writing(&path, e.into());
                let (rows, told) = group.into_rows().map_err(wrong)?;
                tellings.extend(told.into_rows(writer.rows));
                writer.rows += rows.rows;
                days.push(rows);
            }
            let encode_days = || match &writer.samples {
                Some(samples) => samples.encode(days),
                None => Ok(Vec::new()),
            };
            let encode = || rayon::join(encode_days, || writer.origin.encode(tellings));
            let ((days, tellings), next) = match size.overlapped {
                true => rayon::join(encode, || next_wave(merge, size)),
                false => (encode(), Ok(Vec::new())),
            };
            if let Some(samples) = &mut writer.samples {
                samples.append(days?)?;
            }
            writer.origin.append(tellings?)?;
            wave = if size.overlapped { next? } else { next_wave(merge, size)? };
        }
        let samples = writer.samples.map(GroupWriter::finish).transpose()?;
        Ok(Some((samples, writer.origin.finish()?)))
    }
}

/// The groups of one wave.
fn next_wave(merge: &mut UnitMerge<'_>, size: Wave) -> Result<Vec<Group>, StoreError> {
    let mut wave = Vec::new();
    while wave.len() < size.groups {
        match merge.next_group()? {
            Some(group) => wave.push(group),
            None => break,
        }
    }
    Ok(wave)
}
