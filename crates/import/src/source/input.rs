//! The bytes of a dump as they lie on disk, and unpacked.

use super::archive::{self, Entry};
use super::open_file;
use crate::error::{ImportError, path_text};
use flate2::Crc;
use flate2::bufread::{DeflateDecoder, MultiGzDecoder};
use std::fs::File;
use std::io::{BufRead, BufReader, Read, Take};
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::SystemTime;

/// Packed bytes that are read at a time.
const PACKED_BYTES: usize = 256 << 10;
/// Bytes by which a file is told from others; a tape archive says so at byte 257.
const HEAD_BYTES: u64 = 512;

/// How a file is packed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Packing {
    /// Not at all.
    Plain,
    /// gzip.
    Gzip,
    /// zstd.
    Zstd,
    /// An entry of a zip archive.
    Zip,
}

impl Packing {
    /// The name for people.
    pub fn name(self) -> &'static str {
        match self {
            Packing::Plain => "not packed",
            Packing::Gzip => "gzip",
            Packing::Zstd => "zstd",
            Packing::Zip => "zip",
        }
    }
}

/// Tells the packing by the first bytes.
///
/// # Errors
/// What the bytes are, when they are neither text nor a packing that is read.
pub fn packing(head: &[u8]) -> Result<Packing, String> {
    match head {
        [0x1F, 0x8B, ..] => Ok(Packing::Gzip),
        [0x28, 0xB5, 0x2F, 0xFD, ..] | [0x50..=0x5F, 0x2A, 0x4D, 0x18, ..] => Ok(Packing::Zstd),
        _ if archive::is_zip(head) => Err("a zip archive".into()),
        [b'B', b'Z', b'h', b'1'..=b'9', ..] => Err("a bzip2 file".into()),
        [0xFD, b'7', b'z', b'X', b'Z', ..] => Err("an xz file".into()),
        [b'7', b'z', 0xBC, 0xAF, ..] => Err("a 7z archive".into()),
        [b'P', b'A', b'R', b'1', ..] => Err("a Parquet file".into()),
        [0xD0, 0xCF, 0x11, 0xE0, ..] => Err("an old spreadsheet or document".into()),
        _ if head.get(257..262) == Some(b"ustar") => Err("a tape archive (tar)".into()),
        _ if head.len() >= 64 && head.iter().all(|&byte| byte == 0) => Err("only NUL bytes".into()),
        _ if is_binary(head) => Err("binary data".into()),
        _ => Ok(Packing::Plain),
    }
}

/// Whether so many bytes are control characters that it cannot be text: one in twenty, our own
/// choice (in packed data it is one in nine). NUL bytes do not count, they may be padding; text
/// of two bytes per character is told by its mark or by its NULs.
fn is_binary(head: &[u8]) -> bool {
    let head = &head[..head.len().min(HEAD_BYTES as usize)];
    let count = |test: fn(u8) -> bool| head.iter().filter(|&&byte| test(byte)).count();
    let wide = head.starts_with(&[0xFF, 0xFE]) || head.starts_with(&[0xFE, 0xFF]);
    let control = |byte: u8| matches!(byte, 1..=8 | 11 | 14..=25 | 27..=31 | 127);
    let controls = count(control);
    !wide && controls >= 4 && controls * 20 > head.len() && count(|byte| byte == 0) * 4 < head.len()
}

/// What a packed file must not hold: something packed.
pub(super) fn packed_within(head: &[u8]) -> Option<String> {
    let found = match packing(head) {
        Ok(Packing::Plain) => return None,
        Ok(packing) => format!("a {} file", packing.name()),
        Err(found) => found,
    };
    Some(format!("{found} inside the packed file"))
}

/// Bytes of dumps that this process has read so far, packed as they lie on disk: what a bar of
/// progress follows. Nothing depends on it.
static BYTES_READ: AtomicU64 = AtomicU64::new(0);

