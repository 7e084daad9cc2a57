//! A level that moves by the factor between two units where one dump hands over to the next.
//!
//! Why:    an export that was switched from one unit to another looks like a fault of every meter
//!         in it. Such a step is first a suspected unit or decimal mistake, second a fault.
//! In:     per meter and pair of dumps the last readings of the one and the first of the other,
//!         per signal, storage units, with the unit that the tag table declares.
//! Out:    the steps that two units, or a shifted decimal mark, explain.
//! Method: medians of both sides; each side must be steady (1.4826 MAD against its median), and
//!         the step at least [`LEAST_RATIO`]-fold. The units come from the table of units
//!         ([`metersift_model::slip`]): one side is taken to be right as declared, the other to
//!         have been told in another unit.
//!         What a process can do by itself needs more than the factor. Density: the tube
//!         frequency (without one the drive) must not have moved, as it does when a line is
//!         emptied; without both, one side must follow the other within [`SHARP_S`]. Temperature: neither density nor frequency may have moved; without both,
//!         likewise. Drive gain: not up into saturation.
//!         Flow and pressure move by any factor from one minute to the next: they are told only
//!         where the meter's (other) flow stayed, or [`COMPANY`] meters of different levels
//!         slipped alike in one dump, or (a flow alone) the step is at least
//!         [`LARGE_RATIO`]-fold and follows within [`SHARP_S`].
//! Source: common practice, no source; tolerances, counts and times are our choice.
//! Limits: a slip of a single flow by less than [`LARGE_RATIO`] with no other flow beside it is
//!         not told from a change of load; nor are units closer than [`LEAST_RATIO`] (US and UK
//!         gallons, bar and atm), gauge and absolute pressure, or values that a slip takes beyond
//!         what the quantity can be (stored as bad samples, they have no level).

use metersift_model::slip::{Slip, slips};
use metersift_model::verdict::{Fact, FactKind, JudgedState};
use metersift_model::{Hypothesis, Signal, Verdict};
use metersift_stats::{mad_sigma, median};
use std::collections::BTreeMap;

/// The fewest readings of a side.
pub const LEAST_READINGS: usize = 8;
/// Smaller steps are a process's own.
pub const LEAST_RATIO: f64 = 1.5;
/// Flows seldom do this from one reading to the next.
pub const LARGE_RATIO: f64 = 20.0;
/// Longest time between two readings that are neighbours, seconds.
pub const SHARP_S: f64 = 1200.0;
/// Longer silence tells nothing about its two ends, seconds.
pub const LONGEST_GAP_S: f64 = 7.0 * 86_400.0;
/// Meters of one dump whose flows or pressures slipped alike.
pub const COMPANY: usize = 3;
/// Robust scatter of a side against its level.
const STEADY: f64 = 0.05;
/// The same of temperatures, K.
const STEADY_K: f64 = 2.0;
/// Smallest step of a temperature, K.
const LEAST_STEP_K: f64 = 10.0;
/// How far a temperature may end from what the units say, K.
const NEAR_K: f64 = 1.0;
/// A level that stayed: flows, frequencies and densities, drives (relative).
const FLOW_STAYED: f64 = 0.05;
const FREQUENCY_STAYED: f64 = 0.01;
const DENSITY_STAYED: f64 = 0.005;
const DRIVE_STAYED: f64 = 0.3;
/// A drive that rose above this may be saturated, %.
const SATURATED_PCT: f64 = 85.0;
/// Shifts of a decimal mark that are looked for.
const SHIFTS: [(f64, &str); 3] = [(10.0, "one"), (100.0, "two"), (1000.0, "three")];

/// Level of one side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// Median, storage unit.
    pub median: f64,
    /// Robust standard deviation, storage unit.
    pub sigma: f64,
    /// Readings.
    pub readings: usize,
}

impl Level {
    /// The level of finite good readings; `None` for fewer than [`LEAST_READINGS`].
    pub fn of(values: &[f64]) -> Option<Level> {
        (values.len() >= LEAST_READINGS).then(|| Level {
            median: median(values),
            sigma: mad_sigma(values),
            readings: values.len(),
        })
    }

