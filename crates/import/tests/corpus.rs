//! Every case file as a seed: mutated in thousands of ways, packed and damaged, and read by a
//! plain serial reader.
//!
//! Holds: no panic and no hang; rows in = delivered + rejected + ignored + held back (asserted
//!        by the reader itself on every read); damage to one line costs that line alone.
//! Random: an xorshift generator with a fixed seed, so that a find can be run again.

mod common;

use common::case::{dump_bytes, paths, sections, settings};
use common::{Read, file_of, gzip, read_with, tags, zip_of, zstd};
use metersift_import::read::ReadOptions;
use metersift_import::{Dialect, ImportError, SourceSettings, TagTable, dumps_in};
use std::collections::BTreeMap;
use std::path::Path;

/// xorshift64 (Marsaglia 2003, from memory).
struct Random(u64);

impl Random {
    fn next(&mut self, below: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % below.max(1) as u64) as usize
    }
}

struct Seed {
    name: String,
    bytes: Vec<u8>,
    source: SourceSettings,
    zone: String,
    tags: TagTable,
}

fn seeds() -> Vec<Seed> {
    let seed = |path: std::path::PathBuf| {
        let text = std::fs::read_to_string(&path).expect("case file");
        let sections = sections(&text);
        let section = |name: &str| sections.get(name).map_or("", String::as_str);
        let settings = settings(section("settings"));
        Seed {
            name: path.file_stem().unwrap_or_default().to_string_lossy().into_owned(),
            bytes: dump_bytes(section("dump")),
            source: settings.source,
            zone: settings.zone,
            tags: tags(section("tags")),
        }
    };
    paths().into_iter().map(seed).collect()
}

/// Inserts, deletes, swaps or repeats bytes, fields or lines.
fn mutate(bytes: &mut Vec<u8>, random: &mut Random) {
    const BITING: &[u8] = b"\"\n\r,;\t\0 '#=-.:T\xFF\x80\xEF";
    if bytes.is_empty() {
        bytes.push(b'x');
    }
    let at = random.next(bytes.len());
    match random.next(9) {
        0 => bytes.insert(at, BITING[random.next(BITING.len())]),
        1 => {
            bytes.remove(at);
        }
        2 => bytes[at] = random.next(256) as u8,
        3 => {
            let other = random.next(bytes.len());
            bytes.swap(at, other);
        }
        4 => {
            let to = (at + 1 + random.next(40)).min(bytes.len());
            let copy = bytes[at..to].to_vec();
            bytes.splice(at..at, copy);
        }
        5 => {
            let to = (at + 1 + random.next(40)).min(bytes.len());
            bytes.drain(at..to);
        }
        6..=7 => {
            let delimiter = [b'\n', b',', b';'][random.next(3)];
            let mut parts: Vec<Vec<u8>> =
                bytes.split(|&b| b == delimiter).map(<[u8]>::to_vec).collect();
            let (one, other) = (random.next(parts.len()), random.next(parts.len()));
            match random.next(3) {
                0 => parts.swap(one, other),
                1 => {
                    parts.remove(one);
                }
                _ => parts.insert(other, parts[one].clone()),
            }
            *bytes = parts.join(&delimiter);
        }
        _ => bytes.truncate(at),
    }
}

/// The answer for some bytes: an error, or readings that add up.
fn answer(seed: &Seed, path: &Path, piece_bytes: usize) -> Result<Read, ImportError> {
    let options = ReadOptions { young: piece_bytes % 2 == 1, piece_bytes };
    let read = read_with(options, path, &seed.source, &seed.zone, &seed.tags)?;
    assert!(read.report.adds_up());
    Ok(read)
}

#[test]
fn thousands_of_mutated_dumps_are_all_an_answer() {
    let seeds = seeds();
    let mut random = Random(0x5EED_0001);
    let (mut n, mut n_read) = (0, 0);
    for round in 0..45 {
        for seed in &seeds {
            let mut bytes = seed.bytes.clone();
            for _ in 0..=random.next(4) {
                mutate(&mut bytes, &mut random);
            }
            let file = file_of(&bytes);
            let piece_bytes = [4 << 20, 61, 128][round % 3];
            n += 1;
            n_read += usize::from(answer(seed, file.path(), piece_bytes).is_ok());
        }
    }
    assert!(n >= 2000, "{n}");
    // Most of the damage is small: if hardly anything is read, nothing was tried.
    assert!(n_read * 3 > n, "{n_read} of {n}");
}

