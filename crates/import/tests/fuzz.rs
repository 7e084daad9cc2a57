//! One target per test: whatever the bytes, an answer that can be held to something.
//!
//! Each target runs on its own and for as long as it is told to; see the head of `replay.rs`.
//! Outside witnesses: the standard library, `jiff`, `csv`, `encoding_rs`, and the serial reader in
//! `common/serial.rs`. A find becomes a case file in `tests/cases/import`.

mod common;
#[path = "../../../tests/replay.rs"]
mod replay;

use common::{file_of, gzip, read_as, read_with, source, tags, zip_of, zstd};
use metersift_import::clock::{TimeFormat, TimeReader, TimeValue};
use metersift_import::encoding::{decode_as, decode_onto, decoder, find};
use metersift_import::number::{NumberStyle, Thousands, parse};
use metersift_import::read::ReadOptions;
use metersift_import::settings::{DateOrder, Encoding};
use metersift_import::source::{Piece, Source};
use metersift_import::split::{Lines, fields_owned, fields_plain, nth_field};
use metersift_import::zone::Zone;
use metersift_import::{Dialect, detect, dumps_in, hash_file};
use proptest::prelude::*;
use proptest::sample::{Index, select};
use replay::replay;
use std::path::Path;

/// What happens to a text: a place, a byte, and one of eight kinds of damage.
type Damage = Vec<(Index, u8, u8)>;

fn damage(most: usize) -> impl Strategy<Value = Damage> {
    prop::collection::vec((any::<Index>(), any::<u8>(), 0..8u8), 0..most)
}

/// Bytes that mean something to a reader of dumps.
const SPEAKING: &[u8] = b"\"\n\r,;\t \0.-:#/T'%9eE+";

fn damaged(mut bytes: Vec<u8>, damage: &Damage) -> Vec<u8> {
    for (place, byte, kind) in damage {
        if bytes.is_empty() {
            bytes.push(*byte);
        }
        let at = place.index(bytes.len());
        let span = at..(at + usize::from(*byte)).min(bytes.len());
        match kind {
            0 => bytes[at] = *byte,
            1 => bytes.insert(at, *byte),
            2 => drop(bytes.remove(at)),
            3 => bytes[at] = SPEAKING[usize::from(*byte) % SPEAKING.len()],
            4 => bytes.insert(at, SPEAKING[usize::from(*byte) % SPEAKING.len()]),
            5 => drop(bytes.drain(span)),
            6 => {
                let part = bytes[span].to_vec();
                bytes.splice(at..at, part);
            }
            _ => bytes[at] ^= 1 << (byte % 8),
        }
    }
    bytes
}

fn styles() -> impl Strategy<Value = NumberStyle> {
    let marks = select(vec![
        None,
        Some(Thousands::Comma),
        Some(Thousands::Point),
        Some(Thousands::Apostrophe),
        Some(Thousands::Space),
    ]);
    (select(vec![b'.', b',']), marks)
        .prop_filter("two marks are told apart", |(decimal, thousands)| {
            !matches!((decimal, thousands), (b'.', Some(Thousands::Point)))
                && !matches!((decimal, thousands), (b',', Some(Thousands::Comma)))
        })
        .prop_map(|(decimal, thousands)| NumberStyle { decimal, thousands })
}

/// Witness: the standard library, on what is left when the marks are put its way.
#[test]
fn number() {
    let text = prop_oneof![
        "[-+\u{2212}]?[0-9.,' \u{a0}\u{202f}]{0,24}([eE][-+]?[0-9]{0,4})?",
        any::<f64>().prop_map(|value| format!("{value}")),
        any::<f64>().prop_map(|value| format!("{value:e}")),
        "[0-9]{1,30}[.,][0-9]{0,320}",
        any::<String>(),
    ];
    replay(20_000, (text, styles()), |(text, style)| {
        let Some(value) = parse(text.as_bytes(), style) else {
            // Plain texts of the standard library's grammar must not be lost.
            let plain = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
            prop_assert!(!plain || text.len() > 300, "{text:?}");
            return Ok(());
        };
        prop_assert!(value.is_finite(), "{text:?}");
        let mut bare: String = text.trim_matches([' ', '\t', '\u{a0}', '\u{202f}']).into();
        for mark in match style.thousands {
            None => &[][..],
            Some(Thousands::Comma) => &[','],
            Some(Thousands::Point) => &['.'],
            Some(Thousands::Apostrophe) => &['\''],
            Some(Thousands::Space) => &[' ', '\u{a0}', '\u{202f}'],
        } {
            bare = bare.replace(*mark, "");
        }
        let bare = bare.replace(char::from(style.decimal), ".").replace('\u{2212}', "-");
        prop_assert_eq!(bare.parse().map(f64::to_bits), Ok(value.to_bits()), "{:?}", text);
        Ok(())
    });
}

