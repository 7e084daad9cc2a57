//! Reading what is stored: runs of readings as they stand, with where they came from, or as they
//! stood before some dumps had come.

use crate::batches;
use crate::conflicts::ConflictSink;
use crate::day_file::Group;
use crate::day_reader::DayFileReader;
use crate::error::StoreError;
use crate::incoming::{DumpNumbers, Incoming};
use crate::layout::{Unit, bucket_of};
use crate::ledger::DumpState;
use crate::merge::{Keep, UnitMerge};
use crate::store::Store;
use metersift_model::{Day, TimeUs};
use std::collections::{BTreeMap, BTreeSet};

/// One series of one day, columns of one length in time order.
#[derive(Clone, Copy, Debug)]
pub struct RunRef<'a> {
    /// Meter.
    pub meter: &'a str,
    /// Signal name.
    pub signal: &'a str,
    /// Microseconds UTC, strictly increasing.
    pub time_us: &'a [i64],
    /// Value in the signal's storage unit, NaN where the sample has none.
    pub value: &'a [f64],
    /// OPC Classic quality byte.
    pub quality: &'a [u8],
}

/// All series of one meter on one day, by signal name.
#[derive(Clone, Debug)]
pub struct MeterRuns<'a> {
    /// Meter.
    pub meter: &'a str,
    /// Its series.
    pub runs: Vec<RunRef<'a>>,
}

/// A run and where each of its readings came from.
#[derive(Clone, Copy, Debug)]
pub struct OriginRun<'a> {
    /// The readings.
    pub run: RunRef<'a>,
    /// Ledger number of the dump that told it.
    pub dump: &'a [u32],
    /// Line of that dump, from 1; 0 where it is not known.
    pub line: &'a [u32],
}

