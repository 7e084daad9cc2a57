//! The lists that people act on.

use crate::verdict::{Hypothesis, Interval, Severity};

/// One list per decision.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ListKind {
    /// Pull or open up.
    Pull,
    /// Clean.
    Clean,
    /// Check now.
    CheckNow,
    /// Take an as-found zero, then decide on a re-zero.
    ReZero,
    /// Gas in the process.
    Gas,
    /// Electrical.
    Electrical,
    /// Mend the data.
    MendData,
    /// Changes that no known mode explains.
    Unexplained,
}

impl ListKind {
    /// All, in the order of the report.
    pub const ALL: [ListKind; 8] = [
        ListKind::Pull,
        ListKind::Clean,
        ListKind::CheckNow,
        ListKind::ReZero,
        ListKind::Gas,
        ListKind::Electrical,
        ListKind::MendData,
        ListKind::Unexplained,
    ];

    /// The name in files.
    pub fn name(self) -> &'static str {
        match self {
            ListKind::Pull => "pull",
            ListKind::Clean => "clean",
            ListKind::CheckNow => "check_now",
            ListKind::ReZero => "re_zero",
            ListKind::Gas => "gas",
            ListKind::Electrical => "electrical",
            ListKind::MendData => "mend_data",
            ListKind::Unexplained => "unexplained",
        }
    }

    /// The words for people.
    pub fn words(self) -> &'static str {
        match self {
            ListKind::Pull => "Pull or open up",
            ListKind::Clean => "Clean",
            ListKind::CheckNow => "Check now",
            ListKind::ReZero => "Take an as-found zero",
            ListKind::Gas => "Gas in the process",
            ListKind::Electrical => "Electrical",
            ListKind::MendData => "Mend the data",
            ListKind::Unexplained => "Unexplained",
        }
    }
}

/// How an entry stands against the list before.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum EntryChange {
    /// Was not listed before.
    New,
    /// Listed before and worse now.
    Worse,
    /// Listed before, as it was.
    Same,
    /// Listed before and better now.
    Better,
    /// Was listed before and is no more.
    Gone,
}

impl EntryChange {
    /// The word in files and on pages.
    pub fn name(self) -> &'static str {
        match self {
            EntryChange::New => "new",
            EntryChange::Worse => "worse",
            EntryChange::Same => "same",
            EntryChange::Better => "better",
            EntryChange::Gone => "gone",
        }
    }
}

/// One line of a list.
#[derive(Clone, Debug, PartialEq)]
pub struct WatchListEntry {
    /// Which list.
    pub list: ListKind,
    /// From 1; 0 for entries that are gone.
    pub rank: u32,
    /// Meter, or for a common cause the stream or service.
    pub meter: String,
    /// Service.
    pub service: String,
    /// Stream.
    pub stream: String,
    /// Fault mode.
    pub mode: Hypothesis,
    /// Probability of the mode, 0..0.99; `None` for facts, which are not probabilities.
    pub probability: Option<f64>,
    /// Severity.
    pub severity: Option<Severity>,
    /// Days until the limit.
    pub days_left: Option<Interval>,
    /// Expected cost of waiting one round, in `cost_unit`.
    pub expected_cost: f64,
    /// `money` or `points`.
    pub cost_unit: &'static str,
    /// Against the list before.
    pub change: EntryChange,
    /// One sentence of evidence.
    pub evidence: String,
    /// What to do next.
    pub next_step: String,
    /// What would prove the entry wrong.
    pub settles: String,
    /// NE 107 letter: F, C, S or M.
    pub ne107: char,
    /// Cautions that belong to the next step.
    pub cautions: Vec<String>,
    /// Meters of a common cause; empty for a lone meter.
    pub group_members: Vec<String>,
    /// Whether the team accepted it (hidden from the ranking, still counted).
    pub accepted: bool,
}

/// Counts that stand in the first line of every output.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FleetCounts {
    /// Meters in the register.
    pub meters: u32,
    /// Judged.
    pub judged: u32,
    /// Judged on a short history.
    pub young: u32,
    /// Not judged.
    pub not_judged: u32,
    /// Blind for at least one mode.
    pub blind: u32,
}

/// A candidate that is not on its list tonight, and why.
#[derive(Clone, Debug, PartialEq)]
pub struct Withheld {
    /// The list it would be on.
    pub list: ListKind,
    /// Meter, or the stream of a common cause.
    pub meter: String,
    /// Fault mode.
    pub mode: Hypothesis,
    /// Probability of the mode, 0..1.
    pub probability: f64,
    /// Why it is not listed.
    pub why: WithheldWhy,
}

/// Why a candidate is not on its list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WithheldWhy {
    /// It would have taken the list over its budget of false entries.
    Budget,
    /// Above the entry odds, but not yet on enough of the last nights.
    Nights,
}

/// What became of the entries of the last nights.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TrackRecord {
    /// Nights looked back on, days.
    pub days: u32,
    /// Entries that came up in them.
    pub entries: u32,
    /// Entries that were opened or tested since.
    pub settled: u32,
    /// Settled entries at which nothing was found.
    pub false_entries: u32,
    /// Wilson 95 % interval of the false share of the settled entries; `None` = none settled.
    pub false_share: Option<(f64, f64)>,
}

/// The last night before, so that a list that suddenly shortens is seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NightBefore {
    /// First day that night did not look at.
    pub as_of: crate::time::Day,
    /// Meters judged then, young ones included.
    pub judged: u32,
    /// Meters on any list then.
    pub listed: u32,
}

/// All lists of one as-of date.
#[derive(Clone, Debug, PartialEq)]
pub struct WatchLists {
    /// First day not looked at.
    pub as_of: crate::time::Day,
    /// Counts.
    pub counts: FleetCounts,
    /// Entries, by list, then rank.
    pub entries: Vec<WatchListEntry>,
    /// Entries of each list that are expected to be false, in the order of [`ListKind::ALL`].
    pub expected_false: [f64; 8],
    /// Meters that could not be judged, with the reason.
    pub not_judged: Vec<(String, String)>,
    /// Whether probabilities are calibrated on findings of this site.
    pub calibrated: bool,
    /// Largest share of false entries that a list may expect to hold.
    pub budget: f64,
    /// Probability at which each list was cut tonight, in the order of [`ListKind::ALL`].
    pub entry_probability: [f64; 8],
    /// Candidates that are not listed, and why.
    pub withheld: Vec<Withheld>,
    /// What became of earlier entries.
    pub record: TrackRecord,
    /// The last night before, where one is known.
    pub before: Option<NightBefore>,
}

impl WatchLists {
    /// The entries of one list, in rank order.
    pub fn of(&self, list: ListKind) -> impl Iterator<Item = &WatchListEntry> {
        self.entries.iter().filter(move |entry| entry.list == list && entry.rank > 0)
    }
}
