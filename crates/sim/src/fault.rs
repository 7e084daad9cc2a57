//! Faults with known truth: what grows, by which law, and what it does to the meter.
//!
//! Why:    the verdict assumes ramps, steps and saw-teeth with a few free amplitudes; these
//!         faults grow by powers, saturation, throughput, sudden acceleration and flicker, and
//!         their observables follow from tube and fluid, so that a verdict cannot win by
//!         knowing the generator.
//! Units:  days since the site's first day; shares where not said otherwise.
//! Source: laws and sizes of growth are judgement; effects of wear and deposit on the tube as
//!         in `tube`; damping by deposits has no formula: a power law with a free factor.

use crate::seed::{Draws, uniform_of, wander};
use crate::tube::{TubeChange, WearShape, worn};
use metersift_model::Hypothesis;

/// State of one meter's hardware at one instant; all neutral when new.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Condition {
    pub(crate) tube: TubeChange,
    /// Share of the bore filled with deposit and its density, kg/m3.
    pub(crate) deposit_share: f64,
    pub(crate) deposit_kg_m3: f64,
    /// Damping added, as a multiple of the damping at the reference.
    pub(crate) damping: f64,
    /// Factor on the drive current for one amplitude (coil, magnet, cable).
    pub(crate) drive_factor: f64,
    /// Extra relative noise of drive gain.
    pub(crate) drive_noise: f64,
    pub(crate) pickoff_in: f64,
    pub(crate) pickoff_out: f64,
    /// Zero offset in zero stabilities.
    pub(crate) zero: f64,
    /// Density and flow noise factor.
    pub(crate) noise: f64,
    /// Share of flowing time with gas, mean gas share of an episode, gas that never leaves.
    pub(crate) gas_share: f64,
    pub(crate) gas_alpha: f64,
    pub(crate) gas_always: f64,
}

impl Condition {
    pub(crate) const NEW: Condition = Condition {
        tube: TubeChange {
            kappa: 0.0,
            kappa_c: 0.0,
            kappa_in: 0.0,
            kappa_out: 0.0,
            mu: 0.0,
            nu: 0.0,
            pickoff_ln: 0.0,
        },
        deposit_share: 0.0,
        deposit_kg_m3: 0.0,
        damping: 0.0,
        drive_factor: 1.0,
        drive_noise: 0.0,
        pickoff_in: 1.0,
        pickoff_out: 1.0,
        zero: 0.0,
        noise: 1.0,
        gas_share: 0.0,
        gas_alpha: 0.0,
        gas_always: 0.0,
    };

    /// Both states at once.
    pub(crate) fn with(mut self, other: &Condition) -> Condition {
        let (a, b) = (&mut self.tube, &other.tube);
        a.kappa += b.kappa;
        a.kappa_c += b.kappa_c;
        a.kappa_in += b.kappa_in;
        a.kappa_out += b.kappa_out;
        a.mu += b.mu;
        a.nu += b.nu;
        a.pickoff_ln += b.pickoff_ln;
        let share = self.deposit_share + other.deposit_share;
        if share > 0.0 {
            self.deposit_kg_m3 = (self.deposit_share * self.deposit_kg_m3
                + other.deposit_share * other.deposit_kg_m3)
                / share;
        }
        self.deposit_share = share;
        self.damping += other.damping;
        self.drive_factor *= other.drive_factor;
        self.drive_noise += other.drive_noise;
        self.pickoff_in *= other.pickoff_in;
        self.pickoff_out *= other.pickoff_out;
        self.zero += other.zero;
        self.noise *= other.noise;
        self.gas_share = (self.gas_share + other.gas_share).min(0.95);
        self.gas_alpha = self.gas_alpha.max(other.gas_alpha);
        self.gas_always += other.gas_always;
        self
    }

    /// Flow indicated over true, from the tube alone.
    pub(crate) fn flow_factor(&self) -> f64 {
        1.0 / (1.0 + self.tube.kappa_c)
    }
}

