//! The first hour of each of the three people that the program is made for, from an empty desk.

use crate::support::*;
use std::collections::BTreeSet;
use std::io::Write;
use std::path::Path;
use std::time::{Duration, Instant, SystemTime};

/// The day of a dump: every second one, so that no two share an hour in any zone.
fn day(number: i32) -> metersift_model::Day {
    metersift_model::Day::parse("2026-02-02").expect("a day").plus(2 * number)
}

/// Readings of a day, one row per tag and five minutes: tag, minute of the day, value.
fn readings() -> Vec<(&'static str, u32, f64)> {
    let mut rows = Vec::new();
    for minute in (0..1440).step_by(5) {
        let wave = f64::from(minute % 35) * 0.01;
        rows.push(("FT-1.FLOW", minute, 12_000.0 + 100.0 * wave));
        rows.push(("FT-1.DENS", minute, 998.2 + wave));
        rows.push(("FT-1.DRIVE", minute, 11.0 + wave));
    }
    rows
}

/// `2026-02-02T00:05:00` and other ways to write it.
#[derive(Clone, Copy)]
enum Clock {
    /// ISO with a Z.
    Utc,
    /// ISO with an offset of an hour.
    Offset,
    /// ISO without a zone.
    Local,
    /// Day first, without a zone.
    DayFirst,
    /// Seconds since 1970.
    Epoch,
}

fn stamp(clock: Clock, day: metersift_model::Day, minute: u32) -> String {
    let (hour, minute) = (minute / 60, minute % 60);
    let civil = day.civil();
    match clock {
        Clock::Utc => format!("{day}T{hour:02}:{minute:02}:00Z"),
        Clock::Offset => format!("{day}T{hour:02}:{minute:02}:00+01:00"),
        Clock::Local => format!("{day} {hour:02}:{minute:02}:00"),
        Clock::DayFirst => format!(
            "{:02}.{:02}.{} {hour:02}:{minute:02}",
            civil.day(),
            civil.month(),
            civil.year()
        ),
        Clock::Epoch => {
            (day.start().0 / 1_000_000 + i64::from(hour * 60 + minute) * 60).to_string()
        }
    }
}

/// A long dump: delimiter, decimal mark and clock as asked.
fn long(clock: Clock, day: metersift_model::Day, delimiter: char, decimal: char) -> String {
    let mut text = format!("tag{delimiter}time{delimiter}value\n");
    for (tag, minute, value) in readings() {
        let value = format!("{value:.2}").replace('.', &decimal.to_string());
        let time = stamp(clock, day, minute);
        text.push_str(&format!("{tag}{delimiter}{time}{delimiter}{value}\n"));
    }
    text
}

/// A wide dump: one column per tag.
fn wide(day: metersift_model::Day) -> String {
    let mut text = String::from("time,FT-1.FLOW,FT-1.DENS,FT-1.DRIVE\n");
    for row in readings().chunks(3) {
        let time = stamp(Clock::Utc, day, row[0].1);
        text.push_str(&format!("{time},{:.2},{:.2},{:.2}\n", row[0].2, row[1].2, row[2].2));
    }
    text
}

fn utf16(text: &str) -> Vec<u8> {
    let mut bytes = vec![0xff, 0xfe];
    bytes.extend(text.encode_utf16().flat_map(u16::to_le_bytes));
    bytes
}

fn windows_1252(text: &str) -> Vec<u8> {
    // The only letters beyond ASCII are those of the note in the first line.
    text.chars().map(|c| u8::try_from(u32::from(c)).expect("Latin-1")).collect()
}

fn zipped(name: &str, bytes: &[u8]) -> Vec<u8> {
    let mut writer = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    writer.start_file(name, zip::write::SimpleFileOptions::default()).expect("memory");
    writer.write_all(bytes).expect("memory");
    writer.finish().expect("memory").into_inner()
}

