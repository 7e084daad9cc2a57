//! Damage through the program: named with the dumps that heal it, set aside, healed by a night.

use crate::support::*;
use std::path::Path;

const DAYS: [&str; 3] = ["2026-03-02", "2026-03-03", "2026-03-04"];

fn imported(site: &Path) {
    small_site(site, "");
    for day in DAYS {
        put(&site.join(format!("dumps/{day}.csv")), long_dump(day));
    }
    assert_eq!(on_site("import", site).code, Some(0));
    assert_eq!(on_site("features", site).code, Some(0));
}

fn check(site: &Path, set_aside: bool) -> Run {
    let site = site.to_string_lossy().into_owned();
    let flag = set_aside.then_some("--set-aside");
    metersift(["check-store", "--site", &site].into_iter().chain(flag))
}

fn samples(site: &Path) -> std::collections::BTreeMap<String, Vec<u8>> {
    snapshot(&site.join("store/samples"))
}

fn flip(path: &Path) {
    let mut bytes = std::fs::read(path).expect("a file");
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    std::fs::write(path, bytes).expect("written");
}

#[test]
fn any_damaged_file_of_a_day_is_named_and_healed() {
    for file in ["samples", "origin", "daily", "hours"] {
        let dir = tempfile::tempdir().expect("a folder");
        let site = dir.path();
        imported(site);
        let good = samples(site);
        let path = site.join(format!("store/{file}/day=2026-03-03/bucket=00.parquet"));
        if !path.exists() {
            panic!("there is no {}", path.display());
        }
        flip(&path);
        let told = check(site, false);
        assert_eq!(told.code, Some(4), "{file}: {}", told.stderr);
        let named = format!("damaged: {file}/day=2026-03-03/bucket=00.parquet");
        assert!(told.stderr.contains(&named), "{}", told.stderr);
        if ["samples", "origin"].contains(&file) {
            assert!(told.stderr.contains("dumps/2026-03-03.csv"), "{}", told.stderr);
        }
        let aside = check(site, true);
        assert_eq!(aside.code, Some(1), "{file}: {}", aside.stderr);
        assert!(matches!(run_night(site).code, Some(0 | 1)));
        let healed = check(site, false);
        assert_eq!(healed.code, Some(0), "{file}: {}", healed.stderr);
        assert!(samples(site) == good, "{file}: byte for byte");
    }
}

#[test]
fn an_older_ledger_that_was_put_back_is_named_and_healed() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    small_site(site, "");
    put(&site.join("dumps/a.csv"), long_dump(DAYS[0]));
    assert_eq!(on_site("import", site).code, Some(0));
    let ledger = site.join("store/ledger/ledger.jsonl");
    let older = std::fs::read(&ledger).expect("a ledger");
    let second = long_dump(DAYS[0]).replace(",998.", ",997.") + &long_dump(DAYS[1])[23..];
    put(&site.join("dumps/b.csv"), second);
    assert_eq!(on_site("import", site).code, Some(0));
    let good = samples(site);
    std::fs::write(&ledger, older).expect("put back");

    let told = check(site, false);
    assert_eq!(told.code, Some(4), "{}", told.stderr);
    for part in [
        "damaged: samples/day=2026-03-02/bucket=00.parquet",
        "`dumps/a.csv`",
        "damaged: samples/day=2026-03-03/bucket=00.parquet: a day file that the ledger does not know",
    ] {
        assert!(told.stderr.contains(part), "{part} is missing: {}", told.stderr);
    }
    let stopped = on_site("import", site);
    assert_eq!(stopped.code, Some(4), "{}", stopped.stderr);
    assert_eq!(check(site, true).code, Some(1));
    let healed = on_site("import", site);
    assert_eq!(healed.code, Some(0), "{}", healed.stderr);
    assert_eq!(check(site, false).code, Some(0));
    assert!(samples(site) == good, "byte for byte");
    assert!(snapshot(&site.join("store/set-aside")).len() >= 2, "nothing is thrown away");
}

#[test]
fn what_heals_no_night_is_told_with_what_to_do() {
    for (name, hint) in [
        ("ledger/ledger.jsonl", "backup of the whole store"),
        ("format.json", "backup of the whole store"),
        ("ledger/intent.json", "move this file away"),
    ] {
        let dir = tempfile::tempdir().expect("a folder");
        let site = dir.path();
        imported(site);
        let before = samples(site);
        std::fs::write(site.join("store").join(name), b"{\"half\":").expect("written");
        for command in ["import", "rank", "check-store"] {
            let run = on_site(command, site);
            assert_eq!(run.code, Some(4), "{name}, {command}: {}", run.stderr);
            assert!(run.stderr.contains(name) && run.stderr.contains(hint), "{}", run.stderr);
        }
        assert!(samples(site) == before);
        if name == "ledger/intent.json" {
            std::fs::remove_file(site.join("store").join(name)).expect("moved away");
            assert_eq!(check(site, false).code, Some(0));
        }
    }
}
