//! The prompt: every command, flag and help text, defined once.

use crate::stage::plan::Format;
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
///
/// Example: metersift run pipelines/nightly.toml --site plants/larkmoor
#[derive(Parser, Debug)]
#[command(name = "metersift", version, after_help = AFTER_HELP)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
    /// Threads to use; 0 = all cores. Results do not depend on it.
    #[arg(long, global = true, default_value_t = 0)]
    pub threads: usize,
}

/// Where the site lies.
#[derive(Args, Debug, Clone)]
pub struct SiteArg {
    /// The site folder (holds site.toml, dumps/, records/).
    #[arg(long, default_value = ".")]
    pub site: PathBuf,
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
    ///
    /// Example: metersift demo
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
    },
    /// Say what dumps hold, and the site-file lines that settle each guess.
    ///
    /// Example: metersift scan dumps/2026-03.csv.gz
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
    ///
    /// Example: metersift run pipelines/nightly.toml --site plants/larkmoor
    Run {
        /// The pipeline file.
        pipeline: PathBuf,
        #[command(flatten)]
        site: SiteArg,
        #[command(flatten)]
        as_of: AsOfArg,
    },
    /// Take new dumps into the store.
    ///
    /// Example: metersift import --site plants/larkmoor
    Import {
        #[command(flatten)]
        site: SiteArg,
    },
    /// Compute the daily features of the days that new samples touched.
    ///
    /// Example: metersift features --site plants/larkmoor
    Features {
        #[command(flatten)]
        site: SiteArg,
    },
    /// Judge every meter and write the evidence tables.
    ///
    /// Example: metersift faults --site plants/larkmoor --as-of 2026-03-01
    Faults {
        #[command(flatten)]
        site: SiteArg,
        #[command(flatten)]
        as_of: AsOfArg,
    },
    /// Judge and write the watch-lists.
    ///
    /// Example: metersift rank --site plants/larkmoor
    Rank {
        #[command(flatten)]
        site: SiteArg,
        #[command(flatten)]
        as_of: AsOfArg,
    },
    /// Judge, rank and write the report.
    ///
    /// Example: metersift report --site plants/larkmoor
    Report {
        #[command(flatten)]
        site: SiteArg,
        #[command(flatten)]
        as_of: AsOfArg,
    },
    /// Replay the verdict at past dates and score it against findings or a fictional truth.
    ///
    /// Example: metersift backtest --from 2026-01-05 --to 2026-06-29 --every 7d
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
    },
    /// Say why a meter is listed, or why not.
    ///
    /// Example: metersift explain FT-3107 --site plants/larkmoor
    Explain {
        /// The meter.
        meter: String,
        #[command(flatten)]
        site: SiteArg,
        #[command(flatten)]
        as_of: AsOfArg,
        /// Write the meter's page instead, to FILE or to out/AS-OF/explain/NUMBER.html, and print
        /// where it is.
        #[arg(long, value_name = "FILE", num_args = 0..=1, default_missing_value = "")]
        html: Option<std::path::PathBuf>,
    },
    /// Say which meters to check next, and on which day.
    ///
    /// Example: metersift plan --site plants/larkmoor --days 14 --per-day 3
    Plan {
        #[command(flatten)]
        site: SiteArg,
        #[command(flatten)]
        as_of: AsOfArg,
        /// Days to plan, the as-of date being the first.
        #[arg(long, default_value_t = 28, value_parser = clap::value_parser!(u32).range(1..=366))]
        days: u32,
        /// Checks a day, at most; default: the fewest with which all candidates fit.
        #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=1000))]
        per_day: Option<u32>,
        /// How to print the plan.
        #[arg(long, value_enum, default_value_t = Format::Text)]
        format: Format,
    },
    /// Recompute a feature from its samples, and print them with the dump of each.
    ///
    /// Example: metersift trace FT-3107 density_noise_kg_m3 2026-03-07
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
    ///
    /// Example: metersift withdraw dumps/2026-03.csv.gz --site plants/larkmoor
    Withdraw {
        /// The dump, as the ledger names it, or the first characters of its hash.
        dump: String,
        #[command(flatten)]
        site: SiteArg,
    },
    /// Re-hash and re-count every stored file.
    ///
    /// Example: metersift check-store --site plants/larkmoor
    CheckStore {
        #[command(flatten)]
        site: SiteArg,
        /// Take damaged days out of the store, so that the next night heals them from their dumps.
        #[arg(long)]
        set_aside: bool,
    },
    /// Write a fictional site with known truth.
    ///
    /// Example: metersift simulate out/site-3 --seed 3
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
    ///
    /// Example: metersift completions bash > ~/.local/share/bash-completion/completions/metersift
    Completions {
        /// The shell.
        shell: clap_complete::Shell,
    },
}
