//! Speed of reading alone: a generated dump, plain or packed, long or wide.
//!
//! `cargo run --release -p metersift-import --example parse_speed -- [rows] [shuffled] [local]
//! [wide] [gzip|zstd|zip]` writes the dump (tags in turn, or in random order; times in UTC, or
//! local without offset; one tag per column with `wide`) to the system's folder for temporary
//! files, reads it three times, and removes it. Three limits stand beside, each measured twice:
//!
//! - a packed dump unpacked into nothing on one thread by the same crates;
//! - a plain long one split at its delimiters, its numbers read and the digits of its times added
//!   up, from memory, on all threads: nothing is looked up, checked or kept;
//! - the same with its times turned into instants, its tags looked up in a `HashMap` of the
//!   standard library, its quality read, and all of it pushed into columns.
//!
//! Processor seconds are those of all threads, where the system tells them (Linux, in steps of
//! 10 ms): beside other work they can be compared, seconds by the clock cannot.

use metersift_import::{ImportError, RecordSettings, SourceSettings, TagTable, detect, read_dump};
use metersift_model::SeriesTable;
use rayon::prelude::*;
use std::collections::HashMap;
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
            let (bytes, spent) = spent_on(|| unpack(file.path(), packing));
            writeln!(out, "{packing} unpacked alone: {}", spent.speed(bytes?))?;
        }
    }
    if packing == "plain" && !kind.wide {
        let text = std::fs::read(file.path())?;
        let numbers: HashMap<Vec<u8>, u32> =
            (0..N_TAGS).map(|tag| (name(tag).into_bytes(), tag as u32)).collect();
        for _ in 0..2 {
            let (sum, spent) = spent_on(|| sum_of_pieces(&text, split_and_parse));
            let speed = spent.speed(text.len() as u64);
            writeln!(out, "split, numbers and digits of times: {speed} (sum {sum:.6e})")?;
        }
        for _ in 0..2 {
            let all = |piece: &[u8]| parse_all(piece, &numbers).map_or(f64::NAN, |c| c.sum());
            let (sum, spent) = spent_on(|| sum_of_pieces(&text, all));
            let speed = spent.speed(text.len() as u64);
            writeln!(out, "split and all parsed into columns: {speed} (sum {sum:.6e})")?;
        }
    }
    for round in 0..3 {
        let (read, spent) = spent_on(|| read(&path, &settings, &table));
        let (readings, bytes) = read?;
        let rows_s = readings as f64 / spent.seconds / 1e6;
        writeln!(
            out,
            "round {round}: {readings} readings, {rows_s:.2} M readings/s, {}",
            spent.speed(bytes)
        )?;
    }
    Ok(())
}

/// What something took.
struct Spent {
    seconds: f64,
    processor_seconds: Option<f64>,
}

impl Spent {
    fn speed(&self, bytes: u64) -> String {
        let speed = bytes as f64 / self.seconds / 1e6;
        let by_clock = format!("{bytes} bytes of text in {:.2} s: {speed:.0} MB/s", self.seconds);
        match self.processor_seconds {
            None => by_clock,
            Some(seconds) => {
                let ms_per_mb = seconds * 1e3 / (bytes as f64 / 1e6);
                format!("{by_clock}, {seconds:.2} processor s, {ms_per_mb:.2} ms/MB")
            }
        }
    }
}

fn spent_on<T>(work: impl FnOnce() -> T) -> (T, Spent) {
    let (started, before) = (std::time::Instant::now(), processor_seconds());
    let done = work();
    let seconds = started.elapsed().as_secs_f64();
    let spent = processor_seconds().zip(before).map(|(after, before)| after - before);
    (done, Spent { seconds, processor_seconds: spent })
}

/// User and system time of this process so far: fields 14 and 15 of `/proc/self/stat`, in ticks
/// of which every Linux tells a hundred a second (proc(5)).
fn processor_seconds() -> Option<f64> {
    let text = std::fs::read_to_string("/proc/self/stat").ok()?;
    // The second field is the program's name in brackets, which may hold blanks.
    let mut fields = text.rsplit_once(')')?.1.split_whitespace().skip(11);
    let mut ticks = || fields.next()?.parse::<f64>().ok();
    Some((ticks()? + ticks()?) / 100.0)
}

