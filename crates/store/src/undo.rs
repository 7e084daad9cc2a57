//! Taking things out again: a damaged day, or a whole dump.
//!
//! Both go through the commit protocol and both are honest about the rest: readings that another
//! dump had told as well were kept under the first dump's number only, so the dumps that must be
//! imported again are named and no longer count as held.

use crate::commit::{self, Move};
use crate::day_file::{DayFileWriter, Group, GroupSegment};
use crate::day_reader::{DayFileReader, verify_staged};
use crate::error::StoreError;
use crate::layout::{SET_ASIDE, STAGING, Unit};
use crate::ledger::{DayFile, DumpState, Ledger};
use crate::store::Store;
use rayon::prelude::*;

/// What withdrawing a dump did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Withdrawal {
    /// Readings that went.
    pub rows: u64,
    /// Units whose files changed or went.
    pub units: Vec<Unit>,
    /// Names of dumps that overlapped with it: import them again, for what they had told too.
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
            let Some(day) = ledger.days.remove(unit) else {
                return Err(StoreError::Mistake { what: "there is no such day file to set aside" });
            };
            ledger.rows_removed += day.rows;
            let name = unit.to_string().replace('/', "-");
            let to = format!("{SET_ASIDE}/{:06}-{name}.parquet", ledger.sequence);
            moves.push(Move { from: unit.samples_path(), to, hash: String::new() });
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

    /// Takes every reading of a dump out of the store. The dump stays in the ledger, marked.
    ///
    /// # Errors
    /// Opened for reading, no such dump, a damaged day file, or the system's answer.
    pub fn withdraw(&mut self, hash: &str) -> Result<Withdrawal, StoreError> {
        self.ready_to_write()?;
        let mut ledger = (*self.ledger()).clone();
        let Some(dump) = ledger.dump_by_hash(hash).cloned() else {
            return Err(StoreError::Mistake { what: "there is no such dump to withdraw" });
        };
        let there: Vec<Unit> =
            dump.units.keys().copied().filter(|unit| ledger.days.contains_key(unit)).collect();
        let storage = self.storage().clone();
        storage.create_dir(STAGING).map_err(|e| StoreError::io("create", STAGING, e))?;
        let rebuilt: Result<Vec<Rebuilt>, StoreError> =
            there.par_iter().map(|&unit| self.without(&ledger, unit, dump.number)).collect();
        let (mut moves, mut removes) = (Vec::new(), Vec::new());
        let mut done = Withdrawal::default();
        for (unit, rebuilt) in there.into_iter().zip(rebuilt?) {
            done.rows += rebuilt.removed;
            match rebuilt.day {
                _ if rebuilt.removed == 0 => continue,
                Some(day) => {
                    let (from, to) = (unit.staged_path(), unit.samples_path());
                    moves.push(Move { from, to, hash: day.hash.clone() });
                    ledger.days.insert(unit, day);
                }
                None => {
                    removes.push(unit.samples_path());
                    ledger.days.remove(&unit);
                }
            }
            done.units.push(unit);
        }
        ledger.sequence += 1;
        ledger.rows_removed += done.rows;
        for entry in &mut ledger.dumps {
            if entry.number == dump.number {
                entry.state = DumpState::Withdrawn;
                continue;
            }
            // Only a dump that came upon the readings of others can have told the same.
            let told_again = done.units.iter().any(|unit| {
                entry.units.get(unit).is_some_and(|rows| rows.duplicate + rows.conflicting > 0)
            });
            let overwritten = done.units.iter().any(|unit| {
                let by_it = dump.units.get(unit).is_some_and(|rows| rows.conflicting > 0);
                by_it && entry.units.contains_key(unit)
            });
            if entry.state == DumpState::Imported && (told_again || overwritten) {
                entry.state = DumpState::ToImportAgain;
                done.import_again.push(entry.name.clone());
            }
        }
        self.commit_plan(ledger, moves, removes)?;
        Ok(done)
    }

    fn commit_plan(
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

    /// Stages a day file without the readings of one dump.
    fn without(&self, ledger: &Ledger, unit: Unit, number: u32) -> Result<Rebuilt, StoreError> {
        let there = ledger.days.get(&unit).map_or(0, |day| day.rows);
        let Some(bytes) = self.day_bytes(unit)? else { return Ok(Rebuilt::default()) };
        let mut reader = DayFileReader::new(&unit.samples_path(), bytes)?;
        let path = unit.staged_path();
        let storage = &**self.storage();
        let mut writer = DayFileWriter::create(storage, &path)?;
        let mut kept = 0;
        while let Some(decoded) = reader.next_group()? {
            let mut group = Group::default();
            for run in &decoded.runs {
                let before = group.rows();
                for i in (run.start..run.end).filter(|&i| decoded.dump[i] != number) {
                    let cell = (decoded.value[i], decoded.quality[i], decoded.dump[i]);
                    group.push(decoded.time_us[i], cell);
                }
                let rows = group.rows() - before;
                if rows > 0 {
                    let (meter, signal) = (run.meter.clone(), run.signal.clone());
                    group.segments.push(GroupSegment { meter, signal, rows });
                }
            }
            kept += group.rows() as u64;
            if group.rows() > 0 {
                let encoded = writer.encode(vec![group])?;
                writer.append(encoded)?;
            }
        }
        let written = writer.finish()?;
        if kept == 0 || kept == there {
            storage.remove(&path).map_err(|e| StoreError::io("remove", &path, e))?;
            return Ok(Rebuilt { removed: there - kept, day: None });
        }
        verify_staged(storage, &path, &written)?;
        let (bytes, rows, hash) = (written.bytes, written.rows, written.hash);
        Ok(Rebuilt { removed: there - kept, day: Some(DayFile { unit, bytes, rows, hash }) })
    }
}

/// A unit without one dump.
#[derive(Default)]
struct Rebuilt {
    removed: u64,
    /// `None` when nothing is left, or nothing went.
    day: Option<DayFile>,
}
