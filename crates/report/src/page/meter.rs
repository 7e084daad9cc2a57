//! One section per listed meter: why, what next, what would prove it wrong, and the pictures.

use super::axis::TimeAxis;
use super::bars;
use super::format::{days_left, number, percent, pretty_unit, quantity, severity};
use super::panels::{Panel, change_day, panels};
use super::picture::{Event, figure};
use super::trace::quoted;
use super::{Page, signs};
use maud::{Markup, html};
use metersift_model::verdict::JudgedState;
use metersift_model::{Verdict, WatchListEntry};

/// Days of history drawn at most.
const LONGEST_VIEW: i32 = 730;
/// Events drawn at most, one letter each; older ones are left to the records.
const EVENTS: usize = 20;

/// The section of a listed meter.
pub(crate) fn section(page: &Page<'_>, meter: &str, index: usize) -> Markup {
    let Some(verdict) = page.verdicts.get(meter) else { return html! {} };
    html! {
        section class="meter" id={ "m" (index) } {
            h2 { (meter) }
            (body(page, verdict, &[]))
            p class="up" { a href="#lists" { "\u{2191} lists" } }
        }
    }
}

/// The only section of a page about one meter, listed or not.
pub(crate) fn lone_section(
    page: &Page<'_>,
    verdict: &Verdict,
    standing: &[(&str, String)],
) -> Markup {
    html! { section class="meter" id="m0" { h2 { (verdict.meter) } (body(page, verdict, standing)) } }
}

fn body(page: &Page<'_>, verdict: &Verdict, standing: &[(&str, String)]) -> Markup {
    let meter = verdict.meter.as_str();
    let of_meter = |e: &&WatchListEntry| match e.group_members.as_slice() {
        [] => e.meter == meter,
        members => members.iter().any(|m| m == meter),
    };
    let entries = &page.input.lists.entries;
    let entries: Vec<&WatchListEntry> =
        entries.iter().filter(|e| e.rank > 0).filter(of_meter).collect();
    html! {
        p class="sub" { (about(page, verdict)) }
        @for entry in &entries { (entry_block(page, verdict, entry)) }
        @if !standing.is_empty() {
            div class="entry" { dl { @for (term, words) in standing { dt { (term) } dd { (words) } } } }
        }
        (cautions(&entries))
        (pictures(page, verdict))
        (evidence(verdict))
        (limits_of_sight(verdict))
    }
}

/// Service, stream, what the register says, on one line.
fn about(page: &Page<'_>, verdict: &Verdict) -> Markup {
    let meter = page.input.records.meters.get(&verdict.meter);
    html! {
        (verdict.service) @if !verdict.stream.is_empty() { " \u{00B7} stream " (verdict.stream) }
        @if let Some(meter) = meter {
            @if let Some(size) = meter.nominal_diameter_mm { " \u{00B7} DN " (number(size)) }
            " \u{00B7} criticality " (meter.criticality)
            @if meter.custody { " \u{00B7} custody" }
            @if meter.safety_function { " \u{00B7} safety function" }
        }
        @if let Some(flow) = verdict.usual_flow_kg_h { " \u{00B7} usual flow " (quantity(flow, "kg/h")) }
        @match verdict.state {
            JudgedState::Young => " \u{00B7} young: judged on a short history",
            JudgedState::NotJudged => " \u{00B7} not judged",
            JudgedState::Judged => "",
        }
    }
}

fn entry_block(page: &Page<'_>, verdict: &Verdict, entry: &WatchListEntry) -> Markup {
    let changed = page
        .input
        .since
        .map_or(String::new(), |since| crate::since::words(since, page.input.lists, entry));
    html! {
        div class="entry" {
            p class="tag" {
                (signs::ne107(entry.ne107)) " "
                b { (entry.list.words()) " no. " (entry.rank) } " "
                (signs::change(entry.change.name()))
                @match entry.probability {
                    Some(p) => { " \u{00B7} " (entry.mode.words()) " " (percent(p)) },
                    None => " \u{00B7} measured",
                }
                @if let Some(size) = &entry.severity { " \u{00B7} " (severity(size)) }
                @if let Some(days) = entry.days_left {
                    @let text = days_left(days);
                    " \u{00B7} " @if !text.starts_with("limit") { "limit: " } (text)
                }
            }
            dl {
                dt { "Evidence" } dd { (entry.evidence) }
                @if !entry.next_step.is_empty() { dt { "Next step" } dd { (entry.next_step) } }
                @if !entry.settles.is_empty() { dt { "Would prove it wrong" } dd { (entry.settles) } }
                @if let Some(limit) = limit_words(verdict) { dt { "Limit" } dd { (limit) } }
                @if !changed.is_empty() { dt { "Since last time" } dd { (entry.change.name()) ": " (changed) } }
            }
        }
    }
}

/// The limit that size and time left are held against, with its reason.
fn limit_words(verdict: &Verdict) -> Option<String> {
    let limit = verdict.limit.as_ref().filter(|limit| limit.value.is_finite())?;
    let reason = limit.reason.trim_end_matches('.');
    Some(format!("{}: {reason}", quantity(limit.value, &limit.unit)))
}

