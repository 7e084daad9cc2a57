//! The prompt: every command, flag and help text, defined once.

use crate::memory::Memory;
use crate::stage::{ledger, plan};
use crate::story::ProgressKind;
use clap::{Args, Parser, Subcommand};
use std::path::PathBuf;

/// Exit codes, as they stand under every help page.
const AFTER_HELP: &str = "\
Exit codes:
  0    all read and judged
  1    finished, but something was set aside beyond the site's tolerated share
  2    could not start (arguments, settings, rights, format version); nothing written
  3    the store is in use by another run
  4    the store is damaged; nothing wrong was used
  5    out of room, memory ceiling or I/O error; the store is unchanged
  130, 143  stopped by request

The lists screen meters, they do not approve them. Isolation, draining, depressurising, hot or
toxic contents: local codes, site permits and licensed practice decide.";

/// Screens a fleet of Coriolis meters: historian dumps in, ranked watch-lists out.
#[derive(Parser, Debug)]
#[command(
    name = "metersift",
    version,
    before_help = "Example: metersift run pipelines/nightly.toml --site plants/larkmoor",
    after_help = AFTER_HELP
)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
    /// Threads to use; 0 = all cores. Results do not depend on it.
    #[arg(long, global = true, default_value_t = 0)]
    pub threads: usize,
    /// Tell problems only.
    #[arg(short, long, global = true, conflicts_with = "verbose")]
    pub quiet: bool,
    /// Tell details as well.
    #[arg(short, long, global = true)]
    pub verbose: bool,
    /// How progress is shown; auto = a bar on a terminal, a line a minute elsewhere.
    #[arg(long, global = true, value_enum, default_value_t = ProgressKind::Auto)]
    pub progress: ProgressKind,
    /// Seconds between two lines of progress.
    #[arg(long, global = true, value_name = "SECONDS", default_value_t = 60.0)]
    pub progress_every: f64,
}

/// Where a printed result goes.
#[derive(Args, Debug, Clone)]
pub struct OutputArg {
    /// File to write instead of printing; it appears whole or not at all.
    #[arg(long, short, value_name = "FILE")]
    pub output: Option<PathBuf>,
}

/// Where the site lies.
#[derive(Args, Debug, Clone)]
pub struct SiteArg {
    /// The site folder (holds site.toml, dumps/, records/).
    #[arg(long, default_value = ".")]
    pub site: PathBuf,
}

/// How much memory an import may take.
#[derive(Args, Debug, Clone)]
pub struct MemoryArg {
    /// Most memory an import may take (256MiB, 2GiB, or a number of MiB); beyond it readings wait
    /// in sorted files in the store. Results do not depend on it. Default: `memory_mib` under
    /// [store] of the site file, else 512 MiB.
    #[arg(long, value_name = "SIZE", value_parser = Memory::parse)]
    pub memory: Option<Memory>,
}

/// For which morning to judge.
#[derive(Args, Debug, Clone)]
pub struct AsOfArg {
    /// First day not looked at (YYYY-MM-DD); default: the day after the newest stored sample.
    #[arg(long)]
    pub as_of: Option<String>,
}

