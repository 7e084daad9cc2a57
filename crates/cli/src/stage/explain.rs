//! Why a meter is listed, or why not, and how far it is from being listed: on one screen.

use crate::message::Message;
use crate::stage::night::Night;
use metersift_model::verdict::{JudgedState, ObservableEvidence};
use metersift_model::watch_list::WithheldWhy;
use metersift_model::{Day, Hypothesis, ListKind, Verdict};
use std::fmt::Write as _;

/// Days that the data line looks back on.
const COVERAGE_DAYS: i32 = 60;
/// Probabilities below this share one line.
const WORTH_A_LINE: f64 = 0.005;
/// Observables that speak less than this (power of ten) either way share one line.
const WORTH_A_ROW: f64 = 0.05;
/// Observables with a line of their own, at most.
const ROWS: usize = 10;
/// Factors beyond this say no more than that they are large.
const LARGEST_FACTOR: f64 = 1e6;

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
        out.push_str(&distance(verdict, &night.lists.entry_probability));
    }
    coverage(&mut out, night, verdict);
    peers(&mut out, night, verdict);
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
    // Entries of two lists share most of their cautions: each is told once.
    let mut cautions: Vec<&str> = Vec::new();
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
            if !cautions.contains(&caution.as_str()) {
                cautions.push(caution);
            }
        }
    }
    if !cautions.is_empty() {
        let _ = writeln!(out, "cautions: {}", cautions.join(" "));
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

/// How far the likeliest mode that some list asks for is from the entry of that list.
fn distance(verdict: &Verdict, entry_probability: &[f64; 8]) -> String {
    let chance = |mode: Hypothesis| verdict.probabilities[mode.index()];
    let asks = |mode: Hypothesis| Some((mode, metersift_rank::list_of(mode)?));
    // A process change asks for no list: then the likeliest mode that does.
    let asking = asks(verdict.mode).or_else(|| {
        Hypothesis::ALL
            .into_iter()
            .filter_map(asks)
            .reduce(|best, next| if chance(next.0) > chance(best.0) { next } else { best })
    });
    let Some((mode, list)) = asking else { return String::new() };
    let place = ListKind::ALL.iter().position(|kind| *kind == list).unwrap_or_default();
    let (p, entry) = (chance(mode), entry_probability[place]);
    let what =
        format!("distance: {} {:.2}, entry to `{}`", mode.words(), p.min(0.99), list.words());
    if entry.is_nan() || entry >= 1.0 {
        return format!("{what} shut to any probability tonight\n");
    }
    let odds = |p: f64| p / (1.0 - p);
    let (needs, entry_shown) = (odds(entry) / odds(p), entry.min(0.99));
    match p >= entry {
        true => format!(
            "{what} at {entry_shown:.2}: {:.2} above; odds {} those that entry needs\n",
            p - entry,
            times(1.0 / needs)
        ),
        false => format!(
            "{what} at {entry_shown:.2}: {:.2} short; odds must become {} what they are\n",
            entry - p,
            times(needs)
        ),
    }
}

fn times(factor: f64) -> String {
    match factor {
        f if f.is_nan() || f > LARGEST_FACTOR => "more than a million times".into(),
        f if f >= 10.0 => format!("{f:.0} times"),
        f => format!("{f:.1} times"),
    }
}

/// Days with any sample, and days with steady density, of the last weeks.
fn coverage(out: &mut String, night: &Night, verdict: &Verdict) {
    let from = night.as_of.plus(-COVERAGE_DAYS);
    let daily = &night.daily;
    let (Some(meters), Some(days)) = (daily.texts("meter"), daily.days("day")) else { return };
    let density = daily.numbers("density_kg_m3");
    let of_meter = |row: &usize| {
        meters[*row].as_deref() == Some(verdict.meter.as_str())
            && days[*row].is_some_and(|day: Day| day >= from && day < night.as_of)
    };
    let rows: Vec<usize> = (0..daily.n_rows()).filter(of_meter).collect();
    let steady = rows.iter().filter(|&&row| density.is_some_and(|values| values[row].is_finite()));
    let _ = writeln!(
        out,
        "data: {} of the last {COVERAGE_DAYS} days with samples, {} with steady density",
        rows.len(),
        steady.count()
    );
}

/// Other meters of the stream, and how many of them the same explanation fits best.
fn peers(out: &mut String, night: &Night, verdict: &Verdict) {
    if verdict.stream.is_empty() {
        let _ = writeln!(out, "peers: no stream in the register, so none");
        return;
    }
    let peers: Vec<&Verdict> = night
        .verdicts
        .iter()
        .filter(|peer| peer.stream == verdict.stream && peer.meter != verdict.meter)
        .collect();
    let judged: Vec<Hypothesis> = peers.iter().filter_map(|peer| likeliest(peer)).collect();
    let group = verdict.group.as_ref().map_or(String::new(), |name| {
        format!(
            "; moves alike with group {name}{}",
            if verdict.exceeds_group { ", and beyond it" } else { "" }
        )
    });
    let _ = match likeliest(verdict) {
        Some(own) => writeln!(
            out,
            "peers: {} on stream {}, {} judged, {} of them agree on {}{group}",
            peers.len(),
            verdict.stream,
            judged.len(),
            judged.iter().filter(|&&theirs| theirs == own).count(),
            own.words()
        ),
        None => writeln!(
            out,
            "peers: {} on stream {}, {} judged{group}",
            peers.len(),
            verdict.stream,
            judged.len()
        ),
    };
}

/// The likeliest explanation of all, no change included; `None` when not judged.
fn likeliest(verdict: &Verdict) -> Option<Hypothesis> {
    let chance = |mode: Hypothesis| verdict.probabilities[mode.index()];
    Hypothesis::ALL
        .into_iter()
        .filter(|&mode| verdict.state != JudgedState::NotJudged && chance(mode).is_finite())
        .reduce(|best, next| if chance(next) > chance(best) { next } else { best })
}

fn probabilities(out: &mut String, verdict: &Verdict) {
    let mut order = Hypothesis::ALL;
    let p = |h: Hypothesis| verdict.probabilities[h.index()];
    order.sort_by(|&a, &b| p(b).total_cmp(&p(a)));
    let _ = writeln!(out, "probabilities ({}):", verdict.calibrated.words());
    let (shown, small): (Vec<Hypothesis>, Vec<Hypothesis>) =
        order.into_iter().partition(|&hypothesis| p(hypothesis) >= WORTH_A_LINE);
    for hypothesis in shown {
        let share = p(hypothesis).min(0.99);
        let bar = "#".repeat((share * 40.0).round() as usize);
        let _ = writeln!(out, "  {:<18} {share:>5.2} {bar}", hypothesis.words());
    }
    if !small.is_empty() {
        let names: Vec<&str> = small.into_iter().map(Hypothesis::words).collect();
        let _ = writeln!(out, "  below {WORTH_A_LINE} each: {}", names.join(", "));
    }
}

fn evidence(out: &mut String, verdict: &Verdict) {
    let loudness =
        |one: &ObservableEvidence| one.over_runner_up.abs().max(one.over_no_change.abs());
    let mut all: Vec<&ObservableEvidence> = verdict.evidence.iter().collect();
    all.sort_by(|a, b| {
        loudness(b).total_cmp(&loudness(a)).then_with(|| a.observable.cmp(&b.observable))
    });
    let speaking = all.iter().take(ROWS).take_while(|one| loudness(one) >= WORTH_A_ROW).count();
    let (speaking, silent) = all.split_at(speaking);
    if !speaking.is_empty() {
        let _ = writeln!(
            out,
            "{:<18} {:>11} {:>11} {:<22} {:<11} {:>13} {:>13}",
            "observable", "change", "std error", "unit", "since", "vs runner-up", "vs no change"
        );
    }
    for one in speaking {
        let _ = writeln!(
            out,
            "{:<18} {:>11} {:>11} {:<22} {:<11} {:>13.2} {:>13.2}",
            one.observable,
            figure(one.change),
            figure(one.se),
            one.unit,
            one.since.map_or("-".into(), |day| day.to_string()),
            one.over_runner_up,
            one.over_no_change
        );
    }
    if !speaking.is_empty() {
        let _ = writeln!(
            out,
            "(the last two columns are powers of ten; positive speaks for {})",
            verdict.mode.words()
        );
    }
    if !silent.is_empty() {
        let names: Vec<&str> = silent.iter().map(|one| one.observable.as_str()).collect();
        let _ = writeln!(out, "hardly speak either way: {}", names.join(", "));
    }
}

fn figure(value: f64) -> String {
    if value.is_finite() { format!("{value:.4}") } else { "-".into() }
}

fn blind(out: &mut String, verdict: &Verdict) {
    let spots = &verdict.blind_spots;
    let below: Vec<String> = spots
        .iter()
        .filter_map(|spot| {
            let size = spot.smallest_visible?;
            Some(format!("{} {size:.2} {}", spot.mode.words(), spot.unit))
        })
        .collect();
    let none: Vec<&str> = spots
        .iter()
        .filter(|spot| spot.smallest_visible.is_none())
        .map(|spot| spot.mode.words())
        .collect();
    if !below.is_empty() {
        let _ = writeln!(out, "could not have seen less than: {}", below.join("; "));
    }
    if !none.is_empty() {
        let _ = writeln!(out, "blind, no observable exists here: {}", none.join(", "));
    }
}

#[cfg(test)]
mod tests {
    use super::times;

    #[test]
    fn factors_are_told_with_two_digits_and_never_as_infinite() {
        assert_eq!(times(1.26), "1.3 times");
        assert_eq!(times(99.9), "100 times");
        assert_eq!(times(f64::INFINITY), "more than a million times");
        assert_eq!(times(f64::NAN), "more than a million times");
    }
}
