//! The first rows, the span of time and the tags of a sample, read with the dialect found.

use super::cost::Seen;
use super::{Detected, Detection, MAX_TAGS, ParsedRow};
use crate::clock::{TimeReader, TimeValue};
use crate::dialect::Dialect;
use crate::error::ImportError;
use crate::number;
use crate::read::looks_like_one;
use crate::schema::{HeaderChange, Schema, numbered};
use crate::settings::Layout;
use crate::split::{fields_owned, nth_field};
use crate::text::{shown, trim};
use metersift_model::{Quality, TimeUs};
use std::collections::{BTreeMap, BTreeSet};

/// Rows that are shown.
const ROWS_SHOWN: usize = 3;

/// What is found on the way.
struct Preview<'p> {
    dialect: &'p Dialect,
    /// Which column is what, up to the next header.
    schema: Schema,
    rows: Vec<ParsedRow>,
    span: Option<(i64, i64)>,
    tags: BTreeSet<String>,
    units: BTreeMap<String, String>,
    headers: Vec<HeaderChange>,
    seen: Seen,
    n_lines: u64,
    n_times: u64,
}

impl Detection<'_> {
    /// The first rows, the span of time and the tags, read with the dialect that was found.
    pub(super) fn finish(
        &mut self,
        dialect: Dialect,
        first_line: u64,
    ) -> Result<Detected, ImportError> {
        let mut reader = TimeReader::new(&dialect.time_format, &dialect.zone);
        let mut preview = Preview::new(&dialect);
        for line in self.sample.lines().filter(|l| l.number == 0 || l.number >= first_line) {
            if line.text.iter().all(|&byte| byte == dialect.delimiter || byte == b' ') {
                continue;
            }
            // A stray quote or a remark says nothing about the columns.
            if fields_owned(&line.text, dialect.delimiter).map_or(0, |fields| fields.len()) < 2 {
                continue;
            }
            let time = preview.time(&mut reader, &line.text);
            if time == TimeValue::Bad {
                // Past another header the columns of a block are not known.
                if line.number == 0 && self.until_line != u64::MAX {
                    continue;
                }
                if dialect.header && line.number > 0 && self.takes(&mut preview, line)? {
                    continue;
                }
            }
            preview.row(line.number, &line.text, time);
        }
        if preview.n_times * 2 < preview.n_lines {
            let found = format!("{} of {} times can be read so", preview.n_times, preview.n_lines);
            let (setting, set) = match (&self.given.time_format, self.given.date_order) {
                (Some(format), _) => ("time_format", format.clone()),
                (None, Some(order)) => ("date_order", order.name().to_owned()),
                (None, None) => {
                    let file = self.file.clone();
                    return Err(ImportError::NoTime { file, line: first_line, why: found });
                }
            };
            return Err(self.conflict(first_line, setting, set, found));
        }
        let cost = preview.seen.cost(self.sample, &dialect);
        let Preview { rows, span, tags, units, headers, .. } = preview;
        Ok(Detected {
            file: self.file.clone(),
            dialect,
            packing: self.sample.packing,
            bytes: self.sample.bytes,
            guesses: std::mem::take(&mut self.guesses),
            rows,
            first: span.map(|(first, _)| TimeUs(first)),
            last: span.map(|(_, last)| TimeUs(last)),
            tags: tags.into_iter().collect(),
            complete: self.sample.complete,
            units,
            qualities: std::mem::take(&mut self.qualities),
            headers,
            cost,
        })
    }

    /// Takes a header in mid-file over; false when the line is none.
    fn takes(
        &self,
        preview: &mut Preview<'_>,
        line: &super::SampleLine,
    ) -> Result<bool, ImportError> {
        let dialect = preview.dialect;
        let fields = fields_owned(&line.text, dialect.delimiter).unwrap_or_default();
        if !looks_like_one(&preview.schema, fields.iter().map(|field| trim(field))) {
            return Ok(false);
        }
        let names = fields.iter().map(|f| String::from_utf8_lossy(trim(f)).into_owned());
        let mut names: Vec<String> = names.collect();
        if dialect.number_duplicates {
            names = numbered(names);
        }
        let under = preview.schema.under(names, dialect.layout);
        let schema = under.map_err(|why| ImportError::SecondTable {
            file: self.file.clone(),
            line: line.number,
            old: shown(preview.schema.names.join(", ").as_bytes()),
            new: shown(&line.text),
            why,
        })?;
        if schema.names != preview.schema.names {
            preview.headers.push(preview.schema.change_to(&schema.names, line.number));
            preview.schema = schema;
            preview.name_cells();
        }
        Ok(true)
    }
}

