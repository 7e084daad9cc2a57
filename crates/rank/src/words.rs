//! The words of an entry: evidence, next step, what would settle it, NE 107 letter, cautions.
//!
//! Every sentence carries its numbers, units, dates and interval. The lists screen: no sentence
//! says that a meter is in order, and none tells anyone to open, drain or adjust without the
//! caution that belongs to it.
//! Source: NAMUR NE 107 status signals, letters F, C, S and M (general knowledge of the
//!         standard, not its text).

use crate::candidate::{Candidate, chance};
use crate::settings::Settings;
use crate::tables::shown_probability;
use metersift_model::records::{Meter, ZeroState};
use metersift_model::verdict::{FactKind, Interval, Limit, ObservableEvidence, Severity};
use metersift_model::{Day, Hypothesis, ListKind, Records, Verdict};

/// log10 of a factor below which an observable is not worth naming: three to one, where evidence
/// begins to be substantial (Jeffreys, Theory of Probability, appendix B, from memory).
const WORTH_NAMING: f64 = 0.5;
/// Observables named in one sentence; the report shows all.
const NAMED: usize = 3;

/// Three significant digits, never an exponent, no trailing zeros after the point.
pub(crate) fn number(value: f64) -> String {
    if !value.is_finite() {
        return "not known".into();
    }
    if value == 0.0 {
        return "0".into();
    }
    let magnitude = value.abs().log10().floor();
    let decimals = (2.0 - magnitude).clamp(0.0, 9.0) as usize;
    let text = format!("{value:.decimals$}");
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_string(),
        false => text,
    }
}

fn signed(value: f64) -> String {
    if value > 0.0 { format!("+{}", number(value)) } else { number(value) }
}

fn unit_after(unit: &str) -> String {
    if unit.is_empty() { String::new() } else { format!(" {unit}") }
}

/// `drive_gain` as people say it.
fn observable_words(name: &str) -> String {
    match name {
        "air_point" => "drained-and-dry density".into(),
        "reference_point" => "density in the reference fluid".into(),
        "partner_span" => "flow against the partner".into(),
        "partner_zero" => "zero against the partner".into(),
        "pickoff_ratio" => "pick-off ratio".into(),
        "stiffness_inlet" => "inlet stiffness".into(),
        "stiffness_outlet" => "outlet stiffness".into(),
        "zero_found" => "as-found zero".into(),
        other => other.replace('_', " "),
    }
}

/// Severity with its interval.
fn severity_words(severity: &Severity) -> String {
    let Interval { mid, low, high } = severity.size;
    format!(
        "{}{} (10..90 %: {} to {})",
        number(mid),
        unit_after(&severity.unit),
        number(low),
        number(high)
    )
}

/// Days left with their interval; never a date without one.
fn days_left_words(days_left: Interval) -> String {
    let Interval { mid, low, high } = days_left;
    let whole = |days: f64| format!("{:.0}", days.max(0.0));
    let end = if high.is_finite() { format!("{} d", whole(high)) } else { "beyond a year".into() };
    match () {
        () if mid <= 0.0 && high <= 0.0 => "limit already passed".into(),
        () if mid.is_finite() => {
            format!("limit in {} d (10..90 %: {} d to {end})", whole(mid), whole(low))
        }
        () if low.is_finite() => format!("limit later than {} d (9 chances in 10)", whole(low)),
        () => "limit beyond a year".into(),
    }
}

/// The limit that the days count to; where it comes from stands in the report.
fn limit_words(limit: &Limit) -> String {
    format!(" (limit {}{})", number(limit.value), unit_after(&limit.unit))
}

/// The evidence sentence.
pub(crate) fn evidence(candidate: &Candidate<'_>) -> String {
    let mut sentences: Vec<String> = candidate.facts.iter().map(|fact| fact_words(fact)).collect();
    sentences.extend(candidate.notice.clone());
    if !candidate.members.is_empty() {
        sentences.push(common_cause_words(candidate));
    } else if candidate.probability.is_finite() && candidate.mode != Hypothesis::NoChange {
        sentences.push(mode_words(candidate));
    }
    sentences.join(" ")
}

