//! Speed of reading alone: a generated dump, plain or packed, long or wide.
//!
//! `cargo run --release -p metersift-import --example parse_speed -- [rows] [shuffled] [local]
//! [wide] [gzip|zstd|zip]` writes the dump (tags in turn, or in random order; times in UTC, or
//! local without offset; one tag per column with `wide`) to the system's folder for temporary
//! files, reads it three times, and removes it. Two limits stand beside: a packed dump unpacked
//! into nothing on one thread by the same crates, and a plain long one merely split into fields
//! with its numbers and times read, from memory, on all threads.

use metersift_import::{ImportError, RecordSettings, SourceSettings, TagTable, detect, read_dump};
use metersift_model::SeriesTable;
use rayon::prelude::*;
use std::io::{Read as _, Write};
use std::path::{Path, PathBuf};

const N_TAGS: usize = 3500;

/// What is written and how it is packed.
#[derive(Clone, Copy)]
struct Kind {
    shuffled: bool,
    local: bool,
    wide: bool,
    packing: &'static str,
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let has = |word: &str| words.iter().any(|given| given == word);
    let rows = words.iter().find_map(|word| word.parse().ok()).unwrap_or(10_000_000);
    let packing = ["gzip", "zstd", "zip"].into_iter().find(|word| has(word)).unwrap_or("plain");
    let kind = Kind { shuffled: has("shuffled"), local: has("local"), wide: has("wide"), packing };
    let file = tempfile::NamedTempFile::new()?;
    let tags = write(file.path(), rows, kind)?;
    let table = TagTable::parse(&tags, "tags.csv", &RecordSettings::default())?;
    let settings = SourceSettings { name: "speed".into(), ..SourceSettings::default() };
    let path = match metersift_import::dumps_in(file.path())? {
        Some(dumps) => dumps.into_iter().next().unwrap_or_default(),
        None => file.path().to_owned(),
    };
    let mut out = std::io::stdout();
    if packing != "plain" {
        for _ in 0..2 {
            let started = std::time::Instant::now();
            let bytes = unpack(file.path(), packing)?;
            let seconds = started.elapsed().as_secs_f64();
            let speed = bytes as f64 / seconds / 1e6;
            writeln!(out, "{packing} alone: {bytes} bytes in {seconds:.2} s: {speed:.0} MB/s")?;
        }
    }
    if packing == "plain" && !kind.wide {
        let text = std::fs::read(file.path())?;
        for _ in 0..2 {
            let started = std::time::Instant::now();
            let sum = split_and_parse(&text);
            let seconds = started.elapsed().as_secs_f64();
            let speed = text.len() as f64 / seconds / 1e6;
            writeln!(out, "split and parse alone: {speed:.0} MB/s (sum {sum:.3e})")?;
        }
    }
    for round in 0..3 {
        let started = std::time::Instant::now();
        let (readings, bytes) = read(&path, &settings, &table)?;
        let seconds = started.elapsed().as_secs_f64();
        writeln!(
            out,
            "round {round}: {readings} readings, {bytes} bytes of text in {seconds:.2} s: \
             {:.2} M readings/s, {:.0} MB/s",
            readings as f64 / seconds / 1e6,
            bytes as f64 / seconds / 1e6
        )?;
    }
    Ok(())
}

/// Fields, numbers and times of a text in memory, summed up so that they are needed.
fn split_and_parse(text: &[u8]) -> f64 {
    let mut pieces = Vec::new();
    let mut rest = text;
    while !rest.is_empty() {
        let goal = rest.len().min(1 << 20);
        let end = memchr::memchr(b'\n', &rest[goal - 1..]).map_or(rest.len(), |at| goal + at);
        let (piece, left) = rest.split_at(end);
        pieces.push(piece);
        rest = left;
    }
    pieces.par_iter().map(|piece| sum_of(piece)).sum()
}

fn sum_of(piece: &[u8]) -> f64 {
    let (mut sum, mut from, mut column) = (0.0, 0, 0);
    for at in memchr::memchr2_iter(b',', b'\n', piece) {
        let field = &piece[from..at];
        match column {
            1 => {
                sum += field
                    .iter()
                    .fold(0u64, |n, b| n.wrapping_mul(10).wrapping_add(u64::from(b & 15)))
                    as f64
            }
            2 => sum += fast_float2::parse::<f64, _>(field).unwrap_or(0.0),
            _ => {}
        }
        column = if piece[at] == b'\n' { 0 } else { column + 1 };
        from = at + 1;
    }
    sum
}

