//! The store as a whole: opening, the ledger, the files of a unit.

use crate::commit::{self, Recovered};
use crate::day_file::Group;
use crate::day_reader::{Content, DayFileReader, read_verified, with_dumps};
use crate::error::StoreError;
use crate::import::Import;
use crate::layout::{self, LEDGER, LEDGER_DIR, MOST_BUCKETS, SAMPLES, Unit};
use crate::ledger::{DayFile, FileStamp, Ledger};
use crate::lock::WriterLock;
use crate::merge::Existing;
use crate::ration::Ration;
use crate::storage::{DiskStorage, Storage};
use crate::tellings::{OriginReader, TellingsReader};
use crate::window::{PartedFile, Window, parse_parts};
use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError, RwLock};

/// Memory that an import may use when nothing else is said.
pub const DEFAULT_MEMORY_BYTES: u64 = 1 << 30;
/// How often a reader looks again when a writer was at work.
const READER_TRIES: usize = 5;

/// How a store is opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoreSettings {
    /// Buckets of meters per day; fixed when the store is made. `None`: what the store has, and 1
    /// for a new one.
    pub bucket_count: Option<u32>,
    /// Ceiling for the memory of a process that imports, bytes: what it holds of readings and of
    /// row groups follows from it. Below about 150 MiB the program itself takes more.
    pub memory_bytes: u64,
}

impl Default for StoreSettings {
    fn default() -> StoreSettings {
        StoreSettings { bucket_count: None, memory_bytes: DEFAULT_MEMORY_BYTES }
    }
}

/// What a reader or writer knows of the store.
#[derive(Debug, Default)]
struct State {
    ledger: Arc<Ledger>,
    /// Day files of a committed import that are not yet in place: path to staged path.
    staged: BTreeMap<String, String>,
}

/// A store of readings and daily features.
pub struct Store {
    root: PathBuf,
    storage: Arc<dyn Storage>,
    bucket_count: u32,
    memory_bytes: u64,
    /// `None` for a reader.
    writer: Option<Writer>,
    state: RwLock<Arc<State>>,
    recovered: Option<Recovered>,
}

/// What makes a store writable.
struct Writer {
    _lock: Option<WriterLock>,
}

impl Store {
    /// Opens a store for writing, making it when there is none: takes the writer's lock, finishes
    /// or removes what an interrupted import left.
    ///
    /// # Errors
    /// In use, damaged ledger, newer format, another bucket count, or the system's answer.
    pub fn open(root: &Path, settings: StoreSettings) -> Result<Store, StoreError> {
        std::fs::create_dir_all(root)
            .map_err(|e| StoreError::io("create", &root.to_string_lossy(), e).at_start())?;
        let lock = WriterLock::take(root).map_err(StoreError::at_start)?;
        let storage = Arc::new(DiskStorage::new(root));
        Store::open_writer(root, storage, settings, Some(lock)).map_err(StoreError::at_start)
    }

