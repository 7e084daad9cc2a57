//! Taking things out again: a damaged day, or a whole dump.
//!
//! Both go through the commit protocol. A dump leaves without a trace in the readings, because
//! every telling of the others was kept. A damaged day has lost what it held, so the dumps that
//! it was built from are named and no longer count as held.

use crate::accounts::{names, origin_move};
use crate::commit::{self, Move};
use crate::error::StoreError;
use crate::incoming::{DumpNumbers, Incoming};
use crate::layout::{ORIGIN, SAMPLES, SET_ASIDE, STAGING, Unit};
use crate::ledger::{DumpEntry, DumpState, Ledger, NotedStep};
use crate::storage::Storage;
use crate::store::Store;
use crate::unit_job::{Fate, MergeJob, MergedUnit};
use std::collections::BTreeSet;

/// What withdrawing a dump did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Withdrawal {
    /// Readings that went.
    pub rows: u64,
    /// Readings that stand again as other dumps told them.
    pub restored: u64,
    /// Units whose files changed or went.
    pub units: Vec<Unit>,
    /// Names of dumps to import again, because a program of format 1 did not keep what they had
    /// told too; none in a store that never was one of format 1.
    pub import_again: Vec<String>,
}

impl Store {
    /// Takes day files out of the store without reading them (they may be damaged) and keeps
    /// them under `set-aside/`. The dumps that were in them are named, and count as not imported
    /// until they are imported again.
    ///
    /// # Errors
    /// Opened for reading, a unit without a day file, or the system's answer.
    pub fn set_aside(&mut self, units: &[Unit]) -> Result<Vec<String>, StoreError> {
        self.ready_to_write()?;
        let mut ledger = (*self.ledger()).clone();
        ledger.sequence += 1;
        let mut moves = Vec::new();
        for unit in units {
            let known = ledger.days.remove(unit);
            ledger.rows_removed += known.as_ref().map_or(0, |day| day.rows);
            let there = files_of(&**self.storage(), *unit)?;
            if known.is_none() && there.is_empty() {
                return Err(StoreError::Mistake { what: "there is no such day file to set aside" });
            }
            let to = aside(*unit, ledger.sequence);
            let moving = |(from, end)| Move { from, to: format!("{to}{end}"), hash: String::new() };
            moves.extend(there.into_iter().map(moving));
        }
        let mut names = Vec::new();
        for dump in &mut ledger.dumps {
            let touches = units.iter().any(|unit| dump.units.contains_key(unit));
            if touches && dump.state != DumpState::Withdrawn {
                dump.state = DumpState::ToImportAgain;
                names.push(dump.name.clone());
            }
        }
        self.commit_plan(ledger, moves, Vec::new())?;
        Ok(names)
    }

    /// Takes every telling of a dump out of the store: what the other dumps told stands then as
    /// if this one had never come. It stays in the ledger, marked.
    ///
    /// # Errors
    /// Opened for reading, no such dump, a damaged day file, or the system's answer.
    pub fn withdraw(&mut self, hash: &str) -> Result<Withdrawal, StoreError> {
        self.ready_to_write()?;
        let mut ledger = (*self.ledger()).clone();
        let Some(dump) = ledger.dump_by_hash(hash).cloned() else {
            return Err(StoreError::Mistake { what: "there is no such dump to withdraw" });
        };
        let rebuilt = self.without(&ledger, &dump)?;
        let (mut moves, mut removes) = (Vec::new(), Vec::new());
        let mut done = Withdrawal::default();
        for merged in rebuilt {
            let unit = merged.unit;
            done.rows += merged.removed;
            done.restored += merged.restored;
            match merged.fate {
                Fate::Stays => continue,
                Fate::Written { day, samples } => {
                    if samples {
                        let (from, to) = (unit.staged_path(), unit.samples_path());
                        moves.push(Move { from, to, hash: day.hash.clone() });
                        done.units.push(unit);
                    }
                    moves.extend(origin_move(unit, &day));
                    ledger.days.insert(unit, day);
                }
                Fate::Gone => {
                    removes.extend([unit.samples_path(), unit.origin_path()]);
                    ledger.days.remove(&unit);
                    done.units.push(unit);
                }
            }
        }
        ledger.sequence += 1;
        ledger.rows_removed += done.rows;
        done.import_again = mark(&mut ledger, &dump, &done.units);
        self.commit_plan(ledger, moves, removes)?;
        Ok(done)
    }