    fn is_steady(&self, signal: &Signal) -> bool {
        match signal {
            Signal::Temperature => self.sigma <= STEADY_K,
            _ => self.sigma <= STEADY * self.median.abs(),
        }
    }
}

/// One signal on both sides of a handover.
#[derive(Clone, Debug, PartialEq)]
pub struct SignalLevels {
    /// The signal.
    pub signal: Signal,
    /// Unit that the tag table declares.
    pub declared: String,
    /// Before and after.
    pub before: Level,
    /// After.
    pub after: Level,
    /// Time between the last reading before and the first after, seconds.
    pub gap_s: f64,
}

/// All signals of one meter where one dump hands over to another.
#[derive(Clone, Debug, PartialEq)]
pub struct Handover {
    /// The meter.
    pub meter: String,
    /// Numbers of the dump before and the dump after.
    pub dumps: (u32, u32),
    /// Its signals.
    pub signals: Vec<SignalLevels>,
}

/// Which side is not in the declared unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Side {
    /// The older readings.
    Before,
    /// The newer readings.
    After,
}

/// What explains a step.
#[derive(Clone, Debug, PartialEq)]
pub struct Explanation {
    /// The unit that one side would be in; `None`: its decimal mark is shifted.
    pub unit: Option<&'static str>,
    /// In words: `g/cm3 taken for kg/m3`.
    pub words: String,
    /// Which side is not as declared, where the declared unit is right on the other.
    pub side: Side,
    /// Level after over level before, as the units have it (temperatures: of the storage unit,
    /// beside an offset).
    pub factor: f64,
    /// How far the measured step is from it: relative, for temperatures K.
    pub miss: f64,
}

/// A suspected step.
#[derive(Clone, Debug, PartialEq)]
pub struct UnitStep {
    /// Index of the handover.
    pub handover: usize,
    /// Index of the signal in it.
    pub signal: usize,
    /// What explains it.
    pub explanation: Explanation,
}

/// Withholds judgement of a meter one of whose levels is in doubt: what was measured in a wrong
/// unit accuses nobody. Facts that rest on records or on silence stay; `doubt` is one more.
pub fn withhold(verdict: &mut Verdict, doubt: Fact) {
    verdict.state = JudgedState::NotJudged;
    verdict.mode = Hypothesis::NoChange;
    verdict.probability = f64::NAN;
    verdict.probabilities = [f64::NAN; 10];
    verdict.fault_score = f64::NAN;
    verdict.raw_fault_score = f64::NAN;
    verdict.decoy_score = f64::NAN;
    verdict.severity = None;
    verdict.days_left = None;
    verdict.limit = None;
    verdict.error_now_pct = None;
    verdict.error_rate_pct_d = None;
    verdict.by_mode.clear();
    verdict.group = None;
    verdict.exceeds_group = false;
    verdict.evidence.clear();
    verdict.next_test.clear();
    verdict.blind_spots.iter_mut().for_each(|spot| spot.smallest_visible = None);
    // A meter may have more than one doubt; the first is the reason.
    if !verdict.facts.iter().any(|fact| fact.kind == FactKind::UnitStep) {
        verdict.reason.clone_from(&doubt.text);
    }
    let kept =
        [FactKind::CheckBeyondLimit, FactKind::CheckOverdue, FactKind::NoData, FactKind::UnitStep];
    verdict.facts.retain(|fact| kept.contains(&fact.kind));
    verdict.facts.push(doubt);
}

/// How far a step may be from a factor (relative).
fn tolerance(signal: &Signal) -> f64 {
    match signal {
        Signal::MassFlow | Signal::VolumeFlow | Signal::TubeFrequency => 0.01,
        Signal::DriveGain | Signal::PickoffInlet | Signal::PickoffOutlet => 0.05,
        _ => 0.02,
    }
}

