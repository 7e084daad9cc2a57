//! The second half of a night: judge every meter, rank, and write lists, evidence and report.

use crate::exit::Exit;
use crate::message::Message;
use crate::site::Site;
use crate::stage::appointments;
use crate::stage::guard;
use crate::stage::health::{self, Missing, data_health};
use crate::stage::import::{refused, store_message};
use crate::stage::kept;
use crate::stage::plan;
use crate::stage::since::{self, Inputs};
use crate::story::{self, counted, grouped};
use metersift_faults::{FindingScore, Fleet};
use metersift_features::FeatureDef;
use metersift_model::verdict::JudgedState;
use metersift_model::watch_list::WatchLists;
use metersift_model::{Column, ColumnData, Day, ListKind, Records, Reject, Table, Verdict};
use metersift_rank::PastEntry;
use metersift_report::{DataHealth, KeptWord, ReportInput, RunCard, Since, Term, neutral};
use metersift_store::{DumpEntry, Store, Trouble};
use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

/// Nights that entering and leaving a list look back on.
const NIGHTS_REMEMBERED: usize = 95;
/// Record lines not used that are told on the screen; the file beside the results holds all.
const REJECTS_SHOWN: usize = 20;

/// The name of the latest night, until it is in its place.
const LATEST_STAGED: &str = ".latest.new";

/// How far a night goes: each step includes those before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Upto {
    /// Evidence tables.
    Evidence,
    /// Watch-lists.
    Lists,
    /// The report.
    Report,
}

/// A judged night.
pub struct Night {
    /// First day not looked at.
    pub as_of: Day,
    /// What people recorded.
    pub records: Records,
    /// Daily features before `as_of`.
    pub daily: Table,
    /// One verdict per meter.
    pub verdicts: Vec<Verdict>,
    /// The lists.
    pub lists: WatchLists,
    /// Where the figures come from.
    pub card: RunCard,
    /// What came, what did not, and what looks doubtful.
    pub health: DataHealth,
    /// What the night was made of, for the next one to compare with.
    pub inputs: Inputs,
    /// What differs from the night before, where one is known.
    pub since: Option<Since>,
    /// The night in a few lines.
    pub summary: Vec<String>,
    /// How stated probabilities turned out, on simulated fleets and on this site.
    pub kept: Vec<KeptWord>,
}

impl Night {
    /// As the report takes it.
    pub fn report_input<'a>(&'a self, site: &'a Site) -> ReportInput<'a> {
        ReportInput {
            site: &site.file.name,
            card: &self.card,
            lists: &self.lists,
            verdicts: &self.verdicts,
            daily: &self.daily,
            records: &self.records,
            health: &self.health,
            since: self.since.as_ref(),
            summary: &self.summary,
            kept: &self.kept,
            glossary: &GLOSSARY,
        }
    }
}

/// What the features are, for readers of the report.
static GLOSSARY: LazyLock<Vec<Term<'static>>> = LazyLock::new(|| {
    let term = |def: &FeatureDef| Term {
        name: def.name,
        symbol: def.symbol,
        unit: def.unit,
        formula: def.formula,
        validity: def.validity,
        null_means: def.null_means,
    };
    metersift_features::features().iter().map(term).collect()
});

/// The records of a site, and what of them could not be used.
pub struct ReadRecords {
    /// What could be used.
    pub records: Records,
    /// Lines that could not, in order of file and line.
    pub rejects: Vec<Reject>,
    /// [`Exit::SetAside`] where there are any.
    pub exit: Exit,
}

/// Reads the records, with what could not be used told on stderr: a line of the register that
/// cannot be read is a meter that nobody judges, so the run does not end as if all were well.
pub fn open_records(site: &Site) -> Result<ReadRecords, Message> {
    let mut settings = site.file.records.clone();
    if settings.zone.is_empty() {
        settings.zone.clone_from(&site.file.zone);
    }
    let (records, mut rejects) = metersift_import::read_records(&site.dir, &settings)
        .map_err(|error| refused(&error, Exit::CouldNotStart))?;
    for reject in &mut rejects {
        // The same text wherever the site lies.
        reject.origin.file = site.shown(Path::new(&reject.origin.file));
    }
    for reject in rejects.iter().take(REJECTS_SHOWN) {
        let at = &reject.origin;
        story::say(format!(
            "record not used: {}, line {}, column {}: read `{}`; expected {}",
            at.file, at.line, at.column, reject.read, reject.expected
        ));
    }
    if rejects.len() > REJECTS_SHOWN {
        story::say(format!(
            "record not used: {} more lines, all in out/AS-OF/record-rejects.csv",
            rejects.len() - REJECTS_SHOWN
        ));
    }
    let exit = if rejects.is_empty() { Exit::Done } else { Exit::SetAside };
    Ok(ReadRecords { records, rejects, exit })
}

