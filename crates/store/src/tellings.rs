//! Who told what: every telling of every reading, in a second file beside the day file.
//!
//! Why:    the day file holds what stands, and only that: its bytes do not depend on the dumps
//!         that told it. Everything else is here, so that a dump can be taken out again exactly,
//!         a number can be followed to a line of a dump, and any past morning can be rebuilt.
//! Shape:  `row` (u32, row of the day file), `dump` (u32, number in the ledger), `line` (u32, 0 =
//!         unknown), `value` (f64) and `quality` (u8): both null where the telling says what
//!         stands; a quality beside a null value is a telling without a number. Sorted by row,
//!         then dump, then as the dump told it. Each row of the day file has at least one.
//! Rule:   the telling of the latest dump stands, within one dump the later line; one that repeats
//!         what stood leaves the honour to the earlier one.

use crate::day_file::{FORMAT_KEY, MOST_GROUP_ROWS};
use crate::day_reader::{Content, DecodedGroup};
use crate::error::StoreError;
use crate::group_writer::{Column, Rows};
use crate::layout::FORMAT_VERSION;
use crate::window::Window;
use arrow::array::{Array, ArrayRef, AsArray, Float64Array, UInt8Array, UInt32Array};
use arrow::datatypes::{DataType, Field, Float64Type, Schema, SchemaRef, UInt8Type, UInt32Type};
use parquet::arrow::arrow_reader::{ArrowReaderMetadata, ParquetRecordBatchReaderBuilder};
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::errors::ParquetError;
use parquet::file::metadata::{KeyValue, RowGroupMetaData};
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::file::statistics::Statistics;
use parquet::schema::types::ColumnPath;
use std::sync::Arc;

/// zstd 3 gained 1 % over 1 on lines of an interleaved dump and cost twice the time.
const ZSTD_LEVEL: i32 = 1;

/// One telling, whole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Told {
    pub dump: u32,
    pub line: u32,
    pub value: f64,
    pub quality: u8,
}

impl Told {
    /// Whether two tellings say the same. Two NaN do, and so do 0 and -0.
    pub(crate) fn says(&self, other: &Told) -> bool {
        let values = self.value == other.value || (self.value.is_nan() && other.value.is_nan());
        values && self.quality == other.quality
    }

    /// Whether they say the same to the last bit that is stored.
    pub(crate) fn is_bit_equal(&self, other: &Told) -> bool {
        let values = self.value.to_bits() == other.value.to_bits();
        (values || (self.value.is_nan() && other.value.is_nan())) && self.quality == other.quality
    }
}

/// The telling that stands; `None` of none.
pub(crate) fn standing(told: &[Told]) -> Option<&Told> {
    told.iter().reduce(|stands, next| if stands.says(next) { stands } else { next })
}

/// Tellings about the rows of a group, columns of one length.
#[derive(Clone, Debug, Default)]
pub(crate) struct Tellings {
    /// Row within the group, never falling.
    pub row: Vec<u32>,
    pub dump: Vec<u32>,
    pub line: Vec<u32>,
    /// Those that say something else than what stands: place in these columns, value, quality.
    pub other: Vec<(u32, f64, u8)>,
}

impl Tellings {
    pub(crate) fn len(&self) -> usize {
        self.row.len()
    }

    pub(crate) fn reserve(&mut self, n: usize) {
        self.row.reserve(n);
        self.dump.reserve(n);
        self.line.reserve(n);
    }

    /// Room for so many more, and not for twice as many.
    pub(crate) fn reserve_exact(&mut self, n: usize) {
        self.row.reserve_exact(n);
        self.dump.reserve_exact(n);
        self.line.reserve_exact(n);
    }

    /// Appends the tellings of one row.
    pub(crate) fn push_row(&mut self, row: usize, told: &[Told], stands: &Told) {
        for one in told {
            if !one.is_bit_equal(stands) {
                self.other.push((self.row.len() as u32, one.value, one.quality));
            }
            self.row.push(row as u32);
            self.dump.push(one.dump);
            self.line.push(one.line);
        }
    }

