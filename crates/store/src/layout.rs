//! Where things stand in a store, and which bucket a meter belongs to.
//!
//! ```text
//! format.json            version and bucket count, fixed when the store is made
//! samples/day=YYYY-MM-DD/bucket=NN.parquet   what stands
//! origin/day=YYYY-MM-DD/bucket=NN.parquet    who told it, and what else was told
//! daily/day=YYYY-MM-DD/bucket=NN.parquet, and beside it bucket=NN.receipt.json
//! hours/day=YYYY-MM-DD/bucket=NN.parquet, likewise
//! ledger/ledger.jsonl    dumps and day files
//! ledger/seen.jsonl      looks and hashes of dump files, to save reading them again
//! ledger/standing.json   what the newest results were made of, to save making them again
//! ledger/intent.json     only while an import is being put in place
//! conflicts/*.csv  rejects/*.csv
//! set-aside/             damaged day files that were taken out
//! staging/               only while an import runs; holds no `.parquet` name
//! writer.lock  writer.json
//! ```

use crate::error::StoreError;
use crate::seal;
use crate::storage::{Storage, put};
use metersift_model::Day;
use std::io;

/// Version of everything in a store; raised when an older program would misread it.
///
/// 1: day files with a `dump` column and no origin files. Read, and rewritten by the next import.
/// 2: origin files.
pub const FORMAT_VERSION: u64 = 2;
/// The most buckets a store may have: more would be more files than readings.
pub const MOST_BUCKETS: u32 = 4096;

pub(crate) const FORMAT: &str = "format.json";
pub(crate) const SAMPLES: &str = "samples";
pub(crate) const ORIGIN: &str = "origin";
pub(crate) const DAILY: &str = "daily";
pub(crate) const HOURS: &str = "hours";
pub(crate) const LEDGER_DIR: &str = "ledger";
pub(crate) const LEDGER: &str = "ledger/ledger.jsonl";
pub(crate) const SEEN: &str = "ledger/seen.jsonl";
pub(crate) const STANDING: &str = "ledger/standing.json";
pub(crate) const INTENT: &str = "ledger/intent.json";
pub(crate) const STAGING: &str = "staging";
pub(crate) const STAGED_LEDGER: &str = "staging/ledger.staged";
pub(crate) const STAGED_INTENT: &str = "staging/intent.staged";
pub(crate) const CONFLICTS: &str = "conflicts";
pub(crate) const REJECTS: &str = "rejects";
pub(crate) const SET_ASIDE: &str = "set-aside";
pub(crate) const LOCK: &str = "writer.lock";
pub(crate) const HOLDER: &str = "writer.json";

/// One cell of the store's grid: a UTC day and a bucket of meters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Unit {
    /// The day.
    pub day: Day,
    /// The bucket.
    pub bucket: u32,
}

impl std::fmt::Display for Unit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "day={}/bucket={:02}", self.day, self.bucket)
    }
}

impl Unit {
    /// Reads what [`std::fmt::Display`] writes.
    pub fn parse(text: &str) -> Option<Unit> {
        let (day, bucket) = text.split_once('/')?;
        let unit = Unit {
            day: Day::parse(day.strip_prefix("day=")?)?,
            bucket: bucket.strip_prefix("bucket=")?.parse().ok()?,
        };
        (unit.to_string() == text).then_some(unit)
    }

    pub(crate) fn samples_path(self) -> String {
        format!("{SAMPLES}/{self}.parquet")
    }

    pub(crate) fn origin_path(self) -> String {
        format!("{ORIGIN}/{self}.parquet")
    }

    pub(crate) fn table_dir(self, top: &str) -> String {
        format!("{top}/day={}", self.day)
    }

    pub(crate) fn table_path(self, top: &str) -> String {
        format!("{top}/{self}.parquet")
    }

    pub(crate) fn receipt_path(self, top: &str) -> String {
        format!("{top}/{self}.receipt.json")
    }

    pub(crate) fn staged_path(self) -> String {
        format!("{STAGING}/day={}-bucket={:02}.staged", self.day, self.bucket)
    }

    pub(crate) fn staged_origin_path(self) -> String {
        format!("{STAGING}/day={}-bucket={:02}.origin.staged", self.day, self.bucket)
    }
}

