//! What a site file may say about a source of dumps. Every key but `name` and `files` is
//! optional: what is not said is found out by [`crate::detect()`]; what is said is never
//! re-guessed.

use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// One `[[sources]]` entry of a site file.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SourceSettings {
    /// Name of the source.
    pub name: String,
    /// Patterns of files, relative to the site folder.
    pub files: Vec<String>,
    /// Encoding of the text.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub encoding: Option<Encoding>,
    /// `,` `;` `tab` or `|`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub delimiter: Option<String>,
    /// `.` or `,`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub decimal: Option<String>,
    /// Mark between thousands: `,` `.` `'` or `space`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub thousands: Option<String>,
    /// Whether a header row stands above the data.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub header: Option<bool>,
    /// Physical lines above the header row (or above the data, where there is none).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub skip_lines: Option<u64>,
    /// Physical lines between the header row and the data: units, formats.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit_rows: Option<u64>,
    /// Beginnings of lines that are notes and no rows: totals, remarks.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<String>,
    /// Whether a quoted field may hold line ends (`false` unless set: one stray quote then costs
    /// one line).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quoted_newlines: Option<bool>,
    /// What columns of one name are: refused unless set.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub duplicate_columns: Option<DuplicateColumns>,
    /// One reading per row, or one tag per column.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layout: Option<Layout>,
    /// Which column is what.
    #[serde(default, skip_serializing_if = "ColumnSettings::is_empty")]
    pub columns: ColumnSettings,
    /// Columns that are no data.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub ignore_columns: Vec<ColumnRef>,
    /// `iso`, `epoch_s`, `epoch_ms`, `epoch_us`, `epoch_ns`, `spreadsheet_days`, or a pattern
    /// with `%` signs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_format: Option<String>,
    /// Order of day, month and year in numeric dates.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date_order: Option<DateOrder>,
    /// Zone of times that carry no offset.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone: Option<String>,
    /// What words for zones mean, in times (`2024-03-07 12:00 CET`) and in a column of zones:
    /// an offset or a zone.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub zone_words: BTreeMap<String, String>,
    /// What the quality column holds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quality: Option<QualityCode>,
    /// Meaning of quality words.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub quality_words: BTreeMap<String, QualityWord>,
    /// Texts that are expected in value cells: bad samples that nobody need be told of.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub bad_words: Vec<String>,
    /// Numbers that mean "no value", in the dump's unit.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub bad_values: Vec<f64>,
    /// First date that a reading may have (`1990-01-01` unless set).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub earliest: Option<String>,
    /// Put before every tag of the source before it is looked up.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub tag_prefix: String,
    /// Share of rows that may be rejected before the run says so by its exit code.
    #[serde(default)]
    pub tolerated_reject_share: f64,
}

/// Which column is what: header names or numbers from 1.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ColumnSettings {
    /// Tag (long).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tag: Option<ColumnRef>,
    /// Time, or time of day where `date` is set.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<ColumnRef>,
    /// Date, where it stands in a column of its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<ColumnRef>,
    /// Zone of each row: an offset, or a word of `zone_words`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone: Option<ColumnRef>,
    /// Value (long).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<ColumnRef>,
    /// Quality (long).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quality: Option<ColumnRef>,
    /// Unit (long); checked against the tag table.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<ColumnRef>,
}

impl ColumnSettings {
    fn is_empty(&self) -> bool {
        *self == ColumnSettings::default()
    }
}

/// A column by number (from 1) or by header name.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum ColumnRef {
    /// Number, from 1.
    Number(u32),
    /// Header name; letter case and outer blanks do not matter when no name fits exactly.
    Name(String),
}

impl std::fmt::Display for ColumnRef {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            ColumnRef::Number(number) => write!(f, "{number}"),
            ColumnRef::Name(name) => f.write_str(name),
        }
    }
}

