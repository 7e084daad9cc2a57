//! Fictional sites with known faults, written the way a historian writes: dumps in five
//! layouts, records, a site file, and the truth beside them.
//!
//! Why:   the way from dumps to watch-lists needs input whose faults are known; real failures
//!        with drive gain and stiffness are not public. What is found here proves arithmetic,
//!        not usefulness: the site is invented, and so are its faults.
//! In:    a [`Plan`]: meters, days, seed.
//! Out:   a site folder: `site.toml`, `dumps/`, `records/`, `decisions.csv`, `truth/`.
//! Rules: the same plan gives the same bytes at any thread count; a plan with one more day
//!        (same seed, start, horizon and `daily_from`) leaves every earlier dump as it was and
//!        adds the dumps of the new day. Meters, streams, people and tags are invented.
//! Limits: fast noise starts anew at each midnight; one fault per meter.

mod day;
mod dump;
mod fault;
mod fiction;
pub mod fluid;
mod meter;
mod observer;
mod records;
mod seed;
mod site;
mod source;
mod stored;
mod stream;
mod text;
mod truth;
pub mod tube;
mod variation;

pub use fiction::{DayScratch, Fiction};
pub use observer::{Knowledge, Observed, observe};
pub use stored::{StoredDay, StoredSignal};
pub use truth::{LookAlike, MeterTruth, Truth, read_truth};
pub use variation::{CommonCause, Ladder, LadderMode, PlanVariation};

use metersift_model::Day;
use rayon::prelude::*;
use std::path::{Path, PathBuf};

/// What to build.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Meters in the register.
    pub meters: usize,
    /// Days of dumps.
    pub days: u32,
    /// Everything is drawn from it.
    pub seed: u64,
    /// First day (UTC).
    pub start: Day,
    /// Days over which onsets and events are spread; keep it when `days` grows.
    pub horizon_days: u32,
    /// First day (counted from 0) that is dumped by itself; months before it.
    pub daily_from: u32,
    /// Departures from the usual site, for tests of generality.
    pub variation: PlanVariation,
}

impl Default for Plan {
    /// Larkmoor Works: 160 meters, 456 days from 2024-09-01, the last 14 dumped day by day.
    fn default() -> Plan {
        Plan::larkmoor(160, 456, 20_240_901)
    }
}

impl Plan {
    /// Larkmoor Works in another size: the last 14 days are dumped day by day.
    pub fn larkmoor(meters: usize, days: u32, seed: u64) -> Plan {
        Plan {
            meters,
            days,
            seed,
            start: Day::from_civil(jiff::civil::date(2024, 9, 1)),
            horizon_days: days,
            daily_from: days.saturating_sub(14),
            variation: PlanVariation::default(),
        }
    }

    fn check(&self) -> Result<(), SimError> {
        let refuse = |reason: &str| Err(SimError::Plan { reason: reason.into() });
        if self.meters == 0 || self.days == 0 || self.horizon_days == 0 {
            return refuse("a site needs at least one meter, one day and a horizon of one day");
        }
        if self.days > 20_000 || self.horizon_days > 20_000 || self.meters > 200_000 {
            return refuse("at most 20000 days and 200000 meters");
        }
        self.variation.check().map_err(|reason| SimError::Plan { reason: reason.into() })
    }
}

/// What was written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Written {
    /// Files of all kinds.
    pub files: u64,
    /// Dump files among them.
    pub dumps: u64,
    /// Bytes on disk.
    pub bytes: u64,
    /// Bytes of the dumps on disk.
    pub dump_bytes: u64,
    /// Readings in all dumps, repeated ones included.
    pub readings: u64,
    /// Meters.
    pub meters: u64,
    /// Streams.
    pub streams: u64,
    /// Meters with a fault at any time.
    pub faulty: u64,
}

/// Why a site could not be written or its truth not be read.
#[derive(Debug, thiserror::Error)]
pub enum SimError {
    /// A plan that makes no site.
    #[error("plan refused: {reason}")]
    Plan {
        /// What is wrong with it.
        reason: String,
    },
    /// A file or folder.
    #[error("`{}`: {source}", path.display())]
    Io {
        /// Which.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The zone of the local dumps.
    #[error("time zone `{zone}`: {source}")]
    Zone {
        /// Its name.
        zone: String,
        /// What the calendar said.
        source: jiff::Error,
    },
    /// A line of the truth that cannot be read.
    #[error("`{}`, line {line}: not a line of the truth: `{what}`", path.display())]
    Truth {
        /// File.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
        /// The line.
        what: String,
    },
}

pub(crate) fn io_error(path: &Path, source: std::io::Error) -> SimError {
    SimError::Io { path: path.into(), source }
}

/// Writes a site folder: dumps, records, site file and truth.
///
/// Existing files of the same names are replaced; nothing else in `dir` is touched.
///
/// # Errors
/// When the plan makes no site, or a file cannot be written.
pub fn write_site(dir: &Path, plan: &Plan) -> Result<Written, SimError> {
    plan.check()?;
    let site = site::Site::new(plan);
    for source in &source::SOURCES {
        let folder = dir.join("dumps").join(source.name);
        std::fs::create_dir_all(&folder).map_err(|e| io_error(&folder, e))?;
    }
    let jobs = dump::jobs(&site, dir)?;
    // Long files first, so that no thread is left alone with one at the end.
    let mut order: Vec<usize> = (0..jobs.len()).collect();
    order.sort_by_key(|&i| std::cmp::Reverse(jobs[i].weight(&site)));
    let done: Result<Vec<dump::FileWritten>, SimError> =
        order.par_iter().with_max_len(1).map(|&i| dump::write(&site, &jobs[i])).collect();
    let done = done?;
    let (record_files, record_bytes) = records::write_all(&site, dir)?;
    let (truth_files, truth_bytes) = truth::write(&site, dir)?;
    let dump_bytes = done.iter().map(|f| f.bytes).sum();
    Ok(Written {
        files: done.len() as u64 + record_files + truth_files,
        dumps: done.len() as u64,
        bytes: dump_bytes + record_bytes + truth_bytes,
        dump_bytes,
        readings: done.iter().map(|f| f.readings).sum(),
        meters: site.meters.len() as u64,
        streams: site.streams.len() as u64,
        faulty: site.meters.iter().filter(|m| !m.faults.is_empty()).count() as u64,
    })
}
