//! Meters of the site: instrument constants, recorder habits, faults, look-alikes and events.
//!
//! Units: mm, kg/h, kg/m3, Hz, mV as the field names say; days since the site's first day.
//! Source: orders of magnitude (base accuracy 0.1..0.2 %, zero stability near 1e-4 of the
//!         largest flow, drive gain a few to a few tens of per cent) are common practice, no
//!         source; r0 follows from steel, wall over bore and 10..30 % of driver and pick-offs.

use crate::fault::{Condition, Fault};
use crate::seed::Draws;
use crate::stream::Stream;
use crate::tube::{STEEL_KG_M3, WearShape, clamped_tube_hz};
use metersift_model::Signal;

/// Number of signals a meter can have.
pub(crate) const N_SIGNALS: usize = 9;
pub(crate) const FLOW: usize = 0;
pub(crate) const DENSITY: usize = 1;
pub(crate) const DRIVE: usize = 2;
pub(crate) const TEMPERATURE: usize = 3;
pub(crate) const PICKOFF_IN: usize = 4;
pub(crate) const PICKOFF_OUT: usize = 5;
pub(crate) const FREQUENCY: usize = 6;
pub(crate) const PRESSURE: usize = 7;
pub(crate) const VOLUME: usize = 8;

/// The signal of a slot.
pub(crate) fn signal_of(slot: usize) -> Signal {
    match slot {
        FLOW => Signal::MassFlow,
        DENSITY => Signal::Density,
        DRIVE => Signal::DriveGain,
        TEMPERATURE => Signal::Temperature,
        PICKOFF_IN => Signal::PickoffInlet,
        PICKOFF_OUT => Signal::PickoffOutlet,
        FREQUENCY => Signal::TubeFrequency,
        PRESSURE => Signal::Pressure,
        _ => Signal::VolumeFlow,
    }
}

/// How a historian keeps one tag.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Habit {
    /// A sample every so often; `aligned` stamps fall on whole spacings.
    Periodic { every_s: f64, aligned: bool },
    /// A sample when it moved by more than the dead band, or when the longest gap is over;
    /// stamps are cut to whole `stamp_s` where that is not zero.
    OnChange { dead_band: f64, longest_s: f64, shortest_s: f64, stamp_s: f64 },
    /// The last kept sample, repeated at even spacing.
    Held { dead_band: f64, every_s: f64 },
    /// Straight lines between kept samples, read off at even spacing.
    Line { dead_band: f64, every_s: f64 },
}

/// One tag of one meter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Tag {
    pub(crate) slot: usize,
    pub(crate) habit: Habit,
    /// Step of the recorded value, in the storage unit; 0 = as fine as printed.
    pub(crate) resolution: f64,
    /// Offset of its stamps against the other tags, ms.
    pub(crate) offset_ms: i64,
    /// Decimals printed.
    pub(crate) decimals: usize,
}

/// Constants of one physical unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Instrument {
    pub(crate) key: u64,
    /// Structure's mass over bore volume, kg/m3.
    pub(crate) r0: f64,
    /// Frequency full of water at 20 degC, Hz.
    pub(crate) water_hz: f64,
    pub(crate) bore_m: f64,
    pub(crate) wall_to_bore: f64,
    /// Share of the tube's mass that is wall.
    pub(crate) wall_mass_share: f64,
    /// Drive gain at the usual fluid, %.
    pub(crate) drive_pct: f64,
    /// Share of damping that the fluid makes at the usual fluid.
    pub(crate) fluid_damping: f64,
    /// Damping ratio of the tube itself.
    pub(crate) damping_ratio: f64,
    pub(crate) pickoff_in_mv: f64,
    pub(crate) pickoff_out_mv: f64,
    /// Density error at calibration, kg/m3, and its drift with age per 100 days.
    pub(crate) density_offset: f64,
    pub(crate) density_age: f64,
    /// Share of the temperature effect on stiffness that compensation misses.
    pub(crate) uncompensated: f64,
    /// Stiffening per kPa.
    pub(crate) stiffening: f64,
    /// kg/m3 per (m/s)^2.
    pub(crate) velocity_effect: f64,
    /// Span error of flow, %.
    pub(crate) span_pct: f64,
    /// Zero at the reference, in zero stabilities; per 10 K of fluid and of ambient.
    pub(crate) zero: f64,
    pub(crate) zero_per_10_k: f64,
    pub(crate) zero_ambient_per_10_k: f64,
    /// Noise: density kg/m3, flow share, drive share.
    pub(crate) density_noise: f64,
    pub(crate) flow_noise: f64,
    pub(crate) drive_noise: f64,
    /// Slow wander: density kg/m3, drive share, pick-off ratio, zero.
    pub(crate) density_wander: f64,
    pub(crate) drive_wander: f64,
    pub(crate) pickoff_wander: f64,
    pub(crate) zero_wander: f64,
    /// Drive gain per 10 K of ambient (copper, electronics).
    pub(crate) drive_ambient_per_10_k: f64,
    /// Check scatter, % of stiffness.
    pub(crate) check_scatter: f64,
    /// Temperature error at start and drift, K and K per 100 days.
    pub(crate) thermometer: f64,
}

