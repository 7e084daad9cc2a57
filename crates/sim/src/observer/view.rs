//! What the observer sees of one meter: differences to the value without a fault.

use super::Knowledge;
use crate::fault::Condition;
use crate::meter::*;
use crate::records;
use crate::seed::{Draws, Purpose, name_of, slow_wander};
use crate::site::Site;
use crate::stream::Pattern;
use crate::tube::{Gas, Surroundings, gas_effect};
use std::collections::BTreeMap;

/// Days of a block.
const BLOCK_DAYS: usize = 5;
/// Updates of a day that average out.
const UPDATES: f64 = 20.0;
/// Octaves of [`slow_wander`]: weight and scale in days.
const OCTAVES: [(f64, f64); 4] = [(0.25, 4.0), (0.40, 16.0), (0.60, 64.0), (0.65, 256.0)];

/// One kind of difference.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Drive,
    Density,
    Noise,
    PickoffRatio,
    Gas,
    CheckMean,
    CheckHalf,
    Zero,
    Partner,
}

/// One observation.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    pub day: f64,
    pub y: f64,
    /// Standard deviation of its white noise.
    pub sd: f64,
}

/// All observations of one kind, in time, and the wander that they share.
#[derive(Clone, Debug)]
pub(super) struct Channel {
    pub kind: Kind,
    pub seen: Vec<Seen>,
    /// Standard deviation of the slow wander, by unit of the meter.
    pub wander: Vec<f64>,
    /// Standard deviation of a drift per day, from the first day.
    pub drift_per_day: f64,
    /// Spread of the level between fault-free units, for one who has to learn it; 0: known.
    pub level: f64,
}

/// Checks and as-found zeros by meter: day and value (checks: position as written, %).
pub(super) struct Recorded {
    checks: BTreeMap<String, Vec<(f64, String, f64)>>,
    zeros: BTreeMap<String, Vec<(f64, f64)>>,
}

impl Recorded {
    pub fn of(site: &Site) -> Recorded {
        let mut recorded = Recorded { checks: BTreeMap::new(), zeros: BTreeMap::new() };
        for line in records::checks(site).lines().skip(1) {
            let fields: Vec<&str> = line.split(',').collect();
            if let [meter, time, _, "stiffness", position, value, _] = fields[..]
                && let (Some(day), Ok(value)) = (day_of(site, time), value.parse())
            {
                let rows = recorded.checks.entry(meter.into()).or_default();
                rows.push((day, position.into(), value));
            }
        }
        for line in records::zeros(site).lines().skip(1) {
            let fields: Vec<&str> = line.split(',').collect();
            if let [meter, time, value, "as_found"] = fields[..]
                && let (Some(day), Ok(value)) = (day_of(site, time), value.parse())
            {
                recorded.zeros.entry(meter.into()).or_default().push((day, value));
            }
        }
        recorded
    }
}

/// Days since the first of the site; the hour counts, the minute does not.
fn day_of(site: &Site, time: &str) -> Option<f64> {
    let day = metersift_model::Day::parse(time.get(..10)?)?;
    let hour: f64 = time.get(11..13)?.parse().ok()?;
    Some(f64::from(day.0 - site.plan.start.0) + hour / 24.0)
}

/// One meter as the observer sees it.
pub(super) struct View {
    pub channels: Vec<Channel>,
}

impl View {
    pub fn of(site: &Site, index: usize, recorded: &Recorded, knows: Knowledge) -> View {
        let looker = Looker { site, meter: &site.meters[index] };
        // One generator per kind, drawn from in time: a longer plan leaves earlier noise alone.
        let noise = |kind: Kind| {
            let who = name_of(&[index as u64, kind as u64]);
            Draws::new(site.plan.seed, who, Purpose::Observer, 0)
        };
        let has = |slot: usize| looker.meter.tag(slot).is_some();
        let mut channels = Vec::new();
        if has(DRIVE) {
            channels.push(looker.daily(Kind::Drive, DRIVE, &mut noise(Kind::Drive)));
        }
        if has(DENSITY) {
            channels.push(looker.daily(Kind::Density, DENSITY, &mut noise(Kind::Density)));
            channels.push(looker.daily(Kind::Noise, DENSITY, &mut noise(Kind::Noise)));
        }
        if has(DRIVE) || has(DENSITY) {
            let slot = if has(DENSITY) { DENSITY } else { DRIVE };
            channels.push(looker.daily(Kind::Gas, slot, &mut noise(Kind::Gas)));
        }
        if has(PICKOFF_IN) {
            channels.push(looker.daily(
                Kind::PickoffRatio,
                PICKOFF_IN,
                &mut noise(Kind::PickoffRatio),
            ));
        }
        if looker.meter.series_with.is_some() {
            channels.push(looker.daily(Kind::Partner, FLOW, &mut noise(Kind::Partner)));
        }
        channels.extend(looker.checks(recorded));
        channels.push(looker.zeros(recorded, &mut noise(Kind::Zero)));
        channels.retain(|channel| !channel.seen.is_empty());
        if knows == Knowledge::ProcessAndNoise {
            let viscous = is_viscous(site.streams[looker.meter.stream].spec.service);
            for channel in &mut channels {
                channel.level = level_spread(channel.kind, viscous);
            }
        }
        View { channels }
    }
}

