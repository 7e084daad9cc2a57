//! A fictional site kept in memory: its samples as a store would hold them, its records and its
//! truth, without writing and reading dumps.
//!
//! Why:   a back-test over dozens of sites needs daily features, not dumps; the way through
//!        files costs more than everything else together. That both ways end in the same
//!        samples is tested (`tests/acceptance/straight.rs`).

use crate::day::DayOut;
use crate::site::Site;
use crate::stored::{StoredDay, store_day};
use crate::truth::{self, Truth};
use crate::{Plan, SimError, records};
use std::path::Path;

/// A drawn site.
#[derive(Debug)]
pub struct Fiction {
    site: Site,
}

/// Memory that survives from day to day.
#[derive(Debug, Default)]
pub struct DayScratch {
    out: DayOut,
}

impl Fiction {
    /// Draws the site of a plan.
    ///
    /// # Errors
    /// When the plan makes no site.
    pub fn new(plan: &Plan) -> Result<Fiction, SimError> {
        plan.check()?;
        Ok(Fiction { site: Site::new(plan) })
    }

    /// Names of the meters, in the order of their indices.
    pub fn meters(&self) -> impl Iterator<Item = &str> {
        self.site.meters.iter().map(|meter| meter.name.as_str())
    }

    /// One meter's samples of a day (counted from the first day), as a store would hold them.
    pub fn day(&self, meter: usize, day: u32, scratch: &mut DayScratch) -> StoredDay {
        store_day(&self.site, meter, i64::from(day), &mut scratch.out)
    }

    /// The truth about every meter.
    pub fn truth(&self) -> Truth {
        truth::of(&self.site)
    }

    /// Writes `records/`, `decisions.csv` and `site.toml`, and no dumps.
    ///
    /// # Errors
    /// When a file cannot be written.
    pub fn write_records(&self, dir: &Path) -> Result<(), SimError> {
        records::write_all(&self.site, dir).map(|_| ())
    }

    pub(crate) fn site(&self) -> &Site {
        &self.site
    }
}
