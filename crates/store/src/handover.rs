//! Where one dump hands over to another within a series: the readings on both sides.
//!
//! Why:    an export whose unit was switched steps there and nowhere else. Whoever asks gets the
//!         last readings before and the first after, and judges them himself.
//! Method: per bucket, the first and last days of each dump asked for and the nearest days with
//!         readings beside them are read; only good finite readings count. A handover is a pair
//!         of neighbouring readings of two dumps, the later to come being asked for; of one
//!         series and pair of dumps the first is given. Another header in mid-dump is a handover
//!         of a dump to itself.
//! Limits: a series whose first reading comes later than the second day of a longer dump is not
//!         seen there. What came before is not looked for farther back than a week.

use crate::error::StoreError;
use crate::layout::Unit;
use crate::ledger::{DumpEntry, DumpState, Ledger, NotedStep};
use crate::runs::{OriginRun, RunRef};
use crate::store::Store;
use metersift_model::Day;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

/// Readings given of each side.
pub const MOST_READINGS: usize = 64;
/// Days at each end of a dump that are read.
const END_DAYS: usize = 2;
/// Days without readings that are looked across.
const LOOK_BACK_DAYS: i32 = 7;
/// OPC Classic: good.
const GOOD: u8 = 192;

/// A handover in one series.
#[derive(Clone, Debug, PartialEq)]
pub struct Handover {
    /// Meter.
    pub meter: String,
    /// Signal name.
    pub signal: String,
    /// Number of the dump that told the readings before.
    pub from: u32,
    /// Number of the dump that told the readings after; `from` itself at a change of its header.
    pub to: u32,
    /// Time and value of the last readings before, oldest first; microseconds UTC, storage unit.
    pub before: Vec<(i64, f64)>,
    /// The first after.
    pub after: Vec<(i64, f64)>,
}

/// A stretch of one series that one dump told.
struct Stretch {
    /// Dump, and how many of its changes of header stand above.
    teller: (u32, usize),
    head: Vec<(i64, f64)>,
    tail: Vec<(i64, f64)>,
}

type Key = (String, String);

impl Store {
    /// The handovers in which one of `dumps` is the later to come.
    ///
    /// # Errors
    /// A damaged file, or the system's answer.
    pub fn handovers(&self, dumps: &BTreeSet<u32>) -> Result<Vec<Handover>, StoreError> {
        let ledger = self.ledger();
        let mut found = Vec::new();
        for bucket in 0..self.bucket_count() {
            let days = days_to_read(&ledger, dumps, bucket);
            if one_teller(&ledger, &days, bucket) {
                continue;
            }
            let mut walk = Walk { asked: dumps, open: BTreeMap::new(), found: BTreeMap::new() };
            let mut last: Option<Day> = None;
            for some in days.chunks(rayon::current_num_threads()) {
                let read: Result<Vec<_>, StoreError> = some
                    .par_iter()
                    .map(|&day| self.stretches(&ledger, Unit { day, bucket }))
                    .collect();
                for (&day, stretches) in some.iter().zip(read?) {
                    let skipped = last.is_some_and(|last| between(&ledger, last, day, bucket));
                    if skipped {
                        walk.open.clear();
                    }
                    walk.take(stretches);
                    last = Some(day);
                }
            }
            found.extend(walk.found.into_values());
        }
        Ok(found)
    }

    /// Dumps whose handovers nobody has looked at: they came since, or their readings changed.
    pub fn dumps_to_look_at(&self) -> BTreeSet<u32> {
        let unseen = |dump: &&DumpEntry| dump.steps.is_none() && dump.state == DumpState::Imported;
        self.ledger().dumps.iter().filter(unseen).map(|dump| dump.number).collect()
    }

    /// Writes down what was found at the handovers of dumps; one without an entry in `steps` was
    /// looked at and nothing was found.
    ///
    /// # Errors
    /// Opened for reading, or the system's answer; nothing has changed then.
    pub fn note_steps(
        &mut self,
        dumps: &BTreeSet<u32>,
        mut steps: BTreeMap<u32, Vec<NotedStep>>,
    ) -> Result<(), StoreError> {
        self.ready_to_write()?;
        let mut ledger = (*self.ledger()).clone();
        for dump in ledger.dumps.iter_mut().filter(|dump| dumps.contains(&dump.number)) {
            dump.steps = Some(steps.remove(&dump.number).unwrap_or_default());
        }
        if ledger == *self.ledger() {
            return Ok(());
        }
        ledger.sequence += 1;
        self.commit_plan(ledger, Vec::new(), Vec::new())
    }