/// Spread of a fault-free unit's level, from the ranges that [`Instrument::draw`] uses. Checks are
/// read against the factory's own and gas against none; a meter's noise is known.
fn level_spread(kind: Kind, viscous: bool) -> f64 {
    // Standard deviation of an even spread over a width of one.
    let even = 1.0 / 12f64.sqrt();
    match kind {
        Kind::Drive => even * (if viscous { 28.0 } else { 14.0_f64 } / 3.0).ln(),
        Kind::Density => 0.4,
        Kind::PickoffRatio => 0.02,
        Kind::Zero => 0.35,
        Kind::Partner => 0.0005 * 2f64.sqrt(),
        Kind::Noise | Kind::Gas | Kind::CheckMean | Kind::CheckHalf => 0.0,
    }
}

/// Effect of a condition on a kind of difference; the same function makes what is seen and what
/// a hypothesis expects.
pub(super) fn signature(
    site: &Site,
    meter: &MeterSim,
    kind: Kind,
    now: &Condition,
    day: f64,
) -> f64 {
    let unit = meter.unit_at(day);
    let spec = &site.streams[meter.stream].spec;
    match kind {
        Kind::Drive => {
            let gas = always(meter, site, now, day).map_or(0.0, |g| g.damping / unit.damping_ratio);
            let pick_mean = 0.5 * (now.pickoff_in + now.pickoff_out);
            let rise = (1.0 + now.damping + gas).max(0.05) * now.drive_factor / pick_mean.max(0.05);
            let most = if meter.tag(PICKOFF_IN).is_some() { f64::INFINITY } else { 100.0 };
            rise.min((most / unit.drive_pct).max(1.0)).ln()
        }
        Kind::Density => {
            let rho = spec.fluid.density_kg_m3(spec.strength, spec.temperature_degc);
            let felt = rho * always(meter, site, now, day).map_or(1.0, |gas| gas.density_ratio);
            let (tube, v) = (&now.tube, now.deposit_share);
            let filling = felt * (1.0 + tube.nu) * (1.0 - v) + v * now.deposit_kg_m3;
            (unit.r0 * (1.0 + tube.mu) + filling) / (1.0 + tube.kappa) - unit.r0 - rho
        }
        Kind::Noise => {
            let rho = spec.fluid.density_kg_m3(spec.strength, spec.temperature_degc);
            let gassy = always(meter, site, now, day).map_or(0.0, |gas| 1.0 - gas.density_ratio);
            (now.noise + 0.25 * gassy.abs() * rho / unit.density_noise).ln()
        }
        Kind::PickoffRatio => now.tube.pickoff_ln + (now.pickoff_in / now.pickoff_out).ln(),
        Kind::Gas => now.gas_share,
        Kind::CheckMean => 50.0 * (now.tube.kappa_in + now.tube.kappa_out),
        Kind::CheckHalf => 50.0 * (now.tube.kappa_in - now.tube.kappa_out),
        Kind::Zero => now.zero,
        Kind::Partner => now.flow_factor().ln(),
    }
}

/// What gas that never leaves does.
fn always(
    meter: &MeterSim,
    site: &Site,
    now: &Condition,
    day: f64,
) -> Option<crate::tube::GasEffect> {
    if now.gas_always <= 0.0 {
        return None;
    }
    let (unit, spec) = (meter.unit_at(day), &site.streams[meter.stream].spec);
    let here = Surroundings {
        rho: spec.fluid.density_kg_m3(spec.strength, spec.temperature_degc),
        viscosity_mpa_s: spec.fluid.viscosity_mpa_s(spec.strength, spec.temperature_degc),
        f_hz: unit.water_hz,
        bore_radius_m: 0.5 * unit.bore_m,
        pressure_kpa: spec.pressure_kpa,
        r0: unit.r0,
    };
    Some(gas_effect(&Gas { alpha: now.gas_always, bubble_m: 3e-4, dirt: 0.4 }, &here))
}