/// The steps among all handovers of an import that units explain and the process does not.
pub fn unit_steps(handovers: &[Handover]) -> Vec<UnitStep> {
    let mut found = Vec::new();
    let mut alike: BTreeMap<_, Vec<UnitStep>> = BTreeMap::new();
    for (h, handover) in handovers.iter().enumerate() {
        let explained: Vec<Option<Explanation>> = handover.signals.iter().map(explain).collect();
        for (s, explanation) in explained.iter().enumerate() {
            let Some(explanation) = explanation else { continue };
            let step = UnitStep { handover: h, signal: s, explanation: explanation.clone() };
            let levels = &handover.signals[s];
            match in_company(levels, &handover.signals, &explained) {
                Doubt::Told => found.push(step),
                Doubt::Process => {}
                Doubt::NeedsOthers => {
                    let key = (handover.dumps, levels.signal.clone(), explanation.words.clone());
                    alike.entry((key, explanation.side)).or_default().push(step);
                }
            }
        }
    }
    let levels = |step: &UnitStep| handovers[step.handover].signals[step.signal].before.median;
    found.extend(
        alike
            .into_values()
            .filter(|steps| distinct(steps.iter().map(levels).collect()) >= COMPANY)
            .flatten(),
    );
    found.sort_by_key(|step| (step.handover, step.signal));
    found
}

/// Levels that differ: meters in one line see one flow, and are one witness.
fn distinct(mut levels: Vec<f64>) -> usize {
    levels.sort_by(|a, b| a.abs().total_cmp(&b.abs()));
    1 + levels
        .windows(2)
        .filter(|pair| pair[1].abs() > pair[0].abs() * (1.0 + 2.0 * FLOW_STAYED))
        .count()
}

/// What the two levels alone say; the nearest explanation of all.
fn explain(levels: &SignalLevels) -> Option<Explanation> {
    let SignalLevels { signal, before, after, .. } = levels;
    if !before.is_steady(signal) || !after.is_steady(signal) || levels.gap_s > LONGEST_GAP_S {
        return None;
    }
    let fits = if *signal == Signal::Temperature { affine(levels) } else { ratios(levels) };
    fits.into_iter().min_by(|a, b| a.miss.total_cmp(&b.miss))
}

fn ratios(levels: &SignalLevels) -> Vec<Explanation> {
    let ratio = levels.after.median / levels.before.median;
    if !ratio.is_finite() || ratio <= 0.0 || ratio.max(1.0 / ratio) < LEAST_RATIO {
        return Vec::new();
    }
    let mut fits = Vec::new();
    let mut offer = |factor: f64, unit: Option<&'static str>, words: &str| {
        for (side, factor) in [(Side::After, factor), (Side::Before, 1.0 / factor)] {
            let miss = (ratio / factor - 1.0).abs();
            if miss <= tolerance(&levels.signal) && factor.max(1.0 / factor) >= LEAST_RATIO {
                fits.push(Explanation { unit, words: words.into(), side, factor, miss });
            }
        }
    };
    for slip in slips(&levels.signal, &levels.declared) {
        offer(slip.factor, Some(slip.unit), &taken_for(&slip, levels));
    }
    // A unit is the better guess where both explain the step; what a process moves tenfold by
    // itself is not asked.
    if fits.is_empty() && matches!(levels.signal, Signal::Density | Signal::TubeFrequency) {
        for (shift, places) in SHIFTS {
            let words = format!("a decimal mark shifted by {places}");
            offer_shift(&mut fits, ratio, shift, &words, tolerance(&levels.signal));
        }
    }
    fits
}

fn offer_shift(fits: &mut Vec<Explanation>, ratio: f64, shift: f64, words: &str, near: f64) {
    for factor in [shift, 1.0 / shift] {
        let miss = (ratio / factor - 1.0).abs();
        if miss <= near {
            let (unit, words) = (None, words.to_string());
            fits.push(Explanation { unit, words, side: Side::After, factor, miss });
        }
    }
}

