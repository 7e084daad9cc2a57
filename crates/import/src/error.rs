//! Why an import could not go on: facts, which the prompt turns into sentences.
//!
//! Rows and cells that cannot be read are no errors; they are [`metersift_model::Reject`]s.

use crate::text::shown;
use metersift_model::Origin;
use metersift_model::unit::UnknownUnit;
use std::path::Path;

/// What a sink may answer: the import stops and hands it back.
pub type SinkError = Box<dyn std::error::Error + Send + Sync>;

/// Where a fact stood: file, physical line from 1 (0 = none), column from 1 (0 = none), tag.
pub type At = Origin;

/// Everything that stops the reading of one dump, tag table or record file.
///
/// Display says what is wrong; [`ImportError::origin`] where, [`ImportError::hint`] what to do,
/// [`ImportError::full`] what and where in one line.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ImportError {
    /// The operating system said no.
    #[error("cannot {doing} the file: {source}")]
    Io {
        /// Path.
        file: String,
        /// `open`, `read`, ...
        doing: &'static str,
        /// The system's answer.
        source: std::io::Error,
    },
    /// A folder, pipe, socket or device where a file is needed.
    #[error("a {kind} stands where a file is needed")]
    NotAFile {
        /// Path.
        file: String,
        /// `folder`, `pipe`, ...
        kind: &'static str,
    },
    /// Nothing in it.
    #[error("the file is empty")]
    Empty {
        /// Path.
        file: String,
    },
    /// An archive or a binary file where text is needed.
    #[error("the file is no text: found {found}")]
    NotText {
        /// Path.
        file: String,
        /// What the first bytes look like.
        found: String,
    },
    /// A compressed file that ends early or is damaged; nothing of it counts.
    #[error("the packed file breaks at byte {byte} of {bytes}: {why}")]
    Damaged {
        /// Path.
        file: String,
        /// Position in the packed file.
        byte: u64,
        /// Size of the packed file.
        bytes: u64,
        /// What the unpacker said.
        why: String,
    },
    /// An archive, or an entry of one, that is not read.
    #[error("the archive or its entry is not read: {why}")]
    Archive {
        /// Path of the archive, or of the entry below it.
        file: String,
        /// What stands against it.
        why: String,
    },
    /// A ceiling of the reader was reached.
    #[error("more than {limit} {what}: found {found}")]
    Ceiling {
        /// Path.
        file: String,
        /// What is limited.
        what: &'static str,
        /// The limit.
        limit: u64,
        /// What was found.
        found: u64,
    },
    /// Size or time of the file moved under the reader.
    #[error("the file changed while it was read")]
    ChangedWhileRead {
        /// Path.
        file: String,
    },
    /// A setting that cannot be understood.
    #[error("setting `{setting}` of source `{source_name}` is `{read}`; expected {expected}")]
    Setting {
        /// Name of the source.
        source_name: String,
        /// The setting.
        setting: &'static str,
        /// Its value.
        read: String,
        /// What would do.
        expected: String,
    },
    /// A setting that was given and does not fit the file.
    #[error("`{setting}` is set to `{given}`, the file says {found}")]
    Conflict {
        /// Path.
        file: String,
        /// Line that shows it (0 = the whole file).
        line: u64,
        /// The setting.
        setting: &'static str,
        /// Its value.
        given: String,
        /// What the file shows.
        found: String,
    },
    /// No delimiter makes columns of it.
    #[error("no table in the file: {why}")]
    NoTable {
        /// Path.
        file: String,
        /// What was tried.
        why: String,
    },
    /// A header and nothing below it: an export of an hour in which nothing was recorded, or
    /// one that failed.
    #[error("the file holds a header and no rows")]
    NoRows {
        /// Path.
        file: String,
    },
    /// No column holds times.
    #[error("no time column: {why}")]
    NoTime {
        /// Path.
        file: String,
        /// Line of the header (0 = none).
        line: u64,
        /// Columns and what they look like.
        why: String,
    },
    /// A column that was named is not there.
    #[error("column `{column}` is missing; found {}", found.join(", "))]
    MissingColumn {
        /// Path.
        file: String,
        /// Line of the header.
        line: u64,
        /// The column.
        column: String,
        /// The columns that are there.
        found: Vec<String>,
    },
    /// Every day in the file could be a month.
    #[error(
        "`{read}` can be read day first ({day_first}) or month first \
         ({month_first}) and nothing in the file tells which"
    )]
    AmbiguousDates {
        /// Path.
        file: String,
        /// Line of the example.
        line: u64,
        /// The example.
        read: String,
        /// First and last time, day first.
        day_first: String,
        /// First and last time, month first.
        month_first: String,
    },
    /// Years of two digits: `01/02/03` has three readings at least.
    #[error("`{read}` has a year of two digits, and nothing in the file tells which part it is")]
    ShortYears {
        /// Path.
        file: String,
        /// Line of the example.
        line: u64,
        /// The example.
        read: String,
    },
    /// Some dates can only be day first, others only month first.
    #[error(
        "line {day_line} (`{day_read}`) is day first, line {month_line} \
         (`{month_read}`) is month first"
    )]
    MixedDateOrder {
        /// Path.
        file: String,
        /// A line that proves day first.
        day_line: u64,
        /// Its text.
        day_read: String,
        /// A line that proves month first.
        month_line: u64,
        /// Its text.
        month_read: String,
    },
    /// A mark that could be decimal or between thousands.
    #[error("the mark in `{read}` can be a decimal or a thousands mark")]
    AmbiguousDecimal {
        /// Path.
        file: String,
        /// Line of the example.
        line: u64,
        /// The example.
        read: String,
    },
    /// Long or wide cannot be told.
    #[error("the layout is not clear: {why}")]
    UnclearLayout {
        /// Path.
        file: String,
        /// What was seen.
        why: String,
    },
    /// A quality column whose code is not clear.
    #[error("the quality codes are not clear: {why}")]
    UnclearQuality {
        /// Path.
        file: String,
        /// Codes or words seen.
        why: String,
    },
    /// Times without zone and no zone to read them in.
    #[error("time `{read}` names no zone and none is set")]
    ZoneMissing {
        /// Path.
        file: String,
        /// Line of the example.
        line: u64,
        /// The example.
        read: String,
    },
    /// A word for a zone that the site does not map.
    #[error("`{read}` stands for a zone, and which one is not said")]
    ZoneWord {
        /// Path.
        file: String,
        /// Line of the example.
        line: u64,
        /// The word.
        read: String,
    },
    /// A zone that is neither IANA name nor offset.
    #[error("zone `{zone}` is not known: an IANA name, `UTC` or an offset such as `+01:00` is")]
    UnknownZone {
        /// The text.
        zone: String,
    },
    /// The header is not the one the dialect was made for.
    #[error("the header changes from `{old}` to `{new}`")]
    HeaderChanged {
        /// Path.
        file: String,
        /// Line of the new header.
        line: u64,
        /// Header of the dialect.
        old: String,
        /// Header found.
        new: String,
    },
    /// The header names fewer or more columns than the rows have.
    #[error("the header has {found} fields, the rows have {expected}")]
    HeaderFields {
        /// Path.
        file: String,
        /// Line of the header.
        line: u64,
        /// Fields of the header.
        found: usize,
        /// Fields of most rows.
        expected: usize,
    },
    /// Another table begins in mid-file, with columns that the first does not have.
    #[error("another table begins: {why}; the header `{old}` is followed by `{new}`")]
    SecondTable {
        /// Path.
        file: String,
        /// Line of the second header.
        line: u64,
        /// Header of the first table.
        old: String,
        /// Header of the second.
        new: String,
        /// Why it is not the same table.
        why: String,
    },
    /// Columns of one name would write one series twice.
    #[error("columns {} are all named `{name}`", numbers(columns))]
    DuplicateColumns {
        /// Path.
        file: String,
        /// Line of the header.
        line: u64,
        /// The name.
        name: String,
        /// The columns, from 1.
        columns: Vec<usize>,
    },
    /// The dump's unit column and the tag table do not agree.
    #[error("unit is `{read}`, the tag table says `{table}`")]
    UnitConflict {
        /// Where.
        at: At,
        /// Unit in the dump.
        read: String,
        /// Unit in the tag table.
        table: String,
    },
    /// A unit that the tag table asks for and nobody knows.
    #[error("{source}")]
    UnknownUnit {
        /// Where.
        at: At,
        /// The unit, the signal and the known ones.
        source: Box<UnknownUnit>,
    },
    /// A cell of a tag table or register that must be right and is not.
    #[error("read `{read}`; expected {expected}")]
    BadCell {
        /// Where.
        at: At,
        /// The text.
        read: String,
        /// What would do.
        expected: String,
    },
    /// One name twice where it must be unique.
    #[error("`{}` stands already in line {other_line}{why}", at.tag)]
    Twice {
        /// The second place.
        at: At,
        /// The first line.
        other_line: u64,
        /// What makes it a clash, empty or beginning with `, `.
        why: String,
    },
    /// The sink refused.
    #[error("readings could not be handed on: {0}")]
    Sink(#[source] SinkError),
}

