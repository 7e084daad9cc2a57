//! Pages of `docs/` that are made from code say what the code says.
//!
//! `METERSIFT_WRITE_DOCS=1 cargo test --release -p metersift-tests --test docs` writes them anew.

mod pictures;

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("tests/ lies in the root").to_path_buf()
}

fn agrees(page: &str, made: &str) {
    let path = root().join(page);
    if std::env::var_os("METERSIFT_WRITE_DOCS").is_some() {
        std::fs::write(&path, made).expect("the page can be written");
    }
    let found = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        found == made,
        "{page} is not what the code says; write it anew (see this file's head)"
    );
}

#[test]
fn the_features_page_is_the_feature_table() {
    let mut page = String::from(
        "# Daily features\n\n\
         One row per meter and UTC day, from that day's samples, the last two hours of the day \
         before and the records so far. Null = not known; zero = measured zero. `why_<group>` says \
         why a group is null, `n_<...>` how many samples a value stands on. *Thinned* is the stated \
         error where the historian stores by exception: a dead-band of two to six sensor noises and \
         at least one value in 15 minutes; a value stays within it, or is null, or is marked. States \
         are defined, with pictures, in [states](states.md). This page is made from the feature \
         table in `crates/features`.\n",
    );
    let mut group = None;
    for def in metersift_features::features() {
        if group != Some(def.group) {
            group = Some(def.group);
            let _ = write!(page, "\n## {}\n\n", def.group.name());
            page.push_str("| column | symbol | unit | formula | needs | valid when | null means | thinned | source |\n|---|---|---|---|---|---|---|---|---|\n");
        }
        let cell = |text: &str| text.replace('|', "\\|").replace('\n', " ");
        let _ = writeln!(
            page,
            "| `{}` | {} | {} | {} | {} | {} | {} | {} | {} |",
            def.name,
            cell(def.symbol),
            cell(def.unit),
            cell(def.formula),
            cell(def.needs),
            cell(def.validity),
            cell(def.null_means),
            cell(&def.thinned.to_string()),
            cell(def.source)
        );
    }
    agrees("docs/methods/features.md", &page);
}

#[test]
fn the_pictures_of_states_are_drawn_from_the_minutes_themselves() {
    for (name, svg) in pictures::states() {
        agrees(&format!("docs/images/states-{name}.svg"), &svg);
    }
}

#[test]
fn links_between_pages_lead_somewhere() {
    let mut pages = vec![root().join("README.md"), root().join("DEVELOPERS.md")];
    let mut folders = vec![root().join("docs")];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).expect("a folder") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|end| end == "md") {
                pages.push(path);
            }
        }
    }
    for page in pages {
        let text = std::fs::read_to_string(&page).expect("a page");
        for target in text.split("](").skip(1).filter_map(|rest| rest.split(')').next()) {
            if target.starts_with("http") || target.starts_with('#') {
                continue;
            }
            let file =
                page.parent().expect("a folder").join(target.split('#').next().expect("a path"));
            assert!(file.exists(), "{} links to {target}", page.display());
        }
    }
}
