//! One dump, streamed: pieces of text in, blocks of readings and rejects out.
//!
//! Shape:  one thread reads, hashes, unpacks and decodes; rayon parses pieces side by side;
//!         the calling thread takes the results in dump order, settles folds and feeds the
//!         sink. What comes out depends on the pieces, which are cut by bytes, and never on
//!         the number of threads.
//! Wrong:  a row that cannot be read is a [`Reject`]; a file that breaks is an error, and
//!         nothing of it counts.
//! Limits: readings of an open fold are kept in memory until their tag leaves the fold.

mod book;
mod finish;
mod header;
mod parse;
mod plan;
mod records;

use crate::dialect::Dialect;
use crate::error::{ImportError, SinkError, path_text};
use crate::report::DumpReport;
use crate::source::{LONGEST_LINE, PIECE_BYTES, Piece, Source, Summary};
use crate::split::{Lines, fields_loose};
use crate::tags::TagTable;
use crate::text::{shown, trim};
use finish::Finisher;
pub(crate) use header::looks_like_one;
use metersift_model::{ReadingBlock, Reject, SeriesTable};
use parse::Parser;
use plan::{Parsed, Plan, Table};
use records::Records;
pub(crate) use records::{LONGEST_RECORD, record_end};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, channel, sync_channel};

