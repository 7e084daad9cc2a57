//! The commit protocol: one rename decides, everything after it can be done again.
//!
//! 1. New files are written to `staging/`, synced, read back and compared.
//! 2. The intent file (every move, with the hash of what is moved) is written there, synced and
//!    renamed to `ledger/intent.json`: **the commit point**.
//! 3. Day files, then the ledger, are renamed into place; folders are synced; the intent goes.
//!
//! At the next start: staging without intent is removed, an intent is carried out again. Each
//! step is idempotent: a move whose source is gone is done when the target has the right hash.

use crate::error::{ErrorKind, StoreError, Trouble};
use crate::layout::{FORMAT_VERSION, SAMPLES};
use crate::layout::{INTENT, LEDGER, LEDGER_DIR, STAGED_INTENT, STAGED_LEDGER, STAGING};
use crate::ledger::Ledger;
use crate::seal;
use crate::storage::{Storage, put};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::io;
use std::time::Duration;

/// How long a file that somebody has open is waited for. A judgement: a copy by a backup program
/// or a look at a day file takes less.
const PATIENCE: Duration = Duration::from_secs(10);
const SHORTEST_PAUSE: Duration = Duration::from_millis(50);
const LONGEST_PAUSE: Duration = Duration::from_secs(1);

/// One file to be put in its place.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Move {
    pub from: String,
    pub to: String,
    /// blake3 of the content; empty for a damaged file that is only taken out of the way.
    pub hash: String,
}

/// What an import has decided to do.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Intent {
    pub format: u64,
    pub sequence: u64,
    /// In this order; the ledger is the last.
    pub moves: Vec<Move>,
    /// Day files that go without a successor.
    pub removes: Vec<String>,
}

impl Intent {
    pub(crate) fn from_bytes(bytes: &[u8]) -> Result<Intent, StoreError> {
        let body = seal::open(INTENT, bytes)?;
        seal::check_version(INTENT, body)?;
        seal::parse(INTENT, body)
    }
}

/// How an interrupted import was finished at the next start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Recovered {
    /// Files that still had to be put in place.
    pub placed: usize,
    /// Files of the interrupted import in all.
    pub files: usize,
}

/// Reads the intent; `None` when nothing was interrupted.
pub(crate) fn read_intent(storage: &dyn Storage) -> Result<Option<Intent>, StoreError> {
    match storage.read(INTENT) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(StoreError::io("read", INTENT, error)),
        Ok(bytes) => Intent::from_bytes(&bytes).map(Some),
    }
}

/// Stages the ledger and the intent. `moves` are staged and synced already. Nothing is decided
/// yet: an error leaves the store as it was.
pub(crate) fn prepare(
    storage: &dyn Storage,
    ledger: &Ledger,
    mut moves: Vec<Move>,
    removes: Vec<String>,
) -> Result<Intent, StoreError> {
    let bytes = ledger.to_bytes();
    let hash = seal::hash(&bytes);
    put(storage, STAGED_LEDGER, &bytes).map_err(|e| StoreError::io("write", STAGED_LEDGER, e))?;
    moves.push(Move { from: STAGED_LEDGER.into(), to: LEDGER.into(), hash });
    let intent = Intent { format: FORMAT_VERSION, sequence: ledger.sequence, moves, removes };
    let sealed = seal::close(seal::line(&intent));
    put(storage, STAGED_INTENT, &sealed)
        .and_then(|()| storage.sync_dir(STAGING))
        .and_then(|()| storage.create_dir(LEDGER_DIR))
        .and_then(|()| storage.sync_dir(""))
        .map_err(|e| StoreError::io("write", STAGED_INTENT, e))?;
    Ok(intent)
}

/// The commit point. After `Ok` the import is committed, whatever happens next; after an error
/// nobody knows, so staging must stay for the next start to find out.
pub(crate) fn decide(storage: &dyn Storage) -> Result<(), StoreError> {
    let renamed = storage.rename(STAGED_INTENT, INTENT);
    renamed.map_err(|e| StoreError::io("write", INTENT, e))?;
    storage.sync_dir(LEDGER_DIR).map_err(|e| {
        let cause = Box::new(StoreError::io("sync", LEDGER_DIR, e));
        StoreError::NotPlaced { cause }
    })
}

/// Puts every file of a decided import in its place, then forgets the intent.
pub(crate) fn carry_out(
    storage: &dyn Storage,
    intent: &Intent,
    verify: bool,
) -> Result<Recovered, StoreError> {
    put_in_place(storage, intent, verify).map_err(|error| match error.kind() {
        // A damaged file stays what it is: the next start finds it too.
        ErrorKind::Io => StoreError::NotPlaced { cause: Box::new(error) },
        _ => error,
    })
}

