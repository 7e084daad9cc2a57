//! Memory follows the ceiling, and not the size of dump, history or header, nor how dense days are.
//!
//! Sizes: the ceiling is so low (4 MiB) that even the small dump is spilled to disk several times
//! over, and every day fills a row group; so the small run holds all at once that a large one may
//! hold, and what is compared is not the size of the program. Peaks are those that the program
//! tells of itself (`VmHWM`), each in a process of its own, on one thread: with more, what happens
//! to be held at the same moment differs from run to run, and a long run meets the worst case more
//! often than a short one. Each thread adds its share; `docs/benchmarks/README.md` has figures for
//! two.

use crate::support::*;
use std::fmt::Write as _;
use std::path::Path;

/// Peak of the large run over peak of the small one.
const MOST: f64 = 1.2;
const TAGS_A_DAY: usize = 200;
const TICKS_A_DAY: usize = 1500;

fn site(dir: &Path, tags: usize) {
    small_site(dir, "decimal = \".\"\n");
    let mut toml = std::fs::read_to_string(dir.join("site.toml")).expect("a site file");
    toml.push_str("\n[store]\nmemory_mib = 4\n");
    put(&dir.join("site.toml"), toml);
    let mut table = String::from("tag,meter,signal,unit,from,until\n");
    for tag in 0..tags {
        let _ = writeln!(table, "T{tag}.DENS,M{tag},density,kg/m3,,");
    }
    put(&dir.join("records/tags.csv"), table);
}

fn time(day: usize, tick: usize) -> String {
    time_of(day, tick * 57)
}

fn time_of(day: usize, second: usize) -> String {
    let (month, day) = (1 + day / 28, 1 + day % 28);
    let (hour, minute, second) = (second / 3600, second / 60 % 60, second % 60);
    format!("2024-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}Z")
}

/// A long dump of some days, 300,000 readings each.
fn long(from_day: usize, days: usize) -> String {
    let mut text = String::from("tag,time,value,quality\n");
    text.reserve(days * TAGS_A_DAY * TICKS_A_DAY * 44);
    for day in from_day..from_day + days {
        add_day(&mut text, day, 57, TICKS_A_DAY);
    }
    text
}

fn add_day(text: &mut String, day: usize, step_s: usize, ticks: usize) {
    for tick in 0..ticks {
        let time = time_of(day, tick * step_s);
        for tag in 0..TAGS_A_DAY {
            let _ = writeln!(text, "T{tag}.DENS,{time},{}.5,192", 900 + (tick * 7 + tag) % 100);
        }
    }
}

/// A wide dump of one day.
fn wide(columns: usize, rows: usize) -> String {
    let mut text = String::from("time");
    for tag in 0..columns {
        let _ = write!(text, ",T{tag}.DENS");
    }
    for row in 0..rows {
        let _ = write!(text, "\n{}", time(0, row));
        for tag in 0..columns {
            let _ = write!(text, ",{}.5", 900 + (row * 7 + tag) % 100);
        }
    }
    text.push('\n');
    text
}

/// Peak of one import, MiB.
fn peak_mib(site: &Path, rows: usize) -> f64 {
    peak_on(site, "1", rows)
}

fn peak_on(site: &Path, threads: &str, rows: usize) -> f64 {
    let site = site.to_string_lossy();
    let run = metersift(["--verbose", "import", "--threads", threads, "--site", &site]);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    let digits: String = run.stderr.chars().filter(|character| *character != ',').collect();
    assert!(digits.contains(&format!("= {rows} stored")), "{}", run.stderr);
    let told = run.stderr.split_once("peak memory so far ").expect("a peak").1;
    told.split(' ').next().and_then(|mib| mib.parse().ok()).expect("a number")
}

/// What a run holds beyond need (pages that the allocator has not given back yet) comes and goes;
/// what grows with the size of the input is there every time.
fn lowest_of_three(measure: impl Fn() -> (f64, f64)) -> (f64, f64) {
    (0..3).map(|_| measure()).fold((f64::INFINITY, f64::INFINITY), |least, peaks| {
        (least.0.min(peaks.0), least.1.min(peaks.1))
    })
}

#[test]
#[cfg(target_os = "linux")]
fn ten_times_the_dump_and_ten_times_the_history_keep_the_peak() {
    let a_day = TAGS_A_DAY * TICKS_A_DAY;
    let peaks = |days: usize| {
        let dir = tempfile::tempdir().expect("a folder");
        site(dir.path(), TAGS_A_DAY);
        put(&dir.path().join("dumps/all.csv"), long(0, days));
        let all = peak_mib(dir.path(), days * a_day);
        put(&dir.path().join("dumps/night.csv"), long(days, 1));
        (all, peak_mib(dir.path(), a_day))
    };
    let (small, large) = (peaks(2), lowest_of_three(|| peaks(20)));
    assert!(large.0 < MOST * small.0, "dump: {} MiB, then {} MiB", small.0, large.0);
    assert!(large.1 < MOST * small.1, "night on history: {} MiB, then {} MiB", small.1, large.1);
}

