//! What detection looks at: the head of a dump and blocks spread through it.

use super::delimiter::delimiter_of;
use crate::encoding;
use crate::error::{ImportError, path_text};
use crate::read::{LONGEST_RECORD, record_end};
use crate::settings::{Encoding, SourceSettings};
use crate::sheet::DELIMITERS;
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
    /// Blank, or marked as a note.
    note: bool,
}

impl SampleLine {
    fn new(number: u64, text: Vec<u8>, notes: &[String]) -> SampleLine {
        let told = || notes.iter().any(|start| text.starts_with(start.as_bytes()));
        let note = trim(&text).is_empty() || text.starts_with(b"#") || told();
        SampleLine { number, text, note }
    }

    /// Blank, or a note: after `#`, or as the site file says.
    pub fn is_note(&self) -> bool {
        self.note
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
    /// Undecoded bytes of the head.
    pub head_bytes: u64,
    /// Bytes of text per byte on disk.
    pub unpacked_per_byte: f64,
    /// Share of the file on disk that was passed over for head and blocks (packed files).
    pub share_seen: f64,
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
        let head_bytes = raw.head.len() as u64;
        let unpacked_per_byte = raw.unpacked as f64 / raw.consumed.max(1) as f64;
        let share_seen = raw.consumed as f64 / raw.bytes.max(1) as f64;
        let RawSample { packing, bytes, complete, blocks, .. } = raw;
        let found = encoding::find(&raw.head, &blocks);
        let (encoding, encoding_reason) = match given.encoding {
            Some(given) => {
                check_encoding(path, given, &found, &raw.head)?;
                (given, "as set".into())
            }
            None => (found.encoding, found.reason),
        };
        let text = encoding::decode_as(&raw.head, encoding);
        let mut head = whole_lines(&text, true, complete);
        if given.quoted_newlines == Some(true) {
            head = joined(head, given);
        }
        let numbered = (1..).zip(head);
        let head = numbered.map(|(n, text)| SampleLine::new(n, text, &given.notes)).collect();
        let mut spread = Vec::new();
        for block in &blocks {
            let text = encoding::decode_as(block, encoding);
            let lines = whole_lines(&text, false, false).into_iter();
            spread.extend(lines.map(|text| SampleLine::new(0, text, &given.notes)));
        }
        Ok(Sample {
            packing,
            bytes,
            encoding,
            encoding_reason,
            head,
            spread,
            complete,
            head_bytes,
            unpacked_per_byte,
            share_seen,
        })
    }

    /// All lines that are no notes.
    pub fn lines(&self) -> impl Iterator<Item = &SampleLine> {
        self.head.iter().chain(&self.spread).filter(|line| !line.is_note())
    }

    /// A part of the lines that is small enough to be looked at from all sides: the head, then
    /// every n-th line of the rest.
    pub fn shape_lines(&self) -> Vec<&SampleLine> {
        self.shape_lines_until(u64::MAX)
    }

    /// The same up to a line of the head; without the blocks where there is such a line.
    pub fn shape_lines_until(&self, until: u64) -> Vec<&SampleLine> {
        let all = until == u64::MAX;
        let lines = self.lines().filter(|line| all || (line.number > 0 && line.number < until));
        let lines: Vec<&SampleLine> = lines.collect();
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

/// Records over several lines joined; the lines that they went on in stay, blank, so that lines
/// keep their numbers.
fn joined(lines: Vec<Vec<u8>>, given: &SourceSettings) -> Vec<Vec<u8>> {
    let delimiters = match given.delimiter.as_deref().and_then(delimiter_of) {
        Some(delimiter) => vec![delimiter],
        None => DELIMITERS.to_vec(),
    };
    let text = lines.join(&b'\n');
    let mut out = Vec::with_capacity(lines.len());
    let mut at = 0;
    while at < text.len() {
        let one_line = lines.get(out.len()).map_or(0, Vec::len);
        let ends = delimiters.iter().filter_map(|&d| record_end(&text[at..], d));
        let end = ends.max().filter(|&end| end <= LONGEST_RECORD).unwrap_or(one_line);
        let record = &text[at..at + end];
        let n_breaks = record.iter().filter(|&&byte| byte == b'\n').count();
        out.push(record.to_vec());
        out.extend(std::iter::repeat_n(Vec::new(), n_breaks));
        at += end + 1;
    }
    out
}

/// A given encoding that the file's first bytes rule out.
fn check_encoding(
    path: &Path,
    given: Encoding,
    found: &encoding::Found,
    head: &[u8],
) -> Result<(), ImportError> {
    let wide = |encoding| matches!(encoding, Encoding::Utf16Le | Encoding::Utf16Be);
    let conflict = |line, found: String| {
        let (file, given) = (path_text(path), given.name().into());
        Err(ImportError::Conflict { file, line, setting: "encoding", given, found })
    };
    let marked = head.starts_with(encoding::BOM);
    if given == found.encoding {
        return Ok(());
    }
    if wide(found.encoding) || (marked && given != Encoding::Utf8) {
        return conflict(1, format!("{}: {}", found.encoding.name(), found.reason));
    }
    let text = encoding::decode_as(head, given);
    let lines = Lines::new(&text).count();
    if wide(given) {
        let garbled = memchr::memmem::find(&text, encoding::REPLACEMENT).is_some();
        if garbled || lines < 2 {
            return conflict(1, format!("{}: {}", found.encoding.name(), found.reason));
        }
    }
    if given == Encoding::Utf8 {
        let is_bad = |line: &[u8]| std::str::from_utf8(line).is_err();
        let bad: Vec<usize> =
            (1..).zip(Lines::new(&text)).filter(|(_, l)| is_bad(l)).map(|(n, _)| n).collect();
        if let [first, ..] = bad[..]
            && bad.len() > 2
            && bad.len() * 10 > lines
        {
            let found = format!(
                "{} of the first {lines} lines are no UTF-8, line {first} for one",
                bad.len()
            );
            return conflict(first as u64, found);
        }
    }
    Ok(())
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
