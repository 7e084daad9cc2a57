//! Readings of an import in memory, by day, and their stable sort by (series, time).
//!
//! Why:    a dump is ordered by time or by tag, a day file by series and then time. Counting by
//!         series puts either order right in two passes; times of one series are looked at, and
//!         sorted only where they are not in order already.
//! In:     blocks of columns in dump order; nothing is allocated per reading.
//! Limits: chunks grow from small to large, so that ten thousand days with a few readings each
//!         cost little, and a day with millions is never copied to grow.

use metersift_model::ReadingBlock;
use metersift_model::time::US_PER_DAY;
use rayon::prelude::*;
use std::collections::HashMap;

/// Bytes of one buffered reading: series, time, value, quality, line.
const BYTES_PER_ROW: usize = 4 + 8 + 8 + 1 + 4;
/// 0001-01-01: a day before it has no name of ten characters.
const FIRST_DAY: i64 = -719_162;
/// 9999-12-31.
const LAST_DAY: i64 = 2_932_896;
/// Rows of the largest chunk; our choice: 6.5 MB.
const LARGEST_CHUNK: usize = 1 << 18;
/// Rows of the smallest block that is kept as it is instead of being copied: enough that a day
/// holds few of them; our choice.
const LEAST_KEPT: usize = 1 << 12;
/// Rows of the smallest chunk.
const SMALLEST_CHUNK: usize = 64;

/// Readings of one dump and one day, in dump order.
#[derive(Debug)]
pub(crate) struct Chunk {
    /// Local number of the dump within the import.
    dump: u32,
    rows: ReadingBlock,
    capacity: usize,
}

/// Readings of one day, in the order in which they came.
#[derive(Debug, Default)]
pub(crate) struct DayBuffer {
    chunks: Vec<Chunk>,
    rows: usize,
}

/// Readings of all days.
#[derive(Debug, Default)]
pub(crate) struct Buffers {
    days: Vec<(i32, DayBuffer)>,
    by_day: HashMap<i32, usize, foldhash::fast::FixedState>,
    bytes: usize,
    /// One more than the largest series number so far.
    n_series: usize,
}

impl Buffers {
    /// Bytes held, unused room included.
    pub(crate) fn bytes(&self) -> usize {
        self.bytes
    }

    /// Days since 1970 that hold readings.
    pub(crate) fn days(&self) -> impl Iterator<Item = i32> + '_ {
        self.days.iter().filter(|(_, day)| day.rows > 0).map(|(day, _)| *day)
    }

    /// One more than the largest series number that came so far.
    pub(crate) fn n_series(&self) -> usize {
        self.n_series
    }

    /// Appends a block, day by day.
    ///
    /// # Errors
    /// The first time outside [`FIRST_DAY`]..=[`LAST_DAY`], from which on nothing was taken.
    pub(crate) fn push(&mut self, dump: u32, block: &ReadingBlock) -> Result<(), i64> {
        let most = block.series.iter().max().map_or(0, |&series| series as usize + 1);
        self.n_series = self.n_series.max(most);
        let times = &block.time_us;
        let mut start = 0;
        while start < times.len() {
            let day = times[start].div_euclid(US_PER_DAY);
            if !(FIRST_DAY..=LAST_DAY).contains(&day) {
                return Err(times[start]);
            }
            let (from, to) = (day * US_PER_DAY, (day + 1) * US_PER_DAY);
            let run = times[start..].iter().take_while(|&&t| t >= from && t < to).count().max(1);
            self.push_day(day as i32, dump, block, start, start + run);
            start += run;
        }
        Ok(())
    }

    /// As [`Buffers::push`], for a block that the caller is done with: a large one of a single day
    /// is kept as it is.
    ///
    /// # Errors
    /// As [`Buffers::push`].
    pub(crate) fn take_block(&mut self, dump: u32, block: ReadingBlock) -> Result<(), i64> {
        let (rows, capacity) = (block.len(), block.series.capacity());
        let first = block.time_us.iter().min().map(|time| time.div_euclid(US_PER_DAY));
        let last = block.time_us.iter().max().map(|time| time.div_euclid(US_PER_DAY));
        let day = first.filter(|day| first == last && (FIRST_DAY..=LAST_DAY).contains(day));
        let (Some(day), true) = (day, rows >= LEAST_KEPT && capacity / 2 <= rows) else {
            return self.push(dump, &block);
        };
        let most = block.series.iter().max().map_or(0, |&series| series as usize + 1);
        self.n_series = self.n_series.max(most);
        self.bytes += capacity * BYTES_PER_ROW;
        let buffer = self.day(day as i32);
        buffer.rows += rows;
        buffer.chunks.push(Chunk { dump, rows: block, capacity });
        Ok(())
    }

    fn day(&mut self, day: i32) -> &mut DayBuffer {
        let next = self.days.len();
        let at = *self.by_day.entry(day).or_insert(next);
        if at == next {
            self.days.push((day, DayBuffer::default()));
        }
        &mut self.days[at].1
    }

    fn push_day(&mut self, day: i32, dump: u32, block: &ReadingBlock, from: usize, to: usize) {
        let mut bytes = self.bytes;
        let buffer = self.day(day);
        buffer.rows += to - from;
        let mut from = from;
        while from < to {
            let room = buffer.room(dump, to - from, &mut bytes);
            let part = from..to.min(from + room.capacity - room.rows.len());
            room.rows.series.extend_from_slice(&block.series[part.clone()]);
            room.rows.time_us.extend_from_slice(&block.time_us[part.clone()]);
            room.rows.value.extend_from_slice(&block.value[part.clone()]);
            room.rows.quality.extend_from_slice(&block.quality[part.clone()]);
            room.rows.line.extend_from_slice(&block.line[part.clone()]);
            from = part.end;
        }
        self.bytes = bytes;
    }

    /// Forgets the readings of one dump.
    pub(crate) fn drop_dump(&mut self, dump: u32) {
        for (_, day) in &mut self.days {
            let bytes = &mut self.bytes;
            day.chunks.retain(|chunk| {
                let keep = chunk.dump != dump;
                if !keep {
                    *bytes -= chunk.capacity * BYTES_PER_ROW;
                }
                keep
            });
            day.rows = day.chunks.iter().map(|chunk| chunk.rows.len()).sum();
        }
    }

    /// Gives up all days that hold readings, in order of the day.
    pub(crate) fn take(&mut self) -> Vec<(i32, DayBuffer)> {
        self.by_day.clear();
        self.bytes = 0;
        let mut days = std::mem::take(&mut self.days);
        days.retain(|(_, day)| day.rows > 0);
        days.sort_by_key(|(day, _)| *day);
        days
    }
}

