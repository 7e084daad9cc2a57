//! Historian CSV to readings and rejects.
//!
//! What:   [`detect()`] finds out how a dump is written, [`read_dump`] turns it into
//!         [`metersift_model::ReadingBlock`]s, [`TagTable`] says which tag is which signal of
//!         which meter, [`records`] reads what people keep beside the historian.
//! Why:    every later number stands on this: a row is stored or set aside with its file, line,
//!         column and reason, and nothing is guessed in silence.
//! Units:  on the way out times are µs UTC and values are in the signal's storage unit.
//! Rules:  rows in = delivered + rejected + ignored + held back, asserted for every dump. A
//!         setting that is given is never re-guessed; where the file says otherwise, the error
//!         shows both.

pub mod clock;
pub mod detect;
pub mod dialect;
pub mod encoding;
pub mod error;
pub mod fold;
pub mod number;
pub mod quality;
pub mod read;
pub mod records;
pub mod report;
pub mod schema;
pub mod settings;
pub mod sheet;
pub mod source;
pub mod split;
pub mod tags;
pub mod text;
pub mod units;
pub mod zone;

pub use detect::{Detected, detect};
pub use dialect::Dialect;
pub use error::{ImportError, SinkError};
pub use read::{ReadOptions, read_dump, read_dump_with};
pub use records::{RecordSettings, read_records};
pub use report::DumpReport;
pub use settings::SourceSettings;
pub use source::{bytes_read, dumps_in, file_of, hash_file};
pub use tags::{BySeries, Declared, TagTable};
