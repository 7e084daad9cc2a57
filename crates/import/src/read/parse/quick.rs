//! Rows of a long dump that are like the row before, read in one go.
//!
//! Why:    almost every row of a long dump is the tag that was to be expected, a time on the same
//!         date, a short number and the usual quality. Such a row is read from left to right
//!         without looking for its fields first, in a third of the time.
//! Rule:   whatever is not exactly so leaves no trace here and is read by [`Parser::row`], which
//!         would have made the same of every row that is.

use super::{Parser, RowText};
use crate::number;
use crate::schema::Schema;
use crate::settings::Layout;
use crate::split::{Span, fields_plain};
use memchr::memchr;
use metersift_model::{Quality, SeriesId};

/// The quality that was read last: almost every row has the same. At most eight bytes are kept.
#[derive(Clone, Copy, Default)]
pub(in crate::read) struct LastQuality {
    text: u64,
    /// The bits of `text` that belong to it; none before the first.
    mask: u64,
    length: usize,
    byte: u8,
}

impl LastQuality {
    /// Its byte and length, if the text begins with it. What follows must end it.
    #[inline]
    fn repeated(self, text: &[u8]) -> Option<(u8, usize)> {
        let text = u64::from_le_bytes(*text.first_chunk()?);
        (self.mask != 0 && (text ^ self.text) & self.mask == 0).then_some((self.byte, self.length))
    }

    fn remember(&mut self, text: &[u8], byte: u8) {
        if (1..=8).contains(&text.len()) {
            let mut word = [0; 8];
            word[..text.len()].copy_from_slice(text);
            let (mask, length) = (u64::MAX >> (64 - 8 * text.len()), text.len());
            *self = LastQuality { text: u64::from_le_bytes(word), mask, length, byte };
        }
    }
}

/// Rows after which it is seen whether this is worth its while, for the piece.
const TRIAL_ROWS: u32 = 256;

/// Longest quality that is read here, in bytes.
const LONGEST_QUALITY: usize = 16;

/// What a column is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Role {
    Tag,
    Time,
    Value,
    Quality,
}

/// Columns from left to right; `None` where rows hold anything else.
pub(super) fn roles(schema: &Schema) -> Option<Vec<Role>> {
    let role = |column: usize| match Some(column) {
        at if at == schema.tag => Some(Role::Tag),
        at if at == schema.value => Some(Role::Value),
        at if at == schema.quality => Some(Role::Quality),
        _ if column == schema.time => Some(Role::Time),
        _ => None,
    };
    let roles: Vec<Role> = (0..schema.n_columns()).map(role).collect::<Option<_>>()?;
    let once = |wanted: Role| roles.iter().filter(|&&role| role == wanted).count() == 1;
    let whole = once(Role::Tag) && once(Role::Time) && once(Role::Value);
    let plain = schema.date.is_none() && schema.zone.is_none() && schema.unit.is_none();
    (whole && plain && roles.len() <= 4).then_some(roles)
}

/// What all rows have in common.
struct Columns {
    roles: Vec<Role>,
    /// Whether they are tag, time, value and quality.
    usual: bool,
    delimiter: u8,
    decimal: u8,
}

/// A row that is being read.
struct Unplaced<'t> {
    /// What is left of the text.
    rest: &'t [u8],
    tag: usize,
    at: i64,
    value: f64,
    quality: u8,
}

impl Unplaced<'_> {
    /// Goes on behind a delimiter.
    #[inline]
    fn next(&mut self, delimiter: u8) -> Option<()> {
        let (&byte, rest) = self.rest.split_first()?;
        self.rest = rest;
        (byte == delimiter).then_some(())
    }

    /// Goes on behind the end of the line.
    #[inline]
    fn end(&mut self) -> Option<()> {
        self.rest = match self.rest {
            [b'\n', rest @ ..] | [b'\r', b'\n', rest @ ..] => rest,
            _ => return None,
        };
        Some(())
    }
}

/// A row that was read.
struct Row {
    length: usize,
    tag: usize,
    slot: u32,
    at: i64,
    value: f64,
    quality: u8,
}

impl Parser<'_, '_> {
    /// The columns, where rows of this table can be read so.
    fn quick_columns(&self) -> Option<Columns> {
        let dialect = self.plan.dialect;
        let plain = dialect.layout == Layout::Long
            && dialect.notes.is_empty()
            && dialect.numbers.thousands.is_none()
            && dialect.numbers.decimal != dialect.delimiter;
        let roles = roles(&self.table.schema).filter(|_| plain)?;
        let usual = roles == [Role::Tag, Role::Time, Role::Value, Role::Quality];
        let (delimiter, decimal) = (dialect.delimiter, dialect.numbers.decimal);
        Some(Columns { roles, usual, delimiter, decimal })
    }

    /// Reads rows from the start of any text, up to the first that is not exactly so; gives how
    /// far it came. A row that is read here holds no quote, no lone CR and nothing but text.
    pub(super) fn first_rows(&mut self, text: &[u8]) -> usize {
        let Some(columns) = self.quick_columns() else { return 0 };
        let mut at = 0;
        while let Some(row) = self.quick_row(&text[at..], &columns) {
            at += row.length;
            self.take(row);
        }
        at
    }

