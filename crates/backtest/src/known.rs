//! What is known about the meters: the yardstick of a back-test.

use metersift_model::records::Records;
use metersift_model::{Day, Hypothesis};

/// One meter's known story. A meter that stands in no `Known` is taken to have no fault.
#[derive(Clone, Debug, PartialEq)]
pub struct Known {
    /// Meter.
    pub meter: String,
    /// The fault; `None` = known to have none.
    pub mode: Option<Hypothesis>,
    /// First day of the fault.
    pub onset: Option<Day>,
    /// Day on which the fault reached the limit that matters, where it did.
    pub limit: Option<Day>,
    /// Day on which it was mended, where it was.
    pub mended: Option<Day>,
    /// Things that looked like a fault and were none.
    pub confounders: Vec<String>,
}

impl Known {
    /// Whether the meter was at fault on the day before `as_of`.
    pub fn faulty_before(&self, as_of: Day) -> bool {
        self.mode.is_some()
            && self.onset.is_some_and(|onset| onset < as_of)
            && self.mended.is_none_or(|mended| as_of <= mended)
    }
}

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
            limit: None,
            mended: finding.mode.map(|_| finding.day),
            confounders: Vec::new(),
        })
        .collect()
}
