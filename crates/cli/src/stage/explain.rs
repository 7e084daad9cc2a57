//! Why a meter is listed, or why not, and how far it is from being listed: on one screen.

use crate::exit::Exit;
use crate::message::Message;
use crate::site::Site;
use crate::stage::night::Night;
use metersift_model::verdict::{JudgedState, ObservableEvidence};
use metersift_model::watch_list::WithheldWhy;
use metersift_model::{Day, Hypothesis, ListKind, Verdict, WatchListEntry};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

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
    let verdict = verdict_of(night, meter)?;
    let mut out = String::new();
    let _ = writeln!(
        out,
        "{} ({}, stream {}), as of {}",
        verdict.meter, verdict.service, verdict.stream, verdict.as_of
    );
    let _ = writeln!(out, "{}", verdict.reason);
    for (term, words) in listed(night, verdict).into_iter().chain(standing(night, verdict)) {
        let _ = writeln!(out, "{term}: {words}");
    }
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

/// Writes the meter's page and says where it is. A file is numbered by the meter's place in the
/// register: no name of a meter ever becomes a path.
pub fn write_page(
    site: &Site,
    night: &Night,
    meter: &str,
    place: Option<PathBuf>,
) -> Result<String, Message> {
    let verdict = verdict_of(night, meter)?;
    let mut standing = standing(night, verdict);
    if !is_listed(night, verdict) {
        standing.splice(0..0, listed(night, verdict));
    }
    let page = metersift_report::meter_page(&night.report_input(site), meter, &standing)
        .ok_or_else(|| Message::could_not_start("no verdict on this meter"))?;
    let place = match place {
        Some(place) => place,
        None => {
            let number = night.records.meters.keys().take_while(|name| *name != meter).count() + 1;
            let folder = site.out_dir().join(night.as_of.to_string()).join("explain");
            folder.join(format!("{number:04}.html"))
        }
    };
    let refused = |error: std::io::Error| {
        Message::new(Exit::Failed, "the page could not be written")
            .at(format!("at {}: {error}", place.display()))
    };
    let folder = place.parent().filter(|folder| !folder.as_os_str().is_empty());
    let folder = folder.unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder).map_err(refused)?;
    // Readers see the old page or the new one, never half of one.
    let staged = place.with_extension("html.new");
    std::fs::write(&staged, page).map_err(refused)?;
    std::fs::rename(&staged, &place).map_err(refused)?;
    Ok(format!("{}\n", place.display()))
}

fn verdict_of<'a>(night: &'a Night, meter: &str) -> Result<&'a Verdict, Message> {
    night.verdicts.iter().find(|verdict| verdict.meter == meter).ok_or_else(|| {
        let alike: Vec<&str> = night
            .verdicts
            .iter()
            .map(|verdict| verdict.meter.as_str())
            .filter(|name| name.to_lowercase().contains(&meter.to_lowercase()))
            .take(5)
            .collect();
        let message =
            Message::could_not_start("no such meter in the register").at(format!("read `{meter}`"));
        if alike.is_empty() {
            message
        } else {
            message.hint(format!("did you mean {}?", alike.join(", ")))
        }
    })
}

/// What is said of a meter beside its entries: how far it is from a list, on what data, beside
/// which peers, and what it would take.
fn standing(night: &Night, verdict: &Verdict) -> Vec<(&'static str, String)> {
    let mut lines = Vec::new();
    if verdict.state != JudgedState::NotJudged {
        lines.extend(distance(verdict, &night.lists.entry_probability));
        lines.extend(would_take(verdict));
    }
    lines.extend(coverage(night, verdict));
    lines.push(("peers", peers(night, verdict)));
    lines
}

fn entries_of<'a>(
    night: &'a Night,
    verdict: &'a Verdict,
) -> impl Iterator<Item = &'a WatchListEntry> {
    night.lists.entries.iter().filter(|entry| {
        entry.rank > 0
            && (entry.meter == verdict.meter || entry.group_members.contains(&verdict.meter))
    })
}

fn is_listed(night: &Night, verdict: &Verdict) -> bool {
    entries_of(night, verdict).next().is_some()
}

/// The entries of a meter with next steps and cautions, or why it has none.
fn listed(night: &Night, verdict: &Verdict) -> Vec<(&'static str, String)> {
    let mut lines = Vec::new();
    // Entries of two lists share most of their cautions: each is told once.
    let mut cautions: Vec<&str> = Vec::new();
    for entry in entries_of(night, verdict) {
        lines.push((
            "listed",
            format!("{}, rank {}: {}", entry.list.words(), entry.rank, entry.evidence),
        ));
        lines.push(("next step", entry.next_step.clone()));
        for caution in &entry.cautions {
            if !cautions.contains(&caution.as_str()) {
                cautions.push(caution);
            }
        }
    }
    if !cautions.is_empty() {
        lines.push(("cautions", cautions.join(" ")));
    }
    if lines.is_empty() {
        lines.push(not_listed(night, verdict));
    }
    lines
}

