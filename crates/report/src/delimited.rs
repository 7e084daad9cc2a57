//! CSV: UTF-8, one header row, LF.
//!
//! Two flavours: comma with decimal point and without byte order mark for programs, and semicolon
//! with decimal comma and the mark for sites whose spreadsheets want it (some take a file without
//! the mark for an old code page, and a point between digits for a date). Text is always quoted, numbers never are, a value that is not known is
//! empty. Three columns name the run: a note above the header would break readers. They stand behind
//! the last column of the first version of a table, and what came later follows them.

use crate::card::RunCard;
use crate::error::ReportError;
use crate::guard::neutral;
use metersift_model::{Column, ColumnData, Table};
use std::io::Write;

struct Flavour {
    delimiter: char,
    /// For spreadsheets of comma-decimal places, with a byte order mark.
    decimal_comma: bool,
}

/// Writes a table with `,` and decimal point.
///
/// # Errors
/// When `out` refuses.
pub fn write_csv<W: Write>(table: &Table, out: W, card: &RunCard) -> Result<(), ReportError> {
    write(table, out, card, &Flavour { delimiter: ',', decimal_comma: false })
}

/// Writes a table with `;` and decimal comma.
///
/// # Errors
/// When `out` refuses.
pub fn write_csv_semicolon<W: Write>(
    table: &Table,
    out: W,
    card: &RunCard,
) -> Result<(), ReportError> {
    write(table, out, card, &Flavour { delimiter: ';', decimal_comma: true })
}

fn write<W: Write>(
    table: &Table,
    mut out: W,
    card: &RunCard,
    flavour: &Flavour,
) -> Result<(), ReportError> {
    let mut line = String::from(if flavour.decimal_comma { "\u{FEFF}" } else { "" });
    let beside = card.beside_rows();
    let place = card_place(table);
    let name = |column: &Column| column.name.clone();
    let (first, later) = table.columns.split_at(place);
    let names = first.iter().map(name).chain(beside.iter().map(|(name, _)| name.to_string()));
    for (index, name) in names.chain(later.iter().map(name)).enumerate() {
        if index > 0 {
            line.push(flavour.delimiter);
        }
        text_cell(&name, &mut line);
    }
    let mut put = |line: &mut String| {
        line.push('\n');
        let done = out.write_all(line.as_bytes());
        line.clear();
        done.map_err(|source| ReportError::Write { output: "table", source })
    };
    put(&mut line)?;
    for row in 0..table.n_rows() {
        for (index, column) in table.columns.iter().enumerate() {
            if index == place {
                flavour.card(beside, index > 0, &mut line);
            }
            if index > 0 || place == 0 {
                line.push(flavour.delimiter);
            }
            flavour.cell(&column.data, row, &mut line);
        }
        if place == table.columns.len() {
            flavour.card(beside, place > 0, &mut line);
        }
        put(&mut line)?;
    }
    out.flush().map_err(|source| ReportError::Write { output: "table", source })
}

impl Flavour {
    /// The names of the run, behind another cell or as the first ones.
    fn card(&self, beside: [(&str, &str); 3], behind: bool, line: &mut String) {
        for (index, (_, value)) in beside.into_iter().enumerate() {
            if behind || index > 0 {
                line.push(self.delimiter);
            }
            text_cell(value, line);
        }
    }

    fn cell(&self, data: &ColumnData, row: usize, line: &mut String) {
        use std::fmt::Write as _;
        // Writing to a String cannot fail.
        let _ = match data {
            ColumnData::Text(values) => {
                if let Some(text) = &values[row] {
                    text_cell(text, line);
                }
                Ok(())
            }
            ColumnData::Number(values) if !values[row].is_finite() => Ok(()),
            ColumnData::Number(values) if self.decimal_comma => {
                line.push_str(&values[row].to_string().replace('.', ","));
                Ok(())
            }
            ColumnData::Number(values) => write!(line, "{}", values[row]),
            ColumnData::Count(values) => values[row].map_or(Ok(()), |v| write!(line, "{v}")),
            ColumnData::Flag(values) => values[row].map_or(Ok(()), |v| write!(line, "{v}")),
            ColumnData::Day(values) => values[row].map_or(Ok(()), |v| write!(line, "{v}")),
            ColumnData::Time(values) => values[row].map_or(Ok(()), |v| write!(line, "{v}")),
        };
    }
}

/// Where the names of the run stand: behind the last column of the first version of the
/// watch-list, so that columns added later come at the very end; in other tables at the end.
fn card_place(table: &Table) -> usize {
    let last_of_first = table.columns.iter().position(|column| column.name == "n_blind");
    last_of_first.map_or(table.columns.len(), |index| index + 1)
}

