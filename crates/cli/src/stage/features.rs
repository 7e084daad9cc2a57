//! Daily features of the days whose inputs changed, a day file at a time, spread over cores.

use crate::exit::Exit;
use crate::message::Message;
use crate::site::Site;
use crate::stage::import::store_message;
use crate::story::{self, grouped};
use metersift_features::{FeatureRow, MeterDay, Settings, SignalDay};
use metersift_model::records::Records;
use metersift_model::{Day, Signal, TimeUs};
use metersift_store::{DayFile, MeterRuns, Store};
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

/// Changes whenever a formula changes, so that a new program computes old days anew.
const FEATURES_VERSION: u32 = 1;

/// Computes what is missing or out of date; returns the number of days computed.
pub fn run(site: &Site, store: &Store, records: &Records) -> Result<usize, Message> {
    let stage = story::stage("features");
    let inputs = Inputs::new(site, records);
    let files = store.day_files();
    let emptied = remove_emptied(store, &files)?;
    let wanted: Vec<(&DayFile, String)> = files
        .iter()
        .map(|file| (file, inputs.hash(file)))
        .filter(|(file, hash)| {
            store.daily_receipt(file.day(), file.bucket()).as_ref() != Some(hash)
        })
        .collect();
    let progress = story::progress("features", wanted.len() as u64, story::Unit::Days, || 0);
    let one = |(file, hash): &(&DayFile, String)| {
        let computed = compute(store, file, hash, &inputs);
        progress.advance(1);
        computed
    };
    let done: Vec<Result<Computed, Message>> = wanted.par_iter().map(one).collect();
    drop(progress);
    let mut total = Computed::default();
    for one in done {
        let one = one?;
        total.rows += one.rows;
        total.samples += one.samples;
        total.unregistered.extend(one.unregistered);
    }
    let since = wanted.iter().map(|(file, _)| file.day()).min();
    stage.done(format!(
        "computed {} of {} days{}, {} meter-days from {} samples; the others had not changed",
        wanted.len(),
        files.len(),
        since.map_or(String::new(), |day| format!(" (from {day})")),
        grouped(total.rows),
        grouped(total.samples),
    ));
    if emptied > 0 {
        story::say(format!("          {emptied} days hold no samples any more: features removed"));
    }
    if !total.unregistered.is_empty() {
        let names: Vec<String> = total.unregistered.iter().take(10).cloned().collect();
        story::say(format!(
            "          {} meters of the tag table are not in the register and get no features: {}",
            total.unregistered.len(),
            names.join(", ")
        ));
    }
    Ok(wanted.len())
}

/// A withdrawn dump can leave a day without samples: its features must not outlive them.
fn remove_emptied(store: &Store, files: &[DayFile]) -> Result<usize, Message> {
    let there: BTreeSet<_> = files.iter().map(|file| file.unit).collect();
    let units = store.daily_units().map_err(store_message)?;
    let emptied: Vec<_> = units.into_iter().filter(|unit| !there.contains(unit)).collect();
    for unit in &emptied {
        store.remove_daily(unit.day, unit.bucket).map_err(store_message)?;
    }
    Ok(emptied.len())
}

/// Everything beside the samples that a day's features depend on.
struct Inputs<'a> {
    settings: &'a Settings,
    settings_text: String,
    records: &'a Records,
    /// Meters whose flow somebody else needs.
    partners: BTreeSet<&'a str>,
}

impl<'a> Inputs<'a> {
    fn new(site: &'a Site, records: &'a Records) -> Inputs<'a> {
        let settings = &site.file.features;
        let partners =
            records.meters.values().filter_map(|meter| meter.series_with.as_deref()).collect();
        Inputs { settings, settings_text: format!("{settings:?}"), records, partners }
    }

    fn hash(&self, file: &DayFile) -> String {
        let mut hasher = blake3::Hasher::new();
        let day = file.day();
        hasher.update(&FEATURES_VERSION.to_le_bytes());
        hasher.update(file.hash.as_bytes());
        hasher.update(self.settings_text.as_bytes());
        hasher.update(format!("{:?}", self.records.meters).as_bytes());
        let of_day = |time: TimeUs| time.day() == day;
        for (meter, checks) in &self.records.checks {
            checks.iter().filter(|one| of_day(one.time)).for_each(|one| {
                hasher.update(format!("{meter} {one:?}").as_bytes());
            });
        }
        for (meter, zeros) in &self.records.zeros {
            zeros.iter().filter(|one| of_day(one.time)).for_each(|one| {
                hasher.update(format!("{meter} {one:?}").as_bytes());
            });
        }
        for (meter, alerts) in &self.records.alerts {
            alerts.iter().filter(|one| of_day(one.time)).for_each(|one| {
                hasher.update(format!("{meter} {one:?}").as_bytes());
            });
        }
        hasher.finalize().to_hex().to_string()
    }
}

#[derive(Default)]
struct Computed {
    rows: u64,
    samples: u64,
    unregistered: BTreeSet<String>,
}

/// A series kept beyond its batch.
#[derive(Default)]
struct Kept {
    time_us: Vec<i64>,
    value: Vec<f64>,
    quality: Vec<u8>,
}

impl Kept {
    fn day(&self) -> Option<SignalDay<'_>> {
        SignalDay::new(&self.time_us, &self.value, &self.quality).ok()
    }
}

/// Partner meters may lie in different batches: their series wait until the file is through.
#[derive(Default)]
struct Waiting {
    flows: BTreeMap<String, Kept>,
    meters: BTreeMap<String, BTreeMap<Signal, Kept>>,
}

