//! The reference of the site file is made from the settings in code, and is current.
//!
//! `METERSIFT_WRITE_DOCS=1 cargo test --release -p metersift-cli --test acceptance site_file`
//! writes it anew.

use crate::support::*;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

/// Section of the site file, the file and struct that hold its keys, and what it is for.
const SECTIONS: [(&str, &str, &str, &str); 14] = [
    ("", "crates/cli/src/site.rs", "SiteFile", "The site as a whole."),
    (
        "sources",
        "crates/import/src/settings.rs",
        "SourceSettings",
        "`[[sources]]`, one per kind of export.",
    ),
    (
        "sources.columns",
        "crates/import/src/settings.rs",
        "ColumnSettings",
        "Which column is what, by header name or number from 1.",
    ),
    (
        "records",
        "crates/import/src/records.rs",
        "RecordSettings",
        "Names that the columns of record files have at this site: `[records.checks]`, then `our_name = \"their name\"`.",
    ),
    ("features", "crates/features/src/settings.rs", "Settings", "How daily features are made."),
    ("faults", "crates/faults/src/settings.rs", "Settings", "How verdicts are reached."),
    ("faults.limits", "crates/faults/src/settings.rs", "Limits", "What the site can bear."),
    ("rank", "crates/rank/src/settings.rs", "Settings", "How verdicts become lists."),
    (
        "rank.cure",
        "crates/rank/src/settings.rs",
        "PerList",
        "Chance that the action of a list cures what it finds.",
    ),
    ("rank.money", "crates/rank/src/settings.rs", "Money", "Money, where the site knows it."),
    (
        "rank.money.action_cost",
        "crates/rank/src/settings.rs",
        "PerList",
        "What the action of each list costs.",
    ),
    ("plan", "crates/rank/src/settings.rs", "Crew", "What the crew that checks can do."),
    (
        "store",
        "crates/cli/src/site.rs",
        "StoreSection",
        "Size of the store's grid and memory, and where it may lie.",
    ),
    (
        "accepted_steps",
        "crates/cli/src/stage/guard.rs",
        "AcceptedStep",
        "`[[accepted_steps]]`, one per step that looks like a slip of units and is real.",
    ),
];

/// One key as the code has it.
struct Key {
    name: String,
    kind: String,
    default: String,
    meaning: String,
}

fn source(path: &str) -> String {
    std::fs::read_to_string(root().join(path)).unwrap_or_else(|error| panic!("{path}: {error}"))
}

/// The text between the braces that follow a line that begins with `start`.
fn block<'a>(text: &'a str, start: &str) -> Option<&'a str> {
    let from = text.find(start)?;
    let open = from + text[from..].find('{')?;
    let mut depth = 0;
    for (offset, character) in text[open..].char_indices() {
        match character {
            '{' => depth += 1,
            '}' => depth -= 1,
            _ => {}
        }
        if depth == 0 {
            return Some(&text[open + 1..open + offset]);
        }
    }
    None
}

/// The expressions of `impl Default`, by key.
fn defaults(text: &str, name: &str) -> BTreeMap<String, String> {
    let Some(body) = block(text, &format!("impl Default for {name} ")) else {
        return BTreeMap::new();
    };
    let made = block(body, &format!("        {name} {{")).expect("a literal of the struct");
    let (mut found, mut depth, mut start) = (BTreeMap::new(), 0, 0);
    let mut take = |part: &str| {
        if let Some((key, value)) = part.trim().split_once(": ") {
            let value = value.split_whitespace().collect::<Vec<_>>().join(" ");
            found.insert(key.trim().to_string(), value);
        }
    };
    for (at, character) in made.char_indices() {
        match character {
            '{' | '(' | '[' => depth += 1,
            '}' | ')' | ']' => depth -= 1,
            ',' if depth == 0 => {
                take(&made[start..at]);
                start = at + 1;
            }
            _ => {}
        }
    }
    take(&made[start..]);
    found
}

/// What a default is called in a site file.
fn told(expression: &str, kind: &str) -> String {
    let text = expression.trim();
    match text {
        "" if kind.starts_with("Option") => "not set".into(),
        "" if kind.starts_with("Vec") => "`[]`".into(),
        "" if kind.starts_with("BTreeMap") || kind == "ColumnNames" => "`{}`".into(),
        "" if kind == "String" => "`\"\"`".into(),
        "" if kind == "f64" => "`0.0`".into(),
        "" => "needed".into(),
        "None" => "not set".into(),
        "Vec::new()" => "`[]`".into(),
        "BTreeMap::new()" => "`{}`".into(),
        "Weekday::ALL.to_vec()" => "every day".into(),
        _ if text.contains('{') => "see its own section".into(),
        _ if text.ends_with("::default()") => "see its own section".into(),
        _ => match text.strip_suffix(".into()") {
            Some(text) => format!("`{text}`"),
            None => format!("`{text}`"),
        },
    }
}

