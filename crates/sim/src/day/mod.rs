//! One meter through one UTC day: from fluid and hardware to what the historian kept.
//!
//! Why:    a day is a pure function of (site, meter, day): dumps of any span can be written from
//!         days, and a longer plan leaves earlier days as they were.
//! Method: a time grid (finer in gas and at starts), the state of fluid, tube, drive and
//!         electronics on it, then each tag's own recorder habit.
//! Units:  seconds of the day, storage units of the signals.
//! Limits: fast noise starts anew at midnight; slow states do not.

mod readings;
mod recorder;
mod states;

use crate::fault::Condition;
use crate::fluid::Fluid;
use crate::meter::*;
use crate::seed::{Draws, Purpose, normal_of, slow_wander, uniform_of, wander};
use crate::site::Site;
use crate::stream::{FluidNow, Pattern, Run};
use crate::tube::{Gas, GasEffect, Surroundings, gas_effect};
use recorder::keep;
use states::*;
use std::f64::consts::PI;

/// State of a kept sample.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum State {
    Good,
    Uncertain,
    /// Bad, with the last value.
    Bad,
    /// No value at all.
    NoData,
    /// Good, set by hand.
    Override,
}

/// One kept sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Sample {
    /// Milliseconds of the UTC day.
    pub(crate) ms: i64,
    pub(crate) value: f64,
    pub(crate) state: State,
}

/// Kept samples of a day, by slot; reused from day to day.
#[derive(Debug, Default)]
pub(crate) struct DayOut {
    pub(crate) samples: [Vec<Sample>; N_SIGNALS],
    raw: Raw,
}

#[derive(Debug, Default)]
struct Raw {
    at_s: Vec<f64>,
    fine: Vec<bool>,
    value: [Vec<f64>; N_SIGNALS],
}

/// A bout of gas.
#[derive(Clone, Copy, Debug, PartialEq)]
struct GasBout {
    from_s: f64,
    until_s: f64,
    alpha: f64,
    bubble_m: f64,
    /// Decays from its beginning, as at a start.
    decays: bool,
}

const NODES: usize = 145;
const NODE_S: f64 = 600.0;
const COARSE_S: f64 = 150.0;
const FINE_S: f64 = 40.0;

struct Today<'a> {
    site: &'a Site,
    meter: &'a MeterSim,
    unit: &'a Instrument,
    day: i64,
    runs: Vec<Run>,
    bouts: Vec<GasBout>,
    fluid: Vec<FluidNow>,
    ambient: [f64; 25],
    condition: Vec<Condition>,
    draws: Draws,
    /// Seconds since flow stopped at midnight.
    stopped_before_s: f64,
    noise_factor: f64,
    cut_off: f64,
    span_kg_h: f64,
    leak_share: f64,
    density_recal: f64,
    flow_recal: f64,
    cable_noise: f64,
    thermometer: f64,
    residue: f64,
    factor_noise_day: f64,
}

/// Simulates a day; results are in `out.samples`, in the storage unit.
pub(crate) fn simulate(site: &Site, meter_idx: usize, day: i64, out: &mut DayOut) {
    let meter = &site.meters[meter_idx];
    let today = Today::new(site, meter, day);
    today.fill(&mut out.raw);
    keep(site, meter, day, out);
}

/// Whether a meter flows at an instant, and has for five minutes: what a check needs to know
/// without a full simulation.
pub(crate) fn flows_at(site: &Site, meter: &MeterSim, at_day: f64) -> bool {
    let day = at_day.floor();
    let seconds = (at_day - day) * 86_400.0;
    let stream = &site.streams[meter.stream];
    let key = run_key(stream.spec.pattern, stream.key, meter.flow_key);
    stream
        .runs(day as i64, key)
        .iter()
        .any(|run| run.from_s + 300.0 <= seconds && seconds < run.until_s)
}

fn run_key(pattern: Pattern, stream_key: u64, flow_key: u64) -> u64 {
    match pattern {
        Pattern::Steady | Pattern::Batch => stream_key,
        Pattern::Loads | Pattern::Doses => flow_key,
    }
}