/// How a fault grows from its onset; 1 at full size.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Growth {
    /// (age / full)^power, going on beyond full.
    Power { full_days: f64, power: f64 },
    /// 1 - exp(-age / tau).
    Saturating { tau_days: f64 },
    /// By what has flowed since the onset, in days of full load; stops when the line stops.
    Throughput { full_days: f64 },
    /// Slow at first, then four to ten times as fast.
    Accelerating { full_days: f64, knee_days: f64, ratio: f64 },
    /// All at once, or within a few days.
    Sudden { rise_days: f64 },
    /// Comes and goes by the hour, more often as it ages.
    Flicker { full_days: f64 },
    /// In jumps, one every so often, each of its own height.
    Stairs { full_days: f64, every_days: f64 },
    /// Slow, fast, slow.
    Sigmoid { full_days: f64 },
    /// Faster and faster, by a factor e every `fold_days`; 1 at `full_days`.
    Exponential { full_days: f64, fold_days: f64 },
    /// Grows since the last cleaning, one every so often.
    SawTooth { full_days: f64, power: f64 },
}

/// Kinds of faults, each with what it needs beside size and growth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Kind {
    /// Size = share of the bore at full growth.
    Coating {
        deposit_kg_m3: f64,
        /// Stiffness gained per share of bore (0 = soft).
        stiffness: f64,
        /// -1..1: more on the inlet or outlet half.
        lopsided: f64,
        /// Damping multiple at 10 % of the bore, and its power.
        damping: f64,
        damping_power: f64,
        /// Zero stabilities per share.
        zero: f64,
    },
    /// Size = share of the wall at the worst place.
    Wear { per_share: TubeChange },
    /// Size = share of flowing time; `alpha` within episodes; `always` = share that never leaves.
    Gas { alpha: f64, always: f64 },
    /// Size = zero stabilities, signed.
    Zero { wobble: f64 },
    /// Size = share of signal lost.
    Pickoff { inlet: bool, zero: f64 },
    /// Size = relative rise of drive current.
    Drive { noise: f64 },
    /// Size = relative stiffness change, signed.
    Deformed { side: f64, mass: f64, pickoff: f64, zero: f64, damping: f64 },
}

/// One fault of one meter.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Fault {
    pub(crate) mode: Hypothesis,
    pub(crate) variant: &'static str,
    pub(crate) onset_day: f64,
    /// Repaired (meter swapped) on this day.
    pub(crate) ends_day: Option<f64>,
    pub(crate) size: f64,
    pub(crate) growth: Growth,
    pub(crate) kind: Kind,
    pub(crate) key: u64,
    /// Days on which the tube was cleaned, sorted.
    pub(crate) cleanings: Vec<f64>,
    /// Share of deposit that survives a cleaning.
    pub(crate) rest: f64,
}

