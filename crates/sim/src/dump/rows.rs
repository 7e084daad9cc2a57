//! Rows and their times as each source writes them.

use super::page::{Lane, PageError};
use super::*;

pub(super) fn wide_cell(cells: &mut Vec<u8>, lane: &Lane, sample: &Sample, with_quality: bool) {
    let comma = if with_quality { b',' } else { b'.' };
    match sample.state {
        State::NoData => cells.extend_from_slice(b"No Data"),
        State::Bad if !with_quality => cells.extend_from_slice(b"Bad"),
        _ => number(cells, lane, sample.value, comma),
    }
    if with_quality {
        cells.push(b';');
        cells.extend_from_slice(match sample.state {
            State::Good | State::Override => b"good".as_slice(),
            State::Uncertain => b"uncertain",
            State::Bad | State::NoData => b"bad",
        });
    }
}

pub(super) fn number(text: &mut Vec<u8>, lane: &Lane, value: f64, mark: u8) {
    // A density in another unit keeps its digits.
    let more = if lane.slot == DENSITY && value.abs() < 20.0 { 3 } else { 0 };
    fixed(text, value * lane.scale, lane.decimals + more, mark);
}

pub(super) fn utc_row(text: &mut Vec<u8>, stamps: &mut Stamps, lane: &Lane, sample: &Sample) {
    text.extend_from_slice(lane.tag_at(sample.ms).as_bytes());
    text.push(b',');
    stamps.iso(text, sample.ms);
    text.push(b',');
    match sample.state {
        State::NoData => text.extend_from_slice(b"No Data"),
        _ => number(text, lane, sample.value, b'.'),
    }
    text.extend_from_slice(match sample.state {
        State::Good => b",192\n".as_slice(),
        State::Uncertain => b",84\n",
        State::Bad => b",12\n",
        State::NoData => b",24\n",
        State::Override => b",216\n",
    });
}

pub(super) fn local_row(text: &mut Vec<u8>, stamps: &mut Stamps, lane: &Lane, sample: &Sample) {
    text.extend_from_slice(lane.tag.as_bytes());
    text.push(b';');
    stamps.local(text, sample.ms);
    text.push(b';');
    match sample.state {
        State::NoData => text.extend_from_slice(b"No Data"),
        State::Bad => text.extend_from_slice(b"Bad"),
        _ => number(text, lane, sample.value, b','),
    }
    text.extend_from_slice(match sample.state {
        State::Good => b";OK\r\n".as_slice(),
        State::Override => b";OK\r\n",
        State::Uncertain => b";DOUBT\r\n",
        State::Bad | State::NoData => b";BAD\r\n",
    });
}

/// The only characters beyond ASCII here are Latin-1, whose bytes are the code points.
pub(super) fn windows_1252(text: &mut Vec<u8>, unit: &str) {
    text.extend(unit.chars().map(|c| u8::try_from(u32::from(c)).unwrap_or(b'?')));
}

/// Writes times; the text of the day is made once per day.
pub(super) struct Stamps {
    pub(super) start: Day,
    pub(super) offsets: Vec<(i64, i64)>,
    pub(super) day: i64,
    pub(super) date: Vec<u8>,
}

impl Stamps {
    pub(super) fn new(start: Day, job: &FileJob, local: bool) -> Result<Stamps, PageError> {
        let offsets = if local {
            offsets(start, job.from_ms, job.until_ms).map_err(PageError::Sim)?
        } else {
            vec![(i64::MIN, 0)]
        };
        Ok(Stamps { start, offsets, day: i64::MIN, date: Vec::new() })
    }

    pub(super) fn turn_to(&mut self, day: i64, day_first: bool) {
        if day == self.day {
            return;
        }
        self.day = day;
        self.date.clear();
        let date = self.start.plus(day as i32).civil();
        let parts = (date.year().max(0) as u64, date.month() as u64, date.day() as u64);
        if day_first {
            padded(&mut self.date, parts.2, 2);
            self.date.push(b'/');
            padded(&mut self.date, parts.1, 2);
            self.date.push(b'/');
            padded(&mut self.date, parts.0, 4);
        } else {
            padded(&mut self.date, parts.0, 4);
            self.date.push(b'-');
            padded(&mut self.date, parts.1, 2);
            self.date.push(b'-');
            padded(&mut self.date, parts.2, 2);
        }
    }

    pub(super) fn iso(&mut self, text: &mut Vec<u8>, ms: i64) {
        self.turn_to(ms.div_euclid(MS_PER_DAY), false);
        let of_day = ms.rem_euclid(MS_PER_DAY) as u64;
        text.extend_from_slice(&self.date);
        text.push(b'T');
        clock(text, of_day / 1000);
        if !of_day.is_multiple_of(1000) {
            text.push(b'.');
            padded(text, of_day % 1000, 3);
        }
        text.push(b'Z');
    }

    /// `dd/mm/yyyy;HH:MM:SS` of the local clock.
    pub(super) fn local(&mut self, text: &mut Vec<u8>, ms: i64) {
        let after = self.offsets.partition_point(|&(from, _)| from <= ms);
        let ms = ms + self.offsets[after - 1].1;
        self.turn_to(ms.div_euclid(MS_PER_DAY), true);
        text.extend_from_slice(&self.date);
        text.push(b';');
        clock(text, ms.rem_euclid(MS_PER_DAY) as u64 / 1000);
    }

    pub(super) fn wide_time(&mut self, text: &mut Vec<u8>, ms: i64, day_first: bool) {
        self.turn_to(ms.div_euclid(MS_PER_DAY), day_first);
        text.extend_from_slice(&self.date);
        text.push(b' ');
        clock(text, ms.rem_euclid(MS_PER_DAY) as u64 / 1000);
    }
}
