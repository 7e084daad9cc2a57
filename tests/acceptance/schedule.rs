//! The examples that come with the docs for a plant's own scheduler.

use crate::support::*;
use std::collections::BTreeMap;

fn example(name: &str) -> String {
    let path = root().join("docs/examples").join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// A site of its own: these tests write, and others read the shared one meanwhile.
fn site() -> (tempfile::TempDir, String) {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    let path = dir.path().to_string_lossy().into_owned();
    (dir, path)
}

/// Section and key -> value of a unit file.
fn unit(text: &str) -> BTreeMap<(String, String), String> {
    let (mut section, mut keys) = (String::new(), BTreeMap::new());
    for line in text.lines().filter(|line| !line.trim().is_empty()) {
        match line.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')) {
            Some(name) => section = name.into(),
            None => {
                let (key, value) = line.split_once('=').unwrap_or_else(|| panic!("`{line}`"));
                let known = keys.insert((section.clone(), key.into()), value.to_string());
                assert!(known.is_none(), "{key} stands twice");
            }
        }
    }
    keys
}

#[test]
fn the_service_runs_a_line_that_the_program_takes_and_calls_an_overlap_harmless() {
    let unit = unit(&example("metersift-night.service"));
    let get = |key: &str| unit[&("Service".to_string(), key.to_string())].clone();
    assert_eq!(get("Type"), "oneshot");
    assert_eq!(get("SuccessExitStatus"), "3", "another run holds the store: nothing is broken");
    let line = get("ExecStart");
    let words: Vec<&str> = line.split_whitespace().collect();
    assert!(words[0].ends_with("/metersift"), "{line}");
    // The same words on a site that is there: the program takes them.
    let (_kept, site) = site();
    let pipeline = nightly().to_string_lossy().into_owned();
    let run = metersift(words[1..].iter().map(|word| match *word {
        "/srv/plant" => site.as_str(),
        "/etc/metersift/nightly.toml" => pipeline.as_str(),
        word => word,
    }));
    assert!(matches!(run.code, Some(0 | 1)), "{line}: {}", run.stderr);
    // It writes where the page says and nowhere else.
    assert_eq!(get("ReadWritePaths"), "/srv/plant/store /srv/plant/out");
}

#[cfg(target_os = "linux")]
#[test]
fn the_units_pass_the_system_s_own_check() {
    let dir = tempfile::tempdir().expect("a folder");
    let service = example("metersift-night.service");
    // The check wants the program to be there.
    put(
        &dir.path().join("metersift-night.service"),
        service.replace("/usr/local/bin/metersift", "/bin/true"),
    );
    put(&dir.path().join("metersift-night.timer"), example("metersift-night.timer"));
    let verify = std::process::Command::new("systemd-analyze")
        .args(["verify", "./metersift-night.service", "./metersift-night.timer"])
        .current_dir(dir.path())
        .output();
    match verify {
        Ok(output) => {
            let told = String::from_utf8_lossy(&output.stderr);
            let ours: Vec<&str> =
                told.lines().filter(|line| line.contains("metersift-night")).collect();
            assert!(output.status.success() && ours.is_empty(), "{told}");
        }
        Err(error) => eprintln!("skipped: no systemd-analyze here ({error})"),
    }
    let timer = unit(&example("metersift-night.timer"));
    let when = &timer[&("Timer".to_string(), "OnCalendar".to_string())];
    assert_eq!(timer[&("Timer".to_string(), "Persistent".to_string())], "true");
    match std::process::Command::new("systemd-analyze").args(["calendar", when]).output() {
        Ok(output) => assert!(output.status.success(), "{when}"),
        Err(error) => eprintln!("skipped: no systemd-analyze here ({error})"),
    }
}

#[test]
fn the_windows_task_never_runs_twice_at_once_and_its_line_is_one_that_the_program_takes() {
    let text = example("metersift-night.xml");
    let element = |name: &str| {
        let (open, close) = (format!("<{name}>"), format!("</{name}>"));
        let from = text.find(&open).unwrap_or_else(|| panic!("no {name}")) + open.len();
        let to = text[from..].find(&close).unwrap_or_else(|| panic!("{name} is open")) + from;
        assert!(!text[to..].contains(&open), "{name} stands twice");
        text[from..to].to_string()
    };
    assert_eq!(element("MultipleInstancesPolicy"), "IgnoreNew");
    assert_eq!(element("StartWhenAvailable"), "true");
    let arguments = element("Arguments");
    let (_kept, site) = site();
    let pipeline = nightly().to_string_lossy().into_owned();
    let run = metersift(arguments.split_whitespace().map(|word| match word {
        "D:\\plant" => site.as_str(),
        "C:\\metersift\\nightly.toml" => pipeline.as_str(),
        word => word,
    }));
    assert!(matches!(run.code, Some(0 | 1)), "{arguments}: {}", run.stderr);
    let page = std::fs::read_to_string(root().join("docs/operations.md")).expect("a page");
    for name in ["metersift-night.service", "metersift-night.timer", "metersift-night.xml"] {
        assert!(page.contains(&format!("examples/{name}")), "operations.md does not link {name}");
    }
}