    /// Place of the first telling about `row` or a later one.
    pub(crate) fn first_of(&self, row: usize) -> usize {
        self.row.partition_point(|&r| (r as usize) < row)
    }

    /// Tellings about rows from `at` on, which count from 0 again.
    pub(crate) fn split_tail(&mut self, at: usize) -> Tellings {
        let first = self.first_of(at);
        let other = self.other.partition_point(|&(i, _, _)| (i as usize) < first);
        let mut tail = Tellings {
            row: self.row.split_off(first),
            dump: self.dump.split_off(first),
            line: self.line.split_off(first),
            other: self.other.split_off(other),
        };
        tail.row.iter_mut().for_each(|row| *row -= at as u32);
        tail.other.iter_mut().for_each(|one| one.0 -= first as u32);
        tail
    }

    /// Appends those from place `from` on; their row 0 becomes row `base`, wrapping below it.
    pub(crate) fn append(&mut self, from: &Tellings, first: usize, base: u32) {
        let shift = (self.row.len() as u32).wrapping_sub(first as u32);
        self.row.extend(from.row[first..].iter().map(|row| row.wrapping_add(base)));
        self.dump.extend_from_slice(&from.dump[first..]);
        self.line.extend_from_slice(&from.line[first..]);
        let other = from.other.partition_point(|&(i, _, _)| (i as usize) < first);
        self.other
            .extend(from.other[other..].iter().map(|&(i, v, q)| (i.wrapping_add(shift), v, q)));
    }

    /// Columns of the file, in pieces of bounded length.
    pub(crate) fn into_rows(self, first_row: u64) -> Vec<Rows> {
        let n = self.len();
        let mut pieces = Vec::new();
        let mut others = self.other.as_slice();
        for start in (0..n).step_by(MOST_GROUP_ROWS) {
            let part = start..n.min(start + MOST_GROUP_ROWS);
            let row = self.row[part.clone()].iter().map(|&row| row.wrapping_add(first_row as u32));
            let here = others.partition_point(|&(i, _, _)| (i as usize) < part.end);
            let (mine, rest) = others.split_at(here);
            others = rest;
            let mut value: Vec<Option<f64>> =
                vec![None; if mine.is_empty() { 0 } else { part.len() }];
            let mut quality: Vec<Option<u8>> = vec![None; value.len()];
            for &(i, v, q) in mine {
                value[i as usize - start] = (!v.is_nan()).then_some(v);
                quality[i as usize - start] = Some(q);
            }
            let (value, quality) = if mine.is_empty() {
                (Float64Array::new_null(part.len()), UInt8Array::new_null(part.len()))
            } else {
                (Float64Array::from(value), UInt8Array::from(quality))
            };
            pieces.push(Rows {
                rows: part.len() as u64,
                columns: [
                    Arc::new(UInt32Array::from_iter_values(row)) as ArrayRef,
                    Arc::new(UInt32Array::from_iter_values(
                        self.dump[part.clone()].iter().copied(),
                    )),
                    Arc::new(UInt32Array::from_iter_values(self.line[part].iter().copied())),
                    Arc::new(value),
                    Arc::new(quality),
                ]
                .map(Column::Array)
                .into(),
            });
        }
        pieces
    }
}

/// The columns of an origin file.
pub fn schema() -> SchemaRef {
    Arc::new(Schema::new(vec![
        Field::new("row", DataType::UInt32, false),
        Field::new("dump", DataType::UInt32, false),
        Field::new("line", DataType::UInt32, false),
        Field::new("value", DataType::Float64, true),
        Field::new("quality", DataType::UInt8, true),
    ]))
}

