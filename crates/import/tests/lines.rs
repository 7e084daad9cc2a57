//! Line numbers as an editor shows them, whatever the encoding, the line ends and the packing.
//!
//! Golden: the numbers below were counted by hand in the text as it stands here: a line ends at
//!         LF, CRLF or a lone CR, and a line end inside quotes counts too.

mod common;

use common::{Read, file_of, gzip, read_with, source, tags, zip_of, zstd};
use metersift_import::read::ReadOptions;
use metersift_import::{SourceSettings, dumps_in};
use std::path::Path;

const TAGS: &str = "tag,meter,signal,unit\nA,A,density,kg/m3\nB,B,other:n,\n";

/// `|` stands for a line end.
const TEXT: &str = "# Notes \u{b0}||tag;time;value|A;2024-03-07T00:00:00Z;1||B;x;2|\
                    A;2024-03-07T00:01:00Z;bad|||C;2024-03-07T00:02:00Z;4|A;\"x;5|\
                    B;2024-03-07T00:03:00Z;\"6\"|B;2024-03-07T00:04:00Z;7";
/// Line and column of each reject.
const REJECTS: [(u64, u32); 3] = [(6, 2), (10, 1), (11, 2)];
/// Lines of the readings.
const READINGS: [u32; 4] = [4, 7, 12, 13];

fn line_ends(text: &str) -> [(&'static str, String); 4] {
    let mut turn = 0;
    let mixed = text.chars().fold(String::new(), |mut out, c| {
        if c == '|' {
            out.push_str(["\n", "\r\n", "\r"][turn % 3]);
            // A CR followed by an LF of its own would be one line end.
            turn += 1;
        } else {
            out.push(c);
        }
        out
    });
    [
        ("LF", text.replace('|', "\n")),
        ("CRLF", text.replace('|', "\r\n")),
        ("CR", text.replace('|', "\r")),
        ("mixed", mixed),
    ]
}

fn encodings(text: &str) -> Vec<(&'static str, Vec<u8>)> {
    let units = |text: &str, little: bool| -> Vec<u8> {
        let bytes = |u: u16| if little { u.to_le_bytes() } else { u.to_be_bytes() };
        text.encode_utf16().flat_map(bytes).collect()
    };
    let bom = format!("\u{feff}{text}");
    vec![
        ("UTF-8", text.as_bytes().to_vec()),
        ("UTF-8 with mark", bom.as_bytes().to_vec()),
        ("UTF-16 LE", units(text, true)),
        ("UTF-16 BE", units(text, false)),
        ("UTF-16 LE with mark", units(&bom, true)),
        ("UTF-16 BE with mark", units(&bom, false)),
        ("Windows-1252", text.chars().map(|c| u32::from(c) as u8).collect()),
    ]
}

/// The text as a plain dump and in every packing; the path of the dump is handed on.
fn in_packings(bytes: &[u8], check: &mut dyn FnMut(&str, &Path)) {
    let half = bytes.len() / 2;
    let two = |pack: fn(&[u8]) -> Vec<u8>| [pack(&bytes[..half]), pack(&bytes[half..])].concat();
    let other: (&str, &[u8]) = ("a/other.txt", b"nothing");
    for (name, packed) in [
        ("plain", bytes.to_vec()),
        ("gzip", gzip(bytes)),
        ("gzip, two members", two(gzip)),
        ("zstd", zstd(bytes)),
        ("zstd, two frames", two(zstd)),
    ] {
        check(name, file_of(&packed).path());
    }
    for deflate in [true, false] {
        let archive = file_of(&zip_of(&[other, ("b/dump.csv", bytes)], deflate));
        let dumps = dumps_in(archive.path()).expect("archive").expect("zip");
        check(&format!("zip, deflate {deflate}"), &dumps[1]);
    }
}

fn settings() -> SourceSettings {
    SourceSettings { decimal: Some(".".into()), ..source("x") }
}

fn lines_of(read: &Read) -> (Vec<u32>, Vec<(u64, u32)>) {
    let mut readings: Vec<u32> = read.readings.iter().map(|reading| reading.line).collect();
    readings.sort_unstable();
    let mut rejects: Vec<(u64, u32)> =
        read.rejects.iter().map(|reject| (reject.origin.line, reject.origin.column)).collect();
    rejects.sort_unstable();
    (readings, rejects)
}

#[test]
fn lines_are_those_of_an_editor_in_every_encoding_packing_and_line_end() {
    let table = tags(TAGS);
    for (ends, text) in line_ends(TEXT) {
        for (encoding, bytes) in encodings(&text) {
            in_packings(&bytes, &mut |packing, path| {
                for piece_bytes in [4 << 20, 7] {
                    let what = format!("{ends}, {encoding}, {packing}, pieces of {piece_bytes}");
                    let options = ReadOptions { young: false, piece_bytes };
                    let read = read_with(options, path, &settings(), "UTC", &table).expect(&what);
                    let (readings, rejects) = lines_of(&read);
                    assert_eq!(readings, READINGS, "{what}");
                    assert_eq!(rejects, REJECTS, "{what}");
                    assert_eq!(read.report.lines, 13, "{what}");
                }
            });
        }
    }
}

#[test]
fn a_line_end_inside_quotes_counts_where_the_site_allows_it() {
    let text = "tag;time;value|A;2024-03-07T00:00:00Z;\"1|\"|B;x;2|\
                \"A|B\";2024-03-07T00:01:00Z;3|A;2024-03-07T00:02:00Z;4|";
    let settings = SourceSettings { quoted_newlines: Some(true), ..settings() };
    let table = tags(TAGS);
    for (ends, text) in line_ends(text) {
        for (encoding, bytes) in encodings(&text) {
            in_packings(&bytes, &mut |packing, path| {
                let what = format!("{ends}, {encoding}, {packing}");
                let read = read_with(ReadOptions::default(), path, &settings, "UTC", &table);
                let (readings, rejects) = lines_of(&read.expect(&what));
                assert_eq!(readings, [2, 7], "{what}");
                assert_eq!(rejects, [(4, 2), (5, 1)], "{what}");
            });
        }
    }
}

/// Readings of a fold come late, and keep their line all the same; so do cells of a wide row.
#[test]
fn a_reading_of_a_fold_keeps_its_line() {
    let mut text = String::from("time;A;B\n");
    for clock in ["01:45", "02:00", "02:30", "02:00", "02:30", "03:00"] {
        text.push_str(&format!("2024-10-27 {clock}:00;1;2\n"));
    }
    let file = file_of(text.as_bytes());
    let read = common::read(file.path(), &settings(), "Europe/Berlin", &tags(TAGS)).expect("read");
    let mut told: Vec<(i64, u32)> =
        read.readings.iter().filter(|r| r.meter == "A").map(|r| (r.time_us, r.line)).collect();
    told.sort_unstable();
    let lines: Vec<u32> = told.iter().map(|&(_, line)| line).collect();
    assert_eq!(lines, [2, 3, 4, 5, 6, 7]);
}
