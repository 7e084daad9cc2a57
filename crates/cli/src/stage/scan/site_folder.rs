//! `scan --write-site`: a site folder that runs once the empty cells of its drafts are filled.
//!
//! Rules:  dumps stay where they lie and are named by patterns relative to the site folder, so
//!         that nothing is copied and tomorrow's dump is found as well. Dumps of one folder that
//!         read alike are one source. A refused file is a block of comments, with the lines that
//!         would make it acceptable.

use super::{Scanned, drafts};
use crate::exit::Exit;
use crate::message::Message;
use crate::site::is_partial;
use crate::story::counted;
use metersift_import::{Detected, ImportError};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::{Component, Path, PathBuf};

/// Dumps of one folder that read alike.
struct Group<'s> {
    folder: PathBuf,
    lines: Vec<String>,
    /// Files on disk: of an archive there is one for each of its dumps.
    files: Vec<(PathBuf, &'s Detected)>,
}

/// Writes the folder; gives what to do next.
pub(super) fn write(
    dir: &Path,
    scanned: &[Scanned],
    zone: Option<&str>,
) -> Result<String, Message> {
    let file = dir.join("site.toml");
    if file.exists() {
        return Err(Message::could_not_start("there is a site file already")
            .at(format!("at {}", file.display()))
            .hint("name another folder, or copy the printed lines by hand"));
    }
    let failed = |error: std::io::Error| {
        Message::new(Exit::Failed, "the site folder cannot be written")
            .at(format!("in {}: {error}", dir.display()))
    };
    std::fs::create_dir_all(dir.join("records")).map_err(failed)?;
    let groups = groups(scanned);
    let text = site_file(dir, &groups, scanned, zone);
    let found: Vec<&Detected> = scanned.iter().filter_map(|one| one.found.as_ref().ok()).collect();
    let drafts = drafts::of(&found);
    for (name, text) in [("register.csv", &drafts.register), ("tags.csv", &drafts.tags)] {
        let path = dir.join("records").join(name);
        if !path.exists() {
            std::fs::write(path, text).map_err(failed)?;
        }
    }
    std::fs::write(&file, text).map_err(failed)?;
    Ok(format!(
        "site folder written to {}: {}; the dumps stay where they are\n\
         next: fill records/tags.csv ({}, {} to complete) and records/register.csv ({}), then \
         `metersift import --site {}`\n",
        dir.display(),
        counted(groups.len(), "source"),
        counted(drafts.n_tags, "tag"),
        drafts.n_open,
        counted(drafts.n_meters, "meter"),
        dir.display(),
    ))
}

/// Dumps that lie in one folder and are read by the same lines.
fn groups(scanned: &[Scanned]) -> Vec<Group<'_>> {
    let mut groups: Vec<Group<'_>> = Vec::new();
    for one in scanned {
        let Ok(found) = &one.found else { continue };
        let file = metersift_import::file_of(&one.file);
        let (folder, lines) = (folder_of(&file), found.site_lines());
        match groups.iter_mut().find(|group| group.folder == folder && group.lines == lines) {
            Some(group) => group.files.push((file, found)),
            None => groups.push(Group { folder, lines, files: vec![(file, found)] }),
        }
    }
    groups
}

fn folder_of(file: &Path) -> PathBuf {
    let folder = file.parent().filter(|folder| !folder.as_os_str().is_empty());
    folder.unwrap_or(Path::new(".")).to_path_buf()
}