impl DayBuffer {
    /// A chunk of this dump with room for at least one more reading.
    fn room(&mut self, dump: u32, wanted: usize, bytes: &mut usize) -> &mut Chunk {
        let full = self
            .chunks
            .last()
            .is_none_or(|chunk| chunk.dump != dump || chunk.rows.len() == chunk.capacity);
        if full {
            let last = self.chunks.last().filter(|chunk| chunk.dump == dump);
            let grown = last.map_or(SMALLEST_CHUNK, |chunk| chunk.capacity * 2);
            let capacity = grown.max(wanted).clamp(SMALLEST_CHUNK, LARGEST_CHUNK);
            *bytes += capacity * BYTES_PER_ROW;
            let rows = ReadingBlock {
                series: Vec::with_capacity(capacity),
                time_us: Vec::with_capacity(capacity),
                value: Vec::with_capacity(capacity),
                quality: Vec::with_capacity(capacity),
                line: Vec::with_capacity(capacity),
            };
            self.chunks.push(Chunk { dump, rows, capacity });
        }
        self.chunks.last_mut().expect("a chunk was pushed above")
    }

    /// Sorts by series number, then time; readings with the same key keep their order.
    pub(crate) fn sort(self, n_series: usize) -> SortedDay {
        let order = SeriesOrder::of(&self.chunks, n_series);
        let rows = self.rows;
        let mut sorted = SortedDay { segments: order.segments(), ..SortedDay::default() };
        if order.in_order {
            sorted.concatenate(&self.chunks, rows);
        } else {
            sorted.scatter(&self.chunks, rows, &order.starts);
        }
        drop(self);
        sorted.sort_times();
        sorted
    }
}

/// Where each series begins after counting.
struct SeriesOrder {
    starts: Vec<usize>,
    /// The readings came series by series, in order of their numbers.
    in_order: bool,
}

impl SeriesOrder {
    fn of(chunks: &[Chunk], n_series: usize) -> SeriesOrder {
        let mut starts = vec![0usize; n_series + 1];
        let (mut in_order, mut last) = (true, 0u32);
        for chunk in chunks {
            for &series in &chunk.rows.series {
                starts[series as usize + 1] += 1;
                in_order &= series >= last;
                last = series;
            }
        }
        for i in 1..starts.len() {
            starts[i] += starts[i - 1];
        }
        SeriesOrder { starts, in_order }
    }

