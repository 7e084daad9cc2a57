//! Daily feature tables.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod common;

use common::{START, files_below, open};
use metersift_model::{ColumnData, Day, Table};
use metersift_store::{ColumnNotes, ErrorKind, Store, StoreError};
use parquet::arrow::arrow_reader::{ArrowReaderMetadata, ArrowReaderOptions};
use std::collections::BTreeMap;

fn table(day: Day, meters: &[&str], extra: bool) -> Table {
    let mut table = Table::default();
    let texts = meters.iter().map(|meter| Some((*meter).to_string())).collect();
    table.push("meter", "", ColumnData::Text(texts));
    table.push("day", "", ColumnData::Day(vec![Some(day); meters.len()]));
    let numbers = meters.iter().map(|m| m.len() as f64 + f64::from(day.0)).collect();
    table.push("density_kg_m3", "kg/m3", ColumnData::Number(numbers));
    if extra {
        table.push("n_density", "", ColumnData::Count(vec![Some(5); meters.len()]));
        table.push("why_density", "", ColumnData::Text(vec![Some("no flow".into()); meters.len()]));
    }
    table
}

#[test]
fn rows_of_many_files_come_by_meter_then_day_and_missing_columns_are_null() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path(), 2, 1 << 30);
    for day in [2, 0, 1] {
        let day = START.plus(day);
        let extra = day > START;
        store.write_daily(day, 0, &table(day, &["A", "CCC"], extra), "in").unwrap();
        store.write_daily(day, 1, &table(day, &["BB"], extra), "in").unwrap();
    }
    let all = store.read_daily(START, START.plus(3)).unwrap();
    let meters: Vec<&str> = all.texts("meter").unwrap().iter().flatten().map(|m| &m[..]).collect();
    assert_eq!(meters, ["A", "A", "A", "BB", "BB", "BB", "CCC", "CCC", "CCC"]);
    let days: Vec<i32> = all.days("day").unwrap().iter().flatten().map(|d| d.0 - START.0).collect();
    assert_eq!(days, [0, 1, 2, 0, 1, 2, 0, 1, 2]);
    assert_eq!(all.column("density_kg_m3").unwrap().unit, "kg/m3");
    assert_eq!(all.numbers("density_kg_m3").unwrap()[3], 2.0 + f64::from(START.0));
    let counts = &all.column("n_density").unwrap().data;
    assert_eq!(*counts, ColumnData::Count([None, Some(5), Some(5)].repeat(3)));
    assert_eq!(all.texts("why_density").unwrap()[0], None);
    let part = store.read_daily(START.plus(1), START.plus(2)).unwrap();
    assert_eq!(part.n_rows(), 3);
    let narrow = store.read_daily_columns(START, START.plus(3), &["n_density"]).unwrap();
    let names: Vec<&str> = narrow.columns.iter().map(|c| &c.name[..]).collect();
    assert_eq!(names, ["meter", "day", "n_density"]);
    assert_eq!(store.read_daily(Day(0), Day(9)).unwrap(), Table::default());
}

#[test]
fn a_receipt_says_what_a_table_was_made_from_and_only_while_it_is_whole() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path(), 1, 1 << 30);
    assert_eq!(store.daily_receipt(START, 0), None);
    store.write_daily(START, 0, &table(START, &["A"], true), "one").unwrap();
    assert_eq!(store.daily_receipt(START, 0).as_deref(), Some("one"));
    store.write_daily(START, 0, &table(START, &["A"], true), "two").unwrap();
    assert_eq!(store.daily_receipt(START, 0).as_deref(), Some("two"));
    let path = folder.path().join("daily/day=2026-03-07/bucket=00.parquet");
    let good = std::fs::read(&path).unwrap();
    for bit in (0..good.len() * 8).step_by(101) {
        let mut bad = good.clone();
        bad[bit / 8] ^= 1 << (bit % 8);
        std::fs::write(&path, bad).unwrap();
        assert_eq!(store.daily_receipt(START, 0), None, "bit {bit}");
        let error = store.read_daily(START, START.plus(1)).unwrap_err();
        assert_eq!(error.kind(), ErrorKind::Damaged, "bit {bit}");
    }
    assert_eq!(store.check().unwrap().problems.len(), 1);
    store.remove_daily(START, 0).unwrap();
    assert!(store.check().unwrap().is_sound());
    assert_eq!(store.read_daily(START, START.plus(1)).unwrap().n_rows(), 0);
}

