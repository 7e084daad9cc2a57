//! Figures of a back-test.
//!
//! Average precision: over all judged meter-nights, positive = the meter was at fault on the day
//! before; its interval resamples meters, because the nights of one meter are one story.
//! False entries: starts of an entry on a meter without a fault, per 100 meter-months of judged
//! time. Lead: days from the first entry after the onset to the limit.

use crate::known::Known;
use crate::replay::{MeterNight, Night};
use metersift_model::{Column, ColumnData, Day, Hypothesis, Table};
use metersift_stats as stats;
use std::collections::BTreeMap;

/// Days of a month, for rates.
const DAYS_PER_MONTH: f64 = 30.44;
/// Draws of the bootstrap; the interval's own noise is then about 1/20 of its width.
const BOOTSTRAP_DRAWS: usize = 400;
const BOOTSTRAP_SEED: u64 = 1;

/// One method's figures.
#[derive(Clone, Debug, PartialEq)]
pub struct MethodScore {
    /// `verdict`, `fixed limits` or `latest check`.
    pub method: &'static str,
    /// Average precision with its 95 % bootstrap interval over meters.
    pub average_precision: (f64, f64, f64),
    /// Average precision on the last night alone.
    pub average_precision_last: f64,
    /// Faults among the first n of the last night, n = number of faults.
    pub recall_at_n: f64,
    /// Faults listed at some time while they lasted.
    pub found: usize,
    /// Faults in all.
    pub faults: usize,
    /// Wilson 95 % interval of found/faults.
    pub found_interval: stats::Interval,
    /// New false entries per 100 meter-months.
    pub false_per_100_meter_months: f64,
    /// Share of right modes among meters listed while faulty; NaN for the rivals.
    pub mode_accuracy: f64,
}

/// One fault's story in the lists.
#[derive(Clone, Debug, PartialEq)]
pub struct Lead {
    /// Meter.
    pub meter: String,
    /// Fault.
    pub mode: Hypothesis,
    /// First entry while the fault lasted.
    pub first_listed: Option<Day>,
    /// Days from the first entry to the limit; `None` where either is missing.
    pub lead_days: Option<i32>,
    /// Days from onset to the first entry.
    pub delay_days: Option<i32>,
}

/// All figures.
#[derive(Clone, Debug, PartialEq)]
pub struct Scores {
    /// The verdict first, then the rivals.
    pub methods: Vec<MethodScore>,
    /// One per fault.
    pub leads: Vec<Lead>,
    /// False entries by confounder, most first; `none` where nothing is known.
    pub false_by_confounder: Vec<(String, usize)>,
    /// True mode (rows) against listed mode: counts of meters at their first entry.
    pub confusion: BTreeMap<(Hypothesis, Hypothesis), usize>,
    /// Judged meter-months.
    pub meter_months: f64,
    /// Number of nights.
    pub nights: usize,
}

struct Story<'a> {
    known: Vec<&'a Known>,
    nights: Vec<(Day, &'a MeterNight)>,
}

impl Story<'_> {
    fn fault_at(&self, as_of: Day) -> Option<&Known> {
        self.known.iter().copied().find(|known| known.faulty_before(as_of))
    }
}

type ScoreOf = fn(&MeterNight) -> f64;
type ListedOf = fn(&MeterNight) -> bool;

const METHODS: [(&str, ScoreOf, ListedOf); 3] = [
    ("verdict", |row| row.fault_score, |row| row.listed.is_some()),
    ("fixed limits", |row| row.rival_fixed_limits, |row| row.rival_fixed_limits >= 1.0),
    ("latest check", |row| row.rival_latest_check, |row| row.rival_latest_check >= 1.0),
];

/// Scores nights against what is known.
pub fn score(nights: &[Night], known: &[Known]) -> Scores {
    let stories = stories(nights, known);
    let meter_months = meter_months(nights, &stories);
    let methods = METHODS
        .iter()
        .map(|&(method, score_of, listed_of)| {
            method_score(method, score_of, listed_of, &stories, nights, meter_months)
        })
        .collect();
    Scores {
        methods,
        leads: leads(&stories),
        false_by_confounder: false_by_confounder(&stories),
        confusion: confusion(&stories),
        meter_months,
        nights: nights.len(),
    }
}