impl<'p> Preview<'p> {
    fn new(dialect: &'p Dialect) -> Preview<'p> {
        let mut preview = Preview {
            dialect,
            schema: dialect.schema.clone(),
            rows: Vec::new(),
            span: None,
            tags: BTreeSet::new(),
            units: BTreeMap::new(),
            headers: Vec::new(),
            seen: Seen::default(),
            n_lines: 0,
            n_times: 0,
        };
        preview.name_cells();
        preview
    }

    /// The tags of a wide table, with their units.
    fn name_cells(&mut self) {
        if self.dialect.layout != Layout::Wide {
            return;
        }
        for &(column, _) in self.schema.cells.iter().take(MAX_TAGS) {
            let tag = self.tag(self.schema.names[column].as_bytes());
            if let Some(unit) = self.schema.units.get(column).filter(|unit| !unit.is_empty()) {
                self.units.insert(tag.clone(), unit.clone());
            }
            self.tags.insert(tag);
        }
    }

    fn tag(&self, name: &[u8]) -> String {
        format!("{}{}", self.dialect.tag_prefix, shown(name))
    }

    fn time(&self, reader: &mut TimeReader<'_>, line: &[u8]) -> TimeValue {
        let field = |column| nth_field(line, self.dialect.delimiter, column).unwrap_or_default();
        let time = field(self.schema.time);
        match self.schema.date {
            date if self.schema.zone.is_some() => {
                let zone = self.schema.zone.map(field).unwrap_or_default();
                reader.read_zoned(date.map(field).as_deref(), trim(&time), &zone)
            }
            None => reader.read(trim(&time)),
            Some(date) => reader.read_pair(trim(&field(date)), trim(&time)),
        }
    }

    fn row(&mut self, number: u64, line: &[u8], time: TimeValue) {
        self.n_lines += 1;
        self.n_times += u64::from(time != TimeValue::Bad);
        let at = match time {
            TimeValue::At(at) | TimeValue::Fold { early: at, .. } => Some(at),
            TimeValue::Gap | TimeValue::Bad => None,
        };
        if let Some(at) = at {
            let (first, last) = self.span.unwrap_or((at, at));
            self.span = Some((first.min(at), last.max(at)));
            let full = match self.dialect.layout {
                Layout::Long => 1,
                Layout::Wide => self.full_cells(line),
            };
            self.seen.see(at, full);
        }
        self.note_tag(line);
        if self.rows.len() < ROWS_SHOWN {
            let fields = fields_owned(line, self.dialect.delimiter).unwrap_or_default();
            let cell = |column: usize| fields.get(column).map_or(&[][..], |cell| trim(cell));
            let rows = self.parsed_rows(number, &cell, at.map(TimeUs));
            self.rows.extend(rows);
        }
    }

    fn full_cells(&self, line: &[u8]) -> u64 {
        let fields = fields_owned(line, self.dialect.delimiter).unwrap_or_default();
        let full = |column: usize| fields.get(column).is_some_and(|cell| !trim(cell).is_empty());
        self.schema.cells.iter().filter(|&&(column, _)| full(column)).count() as u64
    }

    fn note_tag(&mut self, line: &[u8]) {
        let field = |column| nth_field(line, self.dialect.delimiter, column).unwrap_or_default();
        let Some(tag) = self.schema.tag.map(field) else { return };
        let tag = self.tag(trim(&tag));
        if self.tags.len() >= MAX_TAGS || self.tags.contains(&tag) {
            return;
        }
        if let Some(unit) = self.schema.unit.map(field) {
            self.units.insert(tag.clone(), shown(trim(&unit)));
        }
        self.tags.insert(tag);
    }

    fn parsed_rows<'c>(
        &self,
        line: u64,
        cell: &dyn Fn(usize) -> &'c [u8],
        time: Option<TimeUs>,
    ) -> Vec<ParsedRow> {
        let dialect = self.dialect;
        let row = |tag: String, value: usize, quality: Option<usize>| ParsedRow {
            line,
            tag,
            time,
            value: number::parse(cell(value), dialect.numbers).unwrap_or(f64::NAN),
            quality: match quality {
                Some(column) => dialect.quality.read(cell(column)),
                None => Some(Quality::GOOD.0),
            },
        };
        match dialect.layout {
            Layout::Long => {
                let (tag, value) = (self.schema.tag.unwrap_or(0), self.schema.value.unwrap_or(0));
                vec![row(self.tag(cell(tag)), value, self.schema.quality)]
            }
            Layout::Wide => {
                let cells = self.schema.cells.iter().filter(|&&(value, _)| !cell(value).is_empty());
                let name = |value: usize| self.tag(self.schema.names[value].as_bytes());
                let left = ROWS_SHOWN - self.rows.len();
                cells.take(left).map(|&(value, quality)| row(name(value), value, quality)).collect()
            }
        }
    }
}
