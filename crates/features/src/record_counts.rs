//! Counts of the day's records: checks by outcome, alerts by NE 107 category.
//!
//! In:     check rows and alerts of one meter and day, in time order; none kept = not known.
//! Out:    counts. Rows of one time are one check. An alert that comes again before it went is
//!         the same episode.

use crate::input::MeterDay;
use crate::row::FeatureRow;
use crate::table::F;
use metersift_model::TimeUs;
use metersift_model::records::{Alert, Check, CheckOutcome, Ne107};
use std::collections::{BTreeMap, BTreeSet};

/// Writes the records group.
pub(crate) fn write(input: &MeterDay<'_>, row: &mut FeatureRow) {
    if let Some(checks) = input.checks {
        let of_day = |check: &&Check| check.time.day() == input.day;
        let mut outcomes: BTreeMap<TimeUs, [bool; 2]> = BTreeMap::new();
        for check in checks.iter().filter(of_day) {
            let seen = outcomes.entry(check.time).or_default();
            seen[0] |= check.outcome == CheckOutcome::Fail;
            seen[1] |= check.outcome == CheckOutcome::Aborted;
        }
        let count = |at: usize| outcomes.values().filter(|seen| seen[at]).count() as f64;
        row.set(F::ChecksDone, outcomes.len() as f64);
        row.set(F::ChecksFailed, count(0));
        row.set(F::ChecksAborted, count(1));
    }
    if let Some(alerts) = input.alerts {
        let episodes = alert_episodes(alerts.iter().filter(|a| a.time.day() == input.day));
        let count = |category: Ne107| f64::from(episodes.get(&category).copied().unwrap_or(0));
        row.set(F::AlertsFailure, count(Ne107::Failure));
        row.set(F::AlertsFunctionCheck, count(Ne107::FunctionCheck));
        row.set(F::AlertsOutOfSpec, count(Ne107::OutOfSpecification));
        row.set(F::AlertsMaintenance, count(Ne107::MaintenanceRequired));
    }
}

fn alert_episodes<'a>(alerts: impl Iterator<Item = &'a Alert>) -> BTreeMap<Ne107, u32> {
    let mut standing: BTreeSet<&str> = BTreeSet::new();
    let mut episodes = BTreeMap::new();
    for alert in alerts {
        if !alert.active {
            standing.remove(alert.code.as_str());
        } else if standing.insert(&alert.code)
            && let Some(category) = alert.ne107
        {
            *episodes.entry(category).or_default() += 1;
        }
    }
    episodes
}
