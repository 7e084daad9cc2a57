//! Runs the program and builds small sites by hand.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::LazyLock;

/// One run of the program.
pub struct Run {
    pub code: Option<i32>,
    pub stdout: String,
    pub stderr: String,
}

/// Runs the program with arguments; a crash fails the test that asked.
pub fn metersift<I: IntoIterator<Item = S>, S: AsRef<std::ffi::OsStr>>(arguments: I) -> Run {
    let Output { status, stdout, stderr } = Command::new(env!("CARGO_BIN_EXE_metersift"))
        .args(arguments)
        .output()
        .expect("the program starts");
    let run = Run {
        code: status.code(),
        stdout: String::from_utf8_lossy(&stdout).into_owned(),
        stderr: String::from_utf8_lossy(&stderr).into_owned(),
    };
    assert_ne!(run.code, Some(101), "the program crashed: {}", run.stderr);
    run
}

/// `metersift COMMAND --site DIR`.
pub fn on_site(command: &str, site: &Path) -> Run {
    metersift([command, "--site", &site.to_string_lossy()])
}

/// The nightly pipeline of the repository.
pub fn nightly() -> PathBuf {
    root().join("pipelines/nightly.toml")
}

/// `metersift run pipelines/nightly.toml --site DIR`.
pub fn run_night(site: &Path) -> Run {
    metersift(["run", &nightly().to_string_lossy(), "--site", &site.to_string_lossy()])
}

/// The repository.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").canonicalize().expect("the repository")
}

/// Writes a file, with its folders.
pub fn put(path: &Path, bytes: impl AsRef<[u8]>) {
    std::fs::create_dir_all(path.parent().expect("a folder")).expect("a folder can be made");
    std::fs::write(path, bytes).expect("a file can be written");
}

pub fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    encoder.write_all(bytes).expect("memory");
    encoder.finish().expect("memory")
}

pub const REGISTER: &str = "meter,service,stream,nominal_diameter_mm,max_flow_kg_h,zero_stability_kg_h,base_accuracy_pct,criticality,custody,check_interval_days,installed\n\
    FT-1,water,main,50,20000,1,0.1,3,no,90,2020-01-01\n";

pub const TAGS: &str = "tag,meter,signal,unit,from,until\n\
    FT-1.FLOW,FT-1,mass_flow,kg/h,,\n\
    FT-1.DENS,FT-1,density,kg/m3,,\n\
    FT-1.DRIVE,FT-1,drive_gain,%,,\n";

/// A site with one meter, one source and no dump yet.
pub fn small_site(dir: &Path, source_lines: &str) {
    put(
        &dir.join("site.toml"),
        format!(
            "name = \"Larkmoor test bench\"\nzone = \"UTC\"\nrest_seconds = 0\n\n[[sources]]\nname = \"long\"\nfiles = [\"dumps/*\"]\n{source_lines}"
        ),
    );
    put(&dir.join("records/register.csv"), REGISTER);
    put(&dir.join("records/tags.csv"), TAGS);
    std::fs::create_dir_all(dir.join("dumps")).expect("a folder can be made");
}

/// A long dump of one day, one row a minute and tag.
pub fn long_dump(day: &str) -> String {
    let mut text = String::from("tag,time,value,quality\n");
    for minute in 0..1440 {
        let time = format!("{day}T{:02}:{:02}:00Z", minute / 60, minute % 60);
        let wave = f64::from(minute % 7) * 0.01;
        text.push_str(&format!("FT-1.FLOW,{time},{:.1},192\n", 12_000.0 + 100.0 * wave));
        text.push_str(&format!("FT-1.DENS,{time},{:.2},192\n", 998.2 + wave));
        text.push_str(&format!("FT-1.DRIVE,{time},{:.2},192\n", 11.0 + wave));
    }
    text
}

/// Every file below a folder: relative path and bytes.
pub fn snapshot(folder: &Path) -> std::collections::BTreeMap<String, Vec<u8>> {
    fn walk(base: &Path, folder: &Path, found: &mut std::collections::BTreeMap<String, Vec<u8>>) {
        let Ok(entries) = std::fs::read_dir(folder) else { return };
        for entry in entries {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                walk(base, &path, found);
            } else {
                let name = path.strip_prefix(base).expect("below the base").to_string_lossy();
                found.insert(name.into_owned(), std::fs::read(&path).expect("a file"));
            }
        }
    }
    let mut found = std::collections::BTreeMap::new();
    walk(folder, folder, &mut found);
    found
}

/// One simulated site with a judged night, for everybody who only asks.
pub struct Judged {
    _dir: tempfile::TempDir,
    pub site: PathBuf,
}

pub static JUDGED: LazyLock<Judged> = LazyLock::new(|| {
    let dir = tempfile::tempdir().expect("a folder");
    let mut plan = metersift_sim::Plan::larkmoor(24, 150, 3);
    plan.daily_from = 140;
    metersift_sim::write_site(dir.path(), &plan).expect("a site can be written");
    let run = run_night(dir.path());
    assert!(matches!(run.code, Some(0 | 1)), "{}", run.stderr);
    Judged { site: dir.path().to_path_buf(), _dir: dir }
});

/// Asks the simulated site.
pub fn ask(arguments: &[&str]) -> Run {
    let site = JUDGED.site.to_string_lossy().into_owned();
    metersift(arguments.iter().copied().chain(["--site", &site]))
}

/// The results of the newest night of a site.
pub fn newest(site: &Path) -> PathBuf {
    let latest = std::fs::read_to_string(site.join("out/latest")).expect("out/latest");
    site.join("out").join(latest.trim())
}
