//! Back-tests: the last half of a night at many past as-of dates, scored against what is known.
//!
//! Why:    a list is worth what it would have said before the fault was found.
//! In:     the daily table and the records of a site; known faults with their onset days, from
//!         findings or, for a fictional site, from its truth.
//! Out:    one row per meter and as-of date, and figures: precision at k, average precision with
//!         an interval, recall, lead times, false entries per 100 meter-months, calibration,
//!         confusion, coverage of time to limit, by service; each method beside four dumb
//!         rivals (fixed limits on raw values; the latest check only; a trend test; a control
//!         chart) and any others given.
//! Limits: a date sees only days and records from before it. Records carry the day they speak of
//!         and not the day they were typed in, so a late entry cannot be told apart.

mod calibration;
mod charts;
mod entries;
mod known;
mod limits;
mod methods;
mod rate;
mod replay;
mod rivals;
mod score;
mod story;
mod tables;

pub use calibration::Calibration;
pub use entries::{Lead, ServiceScore};
pub use known::{ASSUMED_DAYS_BEFORE_FINDING, GAS_REMEMBERED_DAYS, Known, from_findings};
pub use limits::LimitCoverage;
pub use methods::MethodScore;
pub use rate::{Rate, rate_per};
pub use replay::{BacktestError, GroupEntry, MeterNight, Night, Seen, Span, replay};
pub use score::{Scores, score, score_beside};
pub use story::{Extra, ExtraNight};
pub use tables::{calibration_table, entries_table, methods_table, nights_table, services_table};
