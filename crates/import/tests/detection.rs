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
    let cr = text.replace('\n', "\r");
    let mixed = text.replacen('\n', "\r\n", 3);
    let mut all = plain;
    all.push(("crlf", crlf.as_bytes().to_vec()));
    all.push(("utf-8 with mark, crlf", format!("\u{feff}{crlf}").into_bytes()));
    all.push(("utf-16le crlf", utf16(&crlf, true)));
    all.push(("utf-16be cr", utf16(&cr, false)));
    all.push(("mixed line ends, none at the end", mixed.trim_end().as_bytes().to_vec()));
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
fn twelve_encodings_three_layouts_and_three_packings_are_one_set_of_readings() {
    let mut first = None;
    for text in layouts() {
        let encodings = encodings(&text);
        assert_eq!(encodings.len(), 12);
        for (name, bytes) in encodings {
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
    let found = detect(path, settings, zone).expect("readable");
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
            // A quality word that is not mapped is refused.
            if detect(&path, &source("x"), "+01:00").is_ok() {
                site_lines_hold(&path, &source("x"), "+01:00");
            }
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

/// Every setting that a file can contradict: the message shows the setting, its value and what
/// the file says, and the line where one line shows it.
#[test]
fn a_setting_that_the_file_contradicts_is_an_error_that_shows_both() {
    use metersift_import::settings::{ColumnRef, Encoding, QualityCode};
    type Change = fn(&mut SourceSettings);
    let [long, wide, _] = layouts();
    let utf16: Vec<u8> = long.encode_utf16().flat_map(u16::to_le_bytes).collect();
    let latin: Vec<u8> = long.chars().map(|c| u32::from(c) as u8).collect();
    let marked = format!("\u{feff}{long}");
    let iso = "time;D\n2024-03-07T00:00:00Z;1.234,5\n2024-03-07T00:01:00Z;12.345,25\n";
    let month_first = "time;D\n03/25/2024 00:00;1,5\n03/26/2024 00:00;1,5\n";
    let words = "tag,time,value,quality\nD,2024-03-07T00:00:00Z,1,Good\n";
    let headless = "2024-03-07T00:00:00Z;1,5\n2024-03-07T00:01:00Z;1,25\n";
    let texts = "time,a,b\n2024-03-07T00:00:00Z,x,y\n2024-03-07T00:01:00Z,x,z\n";
    let cases: [(&str, &[u8], Change, &str, &str); 19] = [
        ("encoding", &utf16, |s| s.encoding = Some(Encoding::Utf8), "utf-8", "utf-16le"),
        ("encoding", &latin, |s| s.encoding = Some(Encoding::Utf8), "utf-8", "line 2"),
        (
            "encoding",
            marked.as_bytes(),
            |s| s.encoding = Some(Encoding::Windows1252),
            "windows-1252",
            "byte order mark",
        ),
        (
            "encoding",
            long.as_bytes(),
            |s| s.encoding = Some(Encoding::Utf16Be),
            "utf-16be",
            "utf-8",
        ),
        ("delimiter", long.as_bytes(), |s| s.delimiter = Some("|".into()), "|", ";: 4 columns"),
        ("decimal", long.as_bytes(), |s| s.decimal = Some(".".into()), ".", "20,5"),
        ("thousands", iso.as_bytes(), |s| s.thousands = Some("'".into()), "'", "1.234,5"),
        ("header", long.as_bytes(), |s| s.header = Some(false), "false", "`Tag`, `Time`"),
        ("header", headless.as_bytes(), |s| s.header = Some(true), "true", "no line above line 1"),
        ("skip_lines", wide.as_bytes(), |s| s.skip_lines = Some(0), "0", "line 3"),
        ("skip_lines", wide.as_bytes(), |s| s.skip_lines = Some(5), "5", "line 3"),
        ("skip_lines", headless.as_bytes(), |s| s.skip_lines = Some(1), "1", "rows from line 1"),
        ("unit_rows", wide.as_bytes(), |s| s.unit_rows = Some(1), "1", "rows from line 4"),
        (
            "layout",
            texts.as_bytes(),
            |s| s.layout = Some(Layout::Wide),
            "wide",
            "no column of numbers",
        ),
        ("layout", iso.as_bytes(), |s| s.layout = Some(Layout::Long), "long", "no column of tags"),
        (
            "columns.time",
            long.as_bytes(),
            |s| s.columns.time = Some(ColumnRef::Number(3)),
            "Value",
            "20,5",
        ),
        (
            "columns.value",
            long.as_bytes(),
            |s| s.columns.value = Some(ColumnRef::Number(1)),
            "Tag",
            "no number",
        ),
        (
            "date_order",
            month_first.as_bytes(),
            |s| s.date_order = Some(DateOrder::DayMonth),
            "day-month",
            "03/25/2024",
        ),
        (
            "quality",
            words.as_bytes(),
            |s| s.quality = Some(QualityCode::OpcClassic),
            "opc_classic",
            "`Good`",
        ),
    ];
    for (setting, bytes, change, set, found) in cases {
        let file = file_of(bytes);
        let mut settings = source("syrup");
        change(&mut settings);
        let error = match detect(file.path(), &settings, "UTC") {
            Err(error) => error,
            Ok(found) => panic!("`{setting}` = {set} is taken: {:?}", found.dialect),
        };
        assert!(matches!(error, ImportError::Conflict { .. }), "{setting}: {error:?}");
        let text = error.to_string();
        for part in [format!("`{setting}` is set to `{set}`"), found.to_owned()] {
            assert!(text.contains(&part), "{setting}: {part} is missing: {text}");
        }
    }
}

/// A setting is the user's word: it is taken wherever the file can be read so, even where
/// detection alone would have decided otherwise or refused.
#[test]
fn a_setting_wins_over_what_detection_would_have_chosen() {
    let open = "time;D\n03/04/2024 00:00;1.234\n03/04/2024 00:01;2.345\n";
    let file = file_of(open.as_bytes());
    for (order, decimal, time, value) in [
        (DateOrder::DayMonth, ".", "2024-04-03T00:00:00Z", 1.234),
        (DateOrder::MonthDay, ".", "2024-03-04T00:00:00Z", 1.234),
    ] {
        let mut settings = source("x");
        settings.date_order = Some(order);
        settings.decimal = Some(decimal.into());
        let found = detect(file.path(), &settings, "UTC").expect("as set");
        assert_eq!(found.first.map(|t| t.to_string()), Some(time.into()));
        assert_eq!(found.rows[0].value, value);
        assert!(found.site_lines().iter().all(|l| !l.starts_with("date_order")));
    }
    let mut grouped = source("x");
    grouped.date_order = Some(DateOrder::DayMonth);
    (grouped.decimal, grouped.thousands) = (Some(",".into()), Some(".".into()));
    let found = detect(file.path(), &grouped, "UTC").expect("as set");
    assert_eq!(found.rows[0].value, 1234.0);
    // One number column beside texts looks long; the user knows that it is wide.
    let texts = "time;D;remark\n2024-03-07T00:00:00Z;1;quiet\n2024-03-07T00:01:00Z;2;quiet\n";
    let file = file_of(texts.as_bytes());
    assert_eq!(
        detect(file.path(), &source("x"), "").map(|d| d.dialect.layout).ok(),
        Some(Layout::Long)
    );
    let mut wide = source("x");
    wide.layout = Some(Layout::Wide);
    let found = detect(file.path(), &wide, "").expect("as set");
    assert_eq!(
        (found.dialect.layout, found.tags),
        (Layout::Wide, vec!["D".into(), "remark".into()])
    );
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

/// Found by the serial oracle: without a number and with an impossible time, the first row passed
/// for a row of units and was lost without a reject.
#[test]
fn a_first_row_with_nothing_right_in_it_is_a_reject_and_no_unit_row() {
    let mut text =
        String::from("tag,time,value,quality\nFT-1 \u{b0}C,2024-02-30T00:00:00Z,\",\",x\n");
    for minute in 0..20 {
        let _ = writeln!(text, "FT-1 \u{b0}C,2024-03-07T02:{minute:02}:00Z,21.5,192");
    }
    let file = file_of(text.as_bytes());
    let read = read(file.path(), &source("x"), "UTC", &tags(TAGS)).expect("read");
    assert_eq!((read.readings.len(), read.report.rejected_total()), (20, 1));
    assert!(read.rejects.iter().all(|reject| reject.origin.line == 2), "{:?}", read.rejects);
}
