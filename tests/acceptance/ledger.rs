//! The row account of every dump.

use crate::support::*;

#[test]
fn every_dump_accounts_for_its_rows_to_the_row_and_for_ever() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "tolerated_reject_share = 1.0\n");
    let day = long_dump("2026-03-02");
    put(&dir.path().join("dumps/a.csv"), &day);
    // A stranger, a repeat and a correction: each lands in its own column.
    let extra = "FT-9.FLOW,2026-03-02T00:00:00Z,1,192\n";
    put(&dir.path().join("dumps/b.csv"), day.replace(",998.", ",997.") + extra);
    assert_eq!(on_site("import", dir.path()).code, Some(0));
    let run = metersift(["ledger", "--format", "csv", "--site", &dir.path().to_string_lossy()]);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    let mut reader = csv::Reader::from_reader(run.stdout.as_bytes());
    let header = reader.headers().expect("a header").clone();
    let at = |name: &str| header.iter().position(|h| h == name).unwrap_or_else(|| panic!("{name}"));
    let rows: Vec<csv::StringRecord> = reader.records().map(|row| row.expect("a row")).collect();
    assert_eq!(rows.len(), 2);
    let parts = ["stored", "duplicate", "conflicting", "held_back", "rejected", "not_wanted"];
    for row in &rows {
        let count = |name: &str| row[at(name)].parse::<u64>().expect("a count");
        let sum: u64 = parts.iter().map(|name| count(name)).sum();
        assert_eq!(count("rows_in"), sum, "{row:?}");
        assert_eq!(&row[at("sums")], "true", "{row:?}");
    }
    let of = |row: &csv::StringRecord, name: &str| row[at(name)].to_string();
    assert_eq!((of(&rows[0], "rows_in"), of(&rows[0], "stored")), ("4320".into(), "4320".into()));
    assert_eq!(of(&rows[1], "rejected"), "1");
    assert_eq!(of(&rows[1], "duplicate"), "2880");
    assert_eq!(of(&rows[1], "conflicting"), "1440");

    let withdrawn = metersift(["withdraw", "dumps/b.csv", "--site", &dir.path().to_string_lossy()]);
    assert_eq!(withdrawn.code, Some(0), "{}", withdrawn.stderr);
    let text = on_site("ledger", dir.path());
    assert_eq!(text.code, Some(0), "{}", text.stderr);
    assert!(text.stdout.contains("withdrawn"), "it keeps its line: {}", text.stdout);
    assert!(text.stdout.contains("rows in = stored + duplicate"), "{}", text.stdout);
    assert!(text.stdout.contains("2 dumps"), "{}", text.stdout);
}
