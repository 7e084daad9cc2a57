//! A written site, looked at from outside: bytes, clocks, rows, truth.

use metersift_model::{Day, Hypothesis, Signal};
use metersift_sim::{
    CommonCause, DayScratch, Fiction, Ladder, Plan, PlanVariation, read_truth, write_site,
};
use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

fn plan(meters: usize, days: u32, start: &str) -> Plan {
    let start = Day::parse(start).expect("a date");
    Plan { start, ..Plan::larkmoor(meters, days, 11) }
}

fn files(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![dir.to_path_buf()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).expect("folder") {
            let path = entry.expect("entry").path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(dir).expect("below").to_path_buf();
                found.insert(name, std::fs::read(&path).expect("file"));
            }
        }
    }
    found
}

fn text(name: &Path, bytes: &[u8]) -> String {
    let mut out = Vec::new();
    match name.extension().and_then(|e| e.to_str()) {
        Some("gz") => {
            flate2::read::MultiGzDecoder::new(bytes).read_to_end(&mut out).expect("gzip");
        }
        Some("zst") => out = zstd::decode_all(bytes).expect("zstd"),
        _ => out = bytes.to_vec(),
    }
    // Windows-1252 bytes of the units are Latin-1.
    out.iter().map(|&b| char::from(b)).collect()
}

fn on_threads(threads: usize, dir: &Path, plan: &Plan) {
    rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .expect("pool")
        .install(|| write_site(dir, plan))
        .expect("written");
}

#[test]
fn the_same_seed_gives_the_same_bytes_on_one_thread_and_on_two() {
    let (a, b) = (tempfile::tempdir().expect("dir"), tempfile::tempdir().expect("dir"));
    let plan = plan(24, 50, "2024-09-01");
    on_threads(1, a.path(), &plan);
    on_threads(2, b.path(), &plan);
    let (a, b) = (files(a.path()), files(b.path()));
    assert_eq!(a.keys().collect::<Vec<_>>(), b.keys().collect::<Vec<_>>());
    for (name, bytes) in &a {
        assert!(b[name] == *bytes, "{}", name.display());
    }
    let other = tempfile::tempdir().expect("dir");
    write_site(other.path(), &Plan { seed: 12, ..plan }).expect("written");
    let other = files(other.path());
    assert!(a.iter().any(|(name, bytes)| other.get(name) != Some(bytes)));
}

#[test]
fn one_more_day_adds_its_dumps_and_leaves_the_others_as_they_were() {
    let (a, b) = (tempfile::tempdir().expect("dir"), tempfile::tempdir().expect("dir"));
    let short = plan(24, 50, "2024-09-20");
    let long = Plan { days: 51, ..short.clone() };
    write_site(a.path(), &short).expect("written");
    write_site(b.path(), &long).expect("written");
    let (a, b) = (files(a.path()), files(b.path()));
    let dump = |name: &Path| name.starts_with("dumps");
    for (name, bytes) in a.iter().filter(|(name, _)| dump(name)) {
        assert!(b[name] == *bytes, "{}", name.display());
    }
    let new: Vec<_> = b.keys().filter(|n| dump(n) && !a.contains_key(*n)).collect();
    // Five sources; a site this small has no hot utilities.
    assert_eq!(new.len(), 5, "{new:?}");
    assert!(new.iter().all(|n| n.to_string_lossy().contains("2024-11-09")), "{new:?}");
    // Records only grow.
    for record in ["checks", "changes", "findings", "alerts", "zeros", "register", "tags"] {
        let name = PathBuf::from(format!("records/{record}.csv"));
        let later: Vec<String> = text(&name, &b[&name]).lines().map(str::to_owned).collect();
        for line in text(&name, &a[&name]).lines() {
            assert!(later.iter().any(|l| l == line), "{record}: {line}");
        }
    }
}

/// Local rows of the zone-less source by tag: (date, time) in file order, files in date order.
fn local_rows(dir: &Path, day: &str) -> BTreeMap<String, Vec<String>> {
    let mut rows: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for (name, bytes) in files(dir) {
        if !name.starts_with("dumps/syrup-house") {
            continue;
        }
        for line in text(&name, &bytes).lines().skip(1) {
            let fields: Vec<&str> = line.split(';').collect();
            if fields.len() == 5 && fields[1] == day {
                rows.entry(fields[0].to_owned()).or_default().push(fields[2].to_owned());
            }
        }
    }
    rows
}