fn affine(levels: &SignalLevels) -> Vec<Explanation> {
    let (before, after) = (levels.before.median, levels.after.median);
    if (after - before).abs() < LEAST_STEP_K {
        return Vec::new();
    }
    let mut fits = Vec::new();
    for slip in slips(&levels.signal, &levels.declared) {
        let sides = [
            (Side::After, slip.apply(before), slip.factor),
            (Side::Before, slip.undo(before), 1.0 / slip.factor),
        ];
        for (side, expected, factor) in sides {
            let miss = (after - expected).abs();
            if miss <= NEAR_K {
                let words = taken_for(&slip, levels);
                fits.push(Explanation { unit: Some(slip.unit), words, side, factor, miss });
            }
        }
    }
    fits
}

fn taken_for(slip: &Slip, levels: &SignalLevels) -> String {
    format!("{} taken for {}", slip.unit, levels.declared)
}

enum Doubt {
    Told,
    Process,
    NeedsOthers,
}

/// What the meter's other signals say to a step that units explain.
fn in_company(
    levels: &SignalLevels,
    all: &[SignalLevels],
    explained: &[Option<Explanation>],
) -> Doubt {
    // A signal that slipped itself stayed where it was.
    let stayed = |signal: Signal, share: f64| {
        let at = all.iter().position(|other| other.signal == signal)?;
        let (before, after) = (all[at].before.median, all[at].after.median);
        let near = (after - before).abs() <= share * before.abs().max(after.abs());
        Some(near || explained[at].is_some())
    };
    let told = |stayed: bool| if stayed { Doubt::Told } else { Doubt::Process };
    let sharp = levels.gap_s <= SHARP_S;
    match levels.signal {
        Signal::Density => {
            let frequency = stayed(Signal::TubeFrequency, FREQUENCY_STAYED);
            told(frequency.or(stayed(Signal::DriveGain, DRIVE_STAYED)).unwrap_or(sharp))
        }
        Signal::Temperature => {
            let density = stayed(Signal::Density, DENSITY_STAYED);
            told(density.or(stayed(Signal::TubeFrequency, DENSITY_STAYED)).unwrap_or(sharp))
        }
        Signal::DriveGain => {
            let rose = levels.after.median > levels.before.median;
            told(!(rose && levels.after.median >= SATURATED_PCT && levels.after.median <= 115.0))
        }
        Signal::PickoffInlet | Signal::PickoffOutlet | Signal::TubeFrequency => Doubt::Told,
        Signal::MassFlow | Signal::VolumeFlow => flow(levels, all, explained, sharp),
        Signal::Pressure => {
            let flow = |signal| all.iter().any(|l| l.signal == signal && l.before.median != 0.0);
            let beside =
                [Signal::MassFlow, Signal::VolumeFlow].into_iter().find(|s| flow(s.clone()));
            match beside.and_then(|signal| stayed(signal, FLOW_STAYED)) {
                Some(true) => Doubt::Told,
                _ => Doubt::NeedsOthers,
            }
        }
        Signal::Other(_) => Doubt::Process,
    }
}

/// A flow against the meter's other flow: both measure one fluid, so both move or neither does.
fn flow(
    levels: &SignalLevels,
    all: &[SignalLevels],
    explained: &[Option<Explanation>],
    sharp: bool,
) -> Doubt {
    let ratio = |l: &SignalLevels| l.after.median / l.before.median;
    let other = match levels.signal {
        Signal::MassFlow => Signal::VolumeFlow,
        _ => Signal::MassFlow,
    };
    let other = all.iter().position(|l| l.signal == other && l.before.median != 0.0);
    if let Some(at) = other {
        let together = (ratio(&all[at]) / ratio(levels) - 1.0).abs() <= 3.0 * FLOW_STAYED;
        let still = (ratio(&all[at]) - 1.0).abs() <= FLOW_STAYED;
        return match (together, still || explained[at].is_some()) {
            (true, _) => Doubt::Process,
            (false, true) => Doubt::Told,
            (false, false) => Doubt::NeedsOthers,
        };
    }
    let step = ratio(levels).max(1.0 / ratio(levels));
    if sharp && step >= LARGE_RATIO { Doubt::Told } else { Doubt::NeedsOthers }
}
