//! Throwaway.
use metersift_import::{RecordSettings, SourceSettings, TagTable, detect, read_dump, read_records};
use metersift_model::SeriesTable;
use std::io::Write;
use std::path::Path;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let dir = std::env::args().nth(1).ok_or("dir")?;
    let blank = std::env::args().nth(2).is_some();
    let dir = Path::new(&dir);
    let site: toml::Table = toml::from_str(&std::fs::read_to_string(dir.join("site.toml"))?)?;
    let zone = site.get("zone").and_then(|z| z.as_str()).unwrap_or("").to_owned();
    let mut records: RecordSettings = match site.get("records") {
        Some(r) => r.clone().try_into()?,
        None => RecordSettings::default(),
    };
    records.zone = zone.clone();
    let tags = TagTable::read(&dir.join("records/tags.csv"), &records)?;
    let (recs, rejects) = read_records(dir, &records)?;
    let mut out = std::io::stdout();
    writeln!(out, "{} meters, {} rejects of records", recs.meters.len(), rejects.len())?;
    for r in rejects.iter().take(5) { writeln!(out, "{r:?}")?; }
    let mut series = SeriesTable::default();
    let started = std::time::Instant::now();
    let (mut rows, mut detect_s) = (0, 0.0);
    for source in site["sources"].as_array().ok_or("sources")? {
        let source: SourceSettings = source.clone().try_into()?;
        let folder = dir.join(&source.files[0]);
        let folder = folder.parent().ok_or("parent")?;
        let mut used = source.clone();
        if blank {
            used = SourceSettings { name: source.name.clone(), zone: source.zone.clone(), bad_values: source.bad_values.clone(), tag_prefix: source.tag_prefix.clone(), ..SourceSettings::default() };
        }
        let mut paths: Vec<_> = std::fs::read_dir(folder)?.map(|e| e.map(|e| e.path())).collect::<Result<_, _>>()?;
        paths.sort();
        let mut total = metersift_import::DumpReport::default();
        for path in paths {
            let t = std::time::Instant::now();
            let found = match detect(&path, &used, &zone) { Ok(f) => f, Err(e) => { writeln!(out, "{e}")?; continue; } };
            detect_s += t.elapsed().as_secs_f64();
            let mut rej = Vec::new();
            let report = match read_dump(&path, &found.dialect, &tags, &mut series, &mut |_| Ok(()), &mut |r| rej.push(r)) { Ok(r) => r, Err(e) => { writeln!(out, "{e}")?; continue; } };
            for r in rej.iter().take(2) { writeln!(out, "{r:?}")?; }
            total.rows_in += report.rows_in; total.delivered += report.delivered; total.ignored += report.ignored;
            total.blank_lines += report.rejected_total(); total.bad_values += report.bad_values; total.empty_cells += report.empty_cells;
            for (w, t) in &report.bad_words { *total.out_of_span.entry(w.clone()).or_default() += t.values().sum::<u64>(); }
        }
        rows += total.rows_in;
        writeln!(out, "{}: rows {} delivered {} rejected {} ignored {} bad_values {} empty {} words {:?}", source.name, total.rows_in, total.delivered, total.blank_lines, total.ignored, total.bad_values, total.empty_cells, total.out_of_span)?;
    }
    let s = started.elapsed().as_secs_f64();
    writeln!(out, "{rows} rows in {s:.2} s: {:.2} M rows/s; detection {detect_s:.2} s", rows as f64 / s / 1e6)?;
    Ok(())
}