/// Twenty ugly dumps: three encodings, two zones, gz, zst and zip, one still growing, one cut
/// short, one whose dates may be swapped.
fn twenty_dumps(folder: &Path) {
    let mill = |n: i32, ending: &str| folder.join(format!("mill-{n:02}.{ending}"));
    let dock = |n: i32, ending: &str| folder.join(format!("dock-{n:02}.{ending}"));
    let plain = |n| long(Clock::Local, day(n), ',', '.');
    // The mill writes local time.
    put(&mill(0, "csv"), plain(0));
    put(&mill(1, "csv"), plain(1).replace('\n', "\r\n"));
    put(&mill(2, "csv.gz"), gzip(plain(2).as_bytes()));
    put(&mill(3, "csv.zst"), zstd::encode_all(plain(3).as_bytes(), 3).expect("memory"));
    put(&mill(4, "zip"), zipped("mill-04.csv", plain(4).as_bytes()));
    put(&mill(5, "csv"), utf16(&long(Clock::Local, day(5), '\t', '.')));
    // 2026-02-24 and later prove that the day comes first.
    let day_first = long(Clock::DayFirst, day(11), ';', ',');
    let note = "Export M\u{fc}hle; Gr\u{f6}\u{df}en in m\u{b3}/h und \u{b0}C\n";
    put(&mill(11, "csv"), windows_1252(&format!("{note}{day_first}")));
    put(&mill(12, "csv"), long(Clock::DayFirst, day(12), ';', ','));
    let both =
        [gzip(plain(13).as_bytes()), gzip(plain(14).split_once('\n').expect("rows").1.as_bytes())];
    put(&mill(13, "csv.gz"), both.concat());
    // Dates that fit both orders: 03.02.2026 is the third of February or the second of March.
    put(&mill(6, "csv"), long(Clock::DayFirst, day(0).plus(1), ';', ','));
    // Cut in the middle of its packed bytes.
    let whole = gzip(plain(15).as_bytes());
    put(&mill(15, "csv.gz"), &whole[..whole.len() / 2]);
    // The dock writes UTC, or says its offset.
    put(&dock(7, "csv"), long(Clock::Utc, day(7), ',', '.'));
    put(&dock(8, "csv"), long(Clock::Offset, day(8), ',', '.'));
    put(&dock(9, "csv"), format!("\u{feff}{}", wide(day(9))));
    put(&dock(10, "csv.gz"), gzip(wide(day(10)).as_bytes()));
    put(&dock(16, "csv"), long(Clock::Epoch, day(16), '|', '.'));
    put(&dock(17, "csv"), long(Clock::Local, day(17), ';', ','));
    put(&dock(18, "csv"), long(Clock::Utc, day(18), ',', '.').replace(",11.00", ",\"No Data\""));
    let mut no_end = long(Clock::Utc, day(19), ',', '.');
    no_end.pop();
    put(&dock(19, "csv"), no_end);
    put(&dock(20, "csv"), long(Clock::Utc, day(20), ',', '.'));
    // All but the last came to rest an hour ago.
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path != dock(20, "csv") {
            let file = std::fs::File::options().write(true).open(&path).expect("a dump");
            let then = SystemTime::now() - Duration::from_secs(3600);
            file.set_modified(then).expect("a time");
        }
    }
}

/// What the analyst writes: three settings beside the patterns.
const ANALYST: &str = "name = \"Larkmoor Works\"\n\n\
    [[sources]]\nname = \"mill\"\nfiles = [\"dumps/mill-*\"]\nzone = \"Europe/Berlin\"\nquality = \"none\"\n\n\
    [[sources]]\nname = \"dock\"\nfiles = [\"dumps/dock-*\"]\nzone = \"UTC\"\nquality = \"none\"\n";

