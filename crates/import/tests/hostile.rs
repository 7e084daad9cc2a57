//! Text that bites, in every field that a dump, a tag table or an archive has.
//!
//! Must hold: a name comes out exactly as it went in, or is refused; what is meant for people
//!            holds no character that acts on a terminal or turns the direction of text; nothing
//!            panics and every row is accounted for.

mod common;

use common::{Read, file_of, read, source, tags, zip_of};
use metersift_import::settings::QualityWord;
use metersift_import::text::{escaped, shown};
use metersift_import::{ImportError, RecordSettings, SourceSettings, TagTable, dumps_in};
use std::collections::BTreeMap;

const BITING: [&str; 60] = [
    "../../x",
    "..\\..\\x",
    "/etc/passwd",
    "C:\\x",
    "\\\\host\\share",
    "CON",
    "nul.csv",
    "a:b",
    "x.",
    "x ",
    " x",
    " ",
    "FT-1",
    "ft-1",
    "Ft\u{e9}",
    "Fte\u{301}",
    "FT\u{2011}1",
    "=HYPERLINK(\"http://x\",\"y\")",
    "=cmd|'/c calc'!A1",
    "+1",
    "-1+1",
    "@SUM(1)",
    "\tx",
    "x\ty",
    ";=1+1",
    "\"=1+1\"",
    "'",
    "\"",
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)>",
    "javascript:alert(1)",
    "</svg>",
    "]]>",
    "<!--",
    "{{7*7}}",
    "${x}",
    "%s%n",
    "$(touch x)",
    "`x`",
    "'; DROP TABLE x",
    "\u{1b}[2J",
    "\u{1b}]0;x\u{7}",
    "\u{202e}abc",
    "\u{2066}abc",
    "a\u{0}b",
    "\u{feff}x",
    "a\u{2028}b",
    "\u{85}",
    "__proto__",
    "constructor",
    "true",
    "null",
    "1e5",
    "0012",
    "2026-01-02",
    "\u{1f527}",
    "\u{b0}C",
    "kg/m\u{b3}",
    "(?P<x>.)",
    "//",
];

/// 300 characters and nothing at all are the two that no constant holds.
fn biting() -> Vec<String> {
    let mut all: Vec<String> = BITING.iter().map(|&text| text.to_owned()).collect();
    all.push("x".repeat(300));
    all.push(String::new());
    all
}

fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('"', "\"\""))
}

fn acts(text: &str) -> bool {
    text.chars().any(|c| {
        c.is_control()
            || matches!(u32::from(c), 0x200E..=0x200F | 0x2028..=0x202E | 0x2066..=0x2069)
    })
}

/// Nothing that is shown acts on a terminal.
fn is_fit_for_people(read: &Result<Read, ImportError>, what: &str) {
    match read {
        Err(error) => assert!(!acts(&error.full()) && !acts(&error.hint()), "{what}: {error:?}"),
        Ok(read) => {
            assert!(read.report.adds_up());
            for reject in &read.rejects {
                let texts =
                    [&reject.origin.tag, &reject.origin.file, &reject.read, &reject.expected];
                assert!(texts.iter().all(|text| !acts(text)), "{what}: {reject:?}");
            }
            let words = read.report.bad_words.keys();
            assert!(words.clone().all(|word| !acts(word)), "{what}: {words:?}");
        }
    }
}

fn settings() -> SourceSettings {
    SourceSettings {
        delimiter: Some(",".into()),
        decimal: Some(".".into()),
        quality: Some(metersift_import::settings::QualityCode::Words),
        ..source("x")
    }
}

fn table(text: &str) -> Option<TagTable> {
    TagTable::parse(text, "tags.csv", &RecordSettings::default()).ok()
}