/// [`open_records`] for those who only look.
pub fn read_records(site: &Site) -> Result<(Records, Exit), Message> {
    open_records(site).map(|read| (read.records, read.exit))
}

/// The day after the newest stored sample.
pub fn latest_as_of(store: &Store) -> Result<Day, Message> {
    store.day_files().iter().map(|file| file.day()).max().map(|day| day.plus(1)).ok_or_else(|| {
        Message::could_not_start("the store holds no samples").hint("run `metersift import` first")
    })
}

/// The daily columns that a night reads: those of the verdict, of the pictures and of the state of
/// the data. A column that is not among them is silently absent from all three, so each of them
/// says itself what it needs.
pub fn daily_columns() -> BTreeSet<String> {
    let drawn = metersift_report::DAILY_COLUMNS.into_iter();
    let named = metersift_faults::DAILY_COLUMNS.into_iter().chain(drawn).map(String::from);
    named.chain(health::daily_columns()).collect()
}

/// What verdict and report need of everything before `as_of`: a fifth of the daily columns, which
/// is what keeps three years of a thousand meters in memory.
pub fn read_daily(store: &Store, as_of: Day) -> Result<Table, Message> {
    let wanted = daily_columns();
    let wanted: Vec<&str> = wanted.iter().map(String::as_str).collect();
    store.read_daily_columns(Day(i32::MIN), as_of, &wanted).map_err(store_message)
}

/// Indexes a fleet for judging.
pub fn fleet(site: &Site, daily: &Table, records: &Records) -> Result<Fleet, Message> {
    let mut settings = site.file.faults.clone();
    // Blind spots are told for the chance at which a list is really entered.
    settings.list_probability = site.file.rank.smallest_probability;
    settings.limits.drive_ceiling_pct = site.file.features.drive_ceiling_pct;
    let fleet = Fleet::new(daily, records, &settings)
        .map_err(|error| Message::could_not_start("the fleet cannot be judged").at(error))?;
    Ok(fleet.with_findings(finding_scores(site, records)?))
}

/// A verdict older than this says nothing about what was found.
const FINDING_LOOK_BACK_DAYS: i32 = 30;

/// What the last night before each finding thought of its meter: material of re-calibration.
fn finding_scores(site: &Site, records: &Records) -> Result<Vec<FindingScore>, Message> {
    let mut nights = nights_on_disk(site)?;
    nights.reverse();
    let mut wanted: BTreeMap<Day, Vec<(&str, Day, bool)>> = BTreeMap::new();
    for (meter, findings) in &records.findings {
        for finding in findings {
            let known = |night: &&Day| {
                **night <= finding.day && **night >= finding.day.plus(-FINDING_LOOK_BACK_DAYS)
            };
            if let Some(night) = nights.iter().find(known) {
                let entry = (meter.as_str(), finding.day, finding.mode.is_some());
                wanted.entry(*night).or_default().push(entry);
            }
        }
    }
    let mut scores = Vec::new();
    for (night, findings) in wanted {
        let table =
            metersift_store::read_table(&verdicts_file(site, night)).map_err(store_message)?.0;
        // Nights of older versions keep no odds before calibration: they have no say.
        let (Some(meters), Some(raw)) = (table.texts("meter"), table.numbers("raw_fault_score"))
        else {
            continue;
        };
        for (meter, day, fault) in findings {
            let row = meters.iter().position(|name| name.as_deref() == Some(meter));
            if let Some(row) = row {
                scores.push(FindingScore { day, raw_fault_score: raw[row], fault });
            }
        }
    }
    Ok(scores)
}

