//! Rows that are read at once because they are like the row before: what stands around them, or
//! was learned from them, must not change what a row means.

mod common;

use common::{Read, file_of, read_with, source, tags};
use metersift_import::SourceSettings;
use metersift_import::read::ReadOptions;
use metersift_import::settings::{Encoding, QualityCode};
use metersift_model::RejectReason;

const TAGS: &str = "tag,meter,signal,unit\nA,A,density,kg/m3\n\"A\"\"B\",AB,density,kg/m3\n\
                    \"\"\"Q\",Q,density,kg/m3\n\"A,B\",C,density,kg/m3\n";

fn read(bytes: &[u8], settings: &SourceSettings, piece_bytes: usize) -> Read {
    let options = ReadOptions { piece_bytes, ..ReadOptions::default() };
    let file = file_of(bytes);
    read_with(options, file.path(), settings, "UTC", &tags(TAGS)).expect("readable")
}

/// Meters and values.
type Values = Vec<(String, f64)>;
/// What was rejected in which line.
type Rejected = Vec<(u64, RejectReason)>;

fn came(read: &Read) -> (Values, Rejected) {
    let readings = read.readings.iter().map(|r| (r.meter.clone(), r.value)).collect();
    (readings, read.rejects.iter().map(|r| (r.origin.line, r.reason)).collect())
}

/// A tag that was learned from between quotes is no tag where it stands without them.
#[test]
fn a_tag_with_quotes_or_delimiters_is_never_taken_from_bare_text() {
    let at = "2026-03-01T00:00:0";
    let text = format!(
        "tag,time,value,quality\nA,{at}0Z,1.5,192\n\"A\"\"B\",{at}0Z,2,192\n\"\"\"Q\",{at}0Z,3,192\n\
         \"A,B\",{at}0Z,4,192\nA,{at}1Z,5,192\nA\"B,{at}1Z,6,192\n\"Q,{at}1Z,7,192\n\
         A,B,{at}1Z,8,192\nA,{at}2Z,9,192\n"
    );
    let settings = SourceSettings { quality: Some(QualityCode::OpcClassic), ..source("x") };
    let reading = |meter: &str, value: f64| (meter.to_owned(), value);
    let expected = [
        reading("A", 1.5),
        reading("AB", 2.0),
        reading("Q", 3.0),
        reading("C", 4.0),
        reading("A", 5.0),
        reading("AB", 6.0),
        reading("A", 9.0),
    ];
    let rejects = [(8, RejectReason::StrayQuote), (9, RejectReason::FieldCount)];
    for piece_bytes in [1, 100, 1 << 20] {
        let (readings, rejected) = came(&read(text.as_bytes(), &settings, piece_bytes));
        assert_eq!(readings, expected, "{piece_bytes}");
        assert_eq!(rejected, rejects, "{piece_bytes}");
    }
}

/// In a column of qualities that is not read, anything may stand, except what is no text.
#[test]
fn bytes_that_are_no_text_are_rejected_wherever_they_stand() {
    let row = |second: usize, value: &str, rest: &[u8]| -> Vec<u8> {
        [format!("A,2026-03-01T00:00:{second:02}Z,{value},").as_bytes(), rest, b"\n"].concat()
    };
    let mut text = b"tag,time,value,quality\n".to_vec();
    for second in 0..30 {
        let rest: &[u8] = match second {
            11 => b"\xFF",
            12 => b"a\"b",
            21 => b"ok\r\r",
            22 => "\u{b0}".as_bytes(),
            _ => b"ok",
        };
        text.extend(row(second, &second.to_string(), rest));
    }
    let settings = SourceSettings {
        quality: Some(QualityCode::None),
        encoding: Some(Encoding::Utf8),
        ..source("x")
    };
    let expected: Vec<f64> = (0..30).filter(|&second| second != 11).map(f64::from).collect();
    let whole = read(&text, &settings, 1 << 20);
    let (readings, rejected) = came(&whole);
    assert_eq!(readings.iter().map(|r| r.1).collect::<Vec<f64>>(), expected);
    assert_eq!(rejected, [(13, RejectReason::BadEncoding)]);
    for piece_bytes in [1, 100] {
        let parts = read(&text, &settings, piece_bytes);
        assert_eq!(parts.readings, whole.readings, "{piece_bytes}");
        assert_eq!(came(&parts), came(&whole), "{piece_bytes}");
    }
    // The lone CR is a line end of its own: lines behind it count one more.
    assert_eq!(whole.readings.last().map(|r| r.line), Some(32));
}

/// Tags in any order, several dates, qualities that change: what is remembered of the row before
/// never stands in for what a row says.
#[test]
fn what_was_remembered_never_stands_in_for_what_a_row_says() {
    let mut state = 5u64;
    let mut text = String::from("tag,time,value,quality\n");
    let mut expected = Vec::new();
    for row in 0..5_000 {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        let (meter, tag) = [("A", "A"), ("AB", "\"A\"\"B\""), ("C", "\"A,B\"")]
            [if state >> 60 == 0 { (state >> 40) as usize % 3 } else { 0 }];
        let (day, minute) = (1 + (state >> 20) % 2, row % 60);
        let (whole, part) = ((state >> 8) % 3_000, (state >> 30) % 1_000);
        let quality = if (state >> 50).is_multiple_of(5) { 64 } else { 192 };
        text.push_str(&format!(
            "{tag},2026-03-0{day}T01:{minute:02}:00Z,{whole}.{part},{quality}\n"
        ));
        let value: f64 = format!("{whole}.{part}").parse().expect("a number");
        expected.push((meter.to_owned(), value, quality as u8));
    }
    let settings = SourceSettings { quality: Some(QualityCode::OpcClassic), ..source("x") };
    for piece_bytes in [1, 1_000, 1 << 20] {
        let read = read(text.as_bytes(), &settings, piece_bytes);
        let came: Vec<(String, f64, u8)> =
            read.readings.iter().map(|r| (r.meter.clone(), r.value, r.quality)).collect();
        assert!(came == expected, "{piece_bytes}");
    }
}
