//! Each documented exit code, and a run that is stopped.

use crate::support::*;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// A site with one imported day.
fn imported(dir: &Path) {
    small_site(dir, "");
    put(&dir.join("dumps/a.csv"), long_dump("2026-03-02"));
    let run = on_site("import", dir);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
}

#[test]
fn code_0_everything_was_read_and_judged() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    let run = run_night(dir.path());
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    assert!(run.stdout.is_empty(), "a night has no result for stdout: {}", run.stdout);
}

#[test]
fn code_1_more_was_rejected_than_the_site_tolerates() {
    let stranger = "FT-9.FLOW,2026-03-02T00:00:00Z,1,192\n";
    for (tolerated, code) in [("", 1), ("tolerated_reject_share = 0.001\n", 0)] {
        let dir = tempfile::tempdir().expect("a folder");
        small_site(dir.path(), tolerated);
        put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02") + stranger);
        let run = run_night(dir.path());
        assert_eq!(run.code, Some(code), "{tolerated}: {}", run.stderr);
    }
}

#[test]
fn code_2_could_not_start_and_nothing_was_written() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "delimeter = \";\"\n");
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    let run = run_night(dir.path());
    assert_eq!(run.code, Some(2), "{}", run.stderr);
    assert!(!dir.path().join("store").exists() && !dir.path().join("out").exists());
}

#[test]
fn code_3_another_run_holds_the_store() {
    let dir = tempfile::tempdir().expect("a folder");
    imported(dir.path());
    let store = dir.path().join("store");
    let held = metersift_store::Store::open(&store, Default::default()).expect("a store");
    for command in ["import", "features", "rank"] {
        let run = on_site(command, dir.path());
        assert_eq!(run.code, Some(3), "{command}: {}", run.stderr);
        assert!(run.stderr.contains("hint:"), "{}", run.stderr);
    }
    drop(held);
    assert_eq!(on_site("features", dir.path()).code, Some(0));
}

#[test]
fn code_4_a_damaged_store_is_not_used() {
    let dir = tempfile::tempdir().expect("a folder");
    imported(dir.path());
    let file = dir.path().join("store/samples/day=2026-03-02/bucket=00.parquet");
    let mut bytes = std::fs::read(&file).expect("a day file");
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    put(&file, bytes);
    let run = run_night(dir.path());
    assert_eq!(run.code, Some(4), "{}", run.stderr);
    assert!(run.stderr.contains("bucket=00.parquet") && run.stderr.contains("hint:"));
    assert!(!dir.path().join("out").exists(), "nothing was made of it");
}

#[test]
fn code_5_results_that_cannot_be_written_leave_the_store_as_it_was() {
    let dir = tempfile::tempdir().expect("a folder");
    imported(dir.path());
    assert_eq!(on_site("features", dir.path()).code, Some(0));
    let before = snapshot(&dir.path().join("store/samples"));
    // A file in the place of a folder stops even those whom no permission stops.
    put(&dir.path().join("out"), "not a folder");
    let run = on_site("report", dir.path());
    assert_eq!(run.code, Some(5), "{}", run.stderr);
    assert!(run.stderr.contains("error: results could not be written"), "{}", run.stderr);
    assert_eq!(std::fs::read(dir.path().join("out")).expect("the file"), b"not a folder");
    assert!(snapshot(&dir.path().join("store/samples")) == before);
}

#[test]
fn code_5_a_store_that_cannot_be_made_is_an_error_of_its_place() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    put(&dir.path().join("store"), "not a folder");
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(5), "{}", run.stderr);
    assert!(run.stderr.contains("store"), "{}", run.stderr);
}

/// Whether this process, and so its children, pays no heed to a signal.
#[cfg(target_os = "linux")]
fn is_ignored(signal: u32) -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:")).unwrap_or("0").trim();
    u64::from_str_radix(mask, 16).unwrap_or(0) & (1 << (signal - 1)) != 0
}

