//! Is every stored file still what the ledger says it is?
//!
//! What is damaged is named with the dumps that it was built from; on demand its day is taken out
//! of the store, and the next import reads those dumps again.

use crate::exit::Exit;
use crate::message::Message;
use crate::site::Site;
use crate::stage::demo::open_store;
use crate::stage::import::store_message;
use crate::story::{self, grouped, say};
use metersift_store::{Store, Unit};
use std::collections::BTreeSet;

/// What to do with a file that is not what the ledger says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Damage {
    /// Name it.
    Tell,
    /// Name it, and take its day out of the store, so that the next import heals it.
    SetAside,
}

/// Re-hashes and re-counts; names what is damaged and the dumps that heal it.
pub fn run(site: &Site, damage: Damage) -> Result<Exit, Message> {
    let stage = story::stage("check");
    let store = Store::read(&site.store_dir()).map_err(store_message)?;
    let report = store.check().map_err(store_message)?;
    for problem in &report.problems {
        say(format!("damaged: {}: {}", problem.file, problem.what));
    }
    for file in &report.foreign {
        say(format!("not of this store, left alone: {file}"));
    }
    stage.done(format!(
        "{} day files, {} rows, {} problems",
        store.day_files().len(),
        grouped(store.ledger().rows()),
        report.problems.len()
    ));
    if report.problems.is_empty() {
        return Ok(Exit::Done);
    }
    let under = |tops: [&str; 2]| -> BTreeSet<Unit> {
        let inside = |file: &str| tops.iter().any(|top| file.starts_with(top));
        let problems = report.problems.iter().filter(|problem| inside(&problem.file));
        problems.filter_map(|problem| problem.unit).collect()
    };
    let days: Vec<Unit> = under(["samples/", "origin/"]).into_iter().collect();
    let features: Vec<Unit> = under(["daily/", "hours/"]).into_iter().collect();
    match damage {
        Damage::SetAside => {
            set_aside(site, &days, &features)?;
            let all = report.problems.iter().all(|problem| problem.unit.is_some());
            Ok(if all { Exit::SetAside } else { Exit::Damaged })
        }
        Damage::Tell => {
            say(
                "hint: `metersift check-store --set-aside` takes damaged days out; the next night heals them from their dumps",
            );
            Ok(Exit::Damaged)
        }
    }
}

/// Moves damaged days to `store/set-aside/`; features can always be computed again.
fn set_aside(site: &Site, days: &[Unit], features: &[Unit]) -> Result<(), Message> {
    let mut store = open_store(site)?;
    for unit in features {
        store.remove_daily(unit.day, unit.bucket).map_err(store_message)?;
    }
    if days.is_empty() {
        return Ok(());
    }
    let dumps = store.set_aside(days).map_err(store_message)?;
    say(format!("{} day files moved to store/set-aside", days.len()));
    for name in dumps {
        say(format!("  the next import takes {name} again, if it is still there"));
    }
    Ok(())
}
