//! Which columns hold times, how they are written, and which order day and month have.

use super::sample::{Sample, SampleLine};
use super::table::Table;
use crate::clock::{TimeFormat, civil_in_any_zone as civil, epoch_us, time_of_day};
use crate::dialect::{EARLIEST_US, LATEST_US};
use crate::error::ImportError;
use crate::schema::TIME_NAMES;
use crate::settings::{DateOrder, Encoding, SourceSettings};
use crate::source::{Piece, Source};
use crate::split::{Lines, nth_field};
use crate::text::{folded_name, shown, trim};
use std::path::Path;

/// Cells that a column is judged by.
const CELLS: usize = 400;
/// Cells of a column of times that may be no times, of ten and at least: a header, units, and
/// a broken row or two.
const STRAY_IN_TEN: usize = 2;
const STRAY_AT_LEAST: usize = 3;

const ORDERS: [DateOrder; 3] = [DateOrder::YearMonthDay, DateOrder::DayMonth, DateOrder::MonthDay];

/// The columns of time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct TimeColumns {
    pub time: usize,
    pub date: Option<usize>,
    /// The rows' zones; only a setting names it.
    pub zone: Option<usize>,
}

/// What a column may be.
#[derive(Clone, Copy, Debug, Default)]
struct Kinds {
    date_time: bool,
    date: bool,
    time_of_day: bool,
    epoch: bool,
}

fn kinds(cells: &[&[u8]], short_years: bool) -> Kinds {
    let stray = (cells.len() * STRAY_IN_TEN / 10).max(STRAY_AT_LEAST);
    let enough = |test: &dyn Fn(&[u8]) -> bool| {
        let n = cells.iter().filter(|cell| test(cell)).count();
        n > 0 && cells.len() - n <= stray
    };
    let read = |cell: &[u8]| ORDERS.iter().find_map(|&order| civil(cell, order, short_years));
    Kinds {
        date_time: enough(&|cell| read(cell).is_some_and(|civil| civil.has_time)),
        date: enough(&|cell| read(cell).is_some_and(|civil| !civil.has_time)),
        time_of_day: enough(&|cell| looks_like_time_of_day(cell)),
        epoch: enough(&|cell| epoch_format(cell).is_some()),
    }
}

/// `18.00` could be a number: a time of day shows a colon or two points.
fn looks_like_time_of_day(cell: &[u8]) -> bool {
    let colons = cell.iter().filter(|&&byte| byte == b':').count();
    let points = cell.iter().filter(|&&byte| byte == b'.').count();
    (colons > 0 || points >= 2) && time_of_day(cell).is_some()
}

/// The epoch whose unit puts the number between 1990 and 2100; at most one does.
fn epoch_format(cell: &[u8]) -> Option<TimeFormat> {
    [TimeFormat::EpochS, TimeFormat::EpochMs, TimeFormat::EpochUs, TimeFormat::EpochNs]
        .into_iter()
        .find(|format| {
            epoch_us(cell, format).is_some_and(|at| (EARLIEST_US..=LATEST_US).contains(&at))
        })
}

/// The columns of time in a table, or `None`; `names` are hints where several would do.
pub(super) fn find_columns(
    table: &Table,
    names: &[String],
    given: &SourceSettings,
) -> Option<TimeColumns> {
    let short_years = given.date_order.is_some();
    let n = table.n_columns;
    let column = |column: usize| kinds(&table.cells(column, CELLS), short_years);
    let kinds: Vec<Kinds> = (0..n).map(column).collect();
    let hinted = |column: usize| {
        names.get(column).is_some_and(|name| TIME_NAMES.contains(&folded_name(name).as_str()))
    };
    let pick = |test: &dyn Fn(&Kinds) -> bool| {
        let fit: Vec<usize> = (0..n).filter(|&column| test(&kinds[column])).collect();
        fit.iter().copied().find(|&column| hinted(column)).or(fit.first().copied())
    };
    if let Some(time) = pick(&|kinds| kinds.date_time) {
        return Some(TimeColumns { time, date: None, zone: None });
    }
    let date = pick(&|kinds| kinds.date);
    let time = pick(&|kinds| kinds.time_of_day);
    match (date, time) {
        (Some(date), Some(time)) => Some(TimeColumns { time, date: Some(date), zone: None }),
        (Some(date), None) => Some(TimeColumns { time: date, date: None, zone: None }),
        _ => pick(&|kinds| kinds.epoch).map(|time| TimeColumns { time, date: None, zone: None }),
    }
}

