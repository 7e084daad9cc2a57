//! Dumps into the store: what is new is read, what is wrong is named, nothing is lost.
//!
//! Order:  first the dumps that a damaged day or a longer tag table sends to be read again, in the
//!         order in which they came the first time, then what is new, by source and path. A dump
//!         that comes again keeps its place in the order in which later dumps win.

mod cure;
mod room;

use crate::exit::Exit;
use crate::message::Message;
use crate::site::{Site, is_partial};
use crate::stage::clock;
use crate::stage::guard;
use crate::stage::seen::{Looked, Seen};
use crate::story::{self, counted, grouped, say};
use metersift_import::{DumpReport, ImportError, ReadOptions, SourceSettings, TagTable};
use metersift_model::{Reject, RejectReason, SeriesTable, TimeUs};
use metersift_store::{
    DumpEntry, DumpOutcome, DumpState, DumpTotals, Import, ImportOutcome, Ledger, RejectFile,
    Store, StoreError, Trouble,
};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

/// Kinds of rejects that are told on the screen; the reject files hold all of them.
const KINDS_SHOWN: usize = 20;

/// Dumps of one kind that are named; all are counted.
const DUMPS_SHOWN: usize = 5;

/// Column names that are told of a header that takes over.
const HEADER_NAMES_SHOWN: usize = 5;

/// Kinds of rejects that are told apart; what is beyond is counted together.
const MOST_KINDS: usize = 100_000;

/// Characters of a dump's hash in the name of its reject file.
const REJECT_NAME_LENGTH: usize = 16;

/// A dump that is to be read.
struct Found<'a> {
    source: &'a SourceSettings,
    path: PathBuf,
    looked: Looked,
}

/// What became of the dumps of one run.
#[derive(Default)]
struct Tally {
    known: usize,
    read: usize,
    again: usize,
    young: usize,
    partial: usize,
    withdrawn: usize,
    refused: Vec<Message>,
    /// Source -> (rows in, rejected), for the tolerated share.
    shares: BTreeMap<String, (u64, u64)>,
    kinds: BTreeMap<KindKey, Kind>,
    rejects: Vec<RejectFile>,
    /// Packed dumps whose damage nothing would have told.
    unchecked: Vec<String>,
    words: BTreeMap<String, u64>,
    /// Numbers that have their unit in the cell, by dump and tag: how many, and one of them.
    with_unit: BTreeMap<(String, String), (u64, String)>,
}

/// Reason, dump and tag.
type KindKey = (RejectReason, String, String);

/// Rejects of one kind.
struct Kind {
    count: u64,
    /// The first of them.
    line: u64,
    read: String,
    expected: String,
    /// Where all of them stand, within the store.
    file: String,
}

