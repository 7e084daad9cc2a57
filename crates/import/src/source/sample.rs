//! The head of a dump and blocks spread through it, for detection.

use super::{Packing, Source, open_file};
use crate::error::ImportError;
use crate::settings::Encoding;
use std::io::Read;
use std::path::Path;

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
        fill_to(&mut source, &mut head, goal)?;
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

/// Reads on until the text is so long, or ends.
fn fill_to(source: &mut Source, text: &mut Vec<u8>, goal: usize) -> Result<(), ImportError> {
    let mut filled = text.len();
    while !source.ended && filled < goal {
        source.fill(text, &mut filled, goal)?;
    }
    text.truncate(filled);
    Ok(())
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
        fill_to(source, &mut passed, stride)?;
        let from = passed.len().saturating_sub(BLOCK_BYTES) & !1;
        blocks.push(passed[from..].to_vec());
    }
    Ok(blocks)
}
