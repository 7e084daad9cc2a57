//! The job of one unit in a commit: merge, encode, stage, read back.
//!
//! A unit is a pure function of what came, what is there and the ledger: no clock, no thread
//! count. Units run side by side; within one, groups are merged while others are encoded.

use crate::day_file::{DayFileWriter, Group, Written};
use crate::day_reader::{DayFileReader, verify_staged};
use crate::error::StoreError;
use crate::incoming::Incoming;
use crate::layout::Unit;
use crate::ledger::{Ledger, RowCounts};
use crate::merge::{Conflicts, UnitMerge};
use crate::storage::Storage;
use crate::store::Store;

/// What became of one unit.
pub(crate) struct MergedUnit {
    pub unit: Unit,
    pub counts: Vec<RowCounts>,
    pub conflicts: Conflicts,
    /// `None` when its day file stays as it is.
    pub written: Option<Written>,
}

/// Merges one unit and stages its new day file, if it has become another.
pub(crate) fn merge_unit(
    store: &Store,
    ledger: &Ledger,
    unit: Unit,
    incoming: &Incoming<'_>,
    most_conflicts: usize,
) -> Result<MergedUnit, StoreError> {
    let existing = match store.day_bytes(unit)? {
        Some(bytes) => Some(DayFileReader::new(&unit.samples_path(), bytes)?),
        None => None,
    };
    let there = ledger.days.get(&unit).map_or(0, |day| day.rows);
    if incoming.rows() <= 2 * there {
        // Dumps overlap: often all that came is there. Finding out costs a fraction of writing.
        let mut merge = UnitMerge::new(incoming, existing.clone(), most_conflicts);
        while !merge.changed() && merge.next_group()?.is_some() {}
        if !merge.changed() {
            let (counts, conflicts) = (merge.counts, merge.conflicts);
            return Ok(MergedUnit { unit, counts, conflicts, written: None });
        }
    }
    let mut merge = UnitMerge::new(incoming, existing, most_conflicts);
    let path = unit.staged_path();
    let storage = &**store.storage();
    let mut written = write_groups(storage, &path, &mut merge)?;
    if !merge.changed() && written.take().is_some() {
        storage.remove(&path).map_err(|e| StoreError::io("remove", &path, e))?;
    }
    if let Some(written) = &written {
        verify_staged(storage, &path, written)?;
    }
    let (counts, conflicts) = (merge.counts, merge.conflicts);
    Ok(MergedUnit { unit, counts, conflicts, written })
}

/// Merges and encodes at the same time: while one wave of groups is encoded, the next is merged.
fn write_groups(
    storage: &dyn Storage,
    path: &str,
    merge: &mut UnitMerge<'_>,
) -> Result<Option<Written>, StoreError> {
    let mut wave = next_wave(merge)?;
    if wave.is_empty() {
        return Ok(None);
    }
    let mut writer = DayFileWriter::create(storage, path)?;
    while !wave.is_empty() {
        let (encoded, next) = rayon::join(|| writer.encode(wave), || next_wave(merge));
        writer.append(encoded?)?;
        wave = next?;
    }
    writer.finish().map(Some)
}

/// As many groups as there are cores.
fn next_wave(merge: &mut UnitMerge<'_>) -> Result<Vec<Group>, StoreError> {
    let mut wave = Vec::new();
    while wave.len() < rayon::current_num_threads() {
        match merge.next_group()? {
            Some(group) => wave.push(group),
            None => break,
        }
    }
    Ok(wave)
}
