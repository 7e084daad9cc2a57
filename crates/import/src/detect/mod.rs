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
mod delimiter;
mod layout;
mod numbers;
mod preview;
mod sample;
mod table;
mod times;

use crate::clock::{TimeFormat, TimeReader, TimeValue};
use crate::dialect::{Dialect, EARLIEST_US, LATEST_US};
use crate::error::{ImportError, path_text};
use crate::quality::QualityRule;
use crate::settings::{ColumnRef, DateOrder, Layout, QualityCode, SourceSettings};
use crate::sheet::DELIMITERS;
use crate::source::Packing;
use crate::split::fields_owned;
use crate::text::{folded_name, shown, trim};
use crate::zone::Zone;
use codes::guess_quality;
use layout::{Looks, Roles};
use metersift_model::TimeUs;
use sample::Sample;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use table::{Head, Table, find_head};
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
    let mut detection =
        Detection { path, file: path_text(path), given, sample: &sample, guesses: Vec::new() };
    detection.run(default_zone)
}

struct Detection<'d> {
    path: &'d Path,
    file: String,
    given: &'d SourceSettings,
    sample: &'d Sample,
    guesses: Vec<Guess>,
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
        let head = self.head(&table, columns)?;
        let names = match &head.header {
            Some(names) => names.clone(),
            None => (1..=table.n_columns).map(|number| number.to_string()).collect(),
        };
        // Names may point at a better time column than the first that fits.
        let columns = self.time_columns(&table, &names, &head)?.unwrap_or(columns);
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
            },
            columns,
            self.given,
        )?;
        self.guess_time(&choice);
        let zone = self.zone(&table, columns, &choice.format, default_zone)?;
        let quality = self.quality(&table, layout, &roles)?;
        self.guess_columns(&names, layout, &roles, columns, head.header.is_some());
        let dialect = Dialect {
            encoding: sample.encoding,
            delimiter: table.delimiter,
            numbers,
            skip_lines: head.skip_lines,
            header: head.header.is_some(),
            unit_rows: head.unit_rows,
            names,
            layout,
            date: columns.date,
            time: columns.time,
            tag: roles.tag,
            value: roles.value,
            quality_column: roles.quality.filter(|_| quality != QualityRule::None),
            unit: roles.unit,
            cells: match quality {
                QualityRule::None => roles.cells.iter().map(|&(cell, _)| (cell, None)).collect(),
                _ => roles.cells.clone(),
            },
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

    fn conflict(&self, setting: &'static str, given: String, found: String) -> ImportError {
        ImportError::Conflict { file: self.file.clone(), line: 0, setting, given, found }
    }

    fn head(&mut self, table: &Table, columns: TimeColumns) -> Result<Head, ImportError> {
        // Times in a format of their own look like times to nobody else.
        let own = match self.given.time_format.as_deref() {
            None | Some("iso") => None,
            Some(text) => Some(times::parse_format(text, self.given)?),
        };
        let utc = Zone::utc();
        let is_time = |cell: &[u8]| match &own {
            Some(format) if columns.date.is_none() => {
                TimeReader::new(format, &utc).read(cell) != TimeValue::Bad
            }
            Some(_) => cell.iter().any(u8::is_ascii_digit),
            None => times::is_time(cell, self.given),
        };
        let is_data = |fields: &[Vec<u8>]| {
            let cell = |column: usize| fields.get(column).map_or(&[][..], |cell| trim(cell));
            is_time(cell(columns.date.unwrap_or(columns.time)))
        };
        let head =
            find_head(self.sample, table, self.given.skip_lines, self.given.header, &is_data);
        let head = head.ok_or_else(|| match &self.given.time_format {
            Some(format) => self.conflict(
                "time_format",
                format.clone(),
                "no line whose time can be read so".into(),
            ),
            None => self.no_time(table),
        })?;
        match (self.given.header, &head.header) {
            (Some(true), None) => Err(self.conflict(
                "header",
                "true".into(),
                format!("no line above line {} that could name the columns", head.skip_lines + 1),
            )),
            _ => Ok(head),
        }
    }

    /// Time columns by name or setting, once the header is known.
    fn time_columns(
        &self,
        table: &Table,
        names: &[String],
        head: &Head,
    ) -> Result<Option<TimeColumns>, ImportError> {
        let given = &self.given.columns;
        let Some(time) = &given.time else {
            return Ok(times::find_columns(table, names, self.given));
        };
        let time = self.column(time, names, head)?;
        let date = match &given.date {
            Some(date) => Some(self.column(date, names, head)?),
            None => None,
        };
        Ok(Some(TimeColumns { time, date }))
    }

    fn column(
        &self,
        column: &ColumnRef,
        names: &[String],
        head: &Head,
    ) -> Result<usize, ImportError> {
        let place = match column {
            ColumnRef::Number(number) => (*number as usize).checked_sub(1),
            ColumnRef::Name(name) => find_name(names, name),
        };
        place.filter(|&place| place < names.len()).ok_or_else(|| ImportError::MissingColumn {
            file: self.file.clone(),
            line: head.header.as_ref().map_or(0, |_| head.skip_lines + 1),
            column: column.to_string(),
            found: names.iter().take(100).map(|name| shown(name.as_bytes())).collect(),
        })
    }

    /// The table again, without the lines above the data.
    fn without_head(&self, table: Table, first_line: u64) -> Table {
        let lines = self.sample.shape_lines();
        let data: Vec<_> = lines
            .into_iter()
            .filter(|line| line.number == 0 || line.number >= first_line)
            .collect();
        let split = Table::split(&data, table.delimiter);
        split.filter(|split| split.n_columns == table.n_columns).unwrap_or(table)
    }

    fn guess_head(&mut self, head: &Head) {
        let given = (self.given.header.is_some(), self.given.skip_lines.is_some());
        let header = head.header.is_some();
        let reason = if header {
            format!("names in line {}", head.skip_lines + 1)
        } else {
            "the first row is data".into()
        };
        self.guess("header", header.to_string(), &reason, None, given.0);
        let reason = match head.unit_rows {
            0 if head.skip_lines == 0 => "nothing above".to_owned(),
            0 => "notes or blank lines above".to_owned(),
            n => format!("notes above; {n} lines of units or formats below the header"),
        };
        self.guess("skip_lines", head.skip_lines.to_string(), &reason, None, given.1);
    }

    fn layout(
        &mut self,
        table: &Table,
        head: &Head,
        names: &[String],
        time: TimeColumns,
    ) -> Result<(Layout, Roles), ImportError> {
        let given = &self.given.columns;
        let ignored = self.ignored(names, head)?;
        let optional = |column: &Option<ColumnRef>| -> Result<Option<usize>, ImportError> {
            column.as_ref().map(|column| self.column(column, names, head)).transpose()
        };
        let set = Roles {
            tag: optional(&given.tag)?,
            value: optional(&given.value)?,
            quality: optional(&given.quality)?,
            unit: optional(&given.unit)?,
            cells: Vec::new(),
        };
        let free: Vec<usize> = (0..table.n_columns.min(names.len()))
            .filter(|column| *column != time.time && Some(*column) != time.date)
            .filter(|column| !ignored.contains(column))
            .collect();
        let looks = Looks { table, names, free: &free, header: head.header.is_some() };
        let long = looks.long_roles(&set);
        let set_layout = self.given.layout.is_some();
        let layout = match (self.given.layout, &long) {
            (Some(layout), _) => layout,
            (None, Some(_)) => Layout::Long,
            (None, None) if set.tag.is_some() || set.value.is_some() => Layout::Long,
            (None, None) => Layout::Wide,
        };
        let roles = match layout {
            Layout::Long => match long {
                Some(roles) => roles,
                None => {
                    return Err(
                        self.unclear_layout(&looks, "no column of tags beside one of values")
                    );
                }
            },
            Layout::Wide => {
                let cells = looks.wide_cells();
                if !cells.iter().any(|&(cell, _)| table.number_share(cell) > 0.0) {
                    return Err(self.unclear_layout(&looks, "no column of numbers"));
                }
                let mut seen = BTreeSet::new();
                if let Some((twice, _)) = cells.iter().find(|(cell, _)| !seen.insert(&names[*cell]))
                {
                    let why =
                        format!("two columns are named `{}`", shown(names[*twice].as_bytes()));
                    return Err(ImportError::UnclearLayout { file: self.file.clone(), why });
                }
                Roles { cells, ..set }
            }
        };
        let reason = match layout {
            Layout::Long => "a column of tags beside one of values".to_owned(),
            Layout::Wide => format!("{} columns of readings beside the time", roles.cells.len()),
        };
        self.guess("layout", toml_text(layout.name()), &reason, None, set_layout);
        Ok((layout, roles))
    }

    fn ignored(&self, names: &[String], head: &Head) -> Result<BTreeSet<usize>, ImportError> {
        // A name that stands several times is ignored everywhere.
        let mut ignored = BTreeSet::new();
        for column in &self.given.ignore_columns {
            ignored.insert(self.column(column, names, head)?);
            if let ColumnRef::Name(name) = column {
                let same = names.iter().enumerate().filter(|(_, other)| *other == name);
                ignored.extend(same.map(|(idx, _)| idx));
            }
        }
        Ok(ignored)
    }

    fn unclear_layout(&self, looks: &Looks<'_>, why: &str) -> ImportError {
        let columns = looks.free.iter().take(20).map(|&column| {
            let cell = looks.table.cells(column, 3).first().map_or_else(String::new, |c| shown(c));
            format!("{} `{cell}`", shown(looks.names[column].as_bytes()))
        });
        let columns: Vec<String> = columns.collect();
        let why = format!("{why}; columns: {}", columns.join(", "));
        ImportError::UnclearLayout { file: self.file.clone(), why }
    }

    fn guess_time(&mut self, choice: &times::TimeChoice) {
        let (given_format, given_order) =
            (self.given.time_format.is_some(), self.given.date_order.is_some());
        let runner_up = choice.runner_up.clone();
        match &choice.format {
            TimeFormat::Civil { order: DateOrder::YearMonthDay, .. } if !given_order => {
                self.guess(
                    "time_format",
                    toml_text("iso"),
                    &choice.reason,
                    runner_up,
                    given_format,
                );
            }
            TimeFormat::Civil { order, .. } => {
                let name = toml_text(order.name());
                self.guess("date_order", name, &choice.reason, runner_up, given_order);
            }
            other => {
                let name = toml_text(&other.name());
                self.guess("time_format", name, &choice.reason, runner_up, given_format);
            }
        }
    }

    fn zone(
        &mut self,
        table: &Table,
        columns: TimeColumns,
        format: &TimeFormat,
        default_zone: &str,
    ) -> Result<Zone, ImportError> {
        let set = self.given.zone.as_deref();
        let name = set.unwrap_or(default_zone);
        // Read in a zone that is far off: what does not move carries its own offset.
        let far = Zone::parse("+14:00")?;
        let utc = Zone::utc();
        let mut readers = [TimeReader::new(format, &far), TimeReader::new(format, &utc)];
        let mut read = |row: &[Vec<u8>]| {
            let [far, near] = &mut readers;
            let one = |reader: &mut TimeReader<'_>| match columns.date {
                None => reader.read(&row[columns.time]),
                Some(date) => reader.read_pair(&row[date], &row[columns.time]),
            };
            (one(far), one(near))
        };
        let bare = table.rows.iter().filter(|row| {
            let (far, near) = read(row);
            near != TimeValue::Bad && far != near
        });
        let bare: Vec<_> = bare.collect();
        let Some(example) = bare.first() else {
            let zone = if name.is_empty() { utc } else { Zone::parse(name)? };
            let toml = toml_text(zone.name());
            self.guess(
                "zone",
                toml,
                "every time carries its offset or is an epoch",
                None,
                set.is_some(),
            );
            return Ok(zone);
        };
        if name.is_empty() {
            return Err(ImportError::ZoneMissing {
                file: self.file.clone(),
                line: 0,
                read: shown(&example[columns.time]),
            });
        }
        let zone = Zone::parse(name)?;
        let reason = format!(
            "{} of {} times carry no offset; the site's zone",
            bare.len(),
            table.rows.len()
        );
        self.guess("zone", toml_text(zone.name()), &reason, None, set.is_some());
        Ok(zone)
    }

    fn quality(
        &mut self,
        table: &Table,
        layout: Layout,
        roles: &Roles,
    ) -> Result<QualityRule, ImportError> {
        let columns: Vec<usize> = match layout {
            Layout::Long => roles.quality.into_iter().collect(),
            Layout::Wide => roles.cells.iter().filter_map(|&(_, quality)| quality).collect(),
        };
        if let Some(set) = self.given.quality {
            let rule = match set {
                QualityCode::None => QualityRule::None,
                QualityCode::OpcClassic => QualityRule::OpcClassic,
                QualityCode::OpcUa => QualityRule::OpcUa,
                QualityCode::Words => QualityRule::words(&self.given.quality_words),
            };
            if columns.is_empty() && rule != QualityRule::None {
                let found = "no column of quality".to_owned();
                return Err(self.conflict("quality", set.name().into(), found));
            }
            self.guess("quality", toml_text(set.name()), "", None, true);
            return Ok(rule);
        }
        if columns.is_empty() {
            self.guess("quality", toml_text("none"), "no column of quality", None, false);
            return Ok(QualityRule::None);
        }
        let mut cells: BTreeMap<Vec<u8>, usize> = BTreeMap::new();
        for &column in columns.iter().take(200) {
            for (cell, n) in table.distinct(column, 100) {
                *cells.entry(cell.to_vec()).or_default() += n;
            }
        }
        if cells.is_empty() {
            let reason = "the columns of quality are empty";
            self.guess("quality", toml_text("none"), reason, None, false);
            return Ok(QualityRule::None);
        }
        let (rule, name, reason) = guess_quality(&cells, self.given)
            .map_err(|why| ImportError::UnclearQuality { file: self.file.clone(), why })?;
        self.guess("quality", toml_text(name), &reason, None, false);
        Ok(rule)
    }

    fn guess_columns(
        &mut self,
        names: &[String],
        layout: Layout,
        roles: &Roles,
        time: TimeColumns,
        header: bool,
    ) {
        let named = |column: usize| {
            let name = &names[column];
            let unique = names.iter().filter(|other| *other == name).count() == 1;
            if header && unique && !name.is_empty() {
                toml_text(name)
            } else {
                (column + 1).to_string()
            }
        };
        let mut parts = Vec::new();
        let mut add = |key: &str, column: Option<usize>| {
            if let Some(column) = column {
                parts.push(format!("{key} = {}", named(column)));
            }
        };
        if layout == Layout::Long {
            add("tag", roles.tag);
        }
        add("date", time.date);
        add("time", Some(time.time));
        if layout == Layout::Long {
            add("value", roles.value);
            add("quality", roles.quality);
            add("unit", roles.unit);
        }
        let given = &self.given.columns;
        let given = given.time.is_some() && (layout == Layout::Wide || given.value.is_some());
        let toml = format!("{{ {} }}", parts.join(", "));
        self.guess("columns", toml, "by name and by what the cells hold", None, given);
    }
}

fn find_name(names: &[String], name: &str) -> Option<usize> {
    let exact = names.iter().position(|other| other == name);
    exact.or_else(|| names.iter().position(|other| folded_name(other) == folded_name(name)))
}

/// A TOML string.
fn toml_text(text: &str) -> String {
    toml::Value::String(text.into()).to_string()
}
