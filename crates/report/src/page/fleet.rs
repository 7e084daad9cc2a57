//! The fleet part: counts, lists with budgets, what changed, groups, data health.

use super::bars::{list_words, observable_words};
use super::format::{counts_sentence, days_left, number, percent, plural, severity};
use super::history::Point;
use super::picture::sparkline;
use super::{Page, signs};
use crate::workbook::calibration;
use maud::{Markup, html};
use metersift_model::records::CheckOutcome;
use metersift_model::verdict::{FactKind, JudgedState};
use metersift_model::watch_list::{EntryChange, WatchListEntry, WithheldWhy};
use metersift_model::{ListKind, Verdict};
use std::collections::BTreeMap;

/// Days of a sparkline.
const SPARK_DAYS: i32 = 120;
/// Quiet meters named one by one at most; the evidence table has them all.
const QUIET_NAMED: usize = 1500;
/// Withheld candidates named at most.
const WITHHELD_NAMED: usize = 30;

/// Site, date and the line of counts.
pub(crate) fn top(page: &Page<'_>) -> Markup {
    let input = page.input;
    html! {
        header {
            p class="site" { (input.site) }
            h1 { "Watch-lists " span class="date" { "as of " (input.card.as_of) } }
            p class="counts" { b { (counts_sentence(&input.lists.counts)) } "." }
            (since_last_night(page))
            p class="fine" {
                "Made from data before " (input.card.as_of) " only. Probabilities: "
                (calibration(input.lists.calibrated))
                ". The lists screen; they prove nothing about a single meter. "
                "Run " (input.card.run) ", configuration " (input.card.config_hash)
                ", ledger " (input.card.ledger) "."
            }
        }
    }
}

/// The last night beside tonight: a list that suddenly shortens is an alarm, not good news.
fn since_last_night(page: &Page<'_>) -> Markup {
    let lists = page.input.lists;
    let Some(before) = lists.before else { return html! {} };
    let judged = lists.counts.judged + lists.counts.young;
    let listed = page.sections.len() as u32;
    let fewer_judged = f64::from(judged) < 0.9 * f64::from(before.judged);
    let shorter = before.listed >= 4 && 2 * listed < before.listed;
    html! {
        p class=(if fewer_judged || shorter { "care" } else { "fine" }) {
            @if fewer_judged { b { "Fewer meters judged than last time: look at data health first. " } }
            @if shorter { b { "The lists are less than half as long as last time. " } }
            "As of " (before.as_of) ": " (before.judged) " judged or young, " (before.listed)
            " listed; tonight " (judged) " and " (listed) "."
        }
    }
}

/// Everything above the meters.
pub(crate) fn fleet(page: &Page<'_>) -> Markup {
    html! {
        (overview(page))
        (what_changed(page))
        @for list in ListKind::ALL { (list_section(page, list)) }
        (not_on_the_lists(page))
        (groups(page))
        (data_health(page))
        (overdue(page))
        (not_judged(page))
        (quiet(page))
    }
}

/// One line per list: how many entries, how many expected false.
fn overview(page: &Page<'_>) -> Markup {
    let lists = page.input.lists;
    html! {
        section id="lists" {
            h2 { "Tonight" }
            table class="over" {
                thead { tr { th { "list" } th class="n" { "entries" } th class="n" { "new" } th class="n" { "worse" } th class="n" { "gone" } th { "expected to be false" } } }
                tbody { @for (index, list) in ListKind::ALL.into_iter().enumerate() {
                    @let of = |change: EntryChange| lists.entries.iter().filter(|e| e.list == list && e.change == change && (e.rank > 0 || change == EntryChange::Gone)).count();
                    @let entries = lists.of(list).count();
                    tr class=(if entries == 0 { "none" } else { "some" }) {
                        th scope="row" { @if entries > 0 { a href={ "#" (list.name()) } { (list.words()) } } @else { (list.words()) } }
                        td class="n" data-k="entries" { (entries) }
                        td class="n" data-k="new" { (of(EntryChange::New)) }
                        td class="n" data-k="worse" { (of(EntryChange::Worse)) }
                        td class="n" data-k="gone" { (of(EntryChange::Gone)) }
                        td data-k="false" { (budget_words(page, list, lists.expected_false[index])) }
                    }
                } }
            }
            (record(page))
            @if !page.input.summary.is_empty() {
                ul class="story" { @for line in page.input.summary { li { (line) } } }
            }
        }
    }
}

/// How many of a list's entries are expected to be false, said plainly.
fn budget_words(page: &Page<'_>, list: ListKind, expected: f64) -> String {
    let lists = page.input.lists;
    let entries = lists.of(list).count();
    let facts = lists.of(list).filter(|entry| entry.probability.is_none()).count();
    let judged = entries - facts;
    if entries == 0 {
        return "–".into();
    }
    // What was measured is not counted: it has no probability to be wrong by.
    let measured = if facts > 0 { format!("{facts} measured") } else { String::new() };
    if judged == 0 {
        return format!("no matter of odds: {measured}");
    }
    let budget = match list {
        ListKind::CheckNow => "; a check is cheap".to_string(),
        _ => format!("; budget {:.1}", lists.budget * judged as f64),
    };
    let comma = if measured.is_empty() { "" } else { "; " };
    if expected < 0.05 {
        return format!("under 0.1 of {judged}{budget}{comma}{measured}");
    }
    format!("about {expected:.1} of {judged}{budget}{comma}{measured}")
}

