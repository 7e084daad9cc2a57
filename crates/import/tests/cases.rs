//! Case files: a small dump, settings, expected readings and rejects, in one text file that an
//! analyst can write (`tests/cases/import/*.case` in the repository's root).
//!
//! Format: sections that start with `== NAME`.
//! `settings`   keys of a source in the site file; `site_zone = ".."` besides.
//! `tags`       the tag table.
//! `dump`       the text, as it stands; a line `\x` escapes below.
//! `readings`   `meter signal time value quality`, in order of meter, signal, time; `-` = none.
//! `rejects`    `line column reason`, in any order.
//! `counts`     `name number`: rows_in, delivered, rejected, ignored, held_back, empty_cells,
//!              bad_values, repeated_headers, changed_headers, note_lines, blank_lines.
//! `words`      `tag word count`.
//! `error`      text that the error must contain; then nothing else is expected.
//! In `dump`, `\r`, `\t`, `\0`, `\xNN` and `\\` are written out; `\n` at the end of the section
//! is dropped when its last line is `\`.

mod common;

use common::{Read, file_of, read_with, root, tags};
use metersift_import::SourceSettings;
use metersift_import::read::ReadOptions;
use metersift_model::TimeUs;
use std::collections::BTreeMap;
use std::fmt::Write;

type Sections = BTreeMap<String, String>;

fn sections(text: &str) -> Sections {
    let mut sections = Sections::new();
    let mut current = None;
    for line in text.lines() {
        if let Some(name) = line.strip_prefix("== ") {
            sections.insert(name.trim().to_owned(), String::new());
            current = Some(name.trim().to_owned());
        } else if let Some(section) = current.as_ref().and_then(|name| sections.get_mut(name)) {
            section.push_str(line);
            section.push('\n');
        }
    }
    sections
}

/// The bytes of a dump section.
fn dump_bytes(text: &str) -> Vec<u8> {
    let text = text.strip_suffix("\n\\\n").unwrap_or(text);
    let mut bytes = Vec::new();
    let mut rest = text.as_bytes().iter().copied();
    while let Some(byte) = rest.next() {
        if byte != b'\\' {
            bytes.push(byte);
            continue;
        }
        match rest.next() {
            Some(b'r') => bytes.push(b'\r'),
            Some(b't') => bytes.push(b'\t'),
            Some(b'0') => bytes.push(0),
            Some(b'x') => {
                let hex: String = rest.by_ref().take(2).map(char::from).collect();
                bytes.push(u8::from_str_radix(&hex, 16).expect("two hexadecimal digits"));
            }
            Some(other) => bytes.push(other),
            None => {}
        }
    }
    bytes
}

struct Settings {
    source: SourceSettings,
    zone: String,
    young: bool,
}

fn settings(text: &str) -> Settings {
    let mut keys: toml::Table = toml::from_str(text).expect("settings");
    let zone = keys.remove("site_zone").and_then(|v| v.as_str().map(str::to_owned));
    let young = keys.remove("young").and_then(|v| v.as_bool()).unwrap_or(false);
    keys.entry("name").or_insert("case".into());
    keys.entry("files").or_insert(toml::Value::Array(Vec::new()));
    let source = keys.try_into().expect("source settings");
    Settings { source, zone: zone.unwrap_or_default(), young }
}

fn readings_text(read: &Read) -> String {
    let mut lines: Vec<(String, String, i64, String)> = read
        .readings
        .iter()
        .map(|r| {
            let value = if r.value.is_nan() { "-".to_owned() } else { r.value.to_string() };
            let text =
                format!("{} {} {} {value} {}", r.meter, r.signal, TimeUs(r.time_us), r.quality);
            (r.meter.clone(), r.signal.clone(), r.time_us, text)
        })
        .collect();
    lines.sort();
    lines.into_iter().map(|line| line.3 + "\n").collect()
}