fn put_in_place(
    storage: &dyn Storage,
    intent: &Intent,
    verify: bool,
) -> Result<Recovered, StoreError> {
    let (ledger, files): (Vec<&Move>, Vec<&Move>) =
        intent.moves.iter().partition(|m| m.to == LEDGER);
    let mut done = Recovered { placed: 0, files: intent.moves.len() };
    let folders: BTreeSet<&str> = files.iter().map(|m| folder_of(&m.to)).collect();
    for folder in &folders {
        storage.create_dir(folder).map_err(|e| StoreError::io("create", folder, e))?;
    }
    for step in files {
        done.placed += usize::from(place(storage, step, verify)?);
    }
    for path in &intent.removes {
        storage.remove(path).map_err(|e| StoreError::io("remove", path, e))?;
    }
    let gone = intent.removes.iter().map(|path| folder_of(path));
    let mut to_sync: BTreeSet<&str> = folders.into_iter().chain(gone).collect();
    let parents: Vec<&str> = to_sync.iter().map(|folder| folder_of(folder)).collect();
    to_sync.extend(parents);
    to_sync.extend([SAMPLES, ""]);
    for folder in to_sync {
        sync_folder(storage, folder)?;
    }
    // A day that is set aside must not be back in its old place after a power loss, nor gone
    // from there before it is durable in the new one.
    let left: BTreeSet<&str> = intent.moves.iter().map(|m| folder_of(&m.from)).collect();
    for folder in left.into_iter().filter(|&folder| folder != STAGING) {
        sync_folder(storage, folder)?;
    }
    // Only now: a ledger that is in place speaks for day files that are.
    for step in ledger {
        done.placed += usize::from(place(storage, step, verify)?);
    }
    sync_folder(storage, LEDGER_DIR)?;
    storage.remove(INTENT).map_err(|e| StoreError::io("remove", INTENT, e))?;
    sync_folder(storage, LEDGER_DIR)?;
    storage.remove_dir(STAGING).map_err(|e| StoreError::io("remove", STAGING, e))?;
    Ok(done)
}

fn folder_of(path: &str) -> &str {
    path.rsplit_once('/').map_or("", |(folder, _)| folder)
}

fn sync_folder(storage: &dyn Storage, folder: &str) -> Result<(), StoreError> {
    match storage.sync_dir(folder) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        other => other.map_err(|e| StoreError::io("sync", folder, e)),
    }
}

/// Moves one file; `false` when it is there already.
fn place(storage: &dyn Storage, step: &Move, verify: bool) -> Result<bool, StoreError> {
    let io = |path: &str| {
        let path = path.to_string();
        move |e| StoreError::io("place", &path, e)
    };
    if storage.size(&step.from).map_err(io(&step.from))?.is_some() {
        if verify && !step.hash.is_empty() {
            expect_hash(storage, &step.from, &step.hash)?;
        }
        rename_patiently(storage, &step.from, &step.to).map_err(io(&step.to))?;
        return Ok(true);
    }
    if !step.hash.is_empty() {
        expect_hash(storage, &step.to, &step.hash)?;
    }
    Ok(false)
}

/// A file that somebody has open cannot be replaced on every system: a reader is soon done.
fn rename_patiently(storage: &dyn Storage, from: &str, to: &str) -> io::Result<()> {
    let mut waited = Duration::ZERO;
    let mut pause = SHORTEST_PAUSE;
    loop {
        match storage.rename(from, to) {
            Err(error)
                if waited < PATIENCE
                    && matches!(Trouble::of(&error), Trouble::Busy | Trouble::NoRight) =>
            {
                storage.pause(pause);
                waited += pause;
                pause = (2 * pause).min(LONGEST_PAUSE);
            }
            other => return other,
        }
    }
}

fn expect_hash(storage: &dyn Storage, path: &str, expected: &str) -> Result<(), StoreError> {
    let found = match storage.read(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => "no such file".to_string(),
        Err(error) => return Err(StoreError::io("read", path, error)),
        Ok(bytes) => format!("hash {}", seal::hash(&bytes)),
    };
    if found == format!("hash {expected}") {
        return Ok(());
    }
    Err(StoreError::Damaged {
        file: path.into(),
        expected: format!("hash {expected}"),
        found,
        dumps: Vec::new(),
    })
}

/// Brings a store that was interrupted to one side of its commit point.
pub(crate) fn recover(storage: &dyn Storage) -> Result<Option<Recovered>, StoreError> {
    if let Some(intent) = read_intent(storage)? {
        return carry_out(storage, &intent, true).map(Some);
    }
    storage.remove_dir(STAGING).map_err(|e| StoreError::io("remove", STAGING, e))?;
    Ok(None)
}
