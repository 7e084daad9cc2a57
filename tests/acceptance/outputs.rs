//! Readers written for the first version of the outputs still read them, and the program still
//! reads what it wrote then. `tests/cases/outputs/1` holds files of that version.

use crate::support::{JUDGED, newest, root};
use std::path::{Path, PathBuf};

fn old(file: &str) -> PathBuf {
    root().join("tests/cases/outputs/1").join(file)
}

fn new(part: &str) -> PathBuf {
    newest(&JUDGED.site).join(part)
}

fn text(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// The header of a CSV file whose names hold neither quotes nor separators.
fn header(path: &Path, separator: char) -> Vec<String> {
    let text = text(path);
    let line = text.trim_start_matches('\u{feff}').lines().next().expect("a header");
    line.split(separator).map(|name| name.trim_matches('"').to_string()).collect()
}

/// Names of the fields of the first JSON line, in the order of the file.
fn fields(path: &Path) -> Vec<String> {
    let text = text(path);
    let line = text.lines().next().expect("a record");
    let mut names = Vec::new();
    let mut rest = line;
    // Names are the only quoted text that a colon follows directly behind `{` or `,`.
    while let Some(at) = rest.find("\":") {
        let start = rest[..at].rfind('"').expect("a quoted name") + 1;
        let before = rest[..start - 1].chars().last();
        if matches!(before, Some('{' | ',')) {
            names.push(rest[start..at].to_string());
        }
        rest = &rest[at + 2..];
    }
    names
}

fn columns(path: &Path) -> Vec<(String, String)> {
    let table = metersift_store::read_table(path).expect("a table").0;
    table.columns.into_iter().map(|column| (column.name, column.unit)).collect()
}

#[track_caller]
fn grown_at_the_end<T: PartialEq + std::fmt::Debug>(old: &[T], new: &[T]) {
    assert!(old.len() > 8, "the old file was not read: {old:?}");
    assert_eq!(&new[..old.len().min(new.len())], old, "columns moved, changed or went");
}

#[test]
fn lists_grow_only_at_the_end() {
    let (csv, semicolon) = ("watch-list.csv", "watch-list-semicolon.csv");
    grown_at_the_end(&header(&old(csv), ','), &header(&new("lists/watch-list.csv"), ','));
    let now = header(&new("lists/watch-list-semicolon.csv"), ';');
    grown_at_the_end(&header(&old(semicolon), ';'), &now);
    let jsonl = "watch-list.jsonl";
    grown_at_the_end(&fields(&old(jsonl)), &fields(&new("lists/watch-list.jsonl")));
    let parquet = "watch-list.parquet";
    grown_at_the_end(&columns(&old(parquet)), &columns(&new("lists/watch-list.parquet")));
}

#[test]
fn evidence_tables_grow_only_at_the_end() {
    for name in ["verdicts.parquet", "observables.parquet"] {
        grown_at_the_end(&columns(&old(name)), &columns(&new(&format!("evidence/{name}"))));
    }
}

#[test]
fn verdicts_of_the_first_version_are_still_read() {
    let table = metersift_store::read_table(&old("verdicts.parquet")).expect("a table").0;
    let entries = metersift_rank::PastEntry::from_table(&table).expect("an old night");
    assert_eq!(entries.len(), 24);
    assert!(entries.iter().any(|entry| entry.judged()));
}
