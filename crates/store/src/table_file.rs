//! Any [`Table`] as a Parquet file and back: daily features, evidence, verdicts.
//!
//! Shape:  text -> dictionary of strings; number -> f64, NaN and infinities as null; count -> i64;
//!         flag -> bool; day -> date32; time -> timestamp us UTC. The unit stands in the field's
//!         metadata under `unit`, beside what the caller notes about it; whatever the caller wants to say about the file stands in the
//!         file's metadata. Same table, same bytes.

use crate::error::StoreError;
use crate::layout::FORMAT_VERSION;
use arrow::array::{
    Array, ArrayRef, AsArray, BooleanArray, Date32Array, DictionaryArray, Float64Array, Int32Array,
    Int64Array, PrimitiveArray, StringArray, TimestampMicrosecondArray,
};
use arrow::datatypes::{
    ArrowPrimitiveType, DataType, Date32Type, Field, Float64Type, Int32Type, Int64Type, Schema,
    TimeUnit, TimestampMicrosecondType,
};
use arrow::record_batch::RecordBatch;
use bytes::Bytes;
use metersift_model::{Column, ColumnData, Day, Table, TimeUs};
use parquet::arrow::arrow_reader::{
    ArrowReaderMetadata, ArrowReaderOptions, ParquetRecordBatchReaderBuilder,
};
use parquet::arrow::{ArrowWriter, ProjectionMask};
use parquet::basic::{Compression, ZstdLevel};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::schema::types::ColumnPath;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::io::Write;
use std::path::Path;
use std::sync::Arc;

/// What a file says about itself besides its columns.
pub type TableMetadata = BTreeMap<String, String>;

/// What a file notes about its columns: column name, key, text. Columns that the table lacks are
/// passed over; the key `unit` is the column's own.
pub type ColumnNotes = BTreeMap<String, BTreeMap<String, String>>;

/// Shorter tables are not compressed. Starting the compressor costs some 50 us per column on a
/// virtual machine (it asks the processor what it can do), which for a day of features with its
/// 150 short columns was a third of the time to read it.
const COMPRESSED_ROWS: usize = 10_000;
/// A dictionary of more numbers than this does not pay.
const MOST_DISTINCT: usize = 10_000;

/// Key of a column's unit in the field's metadata.
const UNIT: &str = "unit";
/// Key of the format version in the file's metadata.
const TABLE_FORMAT: &str = "metersift.table_format";
/// Key under which the Parquet library keeps the column types.
const ARROW_SCHEMA: &str = "ARROW:schema";

/// The bytes of a table as a Parquet file.
///
/// # Errors
/// When the Parquet library refuses, which no table made by [`Table::push`] should cause.
pub fn table_to_bytes(table: &Table, metadata: &TableMetadata) -> Result<Vec<u8>, StoreError> {
    table_to_bytes_noted(table, metadata, &ColumnNotes::new())
}

/// As [`table_to_bytes`], with notes on the columns.
pub(crate) fn table_to_bytes_noted(
    table: &Table,
    metadata: &TableMetadata,
    notes: &ColumnNotes,
) -> Result<Vec<u8>, StoreError> {
    encode(table, metadata, notes).map_err(|e| StoreError::writing("table", e))
}

fn encode(
    table: &Table,
    metadata: &TableMetadata,
    notes: &ColumnNotes,
) -> Result<Vec<u8>, parquet::errors::ParquetError> {
    let fields: Vec<Field> =
        table.columns.iter().map(|column| field(column, notes.get(&column.name))).collect();
    let schema = Arc::new(Schema::new(fields));
    let arrays: Result<Vec<ArrayRef>, _> =
        table.columns.iter().map(|column| array(&column.data)).collect();
    let mut writer =
        ArrowWriter::try_new(Vec::new(), schema.clone(), Some(properties(table, metadata)?))?;
    let arrays = arrays?;
    if !arrays.is_empty() {
        writer.write(&RecordBatch::try_new(schema, arrays)?)?;
    }
    writer.into_inner()
}

