//! Records that people keep: register, tags, checks, zeros, alerts, changes, findings,
//! decisions, and the site file that says how to read the dumps.
//!
//! Source of the check limit (4 %) and of a check's place in the day: judgement; that a check
//! aborts in gas or without steady flow, and that a failed one is repeated, is common
//! practice, no source.

use crate::day::flows_at;
use crate::meter::{Confounder, MeterSim, N_SIGNALS, signal_of};
use crate::seed::{Draws, Purpose};
use crate::site::{Site, zero_days};
use crate::source::SOURCES;
use crate::stream::Pattern;
use crate::{SimError, io_error};
use metersift_model::TimeUs;
use std::fmt::Write as _;
use std::path::Path;

/// Limit of a check's own pass, % of stiffness (judgement).
const CHECK_LIMIT_PCT: f64 = 4.0;

/// Writes everything but the dumps; gives the number of files and bytes.
pub(crate) fn write_all(site: &Site, dir: &Path) -> Result<(u64, u64), SimError> {
    let records = dir.join("records");
    std::fs::create_dir_all(&records).map_err(|e| io_error(&records, e))?;
    let files = [
        (records.join("register.csv"), register(site)),
        (records.join("tags.csv"), tags(site)),
        (records.join("checks.csv"), checks(site)),
        (records.join("zeros.csv"), zeros(site)),
        (records.join("alerts.csv"), alerts(site)),
        (records.join("changes.csv"), changes(site)),
        (records.join("findings.csv"), findings(site)),
        (dir.join("decisions.csv"), decisions(site)),
        (dir.join("site.toml"), site_file(site)),
    ];
    let mut bytes = 0;
    for (path, text) in &files {
        std::fs::write(path, text).map_err(|e| io_error(path, e))?;
        bytes += text.len() as u64;
    }
    Ok((files.len() as u64, bytes))
}

fn time(site: &Site, day: f64) -> TimeUs {
    let seconds = (day * 86_400.0).round() as i64;
    TimeUs((i64::from(site.plan.start.0) * 86_400 + seconds) * 1_000_000)
}

fn optional(value: Option<f64>) -> String {
    value.map_or_else(String::new, |v| v.to_string())
}

fn register(site: &Site) -> String {
    let mut text = String::from(
        "meter,service,stream,nominal_diameter_mm,max_flow_kg_h,zero_stability_kg_h,\
         base_accuracy_pct,criticality,custody,check_interval_days,installed,\
         throughput_value_per_kg,reference_fluid,series_with,uses,tolerable_flow_error_pct,\
         wall_to_bore,safety_function\n",
    );
    for meter in &site.meters {
        let stream = &site.streams[meter.stream];
        let water = matches!(stream.spec.service, "water" | "condensate");
        let partner = meter.series_with.map_or("", |other| site.meters[other].name.as_str());
        let _ = writeln!(
            text,
            "{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{:.3},{}",
            meter.name,
            stream.spec.service,
            stream.name,
            meter.size_mm,
            meter.max_flow_kg_h,
            meter.zero_stability_kg_h,
            meter.base_accuracy_pct,
            meter.criticality,
            yes(meter.custody),
            optional(meter.check_every_days),
            site.plan.start.plus(-meter.installed_days_before),
            stream.spec.value_per_kg,
            if water { "water" } else { "" },
            partner,
            meter.uses,
            optional(meter.tolerable_pct),
            meter.units[0].1.wall_to_bore,
            yes(meter.safety_function),
        );
    }
    text
}

fn yes(flag: bool) -> &'static str {
    if flag { "yes" } else { "no" }
}

/// Sources whose tags are told by pattern; the others stand tag by tag.
const BY_PATTERN: [usize; 2] = [1, 4];

fn tags(site: &Site) -> String {
    let mut text = String::from("tag,meter,signal,unit,from,until\n");
    for meter in &site.meters {
        let source_idx = site.streams[meter.stream].spec.source;
        if BY_PATTERN.contains(&source_idx) {
            continue;
        }
        let source = &SOURCES[source_idx];
        let renamed =
            meter.renamed.map_or_else(String::new, |day| format!("{}T00:00:00Z", site.date(day)));
        for tag in &meter.tags {
            let name = source.tag(&meter.name, tag.slot);
            let (signal, unit) = (signal_of(tag.slot), source.unit_texts[tag.slot]);
            let _ = writeln!(text, "{name},{},{signal},{unit},,{renamed}", meter.name);
            if !renamed.is_empty() {
                let name = source.renamed_tag(&meter.name, tag.slot);
                let _ = writeln!(text, "{name},{},{signal},{unit},{renamed},", meter.name);
            }
        }
    }
    for stream in site.streams.iter().filter(|s| s.spec.source == 0) {
        let _ = writeln!(text, "{},,ignore,,,", crate::dump::valve_tag(stream.number));
    }
    // Both pattern sources write alike but in other units: the stream number tells them apart.
    for source_idx in BY_PATTERN {
        let numbers: Vec<String> = site
            .streams
            .iter()
            .enumerate()
            .filter(|(_, stream)| stream.spec.source == source_idx)
            .map(|(i, _)| (11 + i).to_string())
            .collect();
        for slot in 0..N_SIGNALS {
            let source = &SOURCES[source_idx];
            let pattern = source.pattern(slot, &numbers.join("|"));
            let _ = writeln!(text, "{pattern},,{},{},,", signal_of(slot), source.unit_texts[slot]);
        }
    }
    text
}

