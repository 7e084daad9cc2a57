//! Case files, taken apart; their format stands at the head of `cases.rs`.

use metersift_import::SourceSettings;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// All case files, by name.
pub fn paths() -> Vec<PathBuf> {
    let folder = super::root().join("tests/cases/import");
    let mut paths: Vec<_> = std::fs::read_dir(&folder)
        .expect("folder of cases")
        .map(|entry| entry.expect("entry").path())
        .filter(|path| path.extension().is_some_and(|ext| ext == "case"))
        .collect();
    paths.sort();
    paths
}

pub type Sections = BTreeMap<String, String>;

pub fn sections(text: &str) -> Sections {
    let mut sections = Sections::new();
    let mut current = None;
    for line in text.lines() {
        if let Some(name) = line.strip_prefix("== ") {
            sections.insert(name.trim().to_owned(), String::new());
            current = Some(name.trim().to_owned());
        } else if let Some(section) = current.as_ref().and_then(|name| sections.get_mut(name)) {
            section.push_str(line);
            section.push('\n');
        }
    }
    sections
}

/// The bytes of a dump section.
pub fn dump_bytes(text: &str) -> Vec<u8> {
    let text = text.strip_suffix("\n\\\n").unwrap_or(text);
    let mut bytes = Vec::new();
    let mut rest = text.as_bytes().iter().copied();
    while let Some(byte) = rest.next() {
        if byte != b'\\' {
            bytes.push(byte);
            continue;
        }
        match rest.next() {
            Some(b'r') => bytes.push(b'\r'),
            Some(b't') => bytes.push(b'\t'),
            Some(b'0') => bytes.push(0),
            Some(b'x') => {
                let hex: String = rest.by_ref().take(2).map(char::from).collect();
                bytes.push(u8::from_str_radix(&hex, 16).expect("two hexadecimal digits"));
            }
            Some(other) => bytes.push(other),
            None => {}
        }
    }
    bytes
}

pub struct Settings {
    pub source: SourceSettings,
    pub zone: String,
    pub young: bool,
}

pub fn settings(text: &str) -> Settings {
    let mut keys: toml::Table = toml::from_str(text).expect("settings");
    let zone = keys.remove("site_zone").and_then(|v| v.as_str().map(str::to_owned));
    let young = keys.remove("young").and_then(|v| v.as_bool()).unwrap_or(false);
    keys.entry("name").or_insert("case".into());
    keys.entry("files").or_insert(toml::Value::Array(Vec::new()));
    let source = keys.try_into().expect("source settings");
    Settings { source, zone: zone.unwrap_or_default(), young }
}
