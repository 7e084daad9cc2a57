//! A feature back to its samples: what was stored, what the samples give now, and from which
//! dump each of them came.

use crate::exit::Exit;
use crate::message::Message;
use crate::site::Site;
use crate::stage::features::{Recomputed, recompute};
use crate::stage::import::store_message;
use crate::stage::night::read_records;
use crate::story::say;
use metersift_features::{FeatureDef, Group};
use metersift_model::{Day, Records, TimeUs};
use metersift_report::neutral;
use metersift_store::{OriginRun, Store};

/// The samples of the meter's day as CSV; the stored and the recomputed value go to stderr.
/// [`Exit::Damaged`] when the same samples, records and settings give another value.
pub fn run(site: &Site, meter: &str, feature: &str, day: &str) -> Result<(String, Exit), Message> {
    let day = Day::parse(day).ok_or_else(|| {
        Message::could_not_start("a date cannot be read")
            .at(format!("read `{day}`; expected YYYY-MM-DD"))
    })?;
    let def = feature_def(feature)?;
    let store = Store::read(&site.store_dir()).map_err(store_message)?;
    let (records, _) = read_records(site)?;
    let Some(registered) = records.meters.get(meter) else {
        return Err(Message::could_not_start("no such meter in the register")
            .at(format!("read `{meter}`"))
            .hint("the meters stand in records/register.csv"));
    };
    let partner = registered.series_with.as_deref().filter(|_| def.group == Group::Partner);
    let samples = samples(&store, day, meter, partner)?;
    let exit = compare(site, &store, &records, (meter, def, day))?;
    Ok((samples, exit))
}

fn feature_def(feature: &str) -> Result<&'static FeatureDef, Message> {
    metersift_features::features().iter().find(|def| def.name == feature).ok_or_else(|| {
        let alike: Vec<&str> = metersift_features::features()
            .iter()
            .map(|def| def.name)
            .filter(|name| name.contains(feature))
            .take(5)
            .collect();
        let message = Message::could_not_start("no such feature").at(format!("read `{feature}`"));
        match alike.as_slice() {
            [] => message.hint("the names stand in docs/methods/features.md"),
            names => message.hint(format!("did you mean {}?", names.join(", "))),
        }
    })
}

/// Tells the stored value, the recomputed one, and whether they are equal to the last bit.
fn compare(
    site: &Site,
    store: &Store,
    records: &Records,
    (meter, def, day): (&str, &FeatureDef, Day),
) -> Result<Exit, Message> {
    let stored = stored(store, meter, def.name, day)?;
    let Recomputed { row, current } = recompute(site, store, records, meter, day)?;
    let fresh = row.map(|row| row.get(def.name).unwrap_or(f64::NAN));
    say(format!("{} of {meter} on {day}, {}", def.name, unit(def)));
    say(format!("  formula     {}", def.formula));
    if def.group == Group::Records {
        say("  made from the meter's lines in the record files, not from samples");
    }
    say(format!("  stored      {}", shown(stored)));
    say(format!("  recomputed  {}", shown(fresh)));
    let bits = |value: Option<f64>| value.map(f64::to_bits);
    let both_unknown = stored.is_some_and(f64::is_nan) && fresh.is_some_and(f64::is_nan);
    if both_unknown || bits(stored) == bits(fresh) {
        say("  equal to the last bit");
        return Ok(Exit::Done);
    }
    if current {
        say("  not equal, although samples, records and settings are those of the stored value");
        say("hint: `metersift check-store` looks at every stored file");
        return Ok(Exit::Damaged);
    }
    say("  not equal: samples, records or settings have changed since it was stored");
    say("hint: run `metersift features`");
    Ok(Exit::Done)
}

/// The stored value: NaN = not known, `None` = the meter has no row that day.
fn stored(store: &Store, meter: &str, feature: &str, day: Day) -> Result<Option<f64>, Message> {
    let daily = store.read_daily_columns(day, day.plus(1), &[feature]).map_err(store_message)?;
    let row = daily
        .texts("meter")
        .and_then(|names| names.iter().position(|name| name.as_deref() == Some(meter)));
    Ok(row.zip(daily.numbers(feature)).map(|(row, values)| values[row]))
}

fn unit(def: &FeatureDef) -> &'static str {
    if def.unit.is_empty() { "no unit" } else { def.unit }
}

/// Seventeen digits give a number back to the last bit; `{}` prints the fewest that do.
fn shown(value: Option<f64>) -> String {
    match value {
        None => "no row".into(),
        Some(value) if value.is_nan() => "not known".into(),
        Some(value) => format!("{value}"),
    }
}

/// Samples as CSV, with dump and line: those of the meter, then the flow of its partner where the
/// feature needs it; of each the last two hours of the day before, then the day.
fn samples(store: &Store, day: Day, meter: &str, partner: Option<&str>) -> Result<String, Message> {
    let ledger = store.ledger();
    let evening_us = day.start().0 - metersift_features::WARM_UP_US;
    let mut out = csv::Writer::from_writer(Vec::new());
    let mut failed =
        out.write_record(["meter", "signal", "time", "value", "quality", "dump", "line"]).err();
    let mut write = |origin: &OriginRun<'_>| {
        let run = origin.run;
        let first = run.time_us.partition_point(|&time| time < evening_us);
        for (at, &time) in run.time_us.iter().enumerate().skip(first) {
            let dump = ledger.dump(origin.dump[at]).map_or("", |dump| dump.name.as_str());
            let value = run.value[at];
            let row = [
                neutral(run.meter).into_owned(),
                neutral(run.signal).into_owned(),
                TimeUs(time).to_string(),
                if value.is_nan() { String::new() } else { value.to_string() },
                run.quality[at].to_string(),
                neutral(dump).into_owned(),
                if origin.line[at] == 0 { String::new() } else { origin.line[at].to_string() },
            ];
            failed = failed.take().or(out.write_record(row).err());
        }
    };
    let flow_of = |name: &str, signal: &str| partner == Some(name) && signal == "mass_flow";
    for name in [Some(meter), partner].into_iter().flatten() {
        for day in [day.plus(-1), day] {
            store
                .for_each_run_of_meter(day, name, &mut |origin| {
                    if name == meter || flow_of(name, origin.run.signal) {
                        write(&origin);
                    }
                })
                .map_err(store_message)?;
        }
    }
    let bytes = match failed {
        Some(error) => return Err(Message::new(Exit::Failed, error)),
        None => out.into_inner().map_err(|error| Message::new(Exit::Failed, error))?,
    };
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}
