//! A dump that lies where it lay is not read again to know it; one that was changed is, however
//! much it looks the same.

use crate::support::*;
use std::fs::File;
use std::time::Duration;

#[test]
fn a_dump_changed_behind_its_size_and_time_is_noticed() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "decimal = \".\"\n");
    let dump = dir.path().join("dumps/a.csv");
    put(&dump, long_dump("2024-03-07"));
    let modified = std::fs::metadata(&dump).and_then(|data| data.modified()).expect("a time");
    // Younger files are never taken on their looks.
    std::thread::sleep(Duration::from_millis(2_100));
    assert_eq!(on_site("import", dir.path()).code, Some(0));
    let seen = dir.path().join("store/ledger/seen.jsonl");
    assert!(std::fs::read_to_string(&seen).expect("what was seen").contains("a.csv"));

    let again = on_site("import", dir.path());
    assert!(again.stderr.contains("1 known"), "{}", again.stderr);

    put(&dump, long_dump("2024-03-08"));
    File::options()
        .write(true)
        .open(&dump)
        .and_then(|file| file.set_modified(modified))
        .expect("a time can be set");
    let changed = on_site("import", dir.path());
    assert!(changed.stderr.contains("1 new dump (0 known"), "{}", changed.stderr);
    assert!(changed.stderr.contains("2024-03-08 to 2024-03-08"), "{}", changed.stderr);
}

#[test]
fn without_what_was_seen_a_known_dump_is_known_all_the_same() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "decimal = \".\"\n");
    put(&dir.path().join("dumps/a.csv"), long_dump("2024-03-07"));
    assert_eq!(on_site("import", dir.path()).code, Some(0));
    for damage in [None, Some("{\"file\":\"dumps/a.csv\"}\n")] {
        let seen = dir.path().join("store/ledger/seen.jsonl");
        match damage {
            None => std::fs::remove_file(&seen).unwrap_or_default(),
            Some(text) => put(&seen, text),
        }
        let again = on_site("import", dir.path());
        assert!(again.stderr.contains("1 known"), "{}", again.stderr);
    }
}
