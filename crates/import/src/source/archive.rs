//! Zip archives: which dumps lie in one, and where.
//!
//! Shape:  an entry is a dump of its own, named like a file in a folder: `night.zip/unit3.csv`.
//!         It is read where it lies and never unpacked to disk. The `zip` crate reads the
//!         directory, which says where the entry's packed bytes stand.
//! Wrong:  encrypted entries, packings other than deflate, names that lead out of the archive,
//!         entries that share bytes or a name, and archives without entries are refused by name.
//! Source: layout of the local header after PKWARE's APPNOTE, section 4.3.7 (from memory).

use crate::error::{ImportError, path_text};
use crate::text::shown;
use foldhash::{HashMap, HashMapExt};
use std::fs::{File, Metadata};
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::SystemTime;
use zip::result::ZipError;
use zip::{CompressionMethod, ZipArchive};

/// Most entries of an archive; our own choice.
const MOST_ENTRIES: u64 = 200_000;
/// Bytes of a local header before its name.
const LOCAL_HEADER: usize = 30;

/// One file in an archive.
#[derive(Clone, Debug)]
pub(super) struct Entry {
    header_start: u64,
    /// Bytes in the archive.
    pub packed: u64,
    /// Bytes of text.
    pub unpacked: u64,
    /// CRC-32 of the text.
    pub crc: u32,
    /// Whether it is packed by deflate, and not only stored.
    pub deflated: bool,
    /// Why it is not read.
    fault: Option<String>,
}

/// What an archive holds, in the order of its directory.
#[derive(Debug)]
pub(super) struct Directory {
    names: Vec<PathBuf>,
    entries: HashMap<PathBuf, Entry>,
}

/// The directory read last: an archive of many dumps is opened once for each of them.
struct Remembered {
    path: PathBuf,
    bytes: u64,
    modified: Option<SystemTime>,
    directory: Arc<Directory>,
}

static LAST: Mutex<Option<Remembered>> = Mutex::new(None);

/// The dumps of a zip archive, as paths below it; `None` when the file is no zip archive.
///
/// # Errors
/// I/O; an archive that is damaged, holds nothing or cannot be trusted.
pub fn dumps_in(path: &Path) -> Result<Option<Vec<PathBuf>>, ImportError> {
    let (mut file, meta) = super::open_file(path)?;
    let mut head = Vec::with_capacity(4);
    (&mut file).take(4).read_to_end(&mut head).map_err(|e| ImportError::io(path, "read", e))?;
    if !is_zip(&head) {
        return Ok(None);
    }
    let directory = directory(path, file, &meta)?;
    Ok(Some(directory.names.iter().map(|name| path.join(name)).collect()))
}

/// The file on disk that holds a dump: the archive of an entry, else the path itself.
pub fn file_of(path: &Path) -> PathBuf {
    split(path).map_or_else(|| path.to_owned(), |(archive, _)| archive)
}

pub(super) fn is_zip(head: &[u8]) -> bool {
    matches!(head, [b'P', b'K', 3, 4, ..] | [b'P', b'K', 5, 6, ..] | [b'P', b'K', 7, 8, ..])
}

/// Archive and entry name of a path that leads into a file.
pub(super) fn split(path: &Path) -> Option<(PathBuf, PathBuf)> {
    if std::fs::symlink_metadata(path).is_ok() {
        return None;
    }
    let archive = path.ancestors().skip(1).find(|above| above.is_file())?;
    Some((archive.to_owned(), path.strip_prefix(archive).ok()?.to_owned()))
}

/// Finds an entry; gives the archive, placed at the entry's packed bytes.
pub(super) fn open(
    archive: &Path,
    name: &Path,
    path: &Path,
) -> Result<(File, Metadata, Entry), ImportError> {
    let (file, meta) = super::open_file(archive)?;
    let again = file.try_clone().map_err(|e| ImportError::io(archive, "open", e))?;
    let directory = directory(archive, again, &meta)?;
    let Some(entry) = directory.entries.get(name) else {
        let source = std::io::Error::from(std::io::ErrorKind::NotFound);
        return Err(ImportError::io(path, "open", source));
    };
    if let Some(why) = &entry.fault {
        return Err(ImportError::Archive { file: path_text(path), why: why.clone() });
    }
    let mut file = file;
    let at = data_start(&mut file, entry.header_start)
        .map_err(|error| damaged(path, entry.header_start, meta.len(), &error.to_string()))?;
    file.seek(SeekFrom::Start(at)).map_err(|e| ImportError::io(path, "read", e))?;
    Ok((file, meta, entry.clone()))
}