#[test]
fn the_same_table_gives_the_same_bytes() {
    let mut seen = Vec::new();
    for _ in 0..2 {
        let folder = tempfile::tempdir().unwrap();
        let store = open(folder.path(), 1, 1 << 30);
        store.write_daily(START, 0, &table(START, &["A", "B"], true), "in").unwrap();
        seen.push(files_below(folder.path(), "daily"));
    }
    assert_eq!(seen[0], seen[1]);
    assert_eq!(seen[0].len(), 2);
}

#[test]
fn a_column_that_changes_its_type_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path(), 1, 1 << 30);
    let mut odd = table(START, &["A"], false);
    odd.push("n_density", "", ColumnData::Number(vec![5.0]));
    store.write_daily(START, 0, &odd, "in").unwrap();
    let next = START.plus(1);
    store.write_daily(next, 0, &table(next, &["A"], true), "in").unwrap();
    let error = store.read_daily(START, START.plus(2)).unwrap_err();
    assert!(
        matches!(&error, StoreError::Unreadable { file, reason }
        if file.contains("2026-03-07") && reason.contains("`n_density`")),
        "{error}"
    );
}

#[test]
fn a_reader_writes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    drop(open(folder.path(), 1, 1 << 30));
    let mut reader = Store::read(folder.path()).unwrap();
    let table = table(START, &["A"], false);
    assert!(reader.write_daily(START, 0, &table, "in").is_err());
    assert!(reader.begin_import().is_err());
    assert!(reader.reject_file("00", 1 << 20).is_err());
    assert_eq!(Store::read(&folder.path().join("none")).err().unwrap().kind(), ErrorKind::Setup);
}

/// Read with the Parquet library, as any other program would.
#[test]
fn notes_on_columns_stand_in_the_field_metadata_and_do_not_change_what_is_read() {
    let told = |text: &str| BTreeMap::from([("formula".to_string(), text.to_string())]);
    let mut density = told("median of density");
    density.insert("source".into(), "identity".into());
    density.insert("unit".into(), "furlong".into());
    let notes = ColumnNotes::from([
        ("density_kg_m3".to_string(), density),
        ("n_density".to_string(), told("how many")),
        ("not_there".to_string(), told("nothing")),
    ]);
    let rows = table(START, &["A", "B"], true);
    let written = || {
        let folder = tempfile::tempdir().unwrap();
        let store = open(folder.path(), 1, 1 << 30);
        store.write_daily_noted(START, 0, (&rows, &notes), "in").unwrap();
        assert_eq!(store.read_daily(START, START.plus(1)).unwrap(), rows);
        std::fs::read(folder.path().join("daily/day=2026-03-07/bucket=00.parquet")).unwrap()
    };
    let bytes = written();
    for _ in 0..8 {
        assert!(written() == bytes, "same table and notes, same bytes");
    }
    let bytes = bytes::Bytes::from(bytes);
    let footer = ArrowReaderMetadata::load(&bytes, ArrowReaderOptions::new()).unwrap();
    let of = |name: &str, key: &str| {
        footer.schema().field_with_name(name).unwrap().metadata().get(key).cloned()
    };
    assert_eq!(of("density_kg_m3", "unit").as_deref(), Some("kg/m3"), "the column's own unit");
    assert_eq!(of("density_kg_m3", "formula").as_deref(), Some("median of density"));
    assert_eq!(of("density_kg_m3", "source").as_deref(), Some("identity"));
    assert_eq!(of("n_density", "formula").as_deref(), Some("how many"));
    assert_eq!(of("n_density", "unit"), None);
    assert_eq!(of("meter", "formula"), None);
}