    /// The stretches of every series of a unit.
    fn stretches(
        &self,
        ledger: &Ledger,
        unit: Unit,
    ) -> Result<BTreeMap<Key, Vec<Stretch>>, StoreError> {
        let tellers: Vec<&DumpEntry> =
            ledger.dumps.iter().filter(|dump| told(dump, unit)).collect();
        let mut all: BTreeMap<Key, Vec<Stretch>> = BTreeMap::new();
        let headers: BTreeMap<u32, &[u64]> =
            tellers.iter().map(|dump| (dump.number, dump.header_lines.as_slice())).collect();
        let mut take = |origin: OriginRun<'_>| {
            let run = origin.run;
            let key = (run.meter.to_string(), run.signal.to_string());
            let stretches = all.entry(key).or_default();
            let mut from = 0;
            // Most runs are of one dump, and of a long one its two ends are all that is wanted.
            for told in origin.dump.chunk_by(|a, b| a == b) {
                let part = from..from + told.len();
                from = part.end;
                let headers = headers.get(&told[0]).copied().unwrap_or(&[]);
                if headers.is_empty() {
                    add(stretches, (told[0], 0), &run, part);
                    continue;
                }
                for i in part {
                    let line = u64::from(origin.line.get(i).copied().unwrap_or(0));
                    let above = headers.iter().filter(|&&header| header < line).count();
                    add(stretches, (told[0], above), &run, i..i + 1);
                }
            }
        };
        match tellers.as_slice() {
            // The common night: one dump told all of the day, and nobody need look it up.
            [one] if one.header_lines.is_empty() => {
                self.each_run_told_by(one.number, unit, &mut take)
            }
            _ => self.for_each_run_with_origin(unit.day, unit.bucket, &mut take),
        }
        .map_err(|error| self.naming_dumps(error, unit))?;
        Ok(all)
    }

    /// The runs of a unit, group by group: a series may come in several.
    fn each_run_told_by(
        &self,
        dump: u32,
        unit: Unit,
        take: &mut dyn FnMut(OriginRun<'_>),
    ) -> Result<(), StoreError> {
        let Some(mut reader) = self.day_reader(unit)? else { return Ok(()) };
        let mut dumps: Vec<u32> = Vec::new();
        while let Some(group) = reader.next_group()? {
            for run in &group.runs {
                let part = run.start..run.end;
                dumps.resize(part.len(), dump);
                let run = RunRef {
                    meter: &run.meter,
                    signal: &run.signal,
                    time_us: &group.time_us[part.clone()],
                    value: &group.value[part.clone()],
                    quality: &group.quality[part],
                };
                take(OriginRun { run, dump: &dumps, line: &[] });
            }
        }
        Ok(())
    }
}

fn told(dump: &DumpEntry, unit: Unit) -> bool {
    dump.state != DumpState::Withdrawn && dump.units.contains_key(&unit)
}

/// Whether one dump with one header told all of some days: nobody hands over to anybody.
fn one_teller(ledger: &Ledger, days: &[Day], bucket: u32) -> bool {
    let of_any = |dump: &&DumpEntry| days.iter().any(|&day| told(dump, Unit { day, bucket }));
    let mut tellers = ledger.dumps.iter().filter(of_any);
    let first = tellers.next();
    tellers.next().is_none() && first.is_none_or(|dump| dump.header_lines.is_empty())
}

/// Adds readings that one dump told: the first of them to the head, the last to the tail.
fn add(
    stretches: &mut Vec<Stretch>,
    teller: (u32, usize),
    run: &RunRef<'_>,
    part: std::ops::Range<usize>,
) {
    let good = |&i: &usize| run.quality[i] >= GOOD && run.value[i].is_finite();
    let reading = |i: usize| (run.time_us[i], run.value[i]);
    let mut last: Vec<(i64, f64)> =
        part.clone().rev().filter(good).take(MOST_READINGS).map(reading).collect();
    if last.is_empty() {
        return;
    }
    last.reverse();
    if stretches.last().is_none_or(|last| last.teller != teller) {
        stretches.push(Stretch { teller, head: Vec::new(), tail: Vec::new() });
    }
    if let Some(stretch) = stretches.last_mut() {
        let missing = MOST_READINGS - stretch.head.len();
        stretch.head.extend(part.filter(good).take(missing).map(reading));
        stretch.tail.extend(last);
        let surplus = stretch.tail.len().saturating_sub(MOST_READINGS);
        stretch.tail.drain(..surplus);
    }
}

