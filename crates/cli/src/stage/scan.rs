//! What dumps hold, and the site-file lines that settle each guess.

use crate::exit::Exit;
use crate::message::Message;
use crate::stage::import::refused;
use metersift_import::{Detected, SourceSettings};
use metersift_model::TimeUs;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// Scans dumps; with `write_site`, makes a site folder to edit.
pub fn run(
    paths: &[PathBuf],
    write_site: Option<&Path>,
    zone: Option<&str>,
) -> Result<(String, Exit), Message> {
    let files = files_of(paths)?;
    let mut out = String::new();
    let mut exit = Exit::Done;
    let mut sources = String::new();
    for (number, file) in files.iter().enumerate() {
        let settings =
            SourceSettings { name: format!("source-{}", number + 1), ..Default::default() };
        match metersift_import::detect(file, &settings, zone.unwrap_or("")) {
            Ok(detected) => {
                describe(&mut out, &detected);
                let lines = detected.site_lines().join("\n");
                let _ = writeln!(
                    sources,
                    "[[sources]]\nname = \"{}\"\nfiles = [{}]\n{lines}\n",
                    settings.name,
                    toml::Value::String(absolute(file)),
                );
            }
            Err(error) => {
                exit = Exit::SetAside;
                let _ = writeln!(out, "{}\n{}\n", file.display(), refused(&error, Exit::SetAside));
            }
        }
    }
    if let Some(dir) = write_site {
        make_site(dir, &sources, zone)?;
        let _ = writeln!(
            out,
            "site folder written to {}; fill in records/register.csv and records/tags.csv",
            dir.display()
        );
    }
    Ok((out, exit))
}

/// One dump: what was found and why, three rows as they would be stored, and the lines that
/// settle each guess.
fn describe(out: &mut String, detected: &Detected) {
    let _ = writeln!(out, "{}", detected.file);
    for guess in &detected.guesses {
        let runner_up =
            guess.runner_up.as_ref().map_or(String::new(), |other| format!("; runner-up {other}"));
        let _ =
            writeln!(out, "  {:<16} {:<28} {}{runner_up}", guess.setting, guess.toml, guess.reason);
    }
    let day = |time: Option<TimeUs>| time.map_or("-".into(), |time| time.to_string());
    let tags = detected.tags.len();
    let _ = writeln!(
        out,
        "  from {} to {}, {tags} tags{}",
        day(detected.first),
        day(detected.last),
        if detected.complete { "" } else { " (in blocks spread through the file)" }
    );
    for row in &detected.rows {
        let _ = writeln!(
            out,
            "  line {}: {} {} {}",
            row.line,
            row.tag,
            day(row.time),
            if row.value.is_nan() { "(no number)".into() } else { row.value.to_string() }
        );
    }
    let _ = writeln!(out, "lines for the site file:\n  {}\n", detected.site_lines().join("\n  "));
}

fn files_of(paths: &[PathBuf]) -> Result<Vec<PathBuf>, Message> {
    let mut files = Vec::new();
    for path in paths {
        if path.is_dir() {
            let entries = std::fs::read_dir(path).map_err(|error| {
                Message::could_not_start("a folder cannot be read")
                    .at(format!("at {}: {error}", path.display()))
            })?;
            files.extend(entries.filter_map(Result::ok).map(|e| e.path()).filter(|p| p.is_file()));
        } else {
            files.push(path.clone());
        }
    }
    files.sort();
    let mut dumps = Vec::new();
    for file in files {
        // What is wrong with an archive is said where its dumps would stand.
        match metersift_import::dumps_in(&file) {
            Ok(Some(mut entries)) => {
                entries.sort();
                dumps.append(&mut entries);
            }
            Ok(None) | Err(_) => dumps.push(file),
        }
    }
    let files = dumps;
    if files.is_empty() {
        return Err(
            Message::could_not_start("no dump found").hint("name files, or a folder of files")
        );
    }
    Ok(files)
}

fn absolute(file: &Path) -> String {
    std::path::absolute(file).unwrap_or_else(|_| file.to_path_buf()).to_string_lossy().into_owned()
}

const REGISTER: &str = "meter,service,stream,nominal_diameter_mm,max_flow_kg_h,zero_stability_kg_h,base_accuracy_pct,criticality,custody,check_interval_days,installed\n";
const TAGS: &str = "tag,meter,signal,unit,from,until\n";

fn make_site(dir: &Path, sources: &str, zone: Option<&str>) -> Result<(), Message> {
    let file = dir.join("site.toml");
    if file.exists() {
        return Err(Message::could_not_start("there is a site file already")
            .at(format!("at {}", file.display()))
            .hint("name another folder, or copy the printed lines by hand"));
    }
    let zone = zone.unwrap_or("UTC");
    let text = format!(
        "# Made by `metersift scan`: every line below was found in the dumps; edit what is wrong.\n\
         name = \"my site\"\n\
         zone = \"{zone}\"                # zone of zone-less times\n\
         rest_seconds = 60              # a younger dump may still be growing\n\n{sources}"
    );
    let write = || -> std::io::Result<()> {
        std::fs::create_dir_all(dir.join("dumps"))?;
        std::fs::create_dir_all(dir.join("records"))?;
        for (name, header) in [("register.csv", REGISTER), ("tags.csv", TAGS)] {
            let path = dir.join("records").join(name);
            if !path.exists() {
                std::fs::write(path, header)?;
            }
        }
        std::fs::write(&file, text)
    };
    write().map_err(|error| {
        Message::new(Exit::Failed, "the site folder cannot be written")
            .at(format!("in {}: {error}", dir.display()))
    })
}
