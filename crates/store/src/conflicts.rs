//! The conflict file: readings that came twice with different values, both values kept.

use crate::commit::Move;
use crate::csv_text::Line;
use crate::error::StoreError;
use crate::layout::{CONFLICTS, STAGING};
use crate::ledger::Ledger;
use crate::merge::Conflicts;
use crate::seal;
use crate::storage::{Storage, put};
use metersift_model::{Signal, TimeUs};

/// Conflicts of one import that are written out; beyond it they are counted. Our choice: 100 MB.
pub(crate) const MOST_WRITTEN: usize = 1_000_000;

const HEADER: &str = "meter,signal,time,unit,value_before,quality_before,dump_before,\
                      value_after,quality_after,dump_after\n";

/// Stages the conflicts of an import as `conflicts/import-NNNNNN.csv`.
pub(crate) fn stage(
    storage: &dyn Storage,
    ledger: &Ledger,
    conflicts: &Conflicts,
) -> Result<Move, StoreError> {
    let mut text = String::from(HEADER);
    for conflict in &conflicts.kept {
        let unit = Signal::parse(&conflict.signal).map_or("", |signal| signal.unit());
        let mut line = Line::new(&mut text);
        line.text(&conflict.meter).text(&conflict.signal);
        line.text(&TimeUs(conflict.time_us).to_string()).text(unit);
        for (value, quality, dump) in [conflict.before, conflict.after] {
            let name = ledger.dump(dump).map_or("", |entry| entry.name.as_str());
            line.number(value).whole(u64::from(quality)).text(name);
        }
        line.end();
    }
    let name = format!("import-{:06}.csv", ledger.sequence);
    let from = format!("{STAGING}/{name}");
    put(storage, &from, text.as_bytes()).map_err(|e| StoreError::io("write", &from, e))?;
    Ok(Move { from, to: format!("{CONFLICTS}/{name}"), hash: seal::hash(text.as_bytes()) })
}
