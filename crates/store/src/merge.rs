//! Merging what an import brought for one unit with what is there.
//!
//! Why:    both sides are sorted, so a day of any size is merged with one row group of it in
//!         memory.
//! Rule:   key = (meter, signal, time). Of several tellings that of the latest dump stands, within
//!         one dump the later line; a telling with the value and quality that stand is a
//!         duplicate, another one conflicting. A dump's place is that of its first import: read
//!         again, it changes nothing, or puts back what was lost. Two NaN are the same value.
//! Out:    row groups in order, with every telling; counts per dump; conflicts as they are found.
//! Also:   without anything new and with some dumps left out, the same merge gives a day without
//!         a dump, or as it was known before some of them came.

use crate::buffer::{Segment, SortedDay};
use crate::conflicts::{Conflict, ConflictSink};
use crate::day_file::{GROUP_ROWS, Group, GroupSegment, MOST_GROUP_ROWS};
use crate::day_reader::{DayFileReader, DecodedGroup};
use crate::error::StoreError;
use crate::incoming::{Incoming, Source};
use crate::ledger::RowCounts;
use crate::spill::SegmentColumns;
use crate::tellings::{TellingsReader, Told, standing};
use std::sync::Arc;

/// Whether the tellings of a dump count.
pub(crate) type Keep<'a> = &'a (dyn Fn(u32) -> bool + Sync);

/// What became of the readings of one dump in one unit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Counts {
    pub rows: RowCounts,
    /// Tellings that the store did not hold, whatever became of them.
    pub new: u64,
}

/// Merges one unit, group by group.
pub(crate) struct UnitMerge<'a> {
    incoming: &'a Incoming<'a>,
    next_piece: usize,
    existing: Existing,
    /// Dumps whose tellings count; all when `None`.
    keep: Option<Keep<'a>>,
    group: Group,
    /// Where the series that is being merged begins in `group`.
    series_start: usize,
    finished: bool,
    /// Counts by local dump number.
    pub counts: Vec<Counts>,
    /// Whether a reading that stands differs from the day file that is there.
    pub samples_changed: bool,
    /// Rows that went with the dumps that do not count.
    pub removed: u64,
    /// Rows that stand otherwise without them.
    pub restored: u64,
    conflicts: &'a mut ConflictSink,
    scratch: Vec<Told>,
}

impl<'a> UnitMerge<'a> {
    pub(crate) fn new(
        incoming: &'a Incoming<'a>,
        existing: Existing,
        keep: Option<Keep<'a>>,
        conflicts: &'a mut ConflictSink,
    ) -> Self {
        UnitMerge {
            incoming,
            next_piece: 0,
            existing,
            keep,
            group: Group::default(),
            series_start: 0,
            finished: false,
            counts: vec![Counts::default(); incoming.numbers.ledger.len()],
            samples_changed: false,
            removed: 0,
            restored: 0,
            conflicts,
            scratch: Vec::new(),
        }
    }

    /// Whether anything was told that the store does not hold.
    pub(crate) fn told_new(&self) -> bool {
        self.counts.iter().any(|counts| counts.new > 0)
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
            if let Some(keep) = self.keep {
                self.leave_out(keep);
            }
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

    /// Takes the tellings of dumps that do not count out of the series just appended.
    fn leave_out(&mut self, keep: Keep<'_>) {
        let start = self.series_start;
        let first = self.group.told.first_of(start);
        if self.group.told.dump[first..].iter().all(|&dump| keep(dump)) {
            return;
        }
        let tail = self.group.split_tail(start);
        let mut cursor = Cursor::default();
        let mut told = std::mem::take(&mut self.scratch);
        for row in 0..tail.rows() {
            cursor.take(&tail, row, &mut told);
            let before = tail.cell(row);
            told.retain(|one| keep(one.dump));
            match standing(&told) {
                None => {
                    self.removed += 1;
                    self.samples_changed = true;
                }
                Some(stands) => {
                    let other = !before.is_bit_equal(stands);
                    self.restored += u64::from(other);
                    self.samples_changed |= other;
                    self.group.push(tail.time_us[row], &told, stands);
                }
            }
        }
        self.scratch = told;
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
            return Ok(());
        }
        self.interleave(&columns, meter, signal)
    }

