//! One piece of text to readings and rejects; lines count from 1 within it.

mod quick;

pub(super) use quick::LastQuality;

use super::book::{Rule, TagBook};
use super::plan::{FoldReading, Kept, Parsed, Plan, Table};
use super::records::{self, Next};
use super::{WIDE_RUN, header};
use crate::clock::{TimeReader, TimeValue};
use crate::encoding::REPLACEMENT;
use crate::error::ImportError;
use crate::number;
use crate::schema;
use crate::settings::{Encoding, Layout};
use crate::split::{LineEnds, Lines, Marks, Span};
use crate::split::{fields_owned, fields_plain, fields_quoted, line_ends};
use crate::tags::TagKind;
use crate::text::{shown, trim};
use crate::units;
use memchr::{memchr, memmem};
use metersift_model::{Origin, Quality, Reject, RejectReason, SeriesId, TimeUs};
use std::sync::Arc;

/// Parses one piece.
pub(super) struct Parser<'p, 'd> {
    plan: &'p Plan<'d>,
    table: Arc<Table>,
    times: TimeReader<'d>,
    book: TagBook,
    quality: LastQuality,
    reading_bytes: Option<usize>,
    line: u64,
    out: Parsed,
}

/// A line with its fields: positions into `text`.
#[derive(Clone, Copy)]
struct RowText<'r> {
    text: &'r [u8],
    fields: &'r [Span],
    raw: &'r [u8],
}

impl<'r> RowText<'r> {
    #[inline]
    fn field(&self, column: usize) -> &'r [u8] {
        match self.fields.get(column) {
            Some(&(from, to)) => &self.text[from as usize..to as usize],
            None => &[],
        }
    }

    fn is_blank(&self) -> bool {
        (0..self.fields.len()).all(|column| trim(self.field(column)).is_empty())
    }
}

impl<'p, 'd> Parser<'p, 'd> {
    pub(super) fn new(plan: &'p Plan<'d>, table: Arc<Table>) -> Parser<'p, 'd> {
        let Kept { book, times, quality, reading_bytes } = plan.learned(&table);
        let (line, out) = (0, Parsed::default());
        Parser { plan, table, times, book, quality, reading_bytes, line, out }
    }

    pub(super) fn parse(mut self, text: &[u8]) -> Parsed {
        self.reserve(text.len());
        let bytes = text.len();
        let ends_open = !matches!(text.last(), Some(b'\n' | b'\r') | None);
        if self.plan.young && ends_open {
            let body = memchr::memrchr2(b'\n', b'\r', text).map_or(0, |at| at + 1);
            self.parse_lines(&text[..body]);
            self.hold_back(&text[body..]);
        } else {
            self.parse_lines(text);
        }
        if let Some(known) = bytes.checked_div(self.out.block.len()) {
            self.reading_bytes = Some(known.max(1));
        }
        self.finish()
    }

    fn reserve(&mut self, bytes: usize) {
        // A reading of a long dump takes about fifty bytes of text, of a wide one about ten. Once
        // that is known better, a sixteenth more makes up for pieces that differ.
        let usual = if self.plan.dialect.layout == Layout::Long { 40 } else { 10 };
        let n = match self.reading_bytes {
            Some(known) => bytes / known + bytes / known / 16 + 1,
            None => bytes / usual + 1,
        };
        let block = &mut self.out.block;
        block.series.reserve(n);
        block.time_us.reserve(n);
        block.value.reserve(n);
        block.quality.reserve(n);
        block.line.reserve(n);
    }

    fn parse_lines(&mut self, text: &[u8]) {
        // Whatever the text holds farther on: a row that is read so is a row of any text.
        let text = &text[self.first_rows(text)..];
        if text.is_empty() {
            return;
        }
        let is_text = match self.plan.dialect.encoding {
            Encoding::Utf8 => text.is_ascii() || std::str::from_utf8(text).is_ok(),
            Encoding::Utf16Le | Encoding::Utf16Be => memmem::find(text, REPLACEMENT).is_none(),
            Encoding::Windows1252 => true,
        };
        let quotes = memchr(b'"', text).is_some();
        if is_text && !quotes && line_ends(text) == LineEnds::Lf {
            self.parse_plain(text);
        } else {
            self.parse_checked(text, !is_text);
        }
    }

