//! Properties that hold for any dump.

mod common;

use common::{Read, file_of, read, read_with, source, tags};
use metersift_import::number::{NumberStyle, Thousands, parse};
use metersift_import::read::ReadOptions;
use metersift_import::split::fields_owned;
use metersift_import::{ImportError, SourceSettings};
use proptest::prelude::*;
use std::fmt::Write;

/// The digits of a number grouped by threes, in a style.
fn print(value: f64, style: NumberStyle) -> String {
    let plain = format!("{value}");
    let (sign, digits) = match plain.strip_prefix('-') {
        Some(digits) => ("-", digits),
        None => ("", plain.as_str()),
    };
    let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
    let mark = match style.thousands {
        None => "",
        Some(Thousands::Comma) => ",",
        Some(Thousands::Point) => ".",
        Some(Thousands::Apostrophe) => "'",
        Some(Thousands::Space) => "\u{a0}",
    };
    let mut text = sign.to_owned();
    for (idx, digit) in whole.chars().enumerate() {
        if idx > 0 && (whole.len() - idx).is_multiple_of(3) {
            text.push_str(mark);
        }
        text.push(digit);
    }
    if !fraction.is_empty() {
        text.push(char::from(style.decimal));
        text.push_str(fraction);
    }
    text
}

fn styles() -> impl Strategy<Value = NumberStyle> {
    let style = |decimal, thousands| NumberStyle { decimal, thousands };
    prop::sample::select(vec![
        style(b'.', None),
        style(b',', None),
        style(b'.', Some(Thousands::Comma)),
        style(b',', Some(Thousands::Point)),
        style(b'.', Some(Thousands::Space)),
        style(b',', Some(Thousands::Apostrophe)),
    ])
}

const TAGS: &str = "tag,meter,signal,unit\nA.D,A,density,kg/m3\nA.T,A,temperature,degC\n\
                    B.D,B,density,kg/m3\nX,,ignore,\n";

fn dump() -> String {
    let mut text = String::from("tag,time,value,quality\n");
    for row in 0..40 {
        let tag = ["A.D", "A.T", "B.D", "X", "U.U"][row % 5];
        let quality = ["192", "64", "0"][row % 3];
        let value = ["1000.5", "20", "Bad Input", "1e3", "\"7\""][row % 5];
        let _ = writeln!(text, "{tag},2024-03-07T{:02}:{:02}:00Z,{value},{quality}", row / 4, row);
    }
    text
}

/// The dump's own dialect, so that damage reaches the reader and not only detection.
fn settings() -> SourceSettings {
    let mut settings = source("x");
    settings.delimiter = Some(",".into());
    settings.decimal = Some(".".into());
    settings
}

