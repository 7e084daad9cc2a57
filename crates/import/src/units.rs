//! Units and formats that stand between a header and its rows.

use metersift_model::Signal;
use metersift_model::unit::conversion;

/// A unit without the brackets around it.
pub fn bare_unit(cell: &str) -> &str {
    let cell = cell.trim();
    let within = |open: char, close: char| cell.strip_prefix(open)?.strip_suffix(close);
    within('[', ']').or_else(|| within('(', ')')).map_or(cell, str::trim)
}

/// Whether some signal has this unit.
pub fn is_unit(cell: &str) -> bool {
    let cell = bare_unit(cell);
    !cell.is_empty() && Signal::KNOWN.iter().any(|signal| conversion(signal, cell).is_ok())
}

/// A number and a unit in one cell, as in `1130.4 kg/m3`.
pub fn is_number_with_unit(cell: &str) -> bool {
    let is_unit_letter =
        |c: char| !(c.is_ascii_digit() || " +-.,'\u{a0}\u{202f}\u{2212}".contains(c));
    let Some(at) = cell.find(is_unit_letter) else { return false };
    let (number, unit) = cell.split_at(at);
    let numeric = number.contains(|c: char| c.is_ascii_digit());
    // A bracket stands before the unit.
    numeric && is_unit(unit)
}

/// Units, or formats such as `5s 15s 20d`; empty cells do not count.
pub fn is_unit_row<'c>(cells: impl Iterator<Item = &'c [u8]>) -> bool {
    let mut n_units = 0;
    for cell in cells.filter(|cell| !cell.is_empty()) {
        let Ok(cell) = std::str::from_utf8(cell) else { return false };
        if !is_unit_cell(cell) {
            return false;
        }
        n_units += 1;
    }
    n_units > 0
}

fn is_unit_cell(cell: &str) -> bool {
    let format = cell.len() >= 2
        && cell.ends_with(|c: char| c.is_ascii_alphabetic())
        && cell.bytes().rev().skip(1).all(|b| b.is_ascii_digit());
    let bracketed = (cell.starts_with('[') && cell.ends_with(']'))
        || (cell.starts_with('(') && cell.ends_with(')'));
    format || bracketed || is_unit(cell) || cell == "-"
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(cells: &[&str]) -> bool {
        is_unit_row(cells.iter().map(|cell| cell.as_bytes()))
    }

    #[test]
    fn a_number_with_its_unit_is_told_from_words_and_numbers() {
        for cell in ["1130.4 kg/m3", "12,5%", "1 012 kg/m3", "-3.5 [degC]", "\u{2212}3,5 \u{b0}C"] {
            assert!(is_number_with_unit(cell), "{cell}");
        }
        for cell in ["No Data", "kg/m3", "1130.4", "1e5", "1.#QNAN", "12 stone", "Bad 3", ""] {
            assert!(!is_number_with_unit(cell), "{cell}");
        }
    }

    #[test]
    fn units_and_formats_are_told_from_names_and_numbers() {
        assert!(row(&["", "kg/h", "[degC]", "(%)", "-"]));
        assert!(row(&["5s", "15s", "20d"]));
        assert!(!row(&["kg/h", "FT-1"]));
        assert!(!row(&["", ""]));
        assert!(!row(&["12", "13"]));
        assert_eq!((bare_unit("[ kg/h ]"), is_unit("stone")), ("kg/h", false));
    }
}
