//! Runs the verdict and the ranking at past as-of dates.

use crate::rivals::Rivals;
use metersift_faults::Fleet;
use metersift_model::records::Records;
use metersift_model::verdict::{Interval, JudgedState};
use metersift_model::watch_list::WatchLists;
use metersift_model::{Day, Hypothesis, ListKind, Table, Verdict};
use metersift_rank::PastEntry;
use std::rc::Rc;

/// What one night said about one meter.
#[derive(Clone, Debug, PartialEq)]
pub struct MeterNight {
    /// Meter.
    pub meter: String,
    /// Its service.
    pub service: String,
    /// Whether it was judged at all.
    pub judged: bool,
    /// Log odds of fault against not; the lowest possible score where not judged.
    pub fault_score: f64,
    /// Probability of any fault; NaN where not judged.
    pub fault_probability: f64,
    /// Mode of the entry, or the likeliest fault mode where it is not listed.
    pub mode: Hypothesis,
    /// The list on which the meter stood with a probability, if any.
    pub listed: Option<ListKind>,
    /// That probability.
    pub listed_probability: Option<f64>,
    /// Days until the limit of the likeliest mode, 10 to 90 %.
    pub days_left: Option<Interval>,
    /// Largest ratio of a raw value to its fixed limit.
    pub rival_fixed_limits: f64,
    /// Size of the latest check's deviation over its limit.
    pub rival_latest_check: f64,
    /// Clearest trend of a daily column over its edge.
    pub rival_trend_test: f64,
    /// Worst control chart of a daily column over its limit.
    pub rival_control_chart: f64,
}

/// An entry that names a common cause instead of a meter.
#[derive(Clone, Debug, PartialEq)]
pub struct GroupEntry {
    /// Stream or service.
    pub name: String,
    /// Its meters.
    pub members: Vec<String>,
    /// The list.
    pub list: ListKind,
}

/// One as-of date.
#[derive(Clone, Debug)]
pub struct Night {
    /// First day not looked at.
    pub as_of: Day,
    /// One row per meter, by meter.
    pub meters: Vec<MeterNight>,
    /// Common causes.
    pub groups: Vec<GroupEntry>,
    /// The verdict table of the night, as the evidence file holds it.
    pub verdicts: Table,
}

/// As-of dates from `from` in steps up to and including `to`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// First.
    pub from: Day,
    /// Last.
    pub to: Day,
    /// Step, days.
    pub every_days: i32,
}

impl Span {
    /// The dates.
    ///
    /// # Errors
    /// When there is none.
    pub fn dates(&self) -> Result<Vec<Day>, BacktestError> {
        let Span { from, to, every_days } = *self;
        if every_days < 1 || to < from {
            return Err(BacktestError::EmptySpan { from, to, every_days });
        }
        Ok((from.0..=to.0).step_by(every_days.unsigned_abs() as usize).map(Day).collect())
    }
}

/// Why a back-test could not run.
#[derive(Debug, thiserror::Error)]
pub enum BacktestError {
    /// A verdicts table of this very run could not be read back.
    #[error(transparent)]
    Past(#[from] metersift_rank::RankError),
    /// The fleet of a date could not be made.
    #[error("the fleet of {as_of} cannot be judged: {what}")]
    Fleet {
        /// Date.
        as_of: Day,
        /// Why.
        what: String,
    },
    /// The span holds no as-of date.
    #[error("no as-of date between {from} and {to} in steps of {every_days} days")]
    EmptySpan {
        /// First.
        from: Day,
        /// Last.
        to: Day,
        /// Step.
        every_days: i32,
    },
}

/// Steps longer than this no longer stand for consecutive nights.
const LONGEST_NIGHTLY_STEP: i32 = 3;

/// What a date is judged on: the fleet, and the rivals over the same daily rows. The same every
/// time, or made of what was known by then.
#[derive(Clone)]
pub struct Seen<'a> {
    fleet: Rc<Fleet>,
    /// Over the same rows: a rival that saw later corrections would be no rival.
    rivals: Rc<Rivals<'a>>,
}

