//! How well a method ranks, and what its lists would have found.
//!
//! Average precision: over all judged meter-nights, positive = the meter was at fault on the day
//! before; its interval resamples meters, because the nights of one meter are one story.
//! Precision at k and recall at rank n (n = meters at fault that night) are means over nights.

use crate::entries::{false_starts, found_of_faults, leads};
use crate::rate::{Rate, rate_per};
use crate::story::{Method, Row, Story};
use metersift_model::Day;
use metersift_stats as stats;
use std::collections::BTreeMap;

/// Draws of the bootstrap; the interval's own noise is then about 1/20 of its width.
const BOOTSTRAP_DRAWS: usize = 400;
const BOOTSTRAP_SEED: u64 = 1;
/// Lengths of lists whose precision is told.
pub(crate) const LIST_LENGTHS: [usize; 3] = [5, 10, 20];

/// One method's figures.
#[derive(Clone, Debug, PartialEq)]
pub struct MethodScore {
    /// `verdict`, a dumb rival (`fixed limits`, `latest check`, `trend test`, `control chart`), or
    /// the name given.
    pub method: String,
    /// Average precision with its 95 % bootstrap interval over meters.
    pub average_precision: (f64, f64, f64),
    /// Average precision on the last night alone.
    pub average_precision_last: f64,
    /// Length of a list and its precision, mean over nights with a fault.
    pub precision_at: Vec<(usize, f64)>,
    /// Faults among the first n, n = meters at fault, mean over nights with a fault.
    pub recall_at_n: f64,
    /// The same on the last night alone.
    pub recall_at_n_last: f64,
    /// Faults listed at some time while they lasted.
    pub found: usize,
    /// Faults in all.
    pub faults: usize,
    /// Wilson 95 % interval of found/faults.
    pub found_interval: stats::Interval,
    /// Faults that reached their limit while nights were judged and they could have been listed.
    pub limits_reached: usize,
    /// Of those, listed before the limit.
    pub listed_before_limit: usize,
    /// Median days from the first entry to the limit over those, a fault never listed counting
    /// as the shortest lead of all: minus infinity where half of them were not.
    pub median_lead_days: f64,
    /// New false entries, as a rate per 100 meter-months.
    pub false_entries: Rate,
    /// Share of right modes among meters listed while faulty; NaN where no mode is named.
    pub mode_accuracy: f64,
}

pub(crate) fn method_score(
    method: &Method<'_>,
    stories: &BTreeMap<&str, Story<'_>>,
    meter_months: f64,
) -> MethodScore {
    let (found, faults) = found_of_faults(stories, method);
    let false_entries: usize = stories.values().map(|s| false_starts(s, method).len()).sum();
    let nights = by_night(stories, method);
    let last = nights.values().next_back();
    let with_fault: Vec<&RankedNight> = nights.values().filter(|n| n.n_faulty() > 0).collect();
    let mean = |of: &dyn Fn(&RankedNight) -> f64| -> f64 {
        with_fault.iter().map(|night| of(night)).sum::<f64>() / with_fault.len() as f64
    };
    let limit_leads = limit_leads(stories, method);
    MethodScore {
        method: method.name.clone(),
        average_precision: pooled_average_precision(stories, method),
        average_precision_last: last
            .map_or(f64::NAN, |n| stats::average_precision(&n.faulty, &n.scores)),
        precision_at: LIST_LENGTHS.iter().map(|&k| (k, mean(&|n| n.precision_at(k)))).collect(),
        recall_at_n: mean(&RankedNight::recall_at_n),
        recall_at_n_last: last.map_or(f64::NAN, RankedNight::recall_at_n),
        found,
        faults,
        found_interval: stats::wilson_interval(found as u64, faults as u64, 0.95),
        limits_reached: limit_leads.len(),
        listed_before_limit: limit_leads.iter().filter(|lead| **lead > 0.0).count(),
        median_lead_days: median(limit_leads),
        false_entries: rate_per(false_entries, meter_months / 100.0),
        mode_accuracy: mode_accuracy(stories, method),
    }
}

