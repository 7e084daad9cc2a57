//! Damage is noticed before a number is used, and the message says what heals it.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod common;

use common::faulty::{Ending, Fault, FaultyStorage, World};
use common::{Dice, Dump, START, digest, files_below, import, open, rows};
use metersift_model::TimeUs;
use metersift_store::{DumpState, ErrorKind, Store, StoreError, StoreSettings, Unit};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

const ROOMY: u64 = 1 << 30;

fn dumps() -> Vec<Dump> {
    vec![
        Dump::new("a.csv", rows(3, START.start(), 40, 120)),
        Dump::new("b.csv", rows(4, TimeUs(START.start().0 + 30 * 3_600_000_000), 40, 120)),
    ]
}

fn sound(path: &Path) -> Store {
    let mut store = open(path, 1, ROOMY);
    import(&mut store, &dumps()).unwrap();
    store
}

fn day_file(root: &Path, day: i32) -> PathBuf {
    root.join(format!("samples/day={}/bucket=00.parquet", START.plus(day)))
}

fn read_day(store: &Store, day: i32) -> Result<usize, StoreError> {
    let mut n = 0;
    store.for_each_run(START.plus(day), 0, &mut |run| n += run.time_us.len()).map(|()| n)
}

#[test]
fn each_of_600_flipped_bits_in_a_day_file_is_noticed() {
    let folder = tempfile::tempdir().unwrap();
    let store = sound(folder.path());
    let path = day_file(folder.path(), 0);
    let good = fs::read(&path).unwrap();
    let mut dice = Dice(1);
    for _ in 0..600 {
        let bit = dice.below(good.len() as u64 * 8) as usize;
        let mut bad = good.clone();
        bad[bit / 8] ^= 1 << (bit % 8);
        fs::write(&path, &bad).unwrap();
        let mut handed_out = 0;
        let error = store.for_each_run(START, 0, &mut |_| handed_out += 1).unwrap_err();
        assert_eq!((error.kind(), handed_out), (ErrorKind::Damaged, 0), "bit {bit}");
    }
    fs::write(&path, &good).unwrap();
    assert!(read_day(&store, 0).is_ok());
}

#[test]
fn a_cut_empty_missing_or_exchanged_day_file_is_noticed_and_the_dumps_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let store = sound(folder.path());
    let (first, second) = (day_file(folder.path(), 0), day_file(folder.path(), 1));
    let (good, other) = (fs::read(&first).unwrap(), fs::read(&second).unwrap());
    let broken: [Option<Vec<u8>>; 4] =
        [Some(good[..good.len() / 2].into()), Some(Vec::new()), None, Some(other)];
    for bytes in broken {
        match &bytes {
            Some(bytes) => fs::write(&first, bytes).unwrap(),
            None => fs::remove_file(&first).unwrap(),
        }
        let error = read_day(&store, 0).unwrap_err();
        assert!(matches!(&error, StoreError::Damaged { dumps, .. } if dumps == &["a.csv"]));
        let report = store.check().unwrap();
        assert_eq!(report.problems.len(), 1);
        assert_eq!(report.problems[0].unit, Some(Unit { day: START, bucket: 0 }));
        assert_eq!(report.problems[0].dumps, ["a.csv"]);
        assert!(read_day(&store, 1).is_ok(), "the other days are still read");
    }
}

#[test]
fn an_import_into_a_damaged_day_stops_and_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = sound(folder.path());
    let path = day_file(folder.path(), 1);
    let mut bytes = fs::read(&path).unwrap();
    bytes[100] ^= 4;
    fs::write(&path, &bytes).unwrap();
    let before = files_below(folder.path(), "");
    let late = Dump::new("late.csv", rows(5, START.plus(1).start(), 1, 60));
    let error = import(&mut store, &[late]).unwrap_err();
    assert_eq!(error.kind(), ErrorKind::Damaged);
    assert!(error.to_string().contains("`a.csv`, `b.csv`"), "{error}");
    assert_eq!(before, files_below(folder.path(), ""));
}

