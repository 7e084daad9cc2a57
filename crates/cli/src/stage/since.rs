//! What a night was made of, kept beside its evidence, and what differs from the night before.
//!
//! Why:    "new samples", "late samples", "changed setting" and "changed program" are four
//!         different reasons for an entry to change, and only what is written down tonight can
//!         be compared tomorrow.
//! Out:    `evidence/inputs.json`: program, settings, dumps by content hash, ranks, and per meter
//!         one check number over its daily rows and one over its records. No clock in it: the
//!         same inputs give the same bytes.
//! Late:   a meter has late samples where its rows of days before the last as-of date differ and
//!         samples of its own on those days come from a dump that the night before did not know;
//!         the day files that such dumps changed are read for it, and no others.
//! Limits: a check number tells that something differs, not what. A withdrawn dump has left no
//!         samples: it is named at meters whose rows differ without a dump that came.

use crate::site::Site;
use crate::story::counted;
use metersift_model::watch_list::WatchLists;
use metersift_model::{ColumnData, Day, ListKind, Records, Table};
use metersift_report::{MeterSince, Since};
use metersift_store::{DumpEntry, DumpState, Store, StoreError, Unit};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Dumps named under late samples at most.
const DUMPS_NAMED: usize = 12;

/// The inputs of one night.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Inputs {
    schema_version: u32,
    program: String,
    /// Settings as they stand in the site file, by dotted key.
    settings: BTreeMap<String, String>,
    /// Dumps by content hash.
    dumps: BTreeMap<String, DumpInput>,
    meters: BTreeMap<String, MeterInput>,
    /// Rank by list and meter or stream.
    ranks: Vec<(String, String, u32)>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct DumpInput {
    withdrawn: bool,
    /// Later imports of the same bytes that changed something.
    again: usize,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct MeterInput {
    daily: String,
    records: String,
}

/// The inputs of tonight; without ranks, which come last ([`Inputs::rank`]).
pub fn inputs(
    site: &Site,
    store: &Store,
    program: &str,
    daily: &Table,
    records: &Records,
    as_of: Day,
) -> Inputs {
    let rows = daily_checks(daily, as_of);
    let meters = records.meters.keys().map(|meter| {
        let daily = rows.get(meter.as_str()).map_or(String::new(), |sum| format!("{sum:016x}"));
        let records = records_check(records, meter, as_of);
        (meter.clone(), MeterInput { daily, records })
    });
    let ledger = store.ledger();
    // A dump that only tells of later days is none of this night's business, whenever it is run.
    let told = |dump: &&DumpEntry| dump.units.keys().any(|unit| unit.day < as_of);
    let dumps = ledger.dumps.iter().filter(told).map(|dump| {
        let withdrawn = dump.state == DumpState::Withdrawn;
        (dump.hash.clone(), DumpInput { withdrawn, again: dump.again.len() })
    });
    Inputs {
        schema_version: 1,
        program: program.into(),
        settings: site_file(&site.dir.join("site.toml")),
        dumps: dumps.collect(),
        meters: meters.collect(),
        ranks: Vec::new(),
    }
}

impl Inputs {
    /// Keeps the ranks of the night.
    pub fn rank(&mut self, lists: &WatchLists) {
        let ranked = lists.entries.iter().filter(|entry| entry.rank > 0);
        let row = |entry: &metersift_model::WatchListEntry| {
            (entry.list.name().to_string(), entry.meter.clone(), entry.rank)
        };
        self.ranks = ranked.map(row).collect();
    }

    /// The file beside the evidence of a night; `None` = it kept none, or none that reads.
    pub fn read(folder: &Path) -> Option<Inputs> {
        let text = std::fs::read_to_string(folder.join("evidence/inputs.json")).ok()?;
        serde_json::from_str(&text).ok().filter(|inputs: &Inputs| inputs.schema_version == 1)
    }

    /// The text of that file.
    pub fn to_text(&self) -> serde_json::Result<String> {
        Ok(serde_json::to_string_pretty(self)? + "\n")
    }
}

/// What differs between the night before and tonight.
///
/// # Errors
/// A day file that cannot be read.
pub fn since(
    before: Option<&Inputs>,
    tonight: &Inputs,
    store: &Store,
    daily: &Table,
    before_as_of: Day,
) -> Result<Since, StoreError> {
    let mut since = Since { as_of: Some(before_as_of), ..Since::default() };
    let Some(before) = before else { return Ok(since) };
    let list = |name: &str| ListKind::ALL.into_iter().find(|kind| kind.name() == name);
    let ranks = before.ranks.iter();
    since.ranks =
        ranks.filter_map(|(l, meter, rank)| Some(((list(l)?, meter.clone()), *rank))).collect();
    since.program_before = (before.program != tonight.program).then(|| before.program.clone());
    since.settings = changed_settings(&before.settings, &tonight.settings);
    let ledger = store.ledger();
    let late = late_dumps(before, &ledger.dumps, before_as_of);
    since.late_dumps = told(late.iter().map(|dump| dump.words(&dump.in_all)));
    let of_meters = late_by_meter(&late, store, before_as_of)?;
    let gone: Vec<String> =
        told(late.iter().filter(|dump| dump.is_gone).map(|dump| dump.words(&dump.in_all)));
    let then = daily_checks(daily, before_as_of);
    let newest = newest_days(daily);
    let meters = tonight.meters.iter().map(|(meter, now)| {
        let old = before.meters.get(meter);
        let rows_then = then.get(meter.as_str()).map(|sum| format!("{sum:016x}"));
        let same_rows = old.is_some_and(|old| old.daily == rows_then.unwrap_or_default());
        let new_samples = newest.get(meter.as_str()).is_some_and(|day| *day >= before_as_of);
        // Rows that differ without a dump to blame were recomputed, not re-read.
        let late_samples = match (same_rows || old.is_none(), of_meters.get(meter)) {
            (true, _) => Vec::new(),
            (false, Some(dumps)) => dumps.clone(),
            (false, None) => gone.clone(),
        };
        let new_records = old.is_none_or(|old| old.records != now.records);
        (meter.clone(), MeterSince { new_samples, late_samples, new_records })
    });
    since.meters = Some(meters.collect());
    Ok(since)
}

fn changed_settings(
    before: &BTreeMap<String, String>,
    now: &BTreeMap<String, String>,
) -> Vec<String> {
    let mut keys: Vec<&String> = before.keys().chain(now.keys()).collect();
    keys.sort();
    keys.dedup();
    let differ = keys.into_iter().filter(|key| before.get(*key) != now.get(*key));
    let words = |value: Option<&String>| value.map_or("not set", String::as_str).to_string();
    differ
        .map(|key| format!("{key}: {} to {}", words(before.get(key)), words(now.get(key))))
        .collect()
}

/// A dump that changed days before the last as-of date.
struct LateDump<'a> {
    dump: &'a DumpEntry,
    /// `came in since` and the like.
    how: &'static str,
    /// Its samples were taken out.
    is_gone: bool,
    /// Its rows on those days.
    in_all: Rows,
}

