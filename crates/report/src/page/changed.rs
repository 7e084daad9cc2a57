//! What changed since the night before, and why: the first thing that anybody asks at seven.

use super::format::{percent, plural};
use super::{Page, signs};
use crate::since::Since;
use maud::{Markup, html};
use metersift_model::ListKind;
use metersift_model::watch_list::{EntryChange, WatchListEntry};

/// Entries that only changed their number, named at most: each row of a list says it as well.
const NAMED: usize = 6;

/// The section.
pub(crate) fn what_changed(page: &Page<'_>) -> Markup {
    let entries = &page.input.lists.entries;
    let of = |change: EntryChange| -> Vec<&WatchListEntry> {
        entries.iter().filter(|e| e.change == change && !e.accepted).collect()
    };
    let accepted = entries.iter().filter(|e| e.accepted).count();
    let kinds = [EntryChange::New, EntryChange::Worse, EntryChange::Better, EntryChange::Gone];
    let first_night = page.input.lists.before.is_none();
    html! {
        section id="changed" {
            h2 { "What changed, and why" }
            @if first_night { p { "First lists of this site: there is nothing to compare with." } }
            @else {
                @if let Some(since) = page.input.since { (inputs(since)) }
                @if kinds.iter().all(|kind| of(*kind).is_empty()) { p { "No entry is new, worse, better or gone." } }
                @else {
                    table class="over wide" {
                        thead { tr { th { "change" } th { "meter" } th { "list" } th { "what, and why" } } }
                        tbody { @for kind in kinds { (rows(page, kind, &of(kind))) } }
                    }
                }
                (moves(page))
            }
            @if accepted > 0 { p class="fine" { (plural(accepted, "entry is", "entries are")) " accepted by the team and hidden; each comes back when its date is past or it worsens." } }
        }
    }
}

/// Entries of one list that changed alike and for the same reasons share a row.
fn rows(page: &Page<'_>, kind: EntryChange, entries: &[&WatchListEntry]) -> Markup {
    let mut alike: Vec<(ListKind, String, Vec<&WatchListEntry>)> = Vec::new();
    for entry in entries {
        let mut why = page.input.since.map_or(Vec::new(), |s| s.reasons(entry)).join(", ");
        if matches!(kind, EntryChange::New | EntryChange::Worse) {
            let separator = if why.is_empty() { "" } else { "; because of " };
            why = format!("{}{separator}{why}", what(entry));
        }
        if kind == EntryChange::Gone && !entry.evidence.is_empty() {
            let separator = if why.is_empty() { "" } else { ". " };
            why = format!("{why}{separator}{}", entry.evidence);
        }
        match alike.iter_mut().find(|(list, words, _)| *list == entry.list && *words == why) {
            Some((.., same)) => same.push(entry),
            None => alike.push((entry.list, why, vec![entry])),
        }
    }
    html! {
        @for (list, why, same) in &alike {
            tr {
                td { (signs::change(kind.name())) }
                th scope="row" {
                    @for (index, entry) in same.iter().enumerate() { @if index > 0 { ", " } (page.link(&entry.meter)) }
                }
                td { (list.words()) }
                td { (why) }
            }
        }
    }
}

/// What an entry is about, in half a sentence: "new samples" came of every meter and tell nobody
/// why this one is new.
fn what(entry: &WatchListEntry) -> String {
    if let Some(probability) = entry.probability {
        return format!("{} {}", entry.mode.words(), percent(probability));
    }
    let first = entry.evidence.split(". ").next().unwrap_or_default().trim_end_matches('.');
    let first = first.strip_prefix("Measured: ").unwrap_or(first);
    if first.is_empty() { "measured".into() } else { format!("measured: {first}") }
}

/// What came in between the two nights, in the words that the reasons use.
fn inputs(since: &Since) -> Markup {
    let Some(before) = since.as_of else { return html! {} };
    html! {
        p {
            "Between the lists of " (before) " and tonight: "
            @if since.meters.is_none() { "the earlier night did not keep its inputs, so no cause can be named. " }
            @else {
                b { "new samples" } " of " (plural(since.count(|m| m.new_samples), "meter", "meters")) "; "
                b { "late samples" } " of " (plural(since.count(|m| !m.late_samples.is_empty()), "meter", "meters"))
                @if !since.late_dumps.is_empty() { " (" (since.late_dumps.join("; ")) ")" }
                "; " b { "new records" } " of " (plural(since.count(|m| m.new_records), "meter", "meters")) "; "
                b { "changed settings" } ": "
                @if since.settings.is_empty() { "none" } @else { (since.settings.join("; ")) }
                "; " b { "changed program" } ": "
                @match &since.program_before { Some(before) => { "was " (before) }, None => "no" }
                "."
            }
        }
    }
}

/// Entries that kept their place and have another number, those with one cause together.
fn moves(page: &Page<'_>) -> Markup {
    let Some(since) = page.input.since else { return html! {} };
    let lists = page.input.lists;
    let mut causes: Vec<(ListKind, String, Vec<&str>)> = Vec::new();
    for entry in lists.entries.iter().filter(|entry| entry.rank > 0) {
        let Some(moved) = since.moved(lists, entry).filter(|moved| !moved.because.is_empty())
        else {
            continue;
        };
        let why = moved.why();
        match causes.iter_mut().find(|(list, other, _)| *list == entry.list && *other == why) {
            Some((.., meters)) => meters.push(&entry.meter),
            None => causes.push((entry.list, why, vec![&entry.meter])),
        }
    }
    html! {
        @if !causes.is_empty() {
            p class="fine np" {
                "Another number, but not another place: "
                @for (index, (list, why, meters)) in causes.iter().enumerate() {
                    @if index > 0 { "; " }
                    (list.words().to_lowercase()) ", only because " (why) ": "
                    @for (index, meter) in meters.iter().take(NAMED).enumerate() {
                        @if index > 0 { ", " }
                        (page.link(meter))
                    }
                    @if meters.len() > NAMED { " and " (meters.len() - NAMED) " more" }
                }
                "."
            }
        }
    }
}

/// How the number of an entry moved, for its row.
pub(crate) fn moved(page: &Page<'_>, entry: &WatchListEntry) -> String {
    let moved = page.input.since.and_then(|since| since.moved(page.input.lists, entry));
    moved.map_or(String::new(), |moved| moved.words())
}
