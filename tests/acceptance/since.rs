//! What changed since the last list, and why: each cause has its own words.

use crate::support::*;
use std::path::Path;

/// The report of the newest night.
fn page(site: &Path) -> String {
    std::fs::read_to_string(newest(site).join("report/index.html")).expect("a report")
}

fn night(site: &Path) -> String {
    let run = run_night(site);
    assert!(matches!(run.code, Some(0 | 1)), "{}", run.stderr);
    page(site)
}

/// Whether the page says something, whatever its marks are.
fn says(page: &str, words: &str) -> bool {
    let mut text = String::new();
    let mut inside = false;
    for character in page.chars() {
        match character {
            '<' => inside = true,
            '>' => inside = false,
            other if !inside => text.push(other),
            _ => {}
        }
    }
    text.split_whitespace().collect::<Vec<_>>().join(" ").contains(words)
}

#[test]
fn new_late_and_corrected_samples_records_and_settings_are_told_apart() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    small_site(site, "");
    put(&site.join("dumps/a.csv"), long_dump("2026-03-02"));
    let first = night(site);
    assert!(says(&first, "nothing to compare with"), "{first}");
    let same = snapshot(&newest(site));
    night(site);
    assert!(snapshot(&newest(site)) == same, "the same night again has the same bytes");

    put(&site.join("dumps/b.csv"), long_dump("2026-03-03"));
    let new = night(site);
    assert!(says(&new, "new samples of 1 meter;"), "{new}");
    assert!(says(&new, "late samples of 0 meters"), "{new}");

    // A dump of a day that the last night had seen, beside tonight's.
    put(&site.join("dumps/c.csv"), long_dump("2026-03-02").replace(",998.", ",997."));
    put(&site.join("dumps/d.csv"), long_dump("2026-03-04"));
    let late = night(site);
    assert!(says(&late, "late samples of 1 meter (dumps/c.csv came in since"), "{late}");
    assert!(says(&late, "new records of 0 meters"), "{late}");

    put(&site.join("dumps/e.csv"), long_dump("2026-03-05"));
    put(
        &site.join("records/checks.csv"),
        "meter,time,outcome,quantity,position,value_pct,trigger\n\
         FT-1,2026-03-01T08:00:00Z,pass,stiffness,inlet,0.1,manual\n",
    );
    let text = std::fs::read_to_string(site.join("site.toml")).expect("a site file");
    put(&site.join("site.toml"), format!("{text}\n[rank]\nbudget = 0.3\n"));
    let changed = night(site);
    assert!(says(&changed, "new records of 1 meter"), "{changed}");
    assert!(says(&changed, "rank.budget: not set to 0.3"), "{changed}");
    assert!(says(&changed, "late samples of 0 meters"), "a check of an old day is no late sample");
}

#[test]
fn a_source_that_stopped_and_a_meter_long_unjudged_are_entries() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    small_site(site, "");
    let text = std::fs::read_to_string(site.join("site.toml")).expect("a site file");
    let second = text.replace("dumps/*", "dumps/dock-*").replace("\"long\"", "\"dock\"");
    let second = second.split_once("[[sources]]").expect("a source").1;
    let text = text.replace("dumps/*", "dumps/mill-*");
    put(&site.join("site.toml"), format!("{text}\n[[sources]]{second}"));
    put(&site.join("dumps/dock-1.csv"), long_dump("2026-03-01"));
    put(&site.join("dumps/mill-1.csv"), long_dump("2026-03-02"));
    night(site);
    assert!(!listed(site).contains(&"source dock".to_string()), "a day is no silence");
    put(&site.join("dumps/mill-2.csv"), long_dump("2026-04-09"));
    night(site);
    let names = listed(site);
    assert!(names.contains(&"source dock".to_string()), "{names:?}");
    // Thirty-eight days without a verdict on the only meter: too little data to judge it.
    assert!(names.contains(&"FT-1".to_string()), "{names:?}");
}

/// Meters on the list `mend_data` of the newest night.
fn listed(site: &Path) -> Vec<String> {
    let text =
        std::fs::read_to_string(newest(site).join("lists/watch-list.jsonl")).expect("a list");
    let entries =
        text.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).expect("JSON"));
    let mend =
        entries.filter(|entry| entry["list"] == "mend_data" && entry["rank"].as_u64() > Some(0));
    mend.filter_map(|entry| entry["meter"].as_str().map(String::from)).collect()
}

/// Two meters, and dumps that hold one of them or both.
fn two_meters(site: &Path) {
    small_site(site, "");
    let second = |text: &str| text.replace("FT-1", "FT-2");
    let register = REGISTER.split_once('\n').expect("a header").1;
    put(&site.join("records/register.csv"), format!("{REGISTER}{}", second(register)));
    let tags = TAGS.split_once('\n').expect("a header").1;
    put(&site.join("records/tags.csv"), format!("{TAGS}{}", second(tags)));
}

