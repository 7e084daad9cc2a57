//! Archives of dumps, and files that are no dumps, through the whole program.

use crate::support::*;
use std::io::Write;
use std::path::Path;

fn zip_of(entries: &[(&str, &[u8])]) -> Vec<u8> {
    let mut writer = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    let options = zip::write::SimpleFileOptions::default()
        .compression_method(zip::CompressionMethod::Deflated);
    for (name, text) in entries {
        writer.start_file(*name, options).expect("a name");
        writer.write_all(text).expect("memory");
    }
    writer.finish().expect("memory").into_inner()
}

fn summary(run: &Run) -> &str {
    run.stderr.lines().find(|line| line.starts_with("import")).unwrap_or("")
}

/// Names of the dumps in the ledger and the rows that they stored.
fn ledger(site: &Path) -> Vec<(String, u64)> {
    let store = metersift_store::Store::read(&site.join("store")).expect("a store");
    store.ledger().dumps.iter().map(|dump| (dump.name.clone(), dump.rows_in)).collect()
}

#[test]
fn entries_are_dumps_and_another_packing_of_them_brings_nothing_new() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    let (one, two) = (long_dump("2026-03-02"), long_dump("2026-03-03"));
    let archive = zip_of(&[
        ("unit 3/a.csv", one.as_bytes()),
        ("unit 3/b.csv", two.as_bytes()),
        ("unit 3/c.csv.part", b"half"),
    ]);
    put(&dir.path().join("dumps/night.zip"), &archive);
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    assert!(summary(&run).contains("2 new dumps (0 known, 0 young, 1 partial"), "{}", run.stderr);
    assert!(summary(&run).contains("8,640 rows in = 8,640 stored"), "{}", run.stderr);
    let names: Vec<String> = ledger(dir.path()).into_iter().map(|dump| dump.0).collect();
    assert_eq!(names, ["dumps/night.zip/unit 3/a.csv", "dumps/night.zip/unit 3/b.csv"]);
    let samples = snapshot(&dir.path().join("store/samples"));

    let again = on_site("import", dir.path());
    assert_eq!(again.code, Some(0), "{}", again.stderr);
    assert!(summary(&again).contains("0 new dumps (2 known"), "{}", again.stderr);

    // Another archive of the same packing is known; a plain copy is all duplicates.
    std::fs::remove_file(dir.path().join("dumps/night.zip")).expect("removed");
    put(&dir.path().join("dumps/other.zip"), zip_of(&[("x.csv", one.as_bytes())]));
    put(&dir.path().join("dumps/plain.csv"), &two);
    let repacked = on_site("import", dir.path());
    assert_eq!(repacked.code, Some(0), "{}", repacked.stderr);
    assert!(summary(&repacked).contains("1 new dump (1 known"), "{}", repacked.stderr);
    assert!(summary(&repacked).contains("0 stored + 4,320 duplicate"), "{}", repacked.stderr);
    assert!(snapshot(&dir.path().join("store/samples")) == samples, "not a byte of the readings");
}

#[test]
fn an_entry_that_is_refused_costs_itself_and_names_itself() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    let good = long_dump("2026-03-02");
    let inner = gzip(good.as_bytes());
    put(
        &dir.path().join("dumps/mixed.zip"),
        zip_of(&[("good.csv", good.as_bytes()), ("inner.csv.gz", &inner), ("empty.csv", b"")]),
    );
    put(&dir.path().join("dumps/up.zip"), zip_of(&[("../../x.csv", good.as_bytes())]));
    let before = snapshot(dir.path());
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(1), "{}", run.stderr);
    assert!(summary(&run).contains("4,320 stored") && summary(&run).contains("3 refused"));
    for part in ["inner.csv.gz", "a gzip file inside", "empty.csv", "up.zip", "leads out of it"] {
        assert!(run.stderr.contains(part), "{part} is missing: {}", run.stderr);
    }
    let outside = |name: &&String| !name.starts_with("store/");
    let after = snapshot(dir.path());
    assert!(after.keys().filter(outside).eq(before.keys()), "nothing is unpacked to disk");
}

