//! metersift: screens a fleet of Coriolis meters from historian dumps.
//!
//! This room knows arguments, files, messages and exit codes, and nothing about meters.

mod args;
mod exit;
mod memory;
mod message;
mod pipeline;
mod site;
mod stage;
mod story;
mod suggest;

use args::{Cli, Command, OutputArg};
use clap::{CommandFactory, Parser};
use exit::Exit;
use memory::Memory;
use message::Message;
use pipeline::{Pipeline, Stage};
use site::Site;
use stage::check_store::Damage;
use stage::night::{self, Upto};
use stage::standing::Grounds;
use stage::{
    backtest, bundle, check_store, demo, explain, features, import, ledger, plan, scan, trace,
    withdraw,
};
use std::io::Write;
use std::path::Path;
use std::process::ExitCode;
use story::Loudness;

fn main() -> ExitCode {
    let cli = Cli::parse();
    let loudness = match (cli.quiet, cli.verbose) {
        (true, _) => Loudness::Quiet,
        (_, true) => Loudness::Verbose,
        _ => Loudness::Normal,
    };
    story::tell_as(loudness, cli.progress, cli.progress_every);
    if let Err(error) = rayon::ThreadPoolBuilder::new().num_threads(cli.threads).build_global() {
        story::say(format!("error: the threads could not be started: {error}"));
        return ExitCode::from(Exit::Failed as u8);
    }
    let exit = run(cli.command).unwrap_or_else(|message| {
        story::complain(&message);
        message.exit
    });
    ExitCode::from(exit as u8)
}

fn run(command: Command) -> Result<Exit, Message> {
    match command {
        Command::Demo { dir, meters, days, seed, memory } => {
            let plan = fleet_plan(meters, days, seed)?;
            let (text, exit) = demo::run(&dir, &plan, memory.memory)?;
            print(&text)?;
            Ok(exit)
        }
        Command::Simulate { out, meters, days, seed } => {
            demo::simulate(&out, &fleet_plan(meters, days, seed)?).map(|()| Exit::Done)
        }
        Command::Scan { paths, write_site, zone } => {
            let (text, exit) = scan::run(&paths, write_site.as_deref(), zone.as_deref())?;
            print(&text)?;
            Ok(exit)
        }
        Command::Run { pipeline, site, as_of, memory } => {
            run_pipeline(&pipeline, &site.site, as_of.as_of, memory.memory)
        }
        Command::Import { site, memory } => job(&site.site, None, &[Stage::Import], memory.memory),
        Command::Features { site } => job(&site.site, None, &[Stage::Features], None),
        Command::Faults { site, as_of } => job(&site.site, as_of.as_of, &[Stage::Faults], None),
        Command::Rank { site, as_of } => job(&site.site, as_of.as_of, &[Stage::Rank], None),
        Command::Report { site, as_of } => job(&site.site, as_of.as_of, &[Stage::Report], None),
        Command::Backtest { site, from, to, every, as_known } => {
            let site = Site::load(&site.site)?;
            let span = backtest::Span {
                from: from.as_deref(),
                to: to.as_deref(),
                every: &every,
                as_known,
            };
            print(&backtest::run(&site, &span)?)?;
            Ok(Exit::Done)
        }
        Command::Explain { meter, site, as_of, html } => {
            let site = Site::load(&site.site)?;
            let night = judge_for_reading(&site, as_of.as_of)?;
            match html {
                None => print(&explain::run(&night, &meter)?)?,
                Some(place) => print(&explain::write_page(&site, &night, &meter, place)?)?,
            }
            Ok(Exit::Done)
        }
        Command::Bundle { meter, site, as_of, days, disguise, output } => {
            let site = Site::load(&site.site)?;
            let store = read_store(&site)?;
            let night = judge_for_reading(&site, as_of.as_of)?;
            let wanted = bundle::Wanted { meter: &meter, days, disguise, output };
            print(&bundle::run(&site, &store, &night, &wanted)?)?;
            Ok(Exit::Done)
        }
        Command::Plan { site, as_of, days, per_day, format, output } => {
            let site = Site::load(&site.site)?;
            let store = read_store(&site)?;
            let night = judge_for_reading(&site, as_of.as_of)?;
            let mut crew = site.file.plan.clone();
            crew.days = days.unwrap_or(crew.days);
            crew.per_day = per_day.or(crew.per_day);
            give(&plan::run(&site, &store, &night, &crew, format)?, &output)?;
            Ok(Exit::Done)
        }
        Command::Ledger { site, format, output } => {
            let (text, exit) = ledger::run(&Site::load(&site.site)?, format)?;
            give(&text, &output)?;
            Ok(exit)
        }
        Command::Trace { meter, feature, day, site } => {
            let (samples, exit) = trace::run(&Site::load(&site.site)?, &meter, &feature, &day)?;
            print(&samples)?;
            Ok(exit)
        }
        Command::Withdraw { dump, site } => {
            print(&withdraw::run(&Site::load(&site.site)?, &dump)?)?;
            Ok(Exit::Done)
        }
        Command::CheckStore { site, set_aside } => {
            let damage = if set_aside { Damage::SetAside } else { Damage::Tell };
            check_store::run(&Site::load(&site.site)?, damage)
        }
        Command::Completions { shell } => {
            let mut text = Vec::new();
            clap_complete::generate(shell, &mut Cli::command(), "metersift", &mut text);
            print(&String::from_utf8_lossy(&text))?;
            Ok(Exit::Done)
        }
    }
}

