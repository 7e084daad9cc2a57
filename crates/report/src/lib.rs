//! Lists, verdicts and histories to files that people and programs open: CSV in two flavours,
//! JSON Lines, Parquet, .xlsx, iCalendar, and one self-contained HTML report.
//!
//! Rules:  every output names the run, the configuration and the ledger state it came from
//!         ([`RunCard`]); text cells cannot run as formulas, numbers stay numbers; a value that
//!         is not known is empty, never zero; nothing here reads a clock, a file or the network,
//!         and the same input gives the same bytes.
//! Units:  a number wears its unit in its column name, and again in the metadata of formats that
//!         have some.

mod calendar;
mod card;
mod columnar;
mod delimited;
mod error;
mod guard;
mod jsonl;
mod page;
mod since;
mod workbook;

pub use calendar::{Appointment, When, calendar};
pub use card::RunCard;
pub use columnar::write_parquet;
pub use delimited::{write_csv, write_csv_semicolon};
pub use error::ReportError;
pub use guard::neutral;
pub use jsonl::{SCHEMA_VERSION, write_jsonl};
pub use page::{DAILY_COLUMNS, DataHealth, KeptBin, KeptWord, ReportInput, Term, html, meter_page};
pub use since::{MeterSince, Since, budget_columns, since_columns};
pub use workbook::write_xlsx;