/// Cautions of all entries of the meter, each once.
fn cautions(entries: &[&WatchListEntry]) -> Markup {
    let mut said: Vec<&str> = Vec::new();
    for caution in entries.iter().flat_map(|entry| &entry.cautions) {
        if !said.contains(&caution.as_str()) {
            said.push(caution);
        }
    }
    html! { @if !said.is_empty() { p class="care" { b { "Take care. " } (said.join(" ")) } } }
}

fn pictures(page: &Page<'_>, verdict: &Verdict) -> Markup {
    let as_of = page.input.card.as_of;
    let columns = ["drive_gain_median_pct", "density_kg_m3", "zero_stabilities", "hours_flowing"];
    let first = columns
        .iter()
        .filter_map(|column| Some(page.history.points(&verdict.meter, column).first()?.0))
        .min();
    let axis = TimeAxis::new(first, as_of, LONGEST_VIEW);
    let panels = panels(page, verdict, &axis);
    if panels.is_empty() {
        return html! { p class="fine" { "No daily values to draw." } };
    }
    html! {
        (figure(&panels, &axis, &events(page, verdict, &axis), change_day(verdict)))
        (walk_back(page, verdict, &panels))
    }
}

/// Command lines that bring each drawn number back to dump and line.
fn walk_back(page: &Page<'_>, verdict: &Verdict, panels: &[Panel]) -> Markup {
    let Some(meter) = quoted(&verdict.meter) else {
        return html! { p class="fine" { "This meter's name cannot be typed at a prompt: no command lines are shown." } };
    };
    let guard = if verdict.meter.starts_with('-') { "-- " } else { "" };
    html! {
        details class="how" {
            summary { "Where these numbers come from" }
            p class="fine" { "Run in the site's folder; any day of the picture can stand for the last one." }
            ul {
                @for panel in panels.iter().filter(|panel| !panel.trace.is_empty()) {
                    @if let Some(day) = panel.traced_day {
                        li { (panel.title) ": " code { "metersift trace " (guard) (meter) " " (panel.trace) " " (day) } }
                    }
                }
                li { "Probabilities, sizes, evidence: " code { "metersift explain " (guard) (meter) " --as-of " (page.input.card.as_of) } }
            }
        }
    }
}

/// Recorded resets, cleanings and swaps inside the picture, lettered from the oldest.
fn events(page: &Page<'_>, verdict: &Verdict, axis: &TimeAxis) -> Vec<Event> {
    let changes = page.input.records.changes.get(&verdict.meter).into_iter().flatten();
    let mut dated: Vec<_> = changes
        .map(|change| (change.time.day(), change))
        .filter(|(day, _)| axis.holds(*day) && *day < axis.until)
        .map(|(day, change)| {
            let values = match (change.before.is_empty(), change.after.is_empty()) {
                (true, true) => String::new(),
                _ => format!(" {} \u{2192} {}", change.before, change.after),
            };
            (day, format!("{}{values}", change.item.replace('_', " ")))
        })
        .collect();
    dated.drain(..dated.len().saturating_sub(EVENTS));
    let letters = 'a'..='z';
    letters.zip(dated).map(|(letter, (day, text))| Event { day, letter, text }).collect()
}

fn evidence(verdict: &Verdict) -> Markup {
    if verdict.state == JudgedState::NotJudged {
        return html! { p { "Not judged: " (verdict.reason) } };
    }
    html! {
        div class="two" {
            div {
                h3 { "How likely, " (verdict.calibrated.words()) }
                (bars::probabilities(verdict))
            }
            @if !verdict.evidence.is_empty() {
                div {
                    h3 { "What speaks for and against " (verdict.mode.words()) }
                    (bars::factors(&verdict.evidence))
                }
            }
        }
        @if !verdict.facts.is_empty() {
            h3 { "Measured, whatever the cause" }
            ul {
                @for fact in &verdict.facts {
                    li {
                        (fact.text.trim_end_matches('.')) ": "
                        (quantity(fact.value, &fact.unit)) " against a limit of " (quantity(fact.limit, &fact.unit))
                        @if let Some(since) = fact.since { ", since " (since) }
                    }
                }
            }
        }
    }
}

/// What could not have been seen here, and how small a fault would have shown.
fn limits_of_sight(verdict: &Verdict) -> Markup {
    if verdict.blind_spots.is_empty() {
        return html! {};
    }
    let blind: Vec<&str> = verdict
        .blind_spots
        .iter()
        .filter(|spot| spot.smallest_visible.is_none())
        .map(|spot| spot.mode.words())
        .collect();
    html! {
        p class="fine" {
            @if !blind.is_empty() { "Blind here: " (bars::list_words(blind.into_iter())) ". " }
            "Smallest that would have been listed with 80 % chance: "
            @for (index, spot) in verdict.blind_spots.iter().filter(|s| s.smallest_visible.is_some()).enumerate() {
                @if index > 0 { ", " }
                (spot.mode.words()) " " (number(spot.smallest_visible.unwrap_or(f64::NAN))) " " (pretty_unit(&spot.unit))
            }
            "."
        }
    }
}
