//! The fleet as plain arrays per meter, made once and judged on any as-of date.
//!
//! Why:    a verdict needs a meter's own days, the records before each day and what its peers on
//!         the stream showed; a back-test asks for many as-of dates of one table.
//! In:     the daily table (one row per meter and day) and the records.
//! Out:    per meter of the register, its days in order with the columns the verdict uses, the
//!         last swap and as-left zero before each day, and the peers' median density.
//! Method: table library for sorting, as-of joins (strictly before the day: the day of a swap
//!         itself is mixed and stays with the old segment) and the lists of each stream and day;
//!         the median leaves the meter itself out and wants three others.
//! Limits: nothing here looks across days forward, so a judged day never sees a later one.

use crate::FaultsError;
use crate::alerts::AlertDays;
use crate::calibration::{Calibration, FindingScore};
use crate::draws::DrawSet;
use crate::settings::{Part, Priors, Settings};
use metersift_model::records::{Change, Check, Finding, Meter, Records, ZeroRecord};
use metersift_model::{ColumnData, Table};
use polars::prelude::*;
use polars_ops::frame::AsofJoinBy;
use std::collections::BTreeMap;

/// Daily columns that the verdict reads, beside `meter` and `day`; any may be missing.
pub const COLUMNS: [&str; N_COLUMNS] = [
    "hours_flowing",
    "hours_steady",
    "flow_q50_kg_h",
    "drive_log_low",
    "drive_gain_median_pct",
    "drive_saturated_share",
    "pickoff_log_ratio",
    "density_kg_m3",
    "temperature_degc",
    "density_noise_kg_m3",
    "density_noise_floor_limited",
    "density_noise_spacing_s",
    "density_resolution_kg_m3",
    "density_repeat_share",
    "gas_share",
    "zero_stabilities",
    "density_air_kg_m3",
    "density_reference_residual_kg_m3",
    "partner_span_log",
    "partner_zero_kg_h",
    "mass_flow_updates",
    "density_updates",
    "drive_gain_updates",
    "temperature_updates",
    "density_line_share",
    "density_burst_kg_m3",
    "pressure_kpa",
    "drive_log_median",
    "drive_log_spread",
    "pickoff_log_ratio_spread",
    "resonator_slope",
    "resonator_intercept",
];
/// How many there are.
pub const N_COLUMNS: usize = 32;

/// Index of a daily column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "named as the columns")]
#[allow(dead_code, reason = "positions must match COLUMNS, read or not")]
pub(crate) enum Col {
    HoursFlowing,
    HoursSteady,
    FlowMedian,
    DriveLow,
    DriveGain,
    DriveSaturated,
    PickoffRatio,
    Density,
    Temperature,
    Noise,
    NoiseFloorLimited,
    NoiseSpacing,
    Resolution,
    RepeatShare,
    GasShare,
    Zero,
    AirPoint,
    ReferencePoint,
    PartnerSpan,
    PartnerZero,
    FlowUpdates,
    DensityUpdates,
    DriveUpdates,
    TemperatureUpdates,
    LineShare,
    Burst,
    Pressure,
    DriveMedian,
    DriveSpread,
    PickoffSpread,
    ResonatorSlope,
    ResonatorIntercept,
}

/// No event before this day.
pub(crate) const NEVER: i32 = i32::MIN;

/// One meter: its register line, days and records.
#[derive(Clone, Debug, Default)]
pub(crate) struct MeterData {
    pub meter: Meter,
    /// Index of its stream.
    pub stream: usize,
    /// Day numbers, increasing.
    pub days: Vec<i32>,
    /// Columns of [`COLUMNS`], one value per day; empty = the table has no such column.
    pub columns: Vec<Vec<f64>>,
    /// Last swap (or installation) before each day; [`NEVER`] = none.
    pub swap_day: Vec<i32>,
    /// Last as-left zero before each day.
    pub as_left_day: Vec<i32>,
    /// Median density of three or more peers of the day; NaN = fewer.
    pub peer_density: Vec<f64>,
    pub checks: Vec<Check>,
    pub zeros: Vec<ZeroRecord>,
    pub changes: Vec<Change>,
    pub findings: Vec<Finding>,
    pub alerts: AlertDays,
    /// Index into the fleet's draw sets.
    pub draw_set: usize,
}