/// Whether a column holds times or dates.
pub(super) fn has_times(table: &Table, column: usize, given: &SourceSettings) -> bool {
    let kinds = kinds(&table.cells(column, CELLS), given.date_order.is_some());
    kinds.date_time || kinds.date || kinds.epoch
}

/// A date whose year has two digits, in a table that has no other.
pub(super) fn short_year(table: &Table) -> Option<(u64, Vec<u8>)> {
    let fits = |&column: &usize| {
        let kinds = kinds(&table.cells(column, CELLS), true);
        kinds.date_time || kinds.date
    };
    let column = (0..table.n_columns).find(fits)?;
    let is_date = |cell: &[u8]| ORDERS.iter().any(|&order| civil(cell, order, true).is_some());
    table.find(column, &is_date).map(|(line, cell)| (line, cell.to_vec()))
}

/// Whether one cell is a time, or the date of one.
pub(super) fn is_time(cell: &[u8], given: &SourceSettings) -> bool {
    let kinds = kinds(&[cell], given.date_order.is_some());
    kinds.date_time || kinds.date || kinds.epoch
}

/// The format and why.
#[derive(Debug)]
pub(super) struct TimeChoice {
    pub format: TimeFormat,
    pub reason: String,
    pub runner_up: Option<String>,
}

/// Where the cells of dates are found again when the whole file must be asked.
#[derive(Clone, Copy)]
pub(super) struct Place<'p> {
    pub path: &'p Path,
    pub file: &'p str,
    pub encoding: Encoding,
    pub delimiter: u8,
    pub sample: &'p Sample,
    /// First line that is data.
    pub first_line: u64,
    /// Line of the next header, past which columns may stand elsewhere.
    pub until_line: u64,
}

impl Place<'_> {
    /// Lines of the table.
    fn lines(&self) -> impl Iterator<Item = &SampleLine> {
        let (first, until) = (self.first_line, self.until_line);
        self.sample.lines().filter(move |line| match line.number {
            0 => until == u64::MAX,
            number => (first..until).contains(&number),
        })
    }
}

/// Evidence for the order of day and month.
#[derive(Debug, Default)]
struct OrderProof {
    n: u64,
    year_first: u64,
    day_first: u64,
    month_first: u64,
    only_day_first: Option<(u64, Vec<u8>)>,
    only_month_first: Option<(u64, Vec<u8>)>,
    either: Option<(u64, Vec<u8>)>,
    /// Dates whose year has two digits.
    short_years: u64,
    /// First and last instant, read day first and month first.
    spans: [Option<(i64, i64)>; 2],
}

impl OrderProof {
    fn see(&mut self, line: u64, cell: &[u8], short_years: bool) {
        let read = |order| civil(cell, order, short_years).map(|civil| civil.local_us);
        self.n += 1;
        let long = ORDERS.iter().any(|&order| civil(cell, order, false).is_some());
        self.short_years += u64::from(!long && ORDERS.iter().any(|&order| read(order).is_some()));
        if read(DateOrder::YearMonthDay).is_some() {
            self.year_first += 1;
            return;
        }
        let (day, month) = (read(DateOrder::DayMonth), read(DateOrder::MonthDay));
        self.day_first += u64::from(day.is_some());
        self.month_first += u64::from(month.is_some());
        for (span, time) in self.spans.iter_mut().zip([day, month]) {
            if let Some(time) = time {
                let (first, last) = span.unwrap_or((time, time));
                *span = Some((first.min(time), last.max(time)));
            }
        }
        let keep = |place: &mut Option<(u64, Vec<u8>)>| {
            place.get_or_insert_with(|| (line, cell.to_vec()));
        };
        match (day, month) {
            (Some(_), None) => keep(&mut self.only_day_first),
            (None, Some(_)) => keep(&mut self.only_month_first),
            (Some(day), Some(month)) if day != month => keep(&mut self.either),
            _ => {}
        }
    }

