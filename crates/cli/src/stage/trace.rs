//! A feature back to its samples: what was stored, and from which dump.

use crate::message::Message;
use crate::site::Site;
use crate::stage::import::store_message;
use metersift_model::{Day, TimeUs};
use metersift_store::Store;
use std::fmt::Write as _;

/// The stored value of a feature on stderr's story, and the samples of the meter's day as CSV.
pub fn run(site: &Site, meter: &str, feature: &str, day: &str) -> Result<String, Message> {
    let day = Day::parse(day).ok_or_else(|| {
        Message::could_not_start("a date cannot be read")
            .at(format!("read `{day}`; expected YYYY-MM-DD"))
    })?;
    if !metersift_features::features().iter().any(|def| def.name == feature) {
        return Err(Message::could_not_start("no such feature")
            .at(format!("read `{feature}`"))
            .hint("the names stand in docs/methods/features.md"));
    }
    let store = Store::read(&site.store_dir()).map_err(store_message)?;
    let ledger = store.ledger();
    let mut out = String::from("meter,signal,time,value,quality,dump\n");
    let bucket = metersift_store::bucket_of(meter, store.bucket_count());
    store
        .for_each_run(day, bucket, &mut |run| {
            if run.meter != meter {
                return;
            }
            for (at, &time) in run.time_us.iter().enumerate() {
                let dump = ledger.dump(run.dump[at]).map_or("", |dump| dump.name.as_str());
                let value = run.value[at];
                let value = if value.is_nan() { String::new() } else { value.to_string() };
                let _ = writeln!(
                    out,
                    "\"{}\",{},{},{value},{},\"{}\"",
                    meter.replace('"', "\"\""),
                    run.signal,
                    TimeUs(time),
                    run.quality[at],
                    dump.replace('"', "\"\"")
                );
            }
        })
        .map_err(store_message)?;
    let daily = store.read_daily(day, day.plus(1)).map_err(store_message)?;
    let row = daily
        .texts("meter")
        .and_then(|names| names.iter().position(|name| name.as_deref() == Some(meter)));
    let value = row.zip(daily.numbers(feature)).map(|(row, values)| values[row]);
    match value {
        Some(value) if !value.is_nan() => {
            crate::story::say(format!("{feature} of {meter} on {day}: {value}"));
        }
        Some(_) => crate::story::say(format!("{feature} of {meter} on {day}: not known")),
        None => crate::story::say(format!("{meter} has no features on {day}")),
    }
    Ok(out)
}
