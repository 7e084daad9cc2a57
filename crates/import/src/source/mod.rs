//! A dump file as pieces of UTF-8 text that end at line ends.
//!
//! In:     plain, gzip (any number of members), zstd (any number of frames) or an entry of a zip
//!         archive (`night.zip/unit3.csv`), told by the first bytes and not by the name; any of
//!         the encodings.
//! Out:    pieces of about 1 MiB, the BLAKE3 hash of the dump as it lies on disk, its size. The
//!         hash of an entry is that of its packed bytes, so that it costs no unpacking.
//! Wrong:  a packed file that ends early or is damaged is an error that names the byte; nothing
//!         of it counts, because wrong rows come out of a damaged stream before it is noticed.
//!         Something packed inside something packed is refused.
//! Limits: a line longer than 16 MiB is passed over as one reject; more than 1000 unpacked
//!         bytes per packed byte or more than 1 TiB is refused. All of them our own choice.

mod archive;
mod input;
mod sample;

#[cfg(test)]
mod tests;

pub use archive::{dumps_in, file_of};
pub use input::{Packing, bytes_read, packing};
pub use sample::{RawSample, raw_sample};

use crate::encoding::{self, BOM};
use crate::error::{ImportError, path_text};
use crate::settings::Encoding;
use encoding_rs::Decoder;
use input::{Input, Opened, packed_within};
use memchr::{memchr2, memrchr};
use std::fs::File;
use std::path::{Path, PathBuf};

/// Text bytes per piece: some of them fit into a processor's cache, where a parser finds them as
/// the unpacker left them.
pub const PIECE_BYTES: usize = 1 << 20;
/// Longest line.
pub const LONGEST_LINE: usize = 16 << 20;
/// Largest unpacked size.
const MAX_UNPACKED: u64 = 1 << 40;
/// Largest unpacked size per packed byte.
const MAX_RATIO: u64 = 1000;
/// Unpacked size below which no ratio is looked at.
const FREE_UNPACKED: u64 = 16 << 20;
/// Opens a regular file.
///
/// # Errors
/// I/O, a folder, pipe, socket or device, an empty file.
pub fn open_file(path: &Path) -> Result<(File, std::fs::Metadata), ImportError> {
    // Looked at before it is opened: opening a pipe waits for a writer.
    let meta = std::fs::metadata(path).map_err(|e| ImportError::io(path, "open", e))?;
    if !meta.is_file() {
        let kind = if meta.is_dir() { "folder" } else { "pipe, socket or device" };
        return Err(ImportError::NotAFile { file: path_text(path), kind });
    }
    if meta.len() == 0 {
        return Err(ImportError::Empty { file: path_text(path) });
    }
    let file = File::open(path).map_err(|e| ImportError::io(path, "open", e))?;
    Ok((file, meta))
}

/// The BLAKE3 hash of a dump as it lies on disk, as lower-case hexadecimal text: of a file, or
/// of the packed bytes of an archive's entry.
///
/// # Errors
/// As [`Source::open`], but that nothing is unpacked.
pub fn hash_file(path: &Path) -> Result<String, ImportError> {
    Opened::open(path)?.hash().map_err(|e| ImportError::io(path, "read", e))
}

/// One piece of a dump.
#[derive(Debug, PartialEq, Eq)]
pub enum Piece {
    /// Whole lines; only the last piece of a file may lack its last line end.
    Text(Vec<u8>),
    /// One line that passed the ceiling, with its length in bytes as far as it was read.
    TooLong(u64),
}

/// What is known of a file once it was read to its end.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Summary {
    /// BLAKE3 of the file on disk.
    pub hash: String,
    /// Size on disk.
    pub bytes: u64,
    /// Bytes of text after unpacking and decoding.
    pub text_bytes: u64,
    /// How it was packed.
    pub packing: Packing,
    /// Whether it was packed without a checksum, so that damage may have passed unseen.
    pub unchecked: bool,
}

/// A dump that is being read.
pub struct Source {
    path: PathBuf,
    input: Input,
    packing: Packing,
    unchecked: bool,
    decoder: Option<Decoder>,
    encoded: Vec<u8>,
    carry: Vec<u8>,
    size: u64,
    stamp: (u64, Option<std::time::SystemTime>),
    unpacked: u64,
    text_bytes: u64,
    at_start: bool,
    ended: bool,
    skipping: Option<u64>,
    piece_bytes: usize,
}

