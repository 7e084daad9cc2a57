//! What a night stood on, kept beside its results, and what of it is different in the next one:
//! new samples, late samples, records, settings, program.
//!
//! File:   `out/AS-OF/inputs.json`: per meter a hash of its daily features up to the as-of date
//!         and one of its records, every setting as text, the program, and the dumps that the
//!         ledger knew. No clock and no path, so that the same night gives the same bytes.
//! Limits: features of another program or of other feature settings differ on every day: then
//!         nobody can say from them whose samples came late, and only the ledger's dumps are
//!         named.

use crate::site::Site;
use crate::stage::night::Night;
use metersift_features::Group;
use metersift_model::records::Records;
use metersift_model::{Column, ColumnData, Day, Table};
use metersift_store::{DumpEntry, DumpState, Ledger, Store};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Name of the file beside the results.
pub const FILE: &str = "inputs.json";
/// Raised when the meaning of a field changes.
const SCHEMA_VERSION: u32 = 1;
/// Characters of a hash that are kept.
const HASH_LENGTH: usize = 16;

/// What a night stood on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Inputs {
    /// Version of this file.
    pub schema_version: u32,
    /// First day that was not looked at.
    pub as_of: String,
    /// Program and version.
    pub program: String,
    /// Setting -> value, as the site file has it.
    pub settings: BTreeMap<String, String>,
    /// Dumps with a smaller number were known.
    pub next_dump: u32,
    /// Dump number -> how often it had been taken again.
    pub again: BTreeMap<u32, usize>,
    /// Numbers of dumps that had been withdrawn.
    pub withdrawn: BTreeSet<u32>,
    /// Per meter.
    pub meters: BTreeMap<String, MeterInputs>,
}

/// What is kept of one meter.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct MeterInputs {
    /// Hash of its daily features before the as-of date.
    pub daily: String,
    /// Hash of its records.
    pub records: String,
}

/// What is different, and of which meter.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Different {
    /// First day that the night before did not look at.
    pub as_of: Option<Day>,
    /// Program then, where it was another.
    pub program_before: Option<String>,
    /// Settings that read differently now, one phrase each.
    pub settings: Vec<String>,
    /// Dumps that brought, changed or took away samples of days that the night before had seen.
    pub late_dumps: Vec<String>,
    /// Per meter: new samples, late samples, new records.
    pub meters: BTreeMap<String, (bool, bool, bool)>,
}

impl Inputs {
    /// What a night stands on.
    pub fn of(site: &Site, store: &Store, night: &Night) -> Inputs {
        let ledger = store.ledger();
        let daily = daily_hashes(&night.daily, night.as_of);
        let meters = night.records.meters.keys().map(|meter| {
            let inputs = MeterInputs {
                daily: daily.get(meter.as_str()).cloned().unwrap_or_default(),
                records: records_hash(&night.records, meter),
            };
            (meter.clone(), inputs)
        });
        Inputs {
            schema_version: SCHEMA_VERSION,
            as_of: night.as_of.to_string(),
            program: night.card.program.clone(),
            settings: settings(site),
            next_dump: ledger.next_dump,
            again: ledger
                .dumps
                .iter()
                .filter(|dump| !dump.again.is_empty())
                .map(|dump| (dump.number, dump.again.len()))
                .collect(),
            withdrawn: withdrawn(&ledger),
            meters: meters.collect(),
        }
    }

    /// What another night stood on, if it kept that.
    pub fn read(folder: &Path) -> Option<Inputs> {
        let text = std::fs::read_to_string(folder.join(FILE)).ok()?;
        let inputs: Inputs = serde_json::from_str(&text).ok()?;
        (inputs.schema_version == SCHEMA_VERSION).then_some(inputs)
    }

    /// What is different now.
    pub fn compared(&self, now: &Inputs, night: &Night, ledger: &Ledger) -> Different {
        let Some(then) = Day::parse(&self.as_of) else { return Different::default() };
        let settings = phrases(&self.settings, &now.settings);
        let formulas = self.program != now.program
            || settings.iter().any(|phrase| phrase.starts_with("features."));
        let as_seen_then = daily_hashes(&night.daily, then);
        let newer = meters_with_days_from(&night.daily, then);
        let meters = now.meters.iter().map(|(meter, inputs)| {
            let before = self.meters.get(meter).cloned().unwrap_or_default();
            let then = as_seen_then.get(meter.as_str()).cloned().unwrap_or_default();
            let late = !formulas && then != before.daily;
            let records = inputs.records != before.records;
            (meter.clone(), (newer.contains(meter.as_str()), late, records))
        });
        Different {
            as_of: Some(then),
            program_before: (self.program != now.program).then(|| self.program.clone()),
            settings,
            late_dumps: late_dumps(self, ledger, then),
            meters: meters.collect(),
        }
    }
}

