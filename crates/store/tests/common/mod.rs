//! What the tests of the store share: made-up readings, a digest, and a storage that fails.

#![allow(dead_code, reason = "each test file uses its own part")]

pub mod faulty;

use metersift_model::{Day, ReadingBlock, Series, SeriesTable, Signal, TimeUs};
use metersift_store::{DumpTotals, ImportOutcome, Store, StoreError, StoreSettings, content_hash};
use std::collections::BTreeMap;
use std::path::Path;

/// 2026-03-07T00:00:00Z.
pub const START: Day = Day(20_519);

/// One reading with names.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    pub meter: String,
    pub signal: Signal,
    pub time_us: i64,
    pub value: f64,
    pub quality: u8,
}

/// A small generator with a seed: splitmix64 (Steele, Lea, Flood 2014, from memory).
pub struct Dice(pub u64);

impl Dice {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    pub fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }
    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for i in (1..items.len()).rev() {
            items.swap(i, self.below(i as u64 + 1) as usize);
        }
    }
}

/// Readings of `meters` meters with three signals each, every `step_s` seconds over
/// `[from, from + hours)`, in order of time as a historian writes them. A few are bad.
pub fn rows(meters: usize, from: TimeUs, hours: i64, step_s: i64) -> Vec<Row> {
    let signals = [Signal::MassFlow, Signal::Density, Signal::DriveGain];
    let mut rows = Vec::new();
    for step in 0..hours * 3600 / step_s {
        let time_us = from.0 + step * step_s * 1_000_000;
        for meter in 0..meters {
            for (s, signal) in signals.iter().enumerate() {
                let mut dice = Dice(time_us as u64 ^ (meter as u64) << 40 ^ (s as u64) << 50);
                let bad = dice.below(50) == 0;
                let value = 1000.0 + dice.below(200) as f64 / 8.0;
                rows.push(Row {
                    meter: format!("FT-{:04}", 3100 + meter),
                    signal: signal.clone(),
                    time_us,
                    value: if bad { f64::NAN } else { value },
                    quality: if bad { 0 } else { 192 },
                });
            }
        }
    }
    rows
}

/// A dump as the import would deliver it.
#[derive(Clone, Debug)]
pub struct Dump {
    pub name: String,
    pub rows: Vec<Row>,
}

impl Dump {
    pub fn new(name: &str, rows: Vec<Row>) -> Dump {
        Dump { name: name.into(), rows }
    }
    pub fn hash(&self) -> String {
        content_hash(format!("{:?}", self.rows).as_bytes())
    }
}

/// Blocks of a few hundred readings.
pub fn blocks(rows: &[Row], series: &mut SeriesTable) -> Vec<ReadingBlock> {
    let mut line = 1;
    rows.chunks(317)
        .map(|chunk| {
            let mut block = ReadingBlock::default();
            for row in chunk {
                let key = Series { meter: row.meter.clone(), signal: row.signal.clone() };
                line += 1;
                block.push(series.intern(key), row.time_us, row.value, row.quality, line);
            }
            block
        })
        .collect()
}

pub fn totals(dump: &Dump) -> DumpTotals {
    DumpTotals {
        rows_in: dump.rows.len() as u64,
        first: dump.rows.iter().map(|row| TimeUs(row.time_us)).min(),
        last: dump.rows.iter().map(|row| TimeUs(row.time_us)).max(),
        source: "syrup-house".into(),
        arrived: Some(START.end()),
        ..DumpTotals::default()
    }
}

/// Imports dumps in one go.
pub fn import(store: &mut Store, dumps: &[Dump]) -> Result<ImportOutcome, StoreError> {
    let mut series = SeriesTable::default();
    let mut import = store.begin_import()?;
    for dump in dumps {
        import.begin_dump(&dump.name, &dump.hash())?;
        for block in blocks(&dump.rows, &mut series) {
            import.push(&block, &series)?;
        }
        import.end_dump(totals(dump))?;
    }
    import.commit()
}

pub fn open(path: &Path, buckets: u32, memory_bytes: u64) -> Store {
    let settings = StoreSettings { bucket_count: Some(buckets), memory_bytes };
    Store::open(path, settings).expect("a store in a folder of its own opens")
}

/// Every reading of the store, in order, with the number of its dump.
pub fn everything(store: &Store) -> Vec<(Row, u32)> {
    let mut all = Vec::new();
    for file in store.day_files() {
        store
            .for_each_run_with_origin(file.day(), file.bucket(), &mut |origin| {
                let run = origin.run;
                for i in 0..run.time_us.len() {
                    let row = Row {
                        meter: run.meter.into(),
                        signal: Signal::parse(run.signal).expect("a signal of ours"),
                        time_us: run.time_us[i],
                        value: run.value[i],
                        quality: run.quality[i],
                    };
                    all.push((row, origin.dump[i]));
                }
            })
            .expect("a sound store is read");
    }
    all.sort_by_key(|(row, _)| (row.meter.clone(), row.signal.name(), row.time_us));
    all
}

/// Hash over all readings, without the dump numbers.
pub fn digest(store: &Store) -> String {
    let rows: Vec<Row> = everything(store).into_iter().map(|(row, _)| row).collect();
    content_hash(format!("{rows:?}").as_bytes())
}

/// Path and content hash of every file below `top`.
pub fn files_below(root: &Path, top: &str) -> BTreeMap<String, String> {
    let mut files = BTreeMap::new();
    let mut folders = vec![root.join(top)];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
            let path = entry.path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let bytes = std::fs::read(&path).expect("a file of the store is read");
                let name = path.strip_prefix(root).expect("below the root");
                files.insert(name.to_string_lossy().into_owned(), content_hash(&bytes));
            }
        }
    }
    files
}
