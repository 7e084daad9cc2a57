//! Real processes, really killed: the lock is free at once, and the next run ends as if nothing
//! had happened.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod common;

use common::{Dump, START, files_below, import, open, rows};
use metersift_model::TimeUs;
use metersift_store::{Store, StoreError, StoreSettings};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

/// Set in the process that is to be killed: the store's folder.
const VICTIM: &str = "METERSIFT_TEST_STORE";
/// So little that the import spills.
const TIGHT: u64 = 2_000_000;

fn dumps() -> Vec<Dump> {
    (0..4)
        .map(|i| {
            let from = TimeUs(START.start().0 + i * 12 * 3_600_000_000);
            Dump::new(&format!("{i}.csv"), rows(12, from, 16, 60))
        })
        .collect()
}

fn nightly_run(path: &Path) {
    let mut store = open(path, 2, TIGHT);
    let ledger = store.ledger();
    let missing: Vec<Dump> =
        dumps().into_iter().filter(|dump| !ledger.holds(&dump.hash())).collect();
    if !missing.is_empty() {
        import(&mut store, &missing).unwrap();
    }
}

fn start_victim(test: &str, path: &Path) -> Child {
    Command::new(std::env::current_exe().unwrap())
        .args(["--exact", test])
        .env(VICTIM, path)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

fn victims_store() -> Option<std::path::PathBuf> {
    std::env::var_os(VICTIM).map(Into::into)
}

#[test]
fn the_lock_dies_with_its_process() {
    if let Some(path) = victims_store() {
        let _store = open(&path, 1, TIGHT);
        sleep(Duration::from_secs(60));
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let mut victim = start_victim("the_lock_dies_with_its_process", folder.path());
    let begin = Instant::now();
    // Not by trying the lock: the victim would find it taken by us.
    while !folder.path().join("writer.json").exists() {
        assert!(begin.elapsed() < Duration::from_secs(30), "the victim never opened the store");
        sleep(Duration::from_millis(5));
    }
    sleep(Duration::from_millis(50));
    let holder = match Store::open(folder.path(), StoreSettings::default()) {
        Err(StoreError::InUse { holder, .. }) => holder,
        Err(error) => panic!("{error}"),
        Ok(_) => panic!("two writers"),
    };
    assert_eq!(holder.pid, victim.id());
    assert!(holder.since_us > 0 && !holder.host.is_empty());
    victim.kill().unwrap();
    victim.wait().unwrap();
    Store::open(folder.path(), StoreSettings::default()).unwrap();
}

#[test]
fn an_import_killed_at_a_random_moment_loses_and_doubles_nothing() {
    if let Some(path) = victims_store() {
        nightly_run(&path);
        return;
    }
    let name = "an_import_killed_at_a_random_moment_loses_and_doubles_nothing";
    let whole = tempfile::tempdir().unwrap();
    let begin = Instant::now();
    assert!(start_victim(name, whole.path()).wait().unwrap().success());
    let full_run = begin.elapsed();
    let expected = files_below(whole.path(), "");
    let mut dice = common::Dice(5);
    let mut interrupted = 0;
    for round in 0..40u32 {
        let folder = tempfile::tempdir().unwrap();
        for _ in 0..=dice.below(3) {
            let mut victim = start_victim(name, folder.path());
            sleep(full_run.mul_f64(dice.below(1000) as f64 / 900.0));
            victim.kill().unwrap();
            victim.wait().unwrap();
        }
        interrupted += u32::from(folder.path().join("staging").exists());
        nightly_run(folder.path());
        let mut left = files_below(folder.path(), "");
        let mut expected = expected.clone();
        // Who held the lock last is no part of the content.
        left.remove("writer.json");
        expected.remove("writer.json");
        assert_eq!(left, expected, "round {round}");
    }
    eprintln!("{interrupted} of 40 were killed while files were staged");
}
