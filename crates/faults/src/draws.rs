//! What each explanation does to each observable: a fixed cloud of draws per hypothesis.
//!
//! Why:    the physics of a fault is a set of signs, ratios and bounds with free constants;
//!         drawing the constants once and sharing them over all meters makes the comparison of
//!         explanations a plain average.
//! In:     priors; wall over bore where the register knows it.
//! Out:    per hypothesis, amplitudes per observable (a change of 1 at the largest of a shape),
//!         severity, flow error. Density amplitudes are `base + per_density * rho + per_r0 * r0`,
//!         r0 drawn with the rest or, where tube frequency told it, the meter's own.
//! Method: scrambled Halton points, seeded by the hypothesis.
//! Source: resonator relations rho_ind = (r0 (1+mu) + rho (1+nu)(1-v) + v rho_d)/(1+kappa) - r0,
//!         wall loss by Euler-Bernoulli section formulas, half rule of a Stokes layer.

use crate::observable::{N_OBSERVABLES, Observable};
use crate::settings::{Priors, Range};
use metersift_model::Hypothesis;
use metersift_stats::{halton_scrambled, normal_quantile};

/// Young's modulus enters only as a ratio, so GPa cancels.
const PCT: f64 = 100.0;

/// Amplitudes of one observable: `base + per_density * rho + per_r0 * r0`.
#[derive(Clone, Debug, PartialEq)]
pub struct Amplitude {
    /// Part that does not depend on the fluid.
    pub base: Vec<f64>,
    /// Part per kg/m3 of fluid density; empty = none.
    pub per_density: Vec<f64>,
    /// Part per kg/m3 of r0; empty = none.
    pub per_r0: Vec<f64>,
}

impl Amplitude {
    /// Value of draw `j` for a fluid of density `rho` in a tube of `r0`.
    pub fn at(&self, j: usize, rho: f64, r0: f64) -> f64 {
        let part = |per: &[f64], times: f64| per.get(j).map_or(0.0, |per| per * times);
        self.base[j] + part(&self.per_density, rho) + part(&self.per_r0, r0)
    }
}

/// The draws of one hypothesis.
#[derive(Clone, Debug)]
pub struct Draws {
    /// Amplitudes by observable; `None` = not moved.
    pub amplitude: Vec<Option<Amplitude>>,
    /// Severity in the mode's own measure: coating bore share %, erosion and damage |stiffness| %,
    /// two-phase % of flowing time, zero drift |zero stabilities|, electrical % of drive gain or
    /// pick-off, else NaN.
    pub severity: Vec<f64>,
    /// Flow error without the zero, %.
    pub flow_error_pct: Vec<f64>,
    /// Gas share of flowing time as it would be seen (two-phase only).
    pub gas_share: Vec<f64>,
    /// Electrical only: whether the draw is a pick-off (else the drive).
    pub pickoff: Vec<bool>,
    /// r0 of each draw, kg/m3; empty = nothing depends on it.
    pub r0: Vec<f64>,
    /// Draw indices by increasing severity.
    pub by_severity: Vec<usize>,
}

/// All hypotheses but *no change*, in their order.
#[derive(Clone, Debug)]
pub struct DrawSet {
    /// Real explanations.
    pub real: Vec<Draws>,
}

/// Dimensions of the point set.
const DIMS: usize = 16;

/// Unit points of one hypothesis, dimension by dimension, with the transforms that draws need.
struct Points {
    u: Vec<Vec<f64>>,
}

impl Points {
    fn new(n: usize, seed: u64) -> Points {
        let flat = halton_scrambled(n, DIMS, seed);
        Points {
            u: (0..DIMS).map(|d| flat.iter().skip(d).step_by(DIMS).copied().collect()).collect(),
        }
    }

    fn uniform(&self, dim: usize, j: usize, [low, high]: Range) -> f64 {
        low + (high - low) * self.u[dim][j]
    }

    fn log_uniform(&self, dim: usize, j: usize, [low, high]: Range) -> f64 {
        low * (high / low).powf(self.u[dim][j])
    }

