//! Every refusal of the system, at every call of every job: named by file and kind, and the store
//! is as it was or is finished by the next run.
//!
//! Numbers: `errno-base.h` and `errno.h` of Linux.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
#![cfg(target_os = "linux")]

mod common;

use common::faulty::{Ending, Fault, FaultyStorage, World};
use common::{Dump, START, import, rows};
use metersift_model::{ColumnData, Day, Table, TimeUs};
use metersift_model::{Origin, Reject, RejectReason};
use metersift_store::{ErrorKind, Store, StoreError, StoreSettings, Trouble};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

const ENOSPC: i32 = 28;
const EBUSY: i32 = 16;
const REFUSALS: [(i32, Trouble); 7] = [
    (ENOSPC, Trouble::NoRoom),
    (122, Trouble::Quota),
    (24, Trouble::TooManyFiles),
    (5, Trouble::Device),
    (30, Trouble::ReadOnly),
    (13, Trouble::NoRight),
    (27, Trouble::FileTooLarge),
];

fn settings() -> StoreSettings {
    // So little that the import spills.
    StoreSettings { bucket_count: Some(2), memory_bytes: 2_000 }
}

fn dumps() -> Vec<Dump> {
    let mut evening = rows(2, TimeUs(START.start().0 + 20 * 3_600_000_000), 20, 3600);
    evening[5].value = -1.0;
    evening[5].quality = 192;
    vec![Dump::new("first.csv", rows(2, START.start(), 24, 3600)), Dump::new("late.csv", evening)]
}

fn table(x: f64) -> Table {
    let mut table = Table::default();
    table.push("meter", "", ColumnData::Text(vec![Some("FT-3107".into())]));
    table.push("day", "", ColumnData::Day(vec![Some(Day(1))]));
    table.push("x_kg", "kg", ColumnData::Number(vec![x]));
    table
}

