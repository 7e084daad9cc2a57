//! Sixty strings that bite, in every field of every output.

#[allow(dead_code, reason = "each test file uses its own part")]
mod larkmoor;

use larkmoor::hostile::{harmless, night_with, strings};
use metersift_model::{ColumnData, Table};
use metersift_report::{
    html, meter_page, write_csv, write_csv_semicolon, write_jsonl, write_parquet,
};
use std::collections::BTreeMap;

/// Elements with their attribute names, counted; addresses as they stand. A tokenizer of our own
/// for our own well-formed pages; tests/page asks a browser the same.
fn structure(page: &str) -> (BTreeMap<String, usize>, Vec<String>) {
    let style = page.find("<style>").expect("a style") + 7;
    let end = page.find("</style>").expect("its end");
    let mut rest = format!("{}{}", &page[..style], &page[end..]);
    let mut tags = BTreeMap::new();
    let mut addresses = Vec::new();
    while let Some(start) = rest.find('<') {
        let mut quote = None;
        let end = rest[start..].char_indices().find(|(_, c)| {
            match (quote, *c) {
                (Some(open), c) if open == c => quote = None,
                (None, '"' | '\'') => quote = Some(*c),
                _ => {}
            }
            quote.is_none() && *c == '>'
        });
        let end = start + end.expect("every tag ends").0;
        let tag = &rest[start + 1..end];
        let mut shape = String::new();
        for (index, piece) in tag.split('"').enumerate() {
            match index % 2 {
                0 => shape.push_str(piece),
                _ if shape.ends_with("href=") => addresses.push(piece.to_string()),
                _ => {}
            }
        }
        *tags.entry(shape).or_insert(0) += 1;
        rest = rest[end + 1..].to_string();
    }
    (tags, addresses)
}

#[test]
fn no_text_adds_an_element_an_attribute_or_an_address() {
    assert_eq!(strings().len(), 60);
    let hostile = night_with(&strings());
    let plain = night_with(&harmless());
    let (tags, addresses) = structure(&html(&hostile.input()));
    let (expected, _) = structure(&html(&plain.input()));
    let known: Vec<&String> = expected.keys().collect();
    for shape in tags.keys() {
        assert!(known.contains(&shape), "<{shape}> is not the template's");
    }
    // Names that cannot be typed have no command line; all else is there as often.
    for (shape, count) in &tags {
        let enough =
            *count <= expected[shape] || matches!(shape.as_str(), "p class=" | "/p" | "b" | "/b");
        assert!(enough, "<{shape}>: {count} against {}", expected[shape]);
    }
    for address in addresses {
        let inside = address
            .strip_prefix('#')
            .is_some_and(|name| name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_'));
        assert!(inside, "{address}");
    }
}

#[test]
fn a_hostile_meter_has_a_page_of_its_own() {
    let hostile = night_with(&strings());
    let (expected, _) = structure(&html(&night_with(&harmless()).input()));
    for name in strings() {
        let standing = [("Standing", name.clone())];
        let page = meter_page(&hostile.input(), &name, &standing).expect("a verdict");
        for shape in structure(&page).0.keys() {
            assert!(expected.contains_key(shape), "{name:?}: <{shape}>");
        }
    }
}

/// Every string in a text column, beside a number that is negative.
fn table() -> Table {
    let texts = strings();
    let mut table = Table::default();
    table.push("meter", "", ColumnData::Text(texts.iter().cloned().map(Some).collect()));
    table.push("change_pct", "%", ColumnData::Number(vec![-1.5; texts.len()]));
    table.push("note", "", ColumnData::Text(texts.into_iter().rev().map(Some).collect()));
    table
}

#[test]
fn no_csv_cell_begins_a_formula_and_numbers_stay_numbers() {
    let card = larkmoor::night().card;
    let mut comma = Vec::new();
    write_csv(&table(), &mut comma, &card).expect("memory");
    let mut semicolon = Vec::new();
    write_csv_semicolon(&table(), &mut semicolon, &card).expect("memory");
    for (bytes, delimiter, number) in [(&comma, b',', "-1.5"), (&semicolon, b';', "-1,5")] {
        let mut reader = csv::ReaderBuilder::new();
        let mut reader = reader.delimiter(delimiter).from_reader(bytes.as_slice());
        let mut rows = 0;
        for (record, text) in reader.records().zip(strings()) {
            let record = record.expect("well formed");
            for (index, cell) in record.iter().enumerate() {
                let begins = cell.starts_with(['=', '+', '-', '@', '\t', '\r', '\u{ff1d}']);
                assert!(index == 1 || !begins, "{cell:?}");
            }
            assert_eq!(&record[1], number);
            let bare = |t: &str| t.replace('\'', "");
            assert_eq!(bare(&record[0]), bare(&text), "nothing but apostrophes is added");
            rows += 1;
        }
        assert_eq!(rows, 60);
    }
}

#[test]
fn names_come_back_exactly_from_json_lines_and_parquet() {
    let card = larkmoor::night().card;
    let mut lines = Vec::new();
    write_jsonl(&table(), &mut lines, &card).expect("memory");
    let text = String::from_utf8(lines).expect("UTF-8");
    assert!(text.chars().all(|c| c == '\n' || !c.is_control()), "no raw control character");
    for (line, name) in text.split_terminator('\n').zip(strings()) {
        let record: serde_json::Value = serde_json::from_str(line).expect("JSON");
        assert_eq!(record["meter"], name.as_str());
    }
    let mut file = tempfile::tempfile().expect("a temporary file");
    write_parquet(&table(), &mut file, &card).expect("room");
    let reader = parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder::try_new(file);
    let batch = reader.and_then(|r| r.build()).expect("Parquet").next().expect("rows").expect("ok");
    let names = batch.column_by_name("meter").expect("there");
    let names = names.as_any().downcast_ref::<arrow::array::StringArray>().expect("text");
    assert!(names.iter().map(|n| n.expect("known").to_string()).eq(strings()));
}