/// The lists' own record.
fn record(page: &Page<'_>) -> Markup {
    let record = page.input.lists.record;
    html! {
        p class="fine" {
            "Last " (record.days) " nights: "
            (plural(record.entries as usize, "entry", "entries")) " came up, " (record.settled)
            " opened or tested since, " (record.false_entries) " of them found good"
            @if let Some((low, high)) = record.false_share {
                " (false share " (percent(low)) " to " (percent(high)) ", 95 %)"
            }
            "."
        }
    }
}

fn what_changed(page: &Page<'_>) -> Markup {
    let entries = &page.input.lists.entries;
    let of = |change: EntryChange| -> Vec<&WatchListEntry> {
        entries.iter().filter(|e| e.change == change && !e.accepted).collect()
    };
    let accepted = entries.iter().filter(|e| e.accepted).count();
    let kinds = [EntryChange::New, EntryChange::Worse, EntryChange::Better, EntryChange::Gone];
    let first_night = page.input.lists.before.is_none();
    html! {
        section {
            h2 { "What changed" }
            @if first_night { p { "First lists of this site: there is nothing to compare with." } }
            @else if kinds.iter().all(|kind| of(*kind).is_empty()) { p { "Nothing since the last lists." } }
            @for kind in kinds {
                @let of_kind = of(kind);
                @if !of_kind.is_empty() && !first_night {
                    p {
                        (signs::change(kind.name())) " "
                        @for (index, entry) in of_kind.iter().enumerate() {
                            @if index > 0 { "; " }
                            (page.link(&entry.meter)) " (" (entry.list.words().to_lowercase()) ")"
                            @if kind == EntryChange::Gone { ": " (entry.evidence.trim_end_matches('.')) }
                        }
                        "."
                    }
                }
            }
            @if accepted > 0 { p class="fine" { (plural(accepted, "entry is", "entries are")) " accepted by the team and hidden; each comes back when its date is past or it worsens." } }
        }
    }
}

fn list_section(page: &Page<'_>, list: ListKind) -> Markup {
    let entries: Vec<&WatchListEntry> = page.input.lists.of(list).collect();
    if entries.is_empty() {
        return html! {};
    }
    let expected = page.input.lists.expected_false[list as usize];
    let unit = if entries.iter().all(|e| e.cost_unit == "money") {
        "cost of waiting, money"
    } else {
        "cost of waiting, points"
    };
    html! {
        section id=(list.name()) {
            h2 { (list.words()) }
            p class="budget" {
                (plural(entries.len(), "entry", "entries")) ". Expected to be false: "
                (budget_words(page, list, expected)) "."
            }
            table class="list" {
                thead { tr {
                    th class="n" { "#" } th { "meter" } th { "NE 107" } th { "mode" } th class="n" { "P" }
                    th { "size now (10..90 %)" } th { "limit in (10..90 %)" } th class="n" { (unit) }
                    th { "change" } th { "last " (SPARK_DAYS) " days" }
                } }
                @for entry in entries { (list_row(page, entry)) }
            }
        }
    }
}

fn list_row(page: &Page<'_>, entry: &WatchListEntry) -> Markup {
    html! {
        tbody {
            tr {
                td class="n rank" { (entry.rank) }
                td class="who" {
                    @if entry.group_members.is_empty() { b { (page.link(&entry.meter)) } }
                    @else { b { "stream " (entry.meter) } " " span class="fine" { @for (index, member) in entry.group_members.iter().enumerate() { @if index > 0 { ", " } (page.link(member)) } } }
                    @if !entry.service.is_empty() { span class="fine" { " " (entry.service) } }
                }
                td { (signs::ne107(entry.ne107)) }
                td { @if entry.probability.is_some() { (entry.mode.words()) } @else { "measured" } }
                td class="n" data-k="P" { @match entry.probability { Some(p) => (percent(p)), None => "–" } }
                td data-k="size" { @match &entry.severity { Some(size) => (severity(size)), None => "–" } }
                td data-k="limit in" { @match entry.days_left { Some(days) => (days_left(days)), None => "–" } }
                td class="n" data-k=(entry.cost_unit) { (number(entry.expected_cost)) }
                td { (signs::change(entry.change.name())) }
                td class="spark" { (spark(page, entry)) }
            }
            tr class="why" { td {} td colspan="9" {
                (entry.evidence) " " span class="next" { b { "Next: " } (entry.next_step) }
            } }
        }
    }
}

