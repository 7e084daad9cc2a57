//! A real workbook: one sheet per decision, `not judged` and `about`.
//!
//! The first row of each list tells the counts of the night and the list's own budget line.
//!
//! Text is stored as text (never a formula), numbers as numbers with a format that shows what
//! they are worth. The creation date is the as-of date, so that the same lists give the same
//! bytes.

use crate::card::RunCard;
use crate::error::ReportError;
use crate::page::format::{
    budget_words, counts_sentence, pretty_unit, record_words, settled_words,
};
use crate::since::{Since, words};
use metersift_model::watch_list::{WatchListEntry, WatchLists};
use metersift_model::{Day, ListKind};
use rust_xlsxwriter::{DocProperties, ExcelDateTime, Format, FormatAlign, Workbook, Worksheet};
use std::io::Write;

/// A cell holds at most 32,767 characters; text beyond is cut with a mark.
const LONGEST_TEXT: usize = 32_000;

/// Writes the workbook of one night.
///
/// # Errors
/// When the workbook cannot be made or `out` refuses.
pub fn write_xlsx<W: Write>(
    lists: &WatchLists,
    since: Option<&Since>,
    site: &str,
    mut out: W,
    card: &RunCard,
) -> Result<(), ReportError> {
    let bytes =
        workbook(lists, since, site, card).map_err(|source| ReportError::Workbook { source })?;
    out.write_all(&bytes)
        .and_then(|()| out.flush())
        .map_err(|source| ReportError::Write { output: "workbook", source })
}

type Xlsx<T> = Result<T, rust_xlsxwriter::XlsxError>;

fn workbook(
    lists: &WatchLists,
    since: Option<&Since>,
    site: &str,
    card: &RunCard,
) -> Xlsx<Vec<u8>> {
    let mut workbook = Workbook::new();
    let created = creation_date(card.as_of)?;
    let properties = DocProperties::new()
        .set_title(format!("{site}: watch-lists, as of {}", card.as_of))
        .set_author(&card.program)
        .set_comment(format!("run {}, configuration {}", card.run, card.config_hash))
        .set_creation_datetime(&created);
    workbook.set_properties(&properties);
    let look = Look::new();
    for list in ListKind::ALL {
        list_sheet(workbook.add_worksheet(), list, lists, since, &look)?;
    }
    not_judged_sheet(workbook.add_worksheet(), lists, &look)?;
    about_sheet(workbook.add_worksheet(), lists, site, card, &look)?;
    workbook.save_to_buffer()
}

/// The as-of date. Made from year, month and day: a date made from a serial number is written
/// as a date of year 0, which strict readers refuse.
fn creation_date(day: Day) -> Xlsx<ExcelDateTime> {
    let date = day.civil();
    let year = u16::try_from(date.year()).unwrap_or(0).clamp(1900, 9999);
    ExcelDateTime::from_ymd(year, date.month().unsigned_abs(), date.day().unsigned_abs())
}

struct Look {
    head: Format,
    text: Format,
    probability: Format,
    number: Format,
    whole: Format,
}

impl Look {
    fn new() -> Look {
        let top = || Format::new().set_align(FormatAlign::Top);
        Look {
            head: top()
                .set_bold()
                .set_text_wrap()
                .set_border_bottom(rust_xlsxwriter::FormatBorder::Thin),
            text: top().set_text_wrap(),
            probability: top().set_num_format("0%"),
            number: top().set_num_format("0.0##"),
            whole: top().set_num_format("0"),
        }
    }
}

/// What one column of a list sheet holds.
enum Cell {
    Text(String),
    Probability(f64),
    Number(f64),
    Whole(f64),
    Empty,
}