fn fact_words(fact: &metersift_model::verdict::Fact) -> String {
    let text = fact.text.trim().trim_end_matches('.');
    let since = match fact.since.map(|day| day.to_string()) {
        Some(day) if !text.contains(&day) => format!(", since {day}"),
        _ => String::new(),
    };
    if text.is_empty() {
        let unit = unit_after(&fact.unit);
        let (value, limit) = (number(fact.value), number(fact.limit));
        return format!("Measured: {value}{unit} against a limit of {limit}{unit}{since}.");
    }
    format!("Measured: {text}{since}.")
}

fn common_cause_words(candidate: &Candidate<'_>) -> String {
    let names: Vec<&str> = candidate.members.iter().map(|v| v.meter.as_str()).collect();
    format!(
        "{} meters of stream {} move alike: {}. One common cause: look at the fluid and the line \
         first. Mean probability of {} {}. Strongest, {}: {}",
        names.len(),
        candidate.verdict.stream,
        names.join(", "),
        candidate.mode.words(),
        percent(candidate.probability),
        candidate.verdict.meter,
        mode_words(candidate)
    )
}

pub(crate) fn percent(probability: f64) -> String {
    format!("{:.0} %", 100.0 * shown_probability(probability))
}

/// What the observables say for the mode, and what speaks against it.
fn mode_words(candidate: &Candidate<'_>) -> String {
    let verdict = candidate.verdict;
    let own = verdict.probabilities[candidate.mode.index()];
    let probability = if own.is_finite() { own } else { candidate.probability };
    let mode = candidate.mode.words();
    // The evidence bars belong to the verdict's own mode; for another mode they say nothing.
    if verdict.mode != candidate.mode {
        return format!("{} {}.", capital(mode), percent(probability));
    }
    let mut speaking: Vec<&ObservableEvidence> =
        verdict.evidence.iter().filter(|o| o.over_no_change > WORTH_NAMING).collect();
    speaking.sort_by(|a, b| {
        let by_factor = b.over_no_change.total_cmp(&a.over_no_change);
        by_factor.then_with(|| a.observable.cmp(&b.observable))
    });
    let named: Vec<String> = speaking.iter().take(NAMED).map(|o| observable_change(o)).collect();
    let since = speaking.iter().filter_map(|o| o.since).min();
    let mut text = match (named.as_slice(), since) {
        ([], _) => format!("{} {}", capital(mode), percent(probability)),
        (named, Some(since)) => {
            format!("{} since {since}: {mode} {}", capital(&named.join(", ")), percent(probability))
        }
        // It was there before the first day, or since the last reset: a number without a date
        // must say so.
        (named, None) => {
            let named = capital(&named.join(", "));
            format!("{named}, no beginning in the data: {mode} {}", percent(probability))
        }
    };
    if let Some(severity) = &verdict.severity {
        text.push_str(&format!("; size {}", severity_words(severity)));
    }
    if let Some(days_left) = verdict.days_left {
        text.push_str(&format!("; {}", days_left_words(days_left)));
        text.push_str(&verdict.limit.as_ref().map_or(String::new(), limit_words));
    }
    if let Some(against) = against_words(verdict) {
        text.push_str(&format!("; {against}"));
    }
    text.push('.');
    text
}

/// The observable that speaks loudest against the mode, or for another one.
fn against_words(verdict: &Verdict) -> Option<String> {
    let against = verdict
        .evidence
        .iter()
        .filter(|o| o.over_no_change < -WORTH_NAMING || o.over_runner_up < -WORTH_NAMING)
        .min_by(|a, b| a.over_runner_up.total_cmp(&b.over_runner_up))?;
    if against.over_no_change < WORTH_NAMING {
        return Some(format!("against it: {}", observable_change(against)));
    }
    // It moved with the mode, but it would fit the runner-up better.
    let others = Hypothesis::ALL.into_iter().filter(|mode| *mode != verdict.mode);
    let runner_up = others.reduce(|best, mode| {
        let p = |mode: Hypothesis| verdict.probabilities[mode.index()];
        if p(mode) > p(best) { mode } else { best }
    })?;
    let observable = observable_words(&against.observable);
    Some(format!("but {observable} alone fits {} better", runner_up.words()))
}