    fn is_proven(&self) -> bool {
        self.only_day_first.is_some() || self.only_month_first.is_some()
    }

    fn span_text(&self, idx: usize) -> String {
        let text = |us| metersift_model::TimeUs(us).to_string().trim_end_matches('Z').to_owned();
        self.spans[idx].map_or_else(String::new, |(a, b)| format!("{} to {}", text(a), text(b)))
    }
}

/// How the times of the chosen columns are written.
pub(super) fn find_format(
    place: Place<'_>,
    columns: TimeColumns,
    given: &SourceSettings,
) -> Result<TimeChoice, ImportError> {
    if let Some(text) = &given.time_format {
        let format = parse_format(text, given)?;
        if !matches!(format, TimeFormat::Civil { .. }) {
            return Ok(TimeChoice { format, reason: "as set".into(), runner_up: None });
        }
    }
    let date_column = columns.date.unwrap_or(columns.time);
    let short_years = given.date_order.is_some();
    let mut proof = OrderProof::default();
    let mut epochs = 0u64;
    for line in place.lines() {
        let Some(cell) = nth_field(&line.text, place.delimiter, date_column) else { continue };
        let cell = trim(&cell);
        if cell.is_empty() {
            continue;
        }
        epochs += u64::from(epoch_format(cell).is_some());
        proof.see(line.number, cell, short_years);
    }
    let n_dates = proof.year_first + proof.day_first.max(proof.month_first);
    if given.time_format.is_none() && epochs > n_dates {
        return epoch_choice(place, date_column);
    }
    choose_order(place, date_column, proof, given)
}

/// The value of `time_format`.
pub(super) fn parse_format(text: &str, given: &SourceSettings) -> Result<TimeFormat, ImportError> {
    Ok(match text {
        "iso" => TimeFormat::ISO,
        "epoch_s" => TimeFormat::EpochS,
        "epoch_ms" => TimeFormat::EpochMs,
        "epoch_us" => TimeFormat::EpochUs,
        "epoch_ns" => TimeFormat::EpochNs,
        "spreadsheet_days" => TimeFormat::SpreadsheetDays,
        pattern if pattern.contains('%') => TimeFormat::Pattern(pattern.into()),
        other => {
            return Err(ImportError::Setting {
                source_name: given.name.clone(),
                setting: "time_format",
                read: shown(other.as_bytes()),
                expected: "iso, epoch_s, epoch_ms, epoch_us, epoch_ns, spreadsheet_days or a \
                           pattern with % signs"
                    .into(),
            });
        }
    })
}

fn epoch_choice(place: Place<'_>, column: usize) -> Result<TimeChoice, ImportError> {
    let mut found: Vec<(TimeFormat, u64)> = Vec::new();
    for line in place.lines() {
        let cell = nth_field(&line.text, place.delimiter, column);
        let Some(format) = cell.and_then(|cell| epoch_format(&cell)) else { continue };
        match found.iter_mut().find(|(known, _)| *known == format) {
            Some((_, n)) => *n += 1,
            None => found.push((format, 1)),
        }
    }
    found.sort_by_key(|&(_, n)| std::cmp::Reverse(n));
    let runner_up = found.get(1).map(|(format, n)| format!("{} ({n} cells)", format.name()));
    let Some((format, n)) = found.into_iter().next() else {
        return Err(no_time(place, "no cell is a time"));
    };
    let reason = format!("{n} numbers lie between 1990 and 2100 in this unit only");
    Ok(TimeChoice { format, reason, runner_up })
}

fn no_time(place: Place<'_>, why: &str) -> ImportError {
    ImportError::NoTime { file: place.file.into(), line: 0, why: why.into() }
}