impl ImportError {
    /// An I/O error of a path.
    pub fn io(path: &Path, doing: &'static str, source: std::io::Error) -> ImportError {
        ImportError::Io { file: path_text(path), doing, source }
    }

    /// Where it happened; fields that do not apply are empty or zero.
    pub fn origin(&self) -> Origin {
        use ImportError::*;
        let (file, line) = match self {
            UnitConflict { at, .. }
            | UnknownUnit { at, .. }
            | BadCell { at, .. }
            | Twice { at, .. } => return at.clone(),
            Io { file, .. }
            | NotAFile { file, .. }
            | Empty { file }
            | NotText { file, .. }
            | Damaged { file, .. }
            | Archive { file, .. }
            | Ceiling { file, .. }
            | ChangedWhileRead { file }
            | NoRows { file }
            | NoTable { file, .. }
            | UnclearLayout { file, .. }
            | UnclearQuality { file, .. } => (file.as_str(), 0),
            MixedDateOrder { file, day_line, .. } => (file.as_str(), *day_line),
            Conflict { file, line, .. }
            | NoTime { file, line, .. }
            | MissingColumn { file, line, .. }
            | AmbiguousDates { file, line, .. }
            | AmbiguousDecimal { file, line, .. }
            | ZoneMissing { file, line, .. }
            | ZoneWord { file, line, .. }
            | ShortYears { file, line, .. }
            | HeaderFields { file, line, .. }
            | SecondTable { file, line, .. }
            | DuplicateColumns { file, line, .. }
            | HeaderChanged { file, line, .. } => (file.as_str(), *line),
            Setting { .. } | UnknownZone { .. } | Sink(_) => ("", 0),
        };
        Origin { file: file.into(), line, ..Origin::default() }
    }