/// The bucket of a meter: the first eight bytes of blake3(name), little endian, modulo the
/// bucket count. It belongs to the store and not to the machine.
pub fn bucket_of(meter: &str, bucket_count: u32) -> u32 {
    let hash = blake3::hash(meter.as_bytes());
    let mut head = [0u8; 8];
    head.copy_from_slice(&hash.as_bytes()[..8]);
    (u64::from_le_bytes(head) % u64::from(bucket_count.max(1))) as u32
}

#[derive(serde::Serialize, serde::Deserialize)]
struct Format {
    what: String,
    format: u64,
    bucket_count: u32,
}

/// The bucket count of the store; `None` when there is no store yet.
pub(crate) fn read_format(storage: &dyn Storage) -> Result<Option<u32>, StoreError> {
    let bytes = match storage.read(FORMAT) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        other => other.map_err(|e| StoreError::io("read", FORMAT, e))?,
    };
    let body = seal::open(FORMAT, &bytes)?;
    seal::check_version(FORMAT, body)?;
    let format: Format = seal::parse(FORMAT, body)?;
    if format.bucket_count == 0 || format.bucket_count > MOST_BUCKETS {
        return Err(StoreError::BucketRange { asked: format.bucket_count, most: MOST_BUCKETS });
    }
    Ok(Some(format.bucket_count))
}

/// Writes the format file of a new store.
pub(crate) fn write_format(storage: &dyn Storage, bucket_count: u32) -> Result<(), StoreError> {
    let format = Format { what: "metersift store".into(), format: FORMAT_VERSION, bucket_count };
    let sealed = seal::close(seal::line(&format));
    let staged = format!("{FORMAT}.new");
    put(storage, &staged, &sealed)
        .and_then(|()| storage.rename(&staged, FORMAT))
        .and_then(|()| storage.sync_dir(""))
        .map_err(|e| StoreError::io("write", FORMAT, e))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_unit_and_its_text_are_one() {
        let unit = Unit { day: Day(20_000), bucket: 7 };
        assert_eq!(unit.to_string(), "day=2024-10-04/bucket=07");
        assert_eq!(Unit::parse(&unit.to_string()), Some(unit));
        assert_eq!(Unit::parse("day=2024-10-04/bucket=7"), None);
        assert_eq!(Unit::parse("day=2024-10-4/bucket=07"), None);
    }

    /// Official vectors of BLAKE3 (test_vectors.json of its repository, recomputed with the
    /// Python package blake3 1.0.11): input byte i = i mod 251, first 32 bytes of output.
    #[test]
    fn blake3_official_vectors() {
        let vectors = [
            (0, "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"),
            (1, "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213"),
            (1023, "10108970eeda3eb932baac1428c7a2163b0e924c9a9e25b35bba72b28f70bd11"),
            (1024, "42214739f095a406f3fc83deb889744ac00df831c10daa55189b5d121c855af7"),
            (1025, "d00278ae47eb27b34faecf67b4fe263f82d5412916c1ffd97c8cb7fb814b8444"),
            (2049, "5f4d72f40d7a5f82b15ca2b2e44b1de3c2ef86c426c95c1af0b6879522563030"),
            (31_744, "62b6960e1a44bcc1eb1a611a8d6235b6b4b78f32e7abc4fb4c6cdcce94895c47"),
            (102_400, "bc3e3d41a1146b069abffad3c0d44860cf664390afce4d9661f7902e7943e085"),
        ];
        for (length, expected) in vectors {
            let input: Vec<u8> = (0..length).map(|i| (i % 251) as u8).collect();
            assert_eq!(seal::hash(&input), expected, "{length} bytes");
        }
    }

    #[test]
    fn the_bucket_follows_from_the_name_by_the_stated_rule() {
        // BLAKE3 of nothing begins af 13 49 b9 f5 f9 a1 a6 (official vector).
        let head = u64::from_le_bytes([0xaf, 0x13, 0x49, 0xb9, 0xf5, 0xf9, 0xa1, 0xa6]);
        assert_eq!(bucket_of("", 64), (head % 64) as u32);
        assert_eq!(bucket_of("FT-3107", 1), 0);
        let mut counts = [0u32; 16];
        (0..16_000).for_each(|i| counts[bucket_of(&format!("FT-{i}"), 16) as usize] += 1);
        // Mean 1000, standard deviation 31: six of them either way.
        assert!(counts.iter().all(|&n| (800..1200).contains(&n)), "{counts:?}");
    }
}
