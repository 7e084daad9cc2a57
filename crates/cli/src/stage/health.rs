//! The state of the data as the report tells it: what came and what did not.
//!
//! Why:    a quiet list may be a silent historian. Dumps that stopped, tags that fell silent,
//!         levels that stepped by the factor between two units and meters that nobody has judged
//!         for a month stand on the first page.
//! In:     the ledger, the daily features before the as-of date, the verdicts of earlier nights.
//! As of:  dumps and days that tell only of later days are not counted: an old date that is run
//!         again says what it said.
//! Limits: unit steps are looked for in the last month of daily medians only, and a suspicion is
//!         no proof: emptying a line moves density as well.

use crate::exit::Exit;
use crate::message::Message;
use crate::site::Site;
use crate::stage::clock;
use crate::stage::import::refused;
use crate::story::{counted, grouped};
use metersift_import::{ImportError, TagTable};
use metersift_model::unit::conversion;
use metersift_model::verdict::JudgedState;
use metersift_model::{Day, Signal, Table, TimeUs, Verdict};
use metersift_rank::{ListedTag, NeverSeen, PastEntry, Silent};
use metersift_report::DataHealth;
use metersift_store::{DumpState, Store};
use std::collections::{BTreeMap, BTreeSet};

/// Days of silence after which a tag is named. A judgement: a weekend and a day.
const SILENT_AFTER_DAYS: i32 = 3;
/// Days before its last one on which a tag must have come often to be missed.
const HABIT_DAYS: i32 = 60;
/// Days with updates among them.
const HABIT_UPDATES: usize = 20;
/// Days in which a unit step is looked for.
const STEP_DAYS: i32 = 30;
/// Daily values on each side of a step, and the fewest of them.
const SIDE: usize = 7;
/// The fewest values on each side.
const SIDE_LEAST: usize = 3;
/// How far a ratio may be from a factor, and values from their side's median (relative).
const STEP_TOLERANCE: f64 = 0.02;
/// Tags that never came, named in a line.
const TAGS_NAMED: usize = 60;
/// Nights after which a meter that is not judged is named for it.
const UNJUDGED_NIGHTS: i32 = 30;

