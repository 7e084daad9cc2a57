//! What can stop the store, as facts; `cli` makes the sentences and hints.
//!
//! [`StoreError::kind`] sorts them into the kinds that a scheduler must tell apart.

use std::io;
use std::path::PathBuf;

/// What kind of trouble an error is: one exit code each.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum ErrorKind {
    /// Could not start: rights, format version, bucket count.
    Setup,
    /// Another run holds the store.
    InUse,
    /// A file of the store is not what the ledger says; nothing of it was used.
    Damaged,
    /// Out of room or an I/O error; the store is as it was.
    Io,
    /// Our own mistake: a call out of order, or accounts that do not add up.
    Mistake,
}

/// Room on a disk, bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Room {
    /// About what the work needs.
    pub needs_bytes: u64,
    /// What was free before it began; `None` where it cannot be told.
    pub free_bytes: Option<u64>,
}

/// What a refusal of the operating system asks people to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trouble {
    /// The disk is full.
    NoRoom,
    /// The quota of the user is used up.
    Quota,
    /// A file may not grow as large.
    FileTooLarge,
    /// Too many files are open.
    TooManyFiles,
    /// The file system can only be read.
    ReadOnly,
    /// A right is lacking.
    NoRight,
    /// Somebody else has the file open.
    Busy,
    /// The device failed.
    Device,
    /// Anything else.
    Other,
}

#[cfg(unix)]
const TOO_MANY_FILES: [i32; 2] = [23, 24]; // ENFILE, EMFILE (POSIX names, Linux and macOS numbers)
#[cfg(not(unix))]
const TOO_MANY_FILES: [i32; 2] = [4, 4]; // ERROR_TOO_MANY_OPEN_FILES
#[cfg(unix)]
const DEVICE: [i32; 2] = [5, 5]; // EIO
#[cfg(not(unix))]
const DEVICE: [i32; 2] = [1117, 483]; // ERROR_IO_DEVICE, ERROR_DEVICE_HARDWARE_ERROR
#[cfg(unix)]
const SHARED: [i32; 2] = [16, 26]; // EBUSY, ETXTBSY
#[cfg(not(unix))]
const SHARED: [i32; 2] = [32, 33]; // ERROR_SHARING_VIOLATION, ERROR_LOCK_VIOLATION

impl Trouble {
    /// Sorts an answer of the system.
    pub fn of(error: &io::Error) -> Trouble {
        let code = error.raw_os_error();
        let is = |codes: [i32; 2]| code.is_some_and(|code| codes.contains(&code));
        match error.kind() {
            io::ErrorKind::StorageFull => Trouble::NoRoom,
            io::ErrorKind::QuotaExceeded => Trouble::Quota,
            io::ErrorKind::FileTooLarge => Trouble::FileTooLarge,
            io::ErrorKind::ReadOnlyFilesystem => Trouble::ReadOnly,
            io::ErrorKind::ResourceBusy | io::ErrorKind::ExecutableFileBusy => Trouble::Busy,
            _ if is(SHARED) => Trouble::Busy,
            io::ErrorKind::PermissionDenied => Trouble::NoRight,
            _ if is(TOO_MANY_FILES) => Trouble::TooManyFiles,
            _ if is(DEVICE) => Trouble::Device,
            _ => Trouble::Other,
        }
    }
}

/// Who holds the store, as that run wrote it down.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Holder {
    /// Process number.
    pub pid: u32,
    /// Host name.
    pub host: String,
    /// Since when, microseconds UTC.
    pub since_us: i64,
}

impl std::fmt::Display for Holder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.pid == 0 {
            return f.write_str("a run that left no name");
        }
        let since = metersift_model::TimeUs(self.since_us);
        write!(f, "run {} on host {}, since {since}", self.pid, self.host)
    }
}