/// The days of a bucket where dumps begin and end, and the nearest beside them.
fn days_to_read(ledger: &Ledger, dumps: &BTreeSet<u32>, bucket: u32) -> Vec<Day> {
    let days: Vec<Day> =
        ledger.days.keys().filter(|unit| unit.bucket == bucket).map(|unit| unit.day).collect();
    let mut wanted = BTreeSet::new();
    for dump in dumps.iter().filter_map(|&number| ledger.dump(number)) {
        let own: Vec<usize> = dump
            .units
            .keys()
            .filter(|unit| unit.bucket == bucket)
            .filter_map(|unit| days.binary_search(&unit.day).ok())
            .collect();
        let (Some(&first), Some(&last)) = (own.first(), own.last()) else { continue };
        let near = |a: usize, b: usize| days[b].0 - days[a].0 <= LOOK_BACK_DAYS;
        wanted.extend(own.iter().take(END_DAYS).chain(own.iter().rev().take(END_DAYS)).copied());
        wanted.extend(first.checked_sub(1).filter(|&before| near(before, first)));
        wanted.extend(Some(last + 1).filter(|&after| after < days.len() && near(last, after)));
        if !dump.header_lines.is_empty() {
            wanted.extend(own);
        }
    }
    wanted.into_iter().map(|at| days[at]).collect()
}

/// Whether the bucket has days between two that were read.
fn between(ledger: &Ledger, a: Day, b: Day, bucket: u32) -> bool {
    let unit = |day| Unit { day, bucket };
    let inside = ledger.days.range(unit(a.plus(1))..unit(b));
    inside.into_iter().any(|(unit, _)| unit.bucket == bucket)
}

/// Readings whoever told them: time in µs, value.
type Readings = Vec<(i64, f64)>;

/// Days in order, series by series.
struct Walk<'a> {
    asked: &'a BTreeSet<u32>,
    /// The last stretch of each series so far, and its last readings whoever told them.
    open: BTreeMap<Key, ((u32, usize), Readings)>,
    found: BTreeMap<(Key, u32, u32, usize), Handover>,
}

impl Walk<'_> {
    fn take(&mut self, day: BTreeMap<Key, Vec<Stretch>>) {
        for (key, stretches) in day {
            for stretch in stretches {
                self.step(&key, stretch);
            }
        }
    }

    fn step(&mut self, key: &Key, stretch: Stretch) {
        let Stretch { teller, head, tail } = stretch;
        // What an earlier handover still lacks on its far side.
        let lacking = self.found.range_mut((key.clone(), 0, 0, 0)..);
        for (_, handover) in lacking.take_while(|((k, ..), _)| k == key) {
            let missing = MOST_READINGS.saturating_sub(handover.after.len());
            if handover.to == teller.0 && missing > 0 {
                let last = handover.after.last().map_or(i64::MIN, |reading| reading.0);
                handover.after.extend(head.iter().filter(|r| r.0 > last).take(missing));
            }
        }
        if let Some((before, readings)) = self.open.get(key)
            && *before != teller
            && self.asked.contains(&before.0.max(teller.0))
        {
            let id = (key.clone(), before.0, teller.0, teller.1);
            self.found.entry(id).or_insert_with(|| Handover {
                meter: key.0.clone(),
                signal: key.1.clone(),
                from: before.0,
                to: teller.0,
                before: last_of(readings).to_vec(),
                after: head,
            });
        }
        let (last, readings) = self.open.entry(key.clone()).or_insert_with(|| (teller, Vec::new()));
        *last = teller;
        readings.extend(tail);
        let surplus = readings.len().saturating_sub(MOST_READINGS);
        readings.drain(..surplus);
    }
}

fn last_of(readings: &[(i64, f64)]) -> &[(i64, f64)] {
    &readings[readings.len().saturating_sub(MOST_READINGS)..]
}