/// A type as people write it.
fn kind_words(kind: &str) -> String {
    let inner = kind.strip_prefix("Option<").and_then(|rest| rest.strip_suffix('>'));
    let kind = inner.unwrap_or(kind);
    match kind {
        "f64" => "number".into(),
        "u8" | "u32" | "u64" | "usize" => "whole number".into(),
        "bool" => "true or false".into(),
        "String" => "text".into(),
        "ColumnNames" => "table: our name to theirs".into(),
        "ColumnRef" => "text or whole number".into(),
        _ if kind.starts_with('[') => "list of numbers".into(),
        _ if kind.starts_with("BTreeMap<String, BTreeMap") => "table of tables of numbers".into(),
        _ if kind.starts_with("BTreeMap") => "table".into(),
        "Vec<f64>" => "list of numbers".into(),
        "Vec<ColumnRef>" => "list of texts or whole numbers".into(),
        _ if kind.starts_with("Vec") => "list of texts".into(),
        "Encoding" => "`utf-8`, `utf-16le`, `utf-16be` or `windows-1252`".into(),
        "Layout" => "`long` or `wide`".into(),
        "DateOrder" => "`day-month`, `month-day` or `year-month-day`".into(),
        "QualityCode" => "`none`, `opc_classic`, `opc_ua` or `words`".into(),
        _ => "table".into(),
    }
}

/// The unit that a key wears.
fn unit(name: &str, meaning: &str) -> &'static str {
    const ENDINGS: [(&str, &str); 14] = [
        ("_kg_m3", "kg/m3"),
        ("_k_per_min", "K/min"),
        ("_per_k", "1/K"),
        ("_days", "d"),
        ("_nights", "nights"),
        ("_seconds", "s"),
        ("_mib", "MiB"),
        ("_pct", "%"),
        ("_min", "min"),
        ("_hour", "h"),
        ("_share", "1"),
        ("_probability", "1"),
        ("_s", "s"),
        ("weeks", "weeks"),
    ];
    let plural = name.ends_with("_words") || name.ends_with("_values") || name.ends_with("_names");
    let ending = ENDINGS.iter().find(|(ending, _)| name.ends_with(ending) && !plural);
    match ending {
        Some((_, unit)) => unit,
        None if name == "days" => "d",
        None if name.ends_with("cost") && !meaning.is_empty() => "money",
        None => "",
    }
}

fn keys(path: &str, name: &str) -> Vec<Key> {
    let text = source(path);
    let text = text.split("#[cfg(test)]").next().expect("the code");
    let body = block(text, &format!("pub struct {name} ")).unwrap_or_else(|| panic!("{name}"));
    let defaults = defaults(text, name);
    let (mut keys, mut doc, mut function) = (Vec::new(), Vec::new(), None);
    let mut skipped = false;
    for line in body.lines().map(str::trim) {
        if let Some(words) = line.strip_prefix("///") {
            doc.push(words.trim().to_string());
        } else if line == "#[serde(skip)]" {
            skipped = true;
        } else if let Some(rest) = line.strip_prefix("#[serde(default = \"") {
            function = rest.split('"').next().map(String::from);
        } else if let Some(field) = line.strip_prefix("pub ") {
            if std::mem::take(&mut skipped) {
                doc.clear();
                continue;
            }
            let (name, kind) = field.split_once(": ").expect("a field");
            let kind = kind.trim_end_matches(',').to_string();
            let written = function
                .take()
                .and_then(|name| Some(block(text, &format!("fn {name}()"))?.trim().to_string()));
            let expression = written.or_else(|| defaults.get(name).cloned()).unwrap_or_default();
            let section = SECTIONS
                .iter()
                .any(|section| section.0.rsplit('.').next() == Some(name) && !section.0.is_empty());
            let default = if section && !kind.starts_with("BTreeMap") {
                "see its own section".into()
            } else {
                told(&expression, &kind)
            };
            keys.push(Key {
                name: name.into(),
                default,
                kind: kind_words(&kind),
                meaning: std::mem::take(&mut doc).join(" "),
            });
        }
    }
    keys
}

