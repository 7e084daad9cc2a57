//! Help, exit codes and the shape of messages.

use crate::support::*;

#[test]
fn help_begins_with_the_job_and_ends_with_the_exit_codes() {
    let run = metersift(["--help"]);
    assert_eq!(run.code, Some(0));
    assert!(run.stdout.contains("Example: metersift run"), "{}", run.stdout);
    assert!(run.stdout.contains("the store is in use by another run"), "{}", run.stdout);
}

#[test]
fn every_command_has_an_example() {
    let commands = [
        "demo",
        "scan",
        "run",
        "import",
        "features",
        "faults",
        "rank",
        "report",
        "backtest",
        "explain",
        "plan",
        "trace",
        "withdraw",
        "check-store",
        "simulate",
        "completions",
    ];
    for command in commands {
        let run = metersift([command, "--help"]);
        assert!(run.stdout.contains("Example: metersift "), "{command}: {}", run.stdout);
    }
}

#[test]
fn an_unknown_argument_and_a_missing_site_could_not_start() {
    assert_eq!(metersift(["import", "--sight", "x"]).code, Some(2));
    let dir = tempfile::tempdir().expect("a folder");
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(2));
    assert!(run.stderr.starts_with("error: no site here"), "{}", run.stderr);
    assert!(run.stderr.contains("hint:"), "{}", run.stderr);
}

#[test]
fn an_unknown_key_of_the_site_file_is_named_with_its_line() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "delimeter = \";\"\n");
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(2), "{}", run.stderr);
    assert!(run.stderr.contains("delimeter") && run.stderr.contains("site.toml"), "{}", run.stderr);
}

#[test]
fn scan_says_what_a_dump_holds_and_the_lines_that_settle_it() {
    let dir = tempfile::tempdir().expect("a folder");
    put(&dir.path().join("a.csv"), long_dump("2026-03-02"));
    let site = dir.path().join("site");
    let run = metersift([
        "scan",
        &dir.path().join("a.csv").to_string_lossy(),
        "--write-site",
        &site.to_string_lossy(),
    ]);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    for part in ["long", "utf-8", "delimiter", "FT-1.FLOW", "2026-03-02"] {
        assert!(run.stdout.contains(part), "{part} is missing: {}", run.stdout);
    }
    // The written site takes the dump as it is once register and tags are filled in.
    put(&site.join("records/register.csv"), REGISTER);
    put(&site.join("records/tags.csv"), TAGS);
    let text = std::fs::read_to_string(site.join("site.toml")).expect("a site file");
    put(&site.join("site.toml"), text.replace("rest_seconds = 60", "rest_seconds = 0"));
    let run = on_site("import", &site);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    assert!(run.stderr.contains("4,320 stored"), "{}", run.stderr);
}

#[test]
fn a_store_of_a_newer_format_is_refused_unchanged() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    assert_eq!(on_site("import", dir.path()).code, Some(0));
    let format = dir.path().join("store/format.json");
    let text = std::fs::read_to_string(&format).expect("a format file");
    let first =
        text.lines().next().expect("a first line").replace("\"format\":1", "\"format\":99") + "\n";
    assert!(first.contains("99"), "the format file names its version: {text}");
    let seal = metersift_store::content_hash(first.as_bytes());
    let newer = format!("{first}{{\"hash\":\"{seal}\"}}\n");
    put(&format, newer);
    assert_eq!(on_site("import", dir.path()).code, Some(2));
}

#[test]
fn a_damaged_day_file_is_noticed_before_it_is_used() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    assert_eq!(on_site("import", dir.path()).code, Some(0));
    let file = dir.path().join("store/samples/day=2026-03-02/bucket=00.parquet");
    let mut bytes = std::fs::read(&file).expect("a day file");
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    put(&file, bytes);
    let check = on_site("check-store", dir.path());
    assert_eq!(check.code, Some(4), "{}", check.stderr);
    assert!(
        check.stderr.contains("2026-03-02") && check.stderr.contains("a.csv"),
        "{}",
        check.stderr
    );
    assert_eq!(on_site("features", dir.path()).code, Some(4));
}