    /// What is wrong and where, in one line.
    pub fn full(&self) -> String {
        let at = self.origin();
        let mut text = self.to_string();
        if !at.file.is_empty() {
            text.push_str(&format!(", at `{}`", at.file));
        }
        if at.line > 0 {
            text.push_str(&format!(", line {}", at.line));
        }
        if at.column > 0 {
            text.push_str(&format!(", column {}", at.column));
        }
        if !at.tag.is_empty() {
            text.push_str(&format!(" ({})", at.tag));
        }
        text
    }

    /// Lines for the site file that would settle it, where there are some; what stands behind
    /// `#` is the other choice.
    pub fn site_lines(&self) -> Vec<String> {
        use ImportError::*;
        let lines: &[&str] = match self {
            AmbiguousDates { .. } => &["date_order = \"day-month\"   # or \"month-day\""],
            ShortYears { .. } => {
                &["date_order = \"day-month\"   # or \"month-day\", \"year-month-day\""]
            }
            AmbiguousDecimal { .. } => &["decimal = \".\"   # or \",\""],
            ZoneMissing { .. } => {
                &["zone = \"Europe/London\"   # the zone of the recorder's clock"]
            }
            UnclearQuality { .. } => &[
                "quality = \"words\"   # or \"opc_classic\", \"opc_ua\", \"none\"",
                "quality_words = { ok = \"good\" }   # each word: \"good\", \"uncertain\", \"bad\"",
            ],
            UnclearLayout { .. } => &[
                "layout = \"long\"   # or \"wide\"",
                "columns = { tag = 1, time = 2, value = 3 }   # names, or numbers from 1",
            ],
            NoTime { .. } => &[
                "columns = { time = 1 }   # a name, or a number from 1",
                "time_format = \"%d.%m.%Y %H:%M:%S\"   # or \"epoch_s\", \"spreadsheet_days\", ...",
            ],
            NoTable { .. } => &["delimiter = \";\"   # or \",\", \"tab\", \"|\"", "skip_lines = 0"],
            DuplicateColumns { columns, .. } => {
                let others = numbers(columns.get(1..).unwrap_or_default());
                return vec![format!(
                    "ignore_columns = [{others}]   # or duplicate_columns = \"number\""
                )];
            }
            HeaderFields { line, .. } => {
                return vec!["header = false".into(), format!("skip_lines = {line}")];
            }
            _ => &[],
        };
        lines.iter().map(|&line| line.to_owned()).collect()
    }

