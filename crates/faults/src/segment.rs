//! The part of a meter's history that a verdict may look at: from the last swap to the as-of
//! date, and the recorded resets inside it.

use crate::fleet::{Col, MeterData};
use crate::observable::Observable;
use metersift_model::records::ZeroState;
use metersift_stats as stats;
use std::ops::Range;

/// A change of spacing, resolution or repeat share by more than this factor is a change of
/// thinning: noise on such days is no evidence.
const HABIT_FACTOR: f64 = 1.5;
/// No thinning makes a signal this many times as noisy: such a rise is evidence whatever the
/// recorder did (a noisier signal is also stored more often).
const BEYOND_THINNING: f64 = 4.0;
/// No liquid is under 0.4 of the usual density: such a day was recorded in another unit.
const UNIT_SLIP: f64 = 0.4;
/// Repeat shares are compared after adding this, so that 1 % against 2 % is no change.
const REPEAT_OFFSET: f64 = 0.1;

/// One segment.
#[derive(Clone, Debug)]
pub(crate) struct Segment {
    /// Rows of the meter inside it.
    pub rows: Range<usize>,
    /// Day of the swap that began it.
    pub swap_day: Option<i32>,
    /// First day with a row.
    pub first_day: Option<i32>,
    /// Day of the last as-left zero.
    pub as_left_day: Option<i32>,
    /// Usual recorder habits: spacing, resolution, repeat share.
    habits: [f64; 3],
    /// Median noise of days with usual habits, kg/m3.
    usual_noise: f64,
    /// The same of the burst measure.
    usual_burst: f64,
    /// Median density of the segment, kg/m3.
    usual_density: f64,
    /// Column of D: the low quantile, or the median where most days are too short for it.
    drive: Col,
}

/// A recorded reset inside a segment.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Reset {
    pub day: i32,
    pub item: ResetItem,
}

/// What a reset touched.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum ResetItem {
    Cleaned,
    Recalibrated,
    DensityConstant,
    /// Known change of the density reading, kg/m3: undone exactly.
    DensityOffset(f64),
    Damping,
    FlowFactor,
    Drive,
    Pickoff,
}

impl ResetItem {
    /// Whether an observable gets a free step.
    pub fn frees(self, observable: Observable) -> bool {
        use Observable as O;
        match self {
            ResetItem::Cleaned => {
                matches!(
                    observable,
                    O::Drive | O::Density | O::Noise | O::PickoffRatio | O::Burst | O::DriveSpread
                )
            }
            ResetItem::Recalibrated => {
                matches!(observable, O::Density | O::Noise | O::Burst | O::PartnerSpan)
            }
            ResetItem::DensityConstant => {
                matches!(observable, O::Density | O::Noise | O::Burst)
            }
            ResetItem::DensityOffset(_) => false,
            ResetItem::Damping => matches!(observable, O::Noise | O::Burst),
            ResetItem::FlowFactor => observable == O::PartnerSpan,
            ResetItem::Drive => {
                matches!(observable, O::Drive | O::Noise | O::DriveSpread)
            }
            ResetItem::Pickoff => {
                matches!(observable, O::Drive | O::PickoffRatio | O::DriveSpread | O::PickoffSpread)
            }
        }
    }
}

impl Segment {
    /// The segment of a meter before an as-of date; `any_drive`: whether D may be the median of
    /// the day where the low quantile is missing.
    pub fn new(meter: &MeterData, as_of: i32, any_drive: bool) -> Segment {
        let until = meter.days.partition_point(|day| *day < as_of);
        let swap = meter
            .changes
            .iter()
            .filter(|change| matches!(change.item.as_str(), "swapped" | "installed"))
            .map(|change| change.time.day().0)
            .chain(meter.meter.installed.map(|day| day.0))
            .filter(|day| *day < as_of)
            .max();
        // The as-of join looked strictly before each day: rows of the day of a swap are mixed
        // and belong to the segment before it.
        let from = match swap {
            Some(day) => meter.swap_day[..until].partition_point(|joined| *joined < day),
            None => 0,
        };
        let as_left_day = meter
            .zeros
            .iter()
            .filter(|zero| zero.state == ZeroState::AsLeft)
            .map(|zero| zero.time.day().0)
            .filter(|day| *day < as_of && swap.is_none_or(|swap| *day >= swap))
            .max();
        let habit = |col: Col| {
            let column = meter.column(col);
            if column.is_empty() { f64::NAN } else { stats::median(&column[from..until]) }
        };
        let mut segment = Segment {
            rows: from..until,
            swap_day: swap,
            first_day: (from < until).then(|| meter.days[from]),
            as_left_day,
            habits: [
                habit(Col::NoiseSpacing),
                habit(Col::Resolution),
                habit(Col::RepeatShare) + REPEAT_OFFSET,
            ],
            usual_noise: f64::NAN,
            usual_burst: f64::NAN,
            usual_density: habit(Col::Density),
            drive: if any_drive { drive_column(meter, from..until) } else { Col::DriveLow },
        };
        let logs: Vec<f64> =
            segment.rows.clone().map(|row| segment.noise_log(meter, row)).collect();
        segment.usual_noise = stats::median(&logs).exp();
        let logs: Vec<f64> =
            segment.rows.clone().map(|row| segment.burst_log(meter, row)).collect();
        segment.usual_burst = stats::median(&logs).exp();
        segment
    }