fn compute(
    store: &Store,
    file: &DayFile,
    hash: &str,
    inputs: &Inputs<'_>,
) -> Result<Computed, Message> {
    let (rows, done) = rows_of(store, file, inputs, None)?;
    let table = metersift_features::to_table(&rows);
    store.write_daily(file.day(), file.bucket(), &table, hash).map_err(store_message)?;
    Ok(done)
}

/// One row recomputed from the stored samples, by the very path that made the stored one.
pub struct Recomputed {
    /// The row; `None` where the meter has no samples that day.
    pub row: Option<FeatureRow>,
    /// Whether the stored table was made from the samples, records and settings of now.
    pub current: bool,
}

/// Recomputes one meter and day.
pub fn recompute(
    site: &Site,
    store: &Store,
    records: &Records,
    meter: &str,
    day: Day,
) -> Result<Recomputed, Message> {
    let bucket = metersift_store::bucket_of(meter, store.bucket_count());
    let files = store.day_files();
    let Some(file) = files.iter().find(|file| file.day() == day && file.bucket() == bucket) else {
        return Ok(Recomputed { row: None, current: true });
    };
    let inputs = Inputs::new(site, records);
    let current = store.daily_receipt(day, bucket) == Some(inputs.hash(file));
    let (rows, _) = rows_of(store, file, &inputs, Some(meter))?;
    Ok(Recomputed { row: rows.into_iter().find(|row| row.meter == meter), current })
}

/// The rows of a day file by meter: of all meters, or of one (its partner is read along).
fn rows_of(
    store: &Store,
    file: &DayFile,
    inputs: &Inputs<'_>,
    only: Option<&str>,
) -> Result<(Vec<FeatureRow>, Computed), Message> {
    let day = file.day();
    let partner = only
        .and_then(|only| inputs.records.meters.get(only))
        .and_then(|m| m.series_with.as_deref());
    let wanted = |meter: &str| only.is_none_or(|only| only == meter || partner == Some(meter));
    let mut done = Computed::default();
    let mut rows: Vec<FeatureRow> = Vec::new();
    let mut waiting = Waiting::default();
    let mut failed = None;
    store
        .for_each_batch(day, file.bucket(), &mut |meters| {
            for runs in meters.iter().filter(|runs| wanted(runs.meter)) {
                done.samples += runs.runs.iter().map(|run| run.time_us.len() as u64).sum::<u64>();
                match one_meter(runs, day, inputs, &mut waiting, &mut done.unregistered) {
                    Ok(row) => rows.extend(row),
                    Err(error) => failed = Some(error),
                }
            }
        })
        .map_err(store_message)?;
    if let Some(error) = failed {
        return Err(error);
    }
    for (meter, signals) in &waiting.meters {
        let days = signals.iter().filter_map(|(s, kept)| Some((s.clone(), kept.day()?))).collect();
        rows.extend(row(meter, day, days, &waiting.flows, inputs));
    }
    rows.sort_by(|a, b| a.meter.cmp(&b.meter));
    done.rows = rows.len() as u64;
    Ok((rows, done))
}

fn one_meter(
    runs: &MeterRuns<'_>,
    day: Day,
    inputs: &Inputs<'_>,
    waiting: &mut Waiting,
    unregistered: &mut BTreeSet<String>,
) -> Result<Option<FeatureRow>, Message> {
    let Some(meter) = inputs.records.meters.get(runs.meter) else {
        unregistered.insert(runs.meter.to_string());
        return Ok(None);
    };
    let mut signals = BTreeMap::new();
    for run in &runs.runs {
        let Some(signal) = Signal::parse(run.signal) else { continue };
        let one = SignalDay::new(run.time_us, run.value, run.quality).map_err(|error| {
            Message::new(Exit::Damaged, error).at(format!("meter {}, {day}", runs.meter))
        })?;
        signals.insert(signal, one);
    }
    let keep = |day: &SignalDay<'_>| Kept {
        time_us: day.time_us().to_vec(),
        value: day.value().to_vec(),
        quality: day.quality().to_vec(),
    };
    if let Some(flow) =
        signals.get(&Signal::MassFlow).filter(|_| inputs.partners.contains(runs.meter))
    {
        waiting.flows.insert(runs.meter.to_string(), keep(flow));
    }
    if meter.series_with.is_some() {
        let kept = signals.iter().map(|(signal, day)| (signal.clone(), keep(day))).collect();
        waiting.meters.insert(runs.meter.to_string(), kept);
        return Ok(None);
    }
    Ok(row(runs.meter, day, signals, &BTreeMap::new(), inputs))
}

fn row<'a>(
    name: &str,
    day: Day,
    signals: BTreeMap<Signal, SignalDay<'a>>,
    flows: &'a BTreeMap<String, Kept>,
    inputs: &'a Inputs<'_>,
) -> Option<FeatureRow> {
    let records = inputs.records;
    let meter = records.meters.get(name)?;
    let mut input = MeterDay::new(meter, day);
    input.signals = signals;
    input.partner_flow =
        meter.series_with.as_ref().and_then(|with| flows.get(with)).and_then(Kept::day);
    input.checks = records.checks.get(name).map(|all| of_day(all, day, |one| one.time));
    input.zeros = records.zeros.get(name).map(|all| of_day(all, day, |one| one.time));
    input.alerts = records.alerts.get(name).map(|all| of_day(all, day, |one| one.time));
    Some(metersift_features::meter_day(&input, inputs.settings))
}

/// The records of one day, of a list sorted by time.
fn of_day<T>(all: &[T], day: Day, time: impl Fn(&T) -> TimeUs) -> &[T] {
    let from = all.partition_point(|one| time(one) < day.start());
    let until = all.partition_point(|one| time(one) < day.end());
    &all[from..until]
}
