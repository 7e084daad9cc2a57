//! What became of every row of a dump.

use crate::schema::HeaderChange;
use metersift_model::{RejectReason, TimeUs};
use std::collections::BTreeMap;

/// Word in a value cell -> tag -> how often.
pub type WordCounts = BTreeMap<String, BTreeMap<String, u64>>;

/// The count of one dump. A row is a data row of a long dump, or a data cell that is not empty
/// of a wide one.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DumpReport {
    /// Rows in.
    pub rows_in: u64,
    /// Readings handed to the sink, bad ones included.
    pub delivered: u64,
    /// Rows set aside, by reason. A wide row with a bad time counts each of its cells; the
    /// reject that names it is one.
    pub rejected: BTreeMap<RejectReason, u64>,
    /// Rows of tags that are known and not wanted.
    pub ignored: u64,
    /// Rows of a last line that may not be complete.
    pub held_back: u64,
    /// Empty data cells of wide rows.
    pub empty_cells: u64,
    /// Physical lines.
    pub lines: u64,
    /// Lines without any text in their fields.
    pub blank_lines: u64,
    /// Times the header came again.
    pub repeated_headers: u64,
    /// Times another header took over.
    pub changed_headers: u64,
    /// The first headers that took over, a hundred at most.
    pub headers: Vec<HeaderChange>,
    /// Lines that are notes and no rows: totals, remarks.
    pub note_lines: u64,
    /// Words in value cells; such readings are delivered as bad samples without a number.
    pub bad_words: WordCounts,
    /// Numbers that the site says mean "no value".
    pub bad_values: u64,
    /// Tag -> numbers that cannot be this quantity in any pipe.
    pub out_of_span: BTreeMap<String, u64>,
    /// Readings delivered as good, uncertain and bad.
    pub qualities: QualityCounts,
    /// Times with a second of 60, read as 59.
    pub leap_seconds: u64,
    /// Earliest instant delivered.
    pub first: Option<TimeUs>,
    /// Latest instant delivered.
    pub last: Option<TimeUs>,
    /// BLAKE3 of the file as it lies on disk, hexadecimal.
    pub hash: String,
    /// Whether it was packed without a checksum, so that damage may have passed unseen.
    pub unchecked: bool,
    /// Size of the file on disk.
    pub bytes: u64,
    /// Size of the text in it.
    pub text_bytes: u64,
}

/// Delivered readings by quality.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct QualityCounts {
    /// Good.
    pub good: u64,
    /// Uncertain.
    pub uncertain: u64,
    /// Bad.
    pub bad: u64,
}

/// Changed headers that are described; all are counted.
const HEADERS_KEPT: usize = 100;

impl DumpReport {
    /// Counts and keeps a header that took over.
    pub(crate) fn note_header(&mut self, change: HeaderChange) {
        self.changed_headers += 1;
        if self.headers.len() < HEADERS_KEPT {
            self.headers.push(change);
        }
    }

    /// All rows set aside.
    pub fn rejected_total(&self) -> u64 {
        self.rejected.values().sum()
    }

    /// Share of rows set aside, 0 when there was no row.
    pub fn reject_share(&self) -> f64 {
        if self.rows_in == 0 {
            return 0.0;
        }
        self.rejected_total() as f64 / self.rows_in as f64
    }

    /// Whether every row is accounted for.
    pub fn adds_up(&self) -> bool {
        self.rows_in == self.delivered + self.rejected_total() + self.ignored + self.held_back
    }
}
