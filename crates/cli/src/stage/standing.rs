//! Whether the results of a morning stand: nothing that they hang on has changed since they were
//! made, and nobody has touched them.
//!
//! Why:    a night without news would judge the whole fleet to write the same bytes again.
//! Rule:   what results hang on, each with its hash: the program, the site file, the record files,
//!         the ledger, the daily and hourly tables, the results of earlier mornings, the last
//!         back-test, which the report draws. If all are equal and every file of the results is as it was left, they stand. In every other case,
//!         and where anything cannot be told, the night is made anew.
//! Limits: the note lies in the store (`ledger/standing.json`); it is about the results that were
//!         written last, and without it they are made anew. Pages of single meters that `explain`
//!         writes beside them are none of them.

use super::appointments;
use super::kept;
use super::night::{Upto, nights_on_disk};
use crate::site::Site;
use crate::story::say;
use metersift_model::Day;
use metersift_store::{Store, Unit};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::io;
use std::path::Path;

/// Bytes of a file that are hashed at a time.
const READ_BYTES: usize = 1 << 20;
/// Files of an earlier morning that a night reads.
const EARLIER: [&str; 2] = ["evidence/verdicts.parquet", "evidence/inputs.json"];

/// What results hang on, by name; `None` where it cannot be told.
pub struct Grounds(Option<BTreeMap<String, String>>);

/// The note of the results that were written last.
#[derive(Serialize, Deserialize)]
struct Note {
    as_of: String,
    grounds: BTreeMap<String, String>,
    /// Hash of each file of the results.
    files: BTreeMap<String, String>,
}

impl Grounds {
    /// What the results of a morning hang on now.
    pub fn of(site: &Site, store: &Store, as_of: Day, upto: Upto) -> Grounds {
        Grounds(told(site, store, as_of, upto).ok())
    }

    /// Whether the results that are there were made on these grounds and are as they were left.
    pub fn stand(&self, site: &Site, store: &Store, as_of: Day) -> bool {
        let Some(grounds) = &self.0 else { return false };
        let note: Option<Note> =
            store.standing().and_then(|bytes| serde_json::from_slice(&bytes).ok());
        let Some(note) = note else { return false };
        let name = as_of.to_string();
        let latest = std::fs::read_to_string(site.out_dir().join("latest"));
        note.as_of == name
            && note.grounds == *grounds
            && latest.is_ok_and(|latest| latest.trim() == name)
            && files(&site.out_dir().join(&name)).is_ok_and(|files| files == note.files)
    }

    /// Notes the results that were just written; what cannot be noted is made anew next time.
    pub fn keep(&self, site: &Site, store: &Store, as_of: Day) {
        let Some(grounds) = &self.0 else { return };
        let as_of = as_of.to_string();
        let Ok(files) = files(&site.out_dir().join(&as_of)) else { return };
        let note = Note { as_of, grounds: grounds.clone(), files };
        let kept = serde_json::to_vec(&note).ok().map(|bytes| store.keep_standing(bytes));
        if let Some(Err(error)) = kept {
            say(format!("the next night is made anew, news or not: {error}"));
        }
    }
}

fn told(
    site: &Site,
    store: &Store,
    as_of: Day,
    upto: Upto,
) -> io::Result<BTreeMap<String, String>> {
    let mut grounds = BTreeMap::new();
    let mut add = |name: String, hash: String| {
        grounds.insert(name, hash);
    };
    add("upto".into(), format!("{upto:?}"));
    add("program".into(), hash_of(&std::env::current_exe()?)?);
    add("settings".into(), site.config_hash.clone());
    add("ledger".into(), store.ledger().state_hash());
    add("tables".into(), tables(store, as_of)?);
    for (name, hash) in files(&site.dir.join("records"))? {
        add(format!("records/{name}"), hash);
    }
    let decisions = site.dir.join("decisions.csv");
    if decisions.try_exists()? {
        add("decisions.csv".into(), hash_of(&decisions)?);
    }
    let backtest = kept::file(site);
    if backtest.try_exists()? {
        add("backtest".into(), hash_of(&backtest)?);
    }
    let nights = nights_on_disk(site).map_err(io::Error::other)?;
    for night in nights.into_iter().filter(|&night| night < as_of) {
        let folder = site.out_dir().join(night.to_string());
        let kept = Path::new("lists").join(appointments::FILE);
        for path in EARLIER.iter().map(Path::new).chain([kept.as_path()]) {
            let file = folder.join(path);
            if file.try_exists()? {
                add(format!("{night}/{}", path.display()), hash_of(&file)?);
            }
        }
    }
    Ok(grounds)
}

/// The daily and hourly tables before a morning, by the inputs that they were made from; each is
/// compared with its receipt.
fn tables(store: &Store, as_of: Day) -> io::Result<String> {
    let mut hasher = blake3::Hasher::new();
    let units = store.daily_units().map_err(io::Error::other)?;
    for Unit { day, bucket } in units.into_iter().filter(|unit| unit.day < as_of) {
        let receipts = [store.daily_receipt(day, bucket), store.hours_receipt(day, bucket)];
        hasher.update(format!("{day} {bucket} {receipts:?}\n").as_bytes());
    }
    Ok(hasher.finalize().to_hex().to_string())
}

/// Files below a folder and their hashes; none where there is no folder.
fn files(folder: &Path) -> io::Result<BTreeMap<String, String>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(next) = folders.pop() {
        let entries = match std::fs::read_dir(&next) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
            entries => entries?,
        };
        for entry in entries {
            let path = entry?.path();
            let name = path.strip_prefix(folder).unwrap_or(&path).to_string_lossy().into_owned();
            if path.is_dir() {
                if name != "explain" {
                    folders.push(path);
                }
            } else {
                found.insert(name, hash_of(&path)?);
            }
        }
    }
    Ok(found)
}

fn hash_of(path: &Path) -> io::Result<String> {
    let mut file = std::fs::File::open(path)?;
    let (mut hasher, mut buffer) = (blake3::Hasher::new(), vec![0; READ_BYTES]);
    loop {
        match io::Read::read(&mut file, &mut buffer)? {
            0 => return Ok(hasher.finalize().to_hex().to_string()),
            n => hasher.update(&buffer[..n]),
        };
    }
}