/// Behind the local header, whose name and extra field have their own lengths.
fn data_start(file: &mut File, header_start: u64) -> std::io::Result<u64> {
    let mut header = [0u8; LOCAL_HEADER];
    file.seek(SeekFrom::Start(header_start))?;
    file.read_exact(&mut header)?;
    let length = |at: usize| u64::from(u16::from_le_bytes([header[at], header[at + 1]]));
    if !header.starts_with(b"PK\x03\x04") {
        return Err(std::io::Error::other("an entry is not where the directory says"));
    }
    Ok(header_start + LOCAL_HEADER as u64 + length(26) + length(28))
}

fn damaged(path: &Path, byte: u64, bytes: u64, why: &str) -> ImportError {
    ImportError::Damaged { file: path_text(path), byte, bytes, why: why.into() }
}

fn directory(path: &Path, file: File, meta: &Metadata) -> Result<Arc<Directory>, ImportError> {
    let (bytes, modified) = (meta.len(), meta.modified().ok());
    // A poisoned lock only means that nothing is remembered.
    if let Ok(last) = LAST.lock()
        && let Some(last) = last.as_ref()
        && (last.path.as_path(), last.bytes, last.modified) == (path, bytes, modified)
    {
        return Ok(Arc::clone(&last.directory));
    }
    let directory = Arc::new(read(path, file, bytes)?);
    if let Ok(mut last) = LAST.lock() {
        let (path, directory) = (path.to_owned(), Arc::clone(&directory));
        *last = Some(Remembered { path, bytes, modified, directory });
    }
    Ok(directory)
}

fn read(path: &Path, file: File, bytes: u64) -> Result<Directory, ImportError> {
    let refused = |why: &str| ImportError::Archive { file: path_text(path), why: why.into() };
    let zip_error = |error: ZipError| match error {
        ZipError::Io(error) if error.raw_os_error().is_some() => {
            ImportError::io(path, "read", error)
        }
        error => damaged(path, bytes, bytes, &format!("its directory cannot be read ({error})")),
    };
    let mut file = file;
    file.rewind().map_err(|e| ImportError::io(path, "read", e))?;
    let mut archive = ZipArchive::new(BufReader::new(file)).map_err(zip_error)?;
    if archive.len() as u64 > MOST_ENTRIES {
        return Err(ImportError::Ceiling {
            file: path_text(path),
            what: "entries of an archive",
            limit: MOST_ENTRIES,
            found: archive.len() as u64,
        });
    }
    if archive.has_duplicate_names() {
        return Err(refused("two of its entries have one name"));
    }
    if archive.has_overlapping_entries().map_err(zip_error)? {
        return Err(refused("its entries share bytes"));
    }
    let mut directory = Directory { names: Vec::new(), entries: HashMap::new() };
    let listed = archive.metadata();
    for idx in 0..listed.len() {
        let found = listed.entry(idx).map_err(zip_error)?;
        if found.is_dir() {
            continue;
        }
        let name = found.name().map_err(zip_error)?.into_owned();
        if !is_inside(&name) {
            let name = shown(name.as_bytes());
            return Err(refused(&format!("the name `{name}` of an entry leads out of it")));
        }
        if is_litter(&name) {
            continue;
        }
        let method = found.compression();
        let fault = if found.encrypted() {
            Some("it is encrypted".into())
        } else if found.is_symlink() {
            Some("it is a link".into())
        } else if !matches!(method, CompressionMethod::Stored | CompressionMethod::Deflated) {
            Some(format!("it is packed by {method:?}; deflate is read"))
        } else {
            None
        };
        let entry = Entry {
            header_start: found.header_start(),
            packed: found.compressed_size(),
            unpacked: found.size(),
            crc: found.crc32(),
            deflated: method == CompressionMethod::Deflated,
            fault,
        };
        let name = PathBuf::from(name);
        if directory.entries.insert(name.clone(), entry).is_some() {
            return Err(refused("two of its entries have one name"));
        }
        directory.names.push(name);
    }
    if directory.names.is_empty() {
        return Err(refused("it holds no file"));
    }
    Ok(directory)
}

/// Whether a name stays inside the archive wherever the program runs.
fn is_inside(name: &str) -> bool {
    let drive = matches!(name.as_bytes(), [letter, b':', ..] if letter.is_ascii_alphabetic());
    let parts = || name.split(['/', '\\']);
    let empty_or_up = parts().any(|part| part == "..") || name.starts_with(['/', '\\']);
    let nothing = parts().all(|part| part.is_empty() || part == ".");
    !(drive || empty_or_up || nothing || name.contains('\0'))
}

/// What some desktops add beside the files.
fn is_litter(name: &str) -> bool {
    name.starts_with("__MACOSX/") || name.rsplit('/').next() == Some(".DS_Store")
}