impl Fault {
    /// Growth at a day, 0 before the onset and after the repair. `load_days` gives days of
    /// full load passed up to a day.
    pub(crate) fn grown(&self, day: f64, load_days: &dyn Fn(f64) -> f64) -> f64 {
        let age = day - self.onset_day;
        if age <= 0.0 || self.ends_day.is_some_and(|end| day >= end) {
            return 0.0;
        }
        let grown = match self.growth {
            Growth::Power { full_days, power } => (age / full_days).powf(power),
            Growth::Saturating { tau_days } => 1.0 - (-age / tau_days).exp(),
            Growth::Throughput { full_days } => {
                (load_days(day) - load_days(self.onset_day)).max(0.0) / full_days
            }
            Growth::Accelerating { full_days, knee_days, ratio } => {
                (age + (ratio - 1.0) * (age - knee_days).max(0.0)) / full_days
            }
            Growth::Sudden { rise_days } => (age / rise_days.max(1e-6)).min(1.0),
            Growth::Flicker { full_days } => {
                let level = (age / full_days).min(1.0);
                let on = uniform_of(self.key ^ 0xF1, (day * 24.0).floor() as i64);
                if on < 0.15 + 0.75 * level { 0.4 + 0.6 * level } else { 0.0 }
            }
            Growth::SawTooth { full_days, power } => self.saw_tooth(day, full_days, power),
            Growth::Stairs { full_days, every_days } => {
                let steps = (age / every_days).floor() as i64;
                let height = |k: i64| 0.3 + 1.4 * uniform_of(self.key ^ 0x57A1, k);
                (0..=steps).map(height).sum::<f64>() * every_days / full_days
            }
            Growth::Sigmoid { full_days } => {
                let at = |days: f64| 1.0 / (1.0 + (-6.0 * (days / full_days - 0.5)).exp());
                (at(age) - at(0.0)) / (at(full_days) - at(0.0))
            }
            Growth::Exponential { full_days, fold_days } => {
                (age.min(2.0 * full_days) / fold_days).exp_m1() / (full_days / fold_days).exp_m1()
            }
        };
        // Nothing grows for ever: deposits shear off, walls meet their owner. At most 3 times.
        grown / (1.0 + (grown / 3.0).powi(2)).sqrt()
    }

    fn saw_tooth(&self, day: f64, full_days: f64, power: f64) -> f64 {
        let mut from = self.onset_day;
        let mut level: f64 = 0.0;
        let slope = |from: f64, to: f64, key: u64| {
            // Each campaign fouls at its own pace.
            let pace = (0.35 * wander(key, from, 3.0)).exp();
            pace * ((to - from) / full_days).powf(power)
        };
        for &cleaning in self.cleanings.iter().filter(|&&c| c > self.onset_day && c <= day) {
            level = (level + slope(from, cleaning, self.key)) * self.rest;
            from = cleaning;
        }
        level + slope(from, day, self.key)
    }

    /// Signed size at a day, in the unit of the fault's kind.
    pub(crate) fn size_at(&self, day: f64, load_days: &dyn Fn(f64) -> f64) -> f64 {
        let size = self.size * self.grown(day, load_days);
        match self.kind {
            Kind::Coating { .. } => size.min(0.35),
            Kind::Wear { .. } => size.min(0.30),
            Kind::Gas { .. } => size.min(0.85),
            Kind::Pickoff { .. } => size.min(0.97),
            _ => size,
        }
    }

    /// What the fault does to the meter at a day.
    pub(crate) fn condition(&self, day: f64, load_days: &dyn Fn(f64) -> f64) -> Condition {
        let size = self.size_at(day, load_days);
        let mut now = Condition::NEW;
        if size == 0.0 {
            return now;
        }
        match self.kind {
            Kind::Coating { deposit_kg_m3, stiffness, lopsided, damping, damping_power, zero } => {
                now.deposit_share = size;
                now.deposit_kg_m3 = deposit_kg_m3;
                let kappa = stiffness * size;
                now.tube.kappa = kappa;
                now.tube.kappa_c = kappa;
                now.tube.kappa_in = kappa * (1.0 + lopsided);
                now.tube.kappa_out = kappa * (1.0 - lopsided);
                now.tube.pickoff_ln = 0.12 * lopsided * size;
                // An uneven coat also unbalances two tubes: a second, steeper term.
                now.damping =
                    damping * ((size / 0.1).powf(damping_power) + (6.0 * lopsided * size).powi(2));
                now.zero = zero * size * (0.7 + 0.3 * wander(self.key ^ 0xC0, day, 20.0));
            }
            Kind::Wear { per_share } => {
                now.tube = per_share.scaled(size);
                now.damping = -0.3 * size;
                now.zero = 20.0 * size * wander(self.key ^ 0xE0, 0.0, 1.0);
            }
            Kind::Gas { alpha, always } => {
                now.gas_share = size;
                now.gas_alpha = alpha * (0.4 * wander(self.key ^ 0x6A, day, 6.0)).exp();
                now.gas_always = always * (size / self.size.max(1e-9)).min(2.0);
                now.noise = 1.0 + 0.5 * size;
            }
            Kind::Zero { wobble } => {
                now.zero = size * (1.0 + wobble * wander(self.key ^ 0x20, day, 9.0));
            }
            Kind::Pickoff { inlet, zero } => {
                let left = 1.0 - size;
                if inlet {
                    now.pickoff_in = left
                } else {
                    now.pickoff_out = left
                }
                now.noise = 1.0 + 1.5 * size;
                now.zero = zero * size;
                now.drive_noise = 0.02 * size;
            }
            Kind::Drive { noise } => {
                now.drive_factor = 1.0 + size;
                now.drive_noise = noise * size.min(1.0);
            }
            Kind::Deformed { side, mass, pickoff, zero, damping } => {
                now.tube.kappa = size;
                now.tube.kappa_c = size * (1.0 + 0.4 * side);
                now.tube.kappa_in = size * (1.0 + side);
                now.tube.kappa_out = size * (1.0 - side);
                now.tube.mu = mass * size;
                now.tube.nu = -0.3 * size;
                now.tube.pickoff_ln = pickoff * size;
                now.zero = zero;
                now.damping = damping;
            }
        }
        now
    }

