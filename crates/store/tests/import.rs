//! What an import leaves in the store: the same whatever the order, the memory or the threads.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod common;

use common::{
    Dice, Dump, START, blocks, digest, everything, files_below, import, open, rows, totals,
};
use metersift_model::{Day, SeriesTable, TimeUs};
use metersift_store::{Store, StoreError, StoreSettings};

const ROOMY: u64 = 1 << 30;
/// So little that a few thousand readings spill.
const TIGHT: u64 = 100_000;

fn two_dumps() -> Vec<Dump> {
    // Two exports of one shift overlap by an hour.
    vec![
        Dump::new("night.csv", rows(5, START.start(), 13, 60)),
        Dump::new("day.csv", rows(5, TimeUs(START.start().0 + 12 * 3_600_000_000), 20, 60)),
    ]
}

#[test]
fn rows_in_are_stored_or_duplicate_to_the_row() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), 1, ROOMY);
    let outcome = import(&mut store, &two_dumps()).unwrap();
    let per_hour = 5 * 3 * 60;
    assert_eq!((outcome.dumps[0].stored, outcome.dumps[0].duplicate), (13 * per_hour, 0));
    assert_eq!((outcome.dumps[1].stored, outcome.dumps[1].duplicate), (19 * per_hour, per_hour));
    assert_eq!(outcome.days, [(START, 0), (START.plus(1), 0)]);
    assert_eq!(store.ledger().rows(), 32 * per_hour);
    for dump in &store.ledger().dumps {
        assert_eq!(dump.accounted(), dump.rows_in, "{}", dump.name);
    }
    let report = store.check().unwrap();
    assert!(report.is_sound() && report.foreign.is_empty(), "{report:?}");
    assert_eq!(report.rows, 32 * per_hour);
}

#[test]
fn every_reading_comes_back_as_it_was_given() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), 1, ROOMY);
    let dump = Dump::new("a.csv", rows(4, START.start(), 30, 45));
    import(&mut store, std::slice::from_ref(&dump)).unwrap();
    let mut expected = dump.rows.clone();
    expected.sort_by_key(|row| (row.meter.clone(), row.signal.name(), row.time_us));
    let got: Vec<_> = everything(&store).into_iter().map(|(row, _)| row).collect();
    assert_eq!(format!("{got:?}"), format!("{expected:?}"));
    assert!(got.iter().any(|row| row.value.is_nan()), "bad samples are kept");
}

#[test]
fn importing_again_changes_no_byte() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), 2, ROOMY);
    import(&mut store, &two_dumps()).unwrap();
    let before = (files_below(folder.path(), "samples"), files_below(folder.path(), "ledger"));
    for _ in 0..2 {
        let outcome = import(&mut store, &two_dumps()).unwrap();
        assert!(outcome.days.is_empty());
        assert!(!folder.path().join("staging").exists());
        assert!(outcome.dumps.iter().all(|d| d.known && d.stored == 0 && d.duplicate == d.rows_in));
        let after = (files_below(folder.path(), "samples"), files_below(folder.path(), "ledger"));
        assert_eq!(before, after);
    }
    // Each of them twice over: more readings than the day files hold.
    let doubled = [two_dumps(), two_dumps(), two_dumps()].concat();
    assert!(import(&mut store, &doubled).unwrap().days.is_empty());
    assert_eq!(before.0, files_below(folder.path(), "samples"));
    // The same readings under another name and hash: the day files stay; who told what grows.
    let mut halves = two_dumps();
    let tail = halves[0].rows.split_off(700);
    halves.push(Dump::new("rest.csv", tail));
    let outcome = import(&mut store, &halves).unwrap();
    assert_eq!(outcome.dumps.iter().map(|d| d.stored + d.conflicting).sum::<u64>(), 0);
    assert_eq!(before.0, files_below(folder.path(), "samples"));
}

#[test]
fn the_order_of_rows_makes_no_difference() {
    let mut digests = Vec::new();
    let mut files = Vec::new();
    for seed in 0..5 {
        let folder = tempfile::tempdir().unwrap();
        let mut store = open(folder.path(), 1, if seed == 4 { TIGHT } else { ROOMY });
        let mut dumps = two_dumps();
        match seed {
            0 => {}
            // By tag, as other historians export.
            1 => dumps.iter_mut().for_each(|dump| {
                dump.rows.sort_by_key(|row| (row.meter.clone(), row.signal.name()));
            }),
            2 => dumps.iter_mut().for_each(|dump| dump.rows.reverse()),
            _ => dumps.iter_mut().for_each(|dump| Dice(seed).shuffle(&mut dump.rows)),
        }
        import(&mut store, &dumps).unwrap();
        digests.push(digest(&store));
        files.push(files_below(folder.path(), "samples"));
    }
    assert!(digests.windows(2).all(|pair| pair[0] == pair[1]), "{digests:?}");
    assert!(files.windows(2).all(|pair| pair[0] == pair[1]), "{files:?}");
}

