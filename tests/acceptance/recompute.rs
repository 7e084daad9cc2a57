//! What is computed again when something changes, how many rows, and the reason that is named; and
//! the records of the invented site as features.

use crate::support::{
    JUDGED, REGISTER, Run, TAGS, ask, long_dump, on_site, put, small_site, snapshot,
};
use metersift_store::{Store, StoreSettings, bucket_of};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

const DAYS: [&str; 3] = ["2026-03-02", "2026-03-03", "2026-03-04"];

/// A meter that lies in the other bucket than FT-1.
fn elsewhere() -> String {
    let mut names = (2..).map(|n| format!("FT-{n}"));
    names.find(|name| bucket_of(name, 2) != bucket_of("FT-1", 2)).expect("there is one")
}

/// Three days of two meters in two buckets; `partner` = the first is in series with the second.
fn two_meters(dir: &Path, partner: bool) -> String {
    let other = elsewhere();
    small_site(dir, "");
    let site = std::fs::read_to_string(dir.join("site.toml")).expect("a site file");
    put(&dir.join("site.toml"), format!("{site}\n[store]\nbucket_count = 2\n"));
    put(&dir.join("records/register.csv"), register(&other, partner, "20000"));
    let own_tags = TAGS.replace("FT-1", &other);
    let own_tags = own_tags.split_once('\n').expect("a header").1;
    put(&dir.join("records/tags.csv"), format!("{TAGS}{own_tags}"));
    for day in DAYS {
        let one = long_dump(day);
        put(&dir.join(format!("dumps/{day}-1.csv")), &one);
        put(&dir.join(format!("dumps/{day}-2.csv")), one.replace("FT-1", &other));
    }
    import(dir);
    let first = on_site("features", dir);
    assert!(first.stderr.contains("recomputed 6 of 6 meter-days: 6 new"), "{}", first.stderr);
    other
}

fn register(other: &str, partner: bool, max_flow: &str) -> String {
    let (header, line) = REGISTER.trim().split_once('\n').expect("a header");
    let with = if partner { other } else { "" };
    let first = line.replace("20000", max_flow);
    format!("{header},series_with\n{first},{with}\n{},\n", line.replace("FT-1", other))
}

fn import(dir: &Path) {
    let run = on_site("import", dir);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
}

/// One more flow reading of a meter, in a dump of its own.
fn late(dir: &Path, meter: &str, time: &str) {
    let text = format!("tag,time,value,quality\n{meter}.FLOW,{time},12040.0,192\n");
    put(&dir.join("dumps/late.csv"), text);
    import(dir);
}

/// The rows that a run made, and why; a second run has nothing to do.
fn recomputed(dir: &Path, sentence: &str) -> Run {
    let run = on_site("features", dir);
    assert!(run.stderr.contains(sentence), "expected `{sentence}`: {}", run.stderr);
    let again = on_site("features", dir);
    assert!(again.stderr.contains("nothing had changed"), "{}", again.stderr);
    run
}

fn bucket_files(dir: &Path, meter: &str) -> BTreeMap<String, Vec<u8>> {
    let mut files = snapshot(&dir.join("store/daily"));
    let mine = format!("bucket={:02}.parquet", bucket_of(meter, 2));
    files.retain(|name, _| name.ends_with(&mine));
    assert_eq!(files.len(), 3, "one file a day");
    files
}

#[test]
fn a_late_sample_of_a_partner_in_another_bucket_makes_the_rows_that_looked_at_it_anew() {
    let dir = tempfile::tempdir().expect("a folder");
    let other = two_meters(dir.path(), true);
    let before = bucket_files(dir.path(), "FT-1");
    late(dir.path(), &other, "2026-03-03T10:00:30Z");
    // Both meters: the day, and the day after it, which looks at its evening.
    let run = recomputed(dir.path(), "recomputed 4 of 6 meter-days: 4 late");
    let named = "the evening before them or a partner meter: 2026-03-03 (2), 2026-03-04 (2)";
    assert!(run.stderr.contains(named), "{}", run.stderr);
    let after = bucket_files(dir.path(), "FT-1");
    let changed: Vec<bool> = before.values().zip(after.values()).map(|(a, b)| a != b).collect();
    assert_eq!(changed, [false, true, true], "the files of FT-1");
}