    /// The size for people: value and unit.
    pub(crate) fn severity(&self, day: f64, load_days: &dyn Fn(f64) -> f64) -> (f64, &'static str) {
        let size = self.size_at(day, load_days);
        match self.kind {
            Kind::Coating { .. } => (100.0 * size, "% of bore"),
            Kind::Wear { .. } => (100.0 * self.condition(day, load_days).tube.kappa, "% stiffness"),
            Kind::Deformed { .. } => (100.0 * size, "% stiffness"),
            Kind::Gas { .. } => (100.0 * size, "% of flowing time"),
            Kind::Zero { .. } => (size, "zero stabilities"),
            Kind::Pickoff { .. } => (100.0 * size, "% of signal"),
            Kind::Drive { .. } => (100.0 * size, "% of drive"),
        }
    }
}

/// The order in which faults are dealt out: prevalences of a mill, judgement.
pub(crate) const DECK: [&str; 22] = [
    "coating_soft",
    "wear_even",
    "gas_growing",
    "zero_ramp",
    "pickoff_fading",
    "frost",
    "coating_saw",
    "wear_local",
    "gas_growing",
    "coating_rigid",
    "drive_coil",
    "wear_throughput",
    "zero_step",
    "coating_soft",
    "gas_sustained",
    "overpressure",
    "coating_rigid",
    "wear_accelerating",
    "pickoff_flicker",
    "gas_growing",
    "coating_saw",
    "zero_ramp",
];

/// How readily a service takes a variant; 0 = never.
pub(crate) fn susceptibility(variant: &str, service: &str) -> f64 {
    let row: &[(&str, f64)] = if variant.starts_with("coating") {
        &[
            ("syrup", 5.0),
            ("liquor", 5.0),
            ("oil", 4.0),
            ("slurry", 1.5),
            ("caustic", 2.0),
            ("water", 0.4),
        ]
    } else if variant.starts_with("wear") {
        &[("slurry", 6.0), ("acid", 2.0), ("caustic", 0.7), ("syrup", 0.15)]
    } else if variant.starts_with("gas") {
        &[
            ("loading", 4.0),
            ("condensate", 3.0),
            ("ethanol", 2.5),
            ("slurry", 1.2),
            ("syrup", 0.8),
            ("water", 0.4),
        ]
    } else if variant == "frost" {
        &[("water", 3.0), ("condensate", 2.0), ("acid", 1.0), ("caustic", 2.0)]
    } else if variant == "overpressure" {
        &[("loading", 2.0), ("oil", 1.0), ("syrup", 1.0), ("acid", 1.0), ("ethanol", 1.0)]
    } else {
        &[]
    };
    let default = if row.is_empty() { 1.0 } else { 0.03 };
    row.iter().find(|(name, _)| *name == service).map_or(default, |&(_, factor)| factor)
}

