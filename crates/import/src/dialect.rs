//! Everything that must be known to read one dump: settings and findings in one.

use crate::clock::TimeFormat;
use crate::number::NumberStyle;
use crate::quality::QualityRule;
use crate::schema::Schema;
use crate::settings::{Encoding, Layout};
use crate::zone::Zone;

/// How one dump is to be read. Columns are numbered from 0.
#[derive(Clone, Debug, PartialEq)]
pub struct Dialect {
    /// Encoding of the text.
    pub encoding: Encoding,
    /// Delimiter.
    pub delimiter: u8,
    /// How numbers are written.
    pub numbers: NumberStyle,
    /// Physical lines above the header row, or above the data where there is none.
    pub skip_lines: u64,
    /// Whether there is a header row.
    pub header: bool,
    /// Rows of units or formats between header and data.
    pub unit_rows: u64,
    /// Long or wide.
    pub layout: Layout,
    /// Which column is what, up to the next header.
    pub schema: Schema,
    /// Whether a quoted field may hold line ends.
    pub quoted_newlines: bool,
    /// Beginnings of lines that are notes.
    pub notes: Vec<String>,
    /// Whether names that stand several times are told apart by numbers.
    pub number_duplicates: bool,
    /// How times are written.
    pub time_format: TimeFormat,
    /// Zone of times without offset.
    pub zone: Zone,
    /// How quality is read.
    pub quality: QualityRule,
    /// Numbers that mean "no value", in the dump's unit.
    pub bad_values: Vec<f64>,
    /// Put before every tag.
    pub tag_prefix: String,
    /// First instant that a reading may have, µs UTC.
    pub earliest_us: i64,
    /// Last instant that a reading may have, µs UTC.
    pub latest_us: i64,
}

/// 1990-01-01T00:00:00Z: no historian dump is older (a judgement, not a standard).
pub const EARLIEST_US: i64 = 631_152_000_000_000;
/// 2100-01-01T00:00:00Z; the caller, who has a clock, may set an earlier end.
pub const LATEST_US: i64 = 4_102_444_800_000_000;

impl Dialect {
    /// Physical lines above the first data row.
    pub fn lines_above_data(&self) -> u64 {
        self.skip_lines + u64::from(self.header) + self.unit_rows
    }
}
