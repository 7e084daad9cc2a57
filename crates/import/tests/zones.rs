//! A year of local times against the UTC instants they were made from.
//!
//! Truth: the instants; their local texts are printed by `jiff` from its copy of the IANA
//!        rules, and the transitions that must be met on the way are those that Python zoneinfo
//!        lists for IANA 2026f.

mod common;

use common::{file_of, read, source, tags};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use metersift_model::RejectReason;
use std::collections::BTreeMap;
use std::fmt::Write;

/// Zone, and the number of quarter hours of 2024 that occur twice.
const ZONES: [(&str, usize); 6] = [
    ("Europe/Berlin", 4),
    ("America/New_York", 4),
    ("Australia/Lord_Howe", 2),
    ("Africa/Casablanca", 4),
    ("Antarctica/Troll", 8),
    ("Asia/Kolkata", 0),
];

fn quarter_hours_of_2024() -> Vec<Timestamp> {
    let mut at: Timestamp = "2024-01-01T00:00:00Z".parse().expect("instant");
    let end: Timestamp = "2025-01-01T00:00:00Z".parse().expect("instant");
    let mut all = Vec::new();
    while at < end {
        all.push(at);
        at = at.checked_add(15.minutes()).expect("in range");
    }
    all
}

fn local(at: Timestamp, zone: &TimeZone) -> String {
    zone.to_datetime(at).strftime("%d.%m.%Y %H:%M:%S").to_string()
}

const THREE_TAGS: &str = "tag,meter,signal,unit\nA,A,other:n,\nB,B,other:n,\nC,C,other:n,\n";

/// Instants by meter, as they were read; the value of a reading is its number in the year.
fn instants(read: &common::Read) -> BTreeMap<(String, u64), i64> {
    let key = |r: &common::Reading| ((r.meter.clone(), r.value as u64), r.time_us);
    read.readings.iter().map(key).collect()
}

#[test]
fn a_year_of_three_interleaved_tags_is_the_truth_in_six_zones() {
    let all = quarter_hours_of_2024();
    for (name, _) in ZONES {
        let zone = TimeZone::get(name).expect(name);
        let mut text = String::from("tag;time;value\n");
        for (idx, &at) in all.iter().enumerate() {
            for tag in ["A", "B", "C"] {
                let _ = writeln!(text, "{tag};{};{idx}", local(at, &zone));
            }
        }
        let file = file_of(text.as_bytes());
        let read = read(file.path(), &source("x"), name, &tags(THREE_TAGS)).expect(name);
        assert_eq!(read.rejects, [], "{name}");
        let got = instants(&read);
        assert_eq!(got.len(), 3 * all.len(), "{name}");
        for (idx, at) in all.iter().enumerate() {
            for tag in ["A", "B", "C"] {
                assert_eq!(got[&(tag.to_owned(), idx as u64)], at.as_microsecond(), "{name} {at}");
            }
        }
    }
}

/// A recorder that was off for a part of the fold: what is still told is right, and what is not
/// told is rejected. B lost the second pass, C the last half of the first.
#[test]
fn an_outage_in_the_fold_is_decided_rightly_or_rejected() {
    let all = quarter_hours_of_2024();
    for (name, n_twice) in ZONES {
        let zone = TimeZone::get(name).expect(name);
        let fold = |at: &Timestamp| {
            let civil = zone.to_datetime(*at);
            let twice = zone.to_ambiguous_timestamp(civil);
            match twice.offset() {
                jiff::tz::AmbiguousOffset::Fold { before, after } => {
                    let early = before.to_timestamp(civil).expect("in range") == *at;
                    let _ = after;
                    Some(early)
                }
                _ => None,
            }
        };
        let mut text = String::from("tag;time;value\n");
        let mut lost_b = 0;
        let mut n_early = 0;
        for (idx, &at) in all.iter().enumerate() {
            let pass = fold(&at);
            let civil = local(at, &zone);
            let _ = writeln!(text, "A;{civil};{idx}");
            if pass == Some(false) {
                lost_b += 1;
            } else {
                let _ = writeln!(text, "B;{civil};{idx}");
            }
            n_early += usize::from(pass == Some(true));
            if pass == Some(true) && n_early > n_twice / 2 {
                continue;
            }
            let _ = writeln!(text, "C;{civil};{idx}");
        }
        assert_eq!(lost_b, n_twice, "{name}");
        let file = file_of(text.as_bytes());
        let read = read(file.path(), &source("x"), name, &tags(THREE_TAGS)).expect(name);
        for ((_, idx), time_us) in instants(&read) {
            assert_eq!(time_us, all[idx as usize].as_microsecond(), "{name}");
        }
        let of = |tag: &str| read.rejects.iter().filter(|reject| reject.origin.tag == tag).count();
        assert!(read.rejects.iter().all(|r| r.reason == RejectReason::AmbiguousTime));
        assert_eq!((of("A"), of("B"), of("C")), (0, n_twice, 0), "{name}");
    }
}

/// Newest first, and one tag only.
#[test]
fn a_year_that_runs_backwards_is_the_truth_too() {
    let all = quarter_hours_of_2024();
    for (name, _) in ZONES {
        let zone = TimeZone::get(name).expect(name);
        let mut text = String::from("time;A\n");
        for (idx, &at) in all.iter().enumerate().rev() {
            let _ = writeln!(text, "{};{idx}", local(at, &zone));
        }
        let file = file_of(text.as_bytes());
        let read = read(file.path(), &source("x"), name, &tags(THREE_TAGS)).expect(name);
        assert_eq!(read.rejects, [], "{name}");
        for ((_, idx), time_us) in instants(&read) {
            assert_eq!(time_us, all[idx as usize].as_microsecond(), "{name}");
        }
    }
}
