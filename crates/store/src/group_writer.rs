//! Writing a Parquet file group by group: encoded side by side on all cores, appended in order,
//! hashed as it is written, made durable at the end.

use crate::day_file::ZSTD_LEVEL;
use crate::error::StoreError;
use crate::name_runs::{NameChunk, NameRuns};
use crate::storage::{NewFile, Storage};
use arrow::array::ArrayRef;
use arrow::datatypes::{Field, SchemaRef};
use parquet::arrow::ArrowWriter;
use parquet::arrow::arrow_writer::{
    ArrowColumnChunk, ArrowColumnWriter, ArrowRowGroupWriterFactory, compute_leaves,
};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use rayon::prelude::*;
use std::io::{self, Write};
use std::sync::{Arc, OnceLock};

/// Size, rows and hash of a written file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Written {
    pub bytes: u64,
    pub rows: u64,
    pub hash: String,
    /// Where each row group ends; none for a file that has none.
    pub ends: Vec<u64>,
}

/// Columns of one row group.
pub(crate) struct Rows {
    pub rows: u64,
    pub columns: Vec<Column>,
}

/// One column of a row group.
pub(crate) enum Column {
    Array(ArrayRef),
    /// Names in long runs.
    Names(NameRuns),
}

/// A file that is hashed as it is written.
pub(crate) struct HashingFile {
    file: Box<dyn NewFile>,
    hasher: blake3::Hasher,
    bytes: u64,
    refused: Refused,
}

/// The system's first answer to a write: the Parquet writer passes on its text only, and whoever
/// reads the message must be told what is lacking.
type Refused = Arc<OnceLock<io::Error>>;

/// An error of the same kind and number.
fn again(error: &io::Error) -> io::Error {
    match error.raw_os_error() {
        Some(code) => io::Error::from_raw_os_error(code),
        None => io::Error::new(error.kind(), error.to_string()),
    }
}

impl HashingFile {
    pub(crate) fn create(storage: &dyn Storage, path: &str) -> Result<HashingFile, StoreError> {
        let file = storage.create(path).map_err(|e| StoreError::io("create", path, e))?;
        let (hasher, refused) = (blake3::Hasher::new(), Refused::default());
        Ok(HashingFile { file, hasher, bytes: 0, refused })
    }

    pub(crate) fn finish(mut self, path: &str, rows: u64) -> Result<Written, StoreError> {
        self.file.flush().map_err(|e| StoreError::io("write", path, e))?;
        self.file.sync().map_err(|e| StoreError::io("sync", path, e))?;
        let hash = self.hasher.finalize().to_hex().to_string();
        Ok(Written { bytes: self.bytes, rows, hash, ends: Vec::new() })
    }
}

impl Write for HashingFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let n = self.file.write(bytes).inspect_err(|error| {
            self.refused.get_or_init(|| again(error));
        })?;
        self.hasher.update(&bytes[..n]);
        self.bytes += n as u64;
        Ok(n)
    }
    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

/// Writes one file, group by group.
pub(crate) struct GroupWriter {
    path: String,
    writer: SerializedFileWriter<HashingFile>,
    factory: ArrowRowGroupWriterFactory,
    schema: SchemaRef,
    /// Where each row group ends.
    ends: Vec<u64>,
    rows: u64,
    refused: Refused,
}

impl GroupWriter {
    pub(crate) fn create(
        storage: &dyn Storage,
        path: &str,
        schema: SchemaRef,
        properties: Result<WriterProperties, ParquetError>,
    ) -> Result<GroupWriter, StoreError> {
        let file = HashingFile::create(storage, path)?;
        let refused = file.refused.clone();
        let open = || {
            let writer = ArrowWriter::try_new(file, schema.clone(), Some(properties?))?;
            writer.into_serialized_writer()
        };
        let (writer, factory) = open().map_err(|e| writing(path, &refused, e))?;
        let path = path.into();
        Ok(GroupWriter { path, writer, factory, schema, ends: Vec::new(), rows: 0, refused })
    }

    /// Encodes groups side by side on all cores. Numbers them from the next one on.
    pub(crate) fn encode(&self, groups: Vec<Rows>) -> Result<Vec<EncodedGroup>, StoreError> {
        let wrong = |e| writing(&self.path, &self.refused, e);
        let mut jobs = Vec::new();
        for (i, group) in groups.into_iter().enumerate() {
            let rows = group.rows;
            let writers = self.factory.create_column_writers(self.ends.len() + i).map_err(wrong)?;
            let columns = writers.into_iter().zip(group.columns);
            jobs.extend(columns.enumerate().map(|(c, w)| (c, rows, w)));
        }
        let fields = self.schema.fields();
        let encode = |c: usize, writer, column: Column| match column {
            Column::Array(array) => encode_column(&fields[c], writer, &array).map(Chunk::Array),
            Column::Names(names) => {
                let column = self.writer.schema_descr().column(c);
                names.encode(column, ZSTD_LEVEL).map(Chunk::Names)
            }
        };
        let encoded: Result<Vec<(usize, u64, Chunk)>, ParquetError> = jobs
            .into_par_iter()
            .with_max_len(1)
            .map(|(c, rows, (writer, column))| Ok((c, rows, encode(c, writer, column)?)))
            .collect();
        let mut done: Vec<EncodedGroup> = Vec::new();
        for (c, rows, chunk) in encoded.map_err(wrong)? {
            if c == 0 {
                done.push(EncodedGroup { rows, chunks: Vec::new() });
            }
            if let Some(group) = done.last_mut() {
                group.chunks.push(chunk);
            }
        }
        Ok(done)
    }

    /// Appends encoded groups in their order.
    pub(crate) fn append(&mut self, encoded: Vec<EncodedGroup>) -> Result<(), StoreError> {
        for group in encoded {
            let append = || {
                let mut row_group = self.writer.next_row_group()?;
                for chunk in group.chunks {
                    match chunk {
                        Chunk::Array(chunk) => chunk.append_to_row_group(&mut row_group)?,
                        Chunk::Names(chunk) => {
                            row_group.append_column(&chunk.bytes, chunk.close)?;
                        }
                    }
                }
                row_group.close()
            };
            append().map_err(|e| writing(&self.path, &self.refused, e))?;
            self.ends.push(self.writer.bytes_written() as u64);
            self.rows += group.rows;
        }
        Ok(())
    }

    /// Writes the footer and makes the file durable.
    pub(crate) fn finish(self) -> Result<Written, StoreError> {
        let file = self.writer.into_inner().map_err(|e| writing(&self.path, &self.refused, e))?;
        Ok(Written { ends: self.ends, ..file.finish(&self.path, self.rows)? })
    }
}

fn writing(path: &str, refused: &Refused, error: ParquetError) -> StoreError {
    match refused.get() {
        Some(answer) => StoreError::io("write", path, again(answer)),
        None => StoreError::writing(path, error),
    }
}

/// One row group, encoded and compressed.
pub(crate) struct EncodedGroup {
    rows: u64,
    chunks: Vec<Chunk>,
}

/// One column of it.
enum Chunk {
    Array(ArrowColumnChunk),
    Names(NameChunk),
}

fn encode_column(
    field: &Field,
    mut writer: ArrowColumnWriter,
    array: &ArrayRef,
) -> Result<ArrowColumnChunk, ParquetError> {
    for leaf in compute_leaves(field, array)? {
        writer.write(&leaf)?;
    }
    writer.close()
}