fn observable_change(observable: &ObservableEvidence) -> String {
    format!(
        "{} {}{} (se {})",
        observable_words(&observable.observable),
        signed(observable.change),
        unit_after(&observable.unit),
        number(observable.se)
    )
}

pub(crate) fn capital(text: &str) -> String {
    let mut characters = text.chars();
    match characters.next() {
        Some(first) => first.to_uppercase().chain(characters).collect(),
        None => String::new(),
    }
}

/// What to do next.
pub(crate) fn next_step(
    candidate: &Candidate<'_>,
    records: &Records,
    as_of: Day,
    settings: &Settings,
) -> String {
    let step = match candidate.list {
        ListKind::Pull => pull_step(candidate),
        ListKind::Clean => "Plan a cleaning at the next stop; take a check and the density of a \
                            known fluid before and after, and record the cleaning."
            .into(),
        ListKind::CheckNow => "Run an in-situ check in an hour of steady, full, single-phase \
                               flow; repeat a fail before anyone acts on it."
            .into(),
        ListKind::ReZero => zero_step(candidate, records, as_of, settings),
        ListKind::Gas => "Find where gas comes in (suction side, empty tank, start of a batch, \
                          flashing); more flow or back-pressure carries or shrinks bubbles. The \
                          meter itself needs no work on this evidence."
            .into(),
        ListKind::Electrical => "Read both pick-off amplitudes and the coil resistances at the \
                                 terminals; look at connector, cable and junction box first."
            .into(),
        ListKind::MendData => "Ask who changed the recording: tag, unit, dead-band, compression, \
                               interface. Until it is mended this meter is judged less or not at \
                               all."
            .into(),
        ListKind::Unexplained => "Look at the picture with somebody who knows the line; run an \
                                  in-situ check. A change that no known mode explains is not \
                                  nothing."
            .into(),
    };
    match candidate.members.is_empty() {
        true => step,
        false => format!("Look at the fluid and the line before any single meter. {step}"),
    }
}

fn pull_step(candidate: &Candidate<'_>) -> String {
    let failed_check = candidate.facts.iter().any(|f| f.kind == FactKind::CheckBeyondLimit);
    let saturated = candidate.facts.iter().any(|f| f.kind == FactKind::DriveSaturated);
    match (failed_check, saturated) {
        (true, _) => {
            "Repeat the in-situ check in steady, full, single-phase flow; if it stands, \
                      plan to pull the meter and look at the tubes."
        }
        (false, true) => {
            "Make sure the line runs full and free of gas; if the drive stays \
                          saturated, take a check and the pick-off readings, then plan to open \
                          the meter."
        }
        (false, false) => {
            "Run an in-situ check; if inlet or outlet stiffness confirms, plan to \
                           pull the meter at the next stop and look at the tubes."
        }
    }
    .into()
}

/// A re-zero is a thought only after an as-found zero, with every other cause ruled out.
fn zero_step(
    candidate: &Candidate<'_>,
    records: &Records,
    as_of: Day,
    settings: &Settings,
) -> String {
    let check_first = "Check the zero with both blocks closed: meter full, free of gas, at \
                       process temperature, valves tight. Record it as found and adjust nothing \
                       yet";
    match as_found(candidate.verdict, records, as_of, settings) {
        // As found is what billing needs; whoever adjusts first destroys it.
        Some((day, zero_kg_h)) if candidate.meter.is_some_and(|meter| meter.custody) => format!(
            "The zero of {day} read {} kg/h as found. Take it once more with both blocks closed, \
             record it as found, adjust nothing, and hand it to whoever keeps the custody record.",
            signed(zero_kg_h)
        ),
        Some((day, zero_kg_h)) if !other_cause(candidate.verdict, settings) => format!(
            "The zero of {day} read {} kg/h as found. Take it once more with both blocks closed; \
             only if both agree, and gas, partial filling, a leaking valve and a temperature \
             drift are ruled out, decide on a re-zero, and record it as left.",
            signed(zero_kg_h)
        ),
        Some(_) => format!("{check_first}: gas could be the cause."),
        None => format!("{check_first}: no as-found zero confirms the shut-in flow."),
    }
}