pub(crate) fn checks(site: &Site) -> String {
    let mut text = String::from("meter,time,outcome,quantity,position,value_pct,trigger\n");
    for meter in &site.meters {
        let Some(every) = meter.check_every_days else { continue };
        let mut draws = Draws::new(site.plan.seed, meter.index as u64, Purpose::Checks, 0);
        let outcome_only = draws.chance(0.06);
        let mut due = draws.range(0.5, every);
        while due < f64::from(site.plan.days) {
            let at = due.floor() + draws.range(0.30, 0.66);
            if at < f64::from(site.plan.days) {
                one_check(site, meter, at, outcome_only, &mut draws, &mut text);
            }
            due += every * draws.range(0.85, 1.25);
        }
    }
    text
}

fn one_check(
    site: &Site,
    meter: &MeterSim,
    at: f64,
    outcome_only: bool,
    draws: &mut Draws,
    text: &mut String,
) {
    let stream = &site.streams[meter.stream];
    let condition = meter.condition(at, stream);
    let gas = condition.gas_share + stream.gas_share(at);
    let mut attempt = at;
    for trigger in ["schedule", "repeat"] {
        let flowing = flows_at(site, meter, attempt);
        let batchy = !matches!(stream.spec.pattern, Pattern::Steady);
        let abort = (0.02 + 1.6 * gas + if batchy { 0.05 } else { 0.0 }).min(0.95);
        let aborted = draws.chance(if flowing { abort } else { 0.9 });
        let when = time(site, attempt);
        let scatter = meter.unit_at(at).check_scatter * (1.0 + 4.0 * gas.min(1.0));
        // Common to both halves: temperature that compensation misses.
        let shared = 0.6 * scatter * draws.normal();
        let values = [condition.tube.kappa_in, condition.tube.kappa_out]
            .map(|kappa| 100.0 * kappa + shared + scatter * draws.heavy());
        if aborted {
            let _ = writeln!(text, "{},{when},aborted,,,,{trigger}", meter.name);
            return;
        }
        let worst = values[0].abs().max(values[1].abs());
        let failed = worst > CHECK_LIMIT_PCT;
        let outcome = if failed { "fail" } else { "pass" };
        if outcome_only {
            let _ = writeln!(text, "{},{when},{outcome},,,,{trigger}", meter.name);
        } else if meter.check_halves {
            for (position, value) in ["inlet", "outlet"].into_iter().zip(values) {
                let _ = writeln!(
                    text,
                    "{},{when},{outcome},stiffness,{position},{value:.3},{trigger}",
                    meter.name
                );
            }
        } else {
            let whole = 0.5 * (values[0] + values[1]);
            let _ = writeln!(
                text,
                "{},{when},{outcome},stiffness,whole,{whole:.3},{trigger}",
                meter.name
            );
        }
        if !failed {
            return;
        }
        attempt += draws.range(0.02, 0.2);
        if attempt >= f64::from(site.plan.days) {
            return;
        }
    }
}

pub(crate) fn zeros(site: &Site) -> String {
    let mut text = String::from("meter,time,zero_kg_h,state\n");
    let days = f64::from(site.plan.days);
    for meter in &site.meters {
        let Some(every) = meter.zero_every_days else { continue };
        let mut draws = Draws::new(site.plan.seed, meter.index as u64, Purpose::Zeros, 1);
        for day in zero_days(&site.plan, meter, every, days) {
            let found = site.zero_at(meter, day - 1e-6) + 0.25 * draws.normal();
            let left = 0.2 * draws.normal();
            let z = meter.zero_stability_kg_h;
            let _ = writeln!(
                text,
                "{},{},{:.4},as_found",
                meter.name,
                time(site, day - 0.01),
                found * z
            );
            if meter.adjustments.iter().any(|(at, _)| *at == day) {
                let _ =
                    writeln!(text, "{},{},{:.4},as_left", meter.name, time(site, day), left * z);
            }
        }
    }
    text
}