#[test]
fn spilling_gives_the_same_bytes_as_memory() {
    let (plain, tight) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let outcome = import(&mut open(plain.path(), 3, ROOMY), &two_dumps()).unwrap();
    assert_eq!(outcome.spills, 0);
    let outcome = import(&mut open(tight.path(), 3, TIGHT), &two_dumps()).unwrap();
    assert!(outcome.spills > 5, "{}", outcome.spills);
    for top in ["samples", "ledger"] {
        assert_eq!(files_below(plain.path(), top), files_below(tight.path(), top));
    }
    assert!(!tight.path().join("staging").exists());
}

#[test]
fn one_thread_and_eight_give_the_same_bytes() {
    let mut seen = Vec::new();
    for threads in [1, 2, 8] {
        let folder = tempfile::tempdir().unwrap();
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| import(&mut open(folder.path(), 4, TIGHT), &two_dumps()).unwrap());
        seen.push((files_below(folder.path(), "samples"), files_below(folder.path(), "ledger")));
    }
    assert!(seen.windows(2).all(|pair| pair[0] == pair[1]));
}

#[test]
fn of_two_values_for_one_key_the_later_wins_and_both_are_written_down() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), 1, ROOMY);
    let first = rows(1, START.start(), 1, 1800);
    import(&mut store, &[Dump::new("first.csv", first.clone())]).unwrap();
    let mut second = first.clone();
    second[0].value = 7.25;
    second[1].quality = 64;
    // The same key twice in one dump: the later line wins.
    let mut again = second[0].clone();
    again.value = 8.5;
    second.push(again);
    let dump = Dump::new("=second.csv", second);
    let outcome = import(&mut store, std::slice::from_ref(&dump)).unwrap();
    let counts = &outcome.dumps[0];
    assert_eq!((counts.stored, counts.duplicate, counts.conflicting), (0, 4, 3));
    let held = everything(&store);
    let of = |signal: &str| {
        let found = held
            .iter()
            .find(|(row, _)| row.signal.name() == signal && row.time_us == START.start().0);
        found.map(|(row, dump)| (row.value, row.quality, *dump)).unwrap()
    };
    assert_eq!(of("mass_flow"), (8.5, 192, 2));
    assert_eq!((of("density").1, of("density").2), (64, 2));
    assert_eq!(of("drive_gain").2, 1);
    let text =
        std::fs::read_to_string(folder.path().join(outcome.conflicts_file.unwrap())).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines.len(), 4);
    assert!(
        lines[3].ends_with(",7.25,192,\"'=second.csv\",2,8.5,192,\"'=second.csv\",8"),
        "{text}"
    );
    assert!(lines[3].starts_with("FT-3100,mass_flow,2026-03-07T00:00:00Z,kg/h,"), "{text}");
    assert_eq!(outcome.conflicts_by_series[&("FT-3100".into(), "mass_flow".into())], 2);
    // The first dump again: its place is that of its first import, and nothing changes.
    let files = files_below(folder.path(), "");
    let outcome = import(&mut store, &[Dump::new("first.csv", first.clone())]).unwrap();
    assert_eq!((outcome.dumps[0].known, outcome.dumps[0].duplicate), (true, 6));
    assert_eq!(files, files_below(folder.path(), ""));
    // Another file with the old values is a later dump, and gets them back.
    let outcome = import(&mut store, &[Dump::new("third.csv", first[..3].to_vec())]).unwrap();
    assert_eq!((outcome.dumps[0].known, outcome.dumps[0].conflicting), (false, 2));
    assert_eq!(store.ledger().dumps.len(), 3);
    assert!(store.check().unwrap().is_sound());
}

