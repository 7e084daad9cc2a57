//! Files that may still be growing: left whole for the next run, their last line with them.

use crate::support::*;
use std::path::Path;
use std::time::{Duration, SystemTime};

fn aged(path: &Path, age: Duration) {
    let file = std::fs::File::options().append(true).open(path).expect("a file");
    file.set_modified(SystemTime::now() - age).expect("a time stamp");
}

fn summary(run: &Run) -> &str {
    run.stderr.lines().find(|line| line.starts_with("import")).unwrap_or("")
}

fn densities(site: &Path) -> Vec<f64> {
    let store = metersift_store::Store::read(&site.join("store")).expect("a store");
    let mut all = Vec::new();
    for file in store.day_files() {
        store
            .for_each_run(file.day(), file.bucket(), &mut |run| all.extend_from_slice(run.value))
            .expect("a day");
    }
    all
}

/// `12.57` that is cut to `12.5` is a number like any other: nobody could tell afterwards.
#[test]
fn half_a_number_at_the_end_of_a_young_file_is_never_stored() {
    const REST: Duration = Duration::from_secs(3600);
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    small_site(site, "");
    let file = site.join("site.toml");
    let text = std::fs::read_to_string(&file).expect("a site file");
    put(&file, text.replace("rest_seconds = 0", &format!("rest_seconds = {}", REST.as_secs())));
    let (old, growing) = (site.join("dumps/old.csv"), site.join("dumps/growing.csv"));
    let head = "tag,time,value,quality\nFT-1.DENS,2026-03-02T00:00:00Z,12.50,192\n";
    put(&old, head);
    aged(&old, 2 * REST);
    let begun = format!("{head}FT-1.DENS,2026-03-02T00:01:00Z,12.50,192\n");
    put(&growing, begun.clone() + "FT-1.DENS,2026-03-02T00:02:00Z,12.5");

    let run = on_site("import", site);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    assert!(summary(&run).contains("1 new dump (0 known, 1 young"), "{}", run.stderr);
    let told = "dumps/growing.csv: may still be growing, left for the next run";
    assert!(run.stderr.contains(told), "{}", run.stderr);
    assert_eq!(densities(site), [12.5], "nothing of the young file");

    // It has come to rest, whole now, and without an end of line as many exports are.
    put(&growing, begun + "FT-1.DENS,2026-03-02T00:02:00Z,12.57,192");
    aged(&growing, 2 * REST);
    let run = on_site("import", site);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    assert!(summary(&run).contains("0 held back"), "{}", run.stderr);
    assert_eq!(densities(site), [12.5, 12.5, 12.57]);
}

/// A logger that appends all day has a file that never rests: its day's end is when it does.
#[test]
fn a_file_that_grew_since_it_was_imported_is_another_dump_of_which_the_new_rows_are_new() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    small_site(site, "");
    let log = site.join("dumps/log.csv");
    let row = |minute: u32| format!("FT-1.DENS,2026-03-02T00:{minute:02}:00Z,12.{minute:02},192\n");
    let mut text = String::from("tag,time,value,quality\n");
    for (n, stored) in [(10, "10 stored + 0 duplicate"), (25, "15 stored + 10 duplicate")] {
        let from = text.lines().count() as u32 - 1;
        (from..n).for_each(|minute| text.push_str(&row(minute)));
        put(&log, &text);
        let run = on_site("import", site);
        assert_eq!(run.code, Some(0), "{}", run.stderr);
        assert!(summary(&run).contains(stored), "{}", run.stderr);
    }
    assert_eq!(densities(site).len(), 25);
}