/// As [`run`], and a run that is refused leaves no new store behind.
pub fn run_first(site: &Site, mut store: Store, is_new: bool) -> Result<(Exit, Store), Message> {
    let outcome = run(site, &mut store);
    let exit = outcome.as_ref().map_or_else(|message| message.exit, |exit| *exit);
    if is_new && exit == Exit::CouldNotStart && store.ledger().dumps.is_empty() {
        let dir = site.store_dir();
        drop(store);
        std::fs::remove_dir_all(&dir).map_err(|error| {
            Message::new(Exit::Failed, "the empty store cannot be removed")
                .at(format!("at {}: {error}", dir.display()))
        })?;
        return Err(outcome.err().unwrap_or_else(|| {
            Message::could_not_start("no dump could be read").hint("each is named above")
        }));
    }
    outcome.map(|exit| (exit, store))
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
    let ledger = store.ledger();
    let mut seen = Seen::of(site, store);
    let found = find(site, &ledger, &tags, &mut seen, &mut tally)?;
    room::foretell(site, store, &found, &tags)?;
    let mut series = SeriesTable::default();
    let mut import = store.begin_import().map_err(store_message)?;
    let bytes = |path: &Path| std::fs::metadata(path).map_or(0, |data| data.len());
    let total = found.iter().map(|dump| bytes(&dump.path)).sum();
    let progress =
        story::progress("import", total, story::Unit::Bytes, metersift_import::bytes_read);
    for dump in &found {
        progress.begin_part(bytes(&dump.path));
        take(site, dump, &tags, &mut series, &mut import, &mut tally, &mut seen)?;
        progress.end_part();
    }
    drop(progress);
    if tally.seen() == 0 {
        return Err(nothing_found(site));
    }
    import.know(&series);
    let outcome = import.commit().map_err(store_message)?;
    for rejects in std::mem::take(&mut tally.rejects) {
        rejects.keep().map_err(store_message)?;
    }

    seen.keep(store);

    tell(&tally, &tags);
    tell_future(&store.ledger(), &outcome);
    let first_day = outcome.days.iter().map(|(day, _)| *day).min();
    let last_day = outcome.days.iter().map(|(day, _)| *day).max();
    let span = match first_day.zip(last_day) {
        Some((first, last)) => {
            format!("{} touched, {first} to {last}", counted(outcome.days.len(), "day"))
        }
        None => "no day touched".into(),
    };
    let (again, new): (Vec<&DumpOutcome>, Vec<&DumpOutcome>) =
        outcome.dumps.iter().partition(|dump| dump.known);
    stage.done(format!(
        "{} ({} known, {} young, {} partial, {} withdrawn, {} refused): {}; {span}",
        counted(tally.read, "new dump"),
        tally.known,
        tally.young,
        tally.partial,
        tally.withdrawn,
        tally.refused.len(),
        accounts(&new),
    ));
    if tally.again > 0 {
        say(format!(
            "          {} taken again: {}",
            counted(tally.again, "dump"),
            accounts(&again)
        ));
    }
    if outcome.spills > 0 {
        story::detail(format!(
            "          {} of readings on disk meanwhile, at a ceiling of {}",
            counted(outcome.spills, "sorted file"),
            site.memory
        ));
    }
    if let Some(file) = &outcome.conflicts_file {
        say(format!(
            "          {} conflicting readings, both values in store/{file}",
            grouped(outcome.conflicts)
        ));
    }
    if tally.read + tally.again + tally.known == 0
        && !tally.refused.is_empty()
        && store.day_files().is_empty()
    {
        return Ok(Exit::CouldNotStart);
    }
    guard::look(store, &tags)?;
    let doubt = guard::tell(site, &store.ledger(), &tags);
    let lacking = tell_lacking(&store.ledger());
    Ok(if lacking { Exit::SetAside } else { exit_of(site, &tally).max(doubt) })
}

/// `4,321 rows in = 4,320 stored + ...`, over some dumps.
fn accounts(dumps: &[&DumpOutcome]) -> String {
    let sum = |of: fn(&DumpOutcome) -> u64| grouped(dumps.iter().map(|dump| of(dump)).sum());
    format!(
        "{} rows in = {} stored + {} duplicate + {} conflicting + {} held back + {} rejected ({} of tags not wanted)",
        sum(|d| d.rows_in),
        sum(|d| d.stored),
        sum(|d| d.duplicate),
        sum(|d| d.conflicting),
        sum(|d| d.held_back),
        sum(|d| d.rejected + d.ignored),
        sum(|d| d.ignored),
    )
}

