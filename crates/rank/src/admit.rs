//! Which candidates are listed tonight: a budget of false entries, and a memory of earlier
//! nights.
//!
//! Budget: candidates, likeliest to be right first, are admitted while the expected share of false
//!         entries of the page stays within the budget. Expected false = the larger of the sum of
//!         1 - P(any fault) and the decoys above the same odds: mirrored signatures that no fault
//!         makes turn up by chance as often as real ones do, whatever the probabilities claim. The
//!         list `mend_data` has a budget of its own.
//! Memory: an entry comes up at once above `at_once_probability`, else when it is above the entry
//!         odds on 2 of 3 judged nights, tonight among them (a first night counts alone), and
//!         leaves when it was below half of them on every judged night of a week. Past nights are
//!         measured against tonight's odds, so that a list does not flicker when its neighbours
//!         change.
//! Facts:  admitted always, and outside the budget: they are measured.

use crate::candidate::{Candidate, chance_right};
use crate::past::{History, PastEntry};
use crate::settings::Settings;
use metersift_model::watch_list::WithheldWhy;
use metersift_model::{Hypothesis, ListKind, Verdict};

/// What happens to a candidate tonight.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Admission {
    Listed,
    Withheld(WithheldWhy),
    No,
}

/// The cut of every list, and what it does to each candidate.
pub(crate) struct Admissions {
    pub of: Vec<Admission>,
    /// Probability at the cut, in the order of [`ListKind::ALL`].
    pub entry_probability: [f64; 8],
}

