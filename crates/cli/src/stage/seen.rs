//! Hashes of dump files, from memory where a file looks as it did when it was hashed.

use crate::site::Site;
use crate::story::say;
use metersift_import::ImportError;
use metersift_store::{Ledger, SeenFile, SeenFiles, Store};
use std::fs::Metadata;
use std::path::Path;
use std::time::Duration;

/// A file that changed so shortly before it was hashed may change again within the same tick of
/// the file system's clock; the coarsest in use ticks every two seconds (common practice, no
/// source).
const TICK: Duration = Duration::from_secs(2);

/// Dump files of earlier runs and of this one.
pub struct Seen {
    before: SeenFiles,
    now: SeenFiles,
    /// Names the tag table and the settings that it is read with.
    tags: String,
}

/// A dump before it is read.
pub struct Looked {
    /// Its hash, where that was needed or known.
    pub hash: Option<String>,
    looks: Option<String>,
}

impl Looked {
    /// Whether the file still looks as it did; a file whose looks cannot be relied on never does.
    pub fn is_as_before(&self, path: &Path) -> bool {
        let now = std::fs::metadata(metersift_import::file_of(path)).ok().and_then(looks);
        now.is_some() && now == self.looks
    }
}

impl Seen {
    /// What earlier runs left in the store.
    pub fn of(site: &Site, store: &Store) -> Seen {
        let mut hasher = blake3::Hasher::new();
        // A table that cannot be read is refused before anything asks for it.
        hasher.update(&std::fs::read(site.dir.join("records/tags.csv")).unwrap_or_default());
        hasher.update(site.config_hash.as_bytes());
        let tags = hasher.finalize().to_hex().to_string();
        Seen { before: store.seen_files(), now: SeenFiles::new(), tags }
    }

    /// Whether a file looks as it did when it was hashed as a dump.
    pub fn is_known(&self, path: &Path) -> bool {
        let looks = std::fs::metadata(path).ok().and_then(looks);
        self.before
            .get(&*path.to_string_lossy())
            .is_some_and(|seen| Some(&seen.looks) == looks.as_ref())
    }

    /// The hash of a dump as it lies on disk, unless it is told by its size that the ledger holds
    /// no such dump: then it is hashed while it is read, and [`Seen::learn`] is told.
    pub fn hash(&mut self, path: &Path, ledger: &Ledger) -> Result<Looked, ImportError> {
        let data = std::fs::metadata(metersift_import::file_of(path)).ok();
        // The entries of an archive have no size of their own here.
        let size = data.as_ref().filter(|_| metersift_import::file_of(path) == path);
        let size = size.map(Metadata::len);
        let looks = data.and_then(looks);
        let name = path.to_string_lossy().into_owned();
        let before = self.before.get(&name).filter(|seen| Some(&seen.looks) == looks.as_ref());
        if let Some(seen) = before {
            self.now.insert(name, seen.clone());
            return Ok(Looked { hash: Some(seen.hash.clone()), looks });
        }
        if size.is_some_and(|size| ledger.dumps.iter().all(|dump| dump.bytes != size)) {
            return Ok(Looked { hash: None, looks });
        }
        let hash = metersift_import::hash_file(path)?;
        let looked = Looked { hash: Some(hash.clone()), looks };
        self.learn(path, &looked, &hash);
        Ok(looked)
    }

    /// The hash of a dump that looked so before it was read.
    pub fn learn(&mut self, path: &Path, looked: &Looked, hash: &str) {
        if let Some(looks) = looked.looks.clone() {
            let seen = SeenFile { looks, hash: hash.to_owned(), tags: String::new() };
            self.now.insert(path.to_string_lossy().into_owned(), seen);
        }
    }

    /// Whether the rejects of a dump hold no tag that this tag table knows, as far as is known.
    pub fn looked_through(&self, path: &Path) -> bool {
        let seen = self.now.get(&*path.to_string_lossy());
        seen.is_some_and(|seen| seen.tags == self.tags)
    }

    /// They hold none.
    pub fn look_through(&mut self, path: &Path) {
        if let Some(seen) = self.now.get_mut(&*path.to_string_lossy()) {
            seen.tags.clone_from(&self.tags);
        }
    }

    /// Leaves it to the next run.
    pub fn keep(&self, store: &Store) {
        if self.now != self.before
            && let Err(error) = store.keep_seen_files(&self.now)
        {
            say(format!("the next run has to read every dump to know it again: {error}"));
        }
    }
}

/// What changes when the content of a file does: size, times of content and of the file's record,
/// its number. `None` where that cannot be relied on.
#[cfg(unix)]
fn looks(data: Metadata) -> Option<String> {
    use std::os::unix::fs::MetadataExt;
    let changed = Duration::new(u64::try_from(data.ctime()).ok()?, 0);
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).ok()?;
    let at_rest = now.checked_sub(changed).is_some_and(|age| age > TICK);
    at_rest.then(|| {
        format!(
            "{} {}.{:09} {}.{:09} {}:{}",
            data.size(),
            data.mtime(),
            data.mtime_nsec(),
            data.ctime(),
            data.ctime_nsec(),
            data.dev(),
            data.ino()
        )
    })
}

#[cfg(not(unix))]
fn looks(_: Metadata) -> Option<String> {
    let _ = TICK;
    None
}
