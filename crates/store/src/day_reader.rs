//! Reading day files: the whole file is hashed before any of it is decoded (Parquet itself lets
//! nine flipped bits in ten pass), then decoded group by group. Where only one meter is wanted, the
//! groups that may hold it are hashed and decoded, each by a hash of its own in the ledger.

use crate::day_file::{FORMAT_KEY, schema, schema_1};
use crate::error::StoreError;
use crate::group_writer::Written;
use crate::layout::FORMAT_VERSION;
use crate::seal;
use crate::storage::Storage;
use crate::tellings::OriginReader;
use crate::window::{Part, PartedFile, Window};
use arrow::array::{Array, ArrayRef, AsArray, Float64Array, RecordBatch};
use arrow::buffer::ScalarBuffer;
use arrow::datatypes::{Float64Type, Int32Type, TimestampMicrosecondType, UInt8Type, UInt32Type};
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::{
    ArrowReaderMetadata, ArrowReaderOptions, ParquetRecordBatchReaderBuilder, RowSelector,
};
use parquet::file::metadata::RowGroupMetaData;
use std::io;
use std::ops::Range;
use std::sync::Arc;

/// Bytes of a staged file that are read back at a time.
const READ_BYTES: usize = 1 << 20;

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
    /// Its first row in the file.
    pub first_row: u64,
}

/// Where the row groups of a file come from.
#[derive(Clone)]
pub(crate) enum Content {
    /// A file whose hash was compared already.
    Whole(Window),
    /// A file whose parts are hashed as they are read.
    Parts(PartedFile),
}

impl Content {
    /// The bytes of a row group, their hash compared.
    pub(crate) fn group(&self, number: usize) -> Result<Window, StoreError> {
        match self {
            Content::Whole(window) => Ok(window.clone()),
            Content::Parts(file) => file.part(number),
        }
    }

    /// The footer.
    pub(crate) fn footer(&self, file: &str) -> Result<ArrowReaderMetadata, StoreError> {
        match self {
            Content::Whole(window) => footer(file, window),
            Content::Parts(parts) => {
                let metadata = footer(file, &parts.tail()?)?;
                let ends = group_ends(&metadata);
                let same = ends.len() + 1 == parts.parts.len()
                    && ends.iter().zip(&parts.parts).all(|(&end, part)| end as u64 == part.end);
                if same {
                    return Ok(metadata);
                }
                let reason = "its row groups end elsewhere than the ledger says".into();
                Err(StoreError::Unreadable { file: file.into(), reason })
            }
        }
    }
}

/// Reads a day file.
#[derive(Clone)]
pub(crate) struct DayFileReader {
    file: String,
    content: Content,
    metadata: ArrowReaderMetadata,
    next: usize,
    /// The only meter that is wanted.
    meter: Option<String>,
}

/// The footer of a Parquet file whose bytes passed the hash.
pub(crate) fn footer(file: &str, bytes: &Window) -> Result<ArrowReaderMetadata, StoreError> {
    ArrowReaderMetadata::load(bytes, ArrowReaderOptions::new())
        .map_err(|e| StoreError::Unreadable { file: file.into(), reason: e.to_string() })
}

impl DayFileReader {
    /// Looks at the footer. `bytes` must have passed the hash.
    pub(crate) fn new(file: &str, bytes: Vec<u8>) -> Result<DayFileReader, StoreError> {
        DayFileReader::of(file, Content::Whole(Window::whole(bytes.into())))
    }

    /// Looks at the footer.
    pub(crate) fn of(file: &str, content: Content) -> Result<DayFileReader, StoreError> {
        let unreadable = |reason: String| StoreError::Unreadable { file: file.into(), reason };
        let metadata = content.footer(file)?;
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
        Ok(DayFileReader { file: file.into(), content, metadata, next: 0, meter: None })
    }

    /// Passes over row groups that cannot hold a meter.
    pub(crate) fn only(mut self, meter: &str) -> DayFileReader {
        self.meter = Some(meter.into());
        self
    }

    /// Readings that the footer promises.
    pub(crate) fn rows(&self) -> u64 {
        self.metadata.metadata().file_metadata().num_rows().max(0) as u64
    }

