//! Zip archives: what is read, what is refused by name, and damage.
//!
//! Outside: the damaged archives are made from archives that the `zip` crate wrote, by changing
//!          header fields at the places of APPNOTE sections 4.3.7 and 4.3.12 (from memory).

mod common;

use common::{file_of, gzip, read, source, tags, zip_of, zstd};
use metersift_import::{ImportError, dumps_in, file_of as holder, hash_file};
use std::io::Write;
use std::path::{Path, PathBuf};

const TAGS: &str = "tag,meter,signal,unit\nA,A,density,kg/m3\n";

fn dump(rows: usize) -> Vec<u8> {
    let mut text = b"tag,time,value\n".to_vec();
    for row in 0..rows {
        let (hour, minute, second) = (row / 3600 % 24, row / 60 % 60, row % 60);
        let _ =
            writeln!(text, "A,2024-03-07T{hour:02}:{minute:02}:{second:02}Z,{}.25", 900 + row % 7);
    }
    text
}

fn delivered(path: &Path) -> Result<u64, ImportError> {
    let settings = metersift_import::SourceSettings { decimal: Some(".".into()), ..source("x") };
    Ok(read(path, &settings, "UTC", &tags(TAGS))?.report.delivered)
}

fn entries(archive: &Path) -> Vec<PathBuf> {
    dumps_in(archive).expect("archive").expect("zip")
}

/// Why an archive, or the reading of its first entry, is refused.
fn refusal(bytes: &[u8]) -> String {
    let file = file_of(bytes);
    match dumps_in(file.path()) {
        Err(error) => error.full(),
        Ok(None) => "no zip".into(),
        Ok(Some(dumps)) => delivered(&dumps[0]).expect_err("refused").full(),
    }
}

#[test]
fn every_entry_is_a_dump_of_its_own() {
    let (one, two) = (dump(10), dump(20));
    for deflate in [true, false] {
        let bytes = zip_of(
            &[("2024/unit 3.csv", &one), ("b.csv", &two), ("__MACOSX/._b.csv", b"junk")],
            deflate,
        );
        let file = file_of(&bytes);
        let dumps = entries(file.path());
        let names: Vec<_> =
            dumps.iter().map(|d| d.strip_prefix(file.path()).expect("below")).collect();
        assert_eq!(names, [Path::new("2024/unit 3.csv"), Path::new("b.csv")]);
        assert_eq!(delivered(&dumps[0]).expect("read"), 10);
        assert_eq!(delivered(&dumps[1]).expect("read"), 20);
        assert_eq!(holder(&dumps[0]), file.path());
        assert!(matches!(delivered(&file.path().join("no.csv")), Err(ImportError::Io { .. })));
    }
    assert!(dumps_in(file_of(&one).path()).expect("plain").is_none());
}

/// A stored entry is the file itself; a packed one is known again in another archive of the same
/// packing.
#[test]
fn the_hash_of_an_entry_is_that_of_its_packed_bytes() {
    let text = dump(50);
    let plain = hash_file(file_of(&text).path()).expect("hash");
    let of = |bytes: &[u8]| {
        let file = file_of(bytes);
        let path = entries(file.path()).remove(0);
        let read = read(&path, &source("x"), "UTC", &tags(TAGS)).expect("read");
        let hash = hash_file(&path).expect("hash");
        assert_eq!(read.report.hash, hash);
        hash
    };
    assert_eq!(of(&zip_of(&[("a.csv", &text)], false)), plain);
    let packed = of(&zip_of(&[("a.csv", &text)], true));
    assert_eq!(of(&zip_of(&[("other/name.csv", &text), ("b.csv", &text)], true)), packed);
    assert_ne!(packed, plain);
}

#[test]
fn names_that_lead_out_of_the_archive_are_refused() {
    for name in ["../x.csv", "a/../../x.csv", "/etc/x.csv", "..\\x.csv", "C:\\x.csv", "\\\\h\\x"] {
        let why = refusal(&zip_of(&[(name, &dump(3))], true));
        assert!(why.contains("leads out of it"), "{name}: {why}");
    }
    let why = refusal(&zip_of(&[("\u{1b}[2J/../x", &dump(3))], true));
    assert!(why.contains("\\u{1b}[2J") && !why.contains('\u{1b}'), "{why}");
}

#[test]
fn what_is_packed_inside_an_entry_is_refused_by_its_kind() {
    let inner = zip_of(&[("x.csv", &dump(3))], true);
    for (bytes, kind) in
        [(inner, "a zip archive"), (gzip(&dump(3)), "a gzip file"), (zstd(&dump(3)), "a zstd file")]
    {
        let why = refusal(&zip_of(&[("x.csv", &bytes)], true));
        assert!(why.contains(&format!("{kind} inside the packed file")), "{why}");
        let why = delivered(file_of(&gzip(&bytes)).path()).expect_err("nested").full();
        assert!(why.contains(kind), "{why}");
    }
}

fn find(bytes: &[u8], what: &[u8]) -> usize {
    bytes.windows(what.len()).position(|window| window == what).expect("there")
}

#[test]
fn encrypted_foreign_and_empty_archives_are_refused_by_name() {
    let good = zip_of(&[("x.csv", &dump(3))], true);
    let central = find(&good, b"PK\x01\x02");
    let mut encrypted = good.clone();
    encrypted[6] |= 1;
    encrypted[central + 8] |= 1;
    assert!(refusal(&encrypted).contains("it is encrypted"), "{}", refusal(&encrypted));
    let mut bzip2 = good.clone();
    bzip2[8] = 12;
    bzip2[central + 10] = 12;
    assert!(refusal(&bzip2).contains("deflate is read"), "{}", refusal(&bzip2));
    let empty = zip_of(&[], true);
    assert!(refusal(&empty).contains("it holds no file"), "{}", refusal(&empty));
    let folder_only = zip_of(&[("a/", b"")], false);
    assert!(refusal(&folder_only).contains("it holds no file"), "{}", refusal(&folder_only));
    assert!(refusal(&zip_of(&[("x.csv", b"")], true)).contains("the file is empty"));
}