#[cfg(target_os = "linux")]
#[test]
fn a_stopped_import_ends_by_its_signal_and_the_next_run_finishes() {
    use std::os::unix::process::ExitStatusExt;
    // Long enough to be stopped: some seconds of reading.
    let mut dump = long_dump("2026-01-01");
    for day in 1..320 {
        let day = metersift_model::Day::parse("2026-01-01").expect("a day").plus(day);
        dump.push_str(long_dump(&day.to_string()).split_once('\n').expect("a header").1);
    }
    let whole = tempfile::tempdir().expect("a folder");
    small_site(whole.path(), "");
    put(&whole.path().join("dumps/a.csv"), &dump);
    assert_eq!(on_site("import", whole.path()).code, Some(0));
    let expected = snapshot(&whole.path().join("store/samples"));

    for (name, number) in [("INT", 2), ("TERM", 15)] {
        if is_ignored(number) {
            eprintln!("skipped for {name}: whoever runs this test ignores it");
            continue;
        }
        let dir = tempfile::tempdir().expect("a folder");
        small_site(dir.path(), "");
        put(&dir.path().join("dumps/a.csv"), &dump);
        let mut child = Command::new(env!("CARGO_BIN_EXE_metersift"))
            .args(["import", "--site", &dir.path().to_string_lossy()])
            .stderr(Stdio::null())
            .spawn()
            .expect("the program starts");
        let begun = Instant::now();
        // Staging is there from the first row to the commit.
        while !dir.path().join("store/staging").exists() {
            assert!(begun.elapsed() < Duration::from_secs(60), "the import never began");
            assert!(child.try_wait().expect("a child").is_none(), "it ended before it was stopped");
            std::thread::sleep(Duration::from_millis(1));
        }
        let pid = child.id().to_string();
        let killed = Command::new("sh").args(["-c", &format!("kill -{name} {pid}")]).status();
        assert!(killed.expect("a shell").success());
        let status = child.wait().expect("the child ends");
        assert_eq!(status.signal(), Some(number as i32), "{name}: {status:?}");
        assert!(snapshot(&dir.path().join("store/samples")).is_empty(), "nothing half written");

        let run = on_site("import", dir.path());
        assert_eq!(run.code, Some(0), "{}", run.stderr);
        assert!(snapshot(&dir.path().join("store/samples")) == expected, "as if never stopped");
        assert!(!dir.path().join("store/staging").exists(), "nothing is left of it");
    }
}

/// Runs a command whose reader is gone before the first line.
fn unheard(arguments: &[&str], errors_too: bool) -> Option<i32> {
    let (reader, writer) = std::io::pipe().expect("a pipe");
    let stderr = if errors_too {
        Stdio::from(writer.try_clone().expect("a second end"))
    } else {
        Stdio::null()
    };
    drop(reader);
    let status = Command::new(env!("CARGO_BIN_EXE_metersift"))
        .args(arguments)
        .stdout(writer)
        .stderr(stderr)
        .status()
        .expect("the program starts");
    status.code()
}

#[test]
fn a_closed_pipe_is_no_error() {
    let dir = tempfile::tempdir().expect("a folder");
    imported(dir.path());
    assert_eq!(on_site("features", dir.path()).code, Some(0));
    let site = dir.path().to_string_lossy().into_owned();
    let nightly = nightly().to_string_lossy().into_owned();
    let commands: [&[&str]; 6] = [
        &["explain", "FT-1", "--site", &site],
        &["plan", "--site", &site],
        &["trace", "FT-1", "density_kg_m3", "2026-03-02", "--site", &site],
        &["completions", "bash"],
        &["--help"],
        &["run", &nightly, "--site", &site],
    ];
    for command in commands {
        for errors_too in [false, true] {
            assert_eq!(
                unheard(command, errors_too),
                Some(0),
                "{command:?}, stderr too: {errors_too}"
            );
        }
    }
}
