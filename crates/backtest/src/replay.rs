//! Runs the verdict and the ranking at past as-of dates.

use crate::rivals::Rivals;
use metersift_faults::Fleet;
use metersift_model::records::Records;
use metersift_model::verdict::JudgedState;
use metersift_model::{Day, Hypothesis, ListKind, Table, Verdict};
use metersift_rank::PastEntry;

/// What one night said about one meter.
#[derive(Clone, Debug, PartialEq)]
pub struct MeterNight {
    /// Meter.
    pub meter: String,
    /// Whether it was judged at all.
    pub judged: bool,
    /// Log odds of fault against not; the lowest possible score where not judged.
    pub fault_score: f64,
    /// Likeliest fault mode.
    pub mode: Hypothesis,
    /// The list on which the meter stood with a probability, if any.
    pub listed: Option<ListKind>,
    /// Largest ratio of a raw value to its fixed limit.
    pub rival_fixed_limits: f64,
    /// Size of the latest check's deviation over its limit.
    pub rival_latest_check: f64,
}

/// One as-of date.
#[derive(Clone, Debug)]
pub struct Night {
    /// First day not looked at.
    pub as_of: Day,
    /// One row per meter, by meter.
    pub meters: Vec<MeterNight>,
    /// The verdict table of the night, as the evidence file holds it.
    pub verdicts: Table,
}

/// Why a back-test could not run.
#[derive(Debug, thiserror::Error)]
pub enum BacktestError {
    /// A verdicts table of this very run could not be read back.
    #[error(transparent)]
    Past(#[from] metersift_rank::RankError),
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

/// Judges and ranks at `from`, `from + every_days`, ... up to and including `to`.
///
/// # Errors
/// When the span holds no date, or a night's own table cannot be read back.
pub fn replay(
    fleet: &Fleet,
    daily: &Table,
    records: &Records,
    rank: &metersift_rank::Settings,
    (from, to, every_days): (Day, Day, i32),
    progress: &mut dyn FnMut(Day),
) -> Result<Vec<Night>, BacktestError> {
    if every_days < 1 || to < from {
        return Err(BacktestError::EmptySpan { from, to, every_days });
    }
    let rivals = Rivals::new(daily, records);
    let mut previous: Vec<PastEntry> = Vec::new();
    let mut nights = Vec::new();
    let mut as_of = from;
    while as_of <= to {
        progress(as_of);
        let verdicts = fleet.judge(as_of);
        let lists = metersift_rank::watch_lists(&verdicts, records, &previous, as_of, rank);
        let table = metersift_rank::verdicts_table(&verdicts, &lists);
        previous.extend(PastEntry::from_table(&table)?);
        let keep_from = as_of.plus(-every_days * 8);
        previous.retain(|entry| entry.as_of >= keep_from);
        let meters = verdicts.iter().map(|v| meter_night(v, &lists, &rivals)).collect();
        nights.push(Night { as_of, meters, verdicts: table });
        as_of = as_of.plus(every_days);
    }
    Ok(nights)
}

fn meter_night(
    verdict: &Verdict,
    lists: &metersift_model::watch_list::WatchLists,
    rivals: &Rivals,
) -> MeterNight {
    let judged = verdict.state != JudgedState::NotJudged;
    let entry = lists.entries.iter().find(|entry| {
        entry.rank > 0 && entry.meter == verdict.meter && entry.probability.is_some()
    });
    MeterNight {
        meter: verdict.meter.clone(),
        judged,
        fault_score: if judged && verdict.fault_score.is_finite() {
            verdict.fault_score
        } else {
            f64::MIN
        },
        mode: verdict.mode,
        listed: entry.map(|entry| entry.list),
        rival_fixed_limits: rivals.fixed_limits(&verdict.meter, verdict.as_of),
        rival_latest_check: rivals.latest_check(&verdict.meter, verdict.as_of),
    }
}