impl MeterData {
    /// A column, empty when the table lacks it.
    pub fn column(&self, col: Col) -> &[f64] {
        &self.columns[col as usize]
    }

    /// A value, NaN when the table lacks the column.
    pub fn value(&self, col: Col, row: usize) -> f64 {
        self.columns[col as usize].get(row).copied().unwrap_or(f64::NAN)
    }
}

/// A fleet that can be judged on any date.
#[derive(Clone, Debug)]
pub struct Fleet {
    pub(crate) meters: Vec<MeterData>,
    /// Members of each stream, as indices into `meters`.
    pub(crate) streams: Vec<Vec<usize>>,
    pub(crate) settings: Settings,
    pub(crate) priors: Priors,
    pub(crate) draws: Vec<DrawSets>,
    pub(crate) calibration: Option<Calibration>,
    pub(crate) finding_scores: Vec<FindingScore>,
}

/// The draws of one kind of tube: few for all meters, many for those that look at fault.
#[derive(Clone, Debug)]
pub(crate) struct DrawSets {
    pub coarse: DrawSet,
    pub fine: DrawSet,
}

impl Fleet {
    /// Builds the fleet from the daily table (sorted or not) and the records. Meters of the table
    /// that the register does not know are left out: they have no limits to be judged by.
    ///
    /// # Errors
    /// When the table has no `meter` or `day` column, a known column holds no numbers, or a
    /// setting cannot work.
    pub fn new(
        daily: &Table,
        records: &Records,
        settings: &Settings,
    ) -> Result<Fleet, FaultsError> {
        settings.check()?;
        let mut priors = settings.priors()?;
        if !settings.uses(Part::StatedShares) {
            priors.noise.stated_shares = vec![1.0];
        }
        let streams = stream_members(records);
        let order = placed_rows(daily, records)?;
        let peers = peer_medians(&order, &streams, numbers(daily, "density_kg_m3")?)?;
        let swaps = swaps(records);
        let swap_day = last_before(&order, &swaps)?;
        let as_left_day = last_before(&order, &as_left_zeros(records))?;
        let mut columns = Vec::with_capacity(N_COLUMNS);
        for name in COLUMNS {
            columns.push(numbers(daily, name)?);
        }
        let mut draws = DrawCache::default();
        let mut meters = Vec::with_capacity(records.meters.len());
        let mut from = 0;
        for (index, (name, meter)) in records.meters.iter().enumerate() {
            let until = from + order[from..].iter().take_while(|row| row.meter == index).count();
            let rows = from..until;
            from = until;
            let pick = |column: &Vec<f64>| -> Vec<f64> {
                if column.is_empty() {
                    Vec::new()
                } else {
                    rows.clone().map(|i| column[order[i].row]).collect()
                }
            };
            let alerts = records.alerts.get(name).map(Vec::as_slice).unwrap_or_default();
            meters.push(MeterData {
                meter: meter.clone(),
                stream: streams.iter().position(|s| s.contains(&index)).unwrap_or(0),
                days: rows.clone().map(|i| order[i].day).collect(),
                columns: columns.iter().map(pick).collect(),
                swap_day: swap_day[rows.clone()].to_vec(),
                as_left_day: as_left_day[rows.clone()].to_vec(),
                peer_density: peers[rows.clone()].to_vec(),
                checks: records.checks.get(name).cloned().unwrap_or_default(),
                zeros: records.zeros.get(name).cloned().unwrap_or_default(),
                changes: records.changes.get(name).cloned().unwrap_or_default(),
                findings: records.findings.get(name).cloned().unwrap_or_default(),
                alerts: AlertDays::new(alerts, &settings.alert_modes),
                draw_set: draws.index(meter.wall_to_bore, &priors, settings),
            });
        }
        for data in &mut meters {
            data.checks.sort_by_key(|check| check.time);
            data.zeros.sort_by_key(|zero| zero.time);
            data.changes.sort_by_key(|change| change.time);
        }
        let draws = draws.sets;
        let calibration = settings.calibrate.then(Calibration::built_in).transpose()?;
        Ok(Fleet {
            meters,
            streams,
            settings: settings.clone(),
            priors,
            draws,
            calibration,
            finding_scores: Vec::new(),
        })
    }

