//! Merging what an import brought for one unit with the day file that is there.
//!
//! Why:    both sides are sorted, so a day of any size is merged with one row group of it in
//!         memory.
//! Rule:   key = (meter, signal, time). Same value and quality: duplicate, the old reading stays
//!         with its dump number, so importing again changes no byte. Other value or quality:
//!         conflicting, the later one wins (later import; within one dump the later line) and both
//!         are kept for the conflict file. Two NaN are the same value.
//! Out:    row groups in order; counts per dump; conflicts up to a cap, counted beyond it.

use crate::buffer::{Segment, SortedDay};
use crate::day_file::{GROUP_ROWS, Group, GroupSegment, MOST_GROUP_ROWS};
use crate::day_reader::{DayFileReader, DecodedGroup};
use crate::error::StoreError;
use crate::incoming::{Incoming, Source};
use crate::ledger::RowCounts;
use crate::spill::SegmentColumns;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Two values for one key.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Conflict {
    pub meter: Arc<str>,
    pub signal: Arc<str>,
    pub time_us: i64,
    /// Value, quality and ledger number of the dump: before and after.
    pub before: (f64, u8, u32),
    pub after: (f64, u8, u32),
}

/// Conflicts of one unit.
#[derive(Debug, Default)]
pub(crate) struct Conflicts {
    pub kept: Vec<Conflict>,
    /// All of them, by meter and signal.
    pub by_series: BTreeMap<(Arc<str>, Arc<str>), u64>,
}

/// Merges one unit, group by group.
pub(crate) struct UnitMerge<'a> {
    incoming: &'a Incoming<'a>,
    next_piece: usize,
    existing: Existing,
    group: Group,
    /// Where the series that is being merged begins in `group`.
    series_start: usize,
    finished: bool,
    /// Conflicts to keep with both values; the rest are counted.
    most_conflicts: usize,
    /// Counts by local dump number.
    pub counts: Vec<RowCounts>,
    pub conflicts: Conflicts,
}

impl<'a> UnitMerge<'a> {
    pub(crate) fn new(
        incoming: &'a Incoming<'a>,
        existing: Option<DayFileReader>,
        most_conflicts: usize,
    ) -> Self {
        UnitMerge {
            incoming,
            next_piece: 0,
            existing: Existing { reader: existing, group: None, run: 0 },
            group: Group::default(),
            series_start: 0,
            finished: false,
            most_conflicts,
            counts: vec![RowCounts::default(); incoming.numbers.ledger.len()],
            conflicts: Conflicts::default(),
        }
    }

    /// Whether anything differs so far from the day file that is there.
    pub(crate) fn changed(&self) -> bool {
        self.counts.iter().any(RowCounts::changed)
    }

    /// The next row group; `None` after the last.
    pub(crate) fn next_group(&mut self) -> Result<Option<Group>, StoreError> {
        while !self.finished {
            if let Some(group) = self.split_off_full() {
                return Ok(Some(group));
            }
            self.merge_one_series()?;
        }
        if let Some(group) = self.split_off_full() {
            return Ok(Some(group));
        }
        let last = std::mem::take(&mut self.group);
        self.series_start = 0;
        Ok((last.rows() > 0).then_some(last))
    }

    /// Takes a group off the front once it is full, at the start of a series where that can be.
    fn split_off_full(&mut self) -> Option<Group> {
        let rows = self.group.rows();
        // A quarter more than the target still goes in one piece: two half groups read worse.
        if rows <= GROUP_ROWS + GROUP_ROWS / 4 {
            return None;
        }
        let at = match self.series_start {
            0 if rows > MOST_GROUP_ROWS => MOST_GROUP_ROWS,
            0 => return None,
            start => start,
        };
        self.series_start = self.series_start.saturating_sub(at);
        let full = self.group.split_front(at);
        self.group.reserve(GROUP_ROWS + GROUP_ROWS / 4);
        Some(full)
    }

    fn merge_one_series(&mut self) -> Result<(), StoreError> {
        let incoming = self.incoming;
        let existing = self.existing.peek()?;
        let new = incoming.pieces.get(self.next_piece).map(|&(series, _)| {
            let name = &incoming.names[series as usize];
            (name.meter.clone(), name.signal.clone(), series)
        });
        let (meter, signal) = match (&existing, &new) {
            (None, None) => {
                self.finished = true;
                return Ok(());
            }
            (Some(old), None) => old.clone(),
            (None, Some((meter, signal, _))) => (meter.clone(), signal.clone()),
            (Some(old), Some((meter, signal, _))) => {
                let new = (meter.clone(), signal.clone());
                new.min(old.clone())
            }
        };
        self.series_start = self.group.rows();
        if existing.is_some_and(|old| old == (meter.clone(), signal.clone())) {
            self.existing.append_series(&meter, &signal, &mut self.group)?;
        }
        if let Some((_, _, series)) = new.filter(|(m, s, _)| (m, s) == (&meter, &signal)) {
            while let Some(&(number, source)) = incoming.pieces.get(self.next_piece) {
                if number != series {
                    break;
                }
                self.fold(source, &meter, &signal)?;
                self.next_piece += 1;
            }
        }
        let rows = self.group.rows() - self.series_start;
        if rows > 0 {
            self.group.segments.push(GroupSegment { meter, signal, rows });
        }
        Ok(())
    }

