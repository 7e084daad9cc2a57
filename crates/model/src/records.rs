//! Records that people keep beside the historian: register, checks, zeros, alerts,
//! configuration changes, findings and decisions.

use crate::time::{Day, TimeUs};
use crate::verdict::Hypothesis;
use std::collections::BTreeMap;

/// Which output of the meter the plant lives on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Uses {
    /// Mass flow or totals.
    #[default]
    Mass,
    /// Volume flow.
    Volume,
    /// Density or concentration.
    Density,
}

/// One meter of the register. The default knows nothing of it: no span, no accuracy.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Meter {
    /// Name.
    pub meter: String,
    /// Kind of service (`slurry`, `syrup`, ...), free text of the site.
    pub service: String,
    /// Stream: meters that see the same fluid share one.
    pub stream: String,
    /// Nominal diameter, mm.
    pub nominal_diameter_mm: Option<f64>,
    /// Largest flow of the span, kg/h.
    pub max_flow_kg_h: f64,
    /// Zero stability, kg/h.
    pub zero_stability_kg_h: f64,
    /// Base accuracy, % of reading.
    pub base_accuracy_pct: f64,
    /// 1 (little) to 5 (much).
    pub criticality: u8,
    /// Used for billing.
    pub custody: bool,
    /// Days between in-situ checks, where the site asks for them.
    pub check_interval_days: Option<f64>,
    /// Day of installation.
    pub installed: Option<Day>,
    /// Worth of the product, per kg, in the site's money.
    pub throughput_value_per_kg: Option<f64>,
    /// Name of a fluid whose density is known.
    pub reference_fluid: Option<String>,
    /// A meter in the same line that sees the same mass.
    pub series_with: Option<String>,
    /// The output that matters.
    pub uses: Uses,
    /// Flow error that the service can bear, %.
    pub tolerable_flow_error_pct: Option<f64>,
    /// Wall thickness over bore diameter of the tubes.
    pub wall_to_bore: Option<f64>,
    /// Part of a safety function.
    pub safety_function: bool,
}

/// How an in-situ check ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CheckOutcome {
    /// Within the meter's own limits.
    Pass,
    /// Outside them.
    Fail,
    /// Not completed: says something about the process, not about the tube.
    Aborted,
}

/// Where along the tube a check quantity was taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum CheckPosition {
    /// Inlet half.
    Inlet,
    /// Outlet half.
    Outlet,
    /// The whole tube, or not said.
    Whole,
}

/// One row of a check; a check may have several rows of one time.
#[derive(Clone, Debug, PartialEq)]
pub struct Check {
    /// When.
    pub time: TimeUs,
    /// How it ended.
    pub outcome: CheckOutcome,
    /// `stiffness`, or the site's own name of a number of unknown meaning; empty = outcome only.
    pub quantity: String,
    /// Where.
    pub position: CheckPosition,
    /// Deviation from the reference, %; positive = stiffer.
    pub value_pct: Option<f64>,
    /// What set it off (`schedule`, `manual`, ...).
    pub trigger: String,
}

/// Whether a zero was read before or after an adjustment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ZeroState {
    /// Before.
    AsFound,
    /// After.
    AsLeft,
}

/// A recorded zero.
#[derive(Clone, Debug, PartialEq)]
pub struct ZeroRecord {
    /// When.
    pub time: TimeUs,
    /// Reading with both blocks closed, kg/h.
    pub zero_kg_h: f64,
    /// Before or after adjustment.
    pub state: ZeroState,
}

/// Status signals of NAMUR NE 107.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Ne107 {
    /// F.
    Failure,
    /// C.
    FunctionCheck,
    /// S.
    OutOfSpecification,
    /// M.
    MaintenanceRequired,
}

/// An alert of the device.
#[derive(Clone, Debug, PartialEq)]
pub struct Alert {
    /// When.
    pub time: TimeUs,
    /// Code of the site's system.
    pub code: String,
    /// Text.
    pub text: String,
    /// Status signal, where known.
    pub ne107: Option<Ne107>,
    /// Came (true) or went (false).
    pub active: bool,
}

/// A change that somebody made: an event or a setting.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// When.
    pub time: TimeUs,
    /// `installed`, `swapped`, `cleaned`, `recalibrated`, `opened`, or the name of a setting
    /// (`damping_s`, `flow_factor`, `density_offset_kg_m3`, ...).
    pub item: String,
    /// Value before, as text.
    pub before: String,
    /// Value after, as text.
    pub after: String,
}

/// What was found when a meter was opened or tested.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// Day.
    pub day: Day,
    /// The fault found; `None` = found good.
    pub mode: Option<Hypothesis>,
    /// Size, as text of the site.
    pub severity: String,
    /// Note.
    pub note: String,
}

/// What the team decided about a meter.
#[derive(Clone, Debug, PartialEq)]
pub struct Decision {
    /// Meter.
    pub meter: String,
    /// The day of the decision.
    pub day: Day,
    /// The fault mode it is about; `None` = all.
    pub mode: Option<Hypothesis>,
    /// `accepted`, `found`, `found_good`, `not_opened`.
    pub decision: DecisionKind,
    /// Last day of an acceptance.
    pub until: Option<Day>,
    /// Who.
    pub who: String,
    /// Why.
    pub why: String,
}

/// Kinds of decisions.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DecisionKind {
    /// Known and borne until a date.
    Accepted,
    /// Opened and found faulty.
    Found,
    /// Opened and found good.
    FoundGood,
    /// Looked at, not opened.
    NotOpened,
}

/// Everything recorded about a site, each list sorted by time per meter.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Records {
    /// The register, by meter.
    pub meters: BTreeMap<String, Meter>,
    /// In-situ checks, by meter.
    pub checks: BTreeMap<String, Vec<Check>>,
    /// Zeros, by meter.
    pub zeros: BTreeMap<String, Vec<ZeroRecord>>,
    /// Alerts, by meter.
    pub alerts: BTreeMap<String, Vec<Alert>>,
    /// Changes, by meter.
    pub changes: BTreeMap<String, Vec<Change>>,
    /// Findings, by meter.
    pub findings: BTreeMap<String, Vec<Finding>>,
    /// Decisions, in file order.
    pub decisions: Vec<Decision>,
}
