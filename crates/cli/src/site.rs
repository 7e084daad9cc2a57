//! The site folder: `site.toml`, the dumps and records it points at, and where results go.

use crate::memory::Memory;
use crate::message::Message;
use crate::stage::guard::AcceptedStep;
use crate::story::note;
use crate::suggest;
use metersift_import::SourceSettings;
use metersift_import::records::RecordSettings;
use serde::Deserialize;
use std::path::{Path, PathBuf};

/// `site.toml`. A key that is not known is an error that names its line.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SiteFile {
    /// Name of the site, printed on every output.
    pub name: String,
    /// Zone of zone-less local times (IANA name), unless a source says otherwise.
    #[serde(default = "utc")]
    pub zone: String,
    /// A dump younger than this is taken to be still growing and left for the next run.
    #[serde(default = "one_minute")]
    pub rest_seconds: u64,
    /// Where dumps come from and how they read.
    #[serde(default)]
    pub sources: Vec<SourceSettings>,
    /// Column names of the record files.
    #[serde(default)]
    pub records: RecordSettings,
    /// Settings of the daily features.
    #[serde(default)]
    pub features: metersift_features::Settings,
    /// Limits and susceptibilities of the verdict.
    #[serde(default)]
    pub faults: metersift_faults::Settings,
    /// Budget, costs and rounds of the ranking.
    #[serde(default)]
    pub rank: metersift_rank::Settings,
    /// What the crew that checks can do.
    #[serde(default)]
    pub plan: metersift_rank::Crew,
    /// Size of the store's grid and of the memory it may use.
    #[serde(default)]
    pub store: StoreSection,
    /// Steps that look like a slip of units and are real.
    #[serde(default)]
    pub accepted_steps: Vec<AcceptedStep>,
}

/// `[store]` of the site file.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct StoreSection {
    /// Buckets of meters per day; fixed when the store is made.
    pub bucket_count: u32,
    /// Most memory that an import may take, MiB; 512 unless set. `--memory` at the prompt wins.
    pub memory_mib: Option<u64>,
    /// Whether the site sees to it that one machine at a time writes: then a store may lie on a
    /// network share, whose locks may not keep a second writer out.
    pub one_writer_guaranteed: bool,
}

impl Default for StoreSection {
    fn default() -> StoreSection {
        StoreSection { bucket_count: 1, memory_mib: None, one_writer_guaranteed: false }
    }
}

impl SiteFile {
    /// Refuses numbers that make no sense, before anything is written.
    fn check(&self) -> Result<(), String> {
        self.features.check().map_err(|error| error.to_string())?;
        self.rank.check().map_err(|error| error.to_string())?;
        self.plan.check().map_err(|error| error.to_string())?;
        self.accepted_steps.iter().try_for_each(AcceptedStep::check)?;
        if self.store.memory_mib == Some(0) {
            return Err("store: read memory_mib = 0, expected at least 1".into());
        }
        let mut names = std::collections::BTreeSet::new();
        match self.sources.iter().find(|source| !names.insert(&source.name)) {
            Some(twice) => Err(format!("two sources have the name `{}`", twice.name)),
            None => Ok(()),
        }
    }
}

fn utc() -> String {
    "UTC".into()
}

fn one_minute() -> u64 {
    60
}

/// A loaded site.
pub struct Site {
    /// The folder.
    pub dir: PathBuf,
    /// Its settings.
    pub file: SiteFile,
    /// blake3 of the settings text: every output names it.
    pub config_hash: String,
    /// Most memory that an import may take.
    pub memory: Memory,
}

/// Most memory that an import may take where nothing is said.
const USUAL_MEMORY_MIB: u64 = 512;