fn page() -> String {
    let mut page = String::from(
        "# Every key of the site file\n\n\
         Made from the settings in code, so it is what this version of the program takes; an \
         unknown key is refused with its line and the name that was probably meant. Every key is \
         optional unless *needed* stands beside it. A number wears its unit in its name. Defaults \
         without another source are judgement of ours, with the reason in the meaning; what a \
         key of `[[sources]]` leaves out is found out from the dump and shown by `metersift scan`. \
         How the file is laid out, with an example: [site file](site-file.md).\n",
    );
    for (section, path, name, what) in SECTIONS {
        let heading = match section {
            "" => "Top level".to_string(),
            "sources" | "accepted_steps" => format!("[[{section}]]"),
            section => format!("[{section}]"),
        };
        let _ = write!(
            page,
            "\n## {heading}\n\n{what}\n\n| key | type | default | unit | meaning |\n|---|---|---|---|---|\n"
        );
        for key in keys(path, name) {
            let cell = |text: &str| text.replace('|', "\\|");
            let _ = writeln!(
                page,
                "| `{}` | {} | {} | {} | {} |",
                key.name,
                cell(&key.kind),
                cell(&key.default),
                unit(&key.name, &key.meaning),
                cell(&key.meaning)
            );
        }
    }
    page
}

#[test]
fn the_reference_of_the_site_file_is_what_the_code_says() {
    let path = root().join("docs/site-file-keys.md");
    let made = page();
    if std::env::var_os("METERSIFT_WRITE_DOCS").is_some() {
        put(&path, &made);
    }
    let found = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(found == made, "docs/site-file-keys.md is not what the code says; write it anew");
    assert!(!made.contains("|  | |"), "a key without a meaning");
}

/// What the program itself says it knows, in a section.
fn known_to_the_program(dir: &std::path::Path, section: &str) -> BTreeSet<String> {
    small_site(dir, "");
    let file = dir.join("site.toml");
    let text = std::fs::read_to_string(&file).expect("a site file");
    let odd = "zzqx = 1\n";
    let text = match section {
        "" => format!("{odd}{text}"),
        "sources" => format!("{text}{odd}"),
        "sources.columns" => format!("{text}columns = {{ zzqx = 1 }}\n"),
        "accepted_steps" => format!("{text}\n[[accepted_steps]]\n{odd}"),
        section => format!("{text}\n[{section}]\n{odd}"),
    };
    put(&file, text);
    let run = on_site("import", dir);
    assert_eq!(run.code, Some(2), "[{section}]: {}", run.stderr);
    let list = run.stderr.split("expected one of ").nth(1).or(run.stderr.split("expected ").nth(1));
    let list = list.unwrap_or_else(|| panic!("[{section}]: {}", run.stderr));
    list.split('`').skip(1).step_by(2).map(String::from).collect()
}

#[test]
fn the_reference_holds_exactly_the_keys_that_the_program_takes() {
    let dir = tempfile::tempdir().expect("a folder");
    for (section, path, name, _) in SECTIONS {
        let told: BTreeSet<String> = keys(path, name).into_iter().map(|key| key.name).collect();
        let mut known = known_to_the_program(dir.path(), section);
        known.retain(|key| {
            key.chars().all(|c| c.is_ascii_lowercase() || c == '_' || c.is_ascii_digit())
        });
        // The hint below the list may name a key once more.
        assert_eq!(told, known, "[{section}]");
    }
}

#[test]
fn every_default_of_a_number_is_one_that_the_site_file_takes() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    let file = dir.path().join("site.toml");
    let mut text = std::fs::read_to_string(&file).expect("a site file");
    let mut written = 0;
    for (section, path, name, _) in SECTIONS
        .into_iter()
        .filter(|section| !section.0.starts_with("sources") && !section.0.is_empty())
        .filter(|section| section.0 != "accepted_steps")
    {
        let _ = write!(text, "\n[{section}]\n");
        for key in keys(path, name) {
            let value = key.default.trim_matches('`');
            if value.parse::<f64>().is_ok() {
                let _ = writeln!(text, "{} = {value}", key.name);
                written += 1;
            }
        }
    }
    assert!(written > 70, "{written} keys");
    put(&file, text);
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    assert_eq!(run_night(dir.path()).code, Some(0), "the defaults written out are the defaults");
}

#[test]
fn a_drive_ceiling_in_its_old_second_place_is_refused_and_sent_to_the_features() {
    let folder = tempfile::tempdir().expect("a folder");
    let dir = folder.path();
    small_site(dir, "");
    let file = dir.join("site.toml");
    let text = std::fs::read_to_string(&file).expect("a site file");
    put(&file, format!("{text}\n[faults.limits]\ndrive_ceiling_pct = 90.0\n"));
    let run = on_site("import", dir);
    assert_eq!(run.code, Some(2), "{}", run.stderr);
    assert!(run.stderr.contains("of [features]"), "{}", run.stderr);
}