/// Witnesses: the standard library for lines, `csv` for fields where both find them well formed.
#[test]
fn splitting() {
    let text = prop_oneof!["[a;,\" \r\n0]{0,40}", "[a;\r\n]{0,40}", any::<String>()];
    replay(20_000, (text, any::<Index>()), |(text, column)| {
        let lines: Vec<&[u8]> = Lines::new(text.as_bytes()).collect();
        let plain = text.replace("\r\n", "\n").replace('\r', "\n");
        let body = plain.strip_suffix('\n').unwrap_or(&plain);
        let expected: Vec<&str> =
            if plain.is_empty() { vec![] } else { body.split('\n').collect() };
        prop_assert_eq!(&lines, &expected.iter().map(|l| l.as_bytes()).collect::<Vec<_>>());
        for line in lines {
            let mut spans = Vec::new();
            fields_plain(line, b';', &mut spans);
            let parts: Vec<&[u8]> =
                spans.iter().map(|&(from, to)| &line[from as usize..to as usize]).collect();
            prop_assert_eq!(parts, line.split(|&b| b == b';').collect::<Vec<_>>());
            let Ok(fields) = fields_owned(line, b';') else { continue };
            let n = column.index(fields.len() + 1);
            let one = nth_field(line, b';', n).map(|field| field.into_owned());
            prop_assert_eq!(one.as_ref(), fields.get(n));
            let mut writer =
                csv::WriterBuilder::new().delimiter(b';').flexible(true).from_writer(Vec::new());
            writer.write_byte_record(&fields.iter().collect::<csv::ByteRecord>()).expect("memory");
            let written = writer.into_inner().expect("memory");
            let again = fields_owned(written.strip_suffix(b"\n").unwrap_or(&written), b';');
            // `csv` writes a record of one empty field as a pair of quotes.
            prop_assert_eq!(again.as_ref(), Ok(&fields), "{:?}", text);
        }
        Ok(())
    });
}

/// Witness: `jiff`, wherever it takes the text for an instant too.
#[test]
fn time() {
    let seeds = select(vec![
        "2024-03-07T12:34:56Z",
        "2024-03-31 02:30:00.123456",
        "2024-10-27T02:30:00+01:00",
        "07.03.2024 12:34:56",
        "3/7/24 1:02 PM",
        "20240307T123456",
        "2024-W10-4",
        "2024-067",
        "1709814896123",
        "45358.52426",
        "7-Mar-2024 12:34:56.789",
    ]);
    let text = prop_oneof![
        (seeds, damage(6)).prop_map(|(seed, damage)| damaged(seed.into(), &damage)),
        any::<i64>().prop_map(|number| number.to_string().into_bytes()),
        prop::collection::vec(any::<u8>(), 0..30),
    ];
    let formats = select(vec![
        TimeFormat::ISO,
        TimeFormat::Civil { order: DateOrder::DayMonth, short_years: true },
        TimeFormat::Civil { order: DateOrder::MonthDay, short_years: false },
        TimeFormat::EpochS,
        TimeFormat::EpochMs,
        TimeFormat::EpochUs,
        TimeFormat::EpochNs,
        TimeFormat::SpreadsheetDays,
        TimeFormat::Pattern("%d.%m.%Y %H:%M:%S".into()),
        TimeFormat::Pattern("%Y%m%d%H%M".into()),
    ]);
    let zones = select(vec!["UTC", "Europe/London", "Australia/Lord_Howe", "-03:30"]);
    replay(20_000, (prop::collection::vec(text, 1..4), formats, zones), |(texts, format, zone)| {
        let zone = Zone::parse(zone).expect("a zone");
        let mut together = TimeReader::new(&format, &zone);
        for text in &texts {
            let read = together.read(text);
            // What was read before must not matter.
            prop_assert_eq!(read, TimeReader::new(&format, &zone).read(text), "{:?}", text);
            if let TimeValue::Fold { local, early, late } = read {
                prop_assert!(early < late && (local - early).abs() < 86_400_000_000);
            }
            let instant = std::str::from_utf8(text).ok().and_then(|text| {
                text.parse::<jiff::Timestamp>().ok().filter(|_| !text.contains(":60"))
            });
            if let (Some(instant), TimeValue::At(at)) = (instant, read)
                && format == TimeFormat::ISO
            {
                prop_assert!(
                    (instant.as_nanosecond() / 1000 - i128::from(at)).abs() <= 1,
                    "{:?}: {} {}",
                    String::from_utf8_lossy(text),
                    instant,
                    at
                );
            }
        }
        Ok(())
    });
}

