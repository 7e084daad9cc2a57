//! Record files whose disk fails while they are read: the night ends, and never judges as if a
//! record were not there.

#![cfg(target_os = "linux")]

use crate::support::*;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

const FILES: [(&str, &str); 8] = [
    ("records/register.csv", REGISTER),
    ("records/tags.csv", TAGS),
    (
        "records/checks.csv",
        "meter,time,outcome,quantity,position,value_pct\nFT-1,2026-03-02T06:00:00Z,pass,stiffness,whole,0.1\n",
    ),
    ("records/zeros.csv", "meter,time,zero_kg_h,state\nFT-1,2026-03-02T07:00:00Z,0.2,as_found\n"),
    ("records/alerts.csv", "meter,time,code,text\nFT-1,2026-03-02T08:00:00Z,A1,drive\n"),
    ("records/changes.csv", "meter,time,item,before,after\nFT-1,2026-03-02T09:00:00Z,cleaned,,\n"),
    ("records/findings.csv", "meter,date,mode\nFT-1,2026-02-20,coating\n"),
    (
        "decisions.csv",
        "meter,day,decision,mode,until\nFT-1,2026-02-25,accepted,coating,2026-06-01\n",
    ),
];

/// A site with every record, and a night on it.
fn judged(dir: &Path) {
    small_site(dir, "");
    for (file, text) in FILES {
        put(&dir.join(file), text);
    }
    put(&dir.join("dumps/a.csv"), long_dump("2026-03-02"));
    let run = run_night(dir);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
}

/// Results, and what of the store stands for readings and features.
fn picture(dir: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut files = snapshot(&dir.join("out"));
    for top in ["samples", "origin", "daily", "hours"] {
        let part = snapshot(&dir.join("store").join(top));
        files.extend(part.into_iter().map(|(name, bytes)| (format!("{top}/{name}"), bytes)));
    }
    files
}

/// Reading the memory of a process from address 0 on gives EIO (proc(5)): a file that is there, may
/// be opened, and cannot be read.
const UNREADABLE: &str = "/proc/self/mem";

#[test]
fn a_record_file_that_cannot_be_read_ends_the_night_and_nothing_is_judged_without_it() {
    let dir = tempfile::tempdir().expect("a folder");
    judged(dir.path());
    let before = picture(dir.path());
    put(&dir.path().join("dumps/b.csv"), long_dump("2026-03-03"));
    for (file, text) in FILES {
        let path = dir.path().join(file);
        std::fs::remove_file(&path).expect("removed");
        std::os::unix::fs::symlink(UNREADABLE, &path).expect("a link");
        for command in ["night", "faults", "report"] {
            let run = match command {
                "night" => run_night(dir.path()),
                command => on_site(command, dir.path()),
            };
            let what = format!("{file}, {command}: {}", run.stderr);
            assert_eq!(run.code, Some(5), "{what}");
            let name = file.rsplit('/').next().expect("a name");
            for part in [name, "Input/output error", "hint: the disk of this file failed"] {
                assert!(run.stderr.contains(part), "{part} is missing: {what}");
            }
            assert!(picture(dir.path()) == before, "{what}");
        }
        std::fs::remove_file(&path).expect("removed");
        put(&path, text);
    }
    assert_eq!(run_night(dir.path()).code, Some(0));
}

/// One call on one file fails with EIO, the N-th of its kind: the night ends with 5 and leaves what
/// was there, or it did not need that call and its results are those of an undisturbed one.
#[test]
fn each_call_on_a_record_file_may_fail() {
    if Command::new("strace").arg("-V").output().is_err() {
        eprintln!("skipped: strace is not here");
        return;
    }
    let dir = tempfile::tempdir().expect("a folder");
    judged(dir.path());
    let before = picture(dir.path());
    let site = dir.path().to_string_lossy().into_owned();
    let (mut refused, mut told) = (0, Vec::new());
    for (file, _) in FILES {
        let path: PathBuf = dir.path().join(file);
        for call in ["openat", "read", "statx"] {
            for n in 1..=3 {
                let inject = format!("inject={call}:error=EIO:when={n}");
                // Without its note the night is made anew, news or not.
                let _ = std::fs::remove_file(dir.path().join("store/ledger/standing.json"));
                let out = Command::new("strace")
                    .args(["-f", "-qq", "-o", "/dev/null", "-P", &path.to_string_lossy()])
                    .args(["-e", &format!("trace={call}"), "-e", &inject])
                    .args([env!("CARGO_BIN_EXE_metersift"), "report", "--site", &site])
                    .output()
                    .expect("strace runs");
                let stderr = String::from_utf8_lossy(&out.stderr);
                if stderr.contains("ptrace") && stderr.contains("not permitted") {
                    eprintln!("skipped: no process may be traced here");
                    return;
                }
                let what = format!("{file}, {call} {n}: {stderr}");
                match out.status.code() {
                    Some(5) => {
                        refused += 1;
                        told.push(format!("{file} {call}"));
                        assert!(stderr.contains("Input/output error"), "{what}");
                    }
                    code => assert_eq!(code, Some(0), "{what}"),
                }
                // The same night on the same records: what it writes is what is there.
                assert!(picture(dir.path()) == before, "{what}");
            }
        }
    }
    for (file, _) in FILES {
        for call in ["openat", "read"] {
            assert!(told.contains(&format!("{file} {call}")), "{file}, {call} never failed");
        }
    }
    assert!(refused >= 2 * FILES.len(), "{refused}");
}
