//! The workbook, opened as what it is: a zip of XML parts.

#[allow(dead_code, reason = "each test file uses its own part")]
mod larkmoor;

use metersift_report::write_xlsx;
use std::collections::BTreeMap;
use std::io::Read;

/// Parts of a zip file by name. Reads the central directory (PKWARE APPNOTE 4.3, from memory);
/// enough for files without zip64.
fn parts(zip: &[u8]) -> BTreeMap<String, String> {
    let u16_at = |at: usize| usize::from(u16::from_le_bytes([zip[at], zip[at + 1]]));
    let u32_at = |at: usize| u16_at(at) + (u16_at(at + 2) << 16);
    let end = (0..=zip.len() - 22).rev().find(|&at| zip[at..].starts_with(b"PK\x05\x06"));
    let end = end.expect("an end record");
    let mut at = u32_at(end + 16);
    let mut parts = BTreeMap::new();
    for _ in 0..u16_at(end + 10) {
        assert!(zip[at..].starts_with(b"PK\x01\x02"));
        let (method, packed) = (u16_at(at + 10), u32_at(at + 20));
        let (name, extra, comment) = (u16_at(at + 28), u16_at(at + 30), u16_at(at + 32));
        let local = u32_at(at + 42);
        let title = String::from_utf8_lossy(&zip[at + 46..at + 46 + name]).into_owned();
        let data = local + 30 + u16_at(local + 26) + u16_at(local + 28);
        let bytes = &zip[data..data + packed];
        let mut text = String::new();
        match method {
            0 => text.push_str(&String::from_utf8_lossy(bytes)),
            _ => {
                let mut inflate = flate2::read::DeflateDecoder::new(bytes);
                inflate.read_to_string(&mut text).expect("deflated text");
            }
        }
        parts.insert(title, text);
        at += 46 + name + extra + comment;
    }
    parts
}

fn book() -> BTreeMap<String, String> {
    let mut night = larkmoor::night();
    // Names and sentences that want to be formulas.
    let payloads = ["=1+1", "=HYPERLINK(\"http://x\",\"y\")", "+1+cmd", "-2+3", "@SUM(1,1)"];
    for (entry, payload) in night.lists.entries.iter_mut().zip(payloads) {
        entry.evidence = payload.into();
        entry.service = payload.into();
    }
    night.lists.not_judged.push(("=1+1".into(), "\t=1+1 \u{0007}".into()));
    night.lists.entries[0].next_step = "x".repeat(40_000);
    let mut bytes = Vec::new();
    write_xlsx(&night.lists, Some(&night.since), "=Larkmoor", &mut bytes, &night.card)
        .expect("memory");
    parts(&bytes)
}

#[test]
fn text_is_text_and_no_cell_is_a_formula() {
    let book = book();
    let sheets: Vec<&String> =
        book.iter().filter(|(n, _)| n.starts_with("xl/worksheets/sheet")).map(|(_, x)| x).collect();
    // Eight decisions, `not judged`, `about`.
    assert_eq!(sheets.len(), 10);
    for sheet in sheets {
        assert!(!sheet.contains("<f>") && !sheet.contains("<f "), "a formula");
        assert!(!sheet.contains("<hyperlink"), "a link");
        assert!(sheet.contains("state=\"frozen\""), "the header stays in view");
    }
    let shared = &book["xl/sharedStrings.xml"];
    for text in ["=1+1", "@SUM(1,1)", "-2+3", "=HYPERLINK("] {
        assert!(shared.contains(text), "{text} is kept as it is");
    }
    assert!(!shared.contains('\u{7}'), "control characters cannot stand in XML");
    assert!(shared.contains("=1+1 _x0007_"), "they stand as the format's own escape");
}

#[test]
fn numbers_are_numbers_with_a_format() {
    let book = book();
    // `Clean`: coating at 0.91, severity 3.1 (2.2 to 4.4).
    let clean = &book["xl/worksheets/sheet2.xml"];
    for value in ["<v>0.91</v>", "<v>3.1</v>", "<v>2.2</v>", "<v>4.4</v>"] {
        assert!(clean.contains(value), "{value}");
    }
    assert!(book["xl/styles.xml"].contains("0.0##"));
}

#[test]
fn the_book_is_dated_by_the_night_and_names_its_run() {
    let book = book();
    let core = &book["docProps/core.xml"];
    assert_eq!(core.matches(">2026-03-14T00:00:00Z<").count(), 2, "created and modified: {core}");
    let shared = &book["xl/sharedStrings.xml"];
    for name in ["2026-03-14-a41f", "c4f1a9d2e07b", "812 dumps, 5f20c1", "not calibrated"] {
        assert!(shared.contains(name), "{name}");
    }
    let names: Vec<&str> = book["xl/workbook.xml"]
        .split("<sheet name=\"")
        .skip(1)
        .filter_map(|rest| rest.split('"').next())
        .collect();
    assert_eq!(names[..3], ["Pull or open up", "Clean", "Check now"]);
    assert_eq!(names[8..], ["Not judged", "About"]);
}