/// Whether a service's fluid damps the tubes by itself.
pub(crate) fn is_viscous(service: &str) -> bool {
    matches!(service, "syrup" | "loading" | "liquor" | "oil" | "caustic")
}

impl Instrument {
    pub(crate) fn draw(draws: &mut Draws, size_mm: f64, service: &str) -> Instrument {
        let wall_to_bore = draws.range(0.045, 0.10);
        let extra = draws.range(0.10, 0.30);
        let bore_m = size_mm * 1e-3 * draws.range(0.48, 0.62);
        let outer = bore_m * (1.0 + 2.0 * wall_to_bore);
        let wall_ratio = (1.0 + 2.0 * wall_to_bore).powi(2) - 1.0;
        // Bent tubes are long and soft: a straight one of 55..75 bores stands for them.
        let length = bore_m * draws.range(30.0, 42.0) * (0.025 / bore_m).powf(0.25);
        let water_hz = clamped_tube_hz(195e9, outer, bore_m * wall_to_bore, length, 998.2) * 0.72;
        let viscous = is_viscous(service);
        Instrument {
            key: draws.bits(),
            r0: STEEL_KG_M3 * wall_ratio * (1.0 + extra),
            water_hz: water_hz.clamp(55.0, 420.0),
            bore_m,
            wall_to_bore,
            wall_mass_share: 1.0 / (1.0 + extra),
            drive_pct: draws.log_range(3.0, if viscous { 28.0 } else { 14.0 }),
            fluid_damping: if viscous { draws.range(0.3, 0.75) } else { draws.range(0.05, 0.35) },
            damping_ratio: draws.log_range(0.7e-4, 3e-4),
            pickoff_in_mv: draws.range(110.0, 260.0),
            pickoff_out_mv: 0.0,
            density_offset: 0.4 * draws.normal(),
            density_age: 0.05 * draws.normal(),
            uncompensated: 0.012 * draws.normal(),
            stiffening: draws.log_range(2e-8, 1.5e-6),
            velocity_effect: draws.log_range(0.002, 0.02),
            span_pct: 0.05 * draws.normal(),
            zero: 0.35 * draws.normal(),
            zero_per_10_k: 0.15 * draws.normal(),
            zero_ambient_per_10_k: 0.12 * draws.normal(),
            density_noise: draws.log_range(0.012, 0.12),
            flow_noise: draws.log_range(0.0008, 0.006),
            drive_noise: draws.log_range(0.004, 0.03),
            density_wander: draws.log_range(0.03, 0.5),
            drive_wander: draws.log_range(0.008, 0.06),
            pickoff_wander: draws.log_range(1.5e-4, 2e-3),
            zero_wander: draws.log_range(0.15, 0.8),
            drive_ambient_per_10_k: draws.range(0.0, 0.015),
            check_scatter: draws.log_range(0.02, 0.12),
            thermometer: 0.15 * draws.normal(),
        }
        .with_outlet(draws)
    }