/// Rows on some days.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Rows {
    n: u64,
    days: Option<(Day, Day)>,
}

impl Rows {
    fn add(&mut self, day: Day, n: u64) {
        let (first, last) = self.days.unwrap_or((day, day));
        *self = Rows { n: self.n + n, days: Some((first.min(day), last.max(day))) };
    }
}

impl LateDump<'_> {
    fn words(&self, rows: &Rows) -> String {
        let days = match rows.days {
            Some((first, last)) if first != last => format!("{first} to {last}"),
            Some((first, _)) => first.to_string(),
            None => "no day".into(),
        };
        format!("{} {}: {} of {days}", self.dump.name, self.how, counted(rows.n as usize, "row"))
    }

    /// Units before `day` in which it changed something.
    fn units(&self, day: Day) -> impl Iterator<Item = (Unit, u64)> {
        let early = self.dump.units.iter().filter(move |(unit, _)| unit.day < day);
        early
            .filter(|(_, rows)| rows.changed())
            .map(|(unit, rows)| (*unit, rows.stored + rows.conflicting))
    }
}

/// Dumps that changed days before `day` and that the night before did not know as they are now.
fn late_dumps<'a>(before: &Inputs, dumps: &'a [DumpEntry], day: Day) -> Vec<LateDump<'a>> {
    let late = dumps.iter().filter_map(|dump| {
        let is_gone = dump.state == DumpState::Withdrawn;
        let how = match before.dumps.get(&dump.hash) {
            None if is_gone => return None,
            None => "came in since",
            Some(old) if is_gone && !old.withdrawn => "was withdrawn",
            Some(old) if dump.again.len() > old.again => "was imported again",
            Some(old) if old.withdrawn && !is_gone => "is back",
            Some(_) => return None,
        };
        let mut late = LateDump { dump, how, is_gone, in_all: Rows::default() };
        let mut in_all = Rows::default();
        late.units(day).for_each(|(unit, rows)| in_all.add(unit.day, rows));
        late.in_all = in_all;
        in_all.days.is_some().then_some(late)
    });
    late.collect()
}

