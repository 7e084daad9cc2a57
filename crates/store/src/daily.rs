//! Daily feature tables: one file per day and bucket, with a receipt that names its inputs.
//!
//! Why:    the features of a day follow from the day's readings, the settings and the program; a
//!         receipt whose inputs hash is still right means that the day need not be computed again.
//! Shape:  `daily/day=…/bucket=NN.parquet`, and `bucket=NN.receipt.json` beside it with the hash
//!         of the inputs and of the file. The receipt is written first and also names what was
//!         there before, so that whichever file is found, old or new, can be told and trusted.
//! Limits: features can always be computed again: a file that does not match its receipt counts
//!         as not there when receipts are asked for, and is an error when it is read.

use crate::error::{Room, StoreError};
use crate::layout::{DAILY, HOURS, Unit};
use crate::seal;
use crate::storage::put;
use crate::store::Store;
use crate::table_file::{ColumnNotes, TableMetadata, table_from_bytes, table_to_bytes_noted};
use metersift_model::{Column, ColumnData, Day, Table};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::io;

/// Key of the inputs hash in the file's metadata.
const INPUTS_KEY: &str = "metersift.inputs";

/// What a daily file was made from, and what it must look like.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DailyReceipt {
    /// Hash of the inputs, as the caller made it.
    pub inputs: String,
    /// blake3 of the file.
    pub hash: String,
    /// Rows.
    pub rows: u64,
}

#[derive(Serialize, Deserialize)]
struct ReceiptFile {
    format: u64,
    /// Day and bucket that it is of: files of two days may have been exchanged. Older receipts
    /// do not say.
    #[serde(default)]
    unit: Option<String>,
    now: DailyReceipt,
    before: Option<DailyReceipt>,
}

impl Store {
    /// Writes the features of one day and bucket.
    ///
    /// # Errors
    /// Opened for reading, or the system's answer; then the old table is still there.
    pub fn write_daily(
        &self,
        day: Day,
        bucket: u32,
        table: &Table,
        inputs_hash: &str,
    ) -> Result<(), StoreError> {
        self.write_daily_noted(day, bucket, (table, &ColumnNotes::new()), inputs_hash)
    }

    /// As [`Store::write_daily`], with notes on the columns: formula, validity, source.
    ///
    /// # Errors
    /// As [`Store::write_daily`].
    pub fn write_daily_noted(
        &self,
        day: Day,
        bucket: u32,
        table: (&Table, &ColumnNotes),
        inputs_hash: &str,
    ) -> Result<(), StoreError> {
        self.write_unit_table(DAILY, Unit { day, bucket }, table, inputs_hash)
    }

    /// As [`Store::write_daily`], for a table with several rows a day: columns `meter` and a day
    /// or time, then numbers.
    ///
    /// # Errors
    /// As [`Store::write_daily`].
    pub fn write_hours(
        &self,
        day: Day,
        bucket: u32,
        table: &Table,
        inputs_hash: &str,
    ) -> Result<(), StoreError> {
        let table = (table, &ColumnNotes::new());
        self.write_unit_table(HOURS, Unit { day, bucket }, table, inputs_hash)
    }

    fn write_unit_table(
        &self,
        top: &str,
        unit: Unit,
        (table, notes): (&Table, &ColumnNotes),
        inputs_hash: &str,
    ) -> Result<(), StoreError> {
        self.must_write()?;
        let (path, receipt_path) = (unit.table_path(top), unit.receipt_path(top));
        let metadata = TableMetadata::from([(INPUTS_KEY.to_string(), inputs_hash.to_string())]);
        let bytes = table_to_bytes_noted(table, &metadata, notes)?;
        let receipt = ReceiptFile {
            format: crate::layout::FORMAT_VERSION,
            unit: Some(unit.to_string()),
            now: DailyReceipt {
                inputs: inputs_hash.into(),
                hash: seal::hash(&bytes),
                rows: table.n_rows() as u64,
            },
            before: self.found_table(top, unit)?.map(|(receipt, _)| receipt),
        };
        let io = |e| {
            let free_bytes = crate::volume::free_bytes(self.root());
            let needs_bytes = bytes.len() as u64;
            StoreError::io("write", &path, e).needing(Room { needs_bytes, free_bytes })
        };
        let storage = self.storage();
        storage.create_dir(&unit.table_dir(top)).map_err(io)?;
        let put_whole = |path: &str, bytes: &[u8]| {
            let staged = format!("{path}.new");
            put(&**storage, &staged, bytes).and_then(|()| storage.rename(&staged, path))
        };
        put_whole(&receipt_path, &seal::close(seal::line(&receipt))).map_err(io)?;
        put_whole(&path, &bytes).map_err(io)
    }

    /// The inputs hash of a daily table that is there and whole; `None` means: compute it.
    pub fn daily_receipt(&self, day: Day, bucket: u32) -> Option<String> {
        self.receipt_of(DAILY, Unit { day, bucket })
    }

