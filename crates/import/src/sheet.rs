//! Small tables that people keep: tag tables and records, read whole.
//!
//! The same tolerant dialects as dumps: encoding, delimiter and decimal mark are found out, a
//! header row is needed, and every cell keeps its line and column.

use crate::encoding;
use crate::error::{ImportError, path_text};
use crate::number::{self, NumberStyle};
use crate::split::{Lines, fields_owned};
use crate::text::{folded_name, shown, trim};
use metersift_model::{Origin, Reject, RejectReason};
use std::collections::BTreeMap;
use std::path::Path;

/// Largest table, in bytes.
const LARGEST: u64 = 256 << 20;

/// Delimiters that are tried.
pub const DELIMITERS: [u8; 4] = [b',', b';', b'\t', b'|'];

/// A table with a header.
#[derive(Clone, Debug)]
pub struct Sheet {
    /// Path as messages show it.
    pub file: String,
    /// Line of the header.
    pub header_line: u64,
    /// Column names as written.
    pub names: Vec<String>,
    /// Rows that hold at least one text.
    pub rows: Vec<SheetRow>,
    /// Lines that have no fields.
    pub rejects: Vec<Reject>,
}

/// A row.
#[derive(Clone, Debug)]
pub struct SheetRow {
    /// Physical line.
    pub line: u64,
    /// Trimmed cells; missing ones at the end are not there.
    pub cells: Vec<String>,
}

/// Which column holds which field of a kind of table.
#[derive(Clone, Debug, Default)]
pub struct Columns {
    places: BTreeMap<&'static str, usize>,
}

impl Sheet {
    /// Reads a table whose header should hold some of the wanted names.
    ///
    /// # Errors
    /// I/O, an empty file, a file that is no text, no header.
    pub fn read(path: &Path, wanted: &[String]) -> Result<Sheet, ImportError> {
        let file = path_text(path);
        let meta = std::fs::metadata(path).map_err(|e| ImportError::io(path, "open", e))?;
        if meta.is_dir() {
            return Err(ImportError::NotAFile { file, kind: "folder" });
        }
        if meta.len() > LARGEST {
            let (limit, found) = (LARGEST, meta.len());
            return Err(ImportError::Ceiling { file, what: "bytes", limit, found });
        }
        let bytes = std::fs::read(path).map_err(|e| ImportError::io(path, "read", e))?;
        Sheet::parse(&bytes, file, wanted)
    }

    /// Reads a table from bytes.
    ///
    /// # Errors
    /// As [`Sheet::read`], without I/O.
    pub fn parse(bytes: &[u8], file: String, wanted: &[String]) -> Result<Sheet, ImportError> {
        let text = encoding::decode_whole(bytes);
        let wanted: Vec<String> = wanted.iter().map(|name| folded_name(name)).collect();
        // The header is the first line that is neither blank nor a note.
        let head = Lines::new(&text)
            .enumerate()
            .find(|(_, line)| !trim(line).is_empty() && !line.starts_with(b"#"));
        let Some((header_idx, header)) = head else { return Err(ImportError::Empty { file }) };
        let score = |delimiter: u8| {
            let fields = fields_owned(header, delimiter).unwrap_or_default();
            let known = fields
                .iter()
                .filter(|field| wanted.contains(&folded_name(&String::from_utf8_lossy(field))));
            (known.count(), fields.len())
        };
        let delimiter = DELIMITERS.into_iter().rev().max_by_key(|&d| score(d)).unwrap_or(b',');
        let cells = |line: &[u8]| {
            fields_owned(line, delimiter).map(|fields| {
                let text = |field: Vec<u8>| String::from_utf8_lossy(trim(&field)).into_owned();
                fields.into_iter().map(text).collect::<Vec<String>>()
            })
        };
        let names = cells(header).map_err(|stray| ImportError::BadCell {
            at: Origin {
                file: file.clone(),
                line: header_idx as u64 + 1,
                column: stray.column,
                tag: String::new(),
            },
            read: shown(header),
            expected: "column names".into(),
        })?;
        let mut sheet = Sheet {
            file,
            header_line: header_idx as u64 + 1,
            names,
            rows: Vec::new(),
            rejects: Vec::new(),
        };
        for (idx, line) in Lines::new(&text).enumerate().skip(header_idx + 1) {
            let number = idx as u64 + 1;
            if line.starts_with(b"#") {
                continue;
            }
            match cells(line) {
                Ok(cells) if cells.iter().all(String::is_empty) => {}
                Ok(cells) => sheet.rows.push(SheetRow { line: number, cells }),
                Err(stray) => sheet.rejects.push(Reject {
                    origin: Origin {
                        file: sheet.file.clone(),
                        line: number,
                        column: stray.column,
                        tag: String::new(),
                    },
                    reason: RejectReason::StrayQuote,
                    read: shown(line),
                    expected: "a quote that closes before the next delimiter".into(),
                }),
            }
        }
        Ok(sheet)
    }