    /// Density of a day, kg/m3; NaN on days that were recorded in another unit.
    pub fn density(&self, meter: &MeterData, row: usize) -> f64 {
        let density = meter.value(Col::Density, row);
        let factor = density / self.usual_density;
        let slipped = factor.is_finite() && !(UNIT_SLIP..=UNIT_SLIP.recip()).contains(&factor);
        if slipped { f64::NAN } else { density }
    }

    /// Whether the density of a day is known and in another unit.
    fn unit_slipped(&self, meter: &MeterData, row: usize) -> bool {
        meter.value(Col::Density, row).is_finite() && self.density(meter, row).is_nan()
    }

    /// D of a day.
    pub fn drive(&self, meter: &MeterData, row: usize) -> f64 {
        meter.value(self.drive, row)
    }

    /// ln of the burst measure of a day; NaN where a change of recording may have made it.
    pub fn burst_log(&self, meter: &MeterData, row: usize) -> f64 {
        let burst = meter.value(Col::Burst, row);
        if !(burst > 0.0) || self.unit_slipped(meter, row) {
            return f64::NAN;
        }
        let told = self.habits_hold(meter, row) || burst > BEYOND_THINNING * self.usual_burst;
        if told { burst.ln() } else { f64::NAN }
    }

    /// Whether the density of a day was recorded as usual.
    fn habits_hold(&self, meter: &MeterData, row: usize) -> bool {
        let habits = [
            meter.value(Col::NoiseSpacing, row),
            meter.value(Col::Resolution, row),
            meter.value(Col::RepeatShare, row) + REPEAT_OFFSET,
        ];
        !habits.iter().zip(&self.habits).any(|(now, usual)| {
            let factor = now / usual;
            factor.is_finite() && !(1.0 / HABIT_FACTOR..=HABIT_FACTOR).contains(&factor)
        })
    }

    /// ln density noise of a day, NaN where the recorder and not the meter may have made it.
    pub fn noise_log(&self, meter: &MeterData, row: usize) -> f64 {
        let noise = meter.value(Col::Noise, row);
        if !(noise > 0.0)
            || meter.value(Col::NoiseFloorLimited, row) > 0.5
            || self.unit_slipped(meter, row)
        {
            return f64::NAN;
        }
        let told = self.habits_hold(meter, row) || noise > BEYOND_THINNING * self.usual_noise;
        if told { noise.ln() } else { f64::NAN }
    }

    /// Resets inside the segment, by day.
    pub fn resets(&self, meter: &MeterData, as_of: i32) -> Vec<Reset> {
        let inside = |day: i32| day < as_of && self.swap_day.is_none_or(|swap| day > swap);
        meter
            .changes
            .iter()
            .filter(|change| inside(change.time.day().0))
            .filter_map(|change| {
                let item = reset_item(&change.item, &change.before, &change.after)?;
                Some(Reset { day: change.time.day().0, item })
            })
            .collect()
    }
}

/// Most days of a batch meter are too short for the low quantile of D: then the median counts.
fn drive_column(meter: &MeterData, rows: Range<usize>) -> Col {
    let known = |col: Col| rows.clone().filter(|&row| meter.value(col, row).is_finite()).count();
    if 2 * known(Col::DriveLow) >= known(Col::DriveMedian) {
        Col::DriveLow
    } else {
        Col::DriveMedian
    }
}

fn reset_item(item: &str, before: &str, after: &str) -> Option<ResetItem> {
    let number = |text: &str| text.trim().parse::<f64>().ok().filter(|x| x.is_finite());
    Some(match item {
        "cleaned" | "opened" => ResetItem::Cleaned,
        "recalibrated" => ResetItem::Recalibrated,
        _ if item.starts_with("density_offset") => match (number(before), number(after)) {
            (Some(before), Some(after)) => ResetItem::DensityOffset(after - before),
            _ => ResetItem::DensityConstant,
        },
        _ if item.starts_with("density") => ResetItem::DensityConstant,
        _ if item.starts_with("damping") => ResetItem::Damping,
        _ if item.starts_with("flow_factor") || item.starts_with("flow_span") => {
            ResetItem::FlowFactor
        }
        _ if item.starts_with("drive") => ResetItem::Drive,
        _ if item.starts_with("pickoff") => ResetItem::Pickoff,
        _ => return None,
    })
}
