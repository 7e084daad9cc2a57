//! What detection finds, refuses and writes down.

mod common;

use common::{Read, file_of, read, read_with, root, shared_data, source, tags};
use metersift_import::read::ReadOptions;
use metersift_import::settings::{DateOrder, Layout};
use metersift_import::{ImportError, SourceSettings, detect};
use std::fmt::Write as _;
use std::io::Write;
use std::path::Path;

const TAGS: &str = "tag,meter,signal,unit\nFT-1 \u{b0}C,FT-1,temperature,degC\n\
                    FT-1 kg/m\u{b3},FT-1,density,kg/m3\n";

/// The same twelve readings in three layouts, without characters beyond Latin-1.
fn layouts() -> [String; 3] {
    let (mut long, mut wide) = (String::from("Tag;Time;Value;Quality\n"), String::new());
    let mut beside =
        String::from("Time;FT-1 \u{b0}C;FT-1 \u{b0}C_q;FT-1 kg/m\u{b3};FT-1 kg/m\u{b3}_q\n");
    wide.push_str("Note: syrup house, \u{b0}C\n\nTime;FT-1 \u{b0}C;FT-1 kg/m\u{b3}\n");
    for minute in 0..6 {
        let time = format!("2024-03-07T02:{minute:02}:00Z");
        let _ = writeln!(long, "FT-1 \u{b0}C;{time};2{minute},5;192");
        let _ = writeln!(long, "FT-1 kg/m\u{b3};{time};135{minute},25;192");
        let _ = writeln!(wide, "{time};2{minute},5;135{minute},25");
        let _ = writeln!(beside, "{time};2{minute},5;192;135{minute},25;192");
    }
    [long, wide, beside]
}

fn encodings(text: &str) -> Vec<(&'static str, Vec<u8>)> {
    let bom = format!("\u{feff}{text}");
    let utf16 = |text: &str, little: bool| -> Vec<u8> {
        let bytes = |u: u16| if little { u.to_le_bytes() } else { u.to_be_bytes() };
        text.encode_utf16().flat_map(bytes).collect()
    };
    let latin = text.chars().map(|c| u8::try_from(u32::from(c)).expect("Latin-1")).collect();
    let plain = vec![
        ("utf-8", text.as_bytes().to_vec()),
        ("utf-8 with mark", bom.as_bytes().to_vec()),
        ("utf-16le", utf16(text, true)),
        ("utf-16be", utf16(text, false)),
        ("utf-16le with mark", utf16(&bom, true)),
        ("utf-16be with mark", utf16(&bom, false)),
        ("windows-1252", latin),
    ];
    let crlf = text.replace('\n', "\r\n");
    let mut all = plain;
    all.push(("crlf", crlf.as_bytes().to_vec()));
    all.push(("utf-16le crlf", utf16(&crlf, true)));
    all
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    encoder.write_all(bytes).expect("in memory");
    encoder.finish().expect("in memory")
}

fn sorted(read: &Read) -> Vec<(String, i64, u64, u8)> {
    let tuple = |r: &common::Reading| (r.signal.clone(), r.time_us, r.value.to_bits(), r.quality);
    let mut all: Vec<_> = read.readings.iter().map(tuple).collect();
    all.sort();
    all
}

#[test]
fn nine_encodings_three_layouts_and_three_packings_are_one_set_of_readings() {
    let mut first = None;
    for text in layouts() {
        for (name, bytes) in encodings(&text) {
            let zstd = zstd::encode_all(&bytes[..], 1).expect("in memory");
            for packed in [bytes.clone(), gzip(&bytes), zstd] {
                let file = file_of(&packed);
                for piece_bytes in [1 << 20, 50] {
                    let options = ReadOptions { young: false, piece_bytes };
                    let read = read_with(options, file.path(), &source("x"), "", &tags(TAGS));
                    let read = read.expect(name);
                    assert_eq!((read.rejects.len(), read.readings.len()), (0, 12), "{name}");
                    let first = first.get_or_insert_with(|| sorted(&read));
                    assert_eq!(*first, sorted(&read), "{name}");
                }
            }
        }
    }
}

/// Settings with the lines that detection proposes added.
fn fixed(settings: &SourceSettings, lines: &[String]) -> SourceSettings {
    let mut text = toml::to_string(settings).expect("writable");
    // Values come before tables in TOML; settings given by tests hold no table of their own.
    text.push_str(&lines.join("\n"));
    toml::from_str(&text).expect(&text)
}