/// Bytes of dumps that this process has read so far, packed as they lie on disk.
pub fn bytes_read() -> u64 {
    BYTES_READ.load(Ordering::Relaxed)
}

/// Counts and hashes what passes.
pub(super) struct Hashing<R> {
    inner: R,
    pub hasher: blake3::Hasher,
    pub bytes: u64,
}

impl<R: Read> Read for Hashing<R> {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let n = self.inner.read(into)?;
        self.hasher.update(&into[..n]);
        self.bytes += n as u64;
        BYTES_READ.fetch_add(n as u64, Ordering::Relaxed);
        Ok(n)
    }
}

/// An entry's text against what the directory says of it.
pub(super) struct Checked<R> {
    inner: R,
    crc: Crc,
    bytes: u64,
    wanted: (u32, u64),
}

impl<R: Read> Read for Checked<R> {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let wrong = |why: &str| Err(std::io::Error::new(std::io::ErrorKind::InvalidData, why));
        let n = self.inner.read(into)?;
        self.crc.update(&into[..n]);
        self.bytes += n as u64;
        if self.bytes > self.wanted.1 {
            return wrong("it holds more than the archive says");
        }
        if n == 0 && !into.is_empty() && self.bytes < self.wanted.1 {
            return wrong("it holds less than the archive says");
        }
        if n == 0 && !into.is_empty() && self.crc.sum() != self.wanted.0 {
            return wrong("its checksum does not fit");
        }
        Ok(n)
    }
}

type Disk = Hashing<Take<File>>;

/// A reader of unpacked bytes.
pub(super) enum Input {
    Plain(Box<Disk>),
    Gzip(Box<MultiGzDecoder<BufReader<Disk>>>),
    Zstd(Box<zstd::stream::read::Decoder<'static, BufReader<Disk>>>),
    Stored(Box<Checked<Disk>>),
    Deflated(Box<Checked<DeflateDecoder<BufReader<Disk>>>>),
}

impl Input {
    /// Fills `into`, unless the end comes first; gives the number of bytes.
    pub fn read_full(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        fn full(reader: &mut impl Read, into: &mut [u8]) -> std::io::Result<usize> {
            let mut filled = 0;
            while filled < into.len() {
                match reader.read(&mut into[filled..]) {
                    Ok(0) => break,
                    Ok(n) => filled += n,
                    Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
                    Err(error) => return Err(error),
                }
            }
            Ok(filled)
        }
        match self {
            Input::Plain(file) => full(file, into),
            Input::Gzip(gzip) => full(gzip, into),
            Input::Zstd(zstd) => full(zstd, into),
            Input::Stored(entry) => full(entry, into),
            Input::Deflated(entry) => full(entry, into),
        }
    }

    pub fn disk(&mut self) -> &mut Disk {
        match self {
            Input::Plain(file) => file,
            Input::Gzip(gzip) => gzip.get_mut().get_mut(),
            Input::Zstd(zstd) => zstd.get_mut().get_mut(),
            Input::Stored(entry) => &mut entry.inner,
            Input::Deflated(entry) => entry.inner.get_mut().get_mut(),
        }
    }

    /// Packed bytes that the unpacker has taken.
    pub fn consumed(&self) -> u64 {
        let taken =
            |reader: &BufReader<Disk>| reader.get_ref().bytes - reader.buffer().len() as u64;
        match self {
            Input::Plain(file) => file.bytes,
            Input::Gzip(gzip) => taken(gzip.get_ref()),
            Input::Zstd(zstd) => taken(zstd.get_ref()),
            Input::Stored(entry) => entry.inner.bytes,
            Input::Deflated(entry) => taken(entry.inner.get_ref()),
        }
    }

