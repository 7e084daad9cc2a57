//! Writing the dumps: which files there are, and how each is laid out.
//!
//! Why:    one file is one unit of work: it asks for the days it needs and for nothing else,
//!         so files can be written in any order, on any thread, and come out the same.
//! Method: monthly files up to `daily_from`, daily files after it; long files go tag by tag
//!         (one of them by time), wide files row by row.

use crate::day::{DayOut, Sample, State, simulate};
use crate::meter::{DENSITY, MeterSim, N_SIGNALS};
use crate::seed::{Draws, Purpose, name_of};
use crate::site::Site;
use crate::source::{Packing, SOURCES, Source};
use crate::text::{clock, fixed, padded, unsigned};
use crate::{SimError, io_error};
use metersift_model::Day;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

const MS_PER_DAY: i64 = 86_400_000;
const FLUSH_BYTES: usize = 1 << 16;

/// One file to be written.
#[derive(Clone, Debug)]
pub(crate) struct FileJob {
    pub(crate) source: usize,
    pub(crate) unit: usize,
    pub(crate) path: PathBuf,
    packing: Packing,
    /// Span, ms since the site's first midnight UTC.
    from_ms: i64,
    until_ms: i64,
    /// From here on the next file holds the same readings again.
    again_ms: i64,
    name_key: u64,
}

impl FileJob {
    /// Meters times days: how long it takes, roughly.
    pub(crate) fn weight(&self, site: &Site) -> i64 {
        let meters =
            site.meters.iter().filter(|m| belongs(site, m, self.source, self.unit)).count();
        (self.until_ms - self.from_ms) / 3_600_000 * meters as i64
    }
}

/// What was written.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct FileWritten {
    pub(crate) bytes: u64,
    pub(crate) readings: u64,
}

/// All files of a plan, in a fixed order.
pub(crate) fn jobs(site: &Site, dir: &Path) -> Result<Vec<FileJob>, SimError> {
    let plan = &site.plan;
    let mut jobs = Vec::new();
    let (days, daily_from) = (plan.days as i32, plan.daily_from.min(plan.days) as i32);
    let mut spans: Vec<(i32, i32, bool)> = Vec::new();
    let mut from = 0;
    while from < daily_from {
        let mut until = from + 1;
        while until < daily_from && plan.start.plus(until).civil().day() != 1 {
            until += 1;
        }
        spans.push((from, until, false));
        from = until;
    }
    spans.extend((daily_from..days).map(|day| (day, day + 1, true)));
    for (source_idx, source) in SOURCES.iter().enumerate() {
        for unit in 0..source.units.len() {
            if !site.meters.iter().any(|m| belongs(site, m, source_idx, unit)) {
                continue;
            }
            for &(from, until, daily) in &spans {
                jobs.push(job(site, dir, (source_idx, unit), (from, until, daily), daily_from)?);
            }
        }
    }
    Ok(jobs)
}

fn job(
    site: &Site,
    dir: &Path,
    (source_idx, unit): (usize, usize),
    (from, until, daily): (i32, i32, bool),
    daily_from: i32,
) -> Result<FileJob, SimError> {
    let source = &SOURCES[source_idx];
    let start = site.plan.start;
    let date = start.plus(from).to_string();
    let label = if daily { date.as_str() } else { &date[..7] };
    let packing = source.packing[usize::from(daily)];
    let file = format!("{}-{label}.{}", source.units[unit], packing.extension());
    let (mut from_ms, mut until_ms) = (i64::from(from) * MS_PER_DAY, i64::from(until) * MS_PER_DAY);
    if source_idx == LOCAL_SOURCE {
        from_ms = local_midnight_ms(start, from)?;
        until_ms = local_midnight_ms(start, until)?;
    }
    // Daily exports of the wet mill begin ten minutes early, so that nothing is lost.
    if daily && source_idx == 0 && from > 0 {
        from_ms -= 600_000;
    }
    // Monthly exports of two sources run an hour into the next file.
    let again_ms = until_ms;
    if !daily && until < daily_from && matches!(source_idx, 0 | 4) {
        until_ms += 3_600_000;
    }
    Ok(FileJob {
        source: source_idx,
        unit,
        path: dir.join("dumps").join(source.name).join(file),
        packing,
        from_ms,
        until_ms,
        again_ms,
        name_key: name_of(&[site.plan.seed, source_idx as u64, unit as u64, from as u64]),
    })
}

