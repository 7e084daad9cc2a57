//! What stands beside the lists: meters that move alike, data health, overdue checks, meters not
//! judged, and the quiet ones with what could not have been seen at them.

use super::Page;
use super::bars::list_words;
use super::format::{number, plural};
use maud::{Markup, html};
use metersift_model::records::CheckOutcome;
use metersift_model::verdict::{FactKind, JudgedState};
use metersift_model::watch_list::{EntryChange, WatchListEntry};
use metersift_model::{ListKind, Verdict};
use std::collections::{BTreeMap, BTreeSet};

/// Quiet meters named one by one at most; the evidence table has them all.
const QUIET_NAMED: usize = 1500;
/// Lines of one kind of trouble shown at most: what did not come is told nowhere else.
const LINES: usize = 1000;

/// Meters that changed together: one cause to look for.
pub(crate) fn groups(page: &Page<'_>) -> Markup {
    let mut groups: BTreeMap<&str, Vec<&Verdict>> = BTreeMap::new();
    for verdict in page.verdicts.values() {
        if let Some(group) = verdict.group.as_deref() {
            groups.entry(group).or_default().push(verdict);
        }
    }
    groups.retain(|_, members| members.len() > 1);
    html! {
        section {
            h2 { "Meters that move alike" }
            @if groups.is_empty() { p { "None: no common cause to look for." } }
            @for (group, members) in groups {
                p {
                    b { (group) } ": "
                    @for (index, member) in members.iter().enumerate() {
                        @if index > 0 { ", " }
                        (page.link(&member.meter)) @if member.exceeds_group { " (moves more than the others)" }
                    }
                    ". Look at the fluid and the line before any single meter."
                }
            }
        }
    }
}

/// What came, what did not, and what came in doubtful units.
pub(crate) fn data_health(page: &Page<'_>) -> Markup {
    let health = page.input.health;
    html! {
        section {
            h2 { "Data health" }
            @if health.is_empty() { p { "Nothing set aside, nothing missing." } }
            (trouble("Dumps that stopped", &health.stopped))
            (trouble("Tags that fell silent", &health.silent))
            (trouble("Tags that never came", &health.never_seen))
            (trouble("Clocks and zones to look at", &health.clocks))
            (trouble("Suspected unit or decimal steps", &health.unit_steps))
            (trouble("Not judged for 30 nights or more", &health.long_unjudged))
            (trouble("What came in", &health.sources))
        }
    }
}

fn trouble(title: &str, lines: &[String]) -> Markup {
    html! {
        @if !lines.is_empty() {
            h3 { (title) }
            ul {
                @for line in lines.iter().take(LINES) { li { (line) } }
                @if lines.len() > LINES { li { "and " (lines.len() - LINES) " more" } }
            }
        }
    }
}

/// Check intervals that have passed.
pub(crate) fn overdue(page: &Page<'_>) -> Markup {
    let mut late: Vec<_> = page
        .verdicts
        .values()
        .flat_map(|v| v.facts.iter().map(move |fact| (v, fact)))
        .filter(|(_, fact)| fact.kind == FactKind::CheckOverdue)
        .collect();
    // The longest overdue first, in shares of its interval.
    late.sort_by(|(_, a), (_, b)| (b.value / b.limit).total_cmp(&(a.value / a.limit)));
    let listed: BTreeSet<&str> =
        page.input.lists.of(ListKind::CheckNow).map(|entry| entry.meter.as_str()).collect();
    let is_listed = |verdict: &Verdict| listed.contains(verdict.meter.as_str());
    let n_listed = late.iter().filter(|(verdict, _)| is_listed(verdict)).count();
    html! {
        section {
            h2 { "Checks overdue" }
            @if late.is_empty() { p { "None." } }
            @else {
                table class=(if n_listed == late.len() { "over np" } else { "over" }) {
                    thead { tr { th { "meter" } th { "last completed check" } th class="n" { "days since" } th class="n" { "interval, days" } } }
                    tbody { @for (verdict, fact) in &late {
                        // Paper has them once: on the list that they are on.
                        tr class=[is_listed(verdict).then_some("np")] {
                            th scope="row" { (page.link(&verdict.meter)) }
                            td data-k="last completed check" { (last_check(page, &verdict.meter)) }
                            td class="n" data-k="days since" { (number(fact.value)) }
                            td class="n" data-k="interval" { (number(fact.limit)) }
                        }
                    } }
                }
                @if n_listed > 0 { p class="paper fine" { (n_listed) " of " (late.len()) " stand on the list " (ListKind::CheckNow.words()) ", with their dates on the meters' own sides." } }
            }
        }
    }
}

fn last_check(page: &Page<'_>, meter: &str) -> String {
    // An aborted check checked nothing.
    let checks = page.input.records.checks.get(meter).into_iter().flatten();
    let completed = checks.filter(|check| check.outcome != CheckOutcome::Aborted);
    let days = completed.map(|check| check.time.day()).filter(|day| *day < page.input.card.as_of);
    days.max().map_or("none recorded".into(), |day| day.to_string())
}

/// Meters that nobody can say anything about tonight, each with the reason.
pub(crate) fn not_judged(page: &Page<'_>) -> Markup {
    let silent = &page.input.lists.not_judged;
    if silent.is_empty() {
        return html! {};
    }
    html! {
        section {
            h2 { "Not judged" }
            table class="over" {
                thead { tr { th { "meter" } th { "why" } } }
                tbody { @for (meter, reason) in silent {
                    tr { th scope="row" { (page.link(meter)) } td data-k="why" { (reason) } }
                } }
            }
        }
    }
}

/// Meters without an entry, with what could not have been seen at each.
pub(crate) fn quiet(page: &Page<'_>) -> Markup {
    let lists = page.input.lists;
    let has_entry = |meter: &str| {
        let of =
            |e: &&WatchListEntry| e.meter == meter || e.group_members.iter().any(|m| m == meter);
        lists.entries.iter().filter(|e| e.change != EntryChange::Gone).any(|e| of(&e))
    };
    let mut by_sight: BTreeMap<String, Vec<&str>> = BTreeMap::new();
    for verdict in page.verdicts.values() {
        if verdict.state != JudgedState::NotJudged && !has_entry(&verdict.meter) {
            let blind = verdict.blind_spots.iter().filter(|s| s.smallest_visible.is_none());
            let blind = list_words(blind.map(|spot| spot.mode.words()));
            by_sight.entry(blind).or_default().push(&verdict.meter);
        }
    }
    let count: usize = by_sight.values().map(Vec::len).sum();
    html! {
        section {
            h2 { "Quiet" }
            p {
                (plural(count, "meter has", "meters have"))
                " no entry. Quiet means that nothing rose above the lists' odds in what could be seen, and no more."
            }
            @for (blind, meters) in &by_sight {
                p class="fine" {
                    b { @if blind.is_empty() { "No blind mode" } @else { "Blind for " (blind) } } ": "
                    (plural(meters.len(), "meter", "meters"))
                    @if count <= QUIET_NAMED { ": " (meters.join(", ")) }
                    "."
                }
            }
            @if count > QUIET_NAMED { p class="fine" { "Too many to name here; the evidence table has every one." } }
        }
    }
}
