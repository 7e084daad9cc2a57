//! Dumps into the store: what is new is read, what is wrong is named, nothing is lost.

use crate::exit::Exit;
use crate::message::Message;
use crate::site::Site;
use crate::story::{self, grouped, say};
use metersift_import::{DumpReport, ImportError, ReadOptions, SourceSettings, TagTable};
use metersift_model::{Reject, SeriesTable, TimeUs};
use metersift_store::{DumpTotals, Import, Store, StoreError};
use std::collections::BTreeMap;
use std::path::Path;
use std::time::{Duration, SystemTime};

/// Kinds of rejects that are told on the screen; the reject files hold all of them.
const KINDS_SHOWN: usize = 20;

/// Young dumps that are named; all are counted.
const YOUNG_SHOWN: usize = 5;

/// What became of the dumps of one run.
#[derive(Default)]
struct Tally {
    known: usize,
    read: usize,
    young: usize,
    partial: usize,
    refused: Vec<Message>,
    /// Source -> (rows in, rejected), for the tolerated share.
    shares: BTreeMap<String, (u64, u64)>,
    /// (reason, dump, tag) -> (first line, count, one text that was read).
    kinds: BTreeMap<(&'static str, String, String), (u64, u64, String)>,
    rejects: Vec<(String, Vec<Reject>)>,
    words: BTreeMap<String, u64>,
}

/// Takes every new dump of the site into the store.
pub fn run(site: &Site, store: &mut Store) -> Result<Exit, Message> {
    let stage = story::stage("import");
    if let Some(recovered) = store.recovered() {
        say(format!("finished an import that was stopped: {recovered:?}"));
    }
    let mut records = site.file.records.clone();
    if records.zone.is_empty() {
        records.zone.clone_from(&site.file.zone);
    }
    let tags = TagTable::read(&site.dir.join("records/tags.csv"), &records)
        .map_err(|error| refused(&error, Exit::CouldNotStart))?;

    let mut tally = Tally::default();
    let mut series = SeriesTable::default();
    let mut import = store.begin_import().map_err(store_message)?;
    for source in &site.file.sources {
        let dumps = site.dumps(source)?;
        tally.partial += dumps.partial;
        for path in &dumps.paths {
            take(site, source, path, &tags, &mut series, &mut import, &mut tally)?;
        }
    }
    if tally.read + tally.known + tally.young + tally.refused.len() == 0 {
        return Err(nothing_found(site));
    }
    import.know(&series);
    let outcome = import.commit().map_err(store_message)?;
    for (hash, rejects) in &tally.rejects {
        store.write_rejects(hash, rejects).map_err(store_message)?;
    }

    tell(&tally);
    let sum = |of: fn(&metersift_store::DumpOutcome) -> u64| -> u64 {
        outcome.dumps.iter().filter(|dump| !dump.known).map(of).sum()
    };
    let first_day = outcome.days.iter().map(|(day, _)| *day).min();
    let last_day = outcome.days.iter().map(|(day, _)| *day).max();
    let span = match first_day.zip(last_day) {
        Some((first, last)) => format!("{} days touched, {first} to {last}", outcome.days.len()),
        None => "no day touched".into(),
    };
    stage.done(format!(
        "{} new dumps ({} known, {} young, {} partial, {} refused): {} rows in = {} stored + {} duplicate + {} conflicting + {} held back + {} rejected ({} of tags not wanted); {span}",
        tally.read,
        tally.known,
        tally.young,
        tally.partial,
        tally.refused.len(),
        grouped(sum(|d| d.rows_in)),
        grouped(sum(|d| d.stored)),
        grouped(sum(|d| d.duplicate)),
        grouped(sum(|d| d.conflicting)),
        grouped(sum(|d| d.held_back)),
        grouped(sum(|d| d.rejected + d.ignored)),
        grouped(sum(|d| d.ignored)),
    ));
    if let Some(file) = &outcome.conflicts_file {
        say(format!(
            "          {} conflicting readings, both values in store/{file}",
            grouped(outcome.conflicts)
        ));
    }
    if tally.read + tally.known == 0 && !tally.refused.is_empty() && store.day_files().is_empty() {
        return Ok(Exit::CouldNotStart);
    }
    Ok(exit_of(site, &tally))
}

fn take(
    site: &Site,
    source: &SourceSettings,
    path: &Path,
    tags: &TagTable,
    series: &mut SeriesTable,
    import: &mut Import<'_>,
    tally: &mut Tally,
) -> Result<(), Message> {
    if is_young(path, site.file.rest_seconds) {
        tally.young += 1;
        if tally.young <= YOUNG_SHOWN {
            say(format!("{} may still be growing: left for the next run", site.shown(path)));
        }
        return Ok(());
    }
    let refuse = |error: &ImportError, tally: &mut Tally| {
        tally.refused.push(refused(error, Exit::SetAside));
    };
    let hash = match metersift_import::hash_file(path) {
        Ok(hash) => hash,
        Err(error) => {
            refuse(&error, tally);
            return Ok(());
        }
    };
    if import.ledger().holds(&hash) {
        tally.known += 1;
        return Ok(());
    }
    let detected = match metersift_import::detect(path, source, &site.file.zone) {
        Ok(detected) => detected,
        Err(error) => {
            refuse(&error, tally);
            return Ok(());
        }
    };
    let name = site.shown(path);
    import.begin_dump(&name, &hash).map_err(store_message)?;
    let mut rejects = Vec::new();
    let shown = name.clone();
    let mut to_store = |block| import.push_block(&block).map_err(Into::into);
    let report = metersift_import::read_dump_with(
        ReadOptions::default(),
        path,
        &detected.dialect,
        tags,
        series,
        &mut to_store,
        // Paths within the site, so that the reject file is the same wherever the site lies.
        &mut |mut reject: Reject| {
            reject.origin.file.clone_from(&shown);
            rejects.push(reject);
        },
    );
    let report = match report {
        Ok(report) if report.hash == hash => report,
        Ok(_) => {
            import.abort_dump();
            refuse(&ImportError::ChangedWhileRead { file: name }, tally);
            return Ok(());
        }
        Err(ImportError::Sink(error)) => {
            return Err(match error.downcast::<StoreError>() {
                Ok(error) => store_message(*error),
                Err(error) => Message::new(Exit::Failed, error),
            });
        }
        Err(error) => {
            import.abort_dump();
            refuse(&error, tally);
            return Ok(());
        }
    };
    import.know(series);
    import.end_dump(totals(source, &report)).map_err(store_message)?;
    tally.read += 1;
    tally.count(source, &report, hash, rejects);
    Ok(())
}

fn totals(source: &SourceSettings, report: &DumpReport) -> DumpTotals {
    DumpTotals {
        rows_in: report.rows_in,
        rejected: report.rejected_total(),
        ignored: report.ignored,
        held_back: report.held_back,
        empty_cells: report.empty_cells,
        bytes: report.bytes,
        first: report.first,
        last: report.last,
        source: source.name.clone(),
        arrived: Some(now()),
    }
}

impl Tally {
    fn count(
        &mut self,
        source: &SourceSettings,
        report: &DumpReport,
        hash: String,
        rejects: Vec<Reject>,
    ) {
        let share = self.shares.entry(source.name.clone()).or_default();
        share.0 += report.rows_in;
        share.1 += report.rejected_total();
        for (word, tags) in &report.bad_words {
            if !source.bad_words.contains(word) {
                *self.words.entry(word.clone()).or_default() += tags.values().sum::<u64>();
            }
        }
        for reject in &rejects {
            let key = (reject.reason.name(), reject.origin.file.clone(), reject.origin.tag.clone());
            self.kinds.entry(key).or_insert((reject.origin.line, 0, reject.read.clone())).1 += 1;
        }
        self.rejects.push((hash, rejects));
    }
}

fn tell(tally: &Tally) {
    for message in &tally.refused {
        say(message);
    }
    let mut kinds: Vec<_> = tally.kinds.iter().collect();
    kinds.sort_by(|a, b| b.1.1.cmp(&a.1.1).then_with(|| a.0.cmp(b.0)));
    for ((reason, dump, tag), (line, count, read)) in kinds.iter().take(KINDS_SHOWN) {
        let tag = if tag.is_empty() { String::new() } else { format!(" (tag {tag})") };
        say(format!(
            "rejected: {reason} in {dump}{tag}: {count} rows, first at line {line}, read `{read}`"
        ));
    }
    if kinds.len() > KINDS_SHOWN {
        let more: u64 = kinds.iter().skip(KINDS_SHOWN).map(|kind| kind.1.1).sum();
        say(format!(
            "rejected: {} more kinds with {} rows, see store/rejects",
            kinds.len() - KINDS_SHOWN,
            grouped(more)
        ));
    }
    if !tally.words.is_empty() {
        let words: Vec<String> = tally
            .words
            .iter()
            .take(KINDS_SHOWN)
            .map(|(word, n)| format!("`{word}` {}", grouped(*n)))
            .collect();
        say(format!(
            "words in value cells, stored as bad samples: {} (expected ones go into `bad_words` of the source)",
            words.join(", ")
        ));
    }
}

fn exit_of(site: &Site, tally: &Tally) -> Exit {
    let beyond = site.file.sources.iter().any(|source| {
        tally.shares.get(&source.name).is_some_and(|&(rows, rejected)| {
            rejected as f64 > source.tolerated_reject_share * rows as f64
        })
    });
    if beyond || !tally.refused.is_empty() { Exit::SetAside } else { Exit::Done }
}

/// An import error as people read it.
pub fn refused(error: &ImportError, exit: Exit) -> Message {
    let at = error.origin();
    let mut message = Message::new(exit, error);
    if !at.file.is_empty() {
        let mut place = format!("at {}", at.file);
        if at.line > 0 {
            place.push_str(&format!(", line {}", at.line));
        }
        if at.column > 0 {
            place.push_str(&format!(", column {}", at.column));
        }
        if !at.tag.is_empty() {
            place.push_str(&format!(" ({})", at.tag));
        }
        message = message.at(place);
    }
    message.hint(error.hint())
}

/// A store error as people read it, with its exit code.
pub fn store_message(error: StoreError) -> Message {
    use metersift_store::ErrorKind;
    let exit = match error.kind() {
        ErrorKind::InUse => Exit::InUse,
        ErrorKind::Damaged => Exit::Damaged,
        ErrorKind::Setup => Exit::CouldNotStart,
        _ => Exit::Failed,
    };
    Message::new(exit, error)
}

fn nothing_found(site: &Site) -> Message {
    let patterns: Vec<String> =
        site.file.sources.iter().flat_map(|source| source.files.clone()).collect();
    let message =
        Message::could_not_start("no dump found").at(format!("in {}", site.dir.display()));
    if patterns.is_empty() {
        return message.hint("add a [[sources]] entry to site.toml; `metersift scan` prints one");
    }
    message
        .at(format!("patterns: {}", patterns.join(", ")))
        .hint("put exports where the patterns of site.toml look, or mend the patterns")
}

fn is_young(path: &Path, rest_seconds: u64) -> bool {
    let age = std::fs::metadata(path)
        .and_then(|data| data.modified())
        .ok()
        .and_then(|at| SystemTime::now().duration_since(at).ok());
    // A time stamp in the future is a clock that differs, not a file that grows.
    age.is_some_and(|age| age < Duration::from_secs(rest_seconds))
}

fn now() -> TimeUs {
    let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap_or_default();
    TimeUs(i64::try_from(since.as_micros()).unwrap_or(i64::MAX))
}