#[test]
fn an_aborted_dump_leaves_nothing_even_when_it_was_spilled() {
    for memory in [ROOMY, TIGHT] {
        let (with, without) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let dumps = two_dumps();
        let mut broken = dumps[0].rows.clone();
        broken.iter_mut().for_each(|row| row.value += 1.0);
        let mut store = open(with.path(), 2, memory);
        let mut series = SeriesTable::default();
        let mut session = store.begin_import().unwrap();
        for (dump, aborted) in
            [(&dumps[0], false), (&Dump::new("x.gz", broken), true), (&dumps[1], false)]
        {
            session.begin_dump(&dump.name, &dump.hash()).unwrap();
            for block in blocks(&dump.rows, &mut series) {
                session.push(&block, &series).unwrap();
            }
            if aborted {
                session.abort_dump();
            } else {
                session.end_dump(totals(dump)).unwrap();
            }
        }
        let outcome = session.commit().unwrap();
        assert_eq!(outcome.dumps.len(), 2);
        assert_eq!(outcome.spills > 0, memory == TIGHT);
        import(&mut open(without.path(), 2, ROOMY), &dumps).unwrap();
        for top in ["samples", "ledger"] {
            assert_eq!(files_below(with.path(), top), files_below(without.path(), top));
        }
    }
}

#[test]
fn an_import_that_is_dropped_leaves_the_store_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), 1, TIGHT);
    let mut series = SeriesTable::default();
    let mut session = store.begin_import().unwrap();
    session.begin_dump("a.csv", "00").unwrap();
    for block in blocks(&two_dumps()[0].rows, &mut series) {
        session.push(&block, &series).unwrap();
    }
    assert!(folder.path().join("staging").exists());
    drop(session);
    assert!(!folder.path().join("staging").exists());
    assert!(store.day_files().is_empty());
}

#[test]
fn accounts_that_do_not_add_up_are_refused_before_anything_is_stored() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), 1, ROOMY);
    let dump = Dump::new("a.csv", rows(1, START.start(), 1, 600));
    let mut series = SeriesTable::default();
    let mut session = store.begin_import().unwrap();
    session.begin_dump(&dump.name, &dump.hash()).unwrap();
    for block in blocks(&dump.rows, &mut series) {
        session.push(&block, &series).unwrap();
    }
    let mut wrong = totals(&dump);
    wrong.rejected = 1;
    let error = session.end_dump(wrong).unwrap_err();
    assert!(matches!(error, StoreError::Accounts { rows_in: 18, accounted: 19, .. }), "{error}");
    session.abort_dump();
    assert!(session.commit().unwrap().dumps.is_empty());
}

#[test]
fn a_late_dump_touches_only_its_own_day() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), 1, ROOMY);
    let three_days = rows(3, START.start(), 72, 300);
    import(&mut store, &[Dump::new("a.csv", three_days)]).unwrap();
    let before = files_below(folder.path(), "samples");
    let late = rows(1, TimeUs(START.plus(1).start().0 + 150_000_000), 1, 300);
    let outcome = import(&mut store, &[Dump::new("late.csv", late)]).unwrap();
    assert_eq!(outcome.days, [(START.plus(1), 0)]);
    let after = files_below(folder.path(), "samples");
    let changed: Vec<_> =
        after.iter().filter(|(name, hash)| before.get(*name) != Some(hash)).collect();
    assert_eq!(changed.len(), 1, "{changed:?}");
}

#[test]
fn a_series_longer_than_a_row_group_comes_back_whole() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), 1, ROOMY);
    // One reading every 60 ms of one signal: 1.44 million in a day; then a few meters beside it.
    let mut dump = rows(3, START.start(), 24, 600);
    let template = dump[3].clone();
    dump.extend(
        (0..1_440_000)
            .map(|i| common::Row { time_us: START.start().0 + 1 + i * 60_000, ..template.clone() }),
    );
    let n = dump.len() as u64;
    import(&mut store, &[Dump::new("fast.csv", dump)]).unwrap();
    let mut runs = Vec::new();
    store
        .for_each_run(START, 0, &mut |run| {
            runs.push((run.meter.to_string(), run.signal.to_string(), run.time_us.len()));
            assert!(run.time_us.is_sorted());
        })
        .unwrap();
    assert_eq!(runs.len(), 9, "each series comes once");
    assert_eq!(runs.iter().map(|run| run.2 as u64).sum::<u64>(), n);
    assert!(store.check().unwrap().is_sound());
    // And it is merged with: one reading more.
    let one = vec![common::Row { time_us: START.start().0 + 2, ..template }];
    let outcome = import(&mut store, &[Dump::new("one.csv", one)]).unwrap();
    assert_eq!(outcome.dumps[0].stored, 1);
    assert_eq!(store.ledger().rows(), n + 1);
}