/// Encodings that are read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Encoding {
    /// UTF-8, with or without byte order mark.
    #[serde(rename = "utf-8")]
    Utf8,
    /// UTF-16, low byte first.
    #[serde(rename = "utf-16le")]
    Utf16Le,
    /// UTF-16, high byte first.
    #[serde(rename = "utf-16be")]
    Utf16Be,
    /// Windows-1252, of which Latin-1 text is a part.
    #[serde(rename = "windows-1252")]
    Windows1252,
}

impl Encoding {
    /// The name in the site file.
    pub fn name(self) -> &'static str {
        match self {
            Encoding::Utf8 => "utf-8",
            Encoding::Utf16Le => "utf-16le",
            Encoding::Utf16Be => "utf-16be",
            Encoding::Windows1252 => "windows-1252",
        }
    }
}

/// How readings stand in a dump.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Layout {
    /// One reading per row: tag, time, value, perhaps quality.
    Long,
    /// One time per row and one tag per column, perhaps a quality column beside each.
    Wide,
}

impl Layout {
    /// The name in the site file.
    pub fn name(self) -> &'static str {
        match self {
            Layout::Long => "long",
            Layout::Wide => "wide",
        }
    }
}

/// What columns of one name are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum DuplicateColumns {
    /// A mistake.
    Refuse,
    /// `name`, `name#2`, `name#3`, ... from left to right.
    Number,
}

/// Order of the parts of a numeric date.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum DateOrder {
    /// 7/3/2024 is 7 March.
    #[serde(rename = "day-month")]
    DayMonth,
    /// 7/3/2024 is 3 July.
    #[serde(rename = "month-day")]
    MonthDay,
    /// 2024-03-07, 2024/3/7, 20240307.
    #[serde(rename = "year-month-day")]
    YearMonthDay,
}

impl DateOrder {
    /// The name in the site file.
    pub fn name(self) -> &'static str {
        match self {
            DateOrder::DayMonth => "day-month",
            DateOrder::MonthDay => "month-day",
            DateOrder::YearMonthDay => "year-month-day",
        }
    }
}

/// What a quality column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum QualityCode {
    /// There is no quality, or it is not to be used: every number is good.
    None,
    /// OPC Classic quality words (192 good).
    OpcClassic,
    /// OPC UA status codes (0 good).
    OpcUa,
    /// Words.
    Words,
    /// OPC Classic quality words and plain words in one column.
    OpcClassicAndWords,
    /// OPC UA status codes and plain words in one column.
    OpcUaAndWords,
}

impl QualityCode {
    /// The name in the site file.
    pub fn name(self) -> &'static str {
        match self {
            QualityCode::None => "none",
            QualityCode::OpcClassic => "opc_classic",
            QualityCode::OpcUa => "opc_ua",
            QualityCode::Words => "words",
            QualityCode::OpcClassicAndWords => "opc_classic_and_words",
            QualityCode::OpcUaAndWords => "opc_ua_and_words",
        }
    }
}

/// Meaning of a quality word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum QualityWord {
    /// Usable.
    Good,
    /// Neither good nor bad.
    Uncertain,
    /// Not usable.
    Bad,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_source_is_read_from_toml_and_unknown_keys_are_refused() {
        let text = r#"
            name = "syrup-house"
            files = ["dumps/syrup-house/*.csv.gz"]
            encoding = "windows-1252"
            delimiter = ";"
            decimal = ","
            layout = "long"
            columns = { tag = "Tag", time = 2, value = "Value" }
            date_order = "day-month"
            quality = "opc_classic"
            quality_words = { ok = "good" }
            bad_values = [-200.0]
        "#;
        let source: SourceSettings = toml::from_str(text).expect("readable");
        assert_eq!(source.encoding, Some(Encoding::Windows1252));
        assert_eq!(source.columns.time, Some(ColumnRef::Number(2)));
        assert_eq!(source.date_order, Some(DateOrder::DayMonth));
        assert_eq!(source.quality, Some(QualityCode::OpcClassic));
        assert!(toml::from_str::<SourceSettings>("name='a'\nfiles=[]\ncolour='red'").is_err());
        assert!(toml::from_str::<SourceSettings>("files=[]").is_err());
    }
}
