//! The reject file of one dump: `rejects/HASH.csv`, one line per problem of a row that was set
//! aside.
//!
//! Shape:  lines go to disk as they come, into `HASH.csv.part`; a dump that was read to its end
//!         has `HASH.csv.new`, which takes its place when the import has been committed. A run
//!         that is killed between the two leaves a `.new` file, which the next import places.
//! Limits: behind a stated number of bytes the rest is counted in a last line.

use crate::csv_text::Line;
use crate::error::StoreError;
use crate::layout::REJECTS;
use crate::ledger::Ledger;
use crate::seal;
use crate::storage::{NewFile, Storage};
use crate::store::Store;
use metersift_model::Reject;
use std::sync::Arc;

/// Bytes of a reject file behind which rejects are only counted.
pub const MOST_REJECT_BYTES: u64 = 1 << 30;
/// Stands as the reason of the line that counts what was not written.
pub const NOT_WRITTEN: &str = "not_written";

const HEADER: &str = "file,line,column,tag,reason,read,expected\n";
/// Characters of the hash in the file name.
const NAME_LENGTH: usize = 16;
/// Bytes gathered before a write.
const WRITE_BYTES: usize = 256 << 10;
const PART: &str = ".part";
const NEW: &str = ".new";

/// The rejects of one dump, on their way to disk. Dropped before it is kept, it goes.
pub struct RejectFile {
    storage: Arc<dyn Storage>,
    path: String,
    file: Option<Box<dyn NewFile>>,
    text: String,
    bytes: u64,
    most_bytes: u64,
    left_out: u64,
    kept: bool,
}

impl Store {
    /// Begins the reject file of a dump. No reject, no file.
    ///
    /// # Errors
    /// Opened for reading.
    pub fn reject_file(&self, dump_hash: &str, most_bytes: u64) -> Result<RejectFile, StoreError> {
        self.must_write()?;
        Ok(RejectFile {
            storage: Arc::clone(self.storage()),
            path: format!("{REJECTS}/{}.csv", file_name(dump_hash)),
            file: None,
            text: String::new(),
            bytes: 0,
            most_bytes,
            left_out: 0,
            kept: false,
        })
    }
}

impl RejectFile {
    /// The path within the store.
    pub fn path(&self) -> &str {
        &self.path
    }

    /// Tells the dump's hash, by which the file is named, where it was not known when the file
    /// began. Once something was written, the file keeps its name.
    pub fn know_hash(&mut self, dump_hash: &str) {
        if self.bytes == 0 {
            self.path = format!("{REJECTS}/{}.csv", file_name(dump_hash));
        }
    }

    /// Takes one reject.
    ///
    /// # Errors
    /// The system's answer.
    pub fn push(&mut self, reject: &Reject) -> Result<(), StoreError> {
        if self.bytes >= self.most_bytes {
            self.left_out += 1;
            return Ok(());
        }
        if self.file.is_none() {
            self.begin()?;
        }
        let before = self.text.len();
        let origin = &reject.origin;
        let mut line = Line::new(&mut self.text);
        line.text(&origin.file).whole(origin.line).whole(u64::from(origin.column));
        line.text(&origin.tag).text(reject.reason.name());
        line.text(&reject.read).text(&reject.expected);
        line.end();
        self.bytes += (self.text.len() - before) as u64;
        if self.text.len() >= WRITE_BYTES { self.write() } else { Ok(()) }
    }

    fn begin(&mut self) -> Result<(), StoreError> {
        let part = format!("{}{PART}", self.path);
        let created = self.storage.create_dir(REJECTS).and_then(|()| self.storage.create(&part));
        self.file = Some(created.map_err(|e| StoreError::io("write", &part, e))?);
        self.text.push_str(HEADER);
        Ok(())
    }

    fn write(&mut self) -> Result<(), StoreError> {
        let Some(file) = &mut self.file else { return Ok(()) };
        let written = file.write_all(self.text.as_bytes());
        self.text.clear();
        written.map_err(|e| StoreError::io("write", &self.path, e))
    }

    /// Makes it durable: the dump was read to its end.
    ///
    /// # Errors
    /// The system's answer.
    pub fn finish(&mut self) -> Result<(), StoreError> {
        if self.left_out > 0 {
            let most = format!("at most {} bytes of rejects", self.most_bytes);
            let mut line = Line::new(&mut self.text);
            line.text("").whole(0).whole(0).text("").text(NOT_WRITTEN);
            line.text(&format!("{} more rejects", self.left_out)).text(&most);
            line.end();
        }
        self.write()?;
        let Some(mut file) = self.file.take() else { return Ok(()) };
        file.sync().map_err(|e| StoreError::io("write", &self.path, e))?;
        drop(file);
        let (part, new) = (format!("{}{PART}", self.path), format!("{}{NEW}", self.path));
        self.storage.rename(&part, &new).map_err(|e| StoreError::io("rename", &part, e))
    }