fn verdicts_file(site: &Site, night: Day) -> PathBuf {
    site.out_dir().join(night.to_string()).join("evidence/verdicts.parquet")
}

/// Nights whose verdicts lie in the output folder, oldest first. A folder that cannot be read is
/// an error: without its past a night would call everything new.
pub fn nights_on_disk(site: &Site) -> Result<Vec<Day>, Message> {
    use std::io::ErrorKind::{NotADirectory, NotFound};
    let read = || {
        let folders = match std::fs::read_dir(site.out_dir()) {
            // What is no folder holds no nights; whoever writes there will name it.
            Err(error) if matches!(error.kind(), NotFound | NotADirectory) => return Ok(Vec::new()),
            folders => folders?,
        };
        let mut days = Vec::new();
        for entry in folders {
            if let Some(day) = Day::parse(&entry?.file_name().to_string_lossy())
                && verdicts_file(site, day).try_exists()?
            {
                days.push(day);
            }
        }
        days.sort();
        Ok(days)
    };
    read().map_err(|error: std::io::Error| {
        Message::new(Exit::Failed, "earlier results cannot be read")
            .at(format!("in {}: {error}", site.out_dir().display()))
            .hint("see to it that the folder can be read, and run again")
    })
}

/// Judges and ranks one morning.
pub fn judge(site: &Site, store: &Store, records: Records, as_of: Day) -> Result<Night, Message> {
    let stage = story::stage("faults");
    let daily = read_daily(store, as_of)?;
    let mut verdicts = fleet(site, &daily, &records)?.judge(as_of);
    guard::withhold_doubtful(site, &store.ledger(), &daily, as_of, &mut verdicts);
    let count = |state| verdicts.iter().filter(|verdict| verdict.state == state).count();
    stage.done(format!(
        "as of {as_of}: {} meters judged, {} young, {} not judged, from {} meter-days",
        count(JudgedState::Judged),
        count(JudgedState::Young),
        count(JudgedState::NotJudged),
        grouped(daily.n_rows() as u64),
    ));
    let stage = story::stage("rank");
    let previous = earlier_nights(site, as_of)?;
    let mut lists =
        metersift_rank::watch_lists(&verdicts, &records, &previous, as_of, &site.file.rank);
    let listed = health::listed_tags(site)?;
    let missing = health::missing(site, store, &listed, &daily, as_of);
    let missing_before = lists.before.map_or_else(Missing::default, |night| {
        health::missing(site, store, &listed, &daily, night.as_of)
    });
    metersift_rank::add_silent(&mut lists, &missing.sources, &missing_before.sources);
    metersift_rank::add_never_seen(&mut lists, &missing.tags, &missing_before.tags);
    let counts: Vec<String> = ListKind::ALL
        .into_iter()
        .map(|kind| format!("{} {}", kind.name(), lists.of(kind).count()))
        .collect();
    stage.done(counts.join(", "));
    let card = run_card(site, store, &records, as_of);
    let mut inputs = since::inputs(site, store, &card.program, &daily, &records, as_of);
    inputs.rank(&lists);
    let since = lists.before.map(|before| {
        let folder = site.out_dir().join(before.as_of.to_string());
        since::since(Inputs::read(&folder).as_ref(), &inputs, store, &daily, before.as_of)
    });
    let since = since.transpose().map_err(store_message)?;
    let mut health = data_health(store, &daily, &verdicts, &previous, &missing, as_of);
    health.unit_steps.splice(0..0, guard::lines(site, &store.ledger(), as_of));
    let summary = summary_lines(store, &daily, as_of);
    let kept = kept::known(site, as_of);
    Ok(Night { as_of, records, daily, verdicts, lists, card, health, inputs, since, summary, kept })
}

/// Where the figures of a night come from. What is told of the as-of date and later is not among
/// it: an old date that is run again is the same run.
pub fn run_card(site: &Site, store: &Store, records: &Records, as_of: Day) -> RunCard {
    let program = format!("metersift {}", env!("CARGO_PKG_VERSION"));
    let ledger = samples_hash(store, as_of);
    let records = since::all_records_check(records, as_of);
    let mut hasher = blake3::Hasher::new();
    for part in [&program, &site.config_hash, &ledger, &as_of.to_string(), &records] {
        hasher.update(part.as_bytes());
        hasher.update(b"\0");
    }
    let short = |hash: &str| hash.chars().take(16).collect::<String>();
    RunCard {
        run: short(&hasher.finalize().to_hex()),
        config_hash: short(&site.config_hash),
        ledger: short(&ledger),
        program,
        as_of,
    }
}