/// Adds up what comes of all pieces of a text, on all threads.
fn sum_of_pieces(text: &[u8], of: impl Fn(&[u8]) -> f64 + Sync) -> f64 {
    let mut pieces = Vec::new();
    let mut rest = text;
    while !rest.is_empty() {
        let goal = rest.len().min(1 << 20);
        let end = memchr::memchr(b'\n', &rest[goal - 1..]).map_or(rest.len(), |at| goal + at);
        let (piece, left) = rest.split_at(end);
        pieces.push(piece);
        rest = left;
    }
    pieces.par_iter().map(|piece| of(piece)).sum()
}

/// Fields, numbers and the digits of times, summed up so that they are needed.
fn split_and_parse(piece: &[u8]) -> f64 {
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

/// Columns of a piece.
#[derive(Default)]
struct Columns {
    tag: Vec<u32>,
    time_us: Vec<i64>,
    value: Vec<f64>,
    quality: Vec<u8>,
}

impl Columns {
    /// The last row, so that all are needed.
    fn sum(&self) -> f64 {
        let last = |column: &[f64]| column.last().copied().unwrap_or(0.0);
        let tag = self.tag.last().copied().unwrap_or(0);
        let quality = self.quality.last().copied().unwrap_or(0);
        let time = self.time_us.last().copied().unwrap_or(0);
        last(&self.value) + f64::from(tag) + f64::from(quality) + time as f64
    }
}

/// Everything that a row says, with what the standard library and common crates give and no
/// thought of the row before; `None` when a row is not of the one form that is written here.
fn parse_all(piece: &[u8], numbers: &HashMap<Vec<u8>, u32>) -> Option<Columns> {
    let rows = piece.len() / 40;
    let mut columns = Columns {
        tag: Vec::with_capacity(rows),
        time_us: Vec::with_capacity(rows),
        value: Vec::with_capacity(rows),
        quality: Vec::with_capacity(rows),
    };
    let (mut from, mut column) = (0, 0);
    for at in memchr::memchr2_iter(b',', b'\n', piece) {
        let field = &piece[from..at];
        let header = from == 0 && field == b"tag";
        if header {
            return parse_all(&piece[memchr::memchr(b'\n', piece)? + 1..], numbers);
        }
        match column {
            0 => columns.tag.push(*numbers.get(field)?),
            1 => columns.time_us.push(instant_us(field)?),
            2 => columns.value.push(fast_float2::parse(field).ok()?),
            _ => columns.quality.push(std::str::from_utf8(field).ok()?.parse().ok()?),
        }
        column = if piece[at] == b'\n' { 0 } else { column + 1 };
        from = at + 1;
    }
    Some(columns)
}

/// `YYYY-MM-DDTHH:MM:SS.mmm`, in UTC.
fn instant_us(text: &[u8]) -> Option<i64> {
    let number = |from: usize, length: usize| {
        let digits = text.get(from..from + length)?;
        digits.iter().try_fold(0i64, |number, byte| {
            byte.is_ascii_digit().then(|| number * 10 + i64::from(byte - b'0'))
        })
    };
    let marks = [(4, b'-'), (7, b'-'), (10, b'T'), (13, b':'), (16, b':'), (19, b'.')];
    if !marks.iter().all(|&(at, mark)| text.get(at) == Some(&mark)) {
        return None;
    }
    let (year, month, day) = (number(0, 4)?, number(5, 2)?, number(8, 2)?);
    let days = metersift_import::clock::days_from_civil(year, month as u32, day as u32)?;
    let (hour, minute, second) = (number(11, 2)?, number(14, 2)?, number(17, 2)?);
    if hour > 23 || minute > 59 || second > 59 {
        return None;
    }
    let seconds = days * 86_400 + hour * 3_600 + minute * 60 + second;
    Some(seconds * 1_000_000 + number(20, 3)? * 1_000)
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