/// Heading and width in characters of each column of a list sheet.
const COLUMNS: [(&str, f64); 21] = [
    ("rank", 6.0),
    ("meter", 14.0),
    ("service", 14.0),
    ("mode", 16.0),
    ("probability", 11.0),
    ("severity", 10.0),
    ("low (10 %)", 10.0),
    ("high (90 %)", 10.0),
    ("unit", 9.0),
    ("days left", 9.0),
    ("at the earliest (10 %)", 11.0),
    ("at the latest (90 %)", 11.0),
    ("cost of waiting", 11.0),
    ("in", 9.0),
    ("change", 9.0),
    ("NE 107", 8.0),
    ("evidence", 60.0),
    ("next step", 50.0),
    ("what would settle it", 40.0),
    ("cautions", 60.0),
    ("changed because of", 40.0),
];

/// First row with entries: the counts stand in the first line, the headings in the second.
const FIRST_ROW: u32 = 2;

fn list_sheet(
    sheet: &mut Worksheet,
    list: ListKind,
    lists: &WatchLists,
    since: Option<&Since>,
    look: &Look,
) -> Xlsx<()> {
    sheet.set_name(list.words())?;
    header(sheet, lists, &budget(lists, list), &COLUMNS, look)?;
    let entries = lists.of(list);
    let mut row = FIRST_ROW;
    for entry in entries {
        let changed = since.map_or(String::new(), |since| words(since, lists, entry));
        let cells = cells(entry).into_iter().chain([Cell::Text(changed)]);
        for (column, cell) in cells.enumerate() {
            put(sheet, row, column as u16, cell, look)?;
        }
        row += 1;
    }
    if row > FIRST_ROW {
        sheet.autofilter(FIRST_ROW - 1, 0, row - 1, COLUMNS.len() as u16 - 1)?;
    }
    Ok(())
}

fn header(
    sheet: &mut Worksheet,
    lists: &WatchLists,
    budget: &str,
    columns: &[(&str, f64)],
    look: &Look,
) -> Xlsx<()> {
    let counts = counts_sentence(&lists.counts);
    let line = format!(
        "As of {}: {counts}. Probabilities {}.{budget}",
        lists.as_of,
        calibration(lists.calibrated)
    );
    sheet.write_string(0, 0, line)?;
    for (index, (name, width)) in columns.iter().enumerate() {
        let column = index as u16;
        sheet.set_column_width(column, *width)?;
        sheet.write_string_with_format(FIRST_ROW - 1, column, *name, &look.head)?;
    }
    sheet.set_freeze_panes(FIRST_ROW, 0)?;
    sheet.set_landscape().set_print_fit_to_pages(1, 0).set_repeat_rows(0, FIRST_ROW - 1)?;
    Ok(())
}

/// The budget line of a list: it stands in the first row, so that no sheet travels without it.
fn budget(lists: &WatchLists, list: ListKind) -> String {
    match lists.of(list).count() {
        0 => " No entry.".into(),
        n => format!(
            " {n} listed, expected to be false: {}. {}.",
            budget_words(lists, list),
            settled_words(&lists.record)
        ),
    }
}

fn cells(entry: &WatchListEntry) -> [Cell; 20] {
    let text = |text: &str| Cell::Text(text.into());
    let size = entry.severity.as_ref().map(|severity| severity.size);
    let days = entry.days_left;
    let number = |value: Option<f64>| finite(value).map_or(Cell::Empty, Cell::Number);
    let whole = |value: Option<f64>| finite(value).map_or(Cell::Empty, Cell::Whole);
    // Beyond the horizon is not unknown: it is said in words.
    let beyond = |value: Option<f64>| match value {
        Some(f64::INFINITY) => Cell::Text("beyond a year".into()),
        other => whole(other),
    };
    let mode = match entry.probability {
        Some(_) => entry.mode.words().to_string(),
        None => "measured".to_string(),
    };
    [
        Cell::Whole(f64::from(entry.rank)),
        text(&name(entry)),
        text(&entry.service),
        Cell::Text(mode),
        finite(entry.probability).map_or(Cell::Empty, Cell::Probability),
        number(size.map(|size| size.mid)),
        number(size.map(|size| size.low)),
        number(size.map(|size| size.high)),
        entry.severity.as_ref().map_or(Cell::Empty, |s| Cell::Text(pretty_unit(&s.unit).into())),
        beyond(days.map(|days| days.mid)),
        whole(days.map(|days| days.low)),
        beyond(days.map(|days| days.high)),
        number(Some(entry.expected_cost)),
        text(entry.cost_unit),
        text(entry.change.name()),
        Cell::Text(entry.ne107.to_string()),
        text(&entry.evidence),
        text(&entry.next_step),
        text(&entry.settles),
        Cell::Text(entry.cautions.join(" ")),
    ]
}

