//! A plain reader, one line after the other: the oracle of the one that cuts a dump in pieces.
//!
//! Shares with it only what has oracles of its own: the grammar of numbers, times, qualities and
//! units. Lines, fields, columns, tags, folds and line numbers are done again here, simply.
//! Knows no header in mid-file, no patterns and no line ends inside quotes.

use jiff::civil::Date;
use metersift_import::clock::{TimeReader, TimeValue};
use metersift_import::settings::Layout;
use metersift_import::{Dialect, encoding, number};
use metersift_model::{Signal, unit};
use std::collections::BTreeMap;

/// Meter, signal, µs, bits of the value, quality, line.
pub type Row = (String, String, i64, u64, u8, u32);

/// What our own reader gave, in the same form and order.
pub fn rows(read: &super::Read) -> Vec<Row> {
    let row = |r: &super::Reading| {
        (r.meter.clone(), r.signal.clone(), r.time_us, r.value.to_bits(), r.quality, r.line)
    };
    let mut rows: Vec<Row> = read.readings.iter().map(row).collect();
    rows.sort();
    rows
}

struct Binding {
    meter: String,
    signal: Signal,
    unit: String,
    from: i64,
    until: i64,
}

/// A reading before its fold is settled.
struct Told {
    time: TimeValue,
    tag: String,
    bits: Option<f64>,
    quality: Option<u8>,
    line: u32,
}

fn lines(text: &str) -> Vec<String> {
    let text = text.replace("\r\n", "\n").replace('\r', "\n");
    let mut lines: Vec<String> = text.split('\n').map(str::to_owned).collect();
    if lines.last().is_some_and(String::is_empty) {
        lines.pop();
    }
    lines
}

/// Fields of a line; `None` when a quote is astray.
fn fields(line: &str, delimiter: char) -> Option<Vec<String>> {
    let mut all = Vec::new();
    let mut rest = line;
    loop {
        let bare = rest.trim_start_matches(' ');
        if let Some(mut inner) = bare.strip_prefix('"') {
            let mut field = String::new();
            loop {
                let (text, after) = inner.split_once('"')?;
                field.push_str(text);
                match after.strip_prefix('"') {
                    Some(more) => {
                        field.push('"');
                        inner = more;
                    }
                    None => {
                        inner = after;
                        break;
                    }
                }
            }
            all.push(field);
            let after = inner.trim_start_matches(' ');
            match after.strip_prefix(delimiter) {
                Some(more) => rest = more,
                None if after.is_empty() => return Some(all),
                None => return None,
            }
        } else {
            match rest.split_once(delimiter) {
                Some((field, more)) => {
                    all.push(field.to_owned());
                    rest = more;
                }
                None => {
                    all.push(rest.to_owned());
                    return Some(all);
                }
            }
        }
    }
}

fn table(text: &str) -> BTreeMap<String, Vec<Binding>> {
    let mut rows = text.lines().filter(|line| !line.trim().is_empty());
    let head: Vec<&str> = rows.next().unwrap_or_default().split(',').collect();
    let mut tags: BTreeMap<String, Vec<Binding>> = BTreeMap::new();
    for row in rows {
        let cells = fields(row, ',').expect("tag table");
        let cell = |name: &str| {
            let place = head.iter().position(|&head| head == name);
            place.and_then(|place| cells.get(place)).cloned().unwrap_or_default()
        };
        let day = |name: &str, open: i64| match cell(name).parse::<Date>() {
            Ok(date) => date.in_tz("UTC").expect("day").timestamp().as_microsecond(),
            Err(_) => open,
        };
        let bindings = tags.entry(cell("tag")).or_default();
        if let Some(signal) = Signal::parse(&cell("signal")) {
            let (from, until) = (day("from", i64::MIN), day("until", i64::MAX));
            bindings.push(Binding {
                meter: cell("meter"),
                signal,
                unit: cell("unit"),
                from,
                until,
            });
        }
    }
    tags
}

