//! Why a fleet cannot be judged at all.

/// Facts about what stopped the job; one meter's trouble is never an error.
#[derive(Debug, thiserror::Error)]
pub enum FaultsError {
    /// The daily table lacks a column without which no row can be placed.
    #[error("the daily table has no `{column}` column of kind {kind}")]
    MissingColumn {
        /// Column name.
        column: &'static str,
        /// Kind of values expected.
        kind: &'static str,
    },
    /// A column of the daily table holds the wrong kind of values.
    #[error("column `{column}` of the daily table does not hold numbers")]
    NotNumbers {
        /// Column name.
        column: String,
    },
    /// The priors cannot be used.
    #[error("priors: {what}")]
    Priors {
        /// What is wrong with them.
        what: String,
    },
    /// The calibration cannot be used.
    #[error("calibration: {what}")]
    Calibration {
        /// What is wrong with it.
        what: String,
    },
    /// A setting cannot work.
    #[error("setting `{name}` is {value}, which cannot work")]
    Setting {
        /// Its name.
        name: String,
        /// Its value.
        value: f64,
    },
    /// A setting names a fault mode that does not exist.
    #[error("`{name}` names no known mode")]
    UnknownMode {
        /// Its name.
        name: String,
    },
    /// The fleet table could not be built.
    #[error("fleet table: {step}: {what}")]
    FleetTable {
        /// Which step.
        step: &'static str,
        /// What the table library said.
        what: String,
    },
}
