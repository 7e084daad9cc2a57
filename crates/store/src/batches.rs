//! The meters of one day file, each whole, in batches of a few row groups.
//!
//! Why:    row groups are decoded on their own, and what the caller makes of a meter takes longer
//!         than to read it: while the cores work on some groups, the next ones are decoded.
//! Out:    meters in order of name. Columns are views of what was decoded; copied is only a series
//!         that was split over two groups. A meter that goes on in the next group waits for it.
//! Memory: the groups at hand and as many ahead: twice the threads, else two.

use crate::day_reader::{DayFileReader, DecodedGroup};
use crate::error::StoreError;
use crate::runs::{MeterRuns, RunRef};
use arrow::buffer::ScalarBuffer;
use rayon::prelude::*;
use std::ops::Range;
use std::sync::Arc;

/// One series, or as much of it as one group holds.
struct Series {
    meter: Arc<str>,
    signal: Arc<str>,
    time_us: ScalarBuffer<i64>,
    value: ScalarBuffer<f64>,
    quality: ScalarBuffer<u8>,
}

/// Batches on one core, each read when the one before is done with.
pub(crate) fn each_batch(
    reader: &DayFileReader,
    f: &mut dyn FnMut(&[MeterRuns<'_>]),
) -> Result<(), StoreError> {
    let mut held = Vec::new();
    for number in 0..reader.groups() {
        append(&mut held, &reader.group(number)?);
        give(&split_whole(&mut held, number + 1 == reader.groups()), f);
    }
    Ok(())
}

/// Batches of as many groups as there are threads, the next ones read meanwhile.
pub(crate) fn each_batch_ahead(
    reader: &DayFileReader,
    f: &mut (dyn FnMut(&[MeterRuns<'_>]) + Send),
) -> Result<(), StoreError> {
    let at_once = rayon::current_num_threads();
    let window = |start: usize| start..(start + at_once).min(reader.groups());
    let mut held = Vec::new();
    let mut ahead = decode(reader, window(0))?;
    for next in (0..reader.groups()).step_by(at_once).map(|start| window(start).end) {
        ahead.iter().for_each(|group| append(&mut held, group));
        let batch = split_whole(&mut held, next == reader.groups());
        drop(ahead);
        let f = &mut *f;
        // The batch goes as soon as it is done with, not when the next one is there.
        let work = move || give(&batch, &mut |meters| f(meters));
        ahead = rayon::join(work, || decode(reader, window(next))).1?;
    }
    Ok(())
}

fn decode(reader: &DayFileReader, groups: Range<usize>) -> Result<Vec<DecodedGroup>, StoreError> {
    groups.into_par_iter().with_max_len(1).map(|number| reader.group(number)).collect()
}

/// Adds the series of a group; one that began in the group before is put together.
fn append(held: &mut Vec<Series>, group: &DecodedGroup) {
    for run in &group.runs {
        let rows = run.end - run.start;
        let next = Series {
            meter: run.meter.clone(),
            signal: run.signal.clone(),
            time_us: group.time_us.slice(run.start, rows),
            value: group.value.slice(run.start, rows),
            quality: group.quality.slice(run.start, rows),
        };
        match held.last_mut() {
            Some(last) if last.meter == next.meter && last.signal == next.signal => {
                last.time_us = joined(&last.time_us, &next.time_us);
                last.value = joined(&last.value, &next.value);
                last.quality = joined(&last.quality, &next.quality);
            }
            _ => held.push(next),
        }
    }
}

fn joined<T: arrow::datatypes::ArrowNativeType>(
    first: &ScalarBuffer<T>,
    second: &ScalarBuffer<T>,
) -> ScalarBuffer<T> {
    [&first[..], &second[..]].concat().into()
}

/// Takes the meters that are whole: the last one may go on in the next group, if there is one.
fn split_whole(held: &mut Vec<Series>, is_last: bool) -> Vec<Series> {
    let of_last = match held.last() {
        Some(last) if !is_last => {
            held.iter().rev().take_while(|series| series.meter == last.meter).count()
        }
        _ => 0,
    };
    let rest = held.split_off(held.len() - of_last);
    std::mem::replace(held, rest)
}

fn give(batch: &[Series], f: &mut dyn FnMut(&[MeterRuns<'_>])) {
    let same_meter = |a: &Series, b: &Series| a.meter == b.meter;
    let meters: Vec<MeterRuns<'_>> = batch
        .chunk_by(same_meter)
        .map(|series| MeterRuns {
            meter: &series[0].meter,
            runs: series.iter().map(Series::run).collect(),
        })
        .collect();
    if !meters.is_empty() {
        f(&meters);
    }
}

impl Series {
    fn run(&self) -> RunRef<'_> {
        RunRef {
            meter: &self.meter,
            signal: &self.signal,
            time_us: &self.time_us,
            value: &self.value,
            quality: &self.quality,
        }
    }
}
