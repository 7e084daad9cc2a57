//! Limits of the machine, set by the machine: a full disk, small files, few open files, rights.

#![cfg(target_os = "linux")]

use crate::support::*;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::Command;

/// Readings that do not compress: about four megabytes as they are spilled.
fn noisy_dump() -> String {
    let mut text = String::from("tag,time,value,quality\n");
    let mut state = 7u64;
    for second in 0..60_000 {
        let (hour, minute) = (second / 3600, second / 60 % 60);
        for (tag, level) in [("FLOW", 12_000.0), ("DENS", 998.0), ("DRIVE", 11.0)] {
            // A congruential generator (Knuth's multiplier, from memory): digits, no statistics.
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            let share = (state >> 33) as f64 / (1u64 << 31) as f64;
            text.push_str(&format!(
                "FT-1.{tag},2026-03-02T{hour:02}:{minute:02}:{:02}Z,{:.9},192\n",
                second % 60,
                level * (1.0 + 0.01 * share)
            ));
        }
    }
    text
}

fn shell(script: &str) -> (Option<i32>, String) {
    let out = Command::new("sh").args(["-c", script]).output().expect("a shell");
    let text = [out.stdout, out.stderr].concat();
    (out.status.code(), String::from_utf8_lossy(&text).into_owned())
}

const PROGRAM: &str = env!("CARGO_BIN_EXE_metersift");

fn noisy_site(dir: &Path, memory_mib: u64) {
    small_site(dir, &format!("\n[store]\nmemory_mib = {memory_mib}\n"));
    put(&dir.join("dumps/a.csv"), noisy_dump());
}

fn digest(store: &Path) -> String {
    metersift_store::Store::read(store).expect("a store").digest().expect("sound")
}

fn expected() -> String {
    let dir = tempfile::tempdir().expect("a folder");
    noisy_site(dir.path(), 512);
    assert_eq!(on_site("import", dir.path()).code, Some(0));
    digest(&dir.path().join("store"))
}

#[test]
fn a_full_disk_is_told_with_the_need_and_changes_nothing() {
    let (code, text) = shell("unshare -rm sh -c 'd=$(mktemp -d) && mount -t tmpfs none $d'");
    if code != Some(0) {
        eprintln!("skipped: no file system of one's own can be mounted here: {text}");
        return;
    }
    let expected = expected();
    let (mut full, mut foretold) = (0, 0);
    for (mib, memory_mib) in [(1, 1), (1, 512), (2, 1), (2, 512), (4, 1), (8, 512), (64, 1)] {
        let dir = tempfile::tempdir().expect("a folder");
        noisy_site(dir.path(), memory_mib);
        let site = dir.path().to_string_lossy().into_owned();
        std::fs::create_dir_all(dir.path().join("store")).expect("a folder");
        let script = format!(
            "cd {site} && mount -t tmpfs -o size={mib}m none store\n\
             {PROGRAM} import --site . 2>first; echo $? >code-1\n\
             find store -type f | sort >left; du -sk store | cut -f1 >kib\n\
             mount -o remount,size=256m store\n\
             {PROGRAM} import --site . 2>second; echo $? >code-2\n\
             cp -r store kept"
        );
        let out = Command::new("unshare").args(["-rm", "sh", "-c", &script]).output();
        let out = out.expect("unshare");
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        let read = |name: &str| std::fs::read_to_string(dir.path().join(name)).expect("a file");
        let (code, told, left) = (read("code-1"), read("first"), read("left"));
        let what = format!("{mib} MiB, memory {memory_mib} MiB: {told}");
        if code.trim() == "5" {
            full += 1;
            let before = told.contains("no dump was read");
            foretold += usize::from(before);
            let place = if before { "store: 1 dump with at least" } else { "staging/" };
            for part in [
                "error: no room on the disk of the store",
                place,
                "needs about",
                " MB free",
                "nothing was changed",
                "hint: free room",
            ] {
                assert!(told.contains(part), "{part} is missing: {what}");
            }
            // What waits on the disk is most of the need, and that is said.
            assert_eq!(before, told.contains("for what waits there"), "{what}");
            let files = left.lines().filter(|file| {
                ["samples", "origin", "staging", "ledger"]
                    .iter()
                    .any(|top| file.starts_with(&format!("store/{top}/")))
            });
            assert_eq!(files.count(), 0, "{what}\n{left}");
            assert!(read("kib").trim().parse::<u64>().expect("KiB") < 100, "room is given back");
        } else {
            assert_eq!(code.trim(), "0", "{what}");
        }
        assert_eq!(read("code-2").trim(), "0", "{}", read("second"));
        assert_eq!(digest(&dir.path().join("kept")), expected, "{what}");
    }
    assert!((2..7).contains(&full), "{full} of 7 disks were too small");
    assert!(foretold > 0 && foretold < full, "{foretold} of {full} were foretold");
}