fn not_listed(night: &Night, verdict: &Verdict) -> (&'static str, String) {
    let why = night.lists.withheld.iter().find(|one| one.meter == verdict.meter);
    match why {
        Some(one) => {
            let why = match one.why {
                WithheldWhy::Budget => "it would take the list over its budget of false entries",
                WithheldWhy::Nights => "it has not yet stood out on enough of the last nights",
            };
            let (mode, p) = (one.mode.words(), one.probability.min(0.99));
            ("not listed", format!("{mode} has probability {p:.2}, but {why}"))
        }
        None if verdict.state == JudgedState::NotJudged => {
            ("not judged", "no list can hold it, and nothing is said about it".into())
        }
        None => {
            let (mode, p) = (verdict.mode.words(), verdict.probability.min(0.99));
            ("quiet", format!("the likeliest fault, {mode}, has probability {p:.2}"))
        }
    }
}

/// How far the likeliest mode that some list asks for is from the entry of that list.
fn distance(verdict: &Verdict, entry_probability: &[f64; 8]) -> Option<(&'static str, String)> {
    let chance = |mode: Hypothesis| verdict.probabilities[mode.index()];
    let asks = |mode: Hypothesis| Some((mode, metersift_rank::list_of(mode)?));
    // A process change asks for no list: then the likeliest mode that does.
    let asking = asks(verdict.mode).or_else(|| {
        Hypothesis::ALL
            .into_iter()
            .filter_map(asks)
            .reduce(|best, next| if chance(next.0) > chance(best.0) { next } else { best })
    });
    let (mode, list) = asking?;
    let place = ListKind::ALL.iter().position(|kind| *kind == list).unwrap_or_default();
    let (p, entry) = (chance(mode), entry_probability[place]);
    let what = format!("{} {:.2}, entry to `{}`", mode.words(), p.min(0.99), list.words());
    if entry.is_nan() || entry >= 1.0 {
        return Some(("distance", format!("{what} shut to any probability tonight")));
    }
    let odds = |p: f64| p / (1.0 - p);
    let (needs, entry_shown) = (odds(entry) / odds(p), entry.min(0.99));
    let words = match p >= entry {
        true => format!(
            "{what} at {entry_shown:.2}: {:.2} above; odds {} those that entry needs",
            p - entry,
            times(1.0 / needs)
        ),
        false => format!(
            "{what} at {entry_shown:.2}: {:.2} short; odds must become {} what they are",
            entry - p,
            times(needs)
        ),
    };
    Some(("distance", words))
}

/// The size at which the likeliest mode would have been listed, beside the size now.
fn would_take(verdict: &Verdict) -> Option<(&'static str, String)> {
    let spot = verdict.blind_spots.iter().find(|spot| spot.mode == verdict.mode)?;
    let mode = verdict.mode.words();
    let Some(size) = spot.smallest_visible else {
        return Some(("it would take", format!("an observable of {mode}: this meter has none")));
    };
    let now = verdict.severity.as_ref().filter(|severity| severity.size.mid.is_finite());
    let now = now.map_or(String::new(), |severity| {
        let size = severity.size;
        format!("; if it is {mode}, it is {:.2} ({:.2} to {:.2})", size.mid, size.low, size.high)
    });
    let words = format!("{size:.2} {} of {mode} to be listed with 80 % chance{now}", spot.unit);
    Some(("it would take", words))
}

fn times(factor: f64) -> String {
    match factor {
        f if f.is_nan() || f > LARGEST_FACTOR => "more than a million times".into(),
        f if f >= 10.0 => format!("{f:.0} times"),
        f => format!("{f:.1} times"),
    }
}

/// Days with any sample, and days with steady density, of the last weeks.
fn coverage(night: &Night, verdict: &Verdict) -> Option<(&'static str, String)> {
    let from = night.as_of.plus(-COVERAGE_DAYS);
    let daily = &night.daily;
    let (meters, days) = (daily.texts("meter")?, daily.days("day")?);
    let density = daily.numbers("density_kg_m3");
    let of_meter = |row: &usize| {
        meters[*row].as_deref() == Some(verdict.meter.as_str())
            && days[*row].is_some_and(|day: Day| day >= from && day < night.as_of)
    };
    let rows: Vec<usize> = (0..daily.n_rows()).filter(of_meter).collect();
    let steady = rows.iter().filter(|&&row| density.is_some_and(|values| values[row].is_finite()));
    let words = format!(
        "{} of the last {COVERAGE_DAYS} days with samples, {} with steady density",
        rows.len(),
        steady.count()
    );
    Some(("data", words))
}

/// Other meters of the stream, and how many of them the same explanation fits best.
fn peers(night: &Night, verdict: &Verdict) -> String {
    if verdict.stream.is_empty() {
        return "no stream in the register, so none".into();
    }
    let peers: Vec<&Verdict> = night
        .verdicts
        .iter()
        .filter(|peer| peer.stream == verdict.stream && peer.meter != verdict.meter)
        .collect();
    let judged: Vec<Hypothesis> = peers.iter().filter_map(|peer| likeliest(peer)).collect();
    let group = verdict.group.as_ref().map_or(String::new(), |name| {
        let beyond = if verdict.exceeds_group { ", and beyond it" } else { "" };
        format!("; moves alike with group {name}{beyond}")
    });
    let count = format!("{} on stream {}, {} judged", peers.len(), verdict.stream, judged.len());
    match likeliest(verdict) {
        Some(own) => {
            let agree = judged.iter().filter(|&&theirs| theirs == own).count();
            format!("{count}, {agree} of them agree on {}{group}", own.words())
        }
        None => format!("{count}{group}"),
    }
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