fn choose_order(
    place: Place<'_>,
    column: usize,
    mut proof: OrderProof,
    given: &SourceSettings,
) -> Result<TimeChoice, ImportError> {
    let short_years = proof.short_years > 0;
    let civil_format = |order| TimeFormat::Civil { order, short_years };
    if let Some(order) = given.date_order {
        check_given(place, order, &proof)?;
        return Ok(TimeChoice {
            format: civil_format(order),
            reason: "as set".into(),
            runner_up: None,
        });
    }
    let iso_set = given.time_format.is_some();
    if iso_set || proof.year_first >= proof.day_first.max(proof.month_first) {
        if iso_set {
            check_given(place, DateOrder::YearMonthDay, &proof)?;
        }
        let reason = format!("{} of {} dates start with the year", proof.year_first, proof.n);
        return Ok(TimeChoice { format: TimeFormat::ISO, reason, runner_up: None });
    }
    if !proof.is_proven() && proof.either.is_some() && !place.sample.complete {
        ask_whole_file(place, column, &mut proof)?;
    }
    match (&proof.only_day_first, &proof.only_month_first) {
        (Some(day), Some(month)) => Err(ImportError::MixedDateOrder {
            file: place.file.into(),
            day_line: day.0,
            day_read: shown(&day.1),
            month_line: month.0,
            month_read: shown(&month.1),
        }),
        (Some((_, cell)), None) => Ok(proven(DateOrder::DayMonth, cell, &proof, 1)),
        (None, Some((_, cell))) => Ok(proven(DateOrder::MonthDay, cell, &proof, 0)),
        (None, None) => match &proof.either {
            Some((line, cell)) => Err(ImportError::AmbiguousDates {
                file: place.file.into(),
                line: *line,
                read: shown(cell),
                day_first: proof.span_text(0),
                month_first: proof.span_text(1),
            }),
            None => Ok(TimeChoice {
                format: civil_format(DateOrder::DayMonth),
                reason: "months are names, or day and month are always equal".into(),
                runner_up: None,
            }),
        },
    }
}

fn proven(order: DateOrder, cell: &[u8], proof: &OrderProof, other: usize) -> TimeChoice {
    TimeChoice {
        format: TimeFormat::Civil { order, short_years: false },
        reason: format!("`{}` exists in no other order", shown(cell)),
        runner_up: Some(format!("the other order would span {}", proof.span_text(other))),
    }
}

/// A given order must read the dates at least as well as any other.
fn check_given(place: Place<'_>, order: DateOrder, proof: &OrderProof) -> Result<(), ImportError> {
    let counts = [
        (DateOrder::YearMonthDay, proof.year_first, None),
        (DateOrder::DayMonth, proof.day_first, proof.only_day_first.as_ref()),
        (DateOrder::MonthDay, proof.month_first, proof.only_month_first.as_ref()),
    ];
    let own = counts.iter().find(|count| count.0 == order).map_or(0, |count| count.1);
    // Dates that start with the year are read in any order, because nothing else they could be.
    let own = if order == DateOrder::YearMonthDay { own } else { own + proof.year_first };
    let better = counts.iter().find(|count| count.1 > own);
    let Some((found, n, example)) = better else { return Ok(()) };
    let example =
        example.map_or_else(String::new, |(_, cell)| format!(", such as `{}`", shown(cell)));
    Err(ImportError::Conflict {
        file: place.file.into(),
        line: 0,
        setting: "date_order",
        given: order.name().into(),
        found: format!("{}: it reads {n} of {} dates{example}", found.name(), proof.n),
    })
}

/// Goes through all of the file until a date exists in one order only.
fn ask_whole_file(
    place: Place<'_>,
    column: usize,
    proof: &mut OrderProof,
) -> Result<(), ImportError> {
    let mut source = Source::open(place.path, place.encoding)?;
    let mut number = 0;
    let mut buffer = Vec::new();
    while let Some(piece) = source.next_piece(std::mem::take(&mut buffer))? {
        let Piece::Text(text) = piece else {
            number += 1;
            continue;
        };
        for line in Lines::new(&text) {
            number += 1;
            if !(place.first_line..place.until_line).contains(&number) {
                continue;
            }
            let mut fields = line.split(|&byte| byte == place.delimiter);
            if let Some(cell) = fields.nth(column) {
                let cell = trim(cell).strip_prefix(b"\"").unwrap_or(cell);
                proof.see(number, cell.strip_suffix(b"\"").unwrap_or(cell), false);
            }
            if proof.is_proven() {
                return Ok(());
            }
        }
        buffer = text;
    }
    Ok(())
}
