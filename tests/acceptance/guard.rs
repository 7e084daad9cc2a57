//! A dump in another unit: told before anything is judged, and no meter is accused for it.

use crate::support::*;
use std::path::Path;

const DAYS: [&str; 4] = ["2026-03-02", "2026-03-03", "2026-03-04", "2026-03-05"];

/// A dump with its densities in g/cm3.
fn in_g_cm3(dump: &str) -> String {
    let line = |line: &str| match line.split(',').collect::<Vec<_>>().as_slice() {
        [tag, time, value, quality] if tag.ends_with(".DENS") => {
            let value: f64 = value.parse().expect("a number");
            format!("{tag},{time},{:.6},{quality}\n", value / 1000.0)
        }
        _ => format!("{line}\n"),
    };
    dump.lines().map(line).collect()
}

/// Four days, the last in another unit.
fn slipped(site: &Path) {
    slipped_on(site, 3);
}

/// Four days, one of them in another unit.
fn slipped_on(site: &Path, slipped: usize) {
    small_site(site, "");
    for (i, day) in DAYS.iter().enumerate() {
        let text = long_dump(day);
        let text = if i == slipped { in_g_cm3(&text) } else { text };
        put(&site.join(format!("dumps/{day}.csv")), text);
    }
}

fn steps(site: &Path) -> Vec<metersift_store::NotedStep> {
    let store = metersift_store::Store::read(&site.join("store")).expect("a store");
    let ledger = store.ledger();
    assert!(ledger.dumps.iter().all(|dump| dump.steps.is_some()), "every dump was looked at");
    ledger.dumps.iter().flat_map(|dump| dump.steps.iter().flatten().cloned()).collect()
}

#[test]
fn a_dump_in_another_unit_is_told_before_anything_is_judged_and_accuses_nobody() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    slipped(site);
    let run = run_night(site);
    assert_eq!(run.code, Some(1), "{}", run.stderr);
    for part in [
        "warning: density of FT-1 steps as if a unit had changed",
        "at dumps/2026-03-05.csv, where it hands over at 2026-03-05T00:00:00Z (tag FT-1.DENS)",
        "0.99823 kg/m3 after (64 readings), 998.23 kg/m3 before (64)",
        "0.001 times; g/cm3 taken for kg/m3 makes 0.001 times",
        "FT-1.DENS,FT-1,density,kg/m3,,2026-03-05",
        "FT-1.DENS,FT-1,density,g/cm3,2026-03-05,",
        "`metersift withdraw dumps/2026-03-05.csv`",
        "[[accepted_steps]]",
    ] {
        assert!(run.stderr.contains(part), "{part} is missing: {}", run.stderr);
    }
    let at = |text: &str| run.stderr.find(text).unwrap_or_else(|| panic!("{text}"));
    assert!(at("warning: density") < at("\nfaults "), "told before it is judged");

    let why = metersift(["explain", "FT-1", "--site", &site.to_string_lossy()]);
    assert!(why.stdout.contains("a suspected mistake of units"), "{}", why.stdout);
    let list = std::fs::read_to_string(newest(site).join("lists/watch-list.csv")).expect("a list");
    let entries: Vec<&str> = list.lines().filter(|line| line.contains("FT-1")).collect();
    assert!(entries.iter().any(|line| line.contains("mend_data")), "{list}");
    for fault in ["erosion", "coating", "two_phase", "damage", "pull,"] {
        assert!(!entries.iter().any(|line| line.contains(fault)), "{fault}: {entries:?}");
    }
    let page = std::fs::read_to_string(newest(site).join("report/index.html")).expect("a report");
    assert!(page.contains("Suspected unit or decimal steps"), "{page}");

    // The next night tells it again: an open question does not close by itself.
    let again = run_night(site);
    assert_eq!(again.code, Some(1), "{}", again.stderr);
    assert!(again.stderr.contains("warning: density of FT-1"), "{}", again.stderr);
    // A morning before the step knows nothing of it.
    let site_arg = site.to_string_lossy().into_owned();
    let early = ["explain", "FT-1", "--as-of", "2026-03-05", "--site", &site_arg];
    assert!(!metersift(early).stdout.contains("mistake of units"));
}

#[test]
fn a_step_that_the_site_accepts_is_none_and_a_wrong_setting_is_refused() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    slipped(site);
    let file = site.join("site.toml");
    let plain = std::fs::read_to_string(&file).expect("a site file");
    let accepted = |signal: &str, day: &str| {
        let step = format!("meter = \"FT-1\"\nsignal = \"{signal}\"\nday = \"{day}\"\n");
        put(&file, format!("{plain}\n[[accepted_steps]]\n{step}"));
        on_site("import", site)
    };
    assert_eq!(accepted("density", "2026-03-05").code, Some(0));
    assert_eq!(accepted("density", "2026-03-04").code, Some(1), "of another day");
    assert_eq!(accepted("mass_flow", "2026-03-05").code, Some(1), "of another signal");
    for (signal, day, part) in [
        ("densty", "2026-03-05", "read signal `densty`"),
        ("density", "5 March", "read day `5 March`"),
    ] {
        let run = accepted(signal, day);
        assert_eq!(run.code, Some(2), "{}", run.stderr);
        assert!(run.stderr.contains(part), "{}", run.stderr);
    }
}

