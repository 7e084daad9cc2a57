//! Lines split by one delimiter, and the look of the columns.

use super::numbers::STYLES;
use super::sample::SampleLine;
use crate::number;
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
    /// Their physical lines, 0 where they are not known.
    pub lines: Vec<u64>,
}

impl Table {
    /// Splits the lines by one delimiter; `None` when no two lines agree on two fields or more.
    pub fn split(lines: &[&SampleLine], delimiter: u8) -> Option<Table> {
        let split = |line: &&SampleLine| {
            fields_owned(&line.text, delimiter).ok().map(|fields| (line.number, fields))
        };
        let rows: Vec<(u64, Vec<Vec<u8>>)> = lines.iter().filter_map(split).collect();
        let mut counts: BTreeMap<usize, usize> = BTreeMap::new();
        for (_, row) in &rows {
            *counts.entry(row.len()).or_default() += 1;
        }
        let (&n_columns, &n) = counts.iter().max_by_key(|&(&fields, &n)| (n, fields))?;
        if n_columns < 2 {
            return None;
        }
        let consistent = n.max(neighbours(&rows) * 9 / 10) as f64 / lines.len() as f64;
        let rows = rows.into_iter().filter(|(_, row)| row.len() == n_columns);
        let (lines, rows) = rows.unzip();
        Some(Table { delimiter, n_columns, consistent, rows, lines })
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

    /// The first line whose cell in a column passes a test, with the cell.
    pub fn find(&self, column: usize, test: &dyn Fn(&[u8]) -> bool) -> Option<(u64, &[u8])> {
        let mut cells = self.lines.iter().zip(&self.rows).map(|(n, row)| (*n, trim(&row[column])));
        cells.find(|(_, cell)| !cell.is_empty() && test(cell))
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

/// Rows of two columns or more that have as many as the row before or after them: a file whose
/// header changes is a table all the same.
fn neighbours(rows: &[(u64, Vec<Vec<u8>>)]) -> usize {
    let count = |idx: Option<usize>| idx.and_then(|idx| rows.get(idx)).map(|(_, row)| row.len());
    let fits = |&idx: &usize| {
        let own = count(Some(idx));
        own > Some(1) && (own == count(idx.checked_sub(1)) || own == count(Some(idx + 1)))
    };
    (0..rows.len()).filter(fits).count()
}

/// A number in any style.
pub(super) fn is_number(cell: &[u8]) -> bool {
    STYLES.iter().any(|&style| number::parse(cell, style).is_some())
}
