//! What a round of waiting is expected to cost: the order of the lists.
//!
//! Money:  sum over the modes that the action cures of P [ integral over the round of max(0, |error| - allowance) x flow
//!         x worth + P(limit before the next round) x cost of passing it ] x (chance that the
//!         action cures) - cost of the action.
//! Points: weight of criticality x P x min(|error| / tolerable, 3), halved while the limit is
//!         more than two rounds off.
//! Units:  errors in % of reading, flow in kg/h, worth per kg; points have no unit.
//! Source: error of a good meter at flow q, max(base, 100 zs/|q|) %: the definition by which
//!         data sheets give base accuracy and zero stability. The rest is our judgement.

use crate::candidate::{Candidate, modes_of};
use crate::settings::Settings;
use metersift_model::Hypothesis;
use metersift_model::verdict::{Fact, FactKind, Interval};
use metersift_stats::normal_cdf;

/// Hours in a day.
const HOURS_PER_DAY: f64 = 24.0;
/// Standard normal quantile at 0.9: the ends of our intervals.
const Z_90: f64 = 1.281_551_565_544_600_4;

/// Error that a good meter may have at a flow, % of reading: max(base, 100 zs/|q|). Infinite at
/// no flow.
pub fn good_error_pct(base_accuracy_pct: f64, zero_stability_kg_h: f64, flow_kg_h: f64) -> f64 {
    base_accuracy_pct.max(100.0 * zero_stability_kg_h / flow_kg_h.abs())
}

/// Chance that a limit is passed within `days`, from the median and the 10..90 % interval of the
/// days left: lognormal on either side of the median.
pub(crate) fn chance_within(days_left: Interval, days: f64) -> f64 {
    let Interval { mid, low, high } = days_left;
    if days.is_nan() || mid.is_nan() || days <= 0.0 {
        return 0.0;
    }
    if mid <= 0.0 {
        return 1.0;
    }
    let end = if days < mid { low } else { high };
    let spread = ((end.max(1e-3) / mid).ln() / Z_90).abs();
    match () {
        // Median beyond the horizon: only the low end speaks, and it says 10 %.
        () if mid.is_infinite() => 0.1 * f64::from(u8::from(low.is_finite() && days >= low)),
        () if spread.is_finite() && spread > 0.0 => normal_cdf((days / mid).ln() / spread),
        () => f64::from(u8::from(days >= mid)),
    }
}

/// Integral over `days` of max(0, start + rate t), in units of start x days.
fn positive_integral(start: f64, rate: f64, days: f64) -> f64 {
    let end = start + rate * days;
    match (start > 0.0, end > 0.0) {
        (true, true) => 0.5 * (start + end) * days,
        (false, false) => 0.0,
        // A triangle from the crossing on, or up to it.
        (false, true) => 0.5 * end * end / rate,
        (true, false) => 0.5 * start * start / -rate,
    }
}

/// The error that a verdict expects, for modes whose harm is an error. A broken coil or an
/// unexplained change measures well until it does not: there the size of the error says nothing.
fn expected_error_pct(candidate: &Candidate<'_>) -> Option<f64> {
    let error = candidate.verdict.error_now_pct.filter(|error| error.is_finite())?;
    let told = harm_is_error(candidate.mode) && candidate.verdict.mode == candidate.mode;
    told.then_some(error.abs())
}

fn harm_is_error(mode: Hypothesis) -> bool {
    !matches!(
        mode,
        Hypothesis::Electrical | Hypothesis::Data | Hypothesis::Unknown | Hypothesis::NoChange
    )
}

/// What one mode would mean on this list, if it were true: errors and time left.
struct Outlook {
    mode: Hypothesis,
    weight: f64,
    error_now_pct: f64,
    rate_pct_d: f64,
    days_left: Option<Interval>,
}

/// The modes of the list with their probabilities: the action cures those and no others. A
/// measured fact is certain of the candidate's own mode.
fn outlooks(candidate: &Candidate<'_>, settings: &Settings) -> Vec<Outlook> {
    let verdict = candidate.verdict;
    let own = candidate.mode;
    let of_list = modes_of(candidate.list).contains(&own);
    verdict
        .by_mode
        .iter()
        .filter(|o| o.mode == own || (of_list && modes_of(candidate.list).contains(&o.mode)))
        .filter(|o| harm_is_error(o.mode))
        .filter_map(|o| {
            let weight = match o.mode == own {
                true => certainty(candidate, settings),
                false => verdict.probabilities[o.mode.index()],
            };
            Some(Outlook {
                mode: o.mode,
                weight: Some(weight).filter(|w| w.is_finite())?,
                error_now_pct: o.error_now_pct.filter(|error| error.is_finite())?.abs(),
                rate_pct_d: o.error_rate_pct_d.filter(|rate| rate.is_finite()).unwrap_or(0.0),
                days_left: o.days_left,
            })
        })
        .collect()
}

/// Worth of product that one meter misstates in a round under one mode; `None` where worth or
/// usual flow are not known.
fn misstated_worth(
    candidate: &Candidate<'_>,
    outlook: &Outlook,
    settings: &Settings,
) -> Option<f64> {
    let meter = candidate.meter?;
    let flow = candidate.verdict.usual_flow_kg_h.filter(|q| q.is_finite() && *q != 0.0)?;
    let worth = meter.throughput_value_per_kg.filter(|worth| worth.is_finite())?;
    let allowance = good_error_pct(meter.base_accuracy_pct, meter.zero_stability_kg_h, flow);
    let start = outlook.error_now_pct - allowance;
    let percent_days = positive_integral(start, outlook.rate_pct_d, settings.round_days);
    Some(percent_days / 100.0 * HOURS_PER_DAY * flow.abs() * worth)
}