/// Seeds whose rows do not lean on each other.
fn stands_alone(seed: &Seed) -> bool {
    let leaning = ["fold", "header", "second", "quoted", "young", "twice", "notes", "order"];
    !leaning.iter().any(|word| seed.name.contains(word))
}

type Told = (String, String, i64, u64, u8);

fn told(read: &Read, but_line: u32) -> Vec<Told> {
    let rows = read.readings.iter().filter(|reading| reading.line != but_line);
    let mut told: Vec<Told> = rows
        .map(|r| (r.meter.clone(), r.signal.clone(), r.time_us, r.value.to_bits(), r.quality))
        .collect();
    told.sort();
    told
}

#[test]
fn damage_to_one_line_costs_that_line_alone() {
    let mut random = Random(0x5EED_0002);
    let mut n = 0;
    for seed in seeds().iter().filter(|seed| stands_alone(seed)) {
        let file = file_of(&seed.bytes);
        let Ok(found) = metersift_import::detect(file.path(), &seed.source, &seed.zone) else {
            continue;
        };
        let Ok(clean) = read_as(&found.dialect, file.path(), &seed.tags) else { continue };
        let above = found.dialect.lines_above_data() as usize;
        let ends: Vec<usize> = (0..seed.bytes.len()).filter(|&i| seed.bytes[i] == b'\n').collect();
        if found.dialect.encoding != metersift_import::settings::Encoding::Utf8
            || ends.len() <= above + 1
            || seed.bytes.contains(&b'\r')
        {
            continue;
        }
        for _ in 0..40 {
            let line = above + 1 + random.next(ends.len() - above - 1);
            let (from, to) = (ends[line - 1] + 1, ends[line]);
            let mut text = seed.bytes[from..to].to_vec();
            mutate(&mut text, &mut random);
            let bytes = [&seed.bytes[..from], &text, &seed.bytes[to..]].concat();
            // A line that became two, or none, moves those below it.
            let moved = text.iter().any(|byte| matches!(byte, b'\n' | b'\r'));
            let file = file_of(&bytes);
            let read = match read_as(&found.dialect, file.path(), &seed.tags) {
                Ok(read) => read,
                // What a damaged line may say: other columns, another unit.
                Err(ImportError::SecondTable { .. } | ImportError::UnitConflict { .. }) => continue,
                Err(error) => panic!("{}: {error}", seed.name),
            };
            if moved || !read.report.headers.is_empty() {
                continue;
            }
            n += 1;
            let number = line as u32 + 1;
            let what = format!("{} line {number}: {}", seed.name, String::from_utf8_lossy(&text));
            assert_eq!(told(&read, number), told(&clean, number), "{what}");
        }
    }
    assert!(n > 200, "{n}");
}

fn read_as(dialect: &Dialect, path: &Path, tags: &TagTable) -> Result<Read, ImportError> {
    common::read_as(ReadOptions::default(), path, dialect, tags)
}

