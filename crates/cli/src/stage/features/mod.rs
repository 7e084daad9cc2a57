//! Daily features of the days whose inputs changed, a day file at a time, spread over cores; why
//! each was made anew; and rows made again for whoever asks how they came about.

mod as_known;
mod key;
mod readings;
mod splice;

use crate::message::Message;
use crate::site::Site;
use crate::stage::import::store_message;
use crate::story::{self, grouped};
pub use as_known::daily_as_known;
use key::{Files, Inputs, Key, Why};
use metersift_features::FeatureRow;
use metersift_model::records::Records;
use metersift_model::{ColumnData, Day, Table};
use metersift_store::{DayFile, Store, bucket_of};
use rayon::prelude::*;
use readings::{Made, Reader, Tails, Wanted};
use std::collections::{BTreeMap, BTreeSet};

/// Column with the key of the records that a row was made from.
const RECORD_KEY: &str = "record_key";
/// Days that one thread makes in a row, handing the end of each on to the next.
const CHUNK_DAYS: usize = 16;
/// Late days that are named.
const NAMED_DAYS: usize = 8;

/// Computes what is missing or out of date; returns the number of days computed.
pub fn run(site: &Site, store: &Store, records: &Records) -> Result<usize, Message> {
    let stage = story::stage("features");
    let settings = checked(site)?;
    let inputs = Inputs::new(settings, records, store.bucket_count());
    let files = store.day_files();
    let emptied = remove_emptied(store, &files)?;
    let (jobs, unchanged_rows) = jobs(store, &files, &inputs);
    let chunks = chunks(&jobs);
    let alone = chunks.len() < 2 * rayon::current_num_threads();
    let progress = story::progress("features", jobs.len() as u64, story::Unit::Days, || 0);
    let one = |chunk: &&[Job]| compute(store, chunk, &inputs, alone, &|| progress.advance(1));
    let done: Vec<Result<Vec<Done>, Message>> = chunks.par_iter().map(one).collect();
    drop(progress);
    let mut total = Total { rows: unchanged_rows, ..Total::default() };
    for one in done.into_iter().collect::<Result<Vec<_>, _>>()?.into_iter().flatten() {
        total.add(one);
    }
    stage.done(total.sentence());
    for line in total.details(emptied) {
        story::say(format!("          {line}"));
    }
    Ok(jobs.len())
}

/// The hours of the days from `from` to before `until`, by meter and hour.
pub fn read_hours(store: &Store, from: Day, until: Day) -> Result<Table, Message> {
    store.read_hours(from, until).map_err(store_message)
}

