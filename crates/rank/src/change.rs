//! New, worse, same, better, gone: an entry against the last night.
//!
//! *Worse* and *better* need more than one posterior standard deviation of severity, or one step
//! of time left; smaller moves are the same entry. Severity is compared by its size: a drift
//! downwards that deepens is worse.

use crate::admit::was_listed;
use crate::candidate::Candidate;
use crate::past::History;
use crate::settings::Settings;
use metersift_model::verdict::Interval;
use metersift_model::watch_list::EntryChange;

/// The 10..90 % interval of a normal distribution is this many standard deviations wide.
const INTERVAL_WIDTH_SD: f64 = 2.0 * 1.281_551_565_544_600_4;

/// Posterior standard deviation of an interval; infinite where an end is open.
pub(crate) fn sd(interval: Interval) -> f64 {
    ((interval.high - interval.low) / INTERVAL_WIDTH_SD).abs()
}

/// Whether a size grew by more than one standard deviation.
pub(crate) fn grew(old: Interval, new: Interval) -> bool {
    new.mid.abs() - old.mid.abs() > sd(new).max(sd(old))
}

/// How an entry stands against the last night.
pub(crate) fn change_of(
    candidate: &Candidate<'_>,
    history: &History<'_>,
    settings: &Settings,
) -> EntryChange {
    let Some(last) = history.last(&candidate.verdict.meter) else { return EntryChange::New };
    // The verdicts table names one list per meter; a fact that was already there then was
    // listed then, even where another list took the name. A meter on no list had no fact.
    let dated_before = candidate.facts.iter().any(|f| f.since.is_some_and(|day| day < last.as_of));
    let old_fact = last.list.is_some() && dated_before;
    if !was_listed(candidate, history) && !old_fact {
        return EntryChange::New;
    }
    let by_size = match (last.severity, &candidate.verdict.severity) {
        (Some(old), Some(new)) if last.mode == candidate.verdict.mode => {
            (grew(old, new.size), grew(new.size, old))
        }
        _ => (false, false),
    };
    let steps = |days: Option<Interval>| days.map(|days| step(days.mid, settings.round_days));
    let by_time = match (steps(last.days_left), steps(candidate.verdict.days_left)) {
        (Some(old), Some(new)) => (new < old, new > old),
        _ => (false, false),
    };
    match (by_size.0 || by_time.0, by_size.1 || by_time.1) {
        (true, _) => EntryChange::Worse,
        (false, true) => EntryChange::Better,
        (false, false) => EntryChange::Same,
    }
}

/// Steps of time left: this round, the next, this quarter, this year, later.
fn step(days: f64, round_days: f64) -> u8 {
    [round_days, 2.0 * round_days, 91.0, 365.0].iter().filter(|edge| days > **edge).count() as u8
}
