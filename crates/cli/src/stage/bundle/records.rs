//! What people recorded about one meter, as one long table.

use metersift_model::records::{CheckOutcome, CheckPosition, DecisionKind, ZeroState};
use metersift_model::{ColumnData, Day, Records, Table, TimeUs};

/// One line: kind, time, what, number, unit, free text.
struct Line {
    kind: &'static str,
    time: Option<TimeUs>,
    what: String,
    position: &'static str,
    value: f64,
    unit: &'static str,
    text: String,
}

/// Records of a meter before the as-of date, in order of kind and time.
pub fn table(records: &Records, meter: &str, as_of: Day) -> Table {
    let mut lines = register(records, meter);
    lines.extend(
        dated(records, meter)
            .into_iter()
            .filter(|line| line.time.is_none_or(|time| time.day() < as_of)),
    );
    let text = |of: &dyn Fn(&Line) -> String| {
        ColumnData::Text(
            lines.iter().map(|line| Some(of(line)).filter(|t| !t.is_empty())).collect(),
        )
    };
    let mut table = Table::default();
    table.push("kind", "", text(&|line| line.kind.into()));
    table.push("time", "", ColumnData::Time(lines.iter().map(|line| line.time).collect()));
    table.push("what", "", text(&|line| line.what.clone()));
    table.push("position", "", text(&|line| line.position.into()));
    table.push("value", "", ColumnData::Number(lines.iter().map(|line| line.value).collect()));
    table.push("unit", "", text(&|line| line.unit.into()));
    table.push("text", "", text(&|line| line.text.clone()));
    table
}

fn line(kind: &'static str, time: Option<TimeUs>, what: impl Into<String>) -> Line {
    let (what, text) = (what.into(), String::new());
    Line { kind, time, what, position: "", value: f64::NAN, unit: "", text }
}

fn register(records: &Records, meter: &str) -> Vec<Line> {
    let Some(meter) = records.meters.get(meter) else { return Vec::new() };
    let number = |what: &str, unit, value: Option<f64>| Line {
        value: value.unwrap_or(f64::NAN),
        unit,
        ..line("register", None, what)
    };
    let flag = |what: &str, is: bool| number(what, "", Some(f64::from(u8::from(is))));
    vec![
        number("nominal_diameter", "mm", meter.nominal_diameter_mm),
        number("max_flow", "kg/h", Some(meter.max_flow_kg_h)),
        number("zero_stability", "kg/h", Some(meter.zero_stability_kg_h)),
        number("base_accuracy", "%", Some(meter.base_accuracy_pct)),
        number("criticality", "", Some(f64::from(meter.criticality))),
        number("check_interval", "d", meter.check_interval_days),
        number("tolerable_flow_error", "%", meter.tolerable_flow_error_pct),
        number("wall_to_bore", "", meter.wall_to_bore),
        flag("custody", meter.custody),
        flag("safety_function", meter.safety_function),
        Line { text: meter.service.clone(), ..line("register", None, "service") },
    ]
}

fn dated(records: &Records, meter: &str) -> Vec<Line> {
    let mut lines = Vec::new();
    for check in records.checks.get(meter).into_iter().flatten() {
        let outcome = match check.outcome {
            CheckOutcome::Pass => "pass",
            CheckOutcome::Fail => "fail",
            CheckOutcome::Aborted => "aborted",
        };
        let position = match check.position {
            CheckPosition::Inlet => "inlet",
            CheckPosition::Outlet => "outlet",
            CheckPosition::Whole => "whole",
        };
        let value = check.value_pct.unwrap_or(f64::NAN);
        let text = format!("{} {}", check.quantity, check.trigger).trim().to_string();
        let one = line("check", Some(check.time), outcome);
        lines.push(Line { position, value, unit: "%", text, ..one });
    }
    for zero in records.zeros.get(meter).into_iter().flatten() {
        let state = match zero.state {
            ZeroState::AsFound => "as_found",
            ZeroState::AsLeft => "as_left",
        };
        let one = line("zero", Some(zero.time), state);
        lines.push(Line { value: zero.zero_kg_h, unit: "kg/h", ..one });
    }
    for change in records.changes.get(meter).into_iter().flatten() {
        let text = match (change.before.as_str(), change.after.as_str()) {
            ("", "") => String::new(),
            (before, after) => format!("{before} to {after}"),
        };
        lines.push(Line { text, ..line("change", Some(change.time), change.item.clone()) });
    }
    for alert in records.alerts.get(meter).into_iter().flatten() {
        let what = if alert.active { "came" } else { "went" };
        let text = format!("{} {}", alert.code, alert.text);
        lines.push(Line { text, ..line("alert", Some(alert.time), what) });
    }
    for finding in records.findings.get(meter).into_iter().flatten() {
        let what = finding.mode.map_or("good", |mode| mode.name());
        let text = format!("{} {}", finding.severity, finding.note).trim().to_string();
        lines.push(Line { text, ..line("finding", Some(finding.day.start()), what) });
    }
    for decision in records.decisions.iter().filter(|decision| decision.meter == meter) {
        let what = match decision.decision {
            DecisionKind::Accepted => "accepted",
            DecisionKind::Found => "found",
            DecisionKind::FoundGood => "found_good",
            DecisionKind::NotOpened => "not_opened",
        };
        let text = decision.why.clone();
        lines.push(Line { text, ..line("decision", Some(decision.day.start()), what) });
    }
    lines
}