    fn normal(&self, dim: usize, j: usize) -> f64 {
        normal_quantile(self.u[dim][j])
    }

    /// Whether the point falls in the first `share`, and where in that part (or in the rest).
    fn split(&self, dim: usize, j: usize, share: f64) -> (bool, f64) {
        let u = self.u[dim][j];
        if u < share {
            (true, (u / share).clamp(1e-9, 1.0 - 1e-9))
        } else {
            (false, ((u - share) / (1.0 - share)).clamp(1e-9, 1.0 - 1e-9))
        }
    }
}

fn between([low, high]: Range, u: f64) -> f64 {
    low + (high - low) * u
}

fn log_between([low, high]: Range, u: f64) -> f64 {
    low * (high / low).powf(u)
}

/// Stiffness change of even wall loss on the inside of a tube, wall over bore `wd`.
pub fn wall_loss_stiffness(eps: f64, wd: f64) -> f64 {
    -eps / (1.0 + wd).powi(3)
}

/// Stiffness change by a deposit of bore share `v` and modulus ratio `modulus_ratio`.
pub fn deposit_stiffness(v: f64, wd: f64, modulus_ratio: f64) -> f64 {
    v / 4.0 / wd * modulus_ratio / (1.0 + wd).powi(3)
}

impl Draws {
    fn empty(n: usize) -> Draws {
        Draws {
            amplitude: vec![None; N_OBSERVABLES],
            severity: vec![f64::NAN; n],
            flow_error_pct: vec![0.0; n],
            gas_share: Vec::new(),
            pickoff: Vec::new(),
            r0: Vec::new(),
            by_severity: Vec::new(),
        }
    }

    fn set(&mut self, observable: Observable, j: usize, n: usize, base: f64, per_density: f64) {
        let slot = self.amplitude[observable.index()].get_or_insert_with(|| Amplitude {
            base: vec![0.0; n],
            per_density: Vec::new(),
            per_r0: Vec::new(),
        });
        slot.base[j] = base;
        if per_density != 0.0 && slot.per_density.is_empty() {
            slot.per_density = vec![0.0; n];
        }
        if per_density != 0.0 {
            slot.per_density[j] = per_density;
        }
    }

    /// The part of an amplitude that goes with r0.
    fn set_per_r0(&mut self, observable: Observable, j: usize, n: usize, per_r0: f64) {
        if let Some(slot) = &mut self.amplitude[observable.index()] {
            if slot.per_r0.is_empty() {
                slot.per_r0 = vec![0.0; n];
            }
            slot.per_r0[j] = per_r0;
        }
    }

    /// r0 of a draw.
    pub fn r0(&self, j: usize) -> f64 {
        self.r0.get(j).copied().unwrap_or(0.0)
    }

    fn sort(mut self) -> Draws {
        let mut order: Vec<usize> = (0..self.severity.len()).collect();
        order.sort_by(|&a, &b| self.severity[a].total_cmp(&self.severity[b]).then(a.cmp(&b)));
        self.by_severity = order;
        self
    }

    /// Zero offset, wherever it is read.
    fn set_zero(&mut self, j: usize, n: usize, stabilities: f64) {
        self.set(Observable::Zero, j, n, stabilities, 0.0);
        self.set(Observable::ZeroFound, j, n, stabilities, 0.0);
    }

    /// Stiffness at inlet, outlet and whole, %.
    fn set_stiffness(&mut self, j: usize, n: usize, kappa: f64, side: f64) {
        self.set(Observable::StiffnessInlet, j, n, PCT * kappa * (1.0 + side), 0.0);
        self.set(Observable::StiffnessOutlet, j, n, PCT * kappa * (1.0 - side), 0.0);
        self.set(Observable::Stiffness, j, n, PCT * kappa, 0.0);
    }
}