fn finite(value: Option<f64>) -> Option<f64> {
    value.filter(|value| value.is_finite())
}

fn name(entry: &WatchListEntry) -> String {
    match entry.group_members.as_slice() {
        [] => entry.meter.clone(),
        members => format!("stream {}: {}", entry.meter, members.join(", ")),
    }
}

fn put(sheet: &mut Worksheet, row: u32, column: u16, cell: Cell, look: &Look) -> Xlsx<()> {
    match cell {
        Cell::Text(text) => {
            sheet.write_string_with_format(row, column, short(&text), &look.text)?;
        }
        Cell::Probability(value) => {
            sheet.write_number_with_format(row, column, value, &look.probability)?;
        }
        Cell::Number(value) => {
            sheet.write_number_with_format(row, column, value, &look.number)?;
        }
        Cell::Whole(value) => {
            sheet.write_number_with_format(row, column, value, &look.whole)?;
        }
        Cell::Empty => {}
    }
    Ok(())
}

/// Text that fits a cell. Control characters are written as the format's own escapes and come
/// back exactly; the two that XML forbids altogether become the replacement character.
fn short(text: &str) -> String {
    let legal = |c: char| if matches!(c, '\u{FFFE}' | '\u{FFFF}') { '\u{FFFD}' } else { c };
    let mut kept: String = text.chars().take(LONGEST_TEXT).map(legal).collect();
    if kept.chars().count() < text.chars().count() {
        kept.push_str(" [cut]");
    }
    kept
}

fn not_judged_sheet(sheet: &mut Worksheet, lists: &WatchLists, look: &Look) -> Xlsx<()> {
    sheet.set_name("Not judged")?;
    header(sheet, lists, "", &[("meter", 16.0), ("reason", 100.0)], look)?;
    for (index, (meter, reason)) in lists.not_judged.iter().enumerate() {
        let row = index as u32 + FIRST_ROW;
        put(sheet, row, 0, Cell::Text(meter.clone()), look)?;
        put(sheet, row, 1, Cell::Text(reason.clone()), look)?;
    }
    Ok(())
}

fn about_sheet(
    sheet: &mut Worksheet,
    lists: &WatchLists,
    site: &str,
    card: &RunCard,
    look: &Look,
) -> Xlsx<()> {
    sheet.set_name("About")?;
    header(sheet, lists, "", &[("what", 30.0), ("value", 100.0)], look)?;
    let mut lines: Vec<(String, String)> = vec![("site".into(), site.into())];
    lines.extend(card.lines().map(|(name, value)| (name.to_string(), value)));
    for list in ListKind::ALL {
        let line = match lists.of(list).count() {
            0 => "no entry".into(),
            1 => format!("1 entry, expected to be false: {}", budget_words(lists, list)),
            n => format!("{n} entries, expected to be false: {}", budget_words(lists, list)),
        };
        lines.push((list.words().into(), line));
    }
    lines.push(("own record".into(), record_words(&lists.record)));
    lines.push((
        "screening".into(),
        "The lists screen; they prove nothing about a single meter. Local codes, site permits \
         and licensed practice decide about any work on a line."
            .into(),
    ));
    for (index, (what, value)) in lines.into_iter().enumerate() {
        let row = index as u32 + FIRST_ROW;
        put(sheet, row, 0, Cell::Text(what), look)?;
        put(sheet, row, 1, Cell::Text(value), look)?;
    }
    Ok(())
}

/// What stands beside probabilities until findings of the site exist.
pub(crate) fn calibration(calibrated: bool) -> &'static str {
    if calibrated { "calibrated on this site's findings" } else { "not calibrated on this site" }
}
