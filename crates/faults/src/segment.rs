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
                matches!(observable, O::Drive | O::Density | O::Noise | O::PickoffRatio)
            }
            ResetItem::Recalibrated => {
                matches!(observable, O::Density | O::Noise | O::PartnerSpan)
            }
            ResetItem::DensityConstant => matches!(observable, O::Density | O::Noise),
            ResetItem::DensityOffset(_) => false,
            ResetItem::Damping => observable == O::Noise,
            ResetItem::FlowFactor => observable == O::PartnerSpan,
            ResetItem::Drive => matches!(observable, O::Drive | O::Noise),
            ResetItem::Pickoff => matches!(observable, O::Drive | O::PickoffRatio),
        }
    }
}

impl Segment {
    /// The segment of a meter before an as-of date.
    pub fn new(meter: &MeterData, as_of: i32) -> Segment {
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
        };
        let logs: Vec<f64> =
            segment.rows.clone().map(|row| segment.noise_log(meter, row)).collect();
        segment.usual_noise = stats::median(&logs).exp();
        segment
    }

    /// ln density noise of a day, NaN where the recorder and not the meter may have made it.
    pub fn noise_log(&self, meter: &MeterData, row: usize) -> f64 {
        let noise = meter.value(Col::Noise, row);
        if !(noise > 0.0) || meter.value(Col::NoiseFloorLimited, row) > 0.5 {
            return f64::NAN;
        }
        let habits = [
            meter.value(Col::NoiseSpacing, row),
            meter.value(Col::Resolution, row),
            meter.value(Col::RepeatShare, row) + REPEAT_OFFSET,
        ];
        let changed = habits.iter().zip(&self.habits).any(|(now, usual)| {
            let factor = now / usual;
            factor.is_finite() && !(1.0 / HABIT_FACTOR..=HABIT_FACTOR).contains(&factor)
        });
        if changed && !(noise > BEYOND_THINNING * self.usual_noise) { f64::NAN } else { noise.ln() }
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