    /// Number of row groups.
    pub(crate) fn groups(&self) -> usize {
        self.metadata.metadata().num_row_groups()
    }

    /// The row group of a number.
    pub(crate) fn group(&self, number: usize) -> Result<DecodedGroup, StoreError> {
        let rows = |group: &RowGroupMetaData| group.num_rows().max(0) as usize;
        let groups = self.metadata.metadata().row_groups();
        let unreadable = |reason| StoreError::Unreadable { file: self.file.clone(), reason };
        let group = groups.get(number).ok_or_else(|| unreadable(format!("no group {number}")))?;
        let first_row = groups[..number].iter().map(|group| rows(group) as u64).sum();
        let window = self.content.group(number)?;
        self.decode(window, number, rows(group), first_row).map_err(unreadable)
    }

    /// The next row group that may hold what is wanted; `None` after the last.
    pub(crate) fn next_group(&mut self) -> Result<Option<DecodedGroup>, StoreError> {
        while let Some(group) = self.metadata.metadata().row_groups().get(self.next) {
            let number = self.next;
            self.next += 1;
            if self.meter.as_deref().is_none_or(|meter| may_hold(group, meter)) {
                return self.group(number).map(Some);
            }
        }
        Ok(None)
    }

    fn decode(
        &self,
        window: Window,
        group: usize,
        rows: usize,
        first_row: u64,
    ) -> Result<DecodedGroup, String> {
        let wanted = match &self.meter {
            Some(meter) => self.rows_of(meter, window.clone(), group, rows)?,
            None => 0..rows,
        };
        if wanted.is_empty() {
            return Ok(DecodedGroup::empty(first_row));
        }
        let (first_row, rows) = (first_row + wanted.start as u64, wanted.len());
        let mut builder = self.builder(window, group, rows);
        if self.meter.is_some() {
            // Pages that hold others only are passed over without being unpacked.
            let (skip, select) = (RowSelector::skip(wanted.start), RowSelector::select(rows));
            builder = builder.with_row_selection(vec![skip, select].into());
        }
        let batch = one_batch(builder, group, rows)?;
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
            first_row,
        })
    }
}

impl DayFileReader {
    /// One batch over the whole group: a batch across two groups would merge dictionaries.
    fn builder(
        &self,
        window: Window,
        group: usize,
        rows: usize,
    ) -> ParquetRecordBatchReaderBuilder<Window> {
        ParquetRecordBatchReaderBuilder::new_with_metadata(window, self.metadata.clone())
            .with_row_groups(vec![group])
            .with_batch_size(rows.max(1))
    }

    /// The rows of a meter in a group, which lie side by side; only its names are decoded.
    fn rows_of(
        &self,
        meter: &str,
        window: Window,
        group: usize,
        rows: usize,
    ) -> Result<Range<usize>, String> {
        let builder = self.builder(window, group, rows);
        let names = ProjectionMask::leaves(builder.parquet_schema(), [0]);
        let batch = one_batch(builder.with_projection(names), group, rows)?;
        let names = Names::of(batch.column(0))?;
        // Two keys may stand for one text.
        let is_meter =
            |key: &i32| names.texts.get(*key as usize).is_some_and(|text| **text == *meter);
        let Some(start) = names.keys.iter().position(is_meter) else { return Ok(0..0) };
        let own = names.keys[start..].iter().take_while(|key| is_meter(key)).count();
        Ok(start..start + own)
    }
}

impl DecodedGroup {
    /// A group of which nothing is wanted.
    fn empty(first_row: u64) -> DecodedGroup {
        let (time_us, value, quality) = (Vec::new().into(), Vec::new().into(), Vec::new().into());
        DecodedGroup { runs: Vec::new(), time_us, value, quality, dump: None, first_row }
    }
}

/// The only batch of a reader, with as many rows as there must be.
fn one_batch(
    builder: ParquetRecordBatchReaderBuilder<Window>,
    group: usize,
    rows: usize,
) -> Result<RecordBatch, String> {
    let mut reader = builder.build().map_err(|e| e.to_string())?;
    let batch = match reader.next() {
        Some(batch) => batch.map_err(|e| e.to_string())?,
        None => return Err(format!("row group {group} is empty")),
    };
    match batch.num_rows() == rows {
        true => Ok(batch),
        false => Err(format!("row group {group} has {} of {rows} rows", batch.num_rows())),
    }
}