/// The ledger state that matters to results: which samples there are, not when they arrived.
fn samples_hash(store: &Store, as_of: Day) -> String {
    let mut hasher = blake3::Hasher::new();
    for file in store.day_files().iter().filter(|file| file.day() < as_of) {
        hasher.update(format!("{} {} {}\n", file.day(), file.bucket(), file.hash).as_bytes());
    }
    hasher.finalize().to_hex().to_string()
}

/// Verdicts of earlier nights, from their evidence files.
fn earlier_nights(site: &Site, as_of: Day) -> Result<Vec<PastEntry>, Message> {
    let days = nights_on_disk(site)?.into_iter().filter(|&day| day < as_of);
    let days: Vec<Day> = days.collect();
    let mut previous = Vec::new();
    for day in days.into_iter().rev().take(NIGHTS_REMEMBERED) {
        let path = verdicts_file(site, day);
        let table = metersift_store::read_table(&path).map_err(store_message)?.0;
        match PastEntry::from_table(&table) {
            Ok(entries) => previous.extend(entries),
            Err(error) => story::say(format!("the list of {day} is passed over: {error}")),
        }
    }
    Ok(previous)
}

/// Writes the night whole: into a folder beside its place, then swapped in. Where that fails the
/// former results stand as they were, and the room is given back.
pub fn write(
    site: &Site,
    store: &Store,
    night: &Night,
    rejects: &[Reject],
    upto: Upto,
) -> Result<PathBuf, Message> {
    let stage = story::stage("report");
    let name = night.as_of.to_string();
    let place = site.out_dir().join(&name);
    let staging = site.out_dir().join(format!(".{name}.new"));
    let _ = std::fs::remove_dir_all(&staging);
    let written = write_parts(site, store, night, rejects, upto, &staging);
    let written = written.and_then(|size| {
        let kept = parts_kept(&place, &night.card, upto);
        swap_in(site, &name, &kept).map(|()| size).map_err(|error| unwritten(site, &error))
    });
    let size = written.inspect_err(|_| {
        let _ = std::fs::remove_dir_all(&staging);
        let _ = std::fs::remove_file(site.out_dir().join(LATEST_STAGED));
    })?;
    let page =
        if size > 0 { format!(", report {:.1} MB", size as f64 / 1e6) } else { String::new() };
    stage.done(format!("written to {}{page}", site.shown(&place)));
    Ok(place)
}

fn unwritten(site: &Site, error: &std::io::Error) -> Message {
    let hint = match Trouble::of(error) {
        Trouble::NoRoom => "free room on the disk of `out`, and run again",
        Trouble::Quota => "raise the quota, or free what this user holds there, and run again",
        Trouble::NoRight | Trouble::ReadOnly => "give the right to write there, and run again",
        _ => "mend the place, and run again",
    };
    Message::new(Exit::Failed, "results could not be written")
        .at(format!("in {}: {error}", site.out_dir().display()))
        .at("the former results stand as they were; what is in the store stays")
        .hint(hint)
}

/// Everything that a night makes, into a folder of its own; the size of its page.
fn write_parts(
    site: &Site,
    store: &Store,
    night: &Night,
    rejects: &[Reject],
    upto: Upto,
    staging: &Path,
) -> Result<usize, Message> {
    let io = |error: std::io::Error| unwritten(site, &error);
    write_evidence(&staging.join("evidence"), night).map_err(io)?;
    if upto >= Upto::Lists {
        let lists = staging.join("lists");
        write_lists(site, &lists, night).map_err(io)?;
        let plan = plan::plan(site, store, night, &site.file.plan)?;
        std::fs::write(lists.join("check-plan.csv"), plan::csv(&plan, night)?).map_err(io)?;
        let calendar = plan::ics(site, &plan, night);
        std::fs::write(lists.join("check-plan.ics"), calendar).map_err(io)?;
        let kept = appointments::to_text(&plan, &plan::appointments(site, &plan)).map_err(other);
        std::fs::write(lists.join(appointments::FILE), kept.map_err(io)?).map_err(io)?;
    }
    let mut size = 0;
    if upto >= Upto::Report {
        size = write_report(site, &staging.join("report"), night).map_err(io)?;
    }
    write_rejects(&staging.join("record-rejects.csv"), rejects).map_err(io)?;
    write_run_card(&staging.join("run.json"), site, night, upto).map_err(io)?;
    Ok(size)
}

