//! From log odds to probabilities that keep their word.
//!
//! Why:    heavy tails, floors and an averaged onset make raw odds cautious on purpose: of
//!         simulated meters given 30 % nine in ten were at fault. People act on the figure, so of
//!         the meters given 70 to 80 % that share must be at fault.
//! In:     `calibration.toml`, fitted on back-tests of tuning fleets only (Platt's curve on the log
//!         odds of *fault* against everything else; a power among the faults), with where it
//!         comes from; findings of the site with the odds of the night before each.
//! Method: log odds' = intercept + slope x log odds. From [`FINDINGS`] findings of which
//!         [`POSITIVE`] had a fault a second line is fitted on top, shrunk toward no change
//!         (intercept N(0, 1), slope N(1, 0.25)): twenty findings may move it, not overthrow it.
//!         Findings before the as-of date only.
//! Limits: findings come from meters that somebody opened, so what stayed quiet is not corrected
//!         by them. Among faults nothing is re-calibrated.
//! Source: Platt (1999); Lin, Lin & Weng (2007), Mach. Learn. 68, 267.

use crate::FaultsError;
use metersift_model::verdict::Calibrated;
use metersift_model::{Day, Hypothesis};
use metersift_stats::{CoefficientPrior, LogisticLine, log_sum_exp, logistic_line};
use serde::Deserialize;

/// The calibration that comes with the program.
const BUILT_IN: &str = include_str!("calibration.toml");
/// Findings from which a site is re-calibrated ...
const FINDINGS: usize = 20;
/// ... of which so many had a fault, and as many less had none that both kinds are there.
const POSITIVE: usize = 8;
const NEGATIVE: usize = 2;
/// Widths of the line that findings may add.
const INTERCEPT_SD: f64 = 1.0;
const SLOPE_SD: f64 = 0.25;
/// Odds of no fault never fall below one in a hundred.
const CEILING: f64 = 0.99;
/// Share of `unknown` that counts as a fault.
pub(crate) const UNKNOWN_AS_FAULT: f64 = 0.5;

/// A calibration with its origin.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Calibration {
    /// Where the figures come from.
    pub origin: Origin,
    /// Line of the log odds of a fault.
    pub fault: Line,
    /// Power on the weights among faults: above 1 the leading mode gains.
    pub among_faults_power: f64,
    /// How it did on fleets that it was not fitted on.
    pub held: Held,
}

/// Meter-nights of each fleet, their odds calibrated by a line fitted on the other fleets.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Held {
    /// Mean squared error of the stated probability.
    pub brier: f64,
    /// The same for one who states the share of faults every time.
    pub base_rate_brier: f64,
    /// Mean of what was stated, by tenth of the scale that holds meter-nights, upward.
    pub stated: Vec<f64>,
    /// Meter-nights of each tenth.
    pub meter_nights: Vec<u64>,
    /// Those with a fault.
    pub at_fault: Vec<u64>,
}

/// Where a calibration comes from.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Origin {
    /// Seeds of the simulated fleets.
    pub seeds: Vec<u64>,
    /// Day of the fit.
    pub date: String,
    /// Program that made the verdicts.
    pub program: String,
    /// As-of dates per fleet.
    pub nights: u32,
    /// Meter-nights of all fleets.
    pub meter_nights: u32,
    /// Those with a fault.
    pub at_fault: u32,
}

/// A straight line in log odds.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Line {
    /// At even odds.
    pub intercept: f64,
    /// Per unit of log odds.
    pub slope: f64,
}

impl Line {
    /// What leaves odds alone.
    pub const NONE: Line = Line { intercept: 0.0, slope: 1.0 };

    /// Log odds after the line; infinite odds stay.
    pub fn at(&self, log_odds: f64) -> f64 {
        if log_odds.is_finite() { self.intercept + self.slope * log_odds } else { log_odds }
    }
}

/// One finding with what the program thought the night before.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FindingScore {
    /// Day of the finding.
    pub day: Day,
    /// Log odds of a fault then, before any calibration.
    pub raw_fault_score: f64,
    /// Whether a fault was found.
    pub fault: bool,
}