fn rejects_text(read: &Read) -> String {
    let mut lines: Vec<(u64, u32, &str)> =
        read.rejects.iter().map(|r| (r.origin.line, r.origin.column, r.reason.name())).collect();
    lines.sort_unstable();
    lines.iter().fold(String::new(), |mut text, (line, column, reason)| {
        let _ = writeln!(text, "{line} {column} {reason}");
        text
    })
}

fn count(read: &Read, name: &str) -> u64 {
    let report = &read.report;
    match name {
        "rows_in" => report.rows_in,
        "delivered" => report.delivered,
        "rejected" => report.rejected_total(),
        "ignored" => report.ignored,
        "held_back" => report.held_back,
        "empty_cells" => report.empty_cells,
        "bad_values" => report.bad_values,
        "out_of_span" => report.out_of_span.values().sum(),
        "changed_headers" => report.changed_headers,
        "note_lines" => report.note_lines,
        "repeated_headers" => report.repeated_headers,
        "blank_lines" => report.blank_lines,
        "leap_seconds" => report.leap_seconds,
        "lines" => report.lines,
        other => panic!("no count is called {other}"),
    }
}

fn words_text(read: &Read) -> String {
    let mut lines = Vec::new();
    for (word, tags) in &read.report.bad_words {
        lines.extend(tags.iter().map(|(tag, count)| format!("{tag} {word} {count}\n")));
    }
    lines.sort();
    lines.concat()
}

/// Runs one case with one size of pieces; gives what is wrong.
fn run(text: &str, piece_bytes: usize) -> Vec<String> {
    let sections = sections(text);
    let section = |name: &str| sections.get(name).map_or("", String::as_str);
    let settings = settings(section("settings"));
    let bytes = dump_bytes(section("dump"));
    let file = file_of(&bytes);
    let tags = tags(section("tags"));
    let options = ReadOptions { young: settings.young, piece_bytes };
    let read = read_with(options, file.path(), &settings.source, &settings.zone, &tags);
    let read = match (read, sections.get("error")) {
        (Err(error), Some(expected)) => {
            let text = error.full();
            let fits = expected.lines().all(|line| text.contains(line));
            return if fits { Vec::new() } else { vec![format!("error is: {text}")] };
        }
        (Ok(_), Some(_)) => return vec!["no error".to_owned()],
        (Err(error), None) => return vec![format!("error: {error}")],
        (Ok(read), None) => read,
    };
    let mut wrong = Vec::new();
    let mut compare = |name: &str, got: String| {
        if let Some(want) = sections.get(name)
            && want.trim_end() != got.trim_end()
        {
            wrong.push(format!("{name} are:\n{got}"));
        }
    };
    compare("readings", readings_text(&read));
    compare("rejects", rejects_text(&read));
    compare("words", words_text(&read));
    for line in section("counts").lines() {
        let (name, want) = line.split_once(' ').expect("name and number");
        let got = count(&read, name);
        if got.to_string() != want {
            wrong.push(format!("{name} is {got}"));
        }
    }
    wrong
}

#[test]
fn every_case_file_holds_whatever_the_size_of_pieces() {
    let folder = root().join("tests/cases/import");
    let mut paths: Vec<_> = std::fs::read_dir(&folder)
        .expect("folder of cases")
        .map(|entry| entry.expect("entry").path())
        .filter(|path| path.extension().is_some_and(|ext| ext == "case"))
        .collect();
    paths.sort();
    assert!(paths.len() >= 20, "{} cases", paths.len());
    let mut failures = Vec::new();
    for path in &paths {
        let text = std::fs::read_to_string(path).expect("case file");
        for piece_bytes in [4 << 20, 97, 1] {
            for wrong in run(&text, piece_bytes) {
                let name = path.file_name().unwrap_or_default().to_string_lossy();
                failures.push(format!("{name}, pieces of {piece_bytes} bytes: {wrong}"));
            }
        }
    }
    assert!(failures.is_empty(), "\n{}", failures.join("\n"));
}