/// Puts a night that is written in its place, with the parts of the former one that stay, and
/// makes it the latest. What fails half-way is taken back.
fn swap_in(site: &Site, name: &str, kept: &[&str]) -> std::io::Result<()> {
    let out = site.out_dir();
    let (place, staging) = (out.join(name), out.join(format!(".{name}.new")));
    let old = out.join(format!(".{name}.old"));
    let latest = out.join(LATEST_STAGED);
    std::fs::write(&latest, format!("{name}\n"))?;
    let _ = std::fs::remove_dir_all(&old);
    let mut steps: Vec<(PathBuf, PathBuf)> =
        kept.iter().map(|part| (place.join(part), staging.join(part))).collect();
    if place.try_exists()? {
        steps.push((place.clone(), old.clone()));
    }
    steps.push((staging, place));
    steps.push((latest, out.join("latest")));
    for (at, (from, to)) in steps.iter().enumerate() {
        if let Err(error) = std::fs::rename(from, to) {
            for (from, to) in steps[..at].iter().rev() {
                let _ = std::fs::rename(to, from);
            }
            return Err(error);
        }
    }
    let _ = std::fs::remove_dir_all(&old);
    Ok(())
}

/// Every record line that was not used, with its place: nothing that the team wrote is lost
/// because somebody did not read the log.
fn write_rejects(path: &Path, rejects: &[Reject]) -> std::io::Result<()> {
    if rejects.is_empty() {
        return Ok(());
    }
    let mut file = csv::Writer::from_writer(create(path)?);
    file.write_record(["file", "line", "column", "read", "expected", "reason"])?;
    for reject in rejects {
        let at = &reject.origin;
        file.write_record([
            neutral(&at.file).as_ref(),
            &at.line.to_string(),
            &at.column.to_string(),
            neutral(&reject.read).as_ref(),
            neutral(&reject.expected).as_ref(),
            reject.reason.name(),
        ])?;
    }
    file.into_inner().map_err(other)?.flush()
}

/// Lists, report and pages of single meters of the very same run stay when only an earlier part
/// is written again; those of another run would not fit and go.
fn parts_kept(place: &Path, card: &RunCard, upto: Upto) -> Vec<&'static str> {
    let same_run = std::fs::read_to_string(place.join("run.json"))
        .is_ok_and(|text| text.contains(&format!("\"run\": \"{}\"", card.run)));
    let parts =
        [("lists", upto >= Upto::Lists), ("report", upto >= Upto::Report), ("explain", false)];
    let kept =
        parts.into_iter().filter(|&(part, made)| same_run && !made && place.join(part).exists());
    kept.map(|(part, _)| part).collect()
}

fn create(path: &Path) -> std::io::Result<BufWriter<File>> {
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder)?;
    }
    File::create(path).map(BufWriter::new)
}

