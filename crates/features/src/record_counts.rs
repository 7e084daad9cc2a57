//! Records as features: checks by outcome, their values, alerts by NE 107 category, changes.
//!
//! In:     check rows and changes up to the end of the day, alerts and zeros of the day, in time
//!         order; none kept = not known.
//! Out:    counts of the day; check values with their scatter and drift on days that have one;
//!         days since the last check that passed and since the last change.
//! Method: rows of one time are one check. A fail counts only when its repeat fails: it is dated at
//!         the repeat. Values restart where the meter or its calibration was replaced. An alert
//!         that comes again before it went is the same episode, and a repeat.

use crate::input::MeterDay;
use crate::row::FeatureRow;
use crate::table::F;
use metersift_model::records::{Alert, Check, CheckOutcome, CheckPosition, Ne107, ZeroState};
use metersift_model::time::US_PER_DAY;
use metersift_model::{Day, TimeUs};
use metersift_stats as stats;
use std::collections::{BTreeMap, BTreeSet};

/// Days within which a second fail repeats the first, and values are of one state.
const RECENT_US: i64 = 30 * US_PER_DAY;
/// Values behind the level, the scatter and the drift.
const LEVEL_VALUES: usize = 3;
const SCATTER_VALUES: usize = 10;
const DRIFT_VALUES: usize = 24;
/// Fewest values behind scatter and drift.
const MIN_VALUES: usize = 5;
/// Days of a year.
const DAYS_PER_YEAR: f64 = 365.25;

/// Writes the records group.
pub(crate) fn write(input: &MeterDay<'_>, row: &mut FeatureRow) {
    let end = input.day.end();
    if let Some(checks) = input.checks {
        let until = checks.partition_point(|check| check.time < end);
        write_checks(input, &checks[..until], row);
    }
    if let Some(alerts) = input.alerts {
        write_alerts(alerts.iter().filter(|a| a.time.day() == input.day), row);
    }
    write_changes(input, row);
}

fn write_checks(input: &MeterDay<'_>, checks: &[Check], row: &mut FeatureRow) {
    let outcomes = outcomes(checks);
    let first = outcomes.partition_point(|check| check.time < input.day.start());
    let of_day = &outcomes[first..];
    row.set(F::ChecksDone, of_day.len() as f64);
    row.set(F::ChecksFailed, of_day.iter().filter(|check| check.failed).count() as f64);
    row.set(F::ChecksAborted, of_day.iter().filter(|check| check.aborted).count() as f64);
    row.set(F::ChecksRepeatFailed, repeated_fails(&outcomes, input.day));
    if let Some(passed) = outcomes.iter().rfind(|check| !check.failed && !check.aborted) {
        let days = days_before_end(passed.time, input.day);
        row.set(F::CheckDaysSinceGood, days);
        if let Some(interval) = input.meter.check_interval_days.filter(|days| *days > 0.0) {
            row.set(F::CheckIntervalsSinceGood, days / interval);
        }
    }
    let restart = restart(input);
    for (position, level, scatter, drift) in [
        (CheckPosition::Inlet, F::CheckInlet, F::CheckInletScatter, F::CheckInletDrift),
        (CheckPosition::Outlet, F::CheckOutlet, F::CheckOutletScatter, F::CheckOutletDrift),
        (CheckPosition::Whole, F::CheckWhole, F::CheckWholeScatter, F::CheckWholeDrift),
    ] {
        let values = values(checks, position, restart);
        if values.last().is_none_or(|(time, _)| time.day() != input.day) {
            continue;
        }
        row.set(level, level_of(&values, input.day));
        row.set(scatter, scatter_of(&values));
        row.set(drift, drift_of(&values));
    }
}

/// A check whose rows are one.
#[derive(Clone, Copy, Debug)]
struct Outcome {
    time: TimeUs,
    failed: bool,
    aborted: bool,
}

fn outcomes(checks: &[Check]) -> Vec<Outcome> {
    let mut outcomes: Vec<Outcome> = Vec::new();
    for check in checks {
        if outcomes.last().is_none_or(|last| last.time != check.time) {
            outcomes.push(Outcome { time: check.time, failed: false, aborted: false });
        }
        if let Some(last) = outcomes.last_mut() {
            last.failed |= check.outcome == CheckOutcome::Fail;
            last.aborted |= check.outcome == CheckOutcome::Aborted;
        }
    }
    outcomes
}

fn repeated_fails(outcomes: &[Outcome], day: Day) -> f64 {
    let completed: Vec<_> = outcomes.iter().filter(|check| !check.aborted).collect();
    let repeats = |pair: &&[&Outcome]| {
        pair[0].failed && pair[1].failed && pair[1].time.0 - pair[0].time.0 <= RECENT_US
    };
    let of_day = completed.windows(2).filter(|pair| pair[1].time.day() == day);
    of_day.filter(repeats).count() as f64
}

