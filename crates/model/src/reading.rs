//! Readings in columns, and the table that gives each (meter, signal) a small number.

use crate::signal::Signal;
use std::collections::HashMap;

/// One signal of one meter: the unit in which samples are sorted and stored.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Series {
    /// The meter's name, as the site writes it.
    pub meter: String,
    /// The signal.
    pub signal: Signal,
}

/// Index into a [`SeriesTable`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SeriesId(pub u32);

/// Gives each series a small number, in the order in which it was first asked for.
/// Numbers are local to one run; files hold names.
#[derive(Clone, Debug, Default)]
pub struct SeriesTable {
    series: Vec<Series>,
    ids: HashMap<Series, SeriesId>,
}

impl SeriesTable {
    /// The number of a series, new if it was not known.
    pub fn intern(&mut self, series: Series) -> SeriesId {
        if let Some(&id) = self.ids.get(&series) {
            return id;
        }
        let id = SeriesId(u32::try_from(self.series.len()).unwrap_or(u32::MAX));
        self.ids.insert(series.clone(), id);
        self.series.push(series);
        id
    }

    /// The series of a number.
    pub fn get(&self, id: SeriesId) -> &Series {
        &self.series[id.0 as usize]
    }

    /// All series, by number.
    pub fn all(&self) -> &[Series] {
        &self.series
    }

    /// How many series are known.
    pub fn len(&self) -> usize {
        self.series.len()
    }

    /// Whether no series is known.
    pub fn is_empty(&self) -> bool {
        self.series.is_empty()
    }
}

/// The line of a reading that stands in no line, or beyond the four thousand millionth.
pub const LINE_UNKNOWN: u32 = 0;

/// A batch of readings, column by column; all columns have one length.
///
/// Values are in the signal's storage unit; a sample without a number is NaN and carries a bad
/// quality. Order is that of the dump.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ReadingBlock {
    /// [`SeriesId`] numbers.
    pub series: Vec<u32>,
    /// Microseconds UTC.
    pub time_us: Vec<i64>,
    /// Value, NaN where the sample has none.
    pub value: Vec<f64>,
    /// OPC Classic quality byte.
    pub quality: Vec<u8>,
    /// The line of the dump that told it, from 1, as an editor counts; [`LINE_UNKNOWN`] where
    /// there is none.
    pub line: Vec<u32>,
}

impl ReadingBlock {
    /// Appends one reading.
    #[inline]
    pub fn push(&mut self, series: SeriesId, time_us: i64, value: f64, quality: u8, line: u32) {
        self.series.push(series.0);
        self.time_us.push(time_us);
        self.value.push(value);
        self.quality.push(quality);
        self.line.push(line);
    }

    /// Number of readings.
    #[inline]
    pub fn len(&self) -> usize {
        self.series.len()
    }

    /// Whether the block holds no reading.
    pub fn is_empty(&self) -> bool {
        self.series.is_empty()
    }
}
