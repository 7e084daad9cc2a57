//! What stands above the data: notes, the header, rows of units.

use super::sample::{Sample, SampleLine};
use super::table::{Table, is_number};
use crate::schema::{TIME_NAMES, numbered};
use crate::settings::{DuplicateColumns, SourceSettings};
use crate::split::fields_loose;
use crate::text::{folded_name, shown, trim};
use crate::units::{bare_unit, is_unit, is_unit_row};

/// Lines above the data in which a header is looked for.
const LOOKED_AT: usize = 20;

/// What stands above the data.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Head {
    /// Physical lines above the header, or above the data.
    pub skip_lines: u64,
    /// The header's names, when there is one.
    pub header: Option<Vec<String>>,
    /// Lines between header and data.
    pub unit_rows: u64,
    /// Units by column, from those lines.
    pub units: Vec<String>,
}

/// Why there is no head.
pub(super) enum HeadFault {
    /// No line is data.
    NoData,
    /// The header has another number of fields than the rows.
    Misfit { line: u64, found: usize, expected: usize },
    /// A setting and the file do not agree.
    Conflict { line: u64, setting: &'static str, given: String, found: String },
}

/// Where the header is looked for.
pub(super) struct HeadFinder<'h> {
    pub sample: &'h Sample,
    pub table: &'h Table,
    pub given: &'h SourceSettings,
    /// The column that holds times, or dates.
    pub time: usize,
    /// Whether a line is data.
    pub is_data: &'h dyn Fn(&[Vec<u8>]) -> bool,
}

