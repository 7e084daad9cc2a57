//! From one verdict to the lists that it could be on.
//!
//! A list is a decision, a mode is a cause: erosion and damage both ask for opening up. Per
//! meter and list there is one candidate, named after the likeliest of the list's modes, and it
//! carries the facts that belong to the same decision.

use crate::settings::Settings;
use metersift_model::records::Meter;
use metersift_model::verdict::{Fact, FactKind, JudgedState};
use metersift_model::{Hypothesis, ListKind, Records, Verdict};

/// Below this a candidate could neither enter nor stay on any list. Odds of 1 to 19.
const WORTH_CARRYING: f64 = 0.05;

/// One meter (or common cause) that could be on one list.
#[derive(Clone, Debug)]
pub(crate) struct Candidate<'a> {
    pub list: ListKind,
    pub verdict: &'a Verdict,
    pub meter: Option<&'a Meter>,
    /// Likeliest mode of the list.
    pub mode: Hypothesis,
    /// Its probability; NaN where only facts speak.
    pub probability: f64,
    /// Chance that the entry is no false one: of any fault of the meter on the list of its
    /// likeliest modes, of the list's own modes elsewhere; NaN where only facts speak.
    pub right: f64,
    /// Whether this is the list of the meter's likeliest modes.
    pub main: bool,
    /// Facts that ask for the same decision.
    pub facts: Vec<&'a Fact>,
    /// Why it is listed although neither probability nor fact says so (`safety function, not
    /// judged` and the like).
    pub notice: Option<String>,
    /// Verdicts of a common cause; empty for a lone meter.
    pub members: Vec<&'a Verdict>,
}

impl Candidate<'_> {
    /// Name in the list: the meter, or the stream of a common cause.
    pub(crate) fn name(&self) -> &str {
        if self.members.is_empty() { &self.verdict.meter } else { &self.verdict.stream }
    }

    /// Listed whatever any probability says.
    pub(crate) fn is_fact(&self) -> bool {
        !self.facts.is_empty() || self.notice.is_some()
    }
}

/// The modes that ask for a list's decision, in order of [`Hypothesis::ALL`].
pub(crate) fn modes_of(list: ListKind) -> &'static [Hypothesis] {
    match list {
        ListKind::Pull => &[Hypothesis::Erosion, Hypothesis::Damage],
        ListKind::Clean => &[Hypothesis::Coating],
        ListKind::ReZero => &[Hypothesis::ZeroDrift],
        ListKind::Gas => &[Hypothesis::TwoPhase],
        ListKind::Electrical => &[Hypothesis::Electrical],
        ListKind::MendData => &[Hypothesis::Data],
        ListKind::Unexplained => &[Hypothesis::Unknown],
        // What an in-situ check can see, or at least narrow down.
        ListKind::CheckNow => {
            &[Hypothesis::Coating, Hypothesis::Erosion, Hypothesis::Damage, Hypothesis::Unknown]
        }
    }
}

/// The list of a mode; `None` for modes that ask for nothing.
pub fn list_of(mode: Hypothesis) -> Option<ListKind> {
    match mode {
        Hypothesis::NoChange | Hypothesis::Process => None,
        Hypothesis::Data => Some(ListKind::MendData),
        Hypothesis::Coating => Some(ListKind::Clean),
        Hypothesis::Erosion | Hypothesis::Damage => Some(ListKind::Pull),
        Hypothesis::TwoPhase => Some(ListKind::Gas),
        Hypothesis::ZeroDrift => Some(ListKind::ReZero),
        Hypothesis::Electrical => Some(ListKind::Electrical),
        Hypothesis::Unknown => Some(ListKind::Unexplained),
    }
}

/// Likeliest mode of a list and its probability, by any set of probabilities (tonight's or an
/// earlier night's). Ties go to the earlier mode.
pub(crate) fn likeliest(list: ListKind, probabilities: &[f64; 10]) -> (Hypothesis, f64) {
    let mut best = (Hypothesis::Unknown, f64::NAN);
    for &mode in modes_of(list) {
        let probability = probabilities[mode.index()];
        if best.1.is_nan() || probability > best.1 {
            best = (mode, probability);
        }
    }
    best
}

/// Chance of any of a list's modes.
pub(crate) fn chance(list: ListKind, probabilities: &[f64; 10]) -> f64 {
    modes_of(list).iter().map(|mode| probabilities[mode.index()]).sum()
}

/// Chance that the meter is at fault at all; an unexplained change counts half: it is as likely
/// the plant's or the recorder's as the meter's.
pub(crate) fn fault_chance(probabilities: &[f64; 10]) -> f64 {
    let sum: f64 = Hypothesis::FAULTS.iter().map(|mode| probabilities[mode.index()]).sum();
    sum - 0.5 * probabilities[Hypothesis::Unknown.index()]
}