/// Expected cost of waiting one round in the site's money; `None` where no money is known.
pub(crate) fn money(candidate: &Candidate<'_>, settings: &Settings) -> Option<f64> {
    let outlooks = outlooks(candidate, settings);
    // The candidate's own mode must be told: the others only add to it.
    outlooks.iter().find(|outlook| outlook.mode == candidate.mode)?;
    let mut waiting = 0.0;
    for outlook in &outlooks {
        let misstated = misstated_worth(candidate, outlook, settings)?;
        let limit = outlook.days_left.map_or(0.0, |days| chance_within(days, settings.round_days));
        waiting += outlook.weight * (misstated + limit * settings.money.limit_cost);
    }
    let cure = settings.cure.of(candidate.list);
    let action = settings.money.action_cost.of(candidate.list);
    Some(waiting * cure - action)
}

/// Expected cost of waiting one round in points.
pub(crate) fn points(candidate: &Candidate<'_>, settings: &Settings) -> f64 {
    let criticality = candidate.meter.map_or(1, |meter| meter.criticality).clamp(1, 5);
    let weight = settings.criticality_weights[usize::from(criticality) - 1];
    let size = relative_error(candidate).min(settings.error_cap);
    let far = candidate
        .verdict
        .days_left
        .is_some_and(|days_left| days_left.mid > 2.0 * settings.round_days);
    // A measured fact does not wait for a forecast.
    let half = if far && !candidate.is_fact() { 0.5 } else { 1.0 };
    weight * certainty(candidate, settings) * size * half
}

/// Probability that weighs a cost: a fact is certain, except that an overdue check says only
/// that nobody looked.
fn certainty(candidate: &Candidate<'_>, settings: &Settings) -> f64 {
    let measured = |fact: &&Fact| fact.kind != FactKind::CheckOverdue;
    let probability = if candidate.probability.is_finite() { candidate.probability } else { 0.0 };
    if candidate.facts.iter().any(measured) || candidate.notice.is_some() {
        1.0
    } else if candidate.facts.is_empty() {
        probability
    } else {
        probability.max(settings.other_cause_probability)
    }
}

/// How many times the tolerable the trouble is: the largest of the facts and of the error that
/// the verdict expects. One, where nothing tells.
fn relative_error(candidate: &Candidate<'_>) -> f64 {
    let of_fact = |fact: &&Fact| (fact.value / fact.limit).abs();
    let facts = candidate.facts.iter().map(of_fact).filter(|ratio| ratio.is_finite());
    let tolerable = Some(candidate.verdict.tolerable_error_pct).filter(|error| *error > 0.0);
    let expected = expected_error_pct(candidate).zip(tolerable).map(|(e, t)| e / t);
    facts.chain(expected).reduce(f64::max).unwrap_or(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_good_meter_errs_by_its_zero_only_below_the_corner_flow() {
        // Definitions as in ISO 10790; values by exact arithmetic, base 0.1 %, zs 2.5 kg/h.
        // Printed to nine decimals, hence the tolerance.
        let table = [
            (50_000.0, 0.1),
            (10_000.0, 0.1),
            (2_500.0, 0.1),
            (2_499.0, 0.100_040_016),
            (1_000.0, 0.25),
            (500.0, 0.5),
            (250.0, 1.0),
        ];
        for (flow, error) in table {
            assert!((good_error_pct(0.1, 2.5, flow) - error).abs() < 5e-10, "{flow}");
            assert_eq!(good_error_pct(0.1, 2.5, -flow), good_error_pct(0.1, 2.5, flow));
        }
        assert_eq!(good_error_pct(0.1, 2.5, 0.0), f64::INFINITY);
    }

    #[test]
    fn the_quantiles_of_the_interval_come_back_as_chances() {
        let days_left = Interval { mid: 40.0, low: 20.0, high: 100.0 };
        for (days, chance) in [(20.0, 0.1), (40.0, 0.5), (100.0, 0.9)] {
            assert!((chance_within(days_left, days) - chance).abs() < 1e-9, "{days}");
        }
        let later = Interval { mid: f64::INFINITY, low: 200.0, high: f64::INFINITY };
        assert_eq!(chance_within(later, 7.0), 0.0);
        let passed = Interval { mid: 0.0, low: 0.0, high: 0.0 };
        assert_eq!(chance_within(passed, 7.0), 1.0);
    }

    #[test]
    fn the_integral_of_the_positive_part_is_that_of_small_steps() {
        for (start, rate) in [(1.0, 0.5), (-1.0, 0.5), (1.0, -0.5), (-1.0, -0.5), (-9.0, 0.5)] {
            let days = 7.0;
            let n = 70_000;
            let step = days / f64::from(n);
            let sum: f64 =
                (0..n).map(|i| (start + rate * (f64::from(i) + 0.5) * step).max(0.0) * step).sum();
            // Midpoint rule: exact but for the one step that holds the crossing.
            assert!((positive_integral(start, rate, days) - sum).abs() < 1e-6, "{start} {rate}");
        }
    }
}