/// Bit flips and truncations of every seed in every packing: refused, or not a reading more or
/// less than in the whole one, where a checksum goes with it.
#[test]
fn damaged_packings_are_refused_or_change_nothing() {
    let mut random = Random(0x5EED_0003);
    let (mut n_flips, mut n_cuts, mut n_refused) = (0, 0, 0);
    for seed in &seeds() {
        let Ok(whole) = answer(seed, file_of(&seed.bytes).path(), 4 << 20) else { continue };
        let all = told(&whole, u32::MAX);
        for pack in [gzip, zstd, |bytes: &[u8]| zip_of(&[("dump.csv", bytes)], true)] {
            let packed = pack(&seed.bytes);
            for kind in 0..6 {
                let mut bytes = packed.clone();
                let cut = kind >= 4;
                if cut {
                    bytes.truncate(4 + random.next(packed.len() - 5));
                } else {
                    for _ in 0..=random.next(8) {
                        let bit = random.next(bytes.len() * 8);
                        bytes[bit / 8] ^= 1 << (bit % 8);
                    }
                }
                (n_flips, n_cuts) = (n_flips + usize::from(!cut), n_cuts + usize::from(cut));
                let file = file_of(&bytes);
                let path = match dumps_in(file.path()) {
                    Ok(Some(dumps)) => dumps[0].clone(),
                    Ok(None) => file.path().to_owned(),
                    Err(_) => {
                        n_refused += 1;
                        continue;
                    }
                };
                match answer(seed, &path, 4 << 20) {
                    Ok(_) if cut => panic!("{}: a part was read", seed.name),
                    // Without its first bytes it is no archive, and may pass for text.
                    Ok(read) if read.readings.is_empty() => n_refused += 1,
                    Ok(read) => assert_eq!(told(&read, u32::MAX), all, "{}", seed.name),
                    Err(_) => n_refused += 1,
                }
            }
        }
        // Plain text has no checksum: only the ledger must hold.
        let mut bytes = seed.bytes.clone();
        let bit = random.next(bytes.len() * 8);
        bytes[bit / 8] ^= 1 << (bit % 8);
        n_flips += 1;
        let _ = answer(seed, file_of(&bytes).path(), 4 << 20);
    }
    assert!(n_flips >= 200 && n_cuts >= 60, "{n_flips} flips, {n_cuts} cuts");
    assert!(n_refused * 10 > (n_flips + n_cuts) * 6, "{n_refused}");
}

/// Threads and the size of pieces: what comes out is the same, lines and all, on every seed.
#[test]
fn readings_lines_and_rejects_do_not_depend_on_threads_or_pieces() {
    for seed in &seeds() {
        let file = file_of(&seed.bytes);
        let run = |threads: usize, piece_bytes: usize| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("pool");
            pool.install(|| {
                let options = ReadOptions { young: false, piece_bytes };
                read_with(options, file.path(), &seed.source, &seed.zone, &seed.tags).ok().map(
                    |read| {
                        let mut readings = read.readings;
                        let key = |r: &common::Reading| {
                            (
                                r.meter.clone(),
                                r.signal.clone(),
                                r.time_us,
                                r.line,
                                r.value.to_bits(),
                            )
                        };
                        readings.sort_by_key(key);
                        (readings.iter().map(key).collect::<Vec<_>>(), read.rejects, read.report)
                    },
                )
            })
        };
        let one = run(1, 4 << 20);
        for (threads, piece_bytes) in [(4, 4 << 20), (1, 1), (4, 33), (2, 90)] {
            assert_eq!(run(threads, piece_bytes), one, "{} {threads} {piece_bytes}", seed.name);
        }
    }
}

#[test]
fn a_dump_is_read_the_same_by_a_plain_serial_reader() {
    let mut compared = 0;
    let mut differing: BTreeMap<String, String> = BTreeMap::new();
    for seed in &seeds() {
        let file = file_of(&seed.bytes);
        let Ok(found) = metersift_import::detect(file.path(), &seed.source, &seed.zone) else {
            continue;
        };
        let text = std::fs::read_to_string(
            paths().into_iter().find(|p| p.ends_with(format!("{}.case", seed.name))).expect("case"),
        );
        let tags = sections(&text.expect("case file"))["tags"].clone();
        let patterns = tags.lines().any(|line| line.starts_with('/'));
        if found.dialect.quoted_newlines || patterns {
            continue;
        }
        let Ok(read) = read_as(&found.dialect, file.path(), &seed.tags) else { continue };
        // Headers in mid-file are beyond the serial reader; case files say what comes of them.
        if !read.report.headers.is_empty() {
            continue;
        }
        let serial = common::serial::read(&seed.bytes, &found.dialect, &tags);
        let ours = common::serial::rows(&read);
        compared += 1;
        if ours != serial {
            differing.insert(seed.name.clone(), format!("{ours:?}\n{serial:?}"));
        }
    }
    assert!(differing.is_empty(), "{differing:#?}");
    assert!(compared >= 25, "{compared}");
}
