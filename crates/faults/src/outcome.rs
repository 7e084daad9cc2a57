//! What the details of one verdict need to know: severity, time to limits, evidence, blind spots
//! and the next test are made from it.

use crate::compare::{Comparer, Comparison};
use crate::fleet::MeterData;
use crate::prepare::MeterPrep;
use crate::settings::Settings;
use metersift_model::Hypothesis;

/// Everything that the details of one verdict need.
pub(crate) struct Case<'a> {
    pub meter: &'a MeterData,
    pub prep: &'a MeterPrep,
    pub comparer: &'a Comparer<'a>,
    pub comparisons: &'a [Comparison],
    pub probabilities: &'a [f64; 10],
    pub settings: &'a Settings,
    /// Raw log odds at which a list is entered.
    pub entry_log_odds: f64,
    pub as_of: i32,
}

impl Case<'_> {
    /// The shape on which a hypothesis has most weight.
    pub fn best_shape(&self, mode: Hypothesis) -> Option<usize> {
        let shapes = &self.comparisons[mode.index()].shapes;
        let best = (0..shapes.len()).reduce(|b, g| if shapes[g] > shapes[b] { g } else { b })?;
        (shapes[best] > 0.0).then_some(best)
    }
}
