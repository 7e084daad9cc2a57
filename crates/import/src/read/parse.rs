//! One piece of text to readings and rejects; lines count from 1 within it.

use super::plan::{FoldReading, Parsed, Plan, Table};
use super::records::{self, Next};
use super::{EMPTY_WORD, MAX_WORDS, OTHER_WORDS, WIDE_RUN, header};
use crate::clock::{TimeReader, TimeValue};
use crate::encoding::REPLACEMENT;
use crate::error::ImportError;
use crate::number;
use crate::schema;
use crate::settings::{Encoding, Layout};
use crate::split::{LineEnds, Lines, Span, fields_owned, fields_plain, fields_quoted, line_ends};
use crate::tags::{Binding, TagEntry, TagKind};
use crate::text::{shown, trim};
use crate::units;
use foldhash::{HashMap, HashMapExt};
use memchr::{memchr, memchr2_iter, memmem};
use metersift_model::unit::Conversion;
use metersift_model::{Origin, Quality, Reject, RejectReason, SeriesId, TimeUs};
use std::collections::BTreeMap;
use std::sync::Arc;

/// A tag as one parser knows it.
struct LocalTag {
    /// The tag as the dump writes it.
    raw: Box<[u8]>,
    entry: Arc<TagEntry>,
    /// The tag that followed it last: recorders write tags in rounds.
    next: u32,
    /// The binding used last, copied for speed.
    binding: Option<Binding>,
    /// The unit text that was compared last with the binding's, and found the same.
    unit: Vec<u8>,
    words: BTreeMap<Box<[u8]>, u64>,
    out_of_span: u64,
}

impl LocalTag {
    fn new(raw: &[u8], entry: Arc<TagEntry>) -> LocalTag {
        LocalTag {
            raw: raw.into(),
            entry,
            next: 0,
            binding: None,
            unit: Vec::new(),
            words: BTreeMap::new(),
            out_of_span: 0,
        }
    }

    /// The binding in force.
    #[inline]
    fn binding_at(&mut self, time_us: i64) -> Option<&Binding> {
        let same = matches!(&self.binding, Some(b) if (b.from_us..b.until_us).contains(&time_us));
        if !same {
            let TagKind::Bound(bindings) = &self.entry.kind else { return None };
            self.binding = Some(TagEntry::binding_at(bindings, time_us)?.clone());
        }
        self.binding.as_ref()
    }
}

/// Parses one piece.
pub(super) struct Parser<'p> {
    plan: &'p Plan<'p>,
    table: Arc<Table>,
    times: TimeReader<'p>,
    tags: Vec<LocalTag>,
    names: HashMap<Box<[u8]>, u32>,
    last_tag: usize,
    n_words: usize,
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