impl Different {
    /// One sentence per kind of cause; one that says so where there is none.
    pub fn sentences(&self) -> Vec<String> {
        let Some(before) = self.as_of else { return Vec::new() };
        let count =
            |is: fn(&(bool, bool, bool)) -> bool| self.meters.values().filter(|m| is(m)).count();
        let mut out = Vec::new();
        let mut tell = |n: usize, words: &str, more: String| {
            if n > 0 {
                out.push(format!("{words}: {n} meters{more}."));
            }
        };
        let dumps = match self.late_dumps.as_slice() {
            [] => String::new(),
            dumps => format!(" ({})", dumps.join("; ")),
        };
        tell(count(|m| m.0), "New samples", format!(", of {before} and later"));
        tell(count(|m| m.1), "Late samples", format!(", of days before {before}{dumps}"));
        tell(count(|m| m.2), "New records", String::new());
        if !self.settings.is_empty() {
            out.push(format!("Changed settings: {}.", self.settings.join("; ")));
        }
        if let Some(program) = &self.program_before {
            out.push(format!("Changed program: was {program}."));
        }
        if out.is_empty() {
            out.push(format!(
                "Nothing came and nothing was changed since the night of {before}: the date alone \
                 moved on."
            ));
        }
        out
    }
}

fn withdrawn(ledger: &Ledger) -> BTreeSet<u32> {
    let gone = ledger.dumps.iter().filter(|dump| dump.state == DumpState::Withdrawn);
    gone.map(|dump| dump.number).collect()
}

/// Dumps that changed days the night before had looked at, with what they did.
fn late_dumps(before: &Inputs, ledger: &Ledger, then: Day) -> Vec<String> {
    let touched =
        |dump: &DumpEntry| dump.units.iter().any(|(unit, rows)| unit.day < then && rows.changed());
    let words = ledger.dumps.iter().filter_map(|dump| {
        let again = dump.again.len() > before.again.get(&dump.number).copied().unwrap_or(0);
        let gone = dump.state == DumpState::Withdrawn && !before.withdrawn.contains(&dump.number);
        let earlier = dump.units.keys().any(|unit| unit.day < then);
        match () {
            () if gone && earlier => Some(format!("{} withdrawn", dump.name)),
            () if again => Some(format!("{} imported again", dump.name)),
            () if dump.number >= before.next_dump && touched(dump) => Some(dump.name.clone()),
            () => None,
        }
    });
    words.collect()
}

/// Setting -> value, flat: `rank.money.limit_cost` -> `0.0`.
fn settings(site: &Site) -> BTreeMap<String, String> {
    let mut flat = BTreeMap::new();
    flatten("", &toml::Value::Table(site.written.clone()), &mut flat);
    flat
}

fn flatten(name: &str, value: &toml::Value, flat: &mut BTreeMap<String, String>) {
    let inner = |key: &str| if name.is_empty() { key.into() } else { format!("{name}.{key}") };
    match value {
        toml::Value::Table(table) => {
            table.iter().for_each(|(key, value)| flatten(&inner(key), value, flat));
        }
        toml::Value::Array(list) if list.iter().any(toml::Value::is_table) => {
            for (number, value) in list.iter().enumerate() {
                let label = value.get("name").and_then(toml::Value::as_str);
                let label = label.map_or(number.to_string(), String::from);
                flatten(&inner(&label), value, flat);
            }
        }
        other => {
            flat.insert(name.into(), other.to_string());
        }
    }
}

/// `rank.budget: 0.2 to 0.3`.
fn phrases(then: &BTreeMap<String, String>, now: &BTreeMap<String, String>) -> Vec<String> {
    let keys: BTreeSet<&String> = then.keys().chain(now.keys()).collect();
    let different = keys.into_iter().filter(|key| then.get(*key) != now.get(*key));
    let word = |value: Option<&String>| value.map_or("not set".into(), String::clone);
    different
        .map(|key| format!("{key}: {} to {}", word(then.get(key)), word(now.get(key))))
        .collect()
}

fn records_hash(records: &Records, meter: &str) -> String {
    let decisions: Vec<_> = records.decisions.iter().filter(|d| d.meter == meter).collect();
    let all = format!(
        "{:?}\0{:?}\0{:?}\0{:?}\0{:?}\0{:?}\0{decisions:?}",
        records.meters.get(meter),
        records.checks.get(meter),
        records.zeros.get(meter),
        records.alerts.get(meter),
        records.changes.get(meter),
        records.findings.get(meter),
    );
    short(blake3::hash(all.as_bytes()))
}

