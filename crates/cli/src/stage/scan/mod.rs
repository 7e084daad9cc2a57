//! What dumps hold, what reading them would cost, and the site-file lines that settle each guess.

mod drafts;
mod site_folder;

use crate::exit::Exit;
use crate::message::{Message, visible};
use crate::site::is_partial;
use crate::stage::import::refused;
use crate::story::{counted, grouped};
use metersift_import::{Detected, ImportError, SourceSettings};
use metersift_model::TimeUs;
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// Readings a second that the preview reckons with: less than half of what
/// docs/benchmarks measured on two cores, because a plant's machine does other work.
const READINGS_PER_S: f64 = 4e6;
/// Bytes that a stored reading takes at most (docs/operations.md, Disk).
const BYTES_PER_READING: f64 = 6.0;
/// Quality cells that are listed.
const QUALITIES_SHOWN: usize = 12;

/// One file and what was found.
pub(super) struct Scanned {
    pub file: PathBuf,
    pub found: Result<Detected, ImportError>,
}

/// Scans dumps; with `write_site`, makes a site folder to edit.
pub fn run(
    paths: &[PathBuf],
    write_site: Option<&Path>,
    zone: Option<&str>,
) -> Result<(String, Exit), Message> {
    let (files, partial) = files_of(paths)?;
    let settings = SourceSettings { name: "scan".into(), ..Default::default() };
    let scan = |file: PathBuf| Scanned {
        found: metersift_import::detect(&file, &settings, zone.unwrap_or("")),
        file,
    };
    let mut scanned: Vec<Scanned> = Vec::new();
    for file in files {
        // Each entry of an archive is a dump of its own.
        match metersift_import::dumps_in(&file) {
            Ok(Some(entries)) => scanned.extend(entries.into_iter().map(scan)),
            Ok(None) => scanned.push(scan(file)),
            Err(error) => scanned.push(Scanned { file, found: Err(error) }),
        }
    }
    let mut out = String::new();
    for one in &scanned {
        match &one.found {
            Ok(detected) => describe(&mut out, detected),
            Err(error) => {
                let message = refused(error, Exit::SetAside);
                let _ = writeln!(out, "{}\n{message}", one.file.display());
                let lines = error.site_lines();
                if !lines.is_empty() {
                    let _ = writeln!(out, "lines that would settle it:\n  {}", lines.join("\n  "));
                }
                out.push('\n');
            }
        }
    }
    let n_refused = scanned.iter().filter(|one| one.found.is_err()).count();
    let _ = writeln!(
        out,
        "{} scanned, {n_refused} refused{}",
        counted(scanned.len(), "file"),
        match partial {
            0 => String::new(),
            n => format!(", {n} passed over as not complete by their names"),
        }
    );
    let read: Vec<&Detected> = scanned.iter().filter_map(|one| one.found.as_ref().ok()).collect();
    if read.len() > 1 {
        let _ = writeln!(out, "in all {}", cost_in_all(&read));
    }
    if let Some(dir) = write_site {
        out.push_str(&site_folder::write(dir, &scanned, zone)?);
    }
    Ok((out, if n_refused > 0 { Exit::SetAside } else { Exit::Done }))
}

/// One dump: what was found and why, what it would cost, three rows as they would be stored, and
/// the lines that settle each guess.
fn describe(out: &mut String, detected: &Detected) {
    let (packing, bytes) = (detected.packing.name(), grouped(detected.bytes));
    let _ = writeln!(out, "{} ({packing}, {bytes} bytes)", visible(&detected.file));
    for guess in &detected.guesses {
        let runner_up =
            guess.runner_up.as_ref().map_or(String::new(), |other| format!("; runner-up {other}"));
        let line =
            format!("  {:<16} {:<28} {}{runner_up}", guess.setting, guess.toml, guess.reason);
        let _ = writeln!(out, "{}", visible(&line));
    }
    if !detected.qualities.is_empty() {
        let shown = detected.qualities.iter().take(QUALITIES_SHOWN);
        let texts = shown.map(|(cell, n)| format!("`{cell}` {}", grouped(*n as u64)));
        let texts: Vec<String> = texts.collect();
        let _ = writeln!(out, "  quality cells    {}", texts.join(", "));
    }
    for change in detected.headers.iter().take(3) {
        let (added, removed) = (list(&change.added), list(&change.removed));
        let _ = writeln!(
            out,
            "  line {}: another header takes over; new: {added}; gone: {removed}",
            change.line
        );
    }
    let _ = writeln!(
        out,
        "  from {} to {}, {}{}",
        day(detected.first),
        day(detected.last),
        counted(detected.tags.len(), "tag"),
        if detected.complete { "" } else { " (in blocks spread through the file)" }
    );
    let _ = writeln!(out, "  {}", cost(detected));
    for row in &detected.rows {
        let value = if row.value.is_nan() { "(no number)".into() } else { row.value.to_string() };
        let quality = row.quality.map_or("?".into(), |quality| quality.to_string());
        let line =
            format!("  line {}: {} {} {value} quality {quality}", row.line, row.tag, day(row.time));
        let _ = writeln!(out, "{}", visible(&line));
    }
    let lines = detected.site_lines().join("\n  ");
    let _ = writeln!(out, "lines for the site file:\n  {}\n", visible(&lines));
}