/// An error of a writer, of the kind that the system's answer inside it has.
fn other(error: impl std::error::Error + 'static) -> std::io::Error {
    let mut inner: Option<&(dyn std::error::Error + 'static)> = Some(&error);
    let mut kind = std::io::ErrorKind::Other;
    while let Some(next) = inner {
        if let Some(io) = next.downcast_ref::<std::io::Error>() {
            kind = io.kind();
        }
        inner = next.source();
    }
    std::io::Error::new(kind, error.to_string())
}

fn write_evidence(folder: &Path, night: &Night) -> std::io::Result<()> {
    let verdicts = metersift_rank::verdicts_table(&night.verdicts, &night.lists);
    let tables = [("verdicts", verdicts), ("observables", observables_table(&night.verdicts))];
    for (name, table) in tables {
        let out = create(&folder.join(format!("{name}.parquet")))?;
        metersift_report::write_parquet(&table, out, &night.card).map_err(other)?;
    }
    std::fs::write(folder.join("inputs.json"), night.inputs.to_text().map_err(other)?)
}

fn write_lists(site: &Site, folder: &Path, night: &Night) -> std::io::Result<()> {
    let mut table = metersift_rank::lists_table(&night.lists);
    // On the first night the columns are there and empty: their order never depends on the night.
    let since = night.since.clone().unwrap_or_default();
    table.columns.extend(metersift_report::since_columns(&since, &night.lists));
    table.columns.extend(metersift_report::budget_columns(&night.lists));
    let card = &night.card;
    metersift_report::write_csv(&table, create(&folder.join("watch-list.csv"))?, card)
        .map_err(other)?;
    let semicolon = create(&folder.join("watch-list-semicolon.csv"))?;
    metersift_report::write_csv_semicolon(&table, semicolon, card).map_err(other)?;
    metersift_report::write_jsonl(&table, create(&folder.join("watch-list.jsonl"))?, card)
        .map_err(other)?;
    metersift_report::write_parquet(&table, create(&folder.join("watch-list.parquet"))?, card)
        .map_err(other)?;
    let book = create(&folder.join("watch-list.xlsx"))?;
    let since = night.since.as_ref();
    metersift_report::write_xlsx(&night.lists, since, &site.file.name, book, card).map_err(other)
}

fn write_report(site: &Site, folder: &Path, night: &Night) -> std::io::Result<usize> {
    let page = metersift_report::html(&night.report_input(site));
    std::fs::create_dir_all(folder)?;
    std::fs::write(folder.join("index.html"), &page)?;
    Ok(page.len())
}

fn write_run_card(path: &Path, site: &Site, night: &Night, upto: Upto) -> std::io::Result<()> {
    let mut card: BTreeMap<&str, String> = night.card.lines().into_iter().collect();
    card.insert("site", site.file.name.clone());
    card.insert("schema_version", "1".into());
    card.insert("upto", format!("{upto:?}").to_lowercase());
    std::fs::write(path, serde_json::to_string_pretty(&card).map_err(other)? + "\n")
}

fn summary_lines(store: &Store, daily: &Table, as_of: Day) -> Vec<String> {
    let ledger = store.ledger();
    let readings = store.day_files().iter().filter(|file| file.day() < as_of).map(|f| f.rows).sum();
    let told = |dump: &&DumpEntry| dump.units.keys().any(|unit| unit.day < as_of);
    vec![format!(
        "{} readings from {} and {} meter-days before {as_of}.",
        grouped(readings),
        counted(ledger.dumps.iter().filter(told).count(), "dump"),
        grouped(daily.n_rows() as u64),
    )]
}

/// One row per meter and observable: what it said, for whoever opens the evidence.
pub fn observables_table(verdicts: &[Verdict]) -> Table {
    let rows: Vec<_> =
        verdicts.iter().flat_map(|v| v.evidence.iter().map(move |one| (v, one))).collect();
    let text = |name: &str, of: &dyn Fn(usize) -> Option<String>| Column {
        name: name.into(),
        unit: String::new(),
        data: ColumnData::Text((0..rows.len()).map(of).collect()),
    };
    let number = |name: &str, of: &dyn Fn(usize) -> f64| Column {
        name: name.into(),
        unit: String::new(),
        data: ColumnData::Number((0..rows.len()).map(of).collect()),
    };
    let day = |name: &str, of: &dyn Fn(usize) -> Option<Day>| Column {
        name: name.into(),
        unit: String::new(),
        data: ColumnData::Day((0..rows.len()).map(of).collect()),
    };
    Table {
        columns: vec![
            day("as_of", &|i| Some(rows[i].0.as_of)),
            text("meter", &|i| Some(rows[i].0.meter.clone())),
            text("mode", &|i| Some(rows[i].0.mode.name().into())),
            text("observable", &|i| Some(rows[i].1.observable.clone())),
            text("unit", &|i| Some(rows[i].1.unit.clone())),
            number("change", &|i| rows[i].1.change),
            number("se", &|i| rows[i].1.se),
            day("since", &|i| rows[i].1.since),
            number("log10_over_runner_up", &|i| rows[i].1.over_runner_up),
            number("log10_over_no_change", &|i| rows[i].1.over_no_change),
        ],
    }
}
