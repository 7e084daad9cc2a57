//! What the team decided: accepted entries are hidden, counted, and woken.
//!
//! A decision hides an entry of its meter (and mode, where it names one) until its last day.
//! The entry comes back when that day is past, when a fact turned up since, or when the fault
//! grew by more than the uncertainty it had when the decision was made.

use crate::candidate::{Candidate, list_of};
use crate::change::{grew, sd};
use crate::past::History;
use crate::settings::Settings;
use metersift_model::records::{Decision, DecisionKind};
use metersift_model::{Day, Records};

/// What a decision does to a candidate tonight.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Standing {
    /// Nobody decided anything that still holds.
    Open,
    /// Hidden until a day, by a decision that still holds.
    Hidden { why: String, until: Day },
    /// Listed, with what the team found or did as a sentence.
    Noted { what: String },
    /// Was hidden and is back, with the reason as a clause.
    Woken { why: String },
}

/// Where a candidate stands with the team.
pub(crate) fn standing(
    candidate: &Candidate<'_>,
    records: &Records,
    history: &History<'_>,
    as_of: Day,
    settings: &Settings,
) -> Standing {
    // A common cause has no meter to decide about: a decision per member would have to agree.
    if !candidate.members.is_empty() {
        return Standing::Open;
    }
    let about = |decision: &&Decision| {
        decision.meter == candidate.verdict.meter
            && decision.day <= as_of
            && decision
                .mode
                .is_none_or(|mode| mode == candidate.mode || list_of(mode) == Some(candidate.list))
    };
    // The youngest decision holds; of one day's decisions the last one written.
    let Some(decision) = records.decisions.iter().filter(about).max_by_key(|d| d.day) else {
        return Standing::Open;
    };
    let words = format!("{} on {}", words(decision.decision), decision.day);
    let Some(until) = last_day(decision, settings) else {
        // What was found long ago has been dealt with.
        if as_of.0 - decision.day.0 > i32::try_from(settings.record_days).unwrap_or(i32::MAX) {
            return Standing::Open;
        }
        return Standing::Noted { what: crate::words::capital(&words) };
    };
    if as_of > until {
        return match decision.decision {
            DecisionKind::Accepted => Standing::Woken { why: format!("{words}, until {until}") },
            _ => Standing::Open,
        };
    }
    match wake(candidate, decision, history, settings) {
        Some(why) => Standing::Woken { why: format!("{words}, {why}") },
        None => Standing::Hidden { why: crate::words::capital(&words), until },
    }
}

/// Last day on which a decision hides anything.
fn last_day(decision: &Decision, settings: &Settings) -> Option<Day> {
    let plus = |days: u32| decision.day.plus(i32::try_from(days).unwrap_or(i32::MAX));
    match decision.decision {
        DecisionKind::Accepted => Some(decision.until.unwrap_or(plus(settings.accept_days))),
        DecisionKind::FoundGood => Some(plus(settings.found_good_days)),
        DecisionKind::Found | DecisionKind::NotOpened => None,
    }
}

fn words(decision: DecisionKind) -> &'static str {
    match decision {
        DecisionKind::Accepted => "accepted",
        DecisionKind::Found => "found faulty",
        DecisionKind::FoundGood => "opened and found good",
        DecisionKind::NotOpened => "not opened",
    }
}

/// Why a hidden entry is back, if it is.
fn wake(
    candidate: &Candidate<'_>,
    decision: &Decision,
    history: &History<'_>,
    settings: &Settings,
) -> Option<String> {
    // What was known when it was decided: the last night up to that day, else the first after.
    let nights = history.of(&candidate.verdict.meter);
    let before = nights.iter().rev().find(|night| night.as_of <= decision.day);
    let then = before.or_else(|| nights.first());
    // A fact is new when it is dated later, or when nothing was listed at all.
    let quiet_then = then.is_some_and(|night| night.list.is_none());
    let is_new = |since: Option<Day>| quiet_then || since.is_some_and(|day| day > decision.day);
    if let Some(fact) = candidate.facts.iter().find(|fact| is_new(fact.since)) {
        let what = fact.kind.name().replace('_', " ");
        return Some(format!("but since then: {what}"));
    }
    let then = then?;
    let now = candidate.verdict.severity.as_ref()?;
    match then.severity {
        Some(old) if grew(old, now.size) => Some(format!(
            "but it grew from {} to {} {} since",
            crate::words::number(old.mid),
            crate::words::number(now.size.mid),
            now.unit
        )),
        // It had no size then: whatever stands clear of nothing now is new.
        None if candidate.probability >= settings.smallest_probability
            && now.size.mid.abs() > sd(now.size) =>
        {
            Some("but it had no measurable size then".into())
        }
        _ => None,
    }
}