pub(crate) fn properties() -> Result<WriterProperties, ParquetError> {
    let column = |name: &str| ColumnPath::from(name);
    let metadata = vec![KeyValue::new(FORMAT_KEY.into(), FORMAT_VERSION.to_string())];
    let mut builder = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(ZSTD_LEVEL)?))
        .set_key_value_metadata(Some(metadata))
        .set_statistics_enabled(EnabledStatistics::Chunk);
    for name in ["row", "line"] {
        builder = builder
            .set_column_dictionary_enabled(column(name), false)
            .set_column_encoding(column(name), Encoding::DELTA_BINARY_PACKED);
    }
    Ok(builder.build())
}

/// Gives the tellings of a unit row by row of its day file, from whichever format it has.
pub(crate) enum TellingsReader {
    /// An origin file whose hash was compared already.
    File(Box<OriginReader>),
    /// A day file of format 1, which named the dump that stood and nothing else.
    OfDayFile,
}

impl TellingsReader {
    /// Appends the tellings about rows `from..until` of the day file, which are rows
    /// `start..end` of `group`; the first of them becomes row `base` of `into`.
    pub(crate) fn take(
        &mut self,
        (group, start, end): (&DecodedGroup, usize, usize),
        from: u64,
        base: usize,
        into: &mut Tellings,
    ) -> Result<(), StoreError> {
        match self {
            TellingsReader::File(reader) => {
                reader.take(from, from + (end - start) as u64, base, into)
            }
            TellingsReader::OfDayFile => {
                let dumps = group.dump.as_deref().unwrap_or(&[]);
                for (i, &dump) in dumps.get(start..end).unwrap_or(&[]).iter().enumerate() {
                    into.row.push((base + i) as u32);
                    into.dump.push(dump);
                    into.line.push(0);
                }
                Ok(())
            }
        }
    }
}

/// Reads an origin file from front to back.
pub(crate) struct OriginReader {
    file: String,
    content: Content,
    metadata: ArrowReaderMetadata,
    next_group: usize,
    /// The decoded group, and how many of it were taken.
    group: Tellings,
    taken: usize,
    /// Whether rows that nobody asks for are passed over.
    skips: bool,
}

impl OriginReader {
    /// Looks at the footer.
    pub(crate) fn of(file: &str, content: Content) -> Result<OriginReader, StoreError> {
        let metadata = content.footer(file)?;
        if metadata.schema().fields() != schema().fields() {
            let reason = "its columns are not those of an origin file".into();
            return Err(StoreError::Unreadable { file: file.into(), reason });
        }
        let (group, file) = (Tellings::default(), file.into());
        let (next_group, taken, skips) = (0, 0, false);
        Ok(OriginReader { file, content, metadata, next_group, group, taken, skips })
    }

    /// Passes over rows that nobody asks for.
    pub(crate) fn skipping(mut self) -> OriginReader {
        self.skips = true;
        self
    }

    /// Tellings that the footer promises.
    pub(crate) fn rows(&self) -> u64 {
        self.metadata.metadata().file_metadata().num_rows().max(0) as u64
    }

    fn wrong(&self, reason: impl Into<String>) -> StoreError {
        StoreError::Unreadable { file: self.file.clone(), reason: reason.into() }
    }

    fn take(
        &mut self,
        from: u64,
        until: u64,
        base: usize,
        into: &mut Tellings,
    ) -> Result<(), StoreError> {
        if self.skips {
            self.skip_to(from)?;
        }
        let mut expected = from;
        loop {
            if self.taken == self.group.len() && !self.decode_next()? {
                break;
            }
            let rows = &self.group.row[self.taken..];
            let n = rows.partition_point(|&row| u64::from(row) < until);
            // Every row, in order, none skipped: else a telling would go to a wrong reading.
            for &row in &rows[..n] {
                let row = u64::from(row);
                if row == expected {
                    expected += 1;
                } else if row + 1 != expected || row < from {
                    return Err(self.wrong(format!("row {expected} has no telling of its own")));
                }
            }
            let shift = (into.len() as u32).wrapping_sub(self.taken as u32);
            let move_row = (base as u32).wrapping_sub(from as u32);
            let part = self.taken..self.taken + n;
            into.row.extend(rows[..n].iter().map(|row| row.wrapping_add(move_row)));
            into.dump.extend_from_slice(&self.group.dump[part.clone()]);
            into.line.extend_from_slice(&self.group.line[part.clone()]);
            let other = &self.group.other;
            let place = |at: usize| other.partition_point(|&(i, _, _)| (i as usize) < at);
            let moved = other[place(part.start)..place(part.end)].iter();
            into.other.extend(moved.map(|&(i, v, q)| (i.wrapping_add(shift), v, q)));
            self.taken += n;
            if self.taken < self.group.len() {
                break;
            }
        }
        if expected != until {
            return Err(self.wrong(format!("row {expected} has no telling")));
        }
        Ok(())
    }