/// Most of a dump may be of tags that the table does not want: those need no room.
#[test]
fn an_import_that_fits_is_not_refused_for_what_is_not_wanted() {
    let (code, text) = shell("unshare -rm sh -c 'd=$(mktemp -d) && mount -t tmpfs none $d'");
    if code != Some(0) {
        eprintln!("skipped: no file system of one's own can be mounted here: {text}");
        return;
    }
    let outcome = |others: &str| {
        let dir = tempfile::tempdir().expect("a folder");
        noisy_site(dir.path(), 1);
        let dump = noisy_dump();
        let mut text =
            dump.lines().step_by(12).fold(String::new(), |text, line| text + line + "\n");
        for line in dump.lines().skip(1).filter(|line| line.contains("FLOW")) {
            for other in ["A", "B", "C"] {
                text.push_str(&line.replace("FT-1.FLOW", &format!("{others}{other}.FLOW")));
                text.push('\n');
            }
        }
        put(&dir.path().join("dumps/a.csv"), text);
        let mut tags = TAGS.to_string();
        for other in ["A", "B", "C"] {
            tags += &format!("FT-{other}.FLOW,FT-{other},mass_flow,kg/h,,\n");
            tags += &format!("X-{other}.FLOW,,ignore,,,\n");
        }
        put(&dir.path().join("records/tags.csv"), tags);
        let site = dir.path().to_string_lossy().into_owned();
        std::fs::create_dir_all(dir.path().join("store")).expect("a folder");
        let script = format!(
            "cd {site} && mount -t tmpfs -o size=2m none store\n\
             {PROGRAM} import --site . 2>told; echo $? >code"
        );
        let out = Command::new("unshare").args(["-rm", "sh", "-c", &script]).output();
        assert!(out.expect("unshare").status.success());
        let read = |name: &str| std::fs::read_to_string(dir.path().join(name)).expect("a file");
        (read("code").trim().to_owned(), read("told"))
    };
    let (code, told) = outcome("FT-");
    assert!(code == "5" && told.contains("no dump was read"), "{code}: {told}");
    let (code, told) = outcome("X-");
    assert_eq!(code, "0", "{told}");
}

#[test]
fn a_limit_on_the_size_of_files_is_named() {
    let dir = tempfile::tempdir().expect("a folder");
    noisy_site(dir.path(), 512);
    let site = dir.path().to_string_lossy().into_owned();
    // Blocks of 512 bytes (POSIX); the signal that ends others at the limit is ignored.
    let (code, told) =
        shell(&format!("trap '' XFSZ; ulimit -f 400; exec {PROGRAM} import --site {site}"));
    assert_eq!(code, Some(5), "{told}");
    for part in ["may not grow as large", "staging/", "nothing was changed", "ulimit -f"] {
        assert!(told.contains(part), "{part} is missing: {told}");
    }
    assert!(snapshot(&dir.path().join("store/samples")).is_empty());
    assert!(!dir.path().join("store/staging").exists());
    assert_eq!(on_site("import", dir.path()).code, Some(0));
    assert_eq!(digest(&dir.path().join("store")), expected());
}

