//! Is every stored file still what the ledger says it is?

use crate::exit::Exit;
use crate::message::Message;
use crate::site::Site;
use crate::stage::import::store_message;
use crate::story::{self, grouped, say};
use metersift_store::Store;

/// Re-hashes and re-counts; names what is damaged and the dumps that heal it.
pub fn run(site: &Site) -> Result<Exit, Message> {
    let stage = story::stage("check");
    let store = Store::read(&site.store_dir()).map_err(store_message)?;
    let report = store.check().map_err(store_message)?;
    for problem in &report.problems {
        say(format!("damaged: {}: {}", problem.file, problem.what));
        if !problem.dumps.is_empty() {
            say(format!("  healed by importing again: {}", problem.dumps.join(", ")));
        }
    }
    stage.done(format!(
        "{} day files, {} rows, {} problems",
        store.day_files().len(),
        grouped(store.ledger().rows()),
        report.problems.len()
    ));
    Ok(if report.problems.is_empty() { Exit::Done } else { Exit::Damaged })
}
