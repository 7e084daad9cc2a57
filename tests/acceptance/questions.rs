//! What a person asks of one meter or one morning: explain, trace, plan.

use crate::support::*;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

/// One simulated site with a judged night, for every question.
struct Judged {
    _dir: tempfile::TempDir,
    site: PathBuf,
}

static JUDGED: LazyLock<Judged> = LazyLock::new(|| {
    let dir = tempfile::tempdir().expect("a folder");
    let mut plan = metersift_sim::Plan::larkmoor(24, 150, 3);
    plan.daily_from = 140;
    metersift_sim::write_site(dir.path(), &plan).expect("a site can be written");
    let run = run_night(dir.path());
    assert!(matches!(run.code, Some(0 | 1)), "{}", run.stderr);
    Judged { site: dir.path().to_path_buf(), _dir: dir }
});

/// The site that all questions are asked of.
pub fn judged_site() -> &'static Path {
    &JUDGED.site
}

fn ask(arguments: &[&str]) -> Run {
    let site = JUDGED.site.to_string_lossy().into_owned();
    metersift(arguments.iter().copied().chain(["--site", &site]))
}

fn meters() -> Vec<String> {
    let register =
        std::fs::read_to_string(JUDGED.site.join("records/register.csv")).expect("a register");
    let name = |line: &str| line.split(',').next().expect("a meter").to_string();
    register.lines().skip(1).map(name).collect()
}

/// The last day with samples, and the day before it.
fn last_day() -> String {
    let latest = std::fs::read_to_string(JUDGED.site.join("out/latest")).expect("out/latest");
    let as_of = metersift_model::Day::parse(latest.trim()).expect("a day");
    as_of.plus(-2).to_string()
}

#[test]
fn explain_keeps_to_one_screen_and_tells_distance_data_and_peers() {
    let mut distances = 0;
    for meter in meters() {
        let run = ask(&["explain", &meter]);
        assert_eq!(run.code, Some(0), "{meter}: {}", run.stderr);
        assert!(run.stdout.lines().count() <= 40, "{meter}: {}", run.stdout);
        for part in ["data: ", "of the last 60 days with samples", "peers: ", "approve nothing"] {
            assert!(run.stdout.contains(part), "{meter}: {part} is missing: {}", run.stdout);
        }
        for word in ["healthy", "certified", " safe ", "NaN", " inf"] {
            assert!(!run.stdout.contains(word), "{meter}: {word}: {}", run.stdout);
        }
        distances += usize::from(run.stdout.contains("distance: ") && run.stdout.contains("odds"));
        // Two digits of probability and never certainty.
        assert!(!run.stdout.contains(" 1.00 #"), "{}", run.stdout);
    }
    assert!(distances >= 12, "{distances} of 24 meters have a distance");
}

#[test]
fn any_meter_has_a_page_in_a_file_that_is_numbered_and_not_named_after_it() {
    let mut listed = 0;
    for meter in meters().iter().take(6) {
        let run = ask(&["explain", meter, "--html"]);
        assert_eq!(run.code, Some(0), "{}", run.stderr);
        let place = PathBuf::from(run.stdout.trim());
        let name = place.file_stem().expect("a name").to_string_lossy().into_owned();
        assert!(name.chars().all(|c| c.is_ascii_digit()), "{}", place.display());
        assert!(place.parent().is_some_and(|folder| folder.ends_with("explain")));
        let page = std::fs::read_to_string(&place).expect("a page");
        assert_eq!(page.matches("class=\"meter\"").count(), 1);
        for part in ["default-src 'none'", "24 meters: ", "<dt>data</dt>", "<dt>peers</dt>"] {
            assert!(page.contains(part), "{meter}: {part}");
        }
        assert!(page.contains(&format!("metersift explain {meter} --as-of ")));
        listed += usize::from(page.contains(" no. "));
        assert!(
            page.contains(" no. ") || page.contains("<dt>quiet</dt>") || page.contains("<dt>not ")
        );
    }
    assert!(listed < 6, "quiet meters have pages as well");
    let dir = tempfile::tempdir().expect("a folder");
    let own = dir.path().join("deep/page.html");
    let run = ask(&["explain", &meters()[0], "--html", &own.to_string_lossy()]);
    assert_eq!((run.code, own.exists()), (Some(0), true), "{}", run.stderr);
    let unknown = dir.path().join("unknown.html");
    let run = ask(&["explain", "FT-0000", "--html", &unknown.to_string_lossy()]);
    assert_eq!((run.code, unknown.exists()), (Some(2), false), "{}", run.stderr);
}

/// Text behind a label of the story.
fn told<'a>(run: &'a Run, label: &str) -> &'a str {
    let line = run.stderr.lines().find_map(|line| line.trim_start().strip_prefix(label));
    line.unwrap_or_else(|| panic!("{label} is missing: {}", run.stderr)).trim()
}