fn short(hash: blake3::Hash) -> String {
    hash.to_hex().chars().take(HASH_LENGTH).collect()
}

/// A hash per meter over its daily features before a day. Features of records are left out: they
/// are compared on their own.
fn daily_hashes(daily: &Table, before: Day) -> BTreeMap<&str, String> {
    let (Some(meters), Some(days)) = (daily.texts("meter"), daily.days("day")) else {
        return BTreeMap::new();
    };
    let of_records: BTreeSet<&str> = metersift_features::features()
        .iter()
        .filter(|def| def.group == Group::Records)
        .map(|def| def.name)
        .collect();
    let columns: Vec<&Column> =
        daily.columns.iter().filter(|column| !of_records.contains(column.name.as_str())).collect();
    let mut hashers: BTreeMap<&str, blake3::Hasher> = BTreeMap::new();
    for row in 0..daily.n_rows() {
        let (Some(meter), Some(day)) = (meters[row].as_deref(), days[row]) else { continue };
        if day < before {
            let hasher = hashers.entry(meter).or_default();
            columns.iter().for_each(|column| feed(hasher, &column.data, row));
        }
    }
    hashers.into_iter().map(|(meter, hasher)| (meter, short(hasher.finalize()))).collect()
}

fn feed(hasher: &mut blake3::Hasher, data: &ColumnData, row: usize) {
    match data {
        ColumnData::Number(values) => hasher.update(&values[row].to_bits().to_le_bytes()),
        ColumnData::Count(values) => hasher.update(format!("{:?}", values[row]).as_bytes()),
        ColumnData::Text(values) => hasher.update(format!("{:?}", values[row]).as_bytes()),
        ColumnData::Flag(values) => hasher.update(format!("{:?}", values[row]).as_bytes()),
        ColumnData::Day(values) => hasher.update(format!("{:?}", values[row]).as_bytes()),
        ColumnData::Time(values) => hasher.update(format!("{:?}", values[row]).as_bytes()),
    };
}

fn meters_with_days_from(daily: &Table, first: Day) -> BTreeSet<&str> {
    let (Some(meters), Some(days)) = (daily.texts("meter"), daily.days("day")) else {
        return BTreeSet::new();
    };
    let rows = meters.iter().zip(days).filter(|(_, day)| day.is_some_and(|day| day >= first));
    rows.filter_map(|(meter, _)| meter.as_deref()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_setting_is_told_with_both_values_and_a_source_by_its_name() {
        let flat = |text: &str| {
            let mut flat = BTreeMap::new();
            flatten("", &text.parse::<toml::Table>().expect("toml").into(), &mut flat);
            flat
        };
        let then = flat(
            "zone = \"UTC\"\n[rank]\nbudget = 0.2\n[[sources]]\nname = \"a\"\ndecimal = \".\"",
        );
        let now = flat("zone = \"UTC\"\n[rank]\nbudget = 0.3\n[[sources]]\nname = \"a\"");
        assert_eq!(
            phrases(&then, &now),
            ["rank.budget: 0.2 to 0.3", "sources.a.decimal: \".\" to not set"]
        );
    }

    fn daily(values: &[(&str, &str, f64)]) -> Table {
        let day = |text: &str| Some(Day::parse(text).expect("a day"));
        let mut table = Table::default();
        let texts = values.iter().map(|v| Some(v.0.to_string())).collect();
        table.push("meter", "", ColumnData::Text(texts));
        table.push("day", "", ColumnData::Day(values.iter().map(|v| day(v.1)).collect()));
        table.push("density_kg_m3", "", ColumnData::Number(values.iter().map(|v| v.2).collect()));
        table
    }

    #[test]
    fn a_late_sample_changes_the_hash_of_its_meter_and_of_no_other() {
        let then = Day::parse("2026-03-03").expect("a day");
        let old = daily(&[("A", "2026-03-02", 998.0), ("B", "2026-03-02", 998.0)]);
        let new = daily(&[
            ("A", "2026-03-02", 998.0),
            ("A", "2026-03-03", 997.0),
            ("B", "2026-03-02", 998.5),
        ]);
        let (before, after) = (daily_hashes(&old, then), daily_hashes(&new, then));
        assert_eq!(before["A"], after["A"], "the new day is not among those seen then");
        assert_ne!(before["B"], after["B"]);
        assert_eq!(meters_with_days_from(&new, then), BTreeSet::from(["A"]));
    }
}
