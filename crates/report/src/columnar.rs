//! Parquet: plain types that every reader knows, zstd, units and run card in the metadata.
//!
//! Days are `date32`, instants `timestamp(us, UTC)`, numbers `float64` with null for "not known"
//! (a NaN in the file would make equal tables unequal). The unit stands in the column's name and
//! again in its metadata under `unit`; the card's lines stand in the file's metadata.

use crate::card::RunCard;
use crate::error::ReportError;
use arrow::array::{
    ArrayRef, BooleanArray, Date32Array, Float64Array, Int64Array, RecordBatch, StringArray,
    TimestampMicrosecondArray,
};
use arrow::datatypes::{DataType, Field, Schema};
use metersift_model::{Column, ColumnData, Table};
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, ZstdLevel};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use std::collections::HashMap;
use std::io::Write;
use std::sync::Arc;

/// Writes a table.
///
/// # Errors
/// When `out` refuses.
pub fn write_parquet<W: Write + Send>(
    table: &Table,
    out: W,
    card: &RunCard,
) -> Result<(), ReportError> {
    write(table, out, card).map_err(|source| ReportError::Columns { output: "table", source })
}

fn write<W: Write + Send>(table: &Table, out: W, card: &RunCard) -> Result<(), ParquetError> {
    let arrays: Vec<ArrayRef> = table.columns.iter().map(|column| array(&column.data)).collect();
    let fields: Vec<Field> =
        table.columns.iter().zip(&arrays).map(|(c, a)| field(c, a.data_type())).collect();
    let schema = Arc::new(Schema::new(fields));
    let metadata: Vec<KeyValue> = card
        .lines()
        .into_iter()
        .map(|(name, value)| KeyValue::new(format!("metersift.{name}"), value))
        .collect();
    let properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(3)?))
        .set_created_by("metersift".into())
        .set_key_value_metadata(Some(metadata))
        .build();
    let mut writer = ArrowWriter::try_new(out, Arc::clone(&schema), Some(properties))?;
    // A table without columns has no rows to write.
    if !arrays.is_empty() {
        writer.write(&RecordBatch::try_new(schema, arrays)?)?;
    }
    writer.close()?;
    Ok(())
}

fn field(column: &Column, kind: &DataType) -> Field {
    let field = Field::new(&column.name, kind.clone(), true);
    if column.unit.is_empty() {
        return field;
    }
    field.with_metadata(HashMap::from([("unit".to_string(), column.unit.clone())]))
}

fn array(data: &ColumnData) -> ArrayRef {
    match data {
        ColumnData::Text(v) => Arc::new(v.iter().map(Option::as_deref).collect::<StringArray>()),
        ColumnData::Number(v) => {
            let known = v.iter().map(|&x| x.is_finite().then_some(x));
            Arc::new(known.collect::<Float64Array>())
        }
        ColumnData::Count(v) => Arc::new(v.iter().copied().collect::<Int64Array>()),
        ColumnData::Flag(v) => Arc::new(v.iter().copied().collect::<BooleanArray>()),
        ColumnData::Day(v) => {
            Arc::new(v.iter().map(|day| day.map(|day| day.0)).collect::<Date32Array>())
        }
        ColumnData::Time(v) => {
            let times = v.iter().map(|time| time.map(|time| time.0));
            Arc::new(times.collect::<TimestampMicrosecondArray>().with_timezone("UTC"))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use arrow::array::Array;
    use arrow::datatypes::TimeUnit;
    use metersift_model::{Day, TimeUs};
    use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

    fn card() -> RunCard {
        RunCard {
            run: "night-1".into(),
            config_hash: "c0ffee".into(),
            ledger: "7".into(),
            program: "metersift 0.1.0".into(),
            as_of: Day(20_000),
        }
    }

    fn table() -> Table {
        let mut table = Table::default();
        table.push("meter", "", ColumnData::Text(vec![Some("FT-1".into()), None]));
        table.push("shift_kg_m3", "kg/m3", ColumnData::Number(vec![f64::NAN, -0.0]));
        table.push("day", "", ColumnData::Day(vec![Some(Day(-1)), None]));
        table.push("at", "", ColumnData::Time(vec![None, Some(TimeUs(-1))]));
        table.push("flag", "", ColumnData::Flag(vec![Some(true), None]));
        table
    }

    /// Reads a file back through a temporary place that drops with the test.
    fn read(bytes: Vec<u8>) -> (RecordBatch, HashMap<String, String>) {
        let mut file = tempfile::tempfile().expect("a temporary file");
        file.write_all(&bytes).expect("room");
        let reader = ParquetRecordBatchReaderBuilder::try_new(file).expect("Parquet");
        let pairs = reader.metadata().file_metadata().key_value_metadata().cloned();
        let pairs = pairs.into_iter().flatten();
        let metadata = pairs.map(|pair| (pair.key, pair.value.unwrap_or_default())).collect();
        let batch = reader.build().expect("a reader").next().expect("a batch").expect("rows");
        (batch, metadata)
    }

    #[test]
    fn units_and_run_stand_in_the_file_and_not_known_is_null() {
        let mut bytes = Vec::new();
        write_parquet(&table(), &mut bytes, &card()).expect("memory");
        let (batch, metadata) = read(bytes);
        assert_eq!(metadata["metersift.run"], "night-1");
        assert_eq!(metadata["metersift.config"], "c0ffee");
        let schema = batch.schema();
        let shift = schema.field_with_name("shift_kg_m3").expect("there");
        assert_eq!(shift.metadata()["unit"], "kg/m3");
        let instant = DataType::Timestamp(TimeUnit::Microsecond, Some("UTC".into()));
        assert_eq!(schema.field_with_name("at").expect("there").data_type(), &instant);
        let column = batch.column_by_name("shift_kg_m3").expect("there");
        assert!(column.is_null(0) && column.is_valid(1), "NaN is null, zero is zero");
        assert_eq!(batch.num_rows(), 2);
    }

    #[test]
    fn the_same_table_gives_the_same_bytes() {
        let write = || {
            let mut bytes = Vec::new();
            write_parquet(&table(), &mut bytes, &card()).expect("memory");
            bytes
        };
        assert_eq!(write(), write());
    }
}
