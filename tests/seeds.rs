//! What is fitted or tuned sees the tuning seeds only; test seeds stay unseen.
//!
//! A file that holds fitted numbers, or a script that makes them, says so in a line
//! `fitted_on_seeds = [1, 2]` (in a comment where the format has no keys), or `seeds = [1, 2]`.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("tests/ lies in the root").to_path_buf()
}

/// All lists of docs/benchmarks/seeds.toml, by name.
fn lists() -> BTreeMap<String, BTreeSet<u64>> {
    let path = root().join("docs/benchmarks/seeds.toml");
    let text = std::fs::read_to_string(path).expect("the seed lists");
    let table: toml::Table = text.parse().expect("TOML");
    let mut lists = BTreeMap::new();
    for (name, value) in table {
        match value {
            toml::Value::Table(inner) => {
                for (part, value) in inner {
                    lists.insert(format!("{name}.{part}"), numbers(&value));
                }
            }
            other => drop(lists.insert(name, numbers(&other))),
        }
    }
    lists
}

fn numbers(value: &toml::Value) -> BTreeSet<u64> {
    let list = value.as_array().expect("a list of seeds");
    list.iter().map(|seed| seed.as_integer().expect("a number").unsigned_abs()).collect()
}

/// Files of ours that can hold code, settings or scripts.
fn files() -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut folders: Vec<PathBuf> =
        ["crates", "docs", "tests", "pipelines"].map(|name| root().join(name)).into();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).expect("a folder") {
            let path = entry.expect("an entry").path();
            let extension = path.extension().and_then(|e| e.to_str()).unwrap_or_default();
            if path.is_dir() {
                folders.push(path);
            } else if ["rs", "toml", "py", "json", "csv"].contains(&extension)
                && path.file_name().is_none_or(|name| name != "seeds.rs")
            {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

/// Lists of seeds in a text: after `fitted_on_seeds` anywhere, and under a key `seeds`.
fn fitted_on(text: &str) -> Vec<BTreeSet<u64>> {
    let list = |line: &str| -> BTreeSet<u64> {
        let inside = line.split(']').next().unwrap_or_default();
        let parts = inside.split(|c: char| !c.is_ascii_digit()).filter(|part| !part.is_empty());
        parts.filter_map(|part| part.parse().ok()).collect()
    };
    text.lines()
        .filter_map(|line| {
            let after = line.split_once("fitted_on_seeds").map(|(_, rest)| rest);
            let key = line.trim().strip_prefix("seeds").filter(|rest| rest.trim().starts_with('='));
            let rest = after.or(key)?.trim();
            rest.starts_with('=').then(|| list(rest))
        })
        .collect()
}

#[test]
fn no_seed_serves_two_purposes() {
    let mut owner: BTreeMap<u64, String> = BTreeMap::new();
    for (name, seeds) in lists() {
        assert!(!seeds.is_empty(), "{name}");
        for seed in seeds {
            let other = owner.insert(seed, name.clone());
            assert!(other.is_none(), "seed {seed} stands under {other:?} and {name}");
        }
    }
    assert!(lists()["test"].len() >= 10);
}

#[test]
fn whatever_is_fitted_names_tuning_seeds_only() {
    let tuning = &lists()["tuning"];
    let mut places = 0;
    for path in files() {
        let text = String::from_utf8_lossy(&std::fs::read(&path).expect("a file")).into_owned();
        for seeds in fitted_on(&text) {
            places += 1;
            assert!(!seeds.is_empty(), "{}: no seeds named", path.display());
            let beyond: Vec<&u64> = seeds.difference(tuning).collect();
            assert!(beyond.is_empty(), "{} was fitted on {beyond:?}", path.display());
        }
    }
    assert!(places >= 1, "fitted numbers say on which seeds");
}

#[test]
fn a_line_of_fitted_seeds_is_read_whole_and_another_seed_in_it_is_noticed() {
    let read = fitted_on("# fitted_on_seeds = [1, 2, 101]\nwidth = 33\n");
    assert_eq!(read, [BTreeSet::from([1, 2, 101])]);
    assert_eq!(fitted_on("seeds = [4, 5]\nseedsman = [9]\n"), [BTreeSet::from([4, 5])]);
    assert!(!read[0].is_subset(&lists()["tuning"]));
}

#[test]
fn tests_and_examples_make_no_site_of_a_test_seed() {
    let lists = lists();
    let kept: BTreeSet<u64> = lists
        .iter()
        .filter(|(name, _)| *name == "test" || name.starts_with("generalisation"))
        .flat_map(|(_, seeds)| seeds.iter().copied())
        .collect();
    for path in files().into_iter().filter(|path| path.extension().is_some_and(|e| e == "rs")) {
        let text = std::fs::read_to_string(&path).expect("text");
        for call in text.split("Plan::larkmoor(").skip(1) {
            let arguments = call.split(')').next().unwrap_or_default();
            let seed = arguments.rsplit(',').next().unwrap_or_default().trim().replace('_', "");
            if let Ok(seed) = seed.parse::<u64>() {
                assert!(!kept.contains(&seed), "{}: seed {seed}", path.display());
            }
        }
    }
}