/// The youngest as-found zero that nothing was adjusted after.
fn as_found(
    verdict: &Verdict,
    records: &Records,
    as_of: Day,
    settings: &Settings,
) -> Option<(Day, f64)> {
    let oldest = as_of.plus(-i32::try_from(settings.as_found_days).unwrap_or(i32::MAX));
    let zeros = records.zeros.get(&verdict.meter)?;
    let last = zeros.iter().filter(|zero| zero.time < as_of.start()).max_by_key(|z| z.time)?;
    let day = last.time.day();
    (last.state == ZeroState::AsFound && day >= oldest).then_some((day, last.zero_kg_h))
}

/// Whether gas could be what moved the zero.
fn other_cause(verdict: &Verdict, settings: &Settings) -> bool {
    let gas = verdict.probabilities[Hypothesis::TwoPhase.index()];
    let gas_evidence = verdict
        .evidence
        .iter()
        .any(|o| o.observable.starts_with("gas") && o.over_no_change > WORTH_NAMING);
    gas.is_nan() || gas >= settings.other_cause_probability || gas_evidence
}

/// The cheapest test that would prove the entry right or wrong.
pub(crate) fn settles(candidate: &Candidate<'_>) -> String {
    let own = candidate.verdict.next_test.trim();
    if !own.is_empty() && candidate.verdict.mode == candidate.mode {
        return own.into();
    }
    match candidate.list {
        ListKind::Pull => {
            "in-situ check, repeated: inlet and outlet stiffness back within what \
                           the checks can see"
        }
        ListKind::Clean => {
            "drained-and-dry density, or a flush with a known fluid: back at its \
                            old value"
        }
        ListKind::CheckNow => "the check itself",
        ListKind::ReZero => "as-found zero with both blocks closed: within zero stability",
        ListKind::Gas => "an hour at higher back-pressure: drive gain and noise fall",
        ListKind::Electrical => "pick-off readings at the terminals: both halves alike",
        ListKind::MendData => "the raw tag read beside the local display for ten minutes",
        ListKind::Unexplained => {
            "in-situ check, then the next test that still tells two causes \
                                  apart"
        }
    }
    .into()
}

/// NE 107 letter of an entry.
pub(crate) fn ne107(candidate: &Candidate<'_>) -> char {
    let has = |kind: FactKind| candidate.facts.iter().any(|fact| fact.kind == kind);
    let tolerable = candidate.verdict.tolerable_error_pct;
    let beyond = candidate.verdict.mode == candidate.mode
        && candidate.verdict.error_now_pct.is_some_and(|error| error.abs() > tolerable);
    match candidate.list {
        // The drive cannot hold the tube: what comes out is not a measurement.
        _ if has(FactKind::DriveSaturated) => 'F',
        _ if has(FactKind::CheckBeyondLimit) || has(FactKind::ZeroBeyondTolerable) => 'S',
        ListKind::MendData => 'C',
        ListKind::Gas => 'S',
        _ if beyond => 'S',
        _ => 'M',
    }
}

const SCREEN: &str = "This list screens; it proves nothing about a single meter.";
const LOCAL_RULES: &str = "Isolating, opening, draining, depressurising, hot or toxic contents: \
                           local codes, site permits and licensed practice decide.";
const MEAN_STIFFNESS: &str = "Stiffness is a mean: neither a quiet list nor a passed check says \
                              anything about the thinnest spot of a wall.";
