//! The whole job on the invented site.

use crate::exit::Exit;
use crate::memory::Memory;
use crate::message::Message;
use crate::site::Site;
use crate::stage::night::{self, Upto};
use crate::stage::{features, import};
use crate::story::{self, grouped};
use metersift_model::ListKind;
use metersift_sim::Plan;
use metersift_store::{Store, StoreSettings};
use std::fmt::Write as _;
use std::path::Path;
use std::time::Instant;

/// Entries of the pull list that are printed.
const SHOWN: usize = 12;

/// Writes a fictional site.
pub fn simulate(dir: &Path, plan: &Plan) -> Result<(), Message> {
    let stage = story::stage("simulate");
    refuse_foreign(dir)?;
    let written = metersift_sim::write_site(dir, plan)
        .map_err(|error| Message::new(Exit::Failed, "the site cannot be written").at(error))?;
    stage.done(format!(
        "{} meters on {} streams, {} readings in {} dumps, {:.0} MB",
        written.meters,
        written.streams,
        grouped(written.readings),
        grouped(written.dumps),
        written.dump_bytes as f64 / 1e6
    ));
    Ok(())
}

/// A folder that holds something else is left alone.
fn refuse_foreign(dir: &Path) -> Result<(), Message> {
    let empty = std::fs::read_dir(dir).map_or(true, |mut entries| entries.next().is_none());
    if empty || dir.join("truth/truth.csv").exists() {
        return Ok(());
    }
    Err(Message::could_not_start("the folder holds something else")
        .at(format!("in {}", dir.display()))
        .hint("name an empty folder, or one that an earlier simulation wrote"))
}

/// Opens the store of a site for writing.
pub fn open_store(site: &Site) -> Result<Store, Message> {
    let dir = site.store_dir();
    refuse_share(site, metersift_store::network_share(&dir))?;
    let settings = StoreSettings {
        bucket_count: Some(site.file.store.bucket_count),
        memory_bytes: site.memory.bytes(),
    };
    Store::open(&dir, settings).map_err(import::store_message)
}

/// A lock on a network share may not keep a second writer out; `share` is its kind.
fn refuse_share(site: &Site, share: Option<&str>) -> Result<(), Message> {
    match share.filter(|_| !site.file.store.one_writer_guaranteed) {
        None => Ok(()),
        Some(kind) => Err(Message::could_not_start("the store lies on a network share")
            .at(format!(
                "at {}: {kind}, whose locks may not keep a second writer out",
                site.store_dir().display()
            ))
            .hint(
                "move the store to a local disk; or see to it that one machine at a time runs \
                 this, and say so in site.toml: one_writer_guaranteed = true under [store]",
            )),
    }
}

/// Builds the site, runs the night, returns what is printed.
pub fn run(dir: &Path, plan: &Plan, memory: Option<Memory>) -> Result<(String, Exit), Message> {
    let start = Instant::now();
    simulate(dir, plan)?;
    let site = Site::load(dir)?.with_memory(memory);
    let mut store = open_store(&site)?;
    let night::ReadRecords { records, rejects, exit } = night::open_records(&site)?;
    let exit = exit.max(import::run(&site, &mut store)?);
    features::run(&site, &store, &records)?;
    let as_of = night::latest_as_of(&store)?;
    let judged = night::judge(&site, &store, records, as_of)?;
    let place = night::write(&site, &store, &judged, &rejects, Upto::Report)?;

    let mut out = pull_list(&judged);
    let memory =
        story::peak_memory_mib().map_or(String::new(), |mib| format!(", {mib:.0} MiB peak"));
    let _ = writeln!(
        out,
        "\nThe whole night took {:.0} s{memory}. Report: {}",
        start.elapsed().as_secs_f64(),
        place.join("report/index.html").display()
    );
    if exit == Exit::SetAside {
        out.push_str(
            "Some of the invented exports are wrong on purpose: `metersift run` on this site ends \
             with code 1,\nsomething was set aside; the warnings above say what.\n",
        );
    }
    Ok((out, if exit == Exit::SetAside { Exit::Done } else { exit }))
}

/// The top of the pull list, one evidence sentence per line.
pub fn pull_list(night: &night::Night) -> String {
    let counts = &night.lists.counts;
    let mut out = format!(
        "Pull or open up, as of {}: {} of {} meters judged, {} young, {} not judged, {} blind for at least one mode\n",
        night.as_of, counts.judged, counts.meters, counts.young, counts.not_judged, counts.blind
    );
    for entry in night.lists.of(ListKind::Pull).take(SHOWN) {
        let chance = entry.probability.map_or("measured".into(), |p| format!("P {p:.2}"));
        let _ = writeln!(
            out,
            "{:>3}. {:<10} {:<12} {:<9} {}",
            entry.rank,
            entry.meter,
            entry.mode.words(),
            chance,
            entry.evidence
        );
    }
    let more = night.lists.of(ListKind::Pull).count().saturating_sub(SHOWN);
    if more > 0 {
        let _ = writeln!(out, "     and {more} more");
    }
    let _ = writeln!(
        out,
        "{} of these entries are expected to be false; probabilities are {}calibrated on this site.",
        share_words(night.lists.expected_false[0]),
        if night.lists.calibrated { "" } else { "not " }
    );
    out.push_str("The lists screen, they approve nothing: local codes, site permits and licensed practice decide.\n");
    out
}

/// A number of false entries in words: no list is ever said to hold none.
fn share_words(expected: f64) -> String {
    if expected < 0.05 { "Under 0.1".into() } else { format!("About {expected:.1}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_share_is_refused_by_name_unless_the_site_guarantees_one_writer() {
        let site = |store: &str| {
            let dir = tempfile::tempdir().expect("a folder");
            let text = format!("name = \"Larkmoor test bench\"\n{store}");
            std::fs::write(dir.path().join("site.toml"), text).expect("a file");
            Site::load(dir.path()).expect("a site")
        };
        let plain = site("");
        assert!(refuse_share(&plain, None).is_ok());
        let message = refuse_share(&plain, Some("NFS")).expect_err("a share");
        assert_eq!(message.exit, Exit::CouldNotStart);
        let text = message.to_string();
        assert!(text.contains("NFS") && text.contains("one_writer_guaranteed = true"), "{text}");
        assert!(text.contains("store"), "{text}");
        let told = site("[store]\none_writer_guaranteed = true\n");
        assert!(refuse_share(&told, Some("NFS")).is_ok());
    }
}