/// The source that writes local time without an offset.
pub(crate) const LOCAL_SOURCE: usize = 1;
/// The zone of the site.
pub(crate) const ZONE: &str = "Europe/London";

fn zone() -> Result<jiff::tz::TimeZone, SimError> {
    jiff::tz::TimeZone::get(ZONE).map_err(|source| SimError::Zone { zone: ZONE.into(), source })
}

/// Local midnight at which day `day` of the site begins, ms since its first midnight UTC.
fn local_midnight_ms(start: Day, day: i32) -> Result<i64, SimError> {
    let midnight = start.plus(day).civil().at(0, 0, 0, 0);
    let instant = zone()?
        .to_timestamp(midnight)
        .map_err(|source| SimError::Zone { zone: ZONE.into(), source })?;
    Ok(instant.as_millisecond() - i64::from(start.0) * MS_PER_DAY)
}

/// Offsets of local time within a span: (first ms of the site's time, offset in ms).
fn offsets(start: Day, from_ms: i64, until_ms: i64) -> Result<Vec<(i64, i64)>, SimError> {
    let zone = zone()?;
    let base = i64::from(start.0) * MS_PER_DAY;
    let instant = |ms: i64| {
        jiff::Timestamp::from_millisecond(base + ms)
            .map_err(|source| SimError::Zone { zone: ZONE.into(), source })
    };
    let first = instant(from_ms)?;
    let mut list = vec![(i64::MIN, i64::from(zone.to_offset(first).seconds()) * 1000)];
    for change in zone.following(first) {
        let at = change.timestamp().as_millisecond() - base;
        if at >= until_ms {
            break;
        }
        list.push((at, i64::from(change.offset().seconds()) * 1000));
    }
    Ok(list)
}

/// Tag of the block valve of a stream.
pub(crate) fn valve_tag(stream: usize) -> String {
    format!("LM.XV-{}01.POS", 11 + stream)
}

fn belongs(site: &Site, meter: &MeterSim, source: usize, unit: usize) -> bool {
    let spec = &site.streams[meter.stream].spec;
    spec.source == source && spec.unit == unit
}

/// Writes one file whole: under a side name first, then renamed.
pub(crate) fn write(site: &Site, job: &FileJob) -> Result<FileWritten, SimError> {
    let mut side = job.path.clone().into_os_string();
    side.push(".part");
    let side = PathBuf::from(side);
    let file = File::create(&side).map_err(|e| io_error(&side, e))?;
    let mut sink = Sink::new(file, job.packing).map_err(|e| io_error(&side, e))?;
    let readings = body(site, job, &mut sink)?;
    sink.finish().map_err(|e| io_error(&side, e))?;
    std::fs::rename(&side, &job.path).map_err(|e| io_error(&job.path, e))?;
    let bytes = std::fs::metadata(&job.path).map_err(|e| io_error(&job.path, e))?.len();
    Ok(FileWritten { bytes, readings })
}

fn body(site: &Site, job: &FileJob, sink: &mut Sink) -> Result<u64, SimError> {
    let mut page = Page { site, job, sink, text: Vec::with_capacity(2 * FLUSH_BYTES), readings: 0 };
    match (SOURCES[job.source].wide, job.source) {
        (true, _) => page.wide(),
        (false, 4) => page.by_time(),
        (false, _) => page.by_tag(),
    }
    .map_err(|e| match e {
        PageError::Io(e) => io_error(&job.path, e),
        PageError::Sim(e) => e,
    })?;
    Ok(page.readings)
}

