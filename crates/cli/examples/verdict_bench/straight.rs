//! From a fictional site straight to its daily features: the samples that an import would store,
//! fed to the very function that the features stage calls, without dumps in between.

use metersift_features::{FeatureRow, MeterDay, Settings, SignalDay};
use metersift_model::records::Records;
use metersift_model::{Day, Signal, Table, TimeUs};
use metersift_sim::{DayScratch, Fiction, Plan, StoredDay, StoredSignal};
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Days that one thread makes in a row, so that the day before is at hand.
const CHUNK_DAYS: u32 = 16;

/// The daily table of all days of a plan, by day and meter.
pub fn daily_table(fiction: &Fiction, plan: &Plan, records: &Records) -> Table {
    let names: Vec<&str> = fiction.meters().collect();
    let settings = Settings::default();
    let samples = |day: u32, scratch: &mut DayScratch| -> Samples<'_> {
        let all = names.iter().enumerate().map(|(i, name)| (*name, fiction.day(i, day, scratch)));
        all.filter(|(_, samples)| !samples.signals.is_empty()).collect()
    };
    let chunks: Vec<Vec<FeatureRow>> = (0..plan.days.div_ceil(CHUNK_DAYS))
        .into_par_iter()
        .map_init(DayScratch::default, |scratch, chunk| {
            let first = chunk * CHUNK_DAYS;
            let mut rows = Vec::new();
            let mut before = match first.checked_sub(1) {
                Some(day) => samples(day, scratch),
                None => Samples::default(),
            };
            for day in first..(first + CHUNK_DAYS).min(plan.days) {
                let today = samples(day, scratch);
                let date = plan.start.plus(day as i32);
                rows.extend(day_rows(&before, &today, date, records, &settings));
                before = today;
            }
            rows
        })
        .collect();
    metersift_features::to_table(&chunks.concat())
}

/// Samples of one day, by meter.
type Samples<'a> = BTreeMap<&'a str, StoredDay>;

fn day_rows(
    before: &Samples<'_>,
    today: &Samples<'_>,
    day: Day,
    records: &Records,
    settings: &Settings,
) -> Vec<FeatureRow> {
    today
        .iter()
        .filter_map(|(name, own)| {
            let meter = records.meters.get(*name)?;
            let mut input = MeterDay::new(meter, day);
            input.signals = signals(own);
            input.before = before.get(name).map(signals).unwrap_or_default();
            if let Some(partner) = meter.series_with.as_deref() {
                let flow = |samples: &'_ Samples<'_>| -> Option<StoredSignal> {
                    let own = samples.get(partner)?;
                    own.signals.iter().find(|one| one.signal == Signal::MassFlow).cloned()
                };
                let (last, now) = (flow(before).unwrap_or_else(no_flow), flow(today));
                input.partner_flow = now
                    .as_ref()
                    .and_then(signal_day)
                    .map(|now| (signal_day(&last).unwrap_or_default(), now));
                return Some(of_records(input, name, records, settings));
            }
            Some(of_records(input, name, records, settings))
        })
        .collect()
}

fn of_records<'a>(
    mut input: MeterDay<'a>,
    name: &str,
    records: &'a Records,
    settings: &Settings,
) -> FeatureRow {
    let (start, end) = (input.day.start(), input.day.end());
    input.checks = records.checks.get(name).map(|all| until(all, end, |one| one.time));
    input.zeros = records.zeros.get(name).map(|all| until(all, end, |one| one.time));
    input.changes = records.changes.get(name).map(|all| until(all, end, |one| one.time));
    input.alerts = records.alerts.get(name).map(|all| {
        let all = until(all, end, |one| one.time);
        &all[all.partition_point(|one| one.time < start)..]
    });
    metersift_features::meter_day(&input, settings)
}

fn no_flow() -> StoredSignal {
    StoredSignal {
        signal: Signal::MassFlow,
        time_us: Vec::new(),
        value: Vec::new(),
        quality: Vec::new(),
    }
}

fn signals(day: &StoredDay) -> BTreeMap<Signal, SignalDay<'_>> {
    day.signals.iter().filter_map(|one| Some((one.signal.clone(), signal_day(one)?))).collect()
}

fn signal_day(one: &StoredSignal) -> Option<SignalDay<'_>> {
    SignalDay::new(&one.time_us, &one.value, &one.quality).ok()
}

/// The part of a list, sorted by time, that lies before a moment.
fn until<T>(all: &[T], end: TimeUs, time: impl Fn(&T) -> TimeUs) -> &[T] {
    &all[..all.partition_point(|one| time(one) < end)]
}
