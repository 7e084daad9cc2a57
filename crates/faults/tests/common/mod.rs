//! A small generator of daily tables with known truth, for tests of the verdict alone. It shares
//! no code with the verdict: its faults are written down here a second time.

#![allow(dead_code, reason = "each test file uses its own part")]

use metersift_model::records::{
    Change, Check, CheckOutcome, CheckPosition, Meter, Records, ZeroRecord, ZeroState,
};
use metersift_model::time::{TimeUs, US_PER_DAY};
use metersift_model::{ColumnData, Day, Table};
use std::f64::consts::TAU;

/// A named fault with its size.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Truth {
    None,
    /// Bore share at the end, density excess kg/m3, damping per share.
    Coating {
        share: f64,
        excess: f64,
        damping: f64,
    },
    /// Stiffness lost at the end, %.
    Erosion {
        loss_pct: f64,
    },
    /// Gas share of flowing time.
    TwoPhase {
        share: f64,
    },
    /// Zero stabilities.
    ZeroDrift {
        stabilities: f64,
    },
    /// Loss of the inlet pick-off.
    Pickoff {
        loss: f64,
    },
    /// Rise of drive gain.
    Drive {
        rise: f64,
    },
    /// Stiffness step, %.
    Damage {
        step_pct: f64,
    },
    /// Change of ln viscosity of this meter's fluid alone.
    Process {
        log_viscosity: f64,
    },
    /// Thinning: noise divided, with no change of habits recorded.
    Data {
        noise_log: f64,
    },
}

/// Which signals and records a meter has.
#[derive(Clone, Copy, Debug)]
pub struct Has {
    pub drive: bool,
    pub density: bool,
    pub pickoffs: bool,
    pub checks: bool,
    pub zeros: bool,
    pub gas: bool,
}

pub const ALL_SIGNALS: Has =
    Has { drive: true, density: true, pickoffs: true, checks: true, zeros: true, gas: true };

/// One meter of the plan.
#[derive(Clone, Debug)]
pub struct Plan {
    pub name: String,
    pub service: &'static str,
    pub stream: String,
    pub truth: Truth,
    /// First day of the fault; ramps end on the last day.
    pub onset: i32,
    pub has: Has,
    pub cleanings: Vec<i32>,
    pub swap: Option<i32>,
}

impl Plan {
    pub fn new(name: &str, stream: &str, truth: Truth, onset: i32) -> Plan {
        Plan {
            name: name.into(),
            service: "syrup",
            stream: stream.into(),
            truth,
            onset,
            has: ALL_SIGNALS,
            cleanings: Vec::new(),
            swap: None,
        }
    }
}

/// First day of all tables.
pub const FIRST: i32 = 20_000;

/// A small generator (splitmix64) with normal numbers.
pub struct Random(pub u64);

impl Random {
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        ((z >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    pub fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (TAU * self.uniform()).cos()
    }
}

/// A daily table with its records.
pub struct Site {
    pub daily: Table,
    pub records: Records,
}

fn seed_of(text: &str, seed: u64) -> u64 {
    text.bytes().fold(seed ^ 0xCBF2_9CE4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01B3)
    })
}

/// Slow shared movement of a stream: ln viscosity and density, by day.
fn stream_state(stream: &str, days: i32, seed: u64) -> Vec<(f64, f64)> {
    let mut random = Random(seed_of(stream, seed));
    let (mut viscosity, mut density) = (0.0, 0.0);
    (0..days)
        .map(|_| {
            viscosity = 0.95 * viscosity + 0.05 * random.normal();
            density = 0.9 * density + 0.6 * random.normal();
            (viscosity, density)
        })
        .collect()
}

const COLUMNS: [&str; 17] = [
    "hours_flowing",
    "hours_steady",
    "flow_q50_kg_h",
    "drive_log_low",
    "drive_gain_median_pct",
    "drive_saturated_share",
    "pickoff_log_ratio",
    "density_kg_m3",
    "temperature_degc",
    "density_noise_kg_m3",
    "density_noise_floor_limited",
    "density_noise_spacing_s",
    "density_resolution_kg_m3",
    "density_repeat_share",
    "gas_share",
    "zero_stabilities",
    "density_updates",
];

