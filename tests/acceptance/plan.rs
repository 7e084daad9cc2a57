//! The check plan: on screen, as CSV, and for calendar programs.

use crate::support::*;
use std::collections::{BTreeMap, BTreeSet};

/// Header and rows of the plan as CSV.
fn plan_csv(arguments: &[&str]) -> (Vec<String>, Vec<Vec<String>>) {
    let mut all = vec!["plan", "--format", "csv"];
    all.extend_from_slice(arguments);
    let run = ask(&all);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    let mut reader = csv::Reader::from_reader(run.stdout.as_bytes());
    let header = reader.headers().expect("a header").iter().map(String::from).collect();
    let rows = reader.records().map(|row| row.expect("a row").iter().map(String::from).collect());
    (header, rows.collect())
}

#[test]
fn a_plan_keeps_to_its_capacity_and_drops_nothing() {
    let (header, wide) = plan_csv(&["--days", "28"]);
    assert_eq!(header[..5], ["as_of", "day", "standing", "meter", "stream"]);
    for column in ["start", "end", "local_start", "good_hours", "hours_seen", "hour_note"] {
        assert!(header.iter().any(|name| name == column), "{column} is missing: {header:?}");
    }
    let asked = |rows: &[Vec<String>]| {
        let mut names: Vec<String> =
            rows.iter().filter(|row| row[2] != "drawn").map(|row| row[3].clone()).collect();
        names.sort();
        names
    };
    assert!(!asked(&wide).is_empty(), "somebody has something to check");
    let (_, tight) = plan_csv(&["--days", "28", "--per-day", "1"]);
    assert_eq!(asked(&wide), asked(&tight), "what does not fit is beyond the span, not gone");
    let mut per_day = BTreeMap::new();
    for row in tight.iter().filter(|row| row[2] != "beyond_span") {
        *per_day.entry(row[1].clone()).or_insert(0) += 1;
    }
    assert!(per_day.values().all(|n| *n == 1), "{per_day:?}");
    let drawn = tight.iter().filter(|row| row[2] == "drawn").count();
    assert_eq!(drawn, 2, "28 slots hold two tenth ones");
}

#[test]
fn a_plan_for_people_says_what_it_knows_of_hours_and_what_it_does_not() {
    let run = ask(&["plan", "--days", "7", "--per-day", "2"]);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    for part in ["at most 2 a day", "beyond the span", "Hours in Europe/London", "approves nothing"]
    {
        assert!(run.stdout.contains(part), "{part} is missing: {}", run.stdout);
    }
    for line in run.stdout.lines().filter(|line| line.contains("Hour: ")) {
        let known = line.contains("such hours ran full, steady and single-phase");
        assert!(known || line.contains("no good hour known"), "{line}");
    }
    let again = ask(&["plan", "--days", "7", "--per-day", "2", "--threads", "1"]);
    assert_eq!(run.stdout, again.stdout, "the same at one thread");
    assert_eq!(ask(&["plan", "--per-day", "0"]).code, Some(2));
}

/// RFC 5545 section 3.1: content lines, unfolded.
fn content_lines(text: &str) -> Vec<String> {
    assert!(text.ends_with("END:VCALENDAR\r\n"), "it ends whole");
    assert!(!text.replace("\r\n", "").contains(['\r', '\n']), "a bare line end");
    for line in text.split("\r\n") {
        assert!(line.len() <= 75, "{} octets: {line}", line.len());
    }
    text.replace("\r\n ", "").split("\r\n").map(String::from).collect()
}

fn values<'a>(lines: &'a [String], key: &str) -> Vec<&'a str> {
    lines.iter().filter_map(|line| line.strip_prefix(key)).collect()
}

#[test]
fn the_calendar_holds_one_appointment_per_planned_check_with_its_cautions() {
    let run = ask(&["plan", "--days", "14", "--per-day", "2", "--format", "ics"]);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    let lines = content_lines(&run.stdout);
    let (_, rows) = plan_csv(&["--days", "14", "--per-day", "2"]);
    let planned: Vec<&Vec<String>> = rows.iter().filter(|row| row[2] != "beyond_span").collect();
    assert_eq!(values(&lines, "BEGIN:").iter().filter(|v| **v == "VEVENT").count(), planned.len());
    let summaries: BTreeSet<&str> =
        values(&lines, "SUMMARY:In-situ check of ").into_iter().collect();
    assert_eq!(summaries, planned.iter().map(|row| row[3].as_str()).collect());
    let uids = values(&lines, "UID:");
    assert_eq!(uids.iter().collect::<BTreeSet<_>>().len(), planned.len(), "each has its own UID");
    // The stamp is the as-of date and no clock.
    let as_of = rows[0][0].replace('-', "");
    assert!(values(&lines, "DTSTAMP:").iter().all(|v| *v == format!("{as_of}T000000Z")));
    for description in values(&lines, "DESCRIPTION:") {
        for part in [r"Why: ", r"\nHour: ", r"\nCaution: Stiffness is a mean", "local codes"] {
            assert!(description.contains(part), "{part} is missing: {description}");
        }
    }
}