impl Calibration {
    /// The calibration that comes with the program.
    ///
    /// # Errors
    /// When the data file is damaged.
    pub fn built_in() -> Result<Calibration, FaultsError> {
        let calibration: Calibration = toml::from_str(BUILT_IN)
            .map_err(|error| FaultsError::Calibration { what: error.to_string() })?;
        let Line { intercept, slope } = calibration.fault;
        let power = calibration.among_faults_power;
        if !(intercept.is_finite() && slope > 0.0 && slope.is_finite() && power > 0.0) {
            let what = format!("intercept {intercept}, slope {slope}, power {power}");
            return Err(FaultsError::Calibration { what });
        }
        let held = &calibration.held;
        if [held.meter_nights.len(), held.at_fault.len()] != [held.stated.len(); 2] {
            let what = "the columns under `held` differ in length".into();
            return Err(FaultsError::Calibration { what });
        }
        Ok(calibration)
    }

    /// Platt's line through raw log odds and what was true; `None` unless both kinds are there.
    pub fn fit(raw: &[f64], faults: &[bool]) -> Option<Line> {
        metersift_stats::platt(raw, faults)
            .map(|curve| Line { intercept: -curve.b, slope: -curve.a })
    }

    /// The probability that this line states for raw log odds.
    pub fn stated(line: Line, raw: f64) -> f64 {
        (1.0 / (1.0 + (-line.at(raw)).exp())).min(CEILING)
    }

    /// Expected calibration error in ten bins.
    pub fn error(probabilities: &[f64], faults: &[bool]) -> f64 {
        metersift_stats::expected_calibration_error(probabilities, faults, 10)
    }

    /// The calibration in force on an as-of date, and what it rests on.
    pub(crate) fn on(&self, as_of: i32, findings: &[FindingScore]) -> (Applied, Calibrated) {
        let known: Vec<(f64, bool)> = findings
            .iter()
            .filter(|finding| finding.day.0 < as_of && finding.raw_fault_score.is_finite())
            .map(|finding| (self.fault.at(finding.raw_fault_score), finding.fault))
            .collect();
        let positive = known.iter().filter(|(_, fault)| *fault).count();
        let power = self.among_faults_power;
        if known.len() < FINDINGS || positive < POSITIVE || known.len() - positive < NEGATIVE {
            return (
                Applied { simulated: self.fault, site: Line::NONE, power },
                Calibrated::Simulated,
            );
        }
        let site = shrunk_line(&known);
        let n = u32::try_from(known.len()).unwrap_or(u32::MAX);
        (Applied { simulated: self.fault, site, power }, Calibrated::Findings(n))
    }
}

/// What is done to the weights of one night.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Applied {
    simulated: Line,
    site: Line,
    power: f64,
}

impl Applied {
    /// Leaves everything as the evidence had it.
    pub const NONE: Applied = Applied { simulated: Line::NONE, site: Line::NONE, power: 1.0 };

    /// Calibrated log odds of a fault.
    pub fn score(&self, raw: f64) -> f64 {
        self.site.at(self.simulated.at(raw))
    }

    /// Raw log odds that this calibration turns into `log_odds`.
    pub fn raw(&self, log_odds: f64) -> f64 {
        let back = |line: Line, x: f64| (x - line.intercept) / line.slope;
        back(self.simulated, back(self.site, log_odds))
    }