/// Days from first entry to limit of every fault whose limit fell into the judged span after its
/// onset; minus infinity where it was never listed while it lasted.
fn limit_leads(stories: &BTreeMap<&str, Story<'_>>, method: &Method<'_>) -> Vec<f64> {
    let mut found = Vec::new();
    for story in stories.values() {
        let (Some(first), Some(last)) = (story.rows.first(), story.rows.last()) else { continue };
        for lead in leads(story, method) {
            let within = lead.limit.is_some_and(|day| first.as_of <= day && day < last.as_of);
            if within {
                found.push(lead.lead_days.map_or(f64::NEG_INFINITY, f64::from));
            }
        }
    }
    found
}

/// Median in which minus infinity is a value like any other; NaN for nothing.
fn median(mut values: Vec<f64>) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    let n = values.len();
    match n {
        0 => f64::NAN,
        _ if n % 2 == 1 => values[n / 2],
        _ => 0.5 * (values[n / 2 - 1] + values[n / 2]),
    }
}

struct RankedNight {
    scores: Vec<f64>,
    faulty: Vec<bool>,
}

impl RankedNight {
    fn n_faulty(&self) -> usize {
        self.faulty.iter().filter(|faulty| **faulty).count()
    }

    fn hits(&self, k: usize) -> usize {
        let mut order: Vec<usize> = (0..self.scores.len()).collect();
        order.sort_by(|&a, &b| self.scores[b].total_cmp(&self.scores[a]));
        order.iter().take(k).filter(|&&i| self.faulty[i]).count()
    }

    fn precision_at(&self, k: usize) -> f64 {
        self.hits(k) as f64 / k.min(self.scores.len()) as f64
    }

    fn recall_at_n(&self) -> f64 {
        self.hits(self.n_faulty()) as f64 / self.n_faulty() as f64
    }
}

fn by_night(
    stories: &BTreeMap<&str, Story<'_>>,
    method: &Method<'_>,
) -> BTreeMap<Day, RankedNight> {
    let mut nights: BTreeMap<Day, RankedNight> = BTreeMap::new();
    for row in stories.values().flat_map(|story| &story.rows).filter(|row| row.is_ranked()) {
        let night = nights
            .entry(row.as_of)
            .or_insert_with(|| RankedNight { scores: Vec::new(), faulty: Vec::new() });
        night.scores.push((method.score)(row));
        night.faulty.push(row.fault.is_some());
    }
    nights
}

fn pooled_average_precision(
    stories: &BTreeMap<&str, Story<'_>>,
    method: &Method<'_>,
) -> (f64, f64, f64) {
    let one = |row: &Row<'_>| ((method.score)(row), row.fault.is_some());
    let per_meter: Vec<Vec<(f64, bool)>> = stories
        .values()
        .map(|story| story.rows.iter().filter(|row| row.is_ranked()).map(one).collect())
        .collect();
    let of = |indices: &[usize]| {
        let (scores, labels): (Vec<f64>, Vec<bool>) =
            indices.iter().flat_map(|&meter| per_meter[meter].iter().copied()).unzip();
        stats::average_precision(&labels, &scores)
    };
    let all: Vec<usize> = (0..per_meter.len()).collect();
    let interval =
        stats::bootstrap_interval(per_meter.len(), BOOTSTRAP_DRAWS, 0.95, BOOTSTRAP_SEED, of);
    (of(&all), interval.map_or(f64::NAN, |i| i.low), interval.map_or(f64::NAN, |i| i.high))
}

/// Over listed nights of meters at fault.
fn mode_accuracy(stories: &BTreeMap<&str, Story<'_>>, method: &Method<'_>) -> f64 {
    let (mut right, mut all) = (0, 0);
    for row in stories.values().flat_map(|story| &story.rows).filter(|row| (method.listed)(row)) {
        let Some(mode) = (method.mode)(row) else { continue };
        if let Some(fault) = row.fault {
            all += 1;
            right += usize::from(fault.mode == Some(mode));
        }
    }
    right as f64 / f64::from(all)
}
