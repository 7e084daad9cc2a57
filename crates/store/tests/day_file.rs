//! What a day file looks like to another reader of Parquet.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod common;

use common::{Dump, Row, START, everything, import, open, rows};
use metersift_model::Signal;
use metersift_store::{FORMAT_KEY, MeterRuns, RunRef, UNITS_KEY, day_file_schema};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use parquet::basic::{Compression, Encoding};
use parquet::file::metadata::ParquetMetaData;
use std::fs::File;
use std::path::Path;
use std::sync::Arc;

const PATH: &str = "samples/day=2026-03-07/bucket=00.parquet";

fn metadata(root: &Path) -> Arc<ParquetMetaData> {
    let file = File::open(root.join(PATH)).unwrap();
    let builder = ParquetRecordBatchReaderBuilder::try_new(file).unwrap();
    assert_eq!(builder.schema().fields(), day_file_schema().fields());
    builder.metadata().clone()
}

#[test]
fn encodings_units_and_version_are_in_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let mut all = rows(4, START.start(), 24, 60);
    // A signal with a resolution and one without: dictionary, and its fallback.
    let full = |i: usize| Row {
        meter: "FT-9999".into(),
        signal: Signal::Pressure,
        time_us: START.start().0 + i as i64 * 200_000,
        value: (i as f64).sqrt(),
        quality: 192,
    };
    all.extend((0..300_000).map(full));
    import(&mut open(folder.path(), 1, 1 << 30), &[Dump::new("a.csv", all)]).unwrap();
    let metadata = metadata(folder.path());
    let pairs = metadata.file_metadata().key_value_metadata().unwrap();
    let of = |key: &str| pairs.iter().find(|p| p.key == key).and_then(|p| p.value.clone()).unwrap();
    assert_eq!(of(FORMAT_KEY), "2");
    for signal in Signal::KNOWN {
        let pair = format!("\"{}\":\"{}\"", signal.name(), signal.unit());
        assert!(of(UNITS_KEY).contains(&pair), "{pair}");
    }
    let columns = metadata.row_group(0).columns();
    let encodings = |c: usize| columns[c].encodings().collect::<Vec<_>>();
    assert!(encodings(0).contains(&Encoding::RLE_DICTIONARY), "{:?}", encodings(0));
    assert!(encodings(2).contains(&Encoding::DELTA_BINARY_PACKED), "{:?}", encodings(2));
    assert!(encodings(3).contains(&Encoding::RLE_DICTIONARY), "{:?}", encodings(3));
    assert!(encodings(3).contains(&Encoding::BYTE_STREAM_SPLIT), "{:?}", encodings(3));
    assert!(columns.iter().all(|c| matches!(c.compression(), Compression::ZSTD(_))));
    assert_eq!(metadata.row_group(0).sorting_columns().unwrap().len(), 3);
}

#[test]
fn a_row_group_begins_with_a_series_and_holds_about_400_000_readings() {
    let folder = tempfile::tempdir().unwrap();
    // 60 meters, 3 signals, every 6 s: 2.6 million readings.
    let all = rows(60, START.start(), 24, 6);
    let n = all.len() as i64;
    let mut store = open(folder.path(), 1, 1 << 30);
    import(&mut store, &[Dump::new("a.csv", all)]).unwrap();
    let metadata = metadata(folder.path());
    let groups: Vec<i64> = metadata.row_groups().iter().map(|group| group.num_rows()).collect();
    assert_eq!(groups.iter().sum::<i64>(), n);
    let (last, full) = groups.split_last().unwrap();
    assert!(full.iter().all(|&rows| (400_000..=500_000).contains(&rows)), "{groups:?}");
    assert!(*last <= 514_400, "{groups:?}");
    // Every series has 14,400 readings: a group that splits none is a multiple of it.
    assert!(groups.iter().all(|rows| rows % 14_400 == 0), "{groups:?}");
    let mut batches = 0;
    store
        .for_each_batch(START, 0, &mut |meters| {
            batches += 1;
            assert!(meters.iter().all(|meter| meter.runs.len() == 3), "meters come whole");
        })
        .unwrap();
    assert!(batches > 3, "{batches}");
}

/// A series as it came: meter, signal, readings, and a sum over all columns that minds their order.
type Came = (String, String, usize, u64);

fn came(run: &RunRef<'_>) -> Came {
    let cells = run.time_us.iter().zip(run.value).zip(run.quality);
    let sum = cells.fold(0_u64, |sum, ((time, value), quality)| {
        let cell = *time as u64 ^ value.to_bits().rotate_left(20) ^ u64::from(*quality);
        sum.wrapping_mul(0x0100_0000_01b3).wrapping_add(cell)
    });
    (run.meter.into(), run.signal.into(), run.time_us.len(), sum)
}

/// Meters that go on in the next row group, and a series so long that it is split itself.
#[test]
fn what_is_read_ahead_is_what_is_read_one_by_one_at_any_number_of_threads() {
    let folder = tempfile::tempdir().unwrap();
    let mut all = rows(20, START.start(), 24, 6);
    let long = |i: i64| Row {
        meter: "FT-0001".into(),
        signal: Signal::Pressure,
        time_us: START.start().0 + i * 60_000,
        value: (i % 977) as f64,
        quality: 192,
    };
    all.extend((0..1_300_000).map(long));
    let mut store = open(folder.path(), 1, 1 << 30);
    import(&mut store, &[Dump::new("a.csv", all)]).unwrap();
    let mut want: Vec<Came> = Vec::new();
    store.for_each_run_with_origin(START, 0, &mut |run| want.push(came(&run.run))).unwrap();
    assert!(want.iter().any(|series| series.2 == 1_300_000), "{want:?}");
    let mut one_by_one = Vec::new();
    store.for_each_run(START, 0, &mut |run| one_by_one.push(came(&run))).unwrap();
    assert_eq!(one_by_one, want);
    for threads in [1, 2, 3, 16] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let (mut ahead, mut names) = (Vec::new(), Vec::new());
        let mut each = |meters: &[MeterRuns<'_>]| {
            names.extend(meters.iter().map(|meter| meter.meter.to_string()));
            ahead.extend(meters.iter().flat_map(|meter| &meter.runs).map(came));
        };
        pool.install(|| store.for_each_batch_ahead(START, 0, &mut each)).unwrap();
        assert_eq!(ahead, want, "{threads} threads");
        assert!(names.windows(2).all(|pair| pair[0] < pair[1]), "each meter once: {names:?}");
    }
}

/// Shortest round-trip numbers (Python `repr` prints them so): text to f64 to Parquet and back.
#[test]
fn numbers_that_are_hard_to_print_survive() {
    let texts = [
        "0.1",
        "1e23",
        "9007199254740993",
        "5e-324",
        "2.2250738585072014e-308",
        "1.7976931348623157e308",
        "-0.0",
        "0.30000000000000004",
    ];
    let folder = tempfile::tempdir().unwrap();
    let row = |(i, text): (usize, &&str)| Row {
        meter: "FT-1".into(),
        signal: Signal::Density,
        time_us: START.start().0 + i as i64,
        value: text.parse().unwrap(),
        quality: 192,
    };
    let rows: Vec<Row> = texts.iter().enumerate().map(row).collect();
    let mut store = open(folder.path(), 1, 1 << 30);
    import(&mut store, &[Dump::new("a.csv", rows)]).unwrap();
    let held: Vec<u64> = everything(&store).iter().map(|(row, _)| row.value.to_bits()).collect();
    let wanted: Vec<u64> = texts.iter().map(|t| t.parse::<f64>().unwrap().to_bits()).collect();
    assert_eq!(held, wanted);
}
