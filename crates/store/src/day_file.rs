//! One day file in Parquet: the readings of one UTC day and one bucket of meters.
//!
//! Shape:  `meter`, `signal` (dictionary strings), `time` (timestamp, us UTC), `value` (f64, null
//!         where the sample has no number), `quality` (u8, OPC Classic byte), `dump` (u32, number
//!         in the ledger); sorted by meter, signal, time; (meter, signal, time) occurs once.
//! Units:  one per signal, in the file's metadata under `metersift.units`.
//! Method: times as deltas; values by dictionary up to 1 MiB, then byte-stream-split, because
//!         historian values have a resolution and so repeat; zstd 3. Row groups of about 400,000
//!         readings that begin with a series, so that one group is decoded on its own and a
//!         series is never split without need. Groups are encoded side by side on all cores and
//!         appended in order: the bytes do not depend on the number of threads.

use crate::error::StoreError;
use crate::layout::FORMAT_VERSION;
use crate::seal;
use crate::storage::{NewFile, Storage};
use arrow::array::{ArrayRef, DictionaryArray, Float64Array, Int32Array};
use arrow::array::{StringArray, TimestampMicrosecondArray, UInt8Array, UInt32Array};
use arrow::buffer::{BooleanBuffer, NullBuffer};
use arrow::datatypes::{DataType, Field, Int32Type, Schema, SchemaRef, TimeUnit};
use metersift_model::Signal;
use parquet::arrow::ArrowWriter;
use parquet::arrow::arrow_writer::{
    ArrowColumnChunk, ArrowColumnWriter, ArrowRowGroupWriterFactory, compute_leaves,
};
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::errors::ParquetError;
use parquet::file::metadata::{KeyValue, SortingColumn};
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::ColumnPath;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::io::{self, Write};
use std::sync::Arc;

/// Readings that a row group is filled to.
pub(crate) const GROUP_ROWS: usize = 400_000;
/// Largest row group, and the length at which a single series is split.
pub(crate) const MOST_GROUP_ROWS: usize = 1_000_000;
/// Values beyond this many bytes of dictionary are byte-stream-split: measured best for values as
/// a historian logs them, after a unit conversion, and dead-banded.
const VALUE_DICTIONARY_BYTES: usize = 1 << 20;
/// zstd 1, 3 and 6 differ by 2 % in size; 3 was the smallest.
const ZSTD_LEVEL: i32 = 3;

/// Key of the format version in the file's metadata.
pub const FORMAT_KEY: &str = "metersift.format";
/// Key of the units of the signals, a JSON object.
pub const UNITS_KEY: &str = "metersift.units";

/// Size, rows and hash of a written file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Written {
    pub bytes: u64,
    pub rows: u64,
    pub hash: String,
}

/// A series and how many readings of it follow.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct GroupSegment {
    pub meter: Arc<str>,
    pub signal: Arc<str>,
    pub rows: usize,
}

/// Readings of one row group, sorted.
#[derive(Clone, Debug, Default)]
pub(crate) struct Group {
    pub segments: Vec<GroupSegment>,
    pub time_us: Vec<i64>,
    pub value: Vec<f64>,
    pub quality: Vec<u8>,
    pub dump: Vec<u32>,
}

/// The columns of a day file.
pub fn schema() -> SchemaRef {
    let names = || DataType::Dictionary(DataType::Int32.into(), DataType::Utf8.into());
    let time = DataType::Timestamp(TimeUnit::Microsecond, Some("UTC".into()));
    Arc::new(Schema::new(vec![
        Field::new("meter", names(), false),
        Field::new("signal", names(), false),
        Field::new("time", time, false),
        Field::new("value", DataType::Float64, true),
        Field::new("quality", DataType::UInt8, false),
        Field::new("dump", DataType::UInt32, false),
    ]))
}