#[test]
fn a_late_sample_of_the_evening_makes_the_next_day_anew_and_no_other_meter() {
    let dir = tempfile::tempdir().expect("a folder");
    let other = two_meters(dir.path(), false);
    let before = bucket_files(dir.path(), "FT-1");
    late(dir.path(), &other, "2026-03-02T23:50:30Z");
    let run = recomputed(dir.path(), "recomputed 2 of 6 meter-days: 2 late");
    assert!(run.stderr.contains("2026-03-02 (1), 2026-03-03 (1)"), "{}", run.stderr);
    assert!(bucket_files(dir.path(), "FT-1") == before, "nothing that FT-1 looked at changed");
}

#[test]
fn a_line_of_the_register_makes_the_rows_of_its_meter_anew() {
    let dir = tempfile::tempdir().expect("a folder");
    let other = two_meters(dir.path(), false);
    let before = bucket_files(dir.path(), &other);
    put(&dir.path().join("records/register.csv"), register(&other, false, "11000"));
    recomputed(dir.path(), "recomputed 3 of 6 meter-days: 3 record");
    assert!(bucket_files(dir.path(), &other) == before, "the other meter's line is as it was");
    let site = dir.path().to_string_lossy();
    let run =
        crate::support::metersift(["trace", "FT-1", "hours_above_span", DAYS[1], "--site", &site]);
    // 12,000 kg/h and more are over a largest flow of 11,000 all day.
    let hours: f64 = told(&run, "stored ").parse().expect("a number");
    assert!(hours > 23.9, "{}", run.stderr);
}

/// A fail counts only when its repeat fails; the days after a record bear on it as well.
#[test]
fn checks_that_fail_twice_are_counted_once_their_rows_are_made_anew() {
    let dir = tempfile::tempdir().expect("a folder");
    two_meters(dir.path(), false);
    let header = "meter,time,outcome,quantity,position,value_pct,trigger";
    let rows = [
        "FT-1,2026-03-02T08:00:00Z,fail,stiffness,inlet,-3.1,schedule",
        "FT-1,2026-03-02T09:00:00Z,aborted,,,,manual",
        "FT-1,2026-03-03T08:00:00Z,fail,stiffness,inlet,-3.2,manual",
        "FT-1,2026-03-04T08:00:00Z,pass,stiffness,inlet,0.1,manual",
    ];
    put(&dir.path().join("records/checks.csv"), format!("{header}\n{}\n", rows.join("\n")));
    recomputed(dir.path(), "recomputed 3 of 6 meter-days: 3 record");
    let site = dir.path().to_string_lossy();
    for (feature, want) in [
        ("checks_done", ["2", "1", "1"]),
        ("checks_failed", ["1", "1", "0"]),
        ("checks_aborted", ["1", "0", "0"]),
        ("checks_repeat_failed", ["0", "1", "0"]),
    ] {
        for (day, want) in DAYS.iter().zip(want) {
            let run = crate::support::metersift(["trace", "FT-1", feature, day, "--site", &site]);
            assert_eq!(told(&run, "stored "), want, "{feature}: {}", run.stderr);
        }
    }
}

/// Tables of a program of another version are computed anew once, and say so.
#[test]
fn tables_of_a_former_program_are_made_anew_and_the_reason_is_named() {
    let dir = tempfile::tempdir().expect("a folder");
    two_meters(dir.path(), false);
    let fresh = snapshot(&dir.path().join("store/daily"));
    {
        let settings = StoreSettings { bucket_count: Some(2), ..StoreSettings::default() };
        let store = Store::open(&dir.path().join("store"), settings).expect("a store");
        for unit in store.daily_units().expect("units") {
            let key = store.daily_receipt(unit.day, unit.bucket).expect("a receipt");
            let (program, rest) = key.split_once(' ').expect("a key of parts");
            let version: u32 =
                program.strip_prefix("program=").expect("a version").parse().expect("a number");
            let table = store.read_daily(unit.day, unit.day.plus(1)).expect("a table");
            let former = format!("program={} {rest}", version - 1);
            store.write_daily(unit.day, unit.bucket, &table, &former).expect("written");
        }
    }
    recomputed(dir.path(), "recomputed 6 of 6 meter-days: 6 program");
    let again = snapshot(&dir.path().join("store/daily"));
    for (name, bytes) in fresh.iter().filter(|(name, _)| name.ends_with(".parquet")) {
        assert!(again[name] == *bytes, "{name}");
    }
}

