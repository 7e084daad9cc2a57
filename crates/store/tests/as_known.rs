//! Any past morning can be rebuilt: what stood on the strength of the dumps that had arrived.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod common;

use common::faulty::{Fault, FaultyStorage, World};
use common::{Dump, Row, START, blocks, import, open, rows, totals};
use metersift_model::{SeriesTable, Signal, TimeUs};
use metersift_store::{Store, StoreSettings, Unit};
use proptest::prelude::*;
use std::sync::Arc;

const ROOMY: u64 = 1 << 30;

/// Imports each dump on a morning of its own: the n-th arrives at `n` hours.
fn import_each(store: &mut Store, dumps: &[Dump]) {
    for (n, dump) in dumps.iter().enumerate() {
        let mut series = SeriesTable::default();
        let mut session = store.begin_import().unwrap();
        session.begin_dump(&dump.name, &format!("{n}-{}", dump.hash())).unwrap();
        for block in blocks(&dump.rows, &mut series) {
            session.push(&block, &series).unwrap();
        }
        let mut totals = totals(dump);
        totals.arrived = Some(arrival(n));
        session.end_dump(totals).unwrap();
        session.commit().unwrap();
    }
}

/// A store in memory.
fn in_memory(buckets: u32, memory_bytes: u64) -> Store {
    let storage = FaultyStorage::new(World::default(), Fault::Never);
    let settings = StoreSettings { bucket_count: Some(buckets), memory_bytes };
    Store::open_on(Arc::new(storage), settings).unwrap()
}

fn arrival(n: usize) -> TimeUs {
    TimeUs(START.plus(9).start().0 + n as i64 * 3_600_000_000)
}

/// Runs as text: every bit shows.
fn runs_as_known(store: &Store, before: TimeUs) -> Vec<String> {
    let mut runs = Vec::new();
    for file in store.day_files() {
        store
            .for_each_run_as_known(file.day(), file.bucket(), before, &mut |run| {
                let bits: Vec<u64> = run.value.iter().map(|v| v.to_bits()).collect();
                runs.push(format!("{run:?} {bits:?}"));
            })
            .unwrap();
    }
    runs
}

fn runs_now(store: &Store) -> Vec<String> {
    let mut runs = Vec::new();
    for file in store.day_files() {
        store
            .for_each_run(file.day(), file.bucket(), &mut |run| {
                let bits: Vec<u64> = run.value.iter().map(|v| v.to_bits()).collect();
                runs.push(format!("{run:?} {bits:?}"));
            })
            .unwrap();
    }
    runs
}

#[test]
fn before_the_correction_came_the_store_is_the_one_that_never_saw_it() {
    let first = rows(4, START.start(), 30, 120);
    let mut corrected = first[1000..2500].to_vec();
    corrected.iter_mut().step_by(2).for_each(|row| row.value += 1.0);
    let late = rows(6, TimeUs(START.start().0 + 20 * 3_600_000_000), 6, 300);
    let dumps =
        [Dump::new("a.csv", first), Dump::new("b.csv", corrected), Dump::new("late.csv", late)];
    let folder = tempfile::tempdir().unwrap();
    let mut all = open(folder.path(), 3, ROOMY);
    import_each(&mut all, &dumps);
    let mut distinct = std::collections::BTreeSet::new();
    for n in 0..=dumps.len() {
        let alone = tempfile::tempdir().unwrap();
        let mut prefix = open(alone.path(), 3, ROOMY);
        import_each(&mut prefix, &dumps[..n]);
        let then = runs_as_known(&all, arrival(n));
        assert_eq!(then, runs_now(&prefix), "as known before dump {n}");
        distinct.insert(then);
    }
    assert_eq!(distinct.len(), 4, "each dump changed something");
    // The correction touched the first day only; the late dump both.
    let days =
        |units: Vec<Unit>| units.iter().map(|u| u.day).collect::<std::collections::BTreeSet<_>>();
    assert_eq!(days(all.units_changed_since(arrival(2))).len(), 2);
    assert_eq!(days(all.units_changed_since(arrival(1))).len(), 2);
    assert!(all.units_changed_since(arrival(3)).is_empty());
}