    fn segments(&self) -> Vec<Segment> {
        let segment = |(series, pair): (usize, &[usize])| {
            let (start, rows) = (pair[0], pair[1] - pair[0]);
            (rows > 0).then_some(Segment { series: series as u32, start, rows })
        };
        self.starts.windows(2).enumerate().filter_map(segment).collect()
    }
}

/// One series within a [`SortedDay`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Segment {
    pub series: u32,
    pub start: usize,
    pub rows: usize,
}

/// Readings of one day by series number, then time.
#[derive(Debug, Default)]
pub(crate) struct SortedDay {
    /// By series number.
    pub segments: Vec<Segment>,
    pub time_us: Vec<i64>,
    pub value: Vec<f64>,
    pub quality: Vec<u8>,
    /// Local number of the dump.
    pub dump: Vec<u32>,
    /// Line of the dump.
    pub line: Vec<u32>,
}

impl SortedDay {
    fn concatenate(&mut self, chunks: &[Chunk], rows: usize) {
        self.time_us.reserve_exact(rows);
        self.value.reserve_exact(rows);
        self.quality.reserve_exact(rows);
        self.dump.reserve_exact(rows);
        self.line.reserve_exact(rows);
        for chunk in chunks {
            self.time_us.extend_from_slice(&chunk.rows.time_us);
            self.value.extend_from_slice(&chunk.rows.value);
            self.quality.extend_from_slice(&chunk.rows.quality);
            self.line.extend_from_slice(&chunk.rows.line);
            self.dump.extend(std::iter::repeat_n(chunk.dump, chunk.rows.len()));
        }
    }

    /// Each column goes to its place on its own, so that two cores can share a single day.
    fn scatter(&mut self, chunks: &[Chunk], rows: usize, starts: &[usize]) {
        let one_dump = chunks.windows(2).all(|pair| pair[0].dump == pair[1].dump);
        let dump_of = |chunk: &Chunk| chunk.dump;
        let ((time_us, line), (value, quality, dump)) = rayon::join(
            || {
                let time_us = place(chunks, rows, starts, |chunk| &chunk.rows.time_us);
                (time_us, place(chunks, rows, starts, |chunk| &chunk.rows.line))
            },
            || {
                let value = place(chunks, rows, starts, |chunk| &chunk.rows.value);
                let quality = place(chunks, rows, starts, |chunk| &chunk.rows.quality);
                let dump = match chunks.first() {
                    Some(first) if one_dump => vec![dump_of(first); rows],
                    _ => place_dumps(chunks, rows, starts),
                };
                (value, quality, dump)
            },
        );
        (self.time_us, self.quality, self.value) = (time_us, quality, value);
        (self.dump, self.line) = (dump, line);
    }

    fn sort_times(&mut self) {
        let unsorted: Vec<Segment> = self
            .segments
            .par_iter()
            .filter(|s| !self.time_us[s.start..s.start + s.rows].is_sorted())
            .copied()
            .collect();
        let mut order = Vec::new();
        for segment in unsorted {
            let part = segment.start..segment.start + segment.rows;
            order.clear();
            order.extend(0..segment.rows as u32);
            let times = &self.time_us[part.clone()];
            order.sort_by_key(|&i| times[i as usize]);
            permute(&mut self.time_us[part.clone()], &order);
            permute(&mut self.value[part.clone()], &order);
            permute(&mut self.quality[part.clone()], &order);
            permute(&mut self.dump[part.clone()], &order);
            permute(&mut self.line[part], &order);
        }
    }
}

fn place<T: Copy + Default>(
    chunks: &[Chunk],
    rows: usize,
    starts: &[usize],
    column: impl Fn(&Chunk) -> &Vec<T>,
) -> Vec<T> {
    let mut next = starts.to_vec();
    let mut placed = vec![T::default(); rows];
    for chunk in chunks {
        for (&series, &cell) in chunk.rows.series.iter().zip(column(chunk)) {
            let at = &mut next[series as usize];
            placed[*at] = cell;
            *at += 1;
        }
    }
    placed
}

fn place_dumps(chunks: &[Chunk], rows: usize, starts: &[usize]) -> Vec<u32> {
    let mut next = starts.to_vec();
    let mut placed = vec![0; rows];
    for chunk in chunks {
        for &series in &chunk.rows.series {
            let at = &mut next[series as usize];
            placed[*at] = chunk.dump;
            *at += 1;
        }
    }
    placed
}