enum Sink {
    Plain(BufWriter<File>),
    Gzip(Box<flate2::write::GzEncoder<BufWriter<File>>>),
    Zstd(Box<zstd::stream::write::Encoder<'static, BufWriter<File>>>),
}

impl Sink {
    fn new(file: File, packing: Packing) -> std::io::Result<Sink> {
        let file = BufWriter::with_capacity(1 << 17, file);
        Ok(match packing {
            Packing::Plain => Sink::Plain(file),
            Packing::Gzip => Sink::Gzip(Box::new(flate2::write::GzEncoder::new(
                file,
                flate2::Compression::new(2),
            ))),
            Packing::Zstd => {
                let mut encoder = zstd::stream::write::Encoder::new(file, 1)?;
                encoder.include_checksum(true)?;
                Sink::Zstd(Box::new(encoder))
            }
        })
    }

    fn put(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        match self {
            Sink::Plain(w) => w.write_all(bytes),
            Sink::Gzip(w) => w.write_all(bytes),
            Sink::Zstd(w) => w.write_all(bytes),
        }
    }

    fn finish(self) -> std::io::Result<()> {
        let mut file = match self {
            Sink::Plain(w) => w,
            Sink::Gzip(w) => w.finish()?,
            Sink::Zstd(w) => w.finish()?,
        };
        file.flush()
    }
}

enum PageError {
    Io(std::io::Error),
    Sim(SimError),
}

impl From<std::io::Error> for PageError {
    fn from(e: std::io::Error) -> PageError {
        PageError::Io(e)
    }
}

struct Page<'a> {
    site: &'a Site,
    job: &'a FileJob,
    sink: &'a mut Sink,
    text: Vec<u8>,
    readings: u64,
}

/// A tag of a file, with everything a row needs.
struct Lane {
    meter: usize,
    slot: usize,
    tag: String,
    /// Name of the tag from an instant on, where the historian renamed it.
    renamed: Option<(i64, String)>,
    /// Tag units in one storage unit.
    scale: f64,
    decimals: usize,
}

impl Lane {
    fn tag_at(&self, ms: i64) -> &str {
        match &self.renamed {
            Some((from_ms, tag)) if ms >= *from_ms => tag,
            _ => &self.tag,
        }
    }
}

