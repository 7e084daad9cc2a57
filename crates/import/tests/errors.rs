//! Every reason for which an import stops is raised here, and each says where, what and what to
//! do. The test walks the enum by its source text, so that a new variant without a case fails.

mod common;

use common::case::{dump_bytes, paths, sections, settings};
use common::{file_of, gzip, read, read_with, source, tags, zip_of, zstd};
use metersift_import::read::ReadOptions;
use metersift_import::source::{Piece, Source};
use metersift_import::{
    ImportError, RecordSettings, SourceSettings, TagTable, detect, dumps_in, read_dump,
};
use metersift_model::SeriesTable;
use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;

const TAGS: &str = "tag,meter,signal,unit\nA,A,density,kg/m3\n";
const DUMP: &str = "tag,time,value\nA,2024-03-07T00:00:00Z,1.5\nA,2024-03-07T00:01:00Z,2.5\n";

fn of_text(text: &str) -> Result<(), ImportError> {
    of_file(file_of(text.as_bytes()).path(), &source("x"))
}

fn of_file(path: &Path, settings: &SourceSettings) -> Result<(), ImportError> {
    read(path, settings, "", &tags(TAGS)).map(|_| ())
}

fn set(change: impl FnOnce(&mut SourceSettings)) -> Result<(), ImportError> {
    let mut settings = source("x");
    change(&mut settings);
    of_file(file_of(DUMP.as_bytes()).path(), &settings)
}

fn table(text: &str) -> Result<(), ImportError> {
    TagTable::parse(text, "tags.csv", &RecordSettings::default()).map(|_| ())
}

fn changed_while_read() -> Result<(), ImportError> {
    let mut file = file_of(DUMP.as_bytes());
    let mut source = Source::open(file.path(), metersift_import::settings::Encoding::Utf8)?;
    while let Some(Piece::Text(_) | Piece::TooLong(_)) = source.next_piece(Vec::new())? {}
    file.write_all(b"more").expect("written");
    source.finish().map(|_| ())
}

/// A column of values without one of tags.
fn unclear_layout() -> Result<(), ImportError> {
    let mut settings = source("x");
    settings.columns.value = Some(metersift_import::settings::ColumnRef::Name("a".into()));
    let dump = "time,a,b\n2024-03-07T00:00:00Z,1.5,2.5\n2024-03-07T00:01:00Z,1.5,2.5\n";
    of_file(file_of(dump.as_bytes()).path(), &settings)
}

/// A dump read as another one was found to be written.
fn other_header() -> Result<(), ImportError> {
    let dialect = detect(file_of(DUMP.as_bytes()).path(), &source("x"), "")?.dialect;
    let other = file_of(DUMP.replace("tag,time,value", "tag,time,other").as_bytes());
    let mut sink = |_| Ok(());
    let (mut series, table) = (SeriesTable::default(), tags(TAGS));
    read_dump(other.path(), &dialect, &table, &mut series, &mut sink, &mut |_| {}).map(|_| ())
}

fn sink_says_no() -> Result<(), ImportError> {
    let file = file_of(DUMP.as_bytes());
    let dialect = detect(file.path(), &source("x"), "")?.dialect;
    let mut sink = |_| Err("no room".into());
    let (mut series, table) = (SeriesTable::default(), tags(TAGS));
    read_dump(file.path(), &dialect, &table, &mut series, &mut sink, &mut |_| {}).map(|_| ())
}

