//! Verdicts and lists as plain tables.
//!
//! The verdicts table has one row per meter, listed or not. Its `p_` columns keep what was
//! computed, for notebooks and scores; `probability` is the figure that people see: two digits,
//! never above [`PROBABILITY_CEILING`]. A missing `severity_high` or `days_left_high` beside a
//! number means "beyond the horizon": infinities do not travel.

use metersift_model::verdict::{Interval, JudgedState};
use metersift_model::watch_list::WatchLists;
use metersift_model::{ColumnData, Day, Hypothesis, ListKind, Table, Verdict, WatchListEntry};
use std::collections::BTreeMap;

/// No probability is shown above this: nothing here knows better than ninety-nine in a hundred.
pub const PROBABILITY_CEILING: f64 = 0.99;

/// A probability as it is shown: two digits, at most [`PROBABILITY_CEILING`]; unknown stays so.
pub fn shown_probability(probability: f64) -> f64 {
    (probability.clamp(0.0, PROBABILITY_CEILING) * 100.0).round() / 100.0
}

fn text(value: &str) -> Option<String> {
    (!value.is_empty()).then(|| value.into())
}

fn finite(value: f64) -> f64 {
    if value.is_finite() { value } else { f64::NAN }
}

fn column_of<T>(rows: &[T], value: impl Fn(&T) -> f64) -> ColumnData {
    ColumnData::Number(rows.iter().map(|row| finite(value(row))).collect())
}

fn texts_of<T>(rows: &[T], value: impl Fn(&T) -> Option<String>) -> ColumnData {
    ColumnData::Text(rows.iter().map(value).collect())
}

fn push_interval<T>(
    table: &mut Table,
    name: &str,
    unit: &str,
    rows: &[T],
    interval: impl Fn(&T) -> Option<Interval>,
) {
    let part = |part: fn(&Interval) -> f64| {
        column_of(rows, |row| interval(row).as_ref().map_or(f64::NAN, part))
    };
    table.push(name, unit, part(|interval| interval.mid));
    table.push(&format!("{name}_low"), unit, part(|interval| interval.low));
    table.push(&format!("{name}_high"), unit, part(|interval| interval.high));
}

/// One row per meter, listed or not, sorted by meter: what back-tests and the next night read.
pub fn verdicts_table(verdicts: &[Verdict], lists: &WatchLists) -> Table {
    let mut rows: Vec<&Verdict> = verdicts.iter().collect();
    rows.sort_by(|a, b| a.meter.cmp(&b.meter));
    let listed = primary_entries(lists);
    let entry = |verdict: &&Verdict| listed.get(verdict.meter.as_str()).copied();
    let mut table = Table::default();
    table.push("as_of", "", ColumnData::Day(rows.iter().map(|v| Some(v.as_of)).collect()));
    table.push("meter", "", texts_of(&rows, |v| Some(v.meter.clone())));
    table.push("service", "", texts_of(&rows, |v| text(&v.service)));
    table.push("stream", "", texts_of(&rows, |v| text(&v.stream)));
    table.push("state", "", texts_of(&rows, |v| Some(v.state.name().into())));
    table.push("list", "", texts_of(&rows, |v| entry(v).map(|e| e.list.name().into())));
    let ranks = rows.iter().map(|v| entry(v).map(|e| i64::from(e.rank))).collect();
    table.push("rank", "", ColumnData::Count(ranks));
    let judged = |v: &&Verdict| v.state != JudgedState::NotJudged;
    table.push("mode", "", texts_of(&rows, |v| judged(v).then(|| v.mode.name().into())));
    let shown = |v: &&Verdict| if judged(v) { shown_probability(v.probability) } else { f64::NAN };
    table.push("probability", "", column_of(&rows, shown));
    table.push("fault_score", "", column_of(&rows, |v| v.fault_score));
    for hypothesis in Hypothesis::ALL {
        let values = column_of(&rows, |v| v.probabilities[hypothesis.index()]);
        table.push(&format!("p_{}", hypothesis.name()), "", values);
    }
    push_interval(&mut table, "severity", "", &rows, |v| v.severity.as_ref().map(|s| s.size));
    let unit = |v: &&Verdict| v.severity.as_ref().and_then(|s| text(&s.unit));
    table.push("severity_unit", "", texts_of(&rows, unit));
    push_interval(&mut table, "days_left", "d", &rows, |v| v.days_left);
    table.push("group", "", texts_of(&rows, |v| v.group.clone()));
    table.push("blind", "", texts_of(&rows, |v| text(&blind_modes(v).join(";"))));
    table.push("reason", "", texts_of(&rows, |v| text(&v.reason)));
    table.push("raw_fault_score", "", column_of(&rows, |v| v.raw_fault_score));
    let calibrated = |v: &&Verdict| judged(v).then(|| v.calibrated.words());
    table.push("calibrated", "", texts_of(&rows, calibrated));
    table.push("limit", "", column_of(&rows, |v| v.limit.as_ref().map_or(f64::NAN, |l| l.value)));
    let limit_unit = |v: &&Verdict| v.limit.as_ref().and_then(|l| text(&l.unit));
    table.push("limit_unit", "", texts_of(&rows, limit_unit));
    let limit_reason = |v: &&Verdict| v.limit.as_ref().and_then(|l| text(&l.reason));
    table.push("limit_reason", "", texts_of(&rows, limit_reason));
    table
}