/// Everything that can stop the store.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StoreError {
    /// Another process holds the writer's lock.
    #[error("store `{path}` is in use by {holder}")]
    InUse {
        /// The store.
        path: PathBuf,
        /// Who holds it.
        holder: Holder,
    },
    /// A file does not match what was written down about it.
    #[error("`{file}` is damaged: expected {expected}, found {found}{}", healed_by(.dumps))]
    Damaged {
        /// The file, relative to the store.
        file: String,
        /// What the ledger says.
        expected: String,
        /// What was found.
        found: String,
        /// Dumps whose import would heal it.
        dumps: Vec<String>,
    },
    /// A file could not be understood although its bytes are those that were written, or it
    /// carries no hash to compare with.
    #[error("`{file}` cannot be read: {reason}")]
    Unreadable {
        /// The file.
        file: String,
        /// Why.
        reason: String,
    },
    /// The operating system refused.
    #[error("cannot {action} `{file}`: {source}")]
    Io {
        /// What was tried.
        action: &'static str,
        /// The file or folder.
        file: String,
        /// The system's answer.
        source: io::Error,
        /// The room that is lacking, where that is the trouble and it is known.
        room: Option<Room>,
    },
    /// The operating system refused before any work was done.
    #[error("cannot {action} `{file}`: {source}")]
    Rights {
        /// What was tried.
        action: &'static str,
        /// The file or folder.
        file: String,
        /// The system's answer.
        source: io::Error,
    },
    /// The change is decided and will be finished by the next start: not all of it is in place.
    #[error("the change is decided, and the next run finishes it: {cause}")]
    NotPlaced {
        /// What stood in the way.
        cause: Box<StoreError>,
    },
    /// The store was written by a newer program.
    #[error("`{file}` has format version {found}; this program knows versions up to {known}")]
    FormatVersion {
        /// The file.
        file: String,
        /// Version found.
        found: u64,
        /// Newest version known.
        known: u64,
    },
    /// The settings ask for another grid than the store has.
    #[error(
        "the store has {stored} bucket(s), the settings ask for {asked}; the grid of a store is fixed when it is made"
    )]
    BucketCount {
        /// Buckets of the store.
        stored: u32,
        /// Buckets asked for.
        asked: u32,
    },
    /// A number of buckets that cannot be.
    #[error("bucket count {asked} is outside 1..={most}")]
    BucketRange {
        /// Buckets asked for.
        asked: u32,
        /// The most that are allowed.
        most: u32,
    },
    /// There is no store here.
    #[error("there is no store at `{path}`")]
    NoStore {
        /// Where one was looked for.
        path: PathBuf,
    },
    /// Rows in are not the sum of what became of them.
    #[error(
        "accounts of dump `{dump}` do not add up: {rows_in} rows in, {accounted} accounted for ({parts})"
    )]
    Accounts {
        /// The dump.
        dump: String,
        /// Rows in.
        rows_in: u64,
        /// Sum of the parts.
        accounted: u64,
        /// The parts in words.
        parts: String,
    },
    /// A reading names a series that the series table does not hold.
    #[error("a reading names series {id}, the series table holds {known}")]
    UnknownSeries {
        /// The number.
        id: u32,
        /// Series known.
        known: usize,
    },
    /// A time outside the years 1 to 9999.
    #[error("time {time_us} us since 1970 lies outside the years 1 to 9999")]
    NoSuchDay {
        /// The time.
        time_us: i64,
    },
    /// A call that is not allowed in this state.
    #[error("{what}")]
    Mistake {
        /// What was asked.
        what: &'static str,
    },
}

impl StoreError {
    /// The kind, for exit codes.
    pub fn kind(&self) -> ErrorKind {
        match self {
            StoreError::InUse { .. } => ErrorKind::InUse,
            StoreError::Damaged { .. } | StoreError::Unreadable { .. } => ErrorKind::Damaged,
            StoreError::Io { .. } => ErrorKind::Io,
            StoreError::Rights { .. } => ErrorKind::Setup,
            StoreError::NotPlaced { cause } => cause.kind(),
            StoreError::FormatVersion { .. }
            | StoreError::BucketCount { .. }
            | StoreError::BucketRange { .. }
            | StoreError::NoStore { .. } => ErrorKind::Setup,
            StoreError::Accounts { .. }
            | StoreError::UnknownSeries { .. }
            | StoreError::NoSuchDay { .. }
            | StoreError::Mistake { .. } => ErrorKind::Mistake,
        }
    }

