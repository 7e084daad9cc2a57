//! The last half of the night at many past dates, scored.

use crate::exit::Exit;
use crate::message::Message;
use crate::pipeline::{parse_day, parse_step};
use crate::site::Site;
use crate::stage::import::store_message;
use crate::stage::night;
use crate::story::{self, say};
use metersift_backtest::{Known, Scores};
use metersift_model::{Records, Table};
use metersift_store::Store;
use std::fmt::Write as _;

/// Span of a back-test, as texts.
pub struct Span<'a> {
    /// First as-of date, or days back; default half a year back.
    pub from: Option<&'a str>,
    /// Last as-of date; default the day after the newest sample.
    pub to: Option<&'a str>,
    /// Step.
    pub every: &'a str,
}

/// Replays, scores, writes `out/backtest/` and returns the figures as text.
pub fn run(site: &Site, span: &Span<'_>) -> Result<String, Message> {
    let stage = story::stage("backtest");
    let store = Store::read(&site.store_dir()).map_err(store_message)?;
    let (records, _) = night::read_records(site)?;
    let latest = night::latest_as_of(&store)?;
    let to = span.to.map_or(Ok(latest), |text| parse_day(text, latest))?;
    let from = parse_day(span.from.unwrap_or("-182d"), to)?;
    let every = parse_step(span.every)?;
    let daily = night::read_daily(&store, to)?;
    let fleet = night::fleet(site, &daily, &records)?;
    let nights = metersift_backtest::replay(
        &fleet,
        &daily,
        &records,
        &site.file.rank,
        (from, to, every),
        &mut |_| {},
    )
    .map_err(Message::could_not_start)?;
    let (known, source) = known(site, &records)?;
    if known.is_empty() {
        say("no findings are recorded: what was right and what was false cannot be known");
    }
    let scores = metersift_backtest::score(&nights, &known);
    let verdicts = concatenate(nights.into_iter().map(|night| night.verdicts));
    let folder = site.out_dir().join("backtest");
    write(&folder, &verdicts, &scores).map_err(|error| {
        Message::new(Exit::Failed, "results could not be written")
            .at(format!("in {}: {error}", folder.display()))
    })?;
    stage.done(format!(
        "{} nights from {from} to {to}, scored against {source}, written to {}",
        scores.nights,
        site.shown(&folder)
    ));
    Ok(text(&scores))
}

/// A fictional site knows its truth; a real one knows its findings.
fn known(site: &Site, records: &Records) -> Result<(Vec<Known>, &'static str), Message> {
    if !site.dir.join("truth/truth.csv").exists() {
        return Ok((metersift_backtest::from_findings(records), "findings"));
    }
    let truth = metersift_sim::read_truth(&site.dir)
        .map_err(|error| Message::could_not_start("the truth cannot be read").at(error))?;
    Ok((truth.meters.into_values().map(known_of).collect(), "the truth of a fictional site"))
}

fn write(folder: &std::path::Path, verdicts: &Table, scores: &Scores) -> std::io::Result<()> {
    std::fs::create_dir_all(folder)?;
    let other = |error: metersift_store::StoreError| std::io::Error::other(error.to_string());
    let none = metersift_store::TableMetadata::default();
    metersift_store::write_table(&folder.join("verdicts.parquet"), verdicts, &none)
        .map_err(other)?;
    let table = metersift_backtest::scores_table(scores);
    metersift_store::write_table(&folder.join("scores.parquet"), &table, &none).map_err(other)
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

fn text(scores: &Scores) -> String {
    let mut out = String::new();
    let _ = writeln!(
        out,
        "{:<13} {:>22} {:>10} {:>9} {:>14} {:>22} {:>6}",
        "method",
        "average precision",
        "last night",
        "recall@n",
        "found",
        "false/100 meter-months",
        "mode"
    );
    for method in &scores.methods {
        let (ap, low, high) = method.average_precision;
        let found = format!("{} of {}", method.found, method.faults);
        let mode = if method.mode_accuracy.is_nan() {
            "-".into()
        } else {
            format!("{:.2}", method.mode_accuracy)
        };
        let _ = writeln!(
            out,
            "{:<13} {:>22} {:>10.2} {:>9.2} {:>14} {:>22.2} {:>6}",
            method.method,
            format!("{ap:.2} ({low:.2}..{high:.2})"),
            method.average_precision_last,
            method.recall_at_n,
            found,
            method.false_per_100_meter_months,
            mode
        );
    }
    let mut leads: Vec<i32> = scores.leads.iter().filter_map(|lead| lead.lead_days).collect();
    leads.sort_unstable();
    let missed = scores.leads.iter().filter(|lead| lead.first_listed.is_none()).count();
    if let (Some(least), Some(most)) = (leads.first(), leads.last()) {
        let median = leads[leads.len() / 2];
        let _ = writeln!(
            out,
            "lead before the limit: median {median} d ({least}..{most} d, {} faults with a limit); {missed} faults never listed",
            leads.len()
        );
    }
    let _ = writeln!(
        out,
        "judged time: {:.0} meter-months over {} nights",
        scores.meter_months, scores.nights
    );
    if !scores.false_by_confounder.is_empty() {
        let kinds: Vec<String> =
            scores.false_by_confounder.iter().map(|(kind, n)| format!("{kind} {n}")).collect();
        let _ = writeln!(out, "false entries by what was there: {}", kinds.join(", "));
    }
    out
}

fn known_of(truth: metersift_sim::MeterTruth) -> Known {
    Known {
        meter: truth.meter,
        mode: truth.mode,
        onset: truth.onset_day,
        limit: truth.reaches_limit_day,
        mended: truth.ends_day,
        confounders: truth.confounders.into_iter().map(|(kind, _)| kind).collect(),
    }
}
