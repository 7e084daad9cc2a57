//! What earlier runs leave to save work: dump files whose content hash is known, so that a folder
//! with years of dumps need not be read through every night to find the one that is new; and a note
//! of the caller's about what it made last.
//!
//! Shape:  `ledger/seen.jsonl`, one line per file, and `ledger/standing.json`, one line that the
//!         caller makes, both sealed with their own hashes.
//! Rule:   it only saves work. A file whose looks (size, times, number on its disk: the caller's
//!         choice) differ in anything is hashed again; without this file, or with a damaged one,
//!         all are.

use crate::error::StoreError;
use crate::layout::{LEDGER_DIR, SEEN, STANDING};
use crate::seal;
use crate::storage::put;
use crate::store::Store;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// One file as it was seen.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SeenFile {
    /// Size, times and whatever else changes when the content does.
    pub looks: String,
    /// blake3 of the content.
    pub hash: String,
    /// The tag table under which its rejects were looked through in vain; empty for none.
    pub tags: String,
}

/// Files by path.
pub type SeenFiles = BTreeMap<String, SeenFile>;

#[derive(Serialize, Deserialize)]
struct Line {
    file: String,
    #[serde(flatten)]
    seen: SeenFile,
}

impl Store {
    /// What earlier runs saw; empty when there is nothing that can be trusted.
    pub fn seen_files(&self) -> SeenFiles {
        let read = || {
            let bytes = self.storage().read(SEEN).ok()?;
            let body = seal::open(SEEN, &bytes).ok()?;
            let lines = body.split(|&byte| byte == b'\n').filter(|line| !line.is_empty());
            lines.map(|line| seal::parse::<Line>(SEEN, line).ok()).collect::<Option<Vec<Line>>>()
        };
        read().unwrap_or_default().into_iter().map(|line| (line.file, line.seen)).collect()
    }

    /// Keeps what this run saw.
    ///
    /// # Errors
    /// Opened for reading, or the system's answer; earlier knowledge stands then.
    pub fn keep_seen_files(&self, files: &SeenFiles) -> Result<(), StoreError> {
        self.must_write()?;
        let lines =
            files.iter().map(|(file, seen)| Line { file: file.clone(), seen: seen.clone() });
        let body: Vec<u8> = lines.flat_map(|line| seal::line(&line)).collect();
        self.keep_sealed(SEEN, body)
    }

    /// The caller's note on what it made last; `None` when there is none that can be trusted.
    pub fn standing(&self) -> Option<Vec<u8>> {
        let bytes = self.storage().read(STANDING).ok()?;
        let body = seal::open(STANDING, &bytes).ok()?;
        Some(body.strip_suffix(b"\n").unwrap_or(body).to_vec())
    }

    /// Keeps a note of one line.
    ///
    /// # Errors
    /// Opened for reading, or the system's answer; the earlier note stands then.
    pub fn keep_standing(&self, mut note: Vec<u8>) -> Result<(), StoreError> {
        self.must_write()?;
        note.push(b'\n');
        self.keep_sealed(STANDING, note)
    }

    fn keep_sealed(&self, path: &str, body: Vec<u8>) -> Result<(), StoreError> {
        let staged = format!("{path}.new");
        let storage = self.storage();
        put(&**storage, &staged, &seal::close(body))
            .and_then(|()| storage.rename(&staged, path))
            .and_then(|()| storage.sync_dir(LEDGER_DIR))
            .map_err(|e| StoreError::io("write", path, e))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::StoreSettings;

    #[test]
    fn what_was_seen_comes_back_and_a_turned_bit_is_forgotten_whole() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path(), StoreSettings::default()).unwrap();
        assert!(store.seen_files().is_empty());
        let seen =
            |n: u8| SeenFile { looks: format!("{n}"), hash: seal::hash(&[n]), tags: "".into() };
        let files: SeenFiles =
            [("a \"b\"\n.csv".to_owned(), seen(1)), ("c.csv".to_owned(), seen(2))].into();
        store.keep_seen_files(&files).unwrap();
        assert_eq!(store.seen_files(), files);
        assert!(store.standing().is_none());
        store.keep_standing(b"{\"x\":1}".to_vec()).unwrap();
        assert_eq!(store.standing().as_deref(), Some(&b"{\"x\":1}"[..]));
        let path = folder.path().join(STANDING);
        let mut note = std::fs::read(&path).unwrap();
        note[3] ^= 1;
        std::fs::write(&path, note).unwrap();
        assert!(store.standing().is_none());
        let path = folder.path().join(SEEN);
        let good = std::fs::read(&path).unwrap();
        for bit in 0..good.len() * 8 {
            let mut bad = good.clone();
            bad[bit / 8] ^= 1 << (bit % 8);
            std::fs::write(&path, &bad).unwrap();
            assert!(store.seen_files().is_empty(), "bit {bit}");
        }
    }
}