impl Store {
    /// Gives every series of one day and bucket, in order of meter and signal, each whole.
    /// Nothing happens when the store has no such day.
    ///
    /// # Errors
    /// A damaged file, found before any of it is handed out; the system's answer.
    pub fn for_each_run(
        &self,
        day: Day,
        bucket: u32,
        f: &mut dyn FnMut(RunRef<'_>),
    ) -> Result<(), StoreError> {
        self.for_each_batch(day, bucket, &mut |meters| each_run(meters, f))
    }

    /// Gives all meters of one day and bucket in batches of about one row group, each meter
    /// whole, in order of name.
    ///
    /// # Errors
    /// As [`Store::for_each_run`].
    pub fn for_each_batch(
        &self,
        day: Day,
        bucket: u32,
        f: &mut dyn FnMut(&[MeterRuns<'_>]),
    ) -> Result<(), StoreError> {
        match self.whole_day(Unit { day, bucket })? {
            Some(reader) => batches::each_batch(&reader, f),
            None => Ok(()),
        }
    }

    /// As [`Store::for_each_batch`], on idle cores: a batch is as many row groups as there are
    /// threads, so that a caller can spread its meters over them, and the next batch is decoded
    /// meanwhile.
    ///
    /// # Errors
    /// As [`Store::for_each_run`].
    pub fn for_each_batch_ahead(
        &self,
        day: Day,
        bucket: u32,
        f: &mut (dyn FnMut(&[MeterRuns<'_>]) + Send),
    ) -> Result<(), StoreError> {
        match self.whole_day(Unit { day, bucket })? {
            Some(reader) => batches::each_batch_ahead(&reader, f),
            None => Ok(()),
        }
    }

    /// The day file of a unit, read and hashed as a whole: its groups are decoded out of order.
    fn whole_day(&self, unit: Unit) -> Result<Option<DayFileReader>, StoreError> {
        let bytes = self.day_bytes(unit)?;
        bytes.map(|bytes| DayFileReader::new(&unit.samples_path(), bytes)).transpose()
    }

    /// As [`Store::for_each_run`], with the dump and line that each reading came from.
    ///
    /// # Errors
    /// As [`Store::for_each_run`].
    pub fn for_each_run_with_origin(
        &self,
        day: Day,
        bucket: u32,
        f: &mut dyn FnMut(OriginRun<'_>),
    ) -> Result<(), StoreError> {
        self.whole_groups(Unit { day, bucket }, &|_| true, &mut |group| group.each_origin_run(f))
    }

    /// As [`Store::for_each_run_with_origin`], of one meter: no more of the day's files is read
    /// than may hold it, and what is read is hashed before it is used.
    ///
    /// # Errors
    /// As [`Store::for_each_run`].
    pub fn for_each_run_of_meter(
        &self,
        day: Day,
        meter: &str,
        f: &mut dyn FnMut(OriginRun<'_>),
    ) -> Result<(), StoreError> {
        let bucket = bucket_of(meter, self.bucket_count());
        self.meter_of(Unit { day, bucket }, meter)?.each_origin_run(f);
        Ok(())
    }

    /// As [`Store::for_each_run`], as the readings stood on the strength of the dumps that had
    /// arrived before a moment.
    ///
    /// A dump has arrived when it was first imported. A dump that was withdrawn counts as never
    /// arrived: it was wrong, and nobody wants to learn from it. Rows that a dump brought only
    /// when it was read again (for a tag that the table lacked) count as arrived with it.
    ///
    /// # Errors
    /// As [`Store::for_each_run`].
    pub fn for_each_run_as_known(
        &self,
        day: Day,
        bucket: u32,
        arrived_before: TimeUs,
        f: &mut dyn FnMut(RunRef<'_>),
    ) -> Result<(), StoreError> {
        self.for_each_batch_as_known(day, bucket, arrived_before, &mut |meters| {
            each_run(meters, f);
        })
    }

    /// As [`Store::for_each_run_as_known`], in batches as [`Store::for_each_batch`].
    ///
    /// # Errors
    /// As [`Store::for_each_run`].
    pub fn for_each_batch_as_known(
        &self,
        day: Day,
        bucket: u32,
        arrived_before: TimeUs,
        f: &mut dyn FnMut(&[MeterRuns<'_>]),
    ) -> Result<(), StoreError> {
        let ledger = self.ledger();
        let known: BTreeSet<u32> = ledger
            .dumps
            .iter()
            .filter(|dump| dump.arrived() < arrived_before)
            .map(|dump| dump.number)
            .collect();
        let keep = |dump: u32| known.contains(&dump);
        self.whole_groups(Unit { day, bucket }, &keep, &mut |group| f(&group.meters()))
    }

    /// Units whose readings may differ from what was known before a moment: those that a dump
    /// touched which arrived at it or later. Of all others the daily rows are right as they are.
    pub fn units_changed_since(&self, arrived: TimeUs) -> Vec<Unit> {
        let ledger = self.ledger();
        let withdrawn: BTreeSet<Unit> = ledger
            .dumps
            .iter()
            .filter(|dump| dump.state == DumpState::Withdrawn)
            .flat_map(|dump| dump.units.keys().copied())
            .collect();
        let mut units = BTreeSet::new();
        for dump in ledger.dumps.iter().filter(|dump| dump.arrived() >= arrived) {
            // What it only repeated stood before, unless that was taken out since.
            let touched =
                dump.units.iter().filter(|(unit, rows)| rows.changed() || withdrawn.contains(unit));
            units.extend(touched.map(|(unit, _)| *unit));
        }
        units.retain(|unit| ledger.days.contains_key(unit));
        units.into_iter().collect()
    }

    /// Hash over all readings that stand, sorted by day, meter, signal and time: the same for
    /// the same readings, whatever the dumps, their order, and the number of buckets.
    ///
    /// # Errors
    /// As [`Store::for_each_run`].
    pub fn digest(&self) -> Result<String, StoreError> {
        let mut whole = blake3::Hasher::new();
        let mut days: BTreeMap<Day, Vec<u32>> = BTreeMap::new();
        for unit in self.ledger().days.keys() {
            days.entry(unit.day).or_default().push(unit.bucket);
        }
        for (day, buckets) in days {
            let mut series: BTreeMap<(String, String), blake3::Hash> = BTreeMap::new();
            for bucket in buckets {
                self.for_each_run(day, bucket, &mut |run| {
                    let key = (run.meter.to_string(), run.signal.to_string());
                    series.insert(key, hash_of_run(&run));
                })?;
            }
            for ((meter, signal), hash) in series {
                for text in [meter, signal] {
                    whole.update(&(text.len() as u64).to_le_bytes());
                    whole.update(text.as_bytes());
                }
                whole.update(hash.as_bytes());
            }
        }
        Ok(whole.finalize().to_hex().to_string())
    }

    /// Gives every run with the number of its tellings; true when something that stands does not
    /// follow from the tellings of dumps that count.
    pub(crate) fn recount(
        &self,
        unit: Unit,
        keep: Keep<'_>,
        f: &mut dyn FnMut(RunRef<'_>, u64),
    ) -> Result<bool, StoreError> {
        let numbers = DumpNumbers::default();
        let nothing = Incoming::nothing(&**self.storage(), &numbers);
        let mut sink = ConflictSink::blind();
        let mut merge = UnitMerge::new(&nothing, self.existing(unit)?, Some(keep), &mut sink);
        let mut wrong = false;
        whole_meters(&mut || merge.next_group(), &mut |group| {
            wrong |= !group.stands();
            let mut row = 0;
            for run in group.meters().iter().flat_map(|meter| &meter.runs) {
                let end = row + run.time_us.len();
                f(*run, (group.told.first_of(end) - group.told.first_of(row)) as u64);
                row = end;
            }
        })?;
        Ok(wrong || merge.samples_changed)
    }

    /// Groups of whole meters, with their tellings, of the dumps that count.
    fn whole_groups(
        &self,
        unit: Unit,
        keep: Keep<'_>,
        f: &mut dyn FnMut(&Group),
    ) -> Result<(), StoreError> {
        let numbers = DumpNumbers::default();
        let nothing = Incoming::nothing(&**self.storage(), &numbers);
        let mut sink = ConflictSink::blind();
        let mut merge = UnitMerge::new(&nothing, self.existing(unit)?, Some(keep), &mut sink);
        whole_meters(&mut || merge.next_group(), f)
    }
}

fn each_run(meters: &[MeterRuns<'_>], f: &mut dyn FnMut(RunRef<'_>)) {
    meters.iter().flat_map(|meter| &meter.runs).for_each(|run| f(*run));
}

fn hash_of_run(run: &RunRef<'_>) -> blake3::Hash {
    let mut bytes = Vec::with_capacity(run.time_us.len() * 17);
    for (i, time) in run.time_us.iter().enumerate() {
        let value = run.value[i];
        // One NaN for all: a file keeps none of their differences.
        let value = if value.is_nan() { f64::NAN } else { value };
        bytes.extend_from_slice(&time.to_le_bytes());
        bytes.extend_from_slice(&value.to_bits().to_le_bytes());
        bytes.push(run.quality[i]);
    }
    blake3::hash(&bytes)
}

/// Regroups row groups so that no meter is split.
fn whole_meters(
    next: &mut dyn FnMut() -> Result<Option<Group>, StoreError>,
    f: &mut dyn FnMut(&Group),
) -> Result<(), StoreError> {
    let mut pending = Group::default();
    while let Some(group) = next()? {
        pending.join(group);
        let whole = pending.rows_before_last_meter();
        if whole > 0 {
            f(&pending.split_front(whole));
        }
    }
    if pending.rows() > 0 {
        f(&pending);
    }
    Ok(())
}

impl Group {
    /// Rows before the first row of the last meter: that one may go on in the next group.
    fn rows_before_last_meter(&self) -> usize {
        let Some(last) = self.segments.last() else { return 0 };
        let of_last = self.segments.iter().rev().take_while(|s| s.meter == last.meter);
        self.rows() - of_last.map(|segment| segment.rows).sum::<usize>()
    }

    fn each_origin_run(&self, f: &mut dyn FnMut(OriginRun<'_>)) {
        let (dump, line) = self.origins();
        let mut start = 0;
        for run in self.meters().iter().flat_map(|meter| &meter.runs) {
            let part = start..start + run.time_us.len();
            start = part.end;
            f(OriginRun { run: *run, dump: &dump[part.clone()], line: &line[part] });
        }
    }

    fn meters(&self) -> Vec<MeterRuns<'_>> {
        let mut meters: Vec<MeterRuns<'_>> = Vec::new();
        let mut start = 0;
        for segment in &self.segments {
            let part = start..start + segment.rows;
            start = part.end;
            let run = RunRef {
                meter: &segment.meter,
                signal: &segment.signal,
                time_us: &self.time_us[part.clone()],
                value: &self.value[part.clone()],
                quality: &self.quality[part],
            };
            match meters.last_mut() {
                Some(last) if last.meter == run.meter => last.runs.push(run),
                _ => meters.push(MeterRuns { meter: run.meter, runs: vec![run] }),
            }
        }
        meters
    }
}