fn of_both(day: &str) -> String {
    let one = long_dump(day);
    let rows = one.split_once('\n').expect("a header").1.replace("FT-1", "FT-2");
    one + &rows
}

#[test]
fn late_samples_are_put_down_to_the_meters_that_they_are_of() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    two_meters(site);
    put(&site.join("dumps/a.csv"), of_both("2026-03-02"));
    night(site);
    // Each late dump corrects one meter; after thirty-eight silent days both are new entries.
    let late = long_dump("2026-03-02").replace(",998.", ",997.");
    put(&site.join("dumps/c.csv"), &late);
    put(&site.join("dumps/d.csv"), late.replace("FT-1", "FT-2"));
    put(&site.join("dumps/e.csv"), of_both("2026-04-09"));
    let page = night(site);
    assert!(says(&page, "late samples of 2 meters (dumps/c.csv came in since"), "{page}");
    let because = because(site);
    assert!(because["FT-1"].contains("c.csv") && !because["FT-1"].contains("d.csv"), "{because:?}");
    assert!(because["FT-2"].contains("d.csv") && !because["FT-2"].contains("c.csv"), "{because:?}");

    // One that is taken out again has left no samples: its absence is told at its meter alone.
    let run = metersift(["withdraw", "dumps/d.csv", "--site", &site.to_string_lossy()]);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    put(&site.join("dumps/f.csv"), of_both("2026-04-10"));
    let page = night(site);
    assert!(says(&page, "late samples of 1 meter (dumps/d.csv was withdrawn"), "{page}");
}

/// Why each entry of the newest night changed, by meter.
fn because(site: &Path) -> std::collections::BTreeMap<String, String> {
    let text =
        std::fs::read_to_string(newest(site).join("lists/watch-list.jsonl")).expect("a list");
    let entries =
        text.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).expect("JSON"));
    let text = |entry: &serde_json::Value, key: &str| entry[key].as_str().unwrap_or("").to_string();
    entries.map(|entry| (text(&entry, "meter"), text(&entry, "changed_because"))).collect()
}

#[test]
fn an_old_date_that_is_run_again_gives_that_dates_results() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    small_site(site, "");
    put(&site.join("dumps/a.csv"), long_dump("2026-03-02"));
    night(site);
    let (folder, then) = (newest(site), snapshot(&newest(site)));
    let stranger = "FT-9.FLOW,2026-03-03T00:00:00Z,1,192\n";
    put(&site.join("dumps/b.csv"), long_dump("2026-03-03") + stranger);
    put(&site.join("dumps/c.csv"), long_dump("2026-03-04"));
    put(
        &site.join("records/checks.csv"),
        "meter,time,outcome,quantity,position,value_pct,trigger\n\
         FT-1,2026-03-03T08:00:00Z,pass,stiffness,inlet,0.1,manual\n",
    );
    night(site);
    let run = metersift(["report", "--as-of", "2026-03-03", "--site", &site.to_string_lossy()]);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    let again = snapshot(&folder);
    assert_eq!(again.keys().collect::<Vec<_>>(), then.keys().collect::<Vec<_>>());
    for (file, bytes) in &then {
        assert!(again[file] == *bytes, "{file} is another now");
    }
}

#[test]
fn tags_and_sources_that_never_came_are_entries() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    small_site(site, "");
    put(
        &site.join("records/tags.csv"),
        format!(
            "{TAGS}FT-1.FREQ,FT-1,tube_frequency,Hz,,\nFT-1.OLD,FT-1,pressure,kPa,,2025-01-01\n"
        ),
    );
    let text = std::fs::read_to_string(site.join("site.toml")).expect("a site file");
    put(
        &site.join("site.toml"),
        text + "\n[[sources]]\nname = \"dock\"\nfiles = [\"dumps/dock/*\"]\n",
    );
    put(&site.join("dumps/a.csv"), long_dump("2026-03-02"));
    night(site);
    let names = listed(site);
    assert!(names.contains(&"source dock".to_string()), "{names:?}");
    assert!(
        !names.iter().any(|name| name.starts_with("tags of")),
        "a day is no silence: {names:?}"
    );
    for day in 3..=5 {
        put(&site.join(format!("dumps/{day}.csv")), long_dump(&format!("2026-03-0{day}")));
    }
    let page = night(site);
    assert!(listed(site).contains(&"tags of tube frequency".to_string()), "{:?}", listed(site));
    assert!(says(&page, "FT-1 tube frequency (FT-1.FREQ)"), "{page}");
    assert!(says(&page, "dock: no sample has ever come"), "{page}");
    assert!(!says(&page, "FT-1.OLD"), "not in force any more");

    let header = "tag,time,value,quality\n";
    put(&site.join("dumps/freq.csv"), format!("{header}FT-1.FREQ,2026-03-05T12:00:00Z,120,192\n"));
    night(site);
    assert!(!listed(site).contains(&"tags of tube frequency".to_string()), "one sample is a sign");
}