fn all_of(read: Result<Read, ImportError>) -> Option<Read> {
    // An error is an answer; a panic or a row that is lost is none.
    read.ok().inspect(|read| assert!(read.report.adds_up()))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, failure_persistence: None,
        ..ProptestConfig::default() })]

    #[test]
    fn every_number_round_trips_in_every_style(value: f64, style in styles()) {
        prop_assume!(value.is_finite());
        // Display writes no exponent; the longest numbers pass the longest cell.
        let text = print(value, style);
        prop_assume!(text.len() < 350);
        prop_assert_eq!(parse(text.as_bytes(), style).map(f64::to_bits), Some(value.to_bits()),
            "{}", text);
    }

    /// Typographic signs and blanks around a number change nothing.
    #[test]
    fn every_number_round_trips_as_typesetters_write_it(
        value: f64, style in styles(), before in 0..4usize, after in 0..4usize
    ) {
        prop_assume!(value.is_finite());
        let blanks = ["", " ", "\u{a0}", "\u{202f}"];
        let text = print(value, style).replacen('-', "\u{2212}", 1);
        let text = format!("{}{text}{}", blanks[before], blanks[after]);
        prop_assume!(text.len() < 350);
        prop_assert_eq!(parse(text.as_bytes(), style).map(f64::to_bits), Some(value.to_bits()),
            "{}", text);
    }

    /// Groups that are not of three digits are no number, whatever the mark.
    #[test]
    fn marks_away_from_groups_of_three_are_no_number(
        first in 1..1000u32, groups in prop::collection::vec((0..100_000u32, 1..6usize), 1..4),
        style in styles()
    ) {
        let mark = match style.thousands {
            None => return Ok(()),
            Some(Thousands::Comma) => ",",
            Some(Thousands::Point) => ".",
            Some(Thousands::Apostrophe) => "'",
            Some(Thousands::Space) => " ",
        };
        prop_assume!(groups.iter().any(|&(_, width)| width != 3));
        let mut text = first.to_string();
        for (digits, width) in groups {
            text.push_str(mark);
            text.push_str(&format!("{digits:05}")[..width]);
        }
        prop_assert_eq!(parse(text.as_bytes(), style), None, "{}", text);
    }

    #[test]
    fn every_number_with_an_exponent_round_trips(value: f64) {
        prop_assume!(value.is_finite());
        let text = format!("{value:e}");
        prop_assert_eq!(parse(text.as_bytes(), NumberStyle::POINT).map(f64::to_bits),
            Some(value.to_bits()), "{}", text);
    }

    /// Oracle: the standard library, which accepts the same texts but for its words.
    #[test]
    fn short_texts_are_numbers_where_the_standard_library_says_so(text in "[-+]?[0-9.eE+-]{0,9}") {
        let ours = parse(text.as_bytes(), NumberStyle::POINT);
        let theirs = text.parse::<f64>().ok().filter(|number| number.is_finite());
        prop_assert_eq!(ours.map(f64::to_bits), theirs.map(f64::to_bits), "{}", text);
    }

    /// Oracle: the `csv` crate, on lines that RFC 4180 allows.
    #[test]
    fn fields_are_those_of_the_csv_crate(
        fields in prop::collection::vec("[a-z \",;0-9]{0,6}", 1..6)
    ) {
        let mut writer = csv::WriterBuilder::new().delimiter(b';').from_writer(Vec::new());
        writer.write_record(&fields).expect("in memory");
        let line = writer.into_inner().expect("in memory");
        let line = line.strip_suffix(b"\n").unwrap_or(&line);
        let ours = fields_owned(line, b';').expect("well formed");
        let theirs: Vec<Vec<u8>> = fields.iter().map(|f| f.clone().into_bytes()).collect();
        prop_assert_eq!(ours, theirs);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 600, failure_persistence: None,
        ..ProptestConfig::default() })]

    #[test]
    fn damaged_bytes_never_panic_and_no_row_is_lost(
        damage in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0..4u8), 1..12),
        own_settings: bool,
    ) {
        let mut bytes = dump().into_bytes();
        for (place, byte, kind) in damage {
            let at = place.index(bytes.len());
            match kind {
                0 => bytes[at] = byte,
                1 => bytes.insert(at, byte),
                2 => { bytes.remove(at); }
                _ => bytes[at] = b"\"\n\r,;\0"[usize::from(byte) % 6],
            }
        }
        let file = file_of(&bytes);
        let settings = if own_settings { settings() } else { source("x") };
        all_of(read(file.path(), &settings, "Europe/Berlin", &tags(TAGS)));
    }

    #[test]
    fn any_bytes_are_an_answer(bytes in prop::collection::vec(any::<u8>(), 1..600)) {
        let file = file_of(&bytes);
        all_of(read(file.path(), &source("x"), "UTC", &tags(TAGS)));
    }

    #[test]
    fn the_size_of_pieces_changes_nothing(piece_bytes in 1usize..400, ends in 0usize..3) {
        let text = dump().replace('\n', ["\n", "\r\n", "\r"][ends]);
        let file = file_of(text.as_bytes());
        let whole = read(file.path(), &settings(), "UTC", &tags(TAGS)).expect("readable");
        let options = ReadOptions { young: false, piece_bytes };
        let cut = read_with(options, file.path(), &settings(), "UTC", &tags(TAGS)).expect("readable");
        prop_assert_eq!(&whole.rejects, &cut.rejects);
        prop_assert_eq!(&whole.report, &cut.report);
        let bits = |read: &Read| -> Vec<(String, String, i64, u64, u8)> {
            let tuple = |r: &common::Reading| {
                (r.meter.clone(), r.signal.clone(), r.time_us, r.value.to_bits(), r.quality)
            };
            read.readings.iter().map(tuple).collect()
        };
        prop_assert_eq!(bits(&whole), bits(&cut));
    }

    #[test]
    fn rows_that_are_not_damaged_are_all_delivered(line in 1usize..40, junk in "[ -~]{0,30}") {
        let clean = dump();
        let mut lines: Vec<&str> = clean.lines().collect();
        lines[line] = &junk;
        let file = file_of((lines.join("\n") + "\n").as_bytes());
        let damaged = read(file.path(), &settings(), "UTC", &tags(TAGS)).expect("readable");
        let file = file_of(clean.as_bytes());
        let whole = read(file.path(), &settings(), "UTC", &tags(TAGS)).expect("readable");
        prop_assert!(damaged.report.delivered + 1 >= whole.report.delivered);
    }
}

/// Blocks and rejects in their order, from a dump with patterns and a fold, in a pool of its own.
fn in_pool(threads: usize, path: &std::path::Path) -> (Vec<String>, Vec<String>) {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("pool");
    let table = "tag,meter,signal,unit\n/(?P<meter>M\\d+)\\.D/,,density,kg/m3\n";
    pool.install(|| {
        let options = ReadOptions { young: false, piece_bytes: 512 };
        let read = read_with(options, path, &source("x"), "Europe/Berlin", &tags(table));
        let read = read.expect("readable");
        let debug = |r: &common::Reading| format!("{r:?}");
        let rejects = read.rejects.iter().map(|r| format!("{r:?}")).collect();
        (read.readings.iter().map(debug).collect(), rejects)
    })
}

#[test]
fn the_number_of_threads_changes_nothing_and_one_is_enough() {
    let mut text = String::from("tag,time,value\n");
    for row in 0..4000 {
        let minute = 1440 + row / 40 * 3;
        let (day, hour) = (24 + minute / 1440, minute / 60 % 24);
        let tag = row * 7 % 40;
        let _ = writeln!(text, "M{tag}.D,2026-10-{day} {hour:02}:{:02}:00,{row}", minute % 60);
    }
    let file = file_of(text.as_bytes());
    let one = in_pool(1, file.path());
    assert!(one.0.len() > 3000 && !one.1.is_empty(), "{} {}", one.0.len(), one.1.len());
    for threads in [2, 8] {
        assert_eq!(in_pool(threads, file.path()), one, "{threads} threads");
    }
}
