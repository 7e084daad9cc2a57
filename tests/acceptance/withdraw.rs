//! One import undone: what stays is what would be there if that dump had never come.

use crate::support::*;
use metersift_model::Day;
use std::path::Path;

fn withdraw(site: &Path, dump: &str) -> Run {
    metersift(["withdraw", dump, "--site", &site.to_string_lossy()])
}

/// The density of a dump moved by one: the same keys with other values.
fn corrected(dump: &str) -> String {
    dump.replace(",998.", ",997.")
}

/// Two dumps as one, with one header.
fn both(first: &str, second: &str) -> String {
    first.to_string() + second.split_once('\n').expect("a header").1
}

fn dumps(site: &Path, files: &[(&str, &str)]) {
    small_site(site, "");
    for (name, text) in files {
        put(&site.join("dumps").join(name), text);
    }
}

/// Every reading of a store: day, meter, signal, time, value and quality, without the number of
/// its dump.
fn readings(site: &Path) -> Vec<(i32, String, String, i64, u64, u8)> {
    let store = metersift_store::Store::read(&site.join("store")).expect("a store");
    let mut all = Vec::new();
    for file in store.day_files() {
        let Day(day) = file.day();
        store
            .for_each_run(file.day(), file.bucket(), &mut |run| {
                for i in 0..run.time_us.len() {
                    let (meter, signal) = (run.meter.to_string(), run.signal.to_string());
                    let value = run.value[i].to_bits();
                    all.push((day, meter, signal, run.time_us[i], value, run.quality[i]));
                }
            })
            .expect("a day");
    }
    all
}

fn succeeds(command: &str, site: &Path) -> Run {
    let run = on_site(command, site);
    assert_eq!(run.code, Some(0), "{command}: {}", run.stderr);
    run
}

