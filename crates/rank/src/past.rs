//! What earlier nights said, read back from their verdicts tables.
//!
//! One row per meter and night, listed or not: entering and leaving a list look at the odds of
//! nights on which a meter was *not* listed as well.

use crate::error::RankError;
use metersift_model::verdict::{Interval, JudgedState};
use metersift_model::{Column, ColumnData, Day, Hypothesis, ListKind, Table};
use std::collections::BTreeMap;

/// One meter on one earlier night.
#[derive(Clone, Debug, PartialEq)]
pub struct PastEntry {
    /// First day that night did not look at.
    pub as_of: Day,
    /// Meter.
    pub meter: String,
    /// Whether it was judged.
    pub state: JudgedState,
    /// The list it was on, if any.
    pub list: Option<ListKind>,
    /// The likeliest fault mode.
    pub mode: Hypothesis,
    /// Probability of each of [`Hypothesis::ALL`]; NaN when not judged.
    pub probabilities: [f64; 10],
    /// Severity.
    pub severity: Option<Interval>,
    /// Days until the limit.
    pub days_left: Option<Interval>,
}

impl PastEntry {
    /// Whether probabilities exist for that night.
    pub fn judged(&self) -> bool {
        self.state != JudgedState::NotJudged && self.probabilities[0].is_finite()
    }

    /// Reads a verdicts table back (as `verdicts_table` makes it; columns that came later are
    /// passed over). A high end that is missing beside a number means "beyond the horizon".
    ///
    /// # Errors
    /// A column is missing or holds words that are not ours.
    pub fn from_table(table: &Table) -> Result<Vec<PastEntry>, RankError> {
        let days = match column(table, "as_of", "days")? {
            ColumnData::Day(values) => values,
            _ => return Err(wrong("as_of", "days")),
        };
        let meters = texts(table, "meter")?;
        let (states, lists, modes) =
            (texts(table, "state")?, texts(table, "list")?, texts(table, "mode")?);
        let severity = IntervalColumns::of(table, "severity")?;
        let days_left = IntervalColumns::of(table, "days_left")?;
        let mut p_columns = Vec::with_capacity(Hypothesis::ALL.len());
        for hypothesis in Hypothesis::ALL {
            p_columns.push(numbers(table, &format!("p_{}", hypothesis.name()))?);
        }
        let mut entries = Vec::with_capacity(table.n_rows());
        for row in 0..table.n_rows() {
            let (Some(as_of), Some(meter)) = (days[row], meters[row].as_ref()) else { continue };
            let mut probabilities = [f64::NAN; 10];
            for (probability, values) in probabilities.iter_mut().zip(&p_columns) {
                *probability = values[row];
            }
            entries.push(PastEntry {
                as_of,
                meter: meter.clone(),
                state: parse_state(states[row].as_deref(), row)?,
                list: parse_list(lists[row].as_deref(), row)?,
                mode: parse_mode(modes[row].as_deref(), row)?,
                probabilities,
                severity: severity.at(row),
                days_left: days_left.at(row),
            });
        }
        Ok(entries)
    }
}

/// The three columns of an interval.
struct IntervalColumns<'a> {
    mid: &'a [f64],
    low: &'a [f64],
    high: &'a [f64],
}

impl<'a> IntervalColumns<'a> {
    fn of(table: &'a Table, name: &str) -> Result<IntervalColumns<'a>, RankError> {
        Ok(IntervalColumns {
            mid: numbers(table, name)?,
            low: numbers(table, &format!("{name}_low"))?,
            high: numbers(table, &format!("{name}_high"))?,
        })
    }

    fn at(&self, row: usize) -> Option<Interval> {
        let beyond = |value: f64| if value.is_nan() { f64::INFINITY } else { value };
        let (mid, low, high) = (self.mid[row], self.low[row], self.high[row]);
        if mid.is_nan() && low.is_nan() {
            return None;
        }
        Some(Interval { mid: beyond(mid), low, high: beyond(high) })
    }
}

fn wrong(column: &str, kind: &'static str) -> RankError {
    RankError::Column { column: column.into(), kind }
}

fn column<'a>(
    table: &'a Table,
    name: &str,
    kind: &'static str,
) -> Result<&'a ColumnData, RankError> {
    table.column(name).map(|Column { data, .. }| data).ok_or_else(|| wrong(name, kind))
}