    /// The same fleet, re-calibrated from findings where there are enough before an as-of date.
    #[must_use]
    pub fn with_findings(mut self, mut scores: Vec<FindingScore>) -> Fleet {
        scores.sort_by(|a, b| {
            a.day.cmp(&b.day).then(a.raw_fault_score.total_cmp(&b.raw_fault_score))
        });
        self.finding_scores = scores;
        self
    }

    /// Number of meters.
    pub fn n_meters(&self) -> usize {
        self.meters.len()
    }
}

/// One draw set per wall-to-bore figure of the register.
#[derive(Default)]
struct DrawCache {
    keys: BTreeMap<Option<u64>, usize>,
    sets: Vec<DrawSets>,
}

impl DrawCache {
    fn index(&mut self, wall_to_bore: Option<f64>, priors: &Priors, settings: &Settings) -> usize {
        // Two decimals tell tubes apart well enough, and keep the number of sets small.
        let rounded = wall_to_bore
            .filter(|w| w.is_finite() && *w > 0.0 && *w < 1.0)
            .map(|w| (w * 100.0).round().max(1.0) / 100.0);
        let key = rounded.map(f64::to_bits);
        let sets = &mut self.sets;
        *self.keys.entry(key).or_insert_with(|| {
            let set = |n: u32| DrawSet::new(priors, n as usize, settings.seed, rounded);
            let fine = settings.fine_draws.max(settings.draws);
            sets.push(DrawSets { coarse: set(settings.draws), fine: set(fine) });
            sets.len() - 1
        })
    }
}

/// Where a row of the daily table belongs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct PlacedRow {
    /// Index of the meter in the register.
    meter: usize,
    day: i32,
    /// Row of the daily table.
    row: usize,
}

fn table_error(step: &'static str) -> impl Fn(PolarsError) -> FaultsError {
    move |error| FaultsError::FleetTable { step, what: error.to_string() }
}

/// Rows of the table by meter of the register, then day; of two rows of one meter and day the
/// later one stays.
fn placed_rows(daily: &Table, records: &Records) -> Result<Vec<PlacedRow>, FaultsError> {
    let names =
        daily.texts("meter").ok_or(FaultsError::MissingColumn { column: "meter", kind: "text" })?;
    let days =
        daily.days("day").ok_or(FaultsError::MissingColumn { column: "day", kind: "day" })?;
    let index: BTreeMap<&str, usize> =
        records.meters.keys().enumerate().map(|(i, name)| (name.as_str(), i)).collect();
    let (mut meter, mut day, mut row) = (Vec::new(), Vec::new(), Vec::new());
    for (i, (name, date)) in names.iter().zip(days).enumerate() {
        let known = name.as_deref().and_then(|name| index.get(name));
        if let (Some(&known), Some(date)) = (known, date) {
            meter.push(known as u32);
            day.push(date.0);
            row.push(i as u64);
        }
    }
    let frame = DataFrame::new_infer_height(vec![
        Column::new("meter".into(), meter),
        Column::new("day".into(), day),
        Column::new("row".into(), row),
    ])
    .and_then(|frame| frame.sort(["meter", "day", "row"], SortMultipleOptions::default()))
    .map_err(table_error("sort"))?;
    let meter: Vec<u32> = read(&frame, "meter", |c| Ok(c.u32()?.into_no_null_iter().collect()))?;
    let day: Vec<i32> = read(&frame, "day", |c| Ok(c.i32()?.into_no_null_iter().collect()))?;
    let row: Vec<u64> = read(&frame, "row", |c| Ok(c.u64()?.into_no_null_iter().collect()))?;
    let mut placed: Vec<PlacedRow> = Vec::with_capacity(row.len());
    for i in 0..row.len() {
        let next = PlacedRow { meter: meter[i] as usize, day: day[i], row: row[i] as usize };
        match placed.last_mut() {
            Some(last) if last.meter == next.meter && last.day == next.day => *last = next,
            _ => placed.push(next),
        }
    }
    Ok(placed)
}

