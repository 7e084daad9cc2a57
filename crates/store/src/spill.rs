//! Sorted runs on disk: where readings go when the memory ceiling is reached.
//!
//! Shape:  one file per spill, `staging/spill-N.run`; per day and series one segment: a flag
//!         byte, times (i64 LE), values (f64 LE), lines (u32 LE), quality (one byte or one per
//!         row), dump (u32 LE, one or one per row), and 8 bytes of blake3 over all that. The index stays in memory.
//! Why:    the files live for one import only; they are never a format that anyone else reads.
//!         The check sum is there because nothing else would notice a bit that a disk turned.

use crate::buffer::SortedDay;
use crate::error::StoreError;
use crate::layout::STAGING;
use crate::storage::Storage;
use std::collections::BTreeMap;
use std::io::{self, Write};

const QUALITY_PER_ROW: u8 = 1;
const DUMP_PER_ROW: u8 = 2;
const CHECK_BYTES: usize = 8;
/// Bytes gathered before a write.
const WRITE_BYTES: usize = 1 << 20;

/// Where one series of one day stands in a run.
#[derive(Clone, Copy, Debug)]
pub(crate) struct SpilledSegment {
    pub series: u32,
    pub rows: u32,
    offset: u64,
    bytes: u32,
}

/// One file of sorted readings.
pub(crate) struct Run {
    path: String,
    /// Segments by series number, per day.
    days: BTreeMap<i32, Vec<SpilledSegment>>,
}

/// Readings of one segment, columns of one length.
#[derive(Debug, Default)]
pub(crate) struct SegmentColumns {
    pub time_us: Vec<i64>,
    pub value: Vec<f64>,
    pub quality: Vec<u8>,
    pub dump: Vec<u32>,
    pub line: Vec<u32>,
}

impl Run {
    /// Writes sorted days as run number `number`.
    pub(crate) fn write(
        storage: &dyn Storage,
        number: usize,
        sorted: Vec<(i32, SortedDay)>,
    ) -> Result<Run, StoreError> {
        let path = format!("{STAGING}/spill-{number}.run");
        let io = |e| StoreError::io("spill to", &path, e);
        let mut file = storage.create(&path).map_err(io)?;
        let mut buffer = Vec::with_capacity(WRITE_BYTES * 2);
        let (mut days, mut offset) = (BTreeMap::new(), 0u64);
        for (day, sorted) in sorted {
            let mut segments = Vec::with_capacity(sorted.segments.len());
            for segment in &sorted.segments {
                // A segment that does not fit the index is cut; merging does not mind.
                for start in (0..segment.rows).step_by(MOST_ROWS) {
                    let rows = MOST_ROWS.min(segment.rows - start);
                    let from = segment.start + start;
                    let before = buffer.len();
                    encode(&sorted, from, from + rows, &mut buffer);
                    let bytes = (buffer.len() - before) as u32;
                    let (series, rows) = (segment.series, rows as u32);
                    segments.push(SpilledSegment { series, rows, offset, bytes });
                    offset += u64::from(bytes);
                    if buffer.len() >= WRITE_BYTES {
                        file.write_all(&buffer).map_err(io)?;
                        buffer.clear();
                    }
                }
            }
            days.insert(day, segments);
        }
        file.write_all(&buffer).and_then(|()| file.flush()).map_err(io)?;
        Ok(Run { path, days })
    }

    /// Days with readings in this run.
    pub(crate) fn days(&self) -> impl Iterator<Item = i32> + '_ {
        self.days.keys().copied()
    }

    /// Segments of a day, by series number.
    pub(crate) fn segments(&self, day: i32) -> &[SpilledSegment] {
        self.days.get(&day).map_or(&[], Vec::as_slice)
    }

    /// Reads one segment. The file is opened each time: a long import has more runs than a
    /// process may have files open.
    pub(crate) fn read(
        &self,
        storage: &dyn Storage,
        segment: SpilledSegment,
    ) -> Result<SegmentColumns, StoreError> {
        let mut bytes = vec![0; segment.bytes as usize];
        storage
            .open(&self.path)
            .and_then(|file| file.read_at(segment.offset, &mut bytes))
            .map_err(|e| StoreError::io("read", &self.path, e))?;
        decode(&bytes, segment.rows as usize).ok_or_else(|| {
            let broken = io::Error::new(io::ErrorKind::InvalidData, "other bytes than written");
            StoreError::io("read", &self.path, broken)
        })
    }
}

/// Rows of the longest segment: 64 MB.
const MOST_ROWS: usize = 3 << 20;