/// Clock changes of Europe/London (IANA 2026f, via zoneinfo): 2024-10-27T01:00Z 02:00 -> 01:00,
/// 2025-03-30T01:00Z 01:00 -> 02:00.
#[test]
fn local_dumps_live_through_both_clock_changes() {
    let autumn = tempfile::tempdir().expect("dir");
    write_site(autumn.path(), &plan(20, 16, "2024-10-20")).expect("written");
    let rows = local_rows(autumn.path(), "27/10/2024");
    let back = rows.values().filter(|times| times.windows(2).any(|w| w[1] < w[0])).count();
    assert!(rows.len() > 10 && back * 10 > rows.len() * 9, "{back} of {}", rows.len());
    for times in rows.values() {
        // Only the hour from one to two stands twice.
        let inside = times.iter().filter(|t| t.starts_with("01:")).count();
        let before = times.iter().filter(|t| t.starts_with("00:")).count();
        let falls = times.windows(2).filter(|w| w[1] < w[0]).count();
        assert!(falls <= 1 + before / 3, "{times:?}");
        assert!(inside > 0);
    }
    let spring = tempfile::tempdir().expect("dir");
    write_site(spring.path(), &plan(20, 16, "2025-03-20")).expect("written");
    let rows = local_rows(spring.path(), "30/03/2025");
    assert!(rows.len() > 10);
    for (tag, times) in rows {
        let skipped = times.iter().filter(|t| t.starts_with("01:")).count();
        assert_eq!(skipped, 0, "{tag} has times that never were");
        assert!(times.iter().any(|t| t.starts_with("02:") || t.starts_with("03:")), "{tag}");
    }
}

#[test]
fn readings_counted_are_readings_written() {
    let dir = tempfile::tempdir().expect("dir");
    let written = write_site(dir.path(), &plan(20, 20, "2024-09-01")).expect("written");
    let mut counted = 0u64;
    for (name, bytes) in files(dir.path()) {
        let text = text(&name, &bytes);
        let good = |line: &&str, mark: char, n: usize| {
            line.split(mark).count() == n && !line.contains("31/02/") && !line.contains("-02-31T")
        };
        counted += if name.starts_with("dumps/wet-mill") {
            text.lines().skip(1).filter(|l| good(l, ',', 4)).count() as u64
        } else if name.starts_with("dumps/syrup-house") {
            text.lines().skip(1).filter(|l| good(l, ';', 5)).count() as u64
        } else if name.starts_with("dumps/dosing") {
            text.lines().skip(1).filter(|l| good(l, '\t', 4)).count() as u64
        } else if name.starts_with("dumps/utilities") {
            text.lines()
                .skip(4)
                .filter(|l| {
                    l.split(',').count() == text.lines().nth(3).unwrap_or("").split(',').count()
                })
                .map(|l| l.split(',').skip(1).filter(|c| !c.is_empty()).count() as u64)
                .sum()
        } else if name.starts_with("dumps/loading") {
            text.lines()
                .skip(1)
                .map(|l| l.split(';').skip(1).step_by(2).filter(|c| !c.is_empty()).count() as u64)
                .sum()
        } else {
            0
        };
    }
    assert_eq!(counted, written.readings);
    assert_eq!(written.meters, 20);
}

#[test]
fn every_tag_of_the_dumps_is_in_the_tag_table_or_fits_a_pattern() {
    let dir = tempfile::tempdir().expect("dir");
    write_site(dir.path(), &plan(30, 5, "2024-09-01")).expect("written");
    let tags = std::fs::read_to_string(dir.path().join("records/tags.csv")).expect("tags");
    let plain: Vec<&str> = tags.lines().skip(1).filter_map(|l| l.split(',').next()).collect();
    assert!(plain.iter().any(|t| t.starts_with('/')), "at least one pattern");
    for (name, bytes) in files(dir.path()) {
        if name.starts_with("dumps/wet-mill") {
            for line in text(&name, &bytes).lines().skip(1).filter(|l| !l.starts_with('*')) {
                let tag = line.split(',').next().unwrap_or_default();
                assert!(plain.contains(&tag), "{tag}");
            }
        }
    }
}

#[test]
fn the_truth_is_read_back_and_has_a_row_per_meter() {
    let dir = tempfile::tempdir().expect("dir");
    let plan = plan(60, 30, "2024-09-01");
    let written = write_site(dir.path(), &plan).expect("written");
    let truth = read_truth(dir.path()).expect("truth");
    assert_eq!(truth.meters.len(), 60);
    let faulty: Vec<_> = truth.meters.values().filter(|m| m.mode.is_some()).collect();
    assert_eq!(faulty.len() as u64, written.faulty);
    assert!(faulty.iter().all(|m| m.onset_day.is_some() && !m.severity_unit.is_empty()));
    assert!(truth.meters.values().any(|m| !m.confounders.is_empty()));
    let worn = faulty.iter().find(|m| m.mode == Some(Hypothesis::Erosion)).expect("erosion");
    let onset = worn.onset_day.expect("onset");
    assert!(worn.faulty_on(onset) && !worn.faulty_on(onset.plus(-1)));
    assert!(worn.ends_day.is_none_or(|end| !worn.faulty_on(end)));
}

#[test]
fn a_variation_without_a_signal_has_none_of_its_tags() {
    let dir = tempfile::tempdir().expect("dir");
    let variation = PlanVariation {
        dropped: vec![Signal::DriveGain],
        fault_factor: 0.0,
        look_alike_factor: 0.0,
        ..PlanVariation::default()
    };
    let plan = Plan { variation, ..plan(20, 3, "2024-09-01") };
    let written = write_site(dir.path(), &plan).expect("written");
    assert_eq!(written.faulty, 0);
    let tags = std::fs::read_to_string(dir.path().join("records/tags.csv")).expect("tags");
    assert!(!tags.lines().filter(|l| !l.starts_with('/')).any(|l| l.contains(",drive_gain,")));
}

