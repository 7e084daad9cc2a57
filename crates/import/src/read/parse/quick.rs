//! Rows of a long dump that are like the row before, read in one go.
//!
//! Why:    almost every row of a long dump is the tag that was to be expected, a time on the same
//!         date, a short number and the usual quality. Such a row is read from left to right
//!         without looking for its fields first, in a third of the time.
//! Rule:   whatever is not exactly so leaves no trace here and is read by [`Parser::row`], which
//!         would have made the same of every row that is.

use super::{Parser, RowText, Rule};
use crate::clock::TimeValue;
use crate::number;
use crate::schema::Schema;
use crate::settings::Layout;
use crate::split::{Span, fields_plain};
use memchr::memchr;
use metersift_model::unit::Conversion;
use metersift_model::{Quality, SeriesId};

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

/// A row that was read.
struct Row {
    length: usize,
    tag: usize,
    slot: u32,
    at: i64,
    value: f64,
    quality: u8,
}

impl Parser<'_> {
    /// Reads rows from the start of a text without quotes and lone CRs; gives how far it came.
    pub(super) fn quick_rows(&mut self, text: &[u8]) -> usize {
        let dialect = self.plan.dialect;
        let plain = dialect.layout == Layout::Long
            && dialect.notes.is_empty()
            && dialect.numbers.thousands.is_none()
            && dialect.numbers.decimal != dialect.delimiter;
        let Some(roles) = roles(&self.table.schema).filter(|_| plain) else { return 0 };
        let table = std::sync::Arc::clone(&self.table);
        let mut fields: Vec<Span> = Vec::new();
        let (mut at, mut quick, mut slow) = (0, 0u32, 0u32);
        while at < text.len() {
            let rest = &text[at..];
            if let Some(row) = self.quick_row(rest, &roles) {
                self.line += 1;
                self.out.report.rows_in += 1;
                self.book.follow(row.tag);
                let series = SeriesId(row.slot);
                self.out.block.push(series, row.at, row.value, row.quality, self.line as u32);
                at += row.length;
                quick = quick.saturating_add(1);
                continue;
            }
            let end = memchr(b'\n', rest).unwrap_or(rest.len());
            let line = &rest[..end];
            let line = line.strip_suffix(b"\r").filter(|_| end < rest.len()).unwrap_or(line);
            fields_plain(line, dialect.delimiter, &mut fields);
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
    fn quick_row(&self, rest: &[u8], roles: &[Role]) -> Option<Row> {
        let dialect = self.plan.dialect;
        let (mut from, mut tag, mut time, mut value) = (0, 0, 0, 0.0);
        let mut quality = Quality::GOOD.0;
        for (column, role) in roles.iter().enumerate() {
            let cell = rest.get(from..)?;
            let length = match role {
                Role::Tag => {
                    let (number, length) = self.book.expected(cell)?;
                    tag = number;
                    length
                }
                Role::Time => {
                    let length = memchr_near(dialect.delimiter, cell)?;
                    let TimeValue::At(at) = self.times.peek_same_date(&cell[..length])? else {
                        return None;
                    };
                    time = at;
                    length
                }
                Role::Value => {
                    let (number, length) = number::scan(cell, dialect.numbers.decimal)?;
                    value = number;
                    length
                }
                Role::Quality => {
                    let is_end =
                        |byte: &u8| *byte == dialect.delimiter || matches!(byte, b'\n' | b'\r');
                    let length = cell.iter().take(LONGEST_QUALITY).position(is_end)?;
                    quality = dialect.quality.read(&cell[..length])?;
                    length
                }
            };
            from += length;
            from += match (rest.get(from)?, column + 1 == roles.len()) {
                (&byte, false) if byte == dialect.delimiter => 1,
                (b'\n', true) => 1,
                (b'\r', true) if rest.get(from + 1) == Some(&b'\n') => 2,
                _ => return None,
            };
        }
        if !(dialect.earliest_us..=dialect.latest_us).contains(&time)
            || dialect.bad_values.contains(&value)
        {
            return None;
        }
        let (slot, rule) = self.book.same_binding(tag, time)?;
        let value = in_span(value, rule)?;
        Some(Row { length: from, tag, slot, at: time, value, quality })
    }
}

/// The value in the storage unit, if it can be this quantity.
#[inline]
fn in_span(read: f64, rule: Rule) -> Option<f64> {
    let plain = rule.conversion == Conversion::NONE;
    let converted = if plain { read } else { rule.conversion.apply(read) };
    let (low, high) = rule.span;
    (low..=high).contains(&converted).then_some(converted)
}

/// The end of a time: most have one of a few lengths.
#[inline]
fn memchr_near(delimiter: u8, cell: &[u8]) -> Option<usize> {
    const USUAL: [usize; 4] = [24, 20, 19, 23];
    let is_end = |&length: &usize| {
        let end = cell.get(length);
        end == Some(&delimiter) || matches!(end, Some(b'\n' | b'\r'))
    };
    // A delimiter further in makes the time unreadable, and the row is read the other way.
    USUAL.into_iter().find(is_end)
}