#[test]
fn names_are_kept_to_the_byte_and_never_become_paths() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), 2, ROOMY);
    let names =
        ["../../x", "CON", "ft-1", "FT-1", "e\u{301}", "\u{e9}", "", "a\nb", "=1+1", "FT\u{2011}1"];
    let mut all = Vec::new();
    for name in names {
        let mut some = rows(1, START.start(), 1, 1200);
        some.iter_mut().for_each(|row| row.meter = name.into());
        all.extend(some);
    }
    import(&mut store, &[Dump::new("../names.csv", all)]).unwrap();
    let mut held: Vec<String> = everything(&store).into_iter().map(|(row, _)| row.meter).collect();
    held.dedup();
    let mut expected = names.map(String::from).to_vec();
    expected.sort();
    assert_eq!(held, expected);
    let inside = files_below(folder.path(), "");
    assert!(
        inside
            .keys()
            .all(|f| f.bytes().all(|b| b.is_ascii_alphanumeric() || b"/-=._".contains(&b)))
    );
}

#[test]
fn only_one_writer_and_its_name_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path(), 1, ROOMY);
    let error = Store::open(folder.path(), StoreSettings::default()).err().unwrap();
    let text = error.to_string();
    assert!(text.contains(&format!("run {} on host", std::process::id())), "{text}");
    let reader = Store::read(folder.path()).unwrap();
    assert!(reader.day_files().is_empty());
    drop(store);
    Store::open(folder.path(), StoreSettings::default()).unwrap();
}

#[test]
fn the_grid_of_a_store_is_fixed_when_it_is_made() {
    let folder = tempfile::tempdir().unwrap();
    drop(open(folder.path(), 7, ROOMY));
    let ask = |bucket_count| StoreSettings { bucket_count, memory_bytes: ROOMY };
    assert_eq!(Store::open(folder.path(), ask(None)).unwrap().bucket_count(), 7);
    let error = Store::open(folder.path(), ask(Some(8))).err().unwrap();
    assert!(matches!(error, StoreError::BucketCount { stored: 7, asked: 8 }));
    assert!(matches!(
        Store::open(folder.path(), ask(Some(0))).err(),
        Some(StoreError::BucketRange { .. })
    ));
}

#[test]
fn a_reader_that_is_overtaken_by_a_writer_sees_whole_days() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), 1, ROOMY);
    import(&mut store, &[Dump::new("a.csv", rows(2, START.start(), 2, 600))]).unwrap();
    let reader = Store::read(folder.path()).unwrap();
    import(&mut store, &[Dump::new("b.csv", rows(2, START.start(), 4, 600))]).unwrap();
    let mut n = 0;
    reader.for_each_run(START, 0, &mut |run| n += run.time_us.len()).unwrap();
    assert_eq!(n, 2 * 3 * 24);
    let mut none = 0;
    reader.for_each_run(Day(1), 0, &mut |_| none += 1).unwrap();
    assert_eq!(none, 0);
}

#[test]
fn readers_that_never_pause_see_whole_days_while_a_writer_imports() {
    use std::sync::atomic::{AtomicBool, Ordering};
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), 2, ROOMY);
    let hour = |i: i64| {
        let from = TimeUs(START.start().0 + i * 3_600_000_000);
        Dump::new(&format!("{i}.csv"), rows(6, from, 1, 60))
    };
    import(&mut store, &[hour(0)]).unwrap();
    let done = AtomicBool::new(false);
    let looks = std::thread::scope(|scope| {
        let read = || {
            let (mut looks, mut most) = (0, 0);
            while !done.load(Ordering::Relaxed) {
                let reader = Store::read(folder.path()).unwrap();
                let mut n = 0;
                for file in reader.day_files() {
                    let count = &mut |run: metersift_store::RunRef<'_>| n += run.time_us.len();
                    reader.for_each_run(file.day(), file.bucket(), count).unwrap();
                }
                // Six meters, three signals, sixty readings an hour; each meter's day is whole.
                assert!(n % (3 * 60) == 0 && n >= most, "{n} after {most}");
                (looks, most) = (looks + 1, n);
            }
            looks
        };
        let readers = [scope.spawn(read), scope.spawn(read)];
        for i in 1..40 {
            import(&mut store, &[hour(i)]).unwrap();
        }
        done.store(true, Ordering::Relaxed);
        readers.map(|reader| reader.join().unwrap())
    });
    assert!(looks.iter().all(|&n| n > 10), "{looks:?}");
}
