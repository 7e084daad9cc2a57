//! Decimal and thousands marks, by all number cells of the sample.

use super::Detection;
use super::layout::Roles;
use super::table::Table;
use super::toml_text;
use crate::error::ImportError;
use crate::number::{self, NumberStyle, Thousands};
use crate::settings::Layout;
use crate::text::shown;

/// Cells that the marks are judged by.
const NUMBER_CELLS: usize = 20_000;

/// Styles that are tried, in the order in which equals are settled.
pub(super) const STYLES: [NumberStyle; 8] = [
    NumberStyle::POINT,
    NumberStyle::COMMA,
    NumberStyle { decimal: b'.', thousands: Some(Thousands::Comma) },
    NumberStyle { decimal: b',', thousands: Some(Thousands::Point) },
    NumberStyle { decimal: b'.', thousands: Some(Thousands::Space) },
    NumberStyle { decimal: b',', thousands: Some(Thousands::Space) },
    NumberStyle { decimal: b'.', thousands: Some(Thousands::Apostrophe) },
    NumberStyle { decimal: b',', thousands: Some(Thousands::Apostrophe) },
];

impl Detection<'_> {
    /// The style that reads the most cells.
    pub(super) fn numbers(
        &mut self,
        table: &Table,
        layout: Layout,
        roles: &Roles,
    ) -> Result<NumberStyle, ImportError> {
        let given_decimal = match self.given.decimal.as_deref() {
            None => None,
            Some("." | "point") => Some(b'.'),
            Some("," | "comma") => Some(b','),
            Some(other) => return Err(self.setting("decimal", other, "`.` or `,`")),
        };
        let given_thousands = match self.given.thousands.as_deref() {
            None => None,
            Some("") => Some(None),
            Some(",") => Some(Some(Thousands::Comma)),
            Some(".") => Some(Some(Thousands::Point)),
            Some("'") => Some(Some(Thousands::Apostrophe)),
            Some("space" | " ") => Some(Some(Thousands::Space)),
            Some(other) => {
                return Err(self.setting("thousands", other, "`,`, `.`, `'` or `space`"));
            }
        };
        let columns: Vec<usize> = match layout {
            Layout::Long => roles.value.into_iter().collect(),
            Layout::Wide => roles.cells.iter().map(|&(cell, _)| cell).collect(),
        };
        let per_column = (NUMBER_CELLS / columns.len().max(1)).max(5);
        let cells: Vec<&[u8]> =
            columns.iter().flat_map(|&column| table.cells(column, per_column)).collect();
        let count = |style: NumberStyle| {
            cells.iter().filter(|cell| number::parse(cell, style).is_some()).count()
        };
        let counted: Vec<(NumberStyle, usize)> =
            STYLES.into_iter().map(|style| (style, count(style))).collect();
        let fits = |style: &NumberStyle| {
            given_decimal.is_none_or(|decimal| style.decimal == decimal)
                && given_thousands.is_none_or(|thousands| style.thousands == thousands)
        };
        // The first of equals: no thousands mark before one, point before comma.
        let best_of = |fits: &dyn Fn(&NumberStyle) -> bool| {
            counted.iter().filter(|(style, _)| fits(style)).fold(None, |best, next| match best {
                Some((_, n)) if n >= next.1 => best,
                _ => Some(*next),
            })
        };
        let overall = best_of(&|_| true);
        let set = NumberStyle {
            decimal: given_decimal.unwrap_or(b'.'),
            thousands: given_thousands.flatten(),
        };
        let (style, n) = best_of(&fits).unwrap_or((set, count(set)));
        let given = given_decimal.is_some();
        let any = given || given_thousands.is_some();
        if let Some((other, most)) = overall.filter(|&(_, most)| any && most > 2 * n) {
            let differs = |cell: &[u8]| {
                number::parse(cell, other).is_some() && number::parse(cell, style).is_none()
            };
            let example = columns.iter().find_map(|&column| table.find(column, &differs));
            let (line, example) = example.unwrap_or_default();
            let (setting, set) = match given {
                true => ("decimal", (style.decimal as char).to_string()),
                false => ("thousands", self.given.thousands.clone().unwrap_or_default()),
            };
            let mark = other.thousands.map_or(String::new(), |t| format!(" and `{}`", t.name()));
            let found = format!(
                "numbers such as `{}`: {most} of {} are read with `{}`{mark}",
                shown(example),
                cells.len(),
                other.decimal as char
            );
            return Err(self.conflict(line, setting, set, found));
        }
        if given_decimal.is_none() && given_thousands.is_none() {
            self.check_mark(&cells, style, table, &columns)?;
        }
        let reason = if cells.iter().any(|cell| cell.contains(&style.decimal)) {
            format!("{n} of {} cells are numbers so", cells.len())
        } else {
            "no cell shows a mark".into()
        };
        let runner_up = counted
            .iter()
            .filter(|(other, most)| other.decimal != style.decimal && *most * 10 >= n * 9)
            .max_by_key(|&&(_, most)| most)
            .map(|(other, most)| format!("`{}` reads {most}", other.decimal as char));
        self.guess(
            "decimal",
            toml_text(&(style.decimal as char).to_string()),
            &reason,
            runner_up,
            given,
        );
        if let Some(thousands) = style.thousands {
            let reason = "groups of three digits in every cell with the mark";
            let set = given_thousands.is_some();
            self.guess("thousands", toml_text(thousands.name()), reason, None, set);
        }
        Ok(style)
    }

    /// `1,234` and `1.234` are the mistake by a factor of 1000: when every cell with a mark
    /// could be a group of three, the file does not tell.
    fn check_mark(
        &self,
        cells: &[&[u8]],
        style: NumberStyle,
        table: &Table,
        columns: &[usize],
    ) -> Result<(), ImportError> {
        let (mark, grouped) = match style {
            NumberStyle { decimal: b',', thousands: None } => {
                (b',', NumberStyle { decimal: b'.', thousands: Some(Thousands::Comma) })
            }
            NumberStyle { decimal: b'.', thousands: None } if table.delimiter != b',' => {
                (b'.', NumberStyle { decimal: b',', thousands: Some(Thousands::Point) })
            }
            _ => return Ok(()),
        };
        let marked =
            || cells.iter().filter(|c| c.contains(&mark) && number::parse(c, style).is_some());
        let could_be_group = |cell: &[u8]| {
            let digits = cell.strip_prefix(b"-").unwrap_or(cell);
            !digits.starts_with(b"0") && number::parse(cell, grouped).is_some()
        };
        match marked().next() {
            Some(example) if marked().all(|cell| could_be_group(cell)) => {
                let same = |cell: &[u8]| cell == *example;
                let line = columns.iter().find_map(|&column| table.find(column, &same));
                Err(ImportError::AmbiguousDecimal {
                    file: self.file.clone(),
                    line: line.map_or(0, |(line, _)| line),
                    read: shown(example),
                })
            }
            _ => Ok(()),
        }
    }
}