impl Site {
    /// Reads `site.toml` of a folder.
    pub fn load(dir: &Path) -> Result<Site, Message> {
        let path = dir.join("site.toml");
        let text = std::fs::read_to_string(&path).map_err(|error| {
            Message::could_not_start("no site here")
                .at(format!("at {}: {error}", path.display()))
                .hint(
                    "name the site folder with --site DIR, or make one with \
                     `metersift scan DUMPS --write-site DIR`",
                )
        })?;
        let file: SiteFile = toml::from_str(&text).map_err(|error| {
            let told = error.to_string();
            Message::could_not_start("the site file cannot be read")
                .at(format!("at {}", path.display()))
                .at(told.trim_end().replace('\n', "\n  "))
                .hint(
                    suggest::for_unknown(&told)
                        .unwrap_or_else(|| "the known keys stand in docs/site-file.md".into()),
                )
        })?;
        file.check().map_err(|error| {
            Message::could_not_start("a setting of the site file makes no sense")
                .at(format!("at {}", path.display()))
                .at(error)
                .hint("the keys, their units and defaults stand in docs/site-file.md")
        })?;
        let config_hash = blake3::hash(text.as_bytes()).to_hex().to_string();
        let memory = Memory::mib(file.store.memory_mib.unwrap_or(USUAL_MEMORY_MIB));
        Ok(Site { dir: dir.to_path_buf(), file, config_hash, memory })
    }

    /// With what was asked for at the prompt, which wins over the site file; where both speak,
    /// that is told.
    pub fn with_memory(mut self, asked: Option<Memory>) -> Site {
        if let Some(asked) = asked {
            if let Some(set) = self.file.store.memory_mib {
                note(format!("memory    {asked} (--memory; site.toml says {set} MiB)"));
            }
            self.memory = asked;
        }
        self
    }

    /// The zone in which the people of the site live.
    pub fn time_zone(&self) -> Result<jiff::tz::TimeZone, Message> {
        let zone = &self.file.zone;
        jiff::fmt::temporal::DateTimeParser::new().parse_time_zone(zone).map_err(|error| {
            Message::could_not_start("the zone of the site is not known")
                .at(format!("read `{zone}`: {error}"))
                .hint("set `zone` in site.toml to an IANA name (Europe/London), UTC or +01:00")
        })
    }

    /// Where samples and daily features live.
    pub fn store_dir(&self) -> PathBuf {
        self.dir.join("store")
    }

    /// Where lists, report and evidence go.
    pub fn out_dir(&self) -> PathBuf {
        self.dir.join("out")
    }

    /// The dumps of a source, sorted by path; partial files are counted, not returned.
    pub fn dumps(&self, source: &SourceSettings) -> Result<Dumps, Message> {
        let mut dumps = Dumps::default();
        for pattern in &source.files {
            let full = self.dir.join(pattern);
            let found = glob::glob(&full.to_string_lossy()).map_err(|error| {
                Message::could_not_start("a file pattern cannot be read")
                    .at(format!("source {}: `{pattern}`: {error}", source.name))
            })?;
            for path in found {
                let path = path.map_err(|error| {
                    Message::could_not_start("a dump folder cannot be read").at(error)
                })?;
                if is_partial(&path) {
                    dumps.partial += 1;
                } else if !path.is_dir() || !has_wildcard(pattern) {
                    // What is no file is refused by its name, and not passed over.
                    dumps.paths.push(path);
                }
            }
        }
        dumps.paths.sort();
        dumps.paths.dedup();
        Ok(dumps)
    }

    /// A path as messages and the ledger show it: relative to the site folder, characters that
    /// act on a terminal written out.
    pub fn shown(&self, path: &Path) -> String {
        let path = path.strip_prefix(&self.dir).unwrap_or(path).to_string_lossy();
        metersift_import::text::escaped(&path.replace('\\', "/"))
    }
}

/// Dumps of one source.
#[derive(Default)]
pub struct Dumps {
    /// Files to read.
    pub paths: Vec<PathBuf>,
    /// Files whose names say that they are not complete.
    pub partial: usize,
}

/// A folder may lie beside the files that a pattern means; one that is named is a mistake.
fn has_wildcard(pattern: &str) -> bool {
    pattern.contains(['*', '?', '['])
}

/// Whether the name says that the file is not complete.
pub fn is_partial(path: &Path) -> bool {
    let name = path.file_name().unwrap_or_default().to_string_lossy().to_lowercase();
    name.ends_with('~') || [".part", ".tmp", ".crdownload"].iter().any(|end| name.ends_with(end))
}