fn read<T>(
    frame: &DataFrame,
    name: &str,
    get: impl Fn(&Column) -> PolarsResult<T>,
) -> Result<T, FaultsError> {
    frame.column(name).and_then(get).map_err(table_error("read"))
}

/// A column as numbers, whatever its kind; empty when the table has none of that name.
fn numbers(daily: &Table, name: &str) -> Result<Vec<f64>, FaultsError> {
    let finite = |x: f64| if x.is_finite() { x } else { f64::NAN };
    Ok(match daily.column(name).map(|column| &column.data) {
        None => Vec::new(),
        Some(ColumnData::Number(values)) => values.iter().map(|x| finite(*x)).collect(),
        Some(ColumnData::Count(values)) => {
            values.iter().map(|x| x.map_or(f64::NAN, |x| x as f64)).collect()
        }
        Some(ColumnData::Flag(values)) => {
            values.iter().map(|x| x.map_or(f64::NAN, |x| f64::from(u8::from(x)))).collect()
        }
        Some(_) => return Err(FaultsError::NotNumbers { column: name.into() }),
    })
}

fn stream_members(records: &Records) -> Vec<Vec<usize>> {
    let mut streams: BTreeMap<(&str, &str), Vec<usize>> = BTreeMap::new();
    for (i, meter) in records.meters.values().enumerate() {
        // A meter without a stream has no peers: its own name keeps it alone.
        let key = match meter.stream.as_str() {
            "" => ("", meter.meter.as_str()),
            stream => (stream, ""),
        };
        streams.entry(key).or_default().push(i);
    }
    streams.into_values().collect()
}

/// Swaps and installations: index of the meter and day, sorted.
fn swaps(records: &Records) -> Vec<(usize, i32)> {
    let mut found: Vec<(usize, i32)> = Vec::new();
    for (i, (name, meter)) in records.meters.iter().enumerate() {
        let changes = records.changes.get(name).into_iter().flatten();
        let swapped = changes.filter(|c| matches!(c.item.as_str(), "swapped" | "installed"));
        found.extend(swapped.map(|c| (i, c.time.day().0)));
        found.extend(meter.installed.map(|day| (i, day.0)));
    }
    found.sort_unstable();
    found
}

fn as_left_zeros(records: &Records) -> Vec<(usize, i32)> {
    let mut found: Vec<(usize, i32)> = Vec::new();
    for (i, name) in records.meters.keys().enumerate() {
        let zeros = records.zeros.get(name).into_iter().flatten();
        let left = zeros.filter(|z| z.state == metersift_model::records::ZeroState::AsLeft);
        found.extend(left.map(|z| (i, z.time.day().0)));
    }
    found.sort_unstable();
    found
}

/// As-of join: the last event of the row's meter strictly before the row's day.
fn last_before(order: &[PlacedRow], events: &[(usize, i32)]) -> Result<Vec<i32>, FaultsError> {
    if events.is_empty() || order.is_empty() {
        return Ok(vec![NEVER; order.len()]);
    }
    let left = DataFrame::new_infer_height(vec![
        Column::new("meter".into(), order.iter().map(|r| r.meter as u32).collect::<Vec<_>>()),
        Column::new("day".into(), order.iter().map(|r| r.day).collect::<Vec<_>>()),
    ]);
    let right = DataFrame::new_infer_height(vec![
        Column::new("meter".into(), events.iter().map(|e| e.0 as u32).collect::<Vec<_>>()),
        Column::new("event".into(), events.iter().map(|e| e.1).collect::<Vec<_>>()),
        Column::new("event_day".into(), events.iter().map(|e| e.1).collect::<Vec<_>>()),
    ]);
    let joined = left
        .and_then(|left| {
            left.join_asof_by(
                &right?,
                "day",
                "event",
                ["meter"],
                ["meter"],
                AsofStrategy::Backward,
                None,
                false,
                false,
            )
        })
        .map_err(table_error("as-of join"))?;
    read(&joined, "event_day", |c| Ok(c.i32()?.iter().map(|day| day.unwrap_or(NEVER)).collect()))
}