#[test]
fn the_lines_of_the_warning_mend_the_store() {
    let (dir, right) = (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("one"));
    let site = dir.path();
    slipped(site);
    assert_eq!(on_site("import", site).code, Some(1));
    let tags = TAGS.replace(
        "FT-1.DENS,FT-1,density,kg/m3,,\n",
        "FT-1.DENS,FT-1,density,kg/m3,,2026-03-05\nFT-1.DENS,FT-1,density,g/cm3,2026-03-05,\n",
    );
    put(&site.join("records/tags.csv"), tags);
    let dump = site.join("dumps/2026-03-05.csv");
    let withdrawn =
        metersift(["withdraw", "dumps/2026-03-05.csv", "--site", &site.to_string_lossy()]);
    assert_eq!(withdrawn.code, Some(0), "{}", withdrawn.stderr);
    let alone = on_site("import", site);
    assert_eq!(alone.code, Some(0), "the question went with its dump: {}", alone.stderr);
    let text = std::fs::read_to_string(&dump).expect("the dump");
    put(&dump, text + "\n");
    let mended = on_site("import", site);
    assert_eq!(mended.code, Some(0), "{}", mended.stderr);

    as_if_never_slipped(site, right.path());
}

/// A slip of one day: left open, the line of the other unit would spoil every day after it.
#[test]
fn a_slip_that_ended_is_mended_with_the_line_that_goes_back() {
    let (dir, right) = (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("one"));
    let site = dir.path();
    slipped_on(site, 2);
    let run = on_site("import", site);
    assert_eq!(run.code, Some(1));
    for far in [
        "where it goes back to kg/m3, that day as `until` of the last line and\n  \
         FT-1.DENS,FT-1,density,kg/m3,THAT-DAY,\n",
        "where it left kg/m3, that day as `from` of the first line and\n  \
         FT-1.DENS,FT-1,density,kg/m3,,THAT-DAY\n",
    ] {
        assert!(run.stderr.contains(far), "{}", run.stderr);
    }
    let tags = TAGS.replace(
        "FT-1.DENS,FT-1,density,kg/m3,,\n",
        "FT-1.DENS,FT-1,density,kg/m3,,2026-03-04\n\
         FT-1.DENS,FT-1,density,g/cm3,2026-03-04,2026-03-05\n\
         FT-1.DENS,FT-1,density,kg/m3,2026-03-05,\n",
    );
    put(&site.join("records/tags.csv"), tags);
    let name = "dumps/2026-03-04.csv";
    let withdrawn = metersift(["withdraw", name, "--site", &site.to_string_lossy()]);
    assert_eq!(withdrawn.code, Some(0), "{}", withdrawn.stderr);
    let text = std::fs::read_to_string(site.join(name)).expect("the dump");
    put(&site.join(name), text + "\n");
    let mended = on_site("import", site);
    assert_eq!(mended.code, Some(0), "{}", mended.stderr);
    as_if_never_slipped(site, right.path());
}

/// The densities of a mended site against those of the same days without a slip.
fn as_if_never_slipped(site: &Path, right: &Path) {
    small_site(right, "");
    for day in DAYS {
        put(&right.join(format!("dumps/{day}.csv")), long_dump(day));
    }
    assert_eq!(on_site("import", right).code, Some(0));
    let densities = |site: &Path| {
        let store = metersift_store::Store::read(&site.join("store")).expect("a store");
        let mut all = Vec::new();
        for file in store.day_files() {
            store
                .for_each_run(file.day(), file.bucket(), &mut |run| {
                    if run.signal == "density" {
                        all.extend_from_slice(run.value);
                    }
                })
                .expect("a day");
        }
        all
    };
    let (a, b) = (densities(site), densities(right));
    assert_eq!(a.len(), 4 * 1440);
    // Six printed decimals of g/cm3 hold what two of kg/m3 hold; the rest is one rounding.
    assert!(a.iter().zip(&b).all(|(a, b)| (a - b).abs() < 1e-9 * b), "as if never slipped");
}

#[test]
fn a_header_that_takes_over_in_mid_dump_is_a_boundary_too() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    small_site(site, "");
    let (first, second) = (long_dump(DAYS[0]), in_g_cm3(&long_dump(DAYS[1])));
    // The same columns and one more.
    let widened: String = second
        .lines()
        .map(|line| match line.starts_with("tag,") {
            true => "tag,time,value,quality,note\n".to_string(),
            false => format!("{line},\n"),
        })
        .collect();
    put(&site.join("dumps/a.csv"), first + &widened);
    let run = on_site("import", site);
    assert_eq!(run.code, Some(1), "{}", run.stderr);
    assert!(run.stderr.contains("another header takes over in line 4322"), "{}", run.stderr);
    assert!(run.stderr.contains("warning: density of FT-1"), "{}", run.stderr);
    assert_eq!(steps(site).len(), 1);
}

