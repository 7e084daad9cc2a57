//! Block values of one observable, before anything is taken out of them.

use crate::blocks::{BlockRows, Grid};
use crate::fleet::{Col, MeterData};
use crate::observable::Observable;
use crate::prepare::{Context, MeterPrep};
use crate::segment::{Reset, ResetItem, Segment};
use crate::service::root_angle;
use crate::settings::Part;
use metersift_model::records::{CheckOutcome, CheckPosition, ZeroState};

/// Density of air at room conditions, kg/m3.
const AIR_KG_M3: f64 = 1.2;

/// Spreads of D and of the pick-off ratio below which they say nothing.
const SPREAD_FLOORS: [f64; 2] = [0.003, 0.0005];

/// Raw blocks of one observable, before nuisance.
pub(crate) struct Raw {
    pub blocks: BlockRows,
    pub y: Vec<f64>,
    pub n: Vec<f64>,
}

impl Context<'_> {
    /// Whether the settings want an observable.
    pub(crate) fn uses(&self, observable: Observable) -> bool {
        let settings = &self.fleet.settings;
        match observable {
            Observable::PartnerSpan | Observable::PartnerZero => settings.uses(Part::Partner),
            Observable::AirPoint | Observable::ReferencePoint => settings.uses(Part::KnownFluid),
            Observable::Burst => settings.uses(Part::Burst),
            Observable::DriveSpread | Observable::PickoffSpread => settings.uses(Part::Spread),
            _ => true,
        }
    }

    /// Block values of an observable; `None` when the meter has none.
    pub(crate) fn raw_blocks(
        &self,
        index: usize,
        prep: &MeterPrep,
        observable: Observable,
        resets: &[Reset],
    ) -> Option<Raw> {
        let meter = &self.fleet.meters[index];
        let segment = &prep.segment;
        let signal = |value: &dyn Fn(usize) -> f64, mean: bool| -> Option<Raw> {
            let rows = segment.rows.clone().filter(|&row| value(row).is_finite());
            let blocks = BlockRows::group(prep.grid, rows.map(|row| (row, meter.days[row])));
            let y = if mean { blocks.means(value) } else { blocks.medians(value) };
            let n = blocks.counts();
            (!y.is_empty()).then_some(Raw { blocks, y, n })
        };
        let column = |col: Col, mean: bool| signal(&|row| meter.value(col, row), mean);
        // A spread below the recorder's own step is as good as that step.
        let spread = |col: Col, floor: f64| {
            signal(&|row| meter.value(col, row).max(floor).ln(), false)
                .filter(|_| !meter.column(col).is_empty())
        };
        match observable {
            Observable::Drive => signal(&|row| segment.drive(meter, row), false),
            Observable::Density => {
                let offset = |day: i32| -> f64 {
                    resets
                        .iter()
                        .filter(|reset| reset.day < day)
                        .map(|reset| match reset.item {
                            ResetItem::DensityOffset(step) => step,
                            _ => 0.0,
                        })
                        .sum()
                };
                signal(&|row| segment.density(meter, row) - offset(meter.days[row]), false)
            }
            Observable::Noise => signal(&|row| segment.noise_log(meter, row), false),
            Observable::PickoffRatio => column(Col::PickoffRatio, false),
            Observable::Burst => signal(&|row| segment.burst_log(meter, row), false),
            Observable::DriveSpread => spread(Col::DriveSpread, SPREAD_FLOORS[0]),
            Observable::PickoffSpread => spread(Col::PickoffSpread, SPREAD_FLOORS[1]),
            Observable::Gas => signal(&|row| root_angle(meter.value(Col::GasShare, row)), true)
                .filter(|_| !meter.column(Col::GasShare).is_empty()),
            Observable::PartnerSpan => column(Col::PartnerSpan, false),
            Observable::PartnerZero => {
                let stability = meter.meter.zero_stability_kg_h;
                if !(stability > 0.0) {
                    return None;
                }
                signal(&|row| meter.value(Col::PartnerZero, row) / stability, false)
            }
            Observable::AirPoint => {
                signal(&|row| meter.value(Col::AirPoint, row) - AIR_KG_M3, false)
            }
            Observable::ReferencePoint => column(Col::ReferencePoint, false),
            Observable::Zero => self.zeros(meter, segment, prep.grid),
            Observable::ZeroFound => self.zeros_found(meter, segment, prep.grid),
            Observable::Aborted => self.aborted(meter, segment, prep.grid),
            Observable::StiffnessInlet => self.stiffness(meter, prep, CheckPosition::Inlet),
            Observable::StiffnessOutlet => self.stiffness(meter, prep, CheckPosition::Outlet),
            Observable::Stiffness => self.stiffness(meter, prep, CheckPosition::Whole),
        }
    }

    /// Zeros of shut-in days in zero stabilities, since the last as-left zero.
    fn zeros(&self, meter: &MeterData, segment: &Segment, grid: Grid) -> Option<Raw> {
        let since =
            |row: usize| segment.as_left_day.is_none_or(|day| meter.as_left_day[row] >= day);
        let points = segment
            .rows
            .clone()
            .filter(|&row| meter.value(Col::Zero, row).is_finite() && since(row))
            .map(|row| (meter.days[row], meter.value(Col::Zero, row)))
            .collect();
        from_points(points, grid, false)
    }

    /// Recorded as-found zeros in zero stabilities, since the last as-left zero; each counts
    /// twice.
    fn zeros_found(&self, meter: &MeterData, segment: &Segment, grid: Grid) -> Option<Raw> {
        let stability = meter.meter.zero_stability_kg_h;
        if !(stability > 0.0) {
            return None;
        }
        let left_time = meter
            .zeros
            .iter()
            .filter(|zero| zero.state == ZeroState::AsLeft)
            .filter(|zero| segment.as_left_day == Some(zero.time.day().0))
            .map(|zero| zero.time)
            .max();
        let mut points: Vec<(i32, f64)> = Vec::new();
        for zero in &meter.zeros {
            let day = zero.time.day().0;
            let inside = day < self.as_of && segment.swap_day.is_none_or(|swap| day > swap);
            let since = left_time.is_none_or(|left| zero.time > left);
            if inside && since && zero.state == ZeroState::AsFound && zero.zero_kg_h.is_finite() {
                let value = zero.zero_kg_h / stability;
                points.extend([(day, value), (day, value)]);
            }
        }
        from_points(points, grid, false)
    }

    fn aborted(&self, meter: &MeterData, segment: &Segment, grid: Grid) -> Option<Raw> {
        let mut points: Vec<(i32, f64)> = Vec::new();
        let mut last = None;
        for check in &meter.checks {
            let day = check.time.day().0;
            let inside = day < self.as_of && segment.swap_day.is_none_or(|swap| day > swap);
            // Several rows of one time are one check.
            if inside && last != Some(check.time) {
                points.push((day, f64::from(u8::from(check.outcome == CheckOutcome::Aborted))));
            }
            last = Some(check.time);
        }
        let mut raw = from_points(points, grid, true)?;
        raw.y.iter_mut().for_each(|share| *share = root_angle(*share));
        Some(raw)
    }

    fn stiffness(
        &self,
        meter: &MeterData,
        prep: &MeterPrep,
        position: CheckPosition,
    ) -> Option<Raw> {
        let swap = prep.segment.swap_day;
        let inside = |day: i32| day < self.as_of && swap.is_none_or(|swap| day > swap);
        let usable = meter.checks.iter().filter(|check| {
            check.quantity.eq_ignore_ascii_case("stiffness")
                && check.outcome != CheckOutcome::Aborted
                && inside(check.time.day().0)
        });
        let value = |check: &&metersift_model::records::Check| {
            check.value_pct.filter(|value| value.is_finite())
        };
        if position == CheckPosition::Whole {
            // Where both ends are told, the whole is their mean and no evidence of its own.
            let ends =
                usable.clone().any(|c| c.position != CheckPosition::Whole && value(&c).is_some());
            if ends {
                return None;
            }
        }
        let points = usable
            .filter(|check| check.position == position)
            .filter_map(|check| Some((check.time.day().0, value(&check)?)))
            .collect();
        from_points(points, prep.grid, false)
    }
}

