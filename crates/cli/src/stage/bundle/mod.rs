//! Everything about one meter in one zip archive, for a second opinion: whoever gets it needs a
//! spreadsheet or a notebook and nothing of ours.
//!
//! Holds:  samples (one table per signal), daily features, the verdict with its evidence, the
//!         list entries, the meter's records, the settings, its page, and a hash of each file.
//! Names:  files are named by signals and kinds; no meter or tag name becomes a path.
//! Same:   no clock: the same night gives the same bytes.
//! Disguise: see [`disguise`]; the page and all free text stay at home then.

mod disguise;
mod records;

use crate::exit::Exit;
use crate::message::Message;
use crate::site::Site;
use crate::stage::import::store_message;
use crate::stage::night::{Night, observables_table};
use crate::story;
use disguise::Disguise;
use metersift_model::{ColumnData, Day, Signal, Table, TimeUs};
use metersift_store::Store;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::{Cursor, Write as _};
use std::path::{Path, PathBuf};

/// Parts of the site file that say how a verdict is made.
const SETTINGS: [&str; 3] = ["features", "faults", "rank"];

/// What to pack.
pub struct Wanted<'a> {
    /// The meter.
    pub meter: &'a str,
    /// Days of samples, back from the as-of date.
    pub days: u32,
    /// Whether names and dates are to be changed.
    pub disguise: bool,
    /// Where to; `None` = beside the night's results.
    pub output: Option<PathBuf>,
}

/// Packs the archive and says where it is.
///
/// # Errors
/// No such meter; a damaged store; a place that cannot be written.
pub fn run(
    site: &Site,
    store: &Store,
    night: &Night,
    wanted: &Wanted<'_>,
) -> Result<String, Message> {
    let number = night.records.meters.keys().position(|name| name == wanted.meter);
    let Some(number) = number else {
        return Err(Message::could_not_start("no such meter in the register")
            .at(format!("read `{}`", wanted.meter))
            .hint("the meters stand in records/register.csv"));
    };
    let disguise =
        wanted.disguise.then(|| Disguise::new(wanted.meter, &store.ledger().state_hash()));
    let files = files(site, store, night, wanted, disguise.as_ref())?;
    let bytes = zipped(&files).map_err(|error| Message::new(Exit::Failed, error))?;
    let place = wanted.output.clone().unwrap_or_else(|| {
        let folder = site.out_dir().join(night.as_of.to_string()).join("explain");
        folder.join(format!("{:04}.zip", number + 1))
    });
    write_whole(&place, &bytes)?;
    if let Some(disguise) = &disguise {
        story::say(disguise.key_words(wanted.meter));
    }
    Ok(format!("{}\n", place.display()))
}

/// The files of the archive by name; `hashes.csv` speaks of all others.
fn files(
    site: &Site,
    store: &Store,
    night: &Night,
    wanted: &Wanted<'_>,
    disguise: Option<&Disguise>,
) -> Result<BTreeMap<String, Vec<u8>>, Message> {
    let mut files = BTreeMap::new();
    let dressed = |table: Table| match disguise {
        Some(disguise) => disguise.table(table),
        None => table,
    };
    let csv = |table: Table| -> Result<Vec<u8>, Message> {
        let mut out = Vec::new();
        metersift_report::write_csv(&dressed(table), &mut out, &night.card)
            .map_err(|error| Message::new(Exit::Failed, error))?;
        Ok(out)
    };
    for (name, table) in samples(store, night.as_of, wanted)? {
        files.insert(name, plain_csv(&dressed(table))?);
    }
    let daily = store.read_daily(Day(i32::MIN), night.as_of).map_err(store_message)?;
    let verdicts = metersift_rank::verdicts_table(&night.verdicts, &night.lists);
    let tables = [
        ("features.csv", daily),
        ("verdict.csv", verdicts),
        ("evidence.csv", observables_table(&night.verdicts)),
        ("entries.csv", metersift_rank::lists_table(&night.lists)),
    ];
    for (name, table) in tables {
        files.insert(name.into(), csv(of_meter(table, wanted.meter))?);
    }
    let told = records::table(&night.records, wanted.meter, night.as_of);
    files.insert("records.csv".into(), plain_csv(&dressed(told))?);
    files.insert("settings.toml".into(), settings(site, disguise.is_some()).into_bytes());
    if disguise.is_none() {
        let input = night.report_input(site);
        let page = metersift_report::meter_page(&input, wanted.meter, &[]);
        files.extend(page.map(|page| ("page.html".to_string(), page.into_bytes())));
    }
    let readme = readme(night, wanted, disguise, &files);
    files.insert("README.txt".into(), readme.into_bytes());
    files.insert("hashes.csv".into(), hashes(&files).into_bytes());
    Ok(files)
}