    /// Puts it in place of the file of an earlier try: the import was committed. Gives the path
    /// within the store; no rejects, no file.
    ///
    /// # Errors
    /// The system's answer.
    pub fn keep(mut self) -> Result<Option<String>, StoreError> {
        let new = format!("{}{NEW}", self.path);
        let path = self.path.clone();
        self.kept = true;
        let there = self.storage.size(&new).map_err(|e| StoreError::io("read", &new, e))?;
        if there.is_none() || self.bytes == 0 {
            self.storage.remove(&path).map_err(|e| StoreError::io("remove", &path, e))?;
            return Ok(None);
        }
        self.storage.rename(&new, &path).map_err(|e| StoreError::io("rename", &new, e))?;
        Ok(Some(path))
    }
}

impl Drop for RejectFile {
    fn drop(&mut self) {
        self.file = None;
        if !self.kept && self.bytes > 0 {
            // What cannot be removed now is removed by the next import.
            let _ = self.storage.remove(&format!("{}{PART}", self.path));
            let _ = self.storage.remove(&format!("{}{NEW}", self.path));
        }
    }
}

/// Places what a killed run left: a whole reject file of a dump that the ledger holds takes its
/// place, everything else goes.
pub(crate) fn sweep(storage: &dyn Storage, ledger: &Ledger) -> Result<(), StoreError> {
    let entries = storage.list(REJECTS).map_err(|e| StoreError::io("list", REJECTS, e))?;
    for entry in entries.iter().filter(|entry| !entry.is_dir) {
        let path = format!("{REJECTS}/{}", entry.name);
        let known = |name: &str| ledger.dumps.iter().any(|dump| file_name(&dump.hash) == name);
        let whole = entry.name.strip_suffix(NEW).and_then(|name| name.strip_suffix(".csv"));
        if let Some(name) = whole.filter(|name| known(name)) {
            let place = format!("{REJECTS}/{name}.csv");
            storage.rename(&path, &place).map_err(|e| StoreError::io("rename", &path, e))?;
        } else if whole.is_some() || entry.name.ends_with(&format!(".csv{PART}")) {
            storage.remove(&path).map_err(|e| StoreError::io("remove", &path, e))?;
        }
    }
    Ok(())
}

/// A hash as it is; anything else is hashed, because no outside text may become a path.
fn file_name(dump_hash: &str) -> String {
    let is_hash = dump_hash.len() >= NAME_LENGTH
        && dump_hash.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b));
    let name = if is_hash { dump_hash.to_string() } else { seal::hash(dump_hash.as_bytes()) };
    name.chars().take(NAME_LENGTH).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::StoreSettings;
    use metersift_model::{Origin, RejectReason};

    #[test]
    fn no_outside_text_becomes_a_path() {
        for odd in ["../../x", "", "CON", "a/b", "0123456789ABCDEF"] {
            let name = file_name(odd);
            assert!(name.len() == 16 && name.bytes().all(|b| b.is_ascii_hexdigit()), "{odd}");
        }
        assert_eq!(file_name("00112233445566778899"), "0011223344556677");
    }

    fn reject(line: u64) -> Reject {
        let origin = Origin { file: "d.csv".into(), line, column: 1, tag: "=T".into() };
        let (read, expected) = ("x".into(), "a time".into());
        Reject { origin, reason: RejectReason::BadTime, read, expected }
    }

    #[test]
    fn a_full_reject_file_counts_what_it_does_not_hold() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path(), StoreSettings::default()).unwrap();
        let mut file = store.reject_file("0123456789abcdef0", 100).unwrap();
        (1..=50).for_each(|line| file.push(&reject(line)).unwrap());
        file.finish().unwrap();
        let path = file.keep().unwrap().unwrap();
        let text = std::fs::read_to_string(folder.path().join(&path)).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        let written = lines.len() - 2;
        assert!((2..50).contains(&written), "{text}");
        let last = format!(",0,0,,not_written,{} more rejects,", 50 - written);
        assert!(lines.last().unwrap().starts_with(&last), "{text}");
    }

    #[test]
    fn what_is_not_kept_goes_and_what_a_killed_run_left_is_swept() {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(folder.path(), StoreSettings::default()).unwrap();
        let names = || -> Vec<String> {
            let entries = std::fs::read_dir(folder.path().join("rejects")).unwrap();
            entries.map(|e| e.unwrap().file_name().to_string_lossy().into_owned()).collect()
        };
        let mut file = store.reject_file("0123456789abcdef0", 1 << 20).unwrap();
        file.push(&reject(1)).unwrap();
        file.finish().unwrap();
        assert_eq!(names(), ["0123456789abcdef.csv.new"]);
        std::mem::forget(file);
        let mut killed = store.reject_file("fedcba9876543210", 1 << 20).unwrap();
        killed.push(&reject(1)).unwrap();
        std::mem::forget(killed);
        drop(store.begin_import().unwrap());
        assert_eq!(names(), [] as [&str; 0]);
        drop(store.reject_file("0123456789abcdef0", 1 << 20).unwrap());
        assert_eq!(names(), [] as [&str; 0]);
    }
}