fn alerts(site: &Site) -> String {
    let mut text = String::from("meter,time,code,text,ne107,active\n");
    for meter in &site.meters {
        let stream = &site.streams[meter.stream];
        for day in 0..site.plan.days {
            let mut draws =
                Draws::new(site.plan.seed, meter.index as u64, Purpose::Alerts, u64::from(day));
            let at = f64::from(day) + 0.5;
            let condition = meter.condition(at, stream);
            let gas = condition.gas_share + stream.gas_share(at);
            let chances = [
                (0.5 * gas.sqrt().min(1.0), "LM-21", "gas in liquid suspected", "S"),
                (
                    if condition.drive_factor > 2.5 { 0.2 } else { 0.0005 },
                    "LM-12",
                    "drive at its limit",
                    "S",
                ),
                (
                    if condition.pickoff_in.min(condition.pickoff_out) < 0.6 { 0.1 } else { 0.0 },
                    "LM-31",
                    "pick-off signal low",
                    "M",
                ),
                (
                    if condition.zero.abs() > 20.0 { 0.02 } else { 0.0004 },
                    "LM-41",
                    "zero outside its band",
                    "M",
                ),
                (0.0004, "LM-02", "electronics restarted", "C"),
                (0.0002, "LM-01", "no signal", "F"),
            ];
            for (chance, code, words, ne107) in chances {
                if draws.chance(chance) {
                    let from = f64::from(day) + draws.range(0.05, 0.9);
                    let until = (from + draws.log_range(0.002, 0.08)).min(f64::from(day) + 0.999);
                    for (when, active) in [(from, "yes"), (until, "no")] {
                        let _ = writeln!(
                            text,
                            "{},{},{code},{words},{ne107},{active}",
                            meter.name,
                            time(site, when)
                        );
                    }
                }
            }
        }
    }
    text
}

fn changes(site: &Site) -> String {
    let mut text = String::from("meter,time,item,before,after\n");
    let days = f64::from(site.plan.days);
    for meter in &site.meters {
        let mut rows: Vec<(f64, &str, String, String)> = Vec::new();
        for &day in &meter.cleanings {
            rows.push((day, "cleaned", String::new(), String::new()));
        }
        for opening in &meter.openings {
            rows.push((opening.day - 0.02, "opened", String::new(), String::new()));
        }
        for (day, _) in meter.units.iter().skip(1) {
            let serial = |salt: f64| {
                ((meter.key as f64 * 1e-14 + salt * 37.0) as u64 % 90_000 + 10_000).to_string()
            };
            rows.push((*day, "swapped", serial(0.0), serial(day + 1.0)));
        }
        for confounder in &meter.confounders {
            rows.extend(change_of(meter, confounder));
        }
        rows.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(b.1)));
        for (day, item, before, after) in rows {
            if day < days {
                let when = time(site, day);
                let _ = writeln!(text, "{},{when},{item},{before},{after}", meter.name);
            }
        }
    }
    text
}

fn change_of(
    meter: &MeterSim,
    confounder: &Confounder,
) -> Option<(f64, &'static str, String, String)> {
    match *confounder {
        Confounder::Respanned { from_day, span_kg_h } => {
            Some((from_day, "span_kg_h", meter.max_flow_kg_h.to_string(), span_kg_h.to_string()))
        }
        Confounder::Damping { from_day, factor, recorded: true } => {
            let after = 0.8 / (factor * factor);
            Some((from_day, "damping_s", "0.8".into(), format!("{after:.1}")))
        }
        Confounder::CutOff { from_day, recorded: true } => {
            let after = 0.008 * meter.max_flow_kg_h;
            Some((from_day, "low_flow_cutoff_kg_h", "0".into(), format!("{after:.3}")))
        }
        Confounder::Recalibrated { day, recorded: true, .. } => {
            Some((day, "recalibrated", String::new(), String::new()))
        }
        _ => None,
    }
}

fn findings(site: &Site) -> String {
    let mut text = String::from("meter,date,mode,severity,note\n");
    for meter in &site.meters {
        let stream = &site.streams[meter.stream];
        for opening in meter.openings.iter().filter(|o| o.day < f64::from(site.plan.days)) {
            let date = site.date(opening.day);
            let Some(fault) = opening.fault.map(|f| &meter.faults[f]) else {
                let _ = writeln!(text, "{},{date},good,,opened and found good", meter.name);
                continue;
            };
            let load = |d: f64| stream.load_days_at(d);
            let (size, unit) = fault.severity(opening.day - 0.05, &load);
            let _ = writeln!(
                text,
                "{},{date},{},{size:.1} {unit},{} found and {}",
                meter.name,
                fault.mode.name(),
                fault.mode.words(),
                if opening.swapped { "unit swapped" } else { "cleaned" },
            );
        }
    }
    text
}