/// The observable that speaks loudest, else drive gain.
fn spark(page: &Page<'_>, entry: &WatchListEntry) -> Markup {
    let meter = entry.group_members.first().unwrap_or(&entry.meter);
    let Some(verdict) = page.verdicts.get(meter.as_str()) else { return html! {} };
    let loudest = verdict
        .evidence
        .iter()
        .filter(|o| drawable(&o.adjusted, page.input.card.as_of))
        .max_by(|a, b| a.over_no_change.total_cmp(&b.over_no_change));
    let as_of = page.input.card.as_of;
    let (name, points): (String, Vec<Point>) = match loudest {
        Some(o) if o.over_no_change > 0.0 => (observable_words(&o.observable), o.adjusted.clone()),
        _ => ("drive gain".into(), page.history.points(meter, "drive_gain_median_pct")),
    };
    // A quiet reading must look quiet: what is smaller than its error does not fill the picture.
    let smallest_span = match loudest {
        Some(o) if o.over_no_change > 0.0 => 4.0 * o.se,
        _ => 4.0,
    };
    html! { (sparkline(&points, as_of, SPARK_DAYS, smallest_span)) span class="cap" { (name) } }
}

/// Whether a sparkline has enough points to be a line.
fn drawable(points: &[Point], as_of: metersift_model::Day) -> bool {
    points.iter().filter(|(day, _)| *day >= as_of.plus(-SPARK_DAYS)).count() >= 8
}

/// What nearly came up: why it is not there.
fn not_on_the_lists(page: &Page<'_>) -> Markup {
    let withheld = &page.input.lists.withheld;
    if withheld.is_empty() {
        return html! {};
    }
    html! {
        section {
            h2 { "Nearly listed" }
            ul {
                @for near in withheld.iter().take(WITHHELD_NAMED) {
                    li {
                        b { (near.meter) } " (" (near.list.words().to_lowercase()) "): "
                        (near.mode.words()) " " (percent(near.probability)) ", "
                        @match near.why {
                            WithheldWhy::Budget => { "below what the list's budget of false entries lets in tonight ("
                                (percent(page.input.lists.entry_probability[near.list as usize])) ")" },
                            WithheldWhy::Nights => "above the entry odds, but not yet on two of three nights",
                        }
                        "."
                    }
                }
            }
            @if withheld.len() > WITHHELD_NAMED { p class="fine" { "and " (withheld.len() - WITHHELD_NAMED) " more, in the evidence table." } }
        }
    }
}

fn groups(page: &Page<'_>) -> Markup {
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

fn data_health(page: &Page<'_>) -> Markup {
    html! {
        section {
            h2 { "Data health" }
            @if page.input.health.is_empty() { p { "Nothing set aside, nothing missing." } }
            @else { ul { @for line in page.input.health { li { (line) } } } }
        }
    }
}

fn overdue(page: &Page<'_>) -> Markup {
    let late: Vec<_> = page
        .verdicts
        .values()
        .flat_map(|v| v.facts.iter().map(move |fact| (v, fact)))
        .filter(|(_, fact)| fact.kind == FactKind::CheckOverdue)
        .collect();
    html! {
        section {
            h2 { "Checks overdue" }
            @if late.is_empty() { p { "None." } }
            @else {
                table class="over" {
                    thead { tr { th { "meter" } th { "last completed check" } th class="n" { "days since" } th class="n" { "interval, days" } } }
                    tbody { @for (verdict, fact) in late {
                        tr {
                            th scope="row" { (page.link(&verdict.meter)) }
                            td data-k="last completed check" { (last_check(page, &verdict.meter)) }
                            td class="n" data-k="days since" { (number(fact.value)) }
                            td class="n" data-k="interval" { (number(fact.limit)) }
                        }
                    } }
                }
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

fn not_judged(page: &Page<'_>) -> Markup {
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
fn quiet(page: &Page<'_>) -> Markup {
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
            @if count <= QUIET_NAMED {
                @for (blind, meters) in &by_sight {
                    p class="fine" {
                        b { @if blind.is_empty() { "No blind mode: " } @else { "Blind for " (blind) ": " } }
                        (meters.join(", ")) "."
                    }
                }
            } @else { p class="fine" { "Too many to name here; the evidence table has every one." } }
        }
    }
}

/// The run card again, and how to read the page.
pub(crate) fn foot(page: &Page<'_>) -> Markup {
    let card = page.input.card;
    html! {
        footer {
            h2 { "How to read this" }
            p {
                "P is the probability of the named cause, never shown above 99 %. Sizes and times are medians with the interval that holds eight of ten chances. A measured fact has no probability. NE 107 letters: "
                (signs::ne107('F')) " failure, " (signs::ne107('C')) " function check, "
                (signs::ne107('S')) " out of specification, " (signs::ne107('M')) " maintenance required."
            }
            p {
                "Ranked by what a round of waiting is expected to cost, in money where the register tells a worth per kilogram, else in points. Isolation, draining, depressurising, hot or toxic contents: local codes, site permits and licensed practice decide. Stiffness is a mean: neither a quiet list nor a passed check says anything about the thinnest spot of a wall."
            }
            p class="card" {
                @for (name, value) in card.lines() { span { b { (name) } " " (value) } " " }
            }
        }
    }
}
