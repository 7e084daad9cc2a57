//! One meter and signal of a whole store, beside reading everything: seconds, bytes and readings.
//!
//! `cargo run --release -p metersift-store --example one_meter -- STORE METER SIGNAL [DAYS]`
//! `cargo run --release -p metersift-store --example one_meter -- make STORE [METERS DAYS READINGS]`
//!
//! `make` lays out a store through its own writer: 7 signals per meter, so many readings of each a
//! day at uneven times, values as a noisy level rounded to the signal's resolution; a month at a
//! time, as dumps come. Usual: 500 meters, 1,095 days, 100 readings.
//!
//! Without it, the first line of a round reads what may hold the meter and hashes that; the second
//! reads and hashes all of the same days, the origin files included, as the first does. Bytes are
//! those that the process read (`rchar`), where the system tells it.

#![allow(clippy::print_stdout, reason = "a measurement is printed")]

mod dice;

use dice::Dice;
use metersift_model::{Day, ReadingBlock, Series, SeriesId, SeriesTable, Signal};
use metersift_store::{DumpTotals, Store, StoreSettings};
use std::path::Path;
use std::time::Instant;

const SIGNALS: [(Signal, f64, f64, f64); 7] = [
    (Signal::MassFlow, 12_000.0, 40.0, 0.5),
    (Signal::Density, 1_043.0, 0.4, 0.01),
    (Signal::Temperature, 61.0, 0.2, 0.01),
    (Signal::DriveGain, 6.5, 0.05, 0.01),
    (Signal::PickoffInlet, 231.0, 0.15, 0.1),
    (Signal::PickoffOutlet, 229.0, 0.15, 0.1),
    (Signal::TubeFrequency, 182.4, 0.002, 0.001),
];
const FIRST_DAY: Day = Day(20_519);
const US_PER_DAY: i64 = 86_400_000_000;
const DAYS_PER_DUMP: i32 = 30;

type Failure = Box<dyn std::error::Error>;

fn main() -> Result<(), Failure> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match arguments.as_slice() {
        [make, root, sizes @ ..] if make == "make" => {
            let number = |i: usize, usual: usize| {
                sizes.get(i).map_or(Ok(usual), |text| text.parse::<usize>())
            };
            lay_out(Path::new(root), number(0, 500)?, number(1, 1_095)?, number(2, 100)?)
        }
        [root, meter, signal, rest @ ..] => {
            let most = rest.first().map(|text| text.parse()).transpose()?.unwrap_or(usize::MAX);
            read(Path::new(root), meter, signal, most)
        }
        _ => Err("STORE METER SIGNAL [DAYS], or make STORE [METERS DAYS READINGS]".into()),
    }
}

fn lay_out(root: &Path, meters: usize, days: usize, readings: usize) -> Result<(), Failure> {
    let settings = StoreSettings { bucket_count: Some(1), memory_bytes: 1 << 30 };
    let mut store = Store::open(root, settings)?;
    let mut series = SeriesTable::default();
    let mut ids = Vec::new();
    for meter in 0..meters {
        for (signal, ..) in &SIGNALS {
            let meter = format!("FT-{:04}", 1000 + meter);
            ids.push(series.intern(Series { meter, signal: signal.clone() }));
        }
    }
    let begin = Instant::now();
    let (mut dice, mut total) = (Dice(7), 0);
    for first in (0..days as i32).step_by(DAYS_PER_DUMP as usize) {
        let mut import = store.begin_import()?;
        import.begin_dump(&format!("from-day-{first}.csv"), &format!("{first:032x}"))?;
        let mut rows_in = 0;
        for day in first..(first + DAYS_PER_DUMP).min(days as i32) {
            let block = one_day(FIRST_DAY.plus(day), &ids, readings, &mut dice);
            rows_in += block.len() as u64;
            import.push(&block, &series)?;
        }
        import.end_dump(DumpTotals { rows_in, ..DumpTotals::default() })?;
        total += import.commit()?.dumps.iter().map(|dump| dump.stored).sum::<u64>();
    }
    let files = store.day_files();
    let bytes: u64 = files.iter().map(|file| file.bytes).sum();
    let origin: u64 = files.iter().filter_map(|file| Some(file.origin.as_ref()?.bytes)).sum();
    let groups: usize = files.iter().map(|file| file.parts.len().saturating_sub(1).max(1)).sum();
    println!(
        "{total} readings, {} day files of {groups} row groups, {bytes} bytes and {origin} of \
         origin, {:.1} s",
        files.len(),
        begin.elapsed().as_secs_f64()
    );
    Ok(())
}

/// One day, series by series, each in order of time.
fn one_day(day: Day, ids: &[SeriesId], readings: usize, dice: &mut Dice) -> ReadingBlock {
    let mut block = ReadingBlock::default();
    let step_us = US_PER_DAY / readings as i64;
    for id in 0..ids.len() {
        let (_, level, noise, resolution) = &SIGNALS[id % SIGNALS.len()];
        for i in 0..readings as i64 {
            // Whole seconds, as a historian that stores by exception has them.
            let late_us = (dice.next() % step_us as u64) as i64 / 1_000_000 * 1_000_000;
            let value = ((level + noise * dice.noise()) / resolution).round() * resolution;
            let at = day.start().0 + i * step_us / 1_000_000 * 1_000_000 + late_us;
            let line = block.len() as u32 + 2;
            block.push(ids[id], at, (value * 1e6).round() / 1e6, 192, line);
        }
    }
    block
}

fn read(root: &Path, meter: &str, signal: &str, most: usize) -> Result<(), Failure> {
    let store = Store::read(root)?;
    let mut days: Vec<_> = store.day_files().iter().map(|file| file.day()).collect();
    days.dedup();
    days.truncate(most);
    for round in 0..2 {
        let (begin, before, mut rows) = (Instant::now(), bytes_read(), 0);
        for &day in &days {
            store.for_each_run_of_meter(day, meter, &mut |origin| {
                if origin.run.signal == signal {
                    rows += origin.run.time_us.len();
                }
            })?;
        }
        let seconds = begin.elapsed().as_secs_f64();
        let bytes = bytes_read() - before;
        println!("one,{round},{} days,{rows} readings,{seconds:.3} s,{bytes} bytes", days.len());
        let (begin, before, mut rows) = (Instant::now(), bytes_read(), 0);
        for &day in &days {
            for bucket in 0..store.bucket_count() {
                store.for_each_run_with_origin(day, bucket, &mut |origin| {
                    if origin.run.meter == meter && origin.run.signal == signal {
                        rows += origin.run.time_us.len();
                    }
                })?;
            }
        }
        let seconds = begin.elapsed().as_secs_f64();
        let bytes = bytes_read() - before;
        println!("all,{round},{} days,{rows} readings,{seconds:.3} s,{bytes} bytes", days.len());
    }
    Ok(())
}

fn bytes_read() -> u64 {
    let io = std::fs::read_to_string("/proc/self/io").unwrap_or_default();
    let line = io.lines().find_map(|line| line.strip_prefix("rchar: "));
    line.and_then(|bytes| bytes.parse().ok()).unwrap_or(0)
}
