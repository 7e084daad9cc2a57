//! Rooms import only what the table in DEVELOPERS.md allows, and the repository has only the top
//! level that its users fixed.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("tests/ lies in the root").to_path_buf()
}

fn read(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Room -> rooms it may import, as DEVELOPERS.md draws it.
fn drawing() -> BTreeMap<String, BTreeSet<String>> {
    read(&root().join("DEVELOPERS.md"))
        .lines()
        .filter(|line| line.starts_with("| `"))
        .filter_map(|line| {
            let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
            let [room, _purpose, allowed] = cells[..] else { return None };
            let allowed = match allowed {
                "nothing of ours" => BTreeSet::new(),
                list => list.split(',').map(|name| name.trim().to_string()).collect(),
            };
            Some((room.trim_matches('`').to_string(), allowed))
        })
        .collect()
}

/// Rooms named in a manifest's normal dependencies.
fn imports(room: &str) -> BTreeSet<String> {
    let manifest: toml::Table =
        read(&root().join("crates").join(room).join("Cargo.toml")).parse().expect("a manifest");
    let Some(dependencies) = manifest.get("dependencies").and_then(toml::Value::as_table) else {
        return BTreeSet::new();
    };
    dependencies
        .keys()
        .filter_map(|name| name.strip_prefix("metersift-"))
        .map(str::to_string)
        .collect()
}

#[test]
fn each_room_imports_only_what_the_drawing_allows() {
    let drawing = drawing();
    let rooms: BTreeSet<String> = std::fs::read_dir(root().join("crates"))
        .expect("crates/")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    assert_eq!(rooms, drawing.keys().cloned().collect(), "rooms on disk and rooms in the drawing");
    for (room, allowed) in &drawing {
        let beyond: Vec<String> = imports(room).difference(allowed).cloned().collect();
        assert!(beyond.is_empty(), "room {room} imports {beyond:?}, which the drawing forbids");
    }
}

#[test]
fn the_drawing_has_no_way_back() {
    let drawing = drawing();
    fn reaches(from: &str, to: &str, drawing: &BTreeMap<String, BTreeSet<String>>) -> bool {
        drawing[from].iter().any(|next| next == to || reaches(next, to, drawing))
    }
    for room in drawing.keys() {
        assert!(!reaches(room, room, &drawing), "room {room} can reach itself");
    }
}

#[test]
fn pure_rooms_open_no_file_and_read_no_clock() {
    for room in ["stats", "features", "faults", "rank", "backtest"] {
        for file in sources(&root().join("crates").join(room).join("src")) {
            let text = read(&file);
            for word in
                ["std::fs", "std::env", "std::net", "SystemTime", "Instant::now", "println!"]
            {
                assert!(!text.contains(word), "{} uses {word}", file.display());
            }
        }
    }
}

#[test]
fn no_room_opens_a_socket() {
    for file in sources(&root().join("crates")) {
        let text = read(&file);
        assert!(!text.contains("std::net"), "{} uses the network", file.display());
    }
}

#[test]
fn the_top_level_is_the_one_agreed() {
    let expected: BTreeSet<&str> = [
        "Cargo.toml",
        "Cargo.lock",
        "LICENSE",
        "README.md",
        "DEVELOPERS.md",
        "crates",
        "docs",
        "notebooks-data",
        "pipelines",
        "tests",
        "clippy.toml",
        "rustfmt.toml",
    ]
    .into();
    let unplanned: Vec<String> = std::fs::read_dir(root())
        .expect("the root")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .filter(|name| !name.starts_with('.') && !expected.contains(name.as_str()))
        .filter(|name| name != "target" && name != "larkmoor")
        .collect();
    assert!(unplanned.is_empty(), "not part of the agreed top level: {unplanned:?}");
}

fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() && path.file_name().is_some_and(|name| name != "target") {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|end| end == "rs") {
            found.push(path);
        }
    }
    found
}
