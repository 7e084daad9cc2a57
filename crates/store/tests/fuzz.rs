//! The ledger under random damage, with and without a seal that fits it.
//!
//! Runs for as long as it is told to; see the head of `replay.rs`.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod common;
#[path = "../../../tests/replay.rs"]
mod replay;

use common::faulty::{Fault, FaultyStorage, World};
use common::{Dump, START, import, rows};
use metersift_model::TimeUs;
use metersift_store::storage::Storage;
use metersift_store::{Store, StoreSettings, content_hash};
use proptest::prelude::*;
use proptest::sample::Index;
use replay::replay;
use std::sync::Arc;

const LEDGER: &str = "ledger/ledger.jsonl";

fn open(storage: &FaultyStorage) -> Result<Store, metersift_store::StoreError> {
    let settings = StoreSettings { bucket_count: None, memory_bytes: 1 << 30 };
    Store::open_on(Arc::new(storage.clone()), settings)
}

/// A store of two dumps over two days.
fn sound() -> World {
    let storage = FaultyStorage::new(World::default(), Fault::Never);
    let mut store = open(&storage).unwrap();
    let late = TimeUs(START.start().0 + 20 * 3_600_000_000);
    let dumps = [
        Dump::new("a \"b\"\n.csv", rows(2, START.start(), 3, 600)),
        Dump::new("c.csv", rows(3, late, 8, 600)),
    ];
    import(&mut store, &dumps).unwrap();
    drop(store);
    storage.world()
}

fn put(storage: &FaultyStorage, path: &str, bytes: &[u8]) {
    let mut file = storage.create(path).unwrap();
    std::io::Write::write_all(&mut file, bytes).unwrap();
    file.sync().unwrap();
}

fn sealed(body: &[u8]) -> Vec<u8> {
    [body, format!("{{\"hash\":\"{}\"}}\n", content_hash(body)).as_bytes()].concat()
}

/// Without a fitting seal any change is noticed; with one, it is an error or a ledger, and what
/// is read under that is what its hashes say or an error too.
#[test]
fn ledger() {
    let world = sound();
    let good = world.content(LEDGER).to_vec();
    let seal = sealed(b"").len();
    let body = good[..good.len() - seal].to_vec();
    let words = ["-1", "null", "\"\"", "[]", "{}", "1e400", "18446744073709551616", "day=", "\n"];
    let damage = prop::collection::vec((any::<Index>(), any::<u8>(), 0..6u8), 1..5);
    replay(1_500, (damage, any::<bool>()), |(damage, fits)| {
        let mut bytes = if fits { body.clone() } else { good.clone() };
        for (place, byte, kind) in damage {
            if bytes.is_empty() {
                break;
            }
            let at = place.index(bytes.len());
            let upto = (at + 1 + usize::from(byte)).min(bytes.len());
            match kind {
                0 => bytes[at] ^= 1 << (byte % 8),
                1 => bytes[at] = b"0123456789\",:{}[]\n-e"[usize::from(byte) % 20],
                2 => drop(bytes.drain(at..upto)),
                3 => {
                    let part = bytes[at..upto].to_vec();
                    bytes.splice(at..at, part);
                }
                4 => bytes.truncate(at),
                _ => {
                    let word = words[usize::from(byte) % words.len()].bytes();
                    let digits = bytes[at..].iter().take_while(|b| b.is_ascii_digit()).count();
                    bytes.splice(at..at + digits, word);
                }
            }
        }
        let bytes = if fits { sealed(&bytes) } else { bytes };
        let storage = FaultyStorage::new(world.clone(), Fault::Never);
        put(&storage, LEDGER, &bytes);
        let store = match open(&storage) {
            Err(_) => {
                prop_assert!(bytes != good);
                return Ok(());
            }
            Ok(store) => store,
        };
        prop_assert!(fits || bytes == good, "a change was not noticed");
        let _ = store.ledger().state_hash();
        let mut read = 0;
        for file in store.day_files() {
            let _ = store.for_each_run(file.day(), file.bucket(), &mut |run| {
                read += run.time_us.len();
            });
            let _ = store.for_each_run_with_origin(file.day(), file.bucket(), &mut |_| {});
        }
        let _ = store.check();
        // What a wrong ledger brings never makes readings up.
        prop_assert!(read <= 2 * (2 * 3 * 18 + 3 * 3 * 48));
        Ok(())
    });
}