fn properties() -> Result<WriterProperties, ParquetError> {
    let column = |name: &str| ColumnPath::from(name);
    let units: BTreeMap<String, &str> =
        Signal::KNOWN.iter().map(|signal| (signal.name(), signal.unit())).collect();
    let units = String::from_utf8_lossy(&seal::line(&units)).trim_end().to_string();
    let metadata = vec![
        KeyValue::new(FORMAT_KEY.into(), FORMAT_VERSION.to_string()),
        KeyValue::new(UNITS_KEY.into(), units),
    ];
    let sorted = (0..3)
        .map(|column_idx| SortingColumn { column_idx, descending: false, nulls_first: false })
        .collect();
    let mut builder = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(ZSTD_LEVEL)?))
        .set_max_row_group_row_count(Some(2 * MOST_GROUP_ROWS))
        .set_key_value_metadata(Some(metadata))
        .set_sorting_columns(Some(sorted))
        .set_column_dictionary_enabled(column("time"), false)
        .set_column_encoding(column("time"), Encoding::DELTA_BINARY_PACKED)
        .set_column_dictionary_enabled(column("value"), true)
        .set_column_dictionary_page_size_limit(column("value"), VALUE_DICTIONARY_BYTES)
        .set_column_encoding(column("value"), Encoding::BYTE_STREAM_SPLIT);
    // A reader finds the pages of one meter or hour by these; of the rest no page is sought.
    for name in ["value", "quality", "dump"] {
        builder = builder.set_column_statistics_enabled(column(name), EnabledStatistics::Chunk);
    }
    Ok(builder.build())
}

/// A file that is hashed as it is written.
pub(crate) struct HashingFile {
    file: Box<dyn NewFile>,
    hasher: blake3::Hasher,
    bytes: u64,
}

impl HashingFile {
    pub(crate) fn create(storage: &dyn Storage, path: &str) -> Result<HashingFile, StoreError> {
        let file = storage.create(path).map_err(|e| StoreError::io("create", path, e))?;
        Ok(HashingFile { file, hasher: blake3::Hasher::new(), bytes: 0 })
    }

    pub(crate) fn finish(mut self, path: &str, rows: u64) -> Result<Written, StoreError> {
        self.file.flush().map_err(|e| StoreError::io("write", path, e))?;
        self.file.sync().map_err(|e| StoreError::io("sync", path, e))?;
        let hash = self.hasher.finalize().to_hex().to_string();
        Ok(Written { bytes: self.bytes, rows, hash })
    }
}

impl Write for HashingFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let n = self.file.write(bytes)?;
        self.hasher.update(&bytes[..n]);
        self.bytes += n as u64;
        Ok(n)
    }
    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

/// Writes one day file, group by group.
pub(crate) struct DayFileWriter {
    path: String,
    writer: SerializedFileWriter<HashingFile>,
    factory: ArrowRowGroupWriterFactory,
    schema: SchemaRef,
    groups: usize,
    rows: u64,
}

impl DayFileWriter {
    pub(crate) fn create(storage: &dyn Storage, path: &str) -> Result<DayFileWriter, StoreError> {
        let file = HashingFile::create(storage, path)?;
        let schema = schema();
        let open = || {
            let writer = ArrowWriter::try_new(file, schema.clone(), Some(properties()?))?;
            writer.into_serialized_writer()
        };
        let (writer, factory) = open().map_err(|e| StoreError::writing(path, e))?;
        Ok(DayFileWriter { path: path.into(), writer, factory, schema, groups: 0, rows: 0 })
    }