fn decisions(site: &Site) -> String {
    let mut text = String::from("meter,day,mode,decision,until,who,why\n");
    let days = f64::from(site.plan.days);
    for meter in &site.meters {
        for opening in meter.openings.iter().filter(|o| o.day < days) {
            let date = site.date(opening.day);
            let (mode, decision, why) = match opening.fault {
                Some(f) => (meter.faults[f].mode.name(), "found", "opened as listed"),
                None => ("", "found_good", "opened and found good"),
            };
            let _ = writeln!(text, "{},{date},{mode},{decision},,R. Tarn,{why}", meter.name);
        }
    }
    // One look-alike that the team knows and bears for a while.
    let known = site.meters.iter().find(|m| {
        m.confounders
            .iter()
            .any(|c| matches!(c, Confounder::StartupGas { from_day } if *from_day < days - 30.0))
    });
    if let Some(meter) = known {
        let (date, until) = (site.date(days - 30.0), site.date(days + 60.0));
        let _ = writeln!(
            text,
            "{},{date},two_phase,accepted,{until},M. Quill,bay draws air at every start",
            meter.name
        );
    }
    text
}

fn site_file(site: &Site) -> String {
    let used = |source: usize| site.streams.iter().any(|s| s.spec.source == source);
    let mut text = String::from(SITE_HEAD);
    for (source, part) in SITE_SOURCES.iter().enumerate() {
        if used(source) {
            text.push_str(part);
        }
    }
    text.push_str(SITE_TAIL);
    text
}

const SITE_HEAD: &str = r#"# Larkmoor Works: a fictional starch and sweetener mill.
name = "Larkmoor Works"
# The syrup house writes local time without an offset.
zone = "Europe/London"
rest_seconds = 0              # the exports are renamed into place when they are complete
"#;

const SITE_SOURCES: [&str; 5] = [
    r#"
# Slurry, wash, liquor and oil lines: one reading per row, UTC, OPC Classic quality words.
[[sources]]
name = "wet-mill"
files = ["dumps/wet-mill/*.csv.zst"]
delimiter = ","
decimal = "."
layout = "long"
columns = { tag = "tag", time = "time", value = "value", quality = "quality" }
time_format = "iso"
zone = "UTC"
quality = "opc_classic"
bad_words = ["No Data"]
tolerated_reject_share = 0.001
"#,
    r#"
# Syrups: one reading per row, day first, decimal comma, local time through both clock changes.
[[sources]]
name = "syrup-house"
files = ["dumps/syrup-house/*.csv.gz"]
delimiter = ";"
decimal = ","
layout = "long"
columns = { tag = "Point", date = "Date", time = "Time", value = "Value", quality = "State" }
date_order = "day-month"
zone = "Europe/London"
quality = "words"
quality_words = { OK = "good", DOUBT = "uncertain", BAD = "bad" }
bad_words = ["No Data", "Bad"]
tolerated_reject_share = 0.001
"#,
    r#"
# Water and condensate: one column per tag, three lines of notes above the header.
[[sources]]
name = "utilities"
files = ["dumps/utilities/*.csv", "dumps/utilities/*.csv.gz"]
delimiter = ","
decimal = "."
skip_lines = 3
layout = "wide"
columns = { time = "time" }
zone = "UTC"
quality = "none"
bad_words = ["No Data", "Bad"]
tolerated_reject_share = 0.001
"#,
    r#"
# Tanker bays and ethanol: one column per tag and a quality column beside each.
[[sources]]
name = "loading"
files = ["dumps/loading/*.csv", "dumps/loading/*.csv.gz"]
delimiter = ";"
decimal = ","
layout = "wide"
columns = { time = "Time" }
date_order = "day-month"
zone = "UTC"
quality = "words"
bad_words = ["No Data"]
"#,
    r#"
# Acid, caustic and enzyme dosing: tabs, epoch milliseconds, Windows-1252, a unit in every row.
[[sources]]
name = "dosing"
files = ["dumps/dosing/*.csv", "dumps/dosing/*.csv.gz"]
encoding = "windows-1252"
delimiter = "tab"
decimal = "."
layout = "long"
columns = { tag = "point", time = "epoch_ms", value = "reading", unit = "unit" }
time_format = "epoch_ms"
quality = "none"
bad_words = ["I/O error"]
bad_values = [-9999.0]
"#,
];

const SITE_TAIL: &str = r#"
[records]

[features]

[faults]
# What an alert of the meters speaks of; any fault, where nothing is said and its category is M.
alert_modes = { LM-31 = "electrical", LM-41 = "zero_drift" }

[rank]

[store]
"#;
