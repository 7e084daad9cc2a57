//! How fast the store takes readings that come in order, and how large they become.
//!
//! `cargo run --release -p metersift-store --example write_speed -- [rows-in-millions] [days]
//! [memory-MiB] [by-time|by-tag]`
//!
//! The readings: 500 meters with 7 signals, one reading per 15 s with a jitter of some ms, values
//! as a noisy level rounded to the signal's resolution.

#![allow(clippy::print_stdout, reason = "a measurement is printed")]

mod dice;

use dice::Dice;
use metersift_model::{Day, ReadingBlock, Series, SeriesTable, Signal, TimeUs};
use metersift_store::{DumpTotals, Store, StoreSettings};
use std::time::{Duration, Instant};

const METERS: usize = 500;
const SIGNALS: [(Signal, f64, f64, f64); 7] = [
    (Signal::MassFlow, 12_000.0, 40.0, 0.5),
    (Signal::Density, 1_043.0, 0.4, 0.01),
    (Signal::Temperature, 61.0, 0.2, 0.01),
    (Signal::DriveGain, 6.5, 0.05, 0.01),
    (Signal::PickoffInlet, 231.0, 0.15, 0.01),
    (Signal::PickoffOutlet, 229.0, 0.15, 0.01),
    (Signal::TubeFrequency, 182.4, 0.002, 0.0001),
];
const STEP_US: i64 = 15_000_000;
const BLOCK: usize = 65_536;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let number = |i: usize, default: i64| {
        arguments.get(i).and_then(|text| text.parse().ok()).unwrap_or(default)
    };
    let (millions, days, memory_mib) = (number(0, 20), number(1, 1), number(2, 1024));
    let by_tag = arguments.get(3).is_some_and(|order| order == "by-tag");
    let folder = tempfile::tempdir()?;
    let memory_bytes = memory_mib as u64 * 1024 * 1024;
    let settings = StoreSettings { bucket_count: Some(1), memory_bytes };
    let mut store = Store::open(folder.path(), settings)?;
    let mut series = SeriesTable::default();
    for meter in 0..METERS {
        for (signal, ..) in &SIGNALS {
            let meter = format!("FT-{:04}", 3000 + meter);
            series.intern(Series { meter, signal: signal.clone() });
        }
    }
    let n_series = series.len() as i64;
    let rows = millions * 1_000_000;
    let steps = rows / n_series;
    let start = Day(20_519).start();
    let span = days * 86_400_000_000;
    let step_us = if days == 1 { STEP_US.min(span / steps) } else { span / steps };
    let mut dice = Dice(7);
    let mut taken = Duration::ZERO;
    let mut import = store.begin_import()?;
    import.begin_dump("speed.csv", "00")?;
    let mut block = ReadingBlock::default();
    let mut total = 0u64;
    let mut give = |block: &mut ReadingBlock, import: &mut metersift_store::Import<'_>| {
        let begin = Instant::now();
        let result = import.push(block, &series);
        taken += begin.elapsed();
        total += block.len() as u64;
        *block = ReadingBlock::default();
        result
    };
    let mut add = |block: &mut ReadingBlock, id: i64, step: i64| {
        let (_, level, noise, resolution) = &SIGNALS[id as usize % SIGNALS.len()];
        let value = ((level + noise * dice.noise()) / resolution).round() * resolution;
        let jitter = (dice.next() % 900) as i64 * 1000;
        block.series.push(id as u32);
        block.time_us.push(start.0 + step * step_us + jitter);
        block.value.push((value * 1e6).round() / 1e6);
        block.quality.push(192);
        block.line.push(0);
    };
    for i in 0..steps * n_series {
        let (id, step) = if by_tag { (i / steps, i % steps) } else { (i % n_series, i / n_series) };
        add(&mut block, id, step);
        if block.len() == BLOCK {
            give(&mut block, &mut import)?;
        }
    }
    give(&mut block, &mut import)?;
    let pushed = taken;
    let begin = Instant::now();
    import.end_dump(DumpTotals { rows_in: total, first: Some(TimeUs(0)), ..Default::default() })?;
    let outcome = import.commit()?;
    let committed = begin.elapsed();
    let seconds = (pushed + committed).as_secs_f64();
    let bytes: u64 = store.day_files().iter().map(|file| file.bytes).sum();
    println!(
        "{total} rows, {} day files, {} spills: push {:.2} s, commit {:.2} s, {:.2} M rows/s, \
         {:.2} bytes/row",
        outcome.days.len(),
        outcome.spills,
        pushed.as_secs_f64(),
        committed.as_secs_f64(),
        total as f64 / seconds / 1e6,
        bytes as f64 / total as f64,
    );
    let begin = Instant::now();
    let mut read = 0u64;
    for file in store.day_files() {
        store.for_each_run(file.day(), 0, &mut |run| read += run.time_us.len() as u64)?;
    }
    let rate = read as f64 / begin.elapsed().as_secs_f64() / 1e6;
    println!("read back by one thread, hash included: {rate:.1} M rows/s");
    Ok(())
}