impl DrawSet {
    /// The draws for tubes of `wall_to_bore` (`None` = not known).
    pub fn new(priors: &Priors, n: usize, seed: u64, wall_to_bore: Option<f64>) -> DrawSet {
        let real = Hypothesis::ALL
            .into_iter()
            .skip(1)
            .map(|hypothesis| {
                let stream = seed.wrapping_mul(1000).wrapping_add(hypothesis.index() as u64);
                let points = Points::new(n, stream);
                let draws = match hypothesis {
                    Hypothesis::Coating => coating(priors, &points, n, wall_to_bore),
                    Hypothesis::Erosion => erosion(priors, &points, n, wall_to_bore),
                    Hypothesis::TwoPhase => two_phase(priors, &points, n),
                    Hypothesis::ZeroDrift => zero_drift(priors, &points, n),
                    Hypothesis::Electrical => electrical(priors, &points, n),
                    Hypothesis::Damage => damage(priors, &points, n),
                    Hypothesis::Process => process(priors, &points, n),
                    Hypothesis::Data => data(priors, &points, n),
                    Hypothesis::Unknown | Hypothesis::NoChange => unknown(priors, &points, n),
                };
                draws.sort()
            })
            .collect();
        DrawSet { real }
    }

    /// The draws of a hypothesis; `None` for *no change*.
    pub fn of(&self, hypothesis: Hypothesis) -> Option<&Draws> {
        hypothesis.index().checked_sub(1).and_then(|i| self.real.get(i))
    }
}

fn tube_r0(priors: &Priors, points: &Points, dim: usize, j: usize) -> f64 {
    priors.tube.r0_median_kg_m3 * (priors.tube.r0_log_sd * points.normal(dim, j)).exp()
}

fn coating(priors: &Priors, points: &Points, n: usize, wall_to_bore: Option<f64>) -> Draws {
    let p = &priors.coating;
    let mut draws = Draws::empty(n);
    for j in 0..n {
        let v = points.log_uniform(0, j, p.bore_share_range);
        let (near, u) = points.split(1, j, p.lighter_or_equal_share);
        let excess = between(if near { p.near_kg_m3 } else { p.heavy_kg_m3 }, u);
        let weight = (p.position_log_sd * points.normal(2, j)).exp();
        let modulus = points.log_uniform(3, j, p.modulus_gpa_range);
        let damping = points.log_uniform(4, j, p.damping_per_share_range);
        let (moves_zero, u) = points.split(5, j, p.zero_share);
        let zero =
            if moves_zero { normal_quantile(u) * p.zero_stabilities_per_share * v } else { 0.0 };
        let side = (p.side_sd * points.normal(6, j)).clamp(-p.side_limit, p.side_limit);
        let r0 = tube_r0(priors, points, 7, j);
        let wd = wall_to_bore.unwrap_or_else(|| points.uniform(8, j, priors.tube.wall_to_bore));
        let seen = v * weight;
        let kappa = deposit_stiffness(seen, wd, modulus / priors.tube.wall_modulus_gpa);
        draws.set(Observable::Drive, j, n, (damping * v).ln_1p(), 0.0);
        draws.r0.push(r0);
        draws.set(Observable::Density, j, n, seen * excess, -kappa);
        draws.set_stiffness(j, n, kappa, side);
        draws.set_zero(j, n, zero);
        draws.set(Observable::PickoffRatio, j, n, p.ratio_per_share * side * v, 0.0);
        // In air the deposit weighs its whole self: v (rho + excess).
        draws.set(Observable::AirPoint, j, n, seen * excess, seen);
        // In the reference fluid it is heavier than that fluid by excess + rho - reference.
        let reference = priors.tube.reference_fluid_kg_m3;
        let own = seen * (excess - reference) - kappa * reference;
        draws.set(Observable::ReferencePoint, j, n, own, seen);
        for o in [Observable::Density, Observable::AirPoint, Observable::ReferencePoint] {
            draws.set_per_r0(o, j, n, -kappa);
        }
        draws.set(Observable::PartnerSpan, j, n, -kappa, 0.0);
        draws.set(Observable::PartnerZero, j, n, zero, 0.0);
        draws.severity[j] = PCT * v;
        draws.flow_error_pct[j] = -PCT * kappa;
    }
    draws
}

