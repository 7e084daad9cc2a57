//! The delimiter: the one that makes the most lines agree and shows a column of times.

use super::table::Table;
use super::times::{self, TimeColumns};
use super::{Detection, find_name, toml_text};
use crate::error::ImportError;
use crate::settings::ColumnRef;
use crate::sheet::DELIMITERS;
use crate::split::fields_owned;
use crate::text::{shown, trim};

impl Detection<'_> {
    /// The delimiter that makes the most of the lines, and the columns of time in that table.
    pub(super) fn table(&mut self) -> Result<(Table, TimeColumns), ImportError> {
        let lines = self.sample.shape_lines();
        let given = match &self.given.delimiter {
            None => None,
            Some(text) => Some(
                delimiter_of(text)
                    .ok_or_else(|| self.setting("delimiter", text, "`,`, `;`, `tab` or `|`"))?,
            ),
        };
        if let Some(given) = given
            && let Some(table) = Table::split(&lines, given).filter(|t| t.consistent > 0.5)
            && let Some(time) = times::find_columns(&table, &[], self.given)
        {
            self.guess("delimiter", toml_text(delimiter_name(given)), "", None, true);
            return Ok((table, time));
        }
        let mut best: Vec<(f64, Table, Option<TimeColumns>)> = DELIMITERS
            .into_iter()
            .filter_map(|delimiter| {
                let table = Table::split(&lines, delimiter)?;
                let time = times::find_columns(&table, &[], self.given);
                let score = table.consistent * if time.is_some() { 1.0 } else { 0.1 };
                Some((score, table, time))
            })
            .collect();
        // More columns win between equals.
        best.sort_by(|a, b| b.0.total_cmp(&a.0).then(b.1.n_columns.cmp(&a.1.n_columns)));
        let describe = |(_, table, time): &(f64, Table, Option<TimeColumns>)| {
            format!(
                "{}: {} columns in {:.0} % of the lines{}",
                delimiter_name(table.delimiter),
                table.n_columns,
                100.0 * table.consistent,
                if time.is_some() { ", with times" } else { ", without times" }
            )
        };
        if let Some(given) = given {
            let fits = best.iter().position(|(_, table, _)| table.delimiter == given);
            let other = best.first().filter(|(score, ..)| *score > 0.3).map(describe);
            let own = fits.map(|place| best.swap_remove(place)).filter(|own| own.0 > 0.03);
            return match (own, other) {
                (Some((_, table, Some(time))), _) => {
                    self.guess("delimiter", toml_text(delimiter_name(given)), "", None, true);
                    Ok((table, time))
                }
                (Some((_, table, None)), None) => {
                    let time = self.given_time(&table)?;
                    self.guess("delimiter", toml_text(delimiter_name(given)), "", None, true);
                    Ok((table, time))
                }
                (_, Some(other)) => {
                    Err(self.conflict(0, "delimiter", delimiter_name(given).into(), other))
                }
                (None, None) => Err(self.no_table("the delimiter that is set parts no line")),
            };
        }
        let runner_up = best.get(1).filter(|(score, ..)| *score > 0.3).map(describe);
        let Some(first) = best.into_iter().next() else {
            return Err(self.no_table("no delimiter parts the lines into columns"));
        };
        let reason = describe(&first);
        let (_, table, time) = first;
        if table.consistent < 0.5 {
            return Err(self.no_table(&format!("the best is {reason}")));
        }
        let time = match time {
            Some(time) => time,
            None => self.given_time(&table)?,
        };
        let name = toml_text(delimiter_name(table.delimiter));
        self.guess("delimiter", name, &reason, runner_up, false);
        Ok((table, time))
    }

    /// Time columns by their settings, in a table whose times are not understood without them.
    fn given_time(&self, table: &Table) -> Result<TimeColumns, ImportError> {
        let by_name = |column: &ColumnRef| match column {
            ColumnRef::Number(number) => (*number as usize).checked_sub(1),
            ColumnRef::Name(name) => self.sample.head.iter().find_map(|line| {
                let fields = fields_owned(&line.text, table.delimiter).unwrap_or_default();
                let names: Vec<String> =
                    fields.iter().map(|f| String::from_utf8_lossy(trim(f)).into_owned()).collect();
                find_name(&names, name)
            }),
        };
        let columns = &self.given.columns;
        let time = columns.time.as_ref().and_then(by_name);
        let date = columns.date.as_ref().and_then(by_name);
        match time.filter(|&time| time < table.n_columns && self.given.time_format.is_some()) {
            Some(time) => Ok(TimeColumns { time, date, zone: None }),
            None => Err(self.no_time(table)),
        }
    }

    pub(super) fn no_time(&self, table: &Table) -> ImportError {
        if let Some((line, cell)) = times::short_year(table) {
            return ImportError::ShortYears { file: self.file.clone(), line, read: shown(&cell) };
        }
        let looks = (0..table.n_columns.min(40)).map(|column| {
            let cell = table.cells(column, 3).first().map_or_else(String::new, |cell| shown(cell));
            format!("{} `{cell}`", column + 1)
        });
        let looks: Vec<String> = looks.collect();
        ImportError::NoTime {
            file: self.file.clone(),
            line: 0,
            why: format!(
                "of {} columns none holds dates with a four-digit year, or epochs ({})",
                table.n_columns,
                looks.join(", ")
            ),
        }
    }
}

pub(super) fn delimiter_of(text: &str) -> Option<u8> {
    match text {
        "," | "comma" => Some(b','),
        ";" | "semicolon" => Some(b';'),
        "\t" | "tab" | "\\t" => Some(b'\t'),
        "|" => Some(b'|'),
        _ => None,
    }
}

fn delimiter_name(delimiter: u8) -> &'static str {
    match delimiter {
        b',' => ",",
        b';' => ";",
        b'\t' => "tab",
        _ => "|",
    }
}
