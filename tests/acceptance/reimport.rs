//! The same readings by other ways: the same store, byte for byte.

use crate::support::*;
use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;

const DAYS: [&str; 3] = ["2026-03-02", "2026-03-03", "2026-03-04"];
const METERS: [&str; 5] = ["FT-1", "FT-2", "FT-3", "FT-4", "FT-5"];

fn site(dir: &Path, buckets: u32) {
    // One row alone does not say which code its quality is.
    small_site(dir, &format!("quality = \"opc_classic\"\n\n[store]\nbucket_count = {buckets}\n"));
    let mut register = REGISTER.to_string();
    let mut tags = TAGS.to_string();
    for meter in &METERS[1..] {
        register += &REGISTER.lines().nth(1).expect("a line").replace("FT-1", meter);
        register.push('\n');
        let lines = TAGS.lines().skip(1);
        lines.for_each(|line| tags += &format!("{}\n", line.replace("FT-1", meter)));
    }
    put(&dir.join("records/register.csv"), register);
    put(&dir.join("records/tags.csv"), tags);
}

/// One row a quarter of an hour, tag and meter; a bad one now and then, as `No Data`.
fn rows(day: &str) -> Vec<String> {
    let mut rows = Vec::new();
    for quarter in 0..96 {
        let time = format!("{day}T{:02}:{:02}:00Z", quarter / 4, 15 * (quarter % 4));
        for (m, meter) in METERS.iter().enumerate() {
            let wave = f64::from((quarter + m as i32) % 7) * 0.01;
            let bad = (quarter + 3 * m as i32) % 50 == 0;
            let value = |value: f64| match bad {
                true => ("No Data".to_string(), 0),
                false => (format!("{value:.2}"), 192),
            };
            let levels =
                [("FLOW", 1000.0 * (m + 1) as f64 + wave), ("DENS", 998.2 + wave), ("DRIVE", 11.0)];
            for (signal, level) in levels {
                let (value, quality) = value(level + wave);
                rows.push(format!("{meter}.{signal},{time},{value},{quality}"));
            }
        }
    }
    rows
}

const HEADER: &str = "tag,time,value,quality";

fn dump(rows: &[String], end: &str) -> String {
    let lines = std::iter::once(HEADER).chain(rows.iter().map(String::as_str));
    lines.map(|line| format!("{line}{end}")).collect()
}

fn zip_of(name: &str, text: &str) -> Vec<u8> {
    let mut writer = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    let options = zip::write::SimpleFileOptions::default();
    writer.start_file(name, options).expect("a name");
    writer.write_all(text.as_bytes()).expect("memory");
    writer.finish().expect("memory").into_inner()
}

fn run(command: &str, site: &Path, threads: usize) -> Run {
    let threads = threads.to_string();
    let run = metersift([command, "--site", &site.to_string_lossy(), "--threads", &threads]);
    assert_eq!(run.code, Some(0), "{command}: {}", run.stderr);
    run
}

/// Day files of samples and of features; a receipt also names the table before.
fn files(site: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut files = snapshot(&site.join("store"));
    let kept = ["samples/", "daily/", "hours/"];
    files.retain(|name, _| {
        kept.iter().any(|top| name.starts_with(top)) && name.ends_with(".parquet")
    });
    files
}

/// Rows in, stored, duplicate, conflicting, over all dumps.
fn totals(site: &Path) -> [u64; 4] {
    let store = metersift_store::Store::read(&site.join("store")).expect("a store");
    let ledger = store.ledger();
    assert!(ledger.dumps.iter().all(|dump| dump.accounted() == dump.rows_in));
    let sum = |of: fn(&metersift_store::DumpEntry) -> u64| ledger.dumps.iter().map(of).sum();
    [
        sum(|d| d.rows_in),
        sum(|d| d.rows.stored),
        sum(|d| d.rows.duplicate),
        sum(|d| d.rows.conflicting),
    ]
}

