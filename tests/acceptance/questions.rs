//! What a person asks of one meter: explain, trace.

use crate::support::*;
use std::path::{Path, PathBuf};

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
    // Every feature of both meters; two at a time, a run each.
    let jobs: Vec<(&String, &str)> = asked
        .iter()
        .flat_map(|meter| metersift_features::features().iter().map(move |def| (meter, def.name)))
        .collect();
    let check = |jobs: &[(&String, &str)]| {
        for (meter, feature) in jobs {
            let run = ask(&["trace", meter, feature, &day]);
            assert_eq!(run.code, Some(0), "{meter} {feature}: {}", run.stderr);
            assert_eq!(told(&run, "stored "), told(&run, "recomputed "), "{}", run.stderr);
            assert!(run.stderr.contains("equal to the last bit"), "{}", run.stderr);
        }
    };
    let (one, other) = jobs.split_at(jobs.len() / 2);
    std::thread::scope(|scope| {
        scope.spawn(|| check(one));
        check(other);
    });
    let run = ask(&["trace", &asked[0], "density_kg_m3", &day]);
    let mut lines = run.stdout.lines();
    assert_eq!(lines.next(), Some("meter,signal,time,value,quality,dump,line"));
    assert!(
        lines.all(|line| line.split(',').count() == 7 && line.contains("dumps/")),
        "{}",
        run.stdout
    );
}

/// What the pictures are drawn from is told at the foot in the words of the feature table.
#[test]
fn the_report_explains_its_features_in_the_words_of_their_table() {
    let page = newest(&JUDGED.site).join("report/index.html");
    let page = std::fs::read_to_string(page).expect("a report");
    let page = page.replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&");
    let foot = page.split("<footer>").nth(1).expect("a foot");
    for name in metersift_report::DAILY_COLUMNS {
        let all = metersift_features::features();
        let def = all.iter().find(|def| def.name == name).expect("a feature of the table");
        for text in [def.name, def.formula, def.null_means] {
            assert!(foot.contains(text), "{name}: {text}");
        }
    }
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
