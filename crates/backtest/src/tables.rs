//! The figures as tables, for files.

use crate::entries::Lead;
use crate::known::Known;
use crate::methods::MethodScore;
use crate::replay::Night;
use crate::score::Scores;
use crate::story::{Extra, Row, all_methods, stories};
use metersift_model::{ColumnData, Day, Table};

fn texts<T>(rows: &[T], of: impl Fn(&T) -> Option<String>) -> ColumnData {
    ColumnData::Text(rows.iter().map(of).collect())
}

fn numbers<T>(rows: &[T], of: impl Fn(&T) -> f64) -> ColumnData {
    ColumnData::Number(rows.iter().map(of).collect())
}

fn days<T>(rows: &[T], of: impl Fn(&T) -> Option<Day>) -> ColumnData {
    ColumnData::Day(rows.iter().map(of).collect())
}

/// One row per method.
pub fn methods_table(scores: &Scores) -> Table {
    let rows = &scores.methods;
    let mut table = Table::default();
    table.push("method", "", texts(rows, |m| Some(m.method.clone())));
    table.push("average_precision", "", numbers(rows, |m| m.average_precision.0));
    table.push("average_precision_low", "", numbers(rows, |m| m.average_precision.1));
    table.push("average_precision_high", "", numbers(rows, |m| m.average_precision.2));
    let last = numbers(rows, |m| m.average_precision_last);
    table.push("average_precision_last_night", "", last);
    for (i, k) in crate::methods::LIST_LENGTHS.iter().enumerate() {
        let at = move |m: &MethodScore| m.precision_at.get(i).map_or(f64::NAN, |(_, p)| *p);
        table.push(&format!("precision_at_{k}"), "", numbers(rows, at));
    }
    table.push("recall_at_n", "", numbers(rows, |m| m.recall_at_n));
    table.push("recall_at_n_last_night", "", numbers(rows, |m| m.recall_at_n_last));
    table.push("faults_found", "", numbers(rows, |m| m.found as f64));
    table.push("faults", "", numbers(rows, |m| m.faults as f64));
    table.push("found_share_low", "", numbers(rows, |m| m.found_interval.low));
    table.push("found_share_high", "", numbers(rows, |m| m.found_interval.high));
    table.push("limits_reached", "", numbers(rows, |m| m.limits_reached as f64));
    table.push("listed_before_limit", "", numbers(rows, |m| m.listed_before_limit as f64));
    table.push("median_lead", "d", numbers(rows, |m| finite(m.median_lead_days)));
    let rate = "false_entries_per_100_meter_months";
    table.push("false_entries", "", numbers(rows, |m| m.false_entries.count as f64));
    table.push(rate, "", numbers(rows, |m| m.false_entries.value));
    table.push(&format!("{rate}_low"), "", numbers(rows, |m| m.false_entries.interval.low));
    table.push(&format!("{rate}_high"), "", numbers(rows, |m| m.false_entries.interval.high));
    table.push("mode_accuracy", "", numbers(rows, |m| m.mode_accuracy));
    table
}

fn finite(x: f64) -> f64 {
    if x.is_finite() { x } else { f64::NAN }
}

/// One row per fault, under the verdict.
pub fn entries_table(scores: &Scores) -> Table {
    let rows: &[Lead] = &scores.leads;
    let mut table = Table::default();
    table.push("meter", "", texts(rows, |l| Some(l.meter.clone())));
    table.push("mode", "", texts(rows, |l| Some(l.mode.name().into())));
    table.push("onset", "", days(rows, |l| l.onset));
    table.push("limit", "", days(rows, |l| l.limit));
    table.push("first_listed", "", days(rows, |l| l.first_listed));
    table.push("listed_as", "", texts(rows, |l| l.listed_as.map(|mode| mode.name().into())));
    let days_of = |x: Option<i32>| x.map_or(f64::NAN, f64::from);
    table.push("lead_days", "d", numbers(rows, |l| days_of(l.lead_days)));
    table.push("delay_days", "d", numbers(rows, |l| days_of(l.delay_days)));
    table
}

/// One row per service.
pub fn services_table(scores: &Scores) -> Table {
    let rows = &scores.services;
    let mut table = Table::default();
    table.push("service", "", texts(rows, |s| Some(s.service.clone())));
    table.push("meter_months", "", numbers(rows, |s| s.meter_months));
    table.push("faults", "", numbers(rows, |s| s.faults as f64));
    table.push("faults_found", "", numbers(rows, |s| s.found as f64));
    table.push("false_entries", "", numbers(rows, |s| s.false_entries as f64));
    table
}

/// Reliability: `of` is `fault` (all judged meter-nights) or `listed`.
pub fn calibration_table(scores: &Scores) -> Table {
    let calibration = &scores.calibration;
    let kinds = [("fault", &calibration.fault), ("listed", &calibration.listed)];
    let rows: Vec<_> =
        kinds.into_iter().flat_map(|(of, bins)| bins.iter().map(move |bin| (of, bin))).collect();
    let mut table = Table::default();
    table.push("of", "", texts(&rows, |r| Some(r.0.into())));
    table.push("from", "", numbers(&rows, |r| r.1.from));
    table.push("until", "", numbers(&rows, |r| r.1.until));
    table.push("meter_nights", "", numbers(&rows, |r| r.1.n as f64));
    table.push("stated", "", numbers(&rows, |r| r.1.stated));
    table.push("seen", "", numbers(&rows, |r| r.1.seen));
    table
}

/// One row per meter and night: what each method said and what was true. For whoever wants to
/// score a method of their own on the same rows.
pub fn nights_table(nights: &[Night], known: &[Known], extras: &[Extra]) -> Table {
    let stories = stories(nights, known);
    let rows: Vec<Row<'_>> = stories.values().flat_map(|story| story.rows.clone()).collect();
    let flags = |of: &dyn Fn(&Row<'_>) -> bool| {
        ColumnData::Flag(rows.iter().map(|row| Some(of(row))).collect())
    };
    let mut table = Table::default();
    table.push("as_of", "", days(&rows, |r| Some(r.as_of)));
    table.push("meter", "", texts(&rows, |r| Some(r.said.meter.clone())));
    table.push("service", "", texts(&rows, |r| Some(r.said.service.clone())));
    table.push("judged", "", flags(&|r| r.said.judged));
    table.push("ranked", "", flags(&|r| r.is_ranked()));
    table.push("faulty", "", flags(&|r| r.fault.is_some()));
    let mode = |r: &Row<'_>| r.fault.and_then(|f| f.mode).map(|mode| mode.name().into());
    table.push("fault", "", texts(&rows, mode));
    table.push("called", "", texts(&rows, |r| Some(r.said.mode.name().into())));
    table.push("listed", "", texts(&rows, |r| r.said.listed.map(|list| list.name().into())));
    table.push("fault_probability", "", numbers(&rows, |r| r.said.fault_probability));
    for method in all_methods(extras) {
        let name = format!("score_{}", method.name.replace(' ', "_"));
        table.push(&name, "", numbers(&rows, |r| (method.score)(r)));
    }
    table
}