/// The settings, once they are within their spans.
fn checked(site: &Site) -> Result<&metersift_features::Settings, Message> {
    let settings = &site.file.features;
    settings.check().map_err(|error| {
        Message::could_not_start("a setting under [features] cannot be used").at(error)
    })?;
    Ok(settings)
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

/// A day and bucket to be made.
struct Job {
    day: Day,
    bucket: u32,
    key: Key,
    why: Why,
}

/// Every day file whose table is missing or not made from what is there now; and the rows of the
/// other ones.
fn jobs(store: &Store, files: &[DayFile], inputs: &Inputs<'_>) -> (Vec<Job>, u64) {
    let index = Files::new(files);
    let looked: Vec<Result<Job, u64>> = files
        .par_iter()
        .map(|file| {
            let (day, bucket) = (file.day(), file.bucket());
            let key = inputs.key(file, &index);
            let receipt = store.daily_receipt(day, bucket);
            let why = match receipt.as_deref().map(Key::parse) {
                None => Why::New,
                Some(None) => Why::Program,
                Some(Some(old)) => match key.differs(&old) {
                    Some(why) => why,
                    None => return Err(old.rows()),
                },
            };
            Ok(Job { day, bucket, key, why })
        })
        .collect();
    let unchanged = looked.iter().filter_map(|one| one.as_ref().err()).sum();
    let mut jobs: Vec<Job> = looked.into_iter().filter_map(Result::ok).collect();
    jobs.sort_by_key(|job| (job.bucket, job.day));
    (jobs, unchanged)
}

/// Runs of days in a row of one bucket.
fn chunks(jobs: &[Job]) -> Vec<&[Job]> {
    let in_a_row = |a: &Job, b: &Job| a.bucket == b.bucket && a.day.plus(1) == b.day;
    jobs.chunk_by(in_a_row).flat_map(|run| run.chunks(CHUNK_DAYS)).collect()
}

/// One day and bucket as it was made.
struct Done {
    day: Day,
    /// Rows in the table now.
    rows: u64,
    made: BTreeMap<Why, u64>,
    samples: u64,
    unregistered: BTreeSet<String>,
}

/// Makes days in a row. Each is written by a thread beside, while the next one is made: what is
/// written waits for the disk, four times a day.
fn compute(
    store: &Store,
    jobs: &[Job],
    inputs: &Inputs<'_>,
    alone: bool,
    advance: &(dyn Fn() + Sync),
) -> Result<Vec<Done>, Message> {
    std::thread::scope(|scope| {
        let (to_disk, ready) = std::sync::mpsc::sync_channel::<(&Job, Table, Made)>(1);
        let write_all = move || {
            let written = ready.into_iter().map(|(job, old, made)| {
                let done = write(store, job, inputs, &old, made);
                advance();
                done
            });
            written.collect::<Result<Vec<Done>, Message>>()
        };
        let writer = scope.spawn(write_all);
        let made = make_all(store, jobs, inputs, alone, &|one| to_disk.send(one).is_ok());
        drop(to_disk);
        let written = writer.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        made.and(written)
    })
}

/// Gives the rows of each day, with those that were there; goes on while they are `taken`.
fn make_all<'a>(
    store: &Store,
    jobs: &'a [Job],
    inputs: &Inputs<'_>,
    alone: bool,
    taken: &dyn Fn((&'a Job, Table, Made)) -> bool,
) -> Result<(), Message> {
    let mut last: Option<(Day, Tails)> = None;
    for job in jobs {
        let old = match job.why {
            Why::New => Table::default(),
            _ => old_rows(store, job.day, &[RECORD_KEY])?,
        };
        let of_records = stale(&old, job, inputs).filter(|_| job.why == Why::Record);
        let wanted = of_records.map_or(Wanted::default(), |some| Wanted::some(some, inputs));
        let reader = Reader { store, arrived_before: None };
        let before = match last.take() {
            Some((day, tails)) if day.plus(1) == job.day => tails,
            _ => reader.tails(job.day.plus(-1), job.bucket, &wanted)?,
        };
        let mut made = reader.rows((job.day, job.bucket), inputs, &wanted, &before, alone)?;
        if job.why != Why::Record {
            last = Some((job.day, std::mem::take(&mut made.tails)));
        }
        if !taken((job, old, made)) {
            break;
        }
    }
    Ok(())
}

/// Meters whose records are not those that their row was made from; `None` = the table does not
/// tell.
fn stale<'a>(old: &Table, job: &Job, inputs: &Inputs<'a>) -> Option<BTreeSet<&'a str>> {
    let ColumnData::Count(keys) = &old.column(RECORD_KEY)?.data else { return None };
    let names = old.texts("meter")?;
    let made: BTreeMap<&str, Option<i64>> =
        names.iter().zip(keys).filter_map(|(name, key)| Some((name.as_deref()?, *key))).collect();
    let is_stale =
        |name: &&str| made.get(*name).copied().flatten() != Some(inputs.record_key(name, job.day));
    Some(inputs.records.meters.keys().map(String::as_str).filter(is_stale).collect())
}

/// Writes what was made, with the rows of a bucket that are right as they are.
fn write(
    store: &Store,
    job: &Job,
    inputs: &Inputs<'_>,
    old: &Table,
    made: Made,
) -> Result<Done, Message> {
    let (day, bucket) = (job.day, job.bucket);
    let there: BTreeSet<&str> =
        old.texts("meter").unwrap_or(&[]).iter().flatten().map(String::as_str).collect();
    let mut reasons: BTreeMap<Why, u64> = BTreeMap::new();
    for row in &made.rows {
        let why = if there.contains(row.meter.as_str()) { job.why } else { Why::New };
        *reasons.entry(why).or_default() += 1;
    }
    let (mut daily, mut hours) =
        (table(&made.rows, inputs), metersift_features::hours_to_table(&made.hours));
    if job.why == Why::Record {
        // A line that went from the register takes its rows along.
        let keeps = |name: &str| {
            bucket_of(name, store.bucket_count()) == bucket
                && inputs.records.meters.contains_key(name)
        };
        daily = splice::splice(&old_rows(store, day, &[])?, daily, keeps);
        hours = splice::splice(&old_hours(store, day)?, hours, keeps);
    }
    let rows = daily.n_rows() as u64;
    let key = job.key.with_rows(rows);
    // The key of the daily table vouches for both, so that one is written last.
    write_hours(store, (day, bucket), &hours, &key)?;
    let noted = (&daily, &metersift_features::field_notes());
    store.write_daily_noted(day, bucket, noted, &key.to_string()).map_err(store_message)?;
    Ok(Done { day, rows, made: reasons, samples: made.samples, unregistered: made.unregistered })
}

