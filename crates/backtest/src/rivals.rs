//! Four dumb rivals. A method that does not beat them clearly is not worth its complication.
//!
//! `fixed_limits`: the largest ratio of a raw value of the last seven days to a limit that is the
//!     same for all meters. The limits are what one sees on such walls (common practice, no
//!     source).
//! `latest_check`: the deviation of the newest in-situ check over a limit, a failed check without
//!     a value counting as just over it.
//! `trend_test`, `control_chart`: the furthest of four daily columns beyond the edge of a trend
//!     test over 90 days, and of a control chart about the meter's first sixty values. Stiffness
//!     itself is measured by checks alone, a few times a year: the latest check stands for it.

use crate::charts::{self, TREND_DAYS};
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
    columns: [Vec<f64>; 6],
}

const COLUMNS: [&str; 6] = [
    "drive_gain_median_pct",
    "density_burst_kg_m3",
    "density_kg_m3",
    "gas_share",
    "zero_stabilities",
    "pickoff_log_ratio",
];
/// Of these, what a chart is drawn of: drive gain, density, zero, pick-off ratio.
const CHARTED: [usize; 4] = [0, 2, 4, 5];

impl MeterDays {
    /// One value for each day of a span; a day without a row is a gap.
    fn by_day(&self, column: usize, from: Day, until: Day) -> Vec<f64> {
        let mut values = vec![f64::NAN; (until.0 - from.0).max(0) as usize];
        let rows = self.days.iter().zip(&self.columns[column]);
        for (day, value) in rows.filter(|(day, _)| (from..until).contains(day)) {
            values[(day.0 - from.0) as usize] = *value;
        }
        values
    }
}

/// All rivals over one site.
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

    /// How far the clearest trend of the 90 days before `as_of` is beyond its edge; 0 without data.
    pub fn trend_test(&self, meter: &str, as_of: Day) -> f64 {
        let Some(meter) = self.meters.get(meter) else { return 0.0 };
        let of_column = |column: usize| {
            let values = meter.by_day(column, as_of.plus(-TREND_DAYS), as_of);
            charts::trend(&values, CHARTED.len())
        };
        CHARTED.into_iter().map(of_column).fold(0.0, f64::max)
    }

    /// How far the worst control chart stands beyond its limit before `as_of`; 0 without data.
    pub fn control_chart(&self, meter: &str, as_of: Day) -> f64 {
        let Some(meter) = self.meters.get(meter) else { return 0.0 };
        let end = meter.days.partition_point(|&day| day < as_of);
        let of_column = |column: usize| charts::chart(meter.columns[column][..end].iter().copied());
        CHARTED.into_iter().map(of_column).fold(0.0, f64::max)
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

#[cfg(test)]
mod tests {
    use super::*;
    use metersift_model::ColumnData;

    /// `FT-1` drifts in density from day 100 on and lacks every seventh day; `FT-2` stands still.
    fn daily() -> Table {
        let mut generator = metersift_stats::Xoshiro256::seeded(3);
        let rows: Vec<(&str, i32)> = ["FT-1", "FT-2"]
            .into_iter()
            .flat_map(|meter| (0..200).map(move |day| (meter, day)))
            .filter(|(meter, day)| *meter == "FT-2" || day % 7 != 0)
            .collect();
        let density = rows.iter().map(|&(meter, day)| {
            let drift = if meter == "FT-1" { 0.05 * f64::from((day - 100).max(0)) } else { 0.0 };
            1000.0 + drift + 0.5 * generator.normal()
        });
        let density = density.collect();
        let mut table = Table::default();
        let meters = rows.iter().map(|row| Some(row.0.to_string())).collect();
        table.push("meter", "", ColumnData::Text(meters));
        let days = rows.iter().map(|row| Some(Day(row.1))).collect();
        table.push("day", "", ColumnData::Day(days));
        table.push("density_kg_m3", "kg/m3", ColumnData::Number(density));
        table
    }

    #[test]
    fn a_drifting_density_is_seen_by_both_charts_and_only_once_it_drifts() {
        let records = Records::default();
        let rivals = Rivals::new(&daily(), &records);
        let both = |meter: &str, day: i32| {
            [rivals.trend_test(meter, Day(day)), rivals.control_chart(meter, Day(day))]
        };
        assert!(both("FT-1", 190).iter().all(|beyond| *beyond > 1.0), "{:?}", both("FT-1", 190));
        for (meter, day) in [("FT-1", 100), ("FT-2", 190)] {
            assert!(both(meter, day).iter().all(|beyond| *beyond < 1.0), "{:?}", both(meter, day));
        }
        assert_eq!(both("FT-1", 20), [0.0; 2], "too few days");
        assert_eq!(both("FT-9", 190), [0.0; 2], "no such meter");
    }

    #[test]
    fn what_comes_later_changes_no_date() {
        let records = Records::default();
        let daily = daily();
        let mut until = daily.clone();
        let keep: Vec<bool> =
            daily.days("day").unwrap_or(&[]).iter().map(|day| *day < Some(Day(150))).collect();
        for column in &mut until.columns {
            let mut kept = keep.iter();
            match &mut column.data {
                ColumnData::Text(cells) => cells.retain(|_| *kept.next().expect("a row")),
                ColumnData::Number(cells) => cells.retain(|_| *kept.next().expect("a row")),
                ColumnData::Day(cells) => cells.retain(|_| *kept.next().expect("a row")),
                other => panic!("{other:?}"),
            }
        }
        let (all, known) = (Rivals::new(&daily, &records), Rivals::new(&until, &records));
        for meter in ["FT-1", "FT-2"] {
            let at = Day(150);
            assert_eq!(all.trend_test(meter, at), known.trend_test(meter, at));
            assert_eq!(all.control_chart(meter, at), known.control_chart(meter, at));
        }
    }
}