/// Draws one fault of a variant. `fluid_kg_m3` is the usual fluid of the meter.
pub(crate) fn draw(
    variant: &'static str,
    draws: &mut Draws,
    horizon_days: f64,
    fluid_kg_m3: f64,
    service: &str,
    wall: &WearShape,
) -> Fault {
    let key = draws.bits();
    let (mode, size, growth, kind) = match variant {
        "coating_soft" | "coating_rigid" | "coating_saw" => {
            coating(variant, draws, fluid_kg_m3, service)
        }
        "wear_even" | "wear_local" | "wear_throughput" | "wear_accelerating" => {
            wear(variant, draws, wall)
        }
        "gas_growing" | "gas_sustained" => gas(variant, draws),
        "zero_ramp" | "zero_step" => zero(variant, draws),
        "pickoff_fading" | "pickoff_flicker" | "drive_coil" => electrical(variant, draws),
        _ => damage(variant, draws),
    };
    // One in eight began before the data; the rest at any time but the last weeks.
    let onset_day = if draws.chance(0.12) {
        -draws.range(5.0, 150.0)
    } else {
        horizon_days * draws.range(0.06, 0.90)
    };
    let onset_day = if variant == "frost" { frost_day(draws, horizon_days) } else { onset_day };
    Fault {
        mode,
        variant,
        onset_day,
        ends_day: None,
        size,
        growth,
        kind,
        key,
        cleanings: Vec::new(),
        rest: draws.range(0.03, 0.25),
    }
}

/// Frost comes in winter: the site starts in September, so days 80..170 or 445..535.
fn frost_day(draws: &mut Draws, horizon_days: f64) -> f64 {
    let day = draws.range(85.0, 165.0);
    if day < horizon_days { day } else { horizon_days * draws.range(0.3, 0.9) }
}

type Drawn = (Hypothesis, f64, Growth, Kind);

fn ramp(draws: &mut Draws, fast: f64, slow: f64) -> Growth {
    let full_days = draws.log_range(fast, slow);
    match draws.pick(4) {
        0 => Growth::Power { full_days, power: draws.range(0.55, 0.9) },
        1 => Growth::Power { full_days, power: draws.range(1.0, 2.2) },
        2 => Growth::Saturating { tau_days: full_days * 0.6 },
        _ => Growth::Throughput { full_days: full_days * 0.6 },
    }
}

/// Another law for what grows by itself; what is sudden, flickers or is cleaned stays.
pub(crate) fn other_growth(usual: Growth, draws: &mut Draws) -> Growth {
    let full_days = match usual {
        Growth::Power { full_days, .. } | Growth::Accelerating { full_days, .. } => full_days,
        Growth::Saturating { tau_days } => tau_days / 0.6,
        Growth::Throughput { full_days } => full_days / 0.6,
        _ => return usual,
    };
    match draws.pick(3) {
        0 => Growth::Stairs { full_days, every_days: full_days * draws.range(0.1, 0.4) },
        1 => Growth::Sigmoid { full_days },
        _ => Growth::Exponential { full_days, fold_days: full_days * draws.range(0.2, 0.5) },
    }
}