fn stories<'a>(nights: &'a [Night], known: &'a [Known]) -> BTreeMap<&'a str, Story<'a>> {
    let mut stories: BTreeMap<&str, Story> = BTreeMap::new();
    for night in nights {
        for row in &night.meters {
            let story = stories
                .entry(&row.meter)
                .or_insert_with(|| Story { known: Vec::new(), nights: Vec::new() });
            story.nights.push((night.as_of, row));
        }
    }
    for one in known {
        if let Some(story) = stories.get_mut(one.meter.as_str()) {
            story.known.push(one);
        }
    }
    stories
}

fn meter_months(nights: &[Night], stories: &BTreeMap<&str, Story>) -> f64 {
    let step_days = match nights {
        [first, second, ..] => f64::from(second.as_of.0 - first.as_of.0),
        _ => DAYS_PER_MONTH,
    };
    let judged =
        stories.values().flat_map(|story| &story.nights).filter(|(_, row)| row.judged).count();
    judged as f64 * step_days / DAYS_PER_MONTH
}

fn method_score(
    method: &'static str,
    score_of: ScoreOf,
    listed_of: ListedOf,
    stories: &BTreeMap<&str, Story>,
    nights: &[Night],
    meter_months: f64,
) -> MethodScore {
    let (found, faults) = found_of_faults(stories, listed_of);
    let false_entries: usize =
        stories.values().map(|story| false_starts(story, listed_of).len()).sum();
    let last = last_night(stories, nights, score_of);
    let n_faulty = last.1.iter().filter(|&&positive| positive).count();
    MethodScore {
        method,
        average_precision: pooled_average_precision(stories, score_of),
        average_precision_last: stats::average_precision(&last.1, &last.0),
        recall_at_n: recall_at_n(&last.0, &last.1, n_faulty),
        found,
        faults,
        found_interval: stats::wilson_interval(found as u64, faults as u64, 0.95),
        false_per_100_meter_months: 100.0 * false_entries as f64 / meter_months,
        mode_accuracy: if method == "verdict" { mode_accuracy(stories) } else { f64::NAN },
    }
}

fn pooled_average_precision(stories: &BTreeMap<&str, Story>, score_of: ScoreOf) -> (f64, f64, f64) {
    let per_meter: Vec<Vec<(f64, bool)>> = stories
        .values()
        .map(|story| {
            story
                .nights
                .iter()
                .filter(|(_, row)| row.judged)
                .map(|(as_of, row)| (score_of(row), story.fault_at(*as_of).is_some()))
                .collect()
        })
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

fn last_night(
    stories: &BTreeMap<&str, Story>,
    nights: &[Night],
    score_of: ScoreOf,
) -> (Vec<f64>, Vec<bool>) {
    let Some(last) = nights.last() else { return Default::default() };
    stories
        .values()
        .filter_map(|story| {
            let (as_of, row) = story.nights.last()?;
            (*as_of == last.as_of && row.judged)
                .then(|| (score_of(row), story.fault_at(*as_of).is_some()))
        })
        .unzip()
}

fn recall_at_n(scores: &[f64], labels: &[bool], n: usize) -> f64 {
    let mut order: Vec<usize> = (0..scores.len()).collect();
    order.sort_by(|&a, &b| scores[b].total_cmp(&scores[a]));
    let hits = order.iter().take(n).filter(|&&i| labels[i]).count();
    hits as f64 / n as f64
}

fn found_of_faults(stories: &BTreeMap<&str, Story>, listed_of: ListedOf) -> (usize, usize) {
    let mut found = 0;
    let mut faults = 0;
    for story in stories.values() {
        for known in &story.known {
            let mut during = story.nights.iter().filter(|(as_of, _)| known.faulty_before(*as_of));
            if during.clone().next().is_none() {
                continue;
            }
            faults += 1;
            found += usize::from(during.any(|(_, row)| listed_of(row)));
        }
    }
    (found, faults)
}

/// Nights on which an entry began while no fault was there. An entry that began during a fault
/// and outlives its mending is not false.
fn false_starts(story: &Story, listed_of: ListedOf) -> Vec<Day> {
    let mut starts = Vec::new();
    let mut before = false;
    for (as_of, row) in &story.nights {
        let listed = listed_of(row);
        if listed && !before && story.fault_at(*as_of).is_none() {
            starts.push(*as_of);
        }
        before = listed;
    }
    starts
}

fn first_entry<'a>(story: &Story<'a>, known: &Known) -> Option<(Day, &'a MeterNight)> {
    story
        .nights
        .iter()
        .find(|(as_of, row)| known.faulty_before(*as_of) && row.listed.is_some())
        .map(|&(as_of, row)| (as_of, row))
}