fn from_points(mut points: Vec<(i32, f64)>, grid: Grid, mean: bool) -> Option<Raw> {
    points.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let rows = points.iter().enumerate().map(|(i, point)| (i, point.0));
    let blocks = BlockRows::group(grid, rows);
    let value = |i: usize| points[i].1;
    let y = if mean { blocks.means(value) } else { blocks.medians(value) };
    let n = blocks.counts();
    (!y.is_empty()).then_some(Raw { blocks, y, n })
}

/// Blocks that hold both sides of a reset say nothing clean; they go, unless too few are left.
pub(crate) fn drop_straddling(raw: &mut Raw, grid: Grid, resets: &[i32]) {
    if resets.is_empty() || raw.y.len() < 12 {
        return;
    }
    let half = 0.5 * f64::from(grid.days);
    let keep = |t: f64| !resets.iter().any(|&day| (t - (f64::from(day) + 0.5)).abs() < half - 0.4);
    let kept: Vec<bool> = raw.blocks.t.iter().map(|t| keep(*t)).collect();
    let mut it = kept.iter();
    raw.y.retain(|_| *it.next().unwrap_or(&true));
    let mut it = kept.iter();
    raw.n.retain(|_| *it.next().unwrap_or(&true));
    raw.blocks.retain(keep);
    debug_assert_eq!(raw.blocks.len(), raw.y.len());
}