/// Builds the table and records of a plan over `days` days.
pub fn site(plans: &[Plan], days: i32, seed: u64) -> Site {
    let mut meters = Vec::new();
    let mut dates = Vec::new();
    let mut columns: Vec<Vec<f64>> = vec![Vec::new(); COLUMNS.len()];
    let mut records = Records::default();
    for plan in plans {
        let state = stream_state(&plan.stream, days, seed);
        records.meters.insert(plan.name.clone(), register_line(plan));
        add_changes(&mut records, plan);
        let mut random = Random(seed_of(&plan.name, seed));
        let own_level = 0.3 * random.normal();
        let (mut drive_wander, mut density_wander, mut noise_wander) = (0.0, 0.0, 0.0);
        for day in 0..days {
            let (viscosity, stream_density) = state[day as usize];
            drive_wander = 0.97 * drive_wander + 0.004 * random.normal();
            density_wander = 0.97 * density_wander + 0.06 * random.normal();
            noise_wander = 0.97 * noise_wander + 0.02 * random.normal();
            let effect = effect(plan, day, days);
            let temperature =
                60.0 + 8.0 * (TAU * f64::from(day) / 365.25).sin() + 1.5 * random.normal();
            let drive = own_level + 0.3 * (viscosity + effect.log_viscosity)
                - 0.006 * (temperature - 60.0)
                + drive_wander
                + 0.02 * random.normal()
                + effect.drive;
            let density = 1290.0 + stream_density - 0.5 * (temperature - 60.0)
                + density_wander
                + 0.3 * random.normal()
                + effect.density;
            let noise = (-2.0 + noise_wander + 0.1 * random.normal() + effect.noise).exp();
            let or_nan = |has: bool, value: f64| if has { value } else { f64::NAN };
            let gas = (effect.gas * random.uniform() * 2.0).min(1.0);
            let zero = effect.zero + 0.7 * random.normal();
            let shut_in = random.uniform() < 0.15;
            let has = plan.has;
            let row = [
                22.0,
                20.0,
                5000.0 * (1.0 + 0.05 * random.normal()),
                or_nan(has.drive, drive),
                or_nan(has.drive, 8.0 * drive.exp()),
                or_nan(has.drive, 0.0),
                or_nan(has.pickoffs, 0.0005 * random.normal() + effect.ratio),
                or_nan(has.density, density),
                temperature,
                or_nan(has.density, noise),
                or_nan(has.density, 0.0),
                60.0,
                0.001,
                0.1,
                or_nan(has.gas, gas),
                or_nan(has.zeros && shut_in, zero),
                1000.0,
            ];
            for (column, value) in columns.iter_mut().zip(row) {
                column.push(value);
            }
            meters.push(Some(plan.name.clone()));
            dates.push(Some(Day(FIRST + day)));
            if has.checks && day % 15 == 7 {
                add_check(&mut records, plan, day, &effect, &mut random);
            }
            if has.zeros && day % 90 == 45 {
                let zero_kg_h = zero * register_line(plan).zero_stability_kg_h;
                let time = TimeUs(i64::from(FIRST + day) * US_PER_DAY + 1);
                let record = ZeroRecord { time, zero_kg_h, state: ZeroState::AsFound };
                records.zeros.entry(plan.name.clone()).or_default().push(record);
            }
        }
    }
    let mut daily = Table::default();
    daily.push("meter", "", ColumnData::Text(meters));
    daily.push("day", "", ColumnData::Day(dates));
    for (name, values) in COLUMNS.iter().zip(columns) {
        daily.push(name, "", ColumnData::Number(values));
    }
    Site { daily, records }
}