#[test]
fn many_dumps_need_few_open_files_and_too_few_are_named() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    for i in 0..300 {
        let text = format!(
            "tag,time,value,quality\nFT-1.DENS,2026-03-{:02}T{:02}:00:00Z,998.2,192\n",
            1 + i % 28,
            i / 28
        );
        put(&dir.path().join(format!("dumps/{i:03}.csv")), text);
    }
    let site = dir.path().to_string_lossy().into_owned();
    let import = |n: u32| shell(&format!("ulimit -n {n}; exec {PROGRAM} import --site {site}"));
    let mut named = 0;
    for n in 4..12 {
        let (code, told) = import(n);
        if code == Some(5) && told.contains("too many files are open") {
            assert!(told.contains(&format!("now {n}")) && told.contains("ulimit -n"), "{told}");
            named += 1;
        }
        assert_ne!(code, Some(101), "{told}");
    }
    eprintln!("{named} of 8 limits were named by the store");
    let (code, told) = import(64);
    assert_eq!(code, Some(0), "{told}");
    let store = metersift_store::Store::read(&dir.path().join("store")).expect("a store");
    assert_eq!(store.ledger().rows(), 300);
}

#[expect(clippy::print_stderr, reason = "a test that was skipped says so")]
/// The program where everybody may run it, and whether it can be run as nobody.
fn as_nobody(dir: &Path) -> Option<String> {
    let program = dir.join("metersift");
    std::fs::copy(PROGRAM, &program).expect("a copy");
    std::fs::set_permissions(dir, PermissionsExt::from_mode(0o755)).expect("rights");
    let program = program.to_string_lossy().into_owned();
    let run = format!("setpriv --reuid=65534 --regid=65534 --clear-groups {program}");
    let (code, text) = shell(&format!("{run} --version"));
    if code != Some(0) {
        eprintln!("skipped: the program cannot be run as another user here: {text}");
        return None;
    }
    Some(run)
}

#[test]
fn rights_that_are_lacking_are_found_before_any_work() {
    let home = tempfile::tempdir().expect("a folder");
    let Some(nobody) = as_nobody(home.path()) else { return };
    let site = home.path().join("site");
    small_site(&site, "");
    put(&site.join("dumps/a.csv"), long_dump("2026-03-02"));
    let import = || shell(&format!("{nobody} import --site {}", site.display()));

    // The site belongs to somebody else: no store can be made.
    let (code, told) = import();
    assert_eq!(code, Some(2), "{told}");
    assert!(told.contains("store") && told.contains("right to read and write"), "{told}");
    assert!(!site.join("store").exists());

    // The store does.
    assert_eq!(on_site("import", &site).code, Some(0));
    put(&site.join("dumps/b.csv"), long_dump("2026-03-03"));
    let before = snapshot(&site.join("store"));
    let (code, told) = import();
    assert_eq!(code, Some(2), "{told}");
    assert!(told.contains("writer.lock") && told.contains("right to read and write"), "{told}");
    assert!(snapshot(&site.join("store")) == before, "not a byte");

    // It may be read and not written: readers work.
    let (code, told) = shell(&format!("{nobody} ledger --site {}", site.display()));
    assert_eq!(code, Some(0), "{told}");

    // A file that may not be read is an error of rights, and no damage.
    let ledger = site.join("store/ledger/ledger.jsonl");
    std::fs::set_permissions(&ledger, PermissionsExt::from_mode(0o600)).expect("rights");
    let (code, told) = shell(&format!("{nobody} ledger --site {}", site.display()));
    assert_eq!(code, Some(2), "{told}");
    assert!(told.contains("ledger.jsonl"), "{told}");
}