type Way = (&'static str, fn(&[Vec<String>]) -> Vec<(String, Vec<u8>)>);

const WAYS: [Way; 8] = [
    ("renamed", |days| packed(days, "z", |text| text.into_bytes())),
    ("gzip", |days| packed(days, "csv.gz", |text| gzip(text.as_bytes()))),
    ("zstd", |days| {
        packed(days, "csv.zst", |text| zstd::encode_all(text.as_bytes(), 3).expect("memory"))
    }),
    ("zip", |days| packed(days, "zip", |text| zip_of("in.csv", &text))),
    ("CRLF", |days| {
        let day = |(i, rows): (usize, &Vec<String>)| {
            (format!("{i}.csv"), dump(rows, "\r\n").into_bytes())
        };
        days.iter().enumerate().map(day).collect()
    }),
    ("one dump", |days| vec![("all.csv".into(), dump(&days.concat(), "\n").into_bytes())]),
    ("split at arbitrary rows", |days| {
        let all = days.concat();
        let cuts = [0, 1, 700, 1441, 2003, 2004, 4000, all.len()];
        let part = |cut: &[usize]| {
            let text = dump(&all[cut[0]..cut[1]], "\n");
            (format!("part-{:05}.csv", 9_999 - cut[0]), text.into_bytes())
        };
        cuts.windows(2).map(part).collect()
    }),
    ("rows in another order", |days| {
        let day = |(i, rows): (usize, &Vec<String>)| {
            let mut rows = rows.clone();
            rows.reverse();
            rows.rotate_left(333);
            (format!("{i}.csv"), dump(&rows, "\n").into_bytes())
        };
        days.iter().enumerate().map(day).collect()
    }),
];

fn packed(
    days: &[Vec<String>],
    ending: &str,
    pack: impl Fn(String) -> Vec<u8>,
) -> Vec<(String, Vec<u8>)> {
    let day = |(i, rows): (usize, &Vec<String>)| {
        // Names that sort the other way round.
        (format!("{}.{ending}", 9 - i), pack(dump(rows, "\n")))
    };
    days.iter().enumerate().map(day).collect()
}

/// A site whose plain dumps of each day are imported and whose features are made.
fn plain_site(days: &[Vec<String>], buckets: u32) -> tempfile::TempDir {
    let plain = tempfile::tempdir().expect("a folder");
    site(plain.path(), buckets);
    for (day, rows) in DAYS.iter().zip(days) {
        put(&plain.path().join(format!("dumps/{day}.csv")), dump(rows, "\n"));
    }
    run("import", plain.path(), 1);
    run("features", plain.path(), 1);
    plain
}

fn same_files(got: &BTreeMap<String, Vec<u8>>, expected: &BTreeMap<String, Vec<u8>>, what: &str) {
    let names = |files: &BTreeMap<String, Vec<u8>>| files.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(got), names(expected), "{what}");
    let differs: Vec<_> =
        got.iter().filter(|(name, bytes)| expected[*name] != **bytes).map(|file| file.0).collect();
    assert!(differs.is_empty(), "{what}: {differs:?}");
}

/// Every way with every grid and number of threads.
#[test]
fn packed_split_renamed_or_in_another_order_the_store_is_the_same_byte_for_byte() {
    let days: Vec<Vec<String>> = DAYS.iter().map(|day| rows(day)).collect();
    let n: u64 = days.iter().map(|rows| rows.len() as u64).sum();
    for buckets in [1, 3] {
        let plain = plain_site(&days, buckets);
        let expected = files(plain.path());
        assert!(expected.len() >= 3 * 3 && totals(plain.path()) == [n, n, 0, 0]);
        for (i, (way, make)) in WAYS.iter().enumerate() {
            let made = make(&days);
            for threads in [1, 2] {
                let other = tempfile::tempdir().expect("a folder");
                site(other.path(), buckets);
                for (name, bytes) in &made {
                    put(&other.path().join("dumps").join(name), bytes);
                }
                run("import", other.path(), threads);
                run("features", other.path(), threads);
                let what = format!("{way}, {buckets} buckets, {threads} threads");
                assert_eq!(totals(other.path()), [n, n, 0, 0], "{what}");
                same_files(&files(other.path()), &expected, &what);
            }

            // And on top of the plain ones: nothing new, all of it told.
            for (name, bytes) in &made {
                put(&plain.path().join("dumps").join(format!("{i}-{name}")), bytes);
            }
            run("import", plain.path(), 1 + i % 2);
            let what = format!("{way}, {buckets} buckets, on top of what was there");
            same_files(&files(plain.path()), &expected, &what);
            for (name, _) in &made {
                std::fs::remove_file(plain.path().join("dumps").join(format!("{i}-{name}")))
                    .expect("removed");
            }
            let [rows_in, stored, duplicate, conflicting] = totals(plain.path());
            assert_eq!((stored, conflicting), (n, 0), "{what}");
            assert_eq!(rows_in, stored + duplicate, "{what}");
        }
    }
}