    fn without_aborted(&self, mut columns: SegmentColumns) -> SegmentColumns {
        let numbers = self.incoming.numbers;
        if numbers.any_aborted() {
            let keep: Vec<bool> = columns.dump.iter().map(|&d| numbers.of(d).is_some()).collect();
            retain(&mut columns.time_us, &keep);
            retain(&mut columns.value, &keep);
            retain(&mut columns.quality, &keep);
            retain(&mut columns.dump, &keep);
            retain(&mut columns.line, &keep);
        }
        columns
    }

    /// New readings behind all that is there: the usual case, whole columns at once.
    fn append(&mut self, new: &Columns<'_>) {
        let numbers = self.incoming.numbers;
        let group = &mut self.group;
        group.make_room(new.time_us.len());
        let first_row = group.rows() as u32;
        let rows = new.time_us.len() as u32;
        group.time_us.extend_from_slice(new.time_us);
        group.value.extend_from_slice(new.value);
        group.quality.extend_from_slice(new.quality);
        group.told.row.extend(first_row..first_row + rows);
        group.told.line.extend_from_slice(new.line);
        let mut from = 0;
        while from < new.dump.len() {
            let local = new.dump[from];
            let run = new.dump[from..].iter().take_while(|&&d| d == local).count();
            let number = numbers.of(local).unwrap_or(u32::MAX);
            group.told.dump.extend(std::iter::repeat_n(number, run));
            let counts = &mut self.counts[local as usize];
            counts.rows.stored += run as u64;
            counts.new += run as u64;
            from += run;
        }
        self.samples_changed = true;
    }

    /// New readings among those that are there.
    fn interleave(
        &mut self,
        new: &Columns<'_>,
        meter: &Arc<str>,
        signal: &Arc<str>,
    ) -> Result<(), StoreError> {
        let start = self.series_start;
        let at = start + self.group.time_us[start..].partition_point(|&t| t < new.time_us[0]);
        let tail = self.group.split_tail(at);
        let mut cursor = Cursor::default();
        let mut told = std::mem::take(&mut self.scratch);
        let (mut i, mut j) = (0, 0);
        while j < new.time_us.len() {
            let time = new.time_us[j];
            while i < tail.rows() && tail.time_us[i] < time {
                cursor.take(&tail, i, &mut told);
                self.group.push(tail.time_us[i], &told, &tail.cell(i));
                i += 1;
            }
            told.clear();
            let mut before = None;
            if i < tail.rows() && tail.time_us[i] == time {
                cursor.take(&tail, i, &mut told);
                before = Some(tail.cell(i));
                i += 1;
            }
            while j < new.time_us.len() && new.time_us[j] == time {
                let number = self.incoming.numbers.of(new.dump[j]).unwrap_or(u32::MAX);
                let (value, quality, line) = (new.value[j], new.quality[j], new.line[j]);
                let one = Told { dump: number, line, value, quality };
                self.tell(&mut told, one, new.dump[j] as usize, (meter, signal, time))?;
                j += 1;
            }
            if let Some(stands) = standing(&told).copied() {
                self.samples_changed |= before.is_none_or(|before| !before.is_bit_equal(&stands));
                self.group.push(time, &told, &stands);
            }
        }
        self.scratch = told;
        self.group.append_rows(&tail, i);
        Ok(())
    }

    /// One telling more about one key.
    fn tell(
        &mut self,
        told: &mut Vec<Told>,
        one: Told,
        local: usize,
        (meter, signal, time_us): (&Arc<str>, &Arc<str>, i64),
    ) -> Result<(), StoreError> {
        let counts = &mut self.counts[local];
        let Some(before) = standing(told).copied() else {
            counts.rows.stored += 1;
            counts.new += 1;
            told.push(one);
            return Ok(());
        };
        if self.incoming.numbers.is_known(local) {
            let same_line = |held: &Told| {
                held.dump == one.dump && (held.line == one.line || held.line == 0 || one.line == 0)
            };
            if told.iter().any(|held| same_line(held) && held.is_bit_equal(&one)) {
                counts.rows.duplicate += 1;
                return Ok(());
            }
            // The same line read otherwise than last time, for instance with another unit.
            let misread =
                |held: &&mut Told| held.dump == one.dump && held.line == one.line && one.line != 0;
            match told.iter_mut().find(misread) {
                Some(held) => *held = one,
                None => insert(told, one),
            }
        } else {
            insert(told, one);
        }
        counts.new += 1;
        if one.says(&before) {
            counts.rows.duplicate += 1;
            return Ok(());
        }
        counts.rows.conflicting += 1;
        let after = standing(told).copied().unwrap_or(one);
        // A dump that came late to its place loses against the later one.
        let (before, after) = if after.says(&before) { (one, before) } else { (before, one) };
        let (meter, signal) = (meter.clone(), signal.clone());
        self.conflicts.add(Conflict { meter, signal, time_us, before, after })
    }
}