/// A daily level, its signal, and the units in use for it beside the one it is kept in.
type LevelUnits = (&'static str, Signal, &'static [&'static str]);

/// Daily levels that a unit can step. Of the unit table only what exports use: a daily median of a
/// flow moves by itself, and every further factor is one more that it can meet by chance.
const STEPS: [LevelUnits; 3] = [
    ("flow_q50_kg_h", Signal::MassFlow, &["t/h", "kg/min", "kg/s", "lb/h"]),
    ("density_kg_m3", Signal::Density, &["g/cm3", "lb/ft3", "lb/gal"]),
    ("pressure_kpa", Signal::Pressure, &["MPa", "bar", "psi"]),
];

/// The daily column with the number of updates of a signal.
fn updates_column(signal: &str) -> String {
    format!("{signal}_updates")
}

/// Columns of the daily table that are looked at here, beside `meter` and `day`.
pub fn daily_columns() -> impl Iterator<Item = String> {
    let levels = STEPS.into_iter().map(|(column, ..)| column.into());
    Signal::KNOWN.iter().map(|signal| updates_column(&signal.name())).chain(levels)
}

/// What should have come by a morning and did not.
#[derive(Clone, Debug, Default)]
pub struct Missing {
    /// Sources that are late.
    pub sources: Vec<Silent>,
    /// Tags that never came.
    pub tags: Vec<NeverSeen>,
}

/// Looks for what did not come. `daily` may hold later days: they are not looked at.
pub fn missing(
    site: &Site,
    store: &Store,
    listed: &[ListedTag],
    daily: &Table,
    as_of: Day,
) -> Missing {
    let first = store.day_files().iter().map(|file| file.day()).min().unwrap_or(as_of);
    Missing {
        sources: metersift_rank::silent_sources(&last_days(site, store), as_of),
        tags: metersift_rank::never_seen(listed, &series_seen(daily, as_of), first, as_of),
    }
}

/// Last day of each dump that is in the store, by source; a source of the site file of which no
/// dump has come is there as well.
fn last_days(site: &Site, store: &Store) -> BTreeMap<String, Vec<Day>> {
    let named = site.file.sources.iter().map(|source| (source.name.clone(), Vec::new()));
    let mut days: BTreeMap<String, Vec<Day>> = named.collect();
    for dump in &store.ledger().dumps {
        if dump.state != DumpState::Withdrawn {
            let of_source = days.entry(dump.source.clone()).or_default();
            of_source.extend(dump.last().map(|time| time.day()));
        }
    }
    days
}

/// Meter and signal of every series that had a sample, good or bad, on a day before `as_of`.
fn series_seen(daily: &Table, as_of: Day) -> BTreeSet<(String, String)> {
    let mut seen = BTreeSet::new();
    for (meter, rows) in rows_by_meter(daily) {
        let rows: Vec<usize> =
            rows.iter().filter(|(day, _)| *day < as_of).map(|(_, row)| *row).collect();
        for signal in Signal::KNOWN.iter().map(Signal::name) {
            let Some(updates) = daily.numbers(&updates_column(&signal)) else { continue };
            if rows.iter().any(|row| !updates[*row].is_nan()) {
                seen.insert((meter.to_string(), signal));
            }
        }
    }
    seen
}

/// The tags of the tag table that are written out, of signals that have a daily column.
///
/// # Errors
/// A tag table that cannot be read, as the import refuses it.
pub fn listed_tags(site: &Site) -> Result<Vec<ListedTag>, Message> {
    let mut settings = site.file.records.clone();
    if settings.zone.is_empty() {
        settings.zone.clone_from(&site.file.zone);
    }
    let path = site.dir.join("records/tags.csv");
    let there = path
        .try_exists()
        .map_err(|error| refused(&ImportError::io(&path, "open", error), Exit::CouldNotStart))?;
    if !there {
        return Ok(Vec::new());
    }
    let table =
        TagTable::read(&path, &settings).map_err(|error| refused(&error, Exit::CouldNotStart))?;
    let lines = table.written_out().into_iter().map(|(tag, series, from_us, until_us)| ListedTag {
        meter: series.meter.clone(),
        signal: series.signal.name().to_string(),
        tag: tag.to_string(),
        from: TimeUs(from_us).day(),
        until: TimeUs(until_us).day(),
    });
    Ok(lines.filter(|tag| Signal::KNOWN.iter().any(|known| known.name() == tag.signal)).collect())
}

/// Collects everything.
pub fn data_health(
    store: &Store,
    daily: &Table,
    verdicts: &[Verdict],
    previous: &[PastEntry],
    missing: &Missing,
    as_of: Day,
) -> DataHealth {
    let rows = rows_by_meter(daily);
    DataHealth {
        stopped: missing.sources.iter().map(Silent::words).collect(),
        silent: rows.iter().flat_map(|(meter, rows)| silent(daily, meter, rows, as_of)).collect(),
        never_seen: missing.tags.iter().map(|tags| tags.words(TAGS_NAMED)).collect(),
        clocks: clock::doubts(&store.ledger().dumps, as_of),
        unit_steps: rows
            .iter()
            .flat_map(|(meter, rows)| unit_steps(daily, meter, rows, as_of))
            .collect(),
        long_unjudged: long_unjudged(verdicts, previous, as_of),
        sources: sources(store, as_of),
    }
}

/// What came per source of days before the as-of date. Rejected rows have no day: those of a dump
/// count where any of its readings is of such a day, or it has none at all.
fn sources(store: &Store, as_of: Day) -> Vec<String> {
    #[derive(Default)]
    struct Source {
        dumps: usize,
        readings: u64,
        rejected: u64,
        conflicting: u64,
        last: Option<Day>,
    }
    let mut sources: BTreeMap<String, Source> = BTreeMap::new();
    for dump in &store.ledger().dumps {
        let early = || dump.units.iter().filter(|(unit, _)| unit.day < as_of);
        if early().next().is_none() && !dump.units.is_empty() {
            continue;
        }
        let source = sources.entry(dump.source.clone()).or_default();
        source.dumps += 1;
        source.rejected += dump.rejected;
        for (unit, rows) in early() {
            source.readings += rows.sum();
            source.conflicting += rows.conflicting;
            source.last = source.last.max(Some(unit.day));
        }
    }
    let words = |(name, source): (String, Source)| {
        let last = source.last.map_or("no sample".into(), |day| format!("last sample {day}"));
        format!(
            "{name}: {}, {} readings, {} rows rejected, {} conflicting, {last}",
            counted(source.dumps, "dump"),
            grouped(source.readings),
            grouped(source.rejected),
            grouped(source.conflicting),
        )
    };
    sources.into_iter().map(words).collect()
}

fn rows_by_meter(daily: &Table) -> BTreeMap<&str, Vec<(Day, usize)>> {
    let mut rows: BTreeMap<&str, Vec<(Day, usize)>> = BTreeMap::new();
    if let (Some(meters), Some(days)) = (daily.texts("meter"), daily.days("day")) {
        for (row, meter) in meters.iter().enumerate() {
            if let (Some(meter), Some(day)) = (meter.as_deref(), days[row]) {
                rows.entry(meter).or_default().push((day, row));
            }
        }
    }
    for rows in rows.values_mut() {
        rows.sort_unstable();
    }
    rows
}

/// The signals of a meter that used to come and stopped; one line when all of them did.
fn silent(daily: &Table, meter: &str, rows: &[(Day, usize)], as_of: Day) -> Vec<String> {
    let mut habitual = 0;
    let mut missed: Vec<(String, Day)> = Vec::new();
    for signal in Signal::KNOWN.iter().map(Signal::name) {
        let Some(updates) = daily.numbers(&updates_column(&signal)) else { continue };
        let came: Vec<Day> =
            rows.iter().filter(|(_, row)| updates[*row] > 0.0).map(|(day, _)| *day).collect();
        let Some(last) = came.last().copied().filter(|_| is_habit(&came)) else { continue };
        habitual += 1;
        // A tag that keeps its value for weeks is not silent before it has been so for longer.
        let longest = came.windows(2).map(|pair| pair[1].0 - pair[0].0).max().unwrap_or(1);
        if as_of.0 - 1 - last.0 > SILENT_AFTER_DAYS.max(longest) {
            missed.push((signal, last));
        }
    }
    let newest = missed.iter().map(|(_, day)| *day).max();
    match newest {
        Some(last) if missed.len() == habitual => {
            vec![format!("{meter}: no tag has come since {last}")]
        }
        _ => missed
            .into_iter()
            .map(|(signal, last)| format!("{meter} {}: last came {last}", signal.replace('_', " ")))
            .collect(),
    }
}

fn is_habit(came: &[Day]) -> bool {
    let Some(last) = came.last() else { return false };
    came.iter().rev().take_while(|day| **day > last.plus(-HABIT_DAYS)).count() >= HABIT_UPDATES
}

fn unit_steps(daily: &Table, meter: &str, rows: &[(Day, usize)], as_of: Day) -> Vec<String> {
    let mut found = Vec::new();
    for (column, signal, units) in STEPS {
        let Some(values) = daily.numbers(column) else { continue };
        let series: Vec<(Day, f64)> = rows
            .iter()
            .map(|(day, row)| (*day, values[*row]))
            .filter(|(_, value)| value.is_finite() && *value > 0.0)
            .collect();
        let recent = series.iter().position(|(day, _)| *day >= as_of.plus(-STEP_DAYS));
        let Some(first) = recent else { continue };
        for at in first.max(1)..series.len() {
            let before = side(&series[at.saturating_sub(SIDE)..at]);
            let after = side(&series[at..series.len().min(at + SIDE)]);
            let (Some(before), Some(after)) = (before, after) else { continue };
            let ratio = after / before;
            let near = |factor: f64| (ratio / factor - 1.0).abs() < STEP_TOLERANCE;
            let between = |unit: &&&str| {
                conversion(&signal, unit).is_ok_and(|of| near(of.factor) || near(1.0 / of.factor))
            };
            if let Some(unit) = units.iter().find(between) {
                found.push(format!(
                    "{meter} {}: {ratio:.4} times what it was from {} on, the factor between {unit} \
                     and {}",
                    signal.name().replace('_', " "),
                    series[at].0,
                    signal.unit(),
                ));
                break;
            }
        }
    }
    found
}

/// Median of one side of a step; `None` where values are few or do not agree.
fn side(values: &[(Day, f64)]) -> Option<f64> {
    let mut sorted: Vec<f64> = values.iter().map(|(_, value)| *value).collect();
    sorted.sort_by(f64::total_cmp);
    let middle = *sorted.get(sorted.len() / 2)?;
    let agrees = sorted.iter().all(|value| (value / middle - 1.0).abs() < 5.0 * STEP_TOLERANCE);
    (sorted.len() >= SIDE_LEAST && agrees).then_some(middle)
}

/// Meters that are not judged tonight and were not for a month of nights.
fn long_unjudged(verdicts: &[Verdict], previous: &[PastEntry], as_of: Day) -> Vec<String> {
    let Some(first_night) = previous.iter().map(|entry| entry.as_of).min() else {
        return Vec::new();
    };
    let mut last_judged: BTreeMap<&str, Day> = BTreeMap::new();
    for entry in previous.iter().filter(|entry| entry.state != JudgedState::NotJudged) {
        let last = last_judged.entry(&entry.meter).or_insert(entry.as_of);
        *last = entry.as_of.max(*last);
    }
    let silent = verdicts.iter().filter(|verdict| verdict.state == JudgedState::NotJudged);
    silent
        .filter_map(|verdict| {
            let last = last_judged.get(verdict.meter.as_str()).copied();
            let nights = as_of.0 - last.unwrap_or(first_night).0;
            let words = match last {
                Some(day) => format!("last judged {day}"),
                None => format!("not judged on any night kept, from {first_night} on"),
            };
            (nights >= UNJUDGED_NIGHTS)
                .then(|| format!("{}: {words}; {}", verdict.meter, verdict.reason))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use metersift_model::ColumnData;

    const AS_OF: Day = Day(100);

    fn daily(columns: &[(&str, Vec<f64>)]) -> Table {
        let n = columns[0].1.len();
        let mut table = Table::default();
        table.push("meter", "", ColumnData::Text(vec![Some("FT-1".into()); n]));
        let days = (0..n).map(|index| Some(AS_OF.plus(index as i32 - n as i32)));
        table.push("day", "", ColumnData::Day(days.collect()));
        for (name, values) in columns {
            table.push(name, "", ColumnData::Number(values.clone()));
        }
        table
    }

    fn silent_lines(table: &Table) -> Vec<String> {
        silent(table, "FT-1", &rows_by_meter(table)["FT-1"], AS_OF)
    }

    #[test]
    fn one_tag_that_stopped_is_named_and_a_tag_that_seldom_moves_is_not() {
        let flow = vec![40.0; 90];
        let mut density = vec![30.0; 90];
        density[84..].fill(0.0);
        let seldom: Vec<f64> =
            (0..90).map(|day| f64::from(u8::from(day % 7 == 0 && day < 85))).collect();
        let table = daily(&[
            ("mass_flow_updates", flow.clone()),
            ("density_updates", density.clone()),
            ("temperature_updates", seldom),
        ]);
        assert_eq!(silent_lines(&table), [format!("FT-1 density: last came {}", AS_OF.plus(-7))]);
        let all = daily(&[("mass_flow_updates", density.clone()), ("density_updates", density)]);
        assert_eq!(silent_lines(&all).len(), 1, "one line for the whole meter");
        assert!(silent_lines(&all)[0].contains("no tag has come since"));
        assert!(silent_lines(&daily(&[("mass_flow_updates", flow)])).is_empty());
    }

    #[test]
    fn a_level_that_steps_by_a_unit_factor_is_suspected_and_a_plain_step_is_not() {
        let series = |before: f64, after: f64| {
            let mut values: Vec<f64> =
                (0..90).map(|d| before * (1.0 + 0.002 * f64::from(d % 5))).collect();
            values[80..].fill(after);
            let table = daily(&[("density_kg_m3", values)]);
            let rows = rows_by_meter(&table);
            unit_steps(&table, "FT-1", &rows["FT-1"], AS_OF)
        };
        let found = series(1180.0, 1.183);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(found[0].contains("g/cm3") && found[0].contains(&AS_OF.plus(-10).to_string()));
        assert!(series(1180.0, 73.8)[0].contains("lb/ft3"));
        for (column, signal, units) in STEPS {
            assert!(units.iter().all(|unit| conversion(&signal, unit).is_ok()), "{column}");
        }
        assert!(series(1180.0, 1120.0).is_empty() && series(1180.0, 1180.0).is_empty());
    }
}