fn fleet_plan(meters: usize, days: usize, seed: u64) -> Result<metersift_sim::Plan, Message> {
    let days = u32::try_from(days)
        .map_err(|_| Message::could_not_start("too many days").at(format!("read {days}")))?;
    Ok(metersift_sim::Plan::larkmoor(meters, days, seed))
}

fn run_pipeline(
    path: &Path,
    site: &Path,
    as_of: Option<String>,
    memory: Option<Memory>,
) -> Result<Exit, Message> {
    let pipeline = Pipeline::load(path)?;
    story::note(format!("{}: {}", path.display(), pipeline.description));
    let as_of = as_of.or_else(|| (pipeline.as_of != "latest").then(|| pipeline.as_of.clone()));
    let mut exit = Exit::Done;
    if pipeline.stages.contains(&Stage::CheckStore) {
        exit = exit.max(check_store::run(&Site::load(site)?, Damage::Tell)?);
    }
    exit = exit.max(job(site, as_of.clone(), &pipeline.stages, memory)?);
    if pipeline.stages.contains(&Stage::Backtest) {
        let options = &pipeline.backtest;
        let span = backtest::Span {
            from: Some(&options.from),
            to: as_of.as_deref(),
            every: &options.every,
            as_known: options.as_known,
        };
        print(&backtest::run(&Site::load(site)?, &span)?)?;
    }
    Ok(exit)
}

/// Runs the stages of a night, in their own order, each at most once.
fn job(
    dir: &Path,
    as_of: Option<String>,
    stages: &[Stage],
    memory: Option<Memory>,
) -> Result<Exit, Message> {
    let has = |stage| stages.contains(&stage);
    let upto = [
        (Stage::Report, Upto::Report),
        (Stage::Rank, Upto::Lists),
        (Stage::Faults, Upto::Evidence),
    ]
    .into_iter()
    .find(|&(stage, _)| has(stage))
    .map(|(_, upto)| upto);
    if !has(Stage::Import) && !has(Stage::Features) && upto.is_none() {
        return Ok(Exit::Done);
    }
    let site = Site::load(dir)?.with_memory(memory);
    // Records are read first: a register that cannot be used stops the night before it writes.
    let read = night::open_records(&site)?;
    let (records, mut exit) = (read.records, read.exit);
    let is_new = !site.store_dir().exists();
    let mut store = demo::open_store(&site)?;
    if has(Stage::Import) {
        let (read, kept) = import::run_first(&site, store, is_new)?;
        store = kept;
        exit = exit.max(read);
        if read == Exit::CouldNotStart {
            return Ok(exit);
        }
    }
    if has(Stage::Features) {
        features::run(&site, &store, &records)?;
    }
    if let Some(upto) = upto {
        let as_of = as_of_day(&store, as_of.as_deref())?;
        let stage = story::stage("news");
        let grounds = Grounds::of(&site, &store, as_of, upto);
        if grounds.stand(&site, &store, as_of) {
            stage.done(format!("none that out/{as_of} hangs on: it stands as it was made"));
            return Ok(exit);
        }
        let judged = night::judge(&site, &store, records, as_of)?;
        night::write(&site, &store, &judged, &read.rejects, upto)?;
        // What it hangs on was told before it was made: whatever changed meanwhile is news.
        grounds.keep(&site, &store, as_of);
    }
    Ok(exit)
}

fn as_of_day(
    store: &metersift_store::Store,
    text: Option<&str>,
) -> Result<metersift_model::Day, Message> {
    let latest = night::latest_as_of(store)?;
    text.map_or(Ok(latest), |text| pipeline::parse_day(text, latest))
}

fn judge_for_reading(site: &Site, as_of: Option<String>) -> Result<night::Night, Message> {
    let store = read_store(site)?;
    let as_of = as_of_day(&store, as_of.as_deref())?;
    night::judge(site, &store, night::read_records(site)?.0, as_of)
}

fn read_store(site: &Site) -> Result<metersift_store::Store, Message> {
    metersift_store::Store::read(&site.store_dir()).map_err(import::store_message)
}

/// Prints a result, or writes it whole into the file that was named.
fn give(text: &str, output: &OutputArg) -> Result<(), Message> {
    let Some(path) = &output.output else { return print(text) };
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
    let written = tempfile::NamedTempFile::new_in(folder.unwrap_or(Path::new(".")))
        .and_then(|mut file| file.write_all(text.as_bytes()).map(|()| file))
        .and_then(|file| file.persist(path).map_err(|error| error.error));
    let file = written.map_err(|error| {
        Message::new(Exit::Failed, "the result could not be written")
            .at(format!("to {}: {error}", path.display()))
    })?;
    drop(file);
    story::note(format!("written to {}", path.display()));
    Ok(())
}

/// Results go to stdout; a reader that has seen enough is no error.
fn print(text: &str) -> Result<(), Message> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Message::new(Exit::Failed, "the result could not be printed").at(error))
        }
        _ => Ok(()),
    }
}