    fn fold(
        &mut self,
        source: Source<'_>,
        meter: &Arc<str>,
        signal: &Arc<str>,
    ) -> Result<(), StoreError> {
        let loaded;
        let columns = match source {
            Source::Memory(day, segment) => Columns::of_day(day, segment),
            Source::Spilled(run, segment) => {
                loaded = self.without_aborted(run.read(self.incoming.storage, segment)?);
                Columns::of_segment(&loaded)
            }
        };
        if columns.time_us.is_empty() {
            return Ok(());
        }
        let start = self.series_start;
        let last = self.group.time_us[start..].last();
        let increasing = columns.time_us.windows(2).all(|pair| pair[0] < pair[1]);
        if increasing && last.is_none_or(|&last| last < columns.time_us[0]) {
            self.append(&columns);
        } else {
            self.interleave(&columns, meter, signal);
        }
        Ok(())
    }

    fn without_aborted(&self, mut columns: SegmentColumns) -> SegmentColumns {
        let numbers = self.incoming.numbers;
        if numbers.any_aborted() {
            let keep: Vec<bool> = columns.dump.iter().map(|&d| numbers.of(d).is_some()).collect();
            retain(&mut columns.time_us, &keep);
            retain(&mut columns.value, &keep);
            retain(&mut columns.quality, &keep);
            retain(&mut columns.dump, &keep);
        }
        columns
    }

    /// New readings behind all that is there: the usual case, whole columns at once.
    fn append(&mut self, new: &Columns<'_>) {
        let numbers = self.incoming.numbers;
        let group = &mut self.group;
        group.time_us.extend_from_slice(new.time_us);
        group.value.extend_from_slice(new.value);
        group.quality.extend_from_slice(new.quality);
        let mut from = 0;
        while from < new.dump.len() {
            let local = new.dump[from];
            let run = new.dump[from..].iter().take_while(|&&d| d == local).count();
            let number = numbers.of(local).unwrap_or(u32::MAX);
            group.dump.extend(std::iter::repeat_n(number, run));
            self.counts[local as usize].stored += run as u64;
            from += run;
        }
    }

    /// New readings among those that are there.
    fn interleave(&mut self, new: &Columns<'_>, meter: &Arc<str>, signal: &Arc<str>) {
        let start = self.series_start;
        let at = start + self.group.time_us[start..].partition_point(|&t| t < new.time_us[0]);
        let tail = self.group.split_tail(at);
        let (mut i, mut j) = (0, 0);
        while j < new.time_us.len() {
            let time = new.time_us[j];
            while i < tail.rows() && tail.time_us[i] < time {
                self.group.push(tail.time_us[i], tail.cell(i));
                i += 1;
            }
            let mut current = None;
            if i < tail.rows() && tail.time_us[i] == time {
                current = Some(tail.cell(i));
                i += 1;
            }
            while j < new.time_us.len() && new.time_us[j] == time {
                let number = self.incoming.numbers.of(new.dump[j]).unwrap_or(u32::MAX);
                let cell = (new.value[j], new.quality[j], number);
                let counts = &mut self.counts[new.dump[j] as usize];
                match current {
                    None => {
                        counts.stored += 1;
                        current = Some(cell);
                    }
                    Some(before) if same(before, cell) => counts.duplicate += 1,
                    Some(before) => {
                        counts.conflicting += 1;
                        let keep = self.conflicts.kept.len() < self.most_conflicts;
                        self.conflicts.add(keep, (meter, signal), time, before, cell);
                        current = Some(cell);
                    }
                }
                j += 1;
            }
            if let Some(cell) = current {
                self.group.push(time, cell);
            }
        }
        self.group.append_rows(&tail, i);
    }
}

fn same(before: (f64, u8, u32), after: (f64, u8, u32)) -> bool {
    let values = before.0 == after.0 || (before.0.is_nan() && after.0.is_nan());
    values && before.1 == after.1
}

fn retain<T: Copy>(column: &mut Vec<T>, keep: &[bool]) {
    let mut keep = keep.iter();
    column.retain(|_| keep.next().copied().unwrap_or(false));
}