fn told<'a>(run: &'a Run, label: &str) -> &'a str {
    let line = run.stderr.lines().find_map(|line| line.trim_start().strip_prefix(label));
    line.unwrap_or_else(|| panic!("{label} is missing: {}", run.stderr)).trim()
}

/// Rows of a record file as columns; the invented site quotes nothing.
fn record(name: &str) -> Vec<Vec<String>> {
    let path = JUDGED.site.join("records").join(name);
    let text = std::fs::read_to_string(path).expect("a record file");
    text.lines().skip(1).map(|line| line.split(',').map(str::to_string).collect()).collect()
}

/// Days that have samples, so that they have a row.
fn days() -> BTreeSet<String> {
    let names = snapshot(&JUDGED.site.join("store/daily")).into_keys();
    names.filter_map(|name| Some(name.strip_prefix("day=")?.get(..10)?.to_string())).collect()
}

fn expect(meter: &str, feature: &str, day: &str, want: usize) {
    let run = ask(&["trace", meter, feature, day]);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    assert_eq!(told(&run, "stored "), want.to_string(), "{feature}: {}", run.stderr);
}

/// The record files counted here, by their text, against the stored features.
#[test]
fn checks_aborts_repeats_and_changes_of_the_invented_site_are_counted_as_they_stand_in_its_files() {
    let days = days();
    // Outcomes by meter, day and time: rows of one time are one check.
    let mut checks: BTreeMap<(String, String), BTreeMap<String, BTreeSet<String>>> =
        BTreeMap::new();
    for row in record("checks.csv") {
        let day = row[1][..10].to_string();
        let of_day = checks.entry((row[0].clone(), day)).or_default();
        of_day.entry(row[1].clone()).or_default().insert(row[2].clone());
    }
    // The invented site's checks never end in `fail`; those are in a test of their own above.
    for outcome in ["pass", "aborted"] {
        let has = |of_day: &BTreeMap<String, BTreeSet<String>>| {
            of_day.values().filter(|outcomes| outcomes.contains(outcome)).count()
        };
        let found = checks.iter().find(|((_, day), all)| days.contains(day) && has(all) > 0);
        let ((meter, day), all) = found.unwrap_or_else(|| panic!("no check ends in {outcome}"));
        expect(meter, "checks_done", day, all.len());
        let failed = all.values().filter(|outcomes| outcomes.contains("fail")).count();
        expect(meter, "checks_failed", day, failed);
        let aborted = all.values().filter(|outcomes| outcomes.contains("aborted")).count();
        expect(meter, "checks_aborted", day, aborted);
    }
    let mut changes: BTreeMap<(String, String), usize> = BTreeMap::new();
    for row in record("changes.csv") {
        *changes.entry((row[0].clone(), row[1][..10].to_string())).or_default() += 1;
    }
    let ((meter, day), n) =
        changes.iter().find(|((_, day), _)| days.contains(day)).expect("a change");
    expect(meter, "changes_recorded", day, *n);
    // Every alert that came is the first of an episode or a repeat within one.
    let alerts = record("alerts.csv");
    let came = |row: &&Vec<String>| row[5] == "yes" && days.contains(&row[1][..10]);
    let one = alerts.iter().find(came).expect("an alert");
    let same = |row: &&Vec<String>| {
        came(row) && row[0] == one[0] && row[1][..10] == one[1][..10] && row[4] == one[4]
    };
    let feature = match one[4].as_str() {
        "F" => "alerts_failure",
        "C" => "alerts_function_check",
        "S" => "alerts_out_of_spec",
        _ => "alerts_maintenance",
    };
    let stored = |feature: &str| {
        let run = ask(&["trace", &one[0], feature, &one[1][..10]]);
        told(&run, "stored ").parse::<usize>().expect("a count")
    };
    let (episodes, repeats) = (stored(feature), stored(&format!("{feature}_repeats")));
    assert!(episodes > 0, "{feature} of {one:?}");
    assert_eq!(episodes + repeats, alerts.iter().filter(same).count(), "{feature} of {one:?}");
}