impl Page<'_> {
    fn lanes(&self) -> Vec<Lane> {
        let source = &SOURCES[self.job.source];
        let mut lanes = Vec::new();
        for (index, meter) in self.site.meters.iter().enumerate() {
            if !belongs(self.site, meter, self.job.source, self.job.unit) {
                continue;
            }
            for tag in &meter.tags {
                lanes.push(Lane {
                    meter: index,
                    slot: tag.slot,
                    tag: source.tag(&meter.name, tag.slot),
                    renamed: meter.renamed.map(|day| {
                        let from_ms = day.floor() as i64 * MS_PER_DAY;
                        (from_ms, source.renamed_tag(&meter.name, tag.slot))
                    }),
                    scale: 1.0 / source.factor(tag.slot),
                    decimals: tag.decimals,
                });
            }
        }
        lanes
    }

    /// Days whose samples can fall into the span.
    fn days(&self) -> std::ops::Range<i64> {
        self.job.from_ms.div_euclid(MS_PER_DAY).max(0)
            ..(self.job.until_ms + MS_PER_DAY - 1).div_euclid(MS_PER_DAY)
    }

    fn holds(&self, ms: i64) -> bool {
        self.job.from_ms <= ms && ms < self.job.until_ms
    }

    fn flush(&mut self, least: usize) -> std::io::Result<()> {
        if self.text.len() >= least {
            self.sink.put(&self.text)?;
            self.text.clear();
        }
        Ok(())
    }

    /// Long, meter by meter and tag by tag.
    fn by_tag(&mut self) -> Result<(), PageError> {
        let local = self.job.source == LOCAL_SOURCE;
        let header: &[u8] =
            if local { b"Point;Date;Time;Value;State\r\n" } else { b"tag,time,value,quality\n" };
        self.text.extend_from_slice(header);
        let lanes = self.lanes();
        let mut stamps = Stamps::new(self.site.plan.start, self.job, local)?;
        let mut out = DayOut::default();
        let mut kept: [Vec<Sample>; N_SIGNALS] = Default::default();
        let mut at = 0;
        while at < lanes.len() {
            let meter = lanes[at].meter;
            let n = lanes[at..].iter().take_while(|lane| lane.meter == meter).count();
            kept.iter_mut().for_each(Vec::clear);
            for day in self.days() {
                simulate(self.site, meter, day, &mut out);
                for lane in &lanes[at..at + n] {
                    let base = day * MS_PER_DAY;
                    let rows = out.samples[lane.slot].iter();
                    kept[lane.slot].extend(
                        rows.map(|s| Sample { ms: s.ms + base, ..*s }).filter(|s| self.holds(s.ms)),
                    );
                }
            }
            for lane in &lanes[at..at + n] {
                for sample in &kept[lane.slot] {
                    let sample = &self.as_first_seen(*sample);
                    if local {
                        local_row(&mut self.text, &mut stamps, lane, sample);
                    } else {
                        utc_row(&mut self.text, &mut stamps, lane, sample);
                    }
                    self.flush(FLUSH_BYTES)?;
                }
                self.readings += kept[lane.slot].len() as u64;
                self.blemish(lane, &kept[lane.slot], &mut stamps, local);
            }
            at += n;
        }
        if self.job.source == 0 {
            self.valves(&mut stamps);
        }
        self.flush(1)?;
        Ok(())
    }

    /// Positions of block valves: in the export, and nobody's business here.
    fn valves(&mut self, stamps: &mut Stamps) {
        for stream in self.site.streams.iter().filter(|s| s.spec.source == 0) {
            let tag = valve_tag(stream.number);
            for day in self.days() {
                let runs = stream.runs(day, stream.key);
                let starts = runs.iter().filter(|run| !run.carried).map(|run| (run.from_s, b'1'));
                let ends =
                    runs.iter().filter(|r| r.until_s < 86_400.0).map(|run| (run.until_s, b'0'));
                let mut moves: Vec<(f64, u8)> = starts.chain(ends).collect();
                moves.sort_by(|a, b| a.0.total_cmp(&b.0));
                for (at_s, position) in moves {
                    let ms = day * MS_PER_DAY + (at_s * 1000.0) as i64;
                    if self.holds(ms) {
                        self.text.extend_from_slice(tag.as_bytes());
                        self.text.push(b',');
                        stamps.iso(&mut self.text, ms);
                        self.text.extend_from_slice(&[b',', position]);
                        self.text.extend_from_slice(b",192\n");
                        self.readings += 1;
                    }
                }
            }
        }
    }

    /// One reading in a hundred that the next file holds again is revised there.
    fn as_first_seen(&self, mut sample: Sample) -> Sample {
        let revised = sample.ms >= self.job.again_ms
            && name_of(&[self.job.name_key, sample.ms as u64]).is_multiple_of(100);
        if revised {
            sample.value *= 1.002;
        }
        sample
    }

    /// Now and then an export repeats a stretch, or breaks a line.
    fn blemish(&mut self, lane: &Lane, kept: &[Sample], stamps: &mut Stamps, local: bool) {
        let who = (lane.meter * N_SIGNALS + lane.slot) as u64;
        let mut draws = Draws::new(self.job.name_key, who, Purpose::Dump, 1);
        let end: &[u8] = if local { b"\r\n" } else { b"\n" };
        if kept.len() > 40 && draws.chance(0.01) {
            let from = draws.pick(kept.len() - 20);
            for sample in &kept[from..from + 5 + draws.pick(15)] {
                if local {
                    local_row(&mut self.text, stamps, lane, sample);
                } else {
                    utc_row(&mut self.text, stamps, lane, sample);
                }
                self.readings += 1;
            }
        }
        if draws.chance(0.002) {
            match draws.pick(3) {
                0 => {
                    self.text.extend_from_slice(lane.tag.as_bytes());
                    self.text.push(if local { b';' } else { b',' });
                }
                1 => self.text.extend_from_slice(b"*** connection closed, retrying ***"),
                _ => {
                    self.text.extend_from_slice(lane.tag.as_bytes());
                    let rest: &[u8] = if local {
                        b";31/02/2025;10:00:00;1,0;OK"
                    } else {
                        b",2025-02-31T10:00:00Z,1.0,192"
                    };
                    self.text.extend_from_slice(rest);
                }
            }
            self.text.extend_from_slice(end);
        }
    }

    /// Long, in the order of time, tab-separated, epoch milliseconds, Windows-1252.
    fn by_time(&mut self) -> Result<(), PageError> {
        self.text.extend_from_slice(b"epoch_ms\tpoint\tunit\treading\r\n");
        let lanes = self.lanes();
        let source = &SOURCES[self.job.source];
        let base_ms = i64::from(self.site.plan.start.0) * MS_PER_DAY;
        let mut outs: Vec<(usize, DayOut)> = Vec::new();
        for lane in &lanes {
            if outs.last().is_none_or(|(meter, _)| *meter != lane.meter) {
                outs.push((lane.meter, DayOut::default()));
            }
        }
        let mut rows: Vec<(i64, u32, u32)> = Vec::new();
        for day in self.days() {
            rows.clear();
            for (meter, out) in &mut outs {
                simulate(self.site, *meter, day, out);
            }
            for (l, lane) in lanes.iter().enumerate() {
                let Ok(o) = outs.binary_search_by_key(&lane.meter, |(meter, _)| *meter) else {
                    continue;
                };
                for (i, sample) in outs[o].1.samples[lane.slot].iter().enumerate() {
                    if self.holds(day * MS_PER_DAY + sample.ms) {
                        rows.push((sample.ms, l as u32, i as u32));
                    }
                }
            }
            rows.sort_unstable();
            for &(ms, l, i) in &rows {
                let lane = &lanes[l as usize];
                let Ok(o) = outs.binary_search_by_key(&lane.meter, |(meter, _)| *meter) else {
                    continue;
                };
                let sample = outs[o].1.samples[lane.slot][i as usize];
                unsigned(&mut self.text, (base_ms + day * MS_PER_DAY + ms).max(0) as u64);
                self.text.push(b'\t');
                self.text.extend_from_slice(lane.tag.as_bytes());
                self.text.push(b'\t');
                windows_1252(&mut self.text, source.unit_texts[lane.slot]);
                self.text.push(b'\t');
                match sample.state {
                    State::NoData => self.text.extend_from_slice(b"I/O error"),
                    State::Bad => self.text.extend_from_slice(b"-9999"),
                    _ => number(&mut self.text, lane, sample.value, b'.'),
                }
                self.text.extend_from_slice(b"\r\n");
                self.flush(FLUSH_BYTES)?;
            }
            self.readings += rows.len() as u64;
        }
        self.flush(1)?;
        Ok(())
    }

    /// Wide: one row per spacing, one column per tag, a quality column beside each for the
    /// source that has them.
    fn wide(&mut self) -> Result<(), PageError> {
        let source = &SOURCES[self.job.source];
        let with_quality = self.job.source == 3;
        let lanes = self.lanes();
        self.wide_header(source, &lanes, with_quality);
        let mut stamps = Stamps::new(self.site.plan.start, self.job, false)?;
        let step = (source.row_s * 1000.0) as i64;
        let mut outs: Vec<(usize, DayOut)> = Vec::new();
        for lane in &lanes {
            if outs.last().is_none_or(|(meter, _)| *meter != lane.meter) {
                outs.push((lane.meter, DayOut::default()));
            }
        }
        let which: Vec<usize> = lanes
            .iter()
            .map(|lane| outs.partition_point(|(meter, _)| *meter < lane.meter))
            .collect();
        let mut next = vec![0usize; lanes.len()];
        let mut cells: Vec<u8> = Vec::new();
        for day in self.days() {
            for (meter, out) in &mut outs {
                simulate(self.site, *meter, day, out);
            }
            next.fill(0);
            for row in 0..MS_PER_DAY / step {
                let at = row * step;
                cells.clear();
                let mut filled = 0;
                for (l, lane) in lanes.iter().enumerate() {
                    cells.push(if with_quality { b';' } else { b',' });
                    let samples = &outs[which[l]].1.samples[lane.slot];
                    let mut found = None;
                    while let Some(sample) = samples.get(next[l]).filter(|s| s.ms < at + step) {
                        found = Some(*sample);
                        next[l] += 1;
                    }
                    if let Some(sample) = found {
                        filled += 1;
                        wide_cell(&mut cells, lane, &sample, with_quality);
                    } else if with_quality {
                        cells.push(b';');
                    }
                }
                let ms = day * MS_PER_DAY + at;
                if filled > 0 && self.holds(ms) {
                    let broken = !with_quality
                        && name_of(&[self.job.name_key, ms as u64]).is_multiple_of(4000);
                    if broken {
                        // The export stopped within a row and began it again.
                        stamps.wide_time(&mut self.text, ms, with_quality);
                        self.text.extend_from_slice(&cells[..cells.len() / 2]);
                        self.text.push(b'\n');
                    }
                    stamps.wide_time(&mut self.text, ms, with_quality);
                    self.text.extend_from_slice(&cells);
                    self.text.extend_from_slice(if with_quality { b"\r\n" } else { b"\n" });
                    self.readings += filled;
                    self.flush(FLUSH_BYTES)?;
                }
            }
        }
        self.flush(1)?;
        Ok(())
    }

    fn wide_header(&mut self, source: &Source, lanes: &[Lane], with_quality: bool) {
        let text = &mut self.text;
        if !with_quality {
            let unit = source.units[self.job.unit];
            let first = self.site.date(self.job.from_ms.max(0) as f64 / MS_PER_DAY as f64);
            text.extend_from_slice(b"Larkmoor Works utilities historian\n");
            text.extend_from_slice(format!("unit {unit}, from {first} UTC\n").as_bytes());
            text.extend_from_slice(b"\n");
        }
        text.extend_from_slice(if with_quality { b"Time" } else { b"time" });
        for lane in lanes {
            text.push(if with_quality { b';' } else { b',' });
            text.extend_from_slice(lane.tag.as_bytes());
            if with_quality {
                text.push(b';');
                text.extend_from_slice(lane.tag.as_bytes());
                text.extend_from_slice(b".quality");
            }
        }
        text.extend_from_slice(if with_quality { b"\r\n" } else { b"\n" });
    }
}