    /// Stages every unit that a dump touched without its tellings.
    fn without(&self, ledger: &Ledger, dump: &DumpEntry) -> Result<Vec<MergedUnit>, StoreError> {
        let storage = self.storage().clone();
        storage.create_dir(STAGING).map_err(|e| StoreError::io("create", STAGING, e))?;
        let there: Vec<Unit> =
            dump.units.keys().copied().filter(|unit| ledger.days.contains_key(unit)).collect();
        let numbers = DumpNumbers::default();
        let names = names(ledger, &[], &numbers);
        let others = |number: u32| number != dump.number;
        let job = MergeJob { store: self, ledger, names: &names, keep: Some(&others) };
        let load = |unit| job.load(unit, Incoming::nothing(&*storage, &numbers));
        job.run_all(self.ration(), there.into_iter().map(load).collect())
    }

    pub(crate) fn commit_plan(
        &mut self,
        ledger: Ledger,
        moves: Vec<Move>,
        removes: Vec<String>,
    ) -> Result<(), StoreError> {
        let storage = self.storage().clone();
        storage.create_dir(STAGING).map_err(|e| StoreError::io("create", STAGING, e))?;
        let intent = commit::prepare(&*storage, &ledger, moves, removes)?;
        commit::decide(&*storage)?;
        commit::carry_out(&*storage, &intent, false)?;
        self.set_ledger(ledger);
        Ok(())
    }
}

/// Name of what is set aside of a unit, without its ending.
fn aside(unit: Unit, sequence: u64) -> String {
    format!("{SET_ASIDE}/{sequence:06}-{}", unit.to_string().replace('/', "-"))
}

/// The files of a unit that are there, with the endings they get when they are set aside.
fn files_of(storage: &dyn Storage, unit: Unit) -> Result<Vec<(String, &'static str)>, StoreError> {
    let mut there = Vec::new();
    for (path, end) in [(unit.samples_path(), ".parquet"), (unit.origin_path(), "-origin.parquet")]
    {
        if storage.size(&path).map_err(|e| StoreError::io("read", &path, e))?.is_some() {
            there.push((path, end));
        }
    }
    Ok(there)
}

/// Takes files out of the way that stand where new day files are to go and that the ledger does
/// not know: an older ledger was put back, or they belong to another store. They are kept.
pub(crate) fn clear_unknown(
    storage: &dyn Storage,
    ledger: &Ledger,
    moves: &[Move],
) -> Result<(), StoreError> {
    let known: BTreeSet<String> = ledger
        .days
        .values()
        .flat_map(|day| {
            let origin = day.origin.as_ref().map(|_| day.unit.origin_path());
            [Some(day.unit.samples_path()), origin]
        })
        .flatten()
        .collect();
    let is_day =
        |path: &str| [SAMPLES, ORIGIN].iter().any(|top| path.starts_with(&format!("{top}/day=")));
    for step in moves.iter().filter(|step| is_day(&step.to) && !known.contains(&step.to)) {
        let path = &step.to;
        if storage.size(path).map_err(|e| StoreError::io("read", path, e))?.is_none() {
            continue;
        }
        let place = format!(
            "{SET_ASIDE}/{:06}-unknown-{}",
            ledger.sequence + 1,
            path.replace(['/', '='], "-")
        );
        let folder = path.rsplit_once('/').map_or("", |(folder, _)| folder);
        storage
            .create_dir(SET_ASIDE)
            .and_then(|()| storage.rename(path, &place))
            .and_then(|()| storage.sync_dir(SET_ASIDE))
            .and_then(|()| storage.sync_dir(folder))
            .map_err(|e| StoreError::io("set aside", path, e))?;
    }
    Ok(())
}

/// Marks the dump as withdrawn, and those that may have told the same as to be imported again
/// where a program of format 1 did not keep what they told. Returns the names of the latter.
fn mark(ledger: &mut Ledger, dump: &DumpEntry, units: &[Unit]) -> Vec<String> {
    let whole_from = ledger.told_whole_from;
    let mut again = Vec::new();
    for entry in &mut ledger.dumps {
        if entry.number == dump.number {
            entry.state = DumpState::Withdrawn;
            continue;
        }
        // What it handed over to has another neighbour now.
        let beside = |step: &NotedStep| step.other == dump.number;
        if entry.steps.as_ref().is_some_and(|steps| steps.iter().any(beside)) {
            entry.steps = None;
        }
        let told_again = entry.number < whole_from
            && units.iter().any(|unit| {
                entry.units.get(unit).is_some_and(|rows| rows.duplicate + rows.conflicting > 0)
            });
        let overwritten = dump.number < whole_from
            && units.iter().any(|unit| {
                let by_it = dump.units.get(unit).is_some_and(|rows| rows.conflicting > 0);
                by_it && entry.units.contains_key(unit)
            });
        if entry.state == DumpState::Imported && (told_again || overwritten) {
            entry.state = DumpState::ToImportAgain;
            again.push(entry.name.clone());
        }
    }
    again
}
