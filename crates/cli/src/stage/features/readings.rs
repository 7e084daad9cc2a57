//! Samples as the feature room takes them: a bucket's meters of one day, the last two hours of the
//! day before, and the flow of partner meters wherever they lie.

use super::key::Inputs;
use crate::exit::Exit;
use crate::message::Message;
use crate::stage::import::store_message;
use metersift_features::{FeatureRow, HourRow, MeterDay, SignalDay, WARM_UP_US};
use metersift_model::{Day, Signal, TimeUs};
use metersift_store::{MeterRuns, Store};
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
    /// The samples from `from_us` on.
    fn from(day: &SignalDay<'_>, from_us: i64) -> Kept {
        let at = day.time_us().partition_point(|&time| time < from_us);
        Kept {
            time_us: day.time_us()[at..].to_vec(),
            value: day.value()[at..].to_vec(),
            quality: day.quality()[at..].to_vec(),
        }
    }

    fn day(&self) -> Option<SignalDay<'_>> {
        SignalDay::new(&self.time_us, &self.value, &self.quality).ok()
    }
}

/// One meter of one day, by signal.
struct Meter<'a> {
    name: &'a str,
    signals: BTreeMap<Signal, SignalDay<'a>>,
}

impl<'a> Meter<'a> {
    fn of(runs: &MeterRuns<'a>, day: Day) -> Result<Meter<'a>, Message> {
        let mut signals = BTreeMap::new();
        for run in &runs.runs {
            let Some(signal) = Signal::parse(run.signal) else { continue };
            let one = SignalDay::new(run.time_us, run.value, run.quality).map_err(|error| {
                Message::new(Exit::Damaged, error).at(format!("meter {}, {day}", runs.meter))
            })?;
            signals.insert(signal, one);
        }
        Ok(Meter { name: runs.meter, signals })
    }

    fn keep(&self, from_us: i64) -> BTreeMap<Signal, Kept> {
        let kept = |day: &SignalDay<'_>| Kept::from(day, from_us);
        self.signals.iter().map(|(signal, day)| (signal.clone(), kept(day))).collect()
    }

    fn samples(&self) -> u64 {
        self.signals.values().map(|day| day.len() as u64).sum()
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
    fn keep(&mut self, meter: &Meter<'_>, day: Day) {
        self.series.insert(meter.name.to_string(), meter.keep(day.end().0 - WARM_UP_US));
    }
}

/// Reads a store as it is, or as it was known before a moment.
#[derive(Clone, Copy)]
pub struct Reader<'a> {
    /// The store.
    pub store: &'a Store,
    /// Dumps that arrived at this moment or later are left out.
    pub arrived_before: Option<TimeUs>,
}

impl Reader<'_> {
    /// Gives the meters that are wanted, in batches of about one row group; where cores are idle
    /// (`alone`), of one for each, the next ones being read meanwhile.
    fn batches(
        &self,
        (day, bucket): (Day, u32),
        wanted: &(dyn Fn(&str) -> bool + Sync),
        alone: bool,
        f: &mut (dyn FnMut(&[Meter<'_>]) + Send),
    ) -> Result<(), Message> {
        let mut failed = None;
        let mut each = |meters: &[MeterRuns<'_>]| {
            let meters = meters.iter().filter(|runs| wanted(runs.meter));
            match meters.map(|runs| Meter::of(runs, day)).collect::<Result<Vec<_>, _>>() {
                Ok(meters) => f(&meters),
                Err(error) => failed = Some(error),
            }
        };
        match self.arrived_before {
            None if alone => self.store.for_each_batch_ahead(day, bucket, &mut each),
            None => self.store.for_each_batch(day, bucket, &mut each),
            Some(then) => self.store.for_each_batch_as_known(day, bucket, then, &mut each),
        }
        .map_err(store_message)?;
        failed.map_or(Ok(()), Err)
    }

    /// The end of a day, of all meters of a bucket or of some.
    pub fn tails(&self, day: Day, bucket: u32, only: &Wanted<'_>) -> Result<Tails, Message> {
        let mut tails = Tails::default();
        self.batches((day, bucket), &|name| only.reads(name), false, &mut |meters| {
            meters.iter().for_each(|meter| tails.keep(meter, day));
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
            let evening = day.start().0 - WARM_UP_US;
            for (day, from_us, into) in
                [(day.plus(-1), evening, &mut before), (day, i64::MIN, &mut flows)]
            {
                let wanted = |name: &str| partners.contains(name);
                self.batches((day, lies_in), &wanted, false, &mut |meters| {
                    for meter in meters {
                        into.insert(meter.name.to_string(), meter.keep(from_us));
                    }
                })?;
            }
        }
        Ok((before, flows))
    }

    /// The rows and hours of a day and bucket by meter: of all meters, or of some.
    ///
    /// `before` holds the end of the day before, of the same meters and their partners. Where
    /// cores are idle (`alone`), the meters of a batch are spread over them.
    pub fn rows(
        &self,
        (day, bucket): (Day, u32),
        inputs: &Inputs<'_>,
        only: &Wanted<'_>,
        before: &Tails,
        alone: bool,
    ) -> Result<Made, Message> {
        let mut made = Made::default();
        let mut waiting = Waiting::default();
        (waiting.before, waiting.flows) = self.flows_elsewhere(day, bucket, inputs)?;
        let job = Job { day, inputs, only, before };
        let reads = |name: &str| only.reads(name);
        self.batches((day, bucket), &reads, alone, &mut |meters| {
            made.look_at(meters, &job, &mut waiting);
            let none = Waiting::default();
            let row = |meter: &Meter<'_>| {
                let at_once = job.is_made_at_once(meter.name);
                at_once.then(|| job.row(meter.name, meter.signals.clone(), &none)).flatten()
            };
            let rows: Vec<Row> = if alone {
                meters.par_iter().with_max_len(1).map(row).collect()
            } else {
                meters.iter().map(row).collect()
            };
            rows.into_iter().for_each(|one| made.take(one));
        })?;
        for (meter, signals) in waiting.meters.iter().filter(|(meter, _)| only.makes(meter)) {
            made.take(job.row(meter, days(signals), &waiting));
        }
        made.rows.sort_by(|a, b| a.meter.cmp(&b.meter));
        made.hours.sort_by(|a, b| (&a.meter, a.hour).cmp(&(&b.meter, b.hour)));
        Ok(made)
    }
}

fn days(signals: &BTreeMap<Signal, Kept>) -> BTreeMap<Signal, SignalDay<'_>> {
    signals.iter().filter_map(|(signal, kept)| Some((signal.clone(), kept.day()?))).collect()
}

/// What one meter gave.
type Row = Option<(FeatureRow, Vec<HourRow>)>;

/// What a day and bucket are made with.
struct Job<'a> {
    day: Day,
    inputs: &'a Inputs<'a>,
    only: &'a Wanted<'a>,
    before: &'a Tails,
}

impl Job<'_> {
    /// What looks at another meter waits until the file is through.
    fn is_made_at_once(&self, name: &str) -> bool {
        let registered = self.inputs.records.meters.get(name);
        self.only.makes(name) && registered.is_some_and(|meter| meter.series_with.is_none())
    }