impl<'p> Parser<'p> {
    pub(super) fn new(plan: &'p Plan<'p>, table: Arc<Table>) -> Parser<'p> {
        let dialect = plan.dialect;
        let mut parser = Parser {
            plan,
            table,
            times: TimeReader::new(&dialect.time_format, &dialect.zone),
            tags: Vec::new(),
            names: HashMap::new(),
            last_tag: 0,
            n_words: 0,
            line: 0,
            out: Parsed::default(),
        };
        parser.name_cells();
        parser
    }

    /// The tags of a wide table stand in its header.
    fn name_cells(&mut self) {
        if self.plan.dialect.layout == Layout::Wide {
            let schema = &self.table.schema;
            let names = schema.cells.iter().map(|&(value, _)| schema.names[value].as_bytes());
            self.tags = names.map(|name| LocalTag::new(name, self.plan.entry(name))).collect();
        }
    }

    pub(super) fn parse(mut self, text: &[u8]) -> Parsed {
        self.reserve(text.len());
        let ends_open = !matches!(text.last(), Some(b'\n' | b'\r') | None);
        if self.plan.young && ends_open {
            let body = memchr::memrchr2(b'\n', b'\r', text).map_or(0, |at| at + 1);
            self.parse_lines(&text[..body]);
            self.hold_back(&text[body..]);
        } else {
            self.parse_lines(text);
        }
        self.finish()
    }

    fn reserve(&mut self, bytes: usize) {
        // A reading of a long dump takes about fifty bytes of text, of a wide one about ten.
        let per_reading = if self.plan.dialect.layout == Layout::Long { 40 } else { 10 };
        let n = bytes / per_reading + 1;
        let block = &mut self.out.block;
        block.series.reserve(n);
        block.time_us.reserve(n);
        block.value.reserve(n);
        block.quality.reserve(n);
        block.line.reserve(n);
    }

    fn parse_lines(&mut self, text: &[u8]) {
        let is_text = match self.plan.dialect.encoding {
            Encoding::Utf8 => std::str::from_utf8(text).is_ok(),
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
        let delimiter = self.plan.dialect.delimiter;
        let mut fields: Vec<Span> = Vec::with_capacity(self.table.schema.n_columns() + 1);
        let (mut line_start, mut field_start) = (0, 0);
        for at in memchr2_iter(delimiter, b'\n', text) {
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
                self.flush_words();
                self.out.header_line = self.line;
                self.table = Arc::new(Table { schema, header: row.raw.to_vec() });
                self.name_cells();
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

    /// The number of a tag here: the one that followed last time, or by its name.
    #[inline]
    fn tag_idx(&mut self, tag: &[u8]) -> usize {
        if let Some(last) = self.tags.get(self.last_tag) {
            if *last.raw == *tag {
                return self.last_tag;
            }
            let next = last.next as usize;
            if *self.tags[next].raw == *tag {
                self.last_tag = next;
                return next;
            }
        }
        let idx = match self.names.get(tag) {
            Some(&idx) => idx as usize,
            None => self.new_tag(tag),
        };
        self.tags[self.last_tag].next = idx as u32;
        self.last_tag = idx;
        idx
    }

    fn new_tag(&mut self, tag: &[u8]) -> usize {
        let idx = self.tags.len();
        self.names.insert(tag.into(), idx as u32);
        self.tags.push(LocalTag::new(tag, self.plan.entry(tag)));
        idx
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
        let idx = self.tag_idx(tag);
        let unknown = match self.tags[idx].entry.kind {
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
        if let Some(unit_column) = self.table.schema.unit {
            let unit = row.field(unit_column);
            if !self.check_unit(idx, unit, unit_column) {
                let name = self.tags[idx].entry.name.clone();
                let expected = || "the unit of the tag table".into();
                let reason = RejectReason::UnknownUnit;
                return self.reject(reason, unit_column as u32 + 1, &name, unit, expected, 1);
            }
        }
        let value_column = self.table.schema.value.unwrap_or(0);
        let quality = self.table.schema.quality.map(|column| (column, row.field(column)));
        self.sample(idx, time, (value_column, row.field(value_column)), quality);
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
        let name = self.tags[idx].entry.name.clone();
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
        let tag = &mut self.tags[idx];
        if tag.unit == read || read.is_empty() {
            return true;
        }
        let TagKind::Bound(bindings) = &tag.entry.kind else { return true };
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
                tag: tag.entry.name.clone(),
            };
            let (read, table) = (shown(read), binding.unit.clone());
            self.out.fatal.get_or_insert(ImportError::UnitConflict { at, read, table });
        }
        tag.unit = read.to_vec();
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
            match self.tags[idx].entry.kind {
                TagKind::Bound(_) => {
                    let quality = quality_column.map(|column| (column, row.field(column)));
                    self.sample(idx, time, (column, value), quality);
                }
                TagKind::Ignored => self.out.report.ignored += 1,
                TagKind::Unknown => {
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
            match self.tags[idx].entry.kind {
                TagKind::Ignored => {}
                TagKind::Unknown => self.count_unknown(column),
                TagKind::Bound(_) => {
                    if let Some(quality) = quality {
                        let name = self.tags[idx].entry.name.clone();
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
    #[inline]
    fn sample(
        &mut self,
        idx: usize,
        time: TimeValue,
        value: (usize, &[u8]),
        quality: Option<(usize, &[u8])>,
    ) {
        let dialect = self.plan.dialect;
        let (at, late) = match time {
            TimeValue::At(at) => (at, None),
            TimeValue::Fold { early, late, .. } => (early, Some(late)),
            TimeValue::Bad | TimeValue::Gap => return,
        };
        let tag = &mut self.tags[idx];
        let moves_in_fold = late.is_some_and(|late| {
            let slot = tag.binding_at(late).map(|b| b.slot);
            slot != tag.binding_at(at).map(|b| b.slot)
        });
        let Some(binding) = tag.binding_at(at).filter(|_| !moves_in_fold) else {
            let name = tag.entry.name.clone();
            let expected = || "a time within `from` and `until` of the tag".into();
            let read = TimeUs(at).to_string();
            let (reason, column) = (RejectReason::TagNotInForce, self.table.schema.time as u32 + 1);
            self.reject(reason, column, &name, read.as_bytes(), expected, 1);
            if let Some((column, text)) = quality {
                self.quality_reject(text, column, &name, 0);
            }
            return;
        };
        let (slot, conversion, (low, high)) = (binding.slot, binding.conversion, binding.span);
        let mut byte = Quality::GOOD.0;
        if let Some((column, text)) = quality {
            match dialect.quality.read(text) {
                Some(read) => byte = read,
                None => {
                    let name = tag.entry.name.clone();
                    self.quality_reject(text, column, &name, 1);
                    return;
                }
            }
        }
        let mut number = f64::NAN;
        match number::parse(value.1, dialect.numbers) {
            Some(read) if dialect.bad_values.contains(&read) => {
                self.out.report.bad_values += 1;
                byte = Quality::BAD.0;
            }
            Some(read) => {
                // Nothing is added to what is in the storage unit already: -0 stays -0.
                let converted =
                    if conversion == Conversion::NONE { read } else { conversion.apply(read) };
                if (low..=high).contains(&converted) {
                    number = converted;
                } else {
                    self.tags[idx].out_of_span += 1;
                    byte = Quality::BAD.0;
                }
            }
            None => {
                self.count_word(idx, trim(value.1));
                byte = Quality::BAD.0;
            }
        }
        match (time, late) {
            (TimeValue::Fold { local, early, late }, _) => {
                let run = if dialect.layout == Layout::Wide { WIDE_RUN } else { slot };
                self.out.folds.push(FoldReading {
                    at: self.out.block.len(),
                    run,
                    line: self.line,
                    column: value.0 as u32 + 1,
                    local,
                    early,
                    late,
                    slot,
                    value: number,
                    quality: byte,
                    tag: Arc::clone(&self.tags[idx].entry),
                });
            }
            _ => self.out.block.push(SeriesId(slot), at, number, byte, self.line as u32),
        }
    }

    fn count_word(&mut self, idx: usize, word: &[u8]) {
        let words = &mut self.tags[idx].words;
        let word = if word.is_empty() { EMPTY_WORD.as_bytes() } else { word };
        let word = &word[..word.len().min(256)];
        if let Some(count) = words.get_mut(word) {
            *count += 1;
        } else if self.n_words < MAX_WORDS {
            self.n_words += 1;
            words.insert(word.into(), 1);
        } else {
            *words.entry(OTHER_WORDS.as_bytes().into()).or_default() += 1;
        }
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

    /// Adds the words of the tags to the report.
    fn flush_words(&mut self) {
        let report = &mut self.out.report;
        for tag in &mut self.tags {
            for (word, count) in std::mem::take(&mut tag.words) {
                let tags = report.bad_words.entry(shown(&word)).or_default();
                *tags.entry(shown(tag.entry.name.as_bytes())).or_default() += count;
            }
            if tag.out_of_span > 0 {
                let name = shown(tag.entry.name.as_bytes());
                *report.out_of_span.entry(name).or_default() +=
                    std::mem::take(&mut tag.out_of_span);
            }
        }
    }

    fn finish(mut self) -> Parsed {
        self.flush_words();
        self.out.report.leap_seconds = self.times.n_leap;
        self.out.lines = self.line;
        self.out.table = Some(self.table);
        self.out
    }
}