fn coating(variant: &str, draws: &mut Draws, fluid_kg_m3: f64, service: &str) -> Drawn {
    let size = draws.log_range(0.012, 0.10);
    let deposit_kg_m3 = match service {
        "oil" => draws.range(860.0, 905.0),
        "water" | "caustic" => draws.range(1700.0, 2300.0),
        _ => fluid_kg_m3 + draws.range(60.0, 420.0),
    };
    let rigid = variant == "coating_rigid";
    let kind = Kind::Coating {
        deposit_kg_m3,
        stiffness: if rigid { draws.range(0.08, 0.40) } else { draws.range(0.0, 0.012) },
        lopsided: 0.45 * draws.normal().clamp(-1.8, 1.8),
        damping: draws.log_range(0.5, 5.0),
        damping_power: draws.range(0.6, 1.2),
        zero: if draws.chance(0.4) { 60.0 * draws.normal() } else { 0.0 },
    };
    let growth = if variant == "coating_saw" {
        Growth::SawTooth { full_days: draws.range(30.0, 80.0), power: draws.range(0.7, 1.5) }
    } else {
        ramp(draws, 60.0, 320.0)
    };
    (Hypothesis::Coating, size, growth, kind)
}

fn wear(variant: &str, draws: &mut Draws, wall: &WearShape) -> Drawn {
    let shape = match variant {
        "wear_local" => {
            let near =
                if draws.chance(0.7) { draws.range(0.03, 0.2) } else { draws.range(0.3, 0.55) };
            WearShape {
                centre: if draws.chance(0.75) { near } else { 1.0 - near },
                half_width: draws.range(0.04, 0.10),
                ..*wall
            }
        }
        _ => WearShape {
            centre: draws.range(0.35, 0.65),
            half_width: draws.range(0.8, 4.0),
            ..*wall
        },
    };
    let size = draws.log_range(0.012, 0.07) * if variant == "wear_local" { 2.0 } else { 1.0 };
    let growth = match variant {
        "wear_throughput" => Growth::Throughput { full_days: draws.range(90.0, 260.0) },
        "wear_accelerating" => Growth::Accelerating {
            full_days: draws.range(300.0, 600.0),
            knee_days: draws.range(60.0, 160.0),
            ratio: draws.range(4.0, 10.0),
        },
        _ => ramp(draws, 120.0, 420.0),
    };
    (Hypothesis::Erosion, size, growth, Kind::Wear { per_share: worn(&shape, 1.0) })
}

fn gas(variant: &str, draws: &mut Draws) -> Drawn {
    let growth = if draws.chance(0.3) {
        Growth::Sudden { rise_days: draws.range(0.5, 6.0) }
    } else {
        ramp(draws, 50.0, 250.0)
    };
    let (size, always) = if variant == "gas_sustained" {
        (draws.range(0.02, 0.08), draws.log_range(5e-4, 6e-3))
    } else {
        (draws.log_range(0.04, 0.45), 0.0)
    };
    (Hypothesis::TwoPhase, size, growth, Kind::Gas { alpha: draws.log_range(0.008, 0.06), always })
}

fn zero(variant: &str, draws: &mut Draws) -> Drawn {
    let size = draws.sign() * draws.log_range(4.0, 50.0);
    let growth = if variant == "zero_step" {
        Growth::Sudden { rise_days: draws.log_range(0.02, 3.0) }
    } else {
        ramp(draws, 60.0, 300.0)
    };
    (Hypothesis::ZeroDrift, size, growth, Kind::Zero { wobble: draws.range(0.05, 0.3) })
}

fn electrical(variant: &str, draws: &mut Draws) -> Drawn {
    if variant == "drive_coil" {
        let size = draws.log_range(0.3, 3.0);
        let growth = if draws.chance(0.5) {
            Growth::Sudden { rise_days: draws.log_range(0.05, 10.0) }
        } else {
            ramp(draws, 50.0, 250.0)
        };
        return (
            Hypothesis::Electrical,
            size,
            growth,
            Kind::Drive { noise: draws.range(0.02, 0.2) },
        );
    }
    let size = draws.log_range(0.08, 0.6);
    let zero = if draws.chance(0.4) { 15.0 * draws.normal() } else { 0.0 };
    let growth = if variant == "pickoff_flicker" {
        Growth::Flicker { full_days: draws.range(40.0, 150.0) }
    } else {
        ramp(draws, 60.0, 250.0)
    };
    (Hypothesis::Electrical, size, growth, Kind::Pickoff { inlet: draws.chance(0.5), zero })
}