    fn row(&self, name: &str, signals: BTreeMap<Signal, SignalDay<'_>>, others: &Waiting) -> Row {
        let records = self.inputs.records;
        let meter = records.meters.get(name)?;
        let mut input = MeterDay::new(meter, self.day);
        input.signals = signals;
        let tail =
            |name: &str| self.before.series.get(name).or_else(|| others.before.get(name)).map(days);
        input.before = tail(name).unwrap_or_default();
        if let Some(partner) = meter.series_with.as_deref() {
            let flow = |signals: BTreeMap<Signal, _>| signals.get(&Signal::MassFlow).copied();
            let evening = tail(partner).and_then(flow).unwrap_or_default();
            let day = others.flows.get(partner).map(days).and_then(flow);
            input.partner_flow = day.map(|day| (evening, day));
        }
        let end = self.day.end();
        input.checks = records.checks.get(name).map(|all| until(all, end, |one| one.time));
        input.zeros = records.zeros.get(name).map(|all| until(all, end, |one| one.time));
        input.changes = records.changes.get(name).map(|all| until(all, end, |one| one.time));
        input.alerts = records.alerts.get(name).map(|all| {
            let all = until(all, end, |one| one.time);
            &all[all.partition_point(|one| one.time < self.day.start())..]
        });
        Some(metersift_features::meter_day_and_hours(&input, self.inputs.settings))
    }
}

impl Made {
    /// Counts a batch and keeps what is needed beyond it.
    fn look_at(&mut self, meters: &[Meter<'_>], job: &Job<'_>, waiting: &mut Waiting) {
        for meter in meters {
            self.samples += meter.samples();
            self.tails.keep(meter, job.day);
            waiting.keep(meter, job.inputs);
            if !job.inputs.records.meters.contains_key(meter.name) {
                self.unregistered.insert(meter.name.to_string());
            }
        }
    }

    fn take(&mut self, one: Row) {
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

/// Partner meters may lie in different batches or buckets.
#[derive(Default)]
struct Waiting {
    before: Series,
    flows: Series,
    meters: Series,
}

impl Waiting {
    fn keep(&mut self, meter: &Meter<'_>, inputs: &Inputs<'_>) {
        if inputs.partners.contains(meter.name) {
            let flow = meter.signals.get(&Signal::MassFlow);
            let kept = flow.map(|day| (Signal::MassFlow, Kept::from(day, i64::MIN)));
            self.flows.insert(meter.name.to_string(), kept.into_iter().collect());
        }
        let registered = inputs.records.meters.get(meter.name);
        if registered.is_some_and(|meter| meter.series_with.is_some()) {
            self.meters.insert(meter.name.to_string(), meter.keep(i64::MIN));
        }
    }
}

/// The part of a list, sorted by time, that lies before a moment.
fn until<T>(all: &[T], end: TimeUs, time: impl Fn(&T) -> TimeUs) -> &[T] {
    &all[..all.partition_point(|one| time(one) < end)]
}