/// What reading one dump would cost.
fn cost(detected: &Detected) -> String {
    let cost = detected.cost;
    format!(
        "{}{}, {}",
        if cost.exact { "" } else { "about " },
        counted(cost.lines as usize, "line"),
        cost_of(cost.readings, cost.days as usize),
    )
}

/// What reading all of them would cost; a day that several touch counts once.
fn cost_in_all(read: &[&Detected]) -> String {
    let lines: u64 = read.iter().map(|one| one.cost.lines).sum();
    let readings: u64 = read.iter().map(|one| one.cost.readings).sum();
    let days: BTreeSet<i32> = read
        .iter()
        .filter_map(|one| Some(one.first?.day().0..=one.last?.day().0))
        .flatten()
        .collect();
    let about = if read.iter().all(|one| one.cost.exact) { "" } else { "about " };
    format!("{about}{}, {}", counted(lines as usize, "line"), cost_of(readings, days.len()))
}

fn cost_of(readings: u64, days: usize) -> String {
    let time = match readings as f64 / READINGS_PER_S {
        s if s < 60.0 => "less than a minute".to_owned(),
        s => format!("about {}", counted((s / 60.0).ceil() as usize, "minute")),
    };
    let mib = readings as f64 * BYTES_PER_READING / f64::from(1 << 20);
    let disk = if mib < 1.0 { "less than 1 MiB".to_owned() } else { format!("{mib:.0} MiB") };
    format!(
        "{}, {} to touch; {time}, {disk} in the store",
        counted(readings as usize, "reading"),
        counted(days, "day"),
    )
}

fn list(names: &[String]) -> String {
    match names {
        [] => "nothing".into(),
        names if names.len() <= 5 => visible(&names.join(", ")),
        names => format!("{} and {} more", visible(&names[..5].join(", ")), names.len() - 5),
    }
}

fn day(time: Option<TimeUs>) -> String {
    time.map_or("-".into(), |time| time.to_string())
}

/// The files that are named, and those in folders that are; files whose names say that they are
/// not complete are counted.
fn files_of(paths: &[PathBuf]) -> Result<(Vec<PathBuf>, usize), Message> {
    let (mut files, mut partial) = (Vec::new(), 0);
    for path in paths {
        if path.is_dir() {
            walk(path, &mut files, &mut partial)?;
        } else {
            files.push(path.clone());
        }
    }
    files.sort();
    files.dedup();
    if files.is_empty() {
        return Err(
            Message::could_not_start("no dump found").hint("name files, or a folder of files")
        );
    }
    Ok((files, partial))
}

fn walk(folder: &Path, files: &mut Vec<PathBuf>, partial: &mut usize) -> Result<(), Message> {
    let unreadable = |error: std::io::Error| {
        Message::could_not_start("a folder cannot be read")
            .at(format!("at {}: {error}", folder.display()))
    };
    for entry in std::fs::read_dir(folder).map_err(unreadable)? {
        let entry = entry.map_err(unreadable)?;
        let path = entry.path();
        // A link to a folder is not followed: it may lead in a circle.
        let kind = entry.file_type().map_err(unreadable)?;
        if entry.file_name().to_string_lossy().starts_with('.') {
            continue;
        }
        if kind.is_dir() {
            walk(&path, files, partial)?;
        } else if path.is_file() {
            if is_partial(&path) {
                *partial += 1;
            } else {
                files.push(path);
            }
        }
    }
    Ok(())
}