fn damage(variant: &str, draws: &mut Draws) -> Drawn {
    let size = draws.log_range(0.006, 0.045) * if draws.chance(0.7) { -1.0 } else { 1.0 };
    let kind = Kind::Deformed {
        side: (0.4 * draws.normal()).clamp(-0.9, 0.9),
        mass: draws.range(0.0, 0.5),
        pickoff: draws.normal() * 0.8,
        zero: 8.0 * draws.normal(),
        damping: if draws.chance(0.4) { draws.range(0.1, 1.2) } else { 0.0 },
    };
    let rise_days = if variant == "frost" { 0.3 } else { 0.001 };
    (Hypothesis::Damage, size, Growth::Sudden { rise_days }, kind)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seed::Purpose;

    const WALL: WearShape =
        WearShape { centre: 0.5, half_width: 10.0, wall_to_bore: 0.07, wall_mass_share: 0.8 };

    #[test]
    fn every_variant_of_the_deck_grows_from_nothing_and_is_felt() {
        for (i, variant) in DECK.into_iter().enumerate() {
            let mut draws = Draws::new(5, i as u64, Purpose::Fault, 0);
            let mut fault = draw(variant, &mut draws, 456.0, 1300.0, "syrup", &WALL);
            fault.onset_day = 100.0;
            fault.cleanings = vec![180.0, 260.0, 340.0];
            let load = |day: f64| 0.6 * day;
            assert_eq!(fault.condition(99.0, &load), Condition::NEW, "{variant}");
            let felt =
                (300..456).any(|day| fault.condition(f64::from(day), &load) != Condition::NEW);
            assert!(felt, "{variant}");
            let (severity, unit) = fault.severity(440.0, &load);
            assert!(severity.is_finite() && !unit.is_empty(), "{variant}");
        }
    }

    #[test]
    fn the_other_growth_laws_begin_at_nothing_never_fall_and_reach_full_size() {
        for seed in 0..30 {
            let mut draws = Draws::new(seed, 1, Purpose::Growth, 0);
            let usual = Growth::Power { full_days: 120.0, power: 1.3 };
            let mut fault = draw("wear_even", &mut draws, 456.0, 1100.0, "slurry", &WALL);
            fault.onset_day = 10.0;
            fault.growth = other_growth(usual, &mut draws);
            assert_ne!(fault.growth, usual);
            let grown: Vec<f64> = (0..400).map(|d| fault.grown(f64::from(d), &|d| d)).collect();
            assert_eq!(grown[10], 0.0);
            assert!(grown.windows(2).all(|pair| pair[1] >= pair[0]), "{:?}", fault.growth);
            assert!((0.5..1.7).contains(&grown[130]), "{:?} {}", fault.growth, grown[130]);
        }
    }

    #[test]
    fn a_cleaning_takes_a_coating_back_and_wear_never_returns() {
        let mut draws = Draws::new(5, 1, Purpose::Fault, 0);
        let mut coat = draw("coating_saw", &mut draws, 456.0, 1300.0, "syrup", &WALL);
        coat.onset_day = 10.0;
        coat.cleanings = vec![100.0];
        let load = |day: f64| day;
        assert!(coat.size_at(101.0, &load) < 0.5 * coat.size_at(99.0, &load));
        let mut wear = draw("wear_throughput", &mut draws, 456.0, 1100.0, "slurry", &WALL);
        wear.onset_day = 10.0;
        let sizes: Vec<f64> = (11..400).map(|d| wear.size_at(f64::from(d), &load)).collect();
        assert!(sizes.windows(2).all(|pair| pair[1] >= pair[0]));
    }
}
