//! Reading day files: the whole file is hashed before any of it is decoded (Parquet itself lets
//! nine flipped bits in ten pass), then decoded group by group.

use crate::day_file::{FORMAT_KEY, schema, schema_1};
use crate::error::StoreError;
use crate::group_writer::Written;
use crate::layout::FORMAT_VERSION;
use crate::seal;
use crate::storage::Storage;
use crate::tellings::OriginReader;
use arrow::array::{Array, ArrayRef, AsArray, Float64Array};
use arrow::buffer::ScalarBuffer;
use arrow::datatypes::{Float64Type, Int32Type, TimestampMicrosecondType, UInt8Type, UInt32Type};
use bytes::Bytes;
use parquet::arrow::arrow_reader::{
    ArrowReaderMetadata, ArrowReaderOptions, ParquetRecordBatchReaderBuilder,
};
use parquet::file::metadata::RowGroupMetaData;
use std::io;
use std::sync::Arc;

/// One run of a series within a decoded group.
#[derive(Clone, Debug)]
pub(crate) struct DecodedRun {
    pub meter: Arc<str>,
    pub signal: Arc<str>,
    pub start: usize,
    pub end: usize,
}

/// One decoded row group.
#[derive(Debug)]
pub(crate) struct DecodedGroup {
    pub runs: Vec<DecodedRun>,
    pub time_us: ScalarBuffer<i64>,
    /// NaN where the sample has no number.
    pub value: ScalarBuffer<f64>,
    pub quality: ScalarBuffer<u8>,
    /// Of a day file of format 1.
    pub dump: Option<ScalarBuffer<u32>>,
}

/// Reads a day file whose hash was compared already.
#[derive(Clone)]
pub(crate) struct DayFileReader {
    file: String,
    bytes: Bytes,
    metadata: ArrowReaderMetadata,
    next: usize,
}

/// The footer of a Parquet file whose bytes passed the hash.
pub(crate) fn footer(file: &str, bytes: &Bytes) -> Result<ArrowReaderMetadata, StoreError> {
    ArrowReaderMetadata::load(bytes, ArrowReaderOptions::new())
        .map_err(|e| StoreError::Unreadable { file: file.into(), reason: e.to_string() })
}

impl DayFileReader {
    /// Looks at the footer. `bytes` must have passed the hash.
    pub(crate) fn new(file: &str, bytes: Vec<u8>) -> Result<DayFileReader, StoreError> {
        let bytes = Bytes::from(bytes);
        let unreadable = |reason: String| StoreError::Unreadable { file: file.into(), reason };
        let metadata = footer(file, &bytes)?;
        let version = metadata
            .metadata()
            .file_metadata()
            .key_value_metadata()
            .and_then(|pairs| pairs.iter().find(|pair| pair.key == FORMAT_KEY))
            .and_then(|pair| pair.value.as_ref()?.parse::<u64>().ok())
            .ok_or_else(|| unreadable(format!("it carries no `{FORMAT_KEY}`")))?;
        if version > FORMAT_VERSION {
            let (found, known) = (version, FORMAT_VERSION);
            return Err(StoreError::FormatVersion { file: file.into(), found, known });
        }
        let fields = metadata.schema().fields();
        if fields != schema().fields() && fields != schema_1().fields() {
            return Err(unreadable("its columns are not those of a day file".into()));
        }
        Ok(DayFileReader { file: file.into(), bytes, metadata, next: 0 })
    }

    /// Readings that the footer promises.
    pub(crate) fn rows(&self) -> u64 {
        self.metadata.metadata().file_metadata().num_rows().max(0) as u64
    }

    /// Short hashes of each row group and of what follows the last; none for a file of one group,
    /// which is read whole anyway.
    pub(crate) fn part_hashes(&self) -> Vec<String> {
        let ends = group_ends(&self.metadata);
        if ends.len() < 2 {
            return Vec::new();
        }
        let starts = std::iter::once(0).chain(ends.iter().copied());
        let until = ends.iter().copied().chain([self.bytes.len()]);
        starts.zip(until).map(|(a, b)| part_hash(&self.bytes[a.min(b)..b])).collect()
    }

    /// The next row group; `None` after the last.
    pub(crate) fn next_group(&mut self) -> Result<Option<DecodedGroup>, StoreError> {
        let groups = self.metadata.metadata().row_groups();
        let Some(group) = groups.get(self.next) else { return Ok(None) };
        let rows = group.num_rows().max(0) as usize;
        let decoded = self.decode(self.next, rows);
        self.next += 1;
        decoded
            .map(Some)
            .map_err(|reason| StoreError::Unreadable { file: self.file.clone(), reason })
    }

    fn decode(&self, group: usize, rows: usize) -> Result<DecodedGroup, String> {
        let builder = ParquetRecordBatchReaderBuilder::new_with_metadata(
            self.bytes.clone(),
            self.metadata.clone(),
        );
        // One batch over the whole group: a batch across two groups would merge dictionaries.
        let mut reader = builder
            .with_row_groups(vec![group])
            .with_batch_size(rows.max(1))
            .build()
            .map_err(|e| e.to_string())?;
        let batch = match reader.next() {
            Some(batch) => batch.map_err(|e| e.to_string())?,
            None => return Err(format!("row group {group} is empty")),
        };
        if batch.num_rows() != rows {
            return Err(format!("row group {group} has {} of {rows} rows", batch.num_rows()));
        }
        let meters = Names::of(batch.column(0))?;
        let signals = Names::of(batch.column(1))?;
        let time = batch.column(2).as_primitive_opt::<TimestampMicrosecondType>();
        let value = batch.column(3).as_primitive_opt::<Float64Type>();
        let quality = batch.column(4).as_primitive_opt::<UInt8Type>();
        let dump = batch.columns().get(5).and_then(|c| c.as_primitive_opt::<UInt32Type>());
        let (Some(time), Some(value), Some(quality)) = (time, value, quality) else {
            return Err("a column has another type than a day file".into());
        };
        Ok(DecodedGroup {
            runs: runs(&meters, &signals, rows)?,
            time_us: time.values().clone(),
            value: nan_for_null(value),
            quality: quality.values().clone(),
            dump: dump.map(|dump| dump.values().clone()),
        })
    }
}