#[test]
fn analyst_twenty_ugly_dumps_become_a_store_that_sums_with_two_refused_and_a_patch() {
    let begun = Instant::now();
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    twenty_dumps(&site.join("dumps"));
    assert_eq!(std::fs::read_dir(site.join("dumps")).expect("dumps").count(), 20);
    // First a look: every file is described or refused, and nothing is written.
    let scan =
        metersift(["scan", &site.join("dumps").to_string_lossy(), "--zone", "Europe/Berlin"]);
    assert_eq!(scan.code, Some(1), "{}", scan.stderr);
    assert_eq!(scan.stdout.matches("mill-").count().min(1), 1, "{}", scan.stdout);
    put(&site.join("site.toml"), ANALYST);
    put(&site.join("records/register.csv"), REGISTER);
    put(&site.join("records/tags.csv"), TAGS);

    let first = run_night(site);
    assert_eq!(first.code, Some(1), "two dumps are set aside: {}", first.stderr);
    let line = first.stderr.lines().find(|l| l.starts_with("import ")).expect("the import line");
    assert!(line.contains("17 new dumps"), "{line}\n{}", first.stderr);
    assert!(line.contains("1 young") && line.contains("2 refused"), "{line}");
    // Refused with what to do: the lines for the site file, or to bring the file again.
    let hint = |name: &str| {
        let mut lines = first.stderr.lines().skip_while(|l| !l.contains(name));
        lines.find(|l| l.starts_with("hint:")).unwrap_or_else(|| panic!("{name}: {}", first.stderr))
    };
    assert!(hint("mill-06.csv").contains("date_order"), "{}", hint("mill-06.csv"));
    assert!(!hint("mill-15.csv.gz").is_empty());
    assert!(first.stderr.contains("dock-20.csv"), "the growing one is named: {}", first.stderr);

    let account = metersift(["ledger", "--format", "csv", "--site", &site.to_string_lossy()]);
    assert_eq!(account.code, Some(0), "{}", account.stderr);
    let mut reader = csv::Reader::from_reader(account.stdout.as_bytes());
    let header = reader.headers().expect("a header").clone();
    let at = |name: &str| header.iter().position(|h| h == name).expect("a column");
    let rows: Vec<csv::StringRecord> = reader.records().map(|row| row.expect("a row")).collect();
    assert_eq!(rows.len(), 17);
    let count =
        |row: &csv::StringRecord, name: &str| row[at(name)].parse::<u64>().expect("a count");
    assert!(rows.iter().all(|row| &row[at("sums")] == "true"), "{}", account.stdout);
    // Seventeen files hold eighteen days (one has two packed members) of 864 readings.
    assert_eq!(rows.iter().map(|row| count(row, "rows_in")).sum::<u64>(), 18 * 864);
    assert_eq!(rows.iter().map(|row| count(row, "stored")).sum::<u64>(), 18 * 864);

    // Each day is there from its midnight on, in the zone of who wrote it.
    let store = metersift_store::Store::read(&site.join("store")).expect("a store");
    let ledger = store.ledger();
    let first_of = |name: &str| {
        let dump = ledger.dumps.iter().find(|dump| dump.name.contains(name));
        dump.unwrap_or_else(|| panic!("{name}")).first().expect("a time").to_string()
    };
    assert_eq!(first_of("mill-00"), "2026-02-01T23:00:00Z", "Berlin is an hour ahead");
    assert_eq!(first_of("mill-11"), "2026-02-23T23:00:00Z");
    assert_eq!(first_of("mill-05"), "2026-02-11T23:00:00Z");
    assert_eq!(first_of("dock-07"), "2026-02-16T00:00:00Z");
    assert_eq!(first_of("dock-08"), "2026-02-17T23:00:00Z", "it says its offset");
    assert_eq!(first_of("dock-16"), "2026-03-06T00:00:00Z");

    let before = snapshot(&site.join("store/samples"));
    let again = Instant::now();
    let second = run_night(site);
    let took = again.elapsed();
    assert_eq!(second.code, Some(1), "what is refused stays refused: {}", second.stderr);
    assert!(second.stderr.contains("0 new dumps"), "{}", second.stderr);
    assert!(second.stderr.contains("computed 0 of"), "{}", second.stderr);
    assert!(snapshot(&site.join("store/samples")) == before, "the same digest");
    assert!(took < Duration::from_secs(2), "{took:?}");
    assert!(begun.elapsed() < Duration::from_secs(600));
}

/// Entries of the newest list that people act on, as JSON lines.
fn entries() -> Vec<serde_json::Value> {
    let file = newest(&JUDGED.site).join("lists/watch-list.jsonl");
    let text = std::fs::read_to_string(file).expect("a list");
    let all =
        text.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).expect("JSON"));
    all.filter(|entry| entry["rank"].as_u64().is_some_and(|rank| rank > 0)).collect()
}

