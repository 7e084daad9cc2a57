//! The site file under random damage, by the program itself.
//!
//! Runs for as long as it is told to; see the head of `replay.rs`.

use crate::replay::replay;
use crate::support::*;
use proptest::prelude::*;
use proptest::sample::{Index, select};

/// Keys that a site may set, with values that make sense.
const SITE: &str = "name = \"Larkmoor test bench\"\nzone = \"Europe/London\"\nrest_seconds = 0\n\n\
    [[sources]]\nname = \"long\"\nfiles = [\"dumps/*.csv\"]\ndecimal = \".\"\ndelimiter = \",\"\n\
    quality = \"opc_classic\"\ntolerated_reject_share = 0.5\n\n[store]\nbucket_count = 2\n\
    memory_mib = 64\n\n[rank]\n\n[features]\n";

/// Words that mean something in a site file, or nearly.
const WORDS: [&str; 16] = [
    "-1",
    "0",
    "1e999",
    "nan",
    "\"\"",
    "[]",
    "{}",
    "true",
    "99999999999999999999",
    "\"../../x\"",
    "[[sources]]\n",
    "[store]\n",
    "zone = ",
    "\"\\u0000\"",
    "'",
    "\"Mars/Olympus\"",
];

/// A run on it works, or ends with what is wrong and no store; never with a crash.
#[test]
fn site_file() {
    let damage =
        prop::collection::vec((any::<Index>(), any::<u8>(), 0..5u8, select(&WORDS[..])), 1..4);
    replay(24, damage, |damage| {
        let mut bytes = SITE.as_bytes().to_vec();
        for (place, byte, kind, word) in damage {
            let at = place.index(bytes.len());
            let upto = (at + 1 + usize::from(byte % 24)).min(bytes.len());
            match kind {
                0 => bytes[at] = byte,
                1 => drop(bytes.drain(at..upto)),
                2 => drop(bytes.splice(at..at, word.bytes())),
                3 => {
                    // A value instead of another.
                    let line = bytes[at..].iter().take_while(|&&b| b != b'\n').count();
                    let equals = bytes[..at].iter().rposition(|&b| b == b'=' || b == b'\n');
                    let from = equals.map_or(at, |equals| equals + 1);
                    bytes.splice(from..at + line, word.bytes());
                }
                _ => {
                    let part = bytes[at..upto].to_vec();
                    bytes.splice(at..at, part);
                }
            }
        }
        let dir = tempfile::tempdir().expect("a folder");
        let site = dir.path().join("site");
        small_site(&site, "");
        put(&site.join("site.toml"), &bytes);
        put(
            &site.join("dumps/a.csv"),
            "tag,time,value,quality\nFT-1.DENS,2024-03-07T00:00:00Z,1,192\nFT-1.DENS,2024-03-07T00:01:00Z,2,192\n",
        );
        let run = on_site("import", &site);
        prop_assert!(matches!(run.code, Some(0..=2)), "{:?} {}", run.code, run.stderr);
        if run.code == Some(2) {
            prop_assert!(run.stderr.contains("error"), "{}", run.stderr);
            prop_assert!(!site.join("store").exists(), "{}", run.stderr);
        }
        let beside = std::fs::read_dir(dir.path()).expect("a folder").count();
        prop_assert_eq!(beside, 1, "nothing is written beside the site");
        Ok(())
    });
}