/// Where each row group ends in the file.
fn group_ends(metadata: &ArrowReaderMetadata) -> Vec<usize> {
    let end = |group: &RowGroupMetaData| {
        let ends = group.columns().iter().map(|column| {
            let (start, length) = column.byte_range();
            (start + length) as usize
        });
        ends.max().unwrap_or(0)
    };
    metadata.metadata().row_groups().iter().map(end).collect()
}

/// Half a blake3: enough against accidents, and the ledger stays short.
pub(crate) fn part_hash(bytes: &[u8]) -> String {
    let mut hash = seal::hash(bytes);
    hash.truncate(32);
    hash
}

fn nan_for_null(value: &Float64Array) -> ScalarBuffer<f64> {
    match value.nulls() {
        Some(nulls) if nulls.null_count() > 0 => value
            .values()
            .iter()
            .zip(nulls.iter())
            .map(|(&v, there)| if there { v } else { f64::NAN })
            .collect::<Vec<f64>>()
            .into(),
        _ => value.values().clone(),
    }
}

struct Names {
    keys: ScalarBuffer<i32>,
    texts: Vec<Arc<str>>,
}

impl Names {
    fn of(array: &ArrayRef) -> Result<Names, String> {
        let not_names = || "a name column is no dictionary of strings".to_string();
        let dictionary = array.as_dictionary_opt::<Int32Type>().ok_or_else(not_names)?;
        let texts = dictionary.values().as_string_opt::<i32>().ok_or_else(not_names)?;
        Ok(Names {
            keys: dictionary.keys().values().clone(),
            texts: texts.iter().map(|text| Arc::from(text.unwrap_or(""))).collect(),
        })
    }

    fn at(&self, row: usize) -> Result<Arc<str>, String> {
        let text = self.texts.get(self.keys[row] as usize);
        text.cloned().ok_or_else(|| "a name column points outside its dictionary".to_string())
    }
}

fn runs(meters: &Names, signals: &Names, rows: usize) -> Result<Vec<DecodedRun>, String> {
    let mut runs: Vec<DecodedRun> = Vec::new();
    let mut start = 0;
    while start < rows {
        let key = (meters.keys[start], signals.keys[start]);
        let same = meters.keys[start..]
            .iter()
            .zip(&signals.keys[start..])
            .take_while(|&(&meter, &signal)| (meter, signal) == key);
        let end = start + same.count();
        let (meter, signal) = (meters.at(start)?, signals.at(start)?);
        match runs.last_mut() {
            // Two keys may stand for one text.
            Some(last) if last.meter == meter && last.signal == signal => last.end = end,
            _ => runs.push(DecodedRun { meter, signal, start, end }),
        }
        start = end;
    }
    Ok(runs)
}

/// Reads a file of the ledger whole and compares its hash before anything else is done with it.
pub(crate) fn read_verified(
    storage: &dyn Storage,
    path: &str,
    expected_bytes: u64,
    expected_hash: &str,
) -> Result<Vec<u8>, StoreError> {
    let damaged = |found: String| StoreError::Damaged {
        file: path.into(),
        expected: format!("{expected_bytes} bytes, hash {}", short(expected_hash)),
        found,
        dumps: Vec::new(),
    };
    let bytes = match storage.read(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            return Err(damaged("no such file".into()));
        }
        Err(error) => return Err(StoreError::io("read", path, error)),
        Ok(bytes) => bytes,
    };
    let found = seal::hash(&bytes);
    if found == expected_hash {
        return Ok(bytes);
    }
    Err(damaged(format!("{} bytes, hash {}", bytes.len(), short(&found))))
}

fn short(hash: &str) -> &str {
    hash.get(..12).unwrap_or(hash)
}

/// Reads a staged day file back and compares bytes and rows with what was written; gives the
/// hashes of its parts.
pub(crate) fn verify_staged(
    storage: &dyn Storage,
    path: &str,
    written: &Written,
) -> Result<Vec<String>, StoreError> {
    let bytes = read_verified(storage, path, written.bytes, &written.hash)?;
    let reader = DayFileReader::new(path, bytes)?;
    rows_as_written(path, reader.rows(), written)?;
    Ok(reader.part_hashes())
}

/// As [`verify_staged`], for an origin file.
pub(crate) fn verify_staged_origin(
    storage: &dyn Storage,
    path: &str,
    written: &Written,
) -> Result<(), StoreError> {
    let bytes = read_verified(storage, path, written.bytes, &written.hash)?;
    rows_as_written(path, OriginReader::new(path, bytes)?.rows(), written)
}

fn rows_as_written(path: &str, rows: u64, written: &Written) -> Result<(), StoreError> {
    if rows == written.rows {
        return Ok(());
    }
    let reason = format!("{} rows written, the footer says {rows}", written.rows);
    Err(StoreError::Unreadable { file: path.into(), reason })
}

/// Adds the dumps that heal a damaged day file.
pub(crate) fn with_dumps(error: StoreError, dumps: Vec<String>) -> StoreError {
    match error {
        StoreError::Damaged { file, expected, found, .. } => {
            StoreError::Damaged { file, expected, found, dumps }
        }
        other => other,
    }
}
