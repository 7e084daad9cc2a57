//! Any sequence of imports, against a plain model: a map from key to value, filled in order.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod common;

use common::faulty::{Fault, FaultyStorage, World};
use common::{Dump, Row, START, everything, totals};
use metersift_model::{SeriesTable, Signal};
use metersift_store::{Store, StoreSettings};
use proptest::prelude::*;
use std::collections::BTreeMap;
use std::sync::Arc;

type Key = (String, String, i64);

/// Few meters, few times and few values, so that keys meet often; two days.
fn row() -> impl Strategy<Value = Row> {
    let signals = [Signal::Density, Signal::Other("valve".into()), Signal::MassFlow];
    let value = prop_oneof![Just(f64::NAN), Just(1.5), Just(-0.0), Just(0.0), Just(7.0)];
    (0..4usize, 0..3usize, 0..40i64, value, prop_oneof![Just(192u8), Just(0)]).prop_map(
        move |(meter, signal, step, value, quality)| Row {
            meter: ["FT-9", "FT-10", "ft-9", ""][meter].into(),
            signal: signals[signal].clone(),
            time_us: START.start().0 + step * 4_000_000_000,
            value,
            quality,
        },
    )
}

#[derive(Clone, Debug)]
struct Step {
    dumps: Vec<(Vec<Row>, bool)>,
    commit: bool,
}

fn step() -> impl Strategy<Value = Step> {
    let dump = (prop::collection::vec(row(), 0..120), prop::bool::weighted(0.8));
    (prop::collection::vec(dump, 1..4), prop::bool::weighted(0.85))
        .prop_map(|(dumps, commit)| Step { dumps, commit })
}

fn same(a: (f64, u8), b: (f64, u8)) -> bool {
    (a.0 == b.0 || (a.0.is_nan() && b.0.is_nan())) && a.1 == b.1
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..Default::default() })]

    #[test]
    fn the_store_holds_what_a_map_would_hold(
        steps in prop::collection::vec(step(), 1..5),
        buckets in 1..4u32,
        tight in any::<bool>(),
    ) {
        let storage = FaultyStorage::new(World::default(), Fault::Never);
        let memory_bytes = if tight { 3_000 } else { 1 << 30 };
        let settings = StoreSettings { bucket_count: Some(buckets), memory_bytes };
        let mut store = Store::open_on(Arc::new(storage), settings).unwrap();
        let mut model: BTreeMap<Key, (f64, u8)> = BTreeMap::new();
        for (s, step) in steps.iter().enumerate() {
            let mut series = SeriesTable::default();
            let mut session = store.begin_import().unwrap();
            let mut next = model.clone();
            let mut expected = Vec::new();
            for (d, (rows, keep)) in step.dumps.iter().enumerate() {
                let dump = Dump::new(&format!("{s}-{d}.csv"), rows.clone());
                session.begin_dump(&dump.name, &format!("{s}-{d}")).unwrap();
                for block in common::blocks(rows, &mut series) {
                    session.push(&block, &series).unwrap();
                }
                if !keep {
                    session.abort_dump();
                    continue;
                }
                session.end_dump(totals(&dump)).unwrap();
                let mut counts = (0, 0, 0);
                for row in rows {
                    let key = (row.meter.clone(), row.signal.name(), row.time_us);
                    let cell = (row.value, row.quality);
                    match next.get(&key) {
                        None => counts.0 += 1,
                        Some(&before) if same(before, cell) => {
                            counts.1 += 1;
                            continue;
                        }
                        Some(_) => counts.2 += 1,
                    }
                    next.insert(key, cell);
                }
                expected.push(counts);
            }
            if !step.commit {
                continue;
            }
            let outcome = session.commit().unwrap();
            let counted: Vec<(u64, u64, u64)> =
                outcome.dumps.iter().map(|d| (d.stored, d.duplicate, d.conflicting)).collect();
            prop_assert_eq!(counted, expected);
            model = next;
        }
        let held: Vec<(Key, (f64, u8))> = everything(&store)
            .into_iter()
            .map(|(r, _)| ((r.meter, r.signal.name(), r.time_us), (r.value, r.quality)))
            .collect();
        let wanted: Vec<(Key, (f64, u8))> = model.into_iter().collect();
        prop_assert_eq!(format!("{held:?}"), format!("{wanted:?}"));
        let report = store.check().unwrap();
        prop_assert!(report.is_sound(), "{:?}", report);
    }
}
