//! A part of a Parquet file in memory, at its place in the file.

use crate::day_reader::{part_hash, short};
use crate::error::StoreError;
use crate::storage::Storage;
use bytes::{Buf, Bytes};
use parquet::errors::ParquetError;
use parquet::file::reader::{ChunkReader, Length};
use std::sync::Arc;

/// Bytes of a file from a place on.
#[derive(Clone)]
pub(crate) struct Window {
    bytes: Bytes,
    start: u64,
    file_bytes: u64,
}

impl Window {
    /// A whole file.
    pub(crate) fn whole(bytes: Bytes) -> Window {
        let file_bytes = bytes.len() as u64;
        Window { bytes, start: 0, file_bytes }
    }

    fn from(&self, start: u64) -> Result<Bytes, ParquetError> {
        let at = start.checked_sub(self.start).map(|at| at as usize);
        match at.filter(|&at| at <= self.bytes.len()) {
            Some(at) => Ok(self.bytes.slice(at..)),
            None => Err(ParquetError::EOF(format!("byte {start} is in another part"))),
        }
    }
}

impl Length for Window {
    fn len(&self) -> u64 {
        self.file_bytes
    }
}

impl ChunkReader for Window {
    type T = bytes::buf::Reader<Bytes>;

    fn get_read(&self, start: u64) -> Result<Self::T, ParquetError> {
        Ok(self.from(start)?.reader())
    }

    fn get_bytes(&self, start: u64, length: usize) -> Result<Bytes, ParquetError> {
        let bytes = self.from(start)?;
        if length > bytes.len() {
            let end = start + length as u64;
            return Err(ParquetError::EOF(format!("byte {end} is in another part")));
        }
        Ok(bytes.slice(..length))
    }
}

/// One part of a file and what it must look like.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Part {
    pub start: u64,
    pub end: u64,
    pub hash: String,
}

/// Parts as the ledger writes them, `END:HASH`, each beginning where the one before ends; `None`
/// where they are not all there.
pub(crate) fn parse_parts(texts: &[String], file_bytes: u64) -> Option<Vec<Part>> {
    let mut parts = Vec::with_capacity(texts.len());
    let mut start = 0;
    for text in texts {
        let (end, hash) = text.split_once(':')?;
        let end = end.parse().ok().filter(|&end| end >= start)?;
        parts.push(Part { start, end, hash: hash.into() });
        start = end;
    }
    (start == file_bytes && parts.len() > 1).then_some(parts)
}

/// A file of the ledger that is read part by part, each hashed before anything is decoded.
#[derive(Clone)]
pub(crate) struct PartedFile {
    pub storage: Arc<dyn Storage>,
    pub path: String,
    /// One per row group, and one for what follows the last.
    pub parts: Vec<Part>,
}

impl PartedFile {
    /// Reads a part and compares its hash.
    pub(crate) fn part(&self, number: usize) -> Result<Window, StoreError> {
        let file_bytes = self.parts.last().map_or(0, |last| last.end);
        let Some(part) = self.parts.get(number) else {
            let reason = format!("it has no part {number}");
            return Err(StoreError::Unreadable { file: self.path.clone(), reason });
        };
        let damaged = |found: String| StoreError::Damaged {
            file: self.path.clone(),
            expected: format!("bytes {} to {}, hash {}", part.start, part.end, short(&part.hash)),
            found,
            dumps: Vec::new(),
        };
        let mut bytes = vec![0; (part.end - part.start) as usize];
        let read = self.storage.open(&self.path);
        let read = read.and_then(|file| file.read_at(part.start, &mut bytes));
        match read.map_err(|error| (error.kind(), error)) {
            Err((std::io::ErrorKind::NotFound, _)) => return Err(damaged("no such file".into())),
            Err((std::io::ErrorKind::UnexpectedEof, _)) => {
                return Err(damaged("a shorter file".into()));
            }
            Err((_, error)) => return Err(StoreError::io("read", &self.path, error)),
            Ok(()) => {}
        }
        let found = part_hash(&bytes);
        if found != part.hash {
            return Err(damaged(format!("hash {}", short(&found))));
        }
        Ok(Window { bytes: bytes.into(), start: part.start, file_bytes })
    }

    /// The part behind the last row group, with the footer.
    pub(crate) fn tail(&self) -> Result<Window, StoreError> {
        self.part(self.parts.len().saturating_sub(1))
    }
}