fn register_line(plan: &Plan) -> Meter {
    Meter {
        meter: plan.name.clone(),
        service: plan.service.into(),
        stream: plan.stream.clone(),
        nominal_diameter_mm: Some(25.0),
        max_flow_kg_h: 10_000.0,
        zero_stability_kg_h: 1.0,
        base_accuracy_pct: 0.1,
        criticality: 3,
        check_interval_days: Some(45.0),
        ..Meter::default()
    }
}

fn add_changes(records: &mut Records, plan: &Plan) {
    let mut add = |day: i32, item: &str| {
        let time = TimeUs(i64::from(FIRST + day) * US_PER_DAY + US_PER_DAY / 2);
        records.changes.entry(plan.name.clone()).or_default().push(Change {
            time,
            item: item.into(),
            before: String::new(),
            after: String::new(),
        });
    };
    plan.cleanings.iter().for_each(|day| add(*day, "cleaned"));
    plan.swap.iter().for_each(|day| add(*day, "swapped"));
}

fn add_check(records: &mut Records, plan: &Plan, day: i32, effect: &Effect, random: &mut Random) {
    let time = TimeUs(i64::from(FIRST + day) * US_PER_DAY + 5_000_000);
    let aborted = random.uniform() < effect.gas;
    for position in [CheckPosition::Inlet, CheckPosition::Outlet] {
        let value = effect.stiffness_pct + 0.07 * random.normal();
        records.checks.entry(plan.name.clone()).or_default().push(Check {
            time,
            outcome: if aborted { CheckOutcome::Aborted } else { CheckOutcome::Pass },
            quantity: "stiffness".into(),
            position,
            value_pct: (!aborted).then_some(value),
            trigger: "schedule".into(),
        });
    }
}

/// What a fault does on a day.
#[derive(Clone, Copy, Debug, Default)]
pub struct Effect {
    pub drive: f64,
    pub density: f64,
    pub noise: f64,
    pub ratio: f64,
    pub gas: f64,
    pub zero: f64,
    pub stiffness_pct: f64,
    pub log_viscosity: f64,
}

fn effect(plan: &Plan, day: i32, days: i32) -> Effect {
    let mut effect = Effect::default();
    if plan.swap.is_some_and(|swap| day > swap && plan.onset < swap) || day < plan.onset {
        return effect;
    }
    let since = plan.cleanings.iter().copied().filter(|c| *c <= day).max().unwrap_or(plan.onset);
    let ramp = f64::from(day - since.max(plan.onset)) / f64::from((days - plan.onset).max(1));
    match plan.truth {
        Truth::None => {}
        Truth::Coating { share, excess, damping } => {
            effect.drive = (damping * share * ramp).ln_1p();
            effect.density = share * ramp * excess;
        }
        Truth::Erosion { loss_pct } => {
            effect.stiffness_pct = -loss_pct * ramp;
            effect.density = 0.014 * 1290.0 * loss_pct * ramp;
        }
        Truth::TwoPhase { share } => {
            effect.gas = share;
            effect.noise = share.sqrt();
            effect.drive = (0.3 * share).ln_1p();
        }
        Truth::ZeroDrift { stabilities } => effect.zero = stabilities * ramp,
        Truth::Pickoff { loss } => {
            effect.ratio = (1.0 - loss).ln();
            effect.drive = -0.5 * (1.0 - loss).ln();
        }
        Truth::Drive { rise } => effect.drive = rise.ln_1p(),
        Truth::Damage { step_pct } => {
            effect.stiffness_pct = step_pct;
            effect.density = -20.0 * step_pct;
        }
        Truth::Process { log_viscosity } => effect.log_viscosity = log_viscosity,
        Truth::Data { noise_log } => effect.noise = noise_log,
    }
    effect
}

/// A stream of `n` quiet meters.
pub fn quiet(stream: &str, n: usize) -> Vec<Plan> {
    (0..n).map(|i| Plan::new(&format!("{stream}-{i:02}"), stream, Truth::None, 0)).collect()
}

/// The verdict day of a site of `days` days.
pub fn as_of(days: i32) -> Day {
    Day(FIRST + days)
}
