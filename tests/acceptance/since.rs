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
