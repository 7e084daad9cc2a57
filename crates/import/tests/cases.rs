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

use common::case::{dump_bytes, paths, sections, settings};
use common::{Read, file_of, read_with, tags};
use metersift_import::read::ReadOptions;
use metersift_model::TimeUs;
use std::fmt::Write;

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
    let paths = paths();
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
