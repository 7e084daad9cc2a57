//! Whole nights on a small invented site.

use crate::support::*;
use std::path::Path;

fn simulate(dir: &Path, days: u32) {
    let mut plan = metersift_sim::Plan::larkmoor(24, 150, 3);
    plan.days = days;
    plan.horizon_days = 150;
    plan.daily_from = 140;
    metersift_sim::write_site(dir, &plan).expect("a site can be written");
}

fn night(dir: &Path, threads: &str) -> Run {
    metersift([
        "run",
        &nightly().to_string_lossy(),
        "--site",
        &dir.to_string_lossy(),
        "--threads",
        threads,
    ])
}

#[test]
fn a_night_gives_the_same_bytes_at_one_and_two_threads() {
    let (one, two) =
        (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder"));
    simulate(one.path(), 150);
    simulate(two.path(), 150);
    let runs = [night(one.path(), "1"), night(two.path(), "2")];
    for run in &runs {
        assert!(matches!(run.code, Some(0 | 1)), "{}", run.stderr);
    }
    for folder in ["out", "store/samples", "store/daily", "store/rejects"] {
        let (a, b) = (snapshot(&one.path().join(folder)), snapshot(&two.path().join(folder)));
        assert!(!a.is_empty() || folder == "store/rejects", "{folder} is empty");
        assert_eq!(a.keys().collect::<Vec<_>>(), b.keys().collect::<Vec<_>>(), "files in {folder}");
        for (name, bytes) in &a {
            assert!(b[name] == *bytes, "{folder}/{name} differs between thread counts");
        }
    }
}

#[test]
fn a_second_night_recomputes_only_what_the_new_day_touched() {
    let dir = tempfile::tempdir().expect("a folder");
    simulate(dir.path(), 149);
    let first = night(dir.path(), "2");
    assert!(matches!(first.code, Some(0 | 1)), "{}", first.stderr);

    let idle = night(dir.path(), "2");
    assert!(idle.stderr.contains("recomputed 0 of"), "{}", idle.stderr);
    assert!(idle.stderr.contains("0 new dumps"), "{}", idle.stderr);

    let before = snapshot(&dir.path().join("store/samples"));
    simulate(dir.path(), 150);
    let second = night(dir.path(), "2");
    assert!(matches!(second.code, Some(0 | 1)), "{}", second.stderr);
    let computed = second
        .stderr
        .lines()
        .find_map(|line| line.strip_prefix("features  recomputed "))
        .and_then(|rest| rest.split(' ').next()?.replace(',', "").parse::<usize>().ok())
        .expect("the features line says how many meter-days");
    // The new day, its neighbour (dumps in local time cross midnight UTC), the day after a late
    // one, and rows whose records the longer plan may have added to.
    assert!(second.stderr.contains(" new"), "{}", second.stderr);
    assert!((1..=4 * 24).contains(&computed), "{computed} meter-days\n{}", second.stderr);
    let after = snapshot(&dir.path().join("store/samples"));
    let changed = after.iter().filter(|(name, bytes)| before.get(*name) != Some(bytes)).count();
    assert!((1..=3).contains(&changed), "{changed} day files changed");
}

#[test]
fn every_output_of_a_night_is_there_and_says_where_it_came_from() {
    let dir = tempfile::tempdir().expect("a folder");
    simulate(dir.path(), 150);
    let run = night(dir.path(), "2");
    assert!(matches!(run.code, Some(0 | 1)), "{}", run.stderr);
    let latest = std::fs::read_to_string(dir.path().join("out/latest")).expect("out/latest");
    let out = dir.path().join("out").join(latest.trim());
    for file in [
        "run.json",
        "evidence/verdicts.parquet",
        "evidence/observables.parquet",
        "lists/watch-list.csv",
        "lists/watch-list-semicolon.csv",
        "lists/watch-list.jsonl",
        "lists/watch-list.parquet",
        "lists/watch-list.xlsx",
        "report/index.html",
    ] {
        assert!(out.join(file).exists(), "{file} is missing");
    }
    let card = std::fs::read_to_string(out.join("run.json")).expect("a run card");
    let run_id =
        card.split("\"run\": \"").nth(1).and_then(|rest| rest.split('"').next()).expect("a run id");
    let page = std::fs::read_to_string(out.join("report/index.html")).expect("a report");
    assert!(page.contains(run_id), "the report names its run");
    for word in ["http://", "https://", "<script"] {
        // The SVG name space is an identifier, not a place that is visited.
        let without = page.replace("http://www.w3.org/2000/svg", "");
        assert!(!without.contains(word), "the report holds {word}");
    }
    for word in ["healthy", "certified", " safe "] {
        assert!(!page.to_lowercase().contains(word), "the report says {word}");
    }
    let verdicts =
        metersift_store::read_table(&out.join("evidence/verdicts.parquet")).expect("a table").0;
    let names: Vec<&str> = verdicts.columns.iter().map(|column| column.name.as_str()).collect();
    assert_eq!(
        names,
        [
            "as_of",
            "meter",
            "service",
            "stream",
            "state",
            "list",
            "rank",
            "mode",
            "probability",
            "fault_score",
            "p_no_change",
            "p_process",
            "p_data",
            "p_coating",
            "p_erosion",
            "p_two_phase",
            "p_zero_drift",
            "p_electrical",
            "p_damage",
            "p_unknown",
            "severity",
            "severity_low",
            "severity_high",
            "severity_unit",
            "days_left",
            "days_left_low",
            "days_left_high",
            "group",
            "blind",
            "reason",
            "raw_fault_score",
            "calibrated",
            "limit",
            "limit_unit",
            "limit_reason",
        ]
    );
    assert_eq!(verdicts.n_rows(), 24, "every meter of the register has a row");

    // An earlier part written again leaves the later ones of the same run in place.
    assert_eq!(on_site("rank", dir.path()).code, Some(0));
    assert!(out.join("report/index.html").exists(), "`rank` took the report away");
}

#[test]
fn explain_speaks_of_listed_and_of_quiet_meters_and_refuses_unknown_ones() {
    let dir = tempfile::tempdir().expect("a folder");
    simulate(dir.path(), 150);
    assert!(matches!(night(dir.path(), "2").code, Some(0 | 1)));
    let register =
        std::fs::read_to_string(dir.path().join("records/register.csv")).expect("a register");
    for line in register.lines().skip(1).take(5) {
        let meter = line.split(',').next().expect("a meter");
        let run = metersift(["explain", meter, "--site", &dir.path().to_string_lossy()]);
        assert_eq!(run.code, Some(0), "{meter}: {}", run.stderr);
        assert!(run.stdout.starts_with(meter), "{}", run.stdout);
        assert!(run.stdout.contains("approve nothing"), "{}", run.stdout);
    }
    let run = metersift(["explain", "NO-SUCH", "--site", &dir.path().to_string_lossy()]);
    assert_eq!(run.code, Some(2));
    assert!(run.stderr.contains("NO-SUCH"), "{}", run.stderr);
}

#[test]
fn two_runs_at_once_leave_one_writer() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    assert_eq!(on_site("import", dir.path()).code, Some(0));
    let held = metersift_store::Store::open(&dir.path().join("store"), Default::default())
        .expect("a store");
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(3), "{}", run.stderr);
    assert!(run.stderr.contains("in use"), "{}", run.stderr);
    drop(held);
    assert_eq!(on_site("import", dir.path()).code, Some(0), "free again without any clean-up");
}