#[test]
fn a_damaged_day_is_set_aside_and_healed_by_importing_its_dumps_again() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = sound(folder.path());
    let (good, samples) = (digest(&store), files_below(folder.path(), "samples"));
    let path = day_file(folder.path(), 1);
    let mut bytes = fs::read(&path).unwrap();
    bytes[100] ^= 4;
    fs::write(&path, &bytes).unwrap();
    let to_import = store.set_aside(&[Unit { day: START.plus(1), bucket: 0 }]).unwrap();
    assert_eq!(to_import, ["a.csv", "b.csv"]);
    let ledger = store.ledger();
    assert!(ledger.dumps.iter().all(|dump| dump.state == DumpState::ToImportAgain));
    assert!(dumps().iter().all(|dump| !ledger.holds(&dump.hash())));
    assert!(!path.exists());
    let aside = files_below(folder.path(), "set-aside");
    assert_eq!(aside.len(), 2, "nothing is thrown away: {aside:?}");
    assert!(store.check().unwrap().is_sound());
    let outcome = import(&mut store, &dumps()).unwrap();
    assert_eq!(outcome.days, [(START.plus(1), 0)]);
    assert_eq!(digest(&store), good);
    assert_eq!(files_below(folder.path(), "samples"), samples);
    assert!(store.ledger().dumps.iter().all(|dump| dump.state == DumpState::Imported));
    let report = store.check().unwrap();
    assert!(report.is_sound(), "{report:?}");
}

#[test]
fn flipped_bits_in_ledger_and_format_file_are_noticed() {
    let folder = tempfile::tempdir().unwrap();
    drop(sound(folder.path()));
    let mut dice = Dice(2);
    for name in ["ledger/ledger.jsonl", "format.json"] {
        let path = folder.path().join(name);
        let good = fs::read(&path).unwrap();
        for _ in 0..100 {
            let bit = dice.below(good.len() as u64 * 8) as usize;
            let mut bad = good.clone();
            bad[bit / 8] ^= 1 << (bit % 8);
            fs::write(&path, &bad).unwrap();
            let error = Store::open(folder.path(), StoreSettings::default()).err().unwrap();
            assert_eq!(error.kind(), ErrorKind::Damaged, "{name}, bit {bit}: {error}");
        }
        fs::write(&path, &good).unwrap();
    }
    Store::open(folder.path(), StoreSettings::default()).unwrap();
}

#[test]
fn a_lost_ledger_is_not_an_empty_store() {
    let folder = tempfile::tempdir().unwrap();
    drop(sound(folder.path()));
    fs::remove_file(folder.path().join("ledger/ledger.jsonl")).unwrap();
    for error in [
        Store::open(folder.path(), StoreSettings::default()).err().unwrap(),
        Store::read(folder.path()).err().unwrap(),
    ] {
        assert_eq!(error.kind(), ErrorKind::Damaged, "{error}");
    }
}

#[test]
fn foreign_files_are_mentioned_and_never_touched() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = sound(folder.path());
    let foreign = folder.path().join("samples/day=2026-03-07/notes.txt");
    fs::write(&foreign, "mine").unwrap();
    let report = store.check().unwrap();
    assert!(report.is_sound());
    assert_eq!(report.foreign, ["samples/day=2026-03-07/notes.txt"]);
    import(&mut store, &[Dump::new("c.csv", rows(6, START.start(), 1, 60))]).unwrap();
    assert_eq!(fs::read_to_string(foreign).unwrap(), "mine");
}

#[test]
fn a_withdrawn_dump_is_gone_and_what_only_it_had_with_it() {
    let (with, without) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let mut store = open(with.path(), 2, ROOMY);
    import(&mut store, &dumps()).unwrap();
    let hash = dumps()[1].hash();
    let withdrawal = store.withdraw(&hash).unwrap();
    assert_eq!(withdrawal.import_again, Vec::<String>::new(), "the first dump lost nothing");
    let mut plain = open(without.path(), 2, ROOMY);
    import(&mut plain, &dumps()[..1]).unwrap();
    assert_eq!(digest(&store), digest(&plain));
    assert_eq!(store.ledger().dumps[1].state, DumpState::Withdrawn);
    assert!(!store.ledger().holds(&hash));
    let report = store.check().unwrap();
    assert!(report.is_sound(), "{report:?}");
    // And it can come back.
    import(&mut store, &dumps()[1..]).unwrap();
    import(&mut plain, &dumps()[1..]).unwrap();
    assert_eq!(digest(&store), digest(&plain));
    assert!(store.check().unwrap().is_sound());
}

