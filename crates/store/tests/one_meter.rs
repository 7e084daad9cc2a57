//! One meter of a day is read without the rest, and what is read is checked all the same.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod common;

use common::faulty::{Fault, FaultyStorage, World};
use common::{Dump, Row, START, import, rows};
use metersift_store::storage::{Entry, NewFile, OpenFile, Storage};
use metersift_store::{ErrorKind, Store, StoreSettings};
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Counts the bytes that are read of files below `samples` and `origin`.
struct Counting {
    inner: FaultyStorage,
    bytes: Arc<AtomicU64>,
}

struct CountingFile(Box<dyn OpenFile>, Arc<AtomicU64>);

impl OpenFile for CountingFile {
    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<()> {
        self.1.fetch_add(buffer.len() as u64, Ordering::Relaxed);
        self.0.read_at(offset, buffer)
    }
}

impl Storage for Counting {
    fn read(&self, path: &str) -> io::Result<Vec<u8>> {
        let bytes = self.inner.read(path)?;
        if path.ends_with(".parquet") {
            self.bytes.fetch_add(bytes.len() as u64, Ordering::Relaxed);
        }
        Ok(bytes)
    }
    fn open(&self, path: &str) -> io::Result<Box<dyn OpenFile>> {
        Ok(Box::new(CountingFile(self.inner.open(path)?, Arc::clone(&self.bytes))))
    }
    fn create(&self, path: &str) -> io::Result<Box<dyn NewFile>> {
        self.inner.create(path)
    }
    fn rename(&self, from: &str, to: &str) -> io::Result<()> {
        self.inner.rename(from, to)
    }
    fn remove(&self, path: &str) -> io::Result<()> {
        self.inner.remove(path)
    }
    fn remove_dir(&self, path: &str) -> io::Result<()> {
        self.inner.remove_dir(path)
    }
    fn create_dir(&self, path: &str) -> io::Result<()> {
        self.inner.create_dir(path)
    }
    fn sync_dir(&self, path: &str) -> io::Result<()> {
        self.inner.sync_dir(path)
    }
    fn list(&self, path: &str) -> io::Result<Vec<Entry>> {
        self.inner.list(path)
    }
    fn size(&self, path: &str) -> io::Result<Option<u64>> {
        self.inner.size(path)
    }
}

const METERS: usize = 40;

fn open(world: World) -> (Store, Arc<AtomicU64>) {
    let bytes = Arc::new(AtomicU64::new(0));
    let inner = FaultyStorage::new(world, Fault::Never);
    let storage = Counting { inner, bytes: Arc::clone(&bytes) };
    let settings = StoreSettings { bucket_count: Some(1), memory_bytes: 1 << 30 };
    (Store::open_on(Arc::new(storage), settings).unwrap(), bytes)
}

/// A day of 1.3 million readings, some of them told twice.
fn sound() -> World {
    let storage = FaultyStorage::new(World::default(), Fault::Never);
    let settings = StoreSettings { bucket_count: Some(1), memory_bytes: 1 << 30 };
    let mut store = Store::open_on(Arc::new(storage.clone()), settings).unwrap();
    let all = rows(METERS, START.start(), 24, 8);
    let corrected: Vec<Row> = all
        .iter()
        .step_by(1001)
        .map(|row| Row { value: 7.0, quality: 64, ..row.clone() })
        .collect();
    import(&mut store, &[Dump::new("a.csv", all), Dump::new("b.csv", corrected)]).unwrap();
    storage.world()
}

type Told = (String, Vec<(i64, u64, u8, u32, u32)>);

fn told(origin: &metersift_store::OriginRun<'_>) -> Told {
    let run = origin.run;
    let row = |i: usize| {
        let value = run.value[i].to_bits();
        (run.time_us[i], value, run.quality[i], origin.dump[i], origin.line[i])
    };
    (run.signal.to_owned(), (0..run.time_us.len()).map(row).collect())
}

fn one(store: &Store, meter: &str) -> Result<Vec<Told>, metersift_store::StoreError> {
    let mut found = Vec::new();
    store.for_each_run_of_meter(START, meter, &mut |run| found.push(told(&run)))?;
    Ok(found)
}

#[test]
fn one_meter_is_what_it_is_among_all_and_costs_its_share() {
    let (store, bytes) = open(sound());
    let mut all: Vec<(String, Told)> = Vec::new();
    bytes.store(0, Ordering::Relaxed);
    store
        .for_each_run_with_origin(START, 0, &mut |run| {
            all.push((run.run.meter.to_owned(), told(&run)));
        })
        .unwrap();
    let whole = bytes.load(Ordering::Relaxed);
    for meter in (0..METERS).map(|number| format!("FT-{:04}", 3100 + number)) {
        bytes.store(0, Ordering::Relaxed);
        let expected: Vec<&Told> =
            all.iter().filter(|(name, _)| *name == meter).map(|(_, told)| told).collect();
        let found = one(&store, &meter).unwrap();
        assert_eq!(found.iter().collect::<Vec<_>>(), expected, "{meter}");
        assert_eq!(found.len(), 3);
        // Three groups: a meter stands in one of them, at a border in two.
        let read = bytes.load(Ordering::Relaxed);
        assert!(read * 10 < whole * 8, "{meter}: {read} of {whole} bytes");
    }
    bytes.store(0, Ordering::Relaxed);
    assert_eq!(one(&store, "FT-9999").unwrap(), []);
    assert!(bytes.load(Ordering::Relaxed) * 10 < whole, "only the footer");
}

#[test]
fn damage_in_what_is_read_is_named_and_elsewhere_it_costs_nothing() {
    let world = sound();
    let path = format!("samples/day={START}/bucket=00.parquet");
    let good = world.content(&path).to_vec();
    let flipped = |at: usize| {
        let storage = FaultyStorage::new(world.clone(), Fault::Never);
        let mut bad = good.clone();
        bad[at] ^= 4;
        let mut file = storage.create(&path).unwrap();
        io::Write::write_all(&mut file, &bad).unwrap();
        file.sync().unwrap();
        open(storage.world()).0
    };
    // The first meter stands in the first group, the last one in the last.
    let (first, last) = ("FT-3100", "FT-3139");
    for at in [0, 100, good.len() / 20] {
        let store = flipped(at);
        let error = one(&store, first).unwrap_err();
        assert_eq!(error.kind(), ErrorKind::Damaged, "byte {at}");
        assert!(format!("{error:?}").contains("a.csv"), "the dumps that heal it: {error:?}");
        assert_eq!(one(&store, last).unwrap().len(), 3, "byte {at}");
    }
    for at in [good.len() - 1, good.len() - 9, good.len() - 500] {
        let store = flipped(at);
        for meter in [first, last, "FT-9999"] {
            assert_eq!(one(&store, meter).unwrap_err().kind(), ErrorKind::Damaged, "byte {at}");
        }
    }
}