/// The dumps to read, in the order in which they are to be read; what is passed over is counted.
fn find<'a>(
    site: &'a Site,
    ledger: &Ledger,
    tags: &TagTable,
    seen: &mut Seen,
    tally: &mut Tally,
) -> Result<Vec<Found<'a>>, Message> {
    let mut again: BTreeMap<u32, Found<'_>> = BTreeMap::new();
    let mut new = Vec::new();
    for source in &site.file.sources {
        let dumps = site.dumps(source)?;
        tally.partial += dumps.partial;
        for path in dumps.paths {
            if is_young(&path, site.file.rest_seconds) {
                tally.young += 1;
                if tally.young <= DUMPS_SHOWN {
                    say(format!(
                        "{}: may still be growing, left for the next run",
                        site.shown(&path)
                    ));
                }
                continue;
            }
            // A file that was a dump of its own and looks as it did then is no archive now.
            let dumps = match seen.is_known(&path) {
                true => vec![path],
                false => files_in(&path, tally),
            };
            for path in dumps {
                let looked = match seen.hash(&path, ledger) {
                    Ok(looked) => looked,
                    Err(error) => {
                        tally.refused.push(refused(&error, Exit::SetAside));
                        continue;
                    }
                };
                let known = looked.hash.as_deref().and_then(|hash| ledger.dump_by_hash(hash));
                match known {
                    None => new.push(Found { source, path, looked }),
                    Some(entry) if is_wanted_again(site, tags, entry, &path, seen) => {
                        again.insert(entry.number, Found { source, path, looked });
                    }
                    Some(entry) if entry.state == DumpState::Withdrawn => {
                        tally.withdrawn += 1;
                        if tally.withdrawn <= DUMPS_SHOWN {
                            say(format!("{}: withdrawn: skipped", site.shown(&path)));
                        }
                    }
                    Some(_) => tally.known += 1,
                }
            }
        }
    }
    if tally.withdrawn > 0 {
        say("hint: move a withdrawn dump away, or change it to take it again");
    }
    tally.again = again.len();
    Ok(again.into_values().chain(new).collect())
}

/// The dumps in a file: itself, or the entries of an archive by their names.
fn files_in(path: &Path, tally: &mut Tally) -> Vec<PathBuf> {
    match metersift_import::dumps_in(path) {
        Ok(None) => vec![path.to_owned()],
        Ok(Some(mut entries)) => {
            let all = entries.len();
            entries.retain(|entry| !is_partial(entry));
            tally.partial += all - entries.len();
            entries.sort();
            entries
        }
        Err(error) => {
            tally.refused.push(refused(&error, Exit::SetAside));
            Vec::new()
        }
    }
}

/// Whether rows of a dump were rejected for a tag that the tag table knows by now: an analyst who
/// completes the table must not have to guess which dumps to read again.
fn knows_more_now(site: &Site, tags: &TagTable, dump: &DumpEntry) -> bool {
    if dump.rejected == 0 {
        return false;
    }
    let name: String = dump.hash.chars().take(REJECT_NAME_LENGTH).collect();
    let path = site.store_dir().join("rejects").join(format!("{name}.csv"));
    let Ok(mut reader) = csv::Reader::from_path(path) else { return false };
    let unknown = RejectReason::UnknownTag.name();
    reader
        .records()
        .filter_map(Result::ok)
        .any(|row| row.get(4) == Some(unknown) && row.get(3).is_some_and(|tag| tags.knows(tag)))
}

/// Whether a dump that came before is to be read again: a damaged day lost its readings, or the
/// tag table has come to know a tag that it lacked. The store keeps every telling, so what later
/// dumps had corrected stands, and none of those is read again for it.
fn is_wanted_again(
    site: &Site,
    tags: &TagTable,
    dump: &DumpEntry,
    path: &Path,
    seen: &mut Seen,
) -> bool {
    match dump.state {
        DumpState::ToImportAgain => true,
        DumpState::Imported if seen.looked_through(path) => false,
        DumpState::Imported => {
            let wanted = knows_more_now(site, tags, dump);
            if !wanted {
                seen.look_through(path);
            }
            wanted
        }
        DumpState::Withdrawn => false,
    }
}

/// Names the dumps of this import that tell of a time later than now.
fn tell_future(ledger: &Ledger, outcome: &ImportOutcome) {
    let new = outcome.dumps.iter().filter_map(|dump| ledger.dump(dump.number));
    let mut future = new.filter(|dump| clock::is_from_the_future(dump));
    let mut told = 0;
    for dump in future.by_ref().take(DUMPS_SHOWN) {
        say(format!("{}: its last reading is later than now: is its zone right?", dump.name));
        told += 1;
    }
    let more = future.count();
    if more > 0 {
        say(format!("{} more of this kind", counted(more, "dump")));
    }
    if told > 0 {
        say("hint: state `zone` for its source, `metersift withdraw` the dump, import it again");
    }
}