    /// Finds the columns of the fields; `mapped` gives a field another name in this file.
    ///
    /// # Errors
    /// [`ImportError::MissingColumn`] for a needed field, or for a mapped name that is not there.
    pub fn columns(
        &self,
        needed: &[&'static str],
        optional: &[&'static str],
        mapped: &BTreeMap<String, String>,
    ) -> Result<Columns, ImportError> {
        let mut columns = Columns::default();
        for (field, must) in
            needed.iter().map(|&f| (f, true)).chain(optional.iter().map(|&f| (f, false)))
        {
            let name = mapped.get(field).map_or(field, String::as_str);
            let must = must || mapped.contains_key(field);
            match self.find(name) {
                Some(place) => {
                    columns.places.insert(field, place);
                }
                None if must => {
                    return Err(ImportError::MissingColumn {
                        file: self.file.clone(),
                        line: self.header_line,
                        column: name.into(),
                        found: self.names.iter().map(|n| shown(n.as_bytes())).collect(),
                    });
                }
                None => {}
            }
        }
        Ok(columns)
    }

    fn find(&self, name: &str) -> Option<usize> {
        let exact = self.names.iter().position(|n| n == name);
        exact.or_else(|| self.names.iter().position(|n| folded_name(n) == folded_name(name)))
    }

    /// The decimal mark of the numbers in some columns: the point unless more cells are numbers
    /// with the comma.
    pub fn number_style(&self, columns: &Columns, fields: &[&'static str]) -> NumberStyle {
        let count = |style: NumberStyle| {
            let cells = fields
                .iter()
                .flat_map(|&field| self.rows.iter().map(move |row| columns.text(row, field)));
            cells.filter(|cell| number::parse(cell.as_bytes(), style).is_some()).count()
        };
        if count(NumberStyle::COMMA) > count(NumberStyle::POINT) {
            NumberStyle::COMMA
        } else {
            NumberStyle::POINT
        }
    }

    /// Where a cell stands.
    pub fn at(&self, row: &SheetRow, columns: &Columns, field: &str, tag: &str) -> Origin {
        let column = columns.places.get(field).map_or(0, |&place| place as u32 + 1);
        Origin { file: self.file.clone(), line: row.line, column, tag: shown(tag.as_bytes()) }
    }
}

impl Columns {
    /// The text of a field, empty when it or its column is not there.
    pub fn text<'r>(&self, row: &'r SheetRow, field: &str) -> &'r str {
        self.places.get(field).and_then(|&place| row.cells.get(place)).map_or("", String::as_str)
    }

    /// Whether the table has the field.
    pub fn has(&self, field: &str) -> bool {
        self.places.contains_key(field)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sheet(text: &str) -> Sheet {
        let wanted = ["meter".to_owned(), "time".to_owned()];
        Sheet::parse(text.as_bytes(), "x.csv".into(), &wanted).expect("readable")
    }

    #[test]
    fn lines_are_those_of_an_editor_whatever_the_line_ends() {
        for end in ["\n", "\r\n", "\r"] {
            let text = ["# note", "", "Meter;Time", "a;1", "", "b;\"2"].join(end);
            let sheet = sheet(&text);
            assert_eq!(sheet.names, ["Meter", "Time"]);
            assert_eq!((sheet.header_line, sheet.rows[0].line), (3, 4));
            assert_eq!((sheet.rejects[0].origin.line, sheet.rejects[0].origin.column), (6, 2));
        }
    }

    #[test]
    fn a_missing_needed_column_is_named_with_what_is_there() {
        let error = sheet("Meter,When\nx,1\n")
            .columns(&["meter", "time"], &[], &BTreeMap::new())
            .expect_err("no time");
        assert_eq!(error.full(), "column `time` is missing; found Meter, When, at `x.csv`, line 1");
        let mapped = BTreeMap::from([("time".to_owned(), "when".to_owned())]);
        assert!(sheet("Meter,When\nx,1\n").columns(&["meter", "time"], &[], &mapped).is_ok());
    }
}
