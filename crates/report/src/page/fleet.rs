//! The fleet part: counts, budgets, own record, and the order of everything above the meters.

use super::changed::what_changed;
use super::format::{budget_words, counts_sentence, record_words};
use super::health::{data_health, groups, not_judged, overdue, quiet};
use super::kept::kept;
use super::lists::{list_section, not_on_the_lists};
use super::{Page, signs};
use maud::{Markup, html};
use metersift_model::ListKind;
use metersift_model::watch_list::EntryChange;

/// What probabilities were calibrated on; all verdicts of a night share it.
fn calibration(page: &Page<'_>) -> String {
    page.input.verdicts.first().map_or_else(String::new, |verdict| verdict.calibrated.words())
}

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
                (calibration(page))
                ". The lists screen; they prove nothing about a single meter. "
                "Run " (input.card.run) ", configuration " (input.card.config_hash)
                ", ledger " (input.card.ledger) "."
            }
        }
    }
}

/// The head of a page about one meter.
pub(crate) fn top_of_one(page: &Page<'_>) -> Markup {
    let input = page.input;
    html! {
        header {
            p class="site" { (input.site) }
            h1 { "One meter " span class="date" { "as of " (input.card.as_of) } }
            p class="fine" {
                b { (counts_sentence(&input.lists.counts)) } ". Made from data before " (input.card.as_of)
                " only. Probabilities: " (calibration(page))
                ". The lists screen; they prove nothing about a single meter."
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
        div class="beside" {
            (groups(page))
            (data_health(page))
            (overdue(page))
            (not_judged(page))
            (not_on_the_lists(page))
            (quiet(page))
        }
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
                tbody { @for list in ListKind::ALL {
                    @let of = |change: EntryChange| lists.entries.iter().filter(|e| e.list == list && e.change == change && (e.rank > 0 || change == EntryChange::Gone)).count();
                    @let entries = lists.of(list).count();
                    tr class=(if entries == 0 { "none" } else { "some" }) {
                        th scope="row" { @if entries > 0 { a href={ "#" (list.name()) } { (list.words()) } } @else { (list.words()) } }
                        td class="n" data-k="entries" { (entries) }
                        td class="n" data-k="new" { (of(EntryChange::New)) }
                        td class="n" data-k="worse" { (of(EntryChange::Worse)) }
                        td class="n" data-k="gone" { (of(EntryChange::Gone)) }
                        td data-k="false" { (budget_words(lists, list)) }
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

/// The lists' own record.
fn record(page: &Page<'_>) -> Markup {
    html! { p class="fine" { (record_words(&page.input.lists.record)) "." } }
}

/// The run card again, and how to read the page.
pub(crate) fn foot(page: &Page<'_>) -> Markup {
    let card = page.input.card;
    html! {
        footer {
            (kept(page))
            h2 { "How to read this" }
            p {
                "P is the probability of the named cause, never shown above 99 %. Sizes and times are medians with the interval that holds eight of ten chances. A measured fact has no probability. NE 107 letters: "
                (signs::ne107('F')) " failure, " (signs::ne107('C')) " function check, "
                (signs::ne107('S')) " out of specification, " (signs::ne107('M')) " maintenance required."
            }
            p {
                "Ranked by what a round of waiting is expected to cost, in money where the register tells a worth per kilogram, else in points. Isolation, draining, depressurising, hot or toxic contents: local codes, site permits and licensed practice decide. Stiffness is a mean: neither a quiet list nor a passed check says anything about the thinnest spot of a wall."
            }
            (super::glossary::terms(page))
            p class="card" {
                @for (name, value) in card.lines() { span { b { (name) } " " (value) } " " }
            }
        }
    }
}