/// Witness: the standard library, on UTF-8 and UTF-16.
#[test]
fn encoding() {
    let text = prop_oneof![any::<String>(), "[ -~\n°µ³]{0,60}"];
    let kinds = 0..4u8;
    replay(10_000, (text, kinds, damage(4), 1usize..9), |(text, kind, damage, step)| {
        let units = |little: bool| -> Vec<u8> {
            let bytes = |u: u16| if little { u.to_le_bytes() } else { u.to_be_bytes() };
            text.encode_utf16().flat_map(bytes).collect()
        };
        let (bytes, encoding) = match kind {
            0 => (text.clone().into_bytes(), Encoding::Utf8),
            1 => (units(true), Encoding::Utf16Le),
            2 => (units(false), Encoding::Utf16Be),
            _ => (text.clone().into_bytes(), Encoding::Windows1252),
        };
        if kind < 3 {
            let bare = text.strip_prefix('\u{feff}').unwrap_or(&text);
            prop_assert_eq!(decode_as(&bytes, encoding), bare.as_bytes());
        }
        let bytes = damaged(bytes, &damage);
        let _ = find(&bytes, std::slice::from_ref(&bytes));
        let whole = decode_as(&bytes, encoding);
        if encoding != Encoding::Utf8 {
            prop_assert!(std::str::from_utf8(&whole).is_ok());
        }
        // In steps as at once: a character may be cut by a step.
        let Some(mut steps) = decoder(encoding) else { return Ok(()) };
        let mut out = Vec::new();
        bytes.chunks(step).for_each(|part| decode_onto(&mut steps, part, false, &mut out));
        decode_onto(&mut steps, &[], true, &mut out);
        prop_assert_eq!(out.strip_prefix("\u{feff}".as_bytes()).unwrap_or(&out), &whole[..]);
        Ok(())
    });
}

/// All text of a dump, or that it was refused.
fn text_of(path: &Path, piece_bytes: usize) -> Option<Vec<u8>> {
    let mut source = Source::open_with(path, Encoding::Utf8, piece_bytes).ok()?;
    let mut all = Vec::new();
    while let Some(piece) = source.next_piece(Vec::new()).ok()? {
        match piece {
            Piece::Text(text) => all.extend_from_slice(&text),
            Piece::TooLong(_) => return None,
        }
    }
    let summary = source.finish().ok()?;
    assert_eq!(summary.hash, hash_file(path).expect("hashed"));
    Some(all)
}

/// A packed text with a checksum is read as it was packed, or refused.
#[test]
fn archive() {
    let text = prop_oneof!["[a-f0-9,\n]{0,300}", "(FT-1,1\\.5\n){1,400}"];
    replay(1_500, (text, 0..6u8, damage(4), 1usize..600), |(text, kind, damage, piece)| {
        let half = text.len() / 2;
        let (one, two) = (&text.as_bytes()[..half], &text.as_bytes()[half..]);
        let packed = match kind {
            0 => gzip(text.as_bytes()),
            1 => [gzip(one), gzip(two)].concat(),
            2 => zstd(text.as_bytes()),
            3 => [zstd(one), zstd(two)].concat(),
            4 => zip_of(&[("a.csv", text.as_bytes())], true),
            _ => zip_of(&[("a.csv", text.as_bytes())], false),
        };
        let file = file_of(&damaged(packed, &damage));
        let dump = match dumps_in(file.path()) {
            Err(_) => return Ok(()),
            Ok(None) => file.path().to_owned(),
            Ok(Some(entries)) => match entries.into_iter().next() {
                Some(entry) => entry,
                None => return Ok(()),
            },
        };
        let read = text_of(&dump, piece);
        prop_assert_eq!(&read, &text_of(&dump, 1 << 16), "the size of pieces matters");
        let Some(read) = read else { return Ok(()) };
        prop_assert!(!damage.is_empty() || text.is_empty() || read == text.as_bytes());
        let head = std::fs::read(file.path()).unwrap_or_default();
        let packed_still = head.starts_with(&[0x1F, 0x8B]) || head.starts_with(b"PK\x03\x04");
        // A member or frame that was cut off whole at its end is a shorter file, not a broken one.
        let parts = [&b""[..], one, two, text.as_bytes()];
        let twice = |read: &[u8]| {
            parts.iter().any(|a| read.strip_prefix(*a).is_some_and(|rest| parts.contains(&rest)))
        };
        prop_assert!(!packed_still || twice(&read), "other text than was packed");
        Ok(())
    });
}