#[test]
fn every_traced_feature_is_recomputed_to_the_last_bit() {
    let day = last_day();
    let register =
        std::fs::read_to_string(JUDGED.site.join("records/register.csv")).expect("a register");
    let header: Vec<&str> = register.lines().next().expect("a header").split(',').collect();
    let partner = header.iter().position(|name| *name == "series_with").expect("a column");
    let in_series = register
        .lines()
        .skip(1)
        .find(|line| line.split(',').nth(partner).is_some_and(|with| !with.is_empty()));
    let mut asked = vec![meters()[0].clone()];
    asked.extend(in_series.map(|line| line.split(',').next().expect("a meter").to_string()));
    for meter in &asked {
        for feature in
            ["density_noise_kg_m3", "drive_log_median", "partner_span_log", "gas_share", "mass_kg"]
        {
            let run = ask(&["trace", meter, feature, &day]);
            assert_eq!(run.code, Some(0), "{meter} {feature}: {}", run.stderr);
            assert_eq!(told(&run, "stored "), told(&run, "recomputed "), "{}", run.stderr);
            assert!(run.stderr.contains("equal to the last bit"), "{}", run.stderr);
        }
    }
    let run = ask(&["trace", &asked[0], "density_kg_m3", &day]);
    let mut lines = run.stdout.lines();
    assert_eq!(lines.next(), Some("meter,signal,time,value,quality,dump"));
    assert!(
        lines.all(|line| line.split(',').count() == 6 && line.contains("dumps/")),
        "{}",
        run.stdout
    );
}

#[test]
fn a_trace_says_when_the_stored_value_is_out_of_date() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    assert_eq!(run_night(dir.path()).code, Some(0));
    let trace = |site: &Path| {
        let site = site.to_string_lossy().into_owned();
        metersift(["trace", "FT-1", "flow_q50_kg_h", "2026-03-02", "--site", &site])
    };
    assert!(trace(dir.path()).stderr.contains("equal to the last bit"));
    // A later dump corrects the flow, and the features were not yet computed anew.
    put(&dir.path().join("dumps/b.csv"), long_dump("2026-03-02").replace(",120", ",130"));
    assert_eq!(on_site("import", dir.path()).code, Some(0));
    let run = trace(dir.path());
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    assert!(
        run.stderr.contains("not equal") && run.stderr.contains("metersift features"),
        "{}",
        run.stderr
    );
    assert!(run.stdout.contains("dumps/b.csv"), "the samples are those of now");
}

/// Columns of the plan as CSV, by name; text cells hold no comma in the columns asked for.
fn plan_csv(arguments: &[&str]) -> (Vec<String>, Vec<Vec<String>>) {
    let mut all = vec!["plan", "--format", "csv"];
    all.extend_from_slice(arguments);
    let run = ask(&all);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    let mut rows = run.stdout.lines().map(|line| {
        let cells = line.split(',').map(|cell| cell.trim_matches('"').to_string());
        cells.collect::<Vec<String>>()
    });
    (rows.next().expect("a header"), rows.collect())
}

#[test]
fn a_plan_keeps_to_its_capacity_and_drops_nothing() {
    let (header, wide) = plan_csv(&["--days", "28"]);
    assert_eq!(header[..5], ["as_of", "day", "standing", "meter", "stream"]);
    let asked = |rows: &[Vec<String>]| {
        let mut names: Vec<String> =
            rows.iter().filter(|row| row[2] != "drawn").map(|row| row[3].clone()).collect();
        names.sort();
        names
    };
    assert!(!asked(&wide).is_empty(), "somebody has something to check");
    let (_, tight) = plan_csv(&["--days", "28", "--per-day", "1"]);
    assert_eq!(asked(&wide), asked(&tight), "what does not fit is beyond the span, not gone");
    let mut per_day = std::collections::BTreeMap::new();
    for row in tight.iter().filter(|row| row[2] != "beyond_span") {
        *per_day.entry(row[1].clone()).or_insert(0) += 1;
    }
    assert!(per_day.values().all(|n| *n == 1), "{per_day:?}");
    let drawn = tight.iter().filter(|row| row[2] == "drawn").count();
    assert_eq!(drawn, 2, "28 slots hold two tenth ones");
}

#[test]
fn a_plan_for_people_says_what_it_does_not_know() {
    let run = ask(&["plan", "--days", "7", "--per-day", "2"]);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    for part in ["at most 2 a day", "beyond the span", "are not proposed", "approves nothing"] {
        assert!(run.stdout.contains(part), "{part} is missing: {}", run.stdout);
    }
    let again = ask(&["plan", "--days", "7", "--per-day", "2", "--threads", "1"]);
    assert_eq!(run.stdout, again.stdout, "the same at one thread");
    assert_eq!(ask(&["plan", "--per-day", "0"]).code, Some(2));
}

#[test]
fn messages_say_what_and_where_in_the_form_of_the_house() {
    let day = last_day();
    let wrong: [&[&str]; 9] = [
        &["explain", "NO-SUCH"],
        &["explain", "FT", "--as-of", "yesterday"],
        &["trace", "NO-SUCH", "density_kg_m3", &day],
        &["trace", &meters()[0], "no_such_feature", &day],
        &["trace", &meters()[0], "density_kg_m3", "03/04/2026"],
        &["withdraw", "no-such-dump"],
        &["backtest", "--every", "often"],
        &["report", "--as-of", "2026-02-30"],
        &["run", "no-such-pipeline.toml"],
    ];
    for arguments in wrong {
        let run = ask(arguments);
        assert_eq!(run.code, Some(2), "{arguments:?}: {}", run.stderr);
        assert!(
            run.stdout.is_empty(),
            "{arguments:?} puts a message among results: {}",
            run.stdout
        );
        let what = run.stderr.lines().find_map(|line| line.strip_prefix("error: "));
        let what =
            what.unwrap_or_else(|| panic!("{arguments:?} has no error line: {}", run.stderr));
        let first = what.chars().next().expect("a character");
        assert!(first == '`' || first.is_lowercase(), "{arguments:?}: {what}");
        assert!(!what.ends_with('.'), "{arguments:?}: {what}");
        let where_read = run.stderr.lines().any(|line| line.starts_with("  "));
        assert!(where_read, "{arguments:?} says neither where nor what was read: {}", run.stderr);
    }
}