fn leads(stories: &BTreeMap<&str, Story>) -> Vec<Lead> {
    let mut leads = Vec::new();
    for story in stories.values() {
        for known in &story.known {
            let Some(mode) = known.mode else { continue };
            let first = first_entry(story, known).map(|(as_of, _)| as_of);
            leads.push(Lead {
                meter: known.meter.clone(),
                mode,
                first_listed: first,
                lead_days: first.zip(known.limit).map(|(first, limit)| limit.0 - first.0),
                delay_days: first.zip(known.onset).map(|(first, onset)| first.0 - onset.0),
            });
        }
    }
    leads
}

fn mode_accuracy(stories: &BTreeMap<&str, Story>) -> f64 {
    let (mut right, mut all) = (0, 0);
    for story in stories.values() {
        for (as_of, row) in &story.nights {
            if let (Some(known), true) = (story.fault_at(*as_of), row.listed.is_some()) {
                all += 1;
                right += usize::from(known.mode == Some(row.mode));
            }
        }
    }
    right as f64 / f64::from(all)
}

fn confusion(stories: &BTreeMap<&str, Story>) -> BTreeMap<(Hypothesis, Hypothesis), usize> {
    let mut counts = BTreeMap::new();
    for story in stories.values() {
        for known in &story.known {
            if let (Some(mode), Some((_, row))) = (known.mode, first_entry(story, known)) {
                *counts.entry((mode, row.mode)).or_insert(0) += 1;
            }
        }
    }
    counts
}

fn false_by_confounder(stories: &BTreeMap<&str, Story>) -> Vec<(String, usize)> {
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    for story in stories.values() {
        let n = false_starts(story, |row| row.listed.is_some()).len();
        if n == 0 {
            continue;
        }
        let kinds: Vec<&String> = story.known.iter().flat_map(|k| &k.confounders).collect();
        for kind in &kinds {
            *counts.entry((*kind).clone()).or_insert(0) += n;
        }
        if kinds.is_empty() {
            *counts.entry("none".into()).or_insert(0) += n;
        }
    }
    let mut counts: Vec<(String, usize)> = counts.into_iter().collect();
    counts.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    counts
}

/// The figures as a table, one row per method.
pub fn scores_table(scores: &Scores) -> Table {
    let methods = &scores.methods;
    let number = |name: &str, unit: &str, of: &dyn Fn(&MethodScore) -> f64| Column {
        name: name.into(),
        unit: unit.into(),
        data: ColumnData::Number(methods.iter().map(of).collect()),
    };
    Table {
        columns: vec![
            Column {
                name: "method".into(),
                unit: String::new(),
                data: ColumnData::Text(methods.iter().map(|m| Some(m.method.into())).collect()),
            },
            number("average_precision", "", &|m| m.average_precision.0),
            number("average_precision_low", "", &|m| m.average_precision.1),
            number("average_precision_high", "", &|m| m.average_precision.2),
            number("average_precision_last_night", "", &|m| m.average_precision_last),
            number("recall_at_n_last_night", "", &|m| m.recall_at_n),
            number("faults_found", "", &|m| m.found as f64),
            number("faults", "", &|m| m.faults as f64),
            number("found_share_low", "", &|m| m.found_interval.low),
            number("found_share_high", "", &|m| m.found_interval.high),
            number("false_entries_per_100_meter_months", "", &|m| m.false_per_100_meter_months),
            number("mode_accuracy", "", &|m| m.mode_accuracy),
        ],
    }
}