    #[inline]
    fn take(&mut self, row: Row) {
        self.line += 1;
        self.out.report.rows_in += 1;
        self.book.follow(row.tag);
        let series = SeriesId(row.slot);
        self.out.block.push(series, row.at, row.value, row.quality, self.line as u32);
    }

    /// Reads rows from the start of a text without quotes and lone CRs; gives how far it came.
    pub(super) fn quick_rows(&mut self, text: &[u8]) -> usize {
        let Some(columns) = self.quick_columns() else { return 0 };
        let table = std::sync::Arc::clone(&self.table);
        let mut fields: Vec<Span> = Vec::new();
        let (mut at, mut quick, mut slow) = (0, 0u32, 0u32);
        while at < text.len() {
            let rest = &text[at..];
            if let Some(row) = self.quick_row(rest, &columns) {
                at += row.length;
                self.take(row);
                quick = quick.saturating_add(1);
                continue;
            }
            let end = memchr(b'\n', rest).unwrap_or(rest.len());
            let line = &rest[..end];
            let line = line.strip_suffix(b"\r").filter(|_| end < rest.len()).unwrap_or(line);
            fields_plain(line, columns.delimiter, &mut fields);
            self.row(RowText { text: line, fields: &fields, raw: line });
            at = (at + end + 1).min(text.len());
            slow = slow.saturating_add(1);
            let other_columns = !std::sync::Arc::ptr_eq(&table, &self.table);
            if other_columns || (slow >= TRIAL_ROWS && slow / 2 > quick) {
                break;
            }
        }
        at
    }

    #[inline]
    fn quick_row(&mut self, text: &[u8], columns: &Columns) -> Option<Row> {
        let mut row = Unplaced { rest: text, tag: 0, at: 0, value: 0.0, quality: Quality::GOOD.0 };
        if columns.usual {
            // Told one by one: a processor then has nothing to guess.
            self.cell(Role::Tag, &mut row, columns)?;
            row.next(columns.delimiter)?;
            self.cell(Role::Time, &mut row, columns)?;
            row.next(columns.delimiter)?;
            self.cell(Role::Value, &mut row, columns)?;
            row.next(columns.delimiter)?;
            self.cell(Role::Quality, &mut row, columns)?;
        } else {
            for (column, &role) in columns.roles.iter().enumerate() {
                if column > 0 {
                    row.next(columns.delimiter)?;
                }
                self.cell(role, &mut row, columns)?;
            }
        }
        row.end()?;
        let dialect = self.plan.dialect;
        let Unplaced { rest, tag, at, value, quality } = row;
        if !(dialect.earliest_us..=dialect.latest_us).contains(&at)
            || dialect.bad_values.contains(&value)
        {
            return None;
        }
        let (slot, rule) = self.book.same_binding(tag, at)?;
        let value = rule.in_span(value)?;
        Some(Row { length: text.len() - rest.len(), tag, slot, at, value, quality })
    }

    /// Reads one cell off the front of a row.
    #[inline(always)]
    fn cell(&mut self, role: Role, row: &mut Unplaced<'_>, columns: &Columns) -> Option<()> {
        let cell = row.rest;
        let length = match role {
            Role::Tag => {
                let (number, length) = match self.book.expected(cell) {
                    Some(expected) => expected,
                    None => self.book.known(cell, columns.delimiter)?,
                };
                row.tag = number;
                length
            }
            Role::Time => {
                let (at, length) = self.times.peek_same_date(cell, columns.delimiter)?;
                row.at = at;
                length
            }
            Role::Value => {
                let (value, length) = number::scan(cell, columns.decimal)?;
                row.value = value;
                length
            }
            Role::Quality => {
                let ends = |&(_, length): &(u8, usize)| {
                    cell.get(length).is_some_and(|&byte| is_end(byte, columns.delimiter))
                };
                let (byte, length) = match self.quality.repeated(cell).filter(ends) {
                    Some(repeated) => repeated,
                    None => self.other_quality(cell)?,
                };
                row.quality = byte;
                length
            }
        };
        row.rest = cell.get(length..)?;
        Some(())
    }

    /// Another quality than in the row before: its byte and length.
    fn other_quality(&mut self, cell: &[u8]) -> Option<(u8, usize)> {
        let delimiter = self.plan.dialect.delimiter;
        let mut bytes = cell.iter().take(LONGEST_QUALITY);
        let length = bytes.position(|&byte| is_end(byte, delimiter))?;
        let byte = self.plan.dialect.quality.read(&cell[..length])?;
        // Where no quality is read, anything may stand there: quotes, and what is no text.
        let text = std::str::from_utf8(&cell[..length]).ok()?;
        if text.contains(['"', char::REPLACEMENT_CHARACTER]) {
            return None;
        }
        self.quality.remember(&cell[..length], byte);
        Some((byte, length))
    }
}

#[inline]
fn is_end(byte: u8, delimiter: u8) -> bool {
    byte == delimiter || matches!(byte, b'\n' | b'\r')
}