fn table(rows: &[FeatureRow], inputs: &Inputs<'_>) -> Table {
    let mut table = metersift_features::to_table(rows);
    let keys = rows.iter().map(|row| Some(inputs.record_key(&row.meter, row.day)));
    table.push(RECORD_KEY, "", ColumnData::Count(keys.collect()));
    table
}

/// The rows of one day that are there, of all buckets; no names = all columns.
fn old_rows(store: &Store, day: Day, columns: &[&str]) -> Result<Table, Message> {
    let read = match columns {
        [] => store.read_daily(day, day.plus(1)),
        names => store.read_daily_columns(day, day.plus(1), names),
    };
    read.map_err(store_message)
}

fn old_hours(store: &Store, day: Day) -> Result<Table, Message> {
    store.read_hours(day, day.plus(1)).map_err(store_message)
}

fn write_hours(
    store: &Store,
    (day, bucket): (Day, u32),
    hours: &Table,
    key: &Key,
) -> Result<(), Message> {
    store.write_hours(day, bucket, hours, &key.to_string()).map_err(store_message)
}

/// What a run did.
#[derive(Default)]
struct Total {
    rows: u64,
    made: BTreeMap<Why, u64>,
    late: BTreeMap<Day, u64>,
    samples: u64,
    unregistered: BTreeSet<String>,
}

impl Total {
    fn add(&mut self, done: Done) {
        self.rows += done.rows;
        self.samples += done.samples;
        self.unregistered.extend(done.unregistered);
        for (why, n) in done.made {
            *self.made.entry(why).or_default() += n;
            if why == Why::Late {
                *self.late.entry(done.day).or_default() += n;
            }
        }
    }

    /// `recomputed 214 of 73,000 meter-days: 200 new, 14 late`.
    fn sentence(&self) -> String {
        let made: u64 = self.made.values().sum();
        let all = grouped(self.rows);
        if made == 0 {
            return format!("recomputed 0 of {all} meter-days: nothing had changed");
        }
        let reasons: Vec<String> = Why::ALL
            .into_iter()
            .filter_map(|why| Some((why, self.made.get(&why)?)))
            .map(|(why, n)| format!("{} {}", grouped(*n), why.name()))
            .collect();
        format!(
            "recomputed {} of {all} meter-days: {}; from {} samples",
            grouped(made),
            reasons.join(", "),
            grouped(self.samples)
        )
    }

    fn details(&self, emptied: usize) -> Vec<String> {
        let mut lines = Vec::new();
        if !self.late.is_empty() {
            let named: Vec<String> = self
                .late
                .iter()
                .take(NAMED_DAYS)
                .map(|(day, n)| format!("{day} ({})", grouped(*n)))
                .collect();
            let more = self.late.len().saturating_sub(NAMED_DAYS);
            let more = if more > 0 { format!(" and {more} more days") } else { String::new() };
            lines.push(format!(
                "late samples for these days, the evening before them or a partner meter: {}{more}",
                named.join(", ")
            ));
        }
        if emptied > 0 {
            lines.push(format!("{emptied} days hold no samples any more: features removed"));
        }
        if !self.unregistered.is_empty() {
            let names: Vec<String> = self.unregistered.iter().take(10).cloned().collect();
            lines.push(format!(
                "{} meters of the tag table are not in the register and get no features: {}",
                self.unregistered.len(),
                names.join(", ")
            ));
        }
        lines
    }
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
    let bucket = bucket_of(meter, store.bucket_count());
    let files = store.day_files();
    let Some(file) = files.iter().find(|file| file.day() == day && file.bucket() == bucket) else {
        return Ok(Recomputed { row: None, current: true });
    };
    let inputs = Inputs::new(checked(site)?, records, store.bucket_count());
    let key = inputs.key(file, &Files::new(&files));
    let stored = store.daily_receipt(day, bucket);
    let stored = stored.as_deref().and_then(Key::parse);
    let current = stored.is_some_and(|stored| key.differs(&stored).is_none());
    let reader = Reader { store, arrived_before: None };
    let wanted = Wanted::some([meter].into_iter().collect(), &inputs);
    let before = reader.tails(day.plus(-1), bucket, &wanted)?;
    let made = reader.rows((day, bucket), &inputs, &wanted, &before, false)?;
    Ok(Recomputed { row: made.rows.into_iter().find(|row| row.meter == meter), current })
}