    fn with_outlet(mut self, draws: &mut Draws) -> Instrument {
        self.pickoff_out_mv = self.pickoff_in_mv * (1.0 + 0.02 * draws.normal());
        self
    }

    pub(crate) fn wall(&self) -> WearShape {
        WearShape {
            centre: 0.5,
            half_width: 10.0,
            wall_to_bore: self.wall_to_bore,
            wall_mass_share: self.wall_mass_share,
        }
    }
}

/// What looks like a fault and is none.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Confounder {
    /// Dead bands of all tags times a factor.
    Thinning { from_day: f64, factor: f64 },
    /// Flow is clipped at a smaller span, kg/h, and coarser.
    Respanned { from_day: f64, span_kg_h: f64 },
    /// Noise times a factor below one.
    Damping { from_day: f64, factor: f64, recorded: bool },
    /// Small flows read exactly zero.
    CutOff { from_day: f64, recorded: bool },
    /// Every start draws air for some minutes.
    StartupGas { from_day: f64 },
    /// Another physical unit.
    Swapped { day: f64 },
    /// New density offset kg/m3 and flow factor.
    Recalibrated { day: f64, density: f64, flow_factor: f64, recorded: bool },
    /// One tag recorded in another unit.
    UnitSlip { slot: usize, from_day: f64, until_day: f64, factor: f64 },
    /// No readings at all, or of one tag.
    Gap { slot: Option<usize>, from_day: f64, until_day: f64 },
    /// One tag repeats its last value.
    Stuck { slot: usize, from_day: f64, until_day: f64 },
    /// The thermometer drifts, K per 100 days.
    Thermometer { from_day: f64, kelvin_per_100_d: f64 },
    /// A block valve leaks at shut-in, share of the largest flow.
    ValveLeak { from_day: f64, share: f64 },
    /// Noise on the drive signal in bouts.
    CableNoise { from_day: f64, noise: f64 },
    /// Density residue after draining.
    WetResidue { share: f64 },
}

impl Confounder {
    pub(crate) fn name(&self) -> &'static str {
        match self {
            Confounder::Thinning { .. } => "thinning_changed",
            Confounder::Respanned { .. } => "respanned",
            Confounder::Damping { .. } => "damping_changed",
            Confounder::CutOff { .. } => "cut_off_enabled",
            Confounder::StartupGas { .. } => "startup_gas",
            Confounder::Swapped { .. } => "swapped",
            Confounder::Recalibrated { .. } => "recalibrated",
            Confounder::UnitSlip { .. } => "unit_slip",
            Confounder::Gap { .. } => "gap",
            Confounder::Stuck { .. } => "stuck",
            Confounder::Thermometer { .. } => "thermometer_drift",
            Confounder::ValveLeak { .. } => "valve_leak",
            Confounder::CableNoise { .. } => "cable_noise",
            Confounder::WetResidue { .. } => "wet_residue",
        }
    }

    /// Last instant of what passes by itself.
    pub(crate) fn until_day(&self) -> Option<f64> {
        match *self {
            Confounder::UnitSlip { until_day, .. }
            | Confounder::Gap { until_day, .. }
            | Confounder::Stuck { until_day, .. } => Some(until_day),
            _ => None,
        }
    }

    pub(crate) fn first_day(&self) -> f64 {
        match *self {
            Confounder::Thinning { from_day, .. }
            | Confounder::Respanned { from_day, .. }
            | Confounder::Damping { from_day, .. }
            | Confounder::CutOff { from_day, .. }
            | Confounder::StartupGas { from_day }
            | Confounder::UnitSlip { from_day, .. }
            | Confounder::Gap { from_day, .. }
            | Confounder::Stuck { from_day, .. }
            | Confounder::Thermometer { from_day, .. }
            | Confounder::ValveLeak { from_day, .. }
            | Confounder::CableNoise { from_day, .. } => from_day,
            Confounder::Swapped { day } | Confounder::Recalibrated { day, .. } => day,
            Confounder::WetResidue { .. } => 0.0,
        }
    }
}