#[test]
fn a_later_plan_moves_an_appointment_instead_of_adding_one() {
    let of = |arguments: &[&str]| {
        let mut all = vec!["plan", "--format", "ics", "--days", "28"];
        all.extend_from_slice(arguments);
        let lines = content_lines(&ask(&all).stdout);
        let events: Vec<Vec<String>> =
            lines.split(|line| line == "BEGIN:VEVENT").skip(1).map(<[String]>::to_vec).collect();
        let of_meter = events.into_iter().map(|event| {
            let get = |key: &str| values(&event, key)[0].to_string();
            (get("SUMMARY:"), (get("UID:"), get("SEQUENCE:").parse::<u32>().expect("a number")))
        });
        of_meter.collect::<BTreeMap<_, _>>()
    };
    let tonight = of(&["--per-day", "3"]);
    let latest = newest(&JUDGED.site);
    let latest = latest.file_name().expect("a date").to_string_lossy().into_owned();
    let eve = metersift_model::Day::parse(&latest).expect("a date").plus(-1).to_string();
    let before = of(&["--per-day", "3", "--as-of", &eve]);
    let both: Vec<_> =
        tonight.iter().filter_map(|(meter, now)| Some((now, before.get(meter)?))).collect();
    assert!(both.len() >= 3, "{} meters are in both plans", both.len());
    for (now, then) in both {
        assert_eq!(now.0, then.0, "another UID");
        assert_eq!(now.1, then.1 + 1, "the sequence goes up with the day");
    }
}

#[test]
fn an_appointment_that_is_wanted_no_more_is_cancelled_in_the_next_calendar() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    small_site(site, "");
    let text = std::fs::read_to_string(site.join("site.toml")).expect("a site file");
    put(&site.join("site.toml"), text + "\n[plan]\nweekdays = [\"fri\"]\n");
    let calendar = || {
        assert_eq!(run_night(site).code, Some(0));
        let file = newest(site).join("lists/check-plan.ics");
        content_lines(&std::fs::read_to_string(file).expect("a calendar"))
    };
    put(&site.join("dumps/a.csv"), long_dump("2026-03-02"));
    let first = calendar();
    assert_eq!(values(&first, "STATUS:"), ["CONFIRMED"]);
    assert_eq!(values(&first, "DTSTART;VALUE=DATE:"), ["20260306"], "the first Friday");

    // The same plan a night later keeps the appointment; once the meter was checked it goes.
    put(&site.join("dumps/b.csv"), long_dump("2026-03-03"));
    let second = calendar();
    assert_eq!(values(&second, "UID:"), values(&first, "UID:"));
    assert_eq!(values(&second, "STATUS:"), ["CONFIRMED"]);
    put(
        &site.join("records/checks.csv"),
        "meter,time,outcome,quantity,position,value_pct,trigger\n\
         FT-1,2026-03-04T08:00:00Z,pass,stiffness,inlet,0.1,manual\n",
    );
    for day in ["2026-03-04", "2026-03-05"] {
        put(&site.join(format!("dumps/{day}.csv")), long_dump(day));
        let later = calendar();
        assert_eq!(values(&later, "STATUS:"), ["CANCELLED"], "{day}");
        assert_eq!(values(&later, "UID:"), values(&first, "UID:"));
        assert_eq!(values(&later, "DTSTART;VALUE=DATE:"), ["20260306"]);
        let number = |lines: &[String]| values(lines, "SEQUENCE:")[0].parse::<u32>().expect("one");
        assert!(number(&later) > number(&first), "RFC 5545 section 3.8.7.4: the later one counts");
    }
    put(&site.join("dumps/past.csv"), long_dump("2026-03-06"));
    assert!(values(&calendar(), "UID:").is_empty(), "a day that is past needs no word");
}

#[test]
fn a_plan_can_be_written_to_a_file_whole() {
    let dir = tempfile::tempdir().expect("a folder");
    let file = dir.path().join("checks.ics");
    let name = file.to_string_lossy().into_owned();
    let run = ask(&["plan", "--days", "7", "--format", "ics", "--output", &name]);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    assert!(run.stdout.is_empty(), "{}", run.stdout);
    let printed = ask(&["plan", "--days", "7", "--format", "ics"]).stdout;
    assert_eq!(std::fs::read_to_string(&file).expect("the file"), printed);
    assert_eq!(std::fs::read_dir(dir.path()).expect("a folder").count(), 1, "nothing else is left");
    let nowhere = dir.path().join("no/such/folder/x.ics").to_string_lossy().into_owned();
    let run = ask(&["plan", "--format", "ics", "--output", &nowhere]);
    assert_eq!(run.code, Some(5), "{}", run.stderr);
}

#[test]
fn the_night_leaves_the_plan_of_the_site_beside_its_lists() {
    let lists = newest(&JUDGED.site).join("lists");
    let calendar = std::fs::read_to_string(lists.join("check-plan.ics")).expect("a calendar");
    assert!(!values(&content_lines(&calendar), "UID:").is_empty());
    assert_eq!(calendar, ask(&["plan", "--format", "ics"]).stdout);
    let table = std::fs::read_to_string(lists.join("check-plan.csv")).expect("a table");
    assert_eq!(table, ask(&["plan", "--format", "csv"]).stdout);
}

#[test]
fn a_crew_that_cannot_be_meant_is_refused_by_its_key() {
    let dir = tempfile::tempdir().expect("a folder");
    for (line, key) in [
        ("from_hour = 18", "from_hour"),
        ("weekdays = []", "weekdays"),
        ("good_hour_share = 1.5", "good_hour_share"),
    ] {
        small_site(dir.path(), "");
        let file = dir.path().join("site.toml");
        let text = std::fs::read_to_string(&file).expect("a site file");
        put(&file, format!("{text}\n[plan]\n{line}\n"));
        let run = on_site("plan", dir.path());
        assert_eq!(run.code, Some(2), "{}", run.stderr);
        assert!(run.stderr.contains(&format!("`{key}` of [plan]")), "{}", run.stderr);
    }
}