/// Names the dumps that still lack readings in the store.
fn tell_lacking(ledger: &Ledger) -> bool {
    let lacking: Vec<&str> = ledger
        .dumps
        .iter()
        .filter(|dump| dump.state == DumpState::ToImportAgain)
        .map(|dump| dump.name.as_str())
        .collect();
    for name in lacking.iter().take(DUMPS_SHOWN) {
        say(format!(
            "{name}: to be imported again, and not found: some of its readings are lacking"
        ));
    }
    if !lacking.is_empty() {
        say(format!(
            "hint: {} lacking; bring the files back, or withdraw them",
            counted(lacking.len(), "dump")
        ));
    }
    !lacking.is_empty()
}

fn take(
    site: &Site,
    dump: &Found<'_>,
    tags: &TagTable,
    series: &mut SeriesTable,
    import: &mut Import<'_>,
    tally: &mut Tally,
    seen: &mut Seen,
) -> Result<(), Message> {
    let Found { source, path, looked } = dump;
    let refuse = |error: &ImportError, tally: &mut Tally| {
        tally.refused.push(refused(error, Exit::SetAside));
    };
    let detected = match metersift_import::detect(path, source, &site.file.zone) {
        Ok(detected) => detected,
        // A header without rows is what a quiet night exports: told, and no failure.
        Err(ImportError::NoRows { file }) => {
            say(format!("{file} has a header and no rows"));
            tally.read += 1;
            return Ok(());
        }
        Err(error) => {
            refuse(&error, tally);
            return Ok(());
        }
    };
    let name = site.shown(path);
    let known_hash = looked.hash.as_deref().unwrap_or_default();
    import.begin_dump(&name, known_hash).map_err(store_message)?;
    let reject_file = import.reject_file(known_hash).map_err(store_message)?;
    let rejects = RefCell::new(Rejects::new(reject_file, path, looked.hash.clone()));
    let mut kinds = std::mem::take(&mut tally.kinds);
    let shown = name.clone();
    let mut to_store = |block| match rejects.borrow_mut().failed.take() {
        Some(error) => Err(error.into()),
        None => import.push_block(block).map_err(Into::into),
    };
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
            rejects.borrow_mut().take(&reject, &mut kinds);
        },
    );
    tally.kinds = kinds;
    let mut rejects = rejects.into_inner();
    if let Some(error) = rejects.unread.take() {
        import.abort_dump();
        refuse(&error, tally);
        return Ok(());
    }
    let report = match report {
        Ok(report) if is_what_it_was(path, looked, &rejects, &report.hash) => report,
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
    import.know_hash(&report.hash).map_err(store_message)?;
    if looked.hash.is_none() {
        seen.learn(path, looked, &report.hash);
    }
    tally.rejects.push(rejects.finish(&report.hash).map_err(store_message)?);
    import.end_dump(totals(source, &report)).map_err(store_message)?;
    if report.unchecked {
        tally.unchecked.push(name.clone());
    }
    if import.ledger().dump_by_hash(&report.hash).is_none() {
        tally.read += 1;
    }
    tell_headers(&name, &report);
    tally.count(source, &name, &report);
    Ok(())
}

/// Whether a dump that was read is the one that was looked at before: its hash is the same, or
/// nothing about the file has changed since. Where that cannot be relied on, it is hashed again.
fn is_what_it_was(path: &Path, looked: &Looked, rejects: &Rejects, hash: &str) -> bool {
    match &rejects.hash {
        Some(known) => known == hash,
        None => {
            looked.is_as_before(path)
                || metersift_import::hash_file(path).is_ok_and(|again| again == hash)
        }
    }
}

