//! What the evidence says about one meter on one as-of date.

use crate::time::Day;

/// An explicit explanation of what a meter's signals did.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Hypothesis {
    /// Nothing changed.
    NoChange,
    /// The fluid or the operation changed.
    Process,
    /// The recording changed (thinning, unit, constant).
    Data,
    /// Deposit on the tubes.
    Coating,
    /// Wall lost.
    Erosion,
    /// Gas in the liquid.
    TwoPhase,
    /// The zero moved.
    ZeroDrift,
    /// Coil, pick-off or cable.
    Electrical,
    /// Frost, over-pressure, impact.
    Damage,
    /// A change that no other explanation fits.
    Unknown,
}

impl Hypothesis {
    /// All, in the order of the `p_` columns.
    pub const ALL: [Hypothesis; 10] = [
        Hypothesis::NoChange,
        Hypothesis::Process,
        Hypothesis::Data,
        Hypothesis::Coating,
        Hypothesis::Erosion,
        Hypothesis::TwoPhase,
        Hypothesis::ZeroDrift,
        Hypothesis::Electrical,
        Hypothesis::Damage,
        Hypothesis::Unknown,
    ];

    /// The faults of a meter (as against its fluid, its data or nothing at all).
    pub const FAULTS: [Hypothesis; 7] = [
        Hypothesis::Coating,
        Hypothesis::Erosion,
        Hypothesis::TwoPhase,
        Hypothesis::ZeroDrift,
        Hypothesis::Electrical,
        Hypothesis::Damage,
        Hypothesis::Unknown,
    ];

    /// Position in [`Hypothesis::ALL`].
    pub fn index(self) -> usize {
        self as usize
    }

    /// The name in files and records.
    pub fn name(self) -> &'static str {
        match self {
            Hypothesis::NoChange => "no_change",
            Hypothesis::Process => "process",
            Hypothesis::Data => "data",
            Hypothesis::Coating => "coating",
            Hypothesis::Erosion => "erosion",
            Hypothesis::TwoPhase => "two_phase",
            Hypothesis::ZeroDrift => "zero_drift",
            Hypothesis::Electrical => "electrical",
            Hypothesis::Damage => "damage",
            Hypothesis::Unknown => "unknown",
        }
    }

    /// The words for people.
    pub fn words(self) -> &'static str {
        match self {
            Hypothesis::NoChange => "no change",
            Hypothesis::Process => "process change",
            Hypothesis::Data => "data fault",
            Hypothesis::Coating => "coating",
            Hypothesis::Erosion => "erosion",
            Hypothesis::TwoPhase => "two-phase flow",
            Hypothesis::ZeroDrift => "zero drift",
            Hypothesis::Electrical => "electrical fault",
            Hypothesis::Damage => "damage",
            Hypothesis::Unknown => "unexplained change",
        }
    }

    /// The hypothesis of a name.
    pub fn parse(name: &str) -> Option<Hypothesis> {
        Hypothesis::ALL.into_iter().find(|hypothesis| hypothesis.name() == name)
    }
}

/// Whether a meter could be judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum JudgedState {
    /// Enough data.
    Judged,
    /// Judged, but on a short history.
    Young,
    /// Too little data, with the reason in [`Verdict::reason`].
    NotJudged,
}

impl JudgedState {
    /// The name in files.
    pub fn name(self) -> &'static str {
        match self {
            JudgedState::Judged => "judged",
            JudgedState::Young => "young",
            JudgedState::NotJudged => "not_judged",
        }
    }
}

/// A median with its 10..90 % interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// Median.
    pub mid: f64,
    /// 10 % quantile.
    pub low: f64,
    /// 90 % quantile; infinite = beyond the horizon of one year.
    pub high: f64,
}

/// Severity with its unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Severity {
    /// How much.
    pub size: Interval,
    /// Unit (`kg/m3`, `%`, `kg/h`, `h/d`).
    pub unit: String,
}

/// What one observable said.
#[derive(Clone, Debug, PartialEq)]
pub struct ObservableEvidence {
    /// Short name (`drive_gain`, `density`, `density_noise`, `stiffness_inlet`, `zero`, ...).
    pub observable: String,
    /// Unit of `change`.
    pub unit: String,
    /// Change since the reference, on the winning shape.
    pub change: f64,
    /// Standard error of the change, model floor included.
    pub se: f64,
    /// First day of the winning shape, where it has one.
    pub since: Option<Day>,
    /// log10 of the factor for the winner over the runner-up.
    pub over_runner_up: f64,
    /// log10 of the factor for the winner over no change.
    pub over_no_change: f64,
    /// Block values after nuisance (temperature, peers, recorded resets) was taken out, for
    /// pictures: day and value in `unit`.
    pub adjusted: Vec<(Day, f64)>,
}

/// A thing that was measured, whatever its cause: listed without a probability.
#[derive(Clone, Debug, PartialEq)]
pub struct Fact {
    /// Which.
    pub kind: FactKind,
    /// The measured value.
    pub value: f64,
    /// The limit it passed.
    pub limit: f64,
    /// Unit of both.
    pub unit: String,
    /// Since when, where known.
    pub since: Option<Day>,
    /// One sentence.
    pub text: String,
}

