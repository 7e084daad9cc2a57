//! Forty texts that stand in value columns, in three dialects: a number, or a bad sample whose
//! word is kept. Nothing is ever infinite, and nothing is lost.
//!
//! Golden: what each text is was decided by the grammar in `number.rs` and written down here by
//!         hand; the values of the numbers are Rust literals.

mod common;

use common::{file_of, read, read_as, source, tags};
use metersift_import::number::{NumberStyle, Thousands};
use metersift_import::read::ReadOptions;
use metersift_import::settings::{ColumnRef, ColumnSettings};
use metersift_import::{SourceSettings, detect};
use std::collections::BTreeMap;
use std::fmt::Write;

/// Text, and its number with decimal point, with decimal comma, and with decimal comma and
/// points between thousands.
type Case = (&'static str, [Option<f64>; 3]);

const fn all(value: f64) -> [Option<f64>; 3] {
    [Some(value); 3]
}
const WORD: [Option<f64>; 3] = [None; 3];

const CASES: [Case; 40] = [
    ("1e308", all(1e308)),
    ("-1e308", all(-1e308)),
    ("1e309", WORD),
    ("-1e309", WORD),
    ("5e-324", all(5e-324)),
    ("1e-400", all(0.0)),
    ("NaN", WORD),
    ("nan", WORD),
    ("inf", WORD),
    ("+inf", WORD),
    ("-Infinity", WORD),
    ("1.#QNAN", WORD),
    ("1.#INF", WORD),
    ("#N/A", WORD),
    ("-", WORD),
    ("+", WORD),
    (".", WORD),
    ("1,5", [None, Some(1.5), Some(1.5)]),
    ("1.5", [Some(1.5), None, None]),
    ("1.234", [Some(1.234), None, Some(1234.0)]),
    ("1.234,56", [None, None, Some(1234.56)]),
    ("1,234.56", [None, None, None]),
    ("1 234", WORD),
    ("1\u{a0}234", WORD),
    ("1\u{202f}234", WORD),
    ("\u{2212}5", all(-5.0)),
    ("\u{ff11}\u{ff12}", WORD),
    ("0x10", WORD),
    ("1_000", WORD),
    ("1.2.3", WORD),
    ("1.23.4", WORD),
    ("1e", WORD),
    ("e5", WORD),
    ("99999999999999999999", all(1e20)),
    ("+7", all(7.0)),
    ("007", all(7.0)),
    ("1E3", all(1000.0)),
    ("Bad Input", WORD),
    ("\u{a0}8\u{a0}", all(8.0)),
    ("--1", WORD),
];

#[test]
fn forty_texts_are_numbers_or_words_in_three_dialects() {
    let table = tags("tag,meter,signal,unit\nA,A,other:n,\n");
    let styles = [
        NumberStyle::POINT,
        NumberStyle::COMMA,
        NumberStyle { decimal: b',', thousands: Some(Thousands::Point) },
    ];
    for (which, style) in styles.into_iter().enumerate() {
        let mut text = String::from("tag;time;value\n");
        for (minute, (cell, _)) in CASES.iter().enumerate() {
            let _ = writeln!(text, "A;2024-03-07T00:{minute:02}:00Z;{cell}");
        }
        let settings = SourceSettings {
            delimiter: Some(";".into()),
            decimal: Some(char::from(style.decimal).to_string()),
            columns: ColumnSettings {
                value: Some(ColumnRef::Name("value".into())),
                ..Default::default()
            },
            ..source("x")
        };
        let file = file_of(text.as_bytes());
        let mut dialect = detect(file.path(), &settings, "UTC").expect("found").dialect;
        // Marks between thousands would be found out from the very cells that are tried here.
        dialect.numbers = style;
        let read =
            read_as(ReadOptions::default(), file.path(), &dialect, &table).expect("readable");
        assert_eq!(read.rejects, []);
        let values: Vec<f64> = read.readings.iter().map(|reading| reading.value).collect();
        assert_eq!(values.len(), CASES.len());
        let mut words: BTreeMap<&str, u64> = BTreeMap::new();
        for ((cell, wanted), (value, reading)) in
            CASES.iter().zip(values.iter().zip(&read.readings))
        {
            match wanted[which] {
                Some(wanted) => assert_eq!((*value, reading.quality), (wanted, 192), "{cell}"),
                None => {
                    assert!(value.is_nan() && reading.quality == 0, "{cell} as {style:?}");
                    *words.entry(cell).or_default() += 1;
                }
            }
        }
        let kept: BTreeMap<&str, u64> =
            read.report.bad_words.iter().map(|(word, tags)| (word.as_str(), tags["A"])).collect();
        assert_eq!(kept, words, "{style:?}");
    }
}

/// An empty cell of a long dump is a bad sample too, and a number that no pipe can hold.
#[test]
fn an_empty_cell_and_an_impossible_number_are_bad_samples() {
    let text = "tag,time,value\nA,2024-03-07T00:00:00Z,\nA,2024-03-07T00:01:00Z,1e308\n\
                A,2024-03-07T00:02:00Z,998.2\n";
    let table = tags("tag,meter,signal,unit\nA,A,density,kg/m3\n");
    let settings = SourceSettings { decimal: Some(".".into()), ..source("x") };
    let read = read(file_of(text.as_bytes()).path(), &settings, "UTC", &table).expect("readable");
    let qualities: Vec<u8> = read.readings.iter().map(|reading| reading.quality).collect();
    assert_eq!(qualities, [0, 0, 192]);
    assert_eq!(read.report.bad_words["(empty)"]["A"], 1);
    assert_eq!(read.report.out_of_span["A"], 1);
}
