//! How long the verdict takes on 1,000 meters with 3 years of days, and how much memory.
//!
//! The fleet is one of the bench, its meters copied under other names and its days laid end to
//! end: what a verdict costs depends on how many days, observables and draws there are, and not
//! on what they say.

use crate::fleets::{self, Made};
use metersift_faults::Fleet;
use metersift_model::{ColumnData, Day, Records, Table};
use std::error::Error;
use std::path::Path;
use std::time::Instant;

const METERS: usize = 1000;
const DAYS: i32 = 1096;

/// Prints seconds per as-of date for a few dates of a year, and the peak of memory.
pub fn run(out: &Path, name: &str, dates: usize) -> Result<(), Box<dyn Error>> {
    let made = fleets::make(out, name, fleets::plan(name)?)?;
    let (daily, records) = enlarged(&made)?;
    println!("{} meters, {} meter-days", records.meters.len(), daily.n_rows());
    let begun = Instant::now();
    let fleet = Fleet::new(&daily, &records, &Default::default())?;
    drop(daily);
    println!("indexed in {:.1} s", begun.elapsed().as_secs_f64());
    let last = made.plan.start.plus(DAYS);
    let mut total = 0.0;
    for i in 0..dates {
        let begun = Instant::now();
        let judged = fleet.judge(last.plus(-(7 * i as i32))).len();
        let took = begun.elapsed().as_secs_f64();
        total += took;
        println!("{judged} meters judged in {took:.1} s; peak {} MiB", peak_mib());
    }
    println!(
        "mean {:.1} s a date, so 52 dates {:.1} min",
        total / dates as f64,
        total / dates as f64 * 52.0 / 60.0
    );
    Ok(())
}

/// Largest resident set so far, where the system tells.
fn peak_mib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let kib = line.and_then(|rest| rest.split_whitespace().next()?.parse::<u64>().ok());
    kib.unwrap_or(0) / 1024
}

fn enlarged(made: &Made) -> Result<(Table, Records), Box<dyn Error>> {
    let names: Vec<String> = made.records.meters.keys().cloned().collect();
    let days = made.plan.days as i32;
    let copies = METERS.div_ceil(names.len());
    let mut records = Records::default();
    for copy in 0..copies {
        for name in names.iter().take(METERS - (copy * names.len()).min(METERS)) {
            let new = renamed(name, copy);
            let mut meter = made.records.meters[name].clone();
            meter.meter.clone_from(&new);
            meter.stream = renamed(&meter.stream, copy);
            meter.series_with = meter.series_with.map(|with| renamed(&with, copy));
            records.meters.insert(new.clone(), meter);
            let all = &made.records;
            records.checks.insert(new.clone(), all.checks.get(name).cloned().unwrap_or_default());
            records.zeros.insert(new, all.zeros.get(name).cloned().unwrap_or_default());
        }
    }
    let meters = made.daily.texts("meter").ok_or("meters")?;
    let dates = made.daily.days("day").ok_or("days")?;
    // Row of the small table, copy and shift of each row of the large one.
    let mut rows: Vec<(usize, usize, i32)> = Vec::new();
    for turn in 0..=DAYS / days {
        for row in 0..made.daily.n_rows() {
            let (Some(name), Some(date)) = (&meters[row], dates[row]) else { continue };
            if date.0 - made.plan.start.0 + turn * days >= DAYS {
                continue;
            }
            let known = |copy: &usize| records.meters.contains_key(&renamed(name, *copy));
            rows.extend((0..copies).filter(known).map(|copy| (row, copy, turn * days)));
        }
    }
    let mut daily = Table::default();
    for column in made.daily.columns.iter().filter(|column| read_by_a_night(&column.name)) {
        let data = match &column.data {
            ColumnData::Text(v) => ColumnData::Text(
                rows.iter()
                    .map(|(row, copy, _)| v[*row].as_ref().map(|name| renamed(name, *copy)))
                    .collect(),
            ),
            ColumnData::Day(v) => ColumnData::Day(
                rows.iter()
                    .map(|(row, _, shift)| v[*row].map(|Day(day)| Day(day + shift)))
                    .collect(),
            ),
            ColumnData::Number(v) => {
                ColumnData::Number(rows.iter().map(|(row, ..)| v[*row]).collect())
            }
            ColumnData::Flag(v) => ColumnData::Flag(rows.iter().map(|(row, ..)| v[*row]).collect()),
            ColumnData::Count(v) => {
                ColumnData::Count(rows.iter().map(|(row, ..)| v[*row]).collect())
            }
            ColumnData::Time(v) => ColumnData::Time(rows.iter().map(|(row, ..)| v[*row]).collect()),
        };
        daily.push(&column.name, &column.unit, data);
    }
    Ok((daily, records))
}

/// What a night of the program reads of the daily table for its verdict and its pictures.
fn read_by_a_night(column: &str) -> bool {
    let of_records = ["meter", "day"];
    let lists =
        [&of_records[..], &metersift_faults::DAILY_COLUMNS, &metersift_report::DAILY_COLUMNS];
    lists.iter().any(|list| list.contains(&column))
}

fn renamed(name: &str, copy: usize) -> String {
    if copy == 0 { name.to_string() } else { format!("{name}-{copy}") }
}
