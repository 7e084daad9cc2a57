//! The daily features of one meter out of the fleet's table, and what is drawn of them.

use metersift_model::{Day, Table};
use std::collections::BTreeMap;

/// Columns of the daily table that pictures are drawn from, beside `meter` and `day`.
pub const DAILY_COLUMNS: [&str; 10] = [
    "hours_flowing",
    "drive_gain_median_pct",
    "drive_gain_resolution",
    "density_kg_m3",
    "density_residual_kg_m3",
    "density_noise_kg_m3",
    "density_noise_floor_limited",
    "zero_stabilities",
    "gas_share",
    "pickoff_log_ratio",
];

/// Where each meter's rows stand in the daily table.
pub(crate) struct History<'a> {
    table: &'a Table,
    days: &'a [Option<Day>],
    rows: BTreeMap<&'a str, Vec<(usize, usize)>>,
}

/// One value of one day.
pub(crate) type Point = (Day, f64);

impl<'a> History<'a> {
    pub(crate) fn new(table: &'a Table) -> History<'a> {
        let meters = table.texts("meter").unwrap_or(&[]);
        let days = table.days("day").unwrap_or(&[]);
        let mut rows: BTreeMap<&str, Vec<(usize, usize)>> = BTreeMap::new();
        for (row, meter) in meters.iter().enumerate().take(days.len()) {
            let Some(meter) = meter.as_deref() else { continue };
            let runs = rows.entry(meter).or_default();
            match runs.last_mut() {
                Some((_, end)) if *end == row => *end = row + 1,
                _ => runs.push((row, row + 1)),
            }
        }
        History { table, days, rows }
    }

    /// Known values of a column for a meter, in day order.
    pub(crate) fn points(&self, meter: &str, column: &str) -> Vec<Point> {
        let Some(values) = self.table.numbers(column) else { return Vec::new() };
        let runs = self.rows.get(meter).map_or(&[][..], Vec::as_slice);
        let mut points: Vec<Point> = runs
            .iter()
            .flat_map(|&(from, until)| from..until)
            .filter_map(|row| Some((self.days[row]?, values[row])))
            .filter(|(_, value)| value.is_finite())
            .collect();
        points.sort_by_key(|(day, _)| *day);
        points
    }
}

/// Medians of blocks of `block_days`, dated to the middle of each block.
pub(crate) fn thinned(points: &[Point], block_days: i32) -> Vec<Point> {
    if block_days <= 1 {
        return points.to_vec();
    }
    let mut blocks: BTreeMap<i32, Vec<f64>> = BTreeMap::new();
    for (day, value) in points {
        blocks.entry(day.0.div_euclid(block_days)).or_default().push(*value);
    }
    blocks
        .into_iter()
        .map(|(block, values)| (Day(block * block_days + block_days / 2), median(values)))
        .collect()
}

/// Median; NaN of nothing.
pub(crate) fn median(values: Vec<f64>) -> f64 {
    quantile(values, 0.5)
}

/// Quantile by linear interpolation (type 7 of Hyndman & Fan 1996); NaN of nothing.
pub(crate) fn quantile(mut values: Vec<f64>, p: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let Some(last) = values.len().checked_sub(1) else { return f64::NAN };
    let place = p * last as f64;
    let (low, high) = (place.floor() as usize, place.ceil() as usize);
    values[low] + (place - place.floor()) * (values[high] - values[low])
}

#[cfg(test)]
mod tests {
    use super::*;
    use metersift_model::ColumnData;

    #[test]
    fn only_known_values_of_the_meter_come_back_in_day_order() {
        let mut table = Table::default();
        let names = ["a", "b", "a", "a"].map(|n| Some(n.to_string())).to_vec();
        table.push("meter", "", ColumnData::Text(names));
        let days = [3, 1, 1, 2].map(|d| Some(Day(d))).to_vec();
        table.push("day", "", ColumnData::Day(days));
        table.push("x", "", ColumnData::Number(vec![30.0, 1.0, 10.0, f64::NAN]));
        let history = History::new(&table);
        assert_eq!(history.points("a", "x"), [(Day(1), 10.0), (Day(3), 30.0)]);
        assert_eq!(history.points("a", "no such column"), []);
        assert_eq!(history.points("nobody", "x"), []);
    }

    #[test]
    fn a_block_of_days_is_drawn_at_its_median() {
        let points: Vec<Point> = (0..6).map(|d| (Day(d), f64::from(d * d))).collect();
        assert_eq!(thinned(&points, 3), [(Day(1), 1.0), (Day(4), 16.0)]);
        assert_eq!(thinned(&points, 1), points);
    }
}