#[test]
fn a_disk_that_can_only_be_read_is_named_before_any_work() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    assert_eq!(on_site("import", dir.path()).code, Some(0));
    put(&dir.path().join("dumps/b.csv"), long_dump("2026-03-03"));
    let before = snapshot(&dir.path().join("store"));
    let store = dir.path().join("store").to_string_lossy().into_owned();
    let script = format!(
        "mount --bind {store} {store} && mount -o remount,bind,ro {store} || exit 99\n\
         exec {PROGRAM} import --site {}",
        dir.path().display()
    );
    let out = Command::new("unshare").args(["-rm", "sh", "-c", &script]).output();
    let out = match out {
        Ok(out) if out.status.code() != Some(99) && out.status.code() != Some(1) => out,
        other => {
            eprintln!("skipped: no disk can be mounted for reading only here: {other:?}");
            return;
        }
    };
    let told = String::from_utf8_lossy(&out.stderr);
    assert_eq!(out.status.code(), Some(2), "{told}");
    assert!(told.contains("Read-only file system"), "{told}");
    assert!(snapshot(&dir.path().join("store")) == before, "not a byte");
}

/// Runs a script as root of a namespace of its own; `None` where that cannot be done.
#[expect(clippy::print_stderr, reason = "a test that was skipped says so")]
fn in_own_mounts(script: &str) -> Option<()> {
    let (code, text) = shell("unshare -rm sh -c 'd=$(mktemp -d) && mount -t tmpfs none $d'");
    if code != Some(0) {
        eprintln!("skipped: no file system of one's own can be mounted here: {text}");
        return None;
    }
    let out = Command::new("unshare").args(["-rm", "sh", "-c", script]).output().expect("unshare");
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    Some(())
}

/// A site with results of two days and a third that is imported; with its features where they are
/// wanted.
fn on_the_third_morning(dir: &Path, features: bool) {
    small_site(dir, "");
    for day in ["2026-03-02", "2026-03-03"] {
        put(&dir.join(format!("dumps/{day}.csv")), long_dump(day));
    }
    assert_eq!(run_night(dir).code, Some(0));
    put(&dir.join("dumps/2026-03-04.csv"), long_dump("2026-03-04"));
    assert_eq!(on_site("import", dir).code, Some(0));
    if features {
        assert_eq!(on_site("features", dir).code, Some(0));
    }
}

/// Names and hashes below a folder, but for the file that fills the disk.
fn list(folder: &str, into: &str) -> String {
    format!(
        "(cd {folder} && find . -type f ! -name fill ! -name writer.json | sort | xargs -r sha256sum) >{into}\n"
    )
}

/// Features on a disk that is full, or nearly: what stands stays, and the next run ends as if
/// nothing had been.
#[test]
fn features_on_a_full_disk_leave_what_was_there() {
    let whole = tempfile::tempdir().expect("a folder");
    on_the_third_morning(whole.path(), true);
    let expected = snapshot(&whole.path().join("store/daily"));
    let mut full = 0;
    for left_kib in [0, 4, 16, 4096] {
        let dir = tempfile::tempdir().expect("a folder");
        on_the_third_morning(dir.path(), false);
        let script = format!(
            "cd {site} && mv store kept && mkdir store && mount -t tmpfs -o size=24m none store\n\
             cp -r kept/. store\n{before}\
             head -c 64m /dev/zero >store/fill 2>/dev/null; truncate -s -{left_kib}K store/fill\n\
             {PROGRAM} features --site . 2>told; echo $? >code\n{after}\
             rm store/fill\n{PROGRAM} features --site . 2>second; echo $? >code-2\n\
             cp -r store done",
            site = dir.path().display(),
            before = list("store", "before"),
            after = list("store", "after"),
        );
        if in_own_mounts(&script).is_none() {
            return;
        }
        let read = |name: &str| std::fs::read_to_string(dir.path().join(name)).expect("a file");
        let (told, before, after) = (read("told"), read("before"), read("after"));
        let what = format!("{left_kib} KiB left: {told}");
        let kept = |line: &&str| !line.contains("/.") && !line.ends_with(".new");
        match read("code").trim() {
            "5" => {
                full += 1;
                for part in ["no room on the disk of the store", "nothing was changed", "hint:"] {
                    assert!(told.contains(part), "{part} is missing: {what}");
                }
                // Every file that was there is there; a receipt may be that of a table to come.
                let lost: Vec<&str> = before
                    .lines()
                    .filter(kept)
                    .filter(|line| !line.ends_with(".receipt.json") && !after.contains(line))
                    .collect();
                assert!(lost.is_empty(), "{what}: {lost:?}");
            }
            code => assert_eq!(code, "0", "{what}"),
        }
        assert_eq!(read("code-2").trim(), "0", "{}", read("second"));
        let done = snapshot(&dir.path().join("done/daily"));
        let tables = |files: &std::collections::BTreeMap<String, Vec<u8>>| {
            let mut files = files.clone();
            files.retain(|name, _| name.ends_with(".parquet"));
            files
        };
        assert!(tables(&done) == tables(&expected), "{what}");
    }
    assert!((1..4).contains(&full), "{full} of 4 disks were full");
}