fn cases() -> Vec<Result<(), ImportError>> {
    let folder = tempfile::tempdir().expect("folder");
    let packed = gzip(DUMP.repeat(40).as_bytes());
    let bomb = zstd(&vec![b'7'; 64 << 20]);
    vec![
        of_file(Path::new("no/such/file.csv"), &source("x")),
        of_file(folder.path(), &source("x")),
        of_text(""),
        of_file(file_of(b"BZh91AY&SY").path(), &source("x")),
        of_file(file_of(&packed[..packed.len() - 9]).path(), &source("x")),
        dumps_in(file_of(&zip_of(&[], true)).path()).map(|_| ()),
        of_file(file_of(&bomb).path(), &source("x")),
        changed_while_read(),
        set(|s| s.decimal = Some("x".into())),
        set(|s| s.delimiter = Some(";".into())),
        of_text(&format!(
            "tag,time,value\n{}",
            "A,2024-03-07T00:00:00Z,1.5,192,x\nA,2024-03-07T00:01:00Z,2.5,192,y\n".repeat(20)
        )),
        of_text("nothing\nbut\nnotes\n"),
        of_text("tag,time,value\n"),
        of_text("tag,when,value\nA,early,1.5\nA,late,2.5\nA,never,3.5\n"),
        set(|s| {
            s.columns.value = Some(metersift_import::settings::ColumnRef::Name("nope".into()));
        }),
        of_text("tag,time,value\nA,03/04/2024 00:00:00Z,1.5\nA,03/04/2024 00:01:00Z,2.5\n"),
        of_text("tag,time,value\nA,2024-03-07 00:00,1.5\nA,2024-03-07 00:01,2.5\n"),
        of_text("tag,time,value\nA,2024-03-07 00:00 CET,1.5\nA,2024-03-07 00:01 CET,2.5\n"),
        set(|s| s.zone = Some("Larkmoor".into())),
        unclear_layout(),
        other_header(),
        table("tag,meter,signal,unit\nA,A,density,stone\n"),
        table("tag,meter,signal,unit\nA,A,densty,kg/m3\n"),
        table("tag,meter,signal,unit\nA,A,density,kg/m3\nA,B,density,kg/m3\n"),
        sink_says_no(),
        of_text("time,A\n2024-03-07T00:00:00Z,1.5,2\n2024-03-07T00:01:00Z,1.5,3\n"),
        of_text("time,A,A,value\n2024-03-07T00:00:00Z,1.5,2.5,3\n2024-03-07T00:01:00Z,1.5,2.5,3\n"),
    ]
}

/// The errors of the case files.
fn errors_of_cases() -> Vec<ImportError> {
    let error = |path: std::path::PathBuf| {
        let text = std::fs::read_to_string(path).expect("case file");
        let sections = sections(&text);
        let section = |name: &str| sections.get(name).map_or("", String::as_str);
        let settings = settings(section("settings"));
        let file = file_of(&dump_bytes(section("dump")));
        let table = tags(section("tags"));
        let options = ReadOptions::default();
        read_with(options, file.path(), &settings.source, &settings.zone, &table).err()
    };
    paths().into_iter().filter_map(error).collect()
}

/// Names of the variants, from the source text of the enum.
fn variants() -> Vec<String> {
    let text = include_str!("../src/error.rs");
    let from = text.find("pub enum ImportError {").expect("the enum");
    let body = &text[from..from + text[from..].find("\n}\n").expect("its end")];
    let name = |line: &str| {
        let line = line.strip_prefix("    ")?;
        let end = line.find([' ', '(', ','])?;
        line.starts_with(|c: char| c.is_ascii_uppercase()).then(|| line[..end].to_owned())
    };
    body.lines().filter_map(name).collect()
}

#[test]
fn every_reason_to_stop_is_raised_and_says_where_and_what_to_do() {
    let mut raised: BTreeMap<String, ImportError> = BTreeMap::new();
    for error in cases().into_iter().filter_map(Result::err).chain(errors_of_cases()) {
        let debug = format!("{error:?}");
        let end = debug.find([' ', '(']).unwrap_or(debug.len());
        raised.entry(debug[..end].to_owned()).or_insert(error);
    }
    let all = variants();
    assert!(all.len() >= 28, "{all:?}");
    let missing: Vec<&String> = all.iter().filter(|name| !raised.contains_key(*name)).collect();
    assert!(missing.is_empty(), "never raised: {missing:?}");
    for (name, error) in &raised {
        let (full, hint) = (error.full(), error.hint());
        assert!(full.len() > 20 && hint.len() > 10, "{name}: {full} / {hint}");
        assert!(!full.contains(char::is_control), "{name}: {full:?}");
        let placeless = ["Setting", "UnknownZone", "Sink"].contains(&name.as_str());
        assert_eq!(error.origin().file.is_empty(), placeless, "{name}: {full}");
    }
    let at_a_line = [
        "AmbiguousDates",
        "MissingColumn",
        "ZoneMissing",
        "ZoneWord",
        "HeaderChanged",
        "SecondTable",
        "UnitConflict",
        "UnknownUnit",
        "BadCell",
        "Twice",
        "AmbiguousDecimal",
        "MixedDateOrder",
    ];
    for name in at_a_line {
        assert!(raised[name].origin().line > 0, "{name}: {}", raised[name].full());
    }
    for name in ["UnitConflict", "UnknownUnit", "BadCell", "Twice"] {
        let at = raised[name].origin();
        assert!(at.column > 0 && !at.tag.is_empty(), "{name}: {at:?}");
    }
}
