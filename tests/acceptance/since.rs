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

/// Whether the page names a cause for our one meter, or a changed value.
fn says(page: &str, words: &str) -> bool {
    page.to_lowercase().contains(&words.to_lowercase())
}

#[test]
fn new_late_and_corrected_samples_records_and_settings_are_told_apart() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    small_site(site, "");
    put(&site.join("dumps/a.csv"), long_dump("2026-03-02"));
    let first = night(site);
    assert!(!says(&first, "New samples: 1 meters"), "a first night compares with nothing");
    let same = snapshot(&newest(site));
    night(site);
    assert!(snapshot(&newest(site)) == same, "the same night again has the same bytes");

    put(&site.join("dumps/b.csv"), long_dump("2026-03-03"));
    let new = night(site);
    assert!(says(&new, "New samples: 1 meters"), "{new}");
    assert!(!says(&new, "Late samples: 1"), "{new}");

    // A dump of a day that the last night had seen, beside tonight's.
    put(&site.join("dumps/c.csv"), long_dump("2026-03-02").replace(",998.", ",997."));
    put(&site.join("dumps/d.csv"), long_dump("2026-03-04"));
    let late = night(site);
    assert!(says(&late, "Late samples: 1 meters"), "{late}");
    assert!(says(&late, "dumps/c.csv") && !says(&late, "(dumps/d.csv"), "{late}");
    assert!(!says(&late, "New records: 1"), "{late}");

    put(&site.join("dumps/e.csv"), long_dump("2026-03-05"));
    put(
        &site.join("records/checks.csv"),
        "meter,time,outcome,quantity,position,value_pct,trigger\n\
         FT-1,2026-03-01T08:00:00Z,pass,stiffness,inlet,0.1,manual\n",
    );
    let text = std::fs::read_to_string(site.join("site.toml")).expect("a site file");
    put(&site.join("site.toml"), format!("{text}\n[rank]\nbudget = 0.3\n"));
    let changed = night(site);
    assert!(says(&changed, "New records: 1 meters"), "{changed}");
    assert!(says(&changed, "rank.budget: not set to 0.3"), "{changed}");
    assert!(!says(&changed, "Late samples: 1"), "a check of an old day is no late sample");
}