#[test]
fn dumps_that_come_in_any_order_or_in_one_night_are_told_alike() {
    for order in [[0, 1, 2, 3], [3, 2, 1, 0], [2, 3, 0, 1]] {
        let (one, many) = (tempfile::tempdir().expect("one"), tempfile::tempdir().expect("one"));
        slipped(one.path());
        assert_eq!(on_site("import", one.path()).code, Some(1));
        slipped(many.path());
        let dumps = |i: usize| many.path().join(format!("dumps/{}.csv", DAYS[i]));
        let texts: Vec<String> =
            (0..4).map(|i| std::fs::read_to_string(dumps(i)).expect("a dump")).collect();
        (0..4).for_each(|i| std::fs::remove_file(dumps(i)).expect("removed"));
        for i in order {
            put(&dumps(i), &texts[i]);
            assert!(matches!(on_site("import", many.path()).code, Some(0 | 1)));
        }
        let told = |site: &Path| {
            let steps = steps(site).into_iter();
            steps.map(|s| (s.meter, s.signal, s.at_us, s.words, s.newer)).collect::<Vec<_>>()
        };
        let expected = told(one.path());
        assert_eq!(expected.len(), 1);
        assert_eq!(told(many.path()), expected, "{order:?}");
        assert_eq!(on_site("import", many.path()).code, Some(1), "{order:?}");
    }
}

/// The simulated site with one tag read in a wrong unit from one night on.
#[test]
fn a_slip_on_the_simulated_site_is_told_for_its_meter_alone() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    metersift_sim::write_site(site, &metersift_sim::Plan::larkmoor(12, 40, 3)).expect("a site");
    let tags = site.join("records/tags.csv");
    let text = std::fs::read_to_string(&tags).expect("tags");
    // 6 October 2024 begins in UTC at one o'clock, local time of the site.
    let (old, until, from) = (
        "LM.FT-1102.DENS,FT-1102,density,kg/m3,,\n",
        "LM.FT-1102.DENS,FT-1102,density,kg/m3,,2024-10-06 01:00\n",
        "LM.FT-1102.DENS,FT-1102,density,lb/ft3,2024-10-06 01:00,\n",
    );
    assert!(text.contains(old), "{text}");
    put(&tags, text.replace(old, &format!("{until}{from}")));
    let run = on_site("import", site);
    assert_eq!(run.code, Some(1), "{}", run.stderr);
    let steps = steps(site);
    assert_eq!(steps.len(), 1, "{steps:?}");
    assert_eq!((steps[0].meter.as_str(), steps[0].signal.as_str()), ("FT-1102", "density"));
    assert!((steps[0].factor / 16.018_46 - 1.0).abs() < 1e-4, "{steps:?}");
    assert!(run.stderr.contains("kg/m3 taken for lb/ft3"), "{}", run.stderr);
}

/// 150 days of 24 simulated meters with faults, gas, batches, cleaning and shut-downs.
#[test]
fn nothing_is_told_of_the_simulated_site() {
    let store = metersift_store::Store::read(&JUDGED.site.join("store")).expect("a store");
    assert!(steps(&JUDGED.site).is_empty(), "{:?}", steps(&JUDGED.site));
    let all = store.ledger().dumps.iter().map(|dump| dump.number).collect();
    let handovers = store.handovers(&all).expect("sound files");
    let long = |side: &[(i64, f64)]| side.len() >= 8;
    let judged = handovers.iter().filter(|one| long(&one.before) && long(&one.after)).count();
    assert!(judged > 1000, "{judged} of {} handovers could be judged", handovers.len());
}

/// 60 meters over 150 days, with every look-alike that the simulator knows: what it says of
/// itself is the truth, and the guard has not seen it.
#[test]
fn every_slip_of_the_simulator_at_a_new_dump_is_told_and_nothing_else() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    metersift_sim::write_site(site, &metersift_sim::Plan::larkmoor(60, 150, 4)).expect("a site");
    let truth = std::fs::read_to_string(site.join("truth/truth.csv")).expect("the truth");
    let slipped: Vec<&str> = truth
        .lines()
        .filter(|line| line.contains("unit_slip@"))
        .filter_map(|line| line.split(',').next())
        .collect();
    assert!(!slipped.is_empty(), "{truth}");
    let run = on_site("import", site);
    assert_eq!(run.code, Some(1), "{}", run.stderr);
    let steps = steps(site);
    let told: Vec<&str> = steps.iter().map(|step| step.meter.as_str()).collect();
    assert_eq!(told, slipped);
    assert!(steps.iter().all(|step| step.signal == "density" && step.unit == "g/cm3"));
}
