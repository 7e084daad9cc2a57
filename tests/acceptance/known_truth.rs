//! Fictional sites whose truth is known. They prove arithmetic, not usefulness: usefulness can be
//! claimed only from failures that somebody else recorded.

use crate::support::*;
use std::path::Path;

/// A site of 60 meters over ten months. Its seed was not used for tuning.
fn site(dir: &Path) {
    let plan = metersift_sim::Plan::larkmoor(60, 300, 21);
    metersift_sim::write_site(dir, &plan).expect("a site can be written");
    for command in ["import", "features"] {
        let run = on_site(command, dir);
        assert!(matches!(run.code, Some(0 | 1)), "{}", run.stderr);
    }
}

/// Average precision of a method in the printed table.
fn average_precision(text: &str, method: &str) -> f64 {
    text.lines()
        .find_map(|line| line.strip_prefix(method))
        .and_then(|rest| rest.split_whitespace().next()?.parse().ok())
        .unwrap_or_else(|| panic!("no {method} in {text}"))
}

#[test]
fn the_verdict_orders_meters_far_better_than_the_dumb_rivals() {
    let dir = tempfile::tempdir().expect("a folder");
    site(dir.path());
    let folder = dir.path().to_string_lossy().into_owned();
    let before = page(dir.path(), LATEST);
    assert!(!before.contains(OF_SITE), "a back-test that nobody made");
    let run = metersift(["backtest", "--site", &folder, "--from", "-112d", "--every", "28d"]);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    let verdict = average_precision(&run.stdout, "verdict");
    for rival in ["fixed limits", "latest check", "trend test", "control chart"] {
        let theirs = average_precision(&run.stdout, rival);
        assert!(verdict > theirs + 0.15, "{rival}:\n{}", run.stdout);
    }
    let table = dir.path().join("out/backtest/verdicts.parquet");
    let verdicts = metersift_store::read_table(&table).expect("a verdicts table").0;
    assert_eq!(verdicts.n_rows(), 5 * 60, "one row per meter and as-of date");
    the_report_shows_how_probabilities_turned_out(dir.path(), &run.stdout);
}

/// The day after the last sample, and how a page speaks of the site's own back-test.
const LATEST: &str = "2025-06-28";
const OF_SITE: &str = "this site, back-test from";

/// The page of a night, made or left as it stands.
fn page(site: &Path, as_of: &str) -> String {
    let folder = site.to_string_lossy().into_owned();
    let run = metersift(["report", "--site", &folder, "--as-of", as_of]);
    assert!(matches!(run.code, Some(0 | 1)), "{}", run.stderr);
    let page = site.join("out").join(as_of).join("report/index.html");
    std::fs::read_to_string(page).expect("a report")
}

/// The page of a night draws the back-test before it, with the scores that were printed; a date
/// before its end knows nothing of it. What the shipped calibration rests on stands there always.
fn the_report_shows_how_probabilities_turned_out(site: &Path, printed: &str) {
    let brier = printed.split("Brier ").nth(1).and_then(|rest| rest.split(' ').next());
    // Nothing else is news: the page must not stand as it was made before the back-test.
    let latest = page(site, LATEST);
    assert!(latest.contains(OF_SITE), "no back-test on the page");
    assert!(latest.contains(&format!("Brier score {}", brier.expect("a score"))), "{brier:?}");
    assert!(latest.contains("10 simulated fleets"), "no simulated fleets on the page");
    let earlier = page(site, "2025-05-01");
    assert!(!earlier.contains(OF_SITE), "the page knows what came later");
    assert!(earlier.contains("10 simulated fleets"));
}

#[test]
fn what_came_after_the_morning_changes_nothing_of_its_verdict() {
    let dir = tempfile::tempdir().expect("a folder");
    site(dir.path());
    let folder = dir.path().to_string_lossy().into_owned();
    let judge = |as_of: &str| metersift(["faults", "--site", &folder, "--as-of", as_of]);
    let evidence = dir.path().join("out/2025-04-01/evidence/observables.parquet");
    assert_eq!(judge("2025-04-01").code, Some(0));
    // As text, because a number that is not known does not equal itself.
    let rows = || format!("{:?}", metersift_store::read_table(&evidence).expect("evidence").0);
    let before = rows();

    // Take away every later dump and record, and judge the same morning again.
    let later = |path: &Path| {
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        ["2025-05", "2025-06"].iter().any(|month| name.contains(month))
    };
    for source in std::fs::read_dir(dir.path().join("dumps")).expect("dumps") {
        for dump in std::fs::read_dir(source.expect("a source").path()).expect("a source") {
            let path = dump.expect("a dump").path();
            if later(&path) {
                std::fs::remove_file(path).expect("a dump can be removed");
            }
        }
    }
    for records in ["checks", "zeros", "alerts", "changes", "findings"] {
        let path = dir.path().join(format!("records/{records}.csv"));
        let text = std::fs::read_to_string(&path).expect("records");
        let kept: Vec<&str> = text
            .lines()
            .filter(|line| !["2025-04", "2025-05", "2025-06"].iter().any(|m| line.contains(m)))
            .collect();
        put(&path, kept.join("\n") + "\n");
    }
    std::fs::remove_dir_all(dir.path().join("store")).expect("a store");
    for command in ["import", "features"] {
        assert!(matches!(on_site(command, dir.path()).code, Some(0 | 1)));
    }
    assert_eq!(judge("2025-04-01").code, Some(0));
    assert!(before == rows(), "evidence of 1 April depends on what came later");
}