    /// As [`Store::daily_receipt`], for the table of [`Store::write_hours`].
    pub fn hours_receipt(&self, day: Day, bucket: u32) -> Option<String> {
        self.receipt_of(HOURS, Unit { day, bucket })
    }

    fn receipt_of(&self, top: &str, unit: Unit) -> Option<String> {
        let (receipt, _) = self.found_table(top, unit).ok()??;
        Some(receipt.inputs)
    }

    /// Removes the daily and the hourly table of a unit, for one that can no longer be trusted or has no
    /// readings any more.
    ///
    /// # Errors
    /// Opened for reading, or the system's answer.
    pub fn remove_daily(&self, day: Day, bucket: u32) -> Result<(), StoreError> {
        self.must_write()?;
        let unit = Unit { day, bucket };
        for top in [DAILY, HOURS] {
            for path in [unit.table_path(top), unit.receipt_path(top)] {
                self.storage().remove(&path).map_err(|e| StoreError::io("remove", &path, e))?;
            }
        }
        Ok(())
    }

    /// Days and buckets with a daily table, by day, then bucket.
    ///
    /// # Errors
    /// The system's answer.
    pub fn daily_units(&self) -> Result<Vec<Unit>, StoreError> {
        self.units_under(DAILY)
    }

    /// Units that have a file under `samples`, `hours` or `daily`; other files are passed over.
    pub(crate) fn units_under(&self, top: &str) -> Result<Vec<Unit>, StoreError> {
        let io = |path: &str, e| StoreError::io("list", path, e);
        let mut units = Vec::new();
        for folder in self.storage().list(top).map_err(|e| io(top, e))? {
            let path = format!("{top}/{}", folder.name);
            if !folder.is_dir {
                continue;
            }
            for file in self.storage().list(&path).map_err(|e| io(&path, e))? {
                let stem = file.name.strip_suffix(".parquet");
                let unit = stem.and_then(|stem| Unit::parse(&format!("{}/{stem}", folder.name)));
                units.extend(unit);
            }
        }
        units.sort();
        Ok(units)
    }

    /// The table of a unit with its receipt; `None` when there is none or it is not whole.
    pub(crate) fn found_table(
        &self,
        top: &str,
        unit: Unit,
    ) -> Result<Option<(DailyReceipt, Vec<u8>)>, StoreError> {
        let (path, receipt_path) = (unit.table_path(top), unit.receipt_path(top));
        let Some(receipt) = self.bytes_if_there(&receipt_path)? else { return Ok(None) };
        let Some(bytes) = self.bytes_if_there(&path)? else { return Ok(None) };
        let parsed = seal::open(&receipt_path, &receipt)
            .and_then(|body| seal::parse::<ReceiptFile>(&receipt_path, body));
        let Ok(receipt) = parsed else { return Ok(None) };
        if receipt.unit.as_ref().is_some_and(|told| *told != unit.to_string()) {
            return Ok(None);
        }
        let hash = seal::hash(&bytes);
        let right = [Some(receipt.now), receipt.before].into_iter().flatten();
        Ok(right.into_iter().find(|receipt| receipt.hash == hash).map(|receipt| (receipt, bytes)))
    }

