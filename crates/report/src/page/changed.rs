//! What changed since the night before, and why: the first thing that anybody asks at seven.

use super::format::plural;
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
                        thead { tr { th { "change" } th { "meter" } th { "list" } th { "because of" } } }
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
                td data-k="because of" { (why) }
            }
        }
    }
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
                b { "late samples" } " of " (plural(since.count(|m| m.late_samples), "meter", "meters"))
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

/// Entries that kept their place and have another number.
fn moves(page: &Page<'_>) -> Markup {
    let Some(since) = page.input.since else { return html! {} };
    let lists = page.input.lists;
    let only_others = lists.entries.iter().filter(|entry| entry.rank > 0).filter_map(|entry| {
        let moved = since.moved(lists, entry).filter(|moved| !moved.because.is_empty())?;
        Some((entry, moved))
    });
    let only_others: Vec<_> = only_others.collect();
    html! {
        @if !only_others.is_empty() {
            p class="fine np" {
                "Another number, but not another place: "
                @for (index, (entry, moved)) in only_others.iter().take(NAMED).enumerate() {
                    @if index > 0 { "; " }
                    (page.link(&entry.meter)) " (" (entry.list.words().to_lowercase()) ") " (moved.words())
                }
                @if only_others.len() > NAMED { "; and " (only_others.len() - NAMED) " more, each said in its row" }
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