fn wide_cell(cells: &mut Vec<u8>, lane: &Lane, sample: &Sample, with_quality: bool) {
    let comma = if with_quality { b',' } else { b'.' };
    match sample.state {
        State::NoData => cells.extend_from_slice(b"No Data"),
        State::Bad if !with_quality => cells.extend_from_slice(b"Bad"),
        _ => number(cells, lane, sample.value, comma),
    }
    if with_quality {
        cells.push(b';');
        cells.extend_from_slice(match sample.state {
            State::Good | State::Override => b"good".as_slice(),
            State::Uncertain => b"uncertain",
            State::Bad | State::NoData => b"bad",
        });
    }
}

fn number(text: &mut Vec<u8>, lane: &Lane, value: f64, mark: u8) {
    // A density in another unit keeps its digits.
    let more = if lane.slot == DENSITY && value.abs() < 20.0 { 3 } else { 0 };
    fixed(text, value * lane.scale, lane.decimals + more, mark);
}

fn utc_row(text: &mut Vec<u8>, stamps: &mut Stamps, lane: &Lane, sample: &Sample) {
    text.extend_from_slice(lane.tag_at(sample.ms).as_bytes());
    text.push(b',');
    stamps.iso(text, sample.ms);
    text.push(b',');
    match sample.state {
        State::NoData => text.extend_from_slice(b"No Data"),
        _ => number(text, lane, sample.value, b'.'),
    }
    text.extend_from_slice(match sample.state {
        State::Good => b",192\n".as_slice(),
        State::Uncertain => b",84\n",
        State::Bad => b",12\n",
        State::NoData => b",24\n",
        State::Override => b",216\n",
    });
}

