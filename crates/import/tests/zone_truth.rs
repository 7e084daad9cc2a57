//! A year of quarter hours in eleven zones against UTC instants that Python's zoneinfo gave.
//!
//! Truth: `data/zone_truth.csv`, made by `zone_truth.py` beside it (versions in its first line):
//!        runs of quarter hours with one offset. Local texts are made from these by plain
//!        arithmetic, so neither our code nor its time library has a part in the truth.

mod common;

use common::{Read, file_of, read, source, tags};
use metersift_import::SourceSettings;
use metersift_model::TimeUs;
use std::collections::BTreeMap;
use std::fmt::Write;

const QUARTER_S: i64 = 900;

/// Instants of a year and the offsets in force, both in seconds.
type Year = Vec<(i64, i64)>;

fn years() -> BTreeMap<String, Year> {
    let mut years: BTreeMap<String, Year> = BTreeMap::new();
    for line in include_str!("data/zone_truth.csv").lines().skip(2) {
        let cells: Vec<&str> = line.split(',').collect();
        let number = |at: usize| cells[at].parse::<i64>().expect("a whole number");
        let (start, count, offset) = (number(2), number(3), number(4));
        let year = years.entry(cells[0].to_owned()).or_default();
        year.extend((0..count).map(|n| (start + n * QUARTER_S, offset)));
    }
    years
}

/// `2024-03-31 01:45:00`
fn local(at: i64, offset: i64) -> String {
    TimeUs((at + offset) * 1_000_000).to_string()[..19].replace('T', " ")
}

const TAGS: &str = "tag,meter,signal,unit\nA,A,other:n,\nB,B,other:n,\nC,C,other:n,\n";

fn settings() -> SourceSettings {
    SourceSettings { decimal: Some(".".into()), ..source("x") }
}

fn instants(read: &Read) -> BTreeMap<(&str, usize), i64> {
    read.readings.iter().map(|r| ((r.meter.as_str(), r.value as usize), r.time_us)).collect()
}

/// Instants whose local time occurs twice.
fn twice(year: &Year) -> BTreeMap<i64, Vec<usize>> {
    let mut by_local: BTreeMap<i64, Vec<usize>> = BTreeMap::new();
    for (idx, (at, offset)) in year.iter().enumerate() {
        by_local.entry(at + offset).or_default().push(idx);
    }
    by_local.retain(|_, places| places.len() > 1);
    by_local
}

#[test]
fn interleaved_tags_of_a_year_are_the_truth_to_the_row() {
    let years = years();
    assert_eq!(years.len(), 11);
    for (name, year) in &years {
        let mut text = String::from("tag;time;value\n");
        for (idx, &(at, offset)) in year.iter().enumerate() {
            let clock = local(at, offset);
            let _ = writeln!(text, "A;{clock};{idx}\nB;{clock};{idx}");
        }
        let read = read(file_of(text.as_bytes()).path(), &settings(), name, &tags(TAGS));
        let read = read.expect(name);
        assert_eq!(read.rejects, [], "{name}");
        let got = instants(&read);
        assert_eq!(got.len(), 2 * year.len(), "{name}");
        for (idx, (at, _)) in year.iter().enumerate() {
            for tag in ["A", "B"] {
                assert_eq!(got[&(tag, idx)], at * 1_000_000, "{name} {idx}");
            }
        }
    }
}

/// B has no second pass and C only the second half of it; A has all. What is stored is the
/// truth, what is not told is rejected, and no other tag's run decides.
#[test]
fn an_outage_inside_the_fold_costs_that_tag_alone() {
    for (name, year) in &years() {
        let twice = twice(year);
        let passes: BTreeMap<usize, usize> =
            twice.values().flat_map(|places| places.iter().copied().zip(0..)).collect();
        let mut text = String::from("tag;time;value\n");
        let mut lost = 0;
        for (idx, &(at, offset)) in year.iter().enumerate() {
            let clock = local(at, offset);
            let second = passes.get(&idx) == Some(&1);
            let _ = writeln!(text, "A;{clock};{idx}");
            if !second {
                let _ = writeln!(text, "B;{clock};{idx}");
            }
            lost += usize::from(second);
            if !second || lost > twice.len() / 2 {
                let _ = writeln!(text, "C;{clock};{idx}");
            }
        }
        let read = read(file_of(text.as_bytes()).path(), &settings(), name, &tags(TAGS));
        let read = read.expect(name);
        for ((tag, idx), time_us) in instants(&read) {
            assert_eq!(time_us, year[idx].0 * 1_000_000, "{name} {tag} {idx}");
        }
        let of = |tag: &str| read.rejects.iter().filter(|reject| reject.origin.tag == tag).count();
        assert_eq!((of("A"), of("B")), (0, twice.len()), "{name}");
    }
}

/// An offset or a mapped word in each row needs no run: even rows in random order are the truth.
#[test]
fn an_offset_or_a_word_in_each_row_settles_every_fold() {
    let offset_text = |offset: i64| {
        let sign = if offset < 0 { '-' } else { '+' };
        let minutes = offset.abs() / 60;
        format!("{sign}{:02}:{:02}", minutes / 60, minutes % 60)
    };
    for (name, year) in &years() {
        let mut words: BTreeMap<i64, String> = BTreeMap::new();
        for (_, offset) in year {
            let next = ["AST", "BST", "CST", "DST"][words.len().min(3)];
            words.entry(*offset).or_insert_with(|| next.to_owned());
        }
        let zone_words = words.iter().map(|(&o, w)| (w.clone(), offset_text(o))).collect();
        let mut rows: Vec<usize> = (0..year.len()).collect();
        // A fixed order without order.
        rows.sort_by_key(|idx| idx.wrapping_mul(7919) % 35_149);
        let mut in_time = String::from("tag;time;value\n");
        let mut beside = String::from("tag;time;tz;value\n");
        for idx in rows {
            let (at, offset) = year[idx];
            let clock = local(at, offset);
            let word = &words[&offset];
            let _ = writeln!(in_time, "A;{clock} {word};{idx}");
            let zone = if idx % 2 == 0 { word.clone() } else { offset_text(offset) };
            let _ = writeln!(beside, "A;{clock};{zone};{idx}");
        }
        let mut settings = SourceSettings { zone_words, ..settings() };
        for (text, column) in [(in_time, None), (beside, Some("tz"))] {
            settings.columns.zone =
                column.map(|name| metersift_import::settings::ColumnRef::Name(name.into()));
            let read = read(file_of(text.as_bytes()).path(), &settings, "", &tags(TAGS));
            let read = read.expect(name);
            assert_eq!(read.rejects, [], "{name}");
            for ((_, idx), time_us) in instants(&read) {
                assert_eq!(time_us, year[idx].0 * 1_000_000, "{name} {idx}");
            }
            assert_eq!(read.readings.len(), year.len());
        }
    }
}