impl Source {
    /// Opens a dump.
    ///
    /// # Errors
    /// As [`open_file`]; a file that is neither text nor in a packing that is read.
    pub fn open(path: &Path, encoding: Encoding) -> Result<Source, ImportError> {
        Source::open_with(path, encoding, PIECE_BYTES)
    }

    /// Opens a dump with another size of pieces.
    ///
    /// # Errors
    /// As [`Source::open`].
    pub fn open_with(
        path: &Path,
        encoding: Encoding,
        piece_bytes: usize,
    ) -> Result<Source, ImportError> {
        let opened = Opened::open(path)?;
        let (size, stamp) = (opened.size, opened.stamp);
        let (input, packing, unchecked) = opened.unpack(path)?;
        Ok(Source {
            path: path.to_owned(),
            input,
            packing,
            unchecked,
            decoder: encoding::decoder(encoding),
            encoded: Vec::new(),
            carry: Vec::new(),
            size,
            stamp,
            unpacked: 0,
            text_bytes: 0,
            at_start: true,
            ended: false,
            skipping: None,
            piece_bytes,
        })
    }

    /// The next piece, in `buffer`'s memory; `None` at the end.
    ///
    /// # Errors
    /// I/O, damage, ceilings.
    pub fn next_piece(&mut self, mut buffer: Vec<u8>) -> Result<Option<Piece>, ImportError> {
        // What the buffer held before is overwritten: clearing megabytes each time would cost as
        // much as unpacking a tenth of them.
        let mut filled = self.carry.len();
        grow(&mut buffer, filled);
        buffer[..filled].copy_from_slice(&self.carry);
        self.carry.clear();
        let mut goal = self.piece_bytes;
        loop {
            while !self.ended && filled < goal {
                self.fill(&mut buffer, &mut filled, goal)?;
            }
            if self.at_start && (self.ended || filled >= BOM.len()) {
                self.at_start = false;
                if buffer[..filled].starts_with(BOM) {
                    buffer.drain(..BOM.len());
                    filled -= BOM.len();
                }
            }
            if let Some(skipped) = self.skipping {
                match self.skip_line(&mut buffer, &mut filled, skipped) {
                    Some(piece) => return Ok(Some(piece)),
                    None if self.ended => return Ok(None),
                    None => continue,
                }
            }
            if self.ended {
                buffer.truncate(filled);
                return Ok((!buffer.is_empty()).then_some(Piece::Text(buffer)));
            }
            if let Some(cut) = cut_place(&buffer[..filled]) {
                self.carry.extend_from_slice(&buffer[cut..filled]);
                buffer.truncate(cut);
                return Ok(Some(Piece::Text(buffer)));
            }
            if filled >= LONGEST_LINE {
                self.skipping = Some(filled as u64);
                filled = 0;
            } else {
                goal = filled + self.piece_bytes;
            }
        }
    }

    /// Drops text up to the end of a line that is too long.
    fn skip_line(
        &mut self,
        buffer: &mut Vec<u8>,
        filled: &mut usize,
        skipped: u64,
    ) -> Option<Piece> {
        let text = &buffer[..*filled];
        // A CR at the very end may be half of a line end: it waits for more text.
        let ready = if self.ended { text.len() } else { text.len().saturating_sub(1) };
        let end = memchr2(b'\n', b'\r', &text[..ready]);
        if end.is_none() && !self.ended {
            self.skipping = Some(skipped + ready as u64);
            buffer.drain(..ready);
            *filled -= ready;
            return None;
        }
        self.skipping = None;
        let end = end.unwrap_or(text.len());
        let crlf = text[end..].starts_with(b"\r\n");
        let after = (end + 1 + usize::from(crlf)).min(text.len());
        self.carry.extend_from_slice(&text[after..]);
        Some(Piece::TooLong(skipped + end as u64))
    }