    /// Passes over tellings about earlier rows, whole groups of them unread.
    fn skip_to(&mut self, row: u64) -> Result<(), StoreError> {
        let before = |group: &RowGroupMetaData| {
            let Some(Statistics::Int32(rows)) = group.columns().first()?.statistics() else {
                return None;
            };
            // Row numbers are unsigned; their bits are kept in a signed column.
            rows.max_opt().map(|&last| u64::from(last as u32) < row)
        };
        if self.group.row[self.taken..].last().is_none_or(|&last| u64::from(last) < row) {
            self.taken = self.group.len();
            let groups = self.metadata.metadata().row_groups();
            let left = groups.get(self.next_group..).unwrap_or(&[]);
            self.next_group += left.iter().take_while(|group| before(group) == Some(true)).count();
            while self.taken == self.group.len() && self.decode_next()? {
                self.taken = self.group.first_of(row as usize);
            }
        }
        self.taken = self.taken.max(self.group.first_of(row as usize));
        Ok(())
    }

    fn decode_next(&mut self) -> Result<bool, StoreError> {
        let Some(group) = self.metadata.metadata().row_groups().get(self.next_group) else {
            return Ok(false);
        };
        let rows = group.num_rows().max(0) as usize;
        let window = self.content.group(self.next_group)?;
        let decoded = self.decode(window, self.next_group, rows);
        let decoded = decoded.map_err(|reason| self.wrong(reason))?;
        (self.group, self.taken) = (decoded, 0);
        self.next_group += 1;
        Ok(true)
    }

    fn decode(&self, window: Window, group: usize, rows: usize) -> Result<Tellings, String> {
        let mut reader =
            ParquetRecordBatchReaderBuilder::new_with_metadata(window, self.metadata.clone())
                .with_row_groups(vec![group])
                .with_batch_size(rows.max(1))
                .build()
                .map_err(|e| e.to_string())?;
        let batch = match reader.next() {
            Some(batch) => batch.map_err(|e| e.to_string())?,
            None => return Err(format!("row group {group} is empty")),
        };
        let whole = |column: usize| batch.column(column).as_primitive_opt::<UInt32Type>();
        let value = batch.column(3).as_primitive_opt::<Float64Type>();
        let quality = batch.column(4).as_primitive_opt::<UInt8Type>();
        let (Some(row), Some(dump), Some(line)) = (whole(0), whole(1), whole(2)) else {
            return Err("a column has another type than an origin file".into());
        };
        let (Some(value), Some(quality)) = (value, quality) else {
            return Err("a column has another type than an origin file".into());
        };
        if batch.num_rows() != rows || !row.values().is_sorted() {
            return Err(format!("row group {group} is not in order"));
        }
        let mut other = Vec::new();
        if quality.null_count() < rows {
            for (i, q) in quality.iter().enumerate() {
                let Some(q) = q else { continue };
                let v = if value.is_null(i) { f64::NAN } else { value.value(i) };
                other.push((i as u32, v, q));
            }
        }
        Ok(Tellings {
            row: row.values().to_vec(),
            dump: dump.values().to_vec(),
            line: line.values().to_vec(),
            other,
        })
    }
}