    /// Calibrated probabilities of all explanations from their log weights.
    pub fn probabilities(&self, log_weights: &[f64]) -> [f64; 10] {
        let (fault, rest) = sides(log_weights);
        let ceiling = (CEILING / (1.0 - CEILING)).ln();
        let wanted = self.score(fault - rest).min(if self == &Applied::NONE {
            f64::INFINITY
        } else {
            ceiling
        });
        let is_fault = |mode: Hypothesis| {
            !matches!(mode, Hypothesis::NoChange | Hypothesis::Process | Hypothesis::Data)
        };
        // Among faults: weights to the power, with the same sum.
        let half = |mode: Hypothesis| match mode {
            Hypothesis::Unknown => UNKNOWN_AS_FAULT.ln(),
            _ => 0.0,
        };
        let powered: Vec<f64> = Hypothesis::ALL
            .into_iter()
            .filter(|mode| is_fault(*mode))
            .map(|mode| self.power * (log_weights[mode.index()] + half(mode)))
            .collect();
        let total = log_sum_exp(&powered);
        let mut log = [f64::NEG_INFINITY; 10];
        let mut next = powered.iter();
        for mode in Hypothesis::ALL {
            let own = log_weights[mode.index()];
            log[mode.index()] = if is_fault(mode) {
                let as_fault = next.next().copied().unwrap_or(f64::NEG_INFINITY) - total;
                let as_fault = if fault.is_finite() { as_fault + rest + wanted } else { own };
                match mode {
                    Hypothesis::Unknown => {
                        log_sum_exp(&[as_fault, own + (1.0 - UNKNOWN_AS_FAULT).ln()])
                    }
                    _ => as_fault,
                }
            } else {
                own
            };
        }
        let total = log_sum_exp(&log);
        log.map(|x| (x - total).exp())
    }
}

/// ln of the weight of faults and of everything else. `unknown` counts half on either side: a
/// change that fits no known mode is as likely the plant's or the recorder's as the meter's.
pub(crate) fn sides(log_weights: &[f64]) -> (f64, f64) {
    let (mut fault, mut rest) = (Vec::new(), vec![log_weights[0]]);
    for mode in Hypothesis::ALL.into_iter().skip(1) {
        let w = log_weights[mode.index()];
        match mode {
            Hypothesis::Unknown => {
                fault.push(w + UNKNOWN_AS_FAULT.ln());
                rest.push(w + (1.0 - UNKNOWN_AS_FAULT).ln());
            }
            Hypothesis::Process | Hypothesis::Data => rest.push(w),
            _ => fault.push(w),
        }
    }
    (log_sum_exp(&fault), log_sum_exp(&rest))
}

