//! Parsed pieces, in dump order: lines counted on, folds settled, series named, sink fed.

use super::plan::{FoldReading, Parsed, Plan, Table};
use super::{MAX_WORDS, OTHER_WORDS, WIDE_RUN};
use crate::error::{ImportError, SinkError};
use crate::fold::{self, Around};
use crate::report::{DumpReport, WordCounts};
use crate::schema::HeaderChange;
use crate::settings::Layout;
use crate::source::Summary;
use crate::text::shown;
use metersift_model::{
    Origin, Quality, ReadingBlock, Reject, RejectReason, SeriesId, SeriesTable, TimeUs,
};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Fold readings further apart than this belong to two folds.
const SAME_FOLD_US: i64 = 12 * 3_600_000_000;

/// Readings of one run that wait for their fold to end.
struct Pending {
    before_us: Option<i64>,
    readings: Vec<FoldReading>,
}

/// Takes parsed pieces in dump order.
pub(super) struct Finisher<'f, 'p> {
    plan: &'f Plan<'p>,
    series: &'f mut SeriesTable,
    sink: &'f mut dyn FnMut(ReadingBlock) -> Result<(), SinkError>,
    rejects: &'f mut dyn FnMut(Reject),
    /// Physical lines before the next piece.
    pub(super) line_base: u64,
    /// Slot to series number.
    ids: Vec<Option<SeriesId>>,
    /// Last instant by slot; kept only where the zone has folds.
    last_us: Vec<Option<i64>>,
    /// Last instant of a wide dump.
    last_row_us: Option<i64>,
    pending: BTreeMap<u32, Pending>,
    unknown_cells: BTreeMap<(u64, usize), (String, u64)>,
    /// Line of the header in force, 0 for none.
    header_line: u64,
    /// The table in force behind the last piece.
    pub(super) table: Arc<Table>,
    n_words: usize,
    report: DumpReport,
}

impl<'f, 'p> Finisher<'f, 'p> {
    pub(super) fn new(
        plan: &'f Plan<'p>,
        series: &'f mut SeriesTable,
        sink: &'f mut dyn FnMut(ReadingBlock) -> Result<(), SinkError>,
        rejects: &'f mut dyn FnMut(Reject),
    ) -> Finisher<'f, 'p> {
        let dialect = plan.dialect;
        let table = Table { schema: dialect.schema.clone(), header: Vec::new() };
        Finisher {
            plan,
            series,
            sink,
            rejects,
            line_base: plan.dialect.lines_above_data(),
            ids: Vec::new(),
            last_us: Vec::new(),
            last_row_us: None,
            pending: BTreeMap::new(),
            unknown_cells: BTreeMap::new(),
            header_line: if dialect.header { dialect.skip_lines + 1 } else { 0 },
            table: Arc::new(table),
            n_words: 0,
            report: DumpReport::default(),
        }
    }

    pub(super) fn take(&mut self, mut parsed: Parsed) -> Result<(), ImportError> {
        if let Some(fatal) = parsed.fatal {
            return Err(shift_line(fatal, self.line_base));
        }
        for mut reject in parsed.rejects.drain(..) {
            reject.origin.line += self.line_base;
            (self.rejects)(reject);
        }
        let base = self.line_base as u32;
        parsed.block.line.iter_mut().for_each(|line| *line = line.wrapping_add(base));
        let settled = self.settle_folds(&parsed.block, std::mem::take(&mut parsed.folds));
        self.merge(&parsed);
        self.line_base += parsed.lines;
        self.deliver(parsed.block)?;
        self.deliver(settled)
    }

    /// Adds up what a piece counted.
    fn merge(&mut self, parsed: &Parsed) {
        let (sum, part) = (&mut self.report, &parsed.report);
        sum.rows_in += part.rows_in;
        sum.ignored += part.ignored;
        sum.held_back += part.held_back;
        sum.empty_cells += part.empty_cells;
        sum.blank_lines += part.blank_lines;
        sum.repeated_headers += part.repeated_headers;
        sum.note_lines += part.note_lines;
        sum.bad_values += part.bad_values;
        sum.leap_seconds += part.leap_seconds;
        for (&reason, count) in &part.rejected {
            *sum.rejected.entry(reason).or_default() += count;
        }
        for (tag, count) in &part.out_of_span {
            *sum.out_of_span.entry(tag.clone()).or_default() += count;
        }
        for change in &part.headers {
            sum.note_header(HeaderChange { line: change.line + self.line_base, ..change.clone() });
        }
        sum.changed_headers += part.changed_headers - part.headers.len() as u64;
        for (&(header, column), (name, count)) in &parsed.unknown_cells {
            let line = if header == 0 { self.header_line } else { header + self.line_base };
            let sum = self.unknown_cells.entry((line, column)).or_insert((name.clone(), 0));
            sum.1 += count;
        }
        if parsed.header_line > 0 {
            self.header_line = parsed.header_line + self.line_base;
        }
        if let Some(table) = &parsed.table {
            self.table = Arc::clone(table);
        }
        merge_words(&mut sum.bad_words, &mut self.n_words, &part.bad_words);
    }

