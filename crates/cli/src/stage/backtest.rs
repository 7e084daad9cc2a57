//! The last half of the night at many past dates, scored.

use crate::exit::Exit;
use crate::message::Message;
use crate::pipeline::{parse_day, parse_step};
use crate::site::Site;
use crate::stage::import::store_message;
use crate::stage::{features, kept, night};
use crate::story::{self, say};
use metersift_backtest::{ASSUMED_DAYS_BEFORE_FINDING, BacktestError, Known, Scores, Seen};
use metersift_model::{Day, Records, Table, TimeUs};
use metersift_store::Store;

mod figures;

/// Span of a back-test, as texts.
pub struct Span<'a> {
    /// First as-of date, or days back; default half a year back.
    pub from: Option<&'a str>,
    /// Last as-of date; default the day after the newest sample.
    pub to: Option<&'a str>,
    /// Step.
    pub every: &'a str,
    /// Judge each date by what had arrived that morning.
    pub as_known: bool,
}

/// A night is judged on what had arrived by the middle of its day: exports of the day before come
/// in after midnight.
const MORNING_HOURS: i64 = 12;

/// Replays, scores, writes `out/backtest/` and returns the figures as text.
pub fn run(site: &Site, span: &Span<'_>) -> Result<String, Message> {
    let stage = story::stage("backtest");
    let store = Store::read(&site.store_dir()).map_err(store_message)?;
    let (records, _) = night::read_records(site)?;
    let latest = night::latest_as_of(&store)?;
    let to = span.to.map_or(Ok(latest), |text| parse_day(text, latest))?;
    let from = parse_day(span.from.unwrap_or("-182d"), to)?;
    let dates = metersift_backtest::Span { from, to, every_days: parse_step(span.every)? };
    let rank = &site.file.rank;
    let nights = if span.as_known {
        let mut then = |as_of| {
            seen_as_known(site, &store, &records, as_of)
                .map_err(|what| BacktestError::Fleet { as_of, what })
        };
        metersift_backtest::replay(&mut then, &records, rank, dates)
    } else {
        let daily = night::read_daily(&store, to)?;
        let now = Seen::new(night::fleet(site, &daily, &records)?, &daily, &records);
        metersift_backtest::replay(&mut |_| Ok(now.clone()), &records, rank, dates)
    }
    .map_err(Message::could_not_start)?;
    let (known, source) = known(site, &records, latest)?;
    if known.is_empty() {
        say("no findings are recorded: what was right and what was false cannot be known");
    }
    let scores = metersift_backtest::score(&nights, &known);
    let by_night = metersift_backtest::nights_table(&nights, &known, &[]);
    let verdicts = concatenate(nights.into_iter().map(|night| night.verdicts));
    let folder = site.out_dir().join("backtest");
    let about = kept::metadata(&scores, (from, to), span.every, source);
    write(&folder, &verdicts, &by_night, &scores, &about).map_err(|error| {
        Message::new(Exit::Failed, "results could not be written")
            .at(format!("in {}: {error}", folder.display()))
    })?;
    stage.done(format!(
        "{} nights from {from} to {to}, scored against {source}, written to {}",
        scores.nights,
        site.shown(&folder)
    ));
    let mut text = figures::text(&scores);
    if source == FINDINGS {
        text.push_str(&unknowable(&known));
    }
    Ok(text)
}

/// Fleet and rivals as the samples stood on the morning of a date. Records carry no time of arrival: they
/// count from the day they speak of.
fn seen_as_known<'a>(
    site: &Site,
    store: &Store,
    records: &'a Records,
    as_of: Day,
) -> Result<Seen<'a>, String> {
    let arrived_before = TimeUs(as_of.start().0 + MORNING_HOURS * 3_600_000_000);
    let all = (Day(i32::MIN), as_of);
    let columns = night::daily_columns();
    let daily = features::daily_as_known(site, store, records, all, &columns, arrived_before)
        .map_err(|message| message.to_string())?;
    if daily.n_rows() == 0 {
        say(format!("as of {as_of}: no dump had arrived by then, so no meter is judged"));
    }
    let fleet = night::fleet(site, &daily, records).map_err(|message| message.to_string())?;
    Ok(Seen::new(fleet, &daily, records))
}