/// One table per signal: `samples/density.csv`. A signal of the site's own has a number for
/// a name, and its name in the table.
fn samples(
    store: &Store,
    as_of: Day,
    wanted: &Wanted<'_>,
) -> Result<BTreeMap<String, Table>, Message> {
    type Rows = (Vec<Option<TimeUs>>, Vec<f64>, Vec<Option<i64>>);
    let mut series: BTreeMap<String, Rows> = BTreeMap::new();
    let bucket = metersift_store::bucket_of(wanted.meter, store.bucket_count());
    let days = i32::try_from(wanted.days).unwrap_or(i32::MAX);
    let first = as_of.0.saturating_sub(days);
    let files = store.day_files();
    let stored = files.iter().filter(|file| file.bucket() == bucket).map(|file| file.day());
    for day in stored.filter(|day| day.0 >= first && *day < as_of) {
        store
            .for_each_run(day, bucket, &mut |run| {
                if run.meter == wanted.meter {
                    let (times, values, qualities) =
                        series.entry(run.signal.to_string()).or_default();
                    times.extend(run.time_us.iter().map(|time| Some(TimeUs(*time))));
                    values.extend(run.value);
                    qualities.extend(run.quality.iter().map(|quality| Some(i64::from(*quality))));
                }
            })
            .map_err(store_message)?;
    }
    let mut others = 0;
    let tables = series.into_iter().map(|(signal, (times, values, qualities))| {
        let unit = Signal::parse(&signal).map_or("", |known| known.unit());
        let name = match signal.starts_with("other:") {
            true => {
                others += 1;
                format!("samples/other_{others}.csv")
            }
            false => format!("samples/{signal}.csv"),
        };
        let rows = times.len();
        let mut table = Table::default();
        table.push("signal", "", ColumnData::Text(vec![Some(signal); rows]));
        table.push("time", "", ColumnData::Time(times));
        table.push("value", unit, ColumnData::Number(values));
        table.push("unit", "", ColumnData::Text(vec![Some(unit.to_string()); rows]));
        table.push("quality", "", ColumnData::Count(qualities));
        (name, table)
    });
    Ok(tables.collect())
}

/// The rows of one meter.
fn of_meter(table: Table, meter: &str) -> Table {
    let Some(names) = table.texts("meter") else { return Table::default() };
    let rows: Vec<usize> = names
        .iter()
        .enumerate()
        .filter(|(_, name)| name.as_deref() == Some(meter))
        .map(|(row, _)| row)
        .collect();
    fn pick<T: Clone>(values: &[T], rows: &[usize]) -> Vec<T> {
        rows.iter().map(|row| values[*row].clone()).collect()
    }
    let mut of = Table::default();
    for column in &table.columns {
        let data = match &column.data {
            ColumnData::Text(v) => ColumnData::Text(pick(v, &rows)),
            ColumnData::Number(v) => ColumnData::Number(pick(v, &rows)),
            ColumnData::Count(v) => ColumnData::Count(pick(v, &rows)),
            ColumnData::Flag(v) => ColumnData::Flag(pick(v, &rows)),
            ColumnData::Day(v) => ColumnData::Day(pick(v, &rows)),
            ColumnData::Time(v) => ColumnData::Time(pick(v, &rows)),
        };
        of.push(&column.name, &column.unit, data);
    }
    of
}

/// A table without the names of the run beside each row: those stand in the README once.
fn plain_csv(table: &Table) -> Result<Vec<u8>, Message> {
    let failed = |error: csv::Error| Message::new(Exit::Failed, error);
    let mut out = csv::Writer::from_writer(Vec::new());
    out.write_record(table.columns.iter().map(|column| column.name.as_str())).map_err(failed)?;
    for row in 0..table.n_rows() {
        let cells = table.columns.iter().map(|column| cell(&column.data, row));
        out.write_record(cells).map_err(failed)?;
    }
    out.into_inner().map_err(|error| Message::new(Exit::Failed, error))
}

fn cell(data: &ColumnData, row: usize) -> String {
    match data {
        ColumnData::Text(v) => {
            metersift_report::neutral(v[row].as_deref().unwrap_or_default()).into_owned()
        }
        ColumnData::Number(v) if v[row].is_finite() => v[row].to_string(),
        ColumnData::Number(_) => String::new(),
        ColumnData::Count(v) => v[row].map_or(String::new(), |value| value.to_string()),
        ColumnData::Flag(v) => v[row].map_or(String::new(), |value| value.to_string()),
        ColumnData::Day(v) => v[row].map_or(String::new(), |value| value.to_string()),
        ColumnData::Time(v) => v[row].map_or(String::new(), |value| value.to_string()),
    }
}