fn properties(
    table: &Table,
    metadata: &TableMetadata,
) -> Result<WriterProperties, parquet::errors::ParquetError> {
    let mut pairs = vec![KeyValue::new(TABLE_FORMAT.into(), FORMAT_VERSION.to_string())];
    pairs.extend(metadata.iter().map(|(key, value)| KeyValue::new(key.clone(), value.clone())));
    let compression = if table.n_rows() < COMPRESSED_ROWS {
        Compression::UNCOMPRESSED
    } else {
        Compression::ZSTD(ZstdLevel::try_new(3)?)
    };
    let mut builder = WriterProperties::builder()
        .set_compression(compression)
        .set_key_value_metadata(Some(pairs))
        .set_statistics_enabled(EnabledStatistics::Chunk)
        .set_offset_index_disabled(true);
    for column in &table.columns {
        if let ColumnData::Number(numbers) = &column.data {
            let path = ColumnPath::from(vec![column.name.clone()]);
            // Nobody seeks a row group by a result of arithmetic, and most do not repeat.
            builder = builder
                .set_column_dictionary_enabled(path.clone(), repeats(numbers))
                .set_column_statistics_enabled(path, EnabledStatistics::None);
        }
    }
    Ok(builder.build())
}

/// Whether a dictionary would be less than half as long as the column.
fn repeats(numbers: &[f64]) -> bool {
    let mut distinct = BTreeSet::new();
    for number in numbers.iter().filter(|number| !number.is_nan()) {
        distinct.insert(number.to_bits());
        if distinct.len() * 2 > numbers.len() || distinct.len() > MOST_DISTINCT {
            return false;
        }
    }
    true
}

fn field(column: &Column, notes: Option<&BTreeMap<String, String>>) -> Field {
    let kind = match column.data {
        ColumnData::Text(_) => DataType::Dictionary(DataType::Int32.into(), DataType::Utf8.into()),
        ColumnData::Number(_) => DataType::Float64,
        ColumnData::Count(_) => DataType::Int64,
        ColumnData::Flag(_) => DataType::Boolean,
        ColumnData::Day(_) => DataType::Date32,
        ColumnData::Time(_) => DataType::Timestamp(TimeUnit::Microsecond, Some("UTC".into())),
    };
    let mut metadata: HashMap<String, String> = notes.cloned().into_iter().flatten().collect();
    metadata.remove(UNIT);
    if !column.unit.is_empty() {
        metadata.insert(UNIT.to_string(), column.unit.clone());
    }
    Field::new(&column.name, kind, true).with_metadata(metadata)
}

fn array(data: &ColumnData) -> Result<ArrayRef, arrow::error::ArrowError> {
    Ok(match data {
        ColumnData::Text(texts) => Arc::new(dictionary(texts)?),
        ColumnData::Number(numbers) => {
            Arc::new(Float64Array::from_iter(numbers.iter().map(|&x| x.is_finite().then_some(x))))
        }
        ColumnData::Count(counts) => Arc::new(Int64Array::from(counts.clone())),
        ColumnData::Flag(flags) => Arc::new(BooleanArray::from(flags.clone())),
        ColumnData::Day(days) => {
            Arc::new(Date32Array::from_iter(days.iter().map(|day| day.map(|d| d.0))))
        }
        ColumnData::Time(times) => {
            let times = times.iter().map(|time| time.map(|t| t.0));
            Arc::new(TimestampMicrosecondArray::from_iter(times).with_timezone("UTC"))
        }
    })
}

/// Keys in order of first use: the bytes follow from the table alone.
fn dictionary(
    texts: &[Option<String>],
) -> Result<DictionaryArray<Int32Type>, arrow::error::ArrowError> {
    let mut known: BTreeMap<&str, i32> = BTreeMap::new();
    let mut values: Vec<&str> = Vec::new();
    let mut keys: Vec<Option<i32>> = Vec::with_capacity(texts.len());
    for text in texts {
        keys.push(text.as_deref().map(|text| {
            *known.entry(text).or_insert_with(|| {
                values.push(text);
                values.len() as i32 - 1
            })
        }));
    }
    DictionaryArray::try_new(
        Int32Array::from(keys),
        Arc::new(StringArray::from_iter_values(values)),
    )
}