fn erosion(priors: &Priors, points: &Points, n: usize, wall_to_bore: Option<f64>) -> Draws {
    let p = &priors.erosion;
    let mut draws = Draws::empty(n);
    for j in 0..n {
        let eps = points.log_uniform(0, j, p.wall_share_range);
        let wd = wall_to_bore.unwrap_or_else(|| points.uniform(1, j, priors.tube.wall_to_bore));
        let (even, u) = points.split(2, j, p.even_share);
        let side = (p.side_sd * points.normal(3, j)).clamp(-p.side_limit, p.side_limit);
        let mut kappa = wall_loss_stiffness(eps, wd);
        let loss_pct;
        if even {
            loss_pct = -PCT * kappa;
            let slope = between(p.even_density_pct_per_pct, u) / PCT;
            draws.set(Observable::Density, j, n, 0.0, slope * loss_pct);
            let reference = priors.tube.reference_fluid_kg_m3;
            draws.set(Observable::ReferencePoint, j, n, slope * loss_pct * reference, 0.0);
            // In air: -3..+3 kg/m3 per 1 % (section formulas).
            draws.set(Observable::AirPoint, j, n, loss_pct * between([-3.0, 3.0], u), 0.0);
            draws.set_stiffness(j, n, kappa, p.even_side_share * side);
            draws.set(Observable::PickoffRatio, j, n, 0.0, 0.0);
            draws.flow_error_pct[j] = -PCT * kappa / (1.0 + kappa);
        } else {
            kappa *= between(p.local_stiffness_factor, u);
            loss_pct = -PCT * kappa;
            let slope = points.uniform(4, j, p.local_density_kg_m3_per_pct);
            draws.set(Observable::Density, j, n, slope * loss_pct, 0.0);
            draws.set(Observable::ReferencePoint, j, n, slope * loss_pct, 0.0);
            // Without fluid the stiffness part -kappa rho is missing: 10 kg/m3 per 1 % of water.
            draws.set(Observable::AirPoint, j, n, slope * loss_pct, kappa);
            draws.set_stiffness(j, n, kappa, side);
            let ratio = p.ratio_per_pct * loss_pct * points.normal(5, j);
            draws.set(Observable::PickoffRatio, j, n, ratio, 0.0);
            draws.flow_error_pct[j] = loss_pct * points.uniform(6, j, p.local_flow_per_kappa);
        }
        draws.set(Observable::Drive, j, n, points.uniform(7, j, p.drive_log), 0.0);
        draws.set(Observable::PartnerSpan, j, n, draws.flow_error_pct[j] / PCT, 0.0);
        draws.severity[j] = loss_pct;
    }
    draws
}

fn two_phase(priors: &Priors, points: &Points, n: usize) -> Draws {
    let p = &priors.two_phase;
    let mut draws = Draws::empty(n);
    draws.gas_share = vec![0.0; n];
    for j in 0..n {
        let share = points.log_uniform(0, j, p.gas_share_range);
        let (sustained, u) = points.split(1, j, p.sustained_share);
        let alpha = if sustained { log_between(p.alpha_range, u) } else { 0.0 };
        let damping = points.log_uniform(7, j, p.damping_per_alpha_range) * alpha
            + share * points.uniform(2, j, p.damping_per_share);
        draws.set(Observable::Drive, j, n, damping.ln_1p(), 0.0);
        let apparent = alpha * points.uniform(3, j, p.density_factor);
        draws.set(Observable::Density, j, n, 0.0, -apparent);
        let burst = points.log_uniform(4, j, p.burst_factor_per_share_range);
        draws.set(Observable::Burst, j, n, (burst * share).ln_1p(), 0.0);
        // The step measure is robust: it sees the bursts in part.
        let noise = burst.powf(points.uniform(8, j, p.noise_power)) * share;
        draws.set(Observable::Noise, j, n, noise.ln_1p(), 0.0);
        let spread = points.log_uniform(9, j, p.spread_factor_per_share_range) * share;
        draws.set(Observable::DriveSpread, j, n, spread.ln_1p(), 0.0);
        // The amplitude of G depends on the reference: made per meter from the share itself.
        draws.set(Observable::Gas, j, n, 0.0, 0.0);
        let aborted = (share * points.uniform(5, j, p.aborted_per_share)).min(1.0);
        draws.set(Observable::Aborted, j, n, aborted.sqrt().asin(), 0.0);
        // Gas that seldom leaves has no quiet level to stand out from: part of it goes unseen.
        let (unseen, u) = points.split(6, j, p.unseen_share);
        draws.gas_share[j] =
            if unseen { share * log_between(p.unseen_factor_range, u) } else { share };
        draws.severity[j] = PCT * share;
        // Either sign and no measurement in heavy gas: size (F - 1) alpha with F up to 3.
        draws.flow_error_pct[j] = PCT * (apparent - alpha).max(0.2 * alpha) + share;
    }
    draws
}

