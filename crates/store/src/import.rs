//! One import: readings of any number of dumps in, all of them or none visible afterwards.
//!
//! ```text
//! begin_import -> (begin_dump -> push* -> end_dump | abort_dump)* -> commit
//! ```
//!
//! Readings are buffered by day; when the memory ceiling is near, all days are sorted and spilled
//! to `staging/`. The commit merges, day by day on all cores, what came with what is there, and
//! then follows the protocol of [`crate::commit`]. Dropping an import leaves the store as it was.

use crate::accounts::{DumpTotals, ImportOutcome, LocalDump, names, number_dumps, plan};
use crate::buffer::{Buffers, DayBuffer, SortedDay};
use crate::commit;
use crate::error::{Room, StoreError};
use crate::incoming::{Incoming, SeriesName, ranks};
use crate::layout::{STAGING, Unit, bucket_of};
use crate::ledger::Ledger;
use crate::ration::Ration;
use crate::rejects::{self, RejectFile};
use crate::spill::Run;
use crate::store::Store;
use crate::undo;
use crate::unit_job::{MergeJob, MergedUnit};
use crate::volume::free_bytes;
use metersift_model::{Day, ReadingBlock, Series, SeriesTable};
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Bytes on disk of a spilled reading, and of a stored one with its origin: what was measured
/// (docs/operations.md), rounded up, for messages only.
const SPILLED_BYTES: u64 = 25;
const STORED_BYTES: u64 = 8;

/// Bytes in memory of a reading that waits.
const BUFFERED_BYTES: u64 = 25;

impl Store {
    /// About the room that so many new readings take on the disk, and how much of it is for those
    /// that wait there because memory does not hold them.
    pub fn room_for(&self, readings: u64) -> (Room, u64) {
        let in_memory = self.ration().buffer_bytes() as u64 / BUFFERED_BYTES;
        let waiting_bytes = readings.saturating_sub(in_memory) * SPILLED_BYTES;
        let needs_bytes = waiting_bytes + readings * STORED_BYTES;
        (Room { needs_bytes, free_bytes: free_bytes(self.root()) }, waiting_bytes)
    }
}

/// An import under way.
pub struct Import<'s> {
    store: &'s mut Store,
    buffers: Buffers,
    runs: Vec<Run>,
    series: Vec<Series>,
    dumps: Vec<LocalDump>,
    ration: Ration,
    open: bool,
    /// Staging must go when the import is dropped without a commit.
    staging: bool,
    /// Room on the disk when it began, bytes.
    free_bytes: Option<u64>,
}

