//! A night without news leaves the results as they are, and anything that they hang on, or a touch
//! of theirs, has them made anew.

use crate::support::*;
use std::path::{Path, PathBuf};

const STANDS: &str = "hangs on: it stands as it was made";

fn night(site: &Path) -> String {
    let run = run_night(site);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    run.stderr
}

fn add(path: &Path, text: &str) {
    let before = std::fs::read_to_string(path).unwrap_or_default();
    put(path, before + text);
}

#[test]
fn a_night_without_news_leaves_the_results_and_any_change_has_them_made_anew() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    small_site(site, "");
    put(&site.join("dumps/a.csv"), long_dump("2026-03-02"));
    let out = site.join("out/2026-03-03");
    assert!(!night(site).contains(STANDS));
    let made = snapshot(&out);
    let told = night(site);
    assert!(
        told.contains("none that out/2026-03-03 hangs on") && !told.contains("judged"),
        "{told}"
    );
    assert!(snapshot(&out) == made);

    let in_site = |name: &str| -> PathBuf { site.join(name) };
    type Change<'a> = (&'a str, Box<dyn Fn() + 'a>, bool);
    let changes: Vec<Change<'_>> = vec![
        ("a list", Box::new(|| add(&out.join("lists/watch-list.csv"), "x\n")), true),
        (
            "the report",
            Box::new(|| std::fs::remove_file(out.join("report/index.html")).expect("removed")),
            true,
        ),
        ("a file beside", Box::new(|| put(&out.join("lists/mine.csv"), "x")), true),
        ("the latest", Box::new(|| put(&in_site("out/latest"), "2026-01-01\n")), true),
        ("the note", Box::new(|| put(&in_site("store/ledger/standing.json"), "{}\n")), true),
        (
            "a daily table",
            Box::new(|| {
                let table = in_site("store/daily/day=2026-03-02/bucket=00.parquet");
                std::fs::remove_file(table).expect("removed");
            }),
            false,
        ),
        ("the site file", Box::new(|| add(&in_site("site.toml"), "\n# a remark\n")), false),
        (
            "a decision",
            Box::new(|| {
                put(
                    &in_site("decisions.csv"),
                    "meter,day,decision,mode,until\nFT-1,2026-03-02,accepted,coating,2026-06-01\n",
                );
            }),
            false,
        ),
        (
            "a check",
            Box::new(|| {
                put(
                    &in_site("records/checks.csv"),
                    "meter,time,outcome,quantity,position,value_pct\nFT-1,2026-03-02T06:00:00Z,pass,stiffness,whole,0.1\n",
                );
            }),
            false,
        ),
        ("a tag", Box::new(|| add(&in_site("records/tags.csv"), "X,,ignore,,,\n")), false),
        (
            "an earlier morning",
            Box::new(|| {
                let earlier = in_site("out/2026-03-01");
                for (name, bytes) in snapshot(&out) {
                    put(&earlier.join(name), bytes);
                }
            }),
            false,
        ),
    ];
    for (what, change, is_of_results) in changes {
        change();
        let told = night(site);
        assert_eq!(!told.contains(STANDS), what != "a daily table", "{what}: {told}");
        if is_of_results {
            assert!(snapshot(&out) == made, "{what}: made anew as they were");
        }
        assert!(night(site).contains(STANDS), "{what}: and then they stand again");
    }

    // Another part is asked for, or another morning: the note is about what was written last.
    let part = on_site("faults", site);
    assert!(part.code == Some(0) && !part.stderr.contains(STANDS), "{}", part.stderr);
    assert!(!night(site).contains(STANDS));
    put(&site.join("dumps/b.csv"), long_dump("2026-03-03"));
    let told = night(site);
    assert!(!told.contains(STANDS) && told.contains("2026-03-04"), "{told}");
    assert!(night(site).contains(STANDS));
}
