//! Whether probabilities kept their word: what the report draws, from the fleets of the shipped
//! calibration and from the last back-test of the site.

use crate::site::Site;
use crate::story::say;
use metersift_backtest::Scores;
use metersift_faults::Calibration;
use metersift_model::{Day, Table};
use metersift_report::{KeptBin, KeptWord};
use metersift_stats::wilson_interval;
use metersift_store::TableMetadata;
use std::path::PathBuf;

/// The table of a back-test that holds stated against seen.
pub const FILE: &str = "calibration";

const CONFIDENCE: f64 = 0.95;
const FROM: &str = "from";
const TO: &str = "to";
const EVERY: &str = "every";
const AGAINST: &str = "held_against";
const BRIER: &str = "brier";
const BASE_RATE: &str = "base_rate_brier";

/// That table of a site's last back-test.
pub fn file(site: &Site) -> PathBuf {
    site.out_dir().join("backtest").join(format!("{FILE}.parquet"))
}

/// What a back-test says about itself beside its table.
pub fn metadata(
    scores: &Scores,
    (from, to): (Day, Day),
    every: &str,
    source: &str,
) -> TableMetadata {
    let calibration = &scores.calibration;
    [
        (FROM, from.to_string()),
        (TO, to.to_string()),
        (EVERY, every.to_string()),
        (AGAINST, source.to_string()),
        (BRIER, calibration.fault_brier.to_string()),
        (BASE_RATE, calibration.base_rate_brier.to_string()),
    ]
    .map(|(key, value)| (key.to_string(), value))
    .into()
}

/// All that is known as of a date. A back-test that looked further says nothing then: a date that
/// is judged again must not know more than it did.
pub fn known(site: &Site, as_of: Day) -> Vec<KeptWord> {
    let simulated = if site.file.faults.calibrate { simulated() } else { None };
    simulated.into_iter().chain(of_site(site, as_of)).collect()
}

fn simulated() -> Option<KeptWord> {
    // A damaged calibration stops the verdict itself before anyone comes here.
    let calibration = Calibration::built_in().ok()?;
    let held = calibration.held;
    let counts = held.meter_nights.iter().zip(&held.at_fault);
    let bins: Vec<KeptBin> =
        held.stated.iter().zip(counts).map(|(&stated, (&n, &k))| bin(stated, k, n)).collect();
    Some(KeptWord {
        on: format!(
            "{} simulated fleets, the odds of each calibrated on the others ({})",
            calibration.origin.seeds.len(),
            calibration.origin.date
        ),
        nights: held.meter_nights.iter().sum(),
        brier: held.brier,
        base_rate_brier: held.base_rate_brier,
        bins,
    })
}

fn bin(stated: f64, at_fault: u64, n: u64) -> KeptBin {
    let interval = wilson_interval(at_fault, n, CONFIDENCE);
    let seen = at_fault as f64 / n as f64;
    KeptBin { stated, seen, low: interval.low, high: interval.high, n }
}

fn of_site(site: &Site, as_of: Day) -> Option<KeptWord> {
    let path = file(site);
    if !path.exists() {
        return None;
    }
    let (table, about) = match metersift_store::read_table(&path) {
        Ok(read) => read,
        Err(error) => {
            say(format!("{}: {error}; run `metersift backtest` again", site.shown(&path)));
            return None;
        }
    };
    // Tables of an older program carry no span: the next back-test writes one.
    let to = Day::parse(about.get(TO)?)?;
    if to > as_of {
        return None;
    }
    let number = |key: &str| about.get(key)?.parse::<f64>().ok();
    let bins = bins(&table)?;
    Some(KeptWord {
        on: format!(
            "this site, back-test from {} to {to} every {}, held against {}",
            about.get(FROM)?,
            about.get(EVERY)?,
            about.get(AGAINST)?
        ),
        nights: bins.iter().map(|bin| bin.n).sum(),
        brier: number(BRIER)?,
        base_rate_brier: number(BASE_RATE)?,
        bins,
    })
    .filter(|kept| kept.nights > 0)
}

fn bins(table: &Table) -> Option<Vec<KeptBin>> {
    let of = table.texts("of")?;
    let (n, stated, seen) =
        (table.numbers("meter_nights")?, table.numbers("stated")?, table.numbers("seen")?);
    let filled =
        (0..table.n_rows()).filter(|&row| of[row].as_deref() == Some("fault") && n[row] > 0.0);
    Some(
        filled
            .map(|row| bin(stated[row], (seen[row] * n[row]).round() as u64, n[row] as u64))
            .collect(),
    )
}