    /// Opens a store on another kind of storage, which must itself see to it that there is only
    /// one writer.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub fn open_on(
        storage: Arc<dyn Storage>,
        settings: StoreSettings,
    ) -> Result<Store, StoreError> {
        Store::open_writer(Path::new(""), storage, settings, None).map_err(StoreError::at_start)
    }

    fn open_writer(
        root: &Path,
        storage: Arc<dyn Storage>,
        settings: StoreSettings,
        lock: Option<WriterLock>,
    ) -> Result<Store, StoreError> {
        let asked = settings.bucket_count;
        if let Some(asked) = asked.filter(|&n| n == 0 || n > MOST_BUCKETS) {
            return Err(StoreError::BucketRange { asked, most: MOST_BUCKETS });
        }
        let bucket_count = match (format_of(&*storage)?, asked) {
            (Some(stored), Some(asked)) if stored != asked => {
                return Err(StoreError::BucketCount { stored, asked });
            }
            (Some(stored), _) => stored,
            (None, asked) => {
                let bucket_count = asked.unwrap_or(1);
                layout::write_format(&*storage, bucket_count)?;
                bucket_count
            }
        };
        for folder in [SAMPLES, LEDGER_DIR] {
            storage.create_dir(folder).map_err(|e| StoreError::io("create", folder, e))?;
        }
        let recovered = commit::recover(&*storage)?;
        let state =
            State { ledger: Arc::new(read_ledger(&*storage, LEDGER)?), staged: BTreeMap::new() };
        Ok(Store {
            root: root.into(),
            storage,
            bucket_count,
            memory_bytes: settings.memory_bytes,
            writer: Some(Writer { _lock: lock }),
            state: RwLock::new(Arc::new(state)),
            recovered,
        })
    }

    /// Opens a store for reading: no lock, nothing is written, a writer may be at work.
    ///
    /// # Errors
    /// No store, damaged ledger, newer format, or the system's answer.
    pub fn read(root: &Path) -> Result<Store, StoreError> {
        Store::read_on(root, Arc::new(DiskStorage::new(root))).map_err(StoreError::at_start)
    }

    fn read_on(root: &Path, storage: Arc<dyn Storage>) -> Result<Store, StoreError> {
        let bucket_count =
            format_of(&*storage)?.ok_or_else(|| StoreError::NoStore { path: root.into() })?;
        let state = read_state(&*storage)?;
        Ok(Store {
            root: root.into(),
            storage,
            bucket_count,
            memory_bytes: DEFAULT_MEMORY_BYTES,
            writer: None,
            state: RwLock::new(Arc::new(state)),
            recovered: None,
        })
    }

    /// The folder of the store.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// Buckets per day.
    pub fn bucket_count(&self) -> u32 {
        self.bucket_count
    }

    /// What opening had to finish of an interrupted import.
    pub fn recovered(&self) -> Option<Recovered> {
        self.recovered
    }

    /// Dumps and day files as they are now.
    pub fn ledger(&self) -> Arc<Ledger> {
        self.state().ledger.clone()
    }

    fn state(&self) -> Arc<State> {
        self.state.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn set_state(&self, state: State) {
        *self.state.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(state);
    }

    pub(crate) fn storage(&self) -> &Arc<dyn Storage> {
        &self.storage
    }

    /// How the memory of an import is shared out.
    pub(crate) fn ration(&self) -> Ration {
        Ration::of(self.memory_bytes, rayon::current_num_threads())
    }

    pub(crate) fn set_ledger(&self, ledger: Ledger) {
        self.set_state(State { ledger: Arc::new(ledger), staged: BTreeMap::new() });
    }

    pub(crate) fn must_write(&self) -> Result<(), StoreError> {
        match self.writer {
            Some(_) => Ok(()),
            None => Err(StoreError::Mistake { what: "the store was opened for reading" }),
        }
    }

    /// All day files, by day, then bucket.
    pub fn day_files(&self) -> Vec<DayFile> {
        self.state().ledger.days.values().cloned().collect()
    }

    /// Begins an import; nothing is visible before [`Import::commit`].
    ///
    /// # Errors
    /// Opened for reading, or the system's answer.
    pub fn begin_import(&mut self) -> Result<Import<'_>, StoreError> {
        self.ready_to_write()?;
        Import::new(self)
    }

    /// Finishes a commit of this very process that failed after its commit point.
    pub(crate) fn ready_to_write(&mut self) -> Result<(), StoreError> {
        self.must_write()?;
        if commit::recover(&*self.storage)?.is_some() {
            self.set_ledger(read_ledger(&*self.storage, LEDGER)?);
        }
        Ok(())
    }

    /// The verified bytes of a day file; `None` when the ledger knows none.
    pub(crate) fn day_bytes(&self, unit: Unit) -> Result<Option<Vec<u8>>, StoreError> {
        self.consistent(unit, |read, day| read(&unit.samples_path(), day.bytes, &day.hash))
    }

    /// What is there of a unit, with every telling. For the writer a file of several groups is
    /// never whole in memory; a reader takes it whole, because a writer may replace it between two
    /// groups.
    pub(crate) fn existing(&self, unit: Unit) -> Result<Existing, StoreError> {
        let existing = self.consistent(unit, |read, day| {
            let samples = self.day_content(read, unit, day)?;
            let samples = DayFileReader::of(&unit.samples_path(), samples)?;
            let tellings = match &day.origin {
                None => TellingsReader::OfDayFile,
                Some(stamp) => {
                    let path = unit.origin_path();
                    let origin = self.whole_or_parts(read, path.clone(), &Stamp::of_file(stamp))?;
                    TellingsReader::File(Box::new(OriginReader::of(&path, origin)?))
                }
            };
            Ok(Existing::new(samples, tellings))
        })?;
        Ok(existing.unwrap_or_default())
    }

    /// The day file of a unit, group by group, in memory as that of [`Store::existing`].
    pub(crate) fn day_reader(&self, unit: Unit) -> Result<Option<DayFileReader>, StoreError> {
        self.consistent(unit, |read, day| {
            DayFileReader::of(&unit.samples_path(), self.day_content(read, unit, day)?)
        })
    }

    fn day_content(
        &self,
        read: Read<'_>,
        unit: Unit,
        day: &DayFile,
    ) -> Result<Content, StoreError> {
        self.whole_or_parts(read, unit.samples_path(), &Stamp::of_day(day))
    }

    fn whole_or_parts(
        &self,
        read: Read<'_>,
        path: String,
        stamp: &Stamp<'_>,
    ) -> Result<Content, StoreError> {
        if self.writer.is_some() {
            return self.content(read, path, stamp);
        }
        Ok(Content::Whole(Window::whole(read(&path, stamp.bytes, stamp.hash)?.into())))
    }

    /// Names the dumps that heal a damaged file of a unit: what is read in parts is found damaged
    /// as it is used.
    pub(crate) fn naming_dumps(&self, error: StoreError, unit: Unit) -> StoreError {
        match &error {
            StoreError::Damaged { file, dumps, .. }
                if dumps.is_empty() && [unit.samples_path(), unit.origin_path()].contains(file) =>
            {
                with_dumps(error, self.ledger().dumps_of(unit))
            }
            _ => error,
        }
    }

    /// A file of a unit: in parts that are hashed as they are read where the ledger has their
    /// hashes, else whole and hashed at once.
    fn content(
        &self,
        read: Read<'_>,
        path: String,
        stamp: &Stamp<'_>,
    ) -> Result<Content, StoreError> {
        // What an interrupted commit has not put in place yet is read whole.
        let in_place = !self.state().staged.contains_key(&path);
        let parts = parse_parts(stamp.parts, stamp.bytes).filter(|_| in_place);
        Ok(match parts {
            Some(parts) => {
                let storage = Arc::clone(&self.storage);
                Content::Parts(PartedFile { storage, path, parts })
            }
            None => Content::Whole(Window::whole(read(&path, stamp.bytes, stamp.hash)?.into())),
        })
    }

    /// One meter of a unit, with every telling: no more of a file is read than may hold it, where
    /// the ledger has hashes of its parts.
    pub(crate) fn meter_of(&self, unit: Unit, meter: &str) -> Result<Group, StoreError> {
        let found = self.consistent(unit, |read, day| {
            let path = unit.samples_path();
            let samples = self.content(read, path.clone(), &Stamp::of_day(day))?;
            let samples = DayFileReader::of(&path, samples)?.only(meter);
            let tellings = match &day.origin {
                None => TellingsReader::OfDayFile,
                Some(stamp) => {
                    let path = unit.origin_path();
                    let origin = self.content(read, path.clone(), &Stamp::of_file(stamp))?;
                    let reader = OriginReader::of(&path, origin)?.skipping();
                    TellingsReader::File(Box::new(reader))
                }
            };
            Existing::new(samples, tellings).meter(meter)
        })?;
        Ok(found.unwrap_or_default())
    }

    /// Reads files of a unit that belong to one state of the ledger; `None` when the ledger has
    /// no such unit.
    pub(crate) fn consistent<T>(
        &self,
        unit: Unit,
        read_all: impl Fn(Read<'_>, &DayFile) -> Result<T, StoreError>,
    ) -> Result<Option<T>, StoreError> {
        let mut tries = 0;
        loop {
            let state = self.state();
            let Some(entry) = state.ledger.days.get(&unit) else { return Ok(None) };
            let read = |path: &str, bytes: u64, hash: &str| {
                let read = |path: &str| read_verified(&*self.storage, path, bytes, hash);
                let staged = state.staged.get(path);
                read(path).or_else(|e| staged.map_or(Err(e), |from| read(from)))
            };
            let error = match read_all(&read, entry) {
                Ok(value) => return Ok(Some(value)),
                Err(error) => error,
            };
            tries += 1;
            // A reader may have been overtaken by a writer: what is true now?
            if self.writer.is_some() || tries == READER_TRIES {
                return Err(with_dumps(error, state.ledger.dumps_of(unit)));
            }
            self.set_state(read_state(&*self.storage)?);
        }
    }
}