    /// Reads on behind the first `filled` bytes of `buffer`, to `goal` or the end; what stood
    /// there is overwritten.
    fn fill(
        &mut self,
        buffer: &mut Vec<u8>,
        filled: &mut usize,
        goal: usize,
    ) -> Result<(), ImportError> {
        let from = *filled;
        let read = match &mut self.decoder {
            None => {
                grow(buffer, goal);
                let read = self.input.read_full(&mut buffer[from..goal]);
                *filled += *read.as_ref().unwrap_or(&0);
                read
            }
            Some(decoder) => {
                grow(&mut self.encoded, goal - from);
                let read = self.input.read_full(&mut self.encoded[..goal - from]);
                if let Ok(n) = read {
                    buffer.truncate(from);
                    encoding::decode_onto(decoder, &self.encoded[..n], n == 0, buffer);
                    *filled = buffer.len();
                }
                read
            }
        };
        let n = read.map_err(|error| self.read_error(error))?;
        if self.unpacked == 0 && self.packing != Packing::Plain {
            let head = match &self.decoder {
                Some(_) => &self.encoded[..n],
                None => &buffer[from..*filled],
            };
            if let Some(found) = packed_within(head) {
                return Err(ImportError::NotText { file: path_text(&self.path), found });
            }
        }
        self.unpacked += n as u64;
        self.text_bytes += (*filled - from) as u64;
        self.ended = n == 0;
        self.check_ceilings()
    }

    fn check_ceilings(&self) -> Result<(), ImportError> {
        let file = || path_text(&self.path);
        if self.unpacked > MAX_UNPACKED {
            return Err(ImportError::Ceiling {
                file: file(),
                what: "unpacked bytes",
                limit: MAX_UNPACKED,
                found: self.unpacked,
            });
        }
        let ratio = self.unpacked / self.input.consumed().max(1);
        let looked_at = self.packing != Packing::Plain && self.unpacked > FREE_UNPACKED;
        if looked_at && ratio > MAX_RATIO {
            return Err(ImportError::Ceiling {
                file: file(),
                what: "unpacked bytes per packed byte",
                limit: MAX_RATIO,
                found: ratio,
            });
        }
        Ok(())
    }

    fn read_error(&mut self, error: std::io::Error) -> ImportError {
        if self.packing == Packing::Plain || error.raw_os_error().is_some() {
            return ImportError::io(&self.path, "read", error);
        }
        let why = match error.kind() {
            std::io::ErrorKind::UnexpectedEof => "it ends inside its packed data".to_owned(),
            std::io::ErrorKind::InvalidInput if self.packing == Packing::Gzip => {
                "what follows is no gzip member".to_owned()
            }
            _ => error.to_string(),
        };
        let byte = self.input.consumed();
        ImportError::Damaged { file: path_text(&self.path), byte, bytes: self.size, why }
    }

    /// Reads what is left of the file and gives its hash.
    ///
    /// # Errors
    /// I/O; a file that changed while it was read.
    pub fn finish(mut self) -> Result<Summary, ImportError> {
        let path = self.path;
        self.input.drain().map_err(|e| ImportError::io(&path, "read", e))?;
        let disk = self.input.disk();
        let bytes = disk.bytes;
        let hash = disk.hasher.finalize().to_hex().to_string();
        let meta =
            std::fs::metadata(file_of(&path)).map_err(|e| ImportError::io(&path, "read", e))?;
        if (meta.len(), meta.modified().ok()) != self.stamp || bytes != self.size {
            return Err(ImportError::ChangedWhileRead { file: path_text(&path) });
        }
        Ok(Summary {
            hash,
            bytes,
            text_bytes: self.text_bytes,
            packing: self.packing,
            unchecked: self.unchecked,
        })
    }
}

/// Makes a buffer at least so long.
fn grow(buffer: &mut Vec<u8>, length: usize) {
    if buffer.len() < length {
        buffer.resize(length, 0);
    }
}

/// Where whole lines end in a text that goes on: behind the last LF, else behind the last CR
/// that is not the last byte.
fn cut_place(text: &[u8]) -> Option<usize> {
    if let Some(at) = memrchr(b'\n', text) {
        return Some(at + 1);
    }
    let (_, before_last) = text.split_last()?;
    memrchr(b'\r', before_last).map(|at| at + 1)
}
