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

/// A new dump is hashed while it is read: what the ledger says of it, and the name of its reject
/// file, are those of the bytes on disk, and two dumps of one content are one dump.
#[test]
fn a_dump_that_is_hashed_while_it_is_read_is_known_by_the_hash_of_its_bytes() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "decimal = \".\"\n");
    put(&dir.path().join("dumps/a.csv"), long_dump("2024-03-07"));
    put(&dir.path().join("dumps/b.csv"), long_dump("2024-03-07"));
    put(&dir.path().join("dumps/c.csv"), format!("{}no,row\n", long_dump("2024-03-08")));
    std::thread::sleep(Duration::from_millis(2_100));
    let run = on_site("import", dir.path());
    assert!(run.stderr.contains("1 taken again") || run.code == Some(1), "{}", run.stderr);
    let store = metersift_store::Store::read(&dir.path().join("store")).expect("a store");
    let hashes: Vec<String> = store.ledger().dumps.iter().map(|dump| dump.hash.clone()).collect();
    let hash = |name: &str| {
        metersift_import::hash_file(&dir.path().join(name)).expect("a dump that can be read")
    };
    let (sound, damaged) = (hash("dumps/a.csv"), hash("dumps/c.csv"));
    assert_eq!(hashes, [sound.clone(), damaged.clone()]);
    let rejects = dir.path().join(format!("store/rejects/{}.csv", &damaged[..16]));
    let text = std::fs::read_to_string(&rejects).expect("the reject file of the damaged dump");
    assert!(text.contains("no,row") || text.contains("field_count"), "{text}");
    let seen = std::fs::read_to_string(dir.path().join("store/ledger/seen.jsonl"));
    let seen = seen.expect("what was seen");
    assert!(seen.contains(&sound) && seen.contains(&damaged), "{seen}");
    let again = on_site("import", dir.path());
    assert!(again.stderr.contains("0 new dumps (3 known"), "{}", again.stderr);
}
