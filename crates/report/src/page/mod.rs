//! The report: one HTML file that needs nothing but itself.
//!
//! Why:    it is read at seven in the morning from a network drive, on a phone beside the line,
//!         and on paper; so no script, no network (a content policy forbids both), no fixed
//!         width, no colour that carries meaning alone.
//! Shape:  the fleet first (counts, lists with their budgets, what changed, groups, data health),
//!         then one section per listed meter with its pictures on one time axis.
//! Size:   at most 25 kB per listed meter and 5 MB for 300: points are thinned to block medians
//!         and paths are written in tenths of a pixel.
//! Safety of text: everything that comes from the site passes through maud's escaping.

mod axis;
pub(crate) mod bars;
mod changed;
mod fleet;
pub(crate) mod format;
mod glossary;
mod health;
mod history;
mod kept;
mod lists;
mod meter;
mod panels;
mod picture;
mod record_panels;
mod signs;
mod style;
mod trace;

use crate::card::RunCard;
use crate::since::Since;
use history::History;

pub use glossary::Term;
pub use history::DAILY_COLUMNS;
pub use kept::{KeptBin, KeptWord};
use maud::{DOCTYPE, Markup, html as markup};
use metersift_model::watch_list::WatchLists;
use metersift_model::{ListKind, Records, Table, Verdict};
use std::collections::{BTreeMap, BTreeSet};

/// What the report is made of.
pub struct ReportInput<'a> {
    /// Name of the site.
    pub site: &'a str,
    /// Where the figures come from.
    pub card: &'a RunCard,
    /// The lists of the night.
    pub lists: &'a WatchLists,
    /// The verdicts of the night, one per meter.
    pub verdicts: &'a [Verdict],
    /// Daily features of the fleet up to the as-of date: columns `meter`, `day` and numbers,
    /// rows of one meter together and in day order.
    pub daily: &'a Table,
    /// What people recorded.
    pub records: &'a Records,
    /// What came, what did not, and what looks doubtful.
    pub health: &'a DataHealth,
    /// What differs from the night before, where one is known.
    pub since: Option<&'a Since>,
    /// The night in a few lines: what was read, recomputed, judged.
    pub summary: &'a [String],
    /// How stated probabilities turned out, where anyone looked.
    pub kept: &'a [KeptWord],
    /// What the features are, from the one table of them.
    pub glossary: &'a [Term<'a>],
}

/// The state of the data, one line each.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct DataHealth {
    /// Sources whose dumps stopped coming.
    pub stopped: Vec<String>,
    /// Tags that stopped while their meter's others went on, and meters of which none comes.
    pub silent: Vec<String>,
    /// Tags that the site lists and that never came.
    pub never_seen: Vec<String>,
    /// Dumps whose clock or zone looks wrong.
    pub clocks: Vec<String>,
    /// Levels that stepped by the factor between two units.
    pub unit_steps: Vec<String>,
    /// Meters that nobody has judged for a month.
    pub long_unjudged: Vec<String>,
    /// What came and what was set aside, per source.
    pub sources: Vec<String>,
}

impl DataHealth {
    /// Whether there is nothing to tell.
    pub fn is_empty(&self) -> bool {
        let parts = [
            &self.stopped,
            &self.silent,
            &self.never_seen,
            &self.clocks,
            &self.unit_steps,
            &self.long_unjudged,
            &self.sources,
        ];
        parts.iter().all(|part| part.is_empty())
    }
}

/// Everything that the parts of the page look up.
pub(crate) struct Page<'a> {
    pub input: &'a ReportInput<'a>,
    pub verdicts: BTreeMap<&'a str, &'a Verdict>,
    pub history: History<'a>,
    /// Listed meters in order of their first appearance, with the anchor of their section.
    pub sections: Vec<&'a str>,
    anchors: BTreeMap<&'a str, usize>,
}

impl<'a> Page<'a> {
    fn new(input: &'a ReportInput<'a>) -> Page<'a> {
        let verdicts: BTreeMap<&str, &Verdict> =
            input.verdicts.iter().map(|verdict| (verdict.meter.as_str(), verdict)).collect();
        let mut sections: Vec<&str> = Vec::new();
        let mut seen = BTreeSet::new();
        for list in ListKind::ALL {
            for entry in input.lists.of(list) {
                let lone = entry.group_members.is_empty().then_some(&entry.meter);
                for meter in lone.into_iter().chain(&entry.group_members) {
                    if verdicts.contains_key(meter.as_str()) && seen.insert(meter.as_str()) {
                        sections.push(meter);
                    }
                }
            }
        }
        let anchors = sections.iter().enumerate().map(|(index, meter)| (*meter, index)).collect();
        Page { input, verdicts, history: History::new(input.daily), sections, anchors }
    }

    /// Whether a meter has a section.
    pub(crate) fn has_section(&self, meter: &str) -> bool {
        self.anchors.contains_key(meter)
    }

    /// A meter's name, as a link where it has a section. Anchors are numbers: a name from the
    /// site never becomes part of an address.
    pub(crate) fn link(&self, meter: &str) -> Markup {
        match self.anchors.get(meter) {
            Some(index) => markup! { a href={ "#m" (index) } { (meter) } },
            None => markup! { (meter) },
        }
    }
}

/// The whole report.
pub fn html(input: &ReportInput<'_>) -> String {
    let page = Page::new(input);
    let title = format!("{}: watch-lists as of {}", input.site, input.card.as_of);
    let body = markup! {
        (fleet::top(&page))
        main {
            (fleet::fleet(&page))
            @for (index, meter) in page.sections.iter().enumerate() {
                (meter::section(&page, meter, index))
            }
        }
        (fleet::foot(&page))
    };
    document(&title, input, &body)
}

/// The page of one meter, listed or not, with what is to be said about its standing (term and
/// words). `None` = no verdict on such a meter.
pub fn meter_page(
    input: &ReportInput<'_>,
    meter: &str,
    standing: &[(&str, String)],
) -> Option<String> {
    let mut page = Page::new(input);
    let verdict = *page.verdicts.get(meter)?;
    // Links lead to sections, and there is but one.
    page.sections = vec![&verdict.meter];
    page.anchors = BTreeMap::from([(verdict.meter.as_str(), 0)]);
    let title = format!("{}: {meter} as of {}", input.site, input.card.as_of);
    let body = markup! {
        (fleet::top_of_one(&page))
        main { (meter::lone_section(&page, verdict, standing)) }
        (fleet::foot(&page))
    };
    Some(document(&title, input, &body))
}

fn document(title: &str, input: &ReportInput<'_>, body: &Markup) -> String {
    let markup = markup! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy"
                    content="default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="referrer" content="no-referrer";
                meta name="color-scheme" content="light dark";
                meta name="generator" content=(input.card.program);
                title { (title) }
                style { (maud::PreEscaped(style::STYLE)) }
            }
            body {
                (signs::definitions())
                (body)
            }
        }
    };
    markup.into_string()
}
