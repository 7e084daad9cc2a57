//! Back-tests: the last half of a night at many past as-of dates, scored against what is known.
//!
//! Why:    a list is worth what it would have said before the fault was found.
//! In:     the daily table and the records of a site; known faults with their onset days, from
//!         findings or, for a fictional site, from its truth.
//! Out:    one row per meter and as-of date, and figures: average precision with an interval,
//!         faults found k of n, lead times, false entries per 100 meter-months, each beside two
//!         dumb rivals (fixed limits on raw values; the latest check only).
//! Limits: a date sees only days and records from before it; when a record arrived is not known.

mod known;
mod replay;
mod rivals;
mod score;

pub use known::{Known, from_findings};
pub use replay::{BacktestError, MeterNight, Night, replay};
pub use rivals::Rivals;
pub use score::{Lead, MethodScore, Scores, score, scores_table};
