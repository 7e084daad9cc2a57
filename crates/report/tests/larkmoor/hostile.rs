//! Names and texts that bite: paths, formulas, markup, templates, commands, control and turning
//! characters, look-alikes, words that programs take for values. (Invalid UTF-8 never gets here:
//! a text of the site is decoded when it is read.)

use super::{Night, night_of};
use metersift_model::records::Change;
use metersift_model::watch_list::{Withheld, WithheldWhy};
use metersift_model::{Hypothesis, ListKind, TimeUs};
use std::collections::BTreeMap;

/// The strings; no two are equal.
pub fn strings() -> Vec<String> {
    let long = "x".repeat(300);
    let fixed = [
        "../../x",
        r"..\..\x",
        "/etc/passwd",
        r"C:\x",
        r"\\host\share",
        "CON",
        "nul.csv",
        "a:b",
        "dot and blank. ",
        &long,
        "",
        " ",
        "FT-1",
        "ft-1",
        "caf\u{e9}",
        "cafe\u{301}",
        "FT\u{2011}1",
        "=HYPERLINK(\"http://x\",\"y\")",
        "=cmd|'/c calc'!A1",
        "+1",
        "-1+1",
        "@SUM(1)",
        "\t=1+1",
        "\r=1+1",
        ";=1+1",
        "\"=1+1\"",
        "<script>alert(1)</script>",
        "\"><img src=x onerror=alert(1)>",
        "' onmouseover='alert(1)",
        "javascript:alert(1)",
        "</svg>",
        "</style><style>*{display:none}",
        "]]>",
        "<!--",
        "-->",
        "&lt;b&gt;",
        "{{7*7}}",
        "${x}",
        "%s%n",
        "$(touch x)",
        "`x`",
        "'; DROP TABLE meters; --",
        "\u{1b}[2J",
        "\u{1b}]0;x\u{7}",
        "\u{202e}txet",
        "nul\u{0}l",
        "\u{feff}mark",
        "line\u{2028}line",
        "line\nline",
        "__proto__",
        "constructor",
        "true",
        "null",
        "NaN",
        "1e5",
        "0012",
        "2026-01-02",
        "--help",
        "\u{ff1d}1+1",
        "_x0041_",
    ];
    fixed.map(String::from).to_vec()
}

/// As many harmless strings, one for one.
pub fn harmless() -> Vec<String> {
    (0..strings().len()).map(|index| format!("word{index}")).collect()
}

/// A night whose every text comes from `texts`, a different one in each neighbouring field.
pub fn night_with(texts: &[String]) -> Night {
    let mut night = night_of(texts.len() as u32);
    let text = |index: usize| texts[index % texts.len()].clone();
    let old: Vec<String> = night.verdicts.iter().map(|verdict| verdict.meter.clone()).collect();
    let renamed: BTreeMap<&str, String> =
        old.iter().map(String::as_str).zip(texts.iter().cloned()).collect();
    rename(&mut night, &renamed);
    night.card.run = text(26);
    night.card.config_hash = text(27);
    night.card.ledger = text(17);
    night.card.program = text(31);
    for (index, verdict) in night.verdicts.iter_mut().enumerate() {
        verdict.service = text(index + 1);
        verdict.stream = text(index + 2);
        verdict.reason = text(index + 3);
        verdict.next_test = text(index + 4);
        verdict.group = Some(text(index / 2));
        for (nth, row) in verdict.evidence.iter_mut().enumerate() {
            row.unit = text(index + nth + 5);
            if nth > 0 {
                row.observable = text(index + nth + 6);
            }
        }
        if let Some(severity) = &mut verdict.severity {
            severity.unit = text(index + 7);
        }
        for spot in &mut verdict.blind_spots {
            spot.unit = text(index + 8);
        }
        for fact in &mut verdict.facts {
            fact.text = text(index + 9);
            fact.unit = text(index + 10);
        }
    }
    for (index, entry) in night.lists.entries.iter_mut().enumerate() {
        entry.service = text(index + 11);
        entry.stream = text(index + 12);
        entry.evidence = text(index + 13);
        entry.next_step = text(index + 14);
        entry.settles = text(index + 15);
        entry.cautions = vec![text(index + 16), text(index + 17)];
        if let Some(severity) = &mut entry.severity {
            severity.unit = text(index + 18);
        }
    }
    night.lists.not_judged = texts.iter().map(|t| (t.clone(), t.clone())).collect();
    night.lists.withheld = texts
        .iter()
        .map(|meter| Withheld {
            list: ListKind::Clean,
            meter: meter.clone(),
            mode: Hypothesis::Coating,
            probability: 0.5,
            why: WithheldWhy::Budget,
        })
        .collect();
    let change = |index: usize| Change {
        time: TimeUs(night.lists.as_of.plus(-100).start().0),
        item: text(index + 19),
        before: text(index + 20),
        after: text(index + 21),
    };
    night.records.changes =
        texts.iter().enumerate().map(|(at, meter)| (meter.clone(), vec![change(at)])).collect();
    for (index, checks) in night.records.checks.values_mut().enumerate() {
        for check in checks.iter_mut().take(4) {
            check.quantity = text(index + 22);
            check.trigger = text(index + 23);
        }
    }
    let health = &mut night.health;
    for part in [
        &mut health.stopped,
        &mut health.silent,
        &mut health.unit_steps,
        &mut health.long_unjudged,
        &mut health.sources,
    ] {
        *part = texts.iter().take(30).cloned().collect();
    }
    night.summary = texts.to_vec();
    night.since.settings = texts.to_vec();
    night.since.late_dumps = texts.to_vec();
    night.since.program_before = Some(text(26));
    night
}

/// Gives every meter its new name, wherever it stands.
fn rename(night: &mut Night, renamed: &BTreeMap<&str, String>) {
    let new = |name: &str| renamed[name].clone();
    for verdict in &mut night.verdicts {
        verdict.meter = new(&verdict.meter);
    }
    for entry in &mut night.lists.entries {
        entry.meter = new(&entry.meter);
    }
    let records = &mut night.records;
    records.meters.retain(|name, _| renamed.contains_key(name.as_str()));
    records.checks.retain(|name, _| renamed.contains_key(name.as_str()));
    records.zeros.retain(|name, _| renamed.contains_key(name.as_str()));
    for (old, name) in renamed {
        if let Some(mut meter) = records.meters.remove(*old) {
            meter.meter.clone_from(name);
            records.meters.insert(name.clone(), meter);
        }
        if let Some(checks) = records.checks.remove(*old) {
            records.checks.insert(name.clone(), checks);
        }
        if let Some(zeros) = records.zeros.remove(*old) {
            records.zeros.insert(name.clone(), zeros);
        }
    }
    for column in &mut night.daily.columns {
        if let metersift_model::ColumnData::Text(names) = &mut column.data {
            for name in names.iter_mut().flatten() {
                *name = new(name);
            }
        }
    }
}