fn permute<T: Copy>(column: &mut [T], order: &[u32]) {
    let moved: Vec<T> = order.iter().map(|&i| column[i as usize]).collect();
    column.copy_from_slice(&moved);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn block(rows: &[(u32, i64, f64)]) -> ReadingBlock {
        let mut block = ReadingBlock::default();
        for &(series, time_us, value) in rows {
            block.push(metersift_model::SeriesId(series), time_us, value, 192, 0);
        }
        block
    }

    fn sorted(buffers: &mut Buffers, n_series: usize) -> SortedDay {
        let mut days = buffers.take();
        assert_eq!(days.len(), 1);
        days.remove(0).1.sort(n_series)
    }

    #[test]
    fn readings_with_the_same_key_keep_their_order() {
        let mut buffers = Buffers::default();
        buffers.push(0, &block(&[(1, 5, 1.0), (0, 9, 2.0), (1, 5, 3.0), (1, 4, 4.0)])).unwrap();
        buffers.push(1, &block(&[(1, 5, 5.0), (0, 9, 6.0)])).unwrap();
        let day = sorted(&mut buffers, 2);
        assert_eq!(day.time_us, [9, 9, 4, 5, 5, 5]);
        assert_eq!(day.value, [2.0, 6.0, 4.0, 1.0, 3.0, 5.0]);
        assert_eq!(day.dump, [0, 1, 0, 0, 0, 1]);
        assert_eq!(day.segments[1], Segment { series: 1, start: 2, rows: 4 });
    }

    #[test]
    fn days_before_the_epoch_are_days_too_and_days_without_a_name_are_refused() {
        let mut buffers = Buffers::default();
        buffers.push(0, &block(&[(0, -1, 1.0), (0, 0, 2.0)])).unwrap();
        for far in [i64::MIN, i64::MAX, (LAST_DAY + 1) * US_PER_DAY, FIRST_DAY * US_PER_DAY - 1] {
            assert_eq!(buffers.push(0, &block(&[(0, far, 3.0)])), Err(far));
        }
        for near in [FIRST_DAY, LAST_DAY] {
            buffers.push(0, &block(&[(0, near * US_PER_DAY, 4.0)])).unwrap();
        }
        let days: Vec<String> = buffers
            .take()
            .into_iter()
            .map(|(day, _)| metersift_model::Day(day).to_string())
            .collect();
        assert_eq!(days, ["0001-01-01", "1969-12-31", "1970-01-01", "9999-12-31"]);
    }

    /// A block that is kept holds what a block that is copied holds, and what follows comes after.
    #[test]
    fn a_block_that_is_kept_gives_the_day_that_a_copied_one_gives() {
        let rows: Vec<(u32, i64, f64)> =
            (0..LEAST_KEPT as i64).map(|i| ((i * 7 % 5) as u32, i * 31 % 997, i as f64)).collect();
        let two_days: Vec<(u32, i64, f64)> =
            rows.iter().map(|&(s, t, v)| (s, t + (s as i64 / 4) * US_PER_DAY, v)).collect();
        for rows in [rows, two_days] {
            let (mut kept, mut copied) = (Buffers::default(), Buffers::default());
            for dump in 0..2 {
                kept.take_block(dump, block(&rows)).unwrap();
                kept.take_block(dump, block(&[(3, 5, -1.0)])).unwrap();
                copied.push(dump, &block(&rows)).unwrap();
                copied.push(dump, &block(&[(3, 5, -1.0)])).unwrap();
            }
            assert_eq!(kept.n_series(), copied.n_series());
            let days = |buffers: &mut Buffers| -> Vec<(i32, SortedDay)> {
                buffers.take().into_iter().map(|(day, buffer)| (day, buffer.sort(5))).collect()
            };
            let (kept, copied) = (days(&mut kept), days(&mut copied));
            assert_eq!(kept.len(), copied.len());
            for ((day, one), (other_day, other)) in kept.iter().zip(&copied) {
                assert_eq!(
                    (day, &one.segments, &one.time_us),
                    (other_day, &other.segments, &other.time_us)
                );
                assert_eq!((&one.value, &one.quality), (&other.value, &other.quality));
                assert_eq!((&one.dump, &one.line), (&other.dump, &other.line));
            }
        }
        let far = vec![(0, i64::MAX, 1.0); LEAST_KEPT];
        assert_eq!(Buffers::default().take_block(0, block(&far)), Err(i64::MAX));
    }

    #[test]
    fn dropping_a_dump_gives_its_memory_back() {
        let mut buffers = Buffers::default();
        buffers.push(0, &block(&[(0, 1, 1.0)])).unwrap();
        let before = buffers.bytes();
        buffers.push(1, &block(&[(0, 2, 1.0), (0, 3, 1.0)])).unwrap();
        buffers.drop_dump(1);
        assert_eq!(buffers.bytes(), before);
        assert_eq!(sorted(&mut buffers, 1).time_us, [1]);
    }
}