/// Median density of three or more other meters on the row's stream and day, in row order.
fn peer_medians(
    order: &[PlacedRow],
    streams: &[Vec<usize>],
    density: Vec<f64>,
) -> Result<Vec<f64>, FaultsError> {
    let mut peers = vec![f64::NAN; order.len()];
    if density.is_empty() || order.is_empty() {
        return Ok(peers);
    }
    let n_meters = streams.iter().map(Vec::len).sum();
    let mut stream_of = vec![0_u32; n_meters];
    for (s, members) in streams.iter().enumerate() {
        members.iter().for_each(|&m| stream_of[m] = s as u32);
    }
    let known: Vec<usize> =
        (0..order.len()).filter(|&i| density[order[i].row].is_finite()).collect();
    let frame = DataFrame::new_infer_height(vec![
        Column::new(
            "stream".into(),
            known.iter().map(|&i| stream_of[order[i].meter]).collect::<Vec<_>>(),
        ),
        Column::new("day".into(), known.iter().map(|&i| order[i].day).collect::<Vec<_>>()),
        Column::new(
            "density".into(),
            known.iter().map(|&i| density[order[i].row]).collect::<Vec<_>>(),
        ),
        Column::new("place".into(), known.iter().map(|&i| i as u64).collect::<Vec<_>>()),
    ])
    .and_then(|frame| {
        frame.sort(["stream", "day", "density", "place"], SortMultipleOptions::default())
    })
    .map_err(table_error("peer medians"))?;
    let stream: Vec<u32> = read(&frame, "stream", |c| Ok(c.u32()?.into_no_null_iter().collect()))?;
    let day: Vec<i32> = read(&frame, "day", |c| Ok(c.i32()?.into_no_null_iter().collect()))?;
    let value: Vec<f64> = read(&frame, "density", |c| Ok(c.f64()?.into_no_null_iter().collect()))?;
    let place: Vec<u64> = read(&frame, "place", |c| Ok(c.u64()?.into_no_null_iter().collect()))?;
    let mut from = 0;
    while from < stream.len() {
        let same = |i: &usize| stream[*i] == stream[from] && day[*i] == day[from];
        let until = (from..stream.len()).take_while(same).count() + from;
        for i in from..until {
            peers[place[i] as usize] = median_without(&value[from..until], i - from);
        }
        from = until;
    }
    Ok(peers)
}

/// Fewest other meters that make a median.
pub(crate) const MIN_PEERS: usize = 3;

/// Median of a sorted slice without one of its members; NaN when fewer than three are left.
pub(crate) fn median_without(sorted: &[f64], left_out: usize) -> f64 {
    let n = sorted.len().saturating_sub(1);
    if n < MIN_PEERS {
        return f64::NAN;
    }
    let at = |k: usize| sorted[if k >= left_out { k + 1 } else { k }];
    if n % 2 == 1 { at(n / 2) } else { 0.5 * (at(n / 2 - 1) + at(n / 2)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_peer_median_leaves_the_meter_itself_out() {
        let values = [1.0, 2.0, 4.0, 8.0, 100.0];
        assert_eq!(median_without(&values, 4), 3.0);
        assert_eq!(median_without(&values, 0), 6.0);
        assert!(median_without(&values[..3], 0).is_nan());
    }

    #[test]
    fn the_day_of_an_event_still_belongs_to_the_time_before_it() {
        let order: Vec<PlacedRow> =
            (0..6).map(|day| PlacedRow { meter: 1, day, row: day as usize }).collect();
        let got = last_before(&order, &[(0, 1), (1, 2), (1, 4)]).expect("join");
        assert_eq!(got, vec![NEVER, NEVER, NEVER, 2, 2, 4]);
    }
}
