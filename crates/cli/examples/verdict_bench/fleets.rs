//! Fleets by name, made once and kept as a daily table: `VARIATION-SEED`, as in `usual-101`.

use crate::straight;
use metersift_import::records::RecordSettings;
use metersift_model::{Records, Signal, Table};
use metersift_sim::{CommonCause, Fiction, Plan, PlanVariation};
use std::error::Error;
use std::path::{Path, PathBuf};

/// Departures from the usual site, by name.
pub const VARIATIONS: [&str; 8] = [
    "usual",
    "noise_x2",
    "wander_x2",
    "dead_band_x3",
    "half_signals",
    "other_growth",
    "common_cause",
    "at_random",
];

/// One fleet.
pub struct Made {
    /// Its plan.
    pub plan: Plan,
    /// The site, for truth.
    pub fiction: Fiction,
    /// Records, as read back from their files.
    pub records: Records,
    /// Daily features.
    pub daily: Table,
    /// The verdict as its site file sets it.
    pub faults: metersift_faults::Settings,
    /// Where its files lie.
    pub dir: PathBuf,
}

/// The plan of a name.
pub fn plan(name: &str) -> Result<Plan, Box<dyn Error>> {
    let (variation, seed) = name.rsplit_once('-').ok_or("a fleet is named VARIATION-SEED")?;
    let seed: u64 = seed.parse()?;
    let usual = PlanVariation::default();
    let variation = match variation {
        "usual" => usual,
        "noise_x2" => PlanVariation { noise_factor: 2.0, ..usual },
        "wander_x2" => PlanVariation { wander_factor: 2.0, ..usual },
        "dead_band_x3" => PlanVariation { dead_band_factor: 3.0, ..usual },
        "half_signals" => PlanVariation { missing_share: 0.5, ..usual },
        "other_growth" => PlanVariation { other_growth: true, ..usual },
        "common_cause" => PlanVariation { common_cause: CommonCause::OneService, ..usual },
        "at_random" => PlanVariation::at_random(seed),
        "no_drive_gain" => PlanVariation { dropped: vec![Signal::DriveGain], ..usual },
        other => return Err(format!("unknown variation `{other}`; known: {VARIATIONS:?}").into()),
    };
    Ok(Plan { variation, ..Plan::larkmoor(160, 456, seed) })
}

/// The part of a site file that the bench obeys.
#[derive(serde::Deserialize)]
struct SiteFile {
    faults: metersift_faults::Settings,
}

/// Makes a fleet, or reads its daily table back where it was made before.
pub fn make(out: &Path, name: &str, plan: Plan) -> Result<Made, Box<dyn Error>> {
    let dir = out.join(name);
    std::fs::create_dir_all(&dir)?;
    let fiction = Fiction::new(&plan)?;
    fiction.write_records(&dir)?;
    let (records, rejects) = metersift_import::read_records(&dir, &RecordSettings::default())?;
    if let Some(reject) = rejects.first() {
        return Err(format!("a record of {name} was not read: {reject:?}").into());
    }
    let path = dir.join("daily.parquet");
    let daily = if path.exists() {
        metersift_store::read_table(&path)?.0
    } else {
        let daily = straight::daily_table(&fiction, &plan, &records);
        metersift_store::write_table(&path, &daily, &Default::default())?;
        daily
    };
    let site: SiteFile = toml::from_str(&std::fs::read_to_string(dir.join("site.toml"))?)?;
    Ok(Made { plan, fiction, records, daily, faults: site.faults, dir })
}