/// Decides for all candidates of all lists but `check_now`, whose risks have no budget.
pub(crate) fn admit(
    candidates: &[Candidate<'_>],
    decoys: &Decoys,
    history: &History<'_>,
    settings: &Settings,
) -> Admissions {
    let mut entry_probability = [f64::NAN; 8];
    for (cut, list) in entry_probability.iter_mut().zip(ListKind::ALL) {
        *cut = cut_of(candidates, list, decoys, settings);
    }
    let of = candidates
        .iter()
        .map(|candidate| {
            let cut = entry_probability[position(candidate.list)];
            admission(candidate, cut, history, settings)
        })
        .collect();
    Admissions { of, entry_probability }
}

/// Place of a list in [`ListKind::ALL`].
pub(crate) fn position(list: ListKind) -> usize {
    list as usize
}

/// Lists that share one budget: what the crew reads in the morning is one page, and a list of one
/// entry could never prove itself alone.
pub(crate) fn shares_budget(list: ListKind) -> bool {
    !matches!(list, ListKind::MendData | ListKind::CheckNow)
}

/// The lowest chance of being right down to which the page stays within its budget; what a lone
/// entry would need where it never does.
///
/// The share of doubt only grows on the way down, but decoys come in steps that further entries
/// dilute: so the deepest cut that keeps the budget counts, not the first one that breaks it (as
/// target and decoy searches turn a false discovery rate into a q value).
fn cut_of(
    candidates: &[Candidate<'_>],
    list: ListKind,
    decoys: &Decoys,
    settings: &Settings,
) -> f64 {
    // A meter's second list and a common cause are entries of the page like any other.
    let together =
        |c: &&Candidate<'_>| c.list == list || (shares_budget(list) && shares_budget(c.list));
    let mut chances: Vec<f64> = candidates
        .iter()
        .filter(together)
        .filter(|c| !c.is_fact())
        .map(|c| c.right)
        .filter(|&p| p >= settings.smallest_probability)
        .collect();
    // Equal chances are equal numbers here, so no second key is needed.
    chances.sort_by(|a, b| b.total_cmp(a));
    let alone = (1.0 - settings.budget).max(settings.smallest_probability);
    let (mut kept, mut broken) = (None, None);
    let (mut doubt, mut entries) = (0.0, 0.0);
    // Equals come in together or not at all: nothing but a name would tell them apart.
    for equals in chances.chunk_by(|a, b| a == b) {
        let chance = equals[0];
        entries += equals.len() as f64;
        doubt += (1.0 - chance) * equals.len() as f64;
        let decoys = if shares_budget(list) { decoys.above(chance) } else { 0.0 };
        if doubt.max(decoys) <= settings.budget * entries {
            (kept, broken) = (Some(chance), None);
        } else {
            broken = broken.or(Some(chance));
        }
    }
    // A page with room bears doubt down to the smallest probability, whether or not a candidate
    // stands exactly there: what lies between the last kept and the first broken stays out.
    let cut = match (kept, broken) {
        (Some(kept), None) => kept.min(alone),
        (Some(kept), Some(_)) => kept,
        (None, _) => alone,
    };
    // Decoys can shut out what would have been enough alone.
    broken.filter(|chance| *chance >= cut).map_or(cut, f64::next_up)
}

fn admission(
    candidate: &Candidate<'_>,
    cut: f64,
    history: &History<'_>,
    settings: &Settings,
) -> Admission {
    if candidate.is_fact() {
        return Admission::Listed;
    }
    let above = candidate.right >= cut;
    if above && candidate.right >= settings.at_once_probability {
        return Admission::Listed;
    }
    if above && nights_above(candidate, cut, history, settings) {
        return Admission::Listed;
    }
    if stays(candidate, cut, history, settings) {
        return Admission::Listed;
    }
    match above {
        true => Admission::Withheld(WithheldWhy::Nights),
        false if candidate.right >= settings.smallest_probability => {
            Admission::Withheld(WithheldWhy::Budget)
        }
        false => Admission::No,
    }
}

/// Whether enough of the last judged nights were above the cut, tonight being one of them.
fn nights_above(
    candidate: &Candidate<'_>,
    cut: f64,
    history: &History<'_>,
    settings: &Settings,
) -> bool {
    let wanted = settings.of_nights.saturating_sub(1) as usize;
    let past = past_probabilities(candidate, history, settings.memory_days, wanted);
    // One earlier night must agree; with none there is nothing to ask.
    let needed = (settings.enter_nights as usize).min(past.len() + 1);
    1 + past.iter().filter(|(_, p)| *p >= cut).count() >= needed
}

/// Whether an entry of the last night stays although it is below the cut.
fn stays(candidate: &Candidate<'_>, cut: f64, history: &History<'_>, settings: &Settings) -> bool {
    if !was_listed(candidate, history) {
        return false;
    }
    let leave = probability_of_odds(settings.leave_odds_share * odds(cut));
    let days = settings.leave_days.saturating_sub(1);
    let past = past_probabilities(candidate, history, days, usize::MAX);
    candidate.right >= leave || past.iter().any(|(_, p)| *p >= leave)
}

/// Whether the candidate (or for a common cause most of its members) stood on this list on the
/// fleet's last night.
pub(crate) fn was_listed(candidate: &Candidate<'_>, history: &History<'_>) -> bool {
    let on_list = |verdict: &Verdict| {
        history.last(&verdict.meter).is_some_and(|night| night.list == Some(candidate.list))
    };
    match candidate.members.as_slice() {
        [] => on_list(candidate.verdict),
        members => 2 * members.iter().filter(|member| on_list(member)).count() > members.len(),
    }
}

/// Probabilities of the candidate on its judged nights of the last `days`, newest first, at most
/// `most` of them. A common cause takes its members' mean on the nights of its strongest member.
fn past_probabilities(
    candidate: &Candidate<'_>,
    history: &History<'_>,
    days: u32,
    most: usize,
) -> Vec<(i32, f64)> {
    let lone = |night: &PastEntry| {
        (night.as_of.0, chance_right(candidate.list, candidate.main, &night.probabilities))
    };
    let nights = history.judged(&candidate.verdict.meter, days).take(most).map(lone);
    if candidate.members.is_empty() {
        return nights.collect();
    }
    let mean = |(day, own): (i32, f64)| {
        let of_day = |member: &&Verdict| {
            let mut nights = history.judged(&member.meter, days);
            nights.find(|night| night.as_of.0 == day).map(|night| lone(night).1)
        };
        let values: Vec<f64> = candidate.members.iter().filter_map(of_day).collect();
        let sum: f64 = values.iter().sum();
        (day, if values.is_empty() { own } else { sum / values.len() as f64 })
    };
    nights.map(mean).collect()
}

pub(crate) fn odds(probability: f64) -> f64 {
    probability / (1.0 - probability)
}

pub(crate) fn probability_of_odds(odds: f64) -> f64 {
    if odds.is_infinite() { 1.0 } else { odds / (1.0 + odds) }
}

/// Mirrored signatures that won on their meter, by probability.
pub(crate) struct Decoys {
    /// Probabilities of the decoys that beat every real explanation, falling.
    probabilities: Vec<f64>,
}

impl Decoys {
    /// A meter is a decoy only if its best mirrored signature beats all its real hypotheses,
    /// process, data and unknown included: without that competition real faults score as decoys.
    pub(crate) fn of(verdicts: &[&Verdict]) -> Decoys {
        let wins = |verdict: &&Verdict| {
            let best = Hypothesis::ALL[1..]
                .iter()
                .map(|mode| odds(verdict.probabilities[mode.index()]).ln())
                .fold(f64::NEG_INFINITY, f64::max);
            verdict.decoy_score.is_finite() && verdict.decoy_score > best
        };
        let mut probabilities: Vec<f64> = verdicts
            .iter()
            .filter(|verdict| wins(verdict))
            .map(|verdict| probability_of_odds(verdict.decoy_score.exp()))
            .collect();
        probabilities.sort_by(|a, b| b.total_cmp(a));
        Decoys { probabilities }
    }

    /// Decoys at or above a probability: false entries of a page to be expected.
    pub(crate) fn above(&self, probability: f64) -> f64 {
        self.probabilities.iter().take_while(|&&decoy| decoy >= probability).count() as f64
    }
}