#[test]
fn reliability_team_every_entry_has_why_change_disproof_next_step_and_caution() {
    let page =
        std::fs::read_to_string(newest(&JUDGED.site).join("report/index.html")).expect("a report");
    let entries = entries();
    assert!(!entries.is_empty(), "somebody is listed");
    let listed: BTreeSet<&str> =
        entries.iter().filter_map(|entry| entry["meter"].as_str()).collect();
    for entry in &entries {
        let text = |key: &str| entry[key].as_str().unwrap_or_default().trim();
        for key in ["meter", "evidence", "next_step", "settles", "cautions", "change"] {
            assert!(!text(key).is_empty(), "{} has no {key}", text("meter"));
        }
        let known = ["new", "worse", "same", "better"];
        assert!(known.contains(&text("change")), "{}", text("change"));
        // Why in one sentence: it begins, ends, and has numbers in it.
        let why = text("evidence");
        assert!(why.ends_with('.') && why.contains(|c: char| c.is_ascii_digit()), "{why}");
    }
    for meter in listed {
        assert!(page.contains(meter), "{meter} is not in the report");
    }
    for (what, part) in [
        ("what would prove it wrong", "prove"),
        ("the budget line", "expected to be false"),
        ("cautions", "local codes"),
        ("the first line of counts", "not judged"),
    ] {
        assert!(page.contains(part), "{what} is missing");
    }
}

#[test]
fn reliability_team_the_report_reads_without_script_and_without_network() {
    let page =
        std::fs::read_to_string(newest(&JUDGED.site).join("report/index.html")).expect("a report");
    let lower = page.to_lowercase();
    for forbidden in [
        "<script",
        "javascript:",
        " onload=",
        " onclick=",
        " onerror=",
        "<iframe",
        "<link",
        "@import",
        "url(http",
    ] {
        assert!(!lower.contains(forbidden), "the report holds {forbidden}");
    }
    // The one address is the name space of SVG, which nobody visits.
    let without = lower.replace("http://www.w3.org/2000/svg", "");
    assert!(!without.contains("http://") && !without.contains("https://"), "an outside address");
    assert!(lower.contains("content-security-policy"), "the page forbids the network itself");
}

#[test]
fn engineer_one_feature_to_the_last_bit_one_morning_again_and_the_score_beside_its_rivals() {
    let site = JUDGED.site.to_string_lossy().into_owned();
    let meter = entries()
        .iter()
        .filter_map(|entry| entry["meter"].as_str().map(String::from))
        .find(|name| name.starts_with("FT-"))
        .expect("a listed meter");
    let latest = newest(&JUDGED.site);
    let latest = latest.file_name().expect("a date").to_string_lossy().into_owned();
    let as_of = metersift_model::Day::parse(&latest).expect("a date");

    let day = as_of.plus(-2).to_string();
    let trace = ask(&["trace", &meter, "drive_log_median", &day]);
    assert_eq!(trace.code, Some(0), "{}", trace.stderr);
    assert!(trace.stderr.contains("equal to the last bit"), "{}", trace.stderr);
    assert!(trace.stdout.lines().count() > 2, "the samples come along");

    // An earlier morning, twice, on a copy: the same bytes.
    let copy = tempfile::tempdir().expect("a folder");
    for name in ["site.toml", "decisions.csv"] {
        std::fs::copy(JUDGED.site.join(name), copy.path().join(name)).expect("a file");
    }
    for folder in ["store", "records"] {
        for (name, bytes) in snapshot(&JUDGED.site.join(folder)) {
            put(&copy.path().join(folder).join(name), bytes);
        }
    }
    let earlier = as_of.plus(-28).to_string();
    let morning = || {
        let site = copy.path().to_string_lossy().into_owned();
        let run = metersift(["report", "--site", &site, "--as-of", &earlier]);
        assert!(matches!(run.code, Some(0 | 1)), "{}", run.stderr);
        snapshot(&copy.path().join("out").join(&earlier))
    };
    let (first, second) = (morning(), morning());
    assert!(first.keys().any(|name| name == "evidence/verdicts.parquet"));
    assert!(first == second, "the same morning has the same bytes");

    let score = metersift(["backtest", "--site", &site, "--from", "-56d", "--every", "28d"]);
    assert_eq!(score.code, Some(0), "{}", score.stderr);
    for part in ["average precision", "found", "false/100 meter-months", "judged time"] {
        assert!(score.stdout.contains(part), "{part} is missing: {}", score.stdout);
    }
    // k of n, and figures with their interval, for our own lists and for the dumb rivals.
    for method in ["verdict", "fixed limits", "latest check", "trend test", "control chart"] {
        let line = score.stdout.lines().find(|line| line.starts_with(method));
        let line = line.unwrap_or_else(|| panic!("{method}: {}", score.stdout));
        assert!(line.contains(" of ") && line.contains("..") && line.contains('('), "{line}");
    }
    assert!(score.stdout.contains("lead before the limit"), "no lead times: {}", score.stdout);
}