const FINDINGS: &str = "findings";

/// What findings cannot tell, said beside the figures that they make.
fn unknowable(known: &[Known]) -> String {
    let good = known.iter().filter(|one| one.mode.is_none()).count();
    format!(
        "\nfindings: {} faults and {good} meters found good. What cannot be known from them:\n\
         - meters never opened count as without a fault, so precision is a lower bound and what \
         was missed there stays unknown\n\
         - when a fault began: it is taken to have been there {ASSUMED_DAYS_BEFORE_FINDING} days \
         before it was found; delays say no more than that\n\
         - when it reached its limit: no lead before the limit and no coverage of the days left\n\
         - meters are opened because something was seen, so the share of faults among the opened \
         is not that of the fleet\n",
        known.len() - good
    )
}

/// A fictional site knows its truth; a real one knows its findings.
fn known(
    site: &Site,
    records: &Records,
    latest: Day,
) -> Result<(Vec<Known>, &'static str), Message> {
    if !site.dir.join("truth/truth.csv").exists() {
        return Ok((metersift_backtest::from_findings(records), FINDINGS));
    }
    let truth = metersift_sim::read_truth(&site.dir)
        .map_err(|error| Message::could_not_start("the truth cannot be read").at(error))?;
    let known = truth.meters.into_values().map(|meter| known_of(meter, latest)).collect();
    Ok((known, "the truth of a fictional site"))
}

fn write(
    folder: &std::path::Path,
    verdicts: &Table,
    by_night: &Table,
    scores: &Scores,
    about: &metersift_store::TableMetadata,
) -> std::io::Result<()> {
    use metersift_backtest::{calibration_table, entries_table, methods_table, services_table};
    std::fs::create_dir_all(folder)?;
    let none = metersift_store::TableMetadata::default();
    let file = |name: &str| folder.join(format!("{name}.parquet"));
    let put_with = |name: &str, table: &Table, metadata| {
        metersift_store::write_table(&file(name), table, metadata)
            .map_err(|error| std::io::Error::other(error.to_string()))
    };
    let put = |name: &str, table: &Table| put_with(name, table, &none);
    put("verdicts", verdicts)?;
    put("nights", by_night)?;
    put("scores", &methods_table(scores))?;
    put("entries", &entries_table(scores))?;
    put("services", &services_table(scores))?;
    put_with(kept::FILE, &calibration_table(scores), about)
}

fn concatenate(tables: impl Iterator<Item = Table>) -> Table {
    use metersift_model::ColumnData::{Count, Day as Days, Flag, Number, Text, Time};
    let mut all = Table::default();
    for table in tables {
        if all.columns.is_empty() {
            all = table;
            continue;
        }
        for (to, from) in all.columns.iter_mut().zip(table.columns) {
            match (&mut to.data, from.data) {
                (Text(to), Text(from)) => to.extend(from),
                (Number(to), Number(from)) => to.extend(from),
                (Count(to), Count(from)) => to.extend(from),
                (Flag(to), Flag(from)) => to.extend(from),
                (Days(to), Days(from)) => to.extend(from),
                (Time(to), Time(from)) => to.extend(from),
                _ => {}
            }
        }
    }
    all
}

/// What the truth of a fictional site says about a meter. The limit was looked for up to
/// `looked_until`.
fn known_of(truth: metersift_sim::MeterTruth, looked_until: Day) -> Known {
    let process_gas = truth
        .look_alikes
        .iter()
        .filter(|look| look.brings_gas())
        .map(|look| (look.from, look.until))
        .collect();
    Known {
        meter: truth.meter,
        mode: truth.mode,
        onset: truth.onset_day,
        limit: truth.reaches_limit_day,
        looked_until: Some(looked_until),
        mended: truth.ends_day,
        confounders: truth.confounders,
        process_gas,
    }
}