#[test]
fn a_name_round_trips_as_tag_and_as_meter_or_is_refused() {
    let (mut n_kept, mut n_refused) = (0, 0);
    for text in biting() {
        let what = format!("{text:?}");
        let rows = format!(
            "tag,meter,signal,unit\n{0},{0},other:n,\nplain,plain,density,kg/m3\n",
            quoted(&text)
        );
        let dump = format!(
            "tag,time,value,quality\n{0},2024-03-07T00:00:00Z,1,good\nplain,2024-03-07T00:00:00Z,2,good\n",
            quoted(&text)
        );
        let Some(tags) = table(&rows) else {
            n_refused += 1;
            continue;
        };
        let read = read(file_of(dump.as_bytes()).path(), &settings(), "UTC", &tags);
        is_fit_for_people(&read, &what);
        let Ok(read) = read else {
            n_refused += 1;
            continue;
        };
        // A row that is not stored is set aside, with its line.
        let meters: Vec<&str> = read.readings.iter().map(|r| r.meter.as_str()).collect();
        assert!(meters.contains(&"plain"), "{what}");
        if read.readings.len() == 2 {
            n_kept += 1;
            let trimmed = text.trim_matches([' ', '\t']);
            assert!(
                meters.contains(&text.as_str()) || meters.contains(&trimmed),
                "{what} {meters:?}"
            );
        } else {
            n_refused += 1;
            assert_eq!(read.report.rejected_total(), 1, "{what}");
            assert_eq!(read.rejects[0].origin.line, 2, "{what}");
        }
    }
    assert!(n_kept >= 40, "{n_kept} kept, {n_refused} refused");
}

#[test]
fn names_that_differ_in_case_or_form_stay_apart() {
    let rows = "tag,meter,signal,unit\nFT-1,FT-1,density,kg/m3\nft-1,ft-1,density,kg/m3\n\
                Ft\u{e9},Ft\u{e9},density,kg/m3\nFte\u{301},Fte\u{301},density,kg/m3\n";
    let mut dump = String::from("tag,time,value,quality\n");
    for tag in ["FT-1", "ft-1", "Ft\u{e9}", "Fte\u{301}"] {
        dump.push_str(&format!("{tag},2024-03-07T00:00:00Z,1,good\n"));
    }
    let read =
        read(file_of(dump.as_bytes()).path(), &settings(), "UTC", &tags(rows)).expect("read");
    let meters: std::collections::BTreeSet<_> = read.readings.iter().map(|r| &r.meter).collect();
    assert_eq!(meters.len(), 4);
}

#[test]
fn text_in_any_other_field_is_kept_escaped_or_refused() {
    let plain = tags("tag,meter,signal,unit\nA,A,density,kg/m3\nB,B,density,kg/m3\n");
    for text in biting() {
        let q = quoted(&text);
        let row = |time: &str, value: &str, quality: &str, unit: &str| {
            format!(
                "tag,time,value,quality,unit\nA,2024-03-07T00:00:00Z,1,good,kg/m3\n\
                 A,{time},{value},{quality},{unit}\nB,2024-03-07T00:00:00Z,2,good,kg/m3\n"
            )
        };
        let time = "2024-03-07T00:01:00Z";
        let dumps = [
            ("time", row(&q, "1", "good", "kg/m3")),
            ("value", row(time, &q, "good", "kg/m3")),
            ("quality", row(time, "1", &q, "kg/m3")),
            ("unit", row(time, "1", "good", &q)),
            ("header", format!("time,A,{q}\n2024-03-07T00:00:00Z,1,2\n2024-03-07T00:01:00Z,1,2\n")),
            ("note", format!("# {text}\n{}", row(time, "1", "good", "kg/m3"))),
            ("total", format!("{}{text}\n", row(time, "1", "good", "kg/m3"))),
        ];
        for (field, dump) in dumps {
            let what = format!("{text:?} as {field}");
            let read = read(file_of(dump.as_bytes()).path(), &settings(), "UTC", &plain);
            is_fit_for_people(&read, &what);
            if let Ok(read) = read
                && field != "header"
            {
                assert!(read.readings.iter().any(|r| r.meter == "B"), "{what}");
            }
        }
    }
}

