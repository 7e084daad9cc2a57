//! A wide dump of many columns, written to a temporary file and read: cells a second and peak
//! memory.
//!
//! Usage: `cargo run --release -p metersift-import --example wide_dump -- [COLUMNS] [ROWS]`
//! (20,000 and 10,000 unless given; the file takes about 1.3 GB).

use metersift_import::{RecordSettings, SourceSettings, TagTable, detect, read_dump};
use metersift_model::SeriesTable;
use std::error::Error;
use std::io::{BufWriter, Write};
use std::time::Instant;

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = std::env::args().skip(1).map(|text| text.parse::<usize>());
    let columns = arguments.next().transpose()?.unwrap_or(20_000);
    let rows = arguments.next().transpose()?.unwrap_or(10_000);
    let file = tempfile::NamedTempFile::new()?;
    write_dump(file.as_file(), columns, rows)?;
    let bytes = file.as_file().metadata()?.len();

    let table = "tag,meter,signal,unit\n/(?P<meter>FT-\\d+)\\.DENS/,,density,kg/m3\n";
    let tags = TagTable::parse(table, "tags.csv", &RecordSettings::default())?;
    let settings = SourceSettings { name: "wide".into(), ..SourceSettings::default() };
    let start = Instant::now();
    let found = detect(file.path(), &settings, "UTC")?;
    let detected_s = start.elapsed().as_secs_f64();
    let mut series = SeriesTable::default();
    let mut sink = |_| Ok(());
    let report =
        read_dump(file.path(), &found.dialect, &tags, &mut series, &mut sink, &mut |_| {})?;
    let seconds = start.elapsed().as_secs_f64() - detected_s;
    let mut out = std::io::stdout().lock();
    writeln!(
        out,
        "{columns} columns, {rows} rows, {bytes} bytes: detected in {detected_s:.2} s, \
         {} readings in {seconds:.2} s, {:.1} million cells/s, peak {} MiB",
        report.delivered,
        report.delivered as f64 / seconds / 1e6,
        peak_mib()
    )?;
    Ok(())
}

fn write_dump(file: &std::fs::File, columns: usize, rows: usize) -> std::io::Result<()> {
    let mut out = BufWriter::with_capacity(1 << 20, file);
    out.write_all(b"time")?;
    for column in 0..columns {
        write!(out, ",FT-{column}.DENS")?;
    }
    // A thousand different values, written out once.
    let values: Vec<String> = (0..1000).map(|n| format!(",{}.{n:03}", 990 + n % 20)).collect();
    for row in 0..rows {
        let (hour, minute) = (row / 60, row % 60);
        write!(out, "\n2024-03-{:02}T{:02}:{minute:02}:00Z", 1 + hour / 24, hour % 24)?;
        for column in 0..columns {
            out.write_all(values[(row * 7 + column * 13) % 1000].as_bytes())?;
        }
    }
    out.write_all(b"\n")?;
    out.flush()
}

/// Peak memory of this process where the system tells it, else 0.
fn peak_mib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmHWM:"));
    let kib = line.and_then(|line| line.split_whitespace().nth(1)?.parse::<u64>().ok());
    kib.unwrap_or(0) / 1024
}
