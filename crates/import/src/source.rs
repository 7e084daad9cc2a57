//! A dump file as pieces of UTF-8 text that end at line ends.
//!
//! In:     plain, gzip (any number of members) or zstd (any number of frames), told by the
//!         first bytes and not by the name; any of the encodings.
//! Out:    pieces of about 4 MiB, the BLAKE3 hash of the file as it lies on disk, its size.
//! Wrong:  a packed file that ends early or is damaged is an error that names the byte; nothing
//!         of it counts, because wrong rows come out of a damaged stream before it is noticed.
//! Limits: a line longer than 16 MiB is passed over as one reject; more than 1000 unpacked
//!         bytes per packed byte or more than 1 TiB is refused. All of them our own choice.

use crate::encoding::{self, BOM};
use crate::error::{ImportError, path_text};
use crate::settings::Encoding;
use encoding_rs::Decoder;
use flate2::bufread::MultiGzDecoder;
use memchr::{memchr2, memrchr};
use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

/// Text bytes per piece.
pub const PIECE_BYTES: usize = 4 << 20;
/// Longest line.
pub const LONGEST_LINE: usize = 16 << 20;
/// Largest unpacked size.
const MAX_UNPACKED: u64 = 1 << 40;
/// Largest unpacked size per packed byte.
const MAX_RATIO: u64 = 1000;
/// Unpacked size below which no ratio is looked at.
const FREE_UNPACKED: u64 = 16 << 20;
/// Packed bytes that are read at a time.
const PACKED_BYTES: usize = 256 << 10;

/// How a file is packed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Packing {
    /// Not at all.
    Plain,
    /// gzip.
    Gzip,
    /// zstd.
    Zstd,
}

impl Packing {
    /// The name for people.
    pub fn name(self) -> &'static str {
        match self {
            Packing::Plain => "not packed",
            Packing::Gzip => "gzip",
            Packing::Zstd => "zstd",
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
        [b'P', b'K', 3 | 5 | 7, ..] => Err("a zip archive".into()),
        [b'B', b'Z', b'h', b'1'..=b'9', ..] => Err("a bzip2 file".into()),
        [0xFD, b'7', b'z', b'X', b'Z', ..] => Err("an xz file".into()),
        [b'7', b'z', 0xBC, 0xAF, ..] => Err("a 7z archive".into()),
        [b'P', b'A', b'R', b'1', ..] => Err("a Parquet file".into()),
        [0xD0, 0xCF, 0x11, 0xE0, ..] => Err("an old spreadsheet or document".into()),
        _ if head.len() >= 64 && head.iter().all(|&byte| byte == 0) => Err("only NUL bytes".into()),
        _ => Ok(Packing::Plain),
    }
}

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

/// The BLAKE3 hash of a file, as lower-case hexadecimal text.
///
/// # Errors
/// I/O, or no regular file.
pub fn hash_file(path: &Path) -> Result<String, ImportError> {
    let meta = std::fs::metadata(path).map_err(|e| ImportError::io(path, "open", e))?;
    if !meta.is_file() {
        return Err(ImportError::NotAFile { file: path_text(path), kind: "folder or device" });
    }
    let file = File::open(path).map_err(|e| ImportError::io(path, "open", e))?;
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(file).map_err(|e| ImportError::io(path, "read", e))?;
    Ok(hasher.finalize().to_hex().to_string())
}

/// Counts and hashes what passes.
struct Hashing<R> {
    inner: R,
    hasher: blake3::Hasher,
    bytes: u64,
}

impl<R: Read> Read for Hashing<R> {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let n = self.inner.read(into)?;
        self.hasher.update(&into[..n]);
        self.bytes += n as u64;
        Ok(n)
    }
}

enum Input {
    Plain(Box<Hashing<File>>),
    Gzip(Box<MultiGzDecoder<BufReader<Hashing<File>>>>),
    Zstd(Box<zstd::stream::read::Decoder<'static, BufReader<Hashing<File>>>>),
}

impl Input {
    fn read_some(&mut self, into: &mut Vec<u8>, limit: usize) -> std::io::Result<usize> {
        let limit = limit as u64;
        match self {
            Input::Plain(file) => file.as_mut().take(limit).read_to_end(into),
            Input::Gzip(gzip) => gzip.as_mut().take(limit).read_to_end(into),
            Input::Zstd(zstd) => zstd.as_mut().take(limit).read_to_end(into),
        }
    }

