//! The file system as an argument: about ten operations, so that tests can fail the N-th call
//! and lose what was not synced, and so that another kind of storage can take their place.
//!
//! Paths are relative to the store and use `/`. No name of a meter or tag ever becomes one.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// A file being written. Dropping it unsynced leaves whatever the system made of it.
pub trait NewFile: Write + Send + Sync {
    /// Makes the content durable. After an error the content must be given up, not retried:
    /// the system may have dropped it while calling it clean.
    ///
    /// # Errors
    /// The system's answer.
    fn sync(&mut self) -> io::Result<()>;
}

/// A file being read at places of the caller's choice.
pub trait OpenFile: Send + Sync {
    /// Fills `buffer` from `offset` on.
    ///
    /// # Errors
    /// The system's answer, or `UnexpectedEof`.
    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<()>;
}

/// One entry of a folder.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Entry {
    /// Name within the folder.
    pub name: String,
    /// Whether it is a folder.
    pub is_dir: bool,
}

/// Where a store keeps its files.
pub trait Storage: Send + Sync {
    /// The whole content of a file.
    ///
    /// # Errors
    /// The system's answer; `NotFound` when there is none.
    fn read(&self, path: &str) -> io::Result<Vec<u8>>;
    /// Opens a file for reading at offsets.
    ///
    /// # Errors
    /// The system's answer.
    fn open(&self, path: &str) -> io::Result<Box<dyn OpenFile>>;
    /// Creates or empties a file for writing.
    ///
    /// # Errors
    /// The system's answer.
    fn create(&self, path: &str) -> io::Result<Box<dyn NewFile>>;
    /// Moves a file, replacing what was there in one step.
    ///
    /// # Errors
    /// The system's answer; `NotFound` when `from` is not there.
    fn rename(&self, from: &str, to: &str) -> io::Result<()>;
    /// Removes a file; one that is not there is no error.
    ///
    /// # Errors
    /// The system's answer.
    fn remove(&self, path: &str) -> io::Result<()>;
    /// Removes a folder with all it holds; one that is not there is no error.
    ///
    /// # Errors
    /// The system's answer.
    fn remove_dir(&self, path: &str) -> io::Result<()>;
    /// Creates a folder and its parents.
    ///
    /// # Errors
    /// The system's answer.
    fn create_dir(&self, path: &str) -> io::Result<()>;
    /// Makes the names in a folder durable.
    ///
    /// # Errors
    /// The system's answer.
    fn sync_dir(&self, path: &str) -> io::Result<()>;
    /// What a folder holds, by name; empty when there is no such folder.
    ///
    /// # Errors
    /// The system's answer.
    fn list(&self, path: &str) -> io::Result<Vec<Entry>>;
    /// Size of a file; `None` when there is none.
    ///
    /// # Errors
    /// The system's answer.
    fn size(&self, path: &str) -> io::Result<Option<u64>>;
    /// Waits before something is tried again: the only clock there is.
    fn pause(&self, time: Duration) {
        std::thread::sleep(time);
    }
}

/// A folder on a disk.
#[derive(Clone, Debug)]
pub struct DiskStorage {
    root: PathBuf,
}

impl DiskStorage {
    /// Storage below `root`.
    pub fn new(root: &Path) -> DiskStorage {
        DiskStorage { root: root.to_path_buf() }
    }

    fn at(&self, path: &str) -> PathBuf {
        // Component by component: `/` is not the separator everywhere.
        path.split('/').filter(|part| !part.is_empty()).fold(self.root.clone(), |p, c| p.join(c))
    }
}

struct DiskFile(File);

impl Write for DiskFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }
    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

impl NewFile for DiskFile {
    fn sync(&mut self) -> io::Result<()> {
        self.0.sync_all()
    }
}

impl OpenFile for DiskFile {
    #[cfg(unix)]
    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<()> {
        std::os::unix::fs::FileExt::read_exact_at(&self.0, buffer, offset)
    }
    #[cfg(windows)]
    fn read_at(&self, mut offset: u64, mut buffer: &mut [u8]) -> io::Result<()> {
        while !buffer.is_empty() {
            let n = std::os::windows::fs::FileExt::seek_read(&self.0, buffer, offset)?;
            if n == 0 {
                return Err(io::ErrorKind::UnexpectedEof.into());
            }
            buffer = &mut buffer[n..];
            offset += n as u64;
        }
        Ok(())
    }
}

fn absent_is_fine<T: Default>(result: io::Result<T>) -> io::Result<T> {
    match result {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(T::default()),
        other => other,
    }
}

impl Storage for DiskStorage {
    fn read(&self, path: &str) -> io::Result<Vec<u8>> {
        fs::read(self.at(path))
    }

    fn open(&self, path: &str) -> io::Result<Box<dyn OpenFile>> {
        Ok(Box::new(DiskFile(File::open(self.at(path))?)))
    }

    fn create(&self, path: &str) -> io::Result<Box<dyn NewFile>> {
        Ok(Box::new(DiskFile(File::create(self.at(path))?)))
    }

    fn rename(&self, from: &str, to: &str) -> io::Result<()> {
        fs::rename(self.at(from), self.at(to))
    }

    fn remove(&self, path: &str) -> io::Result<()> {
        absent_is_fine(fs::remove_file(self.at(path)))
    }

    fn remove_dir(&self, path: &str) -> io::Result<()> {
        absent_is_fine(fs::remove_dir_all(self.at(path)))
    }

    fn create_dir(&self, path: &str) -> io::Result<()> {
        fs::create_dir_all(self.at(path))
    }

    fn sync_dir(&self, path: &str) -> io::Result<()> {
        // Windows has no such call for folders.
        if cfg!(unix) { File::open(self.at(path))?.sync_all() } else { Ok(()) }
    }

    fn list(&self, path: &str) -> io::Result<Vec<Entry>> {
        let folder = match fs::read_dir(self.at(path)) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            other => other?,
        };
        let mut entries = Vec::new();
        for entry in folder {
            let entry = entry?;
            entries.push(Entry {
                name: entry.file_name().to_string_lossy().into_owned(),
                is_dir: entry.file_type()?.is_dir(),
            });
        }
        entries.sort();
        Ok(entries)
    }

    fn size(&self, path: &str) -> io::Result<Option<u64>> {
        match fs::metadata(self.at(path)) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            other => Ok(Some(other?.len())),
        }
    }
}

/// Writes a small file whole: created, filled, synced. The folder is the caller's to sync.
pub(crate) fn put(storage: &dyn Storage, path: &str, bytes: &[u8]) -> io::Result<()> {
    let mut file = storage.create(path)?;
    file.write_all(bytes)?;
    file.flush()?;
    file.sync()
}