/// Writes a table to `path`, whole or not at all: staged beside it under a name that no glob for
/// `*.parquet` reaches, synced, then renamed.
///
/// # Errors
/// The system's answer.
pub fn write_table(path: &Path, table: &Table, metadata: &TableMetadata) -> Result<(), StoreError> {
    let bytes = table_to_bytes(table, metadata)?;
    let io = |e| StoreError::io("write", &path.to_string_lossy(), e);
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let mut staged = tempfile::Builder::new()
        .prefix(".new-")
        .suffix(".staged")
        .permissions_like_others()
        .tempfile_in(folder)
        .map_err(io)?;
    staged.write_all(&bytes).and_then(|()| staged.as_file().sync_all()).map_err(io)?;
    staged.persist(path).map_err(|e| io(e.error))?;
    Ok(())
}

/// Readable by whoever may read the folder's other files: a temporary file is its maker's alone.
trait PermissionsLikeOthers {
    fn permissions_like_others(&mut self) -> &mut Self;
}

impl PermissionsLikeOthers for tempfile::Builder<'_, '_> {
    #[cfg(unix)]
    fn permissions_like_others(&mut self) -> &mut Self {
        use std::os::unix::fs::PermissionsExt;
        self.permissions(std::fs::Permissions::from_mode(0o666))
    }
    #[cfg(not(unix))]
    fn permissions_like_others(&mut self) -> &mut Self {
        self
    }
}

/// Reads a table and its metadata.
///
/// # Errors
/// No such file, a newer format, or no table of ours.
pub fn read_table(path: &Path) -> Result<(Table, TableMetadata), StoreError> {
    let name = path.to_string_lossy();
    let bytes = std::fs::read(path).map_err(|e| StoreError::io("read", &name, e))?;
    table_from_bytes(&name, bytes, None)
}

/// Reads a table from the bytes of a file; `only` names the columns wanted, all when `None`.
///
/// # Errors
/// A newer format, or no table of ours. `name` is for the message.
pub fn table_from_bytes(
    name: &str,
    bytes: Vec<u8>,
    only: Option<&[&str]>,
) -> Result<(Table, TableMetadata), StoreError> {
    let unreadable = |reason: String| StoreError::Unreadable { file: name.into(), reason };
    let bytes = Bytes::from(bytes);
    let footer = ArrowReaderMetadata::load(&bytes, ArrowReaderOptions::new())
        .map_err(|e| unreadable(e.to_string()))?;
    let mut metadata = metadata_of(&footer);
    if let Some(version) = metadata.remove(TABLE_FORMAT) {
        let found: u64 =
            version.parse().map_err(|_| unreadable("its format is no number".into()))?;
        if found > FORMAT_VERSION {
            let (file, known) = (name.into(), FORMAT_VERSION);
            return Err(StoreError::FormatVersion { file, found, known });
        }
    }
    let table = decode(bytes, footer, only).map_err(unreadable)?;
    Ok((table, metadata))
}

fn metadata_of(footer: &ArrowReaderMetadata) -> TableMetadata {
    let pairs = footer.metadata().file_metadata().key_value_metadata();
    pairs
        .into_iter()
        .flatten()
        .filter(|pair| pair.key != ARROW_SCHEMA)
        .filter_map(|pair| Some((pair.key.clone(), pair.value.clone()?)))
        .collect()
}