/// What the ledger says about a file.
struct Stamp<'a> {
    bytes: u64,
    hash: &'a str,
    parts: &'a [String],
}

impl Stamp<'_> {
    fn of_day(day: &DayFile) -> Stamp<'_> {
        Stamp { bytes: day.bytes, hash: &day.hash, parts: &day.parts }
    }

    fn of_file(file: &FileStamp) -> Stamp<'_> {
        Stamp { bytes: file.bytes, hash: &file.hash, parts: &file.parts }
    }
}

/// Reads a file of the ledger: path, size and hash.
pub(crate) type Read<'a> = &'a dyn Fn(&str, u64, &str) -> Result<Vec<u8>, StoreError>;

/// The bucket count of the store; `None` when there is none. A ledger without a format file is
/// no place for a new store: its grid would be guessed.
fn format_of(storage: &dyn Storage) -> Result<Option<u32>, StoreError> {
    if let Some(bucket_count) = layout::read_format(storage)? {
        return Ok(Some(bucket_count));
    }
    if storage.size(LEDGER).map_err(|e| StoreError::io("read", LEDGER, e))?.is_none() {
        return Ok(None);
    }
    Err(StoreError::Damaged {
        file: layout::FORMAT.into(),
        expected: "the format of the store whose ledger is there".into(),
        found: "no such file".into(),
        dumps: Vec::new(),
    })
}