    /// Hands a block on, slots turned into series numbers.
    fn deliver(&mut self, mut block: ReadingBlock) -> Result<(), ImportError> {
        if block.is_empty() {
            return Ok(());
        }
        for slot in &mut block.series {
            let place = *slot as usize;
            if self.ids.len() <= place {
                self.ids.resize(place + 1, None);
            }
            let id = match self.ids[place] {
                Some(id) => id,
                None => {
                    let series = self.plan.series(*slot);
                    let series = series.expect("every slot was given out with its series");
                    *self.ids[place].insert(self.series.intern(series))
                }
            };
            *slot = id.0;
        }
        let (mut first, mut last) = (i64::MAX, i64::MIN);
        for &time in &block.time_us {
            first = first.min(time);
            last = last.max(time);
        }
        let report = &mut self.report;
        report.first = Some(report.first.map_or(TimeUs(first), |t| t.min(TimeUs(first))));
        report.last = Some(report.last.map_or(TimeUs(last), |t| t.max(TimeUs(last))));
        let count = |is: fn(Quality) -> bool| -> u64 {
            block.quality.iter().filter(|&&byte| is(Quality(byte))).count() as u64
        };
        let (good, uncertain) = (count(Quality::is_good), count(Quality::is_uncertain));
        report.qualities.good += good;
        report.qualities.uncertain += uncertain;
        report.qualities.bad += block.len() as u64 - good - uncertain;
        report.delivered += block.len() as u64;
        (self.sink)(block).map_err(ImportError::Sink)
    }

    /// Walks a block beside its fold readings; gives the readings whose fold was settled.
    fn settle_folds(&mut self, block: &ReadingBlock, folds: Vec<FoldReading>) -> ReadingBlock {
        let mut settled = ReadingBlock::default();
        if !self.plan.dialect.zone.is_named() {
            return settled;
        }
        let wide = self.plan.dialect.layout == Layout::Wide;
        if folds.is_empty() && self.pending.is_empty() {
            self.remember_all(block, wide);
            return settled;
        }
        let mut folds = folds.into_iter().peekable();
        for idx in 0..=block.len() {
            while let Some(reading) = folds.next_if(|reading| reading.at == idx) {
                self.add_to_fold(reading, &mut settled);
            }
            let Some(&time) = block.time_us.get(idx) else { break };
            let run = if wide { WIDE_RUN } else { block.series[idx] };
            if let Some(pending) = self.pending.remove(&run) {
                self.decide(pending, Some(time), &mut settled);
            }
            self.remember(run, time);
        }
        settled
    }

    fn remember_all(&mut self, block: &ReadingBlock, wide: bool) {
        if wide {
            self.last_row_us = block.time_us.last().copied().or(self.last_row_us);
            return;
        }
        for (&slot, &time) in block.series.iter().zip(&block.time_us) {
            self.remember(slot, time);
        }
    }

    #[inline]
    fn remember(&mut self, run: u32, time_us: i64) {
        if run == WIDE_RUN {
            self.last_row_us = Some(time_us);
            return;
        }
        let place = run as usize;
        if self.last_us.len() <= place {
            self.last_us.resize(place + 1, None);
        }
        self.last_us[place] = Some(time_us);
    }

    fn last_of(&self, run: u32) -> Option<i64> {
        if run == WIDE_RUN {
            return self.last_row_us;
        }
        self.last_us.get(run as usize).copied().flatten()
    }

    fn add_to_fold(&mut self, mut reading: FoldReading, settled: &mut ReadingBlock) {
        reading.line += self.line_base;
        let run = reading.run;
        let other_fold = self.pending.get(&run).is_some_and(|pending| {
            let last = pending.readings.last();
            last.is_some_and(|last| (last.local - reading.local).abs() > SAME_FOLD_US)
        });
        if other_fold && let Some(pending) = self.pending.remove(&run) {
            self.decide(pending, Some(reading.early), settled);
        }
        let before_us = self.last_of(run);
        self.pending
            .entry(run)
            .or_insert_with(|| Pending { before_us, readings: Vec::new() })
            .readings
            .push(reading);
    }