fn zero_drift(priors: &Priors, points: &Points, n: usize) -> Draws {
    let mut draws = Draws::empty(n);
    for j in 0..n {
        let (negative, u) = points.split(0, j, 0.5);
        let size = log_between(priors.zero_drift.stabilities_range, u);
        let zero = if negative { -size } else { size };
        draws.set_zero(j, n, zero);
        draws.set(Observable::PartnerZero, j, n, zero, 0.0);
        draws.severity[j] = size;
    }
    draws
}

fn electrical(priors: &Priors, points: &Points, n: usize) -> Draws {
    let p = &priors.electrical;
    let mut draws = Draws::empty(n);
    draws.pickoff = vec![false; n];
    for j in 0..n {
        let (pickoff, u) = points.split(0, j, p.pickoff_share);
        // Mostly little noise, now and then much: the square of a uniform.
        let u_noise = points.u[1][j];
        let noise = between(p.noise_log, u_noise * u_noise);
        draws.set(Observable::Noise, j, n, noise, 0.0);
        // What flickers has a spread within the day; what failed for good has little.
        let (flickers, u_spread) = points.split(4, j, p.flicker_share);
        let range = if flickers { p.flicker_rise_range } else { p.steady_rise_range };
        let spread = log_between(range, u_spread);
        draws.set(Observable::DriveSpread, j, n, spread.ln_1p(), 0.0);
        let ratio_spread = if pickoff { spread.ln_1p() } else { 0.0 };
        draws.set(Observable::PickoffSpread, j, n, ratio_spread, 0.0);
        if pickoff {
            let loss = log_between(p.pickoff_loss_range, u);
            let sign = if points.u[2][j] < 0.5 { -1.0 } else { 1.0 };
            let ratio = -(1.0 - loss).ln();
            draws.set(Observable::PickoffRatio, j, n, sign * ratio, 0.0);
            draws.set(Observable::Drive, j, n, 0.5 * ratio, 0.0);
            let (moves, u) = points.split(3, j, p.pickoff_zero_share);
            let zero = if moves { p.pickoff_zero_sd * normal_quantile(u) } else { 0.0 };
            draws.set_zero(j, n, zero);
            draws.set(Observable::PartnerZero, j, n, zero, 0.0);
            draws.severity[j] = PCT * loss;
        } else {
            let rise = log_between(p.drive_rise_range, u);
            draws.set(Observable::Drive, j, n, rise.ln_1p(), 0.0);
            draws.severity[j] = PCT * rise;
        }
        draws.pickoff[j] = pickoff;
    }
    draws
}

