//! What is no file, and files that do not keep still.

mod common;

use common::{file_of, gzip, source, tags};
use metersift_import::{ImportError, detect, dumps_in, hash_file, read_dump};
use metersift_model::SeriesTable;
use std::path::Path;

const TAGS: &str = "tag,meter,signal,unit\nA,A,density,kg/m3\n";
const DUMP: &str = "tag,time,value\nA,2024-03-07T00:00:00Z,1.5\nA,2024-03-07T00:01:00Z,2.5\n";

#[cfg(unix)]
#[test]
fn pipes_sockets_folders_devices_and_loops_are_refused_within_a_second() {
    let folder = tempfile::tempdir().expect("folder");
    let at = |name: &str| folder.path().join(name);
    let made = std::process::Command::new("mkfifo").arg(at("pipe.csv")).status();
    assert!(made.is_ok_and(|status| status.success()), "mkfifo is needed");
    let _socket = std::os::unix::net::UnixListener::bind(at("socket.csv")).expect("socket");
    std::fs::create_dir(at("folder.csv")).expect("folder");
    std::os::unix::fs::symlink(at("loop-b.csv"), at("loop-a.csv")).expect("link");
    std::os::unix::fs::symlink(at("loop-a.csv"), at("loop-b.csv")).expect("link");
    std::os::unix::fs::symlink("/dev/zero", at("zero.csv")).expect("link");
    std::os::unix::fs::symlink(at("nowhere"), at("broken.csv")).expect("link");
    let started = std::time::Instant::now();
    for (name, kind) in [
        ("pipe.csv", "pipe, socket or device"),
        ("socket.csv", "pipe, socket or device"),
        ("folder.csv", "folder"),
        ("zero.csv", "pipe, socket or device"),
        ("loop-a.csv", "cannot open"),
        ("broken.csv", "cannot open"),
        ("not-there.csv", "cannot open"),
        ("pipe.csv/entry.csv", "cannot open"),
    ] {
        let path = at(name);
        for error in [
            hash_file(&path).err(),
            dumps_in(&path).err(),
            detect(&path, &source("x"), "UTC").err(),
        ] {
            let text = error.expect(name).full();
            assert!(text.contains(kind) && text.contains(name), "{name}: {text}");
        }
    }
    assert!(started.elapsed().as_secs_f64() < 1.0, "{:?}", started.elapsed());
}

/// What happens to a file between its detection and the end of its reading.
fn read_while(change: &dyn Fn(&Path)) -> Result<u64, ImportError> {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("dump.csv");
    let mut text = String::from("tag,time,value\n");
    for n in 0..40_000 {
        text.push_str(&format!(
            "A,2024-03-{:02}T{:02}:{:02}:{:02}Z,1.5\n",
            1 + n / 3600 / 24,
            n / 3600 % 24,
            n / 60 % 60,
            n % 60
        ));
    }
    std::fs::write(&path, &text).expect("written");
    let dialect = detect(&path, &source("x"), "UTC")?.dialect;
    let (mut series, table) = (SeriesTable::default(), tags(TAGS));
    let mut changed = false;
    // The change comes with the first block. The reader may have passed the end of the file by
    // then; only its last look at size and time, which comes after, must not miss it.
    let mut sink = |_| {
        if !std::mem::replace(&mut changed, true) {
            change(&path);
        }
        Ok(())
    };
    let options = metersift_import::ReadOptions { young: false, piece_bytes: 1 << 14 };
    metersift_import::read_dump_with(
        options,
        &path,
        &dialect,
        &table,
        &mut series,
        &mut sink,
        &mut |_| {},
    )
    .map(|report| report.delivered)
}

#[test]
fn a_file_that_grows_shrinks_goes_or_is_replaced_while_it_is_read_does_not_count() {
    assert_eq!(read_while(&|_| ()).expect("at rest"), 40_000);
    let append = |path: &Path| {
        let mut file = std::fs::OpenOptions::new().append(true).open(path).expect("opened");
        std::io::Write::write_all(&mut file, b"A,2024-03-09T00:00:00Z,1.5\n").expect("written");
    };
    let replace = |path: &Path| {
        let other = path.with_extension("new");
        std::fs::write(&other, DUMP).expect("written");
        std::fs::rename(&other, path).expect("renamed");
    };
    type Change<'c> = (&'c str, &'c dyn Fn(&Path));
    let changes: [Change<'_>; 4] = [
        ("grows", &append),
        ("shrinks", &|path| {
            let file = std::fs::OpenOptions::new().write(true).open(path).expect("opened");
            file.set_len(1000).expect("cut");
        }),
        ("is replaced", &replace),
        ("goes", &|path| std::fs::remove_file(path).expect("removed")),
    ];
    for (what, change) in changes {
        let read = read_while(change);
        let noticed =
            matches!(&read, Err(ImportError::ChangedWhileRead { .. } | ImportError::Io { .. }));
        assert!(noticed, "a file that {what}: {read:?}");
    }
}

#[test]
fn a_young_last_line_is_held_back_in_every_packing() {
    let text = DUMP.trim_end();
    for bytes in [text.as_bytes().to_vec(), gzip(text.as_bytes())] {
        for (young, delivered, held_back) in [(true, 1, 1), (false, 2, 0)] {
            let options = metersift_import::ReadOptions { young, piece_bytes: 1 << 20 };
            let file = file_of(&bytes);
            let read = common::read_with(options, file.path(), &source("x"), "UTC", &tags(TAGS));
            let report = read.expect("readable").report;
            assert_eq!((report.delivered, report.held_back), (delivered, held_back));
            assert_eq!(report.rows_in, 2);
        }
    }
}

#[test]
fn a_dump_that_moved_between_looks_is_an_error_and_no_panic() {
    let file = file_of(DUMP.as_bytes());
    let dialect = detect(file.path(), &source("x"), "UTC").expect("found").dialect;
    let path = file.path().to_owned();
    drop(file);
    let (mut series, table) = (SeriesTable::default(), tags(TAGS));
    let read = read_dump(&path, &dialect, &table, &mut series, &mut |_| Ok(()), &mut |_| {});
    assert!(matches!(read, Err(ImportError::Io { .. })));
    assert!(common::read(&path, &source("x"), "UTC", &tags(TAGS)).is_err());
}