/// The line that findings add, shrunk toward no change.
fn shrunk_line(pairs: &[(f64, bool)]) -> Line {
    let targets: Vec<(f64, f64)> =
        pairs.iter().map(|&(x, fault)| (x, f64::from(u8::from(fault)))).collect();
    let start = LogisticLine { intercept: 0.0, slope: 1.0 };
    let intercept = CoefficientPrior { mean: 0.0, sd: INTERCEPT_SD };
    let slope = CoefficientPrior { mean: 1.0, sd: SLOPE_SD };
    let line = logistic_line(&targets, start, intercept, slope);
    // Odds must keep their order whatever the findings say.
    Line { intercept: line.intercept, slope: line.slope.max(0.05) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn finding(day: i32, raw_fault_score: f64, fault: bool) -> FindingScore {
        FindingScore { day: Day(day), raw_fault_score, fault }
    }

    fn plain() -> Calibration {
        Calibration {
            fault: Line::NONE,
            among_faults_power: 1.0,
            ..Calibration::built_in().expect("file")
        }
    }

    /// Weights of `fault` (coating) and erosion beside no change.
    fn weights(coating: f64, erosion: f64) -> Vec<f64> {
        let mut w = vec![f64::NEG_INFINITY; 10];
        w[0] = 0.0;
        w[Hypothesis::Coating.index()] = coating;
        w[Hypothesis::Erosion.index()] = erosion;
        w
    }

    #[test]
    fn probabilities_sum_to_one_and_the_fault_has_the_odds_of_the_line() {
        let line = Line { intercept: 3.0, slope: 1.5 };
        let applied = Applied { simulated: line, site: Line::NONE, power: 1.3 };
        let w = weights(-2.0, -4.0);
        let p = applied.probabilities(&w);
        assert!((p.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        let fault = p[Hypothesis::Coating.index()] + p[Hypothesis::Erosion.index()];
        let raw = log_sum_exp(&[-2.0, -4.0]);
        assert!(((fault / (1.0 - fault)).ln() - (3.0 + 1.5 * raw)).abs() < 1e-9);
        let ratio = (p[Hypothesis::Coating.index()] / p[Hypothesis::Erosion.index()]).ln();
        assert!((ratio - 1.3 * 2.0).abs() < 1e-9);
        assert!((applied.raw(applied.score(-2.0)) + 2.0).abs() < 1e-12);
    }

    #[test]
    fn nothing_is_ever_surer_than_ninety_nine_in_a_hundred() {
        let applied = Calibration::built_in().expect("file").on(0, &[]).0;
        let p = applied.probabilities(&weights(800.0, 1.0));
        assert!(p[Hypothesis::Coating.index()] <= 0.99 + 1e-12);
    }

    #[test]
    fn a_blind_meter_keeps_its_no_change() {
        let applied = Calibration::built_in().expect("file").on(0, &[]).0;
        let p = applied.probabilities(&weights(f64::NEG_INFINITY, f64::NEG_INFINITY));
        assert_eq!(p[0], 1.0);
    }

    #[test]
    fn nineteen_findings_change_nothing_and_later_ones_are_not_known_yet() {
        let calibration = plain();
        let mut findings: Vec<FindingScore> =
            (0..19).map(|i| finding(i, 1.0, i % 2 == 0)).collect();
        assert_eq!(calibration.on(100, &findings).1, Calibrated::Simulated);
        findings.push(finding(50, 1.0, false));
        assert_eq!(calibration.on(100, &findings).1, Calibrated::Findings(20));
        assert_eq!(calibration.on(50, &findings).1, Calibrated::Simulated);
    }

    /// A site where the program is far too sure: of meters given 88 % half had nothing.
    #[test]
    fn findings_pull_the_odds_toward_what_was_found_and_shrinkage_holds_them() {
        let calibration = plain();
        let few: Vec<FindingScore> = (0..20).map(|i| finding(i, 2.0, i % 2 == 0)).collect();
        let many: Vec<FindingScore> = (0..400).map(|i| finding(i % 90, 2.0, i % 2 == 0)).collect();
        let at = |findings: &[FindingScore]| calibration.on(100, findings).0.score(2.0);
        let (few, many) = (at(&few), at(&many));
        assert!(few > many && few < 1.2 && many.abs() < 0.15, "{few} {many}");
    }

    #[test]
    fn sure_calls_that_were_wrong_pull_the_odds_down_and_never_up() {
        let calibration = Calibration::built_in().expect("file");
        let findings: Vec<FindingScore> = (0..24).map(|i| finding(i, 1.0, i % 3 == 0)).collect();
        let (applied, _) = calibration.on(100, &findings);
        for raw in [0.5, 1.0, 5.0, 14.0] {
            let plain = calibration.fault.at(raw);
            assert!(applied.score(raw) < plain, "{raw}: {} {plain}", applied.score(raw));
        }
    }

    /// Posterior mode of the shrunk line, found a second time by walking downhill.
    #[test]
    fn the_line_is_the_mode_of_its_posterior() {
        let pairs: Vec<(f64, bool)> =
            (0..40).map(|i| (f64::from(i) / 8.0 - 2.0, (i * 7) % 10 < 3 + i / 8)).collect();
        let line = shrunk_line(&pairs);
        let loss = |a: f64, b: f64| -> f64 {
            let fit: f64 = pairs
                .iter()
                .map(|&(x, y)| {
                    let z = a + b * x;
                    if y { (-z).exp().ln_1p() } else { z.exp().ln_1p() }
                })
                .sum();
            fit + 0.5 * (a / INTERCEPT_SD).powi(2) + 0.5 * ((b - 1.0) / SLOPE_SD).powi(2)
        };
        let best = loss(line.intercept, line.slope);
        for (da, db) in [(1e-3, 0.0), (-1e-3, 0.0), (0.0, 1e-3), (0.0, -1e-3)] {
            assert!(loss(line.intercept + da, line.slope + db) > best);
        }
    }
}
