//! One dump, streamed: pieces of text in, blocks of readings and rejects out.
//!
//! Shape:  one thread reads, hashes, unpacks and decodes; rayon parses pieces side by side;
//!         the calling thread takes the results in dump order, settles folds and feeds the
//!         sink. What comes out depends on the pieces, which are cut by bytes, and never on
//!         the number of threads.
//! Wrong:  a row that cannot be read is a [`Reject`]; a file that breaks is an error, and
//!         nothing of it counts.
//! Limits: readings of an open fold are kept in memory until their tag leaves the fold.

mod finish;
mod parse;
mod plan;

use crate::dialect::Dialect;
use crate::error::{ImportError, SinkError, path_text};
use crate::report::DumpReport;
use crate::source::{LONGEST_LINE, PIECE_BYTES, Piece, Source, Summary};
use crate::split::{Lines, fields_owned};
use crate::tags::TagTable;
use crate::text::{shown, trim};
use finish::Finisher;
use metersift_model::{ReadingBlock, Reject, SeriesTable};
use parse::Parser;
use plan::{Parsed, Plan};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, channel, sync_channel};

/// Pairs of word and tag that are told apart in one piece and in one dump.
const MAX_WORDS: usize = 10_000;
/// Stands for all words beyond [`MAX_WORDS`].
pub const OTHER_WORDS: &str = "(other words)";
/// Stands for an empty value cell of a long dump.
pub const EMPTY_WORD: &str = "(empty)";
/// The run that all readings of a wide dump belong to.
const WIDE_RUN: u32 = u32::MAX;

/// How a dump is read, beside its dialect.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReadOptions {
    /// The file may still grow: a last line without its end is held back.
    pub young: bool,
    /// Text bytes that are parsed at a time.
    pub piece_bytes: usize,
}

impl Default for ReadOptions {
    fn default() -> ReadOptions {
        ReadOptions { young: false, piece_bytes: PIECE_BYTES }
    }
}

/// Reads a dump that is at rest.
///
/// Blocks and rejects come in dump order, but for readings of a fold, which come when their tag
/// has left the fold. Rows in = delivered + rejected + ignored + held back.
///
/// # Errors
/// Everything that makes the file as a whole unreadable; what the sink said. Nothing that was
/// delivered before counts then.
pub fn read_dump(
    path: &Path,
    dialect: &Dialect,
    tags: &TagTable,
    series: &mut SeriesTable,
    sink: &mut dyn FnMut(ReadingBlock) -> Result<(), SinkError>,
    rejects: &mut dyn FnMut(Reject),
) -> Result<DumpReport, ImportError> {
    read_dump_with(ReadOptions::default(), path, dialect, tags, series, sink, rejects)
}

/// Reads a dump with options.
///
/// # Errors
/// As [`read_dump`].
pub fn read_dump_with(
    options: ReadOptions,
    path: &Path,
    dialect: &Dialect,
    tags: &TagTable,
    series: &mut SeriesTable,
    sink: &mut dyn FnMut(ReadingBlock) -> Result<(), SinkError>,
    rejects: &mut dyn FnMut(Reject),
) -> Result<DumpReport, ImportError> {
    let source = Source::open_with(path, dialect.encoding, options.piece_bytes.max(1))?;
    let plan = Plan::new(dialect, tags, path_text(path), options.young);
    let mut finisher = Finisher::new(&plan, series, sink, rejects);
    let (send_piece, pieces) = sync_channel(2);
    let (give_back, spent) = channel();
    let summary = std::thread::scope(|threads| {
        let reader = threads.spawn(move || pump(source, &send_piece, &spent));
        let parsed = run(&plan, pieces, &give_back, &mut finisher);
        let read = match reader.join() {
            Ok(read) => read,
            Err(panic) => std::panic::resume_unwind(panic),
        };
        // A damaged file explains whatever its wrong rows led to.
        match (read, parsed) {
            (Err(error), _) | (_, Err(error)) => Err(error),
            (Ok(summary), Ok(())) => Ok(summary),
        }
    })?;
    finisher.finish(summary)
}

/// Reads pieces until the end or until nobody wants them any more.
fn pump(
    mut source: Source,
    pieces: &std::sync::mpsc::SyncSender<Piece>,
    spent: &Receiver<Vec<u8>>,
) -> Result<Option<Summary>, ImportError> {
    while let Some(piece) = source.next_piece(spent.try_recv().unwrap_or_default())? {
        if pieces.send(piece).is_err() {
            return Ok(None);
        }
    }
    source.finish().map(Some)
}

type TaskResult = std::thread::Result<Parsed>;

