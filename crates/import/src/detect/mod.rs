//! How a dump is written: found out from its head and from blocks spread through it.
//!
//! What:   encoding, delimiter, decimal mark, header and notes above it, layout, columns, time
//!         format, order of day and month, zone, quality codes.
//! Rules:  a setting that is given is never re-guessed, and when the file does not fit it, the
//!         error shows both. What two readings of the file would fit is refused, with the
//!         setting that would settle it. Each guess carries its reason and, where it was
//!         close, the runner-up.
//! Limits: of a packed file the first 8 MiB of text are looked at, unless the order of day and
//!         month asks for all of it.

mod codes;
mod columns;
mod cost;
mod delimiter;
mod head;
mod layout;
mod numbers;
mod preview;
mod sample;
mod table;
mod times;
mod when;

use crate::clock::{TimeReader, TimeValue};
use crate::dialect::{Dialect, EARLIEST_US, LATEST_US};
use crate::error::{ImportError, path_text};
use crate::quality::QualityRule;
use crate::schema::{HeaderChange, Schema};
use crate::settings::{DateOrder, DuplicateColumns, Layout, SourceSettings};
use crate::sheet::DELIMITERS;
use crate::source::Packing;
use crate::split::{fields_loose, fields_owned};
use crate::text::{folded_name, shown, trim};
use crate::zone::Zone;
pub use cost::Cost;
use head::{Head, HeadFault, HeadFinder, is_header_again};
use metersift_model::TimeUs;
use sample::{Sample, SampleLine};
use std::collections::BTreeMap;
use std::path::Path;
use table::Table;
use times::{Place, TimeColumns};

/// Most tags that are listed.
const MAX_TAGS: usize = 10_000;

/// What was found.
#[derive(Clone, Debug)]
pub struct Detected {
    /// Path as messages show it.
    pub file: String,
    /// How the dump is to be read.
    pub dialect: Dialect,
    /// How it is packed.
    pub packing: Packing,
    /// Size on disk.
    pub bytes: u64,
    /// What was chosen and why.
    pub guesses: Vec<Guess>,
    /// The first three rows, read.
    pub rows: Vec<ParsedRow>,
    /// Earliest time in the sample.
    pub first: Option<TimeUs>,
    /// Latest time in the sample.
    pub last: Option<TimeUs>,
    /// Tags in the sample, sorted, ten thousand at most.
    pub tags: Vec<String>,
    /// Whether the sample was the whole file.
    pub complete: bool,
    /// Unit of a tag, where the dump tells one.
    pub units: BTreeMap<String, String>,
    /// Quality cells of the sample and how often each came, the most frequent first.
    pub qualities: Vec<(String, usize)>,
    /// Headers that take over in the head of the file.
    pub headers: Vec<HeaderChange>,
    /// What reading it would cost.
    pub cost: Cost,
}

/// One choice.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Guess {
    /// Key in the site file.
    pub setting: &'static str,
    /// The value as it would stand in the site file.
    pub toml: String,
    /// Why.
    pub reason: String,
    /// What else would have been possible, where it was close.
    pub runner_up: Option<String>,
    /// Set in the site file, not guessed.
    pub given: bool,
}

/// One reading of the sample.
#[derive(Clone, Debug, PartialEq)]
pub struct ParsedRow {
    /// Physical line.
    pub line: u64,
    /// Tag.
    pub tag: String,
    /// Instant, where the time is one.
    pub time: Option<TimeUs>,
    /// Value in the dump's unit, NaN for a word.
    pub value: f64,
    /// Quality byte.
    pub quality: Option<u8>,
}

impl Detected {
    /// Lines for the site file that fix every guess.
    pub fn site_lines(&self) -> Vec<String> {
        let guessed = self.guesses.iter().filter(|guess| !guess.given);
        guessed.map(|guess| format!("{} = {}", guess.setting, guess.toml)).collect()
    }
}

/// Finds out how a dump is written. Times without offset are read in the source's zone, else in
/// `default_zone`, which is the site's.
///
/// # Errors
/// Everything that makes the file unreadable, unclear, or different from what is set.
pub fn detect(
    path: &Path,
    given: &SourceSettings,
    default_zone: &str,
) -> Result<Detected, ImportError> {
    let sample = Sample::read(path, given)?;
    let mut detection = Detection {
        path,
        file: path_text(path),
        given,
        sample: &sample,
        guesses: Vec::new(),
        until_line: u64::MAX,
        qualities: Vec::new(),
    };
    detection.run(default_zone)
}

struct Detection<'d> {
    path: &'d Path,
    file: String,
    given: &'d SourceSettings,
    sample: &'d Sample,
    guesses: Vec<Guess>,
    /// The line of the next header, past which another table may stand.
    until_line: u64,
    qualities: Vec<(String, usize)>,
}