/// Behind the tellings of earlier dumps and of its own.
fn insert(told: &mut Vec<Told>, one: Told) {
    let at = told.partition_point(|held| held.dump <= one.dump);
    told.insert(at, one);
}

fn retain<T: Copy>(column: &mut Vec<T>, keep: &[bool]) {
    let mut keep = keep.iter();
    column.retain(|_| keep.next().copied().unwrap_or(false));
}

/// Walks the tellings of a group row by row.
#[derive(Default)]
struct Cursor {
    next: usize,
    next_other: usize,
}

impl Cursor {
    /// The tellings of `row`; rows must be asked for in order.
    fn take(&mut self, group: &Group, row: usize, into: &mut Vec<Told>) {
        into.clear();
        let told = &group.told;
        while self.next < told.len() && told.row[self.next] as usize == row {
            let at = self.next;
            let mut one = Told { dump: told.dump[at], line: told.line[at], ..group.cell(row) };
            if let Some(&(place, value, quality)) = told.other.get(self.next_other)
                && place as usize == at
            {
                (one.value, one.quality) = (value, quality);
                self.next_other += 1;
            }
            into.push(one);
            self.next += 1;
        }
    }
}

/// Columns of a piece, wherever it lies.
struct Columns<'a> {
    time_us: &'a [i64],
    value: &'a [f64],
    quality: &'a [u8],
    dump: &'a [u32],
    line: &'a [u32],
}