/// Detects, writes the lines down, detects again: the same dialect, and nothing left to guess.
fn site_lines_hold(path: &Path, settings: &SourceSettings, zone: &str) {
    let Ok(found) = detect(path, settings, zone) else { return };
    let lines = found.site_lines();
    let fixed = fixed(settings, &lines);
    match detect(path, &fixed, "") {
        Ok(again) => {
            assert_eq!(again.dialect, found.dialect, "{} {lines:?}", path.display());
            let left = again.site_lines();
            let left: Vec<&String> = left.iter().filter(|l| !l.starts_with("quality =")).collect();
            assert!(left.is_empty(), "{} {left:?}", path.display());
        }
        Err(error) => panic!("{}: {error}\n{lines:?}", path.display()),
    }
}

#[test]
fn site_lines_fix_every_guess() {
    for text in layouts() {
        site_lines_hold(file_of(text.as_bytes()).path(), &source("x"), "Europe/Berlin");
    }
    let day_first = "a;10/03/2024 18.00.00;1,25\na;31/03/2024 18.00.00;1,5\n";
    site_lines_hold(file_of(day_first.as_bytes()).path(), &source("x"), "Europe/Berlin");
    let epochs = "tag|ts|value|quality\na|1709769600|1.5|Good\na|1709769601|2.5|Bad\n";
    site_lines_hold(file_of(epochs.as_bytes()).path(), &source("x"), "");
    let grouped = "time;D\n2024-03-07T00:00:00Z;1.234,5\n2024-03-07T00:01:00Z;12.345,25\n";
    site_lines_hold(file_of(grouped.as_bytes()).path(), &source("x"), "");
    let Some(folder) = shared_data("export_formats") else { return };
    for entry in std::fs::read_dir(folder).expect("folder") {
        let path = entry.expect("entry").path();
        if path.extension().is_some_and(|ext| ext == "csv" || ext == "rdb" || ext == "txt") {
            site_lines_hold(&path, &source("x"), "+01:00");
        }
    }
}

#[test]
fn three_rows_the_span_and_the_reasons_are_shown() {
    let [long, wide, _] = layouts();
    let file = file_of(long.as_bytes());
    let found = detect(file.path(), &source("x"), "").expect("readable");
    assert_eq!(found.rows.len(), 3);
    assert_eq!((found.rows[0].line, found.rows[0].value), (2, 20.5));
    assert_eq!(found.first.map(|t| t.to_string()), Some("2024-03-07T02:00:00Z".into()));
    assert_eq!(found.last.map(|t| t.to_string()), Some("2024-03-07T02:05:00Z".into()));
    assert_eq!(found.tags, ["FT-1 kg/m\u{b3}", "FT-1 \u{b0}C"]);
    assert!(found.guesses.iter().all(|guess| !guess.reason.is_empty()));
    let file = file_of(wide.as_bytes());
    let found = detect(file.path(), &source("x"), "").expect("readable");
    assert_eq!((found.dialect.skip_lines, found.dialect.layout), (2, Layout::Wide));
    assert_eq!(found.rows[2].line, 5);
}

/// Ten megabytes in which only the last row shows which number is the day.
#[test]
fn the_whole_file_is_asked_for_the_order_of_days() {
    let mut text = String::from("tag,time,value\n");
    for row in 0..320_000 {
        let _ = writeln!(
            text,
            "FT-1.D,05/06/2024 {:02}:{:02}:{:02},1000.5",
            row / 3600 % 24,
            row / 60 % 60,
            row % 60
        );
    }
    let ambiguous = file_of(text.as_bytes());
    let error = detect(ambiguous.path(), &source("x"), "UTC");
    assert!(matches!(error, Err(ImportError::AmbiguousDates { line: 2, .. })), "{error:?}");
    // In the middle, where no block of the sample need lie.
    let place = text[..text.len() * 9 / 20].rfind('\n').expect("line end") + 1;
    text.insert_str(place, "FT-1.D,25/06/2024 00:00:00,1000.5\n");
    let proven = file_of(text.as_bytes());
    let found = detect(proven.path(), &source("x"), "UTC").expect("proven");
    assert_eq!(
        found.site_lines().iter().filter(|l| l.contains(DateOrder::DayMonth.name())).count(),
        1
    );
}

#[test]
fn twenty_thousand_columns_are_a_table() {
    let names: Vec<String> = (0..20_000).map(|n| format!("FT-{n:05}.FLOW")).collect();
    let mut text = format!("time,{}\n", names.join(","));
    for minute in 0..20 {
        let _ = write!(text, "2024-03-07T02:{minute:02}:00Z");
        for column in 0..20_000 {
            let _ = write!(text, ",{}", column % 977);
        }
        text.push('\n');
    }
    let mut table = String::from("tag,meter,signal,unit\n");
    table.push_str("/(?P<meter>FT-\\d+)\\.FLOW/,,mass_flow,kg/h\n");
    let file = file_of(text.as_bytes());
    let read = read(file.path(), &source("x"), "", &tags(&table)).expect("readable");
    assert_eq!((read.report.delivered, read.rejects.len()), (400_000, 0));
}

