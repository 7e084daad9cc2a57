//! A back-test by what had arrived: a correction that came later is not seen before it came.

use crate::support::*;
use metersift_model::{Day, Quality, ReadingBlock, Series, SeriesTable, Signal, TimeUs};
use metersift_sim::{DayScratch, Fiction, Plan};
use metersift_store::{DumpTotals, Store, StoreSettings};
use std::path::Path;

const METERS: usize = 8;
const DAYS: u32 = 80;
/// The dates judged, and the day on which the correction arrives.
const JUDGED_UNTIL: i32 = 76;
const CORRECTED_ON: i32 = 78;

/// A site whose dump of each day arrived the night after; with `corrected`, drive gain and density
/// of 30 days arrive again on day 78, as other values.
fn site(dir: &Path, corrected: bool) -> Plan {
    let plan = Plan::larkmoor(METERS, DAYS, 21);
    let fiction = Fiction::new(&plan).expect("a site");
    fiction.write_records(dir).expect("records are written");
    let settings = StoreSettings { bucket_count: Some(1), memory_bytes: 1 << 28 };
    let mut store = Store::open(&dir.join("store"), settings).expect("a store");
    for day in 0..DAYS {
        let arrived = TimeUs(plan.start.plus(day as i32 + 1).start().0 + 2 * 3_600_000_000);
        import(&mut store, &fiction, day..day + 1, arrived, &|_, value| value);
    }
    if corrected {
        let arrived = plan.start.plus(CORRECTED_ON).start();
        import(&mut store, &fiction, 40..70, arrived, &|signal, value| match signal {
            Signal::DriveGain => 2.0 * value,
            Signal::Density => value + 25.0,
            _ => value,
        });
    }
    drop(store);
    let run = on_site("features", dir);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    plan
}

fn import(
    store: &mut Store,
    fiction: &Fiction,
    days: std::ops::Range<u32>,
    arrived: TimeUs,
    alter: &dyn Fn(&Signal, f64) -> f64,
) {
    let (mut series, mut block) = (SeriesTable::default(), ReadingBlock::default());
    let mut scratch = DayScratch::default();
    for (i, meter) in fiction.meters().enumerate() {
        for day in days.clone() {
            for one in fiction.day(i, day, &mut scratch).signals {
                let id = series.intern(Series { meter: meter.into(), signal: one.signal.clone() });
                let rows = one.time_us.iter().zip(&one.value).zip(&one.quality);
                for ((time_us, value), quality) in rows {
                    let good = Quality(*quality).is_good();
                    let value = if good { alter(&one.signal, *value) } else { *value };
                    let line = block.len() as u32 + 2;
                    block.push(id, *time_us, value, *quality, line);
                }
            }
        }
    }
    let totals = DumpTotals {
        rows_in: block.len() as u64,
        first: block.time_us.iter().min().map(|time| TimeUs(*time)),
        last: block.time_us.iter().max().map(|time| TimeUs(*time)),
        source: "by hand".into(),
        arrived: Some(arrived),
        ..DumpTotals::default()
    };
    let name = format!("{}-{}.csv", days.start, arrived.0);
    let mut session = store.begin_import().expect("an import");
    let hash = metersift_store::content_hash(name.as_bytes());
    session.begin_dump(&name, &hash).expect("a dump");
    session.push(&block, &series).expect("readings");
    session.end_dump(totals).expect("the dump ends");
    session.commit().expect("the import commits");
}

/// Verdicts of two dates, and what every method said of each meter, the rivals among them, as
/// text: a number that is not known does not equal itself.
fn verdicts(dir: &Path, start: Day, more: &[&str]) -> String {
    let (from, to) =
        (start.plus(JUDGED_UNTIL - 7).to_string(), start.plus(JUDGED_UNTIL).to_string());
    let folder = dir.to_string_lossy();
    let mut words = vec!["backtest", "--site", &folder, "--from", &from, "--to", &to];
    words.extend(more);
    let run = metersift(words);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    let table = |name: &str| {
        let file = dir.join("out/backtest").join(name);
        format!("{:?}", metersift_store::read_table(&file).expect("a table").0)
    };
    table("verdicts.parquet") + &table("nights.parquet")
}

#[test]
fn a_correction_that_came_later_is_seen_now_and_not_as_known_then() {
    let (plain, late) = (tempfile::tempdir().expect("dir"), tempfile::tempdir().expect("dir"));
    let plan = site(plain.path(), false);
    site(late.path(), true);
    let then = verdicts(plain.path(), plan.start, &[]);
    assert!(then.contains("\"young\"") || then.contains("\"judged\""), "somebody is judged");
    assert_ne!(verdicts(late.path(), plan.start, &[]), then, "as the store stands now");
    assert_eq!(verdicts(late.path(), plan.start, &["--as-known"]), then, "as known then");
    assert_eq!(verdicts(plain.path(), plan.start, &["--as-known"]), then, "nothing came late");
}