/// All commands.
#[derive(Subcommand, Debug)]
pub enum Command {
    /// Build the invented Larkmoor Works and run a whole night on it.
    #[command(before_help = "Example: metersift demo")]
    Demo {
        /// Folder to build the site in.
        #[arg(long, default_value = "larkmoor")]
        dir: PathBuf,
        /// Meters on the site.
        #[arg(long, default_value_t = 160)]
        meters: usize,
        /// Days of history.
        #[arg(long, default_value_t = 456)]
        days: usize,
        /// Seed of everything invented.
        #[arg(long, default_value_t = 7)]
        seed: u64,
        #[command(flatten)]
        memory: MemoryArg,
    },
    /// Say what dumps hold, and the site-file lines that settle each guess.
    #[command(before_help = "Example: metersift scan dumps/2026-03.csv.gz")]
    Scan {
        /// Dumps, or folders of dumps.
        #[arg(required = true)]
        paths: Vec<PathBuf>,
        /// Make a site folder with these dumps described, to edit.
        #[arg(long, value_name = "DIR")]
        write_site: Option<PathBuf>,
        /// Zone of zone-less times (IANA name).
        #[arg(long)]
        zone: Option<String>,
    },
    /// Run a batch job.
    #[command(before_help = "Example: metersift run pipelines/nightly.toml --site plants/larkmoor")]
    Run {
        /// The pipeline file.
        pipeline: PathBuf,
        #[command(flatten)]
        site: SiteArg,
        #[command(flatten)]
        as_of: AsOfArg,
        #[command(flatten)]
        memory: MemoryArg,
    },
    /// Take new dumps into the store.
    #[command(before_help = "Example: metersift import --site plants/larkmoor --memory 256MiB")]
    Import {
        #[command(flatten)]
        site: SiteArg,
        #[command(flatten)]
        memory: MemoryArg,
    },
    /// Compute the daily features of the days that new samples touched.
    #[command(before_help = "Example: metersift features --site plants/larkmoor")]
    Features {
        #[command(flatten)]
        site: SiteArg,
    },
    /// Judge every meter and write the evidence tables.
    #[command(before_help = "Example: metersift faults --site plants/larkmoor --as-of 2026-03-01")]
    Faults {
        #[command(flatten)]
        site: SiteArg,
        #[command(flatten)]
        as_of: AsOfArg,
    },
    /// Judge and write the watch-lists.
    #[command(before_help = "Example: metersift rank --site plants/larkmoor")]
    Rank {
        #[command(flatten)]
        site: SiteArg,
        #[command(flatten)]
        as_of: AsOfArg,
    },
    /// Judge, rank and write the report.
    #[command(before_help = "Example: metersift report --site plants/larkmoor")]
    Report {
        #[command(flatten)]
        site: SiteArg,
        #[command(flatten)]
        as_of: AsOfArg,
    },
    /// Replay the verdict at past dates and score it against findings or a fictional truth.
    #[command(
        before_help = "Example: metersift backtest --from 2026-01-05 --to 2026-06-29 --every 7d"
    )]
    Backtest {
        #[command(flatten)]
        site: SiteArg,
        /// First as-of date, or days back from the last (-182d).
        #[arg(long, allow_hyphen_values = true)]
        from: Option<String>,
        /// Last as-of date; default: the day after the newest stored sample.
        #[arg(long)]
        to: Option<String>,
        /// Step between as-of dates.
        #[arg(long, default_value = "7d")]
        every: String,
        /// Judge each date by the dumps that had arrived by that morning: later corrections and
        /// late dumps are not seen.
        #[arg(long)]
        as_known: bool,
    },
    /// Say why a meter is listed, or why not.
    #[command(before_help = "Example: metersift explain FT-3107 --site plants/larkmoor")]
    Explain {
        /// The meter.
        meter: String,
        #[command(flatten)]
        site: SiteArg,
        #[command(flatten)]
        as_of: AsOfArg,
        /// Write the meter's page instead, to FILE or to out/AS-OF/explain/NUMBER.html, and print
        /// where it is.
        #[arg(long, value_name = "FILE", num_args = 0..=1)]
        html: Option<Option<std::path::PathBuf>>,
    },
    /// Say which meters to check next, on which day and at which hour.
    #[command(
        before_help = "Example: metersift plan --site plants/larkmoor --days 14 --per-day 3 --format ics --output checks.ics"
    )]
    Plan {
        #[command(flatten)]
        site: SiteArg,
        #[command(flatten)]
        as_of: AsOfArg,
        /// Days to plan, the as-of date being the first; default: [plan] of the site file.
        #[arg(long, value_parser = clap::value_parser!(u32).range(1..=366))]
        days: Option<u32>,
        /// Checks a day, at most; default: [plan] of the site file, else the fewest with which
        /// all candidates fit.
        #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=1000))]
        per_day: Option<u32>,
        /// How to print the plan.
        #[arg(long, value_enum, default_value_t = plan::Format::Text)]
        format: plan::Format,
        #[command(flatten)]
        output: OutputArg,
    },
    /// Pack everything about one meter into a zip archive, for a second opinion.
    #[command(before_help = "Example: metersift bundle FT-3107 --disguise --output meter.zip")]
    Bundle {
        /// The meter.
        meter: String,
        #[command(flatten)]
        site: SiteArg,
        #[command(flatten)]
        as_of: AsOfArg,
        /// Days of samples, back from the as-of date; features go back to the beginning.
        #[arg(long, default_value_t = 90, value_parser = clap::value_parser!(u32).range(1..=3660))]
        days: u32,
        /// Give the meter another name, move all dates by whole weeks, leave free text out.
        #[arg(long)]
        disguise: bool,
        /// File to write; default: out/AS-OF/explain/NUMBER.zip.
        #[arg(long, short, value_name = "FILE")]
        output: Option<PathBuf>,
    },
    /// Recompute a feature from its samples, and print them with the dump of each.
    #[command(before_help = "Example: metersift trace FT-3107 density_noise_kg_m3 2026-03-07")]
    Trace {
        /// The meter.
        meter: String,
        /// The feature.
        feature: String,
        /// The day.
        day: String,
        #[command(flatten)]
        site: SiteArg,
    },
    /// Undo the import of one dump.
    #[command(
        before_help = "Example: metersift withdraw dumps/2026-03.csv.gz --site plants/larkmoor"
    )]
    Withdraw {
        /// The dump, as the ledger names it, or the first characters of its hash.
        dump: String,
        #[command(flatten)]
        site: SiteArg,
    },
    /// Account for the rows of every dump that ever came.
    #[command(before_help = "Example: metersift ledger --site plants/larkmoor")]
    Ledger {
        #[command(flatten)]
        site: SiteArg,
        /// How to print the account.
        #[arg(long, value_enum, default_value_t = ledger::Format::Text)]
        format: ledger::Format,
        #[command(flatten)]
        output: OutputArg,
    },
    /// Re-hash and re-count every stored file.
    #[command(before_help = "Example: metersift check-store --site plants/larkmoor")]
    CheckStore {
        #[command(flatten)]
        site: SiteArg,
        /// Take damaged days out of the store, so that the next night heals them from their dumps.
        #[arg(long)]
        set_aside: bool,
    },
    /// Write a fictional site with known truth.
    #[command(before_help = "Example: metersift simulate out/site-3 --seed 3")]
    Simulate {
        /// Folder to write.
        out: PathBuf,
        /// Meters on the site.
        #[arg(long, default_value_t = 160)]
        meters: usize,
        /// Days of history.
        #[arg(long, default_value_t = 456)]
        days: usize,
        /// Seed.
        #[arg(long, default_value_t = 7)]
        seed: u64,
    },
    /// Print shell completions.
    #[command(
        before_help = "Example: metersift completions bash > ~/.local/share/bash-completion/completions/metersift"
    )]
    Completions {
        /// The shell.
        shell: clap_complete::Shell,
    },
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;
    use std::path::Path;

    #[test]
    fn every_command_begins_its_help_with_an_example_that_parses() {
        let cli = Cli::command();
        assert!(cli.get_subcommands().count() >= 16);
        for command in std::iter::once(&cli).chain(cli.get_subcommands()) {
            let name = command.get_name();
            let example = command.get_before_help().map(|help| help.to_string());
            let example = example.unwrap_or_else(|| panic!("{name} has no example"));
            let line = example.strip_prefix("Example: ").unwrap_or_else(|| panic!("{name}"));
            assert!(name == "metersift" || line.contains(&format!("metersift {name}")), "{line}");
            let words = line.split(" > ").next().expect("a command").split_whitespace();
            if let Err(error) = Cli::try_parse_from(words) {
                panic!("{name}: `{line}`: {error}");
            }
        }
    }

    #[test]
    fn the_definition_of_the_prompt_holds_together() {
        Cli::command().debug_assert();
    }

    /// Markdown pages of the repository.
    fn pages() -> Vec<PathBuf> {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
        let mut pages = vec![root.join("README.md"), root.join("DEVELOPERS.md")];
        let mut folders = vec![root.join("docs"), root.join("notebooks-data")];
        while let Some(folder) = folders.pop() {
            let Ok(entries) = std::fs::read_dir(folder) else { continue };
            for path in entries.filter_map(|entry| Some(entry.ok()?.path())) {
                if path.is_dir() {
                    folders.push(path);
                } else if path.extension().is_some_and(|end| end == "md" || end == "service") {
                    pages.push(path);
                }
            }
        }
        pages.sort();
        pages
    }

    /// `metersift ...` lines of code blocks and of code between back-ticks that has arguments.
    fn command_lines(text: &str) -> Vec<String> {
        let joined = text.replace("\\\n", " ").replace("^\n", " ");
        let mut lines = Vec::new();
        let mut in_block = false;
        for line in joined.lines() {
            if line.trim_start().starts_with("```") {
                in_block = !in_block;
            } else if in_block {
                let from = ["metersift.exe ", "/usr/local/bin/metersift "]
                    .iter()
                    .find_map(|program| Some(&line[line.find(program)? + program.len()..]))
                    .or_else(|| {
                        line.trim_start().trim_start_matches("$ ").strip_prefix("metersift ")
                    });
                lines.extend(from.map(String::from));
            } else {
                let spans = line.split('`').skip(1).step_by(2);
                lines.extend(
                    spans.filter_map(|code| code.strip_prefix("metersift ")).map(String::from),
                );
            }
        }
        lines
    }

    /// Whether the parser takes a line; `N` and `PATH...` stand for a number and some paths.
    fn parses(line: &str) -> Result<(), String> {
        let line = line.split(['#', '>', '|', '<']).next().unwrap_or_default();
        let words = line.split_whitespace().map(|word| match word.trim_matches('"') {
            "N" => "1",
            word => word.trim_end_matches("..."),
        });
        let words: Vec<&str> = std::iter::once("metersift").chain(words).collect();
        match Cli::try_parse_from(&words) {
            Ok(_) => Ok(()),
            Err(error) => match error.kind() {
                clap::error::ErrorKind::DisplayHelp | clap::error::ErrorKind::DisplayVersion => {
                    Ok(())
                }
                // A command named in passing, without its arguments.
                clap::error::ErrorKind::MissingRequiredArgument if words.len() == 2 => Ok(()),
                _ => Err(error.to_string()),
            },
        }
    }

    #[test]
    fn every_command_line_of_the_docs_is_one_that_the_program_takes() {
        let mut tried = 0;
        for page in pages() {
            let text = std::fs::read_to_string(&page).expect("a page");
            // A unit file is all code.
            let unit = page.extension().is_some_and(|end| end == "service");
            let text = if unit { format!("```\n{text}") } else { text };
            for line in command_lines(&text) {
                if let Err(error) = parses(&line) {
                    panic!("{}: `metersift {line}`: {error}", page.display());
                }
                tried += 1;
            }
        }
        assert!(tried > 30, "only {tried} command lines were found");
        assert!(parses("plan --dayz 3").is_err() && parses("no-such-command").is_err());
    }
}
