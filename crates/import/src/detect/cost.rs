//! What reading a dump would cost, from its head, its blocks and its size.

use super::sample::Sample;
use crate::dialect::Dialect;
use crate::settings::Layout;
use crate::source::Packing;
use std::collections::BTreeSet;

const DAY_US: i64 = 86_400_000_000;

/// An estimate of what is in a dump.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Cost {
    /// Physical lines.
    pub lines: u64,
    /// Readings: rows of a long dump, cells that are not empty of a wide one.
    pub readings: u64,
    /// UTC days that they would touch.
    pub days: u64,
    /// Counted, because the sample was the whole file; else estimated.
    pub exact: bool,
}

/// What the sample showed.
#[derive(Debug, Default)]
pub(super) struct Seen {
    /// Rows with a time that could be read.
    pub rows: u64,
    /// Cells of those rows that hold something (wide).
    pub cells: u64,
    /// UTC days.
    pub days: BTreeSet<i64>,
}

impl Seen {
    /// Counts a row.
    pub fn see(&mut self, at_us: i64, n_cells: u64) {
        self.rows += 1;
        self.cells += n_cells;
        self.days.insert(at_us.div_euclid(DAY_US));
    }

    /// The estimate for the whole file.
    pub fn cost(&self, sample: &Sample, dialect: &Dialect) -> Cost {
        let per_row = match dialect.layout {
            Layout::Long => 1.0,
            Layout::Wide => self.cells as f64 / self.rows.max(1) as f64,
        };
        let seen_days = self.days.len() as u64;
        let head_lines = sample.head.len() as u64;
        if sample.complete {
            let readings = (self.rows as f64 * per_row).round() as u64;
            return Cost { lines: head_lines, readings, days: seen_days, exact: true };
        }
        let text_bytes = sample.bytes as f64 * sample.unpacked_per_byte;
        let lines = text_bytes * head_lines as f64 / sample.head_bytes.max(1) as f64;
        let above = dialect.lines_above_data() as f64;
        let between = match (self.days.first(), self.days.last()) {
            (Some(first), Some(last)) => (last - first + 1) as u64,
            _ => 0,
        };
        let days = match sample.packing {
            Packing::Plain => between,
            // Blocks of a packed file do not reach its end.
            _ => (between as f64 * (1.0 / sample.share_seen.clamp(1e-6, 1.0))).round() as u64,
        };
        let readings = ((lines - above).max(0.0) * per_row).round() as u64;
        Cost { lines: lines.round() as u64, readings, days, exact: false }
    }
}