    /// No quotes, no lone CR, all of it text: one pass over delimiters and line ends.
    fn parse_plain(&mut self, text: &[u8]) {
        let text = &text[self.quick_rows(text)..];
        let delimiter = self.plan.dialect.delimiter;
        let mut fields: Vec<Span> = Vec::with_capacity(self.table.schema.n_columns() + 1);
        let (mut line_start, mut field_start) = (0, 0);
        for at in Marks::new(text, delimiter, b'\n') {
            if text[at] == delimiter {
                fields.push((field_start as u32, at as u32));
            } else {
                let cr = at > field_start && text[at - 1] == b'\r';
                let end = at - usize::from(cr);
                fields.push((field_start as u32, end as u32));
                self.row(RowText { text, fields: &fields, raw: &text[line_start..end] });
                fields.clear();
                line_start = at + 1;
            }
            field_start = at + 1;
        }
        if line_start < text.len() {
            fields.push((field_start as u32, text.len() as u32));
            self.row(RowText { text, fields: &fields, raw: &text[line_start..] });
        }
    }

    /// Any text, line by line or record by record.
    fn parse_checked(&mut self, text: &[u8], check_text: bool) {
        let mut fields = Vec::new();
        let mut clean = Vec::new();
        let mut rest = text;
        while !rest.is_empty() {
            let (record, length) = self.next_record(rest);
            self.checked(record, check_text, &mut clean, &mut fields);
            if self.plan.dialect.quoted_newlines {
                self.line += Lines::new(record).count().saturating_sub(1) as u64;
            }
            rest = &rest[length..];
        }
    }