/// A header that takes over in mid-file is an everyday event: told, and no failure.
fn tell_headers(dump: &str, report: &DumpReport) {
    let list = |names: &[String]| match names.len() {
        0 => "nothing".to_owned(),
        n if n > HEADER_NAMES_SHOWN => {
            let shown = names[..HEADER_NAMES_SHOWN].join(", ");
            format!("{shown} and {} more", n - HEADER_NAMES_SHOWN)
        }
        _ => names.join(", "),
    };
    for change in report.headers.iter().take(DUMPS_SHOWN) {
        let (new, gone) = (list(&change.added), list(&change.removed));
        say(format!(
            "{dump}: another header takes over in line {}; new: {new}; gone: {gone}",
            change.line
        ));
    }
    if report.changed_headers > DUMPS_SHOWN as u64 {
        say(format!(
            "{dump}: {} in all",
            counted(report.changed_headers as usize, "changed header")
        ));
    }
}

/// Rejects on their way to the reject file and to the counts for the screen.
struct Rejects {
    file: RejectFile,
    dump: PathBuf,
    /// The dump's hash, as far as it was known before the dump was read: the first reject has to
    /// know it, because the file is named by it.
    hash: Option<String>,
    /// Why the file could not be written, until somebody was told.
    failed: Option<StoreError>,
    /// Why the dump could not be hashed.
    unread: Option<ImportError>,
}

impl Rejects {
    fn new(file: RejectFile, dump: &Path, hash: Option<String>) -> Rejects {
        Rejects { file, dump: dump.to_owned(), hash, failed: None, unread: None }
    }

    fn take(&mut self, reject: &Reject, kinds: &mut BTreeMap<KindKey, Kind>) {
        if self.hash.is_none() && self.unread.is_none() {
            match metersift_import::hash_file(&self.dump) {
                Ok(hash) => {
                    self.file.know_hash(&hash);
                    self.hash = Some(hash);
                }
                Err(error) => self.unread = Some(error),
            }
        }
        if self.unread.is_some() {
            return;
        }
        if self.failed.is_none() {
            self.failed = self.file.push(reject).err();
        }
        let mut key = (reject.reason, reject.origin.file.clone(), reject.origin.tag.clone());
        if kinds.len() >= MOST_KINDS && !kinds.contains_key(&key) {
            key.2 = "other tags".into();
        }
        let first = || Kind {
            count: 0,
            line: reject.origin.line,
            read: reject.read.clone(),
            expected: reject.expected.clone(),
            file: self.file.path().to_owned(),
        };
        kinds.entry(key).or_insert_with(first).count += 1;
    }

    fn finish(mut self, hash: &str) -> Result<RejectFile, StoreError> {
        if let Some(error) = self.failed {
            return Err(error);
        }
        self.file.know_hash(hash);
        self.file.finish()?;
        Ok(self.file)
    }
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
        header_lines: report.headers.iter().map(|change| change.line).collect(),
        arrived: Some(now()),
    }
}

impl Tally {
    /// Dumps that were seen at all.
    fn seen(&self) -> usize {
        self.known + self.read + self.again + self.young + self.withdrawn + self.refused.len()
    }

    fn count(&mut self, source: &SourceSettings, dump: &str, report: &DumpReport) {
        let share = self.shares.entry(source.name.clone()).or_default();
        share.0 += report.rows_in;
        share.1 += report.rejected_total();
        for (word, tags) in &report.bad_words {
            if source.bad_words.contains(word) {
                continue;
            }
            if metersift_import::units::is_number_with_unit(word) {
                for (tag, n) in tags {
                    let key = (dump.to_string(), tag.clone());
                    self.with_unit.entry(key).or_insert_with(|| (0, word.clone())).0 += n;
                }
            } else {
                *self.words.entry(word.clone()).or_default() += tags.values().sum::<u64>();
            }
        }
    }
}