impl<'a> Seen<'a> {
    /// A fleet and the rivals over the rows that it was made of.
    pub fn new(fleet: Fleet, daily: &Table, records: &'a Records) -> Seen<'a> {
        Seen { fleet: Rc::new(fleet), rivals: Rc::new(Rivals::new(daily, records)) }
    }
}

/// Judges and ranks at every date, on what `seen_at` gives for it.
///
/// An entry must be above its cut on two of three nights. Two nights of a real site see all but
/// the same data, so they agree; two dates a fortnight apart need not. Where the step is longer
/// than three days each date therefore stands for itself, as on a first night: false entries are
/// then counted at their highest and leads are late by one night at most.
///
/// # Errors
/// When the span holds no date, a fleet cannot be made, or a night's own table cannot be read
/// back.
pub fn replay<'a>(
    seen_at: &mut dyn FnMut(Day) -> Result<Seen<'a>, BacktestError>,
    records: &Records,
    rank: &metersift_rank::Settings,
    span: Span,
) -> Result<Vec<Night>, BacktestError> {
    let mut rank = rank.clone();
    if span.every_days > LONGEST_NIGHTLY_STEP {
        rank.enter_nights = 1;
    }
    let mut previous: Vec<PastEntry> = Vec::new();
    let mut nights = Vec::new();
    for as_of in span.dates()? {
        let seen = seen_at(as_of)?;
        let verdicts = seen.fleet.judge(as_of);
        let lists = metersift_rank::watch_lists(&verdicts, records, &previous, as_of, &rank);
        let table = metersift_rank::verdicts_table(&verdicts, &lists);
        previous.extend(PastEntry::from_table(&table)?);
        let keep_from = as_of.plus(-span.every_days * 8);
        previous.retain(|entry| entry.as_of >= keep_from);
        let meters = verdicts.iter().map(|v| meter_night(v, &lists, &seen.rivals)).collect();
        nights.push(Night { as_of, meters, groups: groups(&lists), verdicts: table });
    }
    Ok(nights)
}

fn groups(lists: &WatchLists) -> Vec<GroupEntry> {
    let named = lists.entries.iter().filter(|e| e.rank > 0 && !e.group_members.is_empty());
    named
        .map(|entry| GroupEntry {
            name: entry.meter.clone(),
            members: entry.group_members.clone(),
            list: entry.list,
        })
        .collect()
}

fn meter_night(verdict: &Verdict, lists: &WatchLists, rivals: &Rivals<'_>) -> MeterNight {
    let judged = verdict.state != JudgedState::NotJudged;
    let entry = lists.entries.iter().find(|entry| {
        entry.rank > 0 && entry.meter == verdict.meter && entry.probability.is_some()
    });
    let of_fault = |mode: &Hypothesis| verdict.probabilities[mode.index()];
    MeterNight {
        meter: verdict.meter.clone(),
        service: verdict.service.clone(),
        judged,
        fault_score: if judged && verdict.fault_score.is_finite() {
            verdict.fault_score
        } else {
            f64::MIN
        },
        fault_probability: if judged {
            Hypothesis::FAULTS.iter().map(of_fault).sum()
        } else {
            f64::NAN
        },
        mode: entry.map_or(verdict.mode, |entry| entry.mode),
        listed: entry.map(|entry| entry.list),
        listed_probability: entry.and_then(|entry| entry.probability),
        days_left: entry.map_or(verdict.days_left, |entry| entry.days_left),
        rival_fixed_limits: rivals.fixed_limits(&verdict.meter, verdict.as_of),
        rival_latest_check: rivals.latest_check(&verdict.meter, verdict.as_of),
        rival_trend_test: rivals.trend_test(&verdict.meter, verdict.as_of),
        rival_control_chart: rivals.control_chart(&verdict.meter, verdict.as_of),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_span_names_its_dates_and_an_empty_one_is_refused() {
        let span = Span { from: Day(10), to: Day(31), every_days: 7 };
        assert_eq!(span.dates().expect("dates"), [10, 17, 24, 31].map(Day));
        assert!(Span { to: Day(9), ..span }.dates().is_err());
        assert!(Span { every_days: 0, ..span }.dates().is_err());
    }
}
