//! The file that the team edits: what it says is honoured, and what cannot be read is refused
//! with its place and kept.

use crate::support::*;

const HEADER: &str = "meter,day,mode,decision,until,who,why\n";

/// Line of the file, the column at fault, what was read.
const WRONG: [(&str, u64, &str); 9] = [
    ("FT-9,2026-03-01,,accepted,2026-04-01,A. Wren,no such meter\n", 1, "FT-9"),
    ("FT-1,2026-02-30,,accepted,2026-04-01,A. Wren,no such day\n", 2, "2026-02-30"),
    ("FT-1,,,accepted,2026-04-01,A. Wren,no day\n", 2, ""),
    ("FT-1,2026-03-01,rust,accepted,2026-04-01,A. Wren,no such mode\n", 3, "rust"),
    ("FT-1,2026-03-01,coating,postponed,2026-04-01,A. Wren,no such word\n", 4, "postponed"),
    ("FT-1,2026-03-01,coating,accepted,soon,A. Wren,no such day\n", 5, "soon"),
    ("FT-1,2026-03-01,coating,accepted,2026-02-01,A. Wren,over before it began\n", 5, "2026-02-01"),
    ("FT-1,2026-03-01,coating,found,2026-05-01,A. Wren,until when\n", 5, "2026-05-01"),
    ("FT-1,2026-03-01,,found,,A. Wren,found what\n", 3, ""),
];

#[test]
fn every_wrong_line_is_refused_with_line_column_and_reason_and_none_is_lost() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    let right = "FT-1,2026-03-01,coating,accepted,2026-04-01,A. Wren,spare is ordered\n";
    let lines: String = WRONG.iter().map(|(line, ..)| *line).collect();
    put(&dir.path().join("decisions.csv"), format!("{HEADER}{right}{lines}"));
    let run = run_night(dir.path());
    assert_eq!(run.code, Some(1), "something was set aside: {}", run.stderr);
    let kept = newest(dir.path()).join("record-rejects.csv");
    let mut reader = csv::Reader::from_path(&kept).expect("the file of refused lines");
    let rows: Vec<Vec<String>> = reader
        .records()
        .map(|row| row.expect("a row").iter().map(String::from).collect())
        .filter(|row: &Vec<String>| row[0].contains("decisions.csv"))
        .collect();
    assert_eq!(rows.len(), WRONG.len(), "{rows:?}");
    for ((number, (line, column, read)), row) in WRONG.iter().enumerate().zip(&rows) {
        // The header is line 1, the right line is line 2.
        assert_eq!(row[0], "decisions.csv", "the same wherever the site lies");
        assert_eq!(row[1], (number + 3).to_string(), "{line}: {row:?}");
        assert_eq!(row[2], column.to_string(), "{line}: {row:?}");
        assert_eq!(row[3], *read, "{line}: {row:?}");
        assert!(!row[4].is_empty() && !row[5].is_empty(), "{line}: {row:?}");
        let told = format!("decisions.csv, line {}, column {column}", number + 3);
        assert!(run.stderr.contains(&told), "{told} is missing: {}", run.stderr);
    }
}

#[test]
fn dates_that_fit_both_orders_stop_the_night_before_it_writes() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    put(&dir.path().join("decisions.csv"), format!("{HEADER}FT-1,03/04/2026,,accepted,,,\n"));
    let run = run_night(dir.path());
    assert_eq!(run.code, Some(2), "{}", run.stderr);
    assert!(run.stderr.contains("decisions.csv, line 2"), "{}", run.stderr);
    assert!(run.stderr.contains("date_order"), "{}", run.stderr);
    assert!(!dir.path().join("store").exists() && !dir.path().join("out").exists());
}

#[test]
fn more_wrong_lines_than_a_screen_holds_are_all_in_the_file() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    let lines: String = (0..50).map(|n| format!("FT-{n}0,2026-03-01,,accepted,,,=1+1\n")).collect();
    put(&dir.path().join("decisions.csv"), format!("{HEADER}{lines}"));
    let run = run_night(dir.path());
    assert!(run.stderr.contains("30 more lines"), "{}", run.stderr);
    let kept =
        std::fs::read_to_string(newest(dir.path()).join("record-rejects.csv")).expect("kept");
    assert_eq!(kept.lines().count(), 51);
    put(&dir.path().join("decisions.csv"), HEADER);
    assert_eq!(run_night(dir.path()).code, Some(0));
    assert!(!newest(dir.path()).join("record-rejects.csv").exists(), "mended");
}

/// Entries of the newest watch-list: list, rank, meter, evidence, accepted.
fn entries(site: &std::path::Path) -> Vec<(String, String, String, String, String)> {
    let file = newest(site).join("lists/watch-list.csv");
    let text = std::fs::read_to_string(file).expect("a list");
    let body = text.lines().filter(|line| !line.starts_with('#')).collect::<Vec<_>>().join("\n");
    let mut reader = csv::Reader::from_reader(body.as_bytes());
    let header = reader.headers().expect("a header").clone();
    let at = |name: &str| header.iter().position(|h| h == name).unwrap_or_else(|| panic!("{name}"));
    let columns = ["list", "rank", "meter", "evidence", "accepted"].map(at);
    let rows = reader.records().map(|row| {
        let row = row.expect("a row");
        let [a, b, c, d, e] = columns.map(|column| row[column].to_string());
        (a, b, c, d, e)
    });
    rows.collect()
}

#[test]
fn an_accepted_entry_is_hidden_until_its_date_and_a_found_one_counts_in_the_record() {
    let dir = tempfile::tempdir().expect("a folder");
    let mut plan = metersift_sim::Plan::larkmoor(24, 150, 3);
    plan.daily_from = 140;
    metersift_sim::write_site(dir.path(), &plan).expect("a site can be written");
    assert!(matches!(run_night(dir.path()).code, Some(0 | 1)));
    let site = dir.path().to_string_lossy().into_owned();
    let as_of = newest(dir.path());
    let as_of = as_of.file_name().expect("a date").to_string_lossy().into_owned();
    let listed = entries(dir.path());
    let shown = listed.iter().find(|e| !e.1.is_empty() && e.1 != "0" && e.2.starts_with("FT-"));
    let (list, _, meter, ..) = shown.expect("an entry of one meter").clone();
    let day = metersift_model::Day::parse(&as_of).expect("a date");
    let decide = |until: i32| {
        let until = day.plus(until);
        put(
            &dir.path().join("decisions.csv"),
            format!(
                "{HEADER}{meter},{},,accepted,{until},A. Wren,spare is ordered\n",
                day.plus(-1)
            ),
        );
        let run = metersift(["rank", "--site", &site]);
        assert!(matches!(run.code, Some(0 | 1)), "{}", run.stderr);
        let of = entries(dir.path()).into_iter().find(|e| e.0 == list && e.2 == meter);
        of.expect("the entry is hidden, not gone")
    };
    let hidden = decide(20);
    assert!(hidden.3.contains("hidden until"), "{}", hidden.3);
    assert!(hidden.1.is_empty() || hidden.1 == "0", "hidden entries have no rank: {hidden:?}");
    assert_eq!(hidden.4, "true", "{hidden:?}");
    let past = decide(-1);
    assert!(past.3.contains("Back on the list"), "{}", past.3);
    assert!(!past.1.is_empty() && past.1 != "0", "{past:?}");
}
