//! What detection looks at: the head of a dump and blocks spread through it.

use crate::encoding;
use crate::error::ImportError;
use crate::settings::{Encoding, SourceSettings};
use crate::source::{Packing, RawSample, raw_sample};
use crate::split::Lines;
use crate::text::trim;
use memchr::memrchr2;
use std::path::Path;

/// Text bytes that the shape of the table is judged by.
const SHAPE_BYTES: usize = 192 << 10;

/// A line of the sample.
#[derive(Clone, Debug)]
pub(super) struct SampleLine {
    /// Physical line, 0 for lines from the blocks.
    pub number: u64,
    /// Text without its end.
    pub text: Vec<u8>,
}

impl SampleLine {
    /// Blank, or a note marked with `#`.
    pub fn is_note(&self) -> bool {
        trim(&self.text).is_empty() || self.text.starts_with(b"#")
    }
}

/// Decoded lines of a dump.
#[derive(Debug)]
pub(super) struct Sample {
    pub packing: Packing,
    pub bytes: u64,
    pub encoding: Encoding,
    pub encoding_reason: String,
    /// Whole lines from the start of the file.
    pub head: Vec<SampleLine>,
    /// Whole lines from blocks spread through it.
    pub spread: Vec<SampleLine>,
    /// Whether the head is the whole file.
    pub complete: bool,
}

impl Sample {
    /// Reads a sample.
    pub fn read(path: &Path, given: &SourceSettings) -> Result<Sample, ImportError> {
        // Blocks are looked at for what the head may not show; what is set is not asked for.
        let settled = given.encoding.is_some()
            && given.decimal.is_some()
            && given.quality.is_some()
            && (given.date_order.is_some() || given.time_format.is_some());
        let raw = raw_sample(path, !settled)?;
        let RawSample { packing, bytes, complete, blocks, .. } = raw;
        let found = encoding::find(&raw.head, &blocks);
        let (encoding, encoding_reason) = match given.encoding {
            Some(given) => (given, "as set".into()),
            None => (found.encoding, found.reason),
        };
        let head = whole_lines(&encoding::decode_as(&raw.head, encoding), true, complete);
        let head = number(head);
        let mut spread = Vec::new();
        for block in &blocks {
            let text = encoding::decode_as(block, encoding);
            let lines = whole_lines(&text, false, false);
            spread.extend(lines.into_iter().map(|text| SampleLine { number: 0, text }));
        }
        Ok(Sample { packing, bytes, encoding, encoding_reason, head, spread, complete })
    }

    /// All lines that are no notes.
    pub fn lines(&self) -> impl Iterator<Item = &SampleLine> {
        self.head.iter().chain(&self.spread).filter(|line| !line.is_note())
    }

    /// A part of the lines that is small enough to be looked at from all sides: the head, then
    /// every n-th line of the rest.
    pub fn shape_lines(&self) -> Vec<&SampleLine> {
        let lines: Vec<&SampleLine> = self.lines().collect();
        let total: usize = lines.iter().map(|line| line.text.len() + 1).sum();
        if total <= SHAPE_BYTES {
            return lines;
        }
        let stride = (total / SHAPE_BYTES + 1) * 2;
        let n_first = (lines.len() / stride).max(40).min(lines.len());
        let (first, rest) = lines.split_at(n_first);
        first.iter().chain(rest.iter().step_by(stride)).copied().collect()
    }
}

fn number(lines: Vec<Vec<u8>>) -> Vec<SampleLine> {
    let numbered = lines.into_iter().enumerate();
    numbered.map(|(idx, text)| SampleLine { number: idx as u64 + 1, text }).collect()
}

/// Lines that are whole: without the first when the text starts inside a line, without the
/// last when it may end inside one.
fn whole_lines(text: &[u8], from_start: bool, to_end: bool) -> Vec<Vec<u8>> {
    let end = if to_end { text.len() } else { memrchr2(b'\n', b'\r', text).map_or(0, |at| at + 1) };
    let mut lines = Lines::new(&text[..end]);
    if !from_start {
        lines.next();
    }
    lines.map(<[u8]>::to_vec).collect()
}