#[test]
fn text_in_settings_is_data_and_nothing_else() {
    let plain = tags("tag,meter,signal,unit\nA,A,density,kg/m3\n");
    let dump = "tag,time,value,quality\nA,2024-03-07T00:00:00Z,1,good\n";
    let file = file_of(dump.as_bytes());
    for text in biting() {
        let what = format!("{text:?}");
        let own = || Some(text.clone());
        let changes: [&dyn Fn(&mut SourceSettings); 8] = [
            &|s| s.zone = own(),
            &|s| s.delimiter = own(),
            &|s| s.decimal = own(),
            &|s| s.thousands = own(),
            &|s| s.time_format = own(),
            &|s| s.tag_prefix = text.clone(),
            &|s| s.zone_words = BTreeMap::from([(text.clone(), text.clone())]),
            &|s| s.quality_words = BTreeMap::from([(text.clone(), QualityWord::Good)]),
        ];
        for change in changes {
            let mut settings = settings();
            change(&mut settings);
            is_fit_for_people(&read(file.path(), &settings, "UTC", &plain), &what);
        }
        // The site file's own text form brings it back exactly.
        let mut before = settings();
        before.name.clone_from(&text);
        before.bad_words = vec![text.clone()];
        let written = toml::to_string(&before).expect("site file");
        assert_eq!(toml::from_str::<SourceSettings>(&written).expect("readable"), before, "{what}");
    }
}

#[test]
fn names_of_files_and_entries_are_escaped_or_refused() {
    let dump = "tag,time,value\nA,2024-03-07T00:00:00Z,1\nA,2024-03-07T00:01:00Z,2\n";
    let folder = tempfile::tempdir().expect("folder");
    let (mut n_entries, mut n_files) = (0, 0);
    for text in biting() {
        assert!(!acts(&shown(text.as_bytes())) && !acts(&escaped(&text)), "{text:?}");
        if !text.is_empty() {
            let archive = file_of(&zip_of(&[(text.as_str(), dump.as_bytes())], true));
            match dumps_in(archive.path()) {
                Ok(dumps) => {
                    let dumps = dumps.expect("zip");
                    assert!(dumps[0].starts_with(archive.path()), "{text:?}");
                    assert!(metersift_import::hash_file(&dumps[0]).is_ok(), "{text:?}");
                    n_entries += 1;
                }
                Err(error) => assert!(!acts(&error.full()), "{text:?}: {error:?}"),
            }
        }
        let name = text.replace(['/', '\0'], "_");
        let path = folder.path().join(&name);
        if !name.is_empty() && std::fs::write(&path, &dump[..dump.len() / 2]).is_ok() {
            n_files += 1;
            let read = read(&path, &source("x"), "UTC", &tags("tag,meter,signal,unit\n"));
            is_fit_for_people(&read, &text);
        }
    }
    assert!(n_entries >= 40 && n_files >= 40, "{n_entries} entries, {n_files} files");
}

/// Bytes that are no text: each costs its line.
#[test]
fn bytes_that_are_no_text_cost_their_line() {
    let mut dump = b"tag,time,value\n".to_vec();
    let rows = (0..40).map(|n| format!("A,2024-03-07T00:{n:02}:00Z,{n}.5\n"));
    dump.extend(rows.collect::<String>().into_bytes());
    // Behind a valid letter beyond ASCII, so that the file is told to be UTF-8.
    dump.extend_from_slice("\u{b0},2024-03-07T00:50:00Z,1.5\n".as_bytes());
    let tags = tags("tag,meter,signal,unit\nA,A,density,kg/m3\n\u{b0},B,density,kg/m3\n");
    let settings = SourceSettings {
        encoding: Some(metersift_import::settings::Encoding::Utf8),
        decimal: Some(".".into()),
        ..source("x")
    };
    for bad in [&b"\xFF"[..], b"\xC3\x28", b"\xED\xA0\x80", b"\xF8\x88\x80\x80\x80", b"\x00"] {
        let line = [b"A,2024-03-07T00:5", bad, b"1:00Z,7.5\n"].concat();
        let bytes = [&dump[..], &line].concat();
        let read = read(file_of(&bytes).path(), &settings, "UTC", &tags).expect("read");
        assert_eq!(read.report.delivered, 41);
        assert_eq!(read.rejects.len(), 1, "{bad:?}");
        assert_eq!(read.rejects[0].origin.line, 43);
        assert_eq!(read.rejects[0].reason.name(), "bad_encoding");
    }
}