    fn hashing(&mut self) -> &mut Hashing<File> {
        match self {
            Input::Plain(file) => file,
            Input::Gzip(gzip) => gzip.get_mut().get_mut(),
            Input::Zstd(zstd) => zstd.get_mut().get_mut(),
        }
    }

    /// Packed bytes that the unpacker has taken.
    fn consumed(&self) -> u64 {
        match self {
            Input::Plain(file) => file.bytes,
            Input::Gzip(gzip) => {
                let reader = gzip.get_ref();
                reader.get_ref().bytes - reader.buffer().len() as u64
            }
            Input::Zstd(zstd) => {
                let reader = zstd.get_ref();
                reader.get_ref().bytes - reader.buffer().len() as u64
            }
        }
    }
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
}

/// A dump that is being read.
pub struct Source {
    path: PathBuf,
    input: Input,
    packing: Packing,
    decoder: Option<Decoder>,
    encoded: Vec<u8>,
    carry: Vec<u8>,
    size: u64,
    modified: Option<std::time::SystemTime>,
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
        let (mut file, meta) = open_file(path)?;
        let mut head = Vec::with_capacity(64);
        (&mut file)
            .take(64)
            .read_to_end(&mut head)
            .map_err(|e| ImportError::io(path, "read", e))?;
        std::io::Seek::rewind(&mut file).map_err(|e| ImportError::io(path, "read", e))?;
        let packing = packing(&head)
            .map_err(|found| ImportError::NotText { file: path_text(path), found })?;
        let hashing = Hashing { inner: file, hasher: blake3::Hasher::new(), bytes: 0 };
        let buffered = |hashing| BufReader::with_capacity(PACKED_BYTES, hashing);
        let input = match packing {
            Packing::Plain => Input::Plain(Box::new(hashing)),
            Packing::Gzip => Input::Gzip(Box::new(MultiGzDecoder::new(buffered(hashing)))),
            Packing::Zstd => {
                let decoder = zstd::stream::read::Decoder::with_buffer(buffered(hashing))
                    .map_err(|e| ImportError::io(path, "unpack", e))?;
                Input::Zstd(Box::new(decoder))
            }
        };
        Ok(Source {
            path: path.to_owned(),
            input,
            packing,
            decoder: encoding::decoder(encoding),
            encoded: Vec::new(),
            carry: Vec::new(),
            size: meta.len(),
            modified: meta.modified().ok(),
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
        buffer.clear();
        buffer.append(&mut self.carry);
        let mut goal = self.piece_bytes;
        loop {
            while !self.ended && buffer.len() < goal {
                let want = goal - buffer.len();
                self.fill(&mut buffer, want)?;
            }
            if self.at_start && (self.ended || buffer.len() >= BOM.len()) {
                self.at_start = false;
                if buffer.starts_with(BOM) {
                    buffer.drain(..BOM.len());
                }
            }
            if let Some(skipped) = self.skipping {
                match self.skip_line(&mut buffer, skipped) {
                    Some(piece) => return Ok(Some(piece)),
                    None if self.ended => return Ok(None),
                    None => continue,
                }
            }
            if self.ended {
                return Ok((!buffer.is_empty()).then_some(Piece::Text(buffer)));
            }
            if let Some(cut) = cut_place(&buffer) {
                self.carry.extend_from_slice(&buffer[cut..]);
                buffer.truncate(cut);
                return Ok(Some(Piece::Text(buffer)));
            }
            if buffer.len() >= LONGEST_LINE {
                self.skipping = Some(buffer.len() as u64);
                buffer.clear();
            } else {
                goal = buffer.len() + self.piece_bytes;
            }
        }
    }

    /// Drops text up to the end of a line that is too long.
    fn skip_line(&mut self, buffer: &mut Vec<u8>, skipped: u64) -> Option<Piece> {
        // A CR at the very end may be half of a line end: it waits for more text.
        let ready = if self.ended { buffer.len() } else { buffer.len().saturating_sub(1) };
        let end = memchr2(b'\n', b'\r', &buffer[..ready]);
        if end.is_none() && !self.ended {
            self.skipping = Some(skipped + ready as u64);
            buffer.drain(..ready);
            return None;
        }
        self.skipping = None;
        let end = end.unwrap_or(buffer.len());
        let crlf = buffer[end..].starts_with(b"\r\n");
        let after = (end + 1 + usize::from(crlf)).min(buffer.len());
        self.carry.extend_from_slice(&buffer[after..]);
        Some(Piece::TooLong(skipped + end as u64))
    }

    fn fill(&mut self, buffer: &mut Vec<u8>, want: usize) -> Result<(), ImportError> {
        let from = buffer.len();
        let read = match &mut self.decoder {
            None => self.input.read_some(buffer, want),
            Some(decoder) => {
                self.encoded.clear();
                let read = self.input.read_some(&mut self.encoded, want);
                if let Ok(n) = read {
                    encoding::decode_onto(decoder, &self.encoded, n == 0, buffer);
                }
                read
            }
        };
        let n = read.map_err(|error| self.read_error(error))?;
        self.unpacked += n as u64;
        self.text_bytes += (buffer.len() - from) as u64;
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
        let hashing = self.input.hashing();
        let mut rest = BufReader::with_capacity(PACKED_BYTES, &mut *hashing);
        loop {
            let n = rest.fill_buf().map_err(|e| ImportError::io(&path, "read", e))?.len();
            if n == 0 {
                break;
            }
            rest.consume(n);
        }
        let bytes = hashing.bytes;
        let hash = hashing.hasher.finalize().to_hex().to_string();
        let meta = std::fs::metadata(&path).map_err(|e| ImportError::io(&path, "read", e))?;
        if meta.len() != self.size || bytes != self.size || meta.modified().ok() != self.modified {
            return Err(ImportError::ChangedWhileRead { file: path_text(&path) });
        }
        Ok(Summary { hash, bytes, text_bytes: self.text_bytes, packing: self.packing })
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

/// Bytes of a head, of a block, and how many blocks are spread through a file.
const HEAD_BYTES: usize = 256 << 10;
const LONGEST_HEAD: usize = 32 << 20;
const BLOCK_BYTES: usize = 64 << 10;
const N_BLOCKS: u64 = 24;
/// Lines that a head should hold at least.
const HEAD_LINES: usize = 20;
/// Unpacked bytes of a packed file that are looked through for blocks.
const LOOKED_THROUGH: usize = 8 << 20;

/// Undecoded bytes from a file.
#[derive(Debug)]
pub struct RawSample {
    /// How the file is packed.
    pub packing: Packing,
    /// Size on disk.
    pub bytes: u64,
    /// From the start.
    pub head: Vec<u8>,
    /// Spread through the rest; each starts at an even place.
    pub blocks: Vec<Vec<u8>>,
    /// Whether the head is the whole file.
    pub complete: bool,
    /// Bytes that were unpacked for it.
    pub unpacked: u64,
    /// Bytes on disk that those came from.
    pub consumed: u64,
}

/// Takes a head and, where they are wanted, blocks spread through a file (through its first
/// 8 MiB, where it is packed).
///
/// # Errors
/// As [`Source::open`] and [`Source::next_piece`].
pub fn raw_sample(path: &Path, with_blocks: bool) -> Result<RawSample, ImportError> {
    let mut source = Source::open(path, Encoding::Utf8)?;
    let mut head = Vec::new();
    let mut goal = HEAD_BYTES;
    loop {
        while !source.ended && head.len() < goal {
            let want = goal - head.len();
            source.fill(&mut head, want)?;
        }
        let lines = memchr::memchr2_iter(b'\n', b'\r', &head).take(HEAD_LINES).count();
        if source.ended || lines == HEAD_LINES || head.len() >= LONGEST_HEAD {
            break;
        }
        goal = head.len() * 2;
    }
    let (packing, bytes, complete) = (source.packing, source.size, source.ended);
    let blocks = match (complete, packing) {
        _ if complete || !with_blocks => Vec::new(),
        (_, Packing::Plain) => plain_blocks(path, head.len() as u64, bytes)?,
        _ => packed_blocks(&mut source)?,
    };
    let (unpacked, consumed) = (source.unpacked, source.input.consumed());
    Ok(RawSample { packing, bytes, head, blocks, complete, unpacked, consumed })
}

fn plain_blocks(path: &Path, from: u64, to: u64) -> Result<Vec<Vec<u8>>, ImportError> {
    let (mut file, _) = open_file(path)?;
    let last = to.saturating_sub(BLOCK_BYTES as u64).max(from);
    let mut blocks = Vec::new();
    for idx in 1..=N_BLOCKS {
        let place = (from + (last - from) / N_BLOCKS * idx) & !1;
        let place = if idx == N_BLOCKS { last & !1 } else { place };
        let mut block = Vec::with_capacity(BLOCK_BYTES);
        std::io::Seek::seek(&mut file, std::io::SeekFrom::Start(place))
            .and_then(|_| (&mut file).take(BLOCK_BYTES as u64 + 1).read_to_end(&mut block))
            .map_err(|e| ImportError::io(path, "read", e))?;
        blocks.push(block);
    }
    Ok(blocks)
}

fn packed_blocks(source: &mut Source) -> Result<Vec<Vec<u8>>, ImportError> {
    let stride = (LOOKED_THROUGH / N_BLOCKS as usize) & !1;
    let mut blocks = Vec::new();
    let mut passed = Vec::new();
    while !source.ended && blocks.len() < N_BLOCKS as usize {
        passed.clear();
        while !source.ended && passed.len() < stride {
            let want = stride - passed.len();
            source.fill(&mut passed, want)?;
        }
        let from = passed.len().saturating_sub(BLOCK_BYTES) & !1;
        blocks.push(passed[from..].to_vec());
    }
    Ok(blocks)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    fn pieces(bytes: &[u8], piece_bytes: usize) -> Result<Vec<Piece>, ImportError> {
        let mut file = tempfile::NamedTempFile::new().expect("temporary file");
        file.write_all(bytes).expect("written");
        let mut source = Source::open_with(file.path(), Encoding::Utf8, piece_bytes)?;
        let mut pieces = Vec::new();
        while let Some(piece) = source.next_piece(Vec::new())? {
            pieces.push(piece);
        }
        let summary = source.finish()?;
        assert_eq!(summary.hash, blake3::hash(bytes).to_hex().to_string());
        Ok(pieces)
    }

    fn text_of(pieces: &[Piece]) -> Vec<u8> {
        let texts = pieces.iter().map(|piece| match piece {
            Piece::Text(text) => text.as_slice(),
            Piece::TooLong(_) => b"<too long>\n",
        });
        texts.collect::<Vec<_>>().concat()
    }

    #[test]
    fn pieces_end_at_line_ends_and_lose_nothing() {
        for text in ["a\nbb\nccc\ndddd", "a\r\nbb\r\nccc\r\n", "a\rbb\rccc\rdddd\r", "\n\n\n", "x"]
        {
            for size in 1..12 {
                let pieces = pieces(text.as_bytes(), size).expect("readable");
                assert_eq!(text_of(&pieces), text.as_bytes(), "{text:?} by {size}");
                for piece in &pieces[..pieces.len() - 1] {
                    let Piece::Text(piece) = piece else { panic!("no long line") };
                    assert!(piece.ends_with(b"\n") || piece.ends_with(b"\r"), "{text:?} by {size}");
                }
            }
        }
    }

    fn gzip(bytes: &[u8]) -> Vec<u8> {
        let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        encoder.write_all(bytes).expect("in memory");
        encoder.finish().expect("in memory")
    }

    /// RFC 1952 section 2.2 and RFC 8878 section 3.1: members and frames in a row are one text.
    #[test]
    fn members_and_frames_in_a_row_are_one_text() {
        let gz = [gzip(b"a,1\nb"), gzip(b",2\n")].concat();
        assert_eq!(text_of(&pieces(&gz, 64).expect("gzip")), b"a,1\nb,2\n");
        let skippable = [0x52, 0x2A, 0x4D, 0x18, 3, 0, 0, 0, b'x', b'y', b'z'];
        let frame = |text: &[u8]| zstd::encode_all(text, 1).expect("in memory");
        let zst = [&skippable[..], &frame(b"a,1\nb"), &skippable, &frame(b",2\n")].concat();
        assert_eq!(text_of(&pieces(&zst, 64).expect("zstd")), b"a,1\nb,2\n");
    }

    #[test]
    fn every_truncation_of_a_packed_file_is_an_error_with_its_byte() {
        let text: Vec<u8> = (0..2000).flat_map(|i| format!("tag,{i}\n").into_bytes()).collect();
        for packed in [gzip(&text), zstd::encode_all(&text[..], 1).expect("in memory")] {
            for cut in (5..packed.len()).step_by(packed.len() / 60).chain([packed.len() - 1]) {
                match pieces(&packed[..cut], 1 << 16) {
                    Err(ImportError::Damaged { byte, bytes, .. }) => {
                        assert!(byte <= cut as u64 && bytes == cut as u64);
                    }
                    other => panic!("cut at {cut}: {other:?}"),
                }
            }
        }
    }

    /// A flip in a field that carries no data (a time stamp in a header) may be harmless; what
    /// is read is never other text.
    #[test]
    fn a_flipped_bit_is_an_error_or_changes_nothing() {
        let text: Vec<u8> = (0..3000).flat_map(|i| format!("tag,{i}\n").into_bytes()).collect();
        let mut encoder = zstd::stream::write::Encoder::new(Vec::new(), 3).expect("in memory");
        encoder.include_checksum(true).expect("setting");
        encoder.write_all(&text).expect("in memory");
        for packed in [gzip(&text), encoder.finish().expect("in memory")] {
            let mut n_errors = 0;
            for idx in 0..200 {
                let mut damaged = packed.clone();
                let bit = 32 + idx * (packed.len() * 8 - 32) / 200;
                damaged[bit / 8] ^= 1 << (bit % 8);
                match pieces(&damaged, 1 << 14) {
                    Ok(pieces) => assert_eq!(text_of(&pieces), text, "bit {bit}"),
                    Err(_) => n_errors += 1,
                }
            }
            assert!(n_errors > 150, "{n_errors}");
        }
    }

    #[test]
    fn zeros_behind_the_last_member_are_named() {
        let padded = [gzip(b"a,1\n"), vec![0; 512]].concat();
        let error = pieces(&padded, 64).expect_err("padded");
        assert!(error.to_string().contains("no gzip member"), "{error}");
    }

    #[test]
    fn a_file_that_grows_while_it_is_read_is_left_alone() {
        let mut file = tempfile::NamedTempFile::new().expect("temporary file");
        file.write_all(b"a,1\n").expect("written");
        let mut source = Source::open(file.path(), Encoding::Utf8).expect("opened");
        while source.next_piece(Vec::new()).expect("readable").is_some() {}
        file.write_all(b"b,2\n").expect("written");
        assert!(matches!(source.finish(), Err(ImportError::ChangedWhileRead { .. })));
    }

    #[cfg(unix)]
    #[test]
    fn a_device_is_no_file() {
        let open = Source::open(Path::new("/dev/zero"), Encoding::Utf8);
        assert!(matches!(open, Err(ImportError::NotAFile { .. })));
    }

    #[test]
    fn a_bomb_is_refused_by_its_ratio() {
        let bomb = zstd::encode_all(std::io::repeat(b'0').take(64 << 20), 3).expect("in memory");
        let error = pieces(&bomb, PIECE_BYTES).expect_err("refused");
        assert!(matches!(error, ImportError::Ceiling { limit: MAX_RATIO, .. }), "{error}");
    }

    #[test]
    fn a_line_beyond_the_ceiling_costs_one_piece() {
        let mut text = b"a,1\n".to_vec();
        text.extend(std::iter::repeat_n(b'x', LONGEST_LINE + 5000));
        text.extend_from_slice(b"\r\nb,2\n");
        let pieces = pieces(&text, 1 << 20).expect("readable");
        assert_eq!(text_of(&pieces), b"a,1\n<too long>\nb,2\n");
        let long = LONGEST_LINE as u64 + 5000;
        assert!(pieces.contains(&Piece::TooLong(long)), "{:?}", pieces.len());
    }

    /// Official BLAKE3 test vectors: byte i is i mod 251.
    #[test]
    fn the_hash_is_blake3() {
        let cases = [
            (1, "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213"),
            (1025, "d00278ae47eb27b34faecf67b4fe263f82d5412916c1ffd97c8cb7fb814b8444"),
            (102_400, "bc3e3d41a1146b069abffad3c0d44860cf664390afce4d9661f7902e7943e085"),
        ];
        for (length, hash) in cases {
            let mut file = tempfile::NamedTempFile::new().expect("temporary file");
            let bytes: Vec<u8> = (0..length).map(|i: u32| (i % 251) as u8).collect();
            file.write_all(&bytes).expect("written");
            assert_eq!(hash_file(file.path()).expect("readable"), hash);
        }
    }
}
