//! States within a day: fast walks, slow wander, liquid properties, the resonator.

use super::*;

/// Slow states of the day (they move little within one).
pub(super) struct Slow {
    pub(super) density: f64,
    pub(super) drive: f64,
    pub(super) pickoff: f64,
    pub(super) zero: f64,
}

impl Slow {
    pub(super) fn new(today: &Today) -> Slow {
        let (unit, at) = (today.unit, today.day as f64 + 0.5);
        let wander = |sd: f64, key: u64| {
            today.site.plan.variation.wander_factor * sd * slow_wander(unit.key ^ key, at)
        };
        Slow {
            density: unit.density_offset
                + unit.density_age * at / 100.0
                + wander(unit.density_wander, 0xD0),
            drive: wander(unit.drive_wander, 0xD1).exp(),
            pickoff: wander(unit.pickoff_wander, 0xD2),
            zero: wander(unit.zero_wander, 0xD3) + today.meter.adjusted(at),
        }
    }
}

#[derive(Clone, Copy)]
pub(super) struct FlowState {
    pub(super) level: f64,
    pub(super) since_stop: f64,
    pub(super) drained: bool,
}

pub(super) struct Point {
    pub(super) flow: FlowState,
    pub(super) temperature: f64,
    pub(super) ambient: f64,
    pub(super) condition: Condition,
}

pub(super) struct Reference {
    pub(super) ln_rho_eta: f64,
    pub(super) mass: f64,
    pub(super) f_hz: f64,
}

/// Fast process states. Load is a function of the flow's own key and of time, so that meters in
/// series see one flow; the others are first-order in time and belong to the meter.
pub(super) struct Walk {
    pub(super) at_s: f64,
    pub(super) load: f64,
    pub(super) temperature: f64,
    pub(super) gas: f64,
}

impl Walk {
    pub(super) fn new(draws: &mut Draws) -> Walk {
        Walk { at_s: 0.0, load: 0.0, temperature: draws.normal(), gas: draws.normal() }
    }

    pub(super) fn step(&mut self, draws: &mut Draws, at_s: f64, load: f64) {
        let dt_s = (at_s - self.at_s).max(1.0);
        self.at_s = at_s;
        self.load = load;
        let mut pull = |state: &mut f64, tau_s: f64| {
            let share = (dt_s / tau_s).min(1.0);
            *state += -*state * share + (share * (2.0 - share)).sqrt() * draws.normal();
        };
        pull(&mut self.temperature, 1500.0);
        pull(&mut self.gas, 90.0);
    }
}

/// Liquid properties, kept while strength and temperature barely move.
#[derive(Default)]
pub(super) struct Liquid {
    pub(super) filling: Option<Fluid>,
    pub(super) rho: f64,
    pub(super) viscosity_mpa_s: f64,
    pub(super) ln_rho_eta: f64,
    pub(super) at: (f64, f64),
    pub(super) base_rho: f64,
    pub(super) rho_per_k: f64,
    pub(super) rho_per_strength: f64,
    pub(super) base_ln_eta: f64,
    pub(super) ln_eta_per_k: f64,
    pub(super) ln_eta_per_strength: f64,
}

impl Liquid {
    pub(super) fn refresh(&mut self, filling: Fluid, fluid: &FluidNow, temperature: f64) {
        let width = (0.01 * fluid.strength).max(1e-4);
        let far =
            (temperature - self.at.1).abs() > 1.5 || (fluid.strength - self.at.0).abs() > width;
        if self.filling != Some(filling) || far {
            self.filling = Some(filling);
            let (s, t) = (fluid.strength, temperature);
            let eta = |s: f64, t: f64| filling.viscosity_mpa_s(s, t).ln();
            self.at = (s, t);
            self.base_rho = filling.density_kg_m3(s, t);
            self.rho_per_k = filling.density_kg_m3(s, t + 1.0) - self.base_rho;
            self.rho_per_strength = (filling.density_kg_m3(s + width, t) - self.base_rho) / width;
            self.base_ln_eta = eta(s, t);
            self.ln_eta_per_k = eta(s, t + 1.0) - self.base_ln_eta;
            self.ln_eta_per_strength = (eta(s + width, t) - self.base_ln_eta) / width;
        }
        let (ds, dt) = (fluid.strength - self.at.0, temperature - self.at.1);
        self.rho = self.base_rho + self.rho_per_strength * ds + self.rho_per_k * dt;
        let ln_eta = self.base_ln_eta + self.ln_eta_per_strength * ds + self.ln_eta_per_k * dt;
        self.viscosity_mpa_s = ln_eta.exp();
        self.ln_rho_eta = self.rho.ln() + ln_eta;
    }
}

/// Loss of Young's modulus per K, steel (EN 10088-1: 375 ppm/K from 20 to 100 degC).
pub(super) const YOUNG_PER_K: f64 = 3.75e-4;

/// Stiffness over bore volume of the new tube at 20 degC, N/m4: from the water frequency.
pub(super) fn factory_stiffness(unit: &Instrument) -> f64 {
    (2.0 * PI * unit.water_hz).powi(2) * (unit.r0 + 998.2)
}

/// Tube frequency, Hz: resonance identity with every change of the tube in it.
pub(super) fn frequency(
    unit: &Instrument,
    condition: &Condition,
    rho: f64,
    temperature: f64,
    pressure_kpa: f64,
) -> f64 {
    let tube = &condition.tube;
    let k = factory_stiffness(unit)
        * (1.0 - YOUNG_PER_K * (temperature - 20.0))
        * (1.0 + tube.kappa)
        * (1.0 + unit.stiffening * pressure_kpa);
    let v = condition.deposit_share;
    let filling = rho * (1.0 + tube.nu) * (1.0 - v) + v * condition.deposit_kg_m3;
    crate::tube::resonance_hz(k, unit.r0 * (1.0 + tube.mu), 1.0, filling)
}

/// Density that the electronics make of a frequency and their own temperature, kg/m3.
pub(super) fn indicated(unit: &Instrument, f_hz: f64, measured_t: f64) -> f64 {
    let believed = YOUNG_PER_K * (1.0 - unit.uncompensated);
    let k = factory_stiffness(unit) * (1.0 - believed * (measured_t - 20.0));
    crate::tube::indicated_density(k, 1.0, unit.r0, f_hz)
}

pub(super) fn stopped_before(site: &Site, meter: &MeterSim, day: i64) -> f64 {
    let stream = &site.streams[meter.stream];
    let key = run_key(stream.spec.pattern, stream.key, meter.flow_key);
    for back in 1..8 {
        if let Some(run) = stream.runs(day - back, key).last() {
            return back as f64 * 86_400.0 - run.until_s;
        }
    }
    8.0 * 86_400.0
}