impl Detection<'_> {
    fn run(&mut self, default_zone: &str) -> Result<Detected, ImportError> {
        let sample = self.sample;
        if sample.lines().next().is_none() {
            return Err(self.no_table("every line is blank or a note"));
        }
        if self.is_header_only() {
            return Err(ImportError::NoRows { file: self.file.clone() });
        }
        let encoding = toml_text(sample.encoding.name());
        self.guess(
            "encoding",
            encoding,
            &sample.encoding_reason,
            None,
            self.given.encoding.is_some(),
        );
        let (table, columns) = self.table()?;
        let (table, columns) = self.first_table(table, columns)?;
        let head = self.head(&table, columns)?;
        let names = match &head.header {
            Some(names) => names.clone(),
            None => (1..=table.n_columns).map(|number| number.to_string()).collect(),
        };
        // Names may point at a better time column than the first that fits.
        let columns = self.time_columns(&table, &names, &head)?.unwrap_or(columns);
        let columns = TimeColumns { zone: self.zone_column(&names, &head)?, ..columns };
        let first_line = head.skip_lines + u64::from(head.header.is_some()) + head.unit_rows + 1;
        let table = self.without_head(table, first_line);
        self.guess_head(&head);
        let (layout, roles) = self.layout(&table, &head, &names, columns)?;
        let numbers = self.numbers(&table, layout, &roles)?;
        let choice = times::find_format(
            Place {
                path: self.path,
                file: &self.file,
                encoding: sample.encoding,
                delimiter: table.delimiter,
                sample,
                first_line,
                until_line: self.until_line,
            },
            columns,
            self.given,
        )?;
        self.guess_time(&choice);
        let zone = self.zone(&table, columns, &choice.format, default_zone)?;
        let quality = self.quality(&table, layout, &roles)?;
        self.guess_columns(&names, layout, &roles, columns, head.header.is_some());
        let none = quality == QualityRule::None;
        let schema = Schema {
            names,
            date: columns.date,
            time: columns.time,
            zone: columns.zone,
            tag: roles.tag,
            value: roles.value,
            quality: roles.quality.filter(|_| !none),
            unit: roles.unit,
            cells: match none {
                true => roles.cells.iter().map(|&(cell, _)| (cell, None)).collect(),
                false => roles.cells.clone(),
            },
            units: if layout == Layout::Wide { head.units.clone() } else { Vec::new() },
        };
        let dialect = Dialect {
            encoding: sample.encoding,
            delimiter: table.delimiter,
            numbers,
            skip_lines: head.skip_lines,
            header: head.header.is_some(),
            unit_rows: head.unit_rows,
            layout,
            schema,
            quoted_newlines: self.given.quoted_newlines == Some(true),
            notes: self.given.notes.clone(),
            number_duplicates: self.given.duplicate_columns == Some(DuplicateColumns::Number),
            time_format: choice.format,
            zone,
            quality,
            bad_values: self.given.bad_values.clone(),
            tag_prefix: self.given.tag_prefix.clone(),
            earliest_us: self.earliest()?,
            latest_us: LATEST_US,
        };
        self.finish(dialect, first_line)
    }

    /// A header, perhaps with units below it, and nothing else.
    fn is_header_only(&self) -> bool {
        let lines: Vec<_> = self.sample.lines().take(3).collect();
        let parts = |text: &[u8], delimiter| fields_owned(text, delimiter).unwrap_or_default();
        let is_data =
            |cell: &Vec<u8>| table::is_number(trim(cell)) || times::is_time(trim(cell), self.given);
        self.sample.complete
            && lines.len() < 3
            && DELIMITERS.iter().any(|&d| parts(&lines[0].text, d).len() > 1)
            && !lines
                .iter()
                .any(|line| DELIMITERS.iter().any(|&d| parts(&line.text, d).iter().any(is_data)))
    }

    fn guess(
        &mut self,
        setting: &'static str,
        toml: String,
        reason: &str,
        runner_up: Option<String>,
        given: bool,
    ) {
        let reason = if given { "as set".into() } else { reason.into() };
        self.guesses.push(Guess { setting, toml, reason, runner_up, given });
    }

    fn earliest(&self) -> Result<i64, ImportError> {
        let Some(text) = &self.given.earliest else { return Ok(EARLIEST_US) };
        let civil = crate::clock::civil(text.as_bytes(), DateOrder::YearMonthDay, false);
        let civil = civil.ok_or_else(|| self.setting("earliest", text, "a date"))?;
        Ok(civil.local_us - civil.offset_us.unwrap_or(0))
    }

    fn no_table(&self, why: &str) -> ImportError {
        ImportError::NoTable { file: self.file.clone(), why: why.into() }
    }

    fn setting(&self, setting: &'static str, read: &str, expected: &str) -> ImportError {
        ImportError::Setting {
            source_name: self.given.name.clone(),
            setting,
            read: shown(read.as_bytes()),
            expected: expected.into(),
        }
    }

    fn conflict(
        &self,
        line: u64,
        setting: &'static str,
        given: String,
        found: String,
    ) -> ImportError {
        ImportError::Conflict { file: self.file.clone(), line, setting, given, found }
    }

    fn head(&self, table: &Table, columns: TimeColumns) -> Result<Head, ImportError> {
        let is_data = data_test(self.given, columns)?;
        let time = columns.date.unwrap_or(columns.time);
        let (sample, given) = (self.sample, self.given);
        let finder = HeadFinder { sample, table, given, time, is_data: &is_data };
        let head = finder.find().map_err(|fault| match (fault, &self.given.time_format) {
            (HeadFault::Conflict { line, setting, given, found }, _) => {
                ImportError::Conflict { file: self.file.clone(), line, setting, given, found }
            }
            (HeadFault::Misfit { line, found, expected }, _) => {
                ImportError::HeaderFields { file: self.file.clone(), line, found, expected }
            }
            (HeadFault::NoData, Some(format)) => self.conflict(
                0,
                "time_format",
                format.clone(),
                "no line whose time can be read so".into(),
            ),
            (HeadFault::NoData, None) => self.no_time(table),
        })?;
        match (self.given.header, &head.header) {
            (Some(true), None) => {
                let line = head.skip_lines + 1;
                let found = format!("no line above line {line} that could name the columns");
                Err(self.conflict(line, "header", "true".into(), found))
            }
            _ => Ok(head),
        }
    }

    /// The table up to the line where a header stands again: what follows may have other columns.
    fn first_table(
        &mut self,
        table: Table,
        columns: TimeColumns,
    ) -> Result<(Table, TimeColumns), ImportError> {
        let (sample, given) = (self.sample, self.given);
        let is_data = data_test(given, columns)?;
        let split = |line: &SampleLine| fields_loose(&line.text, table.delimiter);
        let skip = given.skip_lines.unwrap_or(0);
        let lines = sample.head.iter().filter(|line| line.number > skip && !line.is_note());
        let mut below = lines.skip_while(|line| !is_data(&split(line)));
        let again = below.find(|line| is_header_again(&split(line), &is_data));
        let Some(again) = again else { return Ok((table, columns)) };
        self.until_line = again.number;
        let lines = self.sample.shape_lines_until(self.until_line);
        let first = Table::split(&lines, table.delimiter);
        match first.and_then(|t| Some((times::find_columns(&t, &[], self.given)?, t))) {
            Some((columns, table)) => Ok((table, columns)),
            None => Ok((table, columns)),
        }
    }

    /// The table again, without the lines above the data.
    fn without_head(&self, table: Table, first_line: u64) -> Table {
        let lines = self.sample.shape_lines_until(self.until_line);
        let data: Vec<_> = lines
            .into_iter()
            .filter(|line| line.number == 0 || line.number >= first_line)
            .collect();
        let split = Table::split(&data, table.delimiter);
        split.filter(|split| split.n_columns == table.n_columns).unwrap_or(table)
    }
}

/// What tells a row from a header or a note: its cell of time.
fn data_test(
    given: &SourceSettings,
    columns: TimeColumns,
) -> Result<impl Fn(&[Vec<u8>]) -> bool + '_, ImportError> {
    // Times in a format of their own look like times to nobody else.
    let own = match given.time_format.as_deref() {
        None | Some("iso") => None,
        Some(text) => Some(times::parse_format(text, given)?),
    };
    Ok(move |fields: &[Vec<u8>]| {
        let cell = fields.get(columns.date.unwrap_or(columns.time));
        let cell = cell.map_or(&[][..], |cell| trim(cell));
        match &own {
            Some(format) if columns.date.is_none() => {
                TimeReader::new(format, &Zone::utc()).read(cell) != TimeValue::Bad
            }
            Some(_) => cell.iter().any(u8::is_ascii_digit),
            None => times::is_time(cell, given),
        }
    })
}

fn find_name(names: &[String], name: &str) -> Option<usize> {
    let exact = names.iter().position(|other| other == name);
    exact.or_else(|| names.iter().position(|other| folded_name(other) == folded_name(name)))
}

/// A TOML string.
fn toml_text(text: &str) -> String {
    toml::Value::String(text.into()).to_string()
}
