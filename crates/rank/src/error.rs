//! What can go wrong: settings that make no sense, and a table of another shape.

/// Why the lists could not be made.
#[derive(Debug, thiserror::Error, PartialEq)]
pub enum RankError {
    /// A setting is out of its range.
    #[error("setting `{key}` of [rank] is {value}; it must be {must}")]
    Setting {
        /// Key in the site file.
        key: &'static str,
        /// What was read.
        value: f64,
        /// What it must be.
        must: &'static str,
    },
    /// A setting of the plan is out of its range.
    #[error("setting `{key}` of [plan] is {value}; it must be {must}")]
    PlanSetting {
        /// Key in the site file.
        key: &'static str,
        /// What was read.
        value: f64,
        /// What it must be.
        must: &'static str,
    },
    /// A table lacks a column, or the column holds another kind of value.
    #[error("no column `{column}` of {kind}")]
    Column {
        /// Column name.
        column: String,
        /// Kind of value wanted.
        kind: &'static str,
    },
    /// A verdicts table holds a word that is not one of ours.
    #[error("verdicts table, row {row}: `{text}` is not a known {column}")]
    Word {
        /// Column name.
        column: &'static str,
        /// Row, from 1.
        row: usize,
        /// What was read.
        text: String,
    },
}