/// A job on an open store; told how far it came by its result only.
type Job = (&'static str, fn(&mut Store) -> Result<(), StoreError>);

const JOBS: [Job; 7] = [
    ("import", |store| match store.ledger().holds(&dumps()[1].hash()) {
        true => Ok(()),
        false => import(store, &dumps()[1..]).map(|_| ()),
    }),
    ("withdraw", |store| match store.ledger().holds(&dumps()[0].hash()) {
        true => store.withdraw(&dumps()[0].hash()).map(|_| ()),
        false => Ok(()),
    }),
    ("daily", |store| store.write_daily(Day(1), 0, &table(2.0), "new")),
    ("hours", |store| store.write_hours(Day(1), 0, &table(2.0), "new")),
    ("note", |store| {
        let dumps = store.dumps_to_look_at();
        store.handovers(&dumps)?;
        store.note_steps(&dumps, BTreeMap::new())
    }),
    ("rejects", |store| {
        let mut file = store.reject_file("0123456789abcdef0", 1 << 20)?;
        let origin = Origin { file: "d.csv".into(), line: 1, column: 1, tag: "T".into() };
        let (read, expected) = ("x".into(), "a time".into());
        file.push(&Reject { origin, reason: RejectReason::BadTime, read, expected })?;
        file.finish()?;
        file.keep().map(|_| ())
    }),
    ("check", |store| {
        let report = store.check()?;
        // What cannot be read is an error and no damage: nobody is sent to set it aside.
        assert!(report.is_sound(), "{report:?}");
        Ok(())
    }),
];

fn start() -> World {
    let storage = FaultyStorage::new(World::default(), Fault::Never);
    let mut store = Store::open_on(Arc::new(storage.clone()), settings()).unwrap();
    import(&mut store, &dumps()[..1]).unwrap();
    store.write_daily(Day(1), 0, &table(1.0), "old").unwrap();
    store.write_hours(Day(1), 0, &table(1.0), "old").unwrap();
    storage.world().after(Ending::Killed)
}

/// Opens and does the job, as a run does.
fn run(storage: &FaultyStorage, job: Job) -> Result<(), StoreError> {
    let mut store = Store::open_on(Arc::new(storage.clone()), settings())?;
    (job.1)(&mut store)
}

/// Everything but what a run that goes on would take away.
fn picture(world: &World) -> BTreeMap<String, Vec<u8>> {
    let kept = |name: &String| !name.starts_with("staging/") && !name.ends_with(".new");
    let names = world.file_names().into_iter().filter(kept);
    names.map(|name| (name.clone(), world.content(&name).into())).collect()
}

fn without_leftovers(mut picture: BTreeMap<String, Vec<u8>>) -> BTreeMap<String, Vec<u8>> {
    picture.retain(|name, _| !name.ends_with(".part"));
    picture
}

fn name_of(error: &StoreError) -> (&'static str, String) {
    match error {
        StoreError::Io { action, file, .. } | StoreError::Rights { action, file, .. } => {
            (action, file.clone())
        }
        StoreError::NotPlaced { cause } => name_of(cause),
        other => panic!("{other}"),
    }
}

#[test]
fn each_refusal_at_each_call_is_named_and_the_next_run_ends_as_if_there_had_been_none() {
    let start = start();
    let before = picture(&start);
    let mut told = BTreeMap::new();
    for job in JOBS {
        let counting = FaultyStorage::new(start.clone(), Fault::Never);
        run(&counting, job).unwrap();
        let expected = picture(&counting.world());
        let opening = {
            let storage = FaultyStorage::new(start.clone(), Fault::Never);
            drop(Store::open_on(Arc::new(storage.clone()), settings()).unwrap());
            storage.calls()
        };
        for n in 1..=counting.calls() {
            for (code, trouble) in REFUSALS {
                let storage = FaultyStorage::failing(start.clone(), Fault::OnceAt(n), Some(code));
                let result = run(&storage, job);
                let call = &counting.log()[n - 1];
                let what = format!("{}, call {n} ({call}), {trouble:?}", job.0);
                if let Err(error) = &result {
                    *told.entry((job.0, format!("{trouble:?}"))).or_insert(0) += 1;
                    assert_eq!(error.trouble(), Some(trouble), "{what}: {error}");
                    let (action, file) = name_of(error);
                    let text = error.to_string();
                    assert!(!action.is_empty() && text.contains(&format!("`{file}`")), "{text}");
                    let right = matches!(trouble, Trouble::NoRight | Trouble::ReadOnly);
                    let kind = match right && n <= opening {
                        true => ErrorKind::Setup,
                        false => ErrorKind::Io,
                    };
                    assert_eq!(error.kind(), kind, "{what}");
                    let decided = matches!(error, StoreError::NotPlaced { .. });
                    let after = without_leftovers(picture(&storage.world()));
                    let intent = after.contains_key("ledger/intent.json");
                    assert!(!intent || decided, "{what}: decided, and not said");
                    // A receipt may already name the table that did not come: the old one counts.
                    let receipts = ["daily", "hours"].contains(&job.0);
                    assert!(decided || receipts || after == before, "{what}: something changed");
                }
                let next = FaultyStorage::new(storage.world(), Fault::Never);
                run(&next, job).unwrap_or_else(|error| panic!("{what}: {error}"));
                let left = without_leftovers(picture(&next.world()));
                let same = |name: &String| left.get(name) == expected.get(name);
                // Receipts name what was there before, which depends on the way.
                let differs: Vec<&String> = left
                    .keys()
                    .chain(expected.keys())
                    .filter(|name| !same(name) && !name.ends_with(".receipt.json"))
                    .collect();
                assert!(differs.is_empty(), "{what}: {differs:?}");
                let staged = next.world().file_names().into_iter();
                assert!(staged.filter(|name| name.starts_with("staging/")).count() == 0, "{what}");
            }
        }
    }
    for job in JOBS {
        for (_, trouble) in REFUSALS {
            let n = told.get(&(job.0, format!("{trouble:?}"))).copied().unwrap_or(0);
            assert!(n >= 3, "{} told {trouble:?} {n} times", job.0);
        }
    }
}

#[test]
fn where_room_is_lacking_the_need_is_told() {
    let start = start();
    let counting = FaultyStorage::new(start.clone(), Fault::Never);
    run(&counting, JOBS[0]).unwrap();
    let log = counting.log();
    let mut told = 0;
    for n in (1..=log.len()).filter(|n| log[n - 1].starts_with("write staging/day=")) {
        let storage = FaultyStorage::failing(start.clone(), Fault::OnceAt(n), Some(ENOSPC));
        let error = run(&storage, JOBS[0]).unwrap_err();
        let room = error.room().unwrap_or_else(|| panic!("{}: {error}", log[n - 1]));
        // Two days are written anew; the import itself is sixty readings.
        assert!((1_000..100_000).contains(&room.needs_bytes), "{room:?}");
        told += 1;
    }
    assert!(told >= 4, "{told}");
}

/// Somebody has a day file open: a copy by a backup program, or a notebook on a system that does
/// not replace open files.
#[test]
fn a_busy_day_file_is_waited_for_ten_seconds_and_then_left_to_the_next_run() {
    let start = start();
    let quick = FaultyStorage::failing(start.clone(), Fault::RenamesTo(".parquet", 3), Some(EBUSY));
    run(&quick, JOBS[0]).unwrap();
    assert!(quick.paused() > Duration::ZERO && quick.paused() < Duration::from_secs(1));

    for code in [EBUSY, 13] {
        let fault = Fault::RenamesTo(".parquet", usize::MAX);
        let busy = FaultyStorage::failing(start.clone(), fault, Some(code));
        let error = run(&busy, JOBS[0]).unwrap_err();
        assert!(matches!(error, StoreError::NotPlaced { .. }), "{error}");
        assert_eq!(error.kind(), ErrorKind::Io);
        assert!(error.to_string().contains(".parquet"), "{error}");
        let waited = busy.paused().as_secs_f64();
        assert!((10.0..12.0).contains(&waited), "{waited} s");
        let names = busy.world().file_names();
        assert!(names.iter().any(|name| name == "ledger/intent.json"), "{names:?}");

        let plain = FaultyStorage::new(start.clone(), Fault::Never);
        run(&plain, JOBS[0]).unwrap();
        let next = FaultyStorage::new(busy.world(), Fault::Never);
        run(&next, JOBS[0]).unwrap();
        assert!(picture(&next.world()) == picture(&plain.world()));
    }
}
