//! From a fictional site straight to its daily features: the samples that an import would store,
//! fed to the very function that the features stage calls, without dumps in between.

use metersift_features::{FeatureRow, MeterDay, Settings, SignalDay};
use metersift_model::records::Records;
use metersift_model::{Day, Signal, Table, TimeUs};
use metersift_sim::{DayScratch, Fiction, Plan, StoredDay, StoredSignal};
use rayon::prelude::*;
use std::collections::BTreeMap;

/// The daily table of all days of a plan, by day and meter.
pub fn daily_table(fiction: &Fiction, plan: &Plan, records: &Records) -> Table {
    let names: Vec<&str> = fiction.meters().collect();
    let settings = Settings::default();
    let days: Vec<Vec<FeatureRow>> = (0..plan.days)
        .into_par_iter()
        .map_init(DayScratch::default, |scratch, day| {
            let samples: BTreeMap<&str, StoredDay> = names
                .iter()
                .enumerate()
                .map(|(i, name)| (*name, fiction.day(i, day, scratch)))
                .filter(|(_, samples)| !samples.signals.is_empty())
                .collect();
            day_rows(&samples, plan.start.plus(day as i32), records, &settings)
        })
        .collect();
    metersift_features::to_table(&days.concat())
}

fn day_rows(
    samples: &BTreeMap<&str, StoredDay>,
    day: Day,
    records: &Records,
    settings: &Settings,
) -> Vec<FeatureRow> {
    samples
        .iter()
        .filter_map(|(name, own)| {
            let meter = records.meters.get(*name)?;
            let mut input = MeterDay::new(meter, day);
            for one in &own.signals {
                input.signals.insert(one.signal.clone(), signal_day(one)?);
            }
            let partner = meter.series_with.as_deref().and_then(|with| samples.get(with));
            input.partner_flow = partner
                .and_then(|p| p.signals.iter().find(|one| one.signal == Signal::MassFlow))
                .and_then(signal_day);
            input.checks = records.checks.get(*name).map(|all| of_day(all, day, |one| one.time));
            input.zeros = records.zeros.get(*name).map(|all| of_day(all, day, |one| one.time));
            input.alerts = records.alerts.get(*name).map(|all| of_day(all, day, |one| one.time));
            Some(metersift_features::meter_day(&input, settings))
        })
        .collect()
}

fn signal_day(one: &StoredSignal) -> Option<SignalDay<'_>> {
    SignalDay::new(&one.time_us, &one.value, &one.quality).ok()
}

/// The records of one day, of a list sorted by time.
fn of_day<T>(all: &[T], day: Day, time: impl Fn(&T) -> TimeUs) -> &[T] {
    let from = all.partition_point(|one| time(one) < day.start());
    let until = all.partition_point(|one| time(one) < day.end());
    &all[from..until]
}