    /// The next record without its line end, and its length with it.
    fn next_record<'t>(&self, text: &'t [u8]) -> (&'t [u8], usize) {
        if self.plan.dialect.quoted_newlines
            && let Next::Record(length) = records::next_record(text, self.plan.dialect.delimiter)
        {
            let record = &text[..length];
            let record = record.strip_suffix(b"\n").unwrap_or(record);
            return (record.strip_suffix(b"\r").unwrap_or(record), length);
        }
        let mut lines = Lines::new(text);
        let line = lines.next().unwrap_or_default();
        (line, lines.position())
    }

    fn checked(
        &mut self,
        line: &[u8],
        check_text: bool,
        clean: &mut Vec<u8>,
        fields: &mut Vec<Span>,
    ) {
        let delimiter = self.plan.dialect.delimiter;
        if check_text && !self.is_text(line) {
            self.line += 1;
            self.out.report.rows_in += 1;
            return self.reject(RejectReason::BadEncoding, 0, "", line, || "text".into(), 1);
        }
        if memchr(b'"', line).is_none() {
            fields_plain(line, delimiter, fields);
            return self.row(RowText { text: line, fields, raw: line });
        }
        match fields_quoted(line, delimiter, clean, fields) {
            Ok(()) => self.row(RowText { text: clean, fields, raw: line }),
            Err(_) if self.is_note(line) => self.note(),
            Err(stray) => {
                self.line += 1;
                self.out.report.rows_in += 1;
                let expected = || "a quote that closes before the next delimiter".into();
                self.reject(RejectReason::StrayQuote, stray.column, "", line, expected, 1);
            }
        }
    }

    /// Lines that begin as the site says notes do, and lines after a `#` that are no rows.
    fn is_note(&self, line: &[u8]) -> bool {
        line.starts_with(b"#") || self.is_told_note(line)
    }

    fn is_told_note(&self, line: &[u8]) -> bool {
        self.plan.dialect.notes.iter().any(|start| line.starts_with(start.as_bytes()))
    }

    fn note(&mut self) {
        self.line += 1;
        self.out.report.note_lines += 1;
    }

    fn is_text(&self, line: &[u8]) -> bool {
        match self.plan.dialect.encoding {
            Encoding::Utf8 => std::str::from_utf8(line).is_ok(),
            _ => memmem::find(line, REPLACEMENT).is_none(),
        }
    }

    #[inline]
    fn row(&mut self, row: RowText<'_>) {
        if !self.plan.dialect.notes.is_empty() && self.is_told_note(row.raw) {
            return self.note();
        }
        self.line += 1;
        let n_columns = self.table.schema.n_columns();
        if row.fields.len() != n_columns || row.fields[0].0 == row.fields[0].1 {
            if row.is_blank() {
                self.out.report.blank_lines += 1;
                return;
            }
            if row.fields.len() != n_columns && !self.fits(&row) {
                return self.wrong_count(&row);
            }
        }
        match self.plan.dialect.layout {
            Layout::Long => self.long_row(row),
            Layout::Wide => self.wide_row(row),
        }
    }

    /// Empty columns at the end may be missing or too many.
    fn fits(&self, row: &RowText<'_>) -> bool {
        let schema = &self.table.schema;
        let names = &schema.names;
        let n = row.fields.len();
        let blank = |column: usize| trim(row.field(column)).is_empty();
        if n > names.len() {
            return (names.len()..n).all(blank);
        }
        let last_needed = schema.time.max(schema.date.unwrap_or(0));
        n > last_needed && names[n..].iter().all(String::is_empty)
    }

    fn wrong_count(&mut self, row: &RowText<'_>) {
        if self.is_no_row(row) {
            return;
        }
        let n_columns = self.table.schema.n_columns();
        self.out.report.rows_in += 1;
        let expected = || format!("{n_columns} fields, found {}", row.fields.len());
        self.reject(self.reason(row.raw, RejectReason::FieldCount), 0, "", row.raw, expected, 1);
    }

    /// NUL bytes explain whatever else is wrong with a line.
    fn reason(&self, raw: &[u8], reason: RejectReason) -> RejectReason {
        if memchr(0, raw).is_some() { RejectReason::BadEncoding } else { reason }
    }

    /// A header or a note.
    fn is_no_row(&mut self, row: &RowText<'_>) -> bool {
        if self.is_header(row) {
            return true;
        }
        let note = row.raw.starts_with(b"#");
        self.out.report.note_lines += u64::from(note);
        note
    }

    /// A header that comes again is passed over; another one says anew which column is what.
    fn is_header(&mut self, row: &RowText<'_>) -> bool {
        if self.table.header.is_empty() {
            return false;
        }
        if row.raw == self.table.header {
            self.out.report.repeated_headers += 1;
            return true;
        }
        let cells = (0..row.fields.len()).map(|column| trim(row.field(column)));
        if !header::looks_like_one(&self.table.schema, cells) {
            return self.is_unit_row(row);
        }
        self.take_header(row);
        true
    }

    /// Units below a header that came again.
    fn is_unit_row(&mut self, row: &RowText<'_>) -> bool {
        let cells = (0..row.fields.len()).map(|column| trim(row.field(column)));
        let passed = self.plan.dialect.unit_rows > 0 && units::is_unit_row(cells);
        if passed {
            self.out.report.repeated_headers += 1;
            let text = |column: usize| String::from_utf8_lossy(row.field(column)).into_owned();
            let units: Vec<String> = (0..row.fields.len()).map(text).collect();
            let conflict = self.plan.unit_conflict(&self.table.schema, &units, self.line);
            if let Some(conflict) = conflict {
                self.out.fatal.get_or_insert(conflict);
            }
        }
        passed
    }

    fn take_header(&mut self, row: &RowText<'_>) {
        let dialect = self.plan.dialect;
        let cells = (0..row.fields.len()).map(|column| trim(row.field(column)));
        let mut names: Vec<String> =
            cells.map(|cell| String::from_utf8_lossy(cell).into_owned()).collect();
        if dialect.number_duplicates {
            names = schema::numbered(names);
        }
        let old = &self.table.schema;
        match old.under(names, dialect.layout) {
            Ok(schema) if schema.names == old.names => self.out.report.repeated_headers += 1,
            Ok(schema) => {
                let change = old.change_to(&schema.names, self.line);
                self.out.report.note_header(change);
                self.book.tell(&mut self.out.report);
                self.out.header_line = self.line;
                self.table = Arc::new(Table { schema, header: row.raw.to_vec() });
                if !self.book.fits(self.plan, &self.table) {
                    self.book = TagBook::new(self.plan, &self.table);
                }
            }
            Err(why) => {
                let (file, line) = (self.plan.file.clone(), self.line);
                let (old, new) = (shown(&self.table.header), shown(row.raw));
                let error = ImportError::SecondTable { file, line, old, new, why };
                self.out.fatal.get_or_insert(error);
            }
        }
    }

    fn reject(
        &mut self,
        reason: RejectReason,
        column: u32,
        tag: &str,
        read: &[u8],
        expected: impl FnOnce() -> String,
        rows: u64,
    ) {
        let origin =
            Origin { file: self.plan.file.clone(), line: self.line, column, tag: tag.into() };
        self.out.reject(Reject { origin, reason, read: shown(read), expected: expected() }, rows);
    }

    /// Reads the time cells of a row.
    #[inline]
    fn time(&mut self, row: &RowText<'_>) -> TimeValue {
        let schema = &self.table.schema;
        match schema.date {
            _ if schema.zone.is_some() => {
                let zone = schema.zone.map_or(&b""[..], |zone| row.field(zone));
                let date = schema.date.map(|date| row.field(date));
                self.times.read_zoned(date, row.field(schema.time), zone)
            }
            None => self.times.read(row.field(schema.time)),
            Some(date) => self.times.read_pair(row.field(date), row.field(schema.time)),
        }
    }

    /// What is wrong with a time, if anything.
    #[inline]
    fn time_fault(&self, time: TimeValue) -> Option<RejectReason> {
        let dialect = self.plan.dialect;
        let at = match time {
            TimeValue::Bad => return Some(RejectReason::BadTime),
            TimeValue::Gap => return Some(RejectReason::SkippedTime),
            TimeValue::At(at) | TimeValue::Fold { early: at, .. } => at,
        };
        let inside = (dialect.earliest_us..=dialect.latest_us).contains(&at);
        (!inside).then_some(RejectReason::TimeOutOfSpan)
    }

    fn expected_time(&self, reason: RejectReason) -> String {
        let dialect = self.plan.dialect;
        match reason {
            RejectReason::SkippedTime => {
                format!("a time that existed in {}: clocks were set forward", dialect.zone.name())
            }
            RejectReason::TimeOutOfSpan => {
                let (from, to) = (TimeUs(dialect.earliest_us), TimeUs(dialect.latest_us));
                format!("a time from {from} to {to}")
            }
            _ => {
                let format = dialect.time_format.expected();
                let words: Vec<&str> = dialect.zone.words().map(|(word, _)| word).collect();
                match (self.table.schema.zone, words.as_slice()) {
                    (None, []) => format,
                    (None, words) => format!("{format}, perhaps with {}", words.join(", ")),
                    (Some(_), []) => format!("{format}, and an offset beside it"),
                    (Some(_), words) => {
                        format!("{format}, and an offset or {} beside it", words.join(", "))
                    }
                }
            }
        }
    }

    fn time_text<'r>(&self, row: &RowText<'r>) -> std::borrow::Cow<'r, [u8]> {
        let schema = &self.table.schema;
        let time = match schema.date {
            None => row.field(schema.time).into(),
            Some(date) => [row.field(date), b" ", row.field(schema.time)].concat().into(),
        };
        match schema.zone {
            None => time,
            Some(zone) => [&time, &b" "[..], row.field(zone)].concat().into(),
        }
    }

    fn long_row(&mut self, row: RowText<'_>) {
        let time = self.time(&row);
        let fault = self.time_fault(time);
        if fault == Some(RejectReason::BadTime) && self.is_no_row(&row) {
            return;
        }
        self.out.report.rows_in += 1;
        let tag_column = self.table.schema.tag.unwrap_or(0);
        let tag = trim(row.field(tag_column));
        let idx = self.book.number(self.plan, tag);
        let known = match (fault, time) {
            (None, TimeValue::At(at)) => self.book.same_binding(idx, at),
            _ => None,
        };
        if known.is_none() {
            let unknown = match self.book.entry(idx).kind {
                TagKind::Bound(_) => false,
                TagKind::Ignored => {
                    self.out.report.ignored += 1;
                    return;
                }
                TagKind::Unknown => true,
            };
            if unknown || fault.is_some() {
                return self.long_faults(&row, idx, unknown, fault);
            }
        }
        if let Some(unit_column) = self.table.schema.unit {
            let unit = row.field(unit_column);
            if !self.check_unit(idx, unit, unit_column) {
                let name = self.book.name(idx);
                let expected = || "the unit of the tag table".into();
                let reason = RejectReason::UnknownUnit;
                return self.reject(reason, unit_column as u32 + 1, &name, unit, expected, 1);
            }
        }
        let value_column = self.table.schema.value.unwrap_or(0);
        let quality = self.table.schema.quality.map(|column| (column, row.field(column)));
        let value = row.field(value_column);
        match (known, time) {
            (Some(binding), TimeValue::At(at)) => self.reading(idx, at, binding, value, quality),
            _ => self.sample(idx, time, (value_column, value), quality),
        }
    }

    /// All that is wrong with a long row: one reject each, and the row counts once, under the
    /// first of them.
    #[cold]
    fn long_faults(
        &mut self,
        row: &RowText<'_>,
        idx: usize,
        unknown: bool,
        fault: Option<RejectReason>,
    ) {
        let name = self.book.name(idx);
        let mut rows = 1;
        if unknown {
            let reason = self.reason(row.raw, RejectReason::UnknownTag);
            let column = self.table.schema.tag.unwrap_or(0) as u32 + 1;
            let expected = || "a tag of the tag table".into();
            self.reject(reason, column, &name, row.raw, expected, rows);
            rows = 0;
        }
        // NUL bytes explain whatever else is wrong.
        if rows == 0 && memchr(0, row.raw).is_some() {
            return;
        }
        if let Some(reason) = fault {
            self.time_reject(row, &name, reason, rows);
            rows = 0;
        }
        if let Some(column) = self.table.schema.quality {
            self.quality_reject(row.field(column), column, &name, rows);
        }
    }

    /// Names a time that cannot be used.
    fn time_reject(&mut self, row: &RowText<'_>, tag: &str, reason: RejectReason, rows: u64) {
        let read = self.time_text(row);
        let expected = self.expected_time(reason);
        let reason = self.reason(row.raw, reason);
        let column = self.table.schema.time as u32 + 1;
        self.reject(reason, column, tag, &read, || expected, rows);
    }

    /// Names a quality that is not in the code; says whether there is one.
    fn quality_reject(&mut self, text: &[u8], column: usize, tag: &str, rows: u64) -> bool {
        let quality = &self.plan.dialect.quality;
        if quality.read(text).is_some() {
            return false;
        }
        let expected = || quality.expected();
        let reason = RejectReason::UnknownQuality;
        self.reject(reason, column as u32 + 1, tag, text, expected, rows);
        true
    }

    /// The dump's unit must be the tag table's: another one stops the dump, a text that is no
    /// unit costs its row (false).
    fn check_unit(&mut self, idx: usize, read: &[u8], column: usize) -> bool {
        if read.is_empty() || self.book.has_unit(idx, read) {
            return true;
        }
        let entry = self.book.entry(idx);
        let TagKind::Bound(bindings) = &entry.kind else { return true };
        let text = String::from_utf8_lossy(trim(read)).into_owned();
        let clash = bindings.iter().find(|binding| {
            let other = metersift_model::unit::conversion(&binding.signal, &text);
            other.ok() != Some(binding.conversion)
        });
        if let Some(binding) = clash {
            if !units::is_unit(&text) {
                return false;
            }
            let at = Origin {
                file: self.plan.file.clone(),
                line: self.line,
                column: column as u32 + 1,
                tag: entry.name.clone(),
            };
            let (read, table) = (shown(read), binding.unit.clone());
            self.out.fatal.get_or_insert(ImportError::UnitConflict { at, read, table });
            // Not remembered: the next piece must find it too, whichever is parsed first.
            return true;
        }
        self.book.found_unit(idx, read);
        true
    }

    fn wide_row(&mut self, row: RowText<'_>) {
        let time = self.time(&row);
        if let Some(reason) = self.time_fault(time) {
            if reason == RejectReason::BadTime && self.is_no_row(&row) {
                return;
            }
            let cells = self.count_cells(&row);
            self.out.report.rows_in += cells;
            self.time_reject(&row, "", reason, cells);
            return self.cell_faults(&row);
        }
        for idx in 0..self.table.schema.cells.len() {
            let (column, quality_column) = self.table.schema.cells[idx];
            let value = row.field(column);
            if value.is_empty() || trim(value).is_empty() {
                self.out.report.empty_cells += 1;
                continue;
            }
            self.out.report.rows_in += 1;
            let quality = quality_column.map(|column| (column, row.field(column)));
            if let TimeValue::At(at) = time
                && let Some(binding) = self.book.same_binding(idx, at)
            {
                self.reading(idx, at, binding, value, quality);
                continue;
            }
            if matches!(self.book.entry(idx).kind, TagKind::Bound(_)) {
                self.sample(idx, time, (column, value), quality);
                continue;
            }
            match self.book.entry(idx).kind {
                TagKind::Ignored => self.out.report.ignored += 1,
                _ => {
                    self.count_unknown(column);
                    let rejected = &mut self.out.report.rejected;
                    *rejected.entry(RejectReason::UnknownTag).or_default() += 1;
                }
            }
        }
    }

    /// What else is wrong in a wide row whose time cannot be used: its cells are counted already.
    #[cold]
    fn cell_faults(&mut self, row: &RowText<'_>) {
        if memchr(0, row.raw).is_some() {
            return;
        }
        for idx in 0..self.table.schema.cells.len() {
            let (column, quality) = self.table.schema.cells[idx];
            if trim(row.field(column)).is_empty() {
                continue;
            }
            match self.book.entry(idx).kind {
                TagKind::Ignored => {}
                TagKind::Unknown => self.count_unknown(column),
                TagKind::Bound(_) => {
                    if let Some(quality) = quality {
                        let name = self.book.name(idx);
                        self.quality_reject(row.field(quality), quality, &name, 0);
                    }
                }
            }
        }
    }

    fn count_unknown(&mut self, column: usize) {
        let place = (self.out.header_line, column);
        if let Some((_, count)) = self.out.unknown_cells.get_mut(&place) {
            *count += 1;
            return;
        }
        let name = self.table.schema.names.get(column).cloned().unwrap_or_default();
        self.out.unknown_cells.insert(place, (name, 1));
    }

    /// Data cells that are not empty.
    fn count_cells(&mut self, row: &RowText<'_>) -> u64 {
        let cells = &self.table.schema.cells;
        let is_full = |&&(column, _): &&(usize, Option<usize>)| !trim(row.field(column)).is_empty();
        let full = cells.iter().filter(is_full).count() as u64;
        self.out.report.empty_cells += cells.len() as u64 - full;
        full
    }

    /// One sample of a tag that is wanted, at a time that can be read.
    fn sample(
        &mut self,
        idx: usize,
        time: TimeValue,
        value: (usize, &[u8]),
        quality: Option<(usize, &[u8])>,
    ) {
        let (at, late) = match time {
            TimeValue::At(at) => (at, None),
            TimeValue::Fold { early, late, .. } => (early, Some(late)),
            TimeValue::Bad | TimeValue::Gap => return,
        };
        let moves_in_fold = late.is_some_and(|late| {
            let slot = self.book.binding(idx, late).map(|(slot, _)| slot);
            slot != self.book.binding(idx, at).map(|(slot, _)| slot)
        });
        let Some((slot, rule)) = self.book.binding(idx, at).filter(|_| !moves_in_fold) else {
            let name = self.book.name(idx);
            let expected = || "a time within `from` and `until` of the tag".into();
            let read = TimeUs(at).to_string();
            let (reason, column) = (RejectReason::TagNotInForce, self.table.schema.time as u32 + 1);
            self.reject(reason, column, &name, read.as_bytes(), expected, 1);
            if let Some((column, text)) = quality {
                self.quality_reject(text, column, &name, 0);
            }
            return;
        };
        let TimeValue::Fold { local, early, late } = time else {
            return self.reading(idx, at, (slot, rule), value.1, quality);
        };
        let Some((number, byte)) = self.cells(idx, rule, value.1, quality) else { return };
        let wide = self.plan.dialect.layout == Layout::Wide;
        self.out.folds.push(FoldReading {
            at: self.out.block.len(),
            run: if wide { WIDE_RUN } else { slot },
            line: self.line,
            column: value.0 as u32 + 1,
            local,
            early,
            late,
            slot,
            value: number,
            quality: byte,
            tag: Arc::clone(self.book.entry(idx)),
        });
    }

    /// One reading at a known instant, of a tag whose binding is known.
    #[inline]
    fn reading(
        &mut self,
        idx: usize,
        at: i64,
        (slot, rule): (u32, Rule),
        value: &[u8],
        quality: Option<(usize, &[u8])>,
    ) {
        if let Some((number, byte)) = self.cells(idx, rule, value, quality) {
            self.out.block.push(SeriesId(slot), at, number, byte, self.line as u32);
        }
    }

    /// Value and quality byte of a reading; `None` when its quality is not in the code.
    #[inline]
    fn cells(
        &mut self,
        idx: usize,
        rule: Rule,
        value: &[u8],
        quality: Option<(usize, &[u8])>,
    ) -> Option<(f64, u8)> {
        let dialect = self.plan.dialect;
        let mut byte = Quality::GOOD.0;
        if let Some((column, text)) = quality {
            match dialect.quality.read(text) {
                Some(read) => byte = read,
                None => {
                    let name = self.book.name(idx);
                    self.quality_reject(text, column, &name, 1);
                    return None;
                }
            }
        }
        match number::parse(value, dialect.numbers) {
            Some(read) if dialect.bad_values.contains(&read) => self.out.report.bad_values += 1,
            Some(read) => {
                if let Some(converted) = rule.in_span(read) {
                    return Some((converted, byte));
                }
                self.book.count_out_of_span(idx);
            }
            None => self.book.count_word(idx, trim(value)),
        }
        Some((f64::NAN, Quality::BAD.0))
    }

    /// The last line of a file that may still grow.
    fn hold_back(&mut self, line: &[u8]) {
        self.line += 1;
        let fields = fields_owned(line, self.plan.dialect.delimiter).unwrap_or_default();
        let rows = match self.plan.dialect.layout {
            Layout::Long => u64::from(!trim(line).is_empty()),
            Layout::Wide => {
                let full = |&&(column, _): &&(usize, Option<usize>)| {
                    fields.get(column).is_some_and(|field| !trim(field).is_empty())
                };
                self.table.schema.cells.iter().filter(full).count() as u64
            }
        };
        self.out.report.rows_in += rows;
        self.out.report.held_back += rows;
    }

    fn finish(mut self) -> Parsed {
        self.book.tell(&mut self.out.report);
        self.out.report.leap_seconds = self.times.n_leap;
        let Parser { book, times, quality, reading_bytes, .. } = self;
        self.plan.take_back(Kept { book, times, quality, reading_bytes });
        self.out.lines = self.line;
        self.out.table = Some(self.table);
        self.out
    }
}