/// Whether a row group may hold a meter, by the least and the greatest name in it.
fn may_hold(group: &RowGroupMetaData, meter: &str) -> bool {
    let Some(statistics) = group.columns().first().and_then(|column| column.statistics()) else {
        return true;
    };
    // A name that was cut for the footer is a bound all the same.
    let below = statistics.max_bytes_opt().is_some_and(|max| max < meter.as_bytes());
    let above = statistics.min_bytes_opt().is_some_and(|min| min > meter.as_bytes());
    !below && !above
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
    cut(seal::hash(bytes))
}

fn cut(mut hash: String) -> String {
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

pub(crate) fn short(hash: &str) -> &str {
    hash.get(..12).unwrap_or(hash)
}

/// Reads a staged day file back and compares bytes and rows with what was written; gives the
/// hashes of its parts.
pub(crate) fn verify_staged(
    storage: &Arc<dyn Storage>,
    path: &str,
    written: &Written,
) -> Result<Vec<String>, StoreError> {
    let (parts, content) = staged(storage, path, written)?;
    rows_as_written(path, DayFileReader::of(path, content)?.rows(), written)?;
    Ok(texts(&parts))
}

/// As [`verify_staged`], for an origin file.
pub(crate) fn verify_staged_origin(
    storage: &Arc<dyn Storage>,
    path: &str,
    written: &Written,
) -> Result<Vec<String>, StoreError> {
    let (parts, content) = staged(storage, path, written)?;
    rows_as_written(path, OriginReader::of(path, content)?.rows(), written)?;
    Ok(texts(&parts))
}

/// Parts as the ledger keeps them; none for a file of one group, which is read whole anyway.
fn texts(parts: &[Part]) -> Vec<String> {
    let text = |part: &Part| format!("{}:{}", part.end, part.hash);
    if parts.len() > 2 { parts.iter().map(text).collect() } else { Vec::new() }
}

/// The parts of a staged file whose hash is right, and the file for a look at its footer.
fn staged(
    storage: &Arc<dyn Storage>,
    path: &str,
    written: &Written,
) -> Result<(Vec<Part>, Content), StoreError> {
    let parts = hash_parts(&**storage, path, written)?;
    if parts.len() < 2 {
        let bytes = read_verified(&**storage, path, written.bytes, &written.hash)?;
        return Ok((parts, Content::Whole(Window::whole(bytes.into()))));
    }
    let (storage, path, kept) = (Arc::clone(storage), path.into(), parts.clone());
    Ok((parts, Content::Parts(PartedFile { storage, path, parts: kept })))
}

/// Reads a staged file from front to back, however large it is, and compares its hash; gives the
/// hashes of its row groups and of what follows the last.
fn hash_parts(
    storage: &dyn Storage,
    path: &str,
    written: &Written,
) -> Result<Vec<Part>, StoreError> {
    let io = |e| StoreError::io("read", path, e);
    let file = storage.open(path).map_err(io)?;
    let (mut whole, mut parts, mut start) = (blake3::Hasher::new(), Vec::new(), 0);
    let mut buffer = vec![0; (written.bytes as usize).min(READ_BYTES)];
    for end in written.ends.iter().copied().chain([written.bytes]) {
        let mut part = blake3::Hasher::new();
        let mut at = start;
        while at < end {
            let length = (end - at).min(buffer.len() as u64) as usize;
            file.read_at(at, &mut buffer[..length]).map_err(io)?;
            whole.update(&buffer[..length]);
            part.update(&buffer[..length]);
            at += length as u64;
        }
        let hash = cut(part.finalize().to_hex().to_string());
        parts.push(Part { start, end, hash });
        start = end;
    }
    let found = whole.finalize().to_hex().to_string();
    let size = storage.size(path).map_err(io)?;
    if found == written.hash && size == Some(written.bytes) {
        return Ok(parts);
    }
    Err(StoreError::Damaged {
        file: path.into(),
        expected: format!("{} bytes, hash {}", written.bytes, short(&written.hash)),
        found: format!("{} bytes, hash {}", size.unwrap_or(0), short(&found)),
        dumps: Vec::new(),
    })
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