impl<'s> Import<'s> {
    pub(crate) fn new(store: &'s mut Store) -> Result<Import<'s>, StoreError> {
        let storage = store.storage();
        storage.remove_dir(STAGING).map_err(|e| StoreError::io("remove", STAGING, e))?;
        storage.create_dir(STAGING).map_err(|e| StoreError::io("create", STAGING, e))?;
        rejects::sweep(&**storage, &store.ledger())?;
        let free_bytes = free_bytes(store.root());
        let ration = store.ration();
        Ok(Import {
            store,
            ration,
            buffers: Buffers::default(),
            runs: Vec::new(),
            series: Vec::new(),
            dumps: Vec::new(),
            open: false,
            staging: true,
            free_bytes,
        })
    }

    /// The ledger as it was when the import began.
    pub fn ledger(&self) -> Arc<Ledger> {
        self.store.ledger()
    }

    /// Begins the reject file of a dump, see [`Store::reject_file`].
    ///
    /// # Errors
    /// Opened for reading.
    pub fn reject_file(&self, dump_hash: &str) -> Result<RejectFile, StoreError> {
        self.store.reject_file(dump_hash, rejects::MOST_REJECT_BYTES)
    }

    /// Begins a dump: its name, and the blake3 of the file as it lies on disk; empty where it will
    /// be told by [`Import::know_hash`].
    ///
    /// # Errors
    /// When a dump is open.
    pub fn begin_dump(&mut self, name: &str, hash: &str) -> Result<(), StoreError> {
        if self.open {
            return Err(StoreError::Mistake { what: "a dump begins while another is open" });
        }
        self.open = true;
        let (name, hash) = (name.into(), hash.into());
        self.dumps.push(LocalDump { name, hash, pushed: 0, totals: None });
        Ok(())
    }

    /// Tells the blake3 of the open dump, where it was not known when the dump began: a dump that
    /// is hashed while it is read need not be read twice.
    ///
    /// # Errors
    /// When no dump is open.
    pub fn know_hash(&mut self, hash: &str) -> Result<(), StoreError> {
        match self.dumps.last_mut() {
            Some(dump) if self.open => dump.hash = hash.into(),
            _ => return Err(StoreError::Mistake { what: "a hash came outside a dump" }),
        }
        Ok(())
    }

    /// Takes a block of readings of the open dump. `series` may have grown since the last call;
    /// it must be the same table all through the import.
    ///
    /// # Errors
    /// No dump is open, a series is unknown, or spilling failed; then drop the import.
    pub fn push(&mut self, block: &ReadingBlock, series: &SeriesTable) -> Result<(), StoreError> {
        self.know(series);
        let known = self.series.len();
        match block.series.iter().max() {
            Some(&id) if id as usize >= known => Err(StoreError::UnknownSeries { id, known }),
            _ => {
                let number = self.begin_block(block)?;
                self.taken(block.len(), |buffers| buffers.push(number, block))
            }
        }
    }

    /// Makes series known. They may be told any time before [`Import::commit`].
    pub fn know(&mut self, series: &SeriesTable) {
        let known = self.series.len();
        self.series.extend_from_slice(series.all().get(known..).unwrap_or(&[]));
    }

    /// As [`Import::push`], for a caller who is done with the block and whose series table is in
    /// other hands just then; it calls [`Import::know`] before the commit.
    ///
    /// # Errors
    /// As [`Import::push`], except that an unknown series is found by the commit.
    pub fn push_block(&mut self, block: ReadingBlock) -> Result<(), StoreError> {
        let number = self.begin_block(&block)?;
        self.taken(block.len(), |buffers| buffers.take_block(number, block))
    }

    /// The local number of the dump that a block belongs to.
    fn begin_block(&self, block: &ReadingBlock) -> Result<u32, StoreError> {
        let rows = block.series.len();
        if [block.time_us.len(), block.value.len(), block.quality.len(), block.line.len()]
            != [rows; 4]
        {
            return Err(StoreError::Mistake { what: "columns of a block have several lengths" });
        }
        match self.dumps.len().checked_sub(1) {
            Some(number) if self.open => Ok(number as u32),
            _ => Err(StoreError::Mistake { what: "readings came outside a dump" }),
        }
    }

    /// Lets the buffers take readings of the open dump, and makes room when they are full.
    fn taken(
        &mut self,
        rows: usize,
        take: impl FnOnce(&mut Buffers) -> Result<(), i64>,
    ) -> Result<(), StoreError> {
        take(&mut self.buffers).map_err(|time_us| StoreError::NoSuchDay { time_us })?;
        if let Some(dump) = self.dumps.last_mut() {
            dump.pushed += rows as u64;
        }
        if self.buffers.bytes() > self.ration.buffer_bytes() {
            self.spill()?;
        }
        Ok(())
    }

    /// Ends the open dump.
    ///
    /// # Errors
    /// When the rows do not add up; the dump stays open and can still be aborted.
    pub fn end_dump(&mut self, totals: DumpTotals) -> Result<(), StoreError> {
        let dump = match self.dumps.last_mut() {
            Some(dump) if self.open => dump,
            _ => return Err(StoreError::Mistake { what: "a dump ends that was not begun" }),
        };
        if dump.hash.is_empty() {
            return Err(StoreError::Mistake { what: "a dump ends without its hash" });
        }
        let accounted = dump.pushed + totals.rejected + totals.ignored + totals.held_back;
        if accounted != totals.rows_in {
            return Err(StoreError::Accounts {
                dump: dump.name.clone(),
                rows_in: totals.rows_in,
                accounted,
                parts: format!(
                    "{} delivered, {} rejected, {} ignored, {} held back",
                    dump.pushed, totals.rejected, totals.ignored, totals.held_back
                ),
            });
        }
        dump.totals = Some(totals);
        self.open = false;
        Ok(())
    }

    /// Forgets the open dump: exactly its readings go. Does nothing when no dump is open.
    pub fn abort_dump(&mut self) {
        if self.open {
            self.buffers.drop_dump(self.dumps.len().wrapping_sub(1) as u32);
            self.open = false;
        }
    }

    fn spill(&mut self) -> Result<(), StoreError> {
        let n_series = self.n_series();
        let days = self.buffers.take();
        let sorted =
            days.into_par_iter().map(|(day, buffer)| (day, buffer.sort(n_series))).collect();
        let needs = self.room_needed();
        let run = Run::write(&**self.store.storage(), self.runs.len(), sorted)
            .map_err(|error| error.needing(needs))?;
        self.runs.push(run);
        Ok(())
    }

    /// Series that readings may name: those known, or more when the table is told later.
    fn n_series(&self) -> usize {
        self.series.len().max(self.buffers.n_series())
    }

    /// Makes everything visible in one step.
    ///
    /// # Errors
    /// Nothing has changed then, unless the error came after the commit point: in that case the
    /// next open finishes the work.
    pub fn commit(mut self) -> Result<ImportOutcome, StoreError> {
        if self.open {
            return Err(StoreError::Mistake { what: "a commit while a dump is open" });
        }
        let spills = self.runs.len();
        let needs = self.room_needed();
        let units = self.merge_all().map_err(|error| error.needing(needs))?;
        let storage = self.store.storage().clone();
        let plan = plan(&*storage, &self.store.ledger(), &self.dumps, units)
            .map_err(|error| error.needing(needs))?;
        if plan.ledger != *self.store.ledger() {
            undo::clear_unknown(&*storage, &self.store.ledger(), &plan.moves)?;
            let intent = commit::prepare(&*storage, &plan.ledger, plan.moves, Vec::new())
                .map_err(|error| error.needing(needs))?;
            // From here on staging is the next start's to judge, whatever happens.
            self.staging = false;
            commit::decide(&*storage)?;
            commit::carry_out(&*storage, &intent, false)?;
            self.store.set_ledger(plan.ledger);
        }
        Ok(ImportOutcome { spills, ..plan.outcome })
    }

    /// About how much room the import needs beside what is there, bytes: what it spills, and the
    /// days that it writes anew before the old ones go. The days are those known so far.
    fn room_needed(&self) -> Room {
        let rows: u64 = self.dumps.iter().map(|dump| dump.pushed).sum();
        let spilled = if self.runs.is_empty() { 0 } else { rows * SPILLED_BYTES };
        let days: BTreeSet<i32> =
            self.runs.iter().flat_map(Run::days).chain(self.buffers.days()).collect();
        let ledger = self.store.ledger();
        let rewritten: u64 = ledger
            .days
            .values()
            .filter(|day| days.contains(&day.unit.day.0))
            .map(|day| day.bytes + day.origin.as_ref().map_or(0, |origin| origin.bytes))
            .sum();
        let needs_bytes = spilled + rewritten + rows * STORED_BYTES;
        Room { needs_bytes, free_bytes: self.free_bytes }
    }

    fn names(&self) -> Vec<SeriesName> {
        let buckets = self.store.bucket_count();
        let name = |series: &Series| SeriesName {
            meter: Arc::from(series.meter.as_str()),
            signal: Arc::from(series.signal.name()),
            bucket: bucket_of(&series.meter, buckets),
        };
        self.series.iter().map(name).collect()
    }

    /// Merges every unit that readings came for, days side by side.
    fn merge_all(&mut self) -> Result<Vec<MergedUnit>, StoreError> {
        let used = self.n_series();
        let known = self.series.len();
        if used > known {
            return Err(StoreError::UnknownSeries { id: used as u32 - 1, known });
        }
        let mut days: BTreeMap<i32, Option<DayBuffer>> =
            self.runs.iter().flat_map(Run::days).map(|day| (day, None)).collect();
        days.extend(self.buffers.take().into_iter().map(|(day, buffer)| (day, Some(buffer))));
        let series = self.names();
        let ranks = ranks(&series);
        let ledger = self.store.ledger();
        // Day files of an older format are written anew by the way.
        let old = ledger.days.values().filter(|day| day.origin.is_none()).map(|day| day.unit);
        let old: BTreeSet<Unit> = old.collect();
        old.iter().for_each(|unit| {
            days.entry(unit.day.0).or_default();
        });
        let numbers = number_dumps(&ledger, &self.dumps);
        let names = names(&ledger, &self.dumps, &numbers);
        let store = &*self.store;
        let job = MergeJob { store, ledger: &ledger, names: &names, keep: None };
        let (storage, runs) = (&**store.storage(), &self.runs);
        let sort = |(day, buffer): (i32, Option<DayBuffer>)| {
            (day, buffer.map_or_else(SortedDay::default, |buffer| buffer.sort(series.len())))
        };
        let mut all = Vec::new();
        let mut days = days.into_iter();
        loop {
            let some: Vec<_> = days.by_ref().take(2 * rayon::current_num_threads()).collect();
            if some.is_empty() {
                return Ok(all);
            }
            let sorted: Vec<(i32, SortedDay)> =
                some.into_par_iter().with_max_len(1).map(sort).collect();
            let mut loads = Vec::new();
            for (day, memory) in &sorted {
                let mut buckets =
                    Incoming::by_bucket(storage, runs, memory, *day, &series, &ranks, &numbers);
                for unit in old.iter().filter(|unit| unit.day.0 == *day) {
                    let nothing = || Incoming::nothing(storage, &numbers);
                    buckets.entry(unit.bucket).or_insert_with(nothing);
                }
                let unit = |bucket| Unit { day: Day(*day), bucket };
                loads
                    .extend(buckets.into_iter().map(|(bucket, work)| job.load(unit(bucket), work)));
            }
            all.extend(job.run_all(self.ration, loads)?);
        }
    }
}

impl Drop for Import<'_> {
    fn drop(&mut self) {
        if self.staging {
            // What cannot be removed now is removed by the next open.
            let _ = self.store.storage().remove_dir(STAGING);
        }
    }
}