/// Three dumps of one shift: the second repeats ten hours of the first and corrects some of them,
/// the third corrects both.
fn overlapping() -> Vec<Dump> {
    let mut dumps = dumps();
    for row in dumps[1].rows.iter_mut().step_by(7) {
        row.value += 0.125;
    }
    let mut third = dumps[0].rows[500..900].to_vec();
    third.iter_mut().step_by(3).for_each(|row| row.value = 7.0);
    dumps.push(Dump::new("c.csv", third));
    dumps
}

#[test]
fn withdrawing_any_dump_leaves_the_bytes_of_a_store_that_never_saw_it() {
    for gone in 0..3 {
        let (with, without) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let mut store = open(with.path(), 2, ROOMY);
        import(&mut store, &overlapping()).unwrap();
        let before = files_below(with.path(), "samples");
        let withdrawal = store.withdraw(&overlapping()[gone].hash()).unwrap();
        assert_eq!(withdrawal.import_again, Vec::<String>::new());
        let mut others = overlapping();
        others.remove(gone);
        let mut never = open(without.path(), 2, ROOMY);
        import(&mut never, &others).unwrap();
        assert_eq!(
            files_below(with.path(), "samples"),
            files_below(without.path(), "samples"),
            "{gone}"
        );
        assert_eq!(store.digest().unwrap(), never.digest().unwrap());
        let report = store.check().unwrap();
        assert!(report.is_sound(), "{gone}: {report:?}");
        // Brought back, it takes its old place, although it comes last now.
        import(&mut store, &overlapping()[gone..=gone]).unwrap();
        assert_eq!(before, files_below(with.path(), "samples"), "{gone}");
        assert!(store.check().unwrap().is_sound());
    }
}

#[test]
fn a_store_from_a_newer_program_is_refused_with_both_versions() {
    let folder = tempfile::tempdir().unwrap();
    drop(sound(folder.path()));
    let path = folder.path().join("format.json");
    let text = fs::read_to_string(&path).unwrap();
    let body = text.lines().next().unwrap().replace("\"format\":2", "\"format\":3") + "\n";
    let hash = metersift_store::content_hash(body.as_bytes());
    fs::write(&path, format!("{body}{{\"hash\":\"{hash}\"}}\n")).unwrap();
    let before = files_below(folder.path(), "");
    for error in [
        Store::open(folder.path(), StoreSettings::default()).err().unwrap(),
        Store::read(folder.path()).err().unwrap(),
    ] {
        assert_eq!(error.kind(), ErrorKind::Setup);
        assert!(matches!(error, StoreError::FormatVersion { found: 3, known: 2, .. }), "{error}");
    }
    let mut after = files_below(folder.path(), "");
    after.insert("writer.json".into(), before["writer.json"].clone());
    assert_eq!(before, after);
}

#[test]
fn each_of_1600_flipped_bits_in_origin_files_is_noticed_before_a_telling_is_used() {
    let folder = tempfile::tempdir().unwrap();
    let store = sound(folder.path());
    let mut dice = Dice(3);
    for day in 0..2 {
        let samples = day_file(folder.path(), day).to_string_lossy().into_owned();
        let path = PathBuf::from(samples.replace("samples", "origin"));
        let good = fs::read(&path).unwrap();
        for _ in 0..800 {
            let bit = dice.below(good.len() as u64 * 8) as usize;
            let mut bad = good.clone();
            bad[bit / 8] ^= 1 << (bit % 8);
            fs::write(&path, &bad).unwrap();
            let mut handed_out = 0;
            let error = store
                .for_each_run_with_origin(START.plus(day), 0, &mut |_| handed_out += 1)
                .unwrap_err();
            assert_eq!((error.kind(), handed_out), (ErrorKind::Damaged, 0), "bit {bit}");
        }
        // The samples are sound and are read.
        assert!(read_day(&store, day).is_ok());
        fs::write(&path, &good).unwrap();
    }
    assert!(store.check().unwrap().is_sound());
}