/// Dumps arrive night by night, in every order there is; some come again in another packing in
/// between.
#[test]
fn night_by_night_in_any_order_the_store_is_the_same_byte_for_byte() {
    const ORDERS: [[usize; 3]; 6] =
        [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]];
    let days: Vec<Vec<String>> = DAYS.iter().map(|day| rows(day)).collect();
    let n: u64 = days.iter().map(|rows| rows.len() as u64).sum();
    let grids = [1, 3];
    let expected = grids.map(|buckets| files(plain_site(&days, buckets).path()));
    for (i, order) in ORDERS.iter().enumerate() {
        let threads = 1 + i % 2;
        for (buckets, expected) in grids.iter().zip(&expected) {
            let other = tempfile::tempdir().expect("a folder");
            site(other.path(), *buckets);
            for (night, &day) in order.iter().enumerate() {
                let text = dump(&days[day], "\n");
                let packed = gzip(text.as_bytes());
                put(&other.path().join(format!("dumps/{night}.csv")), text);
                put(&other.path().join(format!("dumps/{}.csv.gz", 9 - night)), packed);
                run("import", other.path(), threads);
            }
            run("features", other.path(), threads);
            let what = format!("{order:?}, {buckets} buckets, {threads} threads");
            assert_eq!(totals(other.path()), [2 * n, n, n, 0], "{what}");
            same_files(&files(other.path()), expected, &what);
        }
    }
}

/// The text without what names the run, its settings and its day files, which do differ: short
/// hashes of sixteen figures.
fn without_card(bytes: &[u8]) -> String {
    let text = String::from_utf8_lossy(bytes);
    let is_hash = |part: &str| part.len() == 16 && part.bytes().all(|b| b.is_ascii_hexdigit());
    let cells = text.split_inclusive([',', ';', '\n', ' ']);
    cells
        .map(|cell| {
            let bare = cell.trim_matches(['"', ',', ';', '\n', '\r', ' ']);
            if is_hash(bare) { cell.replace(bare, "HASH") } else { cell.to_string() }
        })
        .collect()
}

/// The lists of a night say nothing of the grid that the store was given.
#[test]
fn with_several_buckets_features_verdicts_and_lists_are_those_of_one() {
    let lists = |buckets: u32| {
        let dir = tempfile::tempdir().expect("a folder");
        let mut plan = metersift_sim::Plan::larkmoor(12, 70, 5);
        plan.daily_from = 66;
        metersift_sim::write_site(dir.path(), &plan).expect("a site");
        let file = dir.path().join("site.toml");
        let text = std::fs::read_to_string(&file).expect("a site file");
        let text = match text.contains("[store]") {
            true => text.replace("[store]", &format!("[store]\nbucket_count = {buckets}")),
            false => format!("{text}\n[store]\nbucket_count = {buckets}\n"),
        };
        put(&file, text);
        let night = run_night(dir.path());
        assert!(matches!(night.code, Some(0 | 1)), "{}", night.stderr);
        let units = snapshot(&dir.path().join("store/samples")).len();
        let out = newest(dir.path());
        let mut files = snapshot(&out.join("lists"));
        for (name, bytes) in snapshot(&out.join("evidence")) {
            files.insert(format!("evidence/{name}"), bytes);
        }
        (units, files)
    };
    let ((one, first), (five, second)) = (lists(1), lists(5));
    assert!(five > 3 * one, "{five} day files beside {one}");
    assert!(first.len() > 8);
    for name in ["watch-list.csv", "watch-list-semicolon.csv", "check-plan.csv"] {
        assert_eq!(without_card(&first[name]), without_card(&second[name]), "{name}");
        assert!(without_card(&first[name]).lines().count() > 1, "{name}");
    }
    let table = |files: &BTreeMap<String, Vec<u8>>, name: &str| {
        let read = metersift_store::table_from_bytes(name, files[name].clone(), None);
        format!("{:?}", read.expect("a table").0)
    };
    for name in ["watch-list.parquet", "evidence/verdicts.parquet", "evidence/observables.parquet"]
    {
        assert_eq!(table(&first, name), table(&second, name), "{name}");
    }
}
