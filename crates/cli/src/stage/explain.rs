//! Why a meter is listed, or why not.

use crate::message::Message;
use crate::stage::night::Night;
use metersift_model::verdict::JudgedState;
use metersift_model::watch_list::WithheldWhy;
use metersift_model::{Hypothesis, Verdict};
use std::fmt::Write as _;

/// The evidence on one meter, listed or not.
pub fn run(night: &Night, meter: &str) -> Result<String, Message> {
    let verdict =
        night.verdicts.iter().find(|verdict| verdict.meter == meter).ok_or_else(|| {
            let alike: Vec<&str> = night
                .verdicts
                .iter()
                .map(|verdict| verdict.meter.as_str())
                .filter(|name| name.to_lowercase().contains(&meter.to_lowercase()))
                .take(5)
                .collect();
            let message = Message::could_not_start("no such meter in the register")
                .at(format!("read `{meter}`"));
            if alike.is_empty() {
                message
            } else {
                message.hint(format!("did you mean {}?", alike.join(", ")))
            }
        })?;
    let mut out = String::new();
    let _ = writeln!(
        out,
        "{} ({}, stream {}), as of {}",
        verdict.meter, verdict.service, verdict.stream, verdict.as_of
    );
    let _ = writeln!(out, "{}", verdict.reason);
    listed(&mut out, night, verdict);
    if verdict.state != JudgedState::NotJudged {
        probabilities(&mut out, verdict);
        evidence(&mut out, verdict);
    }
    for fact in &verdict.facts {
        let _ = writeln!(out, "measured: {}", fact.text);
    }
    blind(&mut out, verdict);
    if !verdict.next_test.is_empty() {
        let _ = writeln!(out, "what would settle it: {}", verdict.next_test);
    }
    let _ = writeln!(
        out,
        "The lists screen, they approve nothing: local codes, site permits and licensed practice decide."
    );
    Ok(out)
}

fn listed(out: &mut String, night: &Night, verdict: &Verdict) {
    let mut any = false;
    for entry in night.lists.entries.iter().filter(|entry| {
        entry.rank > 0
            && (entry.meter == verdict.meter || entry.group_members.contains(&verdict.meter))
    }) {
        any = true;
        let _ = writeln!(
            out,
            "listed: {}, rank {}: {}",
            entry.list.words(),
            entry.rank,
            entry.evidence
        );
        let _ = writeln!(out, "next step: {}", entry.next_step);
        for caution in &entry.cautions {
            let _ = writeln!(out, "caution: {caution}");
        }
    }
    if any {
        return;
    }
    let why = night.lists.withheld.iter().find(|one| one.meter == verdict.meter);
    match why {
        Some(one) => {
            let why = match one.why {
                WithheldWhy::Budget => "it would take the list over its budget of false entries",
                WithheldWhy::Nights => "it has not yet stood out on enough of the last nights",
            };
            let _ = writeln!(
                out,
                "not listed: {} has probability {:.2}, but {why}",
                one.mode.words(),
                one.probability.min(0.99)
            );
        }
        None if verdict.state == JudgedState::NotJudged => {
            let _ = writeln!(out, "not judged");
        }
        None => {
            let _ = writeln!(
                out,
                "quiet: the likeliest fault, {}, has probability {:.2}",
                verdict.mode.words(),
                verdict.probability.min(0.99)
            );
        }
    }
}

fn probabilities(out: &mut String, verdict: &Verdict) {
    let mut order = Hypothesis::ALL;
    let p = |h: Hypothesis| verdict.probabilities[h.index()];
    order.sort_by(|&a, &b| p(b).total_cmp(&p(a)));
    let _ = writeln!(out, "probabilities (not calibrated on this site):");
    for hypothesis in order {
        let share = p(hypothesis).min(0.99);
        let bar = "#".repeat((share * 40.0).round() as usize);
        let _ = writeln!(out, "  {:<18} {share:>5.2} {bar}", hypothesis.words());
    }
}

fn evidence(out: &mut String, verdict: &Verdict) {
    if verdict.evidence.is_empty() {
        return;
    }
    let _ = writeln!(
        out,
        "{:<18} {:>12} {:>10} {:<10} {:<11} {:>12} {:>12}",
        "observable", "change", "std error", "unit", "since", "vs runner-up", "vs no change"
    );
    for one in &verdict.evidence {
        let _ = writeln!(
            out,
            "{:<18} {:>12.4} {:>10.4} {:<10} {:<11} {:>12.2} {:>12.2}",
            one.observable,
            one.change,
            one.se,
            one.unit,
            one.since.map_or("-".into(), |day| day.to_string()),
            one.over_runner_up,
            one.over_no_change
        );
    }
    let _ = writeln!(
        out,
        "(the last two columns are powers of ten; positive speaks for the likeliest mode)"
    );
}

fn blind(out: &mut String, verdict: &Verdict) {
    for spot in &verdict.blind_spots {
        let _ = match spot.smallest_visible {
            Some(size) => writeln!(
                out,
                "could not have seen {} below {size:.2} {}",
                spot.mode.words(),
                spot.unit
            ),
            None => {
                writeln!(out, "blind for {}: no observable of it exists here", spot.mode.words())
            }
        };
    }
}