/// The list of a meter's likeliest modes: where no decision has half of the chance of a fault,
/// the cause is open and the meter stands with the unexplained.
pub(crate) fn main_list(probabilities: &[f64; 10]) -> ListKind {
    let lists =
        [ListKind::Pull, ListKind::Clean, ListKind::ReZero, ListKind::Gas, ListKind::Electrical];
    let half = 0.5 * fault_chance(probabilities);
    let clear = lists.into_iter().find(|&list| chance(list, probabilities) > half);
    clear.unwrap_or(ListKind::Unexplained)
}

/// Chance that an entry of a list is no false one, by any set of probabilities.
pub(crate) fn chance_right(list: ListKind, main: bool, probabilities: &[f64; 10]) -> f64 {
    match (main, list) {
        // Here the entry says that something changed and nobody knows what.
        (true, ListKind::Unexplained) => {
            fault_chance(probabilities) + 0.5 * probabilities[Hypothesis::Unknown.index()]
        }
        (true, _) => fault_chance(probabilities),
        (false, _) => likeliest(list, probabilities).1,
    }
}

/// The likeliest of all fault modes.
fn likeliest_fault(probabilities: &[f64; 10]) -> (Hypothesis, f64) {
    Hypothesis::FAULTS.into_iter().fold((Hypothesis::Unknown, f64::NAN), |best, mode| {
        let p = probabilities[mode.index()];
        if best.1.is_nan() || p > best.1 { (mode, p) } else { best }
    })
}

/// The list on which a fact is an entry.
fn list_of_fact(fact: &Fact, verdict: &Verdict) -> ListKind {
    match fact.kind {
        FactKind::CheckBeyondLimit => ListKind::Pull,
        FactKind::ZeroBeyondTolerable => ListKind::ReZero,
        FactKind::NoData | FactKind::UnitStep => ListKind::MendData,
        FactKind::CheckOverdue => ListKind::CheckNow,
        // A saturated drive is a fact, but opening a meter that stands in gas cures nothing:
        // a cause that is more likely than not takes the fact to its own list.
        FactKind::DriveSaturated => {
            let likely = [ListKind::Gas, ListKind::Clean, ListKind::Electrical];
            let causes = likely.into_iter().find(|&list| {
                let (_, probability) = likeliest(list, &verdict.probabilities);
                probability >= 0.5
            });
            causes.unwrap_or(ListKind::Pull)
        }
    }
}

/// Every list that a verdict could be on, `check_now` for risk excepted: that one waits until
/// the other lists are made.
pub(crate) fn candidates_of<'a>(verdict: &'a Verdict, records: &'a Records) -> Vec<Candidate<'a>> {
    let meter = records.meters.get(&verdict.meter);
    let mut candidates = Vec::new();
    for list in ListKind::ALL {
        let facts: Vec<&Fact> =
            verdict.facts.iter().filter(|fact| list_of_fact(fact, verdict) == list).collect();
        let p = &verdict.probabilities;
        let judged = verdict.state != JudgedState::NotJudged;
        let main = judged && main_list(p) == list;
        let (mode, probability) = match (judged, main && list == ListKind::Unexplained) {
            (false, _) => (Hypothesis::Unknown, f64::NAN),
            // The cause is open: the likeliest is named all the same.
            (true, true) => likeliest_fault(p),
            (true, false) => likeliest(list, p),
        };
        let right = if judged { chance_right(list, main, p) } else { f64::NAN };
        let carried = list != ListKind::CheckNow && right >= WORTH_CARRYING;
        if carried || !facts.is_empty() {
            let mode = if facts.is_empty() { mode } else { mode_of_facts(list, mode, probability) };
            candidates.push(Candidate {
                list,
                verdict,
                meter,
                mode,
                probability,
                right,
                main,
                facts,
                notice: None,
                members: Vec::new(),
            });
        }
    }
    candidates
}

/// What to call the cause of a fact: the likeliest mode when it is more likely than not, else
/// what the fact itself says and no more.
fn mode_of_facts(list: ListKind, mode: Hypothesis, probability: f64) -> Hypothesis {
    match list {
        _ if probability >= 0.5 => mode,
        ListKind::ReZero => Hypothesis::ZeroDrift,
        ListKind::MendData => Hypothesis::Data,
        ListKind::CheckNow => Hypothesis::NoChange,
        _ => Hypothesis::Unknown,
    }
}

/// A check for risk: what a check could see is likely enough to ask, and no other list asks
/// for more.
pub(crate) fn risk_of<'a>(
    verdict: &'a Verdict,
    records: &'a Records,
    settings: &Settings,
) -> Option<Candidate<'a>> {
    if verdict.state == JudgedState::NotJudged {
        return None;
    }
    let chance = chance(ListKind::CheckNow, &verdict.probabilities);
    if chance.is_nan() || chance < settings.check_probability {
        return None;
    }
    let (mode, probability) = likeliest(ListKind::CheckNow, &verdict.probabilities);
    Some(Candidate {
        list: ListKind::CheckNow,
        verdict,
        meter: records.meters.get(&verdict.meter),
        mode,
        probability,
        right: chance,
        main: false,
        facts: Vec::new(),
        notice: None,
        members: Vec::new(),
    })
}
