//! Whether the dumps that are to be read fit on the disk, before any of them is read.
//!
//! Why:    a disk that is too small ends an import in any case, and nothing is lost; but then it
//!         may end after an hour, which a night does not have.
//! Method: readings of each dump by its size and a sample of it, times the share of its tags that
//!         the tag table wants; bytes on disk as they were measured, of what waits there and of
//!         what is stored.
//! Limits: an estimate. An import that would fit must not be refused, so a third is taken off, and
//!         the days that are written anew are not counted: a disk that is a little too small is
//!         found by the import itself.

use super::Found;
use crate::exit::Exit;
use crate::message::Message;
use crate::site::Site;
use crate::story::{counted, grouped};
use metersift_import::TagTable;
use metersift_store::{Room, Store};
use std::path::Path;

/// The part of an estimate that counts.
const SURE: f64 = 2.0 / 3.0;
/// What a byte of a file can become on disk at the most: a wide cell of two bytes, packed thirty
/// times, waiting and stored. More room than that, and no dump need be looked at.
const MOST_PER_BYTE: f64 = 500.0;

/// Refuses dumps for which there is not enough room.
pub fn foretell(
    site: &Site,
    store: &Store,
    dumps: &[Found<'_>],
    tags: &TagTable,
) -> Result<(), Message> {
    let Some(free_bytes) = metersift_store::free_bytes(store.root()) else { return Ok(()) };
    let on_disk: u64 = dumps.iter().map(|dump| bytes_of(&dump.path)).sum();
    if on_disk as f64 * MOST_PER_BYTE <= free_bytes as f64 {
        return Ok(());
    }
    let readings = dumps.iter().map(|dump| readings_of(site, dump, tags) * SURE).sum::<f64>();
    let (room, waiting_bytes) = store.room_for(readings as u64);
    match room {
        Room { needs_bytes, free_bytes: Some(free) } if needs_bytes > free => {
            Err(refusal(site, dumps.len(), readings, room, waiting_bytes))
        }
        _ => Ok(()),
    }
}

/// Size of the file that a dump is or lies in.
fn bytes_of(path: &Path) -> u64 {
    std::fs::metadata(metersift_import::file_of(path)).map_or(0, |data| data.len())
}

/// Readings that a dump would bring; none where it cannot be told, which its reading will name.
fn readings_of(site: &Site, dump: &Found<'_>, tags: &TagTable) -> f64 {
    let Ok(found) = metersift_import::detect(&dump.path, dump.source, &site.file.zone) else {
        return 0.0;
    };
    let wanted = found.tags.iter().filter(|tag| tags.wants(tag)).count();
    found.cost.readings as f64 * wanted as f64 / found.tags.len().max(1) as f64
}

fn refusal(site: &Site, dumps: usize, readings: f64, room: Room, waiting_bytes: u64) -> Message {
    let mb = |bytes: u64| format!("{:.1} MB", bytes as f64 / 1e6);
    let free = room.free_bytes.map_or(String::new(), |free| format!(", {} free", mb(free)));
    let (waits, hint) = match waiting_bytes {
        0 => (String::new(), ""),
        bytes => (
            format!(
                " ({} of it for what waits there, at a memory ceiling of {})",
                mb(bytes),
                site.memory
            ),
            ", or raise --memory so that less waits on the disk",
        ),
    };
    Message::new(Exit::Failed, "no room on the disk of the store for what is to be imported")
        .at(format!(
            "at {}: {} with at least {} readings, by size and sample",
            site.store_dir().display(),
            counted(dumps, "dump"),
            grouped(readings as u64)
        ))
        .at(format!("needs about {} or more{waits}{free}", mb(room.needs_bytes)))
        .at("nothing was changed: no dump was read")
        .hint(format!(
            "free room there, or move the store, and run again; give fewer dumps at a time{hint}"
        ))
}