    /// Encodes groups side by side on all cores. Numbers them from the next one on.
    pub(crate) fn encode(&self, groups: Vec<Group>) -> Result<Vec<EncodedGroup>, StoreError> {
        let wrong = |e| StoreError::writing(&self.path, e);
        let mut jobs = Vec::new();
        for (i, group) in groups.into_iter().enumerate() {
            let rows = group.time_us.len() as u64;
            let writers = self.factory.create_column_writers(self.groups + i).map_err(wrong)?;
            let columns = group.into_arrays().map_err(|e| wrong(e.into()))?;
            jobs.extend(writers.into_iter().zip(columns).enumerate().map(|(c, w)| (c, rows, w)));
        }
        let fields = self.schema.fields();
        let encoded: Result<Vec<(usize, u64, ArrowColumnChunk)>, ParquetError> = jobs
            .into_par_iter()
            .with_max_len(1)
            .map(|(c, rows, (writer, array))| {
                Ok((c, rows, encode_column(&fields[c], writer, &array)?))
            })
            .collect();
        let mut done: Vec<EncodedGroup> = Vec::new();
        for (c, rows, chunk) in encoded.map_err(wrong)? {
            if c == 0 {
                done.push(EncodedGroup { rows, chunks: Vec::new() });
            }
            if let Some(group) = done.last_mut() {
                group.chunks.push(chunk);
            }
        }
        Ok(done)
    }

    /// Appends encoded groups in their order.
    pub(crate) fn append(&mut self, encoded: Vec<EncodedGroup>) -> Result<(), StoreError> {
        for group in encoded {
            let append = || {
                let mut row_group = self.writer.next_row_group()?;
                for chunk in group.chunks {
                    chunk.append_to_row_group(&mut row_group)?;
                }
                row_group.close()
            };
            append().map_err(|e| StoreError::writing(&self.path, e))?;
            self.groups += 1;
            self.rows += group.rows;
        }
        Ok(())
    }

    /// Writes the footer and makes the file durable.
    pub(crate) fn finish(self) -> Result<Written, StoreError> {
        let file = self.writer.into_inner().map_err(|e| StoreError::writing(&self.path, e))?;
        file.finish(&self.path, self.rows)
    }
}

/// One row group, encoded and compressed.
pub(crate) struct EncodedGroup {
    rows: u64,
    chunks: Vec<ArrowColumnChunk>,
}

fn encode_column(
    field: &Field,
    mut writer: ArrowColumnWriter,
    array: &ArrayRef,
) -> Result<ArrowColumnChunk, ParquetError> {
    for leaf in compute_leaves(field, array)? {
        writer.write(&leaf)?;
    }
    writer.close()
}

impl Group {
    pub(crate) fn rows(&self) -> usize {
        self.time_us.len()
    }

    fn into_arrays(self) -> Result<Vec<ArrayRef>, arrow::error::ArrowError> {
        let meter = names(&self.segments, |segment| &segment.meter)?;
        let signal = names(&self.segments, |segment| &segment.signal)?;
        let time = TimestampMicrosecondArray::new(self.time_us.into(), None).with_timezone("UTC");
        let nulls = self.value.iter().any(|v| v.is_nan()).then(|| {
            NullBuffer::new(BooleanBuffer::collect_bool(self.value.len(), |i| {
                !self.value[i].is_nan()
            }))
        });
        let value = Float64Array::try_new(self.value.into(), nulls)?;
        Ok(vec![
            Arc::new(meter),
            Arc::new(signal),
            Arc::new(time),
            Arc::new(value),
            Arc::new(UInt8Array::new(self.quality.into(), None)),
            Arc::new(UInt32Array::new(self.dump.into(), None)),
        ])
    }
}

/// A dictionary column from runs of names; keys in order of first use.
fn names(
    segments: &[GroupSegment],
    name: impl Fn(&GroupSegment) -> &Arc<str>,
) -> Result<DictionaryArray<Int32Type>, arrow::error::ArrowError> {
    let mut known: BTreeMap<&str, i32> = BTreeMap::new();
    let mut texts: Vec<&str> = Vec::new();
    let mut keys: Vec<i32> = Vec::with_capacity(segments.iter().map(|s| s.rows).sum());
    for segment in segments {
        let text: &str = name(segment);
        let key = *known.entry(text).or_insert_with(|| {
            texts.push(text);
            texts.len() as i32 - 1
        });
        keys.extend(std::iter::repeat_n(key, segment.rows));
    }
    DictionaryArray::try_new(
        Int32Array::new(keys.into(), None),
        Arc::new(StringArray::from_iter_values(texts)),
    )
}