fn texts<'a>(table: &'a Table, name: &str) -> Result<&'a [Option<String>], RankError> {
    table.texts(name).ok_or_else(|| wrong(name, "text"))
}

fn numbers<'a>(table: &'a Table, name: &str) -> Result<&'a [f64], RankError> {
    table.numbers(name).ok_or_else(|| wrong(name, "numbers"))
}

fn parse_state(text: Option<&str>, row: usize) -> Result<JudgedState, RankError> {
    let known = [JudgedState::Judged, JudgedState::Young, JudgedState::NotJudged];
    let text = text.unwrap_or_default();
    known.into_iter().find(|state| state.name() == text).ok_or_else(|| word("state", row, text))
}

fn parse_list(text: Option<&str>, row: usize) -> Result<Option<ListKind>, RankError> {
    let Some(text) = text.filter(|text| !text.is_empty()) else { return Ok(None) };
    match ListKind::ALL.into_iter().find(|list| list.name() == text) {
        Some(list) => Ok(Some(list)),
        None => Err(word("list", row, text)),
    }
}

fn parse_mode(text: Option<&str>, row: usize) -> Result<Hypothesis, RankError> {
    let Some(text) = text.filter(|text| !text.is_empty()) else { return Ok(Hypothesis::NoChange) };
    Hypothesis::parse(text).ok_or_else(|| word("mode", row, text))
}

fn word(column: &'static str, row: usize, text: &str) -> RankError {
    RankError::Word { column, row: row + 1, text: text.into() }
}

/// The earlier nights of each meter, oldest first. Nights of the as-of date itself or later are
/// left out: a re-run must not listen to its own echo.
pub(crate) struct History<'a> {
    by_meter: BTreeMap<&'a str, Vec<&'a PastEntry>>,
    /// The latest earlier night of the whole fleet.
    pub last_night: Option<Day>,
    as_of: Day,
}

impl<'a> History<'a> {
    pub(crate) fn new(previous: &'a [PastEntry], as_of: Day) -> History<'a> {
        let mut by_meter: BTreeMap<&str, Vec<&PastEntry>> = BTreeMap::new();
        for entry in previous.iter().filter(|entry| entry.as_of < as_of) {
            by_meter.entry(&entry.meter).or_default().push(entry);
        }
        for nights in by_meter.values_mut() {
            nights.sort_by_key(|entry| entry.as_of);
            // The same night read twice counts once.
            nights.dedup_by_key(|entry| entry.as_of);
        }
        let last_night =
            by_meter.values().filter_map(|nights| nights.last()).map(|e| e.as_of).max();
        History { by_meter, last_night, as_of }
    }

    /// All earlier nights of a meter, oldest first.
    pub(crate) fn of(&self, meter: &str) -> &[&'a PastEntry] {
        self.by_meter.get(meter).map_or(&[], Vec::as_slice)
    }

    /// Judged earlier nights of a meter within `days` before the as-of date, newest first.
    pub(crate) fn judged(&self, meter: &str, days: u32) -> impl Iterator<Item = &'a PastEntry> {
        let oldest = self.as_of.plus(-i32::try_from(days).unwrap_or(i32::MAX));
        let nights = self.of(meter).iter().rev().copied();
        nights.take_while(move |entry| entry.as_of >= oldest).filter(|entry| entry.judged())
    }

    /// What the last earlier night of the fleet said about a meter.
    pub(crate) fn last(&self, meter: &str) -> Option<&'a PastEntry> {
        let last = self.of(meter).last()?;
        (Some(last.as_of) == self.last_night).then_some(*last)
    }

    /// Rows of the last earlier night, by meter.
    pub(crate) fn last_rows(&self) -> impl Iterator<Item = &'a PastEntry> {
        self.by_meter.keys().filter_map(|meter| self.last(meter))
    }

    /// Everything, by meter, oldest first.
    pub(crate) fn all(&self) -> impl Iterator<Item = (&'a str, &[&'a PastEntry])> {
        self.by_meter.iter().map(|(meter, nights)| (*meter, nights.as_slice()))
    }
}