/// Covariance of [`slow_wander`] between two instants: both are sums over the same few nodes.
pub(super) fn wander_covariance(a: f64, b: f64) -> f64 {
    let nodes = |at: f64, scale: f64| {
        let position = at / scale;
        let node = position.floor();
        let share = 0.5 - 0.5 * ((position - node) * std::f64::consts::PI).cos();
        let norm = ((1.0 - share).powi(2) + share.powi(2)).sqrt();
        [(node as i64, (1.0 - share) / norm), (node as i64 + 1, share / norm)]
    };
    OCTAVES
        .iter()
        .map(|&(weight, scale)| {
            let (left, right) = (nodes(a, scale), nodes(b, scale));
            let pairs = left.iter().flat_map(|x| right.iter().map(move |y| (x, y)));
            let shared: f64 = pairs.filter(|(x, y)| x.0 == y.0).map(|(x, y)| x.1 * y.1).sum();
            weight * weight * shared
        })
        .sum()
}

struct Looker<'a> {
    site: &'a Site,
    meter: &'a MeterSim,
}

impl Looker<'_> {
    fn condition(&self, day: f64) -> Condition {
        self.meter.condition(day, &self.site.streams[self.meter.stream])
    }

    fn wander_of(&self, sd: impl Fn(&Instrument) -> f64) -> Vec<f64> {
        let factor = self.site.plan.variation.wander_factor;
        self.meter.units.iter().map(|(_, unit)| factor * sd(unit)).collect()
    }

    /// Whether a tag is silent or stuck on a day.
    fn is_lost(&self, slot: usize, day: f64) -> bool {
        self.meter.confounders.iter().any(|confounder| match *confounder {
            Confounder::Gap { slot: only, from_day, until_day } => {
                only.is_none_or(|s| s == slot) && from_day <= day && day < until_day
            }
            Confounder::Stuck { slot: only, from_day, until_day } => {
                only == slot && from_day <= day && day < until_day
            }
            _ => false,
        })
    }

    fn daily(&self, kind: Kind, slot: usize, draws: &mut Draws) -> Channel {
        let noise = self.site.plan.variation.noise_factor;
        let per_block = (UPDATES * BLOCK_DAYS as f64).sqrt();
        let (wander, key): (Vec<f64>, u64) = match kind {
            Kind::Drive => (self.wander_of(|u| u.drive_wander), 0xD1),
            Kind::Density => (self.wander_of(|u| u.density_wander), 0xD0),
            Kind::PickoffRatio => (self.wander_of(|u| u.pickoff_wander), 0xD2),
            // Its own slow part does not follow the factor of the variation.
            Kind::Noise => (self.meter.units.iter().map(|_| 0.12).collect(), 0x78),
            _ => (Vec::new(), 0),
        };
        let mut seen = Vec::new();
        let last = self.site.plan.days as usize;
        for first in (0..last).step_by(BLOCK_DAYS) {
            let day = first as f64 + 0.5 * BLOCK_DAYS.min(last - first) as f64;
            if self.is_lost(slot, day) {
                continue;
            }
            let unit = self.meter.unit_at(day);
            let sd = match kind {
                Kind::Drive => noise * unit.drive_noise / per_block,
                Kind::Density => noise * unit.density_noise / per_block,
                Kind::PickoffRatio => noise * 0.0008 / per_block,
                // The day's own factor (0.18, correlated over 2.5 days) and its estimate.
                Kind::Noise => (0.18_f64.powi(2) / 2.0 + 0.15_f64.powi(2) / 5.0).sqrt(),
                Kind::Gas => self.startup_sd() / (BLOCK_DAYS as f64).sqrt(),
                _ => noise * 0.003 / per_block,
            };
            let now = self.condition(day);
            let mut y = signature(self.site, self.meter, kind, &now, day);
            if kind == Kind::Gas {
                // What a day brings of its share lies evenly between 0.4 and 1.6 times.
                let days = (0..BLOCK_DAYS).map(|_| draws.range(0.4, 1.6)).sum::<f64>();
                y *= days / BLOCK_DAYS as f64;
            }
            let place = self.meter.units.partition_point(|(from, _)| *from <= day).max(1) - 1;
            let slow = wander.get(place).map_or(0.0, |sd| sd * slow_wander(unit.key ^ key, day));
            let drift = if kind == Kind::Density { unit.density_age * day / 100.0 } else { 0.0 };
            seen.push(Seen { day, y: y + slow + drift + sd * draws.normal(), sd });
        }
        let drift_per_day = if kind == Kind::Density { 0.05 / 100.0 } else { 0.0 };
        Channel { kind, seen, wander, drift_per_day, level: 0.0 }
    }

    /// Scatter of a day's gas share that starts and lone bubbles make.
    fn startup_sd(&self) -> f64 {
        let spec = &self.site.streams[self.meter.stream].spec;
        let (runs, flowing_s) = match spec.pattern {
            Pattern::Steady => (0.05, 86_400.0),
            Pattern::Batch => (6.0, 50_000.0),
            Pattern::Loads => (7.0, 32_000.0),
            Pattern::Doses => (11.0, 46_000.0),
        };
        let p = spec.startup_gas;
        let starts: f64 = runs * p * (1.0 - p) * 450.0 * 450.0 + runs * p * 144.0 * 144.0;
        (starts + 0.04 * 230.0 * 230.0).sqrt() / flowing_s
    }

    fn checks(&self, recorded: &Recorded) -> Vec<Channel> {
        let Some(rows) = recorded.checks.get(&self.meter.name) else { return Vec::new() };
        let mut mean = Vec::new();
        let mut half = Vec::new();
        // Heavy noise has variance 1.5; 0.6 of the scatter is common to both halves.
        let scatter = |day: f64| {
            let gas =
                self.condition(day).gas_share + self.site.streams[self.meter.stream].gas_share(day);
            self.meter.unit_at(day).check_scatter * (1.0 + 4.0 * gas.min(1.0))
        };
        let mut at = 0;
        while at < rows.len() {
            let (day, position, value) = &rows[at];
            let s = scatter(*day);
            match rows.get(at + 1) {
                Some((_, _, outlet)) if position == "inlet" => {
                    let sd = s * (0.36_f64 + 0.75).sqrt();
                    mean.push(Seen { day: *day, y: 0.5 * (value + outlet), sd });
                    half.push(Seen {
                        day: *day,
                        y: 0.5 * (value - outlet),
                        sd: s * 0.75_f64.sqrt(),
                    });
                    at += 2;
                }
                _ => {
                    mean.push(Seen { day: *day, y: *value, sd: s * (0.36_f64 + 0.75).sqrt() });
                    at += 1;
                }
            }
        }
        let channel =
            |kind, seen| Channel { kind, seen, wander: Vec::new(), drift_per_day: 0.0, level: 0.0 };
        vec![channel(Kind::CheckMean, mean), channel(Kind::CheckHalf, half)]
    }

    /// As-found zeros, and shut-in flow wherever the line stands full.
    fn zeros(&self, recorded: &Recorded, draws: &mut Draws) -> Channel {
        let noise = self.site.plan.variation.noise_factor;
        let stream = &self.site.streams[self.meter.stream];
        let mut seen: Vec<Seen> = Vec::new();
        for &(day, kg_h) in recorded.zeros.get(&self.meter.name).into_iter().flatten() {
            let found = kg_h / self.meter.zero_stability_kg_h;
            let known = self.meter.unit_at(day).zero + self.meter.adjusted(day - 0.01);
            seen.push(Seen { day, y: found - known, sd: 0.25 });
        }
        let cut_off = self.meter.confounders.iter().find_map(|c| match *c {
            Confounder::CutOff { from_day, .. } => Some(from_day),
            _ => None,
        });
        let readable = |day: f64| cut_off.is_none_or(|from| day < from) && !self.is_lost(FLOW, day);
        let last = f64::from(self.site.plan.days);
        let blocks = (0..self.site.plan.days as usize).step_by(BLOCK_DAYS);
        let shut_in: Vec<(f64, f64)> = if stream.spec.pattern == Pattern::Steady {
            let stops = stream.stops.iter().filter(|s| !s.drained && s.until_day < last);
            stops.map(|s| (0.5 * (s.from_day + s.until_day), 1.0)).collect()
        } else {
            blocks.map(|first| (first as f64 + 2.5, BLOCK_DAYS as f64)).collect()
        };
        for (day, days) in shut_in.into_iter().filter(|&(day, _)| readable(day) && day < last) {
            let unit = self.meter.unit_at(day);
            let sd = 0.3 * noise / days.sqrt();
            let factor = self.site.plan.variation.wander_factor;
            let slow = factor * unit.zero_wander * slow_wander(unit.key ^ 0xD3, day);
            let y = slow + self.condition(day).zero + sd * draws.normal();
            seen.push(Seen { day, y, sd });
        }
        seen.sort_by(|a, b| a.day.total_cmp(&b.day));
        let wander = self.wander_of(|u| u.zero_wander);
        Channel { kind: Kind::Zero, seen, wander, drift_per_day: 0.0, level: 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The covariance is that of the function itself, over many keys.
    #[test]
    fn the_covariance_of_the_wander_is_that_of_its_draws() {
        let n = 20_000;
        for (a, b) in [(10.5, 10.5), (10.5, 15.5), (10.5, 40.5), (100.0, 300.0)] {
            let sum: f64 =
                (0..n).map(|key| slow_wander(key << 8, a) * slow_wander(key << 8, b)).sum();
            let want = wander_covariance(a, b);
            // Standard error of a product of unit normals: at most sqrt(2/n) = 0.01.
            assert!((sum / n as f64 - want).abs() < 0.04, "{a} {b}: {} {want}", sum / n as f64);
        }
    }
}
