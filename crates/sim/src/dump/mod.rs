//! Writing the dumps: which files there are, and how each is laid out.
//!
//! Why:    one file is one unit of work: it asks for the days it needs and for nothing else,
//!         so files can be written in any order, on any thread, and come out the same.
//! Method: monthly files up to `daily_from`, daily files after it; long files go tag by tag
//!         (one of them by time), wide files row by row.

mod page;
mod rows;
mod sink;

use crate::day::{DayOut, Sample, State, simulate};
use crate::meter::{DENSITY, MeterSim, N_SIGNALS};
use crate::seed::{Draws, Purpose, name_of};
use crate::site::Site;
use crate::source::{Packing, SOURCES, Source};
use crate::text::{clock, fixed, padded, unsigned};
use crate::{SimError, io_error};
use metersift_model::Day;
use page::{Page, PageError};
use rows::*;
use sink::Sink;
use std::fs::File;
use std::path::{Path, PathBuf};

pub(crate) const MS_PER_DAY: i64 = 86_400_000;
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
