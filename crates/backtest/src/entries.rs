//! Entries of the lists: when they came, which were false, and what was there instead.
//!
//! False: an entry that begins on a night on which the meter has no fault, unless the process
//! brought gas and gas is what was called. One that began during a fault and outlives its mending
//! is not false. Lead: days from the first entry after the onset to the limit.

use crate::known::Known;
use crate::story::{Method, Row, Story};
use metersift_model::{Day, Hypothesis};
use std::collections::BTreeMap;

/// One fault's story in the lists.
#[derive(Clone, Debug, PartialEq)]
pub struct Lead {
    /// Meter.
    pub meter: String,
    /// Fault.
    pub mode: Hypothesis,
    /// First day of the fault.
    pub onset: Option<Day>,
    /// Day of the limit.
    pub limit: Option<Day>,
    /// First entry while the fault lasted.
    pub first_listed: Option<Day>,
    /// Mode named by that entry.
    pub listed_as: Option<Hypothesis>,
    /// Days from the first entry to the limit; `None` where either is missing.
    pub lead_days: Option<i32>,
    /// Days from onset to the first entry.
    pub delay_days: Option<i32>,
}

/// One service's figures under the verdict.
#[derive(Clone, Debug, PartialEq)]
pub struct ServiceScore {
    /// Service.
    pub service: String,
    /// Judged meter-months.
    pub meter_months: f64,
    /// Faults that lasted on some night.
    pub faults: usize,
    /// Of those, listed.
    pub found: usize,
    /// New false entries.
    pub false_entries: usize,
}

/// Rows on which a false entry began.
pub(crate) fn false_starts<'a>(story: &Story<'a>, method: &Method<'_>) -> Vec<Row<'a>> {
    let mut starts = Vec::new();
    let mut before = false;
    for row in &story.rows {
        let listed = (method.listed)(row);
        if listed && !before && !row.is_right_to_list((method.mode)(row)) {
            starts.push(*row);
        }
        before = listed;
    }
    starts
}

/// Faults listed at some time while they lasted, and faults in all.
pub(crate) fn found_of_faults(
    stories: &BTreeMap<&str, Story<'_>>,
    method: &Method<'_>,
) -> (usize, usize) {
    stories
        .values()
        .map(|story| found_in(story, method))
        .fold((0, 0), |a, b| (a.0 + b.0, a.1 + b.1))
}

fn found_in(story: &Story<'_>, method: &Method<'_>) -> (usize, usize) {
    let (mut found, mut faults) = (0, 0);
    for known in &story.known {
        let mut during = story.rows.iter().filter(|row| known.faulty_before(row.as_of)).peekable();
        if during.peek().is_none() {
            continue;
        }
        faults += 1;
        found += usize::from(during.any(|row| (method.listed)(row)));
    }
    (found, faults)
}

/// The lead of each fault of a meter.
pub(crate) fn leads(story: &Story<'_>, method: &Method<'_>) -> Vec<Lead> {
    let first_entry = |known: &Known| {
        story.rows.iter().find(|row| known.faulty_before(row.as_of) && (method.listed)(row))
    };
    story
        .known
        .iter()
        .filter_map(|known| {
            let mode = known.mode?;
            let first = first_entry(known);
            let day = first.map(|row| row.as_of);
            Some(Lead {
                meter: known.meter.clone(),
                mode,
                onset: known.onset,
                limit: known.limit,
                first_listed: day,
                listed_as: first.and_then(|row| (method.mode)(row)),
                lead_days: day.zip(known.limit).map(|(first, limit)| limit.0 - first.0),
                delay_days: day.zip(known.onset).map(|(first, onset)| first.0 - onset.0),
            })
        })
        .collect()
}

/// False entries by what was there; a meter with several look-alikes that had begun by then
/// counts for the one that began last, `none` where nothing had.
pub(crate) fn false_by_confounder(
    stories: &BTreeMap<&str, Story<'_>>,
    method: &Method<'_>,
) -> Vec<(String, usize)> {
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    for story in stories.values() {
        for row in false_starts(story, method) {
            *counts.entry(cause_of(story, row.as_of)).or_insert(0) += 1;
        }
    }
    let mut counts: Vec<(String, usize)> = counts.into_iter().collect();
    counts.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    counts
}

fn cause_of(story: &Story<'_>, as_of: Day) -> String {
    let mended = story.known.iter().any(|k| k.mended.is_some_and(|day| day < as_of));
    let begun = story.known.iter().flat_map(|k| &k.confounders).filter(|c| c.1 < as_of);
    let last = begun.max_by(|a, b| a.1.cmp(&b.1).then_with(|| a.0.cmp(&b.0)));
    match last {
        Some((name, _)) => name.clone(),
        None if mended => "mended fault".into(),
        None => "none".into(),
    }
}

/// True mode against listed mode: counts of faults at their first entry.
pub(crate) fn confusion(leads: &[Lead]) -> BTreeMap<(Hypothesis, Hypothesis), usize> {
    let mut counts = BTreeMap::new();
    for lead in leads {
        if let Some(listed_as) = lead.listed_as {
            *counts.entry((lead.mode, listed_as)).or_insert(0) += 1;
        }
    }
    counts
}

/// Figures by service, in name order. `months_per_row` is the judged time that one row stands for.
pub(crate) fn by_service(
    stories: &BTreeMap<&str, Story<'_>>,
    method: &Method<'_>,
    months_per_row: f64,
) -> Vec<ServiceScore> {
    let mut services: BTreeMap<&str, ServiceScore> = BTreeMap::new();
    for story in stories.values() {
        let Some(first) = story.rows.first() else { continue };
        let name = first.said.service.as_str();
        let service = services.entry(name).or_insert_with(|| ServiceScore {
            service: name.into(),
            meter_months: 0.0,
            faults: 0,
            found: 0,
            false_entries: 0,
        });
        let judged = story.rows.iter().filter(|row| row.said.judged).count();
        let (found, faults) = found_in(story, method);
        service.meter_months += judged as f64 * months_per_row;
        service.found += found;
        service.faults += faults;
        service.false_entries += false_starts(story, method).len();
    }
    services.into_values().collect()
}
