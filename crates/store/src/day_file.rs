//! One day file in Parquet: the readings of one UTC day and one bucket of meters.
//!
//! Shape:  `meter`, `signal` (dictionary strings), `time` (timestamp, us UTC), `value` (f64, null
//!         where the sample has no number), `quality` (u8, OPC Classic byte); sorted by meter,
//!         signal, time; (meter, signal, time) occurs once. Who told it stands in the origin
//!         file, see [`crate::tellings`].
//! Units:  one per signal, in the file's metadata under `metersift.units`.
//! Method: times as deltas; values by dictionary up to 1 MiB, then byte-stream-split, because
//!         historian values have a resolution and so repeat; zstd 3. Names that come in long runs
//!         are encoded run by run, see [`crate::name_runs`]. Row groups of about 400,000
//!         readings that begin with a series, so that one group is decoded on its own and a
//!         series is never split without need. Groups are encoded side by side on all cores and
//!         appended in order: the bytes do not depend on the number of threads.

use crate::group_writer::{Column, Rows};
use crate::layout::FORMAT_VERSION;
use crate::name_runs::NameRuns;
use crate::seal;
use crate::tellings::Tellings;
use arrow::array::{ArrayRef, DictionaryArray, Float64Array, Int32Array};
use arrow::array::{StringArray, TimestampMicrosecondArray, UInt8Array};
use arrow::buffer::{BooleanBuffer, NullBuffer};
use arrow::datatypes::{DataType, Field, Int32Type, Schema, SchemaRef, TimeUnit};
use metersift_model::Signal;
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::errors::ParquetError;
use parquet::file::metadata::{KeyValue, SortingColumn};
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::schema::types::ColumnPath;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Readings that a row group is filled to.
pub(crate) const GROUP_ROWS: usize = 400_000;
/// Largest row group, and the length at which a single series is split.
pub(crate) const MOST_GROUP_ROWS: usize = 1_000_000;
/// Values beyond this many bytes of dictionary are byte-stream-split: measured best for values as
/// a historian logs them, after a unit conversion, and dead-banded.
const VALUE_DICTIONARY_BYTES: usize = 1 << 20;
/// zstd 1, 3 and 6 differ by 2 % in size; 3 was the smallest.
pub(crate) const ZSTD_LEVEL: i32 = 3;

/// Key of the format version in the file's metadata.
pub const FORMAT_KEY: &str = "metersift.format";
/// Key of the units of the signals, a JSON object.
pub const UNITS_KEY: &str = "metersift.units";

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
    pub told: Tellings,
}

/// The columns of a day file.
pub fn schema() -> SchemaRef {
    Arc::new(Schema::new(fields()))
}

/// The columns of a day file of format 1: it named the dump of each reading.
pub(crate) fn schema_1() -> SchemaRef {
    let mut fields = fields();
    fields.push(Field::new("dump", DataType::UInt32, false));
    Arc::new(Schema::new(fields))
}

fn fields() -> Vec<Field> {
    let names = || DataType::Dictionary(DataType::Int32.into(), DataType::Utf8.into());
    let time = DataType::Timestamp(TimeUnit::Microsecond, Some("UTC".into()));
    vec![
        Field::new("meter", names(), false),
        Field::new("signal", names(), false),
        Field::new("time", time, false),
        Field::new("value", DataType::Float64, true),
        Field::new("quality", DataType::UInt8, false),
    ]
}

pub(crate) fn properties() -> Result<WriterProperties, ParquetError> {
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
    for name in ["value", "quality"] {
        builder = builder.set_column_statistics_enabled(column(name), EnabledStatistics::Chunk);
    }
    Ok(builder.build())
}

impl Group {
    pub(crate) fn rows(&self) -> usize {
        self.time_us.len()
    }

    /// Columns of the day file, and the tellings that go into the other one.
    pub(crate) fn into_rows(self) -> Result<(Rows, Tellings), arrow::error::ArrowError> {
        let rows = self.rows() as u64;
        let meter = names(&self.segments, |segment| &segment.meter)?;
        let signal = names(&self.segments, |segment| &segment.signal)?;
        let time = TimestampMicrosecondArray::new(self.time_us.into(), None).with_timezone("UTC");
        let nulls = self.value.iter().any(|v| v.is_nan()).then(|| {
            NullBuffer::new(BooleanBuffer::collect_bool(self.value.len(), |i| {
                !self.value[i].is_nan()
            }))
        });
        let value = Float64Array::try_new(self.value.into(), nulls)?;
        let quality = UInt8Array::new(self.quality.into(), None);
        let array = |array: ArrayRef| Column::Array(array);
        let columns = vec![
            meter,
            signal,
            array(Arc::new(time)),
            array(Arc::new(value)),
            array(Arc::new(quality)),
        ];
        Ok((Rows { rows, columns }, self.told))
    }
}

/// A column of names: as runs where they are long, else a dictionary column, keys in order of
/// first use.
fn names(
    segments: &[GroupSegment],
    name: impl Fn(&GroupSegment) -> &Arc<str>,
) -> Result<Column, arrow::error::ArrowError> {
    let runs = NameRuns(segments.iter().map(|s| (name(s).clone(), s.rows)).collect());
    if runs.are_long() {
        return Ok(Column::Names(runs));
    }
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
    let array: DictionaryArray<Int32Type> = DictionaryArray::try_new(
        Int32Array::new(keys.into(), None),
        Arc::new(StringArray::from_iter_values(texts)),
    )?;
    Ok(Column::Array(Arc::new(array)))
}