fn tell(tally: &Tally, tags: &TagTable) {
    for message in &tally.refused {
        say(message);
    }
    let mut kinds: Vec<_> = tally.kinds.iter().collect();
    kinds.sort_by(|a, b| b.1.count.cmp(&a.1.count).then_with(|| a.0.cmp(b.0)));
    for ((reason, dump, tag), kind) in kinds.iter().take(KINDS_SHOWN) {
        let twin = (*reason == RejectReason::UnknownTag).then(|| tags.but_for_case(tag));
        let twin = twin.flatten().map_or(String::new(), |twin| {
            format!("; `{twin}` of the tag table differs in the case of letters only")
        });
        let tag = if tag.is_empty() { String::new() } else { format!(" (tag {tag})") };
        let Kind { count, line, read, expected, file } = kind;
        let more = match count - 1 {
            0 => String::new(),
            more => format!(" and {} more of this kind, see store/{file}", grouped(more)),
        };
        say(format!(
            "rejected: {} in {dump}{tag}: line {line} read `{read}`, expected {expected}{twin}{more}",
            reason.name()
        ));
    }
    let shown: BTreeSet<RejectReason> =
        kinds.iter().take(KINDS_SHOWN).map(|((reason, ..), _)| *reason).collect();
    for reason in shown {
        say(format!("hint: {}: {}", reason.name(), cure::of(reason)));
    }
    if kinds.len() > KINDS_SHOWN {
        let more: u64 = kinds.iter().skip(KINDS_SHOWN).map(|kind| kind.1.count).sum();
        say(format!(
            "rejected: {} more kinds with {} rejects, see store/rejects",
            grouped((kinds.len() - KINDS_SHOWN) as u64),
            grouped(more)
        ));
    }
    for name in tally.unchecked.iter().take(DUMPS_SHOWN) {
        say(format!("{name}: its zstd frames carry no checksum, damage would not be noticed"));
    }
    if tally.unchecked.len() > DUMPS_SHOWN {
        say(format!("{} more without checksum", tally.unchecked.len() - DUMPS_SHOWN));
    }
    for ((dump, tag), (n, word)) in tally.with_unit.iter().take(KINDS_SHOWN) {
        say(format!(
            "warning: {} with the unit in the cell: stored as bad, nothing is made of them\n  \
             at {dump} (tag {tag}): read `{word}`, expected a number\n\
             hint: have the export leave the unit out (it belongs into `unit` of \
             records/tags.csv), `metersift withdraw {dump}`, and give the mended dump",
            counted(usize::try_from(*n).unwrap_or(usize::MAX), "value")
        ));
    }
    if tally.with_unit.len() > KINDS_SHOWN {
        let more = tally.with_unit.len() - KINDS_SHOWN;
        say(format!("{} with the unit in the cell", counted(more, "more tag")));
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

/// An import error as people read it. A file that the system cannot give, although it is there
/// and may be read, is no matter of settings: what could not start for it failed.
pub fn refused(error: &ImportError, exit: Exit) -> Message {
    let at = error.origin();
    let system = system_hint(error);
    let failed = exit == Exit::CouldNotStart && system.is_some();
    let mut message = Message::new(if failed { Exit::Failed } else { exit }, error);
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
    message.hint(system.map_or_else(|| error.hint(), String::from))
}

/// What to do where the trouble is the system's and not the file's.
fn system_hint(error: &ImportError) -> Option<&'static str> {
    let ImportError::Io { source, .. } = error else { return None };
    match Trouble::of(source) {
        Trouble::Device => Some(
            "the disk of this file failed: look at it and at the system's log, copy the file \
             again, and run again",
        ),
        Trouble::TooManyFiles => {
            Some("raise the limit on open files (`ulimit -n`, LimitNOFILE) and run again")
        }
        _ => None,
    }
}

/// A store error as people read it, with its exit code and what to do.
pub fn store_message(error: StoreError) -> Message {
    use metersift_store::ErrorKind;
    let (exit, hint) = match error.kind() {
        ErrorKind::InUse => {
            (Exit::InUse, "try again when that run has ended; a lock ends with its run")
        }
        ErrorKind::Damaged => (Exit::Damaged, damage_hint(&error)),
        ErrorKind::Setup => (Exit::CouldNotStart, setup_hint(&error)),
        ErrorKind::Io => return io_message(&error),
        ErrorKind::Mistake => {
            (Exit::Failed, "this is a mistake of the program: report it with this message")
        }
    };
    Message::new(exit, error).hint(hint)
}

/// A refusal of the system by its name: what is lacking, on which file, and what became of the
/// store.
fn io_message(error: &StoreError) -> Message {
    let (what, hint) = match error.trouble().unwrap_or(Trouble::Other) {
        Trouble::NoRoom => {
            ("no room on the disk of the store", "free room there, or move the store, and run again".into())
        }
        Trouble::Quota => (
            "the quota of this user is used up",
            "raise the quota, or free what this user holds on that disk, and run again".into(),
        ),
        Trouble::FileTooLarge => (
            "a file of the store may not grow as large as it must",
            "raise the limit on the size of a file (`ulimit -f`, LimitFSIZE) and run again".into(),
        ),
        Trouble::TooManyFiles => {
            let limit = open_file_limit().map_or(String::new(), |n| format!(", now {n}"));
            ("too many files are open", format!("raise the limit on open files (`ulimit -n`, LimitNOFILE{limit}) and run again"))
        }
        Trouble::ReadOnly => (
            "the disk of the store can only be read",
            "mount it for writing (a disk that found errors turns read-only) and run again".into(),
        ),
        Trouble::NoRight => (
            "a right on the store is lacking",
            "give the user that runs this the right to read and write all of the store, and run again".into(),
        ),
        Trouble::Busy => (
            "a file of the store is open elsewhere",
            "close what has it open (a backup, a notebook) and run again".into(),
        ),
        Trouble::Device => (
            "the disk of the store failed",
            "look at the disk and the system's log before running again; `metersift check-store` reads every file".into(),
        ),
        Trouble::Other => (
            "the system refused a step of the store",
            "mend the place, then run again".into(),
        ),
    };
    let after = match error {
        StoreError::NotPlaced { .. } => "what was decided is kept: the next run puts it in place",
        _ => "nothing was changed: nothing half written counts",
    };
    let mut message = Message::new(Exit::Failed, what).at(error);
    if let Some(room) = error.room() {
        let mb = |bytes: u64| format!("{:.1} MB", bytes as f64 / 1e6);
        let free = room.free_bytes.map_or(String::new(), |free| format!(", {} free", mb(free)));
        message = message.at(format!("needs about {}{free}", mb(room.needs_bytes)));
    }
    message.at(after).hint(hint)
}

/// Files that this process may have open.
fn open_file_limit() -> Option<u64> {
    let limits = std::fs::read_to_string("/proc/self/limits").ok()?;
    let line = limits.lines().find_map(|line| line.strip_prefix("Max open files"))?;
    line.split_whitespace().next()?.parse().ok()
}

fn damage_hint(error: &StoreError) -> &'static str {
    match error {
        StoreError::Damaged { file, .. } | StoreError::Unreadable { file, .. }
            if file.starts_with("ledger/intent") =>
        {
            "an interrupted import cannot be finished: move this file away and run \
             `metersift check-store --set-aside`; the next night heals what it had begun"
        }
        StoreError::Damaged { file, .. } | StoreError::Unreadable { file, .. }
            if file.starts_with("ledger/") || file == "format.json" =>
        {
            "put back the backup of the whole store, or delete the store and import the dumps again"
        }
        _ => {
            "`metersift check-store` names every damaged file; with --set-aside the next night heals them from their dumps"
        }
    }
}

fn setup_hint(error: &StoreError) -> &'static str {
    match error {
        StoreError::NoStore { .. } => {
            "run `metersift import` first, or name the site with --site DIR"
        }
        StoreError::FormatVersion { .. } => {
            "use the program version that wrote the store, or a newer one"
        }
        StoreError::BucketCount { .. } | StoreError::BucketRange { .. } => {
            "mend `bucket_count` under [store] in site.toml"
        }
        _ => "the user that runs this needs the right to read and write the store",
    }
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