    /// Settles one run, or rejects it.
    fn decide(&mut self, pending: Pending, after_us: Option<i64>, settled: &mut ReadingBlock) {
        let readings = pending.readings;
        let Some(first) = readings.first() else { return };
        // The cells of one wide row are one time.
        let mut rows: Vec<(u64, i64)> = readings.iter().map(|r| (r.line, r.local)).collect();
        rows.dedup_by_key(|row| row.0);
        let local: Vec<i64> = rows.iter().map(|row| row.1).collect();
        let around = Around { before_us: pending.before_us, after_us, early_us: first.early };
        match fold::passes(&local, around) {
            Some(passes) => {
                // A step lies between two lines, so there is a first line of the second pass.
                let second_line = rows.get(passes.n_first).map_or(u64::MAX, |row| row.0);
                for reading in readings {
                    let in_first = reading.line < second_line;
                    let early = in_first != passes.backwards;
                    let time = if early { reading.early } else { reading.late };
                    let line = reading.line as u32;
                    let slot = SeriesId(reading.slot);
                    settled.push(slot, time, reading.value, reading.quality, line);
                    self.remember(reading.run, time);
                }
            }
            None => {
                for reading in readings {
                    self.reject_fold(&reading);
                }
            }
        }
    }

    fn reject_fold(&mut self, reading: &FoldReading) {
        *self.report.rejected.entry(RejectReason::AmbiguousTime).or_default() += 1;
        (self.rejects)(Reject {
            origin: Origin {
                file: self.plan.file.clone(),
                line: reading.line,
                column: reading.column,
                tag: shown(reading.tag.name.as_bytes()),
            },
            reason: RejectReason::AmbiguousTime,
            read: TimeUs(reading.local).to_string().trim_end_matches('Z').into(),
            expected: format!("{} or {}", TimeUs(reading.early), TimeUs(reading.late)),
        });
    }

    pub(super) fn finish(mut self, summary: Option<Summary>) -> Result<DumpReport, ImportError> {
        let mut settled = ReadingBlock::default();
        let mut open: Vec<Pending> = std::mem::take(&mut self.pending).into_values().collect();
        // Slots of patterns depend on which piece was parsed first; lines do not.
        let place = |pending: &Pending| pending.readings.first().map(|r| (r.line, r.column));
        open.sort_by_key(place);
        for pending in open {
            self.decide(pending, None, &mut settled);
        }
        self.deliver(settled)?;
        let dialect = self.plan.dialect;
        for (&(line, column), (name, count)) in &self.unknown_cells {
            let tag = shown(format!("{}{name}", dialect.tag_prefix).as_bytes());
            let file = self.plan.file.clone();
            (self.rejects)(Reject {
                origin: Origin { file, line, column: column as u32 + 1, tag },
                reason: RejectReason::UnknownTag,
                read: shown(name.as_bytes()),
                expected: format!("a tag of the tag table ({count} cells)"),
            });
        }
        if let Some(summary) = summary {
            self.report.hash = summary.hash;
            self.report.unchecked = summary.unchecked;
            self.report.bytes = summary.bytes;
            self.report.text_bytes = summary.text_bytes;
        }
        self.report.lines = self.line_base;
        assert!(self.report.adds_up(), "every row is delivered, rejected, ignored or held back");
        Ok(self.report)
    }
}

fn merge_words(sum: &mut WordCounts, n_words: &mut usize, part: &WordCounts) {
    for (word, tags) in part {
        for (tag, count) in tags {
            let known = sum.get(word).is_some_and(|tags| tags.contains_key(tag));
            *n_words += usize::from(!known);
            let word = if known || *n_words <= MAX_WORDS { word.as_str() } else { OTHER_WORDS };
            *sum.entry(word.into()).or_default().entry(tag.clone()).or_default() += count;
        }
    }
}

/// Errors of a piece count lines within it.
fn shift_line(mut error: ImportError, base: u64) -> ImportError {
    match &mut error {
        ImportError::SecondTable { line, .. } => *line += base,
        ImportError::UnitConflict { at, .. } => at.line += base,
        _ => {}
    }
    error
}