fn read_ledger(storage: &dyn Storage, path: &str) -> Result<Ledger, StoreError> {
    match storage.read(path) {
        Ok(bytes) => Ledger::from_bytes(&bytes),
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            // Day files without a ledger are not an empty store.
            let days = storage.list(SAMPLES).map_err(|e| StoreError::io("read", SAMPLES, e))?;
            if days.is_empty() {
                return Ok(Ledger { next_dump: 1, ..Ledger::default() });
            }
            Err(StoreError::Damaged {
                file: path.into(),
                expected: "the ledger of the day files that are there".into(),
                found: "no such file".into(),
                dumps: Vec::new(),
            })
        }
        Err(error) => Err(StoreError::io("read", path, error)),
    }
}

/// What is true for a reader: with an intent in place, the import it speaks of is committed, and
/// its files are either in place or still staged.
fn read_state(storage: &dyn Storage) -> Result<State, StoreError> {
    let mut last = None;
    for _ in 0..READER_TRIES {
        match try_read_state(storage) {
            Ok(state) => return Ok(state),
            Err(error) => last = Some(error),
        }
    }
    Err(last.unwrap_or(StoreError::Mistake { what: "a reader tries at least once" }))
}

fn try_read_state(storage: &dyn Storage) -> Result<State, StoreError> {
    let Some(intent) = commit::read_intent(storage)? else {
        let ledger = Arc::new(read_ledger(storage, LEDGER)?);
        return Ok(State { ledger, staged: BTreeMap::new() });
    };
    let staged: BTreeMap<String, String> =
        intent.moves.iter().map(|m| (m.to.clone(), m.from.clone())).collect();
    let from = staged.get(LEDGER).map_or(LEDGER, String::as_str);
    let is_staged = storage.size(from).map_err(|e| StoreError::io("read", from, e))?.is_some();
    let ledger = Arc::new(read_ledger(storage, if is_staged { from } else { LEDGER })?);
    Ok(State { ledger, staged })
}