    /// An I/O error with what was tried and on which file.
    pub(crate) fn io(action: &'static str, file: &str, source: io::Error) -> StoreError {
        StoreError::Io { action, file: file.into(), source, room: None }
    }

    /// As it is for one who has not begun: a right that is lacking is then a matter of setting up.
    pub(crate) fn at_start(self) -> StoreError {
        match self {
            StoreError::Io { action, file, source, .. }
                if matches!(Trouble::of(&source), Trouble::NoRight | Trouble::ReadOnly) =>
            {
                StoreError::Rights { action, file, source }
            }
            other => other,
        }
    }

    /// With the room that the work needs, where room is what is lacking.
    pub(crate) fn needing(mut self, lacking: Room) -> StoreError {
        if let StoreError::Io { source, room, .. } = &mut self
            && matches!(Trouble::of(source), Trouble::NoRoom | Trouble::Quota)
        {
            *room = Some(lacking);
        }
        self
    }

    /// The room that was lacking, where it is known.
    pub fn room(&self) -> Option<Room> {
        match self {
            StoreError::Io { room, .. } => *room,
            _ => None,
        }
    }

    /// What the system's answer means; `None` for an error that is none of the system's.
    pub fn trouble(&self) -> Option<Trouble> {
        match self {
            StoreError::Io { source, .. } | StoreError::Rights { source, .. } => {
                Some(Trouble::of(source))
            }
            StoreError::NotPlaced { cause } => cause.trouble(),
            _ => None,
        }
    }

    /// A failure of the Parquet writer: the disk's answer where there is one inside.
    pub(crate) fn writing(file: &str, error: parquet::errors::ParquetError) -> StoreError {
        let reason = error.to_string();
        let source = match error {
            parquet::errors::ParquetError::External(inner) => match inner.downcast::<io::Error>() {
                Ok(source) => *source,
                Err(other) => io::Error::other(other),
            },
            _ => io::Error::other(reason),
        };
        StoreError::io("write", file, source)
    }
}

fn healed_by(dumps: &[String]) -> String {
    match dumps {
        [] => String::new(),
        [one] => format!("; it was built from dump `{one}`"),
        many => format!("; it was built from dumps `{}`", many.join("`, `")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_of_trouble_can_be_told_from_the_others() {
        let io = |kind| StoreError::io("write", "x", io::Error::from(kind));
        assert_eq!(io(io::ErrorKind::StorageFull).kind(), ErrorKind::Io);
        assert_eq!(io(io::ErrorKind::PermissionDenied).kind(), ErrorKind::Io);
        assert_eq!(io(io::ErrorKind::PermissionDenied).at_start().kind(), ErrorKind::Setup);
        assert_eq!(io(io::ErrorKind::StorageFull).at_start().kind(), ErrorKind::Io);
        let busy = StoreError::InUse { path: "store".into(), holder: Holder::default() };
        assert_eq!(busy.kind(), ErrorKind::InUse);
        assert_eq!(busy.to_string(), "store `store` is in use by a run that left no name");
    }

    #[test]
    fn damage_names_the_dumps_that_heal_it() {
        let error = StoreError::Damaged {
            file: "samples/day=2026-03-07/bucket=00.parquet".into(),
            expected: "41208 rows".into(),
            found: "other bytes".into(),
            dumps: vec!["a.csv".into(), "b.csv".into()],
        };
        assert!(error.to_string().ends_with("it was built from dumps `a.csv`, `b.csv`"));
    }
}
