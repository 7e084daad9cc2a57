//! Undoes one import: the readings of a dump leave the store, the dump stays in the ledger.
//!
//! What other dumps told as well stands afterwards as if this one had never come. Only a store
//! that an older program began may lack what they told: then those dumps are named, and the next
//! import reads them again where their files still are.

use crate::message::Message;
use crate::site::Site;
use crate::stage::demo::open_store;
use crate::stage::import::store_message;
use crate::story::{self, grouped};
use metersift_model::Day;
use metersift_store::{DumpEntry, DumpState, Ledger, Store};
use std::fmt::Write as _;

/// A hash prefix shorter than this is taken for a name.
const SHORTEST_PREFIX: usize = 4;
/// Characters of a hash that are shown.
const HASH_SHOWN: usize = 12;
/// Names that are offered when none fits.
const OFFERED: usize = 5;

/// Withdraws the dump of a name or hash prefix; returns what was done.
pub fn run(site: &Site, wanted: &str) -> Result<String, Message> {
    let stage = story::stage("withdraw");
    // A reader first: a slip of the pen must not make a store.
    let store = Store::read(&site.store_dir()).map_err(store_message)?;
    let dump = find(&store.ledger(), wanted)?.clone();
    let mut store = open_store(site)?;
    let done = store.withdraw(&dump.hash).map_err(store_message)?;
    let mut days: Vec<Day> = done.units.iter().map(|unit| unit.day).collect();
    days.dedup();

    let mut out = String::new();
    let _ = writeln!(
        out,
        "withdrawn: {} (hash {}): {} readings left the store",
        dump.name,
        short(&dump.hash),
        grouped(done.rows)
    );
    if done.restored > 0 {
        let _ = writeln!(
            out,
            "{} readings stand again as other dumps told them",
            grouped(done.restored)
        );
    }
    let _ = match days.len() {
        0 => writeln!(out, "no day touched: other dumps tell everything it told"),
        n => writeln!(out, "{n} days touched: {}", spans(&days)),
    };
    let ledger = store.ledger();
    let again: Vec<&DumpEntry> =
        ledger.dumps.iter().filter(|dump| dump.state == DumpState::ToImportAgain).collect();
    if !again.is_empty() {
        let _ = writeln!(out, "to be imported again, for what they told as well:");
    }
    for one in &again {
        let _ = writeln!(out, "  {}: {}", one.name, place(site, one).again());
    }
    if place(site, &dump) == Place::There {
        let _ = writeln!(
            out,
            "its file is still there: imports skip it; move it away, or change it to take it again"
        );
    }
    if !days.is_empty() {
        let _ = writeln!(out, "the next night computes the features of these days anew");
    }
    stage.done(format!("{} readings, {} days touched", grouped(done.rows), days.len()));
    Ok(out)
}

/// The one dump that is meant.
fn find<'a>(ledger: &'a Ledger, wanted: &str) -> Result<&'a DumpEntry, Message> {
    let prefix = wanted.to_ascii_lowercase();
    let hashed = wanted.len() >= SHORTEST_PREFIX && prefix.bytes().all(|b| b.is_ascii_hexdigit());
    let fits: Vec<&DumpEntry> = ledger
        .dumps
        .iter()
        .filter(|dump| dump.name == wanted || (hashed && dump.hash.starts_with(&prefix)))
        .collect();
    let held: Vec<&DumpEntry> =
        fits.iter().copied().filter(|dump| dump.state != DumpState::Withdrawn).collect();
    match (held.as_slice(), fits.as_slice()) {
        (&[one], _) => Ok(one),
        ([], []) => Err(unknown(ledger, wanted)),
        ([], [first, ..]) => Err(Message::could_not_start("the dump is withdrawn already")
            .at(format!("read `{wanted}`: {}", line(first)))),
        (several, _) => {
            let message = Message::could_not_start("several dumps fit")
                .at(format!("read `{wanted}`; it fits:"));
            let message = several.iter().fold(message, |message, dump| message.at(line(dump)));
            Err(message.hint("name one of them by more of its hash"))
        }
    }
}

fn unknown(ledger: &Ledger, wanted: &str) -> Message {
    let message =
        Message::could_not_start("no such dump in the ledger").at(format!("read `{wanted}`"));
    let lower = wanted.to_lowercase();
    let alike: Vec<&str> = ledger
        .dumps
        .iter()
        .filter(|dump| dump.state != DumpState::Withdrawn)
        .map(|dump| dump.name.as_str())
        .filter(|name| name.to_lowercase().contains(&lower))
        .take(OFFERED)
        .collect();
    match alike.as_slice() {
        [] => {
            message.hint("dumps are named by their path within the site folder, or by their hash")
        }
        names => message.hint(format!("did you mean {}?", names.join(", "))),
    }
}

fn short(hash: &str) -> &str {
    hash.get(..HASH_SHOWN).unwrap_or(hash)
}

fn line(dump: &DumpEntry) -> String {
    format!(
        "{} {} (imported {}, {} rows in)",
        short(&dump.hash),
        dump.name,
        dump.arrived().day(),
        grouped(dump.rows_in)
    )
}

/// Where the file of a dump is now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Place {
    There,
    Changed,
    Gone,
}

impl Place {
    fn again(self) -> &'static str {
        match self {
            Place::There => "its file is there, the next import takes it",
            Place::Changed => "its file was changed since: the next import takes it as a new dump",
            Place::Gone => "its file is not there: bring it back, or its readings stay lacking",
        }
    }
}

fn place(site: &Site, dump: &DumpEntry) -> Place {
    match metersift_import::hash_file(&site.dir.join(&dump.name)) {
        Ok(hash) if hash == dump.hash => Place::There,
        Ok(_) => Place::Changed,
        Err(_) => Place::Gone,
    }
}

/// Days in order, neighbours joined: `2026-03-02 to 2026-03-04, 2026-03-09`.
fn spans(days: &[Day]) -> String {
    let spans: Vec<String> = days
        .chunk_by(|a, b| a.plus(1) == *b)
        .map(|span| match span {
            [first, .., last] => format!("{first} to {last}"),
            one => one.iter().map(Day::to_string).collect(),
        })
        .collect();
    spans.join(", ")
}

#[cfg(test)]
mod tests {
    use super::spans;
    use metersift_model::Day;

    #[test]
    fn neighbouring_days_are_told_as_one_span() {
        let days: Vec<Day> = [0, 1, 2, 5, 7, 8].map(Day).to_vec();
        assert_eq!(spans(&days), "1970-01-01 to 1970-01-03, 1970-01-06, 1970-01-08 to 1970-01-09");
        assert_eq!(spans(&[]), "");
    }
}