/// The parts of the site file that a verdict depends on, as they stand; what is not there has its
/// default. Sources and names of the site are no part of them, and in disguise no text is.
fn settings(site: &Site, without_text: bool) -> String {
    let text = std::fs::read_to_string(site.dir.join("site.toml")).unwrap_or_default();
    let mut all = text.parse::<toml::Table>().unwrap_or_default();
    all.retain(|key, _| SETTINGS.contains(&key));
    if without_text {
        leave_text_out(&mut all);
    }
    let text = toml::to_string(&all).unwrap_or_default();
    format!("# What the site file sets; every other setting has its default.\n{text}")
}

/// Reasons and remarks of a site name people and places.
fn leave_text_out(table: &mut toml::Table) {
    table.retain(|_, value| !matches!(value, toml::Value::String(_)));
    for (_, value) in table.iter_mut() {
        if let toml::Value::Table(below) = value {
            leave_text_out(below);
        }
    }
}

fn hashes(files: &BTreeMap<String, Vec<u8>>) -> String {
    let mut out = "file,bytes,blake3\n".to_string();
    for (name, bytes) in files {
        let _ = writeln!(out, "{name},{},{}", bytes.len(), blake3::hash(bytes).to_hex());
    }
    out
}

fn readme(
    night: &Night,
    wanted: &Wanted<'_>,
    disguise: Option<&Disguise>,
    files: &BTreeMap<String, Vec<u8>>,
) -> String {
    let card = &night.card;
    let (meter, as_of) = match disguise {
        Some(disguise) => (disguise::METER, disguise.day(night.as_of)),
        None => (wanted.meter, night.as_of),
    };
    let mut out = format!(
        "One meter, for a second opinion\r\n\r\n\
         Meter {meter}, judged as of {as_of} (the first day not looked at).\r\n\
         {}, run {}, configuration {}.\r\n",
        card.program, card.run, card.config_hash
    );
    if disguise.is_some() {
        out.push_str(
            "The meter has another name here and every date is moved by one number of whole\r\n\
             weeks; free text (notes, sentences, names of streams, groups and fluids) is left\r\n\
             out. Weekdays, times of day and spacings are as they were.\r\n",
        );
    }
    out.push_str(
        "\r\nFiles (comma, decimal point, UTF-8; times in UTC; an empty cell is not known):\r\n",
    );
    for name in files.keys() {
        let _ = write!(out, "  {name:<32} {}\r\n", what_it_is(name));
    }
    out.push_str(
        "  hashes.csv                       size and BLAKE3 hash of every file above and this one\r\n\r\n\
         In a spreadsheet: open any of them. In a notebook:\r\n  \
         import pandas as pd\r\n  \
         daily = pd.read_csv(\"features.csv\", parse_dates=[\"day\"])\r\n  \
         daily.plot(x=\"day\", y=\"drive_gain_median_pct\")\r\n\r\n\
         The lists screen; they prove nothing about a single meter. Isolation, draining,\r\n\
         depressurising, hot or toxic contents: local codes, site permits and licensed practice\r\n\
         decide. Stiffness is a mean: neither a quiet list nor a passed check says anything about\r\n\
         the thinnest spot of a wall.\r\n",
    );
    out
}

fn what_it_is(name: &str) -> &'static str {
    match name {
        "features.csv" => "one row per day, one column per feature, each with its count",
        "verdict.csv" => "probabilities, size and time left, one row",
        "evidence.csv" => "what each observable said: change, standard error, weight",
        "entries.csv" => "list entries of this meter, if any",
        "records.csv" => "checks, zeros, changes, alerts, findings, decisions and the register",
        "settings.toml" => "the settings behind features and verdict",
        "page.html" => "the meter's page: pictures on one time axis",
        _ => "samples as they stand in the store, with OPC quality byte",
    }
}

fn zipped(files: &BTreeMap<String, Vec<u8>>) -> Result<Vec<u8>, zip::result::ZipError> {
    let mut writer = zip::ZipWriter::new(Cursor::new(Vec::new()));
    // The default time of the format, so that no clock comes in.
    let options = zip::write::SimpleFileOptions::default()
        .compression_method(zip::CompressionMethod::Deflated)
        .last_modified_time(zip::DateTime::default());
    for (name, bytes) in files {
        writer.start_file(name.as_str(), options)?;
        writer.write_all(bytes)?;
    }
    Ok(writer.finish()?.into_inner())
}

fn write_whole(place: &Path, bytes: &[u8]) -> Result<(), Message> {
    let refused = |error: std::io::Error| {
        Message::new(Exit::Failed, "the archive could not be written")
            .at(format!("at {}: {error}", place.display()))
    };
    let folder = place.parent().filter(|folder| !folder.as_os_str().is_empty());
    let folder = folder.unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder).map_err(refused)?;
    let mut staged = tempfile::NamedTempFile::new_in(folder).map_err(refused)?;
    staged.write_all(bytes).map_err(refused)?;
    staged.persist(place).map_err(|error| refused(error.error))?;
    Ok(())
}