#[test]
fn entries_that_share_a_name_or_bytes_are_refused() {
    let two = zip_of(&[("a.csv", &dump(3)), ("b.csv", &dump(3))], true);
    let mut twins = two.clone();
    while let Some(at) = twins.windows(5).position(|window| window == b"b.csv") {
        twins[at] = b'a';
    }
    assert!(refusal(&twins).contains("have one name"), "{}", refusal(&twins));
    let mut shared = two.clone();
    let second = find(&shared, b"b.csv") - 30;
    let central = shared.windows(4).rposition(|window| window == b"PK\x01\x02").expect("there");
    assert_eq!(shared[central + 42..central + 46], (second as u32).to_le_bytes());
    shared[central + 42..central + 46].copy_from_slice(&0u32.to_le_bytes());
    assert!(refusal(&shared).contains("share bytes"), "{}", refusal(&shared));
}

#[test]
fn an_entry_that_is_not_what_the_directory_says_is_damaged() {
    let good = zip_of(&[("x.csv", &dump(500))], true);
    let central = find(&good, b"PK\x01\x02");
    for (place, why) in [(16, "checksum"), (24, "more than the archive says")] {
        let mut bytes = good.clone();
        bytes[central + place] = bytes[central + place].wrapping_sub(1);
        let text = refusal(&bytes);
        assert!(text.contains(why), "{text}");
    }
}

#[test]
fn every_truncation_of_an_archive_is_refused() {
    for deflate in [true, false] {
        let whole = zip_of(&[("x.csv", &dump(400)), ("y.csv", &dump(300))], deflate);
        for cut in (4..whole.len()).step_by(whole.len() / 80).chain([whole.len() - 1]) {
            let file = file_of(&whole[..cut]);
            match dumps_in(file.path()) {
                Err(ImportError::Damaged { .. }) => {}
                other => panic!("cut at {cut} of {}: {other:?}", whole.len()),
            }
        }
    }
}

/// What the directory does not check (a time stamp, a name) may change without harm; readings
/// never do.
#[test]
fn a_flipped_bit_in_an_archive_is_refused_or_changes_no_reading() {
    let settings = metersift_import::SourceSettings { decimal: Some(".".into()), ..source("x") };
    let table = tags(TAGS);
    let text = dump(300);
    let whole = zip_of(&[("x.csv", &text)], true);
    let clean = read(file_of(&text).path(), &settings, "UTC", &table).expect("read").readings;
    let mut n_refused = 0;
    for idx in 0..400 {
        let mut bytes = whole.clone();
        let bit = idx * whole.len() * 8 / 400;
        bytes[bit / 8] ^= 1 << (bit % 8);
        let file = file_of(&bytes);
        let Ok(Some(dumps)) = dumps_in(file.path()) else {
            n_refused += 1;
            continue;
        };
        match read(&dumps[0], &settings, "UTC", &table) {
            Err(_) => n_refused += 1,
            Ok(read) => assert_eq!(read.readings, clean, "bit {bit}"),
        }
    }
    assert!(n_refused > 300, "{n_refused}");
}

#[test]
fn a_bomb_in_an_archive_is_refused_by_its_ratio() {
    let bomb = zip_of(&[("x.csv", &vec![b'7'; 40 << 20])], true);
    let file = file_of(&bomb);
    let started = std::time::Instant::now();
    let error = delivered(&entries(file.path())[0]).expect_err("refused");
    assert!(matches!(error, ImportError::Ceiling { .. }), "{error}");
    assert!(started.elapsed().as_secs() < 5);
}

#[test]
fn an_archive_of_many_entries_is_read_once_for_its_names() {
    let text = dump(1);
    let names: Vec<String> = (0..5000).map(|n| format!("{n:05}.csv")).collect();
    let all: Vec<(&str, &[u8])> = names.iter().map(|name| (name.as_str(), &text[..])).collect();
    let file = file_of(&zip_of(&all, false));
    let started = std::time::Instant::now();
    let dumps = entries(file.path());
    assert_eq!(dumps.len(), 5000);
    let first = hash_file(&dumps[0]).expect("hash");
    assert!(dumps.iter().all(|dump| hash_file(dump).expect("hash") == first));
    assert!(started.elapsed().as_secs() < 10, "{:?}", started.elapsed());
}

/// Time and size of the archive are those that count.
#[test]
fn an_archive_that_is_replaced_while_an_entry_is_read_is_noticed() {
    let mut file = file_of(&zip_of(&[("x.csv", &dump(30))], true));
    let path = entries(file.path()).remove(0);
    let dialect = metersift_import::detect(&path, &source("x"), "UTC").expect("found").dialect;
    let mut series = metersift_model::SeriesTable::default();
    let mut sink = |_| {
        file.write_all(b"more").expect("written");
        Ok(())
    };
    let read = metersift_import::read_dump(
        &path,
        &dialect,
        &tags(TAGS),
        &mut series,
        &mut sink,
        &mut |_| {},
    );
    // The reader may have ended before the block arrived: then the archive was whole.
    assert!(matches!(read, Ok(_) | Err(ImportError::ChangedWhileRead { .. })), "{read:?}");
}