/// A store whose import was decided and stopped before anything was put in its place.
fn decided() -> World {
    let settings = StoreSettings { bucket_count: Some(1), memory_bytes: ROOMY };
    let done = FaultyStorage::new(World::default(), Fault::Never);
    let mut store = Store::open_on(Arc::new(done.clone()), settings.clone()).unwrap();
    import(&mut store, &dumps()[..1]).unwrap();
    drop(store);
    let start = done.world().after(Ending::Killed);
    let run = |fault| {
        let storage = FaultyStorage::new(start.clone(), fault);
        let store = Store::open_on(Arc::new(storage.clone()), settings.clone());
        let _ = import(&mut store.unwrap(), &dumps()[1..]);
        storage
    };
    let log = run(Fault::Never).log();
    let rename = log.iter().position(|call| call.starts_with("rename staging/intent")).unwrap();
    // Its rename, the sync of its folder, and no more.
    run(Fault::KilledAt(rename + 3)).world().after(Ending::Killed)
}

fn open_world(world: World) -> (FaultyStorage, Result<Store, StoreError>) {
    let storage = FaultyStorage::new(world, Fault::Never);
    let settings = StoreSettings { bucket_count: Some(1), memory_bytes: ROOMY };
    let opened = Store::open_on(Arc::new(storage.clone()), settings);
    (storage, opened)
}

/// Every bit, and not a sample of them.
#[test]
fn each_flipped_bit_of_an_intent_is_noticed_and_nothing_is_moved_by_it() {
    let world = decided();
    let bits = world.content("ledger/intent.json").len() * 8;
    assert!(bits > 2000, "{bits} bits");
    let names = world.file_names();
    for bit in 0..bits {
        let mut broken = world.clone();
        broken.flip("ledger/intent.json", bit);
        let (storage, opened) = open_world(broken);
        let error = opened.err().unwrap_or_else(|| panic!("bit {bit} was not noticed"));
        assert_eq!(error.kind(), ErrorKind::Damaged, "bit {bit}: {error}");
        assert!(error.to_string().contains("ledger/intent.json"), "{error}");
        assert_eq!(storage.world().file_names(), names, "bit {bit}");
    }
    assert!(open_world(world).1.is_ok());
}

#[test]
fn each_of_400_flipped_bits_in_staged_files_is_noticed_before_they_are_put_in_place() {
    let world = decided();
    let staged: Vec<String> =
        world.file_names().into_iter().filter(|name| name.starts_with("staging/")).collect();
    assert!(staged.len() >= 4, "{staged:?}");
    let mut dice = Dice(4);
    for round in 0..400 {
        let name = &staged[round % staged.len()];
        let mut broken = world.clone();
        let bit = dice.below(world.content(name).len() as u64 * 8) as usize;
        broken.flip(name, bit);
        let error = open_world(broken).1.err().unwrap_or_else(|| panic!("{name}, bit {bit}"));
        assert_eq!(error.kind(), ErrorKind::Damaged, "{name}, bit {bit}: {error}");
    }
}