pub fn read(bytes: &[u8], dialect: &Dialect, tag_table: &str) -> Vec<Row> {
    let text = encoding::decode_as(bytes, dialect.encoding);
    // Lines that are no text hold this afterwards, and are rejected below.
    let text = String::from_utf8_lossy(&text).into_owned();
    let schema = &dialect.schema;
    let mut reader = TimeReader::new(&dialect.time_format, &dialect.zone);
    let mut runs: BTreeMap<String, Vec<Told>> = BTreeMap::new();
    let above = dialect.lines_above_data() as usize;
    for (idx, line) in lines(&text).iter().enumerate().skip(above) {
        let noted = dialect.notes.iter().any(|start| line.starts_with(start.as_str()));
        if noted || line.contains('\u{fffd}') {
            continue;
        }
        let Some(cells) = fields(line, char::from(dialect.delimiter)) else { continue };
        let n = schema.names.len();
        let blank = |cells: &[String]| cells.iter().all(|cell| cell.trim().is_empty());
        let needed = schema.time.max(schema.date.unwrap_or(0));
        let fits = cells.len() == n
            || (cells.len() > n && blank(&cells[n..]))
            || (cells.len() > needed
                && cells.len() < n
                && schema.names[cells.len()..].iter().all(String::is_empty));
        if blank(&cells) || !fits {
            continue;
        }
        let cell = |column: usize| cells.get(column).map_or("", String::as_str);
        let time = match (schema.date, schema.zone) {
            (date, Some(zone)) => reader.read_zoned(
                date.map(|date| cell(date).as_bytes()),
                cell(schema.time).as_bytes(),
                cell(zone).as_bytes(),
            ),
            (None, None) => reader.read(cell(schema.time).as_bytes()),
            (Some(date), None) => {
                reader.read_pair(cell(date).as_bytes(), cell(schema.time).as_bytes())
            }
        };
        let mut tell = |run: &str, tag: &str, value: &str, quality: Option<usize>| {
            runs.entry(run.to_owned()).or_default().push(Told {
                time,
                tag: format!("{}{}", dialect.tag_prefix, tag.trim_matches([' ', '\t'])),
                bits: number::parse(value.as_bytes(), dialect.numbers),
                quality: quality.map_or(Some(192), |q| dialect.quality.read(cell(q).as_bytes())),
                line: idx as u32 + 1,
            });
        };
        match dialect.layout {
            Layout::Long => {
                let tag = cell(schema.tag.unwrap_or(0));
                tell(tag.trim(), tag, cell(schema.value.unwrap_or(0)), schema.quality);
            }
            Layout::Wide => {
                for &(column, quality) in &schema.cells {
                    if !cell(column).trim().is_empty() {
                        tell("", &schema.names[column], cell(column), quality);
                    }
                }
            }
        }
    }
    let tags = table(tag_table);
    let mut rows: Vec<Row> =
        runs.into_values().flat_map(|run| settle(run, dialect, &tags)).collect();
    rows.sort();
    rows
}

/// One run of times: folds by their one step back, or by their one stand-still.
fn settle(run: Vec<Told>, dialect: &Dialect, tags: &BTreeMap<String, Vec<Binding>>) -> Vec<Row> {
    let mut rows = Vec::new();
    let mut open: Vec<Told> = Vec::new();
    for told in run {
        match told.time {
            TimeValue::Fold { .. } => open.push(told),
            TimeValue::At(at) => {
                close(&mut open, dialect, tags, &mut rows);
                row(&told, at, dialect, tags, &mut rows);
            }
            TimeValue::Bad | TimeValue::Gap => {}
        }
    }
    close(&mut open, dialect, tags, &mut rows);
    rows
}

fn close(
    open: &mut Vec<Told>,
    dialect: &Dialect,
    tags: &BTreeMap<String, Vec<Binding>>,
    rows: &mut Vec<Row>,
) {
    let local = |told: &Told| match told.time {
        TimeValue::Fold { local, .. } => local,
        _ => 0,
    };
    let steps = |is: fn(i64) -> bool| -> Vec<u32> {
        let pairs = open.windows(2).filter(|pair| pair[0].line != pair[1].line);
        pairs
            .filter(|pair| is(local(&pair[1]) - local(&pair[0])))
            .map(|pair| pair[1].line)
            .collect()
    };
    let back = steps(|step| step < 0);
    let breaks = if back.is_empty() { steps(|step| step == 0) } else { back };
    if let [second] = breaks[..] {
        for told in open.iter() {
            if let TimeValue::Fold { early, late, .. } = told.time {
                row(told, if told.line < second { early } else { late }, dialect, tags, rows);
            }
        }
    }
    open.clear();
}

fn row(
    told: &Told,
    at: i64,
    dialect: &Dialect,
    tags: &BTreeMap<String, Vec<Binding>>,
    rows: &mut Vec<Row>,
) {
    let inside = (dialect.earliest_us..=dialect.latest_us).contains(&at);
    let bound =
        tags.get(&told.tag).and_then(|all| all.iter().find(|b| (b.from..b.until).contains(&at)));
    let (Some(bound), Some(quality), true) = (bound, told.quality, inside) else { return };
    let (low, high) = bound.signal.physical_span();
    let wanted = told.bits.filter(|value| !dialect.bad_values.contains(value));
    let stored = wanted
        .map(|value| match unit::conversion(&bound.signal, &bound.unit).expect("unit") {
            unit::Conversion::NONE => value,
            conversion => conversion.apply(value),
        })
        .filter(|value| (low..=high).contains(value));
    let quality = if stored.is_none() { 0 } else { quality };
    let bits = stored.unwrap_or(f64::NAN).to_bits();
    rows.push((bound.meter.clone(), bound.signal.name(), at, bits, quality, told.line));
}