#[test]
fn a_run_that_is_refused_leaves_no_store() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    for (name, bytes) in
        [("none", &b""[..]), ("dumps/a.csv", b""), ("dumps/b.zip", b"PK\x03\x04 and no more")]
    {
        put(&dir.path().join(name), bytes);
        let run = on_site("import", dir.path());
        assert_eq!(run.code, Some(2), "{name}: {}", run.stderr);
        assert!(!dir.path().join("store").exists(), "{name}");
    }
    put(&dir.path().join("dumps/c.csv"), long_dump("2026-03-02"));
    assert_eq!(on_site("import", dir.path()).code, Some(1));
    assert_eq!(ledger(dir.path()).len(), 1);
    // A store that is there stays, whatever is refused.
    std::fs::remove_file(dir.path().join("dumps/c.csv")).expect("removed");
    on_site("import", dir.path());
    assert_eq!(ledger(dir.path()).len(), 1);
}

#[cfg(unix)]
#[test]
fn what_is_no_file_is_refused_by_name_and_nothing_waits_for_it() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    let made = std::process::Command::new("mkfifo").arg(dir.path().join("dumps/pipe.csv")).status();
    assert!(made.is_ok_and(|status| status.success()), "mkfifo is needed");
    std::fs::create_dir(dir.path().join("dumps/folder")).expect("a folder");
    let link = |to: &str, name: &str| {
        std::os::unix::fs::symlink(to, dir.path().join("dumps").join(name)).expect("a link");
    };
    link("/dev/zero", "zero.csv");
    link("loop.csv", "loop.csv");
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(1), "{}", run.stderr);
    assert!(summary(&run).contains("4,320 stored") && summary(&run).contains("3 refused"));
    for part in ["pipe.csv", "zero.csv", "loop.csv", "pipe, socket or device"] {
        assert!(run.stderr.contains(part), "{part} is missing: {}", run.stderr);
    }
}

#[test]
fn all_problems_of_a_row_are_told_at_once_and_kinds_name_their_file() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "quality = \"opc_classic\"\n");
    let mut dump = long_dump("2026-03-02");
    for _ in 0..3 {
        dump.push_str("FT-9.FLOW,yesterday,1,perhaps\n");
    }
    put(&dir.path().join("dumps/a.csv"), dump);
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(1), "{}", run.stderr);
    assert!(summary(&run).contains("4,323 rows in = 4,320 stored"), "{}", run.stderr);
    assert!(summary(&run).contains("+ 3 rejected"), "a row counts once: {}", run.stderr);
    for part in [
        "unknown_tag in dumps/a.csv (tag FT-9.FLOW): line 4322",
        "bad_time in dumps/a.csv (tag FT-9.FLOW): line 4322",
        "unknown_quality in dumps/a.csv (tag FT-9.FLOW): line 4322",
        "and 2 more of this kind, see store/rejects/",
    ] {
        assert!(run.stderr.contains(part), "{part} is missing: {}", run.stderr);
    }
    let files = snapshot(&dir.path().join("store/rejects"));
    let text = String::from_utf8_lossy(files.values().next().expect("one file")).into_owned();
    assert_eq!((files.len(), text.lines().count()), (1, 1 + 9), "{text}");
}

#[test]
fn scan_opens_archives() {
    let dir = tempfile::tempdir().expect("a folder");
    let dump = long_dump("2026-03-02");
    let path = dir.path().join("night.zip");
    put(&path, zip_of(&[("a.csv", dump.as_bytes()), ("b.csv", dump.as_bytes())]));
    let run = metersift(["scan", &path.to_string_lossy(), "--zone", "UTC"]);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    assert!(run.stdout.contains("night.zip/a.csv") && run.stdout.contains("night.zip/b.csv"));
}