impl Conflicts {
    fn add(
        &mut self,
        keep: bool,
        (meter, signal): (&Arc<str>, &Arc<str>),
        time_us: i64,
        before: (f64, u8, u32),
        after: (f64, u8, u32),
    ) {
        *self.by_series.entry((meter.clone(), signal.clone())).or_insert(0) += 1;
        if keep {
            let (meter, signal) = (meter.clone(), signal.clone());
            self.kept.push(Conflict { meter, signal, time_us, before, after });
        }
    }

    /// Adds those of another unit.
    pub(crate) fn join(&mut self, other: Conflicts) {
        self.kept.extend(other.kept);
        for (series, n) in other.by_series {
            *self.by_series.entry(series).or_insert(0) += n;
        }
    }
}

/// Columns of a piece, wherever it lies.
struct Columns<'a> {
    time_us: &'a [i64],
    value: &'a [f64],
    quality: &'a [u8],
    dump: &'a [u32],
}

impl<'a> Columns<'a> {
    fn of_day(day: &'a SortedDay, segment: Segment) -> Columns<'a> {
        let part = segment.start..segment.start + segment.rows;
        Columns {
            time_us: &day.time_us[part.clone()],
            value: &day.value[part.clone()],
            quality: &day.quality[part.clone()],
            dump: &day.dump[part],
        }
    }

    fn of_segment(segment: &'a SegmentColumns) -> Columns<'a> {
        Columns {
            time_us: &segment.time_us,
            value: &segment.value,
            quality: &segment.quality,
            dump: &segment.dump,
        }
    }
}

impl Group {
    fn cell(&self, row: usize) -> (f64, u8, u32) {
        (self.value[row], self.quality[row], self.dump[row])
    }

    pub(crate) fn push(&mut self, time_us: i64, cell: (f64, u8, u32)) {
        self.time_us.push(time_us);
        self.value.push(cell.0);
        self.quality.push(cell.1);
        self.dump.push(cell.2);
    }

    /// Room at once, instead of growing by copies.
    fn reserve(&mut self, rows: usize) {
        self.time_us.reserve(rows);
        self.value.reserve(rows);
        self.quality.reserve(rows);
        self.dump.reserve(rows);
    }

    fn append_rows(&mut self, other: &Group, from: usize) {
        self.time_us.extend_from_slice(&other.time_us[from..]);
        self.value.extend_from_slice(&other.value[from..]);
        self.quality.extend_from_slice(&other.quality[from..]);
        self.dump.extend_from_slice(&other.dump[from..]);
    }

    /// Rows from `at` on, without their segments.
    fn split_tail(&mut self, at: usize) -> Group {
        Group {
            segments: Vec::new(),
            time_us: self.time_us.split_off(at),
            value: self.value.split_off(at),
            quality: self.quality.split_off(at),
            dump: self.dump.split_off(at),
        }
    }

    /// The first `at` rows with their segments; a segment that reaches further is cut.
    pub(crate) fn split_front(&mut self, at: usize) -> Group {
        let tail = self.split_tail(at);
        let mut front = std::mem::replace(self, tail);
        let (mut kept, mut rows) = (Vec::new(), 0);
        for segment in std::mem::take(&mut front.segments) {
            let here = segment.rows.min(at - rows);
            rows += here;
            if here > 0 {
                kept.push(GroupSegment { rows: here, ..segment.clone() });
            }
            if here < segment.rows {
                self.segments.push(GroupSegment { rows: segment.rows - here, ..segment });
            }
        }
        front.segments = kept;
        front
    }
}

/// The day file that is there, run by run.
struct Existing {
    reader: Option<DayFileReader>,
    group: Option<DecodedGroup>,
    run: usize,
}

/// Meter and signal of a run.
type RunNames = (Arc<str>, Arc<str>);

impl Existing {
    /// Names of the next run.
    fn peek(&mut self) -> Result<Option<RunNames>, StoreError> {
        loop {
            if let Some(run) = self.group.as_ref().and_then(|group| group.runs.get(self.run)) {
                return Ok(Some((run.meter.clone(), run.signal.clone())));
            }
            let Some(reader) = &mut self.reader else { return Ok(None) };
            self.run = 0;
            self.group = reader.next_group()?;
            if self.group.is_none() {
                self.reader = None;
            }
        }
    }

    /// Appends all runs of a series, which may stand in several groups.
    fn append_series(
        &mut self,
        meter: &Arc<str>,
        signal: &Arc<str>,
        into: &mut Group,
    ) -> Result<(), StoreError> {
        while self.peek()?.is_some_and(|(m, s)| m == *meter && s == *signal) {
            let Some(group) = &self.group else { break };
            let run = &group.runs[self.run];
            into.time_us.extend_from_slice(&group.time_us[run.start..run.end]);
            into.value.extend_from_slice(&group.value[run.start..run.end]);
            into.quality.extend_from_slice(&group.quality[run.start..run.end]);
            into.dump.extend_from_slice(&group.dump[run.start..run.end]);
            self.run += 1;
        }
        Ok(())
    }
}