/// Evidence, lists and report on a full disk: the results of the night before, and those of the
/// same night, stand as they were.
#[test]
fn results_on_a_full_disk_leave_the_former_ones() {
    let whole = tempfile::tempdir().expect("a folder");
    on_the_third_morning(whole.path(), true);
    assert_eq!(on_site("report", whole.path()).code, Some(0));
    let expected = snapshot(&whole.path().join("out"));
    let mut full = 0;
    for (left_kib, made_before) in
        [(0, false), (0, true), (12, false), (64, true), (64, false), (128, false), (8192, true)]
    {
        let dir = tempfile::tempdir().expect("a folder");
        on_the_third_morning(dir.path(), true);
        if made_before {
            assert_eq!(on_site("report", dir.path()).code, Some(0));
        }
        for command in ["faults", "rank", "report"] {
            let script = format!(
                "cd {site} && rm -rf kept full done && cp -r out kept && mkdir full\n\
                 mount -t tmpfs -o size=32m none out && cp -r kept/. out\n{before}\
                 head -c 64m /dev/zero >out/fill 2>/dev/null; truncate -s -{left_kib}K out/fill\n\
                 {PROGRAM} {command} --site . 2>told; echo $? >code\n{after}\
                 rm out/fill; ls -a out >left\n\
                 {PROGRAM} report --site . 2>second; echo $? >code-2\ncp -r out done",
                site = dir.path().display(),
                before = list("out", "before"),
                after = list("out", "after"),
            );
            if in_own_mounts(&script).is_none() {
                return;
            }
            let read = |name: &str| std::fs::read_to_string(dir.path().join(name)).expect("a file");
            let told = read("told");
            let what = format!("{command}, {left_kib} KiB left, again {made_before}: {told}");
            match read("code").trim() {
                "5" => {
                    full += 1;
                    for part in [
                        "results could not be written",
                        "No space left",
                        "the former results stand",
                        "hint: free room on the disk of `out`",
                    ] {
                        assert!(told.contains(part), "{part} is missing: {what}");
                    }
                    assert_eq!(read("before"), read("after"), "{what}");
                    let left = read("left");
                    assert!(!left.contains(".new") && !left.contains(".old"), "{what}: {left}");
                }
                code => assert_eq!(code, "0", "{what}"),
            }
            assert_eq!(read("code-2").trim(), "0", "{}", read("second"));
            let done = snapshot(&dir.path().join("done"));
            let differs: Vec<_> = expected
                .iter()
                .filter(|(name, bytes)| done.get(*name) != Some(*bytes))
                .map(|(name, _)| name)
                .collect();
            assert!(differs.is_empty() && done.len() == expected.len(), "{what}: {differs:?}");
        }
    }
    assert!((6..21).contains(&full), "{full} of 21 disks were full");
}