fn error_of(bytes: &[u8]) -> ImportError {
    let file = file_of(bytes);
    detect(file.path(), &source("x"), "UTC").expect_err("refused")
}

#[test]
fn what_is_no_dump_is_refused_by_its_kind() {
    assert!(matches!(error_of(b""), ImportError::Empty { .. }));
    assert!(matches!(error_of(b"PK\x03\x04rest"), ImportError::Damaged { .. }));
    assert!(matches!(error_of(b"PAR1rest"), ImportError::NotText { .. }));
    assert!(matches!(error_of(&[0; 4096]), ImportError::NotText { .. }));
    assert!(matches!(error_of(b"\n\n# only notes\n"), ImportError::NoTable { .. }));
    assert!(matches!(error_of(b"no table here\nnone at all\n"), ImportError::NoTable { .. }));
    assert!(matches!(error_of(b"a,b\n1,2\n3,4\n"), ImportError::NoTime { .. }));
    assert!(matches!(error_of(b"time,a,b\n"), ImportError::NoRows { .. }));
    assert!(matches!(error_of(b"time;a;b\n;kg/h;degC\n"), ImportError::NoRows { .. }));
    assert!(matches!(
        error_of(b"time,text\n2024-03-07,x\n2024-03-08,y\n"),
        ImportError::UnclearLayout { .. }
    ));
    let cut = &gzip(layouts()[0].as_bytes())[..60];
    assert!(matches!(error_of(cut), ImportError::Damaged { .. }));
    let folder = tempfile::tempdir().expect("folder");
    let error = detect(folder.path(), &source("x"), "UTC").expect_err("folder");
    assert!(matches!(error, ImportError::NotAFile { kind: "folder", .. }));
    let error = detect(&folder.path().join("none"), &source("x"), "UTC").expect_err("missing");
    assert!(matches!(error, ImportError::Io { doing: "open", .. }));
}

#[test]
fn every_error_says_where_and_what_to_do() {
    let samples: [&[u8]; 6] = [
        b"",
        b"PK\x03\x04",
        b"a,b\n1,2\n",
        b"time,v\n03/04/2024,1\n",
        b"time,v\n2024-03-07,x\n",
        b"time;v\n2024-03-07;1,234\n",
    ];
    for bytes in samples {
        let error = error_of(bytes);
        assert!(!error.hint().is_empty() && !error.origin().file.is_empty(), "{error}");
        assert!(!error.to_string().ends_with('.'), "{error}");
    }
}

#[test]
fn settings_that_cannot_be_understood_are_named() {
    let [long, ..] = layouts();
    let file = file_of(long.as_bytes());
    let refused = |change: fn(&mut SourceSettings)| {
        let mut settings = source("syrup");
        change(&mut settings);
        detect(file.path(), &settings, "").expect_err("refused").to_string()
    };
    assert!(refused(|s| s.delimiter = Some("::".into())).contains("`delimiter` of source `syrup`"));
    assert!(refused(|s| s.decimal = Some("x".into())).contains("`decimal`"));
    assert!(refused(|s| s.thousands = Some("x".into())).contains("`thousands`"));
    assert!(refused(|s| s.time_format = Some("xx".into())).contains("`time_format`"));
    assert!(refused(|s| s.earliest = Some("xx".into())).contains("`earliest`"));
    assert!(refused(|s| s.zone = Some("Larkmoor".into())).contains("Larkmoor"));
    let missing = refused(|s| {
        s.columns.value = Some(metersift_import::settings::ColumnRef::Name("Wert".into()));
    });
    assert!(
        missing.contains("column `Wert` is missing; found Tag, Time, Value, Quality"),
        "{missing}"
    );
    let conflict = refused(|s| s.time_format = Some("epoch_s".into()));
    assert!(conflict.contains("`time_format` is set to `epoch_s`"), "{conflict}");
}

/// The excerpt that travels with the repository.
#[test]
fn the_excerpt_of_the_flow_rig_gives_every_reading() {
    let folder = root().join("notebooks-data/flow-rig-excerpt");
    let path = folder.join("run_5_2_first_600_rows.csv.gz");
    let read = read(&path, &source("rig"), "", &tags(common::RIG_TAGS)).expect("readable");
    assert_eq!((read.report.delivered, read.rejects.len()), (600 * 24, 0));
    let sums = std::fs::read_to_string(folder.join("CHECKSUMS.txt")).expect("checksums");
    assert!(sums.contains(&read.report.hash), "{}", read.report.hash);
}
