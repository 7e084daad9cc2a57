//! The first rows, the span of time and the tags of a sample, read with the dialect found.

use super::{Detected, Detection, MAX_TAGS, ParsedRow};
use crate::clock::{TimeReader, TimeValue};
use crate::dialect::Dialect;
use crate::error::ImportError;
use crate::number;
use crate::settings::Layout;
use crate::split::{fields_owned, nth_field};
use crate::text::{shown, trim};
use metersift_model::{Quality, TimeUs};
use std::collections::BTreeSet;

impl Detection<'_> {
    /// The first rows, the span of time and the tags, read with the dialect that was found.
    pub(super) fn finish(
        &mut self,
        dialect: Dialect,
        first_line: u64,
    ) -> Result<Detected, ImportError> {
        let mut reader = TimeReader::new(&dialect.time_format, &dialect.zone);
        let mut rows = Vec::new();
        let mut span: Option<(i64, i64)> = None;
        let mut tags: BTreeSet<Vec<u8>> = BTreeSet::new();
        let (mut n_lines, mut n_times) = (0u64, 0u64);
        for line in self.sample.lines().filter(|l| l.number == 0 || l.number >= first_line) {
            if line.text.iter().all(|&byte| byte == dialect.delimiter || byte == b' ') {
                continue;
            }
            let field = |column| nth_field(&line.text, dialect.delimiter, column);
            let time_cell = field(dialect.time).unwrap_or_default();
            let time = match dialect.date.map(field) {
                None => reader.read(trim(&time_cell)),
                Some(date) => reader.read_pair(trim(&date.unwrap_or_default()), trim(&time_cell)),
            };
            n_lines += 1;
            let at = match time {
                TimeValue::At(at) | TimeValue::Fold { early: at, .. } => Some(at),
                TimeValue::Gap | TimeValue::Bad => None,
            };
            n_times += u64::from(time != TimeValue::Bad);
            if let Some(at) = at {
                let (first, last) = span.unwrap_or((at, at));
                span = Some((first.min(at), last.max(at)));
            }
            if let Some(tag) = dialect.tag.and_then(field)
                && tags.len() < MAX_TAGS
                && !tags.contains(trim(&tag))
            {
                tags.insert(trim(&tag).to_vec());
            }
            if rows.len() < 3 {
                let fields = fields_owned(&line.text, dialect.delimiter).unwrap_or_default();
                let cell = |column: usize| fields.get(column).map_or(&[][..], |cell| trim(cell));
                let n = 3 - rows.len();
                rows.extend(parsed_rows(&dialect, line.number, &cell, at.map(TimeUs), n));
            }
        }
        if n_times * 2 < n_lines {
            let found = format!("{n_times} of {n_lines} times can be read so");
            let set = match (&self.given.time_format, self.given.date_order) {
                (Some(format), _) => ("time_format", format.clone()),
                (None, Some(order)) => ("date_order", order.name().to_owned()),
                (None, None) => ("columns", "time".to_owned()),
            };
            return Err(self.conflict(set.0, set.1, found));
        }
        if dialect.layout == Layout::Wide {
            let cells = dialect.cells.iter().take(MAX_TAGS);
            tags = cells.map(|&(cell, _)| dialect.names[cell].clone().into_bytes()).collect();
        }
        let tags = tags.iter().map(|tag| format!("{}{}", dialect.tag_prefix, shown(tag)));
        let tags = tags.collect();
        Ok(Detected {
            file: self.file.clone(),
            dialect,
            packing: self.sample.packing,
            bytes: self.sample.bytes,
            guesses: std::mem::take(&mut self.guesses),
            rows,
            first: span.map(|(first, _)| TimeUs(first)),
            last: span.map(|(_, last)| TimeUs(last)),
            tags,
            complete: self.sample.complete,
        })
    }
}

fn parsed_rows<'c>(
    dialect: &Dialect,
    line: u64,
    cell: &dyn Fn(usize) -> &'c [u8],
    time: Option<TimeUs>,
    limit: usize,
) -> Vec<ParsedRow> {
    let row = |tag: String, value: usize, quality: Option<usize>| ParsedRow {
        line,
        tag: format!("{}{tag}", dialect.tag_prefix),
        time,
        value: number::parse(cell(value), dialect.numbers).unwrap_or(f64::NAN),
        quality: match quality {
            Some(column) => dialect.quality.read(cell(column)),
            None => Some(Quality::GOOD.0),
        },
    };
    match dialect.layout {
        Layout::Long => {
            let (tag, value) = (dialect.tag.unwrap_or(0), dialect.value.unwrap_or(0));
            vec![row(shown(cell(tag)), value, dialect.quality_column)]
        }
        Layout::Wide => {
            let cells = dialect.cells.iter().filter(|&&(value, _)| !cell(value).is_empty());
            let name = |value: usize| shown(dialect.names[value].as_bytes());
            cells.take(limit).map(|&(value, quality)| row(name(value), value, quality)).collect()
        }
    }
}