/// Parses pieces side by side and finishes them in order.
fn run(
    plan: &Plan<'_>,
    pieces: Receiver<Piece>,
    give_back: &Sender<Vec<u8>>,
    finisher: &mut Finisher<'_, '_>,
) -> Result<(), ImportError> {
    let limit = 2 * rayon::current_num_threads() + 1;
    let mut header: Arc<[u8]> = Arc::from([]);
    rayon::in_place_scope(|scope| {
        let (send_result, results) = channel::<(u64, TaskResult)>();
        let mut waiting: BTreeMap<u64, TaskResult> = BTreeMap::new();
        let mut head = Head::new(plan.dialect);
        let (mut n_in, mut n_out, mut open) = (0u64, 0u64, true);
        while open || n_out < n_in {
            while open && (n_in - n_out) < limit as u64 {
                let Ok(piece) = pieces.recv() else {
                    open = false;
                    break;
                };
                let text = match piece {
                    Piece::TooLong(found) if head.remaining > 0 => {
                        let (file, limit) = (plan.file.clone(), LONGEST_LINE as u64);
                        let what = "bytes in a line above the data";
                        return Err(ImportError::Ceiling { file, what, limit, found });
                    }
                    Piece::TooLong(bytes) => {
                        waiting.insert(n_in, Ok(plan.too_long(bytes)));
                        n_in += 1;
                        continue;
                    }
                    Piece::Text(text) => text,
                };
                let start = head.pass(&text, &plan.file)?;
                if !head.header.is_empty() {
                    header = std::mem::take(&mut head.header).into();
                }
                if start == text.len() {
                    continue;
                }
                let send_result = send_result.clone();
                let give_back = give_back.clone();
                let header = Arc::clone(&header);
                scope.spawn(move |_| {
                    let parse = || Parser::new(plan, &header).parse(&text[start..]);
                    let parsed = std::panic::catch_unwind(std::panic::AssertUnwindSafe(parse));
                    // Nobody listens any more when the import has stopped.
                    let _ = send_result.send((n_in, parsed));
                    let _ = give_back.send(text);
                });
                n_in += 1;
            }
            while let Some(parsed) = waiting.remove(&n_out) {
                match parsed {
                    Ok(parsed) => finisher.take(parsed)?,
                    Err(panic) => std::panic::resume_unwind(panic),
                }
                n_out += 1;
            }
            if n_out < n_in
                && !waiting.contains_key(&n_out)
                && (!open || n_in - n_out >= limit as u64)
            {
                let Some((idx, parsed)) = wait(&results) else { break };
                waiting.insert(idx, parsed);
            }
        }
        if head.remaining > 0 {
            // The file ends above its data.
            finisher.line_base = head.lines;
        }
        Ok(())
    })
}

/// Waits for a result; inside the thread pool it works meanwhile, so that a pool whose threads
/// all wait still gets on.
fn wait<T>(results: &Receiver<T>) -> Option<T> {
    loop {
        if let Ok(result) = results.try_recv() {
            return Some(result);
        }
        match rayon::yield_now() {
            None => return results.recv().ok(),
            Some(rayon::Yield::Executed) => {}
            Some(rayon::Yield::Idle) => {
                let pause = std::time::Duration::from_micros(200);
                if let Ok(result) = results.recv_timeout(pause) {
                    return Some(result);
                }
            }
        }
    }
}

/// The lines above the data.
struct Head<'d> {
    dialect: &'d Dialect,
    remaining: u64,
    lines: u64,
    header: Vec<u8>,
}

impl Head<'_> {
    fn new(dialect: &Dialect) -> Head<'_> {
        Head { dialect, remaining: dialect.lines_above_data(), lines: 0, header: Vec::new() }
    }

    /// Passes over lines; gives the place where data start in this piece.
    fn pass(&mut self, text: &[u8], file: &str) -> Result<usize, ImportError> {
        let mut lines = Lines::new(text);
        while self.remaining > 0 {
            let Some(line) = lines.next() else { break };
            if self.dialect.header && self.lines == self.dialect.skip_lines {
                self.check_header(line, file)?;
                self.header = line.to_vec();
            }
            self.lines += 1;
            self.remaining -= 1;
        }
        Ok(lines.position())
    }

    fn check_header(&self, line: &[u8], file: &str) -> Result<(), ImportError> {
        let names = header_names(line, self.dialect.delimiter);
        if names == self.dialect.names {
            return Ok(());
        }
        let joined = |names: &[String]| shown(names.join(", ").as_bytes());
        Err(ImportError::HeaderChanged {
            file: file.into(),
            line: self.lines + 1,
            old: joined(&self.dialect.names),
            new: joined(&names),
        })
    }
}

/// The trimmed names in a header line.
pub(crate) fn header_names(line: &[u8], delimiter: u8) -> Vec<String> {
    let fields = fields_owned(line, delimiter).unwrap_or_default();
    fields.iter().map(|field| String::from_utf8_lossy(trim(field)).into_owned()).collect()
}