    fn bytes_if_there(&self, path: &str) -> Result<Option<Vec<u8>>, StoreError> {
        match self.storage().read(path) {
            Ok(bytes) => Ok(Some(bytes)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(StoreError::io("read", path, error)),
        }
    }

    /// All daily rows with `from <= day < until`, by meter, then day. Columns are those of the
    /// newest file, then those that only older files have; a column that a file lacks is null.
    ///
    /// # Errors
    /// A file that does not match its receipt, or whose column has another type; the system's
    /// answer.
    pub fn read_daily(&self, from: Day, until: Day) -> Result<Table, StoreError> {
        self.tables(DAILY, from, until, None)
    }

    /// As [`Store::read_daily`], with only the columns named (and `meter` and `day`).
    ///
    /// # Errors
    /// As [`Store::read_daily`].
    pub fn read_daily_columns(
        &self,
        from: Day,
        until: Day,
        columns: &[&str],
    ) -> Result<Table, StoreError> {
        let wanted: Vec<&str> =
            ["meter", "day"].into_iter().chain(columns.iter().copied()).collect();
        self.tables(DAILY, from, until, Some(&wanted))
    }

    /// All rows of [`Store::write_hours`] with `from <= day < until`, by meter, then time.
    ///
    /// # Errors
    /// As [`Store::read_daily`].
    pub fn read_hours(&self, from: Day, until: Day) -> Result<Table, StoreError> {
        self.tables(HOURS, from, until, None)
    }

    fn tables(
        &self,
        top: &str,
        from: Day,
        until: Day,
        only: Option<&[&str]>,
    ) -> Result<Table, StoreError> {
        let units: Vec<Unit> = self
            .units_under(top)?
            .into_iter()
            .filter(|unit| unit.day >= from && unit.day < until)
            .collect();
        let tables: Result<Vec<Table>, StoreError> = units
            .par_iter()
            .map(|&unit| {
                let (_, bytes) =
                    self.found_table(top, unit)?.ok_or_else(|| StoreError::Damaged {
                        file: unit.table_path(top),
                        expected: "the bytes that its receipt names".into(),
                        found: "other bytes, or no receipt".into(),
                        dumps: Vec::new(),
                    })?;
                Ok(table_from_bytes(&unit.table_path(top), bytes, only)?.0)
            })
            .collect();
        let files: Vec<String> = units.iter().map(|unit| unit.table_path(top)).collect();
        join(&files, tables?)
    }
}

/// One table from many, sorted by meter, then day.
fn join(files: &[String], tables: Vec<Table>) -> Result<Table, StoreError> {
    let places = order_of_rows(files, &tables)?;
    let mut columns: Vec<(String, String)> = Vec::new();
    let mut known: BTreeMap<String, usize> = BTreeMap::new();
    for column in tables.iter().rev().flat_map(|table| &table.columns) {
        known.entry(column.name.clone()).or_insert_with(|| {
            columns.push((column.name.clone(), column.unit.clone()));
            columns.len() - 1
        });
    }
    let n_tables = tables.len();
    let mut parts: Vec<Vec<Option<ColumnData>>> =
        columns.iter().map(|_| vec![None; n_tables]).collect();
    for (t, table) in tables.into_iter().enumerate() {
        for column in table.columns {
            if let Some(&c) = known.get(&column.name) {
                parts[c][t] = Some(column.data);
            }
        }
    }
    let joined: Result<Vec<Column>, StoreError> = columns
        .into_par_iter()
        .zip(parts)
        .map(|((name, unit), parts)| match gather(parts, &places) {
            Ok(data) => Ok(Column { name, unit, data }),
            Err(t) => Err(StoreError::Unreadable {
                file: files[t].clone(),
                reason: format!("column `{name}` has another type than in newer files"),
            }),
        })
        .collect();
    Ok(Table { columns: joined? })
}

/// Table and row of each row of the joined table.
fn order_of_rows(files: &[String], tables: &[Table]) -> Result<Vec<(u32, u32)>, StoreError> {
    let mut keys: Vec<(&str, Option<i64>, u32, u32)> = Vec::new();
    for (t, table) in tables.iter().enumerate() {
        let when = table.columns.iter().find_map(|column| match &column.data {
            ColumnData::Time(times) => Some(times.iter().map(|t| t.map(|t| t.0)).collect()),
            ColumnData::Day(days) => {
                Some(days.iter().map(|day| day.map(|day| day.start().0)).collect::<Vec<_>>())
            }
            _ => None,
        });
        let (Some(meters), Some(when)) = (table.texts("meter"), when) else {
            return Err(StoreError::Unreadable {
                file: files[t].clone(),
                reason: "it has no `meter` and no column of days or times".into(),
            });
        };
        let rows = meters.iter().zip(when).enumerate();
        keys.extend(rows.map(|(row, (meter, when))| {
            (meter.as_deref().unwrap_or(""), when, t as u32, row as u32)
        }));
    }
    keys.par_sort_unstable();
    Ok(keys.into_iter().map(|(_, _, table, row)| (table, row)).collect())
}

#[expect(
    clippy::mem_replace_option_with_none,
    reason = "one macro serves columns of options and of numbers"
)]
/// One column in the order of `places`; the number of a table whose type differs as error.
fn gather(parts: Vec<Option<ColumnData>>, places: &[(u32, u32)]) -> Result<ColumnData, usize> {
    macro_rules! gather_as {
        ($kind:ident, $missing:expr) => {{
            let mut cells = Vec::with_capacity(parts.len());
            for (t, part) in parts.into_iter().enumerate() {
                cells.push(match part {
                    None => None,
                    Some(ColumnData::$kind(part)) => Some(part),
                    Some(_) => return Err(t),
                });
            }
            let cell = |&(t, row): &(u32, u32)| match &mut cells[t as usize] {
                Some(part) => std::mem::replace(&mut part[row as usize], $missing),
                None => $missing,
            };
            Ok(ColumnData::$kind(places.iter().map(cell).collect()))
        }};
    }
    // The newest file says what the column is.
    match parts.iter().rev().flatten().next() {
        None | Some(ColumnData::Number(_)) => gather_as!(Number, f64::NAN),
        Some(ColumnData::Text(_)) => gather_as!(Text, None),
        Some(ColumnData::Count(_)) => gather_as!(Count, None),
        Some(ColumnData::Flag(_)) => gather_as!(Flag, None),
        Some(ColumnData::Day(_)) => gather_as!(Day, None),
        Some(ColumnData::Time(_)) => gather_as!(Time, None),
    }
}