/// Unpacks into nothing.
fn unpack(path: &Path, packing: &str) -> Result<u64, Box<dyn std::error::Error>> {
    let file = std::io::BufReader::with_capacity(256 << 10, std::fs::File::open(path)?);
    let mut buffer = vec![0u8; 1 << 20];
    let mut drain = |mut reader: Box<dyn std::io::Read + '_>| -> std::io::Result<u64> {
        let mut bytes = 0;
        loop {
            match reader.read(&mut buffer)? {
                0 => return Ok(bytes),
                n => bytes += n as u64,
            }
        }
    };
    Ok(match packing {
        "gzip" => drain(Box::new(flate2::bufread::MultiGzDecoder::new(file)))?,
        "zstd" => drain(Box::new(zstd::stream::read::Decoder::with_buffer(file)?))?,
        _ => {
            let mut archive = zip::ZipArchive::new(file)?;
            drain(Box::new(archive.by_index(0)?))?
        }
    })
}

fn read(
    path: &Path,
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
    Ok((report.delivered, report.text_bytes))
}

/// Writes the dump; gives its tag table.
fn write(path: &Path, rows: usize, kind: Kind) -> std::io::Result<String> {
    let file = std::io::BufWriter::new(std::fs::File::create(path)?);
    match kind.packing {
        "gzip" => {
            let mut out = flate2::write::GzEncoder::new(file, flate2::Compression::default());
            let tags = write_dump(&mut out, rows, kind)?;
            out.finish()?.flush()?;
            Ok(tags)
        }
        "zstd" => {
            let mut out = zstd::stream::write::Encoder::new(file, 3)?;
            out.include_checksum(true)?;
            let tags = write_dump(&mut out, rows, kind)?;
            out.finish()?.flush()?;
            Ok(tags)
        }
        "zip" => {
            let mut out = zip::ZipWriter::new(file);
            let options = zip::write::SimpleFileOptions::default().large_file(true);
            out.start_file(PathBuf::from("dump.csv").to_string_lossy(), options)?;
            let tags = write_dump(&mut out, rows, kind)?;
            out.finish()?.flush()?;
            Ok(tags)
        }
        _ => {
            let mut out = file;
            let tags = write_dump(&mut out, rows, kind)?;
            out.flush()?;
            Ok(tags)
        }
    }
}

struct Values(u64);

impl Values {
    fn next(&mut self) -> u64 {
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        self.0
    }
}

const SIGNALS: [(&str, &str, &str); 2] =
    [("DENSITY", "density", "kg/m3"), ("DRIVE_GAIN", "drive_gain", "%")];

fn name(tag: usize) -> String {
    format!("FT-{}.{}", 1000 + tag / 2, SIGNALS[tag % 2].0)
}

fn clock(second: usize) -> String {
    let (day, second) = (second / 86_400 + 1, second % 86_400);
    format!("2026-03-{day:02}T{:02}:{:02}:{:02}.512", second / 3600, second / 60 % 60, second % 60)
}

fn write_dump(out: &mut impl Write, rows: usize, kind: Kind) -> std::io::Result<String> {
    let mut tags = String::from("tag,meter,signal,unit\n");
    for tag in 0..N_TAGS {
        let (_, signal, unit) = SIGNALS[tag % 2];
        tags.push_str(&format!("{},FT-{},{signal},{unit}\n", name(tag), 1000 + tag / 2));
    }
    let offset = if kind.local { "" } else { "Z" };
    let mut values = Values(1);
    let value = |tag: usize, state: u64| {
        let value = 900.0 + (state >> 50) as f64 / 100.0;
        if tag.is_multiple_of(2) { value } else { value / 20.0 }
    };
    if kind.wide {
        let names: Vec<String> = (0..N_TAGS).map(name).collect();
        writeln!(out, "time,{}", names.join(","))?;
        for row in 0..rows / N_TAGS {
            write!(out, "{}{offset}", clock(row * 5))?;
            for tag in 0..N_TAGS {
                write!(out, ",{:.2}", value(tag, values.next()))?;
            }
            writeln!(out)?;
        }
        return Ok(tags);
    }
    let names: Vec<String> = (0..N_TAGS).map(name).collect();
    writeln!(out, "tag,time,value,quality")?;
    for row in 0..rows {
        let state = values.next();
        let tag = if kind.shuffled { (state >> 40) as usize % N_TAGS } else { row % N_TAGS };
        let time = clock(row / N_TAGS * 5);
        writeln!(out, "{},{time}{offset},{:.2},192", names[tag], value(tag, state))?;
    }
    Ok(tags)
}