    /// Reads the packed bytes that are left.
    pub fn drain(&mut self) -> std::io::Result<()> {
        let mut rest = BufReader::with_capacity(PACKED_BYTES, self.disk());
        loop {
            let n = rest.fill_buf()?.len();
            if n == 0 {
                return Ok(());
            }
            rest.consume(n);
        }
    }
}

/// A dump that was opened: a file, or an entry of an archive.
pub(super) struct Opened {
    disk: Disk,
    entry: Option<Entry>,
    /// Bytes on disk of the dump.
    pub size: u64,
    /// Size and time of the file that holds it.
    pub stamp: (u64, Option<SystemTime>),
}

impl Opened {
    pub fn open(path: &Path) -> Result<Opened, ImportError> {
        let (file, meta, entry) = match archive::split(path) {
            None => {
                let (file, meta) = open_file(path)?;
                (file, meta, None)
            }
            Some((archive, name)) => {
                let (file, meta, entry) = archive::open(&archive, &name, path)?;
                (file, meta, Some(entry))
            }
        };
        let size = entry.as_ref().map_or(meta.len(), |entry| entry.packed);
        // A file is read to its end, so that one that grows is noticed.
        let limit = entry.as_ref().map_or(u64::MAX, |entry| entry.packed);
        let disk = Hashing { inner: file.take(limit), hasher: blake3::Hasher::new(), bytes: 0 };
        if entry.as_ref().is_some_and(|entry| entry.unpacked == 0) {
            return Err(ImportError::Empty { file: path_text(path) });
        }
        Ok(Opened { disk, entry, size, stamp: (meta.len(), meta.modified().ok()) })
    }

    /// Hash of the bytes on disk.
    pub fn hash(mut self) -> std::io::Result<String> {
        let mut hasher = blake3::Hasher::new();
        hasher.update_reader(&mut self.disk.inner)?;
        Ok(hasher.finalize().to_hex().to_string())
    }

    /// The unpacker; whether what it unpacks lacks a checksum.
    pub fn unpack(mut self, path: &Path) -> Result<(Input, Packing, bool), ImportError> {
        let buffered = |disk| BufReader::with_capacity(PACKED_BYTES, disk);
        if let Some(entry) = self.entry {
            let (crc, wanted) = (Crc::new(), (entry.crc, entry.unpacked));
            let input = if entry.deflated {
                let inner = DeflateDecoder::new(buffered(self.disk));
                Input::Deflated(Box::new(Checked { inner, crc, bytes: 0, wanted }))
            } else {
                Input::Stored(Box::new(Checked { inner: self.disk, crc, bytes: 0, wanted }))
            };
            return Ok((input, Packing::Zip, false));
        }
        let io = |doing: &'static str| move |e| ImportError::io(path, doing, e);
        let mut head = Vec::with_capacity(HEAD_BYTES as usize);
        let file = self.disk.inner.get_mut();
        (&mut *file).take(HEAD_BYTES).read_to_end(&mut head).map_err(io("read"))?;
        std::io::Seek::rewind(file).map_err(io("read"))?;
        if archive::is_zip(&head) {
            // What is wrong with the archive says more than that it is one.
            archive::dumps_in(path)?;
        }
        let packing = packing(&head)
            .map_err(|found| ImportError::NotText { file: path_text(path), found })?;
        let input = match packing {
            Packing::Gzip => Input::Gzip(Box::new(MultiGzDecoder::new(buffered(self.disk)))),
            Packing::Zstd => {
                let decoder = zstd::stream::read::Decoder::with_buffer(buffered(self.disk))
                    .map_err(io("unpack"))?;
                Input::Zstd(Box::new(decoder))
            }
            Packing::Plain | Packing::Zip => Input::Plain(Box::new(self.disk)),
        };
        Ok((input, packing, is_unchecked(&head, packing)))
    }
}

/// Whether damage in a packed file may pass unseen. RFC 8878 section 3.1.1.1.1: bit 2 of the
/// first frame's descriptor says whether a checksum follows it.
fn is_unchecked(head: &[u8], packing: Packing) -> bool {
    match (packing, head) {
        (Packing::Zstd, [0x28, _, _, _, descriptor, ..]) => descriptor & 4 == 0,
        _ => false,
    }
}
