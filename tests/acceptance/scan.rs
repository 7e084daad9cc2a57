//! What `scan` says of a folder of dumps, and that the site it writes runs.

use crate::support::*;
use std::fmt::Write as _;

/// A wide dump with a row of units, semicolons and decimal commas.
fn wide_dump() -> String {
    let mut text = String::from("Time;FT-2.FLOW;FT-2.DENS\n;kg/h;kg/m3\n");
    for minute in 0..600 {
        let _ = writeln!(
            text,
            "2026-03-02T{:02}:{:02}:00Z;1200,{};998,{}",
            minute / 60,
            minute % 60,
            minute % 10,
            minute % 7
        );
    }
    text
}

const AMBIGUOUS: &str =
    "tag;time;value\nFT-3.FLOW;03/04/2026 00:15;12.5\nFT-3.FLOW;03/04/2026 00:30;13.5\n";

fn exports(dir: &std::path::Path) {
    put(&dir.join("exports/mill-2026-03-02.csv"), long_dump("2026-03-02"));
    put(&dir.join("exports/mill-2026-03-03.csv.gz"), gzip(long_dump("2026-03-03").as_bytes()));
    put(&dir.join("exports/mill-2026-03-04.csv"), long_dump("2026-03-04"));
    put(&dir.join("exports/tower/tower.txt"), wide_dump());
    put(&dir.join("exports/tower/old.txt"), AMBIGUOUS);
    put(&dir.join("exports/tower/new.txt.part"), "half");
}

fn scan(dir: &std::path::Path) -> Run {
    let (exports, plant) = (dir.join("exports"), dir.join("plant"));
    let (exports, plant) = (exports.to_string_lossy(), plant.to_string_lossy());
    metersift(["scan", &exports, "--zone", "UTC", "--write-site", &plant])
}

#[test]
fn scan_says_what_each_dump_is_what_it_costs_and_which_lines_settle_it() {
    let dir = tempfile::tempdir().expect("a folder");
    exports(dir.path());
    let run = scan(dir.path());
    assert_eq!(run.code, Some(1), "one is refused: {}", run.stderr);
    for part in [
        "4,321 lines, 4,320 readings, 1 day to touch",
        "quality cells    `192` 4,320",
        "602 lines, 1,200 readings, 1 day to touch",
        "unit_rows        1",
        "units: kg/h, kg/m3",
        "from 2026-03-02T00:00:00Z to 2026-03-02T09:59:00Z, 2 tags",
        "date_order = \"day-month\"   # or \"month-day\"",
        "5 files scanned, 1 refused, 1 passed over as not complete",
    ] {
        assert!(run.stdout.contains(part), "`{part}` is missing:\n{}", run.stdout);
    }
}

#[test]
fn the_site_that_scan_writes_runs_once_its_drafts_are_filled() {
    let dir = tempfile::tempdir().expect("a folder");
    exports(dir.path());
    scan(dir.path());
    let plant = dir.path().join("plant");
    let read = |name: &str| std::fs::read_to_string(plant.join(name)).expect("written");
    let site = read("site.toml");
    assert_eq!(site.matches("\n[[sources]]").count(), 2, "{site}");
    assert!(
        site.contains("files = [\"../exports/mill*.csv\", \"../exports/mill*.csv.gz\"]"),
        "{site}"
    );
    assert!(site.contains("files = [\"../exports/tower/tower*.txt\"]"), "{site}");
    // The refused dump: taking the marks away makes it a source that says what must be said.
    let start = site.find("# # refused").expect("a block");
    let lines = site[start..].lines().map(|line| line.strip_prefix("# ").unwrap_or(line));
    let block = lines.collect::<Vec<_>>().join("\n");
    let told = format!("{}{block}\n", &site[..start]);
    let told: toml::Table = told.parse().expect("still a site file");
    assert_eq!(told["sources"].as_array().map(Vec::len), Some(3));

    let tags = read("records/tags.csv");
    assert!(tags.contains("FT-1.FLOW,FT-1,mass_flow,,,"), "{tags}");
    assert!(tags.contains("FT-2.FLOW,FT-2,mass_flow,kg/h,,"), "{tags}");
    let unfilled = on_site("import", &plant);
    assert_eq!(unfilled.code, Some(2), "{}", unfilled.stderr);
    assert!(unfilled.stderr.contains("tags.csv, line"), "{}", unfilled.stderr);
    assert!(!plant.join("store").exists(), "a run that could not start leaves no store");

    let filled = tags
        .replace("mass_flow,,", "mass_flow,kg/h,")
        .replace("density,,", "density,kg/m3,")
        .replace("drive_gain,,", "drive_gain,%,")
        // The refused dump could not tell its tag.
        + "FT-3.FLOW,FT-3,mass_flow,kg/h,,\n";
    put(&plant.join("records/tags.csv"), filled);
    let register = read("records/register.csv");
    assert!(register.contains("\nFT-1,") && register.contains("\nFT-2,"), "{register}");
    let cells = ",water,main,50,20000,1,0.1,3,no,90,2020-01-01\n";
    put(
        &plant.join("records/register.csv"),
        register.replace(",,,,,,,,,,\n", cells) + "FT-3" + cells,
    );
    put(
        &plant.join("site.toml"),
        format!("{told}").replace("rest_seconds = 60", "rest_seconds = 0"),
    );
    let run = run_night(&plant);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    let store = metersift_store::Store::read(&plant.join("store")).expect("a store");
    assert_eq!(store.ledger().rows(), 3 * 4320 + 1200 + 2, "{}", run.stderr);
}

#[test]
fn a_header_that_takes_over_is_told_and_no_failure() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    let first = "time,FT-1.FLOW,FT-1.DENS\n2026-03-02T00:00:00Z,12000,998\n";
    let second = "time,FT-1.DENS,FT-1.DRIVE,FT-1.FLOW\n2026-03-02T00:01:00Z,999,11,12001\n";
    put(&dir.path().join("dumps/a.csv"), format!("{first}{second}"));
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    let told = "another header takes over in line 3; new: FT-1.DRIVE; gone: nothing";
    assert!(run.stderr.contains(told), "{}", run.stderr);
    assert!(run.stderr.contains("1 new dump ("), "{}", run.stderr);
    assert!(run.stderr.contains("5 rows in = 5 stored"), "{}", run.stderr);
}

#[test]
fn a_second_table_is_refused_with_its_line_and_leaves_no_store() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    let tables = "time,FT-1.FLOW\n2026-03-02T00:00:00Z,12000\n\ntime,shift\nnight,quiet\n";
    let long = "tag,time,value\nFT-1.FLOW,2026-03-02T00:00:00Z,1\ntime,crew\nnight,2\n";
    put(&dir.path().join("dumps/a.csv"), long);
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(2), "{}", run.stderr);
    assert!(
        run.stderr.contains("line 3") && run.stderr.contains("split the file"),
        "{}",
        run.stderr
    );
    assert!(!dir.path().join("store").exists(), "nothing was stored");
    put(&dir.path().join("dumps/a.csv"), tables);
    let run = on_site("import", dir.path());
    assert_ne!(run.code, Some(101), "{}", run.stderr);
}