/// Modes for which a meter has no observable.
fn blind_modes(verdict: &Verdict) -> Vec<&'static str> {
    let blind = verdict.blind_spots.iter().filter(|spot| spot.smallest_visible.is_none());
    blind.map(|spot| spot.mode.name()).collect()
}

/// The one list that names a meter in the verdicts table: where a probability speaks before
/// where a fact speaks, then in the order of the lists. Entries that are hidden or gone name none.
fn primary_entries(lists: &WatchLists) -> BTreeMap<&str, &WatchListEntry> {
    let mut primary: BTreeMap<&str, &WatchListEntry> = BTreeMap::new();
    for entry in lists.entries.iter().filter(|entry| entry.rank > 0) {
        let lone = std::iter::once(&entry.meter).filter(|_| entry.group_members.is_empty());
        for meter in lone.chain(&entry.group_members) {
            let key = |e: &WatchListEntry| {
                (e.probability.is_none() || e.list == ListKind::CheckNow, e.list)
            };
            let kept = primary.entry(meter).or_insert(entry);
            if key(entry) < key(kept) {
                *kept = entry;
            }
        }
    }
    primary
}

/// The lists as one table, by list and rank; hidden and gone entries have no rank.
pub fn lists_table(lists: &WatchLists) -> Table {
    let rows: Vec<&WatchListEntry> = lists.entries.iter().collect();
    let day: Day = lists.as_of;
    let mut table = Table::default();
    table.push("as_of", "", ColumnData::Day(vec![Some(day); rows.len()]));
    table.push("list", "", texts_of(&rows, |e| Some(e.list.name().into())));
    let ranks = rows.iter().map(|e| (e.rank > 0).then_some(i64::from(e.rank))).collect();
    table.push("rank", "", ColumnData::Count(ranks));
    table.push("meter", "", texts_of(&rows, |e| Some(e.meter.clone())));
    table.push("service", "", texts_of(&rows, |e| text(&e.service)));
    table.push("stream", "", texts_of(&rows, |e| text(&e.stream)));
    table.push("mode", "", texts_of(&rows, |e| Some(e.mode.name().into())));
    table.push("basis", "", texts_of(&rows, |e| Some(basis(e).into())));
    table.push("probability", "", column_of(&rows, |e| e.probability.unwrap_or(f64::NAN)));
    let calibrated = ColumnData::Flag(vec![Some(lists.calibrated); rows.len()]);
    table.push("calibrated", "", calibrated);
    push_interval(&mut table, "severity", "", &rows, |e| e.severity.as_ref().map(|s| s.size));
    let unit = |e: &&WatchListEntry| e.severity.as_ref().and_then(|s| text(&s.unit));
    table.push("severity_unit", "", texts_of(&rows, unit));
    push_interval(&mut table, "days_left", "d", &rows, |e| e.days_left);
    table.push("expected_cost", "", column_of(&rows, |e| e.expected_cost));
    table.push("cost_unit", "", texts_of(&rows, |e| Some(e.cost_unit.into())));
    table.push("change", "", texts_of(&rows, |e| Some(e.change.name().into())));
    table.push("evidence", "", texts_of(&rows, |e| text(&e.evidence)));
    table.push("next_step", "", texts_of(&rows, |e| text(&e.next_step)));
    table.push("settles", "", texts_of(&rows, |e| text(&e.settles)));
    table.push("ne107", "", texts_of(&rows, |e| Some(e.ne107.to_string())));
    table.push("cautions", "", texts_of(&rows, |e| text(&e.cautions.join(" "))));
    table.push("group_members", "", texts_of(&rows, |e| text(&e.group_members.join(";"))));
    table.push("accepted", "", ColumnData::Flag(rows.iter().map(|e| Some(e.accepted)).collect()));
    push_counts(&mut table, lists, rows.len());
    table
}

/// The fleet's counts beside every row: a list that suddenly shortens must be seen in any format.
fn push_counts(table: &mut Table, lists: &WatchLists, n_rows: usize) {
    let counts = &lists.counts;
    for (name, count) in [
        ("n_meters", counts.meters),
        ("n_judged", counts.judged),
        ("n_young", counts.young),
        ("n_not_judged", counts.not_judged),
        ("n_blind", counts.blind),
    ] {
        table.push(name, "", ColumnData::Count(vec![Some(i64::from(count)); n_rows]));
    }
}

/// Whether an entry rests on a measured fact or on a probability.
fn basis(entry: &WatchListEntry) -> &'static str {
    if entry.probability.is_some() { "probability" } else { "fact" }
}