#[test]
fn a_plan_that_makes_no_site_is_refused_in_words() {
    let dir = tempfile::tempdir().expect("dir");
    let error = write_site(dir.path(), &Plan { meters: 0, ..Plan::default() }).expect_err("none");
    assert!(error.to_string().contains("at least one meter"), "{error}");
}

/// The default site within its budget of size. Sizes, not speed: time depends on the machine.
#[test]
fn a_tenth_of_the_default_site_is_a_tenth_of_its_size() {
    let dir = tempfile::tempdir().expect("dir");
    let written = write_site(dir.path(), &Plan::larkmoor(160, 45, 5)).expect("written");
    let per_meter_day = written.readings as f64 / (160.0 * 45.0);
    // 25..40 million readings of 160 meters in 456 days are 340..550 a meter and day.
    assert!((340.0..550.0).contains(&per_meter_day), "{per_meter_day}");
    // Well under 300 MB for ten times as many days, most of them in packed months.
    assert!(written.dump_bytes < 45_000_000, "{}", written.dump_bytes);
    assert!(written.streams >= 22 && written.meters == 160);
}

fn fiction(meters: usize, days: u32, variation: PlanVariation) -> Fiction {
    Fiction::new(&Plan { variation, ..plan(meters, days, "2024-09-01") }).expect("a site")
}

#[test]
fn a_site_kept_in_memory_has_the_truth_that_is_written() {
    let dir = tempfile::tempdir().expect("dir");
    let plan = plan(60, 90, "2024-09-01");
    write_site(dir.path(), &plan).expect("written");
    let written = read_truth(dir.path()).expect("truth");
    assert_eq!(Fiction::new(&plan).expect("a site").truth(), written);
}

#[test]
fn half_the_signals_missing_leaves_about_half_and_never_takes_mass_flow() {
    let n_signals = |missing_share: f64| {
        let fiction = fiction(120, 20, PlanVariation { missing_share, ..PlanVariation::default() });
        let mut scratch = DayScratch::default();
        let days: Vec<_> = (0..120).map(|meter| fiction.day(meter, 5, &mut scratch)).collect();
        let flows = days
            .iter()
            .filter(|day| day.signals.iter().any(|one| one.signal == Signal::MassFlow))
            .count();
        assert!(flows >= 110, "{flows} of 120 keep mass flow");
        days.iter().map(|day| day.signals.len()).sum::<usize>() - flows
    };
    let (all, half) = (n_signals(0.0) as f64, n_signals(0.5) as f64);
    // Some 400 signals, each gone by the toss of a coin: four standard errors are 0.1.
    assert!((half / all - 0.5).abs() < 0.1, "{half} of {all}");
}

#[test]
fn a_common_cause_on_one_service_leaves_the_others_alone() {
    let variation =
        PlanVariation { common_cause: CommonCause::OneService, ..PlanVariation::default() };
    let (usual, colder) = (fiction(60, 40, PlanVariation::default()), fiction(60, 40, variation));
    let truth = colder.truth();
    let mut scratch = DayScratch::default();
    // As text, because a reading without a value is equal to no other.
    let mut differs = |meter: usize, day: u32| {
        let (a, b) = (usual.day(meter, day, &mut scratch), colder.day(meter, day, &mut scratch));
        format!("{a:?}") != format!("{b:?}")
    };
    let mut concerned = 0;
    for (i, name) in colder.meters().enumerate() {
        assert!(!differs(i, 20), "{name}: before the cause");
        let moved = differs(i, 35);
        assert_eq!(moved, truth.meters[name].service == "slurry", "{name}");
        concerned += usize::from(moved);
    }
    assert!(concerned >= 3, "{concerned}");
}

#[test]
fn a_ladder_gives_every_meter_one_fault_and_spans_its_sizes_evenly() {
    let ladder = Ladder { onset_day: 40.0, smallest_share: 0.02 };
    let variation =
        PlanVariation { ladder: Some(ladder), look_alike_factor: 0.0, ..PlanVariation::default() };
    let truth = fiction(80, 100, variation).truth();
    let mut sizes: BTreeMap<Hypothesis, Vec<f64>> = BTreeMap::new();
    for meter in truth.meters.values() {
        let mode = meter.mode.expect("a fault");
        assert_eq!(meter.onset_day, Day::parse("2024-10-11"), "{}", meter.meter);
        sizes.entry(mode).or_default().push(meter.severity_final.abs());
    }
    assert_eq!(sizes.len(), 4);
    for (mode, mut sizes) in sizes {
        sizes.sort_by(f64::total_cmp);
        assert_eq!(sizes.len(), 20, "{mode:?}");
        let ratio = sizes[19] / sizes[0];
        // Stiffness follows the share of the wall meter by meter, up to a factor of two.
        assert!((25.0..100.0).contains(&ratio), "{mode:?} {ratio}");
    }
}