fn encode(day: &SortedDay, from: usize, to: usize, out: &mut Vec<u8>) {
    let begin = out.len();
    let (quality, dump) = (&day.quality[from..to], &day.dump[from..to]);
    let constant_quality = quality.iter().all(|q| *q == quality[0]);
    let constant_dump = dump.iter().all(|d| *d == dump[0]);
    let quality_flag = if constant_quality { 0 } else { QUALITY_PER_ROW };
    out.push(quality_flag | if constant_dump { 0 } else { DUMP_PER_ROW });
    put_words(out, day.time_us[from..to].iter().map(|t| t.to_le_bytes()));
    put_words(out, day.value[from..to].iter().map(|v| v.to_le_bytes()));
    put_words(out, day.line[from..to].iter().map(|l| l.to_le_bytes()));
    out.extend_from_slice(if constant_quality { &quality[..1] } else { quality });
    let dump = if constant_dump { &dump[..1] } else { dump };
    put_words(out, dump.iter().map(|d| d.to_le_bytes()));
    let check = blake3::hash(&out[begin..]);
    out.extend_from_slice(&check.as_bytes()[..CHECK_BYTES]);
}

fn put_words<const N: usize>(out: &mut Vec<u8>, words: impl ExactSizeIterator<Item = [u8; N]>) {
    let begin = out.len();
    out.resize(begin + words.len() * N, 0);
    for (cell, word) in out[begin..].chunks_exact_mut(N).zip(words) {
        cell.copy_from_slice(&word);
    }
}

/// Columns of a segment; `None` when the bytes are not those that were written.
fn decode(bytes: &[u8], rows: usize) -> Option<SegmentColumns> {
    let (body, check) = bytes.split_at_checked(bytes.len().checked_sub(CHECK_BYTES)?)?;
    if blake3::hash(body).as_bytes()[..CHECK_BYTES] != *check {
        return None;
    }
    let (flags, rest) = body.split_first()?;
    let (times, rest) = rest.split_at_checked(rows * 8)?;
    let (values, rest) = rest.split_at_checked(rows * 8)?;
    let (lines, rest) = rest.split_at_checked(rows * 4)?;
    let n_quality = if flags & QUALITY_PER_ROW == 0 { 1 } else { rows };
    let (quality, rest) = rest.split_at_checked(n_quality)?;
    let dumps: Vec<u32> = words(rest).map(u32::from_le_bytes).collect();
    let spread = |constant: u32| vec![constant; rows];
    Some(SegmentColumns {
        time_us: words(times).map(i64::from_le_bytes).collect(),
        value: words(values).map(f64::from_le_bytes).collect(),
        quality: if n_quality == rows { quality.to_vec() } else { vec![*quality.first()?; rows] },
        dump: if dumps.len() == rows { dumps } else { spread(*dumps.first()?) },
        line: words(lines).map(u32::from_le_bytes).collect(),
    })
}

fn words<const N: usize>(bytes: &[u8]) -> impl Iterator<Item = [u8; N]> + '_ {
    bytes.chunks_exact(N).map(|word| {
        let mut array = [0; N];
        array.copy_from_slice(word);
        array
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::storage::DiskStorage;

    #[test]
    fn a_run_comes_back_as_it_was_written_and_a_turned_bit_is_noticed() {
        let folder = tempfile::tempdir().unwrap();
        let storage = DiskStorage::new(folder.path());
        storage.create_dir(STAGING).unwrap();
        let day = SortedDay {
            segments: vec![
                crate::buffer::Segment { series: 2, start: 0, rows: 2 },
                crate::buffer::Segment { series: 5, start: 2, rows: 1 },
            ],
            time_us: vec![1, 2, -3],
            value: vec![1.5, f64::NAN, -0.0],
            quality: vec![192, 0, 64],
            dump: vec![7, 8, 9],
            line: vec![70, 80, 90],
        };
        let run = Run::write(&storage, 0, vec![(4, day)]).unwrap();
        let segments = run.segments(4).to_vec();
        let first = run.read(&storage, segments[0]).unwrap();
        assert_eq!(
            (first.time_us, first.quality, first.dump, first.line),
            (vec![1, 2], vec![192, 0], vec![7, 8], vec![70, 80])
        );
        assert!(first.value[0] == 1.5 && first.value[1].is_nan());
        let second = run.read(&storage, segments[1]).unwrap();
        assert_eq!((second.time_us, second.quality, second.dump), (vec![-3], vec![64], vec![9]));
        let good = storage.read("staging/spill-0.run").unwrap();
        for byte in 0..good.len() {
            let mut bad = good.clone();
            bad[byte] ^= 0x10;
            let segment = segments.iter().rfind(|s| s.offset as usize <= byte).unwrap();
            let part = segment.offset as usize..segment.offset as usize + segment.bytes as usize;
            assert!(decode(&bad[part], segment.rows as usize).is_none(), "byte {byte}");
        }
    }
}