/// Pieces that may be parsed or wait for one before them, per thread: some milliseconds' worth, so
/// that the others go on while the system has taken one thread away.
const PIECES_PER_THREAD: usize = 4;
/// Pieces that the reader may be ahead.
const PIECES_AHEAD: usize = 4;
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
    let schema = &dialect.schema;
    if let Some(error) = plan.unit_conflict(schema, &schema.units, dialect.skip_lines + 2) {
        return Err(error);
    }
    let mut finisher = Finisher::new(&plan, series, sink, rejects);
    let (send_piece, pieces) = sync_channel(PIECES_AHEAD);
    let (give_back, spent) = channel();
    let summary = std::thread::scope(|threads| {
        let reader = threads.spawn(move || pump(source, &send_piece, &spent));
        let parsed = run(&plan, &pieces, &give_back, &mut finisher);
        drop(pieces);
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

/// What a task was given and what came of it.
struct Task {
    /// The table that the piece was parsed under, `None` where that does not matter.
    under: Option<Arc<Table>>,
    text: Vec<u8>,
    start: usize,
    parsed: Parsed,
}

impl Task {
    /// Done at once.
    fn of(plan: &Plan<'_>, finisher: &Finisher<'_, '_>, text: Vec<u8>) -> Task {
        let table = Arc::clone(&finisher.table);
        let parsed = Parser::new(plan, Arc::clone(&table)).parse(&text);
        Task { under: Some(table), text, start: 0, parsed }
    }
}

type TaskResult = std::thread::Result<Task>;

/// Parses pieces side by side and finishes them in order.
fn run(
    plan: &Plan<'_>,
    pieces: &Receiver<Piece>,
    give_back: &Sender<Vec<u8>>,
    finisher: &mut Finisher<'_, '_>,
) -> Result<(), ImportError> {
    let limit = PIECES_PER_THREAD * rayon::current_num_threads();
    rayon::in_place_scope(|scope| {
        let (send_result, results) = channel::<(u64, TaskResult)>();
        let mut waiting: BTreeMap<u64, TaskResult> = BTreeMap::new();
        let mut head = Head::new(plan.dialect);
        let mut whole = Records::new(plan.dialect);
        let (mut n_in, mut n_out, mut open) = (0u64, 0u64, true);
        while open || n_out < n_in {
            while open && (n_in - n_out) < limit as u64 {
                let piece = match pieces.recv() {
                    Ok(piece) => piece,
                    Err(_) => {
                        open = false;
                        match whole.rest() {
                            Some(rest) => Piece::Text(rest),
                            None => break,
                        }
                    }
                };
                let text = match piece {
                    Piece::TooLong(found) if head.remaining > 0 => {
                        let (file, limit) = (plan.file.clone(), LONGEST_LINE as u64);
                        let what = "bytes in a line above the data";
                        return Err(ImportError::Ceiling { file, what, limit, found });
                    }
                    Piece::TooLong(bytes) => {
                        if let Some(text) = whole.rest() {
                            waiting.insert(n_in, Ok(Task::of(plan, finisher, text)));
                            n_in += 1;
                        }
                        let parsed = plan.too_long(bytes);
                        let task = Task { under: None, text: Vec::new(), start: 0, parsed };
                        waiting.insert(n_in, Ok(task));
                        n_in += 1;
                        continue;
                    }
                    Piece::Text(text) => text,
                };
                let start = head.pass(&text, &plan.file)?;
                if let Some(table) = head.table.take() {
                    finisher.table = Arc::new(table);
                }
                let Some((text, start)) = whole.cut(text, start, open) else { continue };
                if start == text.len() {
                    continue;
                }
                let send_result = send_result.clone();
                let table = Arc::clone(&finisher.table);
                scope.spawn(move |_| {
                    let parse = || {
                        let parsed = Parser::new(plan, Arc::clone(&table)).parse(&text[start..]);
                        Task { under: Some(table), text, start, parsed }
                    };
                    let task = std::panic::catch_unwind(std::panic::AssertUnwindSafe(parse));
                    // Nobody listens any more when the import has stopped.
                    let _ = send_result.send((n_in, task));
                });
                n_in += 1;
            }
            while let Some(task) = waiting.remove(&n_out) {
                match task {
                    Ok(task) => take(plan, task, give_back, finisher)?,
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

/// Hands a piece on. A piece that was parsed before a header above it was known is parsed again
/// under that header.
fn take(
    plan: &Plan<'_>,
    task: Task,
    give_back: &Sender<Vec<u8>>,
    finisher: &mut Finisher<'_, '_>,
) -> Result<(), ImportError> {
    let Task { under, text, start, mut parsed } = task;
    let same =
        |under: &Arc<Table>| Arc::ptr_eq(under, &finisher.table) || **under == *finisher.table;
    if !under.as_ref().is_none_or(same) {
        parsed = Parser::new(plan, Arc::clone(&finisher.table)).parse(&text[start..]);
    }
    finisher.take(parsed)?;
    // The reader may have ended.
    let _ = give_back.send(text);
    Ok(())
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
    /// The table, once the header was passed.
    table: Option<Table>,
}

impl Head<'_> {
    fn new(dialect: &Dialect) -> Head<'_> {
        let remaining = dialect.lines_above_data();
        Head { dialect, remaining, lines: 0, header: Vec::new(), table: None }
    }

    /// Passes over lines; gives the place where data start in this piece.
    fn pass(&mut self, text: &[u8], file: &str) -> Result<usize, ImportError> {
        if self.remaining == 0 {
            return Ok(0);
        }
        let mut lines = Lines::new(text);
        while self.remaining > 0 {
            let before = lines.position();
            let Some(line) = lines.next() else { break };
            if self.dialect.header && self.lines == self.dialect.skip_lines {
                self.header = line.to_vec();
            } else if self.dialect.quoted_newlines && self.lines > self.dialect.skip_lines {
                // Names may stand over several lines.
                self.header.extend_from_slice(b"\n");
                self.header.extend_from_slice(&text[before..before + line.len()]);
            }
            self.lines += 1;
            self.remaining -= 1;
        }
        if self.remaining == 0 && self.dialect.header {
            self.table = Some(self.check_header(file)?);
        }
        Ok(lines.position())
    }

    fn check_header(&mut self, file: &str) -> Result<Table, ImportError> {
        let dialect = self.dialect;
        let header = match records::record_end(&self.header, dialect.delimiter) {
            Some(end) if dialect.quoted_newlines => self.header[..end].to_vec(),
            _ => std::mem::take(&mut self.header),
        };
        let mut names = header_names(&header, dialect.delimiter);
        if dialect.number_duplicates {
            names = crate::schema::numbered(names);
        }
        if names == dialect.schema.names {
            return Ok(Table { schema: dialect.schema.clone(), header });
        }
        let joined = |names: &[String]| shown(names.join(", ").as_bytes());
        Err(ImportError::HeaderChanged {
            file: file.into(),
            line: dialect.skip_lines + 1,
            old: joined(&dialect.schema.names),
            new: joined(&names),
        })
    }
}

/// The trimmed names in a header line.
pub(crate) fn header_names(line: &[u8], delimiter: u8) -> Vec<String> {
    let fields = fields_loose(line, delimiter);
    fields.iter().map(|field| String::from_utf8_lossy(trim(field)).into_owned()).collect()
}