#[test]
fn after_a_withdrawal_the_store_is_the_one_that_never_saw_the_dump() {
    let first = both(&long_dump("2026-03-02"), &long_dump("2026-03-03"));
    let second = both(&corrected(&long_dump("2026-03-03")), &long_dump("2026-03-04"));
    let (undone, never) =
        (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder"));
    dumps(undone.path(), &[("a.csv", &first), ("b.csv", &second)]);
    dumps(never.path(), &[("a.csv", &first)]);
    for site in [undone.path(), never.path()] {
        succeeds("import", site);
        succeeds("features", site);
    }

    let run = withdraw(undone.path(), "dumps/b.csv");
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    for part in [
        // Its second day, which only it told; on the first it had corrected one signal of three.
        "4,320 readings left the store",
        "1,440 readings stand again as other dumps told them",
        "2 days touched: 2026-03-03 to 2026-03-04",
        "imports skip it",
    ] {
        assert!(run.stdout.contains(part), "{part} is missing: {}", run.stdout);
    }

    let import = succeeds("import", undone.path());
    assert!(import.stderr.contains("dumps/b.csv: withdrawn: skipped"), "{}", import.stderr);
    assert!(import.stderr.contains("0 new dumps") && import.stderr.contains("1 withdrawn"));
    assert!(!import.stderr.contains("taken again"), "{}", import.stderr);
    let features = succeeds("features", undone.path());
    assert!(features.stderr.contains(" late; from "), "{}", features.stderr);
    assert!(features.stderr.contains("1 days hold no samples any more"), "{}", features.stderr);

    for folder in ["store/samples", "store/daily"] {
        let files = |site: &Path| -> Vec<(String, Vec<u8>)> {
            // A receipt names what was there before as well, and that differs.
            let all = snapshot(&site.join(folder)).into_iter();
            all.filter(|(name, _)| name.ends_with(".parquet")).collect()
        };
        let (a, b) = (files(undone.path()), files(never.path()));
        assert_eq!(a.len(), 2, "{folder}");
        assert!(a == b, "{folder} differs from the store that never saw the dump");
    }
    succeeds("check-store", undone.path());

    let again = succeeds("import", undone.path());
    assert!(again.stderr.contains("1 withdrawn") && again.stderr.contains("no day touched"));
}

#[test]
fn what_others_told_as_well_stands_at_once_and_without_their_files() {
    let first = both(&long_dump("2026-03-02"), &long_dump("2026-03-03"));
    let second = both(&long_dump("2026-03-03"), &long_dump("2026-03-04"));
    let (undone, never) =
        (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder"));
    dumps(undone.path(), &[("a.csv", &first), ("b.csv", &second)]);
    dumps(never.path(), &[("b.csv", &second)]);
    succeeds("import", undone.path());
    succeeds("import", never.path());
    std::fs::remove_file(undone.path().join("dumps/b.csv")).expect("the dump is removed");
    let run = withdraw(undone.path(), "dumps/a.csv");
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    assert!(!run.stdout.contains("imported again"), "{}", run.stdout);
    let samples = |site: &Path| snapshot(&site.join("store/samples"));
    assert!(samples(undone.path()) == samples(never.path()), "byte for byte");
    assert_eq!(readings(undone.path()), readings(never.path()));
    succeeds("check-store", undone.path());
}

#[test]
fn what_a_withdrawn_dump_had_corrected_stands_again() {
    let first = both(&long_dump("2026-03-02"), &long_dump("2026-03-03"));
    let (wrong, right) = (corrected(&long_dump("2026-03-02")), corrected(&long_dump("2026-03-03")));
    let (undone, never) =
        (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder"));
    dumps(undone.path(), &[("a.csv", &first), ("b.csv", &wrong), ("c.csv", &right)]);
    dumps(never.path(), &[("a.csv", &first), ("c.csv", &right)]);
    succeeds("import", undone.path());
    succeeds("import", never.path());
    assert_eq!(withdraw(undone.path(), "dumps/b.csv").code, Some(0));
    assert_eq!(readings(undone.path()), readings(never.path()));
    let import = succeeds("import", undone.path());
    assert!(import.stderr.contains("no day touched"), "{}", import.stderr);
    assert_eq!(readings(undone.path()), readings(never.path()));
}

#[test]
fn a_dump_that_must_come_again_and_is_gone_is_named_until_it_comes() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    let day = long_dump("2026-03-02");
    dumps(site, &[("a.csv", &day)]);
    succeeds("import", site);
    let file = site.join("dumps/a.csv");
    std::fs::remove_file(&file).expect("the dump is removed");
    put(&site.join("store/samples/day=2026-03-02/bucket=00.parquet"), "damaged");
    let run = metersift(["check-store", "--set-aside", "--site", &site.to_string_lossy()]);
    assert_eq!(run.code, Some(1), "{}", run.stderr);
    put(&site.join("dumps/b.csv"), long_dump("2026-03-03"));
    let lacking = on_site("import", site);
    assert_eq!(lacking.code, Some(1), "{}", lacking.stderr);
    assert!(lacking.stderr.contains("dumps/a.csv: to be imported again"), "{}", lacking.stderr);
    put(&file, &day);
    succeeds("import", site);
    assert_eq!(readings(site).len(), 2 * 4320);
}

#[test]
fn an_ambiguous_name_is_refused_with_the_dumps_it_fits() {
    let dir = tempfile::tempdir().expect("a folder");
    let day = long_dump("2026-03-02");
    dumps(dir.path(), &[("a.csv", &day)]);
    succeeds("import", dir.path());
    put(&dir.path().join("dumps/a.csv"), corrected(&day));
    succeeds("import", dir.path());
    let hashes: Vec<String> = metersift_store::Store::read(&dir.path().join("store"))
        .expect("a store")
        .ledger()
        .dumps
        .iter()
        .map(|dump| dump.hash.clone())
        .collect();

    let run = withdraw(dir.path(), "dumps/a.csv");
    assert_eq!(run.code, Some(2), "{}", run.stderr);
    assert!(run.stdout.is_empty(), "{}", run.stdout);
    assert!(hashes.iter().all(|hash| run.stderr.contains(&hash[..12])), "{}", run.stderr);

    let run = withdraw(dir.path(), &hashes[1][..8]);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    let run = withdraw(dir.path(), &hashes[1]);
    assert_eq!(run.code, Some(2), "{}", run.stderr);
    assert!(run.stderr.contains("withdrawn already"), "{}", run.stderr);
    // With the other one withdrawn the name is no longer ambiguous.
    assert_eq!(withdraw(dir.path(), "dumps/a.csv").code, Some(0));
    assert!(readings(dir.path()).is_empty());
}

#[test]
fn an_unknown_dump_is_answered_with_names_like_it() {
    let dir = tempfile::tempdir().expect("a folder");
    dumps(dir.path(), &[("a.csv", &long_dump("2026-03-02"))]);
    succeeds("import", dir.path());
    let run = withdraw(dir.path(), "a.csv");
    assert_eq!(run.code, Some(2));
    assert!(run.stderr.contains("did you mean dumps/a.csv?"), "{}", run.stderr);
}

#[test]
fn a_damaged_day_that_was_set_aside_is_healed_from_its_dumps() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    dumps(site, &[("a.csv", &long_dump("2026-03-02")), ("b.csv", &long_dump("2026-03-03"))]);
    succeeds("import", site);
    let before = snapshot(&site.join("store/samples"));
    let file = site.join("store/samples/day=2026-03-02/bucket=00.parquet");
    let mut bytes = std::fs::read(&file).expect("a day file");
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    put(&file, bytes);
    let run = metersift(["check-store", "--set-aside", "--site", &site.to_string_lossy()]);
    assert_eq!(run.code, Some(1), "{}", run.stderr);
    assert!(run.stderr.contains("takes dumps/a.csv again"), "{}", run.stderr);
    succeeds("import", site);
    assert!(snapshot(&site.join("store/samples")) == before, "healed, byte for byte");
    succeeds("check-store", site);
}
