//! Whether probabilities are right: of the meters given 70 to 80 %, 70 to 80 % must be faulty.
//!
//! Two questions, apart: *is this meter at fault* over all judged meter-nights (most of them
//! quiet, so the error is small whatever happens at the top), and *is this entry right* over the
//! listed ones, which is where people act.

use crate::story::Story;
use metersift_model::Hypothesis;
use metersift_stats as stats;
use std::collections::BTreeMap;

/// Bins of a reliability table.
const BINS: usize = 10;
/// A meter-night below this probability is one that nobody would look at.
const WORTH_A_LOOK: f64 = 0.05;

/// Stated against seen.
#[derive(Clone, Debug, PartialEq)]
pub struct Calibration {
    /// Reliability of the probability of any fault, all judged meter-nights, ten bins.
    pub fault: Vec<stats::ReliabilityBin>,
    /// Its Brier score.
    pub fault_brier: f64,
    /// Brier score of one who states the share of faulty meter-nights every time.
    pub base_rate_brier: f64,
    /// Its expected calibration error.
    pub fault_error: f64,
    /// The same over meter-nights given 5 % and more only.
    pub fault_error_raised: f64,
    /// Meter-nights of that kind.
    pub n_raised: usize,
    /// Reliability of the probability of the mode named, listed meter-nights.
    pub listed: Vec<stats::ReliabilityBin>,
    /// Its expected calibration error.
    pub listed_error: f64,
    /// Its Brier score.
    pub listed_brier: f64,
}

pub(crate) fn calibration(stories: &BTreeMap<&str, Story<'_>>) -> Calibration {
    let (mut p, mut faulty) = (Vec::new(), Vec::new());
    let (mut p_listed, mut right) = (Vec::new(), Vec::new());
    for row in stories.values().flat_map(|story| &story.rows) {
        if row.is_ranked() && row.said.fault_probability.is_finite() {
            p.push(row.said.fault_probability);
            faulty.push(row.fault.is_some());
        }
        if let Some(probability) = row.said.listed_probability {
            let mode = row.said.mode;
            p_listed.push(probability);
            right.push(match row.fault {
                Some(fault) => fault.mode == Some(mode),
                None => row.process_gas && mode == Hypothesis::TwoPhase,
            });
        }
    }
    let share = faulty.iter().filter(|f| **f).count() as f64 / faulty.len() as f64;
    let (p_raised, faulty_raised): (Vec<f64>, Vec<bool>) =
        p.iter().zip(&faulty).filter(|(p, _)| **p >= WORTH_A_LOOK).unzip();
    Calibration {
        fault: stats::reliability(&p, &faulty, BINS),
        fault_brier: stats::brier(&p, &faulty),
        base_rate_brier: share * (1.0 - share),
        fault_error: stats::expected_calibration_error(&p, &faulty, BINS),
        fault_error_raised: stats::expected_calibration_error(&p_raised, &faulty_raised, BINS),
        n_raised: p_raised.len(),
        listed: stats::reliability(&p_listed, &right, BINS),
        listed_error: stats::expected_calibration_error(&p_listed, &right, BINS),
        listed_brier: stats::brier(&p_listed, &right),
    }
}