#[test]
fn a_reading_is_followed_to_the_line_of_the_dump_that_stands() {
    let first = rows(2, START.start(), 2, 600);
    let mut second = first[3..9].to_vec();
    second[2].value = 5.5;
    let corrected = second[2].clone();
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), 1, ROOMY);
    import(&mut store, &[Dump::new("a.csv", first.clone()), Dump::new("b.csv", second)]).unwrap();
    let mut seen = 0;
    store
        .for_each_run_with_origin(START, 0, &mut |origin| {
            let run = origin.run;
            for i in 0..run.time_us.len() {
                let key = (run.meter, run.signal, run.time_us[i]);
                let is = |row: &Row| {
                    (row.meter.as_str(), row.signal.name().as_str(), row.time_us) == key
                };
                let (dump, line) = (origin.dump[i], origin.line[i] as usize);
                if is(&corrected) {
                    assert_eq!((dump, line), (2, 4));
                } else {
                    // What the second dump repeated stays the first one's.
                    assert_eq!(dump, 1);
                    assert!(is(&first[line - 2]), "line {line}");
                }
                seen += 1;
            }
        })
        .unwrap();
    assert_eq!(seen, first.len());
}

/// Few keys and values, so that dumps repeat and correct each other often.
fn row() -> impl Strategy<Value = Row> {
    let value = prop_oneof![Just(f64::NAN), Just(1.5), Just(-0.0), Just(0.0), Just(7.0)];
    (0..3usize, 0..20i64, value, prop_oneof![Just(192u8), Just(0)]).prop_map(
        |(meter, step, value, quality)| Row {
            meter: ["FT-1", "FT-2", "FT-3"][meter].into(),
            signal: Signal::Density,
            time_us: START.start().0 + step * 8_000_000_000,
            value,
            quality,
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 100, failure_persistence: None, ..Default::default() })]

    #[test]
    fn every_prefix_of_the_dumps_can_be_rebuilt_and_every_dump_withdrawn(
        tables in prop::collection::vec(prop::collection::vec(row(), 0..40), 1..5),
        buckets in 1..4u32,
        gone in 0..5usize,
        tight in any::<bool>(),
    ) {
        let dumps: Vec<Dump> = tables
            .into_iter()
            .enumerate()
            .map(|(n, rows)| Dump::new(&format!("{n}.csv"), rows))
            .collect();
        let mut all = in_memory(buckets, if tight { 1_000 } else { ROOMY });
        import_each(&mut all, &dumps);
        for n in 0..=dumps.len() {
            let mut prefix = in_memory(buckets, ROOMY);
            import_each(&mut prefix, &dumps[..n]);
            prop_assert_eq!(runs_as_known(&all, arrival(n)), runs_now(&prefix));
            // A unit that is not named has the readings that it had.
            let changed = all.units_changed_since(arrival(n));
            for file in all.day_files().iter().filter(|file| !changed.contains(&file.unit)) {
                let before = prefix.day_files();
                prop_assert!(before.iter().any(|f| f.unit == file.unit && f.hash == file.hash));
            }
        }
        let gone = gone % dumps.len();
        all.withdraw(&format!("{gone}-{}", dumps[gone].hash())).unwrap();
        prop_assert!(all.check().unwrap().is_sound());
        let mut never = in_memory(buckets, ROOMY);
        let mut others = dumps.clone();
        others.remove(gone);
        import_each(&mut never, &others);
        prop_assert_eq!(runs_now(&all), runs_now(&never));
        prop_assert_eq!(all.digest().unwrap(), never.digest().unwrap());
        // Brought back under its own hash, it takes its old place.
        let mut again = all.begin_import().unwrap();
        let mut series = SeriesTable::default();
        again.begin_dump("again", &format!("{gone}-{}", dumps[gone].hash())).unwrap();
        for block in blocks(&dumps[gone].rows, &mut series) {
            again.push(&block, &series).unwrap();
        }
        again.end_dump(totals(&dumps[gone])).unwrap();
        again.commit().unwrap();
        let mut whole = in_memory(buckets, ROOMY);
        import_each(&mut whole, &dumps);
        prop_assert_eq!(all.digest().unwrap(), whole.digest().unwrap());
        prop_assert!(all.check().unwrap().is_sound());
    }
}