/// Kinds of facts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum FactKind {
    /// The median of the last checks is beyond the limit.
    CheckBeyondLimit,
    /// The last as-found zero costs more flow error than the service can bear.
    ZeroBeyondTolerable,
    /// The drive was saturated for more than 5 % of flowing time.
    DriveSaturated,
    /// Tags of the meter stopped coming.
    NoData,
    /// The check interval has passed.
    CheckOverdue,
    /// A level stepped by the factor between two units where one dump hands over to another.
    UnitStep,
}

impl FactKind {
    /// The name in files.
    pub fn name(self) -> &'static str {
        match self {
            FactKind::CheckBeyondLimit => "check_beyond_limit",
            FactKind::ZeroBeyondTolerable => "zero_beyond_tolerable",
            FactKind::DriveSaturated => "drive_saturated",
            FactKind::NoData => "no_data",
            FactKind::CheckOverdue => "check_overdue",
            FactKind::UnitStep => "unit_step",
        }
    }
}

/// The smallest fault of a mode that would have reached the list with 80 % chance.
#[derive(Clone, Debug, PartialEq)]
pub struct BlindSpot {
    /// The mode.
    pub mode: Hypothesis,
    /// The smallest visible size; `None` = blind: no observable of this mode exists.
    pub smallest_visible: Option<f64>,
    /// Its unit.
    pub unit: String,
}

/// What a mode would mean, if it were true.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ModeOutlook {
    /// The mode.
    pub mode: Hypothesis,
    /// Expected size of the error now, % of reading.
    pub error_now_pct: Option<f64>,
    /// Growth of that error, % per day.
    pub error_rate_pct_d: Option<f64>,
    /// Days until the limit of the mode.
    pub days_left: Option<Interval>,
}

/// The limit that the days left count to.
#[derive(Clone, Debug, PartialEq)]
pub struct Limit {
    /// How much.
    pub value: f64,
    /// Of what (`% of reading`, `% of stiffness`, `% of flowing time`, `kg/h`, `% drive gain`).
    pub unit: String,
    /// Where the figure comes from.
    pub reason: String,
}

/// What the probabilities were calibrated on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Calibrated {
    /// On nothing: as the evidence left them.
    #[default]
    No,
    /// On simulated fleets; on nothing of this site.
    Simulated,
    /// Calibrated on simulated fleets, then again on this many findings of this site.
    Findings(u32),
}

impl Calibrated {
    /// Whether findings of this site had a say.
    pub fn on_this_site(self) -> bool {
        matches!(self, Calibrated::Findings(_))
    }

    /// The words for people.
    pub fn words(self) -> String {
        match self {
            Calibrated::No => "not calibrated".into(),
            Calibrated::Simulated => {
                "calibrated on simulated fleets, not calibrated on this site".into()
            }
            Calibrated::Findings(n) => {
                format!("calibrated on simulated fleets, re-calibrated from {n} findings")
            }
        }
    }
}

/// The verdict on one meter, from data before the as-of date only.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// First day that was not looked at: all data are from before its midnight.
    pub as_of: Day,
    /// Meter.
    pub meter: String,
    /// Service of the register.
    pub service: String,
    /// Stream of the register.
    pub stream: String,
    /// Whether it could be judged.
    pub state: JudgedState,
    /// The likeliest fault mode, listed or not.
    pub mode: Hypothesis,
    /// Probability of `mode`, 0..1.
    pub probability: f64,
    /// Probability of each of [`Hypothesis::ALL`]; sums to one; NaN when not judged.
    pub probabilities: [f64; 10],
    /// Log odds of fault against not, calibrated as `calibrated` says; NaN when not judged.
    pub fault_score: f64,
    /// The same before calibration.
    pub raw_fault_score: f64,
    /// What the probabilities were calibrated on.
    pub calibrated: Calibrated,
    /// Log odds of the best sign-turned signature that no fault makes; NaN = none.
    pub decoy_score: f64,
    /// Size of the fault now, given `mode`.
    pub severity: Option<Severity>,
    /// Days until the limit of `mode`; `None` = no estimate.
    pub days_left: Option<Interval>,
    /// That limit; `None` = the mode has none.
    pub limit: Option<Limit>,
    /// Flow error that the service can bear, %.
    pub tolerable_error_pct: f64,
    /// Expected size of the flow, density or volume error now, % of reading, given `mode`.
    pub error_now_pct: Option<f64>,
    /// Growth of that error, % per day.
    pub error_rate_pct_d: Option<f64>,
    /// The same for every fault mode that is not out of the question.
    pub by_mode: Vec<ModeOutlook>,
    /// Name of the group of meters that move alike.
    pub group: Option<String>,
    /// Whether its own evidence exceeds its group's.
    pub exceeds_group: bool,
    /// What could not have been seen.
    pub blind_spots: Vec<BlindSpot>,
    /// What each observable said.
    pub evidence: Vec<ObservableEvidence>,
    /// What was measured, whatever the cause.
    pub facts: Vec<Fact>,
    /// The cheapest test that would settle the matter.
    pub next_test: String,
    /// One sentence: why this mode, or why not judged.
    pub reason: String,
    /// Usual flow, kg/h, for costs.
    pub usual_flow_kg_h: Option<f64>,
}
