//! A store of format 1 is read, and the next import writes it anew.
//!
//! No program of format 1 is kept, so its files are written here by hand from its description in
//! `layout.rs`: a `dump` column in the day files, no origin files, a ledger without
//! `told_whole_from`, part hashes and origins. The Parquet library writes them, not the store.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod common;

use arrow::array::{ArrayRef, UInt32Array};
use arrow::datatypes::{DataType, Field, Schema};
use arrow::record_batch::RecordBatch;
use common::{Dump, START, digest, import, open, rows};
use metersift_model::TimeUs;
use metersift_store::{DumpState, Store, StoreSettings, content_hash};
use parquet::arrow::ArrowWriter;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use serde_json::{Value, json};
use std::fs;
use std::path::Path;
use std::sync::Arc;

const ROOMY: u64 = 1 << 30;

fn dumps() -> Vec<Dump> {
    let mut late = rows(4, TimeUs(START.start().0 + 30 * 3_600_000_000), 40, 120);
    late.iter_mut().step_by(7).for_each(|row| row.value += 0.125);
    vec![Dump::new("a.csv", rows(3, START.start(), 40, 120)), Dump::new("b.csv", late)]
}

fn sealed(lines: &[Value]) -> Vec<u8> {
    let body: String = lines.iter().map(|line| format!("{line}\n")).collect();
    let hash = content_hash(body.as_bytes());
    format!("{body}{{\"hash\":\"{hash}\"}}\n").into_bytes()
}

/// The day file with the number of its dump in each row.
fn day_of_format_1(path: &Path) -> Vec<u8> {
    let file = bytes::Bytes::from(fs::read(path).unwrap());
    let reader = ParquetRecordBatchReaderBuilder::try_new(file).unwrap();
    let mut fields: Vec<Field> =
        reader.schema().fields().iter().map(|field| (**field).clone()).collect();
    fields.push(Field::new("dump", DataType::UInt32, false));
    let schema = Arc::new(Schema::new(fields));
    let known = reader.metadata().file_metadata().key_value_metadata().unwrap();
    let mut pairs: Vec<KeyValue> =
        known.iter().filter(|pair| pair.key == "metersift.units").cloned().collect();
    pairs.push(KeyValue::new("metersift.format".into(), "1".to_string()));
    let properties = WriterProperties::builder().set_key_value_metadata(Some(pairs)).build();
    let mut writer = ArrowWriter::try_new(Vec::new(), schema.clone(), Some(properties)).unwrap();
    for batch in reader.build().unwrap() {
        let batch = batch.unwrap();
        let mut columns: Vec<ArrayRef> = batch.columns().to_vec();
        columns.push(Arc::new(UInt32Array::from(vec![1; batch.num_rows()])));
        writer.write(&RecordBatch::try_new(schema.clone(), columns).unwrap()).unwrap();
    }
    writer.into_inner().unwrap()
}

/// Turns a store of one dump into what a program of format 1 would have left.
fn age(root: &Path) {
    let ledger = root.join("ledger/ledger.jsonl");
    let text = fs::read_to_string(&ledger).unwrap();
    let mut lines: Vec<Value> = Vec::new();
    for line in text.lines() {
        let mut line: Value = serde_json::from_str(line).unwrap();
        let object = line.as_object_mut().unwrap();
        if object.contains_key("what") {
            object.insert("format".into(), json!(1));
            object.remove("told_whole_from");
        } else if object.contains_key("unit") {
            let unit = object["unit"].as_str().unwrap().to_string();
            let path = root.join(format!("samples/{unit}.parquet"));
            let bytes = day_of_format_1(&path);
            object.insert("bytes".into(), json!(bytes.len()));
            object.insert("hash".into(), json!(content_hash(&bytes)));
            object.remove("parts");
            object.remove("origin");
            fs::write(path, bytes).unwrap();
        } else if object.len() == 1 {
            continue;
        }
        lines.push(line);
    }
    fs::write(&ledger, sealed(&lines)).unwrap();
    fs::remove_dir_all(root.join("origin")).unwrap();
    let format = json!({"what": "metersift store", "format": 1, "bucket_count": 2});
    fs::write(root.join("format.json"), sealed(&[format])).unwrap();
}

#[test]
fn a_store_of_format_1_is_read_and_the_next_import_writes_it_anew() {
    let (old, never) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let mut plain = open(never.path(), 2, ROOMY);
    import(&mut plain, &dumps()[..1]).unwrap();
    drop({
        let mut store = open(old.path(), 2, ROOMY);
        import(&mut store, &dumps()[..1]).unwrap();
        store
    });
    age(old.path());

    let reader = Store::read(old.path()).unwrap();
    assert!(reader.day_files().iter().all(|day| day.origin.is_none()), "of format 1");
    assert_eq!(digest(&reader), digest(&plain), "read as it is");
    assert!(reader.check().unwrap().is_sound(), "{:?}", reader.check().unwrap());
    let all = common::everything(&reader);
    assert!(!all.is_empty() && all.iter().all(|(_, dump)| *dump == 1));

    let mut store = Store::open(old.path(), StoreSettings::default()).unwrap();
    assert_eq!(store.bucket_count(), 2);
    import(&mut store, &dumps()[1..]).unwrap();
    import(&mut plain, &dumps()[1..]).unwrap();
    assert_eq!(digest(&store), digest(&plain));
    assert!(store.day_files().iter().all(|day| day.origin.is_some()), "written anew");
    let samples = |root: &Path| common::files_below(root, "samples");
    assert_eq!(samples(old.path()), samples(never.path()), "byte for byte");
    assert!(store.check().unwrap().is_sound(), "{:?}", store.check().unwrap());

    // What stood when the old day was written anew was kept as a telling: it stands again.
    let done = store.withdraw(&dumps()[1].hash()).unwrap();
    assert_eq!(done.import_again, [] as [&str; 0]);
    assert_eq!(store.ledger().dumps[0].state, DumpState::Imported);
    let never = tempfile::tempdir().unwrap();
    let mut alone = open(never.path(), 2, ROOMY);
    import(&mut alone, &dumps()[..1]).unwrap();
    assert_eq!(digest(&store), digest(&alone));
    assert!(store.check().unwrap().is_sound());
}

#[test]
fn a_day_file_of_format_1_that_changed_is_noticed() {
    let old = tempfile::tempdir().unwrap();
    import(&mut open(old.path(), 2, ROOMY), &dumps()[..1]).unwrap();
    age(old.path());
    let store = Store::read(old.path()).unwrap();
    let unit = store.day_files()[0].unit;
    let path = old.path().join(format!("samples/{unit}.parquet"));
    let good = fs::read(&path).unwrap();
    let mut dice = common::Dice(9);
    for _ in 0..100 {
        let mut bad = good.clone();
        let bit = dice.below(good.len() as u64 * 8) as usize;
        bad[bit / 8] ^= 1 << (bit % 8);
        fs::write(&path, bad).unwrap();
        assert!(store.for_each_run(unit.day, unit.bucket, &mut |_| ()).is_err(), "bit {bit}");
    }
}