fn decode(
    bytes: Bytes,
    footer: ArrowReaderMetadata,
    only: Option<&[&str]>,
) -> Result<Table, String> {
    let rows = footer.metadata().file_metadata().num_rows().max(0) as usize;
    let wanted: Vec<usize> = footer
        .schema()
        .fields()
        .iter()
        .enumerate()
        .filter(|(_, field)| only.is_none_or(|names| names.contains(&field.name().as_str())))
        .map(|(i, _)| i)
        .collect();
    let mask = ProjectionMask::roots(footer.parquet_schema(), wanted.iter().copied());
    let mut table = Table::default();
    for &i in &wanted {
        let field = footer.schema().field(i);
        let unit = field.metadata().get(UNIT).cloned().unwrap_or_default();
        let data = empty_column(field.data_type(), rows)
            .ok_or_else(|| format!("column `{}` has a type no table has", field.name()))?;
        table.columns.push(Column { name: field.name().clone(), unit, data });
    }
    let reader = ParquetRecordBatchReaderBuilder::new_with_metadata(bytes, footer)
        .with_projection(mask)
        .with_batch_size(rows.clamp(1, 1 << 16))
        .build()
        .map_err(|e| e.to_string())?;
    for batch in reader {
        let batch = batch.map_err(|e| e.to_string())?;
        for (column, array) in table.columns.iter_mut().zip(batch.columns()) {
            append(&mut column.data, array)
                .ok_or_else(|| format!("column `{}` changes its type", column.name))?;
        }
    }
    match table.columns.iter().find(|column| column.data.len() != rows) {
        None => Ok(table),
        Some(short) => {
            Err(format!("column `{}` has {} of {rows} rows", short.name, short.data.len()))
        }
    }
}

fn empty_column(kind: &DataType, rows: usize) -> Option<ColumnData> {
    Some(match kind {
        DataType::Utf8 => ColumnData::Text(Vec::with_capacity(rows)),
        DataType::Dictionary(key, value)
            if **key == DataType::Int32 && **value == DataType::Utf8 =>
        {
            ColumnData::Text(Vec::with_capacity(rows))
        }
        DataType::Float64 => ColumnData::Number(Vec::with_capacity(rows)),
        DataType::Int64 => ColumnData::Count(Vec::with_capacity(rows)),
        DataType::Boolean => ColumnData::Flag(Vec::with_capacity(rows)),
        DataType::Date32 => ColumnData::Day(Vec::with_capacity(rows)),
        DataType::Timestamp(TimeUnit::Microsecond, _) => ColumnData::Time(Vec::with_capacity(rows)),
        _ => return None,
    })
}

/// Appends an array to a column; `None` when their types differ.
fn append(data: &mut ColumnData, array: &ArrayRef) -> Option<()> {
    match data {
        ColumnData::Text(texts) => append_texts(texts, array)?,
        ColumnData::Number(numbers) => {
            let array = array.as_primitive_opt::<Float64Type>()?;
            numbers.extend(array.iter().map(|x| x.unwrap_or(f64::NAN)));
        }
        ColumnData::Count(counts) => counts.extend(cells::<Int64Type>(array)?.iter()),
        ColumnData::Flag(flags) => flags.extend(array.as_boolean_opt()?.iter()),
        ColumnData::Day(days) => {
            days.extend(cells::<Date32Type>(array)?.iter().map(|day| day.map(Day)));
        }
        ColumnData::Time(times) => {
            let array = cells::<TimestampMicrosecondType>(array)?;
            times.extend(array.iter().map(|time| time.map(TimeUs)));
        }
    }
    Some(())
}

fn cells<T: ArrowPrimitiveType>(array: &ArrayRef) -> Option<&PrimitiveArray<T>> {
    array.as_primitive_opt::<T>()
}