/// Phrases, the first [`DUMPS_NAMED`] of them in full.
fn told(phrases: impl Iterator<Item = String>) -> Vec<String> {
    let mut all: Vec<String> = phrases.collect();
    if all.len() > DUMPS_NAMED {
        let more = all.len() - DUMPS_NAMED;
        all.truncate(DUMPS_NAMED);
        all.push(format!("{more} more dumps"));
    }
    all
}

/// The late dumps of each meter, by the samples of it that stand in the store and came with them.
fn late_by_meter(
    late: &[LateDump<'_>],
    store: &Store,
    day: Day,
) -> Result<BTreeMap<String, Vec<String>>, StoreError> {
    let by_number: BTreeMap<u32, usize> = late
        .iter()
        .enumerate()
        .filter(|(_, late)| !late.is_gone)
        .map(|(at, late)| (late.dump.number, at))
        .collect();
    let units: BTreeSet<Unit> =
        by_number.values().flat_map(|at| late[*at].units(day)).map(|(unit, _)| unit).collect();
    let mut rows: BTreeMap<String, BTreeMap<usize, Rows>> = BTreeMap::new();
    for unit in units {
        store.for_each_run_with_origin(unit.day, unit.bucket, &mut |origin| {
            for stretch in origin.dump.chunk_by(|a, b| a == b) {
                let Some(at) = by_number.get(&stretch[0]) else { continue };
                let of_meter = match rows.get_mut(origin.run.meter) {
                    Some(of_meter) => of_meter,
                    None => rows.entry(origin.run.meter.into()).or_default(),
                };
                of_meter.entry(*at).or_default().add(unit.day, stretch.len() as u64);
            }
        })?;
    }
    let phrases = |of_meter: BTreeMap<usize, Rows>| {
        told(of_meter.into_iter().map(|(at, rows)| late[at].words(&rows)))
    };
    Ok(rows.into_iter().map(|(meter, of_meter)| (meter, phrases(of_meter))).collect())
}

/// One check number per meter over its rows before `until`, in table order.
fn daily_checks(daily: &Table, until: Day) -> BTreeMap<&str, u64> {
    let (Some(meters), Some(days)) = (daily.texts("meter"), daily.days("day")) else {
        return BTreeMap::new();
    };
    let mut sums: BTreeMap<&str, u64> = BTreeMap::new();
    for (row, meter) in meters.iter().enumerate() {
        let (Some(meter), Some(day)) = (meter.as_deref(), days[row]) else { continue };
        if day >= until {
            continue;
        }
        let sum = sums.entry(meter).or_insert(0);
        for column in &daily.columns {
            *sum = fold(*sum, cell(&column.data, row));
        }
    }
    sums
}

/// One more word in a check number (multiply, turn; the constant is 2^64 over the golden ratio).
fn fold(sum: u64, word: u64) -> u64 {
    (sum.rotate_left(29) ^ word).wrapping_mul(0x9e37_79b9_7f4a_7c15)
}

fn cell(data: &ColumnData, row: usize) -> u64 {
    match data {
        ColumnData::Number(values) => values[row].to_bits(),
        ColumnData::Count(values) => values[row].map_or(u64::MAX, |v| v as u64),
        ColumnData::Flag(values) => values[row].map_or(2, u64::from),
        ColumnData::Day(values) => values[row].map_or(u64::MAX, |day| day.0 as u64),
        ColumnData::Time(values) => values[row].map_or(u64::MAX, |time| time.0 as u64),
        ColumnData::Text(values) => {
            let bytes = values[row].as_deref().unwrap_or("\0").bytes();
            bytes.fold(0, |sum, byte| fold(sum, u64::from(byte)))
        }
    }
}

fn newest_days(daily: &Table) -> BTreeMap<&str, Day> {
    let mut newest = BTreeMap::new();
    if let (Some(meters), Some(days)) = (daily.texts("meter"), daily.days("day")) {
        for (meter, day) in meters.iter().zip(days) {
            if let (Some(meter), Some(day)) = (meter.as_deref(), *day) {
                let last = newest.entry(meter).or_insert(day);
                *last = day.max(*last);
            }
        }
    }
    newest
}

/// A check number over everything that people recorded before the as-of date.
pub fn all_records_check(records: &Records, as_of: Day) -> String {
    let mut hasher = blake3::Hasher::new();
    for meter in records.meters.keys() {
        hasher.update(records_check(records, meter, as_of).as_bytes());
    }
    // Those of streams and of meters that the register lacks stand here too.
    let decisions = records.decisions.iter().filter(|one| one.day <= as_of);
    decisions.for_each(|one| put(&mut hasher, &format!("{one:?}")));
    short(&hasher)
}

/// A check number over everything that people recorded about a meter before the as-of date.
fn records_check(records: &Records, meter: &str, as_of: Day) -> String {
    let mut hasher = blake3::Hasher::new();
    let mut put = |text: String| put(&mut hasher, &text);
    put(format!("{:?}", records.meters.get(meter)));
    let checks = records.checks.get(meter).into_iter().flatten();
    checks.filter(|one| one.time.day() < as_of).for_each(|one| put(format!("{one:?}")));
    let zeros = records.zeros.get(meter).into_iter().flatten();
    zeros.filter(|one| one.time.day() < as_of).for_each(|one| put(format!("{one:?}")));
    let alerts = records.alerts.get(meter).into_iter().flatten();
    alerts.filter(|one| one.time.day() < as_of).for_each(|one| put(format!("{one:?}")));
    let changes = records.changes.get(meter).into_iter().flatten();
    changes.filter(|one| one.time.day() < as_of).for_each(|one| put(format!("{one:?}")));
    let findings = records.findings.get(meter).into_iter().flatten();
    findings.filter(|one| one.day < as_of).for_each(|one| put(format!("{one:?}")));
    let decisions = records.decisions.iter().filter(|one| one.meter == meter && one.day <= as_of);
    decisions.for_each(|one| put(format!("{one:?}")));
    short(&hasher)
}

fn put(hasher: &mut blake3::Hasher, text: &str) {
    hasher.update(text.as_bytes());
    hasher.update(b"\n");
}

fn short(hasher: &blake3::Hasher) -> String {
    hasher.finalize().to_hex().chars().take(16).collect()
}

/// The settings of a site file; none where it does not read.
fn site_file(path: &Path) -> BTreeMap<String, String> {
    let text = std::fs::read_to_string(path).unwrap_or_default();
    text.parse::<toml::Table>().map(|table| settings(&table)).unwrap_or_default()
}

/// Settings by dotted key.
fn settings(written: &toml::Table) -> BTreeMap<String, String> {
    let mut flat = BTreeMap::new();
    flatten("", &toml::Value::Table(written.clone()), &mut flat);
    flat
}

fn flatten(key: &str, value: &toml::Value, flat: &mut BTreeMap<String, String>) {
    let below =
        |name: &str| if key.is_empty() { name.to_string() } else { format!("{key}.{name}") };
    match value {
        toml::Value::Table(table) => {
            table.iter().for_each(|(name, value)| flatten(&below(name), value, flat));
        }
        toml::Value::Array(values) if values.iter().any(toml::Value::is_table) => {
            values
                .iter()
                .enumerate()
                .for_each(|(index, value)| flatten(&below(&(index + 1).to_string()), value, flat));
        }
        other => {
            flat.insert(key.to_string(), other.to_string());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(values: [f64; 4]) -> Table {
        let mut table = Table::default();
        let names = ["a", "a", "b", "b"].map(|name| Some(name.to_string())).to_vec();
        table.push("meter", "", ColumnData::Text(names));
        let days = [1, 2, 1, 2].map(|day| Some(Day(day))).to_vec();
        table.push("day", "", ColumnData::Day(days));
        table.push("x", "", ColumnData::Number(values.to_vec()));
        table
    }

    #[test]
    fn a_late_value_changes_the_check_of_its_meter_only_and_later_days_do_not() {
        let (old, late) = (table([1.0, 2.0, 3.0, 4.0]), table([1.5, 2.0, 3.0, 9.0]));
        let (old, late) = (daily_checks(&old, Day(2)), daily_checks(&late, Day(2)));
        assert_ne!(old["a"], late["a"]);
        assert_eq!(old["b"], late["b"], "day 2 was not looked at");
    }

    #[test]
    fn a_changed_setting_is_named_with_both_values() {
        let flat = |text: &str| settings(&text.parse::<toml::Table>().expect("TOML"));
        let before = flat("name = \"x\"\n[rank]\nbudget = 0.2\n[[source]]\ndecimal = \",\"");
        let now =
            flat("name = \"x\"\n[rank]\nbudget = 0.3\n[[source]]\ndecimal = \",\"\nzone = \"UTC\"");
        assert_eq!(
            changed_settings(&before, &now),
            ["rank.budget: 0.2 to 0.3", "source.1.zone: not set to \"UTC\""]
        );
    }
}