fn site_file(dir: &Path, groups: &[Group<'_>], scanned: &[Scanned], zone: Option<&str>) -> String {
    let mut text = format!(
        "# Made by `metersift scan`. Every line of a source was found in its dumps and fixes one\n\
         # guess: what is set here is never guessed again. Edit what is wrong.\n\
         # Patterns of files are relative to this folder. The dumps stay where they lie; to move\n\
         # them into dumps/ of this folder, move the files and change the patterns.\n\
         name = \"my site\"\n\
         zone = {}                # zone of times that carry no offset\n\
         rest_seconds = 60              # a younger dump may still be growing\n",
        toml::Value::String(zone.unwrap_or("UTC").into())
    );
    let mut names = BTreeSet::new();
    for group in groups {
        let name = source_name(group, &mut names);
        let _ = writeln!(text, "\n[[sources]]\nname = {}", toml::Value::String(name));
        let patterns: Vec<String> = patterns(dir, group, scanned)
            .into_iter()
            .map(|pattern| toml::Value::String(pattern).to_string())
            .collect();
        let _ = writeln!(text, "files = [{}]", patterns.join(", "));
        let reasons = group.files.first().map_or(BTreeMap::new(), |(_, found)| {
            found.guesses.iter().map(|guess| (guess.setting, guess.reason.as_str())).collect()
        });
        for line in &group.lines {
            let key = line.split(' ').next().unwrap_or("");
            let reason = reasons.get(key).map_or("", |reason| reason);
            let _ = writeln!(text, "{line:<40} # {}", one_line(reason));
        }
    }
    for (number, one) in scanned.iter().filter(|one| one.found.is_err()).enumerate() {
        if let Err(error) = &one.found {
            let file = metersift_import::file_of(&one.file);
            refused_block(&mut text, dir, number + 1, &file, error);
        }
    }
    text
}

/// A refused file as comments: taking away the `# ` at the start of each line and settling what
/// the lines say makes it a source.
fn refused_block(text: &mut String, dir: &Path, number: usize, file: &Path, error: &ImportError) {
    let name = file.file_name().unwrap_or_default().to_string_lossy();
    let pattern = join(&relative(dir, &folder_of(file)), &glob::Pattern::escape(&name));
    let _ = writeln!(
        text,
        "\n# # refused: {}\n# # {}\n# [[sources]]\n# name = \"refused-{number}\"\n# files = [{}]",
        one_line(&error.to_string()),
        one_line(&error.hint()),
        toml::Value::String(pattern)
    );
    for line in error.site_lines() {
        let _ = writeln!(text, "# {}", one_line(&line));
    }
}

fn one_line(text: &str) -> String {
    text.replace(['\n', '\r'], " ")
}

/// The folder's name, or a number where that is taken.
fn source_name(group: &Group<'_>, taken: &mut BTreeSet<String>) -> String {
    let folder = std::path::absolute(&group.folder).unwrap_or_else(|_| group.folder.clone());
    let base =
        folder.file_name().map_or("dumps".into(), |name| name.to_string_lossy().into_owned());
    let mut name = base.clone();
    let mut number = 1;
    while !taken.insert(name.clone()) {
        number += 1;
        name = format!("{base}-{number}");
    }
    name
}

/// A pattern for each ending (`.csv`, `.csv.gz`) among the files of a group, where it catches no
/// other file of the folder; else each file by its name.
fn patterns(dir: &Path, group: &Group<'_>, scanned: &[Scanned]) -> Vec<String> {
    let name_of = |file: &Path| file.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let names: BTreeSet<String> = group.files.iter().map(|(file, _)| name_of(file)).collect();
    let folder = relative(dir, &group.folder);
    let others = others_in(&group.folder, &names, scanned);
    let mut by_ending: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for name in &names {
        by_ending.entry(&name[stem(name)..]).or_default().push(name);
    }
    let mut patterns = Vec::new();
    for (ending, names) in by_ending {
        let pattern = common_pattern(&names, ending);
        let catches =
            glob::Pattern::new(&pattern).is_ok_and(|p| others.iter().any(|o| p.matches(o)));
        if catches {
            patterns.extend(names.iter().map(|n| join(&folder, &glob::Pattern::escape(n))));
        } else {
            patterns.push(join(&folder, &pattern));
        }
    }
    patterns
}

/// Where the ending of a name begins.
fn stem(name: &str) -> usize {
    name.find('.').unwrap_or(name.len())
}

/// Other files of a folder: those that were scanned, and those that merely lie there.
fn others_in(folder: &Path, own: &BTreeSet<String>, scanned: &[Scanned]) -> Vec<String> {
    let lying = std::fs::read_dir(folder).into_iter().flatten().filter_map(Result::ok);
    let lying = lying.map(|entry| entry.path()).filter(|path| path.is_file() && !is_partial(path));
    let named = scanned
        .iter()
        .map(|one| metersift_import::file_of(&one.file))
        .filter(|f| folder_of(f) == folder);
    let names: BTreeSet<String> = lying
        .chain(named)
        .filter_map(|path| Some(path.file_name()?.to_string_lossy().into_owned()))
        .collect();
    names.into_iter().filter(|name| !own.contains(name)).collect()
}

/// What the names begin with, `*`, and their ending: digits of dates and numbers are left open,
/// so that tomorrow's dump fits too.
fn common_pattern(names: &[&str], ending: &str) -> String {
    let first = names.first().copied().unwrap_or("");
    let shared = |other: &str| {
        let same = first.chars().zip(other.chars()).take_while(|(a, b)| a == b);
        same.map(|(a, _)| a.len_utf8()).sum::<usize>()
    };
    let start = names.iter().map(|name| shared(name)).min().unwrap_or(0).min(stem(first));
    let open = |c: char| c.is_ascii_digit() || "-_ T".contains(c);
    let start = first.get(..start).unwrap_or("").trim_end_matches(open);
    format!("{}*{}", glob::Pattern::escape(start), glob::Pattern::escape(ending))
}

fn join(folder: &str, name: &str) -> String {
    if folder.is_empty() { name.to_owned() } else { format!("{folder}/{name}") }
}

/// A folder as seen from the site folder, with `/` between its parts; the whole path where the
/// two have nothing in common.
fn relative(dir: &Path, folder: &Path) -> String {
    let whole = |path: &Path| {
        path.canonicalize().or_else(|_| std::path::absolute(path)).unwrap_or_else(|_| path.into())
    };
    let (from, to) = (whole(dir), whole(folder));
    let common = from.components().zip(to.components()).take_while(|(a, b)| a == b).count();
    let rooted = from.components().take(common).all(|part| !matches!(part, Component::Normal(_)));
    if rooted {
        return glob::Pattern::escape(&to.to_string_lossy().replace('\\', "/"));
    }
    let up = from.components().skip(common).map(|_| "..".to_owned());
    let down = to
        .components()
        .skip(common)
        .map(|part| glob::Pattern::escape(&part.as_os_str().to_string_lossy()));
    up.chain(down).collect::<Vec<String>>().join("/")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pattern(names: &[&str]) -> String {
        common_pattern(names, &names[0][stem(names[0])..])
    }

    #[test]
    fn a_pattern_leaves_the_date_open() {
        assert_eq!(pattern(&["mill-2026-03.csv"]), "mill*.csv");
        assert_eq!(pattern(&["a-1.csv.gz", "a-2.csv.gz"]), "a*.csv.gz");
        assert_eq!(pattern(&["a.csv", "b.csv"]), "*.csv");
        assert_eq!(pattern(&["[x]1.csv"]), "[[]x[]]*.csv");
    }
}
