//! How fast daily tables are written and read: `-- [days] [meters] [columns]`.

#![allow(clippy::print_stdout, reason = "a measurement is printed")]

use metersift_model::{ColumnData, Day, Table};
use metersift_store::{Store, StoreSettings};
use rayon::prelude::*;
use std::time::Instant;

fn table(day: Day, meters: usize, columns: usize) -> Table {
    let mut table = Table::default();
    let names = (0..meters).map(|m| Some(format!("FT-{:04}", 3000 + m))).collect();
    table.push("meter", "", ColumnData::Text(names));
    table.push("day", "", ColumnData::Day(vec![Some(day); meters]));
    for c in 0..columns {
        let value = |m: usize| ((m * 31 + c * 17 + day.0 as usize * 7) as f64).sin() * 100.0;
        let name = format!("feature_{c:03}_kg_m3");
        match c % 10 {
            8 => table.push(
                &name,
                "",
                ColumnData::Count((0..meters).map(|m| Some(m as i64)).collect()),
            ),
            9 => table.push(&name, "", ColumnData::Text(vec![None; meters])),
            _ => table.push(&name, "kg/m3", ColumnData::Number((0..meters).map(value).collect())),
        }
    }
    table
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<usize> = std::env::args().skip(1).filter_map(|a| a.parse().ok()).collect();
    let number = |i: usize, default| arguments.get(i).copied().unwrap_or(default);
    let (days, meters, columns) = (number(0, 1000), number(1, 300), number(2, 150));
    let folder = tempfile::tempdir()?;
    let store = Store::open(folder.path(), StoreSettings::default())?;
    let start = Day(20_000);
    let begin = Instant::now();
    (0..days as i32).into_par_iter().try_for_each(|i| {
        let day = start.plus(i);
        store.write_daily(day, 0, &table(day, meters, columns), "inputs")
    })?;
    println!("{days} tables of {meters} x {columns} written in {:.2?}", begin.elapsed());
    let begin = Instant::now();
    let all = store.read_daily(start, start.plus(days as i32))?;
    println!("{} rows read in {:.2?}", all.n_rows(), begin.elapsed());
    let begin = Instant::now();
    let known = (0..days as i32).filter(|&i| store.daily_receipt(start.plus(i), 0).is_some());
    println!("{} receipts looked at in {:.2?}", known.count(), begin.elapsed());
    let begin = Instant::now();
    let narrow =
        store.read_daily_columns(start, start.plus(days as i32), &["feature_001_kg_m3"])?;
    println!("{} rows of one column read in {:.2?}", narrow.n_rows(), begin.elapsed());
    Ok(())
}