#[test]
fn a_cut_empty_or_missing_ledger_intent_or_format_file_is_noticed() {
    let world = decided();
    for name in ["ledger/ledger.jsonl", "ledger/intent.json", "format.json"] {
        let folder = tempfile::tempdir().unwrap();
        let write = |world: &World| {
            for name in world.file_names() {
                let path = folder.path().join(&name);
                fs::create_dir_all(path.parent().unwrap()).unwrap();
                fs::write(path, world.content(&name)).unwrap();
            }
        };
        write(&world);
        let path = folder.path().join(name);
        let good = fs::read(&path).unwrap();
        for cut in [0, 1, good.len() / 2, good.len() - 1] {
            fs::write(&path, &good[..cut]).unwrap();
            let error = Store::open(folder.path(), StoreSettings::default()).err();
            // With an intent in place the ledger is about to be replaced whole.
            if name != "ledger/ledger.jsonl" {
                assert_eq!(error.unwrap().kind(), ErrorKind::Damaged, "{name}, {cut}");
            }
            write(&world);
        }
        fs::remove_file(&path).unwrap();
        let opened = Store::open(folder.path(), StoreSettings::default());
        if name == "format.json" {
            assert_eq!(opened.err().unwrap().kind(), ErrorKind::Damaged);
            assert_eq!(Store::read(folder.path()).err().unwrap().kind(), ErrorKind::Damaged);
            assert!(!path.exists(), "no grid is guessed");
        }
    }
}

/// The ledger of the evening beside the day files of the morning.
#[test]
fn an_older_ledger_is_noticed_and_healed_and_what_it_does_not_know_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), 1, ROOMY);
    import(&mut store, &dumps()[..1]).unwrap();
    let ledger = folder.path().join("ledger/ledger.jsonl");
    let older = fs::read(&ledger).unwrap();
    import(&mut store, &dumps()[1..]).unwrap();
    let good = digest(&store);
    drop(store);
    fs::write(&ledger, older).unwrap();

    let mut store = open(folder.path(), 1, ROOMY);
    let error = read_day(&store, 1).unwrap_err();
    assert!(matches!(&error, StoreError::Damaged { dumps, .. } if dumps == &["a.csv"]), "{error}");
    let report = store.check().unwrap();
    let problem = |file: &str| report.problems.iter().find(|p| p.file == file);
    let changed = problem("samples/day=2026-03-08/bucket=00.parquet").unwrap();
    assert_eq!(changed.dumps, ["a.csv"]);
    for top in ["samples", "origin"] {
        let unknown = problem(&format!("{top}/day=2026-03-09/bucket=00.parquet")).unwrap();
        assert!(unknown.what.contains("older ledger"), "{unknown:?}");
    }
    let units: Vec<Unit> = report.problems.iter().filter_map(|p| p.unit).collect();
    let before = files_below(folder.path(), "samples");
    store
        .set_aside(
            &units
                .into_iter()
                .collect::<std::collections::BTreeSet<_>>()
                .into_iter()
                .collect::<Vec<_>>(),
        )
        .unwrap();
    assert!(store.check().unwrap().is_sound());
    let kept: Vec<String> = files_below(folder.path(), "set-aside").into_values().collect();
    for (name, hash) in before.iter().filter(|(name, _)| !name.contains("2026-03-07")) {
        assert!(kept.contains(hash), "{name} is gone");
    }
    import(&mut store, &dumps()).unwrap();
    assert_eq!(digest(&store), good);
    assert!(store.check().unwrap().is_sound());
}

#[test]
fn a_day_file_of_another_store_is_named_and_kept_when_an_import_needs_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = sound(folder.path());
    let strange = "samples/day=2026-03-20/bucket=00.parquet";
    let path = folder.path().join(strange);
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    fs::copy(day_file(folder.path(), 0), &path).unwrap();
    let report = store.check().unwrap();
    assert_eq!(report.problems.len(), 1, "{report:?}");
    assert_eq!(report.problems[0].file, strange);
    assert_eq!(read_day(&store, 13).unwrap(), 0, "nothing of it is used");
    let bytes = fs::read(&path).unwrap();
    import(&mut store, &[Dump::new("late.csv", rows(2, START.plus(13).start(), 4, 60))]).unwrap();
    assert!(store.check().unwrap().is_sound());
    assert_eq!(read_day(&store, 13).unwrap(), 2 * 3 * 240);
    let aside = fs::read_dir(folder.path().join("set-aside")).unwrap();
    let kept: Vec<PathBuf> = aside.map(|entry| entry.unwrap().path()).collect();
    assert_eq!(kept.len(), 1);
    assert!(fs::read(&kept[0]).unwrap() == bytes);
}

