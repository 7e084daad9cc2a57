//! All figures of a back-test.

use crate::calibration::{Calibration, calibration};
use crate::entries::{self, Lead, ServiceScore};
use crate::known::Known;
use crate::limits::{LimitCoverage, limit_coverage};
use crate::methods::{MethodScore, method_score};
use crate::replay::Night;
use crate::story::{Extra, Story, all_methods, stories};
use metersift_model::Hypothesis;
use std::collections::BTreeMap;

/// Days of a month, for rates.
const DAYS_PER_MONTH: f64 = 30.44;

/// All figures.
#[derive(Clone, Debug, PartialEq)]
pub struct Scores {
    /// The verdict first, then the rivals, then what else was given.
    pub methods: Vec<MethodScore>,
    /// One per fault, under the verdict.
    pub leads: Vec<Lead>,
    /// The verdict's false entries by what was there, most first; `none` where nothing is known.
    pub false_by_confounder: Vec<(String, usize)>,
    /// True mode against listed mode: counts of faults at their first entry.
    pub confusion: BTreeMap<(Hypothesis, Hypothesis), usize>,
    /// The verdict by service.
    pub services: Vec<ServiceScore>,
    /// Whether the verdict's probabilities are right.
    pub calibration: Calibration,
    /// Whether its intervals of days left hold the truth.
    pub limits: LimitCoverage,
    /// Entries that name a common cause, over all nights.
    pub group_entries: usize,
    /// Judged meter-months.
    pub meter_months: f64,
    /// Meter-nights that rank nothing, because the process brought gas.
    pub process_gas_nights: usize,
    /// Number of nights.
    pub nights: usize,
}

/// Scores nights against what is known.
pub fn score(nights: &[Night], known: &[Known]) -> Scores {
    score_beside(nights, known, &[])
}

/// The same, with other methods on the same rows.
pub fn score_beside(nights: &[Night], known: &[Known], extras: &[Extra]) -> Scores {
    let stories = stories(nights, known);
    let months_per_row = months_per_row(nights);
    let judged = stories.values().flat_map(|s| &s.rows).filter(|row| row.said.judged);
    let meter_months = judged.count() as f64 * months_per_row;
    let methods = all_methods(extras);
    let verdict = &methods[0];
    let leads: Vec<Lead> = stories.values().flat_map(|s| entries::leads(s, verdict)).collect();
    Scores {
        confusion: entries::confusion(&leads),
        false_by_confounder: entries::false_by_confounder(&stories, verdict),
        services: entries::by_service(&stories, verdict, months_per_row),
        calibration: calibration(&stories),
        limits: limit_coverage(&stories),
        group_entries: nights.iter().map(|night| night.groups.len()).sum(),
        process_gas_nights: unranked(&stories),
        methods: methods.iter().map(|m| method_score(m, &stories, meter_months)).collect(),
        leads,
        meter_months,
        nights: nights.len(),
    }
}

/// Judged time that one row stands for: the step between nights.
fn months_per_row(nights: &[Night]) -> f64 {
    let step_days = match nights {
        [first, .., last] => f64::from(last.as_of.0 - first.as_of.0) / (nights.len() - 1) as f64,
        _ => DAYS_PER_MONTH,
    };
    step_days / DAYS_PER_MONTH
}

fn unranked(stories: &BTreeMap<&str, Story<'_>>) -> usize {
    let judged = stories.values().flat_map(|s| &s.rows).filter(|row| row.said.judged);
    judged.filter(|row| !row.is_ranked()).count()
}
