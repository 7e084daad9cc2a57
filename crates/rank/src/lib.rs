//! Verdicts to ordered watch-lists: one list per decision, short, ranked, and honest about how
//! many of its entries are expected to be false.
//!
//! In:     one [`Verdict`](metersift_model::Verdict) per meter of one as-of date, the site's
//!         records and decisions, and the verdicts of earlier nights ([`PastEntry`]).
//! Out:    [`WatchLists`](metersift_model::WatchLists), and the tables that travel to files.
//! How:    candidates (`candidate`) are folded into common causes (`group`), admitted under a
//!         budget of false entries and a memory of earlier nights (`admit`), hidden or woken by
//!         what the team decided (`decision`), priced by what a round of waiting is expected to
//!         cost (`cost`), ordered, and put into words (`words`).
//!         The same candidates, with the register's intervals and the hours in which a meter
//!         runs well (`hours`), make the check plan (`plan`).
//! Rules:  a fact is listed whatever any probability says; a meter that cannot be judged is
//!         named with its reason; no probability leaves this room above 0.99.
//! Pure:   no clock, no files; the same verdicts in any order give the same lists.

mod admit;
mod candidate;
mod change;
mod cost;
mod decision;
mod error;
mod group;
mod hours;
mod lists;
mod never_seen;
mod past;
mod plan;
mod record;
mod settings;
mod silent;
mod tables;
mod words;

pub use candidate::list_of;
pub use cost::good_error_pct;
pub use error::RankError;
pub use hours::{GoodHour, HourShare, Hours};
pub use lists::watch_lists;
pub use never_seen::{ListedTag, NeverSeen, add_never_seen, never_seen};
pub use past::PastEntry;
pub use plan::{
    CheckPlan, PlannedCheck, PlannedHour, ToldCheck, check_plan, plan_table, weekday_words,
};
pub use record::track_record;
pub use settings::{Crew, Money, PerList, Settings, Weekday};
pub use silent::{Silent, add_silent, silent_sources};
pub use tables::{PROBABILITY_CEILING, lists_table, shown_probability, verdicts_table};
pub use words::CHECK_CAUTIONS;
