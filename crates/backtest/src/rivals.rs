//! Two dumb rivals. A method that does not beat them clearly is not worth its complication.
//!
//! `fixed_limits`: the largest ratio of a raw value of the last seven days to a limit that is the
//!     same for all meters. The limits are what one sees on such walls (common practice, no
//!     source).
//! `latest_check`: the deviation of the newest in-situ check over a limit, a failed check without
//!     a value counting as just over it.

use metersift_model::records::{CheckOutcome, Records};
use metersift_model::{Day, Table};
use metersift_stats::median_in_place;
use std::collections::BTreeMap;

const DRIVE_GAIN_LIMIT_PCT: f64 = 50.0;
const DENSITY_NOISE_LIMIT_KG_M3: f64 = 2.0;
const DENSITY_SHIFT_LIMIT: f64 = 0.02;
const GAS_SHARE_LIMIT: f64 = 0.05;
const ZERO_LIMIT_STABILITIES: f64 = 10.0;
const STIFFNESS_LIMIT_PCT: f64 = 2.0;
const LOOK_BACK_DAYS: i32 = 7;
const REFERENCE_DAYS: usize = 60;

struct MeterDays {
    days: Vec<Day>,
    columns: [Vec<f64>; 5],
}

const COLUMNS: [&str; 5] = [
    "drive_gain_median_pct",
    "density_burst_kg_m3",
    "density_kg_m3",
    "gas_share",
    "zero_stabilities",
];

/// Both rivals over one site.
pub struct Rivals<'a> {
    meters: BTreeMap<String, MeterDays>,
    records: &'a Records,
}

impl<'a> Rivals<'a> {
    /// Indexes the daily table by meter.
    pub fn new(daily: &Table, records: &'a Records) -> Rivals<'a> {
        let mut meters: BTreeMap<String, MeterDays> = BTreeMap::new();
        let nothing = vec![f64::NAN; daily.n_rows()];
        let columns = COLUMNS.map(|name| daily.numbers(name).unwrap_or(&nothing));
        if let (Some(names), Some(days)) = (daily.texts("meter"), daily.days("day")) {
            for (row, (name, day)) in names.iter().zip(days).enumerate() {
                let (Some(name), Some(day)) = (name, day) else { continue };
                let entry = meters
                    .entry(name.clone())
                    .or_insert_with(|| MeterDays { days: Vec::new(), columns: Default::default() });
                entry.days.push(*day);
                for (to, from) in entry.columns.iter_mut().zip(columns) {
                    to.push(from[row]);
                }
            }
        }
        Rivals { meters, records }
    }

    /// Largest ratio to a fixed limit over the seven days before `as_of`; 0 without data.
    pub fn fixed_limits(&self, meter: &str, as_of: Day) -> f64 {
        let Some(meter) = self.meters.get(meter) else { return 0.0 };
        let end = meter.days.partition_point(|&day| day < as_of);
        let start = meter.days.partition_point(|&day| day < as_of.plus(-LOOK_BACK_DAYS));
        let newest = |column: usize| {
            let mut values = meter.columns[column][start..end].to_vec();
            values.retain(|value| value.is_finite());
            median_in_place(&mut values)
        };
        let first = meter.columns[2][..end].iter().copied().filter(|v| v.is_finite());
        let reference = median_in_place(&mut first.take(REFERENCE_DAYS).collect::<Vec<f64>>());
        let ratios = [
            newest(0) / DRIVE_GAIN_LIMIT_PCT,
            newest(1) / DENSITY_NOISE_LIMIT_KG_M3,
            (newest(2) / reference - 1.0).abs() / DENSITY_SHIFT_LIMIT,
            newest(3) / GAS_SHARE_LIMIT,
            newest(4).abs() / ZERO_LIMIT_STABILITIES,
        ];
        ratios.into_iter().filter(|ratio| ratio.is_finite()).fold(0.0, f64::max)
    }

    /// The newest completed check before `as_of` over its limit; 0 without one.
    pub fn latest_check(&self, meter: &str, as_of: Day) -> f64 {
        let Some(checks) = self.records.checks.get(meter) else { return 0.0 };
        let known = || {
            checks.iter().filter(|c| c.time < as_of.start() && c.outcome != CheckOutcome::Aborted)
        };
        let Some(newest) = known().map(|check| check.time).max() else { return 0.0 };
        known()
            .filter(|check| check.time == newest)
            .map(|check| match (check.value_pct, check.outcome) {
                (Some(value), _) => value.abs() / STIFFNESS_LIMIT_PCT,
                (None, CheckOutcome::Fail) => 1.01,
                (None, _) => 0.0,
            })
            .fold(0.0, f64::max)
    }
}