impl<'a> Columns<'a> {
    fn of_day(day: &'a SortedDay, segment: Segment) -> Columns<'a> {
        let part = segment.start..segment.start + segment.rows;
        Columns {
            time_us: &day.time_us[part.clone()],
            value: &day.value[part.clone()],
            quality: &day.quality[part.clone()],
            dump: &day.dump[part.clone()],
            line: &day.line[part],
        }
    }

    fn of_segment(segment: &'a SegmentColumns) -> Columns<'a> {
        Columns {
            time_us: &segment.time_us,
            value: &segment.value,
            quality: &segment.quality,
            dump: &segment.dump,
            line: &segment.line,
        }
    }
}

impl Group {
    /// What stands in a row; its dump and line are not known here.
    fn cell(&self, row: usize) -> Told {
        Told { dump: 0, line: 0, value: self.value[row], quality: self.quality[row] }
    }

    fn push(&mut self, time_us: i64, told: &[Told], stands: &Told) {
        self.told.push_row(self.time_us.len(), told, stands);
        self.time_us.push(time_us);
        self.value.push(stands.value);
        self.quality.push(stands.quality);
    }

    /// Room for so many rows more in a group that is full already: its last series goes beyond
    /// what was reserved, and doubling for that would hold twice the memory.
    fn make_room(&mut self, rows: usize) {
        let capacity = self.time_us.capacity();
        if capacity >= GROUP_ROWS && self.rows() + rows > capacity {
            let more = rows.max(capacity / 8);
            self.time_us.reserve_exact(more);
            self.value.reserve_exact(more);
            self.quality.reserve_exact(more);
            self.told.reserve_exact(more);
        }
    }

    /// Room at once, instead of growing by copies.
    fn reserve(&mut self, rows: usize) {
        self.time_us.reserve(rows);
        self.value.reserve(rows);
        self.quality.reserve(rows);
        self.told.reserve(rows);
    }

    fn append_rows(&mut self, other: &Group, from: usize) {
        let base = (self.rows() as u32).wrapping_sub(from as u32);
        self.told.append(&other.told, other.told.first_of(from), base);
        self.time_us.extend_from_slice(&other.time_us[from..]);
        self.value.extend_from_slice(&other.value[from..]);
        self.quality.extend_from_slice(&other.quality[from..]);
    }

    /// Rows from `at` on, without their segments.
    fn split_tail(&mut self, at: usize) -> Group {
        Group {
            segments: Vec::new(),
            time_us: self.time_us.split_off(at),
            value: self.value.split_off(at),
            quality: self.quality.split_off(at),
            told: self.told.split_tail(at),
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

    /// Appends a whole group; a series that goes on is one segment.
    pub(crate) fn join(&mut self, mut next: Group) {
        if self.rows() == 0 {
            *self = next;
            return;
        }
        self.append_rows(&next, 0);
        for segment in next.segments.drain(..) {
            match self.segments.last_mut() {
                Some(last) if (&last.meter, &last.signal) == (&segment.meter, &segment.signal) => {
                    last.rows += segment.rows;
                }
                _ => self.segments.push(segment),
            }
        }
    }
}

/// What is there of a unit, run by run.
#[derive(Default)]
pub(crate) struct Existing {
    source: Option<(DayFileReader, TellingsReader)>,
    group: Option<DecodedGroup>,
    run: usize,
}

/// Meter and signal of a run.
type RunNames = (Arc<str>, Arc<str>);

impl Existing {
    pub(crate) fn new(days: DayFileReader, tellings: TellingsReader) -> Existing {
        Existing { source: Some((days, tellings)), ..Existing::default() }
    }

    /// Names of the next run.
    fn peek(&mut self) -> Result<Option<RunNames>, StoreError> {
        loop {
            if let Some(run) = self.group.as_ref().and_then(|group| group.runs.get(self.run)) {
                return Ok(Some((run.meter.clone(), run.signal.clone())));
            }
            let Some((reader, _)) = &mut self.source else { return Ok(None) };
            self.run = 0;
            self.group = reader.next_group()?;
            if self.group.is_none() {
                self.source = None;
            }
        }
    }

    /// All series of one meter, those of other meters passed over.
    pub(crate) fn meter(mut self, wanted: &str) -> Result<Group, StoreError> {
        let mut all = Group::default();
        while let Some((meter, signal)) = self.peek()? {
            if *meter != *wanted {
                self.run += 1;
                continue;
            }
            let before = all.rows();
            self.append_series(&meter, &signal, &mut all)?;
            let rows = all.rows() - before;
            all.segments.push(GroupSegment { meter, signal, rows });
        }
        Ok(all)
    }

    /// Appends all runs of a series, which may stand in several groups.
    fn append_series(
        &mut self,
        meter: &Arc<str>,
        signal: &Arc<str>,
        into: &mut Group,
    ) -> Result<(), StoreError> {
        while self.peek()?.is_some_and(|(m, s)| m == *meter && s == *signal) {
            let (Some(group), Some((_, tellings))) = (&self.group, &mut self.source) else { break };
            let run = &group.runs[self.run];
            let from = group.first_row + run.start as u64;
            into.make_room(run.end - run.start);
            tellings.take((group, run.start, run.end), from, into.rows(), &mut into.told)?;
            into.time_us.extend_from_slice(&group.time_us[run.start..run.end]);
            into.value.extend_from_slice(&group.value[run.start..run.end]);
            into.quality.extend_from_slice(&group.quality[run.start..run.end]);
            self.run += 1;
        }
        Ok(())
    }
}

impl Group {
    /// Whether each row is what its tellings give.
    pub(crate) fn stands(&self) -> bool {
        let mut cursor = Cursor::default();
        let mut told = Vec::new();
        (0..self.rows()).all(|row| {
            cursor.take(self, row, &mut told);
            standing(&told).is_some_and(|stands| stands.is_bit_equal(&self.cell(row)))
        })
    }

    /// Dump and line of the telling that each row stands on.
    pub(crate) fn origins(&self) -> (Vec<u32>, Vec<u32>) {
        let mut cursor = Cursor::default();
        let (mut dump, mut line) = (Vec::new(), Vec::new());
        let mut told = Vec::new();
        for row in 0..self.rows() {
            cursor.take(self, row, &mut told);
            let stands = standing(&told);
            dump.push(stands.map_or(0, |one| one.dump));
            line.push(stands.map_or(0, |one| one.line));
        }
        (dump, line)
    }
}
