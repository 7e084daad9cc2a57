//! Samples as the feature room takes them: a bucket's meters of one day, the last two hours of the
//! day before, and the flow of partner meters wherever they lie.

use super::key::Inputs;
use crate::exit::Exit;
use crate::message::Message;
use crate::stage::import::store_message;
use metersift_features::{FeatureRow, HourRow, MeterDay, SignalDay, WARM_UP_US};
use metersift_model::{Day, Signal, TimeUs};
use metersift_store::{MeterRuns, RunRef, Store};
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

/// A series kept beyond its batch.
#[derive(Clone, Debug, Default)]
pub struct Kept {
    time_us: Vec<i64>,
    value: Vec<f64>,
    quality: Vec<u8>,
}

impl Kept {
    /// The samples of a run from `from_us` on.
    fn from(run: &RunRef<'_>, from_us: i64) -> Kept {
        let at = run.time_us.partition_point(|&time| time < from_us);
        Kept {
            time_us: run.time_us[at..].to_vec(),
            value: run.value[at..].to_vec(),
            quality: run.quality[at..].to_vec(),
        }
    }

    fn day(&self) -> Option<SignalDay<'_>> {
        SignalDay::new(&self.time_us, &self.value, &self.quality).ok()
    }
}

/// Series by meter and signal.
type Series = BTreeMap<String, BTreeMap<Signal, Kept>>;

/// What a day and bucket gave.
#[derive(Default)]
pub struct Made {
    /// Rows by meter.
    pub rows: Vec<FeatureRow>,
    /// Hours by meter and time.
    pub hours: Vec<HourRow>,
    /// Samples read.
    pub samples: u64,
    /// Meters that the register lacks.
    pub unregistered: BTreeSet<String>,
    /// The end of the day, for the next one.
    pub tails: Tails,
}

/// The last two hours of a day, by meter and signal.
#[derive(Default)]
pub struct Tails {
    series: Series,
}

impl Tails {
    fn keep(&mut self, runs: &MeterRuns<'_>, day: Day) {
        let from_us = day.end().0 - WARM_UP_US;
        let meter = self.series.entry(runs.meter.to_string()).or_default();
        for run in &runs.runs {
            if let Some(signal) = Signal::parse(run.signal) {
                meter.insert(signal, Kept::from(run, from_us));
            }
        }
    }
}

/// Reads a store.
#[derive(Clone, Copy)]
pub struct Reader<'a> {
    /// The store.
    pub store: &'a Store,
}

impl Reader<'_> {
    fn batches(
        &self,
        day: Day,
        bucket: u32,
        f: &mut dyn FnMut(&[MeterRuns<'_>]),
    ) -> Result<(), Message> {
        self.store.for_each_batch(day, bucket, f).map_err(store_message)
    }

    /// The end of a day, of all registered meters of a bucket or of some.
    pub fn tails(&self, day: Day, bucket: u32, only: &Wanted<'_>) -> Result<Tails, Message> {
        let mut tails = Tails::default();
        self.batches(day, bucket, &mut |meters| {
            for runs in meters.iter().filter(|runs| only.reads(runs.meter)) {
                tails.keep(runs, day);
            }
        })?;
        Ok(tails)
    }

    /// Flow of partner meters that lie in other buckets: the day before and the day.
    fn flows_elsewhere(
        &self,
        day: Day,
        bucket: u32,
        inputs: &Inputs<'_>,
    ) -> Result<(Series, Series), Message> {
        let (mut before, mut flows) = (Series::new(), Series::new());
        for (lies_in, partners) in inputs.partners_elsewhere(bucket) {
            for (day, from_us, into) in [
                (day.plus(-1), day.start().0 - WARM_UP_US, &mut before),
                (day, i64::MIN, &mut flows),
            ] {
                self.batches(day, lies_in, &mut |meters| {
                    for runs in meters.iter().filter(|runs| partners.contains(runs.meter)) {
                        let flow = runs.runs.iter().find(|run| is_flow(run));
                        let kept = flow.map(|run| (Signal::MassFlow, Kept::from(run, from_us)));
                        into.insert(runs.meter.to_string(), kept.into_iter().collect());
                    }
                })?;
            }
        }
        Ok((before, flows))
    }

    /// The rows and hours of a day and bucket by meter: of all meters, or of some.
    ///
    /// `before` holds the end of the day before, of the same meters and their partners.
    pub fn rows(
        &self,
        (day, bucket): (Day, u32),
        inputs: &Inputs<'_>,
        only: &Wanted<'_>,
        before: &Tails,
    ) -> Result<Made, Message> {
        let mut made = Made::default();
        let mut waiting = Waiting::default();
        (waiting.before, waiting.flows) = self.flows_elsewhere(day, bucket, inputs)?;
        let mut failed = None;
        self.batches(day, bucket, &mut |meters| {
            let wanted: Vec<&MeterRuns<'_>> =
                meters.iter().filter(|runs| only.reads(runs.meter)).collect();
            for runs in &wanted {
                made.samples += runs.runs.iter().map(|run| run.time_us.len() as u64).sum::<u64>();
                made.tails.keep(runs, day);
                waiting.keep(runs, inputs);
                if !inputs.records.meters.contains_key(runs.meter) {
                    made.unregistered.insert(runs.meter.to_string());
                }
            }
            let rows: Vec<Result<_, Message>> = wanted
                .par_iter()
                .filter(|runs| !waiting.meters.contains_key(runs.meter) && only.makes(runs.meter))
                .map(|runs| one_meter(runs, day, inputs, before))
                .collect();
            for one in rows {
                match one {
                    Ok(one) => made.take(one),
                    Err(error) => failed = Some(error),
                }
            }
        })?;
        if let Some(error) = failed {
            return Err(error);
        }
        for (meter, signals) in waiting.meters.iter().filter(|(meter, _)| only.makes(meter)) {
            let days = signals.iter().filter_map(|(s, kept)| Some((s.clone(), kept.day()?)));
            made.take(row(meter, day, days.collect(), inputs, before, &waiting));
        }
        made.rows.sort_by(|a, b| a.meter.cmp(&b.meter));
        made.hours.sort_by(|a, b| (&a.meter, a.hour).cmp(&(&b.meter, b.hour)));
        Ok(made)
    }
}

impl Made {
    fn take(&mut self, one: Option<(FeatureRow, Vec<HourRow>)>) {
        if let Some((row, mut hours)) = one {
            self.rows.push(row);
            self.hours.append(&mut hours);
        }
    }
}

/// Which meters of a bucket are made; their partners are read along.
#[derive(Clone, Debug, Default)]
pub struct Wanted<'a> {
    /// `None` = all.
    only: Option<BTreeSet<&'a str>>,
    partners: BTreeSet<&'a str>,
}