impl<'a> Today<'a> {
    fn new(site: &'a Site, meter: &'a MeterSim, day: i64) -> Today<'a> {
        let stream = &site.streams[meter.stream];
        let at = day as f64;
        let key = run_key(stream.spec.pattern, stream.key, meter.flow_key);
        let runs = stream.runs(day, key);
        let unit = meter.unit_at(at + 0.5);
        let condition = if meter.faults.is_empty() {
            vec![Condition::NEW; 25]
        } else {
            (0..25).map(|hour| meter.condition(at + f64::from(hour) / 24.0, stream)).collect()
        };
        let fluid = (0..NODES)
            .map(|i| stream.fluid_at(at + i as f64 / 144.0, site.start_day_of_year))
            .collect();
        let mut ambient = [0.0; 25];
        for (hour, degc) in ambient.iter_mut().enumerate() {
            *degc = site.ambient_degc(at + hour as f64 / 24.0);
        }
        let mut today = Today {
            site,
            meter,
            unit,
            day,
            runs,
            bouts: Vec::new(),
            fluid,
            ambient,
            condition,
            draws: Draws::new(site.plan.seed, meter.key, Purpose::Noise, day as u64),
            stopped_before_s: stopped_before(site, meter, day),
            noise_factor: site.plan.variation.noise_factor,
            cut_off: 0.0,
            span_kg_h: 1.25 * meter.max_flow_kg_h,
            leak_share: 0.0,
            density_recal: 0.0,
            flow_recal: 1.0,
            cable_noise: 0.0,
            thermometer: unit.thermometer,
            residue: 0.0,
            factor_noise_day: (0.18 * wander(unit.key ^ 0x77, at, 2.5)
                + 0.12 * slow_wander(unit.key ^ 0x78, at))
            .exp(),
        };
        today.look_alikes(at + 0.5);
        today.draw_bouts();
        today
    }

    fn look_alikes(&mut self, at: f64) {
        for confounder in &self.meter.confounders {
            if at < confounder.first_day() {
                continue;
            }
            match *confounder {
                Confounder::Damping { factor, .. } => self.noise_factor *= factor,
                Confounder::CutOff { .. } => self.cut_off = 0.008 * self.meter.max_flow_kg_h,
                Confounder::Respanned { span_kg_h, .. } => self.span_kg_h = span_kg_h,
                Confounder::ValveLeak { share, .. } => self.leak_share = share,
                Confounder::Recalibrated { density, flow_factor, .. } => {
                    self.density_recal += density;
                    self.flow_recal *= flow_factor;
                }
                Confounder::CableNoise { noise, .. } => self.cable_noise = noise,
                Confounder::Thermometer { from_day, kelvin_per_100_d } => {
                    self.thermometer += kelvin_per_100_d * (at - from_day) / 100.0;
                }
                Confounder::WetResidue { share } => self.residue = share,
                _ => {}
            }
        }
    }

    fn draw_bouts(&mut self) {
        let mut draws =
            Draws::new(self.site.plan.seed, self.meter.key, Purpose::Gas, self.day as u64);
        let stream = &self.site.streams[self.meter.stream];
        let noon = self.day as f64 + 0.5;
        let startup = if self
            .meter
            .confounders
            .iter()
            .any(|c| matches!(c, Confounder::StartupGas { from_day } if noon >= *from_day))
        {
            1.0
        } else {
            stream.spec.startup_gas
        };
        for run in self.runs.iter().filter(|run| !run.carried) {
            if draws.chance(startup) {
                self.bouts.push(GasBout {
                    from_s: run.from_s,
                    until_s: run.from_s + draws.range(200.0, 700.0),
                    alpha: draws.log_range(0.004, 0.08),
                    bubble_m: draws.log_range(4e-5, 1.5e-3),
                    decays: true,
                });
            }
        }
        let condition = self.condition[12];
        self.add_bouts(&mut draws, condition.gas_share, condition.gas_alpha);
        // What the stream brings comes to all its meters at once.
        let mut shared = Draws::new(stream.key, 0, Purpose::Gas, self.day as u64);
        self.add_bouts(&mut shared, stream.gas_share(noon), 0.012);
        // A lone bubble now and then passes every line.
        if !self.runs.is_empty() && draws.chance(0.04) {
            let run = self.runs[draws.pick(self.runs.len())];
            let from_s = draws.range(run.from_s, run.until_s);
            self.bouts.push(GasBout {
                from_s,
                until_s: (from_s + draws.range(60.0, 400.0)).min(run.until_s),
                alpha: draws.log_range(0.002, 0.02),
                bubble_m: draws.log_range(1e-4, 2e-3),
                decays: true,
            });
        }
        self.bouts.sort_by(|a, b| a.from_s.total_cmp(&b.from_s));
    }

    /// Bouts of gas whose lengths add up to about a share of the flowing time.
    fn add_bouts(&mut self, draws: &mut Draws, share: f64, alpha: f64) {
        let flowing: f64 = self.runs.iter().map(|run| run.until_s - run.from_s).sum();
        let mut left = share * flowing * draws.range(0.4, 1.6);
        for _ in 0..90 {
            if left <= 60.0 {
                break;
            }
            let at = draws.range(0.0, 86_400.0);
            let length = draws.exponential(1500.0).clamp(120.0, 14_000.0).min(left.max(240.0));
            let alpha = alpha * (0.5 * draws.normal()).exp();
            let bubble_m = draws.log_range(6e-5, 2e-3);
            let Some(run) = self.runs.iter().find(|run| run.from_s <= at && at < run.until_s)
            else {
                continue;
            };
            let until_s = (at + length).min(run.until_s);
            left -= until_s - at;
            self.bouts.push(GasBout { from_s: at, until_s, alpha, bubble_m, decays: false });
        }
    }

    fn grid(&mut self, raw: &mut Raw) {
        raw.at_s.clear();
        raw.fine.clear();
        let phase = 20.0 * uniform_of(self.meter.key ^ 0x51, self.day);
        let mut at = phase;
        while at < 86_399.0 {
            let fine = self.bouts.iter().any(|b| b.from_s - COARSE_S < at && at < b.until_s + 80.0);
            raw.at_s.push(at);
            raw.fine.push(fine);
            let jitter = (self.draws.bits() & 0xFFF) as f64 * (1.0 / 4096.0);
            at += if fine { FINE_S + 4.0 * jitter } else { COARSE_S + 12.0 * jitter };
        }
    }

    fn fill(mut self, raw: &mut Raw) {
        self.grid(raw);
        let Raw { at_s: times, value: columns, .. } = raw;
        let n = times.len();
        for column in columns.iter_mut() {
            column.clear();
            column.reserve(n);
        }
        let mut walk = Walk::new(&mut self.draws);
        let reference = self.reference();
        let mut liquid = Liquid::default();
        let slow = Slow::new(&self);
        for &at_s in times.iter() {
            let hour = ((at_s / 3600.0) as usize).min(23);
            let condition = self.condition[hour];
            let flow = self.flow_state(at_s);
            let second = self.day as f64 * 86_400.0 + at_s;
            walk.step(&mut self.draws, at_s, wander(self.meter.flow_key ^ 0x4C, second, 900.0));
            let (fluid, ambient) = (self.fluid_now(at_s), self.ambient[hour]);
            let usual = self.site.streams[self.meter.stream].spec.fluid;
            let (filling, fluid) = if self.flushed(at_s) {
                (Fluid::Water, FluidNow { strength: 0.0, temperature_degc: 62.0, ..fluid })
            } else {
                (usual, fluid)
            };
            let temperature = self.temperature(&flow, &fluid, ambient) + 0.05 * walk.temperature;
            liquid.refresh(filling, &fluid, temperature);
            let point = Point { flow, temperature, ambient, condition };
            let values = self.readings(&point, &liquid, &reference, &slow, &walk);
            for (slot, value) in values.into_iter().enumerate() {
                columns[slot].push(value);
            }
        }
    }

    /// Usual fluid and temperature of the stream, at which drive gain is what the unit says.
    fn reference(&self) -> Reference {
        let spec = &self.site.streams[self.meter.stream].spec;
        let (s, t) = (spec.strength, spec.temperature_degc);
        let rho = spec.fluid.density_kg_m3(s, t);
        let f_hz = frequency(self.unit, &Condition::NEW, rho, t, spec.pressure_kpa);
        Reference {
            ln_rho_eta: (rho * spec.fluid.viscosity_mpa_s(s, t)).ln(),
            mass: self.unit.r0 + rho,
            f_hz,
        }
    }

    fn fluid_now(&self, at_s: f64) -> FluidNow {
        let position = at_s / NODE_S;
        let node = (position as usize).min(NODES - 2);
        let share = position - node as f64;
        let (a, b) = (&self.fluid[node], &self.fluid[node + 1]);
        FluidNow {
            strength: a.strength + share * (b.strength - a.strength),
            temperature_degc: a.temperature_degc
                + share * (b.temperature_degc - a.temperature_degc),
            load: a.load + share * (b.load - a.load),
        }
    }

    /// On the day of a cleaning the line runs on hot water for 50 minutes afterwards.
    fn flushed(&self, at_s: f64) -> bool {
        let at = self.day as f64 + at_s / 86_400.0;
        self.meter.cleanings.iter().any(|&c| c - 0.01 <= at && at < c + 0.035)
    }

    /// The electronics restart now and then: for three minutes nothing is measured.
    fn restarting(&self, at_s: f64) -> bool {
        let key = self.meter.key ^ 0x2E57;
        let begins = 86_400.0 * uniform_of(key ^ 1, self.day);
        uniform_of(key, self.day) < 0.008 && begins <= at_s && at_s < begins + 180.0
    }

    fn flow_state(&self, at_s: f64) -> FlowState {
        let mut since_stop = self.stopped_before_s + at_s;
        for run in &self.runs {
            if at_s < run.from_s {
                break;
            }
            if at_s < run.until_s {
                let since_start = if run.carried { 1e6 } else { at_s - run.from_s };
                let ramp = (since_start / 90.0).min(1.0) * ((run.until_s - at_s) / 40.0).min(1.0);
                let ramp =
                    if run.until_s >= 86_400.0 { (since_start / 90.0).min(1.0) } else { ramp };
                return FlowState { level: run.level * ramp, since_stop: 0.0, drained: false };
            }
            since_stop = at_s - run.until_s;
        }
        let stop = self.site.streams[self.meter.stream].stop_at(self.day as f64 + at_s / 86_400.0);
        let drained = stop.is_some_and(|stop| {
            stop.drained && self.day as f64 + at_s / 86_400.0 > stop.from_day + 0.03
        });
        FlowState { level: 0.0, since_stop, drained }
    }

    fn temperature(&self, flow: &FlowState, fluid: &FluidNow, ambient: f64) -> f64 {
        if flow.level > 0.0 {
            return fluid.temperature_degc;
        }
        let inside = ambient.max(6.0) + 3.0;
        // Large bodies cool slowly: 1.5 h for a small meter, 5 h for a large one.
        let tau_s = 3600.0 * (1.2 + 0.04 * self.meter.size_mm);
        inside + (fluid.temperature_degc - inside) * (-flow.since_stop / tau_s).exp()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Plan;
    use crate::tube::TubeChange;

    fn plain_unit() -> Instrument {
        let mut draws = Draws::new(1, 1, Purpose::Instrument, 0);
        Instrument {
            uncompensated: 0.0,
            stiffening: 0.0,
            ..Instrument::draw(&mut draws, 25.0, "water")
        }
    }

    /// Identity of the resonator: a new, fully compensated tube reports its filling at any
    /// temperature, and a changed one reports (r0 (1+mu) + rho) / (1+kappa) - r0.
    #[test]
    fn a_new_tube_reports_its_filling_and_a_changed_one_what_the_formula_says() {
        let unit = plain_unit();
        for (rho, t) in [(1.2, 15.0), (998.2, 20.0), (1340.0, 75.0)] {
            let f = frequency(&unit, &Condition::NEW, rho, t, 300.0);
            assert!((indicated(&unit, f, t) - rho).abs() < 1e-9 * (unit.r0 + rho), "{rho}");
        }
        let tube = TubeChange { kappa: -0.01, mu: -0.008, ..TubeChange::default() };
        let worn = Condition { tube, ..Condition::NEW };
        let f = frequency(&unit, &worn, 998.2, 20.0, 0.0);
        let want = (unit.r0 * 0.992 + 998.2) / 0.99 - unit.r0;
        assert!((indicated(&unit, f, 20.0) - want).abs() < 1e-6, "{want}");
    }

    /// Soft deposit of 3 %, 2000 kg/m3: air +60, water +30 kg/m3 (mass balance of the bore).
    #[test]
    fn a_soft_deposit_shifts_air_and_water_by_different_amounts() {
        let unit = plain_unit();
        let coated = Condition { deposit_share: 0.03, deposit_kg_m3: 2000.0, ..Condition::NEW };
        for (rho, shift) in [(1.2, 59.964), (998.2, 30.054)] {
            let f = frequency(&unit, &coated, rho, 20.0, 0.0);
            assert!((indicated(&unit, f, 20.0) - rho - shift).abs() < 1e-3, "{rho}");
        }
    }

    /// Densities in a simulated day against the published density of the fluid at the
    /// temperature reported: within calibration error, compensation and wander (6 kg/m3).
    #[test]
    fn a_quiet_meter_reads_the_density_of_its_fluid() {
        let site = Site::new(&Plan::larkmoor(60, 30, 4));
        let mut out = DayOut::default();
        let mut seen = 0;
        for (i, meter) in site.meters.iter().enumerate() {
            let stream = &site.streams[meter.stream];
            let spec = &stream.spec;
            let plain = meter.faults.is_empty()
                && meter.confounders.is_empty()
                && stream.events.is_empty()
                && spec.pattern == Pattern::Steady
                && matches!(spec.fluid, Fluid::Water | Fluid::Syrup);
            if !plain || stream.stop_at(11.0).is_some() {
                continue;
            }
            simulate(&site, i, 11, &mut out);
            let middle = |slot: usize| {
                let mut values: Vec<f64> = out.samples[slot].iter().map(|s| s.value).collect();
                values.sort_by(f64::total_cmp);
                values.get(values.len() / 2).copied()
            };
            let (Some(density), Some(t)) = (middle(DENSITY), middle(TEMPERATURE)) else { continue };
            let strength = stream.fluid_at(11.5, site.start_day_of_year).strength;
            let want = spec.fluid.density_kg_m3(strength, t);
            assert!((density - want).abs() < 6.0, "{} reads {density}, {want}", meter.name);
            seen += 1;
        }
        assert!(seen >= 3, "{seen}");
    }

    #[test]
    fn a_day_is_the_same_however_often_it_is_asked_for() {
        let site = Site::new(&Plan::larkmoor(12, 20, 9));
        let (mut a, mut b) = (DayOut::default(), DayOut::default());
        simulate(&site, 3, 7, &mut a);
        simulate(&site, 5, 2, &mut b);
        simulate(&site, 3, 7, &mut b);
        for slot in 0..N_SIGNALS {
            assert_eq!(a.samples[slot], b.samples[slot]);
        }
    }

    #[test]
    fn samples_of_a_tag_stand_in_order_of_time_within_their_day() {
        let site = Site::new(&Plan::larkmoor(30, 20, 2));
        let mut out = DayOut::default();
        for meter in 0..30 {
            simulate(&site, meter, 5, &mut out);
            for samples in &out.samples {
                assert!(samples.windows(2).all(|pair| pair[0].ms < pair[1].ms));
                assert!(samples.iter().all(|s| (0..86_400_000).contains(&s.ms)));
            }
        }
    }

    /// At a saturated drive the amplitude falls as one over the damping, so drive gain over
    /// amplitude goes on telling it (any vibration textbook).
    #[test]
    fn pickoffs_fall_only_when_the_drive_is_saturated() {
        let site = Site::new(&Plan::larkmoor(160, 40, 6));
        let mut out = DayOut::default();
        let mut fallen = 0;
        for (i, meter) in site.meters.iter().enumerate() {
            if meter.tag(PICKOFF_IN).is_none()
                || meter.tag(DRIVE).is_none()
                || !meter.faults.is_empty()
            {
                continue;
            }
            let site_day = 3;
            Today::new(&site, meter, site_day).fill(&mut out.raw);
            let unit = meter.unit_at(3.5);
            for (drive, mv) in out.raw.value[DRIVE].iter().zip(&out.raw.value[PICKOFF_IN]) {
                let share = mv / unit.pickoff_in_mv;
                if *drive < 99.0 {
                    assert!((share - 1.0).abs() < 0.6 && share > 0.85, "{i}: {drive} {share}");
                } else if share < 0.7 {
                    fallen += 1;
                }
            }
        }
        assert!(fallen > 0);
    }
}