fn damage(priors: &Priors, points: &Points, n: usize) -> Draws {
    let p = &priors.damage;
    let mut draws = Draws::empty(n);
    for j in 0..n {
        let (down, u) = points.split(0, j, p.down_share);
        let size = log_between(p.stiffness_range, u);
        let kappa = if down { -size } else { size };
        let slope = points.uniform(1, j, p.density_kg_m3_per_pct);
        let side = (p.side_sd * points.normal(2, j)).clamp(-p.side_limit, p.side_limit);
        draws.set(Observable::Density, j, n, -PCT * kappa * slope, 0.0);
        draws.set(Observable::ReferencePoint, j, n, -PCT * kappa * slope, 0.0);
        draws.set(Observable::AirPoint, j, n, -PCT * kappa * slope, kappa);
        // Even damage (over-pressure) moves neither ratio nor zero; lopsided damage both.
        let (even, u) = points.split(3, j, p.even_share);
        let lopsided = if even { 0.0 } else { 1.0 };
        let side = if even { 0.0 } else { side };
        draws.set(Observable::PickoffRatio, j, n, lopsided * p.ratio_sd * normal_quantile(u), 0.0);
        let zero = lopsided * p.zero_sd * points.normal(4, j);
        draws.set_zero(j, n, zero);
        draws.set(Observable::PartnerZero, j, n, zero, 0.0);
        draws.set_stiffness(j, n, kappa, side);
        let (moves, u) = points.split(5, j, p.drive_share);
        let drive = if moves { log_between(p.drive_rise_range, u).ln_1p() } else { 0.0 };
        draws.set(Observable::Drive, j, n, drive, 0.0);
        draws.flow_error_pct[j] = -PCT * kappa * points.uniform(6, j, p.local_flow_per_kappa);
        draws.set(Observable::PartnerSpan, j, n, draws.flow_error_pct[j] / PCT, 0.0);
        draws.severity[j] = PCT * size;
    }
    draws
}

fn process(priors: &Priors, points: &Points, n: usize) -> Draws {
    let p = &priors.process;
    let mut draws = Draws::empty(n);
    for j in 0..n {
        let viscosity = p.viscosity_log_sd * points.normal(0, j);
        let share = points.uniform(1, j, p.fluid_damping_share);
        let density = p.density_relative_sd * points.normal(2, j);
        // Half rule: fluid damping goes with sqrt(rho eta), and is a share of all damping.
        let fluid = (0.5 * (viscosity + density)).exp();
        draws.set(Observable::Drive, j, n, (share * (fluid - 1.0)).ln_1p(), 0.0);
        draws.set(Observable::Density, j, n, 0.0, density);
        draws.set(Observable::Noise, j, n, p.noise_log_sd * points.normal(3, j), 0.0);
        draws.set(Observable::Burst, j, n, p.burst_log_sd * points.normal(4, j), 0.0);
        draws.set(Observable::DriveSpread, j, n, p.burst_log_sd * points.normal(5, j), 0.0);
    }
    draws
}

fn data(priors: &Priors, points: &Points, n: usize) -> Draws {
    let p = &priors.data;
    let mut draws = Draws::empty(n);
    for j in 0..n {
        let (down, u) = points.split(0, j, 0.5);
        let noise = log_between(p.noise_log_range, u);
        let noise = if down { -noise } else { noise };
        draws.set(Observable::Noise, j, n, noise, 0.0);
        draws.set(Observable::Burst, j, n, noise * points.u[2][j], 0.0);
        let spread = p.spread_log_sd * points.normal(3, j);
        draws.set(Observable::DriveSpread, j, n, spread, 0.0);
        let (moves, u) = points.split(1, j, p.density_share);
        let density = if moves { p.density_sd_kg_m3 * normal_quantile(u) } else { 0.0 };
        draws.set(Observable::Density, j, n, density, 0.0);
    }
    draws
}

