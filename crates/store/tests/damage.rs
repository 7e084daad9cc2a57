//! Damage is noticed before a number is used, and the message says what heals it.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod common;

use common::{Dice, Dump, START, digest, files_below, import, open, rows};
use metersift_model::TimeUs;
use metersift_store::{DumpState, ErrorKind, Store, StoreError, StoreSettings, Unit};
use std::fs;
use std::path::{Path, PathBuf};

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
