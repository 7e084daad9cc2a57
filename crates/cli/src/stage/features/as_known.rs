//! Daily features as they would have been on the strength of what had arrived by a moment.

use super::key::Inputs;
use super::readings::{Made, Reader, Wanted};
use super::splice;
use super::{checked, table};
use crate::message::Message;
use crate::site::Site;
use crate::stage::import::store_message;
use metersift_model::records::Records;
use metersift_model::{Day, Table, TimeUs};
use metersift_store::{Store, bucket_of};
use rayon::prelude::*;
use std::collections::BTreeSet;

/// Daily rows of `from <= day < until` as they would have been on the strength of the dumps that
/// had arrived before a moment.
///
/// Only days that a later dump touched, or that look at such a day, are made again; all others are
/// taken from the daily tables. Records and settings are those of now. Of the daily columns only
/// the named ones are read.
pub fn daily_as_known(
    site: &Site,
    store: &Store,
    records: &Records,
    (from, until): (Day, Day),
    columns: &BTreeSet<String>,
    arrived_before: TimeUs,
) -> Result<Table, Message> {
    let inputs = Inputs::new(checked(site)?, records, store.bucket_count());
    let names: Vec<&str> = columns.iter().map(String::as_str).collect();
    let daily = store.read_daily_columns(from, until, &names).map_err(store_message)?;
    let changed: BTreeSet<(Day, u32)> = store
        .units_changed_since(arrived_before)
        .into_iter()
        .map(|unit| (unit.day, unit.bucket))
        .collect();
    let changed = lookers(&changed, &inputs, store.bucket_count());
    let reader = Reader { store, arrived_before: Some(arrived_before) };
    let units: Vec<(Day, u32)> =
        changed.into_iter().filter(|(day, _)| (from..until).contains(day)).collect();
    let made: Vec<Result<Made, Message>> = units
        .par_iter()
        .map(|&(day, bucket)| {
            let before = reader.tails(day.plus(-1), bucket, &Wanted::default())?;
            reader.rows((day, bucket), &inputs, &Wanted::default(), &before, false)
        })
        .collect();
    let mut rows = Vec::new();
    for one in made {
        rows.append(&mut one?.rows);
    }
    let units: BTreeSet<(Day, u32)> = units.into_iter().collect();
    let mut fresh = table(&rows, &inputs);
    let key = |name: &str| name == "meter" || name == "day";
    fresh.columns.retain(|column| key(&column.name) || columns.contains(&column.name));
    Ok(splice::replace_days(&daily, fresh, |meter, day| {
        !units.contains(&(day, bucket_of(meter, store.bucket_count())))
    }))
}

/// The units given, the days after them, and the buckets whose meters have a partner in them.
fn lookers(
    changed: &BTreeSet<(Day, u32)>,
    inputs: &Inputs<'_>,
    bucket_count: u32,
) -> BTreeSet<(Day, u32)> {
    let mut all = BTreeSet::new();
    for bucket in 0..bucket_count {
        let mut seen: BTreeSet<u32> = inputs.partners_elsewhere(bucket).into_keys().collect();
        seen.insert(bucket);
        let touched = changed.iter().filter(|(_, lies_in)| seen.contains(lies_in));
        all.extend(touched.flat_map(|(day, _)| [(*day, bucket), (day.plus(1), bucket)]));
    }
    all
}
