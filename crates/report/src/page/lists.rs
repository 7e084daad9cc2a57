//! The lists themselves: one row per entry with its sentence, next step and a small picture, and
//! what nearly came up.

use super::bars::observable_words;
use super::changed::moved;
use super::format::{budget_words, days_left, number, percent, plural, settled_words, severity};
use super::history::Point;
use super::picture::sparkline;
use super::{Page, signs};
use maud::{Markup, html};
use metersift_model::ListKind;
use metersift_model::watch_list::{WatchListEntry, WithheldWhy};

/// Days of a sparkline.
const SPARK_DAYS: i32 = 120;
/// Rows of each list that go on paper with sentence and next step; every later row is one line
/// there, and its sentence stands on its meter's own side. So the fleet part of a usual night
/// fits on two sides, and that of a bad one goes on without losing a row.
const WHOLE_ON_PAPER: usize = 2;
/// As many of the list whose entries cost most to get wrong.
const WHOLE_TO_PULL: usize = 4;
/// Withheld candidates named at most.
const WITHHELD_NAMED: usize = 30;

/// One list with its budget line.
pub(crate) fn list_section(page: &Page<'_>, list: ListKind) -> Markup {
    let entries: Vec<&WatchListEntry> = page.input.lists.of(list).collect();
    if entries.is_empty() {
        return html! {};
    }
    let whole = if list == ListKind::Pull { WHOLE_TO_PULL } else { WHOLE_ON_PAPER };
    // What has no side of its own keeps its sentence.
    let is_line = |index: usize, entry: &WatchListEntry| {
        index >= whole && entry.group_members.is_empty() && page.has_section(&entry.meter)
    };
    let n_lines = entries.iter().enumerate().filter(|(index, e)| is_line(*index, e)).count();
    let unit = if entries.iter().all(|e| e.cost_unit == "money") {
        "cost of waiting, money"
    } else {
        "cost of waiting, points"
    };
    html! {
        section id=(list.name()) {
            div class="lh" {
                h2 { (list.words()) }
                p class="budget" {
                    (plural(entries.len(), "entry", "entries")) ". Expected to be false: "
                    (budget_words(page.input.lists, list)) ". " (settled_words(&page.input.lists.record)) "."
                }
            }
            table class="list" {
                thead { tr {
                    th class="n" { "#" } th { "meter" } th { "NE 107" } th { "mode" } th class="n" { "P" }
                    th { "size now (10..90 %)" } th { "limit in (10..90 %)" } th class="n" { (unit) }
                    th { "change" } th { "last " (SPARK_DAYS) " days" }
                } }
                @for (index, entry) in entries.iter().enumerate() { (list_row(page, entry, is_line(index, entry))) }
            }
            @if n_lines > 0 {
                p class="paper fine" { "Rows of one line: sentence, next step and cautions stand on the meter's own side." }
            }
        }
    }
}

fn list_row(page: &Page<'_>, entry: &WatchListEntry, line_on_paper: bool) -> Markup {
    html! {
        tbody class=[line_on_paper.then_some("ln")] {
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
                (entry.evidence)
                @let moved = moved(page, entry);
                @if !moved.is_empty() { span class="fine" { " (" (moved) ")" } }
                " " span class="next" { b { "Next: " } (entry.next_step) }
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
pub(crate) fn not_on_the_lists(page: &Page<'_>) -> Markup {
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
