//! Readings and daily features on disk.
//!
//! A store is a folder: day files in Parquet that any reader opens with one glob, a ledger that
//! knows every dump and the hash of every day file, and daily feature tables. One writer at a
//! time, any number of readers. An import becomes visible in one step, and what was interrupted
//! is finished or undone at the next start. Damage is noticed before a number is used.
//!
//! ```no_run
//! # fn main() -> Result<(), metersift_store::StoreError> {
//! # use metersift_store::{DumpTotals, Store, StoreSettings};
//! # use metersift_model::{Day, ReadingBlock, Series, SeriesTable, Signal, TimeUs};
//! let mut store = Store::open("store".as_ref(), StoreSettings::default())?;
//! let mut series = SeriesTable::default();
//! let mut block = ReadingBlock::default();
//! let density = Series { meter: "FT-3107".into(), signal: Signal::Density };
//! block.push(series.intern(density), 1_772_845_200_000_000, 1043.2, 192, 2);
//! let mut import = store.begin_import()?;
//! import.begin_dump("syrup-house.csv", "0d2c")?;
//! import.push(&block, &series)?;
//! import.end_dump(DumpTotals { rows_in: 1, ..DumpTotals::default() })?;
//! let outcome = import.commit()?;
//! assert_eq!(outcome.dumps[0].stored, 1);
//! let day = TimeUs(1_772_845_200_000_000).day();
//! store.for_each_run(day, 0, &mut |run| assert_eq!(run.signal, "density"))?;
//! # Ok(())
//! # }
//! ```

mod accounts;
mod batches;
mod buffer;
mod check;
mod commit;
mod conflicts;
mod csv_text;
mod daily;
mod day_file;
mod day_reader;
mod error;
mod group_writer;
mod handover;
mod import;
mod incoming;
mod layout;
mod ledger;
mod lock;
mod merge;
mod name_runs;
mod ration;
mod rejects;
mod runs;
mod seal;
mod seen;
mod spill;
pub mod storage;
mod store;
mod table_file;
mod tellings;
mod undo;
mod unit_job;
mod volume;
mod window;

pub use accounts::{DumpOutcome, DumpTotals, ImportOutcome};
pub use check::{CheckReport, Problem};
pub use commit::Recovered;
pub use daily::DailyReceipt;
pub use day_file::{FORMAT_KEY, UNITS_KEY, schema as day_file_schema};
pub use error::{ErrorKind, Holder, Room, StoreError, Trouble};
pub use handover::{Handover, MOST_READINGS};
pub use import::Import;
pub use layout::{FORMAT_VERSION, MOST_BUCKETS, Unit, bucket_of};
pub use ledger::{Again, DayFile, DumpEntry, DumpState, FileStamp, Ledger, NotedStep, RowCounts};
pub use rejects::{MOST_REJECT_BYTES, NOT_WRITTEN, RejectFile};
pub use runs::{MeterRuns, OriginRun, RunRef};
pub use seal::hash as content_hash;
pub use seen::{SeenFile, SeenFiles};
pub use store::{DEFAULT_MEMORY_BYTES, Store, StoreSettings};
pub use table_file::{
    ColumnNotes, TableMetadata, read_table, table_from_bytes, table_to_bytes, write_table,
};
pub use tellings::schema as origin_file_schema;
pub use undo::Withdrawal;
pub use volume::{free_bytes, network_share};