const TAGS: &str = "tag,meter,signal,unit,from,until\n\
    FT-1.DENS,FT-1,density,kg/m3,,\nFT-1.TEMP,FT-1,temperature,degC,,\n\
    FT-2.DENS,FT-2,density,g/cm3,,2024-03-31\nFT-3.DENS,FT-2,density,g/cm3,2024-03-31,\n\
    SPARE,,ignore,,,\n";

/// A dump as a historian might write it, and its zone.
fn dumps() -> impl Strategy<Value = Vec<u8>> {
    let times = select(vec![
        "%Y-%m-%dT%H:%M:%SZ",
        "%Y-%m-%d %H:%M:%S",
        "%d.%m.%Y %H:%M:%S",
        "%m/%d/%Y %I:%M:%S %p",
        "%s",
    ]);
    (
        times,
        select(vec![";", ",", "\t"]),
        select(vec!["\n", "\r\n"]),
        any::<bool>(),
        any::<bool>(),
        1..200i64,
        8..60usize,
        0..3u8,
    )
        .prop_map(|(time, by, end, wide, comma, step_min, rows, extra)| {
            let mut text = String::new();
            if extra == 1 {
                text.push_str(&format!("Export of the night{end}{end}"));
            }
            let header = match wide {
                true => ["Time", "FT-1.DENS", "FT-1.TEMP", "FT-2.DENS", "SPARE"].join(by),
                false => ["tag", "time", "value", "quality"].join(by),
            };
            text.push_str(&header);
            text.push_str(end);
            let number = |value: f64| {
                let text = format!("{value:.3}");
                if comma && by != "," { text.replace('.', ",") } else { text }
            };
            for row in 0..rows {
                let second = 1_711_843_200 + row as i64 * step_min * 60;
                let at = jiff::Timestamp::from_second(second).expect("in range");
                let civil = jiff::tz::Offset::UTC.to_datetime(at);
                let at = match time {
                    "%s" => second.to_string(),
                    pattern => civil.strftime(pattern).to_string(),
                };
                let value = number(1000.0 + (row * 7 % 13) as f64 / 8.0);
                let cells = match wide {
                    true => vec![at, value.clone(), number(20.5), value, "1".into()],
                    false => {
                        let tag = ["FT-1.DENS", "FT-1.TEMP", "FT-2.DENS", "SPARE", "FT-9"][row % 5];
                        vec![tag.into(), at, value, ["192", "0"][row % 2].into()]
                    }
                };
                text.push_str(&cells.join(by));
                text.push_str(end);
            }
            if extra == 2 {
                text.push_str(&format!("{rows} rows{end}"));
            }
            text.into_bytes()
        })
}

/// What the serial reader does not know: see its head.
fn plain_enough(bytes: &[u8], dialect: &Dialect) -> bool {
    !dialect.quoted_newlines && dialect.unit_rows == 0 && !bytes.contains(&0)
}

/// Whatever is found out: every row is accounted for, whatever the size of the pieces, and the
/// serial reader finds the same rows under the same dialect.
#[test]
fn detection() {
    let zones = select(vec!["UTC", "Europe/Berlin", "America/St_Johns"]);
    replay(1_200, (dumps(), damage(5), zones, 1usize..2_000), |(dump, damage, zone, piece)| {
        let bytes = damaged(dump, &damage);
        let file = file_of(&bytes);
        let (settings, table) = (source("x"), tags(TAGS));
        let Ok(found) = detect(file.path(), &settings, zone) else { return Ok(()) };
        let _ = found.site_lines();
        let dialect = &found.dialect;
        let options = ReadOptions { young: false, piece_bytes: piece };
        let whole = read_as(ReadOptions::default(), file.path(), dialect, &table);
        let cut = read_as(options, file.path(), dialect, &table);
        let whole = match (whole, cut) {
            (Ok(whole), Ok(cut)) => {
                prop_assert!(whole.report.adds_up());
                prop_assert_eq!(&whole.report, &cut.report);
                prop_assert_eq!(&whole.rejects, &cut.rejects);
                whole
            }
            (Err(_), Err(_)) => return Ok(()),
            _ => return Err(TestCaseError::fail("the size of pieces matters")),
        };
        let headers = whole.report.changed_headers + whole.report.repeated_headers;
        if !plain_enough(&bytes, dialect) || headers + whole.report.note_lines > 0 {
            return Ok(());
        }
        let ours = common::serial::rows(&whole);
        let serial = common::serial::read(&bytes, dialect, TAGS);
        prop_assert_eq!(ours, serial);
        // A dump found out once is read alike with what was found out as settings.
        prop_assert!(
            read_with(ReadOptions::default(), file.path(), &settings, zone, &table).is_ok()
        );
        Ok(())
    });
}
