//! Delimiter, header and the look of the columns.

use super::sample::{Sample, SampleLine};
use crate::number::{self, NumberStyle};
use crate::split::fields_owned;
use crate::text::trim;
use std::collections::BTreeMap;

/// Lines of the sample, split.
#[derive(Clone, Debug)]
pub(super) struct Table {
    pub delimiter: u8,
    /// Fields of most lines.
    pub n_columns: usize,
    /// Share of lines with that many fields.
    pub consistent: f64,
    /// Rows with that many fields.
    pub rows: Vec<Vec<Vec<u8>>>,
}

impl Table {
    /// Splits the lines by one delimiter; `None` when no two lines agree on two fields or more.
    pub fn split(lines: &[&SampleLine], delimiter: u8) -> Option<Table> {
        let split = |line: &&SampleLine| fields_owned(&line.text, delimiter).ok();
        let rows: Vec<Vec<Vec<u8>>> = lines.iter().filter_map(split).collect();
        let mut counts: BTreeMap<usize, usize> = BTreeMap::new();
        for row in &rows {
            *counts.entry(row.len()).or_default() += 1;
        }
        let (&n_columns, &n) = counts.iter().max_by_key(|&(&fields, &n)| (n, fields))?;
        if n_columns < 2 {
            return None;
        }
        let consistent = n as f64 / lines.len() as f64;
        let rows = rows.into_iter().filter(|row| row.len() == n_columns).collect();
        Some(Table { delimiter, n_columns, consistent, rows })
    }

    /// Cells of a column that are not empty, evenly from all rows.
    pub fn cells(&self, column: usize, limit: usize) -> Vec<&[u8]> {
        let stride = self.rows.len().div_ceil(limit).max(1);
        let cells = self.rows.iter().step_by(stride).map(|row| trim(&row[column]));
        cells.filter(|cell| !cell.is_empty()).collect()
    }

    /// Share of a column's cells that are numbers in any style.
    pub fn number_share(&self, column: usize) -> f64 {
        let cells = self.cells(column, 400);
        let numbers = cells.iter().filter(|cell| is_number(cell)).count();
        if cells.is_empty() { 0.0 } else { numbers as f64 / cells.len() as f64 }
    }

    /// Whether a column is empty in all rows.
    pub fn is_empty_column(&self, column: usize) -> bool {
        self.rows.iter().all(|row| trim(&row[column]).is_empty())
    }

    /// Distinct cells of a column, up to a limit.
    pub fn distinct(&self, column: usize, limit: usize) -> BTreeMap<&[u8], usize> {
        let mut found: BTreeMap<&[u8], usize> = BTreeMap::new();
        for row in &self.rows {
            let cell = trim(&row[column]);
            if !cell.is_empty() && (found.len() < limit || found.contains_key(cell)) {
                *found.entry(cell).or_default() += 1;
            }
        }
        found
    }
}

/// A number with either decimal mark.
pub(super) fn is_number(cell: &[u8]) -> bool {
    number::parse(cell, NumberStyle::POINT).is_some()
        || number::parse(cell, NumberStyle::COMMA).is_some()
}

/// What stands above the data.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Head {
    /// Physical lines above the header, or above the data.
    pub skip_lines: u64,
    /// The header's names, when there is one.
    pub header: Option<Vec<String>>,
    /// Lines between header and data.
    pub unit_rows: u64,
}

/// Finds the header: the last line before the data that has names in it, or the one before it
/// when the last holds units or formats. `is_data` says whether a line is data.
pub(super) fn find_head(
    sample: &Sample,
    table: &Table,
    given_skip: Option<u64>,
    given_header: Option<bool>,
    is_data: &dyn Fn(&[Vec<u8>]) -> bool,
) -> Option<Head> {
    let split = |line: &SampleLine| fields_owned(&line.text, table.delimiter).unwrap_or_default();
    let data = sample.head.iter().position(|line| {
        line.number > given_skip.unwrap_or(0) && !line.is_note() && is_data(&split(line))
    })?;
    if given_header == Some(false) {
        let skip_lines = given_skip.unwrap_or(data as u64);
        return Some(Head { skip_lines, header: None, unit_rows: 0 });
    }
    let candidate = |idx: usize| -> Option<Vec<String>> {
        let line = sample.head.get(idx).filter(|line| !line.is_note())?;
        let fields = split(line);
        let fits = header_fits(&fields, table);
        let names = fields.iter().map(|field| String::from_utf8_lossy(trim(field)).into_owned());
        fits.then(|| names.collect())
    };
    if let Some(skip) = given_skip {
        let idx = usize::try_from(skip).unwrap_or(usize::MAX);
        let names = if idx < data { candidate(idx) } else { None };
        let unit_rows = (data - idx.min(data)).saturating_sub(1) as u64;
        return Some(match names {
            Some(names) => Head { skip_lines: skip, header: Some(names), unit_rows },
            None => {
                Head { skip_lines: skip, header: None, unit_rows: (data - idx.min(data)) as u64 }
            }
        });
    }
    let above = (0..data).rev().filter(|&idx| !sample.head[idx].is_note());
    let mut candidates = above.map_while(|idx| Some((idx, candidate(idx)?)));
    let last = candidates.next();
    let before = candidates.next();
    Some(match (last, before) {
        (Some((_, units)), Some((idx, names))) if is_unit_row(&units) => {
            Head { skip_lines: idx as u64, header: Some(names), unit_rows: (data - idx - 1) as u64 }
        }
        (Some((idx, names)), _) => {
            Head { skip_lines: idx as u64, header: Some(names), unit_rows: (data - idx - 1) as u64 }
        }
        (None, _) => Head { skip_lines: data as u64, header: None, unit_rows: 0 },
    })
}

/// A header has as many fields as the rows, but for empty ones at the end, and mostly words.
fn header_fits(fields: &[Vec<u8>], table: &Table) -> bool {
    let n = table.n_columns;
    let blank = |field: &Vec<u8>| trim(field).is_empty();
    let counts_fit = if fields.len() > n {
        fields[n..].iter().all(blank)
    } else {
        fields.len() > 1 && (fields.len()..n).all(|column| table.is_empty_column(column))
    };
    let named: Vec<&Vec<u8>> = fields.iter().filter(|field| !blank(field)).collect();
    let words = named.iter().filter(|field| !is_number(field)).count();
    counts_fit && !named.is_empty() && words * 2 >= named.len()
}

/// Units, or formats such as `5s 15s 20d`.
fn is_unit_row(cells: &[String]) -> bool {
    let mut named = cells.iter().filter(|cell| !cell.is_empty()).peekable();
    named.peek().is_some() && named.all(|cell| is_unit_cell(cell))
}

fn is_unit_cell(cell: &str) -> bool {
    let format = cell.len() >= 2
        && cell.ends_with(|c: char| c.is_ascii_alphabetic())
        && cell[..cell.len() - 1].bytes().all(|b| b.is_ascii_digit());
    let bracketed = (cell.starts_with('[') && cell.ends_with(']'))
        || (cell.starts_with('(') && cell.ends_with(')'));
    let known = metersift_model::Signal::KNOWN
        .iter()
        .any(|signal| metersift_model::unit::conversion(signal, cell).is_ok());
    format || bracketed || known || cell == "-"
}