fn append_texts(texts: &mut Vec<Option<String>>, array: &ArrayRef) -> Option<()> {
    if let Some(plain) = array.as_string_opt::<i32>() {
        texts.extend(plain.iter().map(|text| text.map(String::from)));
        return Some(());
    }
    let dictionary = array.as_dictionary_opt::<Int32Type>()?;
    let values = dictionary.values().as_string_opt::<i32>()?;
    texts.extend(dictionary.keys().iter().map(|key| {
        let key = usize::try_from(key?).ok().filter(|&key| key < values.len())?;
        values.is_valid(key).then(|| values.value(key).to_string())
    }));
    Some(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table() -> Table {
        let mut table = Table::default();
        let texts = [Some("b"), None, Some(""), Some("b")];
        table.push("meter", "", ColumnData::Text(texts.map(|t| t.map(String::from)).to_vec()));
        table.push("density_kg_m3", "kg/m3", ColumnData::Number(vec![1.0, f64::NAN, -0.0, 5e-324]));
        table.push(
            "n_density",
            "",
            ColumnData::Count(vec![Some(i64::MIN), None, Some(0), Some(7)]),
        );
        table.push("blind", "", ColumnData::Flag(vec![Some(true), Some(false), None, None]));
        let days = vec![Some(Day(-1)), None, Some(Day(0)), Some(Day(20_000))];
        table.push("day", "", ColumnData::Day(days));
        let times = vec![Some(TimeUs(-1)), Some(TimeUs(1)), None, Some(TimeUs(i64::MAX))];
        table.push("time", "", ColumnData::Time(times));
        table
    }

    /// NaN is not equal to itself: compare what is printed.
    fn same(a: &Table, b: &Table) {
        assert_eq!(format!("{a:?}"), format!("{b:?}"));
    }

    #[test]
    fn a_table_comes_back_as_it_was_written() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("verdicts.parquet");
        let metadata = TableMetadata::from([("run".to_string(), "x\"y".to_string())]);
        write_table(&path, &table(), &metadata).unwrap();
        let (read, told) = read_table(&path).unwrap();
        same(&read, &table());
        assert_eq!(told, metadata);
        let names: Vec<_> = std::fs::read_dir(folder.path()).unwrap().collect();
        assert_eq!(names.len(), 1, "nothing is left beside the file");
    }

    #[test]
    fn an_empty_table_keeps_its_columns() {
        let mut empty = Table::default();
        empty.push("meter", "", ColumnData::Text(Vec::new()));
        empty.push("x_kg", "kg", ColumnData::Number(Vec::new()));
        let bytes = table_to_bytes(&empty, &TableMetadata::new()).unwrap();
        same(&table_from_bytes("t", bytes, None).unwrap().0, &empty);
        let nothing = Table::default();
        let bytes = table_to_bytes(&nothing, &TableMetadata::new()).unwrap();
        same(&table_from_bytes("t", bytes, None).unwrap().0, &nothing);
    }

    #[test]
    fn infinities_do_not_travel_and_the_bytes_follow_from_the_table_alone() {
        let mut odd = Table::default();
        odd.push("x", "", ColumnData::Number(vec![f64::INFINITY, f64::NEG_INFINITY, 2.0]));
        let bytes = table_to_bytes(&odd, &TableMetadata::new()).unwrap();
        assert_eq!(bytes, table_to_bytes(&odd, &TableMetadata::new()).unwrap());
        let (read, _) = table_from_bytes("t", bytes, None).unwrap();
        let numbers = read.numbers("x").unwrap();
        assert!(numbers[0].is_nan() && numbers[1].is_nan() && numbers[2] == 2.0);
    }

    #[test]
    fn only_the_columns_that_were_asked_for_are_read() {
        let bytes = table_to_bytes(&table(), &TableMetadata::new()).unwrap();
        let (read, _) = table_from_bytes("t", bytes, Some(&["day", "meter", "none"])).unwrap();
        let names: Vec<&str> = read.columns.iter().map(|c| c.name.as_str()).collect();
        assert_eq!(names, ["meter", "day"]);
    }

    #[test]
    fn what_is_no_table_is_an_error_and_not_a_panic() {
        let good = table_to_bytes(&table(), &TableMetadata::new()).unwrap();
        for cut in (0..good.len()).step_by(7) {
            assert!(table_from_bytes("t", good[..cut].to_vec(), None).is_err(), "cut at {cut}");
        }
    }
}
