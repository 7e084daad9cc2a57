//! Whether the 80 % interval of the days until the limit holds the truth in 80 % of cases.
//!
//! Rows: listed nights of a fault whose mode was named rightly. The truth is the day of the limit
//! where it was reached; where it was not, it lies beyond the last day looked at, and an interval
//! that ends before that day missed it, one that is open hit it, and one that ends in between
//! cannot be scored.

use crate::story::Story;
use metersift_stats as stats;
use std::collections::BTreeMap;

/// Coverage of the interval of days until the limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LimitCoverage {
    /// Listed nights of a rightly named fault.
    pub nights: usize,
    /// Of those, without an estimate.
    pub no_estimate: usize,
    /// Of those, whose truth is not known well enough.
    pub unknown: usize,
    /// The rest: could be scored.
    pub scored: usize,
    /// Of those, the interval held the truth.
    pub covered: usize,
    /// Of those, the limit came before the interval.
    pub too_late: usize,
    /// Of those, the limit came after the interval, or not at all.
    pub too_early: usize,
    /// Meters among the scored.
    pub meters: usize,
    /// Wilson 95 % interval of the coverage, as if the nights of one meter counted once.
    pub interval: stats::Interval,
}

enum Outcome {
    Covered,
    TooEarly,
    TooLate,
    Unknown,
}

pub(crate) fn limit_coverage(stories: &BTreeMap<&str, Story<'_>>) -> LimitCoverage {
    let mut sum = LimitCoverage {
        nights: 0,
        no_estimate: 0,
        unknown: 0,
        scored: 0,
        covered: 0,
        too_late: 0,
        too_early: 0,
        meters: 0,
        interval: stats::Interval { low: f64::NAN, high: f64::NAN },
    };
    for story in stories.values() {
        let before = sum.scored;
        for row in &story.rows {
            let Some(fault) = row.fault else { continue };
            if row.said.listed.is_none() || fault.mode != Some(row.said.mode) {
                continue;
            }
            sum.nights += 1;
            let Some(interval) = row.said.days_left else {
                sum.no_estimate += 1;
                continue;
            };
            let left = |day: metersift_model::Day| f64::from((day.0 - row.as_of.0).max(0));
            let until = fault.looked_until.map(|last| fault.mended.map_or(last, |m| m.min(last)));
            match outcome(interval, fault.limit.map(left), until.map(left)) {
                Outcome::Covered => sum.covered += 1,
                Outcome::TooEarly => sum.too_early += 1,
                Outcome::TooLate => sum.too_late += 1,
                Outcome::Unknown => sum.unknown += 1,
            }
        }
        sum.scored = sum.covered + sum.too_early + sum.too_late;
        sum.meters += usize::from(sum.scored > before);
    }
    if sum.scored > 0 {
        let share = sum.covered as f64 / sum.scored as f64;
        let meters = sum.meters as u64;
        sum.interval = stats::wilson_interval((share * meters as f64).round() as u64, meters, 0.95);
    }
    sum
}

/// `reached`: days until the limit, 0 where it is past; `until`: days that were looked at.
fn outcome(
    interval: metersift_model::verdict::Interval,
    reached: Option<f64>,
    until: Option<f64>,
) -> Outcome {
    match (reached, until) {
        (Some(days), _) if days < interval.low => Outcome::TooLate,
        (Some(days), _) if days > interval.high => Outcome::TooEarly,
        (Some(_), _) => Outcome::Covered,
        (None, Some(until)) if interval.high <= until => Outcome::TooEarly,
        (None, Some(_)) if interval.high.is_infinite() => Outcome::Covered,
        _ => Outcome::Unknown,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use metersift_model::verdict::Interval;

    #[test]
    fn a_limit_never_reached_is_scored_only_where_it_can_be() {
        let of =
            |low, high, reached, until| outcome(Interval { mid: low, low, high }, reached, until);
        assert!(matches!(of(10.0, 40.0, Some(25.0), None), Outcome::Covered));
        assert!(matches!(of(10.0, 40.0, Some(5.0), None), Outcome::TooLate));
        assert!(matches!(of(10.0, 40.0, Some(60.0), None), Outcome::TooEarly));
        assert!(matches!(of(10.0, 40.0, None, Some(90.0)), Outcome::TooEarly));
        assert!(matches!(of(10.0, f64::INFINITY, None, Some(90.0)), Outcome::Covered));
        assert!(matches!(of(10.0, 200.0, None, Some(90.0)), Outcome::Unknown));
        assert!(matches!(of(10.0, 200.0, None, None), Outcome::Unknown));
    }
}
