//! Rows per second of parsing alone: a generated long dump of ten million rows.
//!
//! `cargo run --release -p metersift-import --example parse_speed -- [rows] [shuffled] [local]`
//! writes the dump (tags in turn, or in random order; times in UTC, or local without offset) to
//! the system's folder for temporary files, reads it three times, and removes it.

use metersift_import::{ImportError, RecordSettings, SourceSettings, TagTable, detect, read_dump};
use metersift_model::SeriesTable;
use std::io::Write;

const N_TAGS: usize = 3500;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let rows: usize = args.next().map_or(Ok(10_000_000), |text| text.parse())?;
    let words: Vec<String> = args.collect();
    let shuffled = words.iter().any(|word| word == "shuffled");
    let local = words.iter().any(|word| word == "local");
    let file = tempfile::NamedTempFile::new()?;
    let tags = write_dump(file.path(), rows, shuffled, if local { "" } else { "Z" })?;
    let table = TagTable::parse(&tags, "tags.csv", &RecordSettings::default())?;
    let settings = SourceSettings { name: "speed".into(), ..SourceSettings::default() };
    for round in 0..3 {
        let started = std::time::Instant::now();
        let (delivered, bytes) = read(file.path(), &settings, &table)?;
        let seconds = started.elapsed().as_secs_f64();
        report(round, delivered, bytes, seconds)?;
    }
    Ok(())
}

fn report(round: usize, rows: u64, bytes: u64, seconds: f64) -> std::io::Result<()> {
    writeln!(
        std::io::stdout(),
        "round {round}: {rows} rows, {bytes} bytes in {seconds:.2} s: {:.2} M rows/s, {:.2} GB/s",
        rows as f64 / seconds / 1e6,
        bytes as f64 / seconds / 1e9
    )
}

fn read(
    path: &std::path::Path,
    settings: &SourceSettings,
    table: &TagTable,
) -> Result<(u64, u64), ImportError> {
    let dialect = detect(path, settings, "Europe/Berlin")?.dialect;
    let mut series = SeriesTable::default();
    let mut sum = 0.0;
    let mut sink = |block: metersift_model::ReadingBlock| {
        sum += block.value.first().copied().unwrap_or(0.0);
        Ok(())
    };
    let report = read_dump(path, &dialect, table, &mut series, &mut sink, &mut |_| {})?;
    Ok((report.delivered, report.bytes))
}

fn write_dump(
    path: &std::path::Path,
    rows: usize,
    shuffled: bool,
    offset: &str,
) -> std::io::Result<String> {
    let mut out = std::io::BufWriter::new(std::fs::File::create(path)?);
    let signals = [("DENSITY", "density", "kg/m3"), ("DRIVE_GAIN", "drive_gain", "%")];
    let mut tags = String::from("tag,meter,signal,unit\n");
    for tag in 0..N_TAGS {
        let (name, signal, unit) = signals[tag % 2];
        let meter = 1000 + tag / 2;
        tags.push_str(&format!("FT-{meter}.{name},FT-{meter},{signal},{unit}\n"));
    }
    writeln!(out, "tag,time,value,quality")?;
    let mut state = 1u64;
    for row in 0..rows {
        state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let tag = if shuffled { (state >> 40) as usize % N_TAGS } else { row % N_TAGS };
        let second = row / N_TAGS * 5;
        let (day, second) = (second / 86_400 + 1, second % 86_400);
        let value = 900.0 + (state >> 50) as f64 / 100.0;
        let value = if tag % 2 == 0 { value } else { value / 20.0 };
        writeln!(
            out,
            "FT-{}.{},2026-03-{day:02}T{:02}:{:02}:{:02}.512{offset},{value:.2},192",
            1000 + tag / 2,
            signals[tag % 2].0,
            second / 3600,
            second / 60 % 60,
            second % 60
        )?;
    }
    out.flush()?;
    Ok(tags)
}