impl HeadFinder<'_> {
    /// The last line above the data that has names in it, but for rows of units or formats.
    pub fn find(&self) -> Result<Head, HeadFault> {
        let skip = self.given.skip_lines.unwrap_or(0);
        let first = self.data_from(0).ok_or(HeadFault::NoData)?;
        let data = self.data_from(skip).ok_or(HeadFault::NoData)?;
        let found = self.names_above(if self.given.skip_lines.is_some() { first } else { data });
        match (self.given.header, self.given.skip_lines) {
            (Some(false), Some(skip)) => Ok(self.headless(skip, data)),
            (Some(false), None) => match found {
                Some((idx, names)) => Err(conflict(
                    idx as u64 + 1,
                    "header",
                    "false".into(),
                    format!("line {} names columns: {}", idx + 1, joined(&names)),
                )),
                None => Ok(self.headless(self.first_row(data, 0) as u64, data)),
            },
            (_, Some(skip)) => self.below(skip, first, data, found),
            (_, None) => match found {
                Some((idx, names)) => self.headed(idx, names, data),
                None => match self.misfit(data) {
                    Some(fault) => Err(fault),
                    None => Ok(self.headless(self.first_row(data, 0) as u64, data)),
                },
            },
        }
    }

    fn data_from(&self, skip: u64) -> Option<usize> {
        self.sample.head.iter().position(|line| {
            line.number > skip && !line.is_note() && (self.is_data)(&self.split(line))
        })
    }

    fn split(&self, line: &SampleLine) -> Vec<Vec<u8>> {
        fields_loose(&line.text, self.table.delimiter)
    }

    /// The line and the names of the header above a line of data: of the lines that could be
    /// one, the lowest that names the column of time, else the lowest that holds no units.
    fn names_above(&self, data: usize) -> Option<(usize, Vec<String>)> {
        let above = (0..data).rev().filter(|&idx| !self.sample.head[idx].is_note());
        let mut found: Option<(usize, Vec<String>)> = None;
        let (mut units_only, mut adjoins) = (true, true);
        for idx in above.take(LOOKED_AT) {
            let Some(names) = self.candidate(idx) else {
                // A broken row hides no header that names the time.
                adjoins &= self.is_broken_row(idx);
                continue;
            };
            if names.get(self.time).is_some_and(|name| is_time_name(name)) {
                return Some((idx, names));
            }
            if adjoins && (found.is_none() || units_only) {
                units_only = is_unit_row(names.iter().map(String::as_bytes));
                found = Some((idx, names));
            }
        }
        found
    }

    /// About as many fields as a row, numbers among them, and no time: a row that was damaged,
    /// which must not pass for a note.
    fn is_broken_row(&self, idx: usize) -> bool {
        let Some(line) = self.sample.head.get(idx).filter(|line| !line.is_note()) else {
            return false;
        };
        let fields = self.split(line);
        let near = fields.len().abs_diff(self.table.n_columns) <= 1;
        let digits = line.text.iter().filter(|byte| byte.is_ascii_digit()).count();
        let row = self.is_dated(&fields) || fields.iter().any(|field| is_number(trim(field)));
        (near && row) || digits * 2 > line.text.len()
    }

    /// More digits than letters where the time stands: a row, though its time may be impossible.
    fn is_dated(&self, fields: &[Vec<u8>]) -> bool {
        let Some(cell) = fields.get(self.time) else { return false };
        let count = |kind: fn(&u8) -> bool| cell.iter().filter(|&byte| kind(byte)).count();
        let digits = count(u8::is_ascii_digit);
        digits >= 4 && digits > count(u8::is_ascii_alphabetic)
    }

    /// The first line of the rows, broken ones included.
    fn first_row(&self, data: usize, from: usize) -> usize {
        let above = (from..data).rev().filter(|&idx| !self.sample.head[idx].is_note());
        above.take_while(|&idx| self.is_broken_row(idx)).last().unwrap_or(data)
    }

    /// Lines right below a header that hold names, units, formats or nothing.
    fn lines_below(&self, header: usize, data: usize) -> usize {
        let is_head = |&idx: &usize| {
            let Some(line) = self.sample.head.get(idx).filter(|line| !line.is_note()) else {
                return true;
            };
            let fields = self.split(line);
            let row = self.is_dated(&fields) || fields.iter().any(|field| is_number(trim(field)));
            is_unit_row(fields.iter().map(|field| trim(field))) || (!row && self.fits(&fields))
        };
        (header + 1..data).take_while(is_head).count()
    }

    /// A line right above the data that looks like a header and has another number of fields:
    /// its names cannot be given to the columns.
    fn misfit(&self, data: usize) -> Option<HeadFault> {
        let above = (0..data).rev().find(|&idx| !self.sample.head[idx].is_note())?;
        let fields = self.split(&self.sample.head[above]);
        let (found, expected) = (fields.len(), self.table.n_columns);
        let full: Vec<String> =
            fields.iter().map(|f| text_of(f)).filter(|f| !f.is_empty()).collect();
        let words = full.iter().all(|cell| !is_number(cell.as_bytes()));
        let near = found >= 3 && found.abs_diff(expected) <= 2;
        let header = found > 1 && words && (near || full.iter().any(|cell| is_time_name(cell)));
        let line = above as u64 + 1;
        (header && found != expected).then_some(HeadFault::Misfit { line, found, expected })
    }

    /// With `skip_lines` set, the header stands right below those lines or nowhere.
    fn below(
        &self,
        skip: u64,
        first: usize,
        data: usize,
        found: Option<(usize, Vec<String>)>,
    ) -> Result<Head, HeadFault> {
        let idx = usize::try_from(skip).unwrap_or(usize::MAX);
        let names = if idx < data { self.candidate(idx) } else { None };
        if let Some(names) = names {
            return self.headed(idx, names, data);
        }
        match found {
            Some((idx, names)) => Err(conflict(
                idx as u64 + 1,
                "skip_lines",
                skip.to_string(),
                format!("the header stands in line {}: {}", idx + 1, joined(&names)),
            )),
            None if first < data => Err(conflict(
                first as u64 + 1,
                "skip_lines",
                skip.to_string(),
                format!("rows from line {} on", first + 1),
            )),
            None => Ok(self.headless(skip, data)),
        }
    }

    fn headless(&self, skip: u64, data: usize) -> Head {
        let from = usize::try_from(skip).unwrap_or(usize::MAX).min(data);
        let unit_rows = (self.first_row(data, from) - from) as u64;
        Head { skip_lines: skip, header: None, unit_rows, units: Vec::new() }
    }

    fn headed(&self, idx: usize, names: Vec<String>, data: usize) -> Result<Head, HeadFault> {
        let between = data.saturating_sub(idx + 1);
        let below = self.lines_below(idx, data);
        let unit_rows = self.given.unit_rows.unwrap_or(below as u64);
        if unit_rows > between as u64 {
            return Err(conflict(
                data as u64 + 1,
                "unit_rows",
                unit_rows.to_string(),
                format!("rows from line {} on, {between} lines below the header", data + 1),
            ));
        }
        let names = match self.given.duplicate_columns {
            Some(DuplicateColumns::Number) => numbered(names),
            _ => names,
        };
        let lines = self.sample.head.iter().skip(idx + 1).take(unit_rows as usize);
        let mut units = Vec::new();
        for line in lines.filter(|line| !line.is_note()) {
            let cells: Vec<String> = self.split(line).iter().map(|cell| text_of(cell)).collect();
            if cells.iter().any(|cell| is_unit(cell)) {
                let bare = |cell: &String| if is_unit(cell) { bare_unit(cell) } else { "" }.into();
                units = cells.iter().map(bare).collect();
                units.resize(names.len(), String::new());
            }
        }
        Ok(Head { skip_lines: idx as u64, header: Some(names), unit_rows, units })
    }

    /// The names in a line, if it may be a header.
    fn candidate(&self, idx: usize) -> Option<Vec<String>> {
        let line = self.sample.head.get(idx).filter(|line| !line.is_note())?;
        let fields = self.split(line);
        let names = fields.iter().map(|field| text_of(field));
        self.fits(&fields).then(|| names.collect())
    }

    /// A header has as many fields as the rows, but for empty ones at the end. It is mostly
    /// words, or names the column of time by one, or counts its columns.
    fn fits(&self, fields: &[Vec<u8>]) -> bool {
        let n = self.table.n_columns;
        let blank = |field: &Vec<u8>| trim(field).is_empty();
        let counts_fit = if fields.len() > n {
            fields[n..].iter().all(blank)
        } else {
            fields.len() > 1 && (fields.len()..n).all(|column| self.table.is_empty_column(column))
        };
        let named: Vec<&Vec<u8>> = fields.iter().filter(|field| !blank(field)).collect();
        let words = named.iter().filter(|field| !is_number(field)).count();
        let times = fields.get(self.time).is_some_and(|cell| is_time_name(&text_of(cell)));
        let counted = || {
            let number = |field: &Vec<u8>| std::str::from_utf8(trim(field)).ok()?.parse().ok();
            let numbers: Option<Vec<u64>> = fields.iter().map(number).collect();
            let first = numbers.as_ref().and_then(|n| n.first().copied()).unwrap_or(2);
            first < 2
                && numbers.is_some_and(|n| n.iter().copied().eq(first..first + n.len() as u64))
        };
        counts_fit && !named.is_empty() && (words * 2 >= named.len() || times || counted())
    }
}

/// Whether a line below data is the header of another table, or of this one again: no numbers
/// and no times, and a name of a column of time.
pub(super) fn is_header_again(fields: &[Vec<u8>], is_data: &dyn Fn(&[Vec<u8>]) -> bool) -> bool {
    let named = fields.iter().map(|f| trim(f)).filter(|f| !f.is_empty());
    let names_time = |cell: &[u8]| is_time_name(&String::from_utf8_lossy(cell));
    fields.len() > 1
        && !is_data(fields)
        && named.clone().any(names_time)
        && !named.clone().any(is_number)
}

fn is_time_name(name: &str) -> bool {
    TIME_NAMES.contains(&folded_name(name).as_str())
}

fn text_of(cell: &[u8]) -> String {
    String::from_utf8_lossy(trim(cell)).into_owned()
}

fn joined(names: &[String]) -> String {
    let names: Vec<String> = names.iter().take(8).map(|name| shown(name.as_bytes())).collect();
    format!("`{}`", names.join("`, `"))
}

fn conflict(line: u64, setting: &'static str, given: String, found: String) -> HeadFault {
    HeadFault::Conflict { line, setting, given, found }
}