    /// What to do about it, in one line.
    pub fn hint(&self) -> String {
        use ImportError::*;
        match self {
            Io { .. } => "check that the file is there and may be read".into(),
            NotAFile { .. } => "name a file, or a pattern such as `dumps/unit3/*.csv`".into(),
            Empty { .. } => "export it again, or take it out of the pattern".into(),
            NotText { .. } => "unpack it, or export it as text, gzip or zstd".into(),
            Archive { .. } => {
                "make it anew without password, links and archives inside, or put its files here"
                    .into()
            }
            Damaged { .. } => "copy it again from where it was written".into(),
            Ceiling { .. } => "a text dump seldom reaches this; look into the file first".into(),
            ChangedWhileRead { .. } => "it is left for the next run".into(),
            Setting { setting, .. } => format!("mend `{setting}` in the site file"),
            Conflict { setting, .. } => {
                format!("change or remove `{setting}` in the site file, or leave the file out")
            }
            NoTable { .. } => "set `delimiter` and `skip_lines` in the site file".into(),
            NoRows { .. } => "export it again if it should hold readings".into(),
            NoTime { .. } => {
                "set `columns = { time = ... }` and `time_format`; a dump without times cannot \
                 be imported"
                    .into()
            }
            MissingColumn { .. } => "map the column by its name in this file".into(),
            AmbiguousDates { .. } => {
                "set `date_order = \"day-month\"` or `\"month-day\"` in the site file".into()
            }
            ShortYears { .. } => {
                "set `date_order = \"day-month\"`, `\"month-day\"` or `\"year-month-day\"` in the \
                 site file"
                    .into()
            }
            MixedDateOrder { .. } => "two exports were joined: separate them".into(),
            AmbiguousDecimal { .. } => "set `decimal = \".\"` or `\",\"` in the site file".into(),
            UnclearLayout { .. } => "set `layout = \"long\"` or `\"wide\"` and `columns`".into(),
            UnclearQuality { .. } => {
                "set `quality` (`none`, `opc_classic`, `opc_ua` or `words` with \
                 `quality_words`) in the site file"
                    .into()
            }
            ZoneMissing { .. } => "set `zone = \"...\"` for this source or for the site".into(),
            ZoneWord { read, .. } => {
                format!(
                    "set `zone_words = {{ {read} = \"+01:00\" }}` with the right offset or zone"
                )
            }
            UnknownZone { .. } => "write it as `Europe/London`, `UTC` or `+01:00`".into(),
            HeaderChanged { .. } => "split the file at that line".into(),
            HeaderFields { line, .. } => format!(
                "mend the header, or set `header = false`, `skip_lines = {line}` and `columns` by \
                 number"
            ),
            SecondTable { line, .. } => {
                format!("split the file above line {line}: each table is a dump of its own")
            }
            DuplicateColumns { columns, .. } => {
                let others = columns.get(1..).unwrap_or_default();
                format!(
                    "set `ignore_columns = [{}]` to keep the first, or \
                     `duplicate_columns = \"number\"` to read them as `name`, `name#2`, ...",
                    numbers(others)
                )
            }
            UnitConflict { .. } => "correct the unit in the tag table or the export".into(),
            UnknownUnit { .. } => "write one of the known units in the tag table".into(),
            BadCell { .. } => "correct the cell".into(),
            Twice { .. } => "keep one of the two lines".into(),
            Sink(_) => "see the cause".into(),
        }
    }
}

fn numbers(columns: &[usize]) -> String {
    columns.iter().map(usize::to_string).collect::<Vec<_>>().join(", ")
}

/// The path as messages and rejects show it.
pub fn path_text(path: &Path) -> String {
    shown(path.to_string_lossy().as_bytes())
}
