//! What the electronics report at one instant: gas, tube, drive and zero put together.

use super::states::*;
use super::*;

impl Today<'_> {
    pub(super) fn gas(
        &self,
        at_s: f64,
        walk: &Walk,
        point: &Point,
        liquid: &Liquid,
        f_hz: f64,
    ) -> GasEffect {
        let mut alpha = if point.flow.level > 0.0 { point.condition.gas_always } else { 0.0 };
        let mut bubble_m = 3e-4;
        for bout in self.bouts.iter().take_while(|b| b.from_s <= at_s) {
            if at_s < bout.until_s {
                let age = (at_s - bout.from_s) / (bout.until_s - bout.from_s);
                let shape = if bout.decays { (-4.0 * age).exp() } else { 1.0 };
                alpha += bout.alpha * shape * (0.8 * walk.gas).exp();
                bubble_m = bout.bubble_m;
            }
        }
        if alpha <= 0.0 {
            return GasEffect { density_ratio: 1.0, flow_ratio: 1.0, damping: 0.0 };
        }
        let spec = &self.site.streams[self.meter.stream].spec;
        gas_effect(
            &Gas { alpha: alpha.min(0.6), bubble_m: bubble_m * (0.2 * walk.gas).exp(), dirt: 0.4 },
            &Surroundings {
                rho: liquid.rho,
                viscosity_mpa_s: liquid.viscosity_mpa_s,
                f_hz,
                bore_radius_m: 0.5 * self.unit.bore_m,
                pressure_kpa: spec.pressure_kpa,
                r0: self.unit.r0,
            },
        )
    }

    pub(super) fn readings(
        &mut self,
        point: &Point,
        liquid: &Liquid,
        reference: &Reference,
        slow: &Slow,
        walk: &Walk,
    ) -> [f64; N_SIGNALS] {
        let (unit, condition, meter) = (self.unit, &point.condition, self.meter);
        let at_s = walk.at_s;
        let day = self.day as f64 + at_s / 86_400.0;
        let flowing = point.flow.level > 0.0;
        let pressure = self.pressure(point, walk);
        let load = 1.0 + 0.04 * walk.load;
        let q = meter.usual_kg_h * point.flow.level * self.fluid_now(at_s).load * load;
        let rho = if point.flow.drained {
            1.2 + (self.residue + 0.0006) * liquid.rho * (-point.flow.since_stop / 40_000.0).exp()
        } else {
            liquid.rho
        };
        let gas = self.gas(at_s, walk, point, liquid, reference.f_hz);
        let felt = rho * gas.density_ratio;
        let f_hz = frequency(unit, condition, felt, point.temperature, pressure);
        let measured_t = point.temperature + self.thermometer + 0.02 * self.draws.normal();
        let scatter = self.noise_factor * self.factor_noise_day * condition.noise;
        let speed = q / 3600.0 / (liquid.rho * PI / 2.0 * unit.bore_m * unit.bore_m);
        let gassy = 1.0 - gas.density_ratio;
        let density_sd = unit.density_noise * scatter * (1.0 + 0.35 * (speed / 3.0).min(2.0))
            + 0.25 * gassy.abs() * rho;
        let density = indicated(unit, f_hz, measured_t)
            + slow.density
            + self.density_recal
            + unit.velocity_effect * speed * speed
            + density_sd * self.draws.heavy();

        let mass = unit.r0 + felt;
        let fluid_part =
            if point.flow.drained { 0.02 } else { self.fluid_damping(liquid, reference) };
        let damping = (1.0 - unit.fluid_damping) * (mass / reference.mass).sqrt()
            + unit.fluid_damping * fluid_part
            + condition.damping
            + gas.damping / unit.damping_ratio;
        let cable = if self.cable_noise > 0.0 && wander(unit.key ^ 0xCA, day, 0.04) > 0.9 {
            self.cable_noise
        } else {
            0.0
        };
        let drive_sd =
            unit.drive_noise * scatter + condition.drive_noise + cable + 0.15 * gassy.abs();
        let pick_mean = 0.5 * (condition.pickoff_in + condition.pickoff_out);
        // The amplitude control holds the sum of both signals.
        let wanted = unit.drive_pct * damping.max(0.05) * condition.drive_factor
            / pick_mean.max(0.05)
            * slow.drive
            * (1.0 + unit.drive_ambient_per_10_k * (point.ambient - 11.0) / 10.0)
            * (1.0 + drive_sd * self.draws.heavy());
        let drive = wanted.clamp(0.0, 100.0);
        let amplitude = if wanted > 100.0 { 100.0 / wanted } else { 1.0 } / pick_mean.max(0.05);
        let ratio = condition.tube.pickoff_ln + slow.pickoff;
        let pick = |mv: f64, left: f64, half: f64| mv * left * amplitude * half.exp();
        let pick_noise = 0.0008 * scatter + 0.03 * gassy.abs();
        let pickoff_in = pick(unit.pickoff_in_mv, condition.pickoff_in, 0.5 * ratio)
            * (1.0 + pick_noise * self.draws.normal());
        let pickoff_out = pick(unit.pickoff_out_mv, condition.pickoff_out, -0.5 * ratio)
            * (1.0 + pick_noise * self.draws.normal());

        let leak = if flowing { 0.0 } else { self.leak_share * meter.max_flow_kg_h };
        let zero = meter.zero_stability_kg_h
            * (unit.zero
                + slow.zero
                + condition.zero
                + unit.zero_per_10_k * (point.temperature - 25.0) / 10.0
                + unit.zero_ambient_per_10_k * (point.ambient - 11.0) / 10.0);
        let flow_sd = 0.45 * meter.zero_stability_kg_h * scatter
            + q * (unit.flow_noise * scatter + 0.4 * gassy.abs());
        let mut flow = q
            * condition.flow_factor()
            * (1.0 + 0.01 * unit.span_pct)
            * self.flow_recal
            * gas.flow_ratio
            + if point.flow.drained { 0.0 } else { leak }
            + zero * if point.flow.drained { 2.5 } else { 1.0 }
            + flow_sd * self.draws.heavy();
        if flow.abs() < self.cut_off {
            flow = 0.0;
        }
        flow = flow.min(self.span_kg_h);
        let volume = if density > 20.0 { flow / density } else { 0.0 };
        if self.restarting(at_s) {
            return [0.0, 0.0, 100.0, measured_t, 0.0, 0.0, 0.0, pressure, 0.0];
        }
        let f_read = f_hz + 0.0004 * self.draws.normal();
        [flow, density, drive, measured_t, pickoff_in, pickoff_out, f_read, pressure, volume]
    }

    pub(super) fn pressure(&mut self, point: &Point, walk: &Walk) -> f64 {
        let spec = &self.site.streams[self.meter.stream].spec;
        let high = if point.flow.level > 0.0 {
            spec.pressure_kpa
        } else {
            0.55 * spec.pressure_kpa + 60.0
        };
        if point.flow.drained { 101.3 } else { high * (1.0 + 0.03 * walk.load) }
    }

    /// Damping by the fluid over that at the reference: half power of density times viscosity
    /// while the layer is thin, then it levels off.
    pub(super) fn fluid_damping(&self, liquid: &Liquid, reference: &Reference) -> f64 {
        let thin = (0.5 * (liquid.ln_rho_eta - reference.ln_rho_eta)).exp();
        let layer =
            (2.0 * liquid.viscosity_mpa_s * 1e-3 / liquid.rho / (2.0 * PI * reference.f_hz)).sqrt();
        let thick = layer / (0.2 * 0.5 * self.unit.bore_m);
        thin / (1.0 + 0.3 * thick * thick).sqrt()
    }
}
