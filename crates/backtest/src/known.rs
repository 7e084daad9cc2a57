//! What is known about the meters: the yardstick of a back-test.

use metersift_model::records::Records;
use metersift_model::{Day, Hypothesis};

/// One meter's known story. A meter that stands in no `Known` is taken to have no fault.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Known {
    /// Meter.
    pub meter: String,
    /// The fault; `None` = known to have none.
    pub mode: Option<Hypothesis>,
    /// First day of the fault.
    pub onset: Option<Day>,
    /// Day on which the fault reached the limit that matters, where it did.
    pub limit: Option<Day>,
    /// Last day up to which the limit was looked for: without a `limit`, the fault had not
    /// reached it by then. `None` = never looked for.
    pub looked_until: Option<Day>,
    /// Day on which it was mended, where it was.
    pub mended: Option<Day>,
    /// Things that looked like a fault and were none, each with its first day.
    pub confounders: Vec<(String, Day)>,
    /// Spans in which the process brought real gas to the meter (first and last day; open =
    /// still). No fault of the meter, but gas all the same: see [`Known::process_gas_before`].
    pub process_gas: Vec<(Day, Option<Day>)>,
}

impl Known {
    /// Whether the meter was at fault on the day before `as_of`.
    pub fn faulty_before(&self, as_of: Day) -> bool {
        self.mode.is_some()
            && self.onset.is_some_and(|onset| onset < as_of)
            && self.mended.is_none_or(|mended| as_of <= mended)
    }

    /// Whether the process brought gas within the [`GAS_REMEMBERED_DAYS`] before `as_of`. A call
    /// of two-phase flow on such a night is right; any other call is false. The nights take no
    /// part in average precision, because *fault of the meter* is no clear label there.
    pub fn process_gas_before(&self, as_of: Day) -> bool {
        self.process_gas.iter().any(|&(from, until)| {
            from < as_of && until.is_none_or(|last| as_of.0 - last.0 <= GAS_REMEMBERED_DAYS)
        })
    }
}

/// Gas that has just gone is still in the blocks on which a night looks; one round of two weeks.
pub const GAS_REMEMBERED_DAYS: i32 = 14;

/// A finding says when a fault was seen, not when it began: it is taken to have been there this
/// many days before. A judgement; lead times from findings are bounded by it.
pub const ASSUMED_DAYS_BEFORE_FINDING: i32 = 60;

/// What the findings of a site tell. Meters never opened stay unknown: their entries count as
/// false here although some may be right, so precision from findings is a lower bound.
pub fn from_findings(records: &Records) -> Vec<Known> {
    records
        .findings
        .iter()
        .flat_map(|(meter, findings)| findings.iter().map(move |finding| (meter, finding)))
        .map(|(meter, finding)| Known {
            meter: meter.clone(),
            mode: finding.mode,
            onset: finding.mode.map(|_| finding.day.plus(-ASSUMED_DAYS_BEFORE_FINDING)),
            mended: finding.mode.map(|_| finding.day),
            ..Known::default()
        })
        .collect()
}