const NO_RE_ZERO: &str = "No re-zero while gas, partial filling, a leaking valve or a temperature \
                          drift could be the cause, nor from shut-in flow alone.";
const CUSTODY: &str = "Custody meter: take the as-found reading first, adjust nothing; figures \
                       here are not for billing.";
const SAFETY_FUNCTION: &str = "Part of a safety function: this goes to the owner of the function; \
                               no list extends a proof-test interval.";

/// Cautions of a proposed check, the meter's own first.
pub(crate) fn check_cautions(meter: Option<&Meter>) -> Vec<String> {
    let custody = meter.is_some_and(|meter| meter.custody).then_some(CUSTODY);
    let function = meter.is_some_and(|meter| meter.safety_function).then_some(SAFETY_FUNCTION);
    custody.into_iter().chain(function).map(String::from).collect()
}

/// Cautions of every check.
pub const CHECK_CAUTIONS: [&str; 3] = [
    "A plan screens: it proves nothing about a single meter, and approves nothing.",
    MEAN_STIFFNESS,
    LOCAL_RULES,
];

/// Cautions that belong to an entry.
pub(crate) fn cautions(candidate: &Candidate<'_>, records: &Records) -> Vec<String> {
    let mut cautions = vec![SCREEN];
    if !matches!(candidate.list, ListKind::MendData | ListKind::Gas) {
        cautions.push(LOCAL_RULES);
    }
    let wall = [Hypothesis::Erosion, Hypothesis::Damage].contains(&candidate.mode);
    if wall || candidate.list == ListKind::Pull || candidate.list == ListKind::CheckNow {
        cautions.push(MEAN_STIFFNESS);
    }
    if candidate.list == ListKind::ReZero {
        cautions.push(NO_RE_ZERO);
    }
    let members = candidate.members.iter().filter_map(|v| records.meters.get(&v.meter));
    let meters: Vec<_> = candidate.meter.into_iter().chain(members).collect();
    if meters.iter().any(|meter| meter.custody) {
        cautions.push(CUSTODY);
    }
    if meters.iter().any(|meter| meter.safety_function) {
        cautions.push(SAFETY_FUNCTION);
    }
    cautions.into_iter().map(String::from).collect()
}

/// Added where a check is proposed for risk alone.
pub(crate) fn risk_words(candidate: &Candidate<'_>) -> String {
    let chance = chance(ListKind::CheckNow, &candidate.verdict.probabilities);
    format!("Chance of something that a check can see: {} in all.", percent(chance))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_three_digits_and_never_an_exponent() {
        let table = [
            (0.0, "0"),
            (12.345, "12.3"),
            (0.001_234_5, "0.00123"),
            (98_765.4, "98765"),
            (-0.5, "-0.5"),
            (3.0, "3"),
            (1e-12, "0"),
            (f64::INFINITY, "not known"),
        ];
        for (value, text) in table {
            assert_eq!(number(value), text, "{value}");
        }
    }

    #[test]
    fn a_limit_is_told_with_its_unit() {
        let unit = "% of reading".into();
        let limit = Limit { value: 0.5, unit, reason: "5 x base accuracy".into() };
        assert_eq!(limit_words(&limit), " (limit 0.5 % of reading)");
    }

    #[test]
    fn no_time_left_is_told_without_its_interval() {
        let days = |mid, low, high| days_left_words(Interval { mid, low, high });
        assert_eq!(days(45.4, 20.0, 110.0), "limit in 45 d (10..90 %: 20 d to 110 d)");
        assert_eq!(
            days(200.0, 90.0, f64::INFINITY),
            "limit in 200 d (10..90 %: 90 d to beyond a year)"
        );
        assert_eq!(
            days(f64::INFINITY, 300.0, f64::INFINITY),
            "limit later than 300 d (9 chances in 10)"
        );
        assert_eq!(days(0.0, 0.0, 0.0), "limit already passed");
    }
}
