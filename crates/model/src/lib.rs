//! The nouns that cross walls: time, signal, unit, quality, reading, reject, record, table,
//! verdict and watch-list entry.
//!
//! A type lives here when a second room needs it. Algorithms, files and serialization do not.

pub mod quality;
pub mod reading;
pub mod records;
pub mod reject;
pub mod signal;
pub mod slip;
pub mod table;
pub mod time;
pub mod unit;
pub mod verdict;
pub mod watch_list;

pub use quality::Quality;
pub use reading::{ReadingBlock, Series, SeriesId, SeriesTable};
pub use records::Records;
pub use reject::{Origin, Reject, RejectReason};
pub use signal::Signal;
pub use table::{Column, ColumnData, Table};
pub use time::{Day, TimeUs};
pub use verdict::{Hypothesis, Verdict};
pub use watch_list::{ListKind, WatchListEntry, WatchLists};