#[test]
fn cut_foreign_exchanged_or_missing_origin_files_are_noticed() {
    let folder = tempfile::tempdir().unwrap();
    let store = sound(folder.path());
    let path =
        |day: i32| folder.path().join(format!("origin/day={}/bucket=00.parquet", START.plus(day)));
    let (good, other) = (fs::read(path(0)).unwrap(), fs::read(path(1)).unwrap());
    let samples = fs::read(day_file(folder.path(), 0)).unwrap();
    let broken = [
        ("cut", Some(good[..good.len() / 2].to_vec())),
        ("empty", Some(Vec::new())),
        ("missing", None),
        ("of another day", Some(other)),
        ("no origin file at all", Some(samples)),
    ];
    for (what, bytes) in broken {
        match bytes {
            Some(bytes) => fs::write(path(0), bytes).unwrap(),
            None => fs::remove_file(path(0)).unwrap(),
        }
        let report = store.check().unwrap();
        assert_eq!(report.problems.len(), 1, "{what}: {report:?}");
        assert_eq!(report.problems[0].file, "origin/day=2026-03-07/bucket=00.parquet", "{what}");
        assert_eq!(report.problems[0].dumps, ["a.csv"], "{what}");
    }
}

#[test]
fn exchanged_cut_or_strange_daily_and_hourly_tables_are_noticed_and_computed_again() {
    use metersift_model::{ColumnData, Table};
    let folder = tempfile::tempdir().unwrap();
    let store = sound(folder.path());
    for day in 0..2 {
        let mut table = Table::default();
        table.push("meter", "", ColumnData::Text(vec![Some("FT-3100".into())]));
        table.push("day", "", ColumnData::Day(vec![Some(START.plus(day))]));
        table.push("x_kg", "kg", ColumnData::Number(vec![f64::from(day)]));
        store.write_daily(START.plus(day), 0, &table, "in").unwrap();
        store.write_hours(START.plus(day), 0, &table, "in").unwrap();
    }
    assert!(store.check().unwrap().is_sound());
    for top in ["daily", "hours"] {
        let at = |day: i32, end: &str| {
            folder.path().join(format!("{top}/day={}/bucket=00.{end}", START.plus(day)))
        };
        let receipt = |day: i32| match top {
            "daily" => store.daily_receipt(START.plus(day), 0),
            _ => store.hours_receipt(START.plus(day), 0),
        };
        let exchange = |ends: &[&str]| {
            for end in ends {
                let (one, two) = (fs::read(at(0, end)).unwrap(), fs::read(at(1, end)).unwrap());
                fs::write(at(0, end), two).unwrap();
                fs::write(at(1, end), one).unwrap();
            }
        };
        // The tables alone, and each with its receipt.
        for ends in [&["parquet"][..], &["parquet", "receipt.json"]] {
            exchange(ends);
            assert_eq!(store.check().unwrap().problems.len(), 2, "{top} {ends:?}");
            assert_eq!((receipt(0), receipt(1)), (None, None), "{top} {ends:?}");
            exchange(ends);
            assert!(store.check().unwrap().is_sound());
        }
        let good = fs::read(at(0, "parquet")).unwrap();
        fs::write(at(0, "parquet"), &good[..good.len() - 9]).unwrap();
        assert_eq!(store.check().unwrap().problems.len(), 1, "{top}, cut");
        assert_eq!(receipt(0), None);
        fs::write(at(0, "parquet"), &good).unwrap();
        // One more, without a receipt.
        let strange = folder.path().join(format!("{top}/day=2026-03-20/bucket=00.parquet"));
        fs::create_dir_all(strange.parent().unwrap()).unwrap();
        fs::write(&strange, &good).unwrap();
        assert_eq!(store.check().unwrap().problems.len(), 1, "{top}, one too many");
        fs::remove_file(&strange).unwrap();
        fs::remove_file(at(1, "parquet")).unwrap();
        assert_eq!(receipt(1), None, "{top}, missing: it is computed again");
        assert!(store.check().unwrap().is_sound());
    }
}
