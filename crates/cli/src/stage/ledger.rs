//! The row account of every dump that ever came: rows in = stored + duplicate + conflicting +
//! held back + rejected + not wanted, to the row.

use crate::exit::Exit;
use crate::message::Message;
use crate::site::Site;
use crate::stage::import::store_message;
use crate::story::{counted, grouped};
use metersift_model::{ColumnData, Table, TimeUs};
use metersift_report::RunCard;
use metersift_store::{DumpEntry, DumpState, Store};

/// How the account is printed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// For people.
    Text,
    /// For programs: comma, decimal point, one row per dump.
    Csv,
}

/// A count of a dump under its name.
type NamedCount = (&'static str, fn(&DumpEntry) -> u64);

/// The counts of one dump, in the order in which they are printed.
const COUNTS: [NamedCount; 7] = [
    ("rows_in", |dump| dump.rows_in),
    ("stored", |dump| dump.rows.stored),
    ("duplicate", |dump| dump.rows.duplicate),
    ("conflicting", |dump| dump.rows.conflicting),
    ("held_back", |dump| dump.held_back),
    ("rejected", |dump| dump.rejected),
    ("not_wanted", |dump| dump.ignored),
];

/// The account of all dumps; [`Exit::Damaged`] when one does not sum.
pub fn run(site: &Site, format: Format) -> Result<(String, Exit), Message> {
    let store = Store::read(&site.store_dir()).map_err(store_message)?;
    let ledger = store.ledger();
    let sums = ledger.dumps.iter().all(|dump| dump.accounted() == dump.rows_in);
    let text = match format {
        Format::Text => text(&ledger.dumps),
        Format::Csv => csv(site, &store, &ledger.dumps)?,
    };
    Ok((text, if sums { Exit::Done } else { Exit::Damaged }))
}

fn state_words(dump: &DumpEntry) -> &'static str {
    match dump.state {
        DumpState::Imported => "imported",
        DumpState::ToImportAgain => "to import again",
        DumpState::Withdrawn => "withdrawn",
    }
}

fn text(dumps: &[DumpEntry]) -> String {
    let mut rows: Vec<Vec<String>> = vec![
        [
            "dump",
            "rows in",
            "stored",
            "duplicate",
            "conflicting",
            "held back",
            "rejected",
            "not wanted",
        ]
        .into_iter()
        .chain(["sums", "state", "name"])
        .map(String::from)
        .collect(),
    ];
    for dump in dumps {
        let mut row = vec![dump.number.to_string()];
        row.extend(COUNTS.iter().map(|(_, of)| grouped(of(dump))));
        row.push(if dump.accounted() == dump.rows_in { "yes" } else { "NO" }.into());
        row.push(state_words(dump).into());
        row.push(dump.name.clone());
        rows.push(row);
    }
    let mut total = vec!["all".to_string()];
    total.extend(COUNTS.iter().map(|(_, of)| grouped(dumps.iter().map(of).sum())));
    total.extend([String::new(), String::new(), counted(dumps.len(), "dump")]);
    rows.push(total);
    let mut out = aligned(&rows);
    out.push_str(
        "rows in = stored + duplicate + conflicting + held back + rejected + not wanted, per dump.\n\
         Counts are of each dump's first import; a withdrawn dump keeps its line.\n",
    );
    out
}

/// Columns of one width each: numbers to the right, the last two to the left.
fn aligned(rows: &[Vec<String>]) -> String {
    let columns = rows.first().map_or(0, Vec::len);
    let widths: Vec<usize> = (0..columns)
        .map(|column| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0))
        .collect();
    let mut out = String::new();
    for row in rows {
        let cells: Vec<String> = row
            .iter()
            .zip(&widths)
            .enumerate()
            .map(|(column, (cell, width))| match column + 2 < columns {
                true => format!("{cell:>width$}"),
                false => format!("{cell:<width$}"),
            })
            .collect();
        out.push_str(cells.join("  ").trim_end());
        out.push('\n');
    }
    out
}

fn csv(site: &Site, store: &Store, dumps: &[DumpEntry]) -> Result<String, Message> {
    let text = |of: &dyn Fn(&DumpEntry) -> String| {
        ColumnData::Text(dumps.iter().map(|dump| Some(of(dump))).collect())
    };
    let time = |of: &dyn Fn(&DumpEntry) -> Option<TimeUs>| {
        ColumnData::Time(dumps.iter().map(of).collect())
    };
    let count = |of: &dyn Fn(&DumpEntry) -> u64| {
        ColumnData::Count(dumps.iter().map(|dump| i64::try_from(of(dump)).ok()).collect())
    };
    let mut table = Table::default();
    table.push("dump", "", count(&|dump| u64::from(dump.number)));
    table.push("name", "", text(&|dump| dump.name.clone()));
    table.push("source", "", text(&|dump| dump.source.clone()));
    table.push("state", "", text(&|dump| state_words(dump).into()));
    for (name, of) in COUNTS {
        table.push(name, "", count(&of));
    }
    let sums = dumps.iter().map(|dump| Some(dump.accounted() == dump.rows_in)).collect();
    table.push("sums", "", ColumnData::Flag(sums));
    table.push("first", "", time(&DumpEntry::first));
    table.push("last", "", time(&DumpEntry::last));
    table.push("arrived", "", time(&|dump| Some(dump.arrived())));
    table.push("bytes", "", count(&|dump| dump.bytes));
    table.push("hash", "", text(&|dump| dump.hash.clone()));
    let card = card(site, store)?;
    let mut out = Vec::new();
    metersift_report::write_csv(&table, &mut out, &card)
        .map_err(|error| Message::new(Exit::Failed, "the account cannot be written").at(error))?;
    Ok(String::from_utf8_lossy(&out).into_owned())
}

/// The ledger belongs to no night: its card names the state of the store.
fn card(site: &Site, store: &Store) -> Result<RunCard, Message> {
    let as_of = crate::stage::night::latest_as_of(store)?;
    Ok(crate::stage::night::run_card(site, store, &metersift_model::Records::default(), as_of))
}