#[test]
#[cfg(target_os = "linux")]
fn ten_times_the_columns_keep_the_peak() {
    let peak = |columns: usize, rows: usize| {
        let dir = tempfile::tempdir().expect("a folder");
        site(dir.path(), columns);
        put(&dir.path().join("dumps/wide.csv"), wide(columns, rows));
        peak_mib(dir.path(), columns * rows)
    };
    let (small, large) = (
        peak(TAGS_A_DAY, TICKS_A_DAY),
        lowest_of_three(|| (peak(10 * TAGS_A_DAY, TICKS_A_DAY / 10), 0.0)).0,
    );
    assert!(large < MOST * small, "{small} MiB, then {large} MiB");
}

/// The small days have more than one row group each, so that they too split one off and go on.
#[test]
#[cfg(target_os = "linux")]
fn days_ten_times_as_dense_keep_the_peak() {
    const DAYS: usize = 2;
    let peak = |step_s: usize, ticks: usize| {
        let dir = tempfile::tempdir().expect("a folder");
        site(dir.path(), TAGS_A_DAY);
        let mut text = String::from("tag,time,value,quality\n");
        text.reserve(DAYS * TAGS_A_DAY * ticks * 44);
        (0..DAYS).for_each(|day| add_day(&mut text, day, step_s, ticks));
        put(&dir.path().join("dumps/all.csv"), text);
        peak_on(dir.path(), "2", DAYS * TAGS_A_DAY * ticks)
    };
    let small = peak(27, 3_200);
    let mut large = f64::INFINITY;
    for _ in 0..3 {
        large = large.min(peak(2, 32_000));
        if large < MOST * small {
            return;
        }
    }
    panic!("{small} MiB, then {large} MiB");
}

#[test]
fn the_option_wins_over_the_site_file_and_the_run_says_so() {
    let import = |site_mib: Option<u64>, option: Option<&str>| {
        let dir = tempfile::tempdir().expect("a folder");
        small_site(dir.path(), "");
        if let Some(mib) = site_mib {
            let file = dir.path().join("site.toml");
            let text = std::fs::read_to_string(&file).expect("a site file");
            put(&file, format!("{text}\n[store]\nmemory_mib = {mib}\n"));
        }
        for day in 0..40 {
            let day = metersift_model::Day::parse("2026-03-02").expect("a day").plus(day);
            put(&dir.path().join(format!("dumps/{day}.csv")), long_dump(&day.to_string()));
        }
        let site = dir.path().to_string_lossy().into_owned();
        let mut arguments = vec!["--verbose", "import", "--site", &site];
        arguments.extend(option.map(|size| ["--memory", size]).into_iter().flatten());
        let run = metersift(arguments);
        assert_eq!(run.code, Some(0), "{}", run.stderr);
        (run.stderr, snapshot(&dir.path().join("store/samples")))
    };
    let both_said = "(--memory; site.toml says";
    let (told, plain) = import(None, None);
    assert!(!told.contains("on disk meanwhile") && !told.contains(both_said), "{told}");

    let (told, low) = import(Some(512), Some("1MiB"));
    assert!(told.contains("memory    1 MiB (--memory; site.toml says 512 MiB)"), "{told}");
    assert!(told.contains("on disk meanwhile, at a ceiling of 1 MiB"), "{told}");
    assert!(low == plain, "the ceiling is no part of the result");

    let (told, _) = import(Some(1), Some("0.5GiB"));
    assert!(told.contains("memory    512 MiB (--memory; site.toml says 1 MiB)"), "{told}");
    assert!(!told.contains("on disk meanwhile"), "{told}");

    let (told, _) = import(Some(1), None);
    assert!(told.contains("on disk meanwhile") && !told.contains(both_said), "{told}");
    let (told, _) = import(None, Some("1"));
    assert!(told.contains("on disk meanwhile") && !told.contains(both_said), "{told}");
}

#[test]
fn a_ceiling_that_makes_no_sense_is_refused_before_anything_is_written() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    let site = dir.path().to_string_lossy().into_owned();
    for nonsense in ["much", "0", "-1", "12 parsecs", "1kB"] {
        let run = metersift(["import", "--site", &site, &format!("--memory={nonsense}")]);
        assert_eq!(run.code, Some(2), "{nonsense}: {}", run.stderr);
        assert!(run.stderr.contains("--memory") && run.stderr.contains("256MiB"), "{}", run.stderr);
    }
    let file = dir.path().join("site.toml");
    let text = std::fs::read_to_string(&file).expect("a site file");
    put(&file, format!("{text}\n[store]\nmemory_mib = 0\n"));
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(2), "{}", run.stderr);
    assert!(run.stderr.contains("memory_mib = 0"), "{}", run.stderr);
    assert!(!dir.path().join("store").exists());
}
