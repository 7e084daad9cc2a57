//! What the numbers that are drawn mean: from the rows of the feature table that the caller hands in.

use super::{DAILY_COLUMNS, Page};
use maud::{Markup, html};

/// One feature as the reader is told of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Term<'a> {
    /// Column name.
    pub name: &'a str,
    /// Symbol; empty = none.
    pub symbol: &'a str,
    /// Unit; empty for shares, counts and logarithms.
    pub unit: &'a str,
    /// How it is made.
    pub formula: &'a str,
    /// When it means what it says; empty = always.
    pub validity: &'a str,
    /// What a missing value means.
    pub null_means: &'a str,
}

/// The terms of what the page draws, behind a line that opens them; nothing without terms.
pub(crate) fn terms(page: &Page<'_>) -> Markup {
    let drawn = |term: &&Term<'_>| DAILY_COLUMNS.contains(&term.name);
    let terms: Vec<&Term<'_>> = page.input.glossary.iter().filter(drawn).collect();
    html! {
        @if !terms.is_empty() {
            details class="how" {
                summary { "What the numbers in the pictures are" }
                @for term in terms {
                    p {
                        code { (term.name) }
                        @if !term.symbol.is_empty() { " (" (term.symbol) ")" }
                        @if !term.unit.is_empty() { ", " (term.unit) }
                        ": " (term.formula) ". "
                        @if !term.validity.is_empty() { "Holds with: " (term.validity) ". " }
                        "Missing: " (term.null_means) "."
                    }
                }
            }
        }
    }
}
