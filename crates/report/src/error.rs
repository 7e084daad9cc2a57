//! What can go wrong while an output is written.

/// Why an output could not be written.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The place it goes to refused it.
    #[error("could not write the {output}: {source}")]
    Write {
        /// Which output.
        output: &'static str,
        /// What the system said.
        source: std::io::Error,
    },
    /// A table could not be turned into columns.
    #[error("could not lay out the {output} in columns: {source}")]
    Columns {
        /// Which output.
        output: &'static str,
        /// What the columnar library said.
        source: parquet::errors::ParquetError,
    },
    /// The workbook could not be made.
    #[error("could not make the workbook: {source}")]
    Workbook {
        /// What the workbook library said.
        source: rust_xlsxwriter::XlsxError,
    },
}