impl<'a> Wanted<'a> {
    /// Some meters.
    pub fn some(only: BTreeSet<&'a str>, inputs: &Inputs<'a>) -> Wanted<'a> {
        let partner = |name: &&str| inputs.records.meters.get(*name)?.series_with.as_deref();
        let partners = only.iter().filter_map(partner).collect();
        Wanted { only: Some(only), partners }
    }

    fn makes(&self, meter: &str) -> bool {
        self.only.as_ref().is_none_or(|only| only.contains(meter))
    }

    fn reads(&self, meter: &str) -> bool {
        self.makes(meter) || self.partners.contains(meter)
    }
}

fn is_flow(run: &RunRef<'_>) -> bool {
    Signal::parse(run.signal) == Some(Signal::MassFlow)
}

/// Partner meters may lie in different batches or buckets: what looks at another meter waits until
/// the file is through.
#[derive(Default)]
struct Waiting {
    before: Series,
    flows: Series,
    meters: Series,
}

impl Waiting {
    fn keep(&mut self, runs: &MeterRuns<'_>, inputs: &Inputs<'_>) {
        let registered = inputs.records.meters.get(runs.meter);
        let kept = |run: &RunRef<'_>| Some((Signal::parse(run.signal)?, Kept::from(run, i64::MIN)));
        if inputs.partners.contains(runs.meter) {
            let flow = runs.runs.iter().filter(|run| is_flow(run)).filter_map(kept).collect();
            self.flows.insert(runs.meter.to_string(), flow);
        }
        if registered.is_some_and(|meter| meter.series_with.is_some()) {
            let all = runs.runs.iter().filter_map(kept).collect();
            self.meters.insert(runs.meter.to_string(), all);
        }
    }
}

fn one_meter(
    runs: &MeterRuns<'_>,
    day: Day,
    inputs: &Inputs<'_>,
    before: &Tails,
) -> Result<Option<(FeatureRow, Vec<HourRow>)>, Message> {
    let mut signals = BTreeMap::new();
    for run in &runs.runs {
        let Some(signal) = Signal::parse(run.signal) else { continue };
        let one = SignalDay::new(run.time_us, run.value, run.quality).map_err(|error| {
            Message::new(Exit::Damaged, error).at(format!("meter {}, {day}", runs.meter))
        })?;
        signals.insert(signal, one);
    }
    Ok(row(runs.meter, day, signals, inputs, before, &Waiting::default()))
}

fn row<'a>(
    name: &str,
    day: Day,
    signals: BTreeMap<Signal, SignalDay<'a>>,
    inputs: &'a Inputs<'_>,
    before: &'a Tails,
    others: &'a Waiting,
) -> Option<(FeatureRow, Vec<HourRow>)> {
    let records = inputs.records;
    let meter = records.meters.get(name)?;
    let mut input = MeterDay::new(meter, day);
    input.signals = signals;
    let tail = |name: &str| before.series.get(name).or_else(|| others.before.get(name));
    if let Some(tail) = tail(name) {
        let days = tail.iter().filter_map(|(signal, kept)| Some((signal.clone(), kept.day()?)));
        input.before = days.collect();
    }
    if let Some(partner) = meter.series_with.as_deref() {
        let flow = |series: Option<&'a BTreeMap<Signal, Kept>>| {
            series.and_then(|signals| signals.get(&Signal::MassFlow)).and_then(Kept::day)
        };
        let none = SignalDay::default();
        input.partner_flow =
            flow(others.flows.get(partner)).map(|day| (flow(tail(partner)).unwrap_or(none), day));
    }
    let end = day.end();
    input.checks = records.checks.get(name).map(|all| until(all, end, |one| one.time));
    input.zeros = records.zeros.get(name).map(|all| until(all, end, |one| one.time));
    input.changes = records.changes.get(name).map(|all| until(all, end, |one| one.time));
    input.alerts = records.alerts.get(name).map(|all| {
        let all = until(all, end, |one| one.time);
        &all[all.partition_point(|one| one.time < day.start())..]
    });
    Some(metersift_features::meter_day_and_hours(&input, inputs.settings))
}

/// The part of a list, sorted by time, that lies before a moment.
fn until<T>(all: &[T], end: TimeUs, time: impl Fn(&T) -> TimeUs) -> &[T] {
    &all[..all.partition_point(|one| time(one) < end)]
}