/// A quoted text cell; quotes inside are doubled (RFC 4180).
fn text_cell(text: &str, line: &mut String) {
    line.push('"');
    line.push_str(&neutral(text).replace('"', "\"\""));
    line.push('"');
}

#[cfg(test)]
mod tests {
    use super::*;
    use metersift_model::Day;

    pub(crate) fn card() -> RunCard {
        RunCard {
            run: "night-1".into(),
            config_hash: "c0ffee".into(),
            ledger: "7".into(),
            program: "metersift 0.1.0".into(),
            as_of: Day::parse("2026-03-14").expect("a day"),
        }
    }

    fn table() -> Table {
        let mut table = Table::default();
        let names = ["=1+1", "say \"hi\", twice", "line\nbreak"];
        table.push("meter", "", ColumnData::Text(names.map(|n| Some(n.into())).to_vec()));
        table.push("shift_kg_m3", "kg/m3", ColumnData::Number(vec![-5.0, 1234.5, f64::NAN]));
        table.push("count", "", ColumnData::Count(vec![Some(-3), None, Some(7)]));
        table.push("day", "", ColumnData::Day(vec![Some(Day(0)), None, Some(Day(11_016))]));
        table
    }

    fn read(bytes: &[u8], delimiter: u8) -> Vec<Vec<String>> {
        let mut reader = csv::ReaderBuilder::new();
        let mut reader = reader.delimiter(delimiter).has_headers(false).from_reader(bytes);
        let row = |row: csv::StringRecord| row.iter().map(String::from).collect();
        reader.records().map(|record| row(record.expect("well formed"))).collect()
    }

    #[test]
    fn a_strange_reader_gets_every_cell_back_and_numbers_stay_numbers() {
        let mut bytes = Vec::new();
        write_csv(&table(), &mut bytes, &card()).expect("memory");
        let rows = read(&bytes, b',');
        assert_eq!(rows[0], ["meter", "shift_kg_m3", "count", "day", "run", "config", "ledger"]);
        assert_eq!(rows[1], ["'=1+1", "-5", "-3", "1970-01-01", "night-1", "c0ffee", "7"]);
        assert_eq!(rows[2][..4], ["say \"hi\", twice", "1234.5", "", ""]);
        assert_eq!(rows[3][1], "", "not known is empty, not zero and not NaN");
        let text = String::from_utf8(bytes).expect("UTF-8");
        assert!(text.contains(",-5,-3,"), "numbers are not quoted: {text}");
    }

    #[test]
    fn columns_added_later_follow_the_names_of_the_run() {
        let mut table = table();
        table.push("n_blind", "", ColumnData::Count(vec![Some(1); 3]));
        table.push("later", "", ColumnData::Count(vec![Some(9); 3]));
        let mut bytes = Vec::new();
        write_csv(&table, &mut bytes, &card()).expect("memory");
        let rows = read(&bytes, b',');
        assert_eq!(rows[0][4..], ["n_blind", "run", "config", "ledger", "later"]);
        assert_eq!(rows[1][4..], ["1", "night-1", "c0ffee", "7", "9"]);
    }

    #[test]
    fn the_second_flavour_has_semicolons_and_decimal_commas() {
        let mut bytes = Vec::new();
        write_csv_semicolon(&table(), &mut bytes, &card()).expect("memory");
        let rows = read(&bytes, b';');
        assert!(bytes.starts_with("\u{FEFF}\"meter\";".as_bytes()), "the mark, then the header");
        assert_eq!(rows[2][1], "1234,5");
        assert_eq!(rows[1][1], "-5");
    }

    #[test]
    fn every_finite_number_comes_back_bit_for_bit() {
        // Hard cases of shortest round trip, as printed by other languages too.
        let hard = [
            0.1,
            1e23,
            9_007_199_254_740_993.0,
            5e-324,
            f64::MIN_POSITIVE,
            f64::MAX,
            -0.0,
            f64::EPSILON,
        ];
        let mut table = Table::default();
        table.push("x", "", ColumnData::Number(hard.to_vec()));
        let mut bytes = Vec::new();
        write_csv(&table, &mut bytes, &card()).expect("memory");
        for (row, value) in read(&bytes, b',')[1..].iter().zip(hard) {
            let back: f64 = row[0].parse().expect("a number");
            assert_eq!(back.to_bits(), value.to_bits(), "{value:e}");
        }
    }
}