/// Every observable on its own: nothing, or 3..30 floors of either sign.
fn unknown(priors: &Priors, points: &Points, n: usize) -> Draws {
    let p = &priors.unknown;
    let widths = priors.observables();
    let mut draws = Draws::empty(n);
    let moved = [
        Observable::Drive,
        Observable::Density,
        Observable::Noise,
        Observable::PickoffRatio,
        Observable::Gas,
        Observable::StiffnessInlet,
        Observable::StiffnessOutlet,
        Observable::Stiffness,
        Observable::Zero,
        Observable::ZeroFound,
        Observable::AirPoint,
        Observable::PartnerSpan,
        Observable::PartnerZero,
        Observable::Burst,
        Observable::DriveSpread,
        Observable::PickoffSpread,
    ];
    for (dim, observable) in moved.into_iter().enumerate() {
        let width = widths[observable.index()];
        for j in 0..n {
            let (none, u) = points.split(dim, j, p.none_share);
            let (negative, u) = if u < 0.5 { (true, 2.0 * u) } else { (false, 2.0 * u - 1.0) };
            let floors = log_between(p.floors_range, u.clamp(0.0, 1.0));
            let signed = if none {
                0.0
            } else if negative {
                -floors
            } else {
                floors
            };
            let base = width.floor + width.floor_relative * priors.tube.r0_median_kg_m3;
            draws.set(observable, j, n, signed * base, signed * width.floor_relative);
        }
    }
    draws
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Settings;

    /// Relative changes of a tube.
    #[derive(Clone, Copy, Debug, Default)]
    struct TubeChange {
        stiffness: f64,
        mass: f64,
        bore: f64,
        deposit_share: f64,
        deposit_density: f64,
    }

    /// Indicated density after damage or deposit, exact: what the draws' first orders stand for.
    fn indicated_density(r0: f64, rho: f64, change: TubeChange) -> f64 {
        let TubeChange { stiffness, mass, bore, deposit_share, deposit_density } = change;
        let fluid = rho * (1.0 + bore) * (1.0 - deposit_share) + deposit_share * deposit_density;
        (r0 * (1.0 + mass) + fluid) / (1.0 + stiffness) - r0
    }

    fn set() -> DrawSet {
        DrawSet::new(&Settings::default().priors().expect("priors"), 1024, 1, None)
    }

    /// Exact tube sections, I = pi/64 (D^4 - d^4) (Euler-Bernoulli): the short form is within
    /// 0.05 % of the exact stiffness for 1 % of wall.
    #[test]
    fn wall_loss_agrees_with_exact_sections() {
        for (outer, wall, exact_pct) in
            [(25.0, 1.0, -0.879_757), (25.0, 0.5, -0.940_213), (80.0, 2.0, -0.925_155)]
        {
            let bore: f64 = outer - 2.0 * wall;
            let worn = outer - 2.0 * (0.99 * wall);
            let section = |d: f64| f64::powi(outer, 4) - d.powi(4);
            let own = 100.0 * (section(worn) / section(bore) - 1.0);
            assert!((own - exact_pct).abs() < 1e-6, "{own}");
            let short = 100.0 * wall_loss_stiffness(0.01, wall / bore);
            assert!((short / exact_pct - 1.0).abs() < 5e-4, "{short} {exact_pct}");
        }
    }

    /// Indicated density after damage, r0 = 2000, water 998.2067 (five published cases).
    #[test]
    fn damage_moves_the_density_reading_as_the_resonator_says() {
        let water = 998.2067;
        let cases = [
            (
                TubeChange { stiffness: -0.01, mass: -0.01, ..Default::default() },
                water,
                1_008.289_595_96,
            ),
            (TubeChange { stiffness: -0.01, ..Default::default() }, water, 1_028.491_616_16),
            (TubeChange { stiffness: -0.03, ..Default::default() }, water, 1_090.934_742_27),
            (
                TubeChange { deposit_share: 0.01, deposit_density: 1800.0, ..Default::default() },
                water,
                1_006.224_633,
            ),
            (
                TubeChange { deposit_share: 0.01, deposit_density: 1590.0, ..Default::default() },
                1286.61,
                1_289.643_9,
            ),
        ];
        for (change, rho, want) in cases {
            let got = indicated_density(2000.0, rho, change);
            assert!((got - want).abs() < 5e-9 * want, "{change:?}: {got}");
        }
        // Thin-wall limit: density error rho eps/(1-eps), whatever r0.
        for r0 in [1400.0, 2700.0, 4600.0] {
            let change = TubeChange { stiffness: -0.02, mass: -0.02, ..Default::default() };
            let error = indicated_density(r0, water, change) - water;
            assert!((error - water * 0.02 / 0.98).abs() < 1e-9);
        }
    }

    /// The even-wear slope of the draws lies around the exact one for thin and thick walls.
    #[test]
    fn even_wear_raises_density_by_1_1_to_1_9_percent_per_percent_of_stiffness() {
        for (wd, r0) in [(0.04, 1400.0), (0.07, 2700.0), (0.10, 4600.0)] {
            let eps = 0.01;
            let kappa = wall_loss_stiffness(eps, wd);
            let change = TubeChange {
                stiffness: kappa,
                // Driver and pick-offs, a fifth of the mass, do not wear.
                mass: -0.8 * eps / (1.0 + wd),
                bore: 4.0 * eps * wd,
                ..Default::default()
            };
            let error_pct = 100.0 * (indicated_density(r0, 1000.0, change) / 1000.0 - 1.0);
            let slope = error_pct / (-100.0 * kappa);
            assert!((1.1..=1.9).contains(&slope), "{slope}");
        }
    }

    #[test]
    fn a_process_change_moves_the_drive_by_at_most_the_half_rule() {
        let set = set();
        let process = set.of(Hypothesis::Process).expect("process");
        let drive = process.amplitude[Observable::Drive.index()].as_ref().expect("drive");
        let top = drive.base.iter().copied().fold(0.0, f64::max);
        // Three standard deviations of ln eta = 1.8: half of it, less the tube's own share.
        assert!(top < 0.5 * 0.6 * 3.5, "{top}");
    }

    /// Soft deposit, bore share 3 %, 2000 kg/m3: +60 kg/m3 in air and +30 in water whatever the
    /// product is (mass balance; physics page).
    #[test]
    fn a_soft_deposit_weighs_the_same_in_air_and_water_under_any_product() {
        let set = set();
        let coating = set.of(Hypothesis::Coating).expect("coating");
        let get = |o: Observable| coating.amplitude[o.index()].as_ref().expect("moved");
        let (product, air, water) =
            (get(Observable::Density), get(Observable::AirPoint), get(Observable::ReferencePoint));
        let mut soft = 0;
        for j in 0..coating.severity.len() {
            let r0 = coating.r0(j);
            // Without stiffness, seen v and its density follow from two readings.
            if product.per_r0[j].abs() > 1e-5 {
                continue;
            }
            soft += 1;
            for rho in [800.0, 1000.0, 1350.0] {
                let (a, w, p) = (air.at(j, rho, r0), water.at(j, rho, r0), product.at(j, rho, r0));
                let seen = (a - w) / 998.0;
                let deposit = a / seen;
                assert!((p - seen * (deposit - rho)).abs() < 0.1, "{p}");
                assert!((w - seen * (deposit - 998.0)).abs() < 1e-6 * w.abs() + 0.1, "{w}");
            }
        }
        assert!(soft > 50, "{soft}");
    }

    #[test]
    fn erosion_lowers_stiffness_and_raises_flow() {
        let set = set();
        let erosion = set.of(Hypothesis::Erosion).expect("erosion");
        let whole = erosion.amplitude[Observable::Stiffness.index()].as_ref().expect("k");
        assert!(whole.base.iter().all(|k| *k < 0.0));
        assert!(erosion.flow_error_pct.iter().all(|e| *e > 0.0));
        let order = &erosion.by_severity;
        assert!(order.windows(2).all(|p| erosion.severity[p[0]] <= erosion.severity[p[1]]));
    }

    #[test]
    fn the_draws_are_the_same_twice_and_differ_by_hypothesis() {
        let (a, b) = (set(), set());
        for (x, y) in a.real.iter().zip(&b.real) {
            assert_eq!(x.amplitude, y.amplitude);
        }
        let coating = a.of(Hypothesis::Coating).expect("coating").severity[5] / 8.0;
        let erosion = a.of(Hypothesis::Erosion).expect("erosion").severity[5] / 6.0;
        assert!((coating - erosion).abs() > 1e-6);
    }
}