fn local_row(text: &mut Vec<u8>, stamps: &mut Stamps, lane: &Lane, sample: &Sample) {
    text.extend_from_slice(lane.tag.as_bytes());
    text.push(b';');
    stamps.local(text, sample.ms);
    text.push(b';');
    match sample.state {
        State::NoData => text.extend_from_slice(b"No Data"),
        State::Bad => text.extend_from_slice(b"Bad"),
        _ => number(text, lane, sample.value, b','),
    }
    text.extend_from_slice(match sample.state {
        State::Good => b";OK\r\n".as_slice(),
        State::Override => b";OK\r\n",
        State::Uncertain => b";DOUBT\r\n",
        State::Bad | State::NoData => b";BAD\r\n",
    });
}

/// The only characters beyond ASCII here are Latin-1, whose bytes are the code points.
fn windows_1252(text: &mut Vec<u8>, unit: &str) {
    text.extend(unit.chars().map(|c| u8::try_from(u32::from(c)).unwrap_or(b'?')));
}

/// Writes times; the text of the day is made once per day.
struct Stamps {
    start: Day,
    offsets: Vec<(i64, i64)>,
    day: i64,
    date: Vec<u8>,
}

impl Stamps {
    fn new(start: Day, job: &FileJob, local: bool) -> Result<Stamps, PageError> {
        let offsets = if local {
            offsets(start, job.from_ms, job.until_ms).map_err(PageError::Sim)?
        } else {
            vec![(i64::MIN, 0)]
        };
        Ok(Stamps { start, offsets, day: i64::MIN, date: Vec::new() })
    }

