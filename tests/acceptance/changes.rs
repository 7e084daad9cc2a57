//! Why an entry changed, as the report and the lists tell it of that entry.

use crate::support::*;
use std::path::Path;

/// The last check is a year old, and the register asks for one each 90 days.
const CHECKS: &str = "meter,time,outcome,quantity,position,value_pct,trigger\n\
    FT-1,2025-03-05T10:00:00Z,pass,stiffness,whole,0.0,schedule\n";

fn output(site: &Path, part: &str) -> String {
    let latest = std::fs::read_to_string(site.join("out/latest")).expect("out/latest");
    let path = site.join("out").join(latest.trim()).join(part);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn night(site: &Path) {
    let run = run_night(site);
    assert!(matches!(run.code, Some(0 | 1)), "{}", run.stderr);
}

/// A page without its tags, so that words stand as they are read.
fn words(page: &str) -> String {
    let body = page.split("</style>").last().unwrap_or_default();
    let pieces = body.split('<').map(|piece| piece.split_once('>').map_or(piece, |(_, text)| text));
    pieces.collect()
}

/// Three nights of one meter whose check interval has long passed: it is listed on each.
fn three_days(dir: &Path) {
    small_site(dir, "");
    put(&dir.join("records/checks.csv"), CHECKS);
    for day in ["2026-03-02", "2026-03-03", "2026-03-04"] {
        put(&dir.join(format!("dumps/{day}.csv")), long_dump(day));
    }
    night(dir);
}

#[test]
fn an_entry_that_went_has_its_reasons_in_the_report_and_in_every_list_file() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    three_days(site);
    assert!(words(&output(site, "report/index.html")).contains("First lists of this site"));

    put(&site.join("dumps/2026-03-05.csv"), long_dump("2026-03-05"));
    night(site);
    let page = words(&output(site, "report/index.html"));
    assert!(
        page.contains("new samples of 1 meter; late samples of 0 meters; new records of 0"),
        "{page}"
    );
    assert!(page.contains("changed settings: none; changed program: no."), "{page}");

    // A day that was looked at reads otherwise, a check came, a setting was turned.
    put(&site.join("dumps/mended.csv"), long_dump("2026-03-03").replace(",12000.0,", ",12400.0,"));
    put(&site.join("dumps/2026-03-06.csv"), long_dump("2026-03-06"));
    let checks = format!("{CHECKS}FT-1,2026-03-05T10:00:00Z,pass,stiffness,whole,0.1,manual\n");
    put(&site.join("records/checks.csv"), checks);
    let file = std::fs::read_to_string(site.join("site.toml")).expect("a site file");
    put(&site.join("site.toml"), file.replace("Larkmoor test bench", "Larkmoor bench"));
    night(site);
    let page = words(&output(site, "report/index.html"));
    assert!(page.contains("late samples of 1 meter (dumps/mended.csv came in since"), "{page}");
    assert!(page.contains("rows of 2026-03-03"), "{page}");
    assert!(page.contains("new records of 1 meter"), "{page}");
    assert!(
        page.contains("name: &quot;Larkmoor test bench&quot; to &quot;Larkmoor bench&quot;"),
        "{page}"
    );
    // The check ended the entry: gone, with the reasons beside it, in every list file.
    let list = output(site, "lists/watch-list.jsonl");
    let gone = list
        .lines()
        .find(|line| line.contains("\"change\":\"gone\""))
        .unwrap_or_else(|| panic!("{list}"));
    for word in ["new samples", "late samples (dumps/mended.csv", "new record", "changed setting"] {
        assert!(gone.contains(word), "{word}: {gone}");
    }
    assert!(gone.contains("\"rank_before\":1"), "{gone}");
}