/// When the meter or its calibration was last replaced.
fn restart(input: &MeterDay<'_>) -> TimeUs {
    let replaced = |item: &str| matches!(item, "installed" | "swapped" | "recalibrated");
    let changes = input.changes.unwrap_or(&[]).iter();
    changes
        .filter(|change| change.time < input.day.end() && replaced(&change.item))
        .map(|change| change.time)
        .max()
        .unwrap_or(TimeUs(i64::MIN))
}

/// Stiffness values at one position since the restart, in time order.
fn values(checks: &[Check], position: CheckPosition, restart: TimeUs) -> Vec<(TimeUs, f64)> {
    let mut newest: Vec<(TimeUs, f64)> = checks
        .iter()
        .rev()
        .take_while(|check| check.time >= restart)
        .filter(|check| check.position == position && check.quantity == "stiffness")
        .filter(|check| check.outcome != CheckOutcome::Aborted)
        .filter_map(|check| Some((check.time, check.value_pct.filter(|value| value.is_finite())?)))
        .take(DRIFT_VALUES)
        .collect();
    newest.reverse();
    newest
}

fn level_of(values: &[(TimeUs, f64)], day: Day) -> f64 {
    let recent = values.iter().rev().take(LEVEL_VALUES);
    let mut recent: Vec<f64> =
        recent.filter(|(time, _)| day.end().0 - time.0 <= RECENT_US).map(|value| value.1).collect();
    stats::median_in_place(&mut recent)
}

fn scatter_of(values: &[(TimeUs, f64)]) -> f64 {
    let last = &values[values.len().saturating_sub(SCATTER_VALUES)..];
    if last.len() < MIN_VALUES {
        return f64::NAN;
    }
    let mut steps: Vec<f64> = last.windows(2).map(|pair| (pair[1].1 - pair[0].1).abs()).collect();
    stats::MAD_TO_SIGMA * stats::median_in_place(&mut steps) * std::f64::consts::FRAC_1_SQRT_2
}

fn drift_of(values: &[(TimeUs, f64)]) -> f64 {
    let span = values.last().zip(values.first()).map_or(0, |(last, first)| last.0.0 - first.0.0);
    if values.len() < MIN_VALUES || span < RECENT_US {
        return f64::NAN;
    }
    let first = values[0].0.0;
    let years = |time: TimeUs| (time.0 - first) as f64 / (US_PER_DAY as f64 * DAYS_PER_YEAR);
    let x: Vec<f64> = values.iter().map(|value| years(value.0)).collect();
    let y: Vec<f64> = values.iter().map(|value| value.1).collect();
    stats::theil_sen_line(&x, &y).map_or(f64::NAN, |(slope, _)| slope)
}

fn days_before_end(time: TimeUs, day: Day) -> f64 {
    (day.end().0 - time.0) as f64 / US_PER_DAY as f64
}

fn write_alerts<'a>(alerts: impl Iterator<Item = &'a Alert>, row: &mut FeatureRow) {
    let mut standing: BTreeSet<&str> = BTreeSet::new();
    let mut counts: BTreeMap<Ne107, (u32, u32)> = BTreeMap::new();
    for alert in alerts {
        if !alert.active {
            standing.remove(alert.code.as_str());
            continue;
        }
        let is_new = standing.insert(&alert.code);
        if let Some(category) = alert.ne107 {
            let (episodes, repeats) = counts.entry(category).or_default();
            *(if is_new { episodes } else { repeats }) += 1;
        }
    }
    for (category, episodes, repeats) in [
        (Ne107::Failure, F::AlertsFailure, F::AlertsFailureRepeats),
        (Ne107::FunctionCheck, F::AlertsFunctionCheck, F::AlertsFunctionCheckRepeats),
        (Ne107::OutOfSpecification, F::AlertsOutOfSpec, F::AlertsOutOfSpecRepeats),
        (Ne107::MaintenanceRequired, F::AlertsMaintenance, F::AlertsMaintenanceRepeats),
    ] {
        let count = counts.get(&category).copied().unwrap_or_default();
        row.set(episodes, f64::from(count.0));
        row.set(repeats, f64::from(count.1));
    }
}

fn write_changes(input: &MeterDay<'_>, row: &mut FeatureRow) {
    let before_end = |time: &TimeUs| *time < input.day.end();
    if let Some(changes) = input.changes {
        let of_day = changes.iter().filter(|change| change.time.day() == input.day);
        row.set(F::ChangesRecorded, of_day.count() as f64);
    }
    let changes = input.changes.unwrap_or(&[]).iter().map(|change| change.time);
    let as_left = |state: ZeroState| state == ZeroState::AsLeft;
    let zeros = input.zeros.unwrap_or(&[]).iter().filter(|zero| as_left(zero.state));
    let last = changes.chain(zeros.map(|zero| zero.time)).filter(before_end).max();
    if let Some(time) = last {
        row.set(F::DaysSinceChange, days_before_end(time, input.day));
    }
}