    fn turn_to(&mut self, day: i64, day_first: bool) {
        if day == self.day {
            return;
        }
        self.day = day;
        self.date.clear();
        let date = self.start.plus(day as i32).civil();
        let parts = (date.year().max(0) as u64, date.month() as u64, date.day() as u64);
        if day_first {
            padded(&mut self.date, parts.2, 2);
            self.date.push(b'/');
            padded(&mut self.date, parts.1, 2);
            self.date.push(b'/');
            padded(&mut self.date, parts.0, 4);
        } else {
            padded(&mut self.date, parts.0, 4);
            self.date.push(b'-');
            padded(&mut self.date, parts.1, 2);
            self.date.push(b'-');
            padded(&mut self.date, parts.2, 2);
        }
    }

    fn iso(&mut self, text: &mut Vec<u8>, ms: i64) {
        self.turn_to(ms.div_euclid(MS_PER_DAY), false);
        let of_day = ms.rem_euclid(MS_PER_DAY) as u64;
        text.extend_from_slice(&self.date);
        text.push(b'T');
        clock(text, of_day / 1000);
        if !of_day.is_multiple_of(1000) {
            text.push(b'.');
            padded(text, of_day % 1000, 3);
        }
        text.push(b'Z');
    }

    /// `dd/mm/yyyy;HH:MM:SS` of the local clock.
    fn local(&mut self, text: &mut Vec<u8>, ms: i64) {
        let after = self.offsets.partition_point(|&(from, _)| from <= ms);
        let ms = ms + self.offsets[after - 1].1;
        self.turn_to(ms.div_euclid(MS_PER_DAY), true);
        text.extend_from_slice(&self.date);
        text.push(b';');
        clock(text, ms.rem_euclid(MS_PER_DAY) as u64 / 1000);
    }

    fn wide_time(&mut self, text: &mut Vec<u8>, ms: i64, day_first: bool) {
        self.turn_to(ms.div_euclid(MS_PER_DAY), day_first);
        text.extend_from_slice(&self.date);
        text.push(b' ');
        clock(text, ms.rem_euclid(MS_PER_DAY) as u64 / 1000);
    }
}