/// A meter opened in the past.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Opening {
    pub(crate) day: f64,
    /// Index of the fault that was found; `None` = found good.
    pub(crate) fault: Option<usize>,
    /// Whether another unit went in (else it was cleaned, or closed again).
    pub(crate) swapped: bool,
}

/// Everything about one meter.
#[derive(Clone, Debug)]
pub(crate) struct MeterSim {
    pub(crate) name: String,
    pub(crate) index: usize,
    pub(crate) stream: usize,
    pub(crate) key: u64,
    pub(crate) size_mm: f64,
    pub(crate) max_flow_kg_h: f64,
    pub(crate) zero_stability_kg_h: f64,
    pub(crate) base_accuracy_pct: f64,
    pub(crate) usual_kg_h: f64,
    pub(crate) criticality: u8,
    pub(crate) custody: bool,
    pub(crate) check_every_days: Option<f64>,
    pub(crate) check_halves: bool,
    pub(crate) zero_every_days: Option<f64>,
    pub(crate) installed_days_before: i32,
    pub(crate) uses: &'static str,
    pub(crate) tolerable_pct: Option<f64>,
    pub(crate) safety_function: bool,
    pub(crate) series_with: Option<usize>,
    /// Key of its flow: the partner's where two meters stand in series.
    pub(crate) flow_key: u64,
    pub(crate) tags: Vec<Tag>,
    /// First day and constants of each physical unit, sorted.
    pub(crate) units: Vec<(f64, Instrument)>,
    pub(crate) faults: Vec<Fault>,
    pub(crate) confounders: Vec<Confounder>,
    pub(crate) openings: Vec<Opening>,
    /// Day and change in zero stabilities of each zero adjustment, sorted.
    pub(crate) adjustments: Vec<(f64, f64)>,
    /// Day from which its tags carry another name.
    pub(crate) renamed: Option<f64>,
    /// Days of routine cleanings.
    pub(crate) cleanings: Vec<f64>,
}

impl MeterSim {
    /// The physical unit in place on a day.
    pub(crate) fn unit_at(&self, day: f64) -> &Instrument {
        let after = self.units.partition_point(|(from, _)| *from <= day);
        &self.units[after.saturating_sub(1)].1
    }

    /// Sum of the zero adjustments made up to a day, zero stabilities.
    pub(crate) fn adjusted(&self, day: f64) -> f64 {
        self.adjustments.iter().filter(|(at, _)| *at <= day).map(|(_, by)| by).sum()
    }

    /// Hardware condition at a day.
    pub(crate) fn condition(&self, day: f64, stream: &Stream) -> Condition {
        let load = |d: f64| stream.load_days_at(d);
        self.faults.iter().fold(Condition::NEW, |sum, fault| sum.with(&fault.condition(day, &load)))
    }

    /// Flow error that the service can bear, %.
    pub(crate) fn tolerable_flow_error_pct(&self) -> f64 {
        let multiple = if self.custody { 3.0 } else { 5.0 };
        self.tolerable_pct.unwrap_or(multiple * self.base_accuracy_pct)
    }

    pub(crate) fn tag(&self, slot: usize) -> Option<&Tag> {
        self.tags.iter().find(|tag| tag.slot == slot)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seed::Purpose;

    /// Orders of magnitude of the trade (common practice, no source): 50..420 Hz, drive gain a
    /// few to a few tens of per cent; r0 1400..4600 kg/m3 as computed for steel tubes.
    #[test]
    fn instruments_lie_within_the_orders_of_magnitude_of_the_trade() {
        for i in 0..400 {
            let mut draws = Draws::new(3, i, Purpose::Instrument, 0);
            let size = [8.0, 15.0, 25.0, 50.0, 100.0][i as usize % 5];
            let unit = Instrument::draw(&mut draws, size, "syrup");
            assert!((1400.0..4700.0).contains(&unit.r0), "{}", unit.r0);
            assert!((55.0..=420.0).contains(&unit.water_hz), "{}", unit.water_hz);
            assert!((3.0..=28.0).contains(&unit.drive_pct));
            assert!((unit.pickoff_in_mv / unit.pickoff_out_mv).ln().abs() < 0.1);
        }
    }
}
