//! One meter in one archive, for somebody who has none of our programs.

use crate::support::*;
use std::collections::BTreeMap;
use std::io::Read;
use std::path::Path;

fn site_with_three_days(dir: &Path) {
    small_site(dir, "");
    for day in 2..=4 {
        let day = format!("2026-03-0{day}");
        put(&dir.join(format!("dumps/{day}.csv")), long_dump(&day));
    }
    put(
        &dir.join("records/changes.csv"),
        "meter,time,item,before,after\nFT-1,2026-03-03T08:00:00Z,cleaned,,by M. Quill at Larkmoor\n",
    );
    let text = std::fs::read_to_string(dir.join("site.toml")).expect("a site file");
    put(&dir.join("site.toml"), text + "\n[faults.limits.tolerable_flow_error_pct]\nwater = 1.0\n");
    assert_eq!(run_night(dir).code, Some(0));
}

/// Packs FT-1 and reads the archive as others do.
fn bundle(site: &Path, arguments: &[&str]) -> (BTreeMap<String, String>, Run) {
    let file = site.join("out.zip");
    let (file_name, site_name) = (file.to_string_lossy(), site.to_string_lossy());
    let mut all = vec!["bundle", "FT-1", "--site", &*site_name, "--output", &*file_name];
    all.extend(arguments);
    let run = metersift(all);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    let mut archive =
        zip::ZipArchive::new(std::fs::File::open(&file).expect("an archive")).expect("a zip");
    let mut files = BTreeMap::new();
    for index in 0..archive.len() {
        let mut entry = archive.by_index(index).expect("an entry");
        let mut text = String::new();
        entry.read_to_string(&mut text).expect("text");
        files.insert(entry.name().expect("a name").into_owned(), text);
    }
    (files, run)
}

fn rows(text: &str) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let names = reader.headers().expect("a header").clone();
    let rows = reader.records().map(|row| {
        let row = row.expect("a row");
        names.iter().map(String::from).zip(row.iter().map(String::from)).collect()
    });
    rows.collect()
}

#[test]
fn a_bundle_holds_samples_features_evidence_and_settings_and_names_its_hashes() {
    let dir = tempfile::tempdir().expect("a folder");
    site_with_three_days(dir.path());
    let (files, run) = bundle(dir.path(), &["--days", "2"]);
    assert!(run.stdout.trim_end().ends_with("out.zip"), "{}", run.stdout);
    let names: Vec<&str> = files.keys().map(String::as_str).collect();
    let expected = [
        "README.txt",
        "entries.csv",
        "evidence.csv",
        "features.csv",
        "hashes.csv",
        "page.html",
        "records.csv",
        "samples/density.csv",
        "samples/drive_gain.csv",
        "samples/mass_flow.csv",
        "settings.toml",
        "verdict.csv",
    ];
    assert_eq!(names, expected);
    // The samples are those of the dumps, value by value.
    let told: Vec<(String, f64)> = ["2026-03-03", "2026-03-04"]
        .iter()
        .flat_map(|day| rows(&long_dump(day)))
        .filter(|row| row["tag"] == "FT-1.DENS")
        .map(|row| (row["time"].clone(), row["value"].parse().expect("a number")))
        .collect();
    let kept = rows(&files["samples/density.csv"]);
    assert!(kept.iter().all(|row| row["unit"] == "kg/m3" && row["quality"] == "192"));
    let kept: Vec<(String, f64)> = kept
        .iter()
        .map(|row| (row["time"].clone(), row["value"].parse().expect("a number")))
        .collect();
    assert_eq!(kept.len(), 2880);
    assert_eq!(kept, told);
    assert_eq!(rows(&files["features.csv"]).len(), 3, "one row a day");
    assert_eq!(rows(&files["verdict.csv"])[0]["meter"], "FT-1");
    let cleaned = rows(&files["records.csv"]).into_iter().find(|row| row["kind"] == "change");
    assert_eq!(cleaned.expect("the cleaning")["what"], "cleaned");
    assert!(files["settings.toml"].contains("water = 1.0"), "{}", files["settings.toml"]);
    // Every file but the list itself, by the hash of what lies in the archive.
    let hashes = rows(&files["hashes.csv"]);
    assert_eq!(hashes.len(), files.len() - 1);
    for row in hashes {
        let text = &files[&row["file"]];
        assert_eq!(row["blake3"], blake3::hash(text.as_bytes()).to_hex().as_str(), "{row:?}");
        assert!(files["README.txt"].contains(&row["file"]) || row["file"] == "README.txt");
    }
    let first = std::fs::read(dir.path().join("out.zip")).expect("an archive");
    bundle(dir.path(), &["--days", "2"]);
    assert!(std::fs::read(dir.path().join("out.zip")).expect("an archive") == first, "same bytes");
}

#[test]
fn a_bundle_in_disguise_tells_no_name_no_date_and_no_note() {
    let dir = tempfile::tempdir().expect("a folder");
    site_with_three_days(dir.path());
    let (plain, _) = bundle(dir.path(), &[]);
    let (files, run) = bundle(dir.path(), &["--disguise"]);
    assert!(run.stderr.contains("FT-1 is meter-1"), "{}", run.stderr);
    assert!(!files.contains_key("page.html"), "its sentences hold names and dates");
    for (name, text) in &files {
        for secret in ["FT-1", "2026-03", "Larkmoor", "Quill", "stream"] {
            let told = text.contains(secret) && !(name == "README.txt" && secret == "stream");
            assert!(!told, "{name} tells `{secret}`");
        }
    }
    // The same samples, all earlier by one number of whole weeks.
    let time = |row: &BTreeMap<String, String>| -> jiff::Timestamp {
        row["time"].parse().expect("a time")
    };
    let (before, after) =
        (rows(&plain["samples/density.csv"]), rows(&files["samples/density.csv"]));
    assert_eq!(before.len(), after.len());
    let week_s = 7 * 86_400;
    let moved = time(&before[0]).as_second() - time(&after[0]).as_second();
    assert!(moved > 0 && moved % week_s == 0, "{moved}");
    for (before, after) in before.iter().zip(&after) {
        assert_eq!(time(before).as_second() - time(after).as_second(), moved);
        assert_eq!(before["value"], after["value"]);
    }
}

#[test]
fn a_bundle_of_a_meter_that_is_not_there_is_refused() {
    let dir = tempfile::tempdir().expect("a folder");
    site_with_three_days(dir.path());
    let run = metersift(["bundle", "FT-7", "--site", &dir.path().to_string_lossy()]);
    assert_eq!(run.code, Some(2), "{}", run.stderr);
    assert!(run.stderr.contains("FT-7") && run.stderr.contains("hint:"), "{}", run.stderr);
}
