//! Writes one hand-made night in every format to the folder named as first argument:
//! `cargo run --release -p metersift-report --example night -- out`

#[allow(dead_code, reason = "tests use more of it")]
#[path = "../tests/larkmoor/mod.rs"]
mod larkmoor;

use metersift_report::{
    ReportInput, html, write_csv, write_csv_semicolon, write_jsonl, write_parquet, write_xlsx,
};
use std::error::Error;
use std::fs::File;
use std::path::PathBuf;

fn main() -> Result<(), Box<dyn Error>> {
    let folder = PathBuf::from(std::env::args_os().nth(1).unwrap_or_else(|| "out".into()));
    std::fs::create_dir_all(&folder)?;
    let file = |name: &str| File::create(folder.join(name));
    let night = larkmoor::night();
    let page = html(&ReportInput {
        site: "Larkmoor Works",
        card: &night.card,
        lists: &night.lists,
        verdicts: &night.verdicts,
        daily: &night.daily,
        records: &night.records,
        health: &night.health,
        summary: &night.summary,
    });
    std::fs::write(folder.join("index.html"), page)?;
    write_xlsx(&night.lists, "Larkmoor Works", file("lists.xlsx")?, &night.card)?;
    write_csv(&night.daily, file("daily.csv")?, &night.card)?;
    write_csv_semicolon(&night.daily, file("daily-semicolon.csv")?, &night.card)?;
    write_jsonl(&night.daily, file("daily.jsonl")?, &night.card)?;
    write_parquet(&night.daily, file("daily.parquet")?, &night.card)?;
    Ok(())
}
