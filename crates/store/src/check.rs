//! Checking a whole store: every file is hashed and counted again.

use crate::day_reader::DayFileReader;
use crate::error::{ErrorKind, StoreError};
use crate::layout::{SAMPLES, Unit};
use crate::ledger::Ledger;
use crate::store::Store;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Something that is not as the ledger says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// The file, relative to the store.
    pub file: String,
    /// Day and bucket, where it is a file of one.
    pub unit: Option<Unit>,
    /// What is wrong.
    pub what: String,
    /// Names of the dumps whose import heals it.
    pub dumps: Vec<String>,
}

/// What a check found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct CheckReport {
    /// Day files of the ledger.
    pub day_files: usize,
    /// Readings counted.
    pub rows: u64,
    /// Bytes hashed.
    pub bytes: u64,
    /// Daily tables compared with their receipts.
    pub daily_files: usize,
    /// What is wrong, by file.
    pub problems: Vec<Problem>,
    /// Files that no ledger knows; they are never touched.
    pub foreign: Vec<String>,
}

impl CheckReport {
    /// Whether everything is as the ledger says.
    pub fn is_sound(&self) -> bool {
        self.problems.is_empty()
    }
}

impl Store {
    /// Hashes and counts everything again.
    ///
    /// # Errors
    /// Only when a file could not be read at all; what is wrong with a file is in the report.
    pub fn check(&self) -> Result<CheckReport, StoreError> {
        let ledger = self.ledger();
        let mut report = CheckReport { day_files: ledger.days.len(), ..CheckReport::default() };
        let units: Vec<Unit> = ledger.days.keys().copied().collect();
        let counted: Result<Vec<Result<u64, Problem>>, StoreError> =
            units.par_iter().map(|&unit| self.check_day(&ledger, unit)).collect();
        for (unit, counted) in units.iter().zip(counted?) {
            report.bytes += ledger.days.get(unit).map_or(0, |day| day.bytes);
            match counted {
                Ok(rows) => report.rows += rows,
                Err(problem) => report.problems.push(problem),
            }
        }
        if report.problems.is_empty() {
            report.problems.extend(check_sums(&ledger, report.rows));
        }
        self.check_daily(&mut report)?;
        self.find_foreign(&ledger, &mut report)?;
        Ok(report)
    }

    fn check_day(&self, ledger: &Ledger, unit: Unit) -> Result<Result<u64, Problem>, StoreError> {
        let counted = self.day_bytes(unit).and_then(|bytes| count_rows(ledger, unit, bytes));
        let error = match counted {
            Ok(rows) => return Ok(Ok(rows)),
            Err(error) if error.kind() != ErrorKind::Damaged => return Err(error),
            Err(error) => error,
        };
        let dumps = ledger.dumps_of(unit);
        let (file, what) = (unit.samples_path(), error.to_string());
        Ok(Err(Problem { file, unit: Some(unit), what, dumps }))
    }

    fn check_daily(&self, report: &mut CheckReport) -> Result<(), StoreError> {
        let units = self.daily_units()?;
        report.daily_files = units.len();
        let whole: Result<Vec<bool>, StoreError> =
            units.par_iter().map(|&unit| Ok(self.found_daily(unit)?.is_some())).collect();
        for (unit, _) in units.iter().zip(whole?).filter(|(_, whole)| !whole) {
            report.problems.push(Problem {
                file: unit.daily_path(),
                unit: Some(*unit),
                what: "does not match its receipt; its features are computed again".into(),
                dumps: Vec::new(),
            });
        }
        Ok(())
    }

    fn find_foreign(&self, ledger: &Ledger, report: &mut CheckReport) -> Result<(), StoreError> {
        let list =
            |path: &str| self.storage().list(path).map_err(|e| StoreError::io("list", path, e));
        for folder in list(SAMPLES)? {
            let path = format!("{SAMPLES}/{}", folder.name);
            if !folder.is_dir {
                report.foreign.push(path);
                continue;
            }
            for file in list(&path)? {
                let stem = file.name.strip_suffix(".parquet").unwrap_or("");
                let unit = Unit::parse(&format!("{}/{stem}", folder.name));
                if !unit.is_some_and(|unit| ledger.days.contains_key(&unit)) {
                    report.foreign.push(format!("{path}/{}", file.name));
                }
            }
        }
        Ok(())
    }
}

/// Counts a day file whose hash is right; its order and dump numbers are looked at too.
fn count_rows(ledger: &Ledger, unit: Unit, bytes: Option<Vec<u8>>) -> Result<u64, StoreError> {
    let file = unit.samples_path();
    let wrong = |reason: String| StoreError::Unreadable { file: file.clone(), reason };
    let Some(bytes) = bytes else { return Ok(0) };
    let mut reader = DayFileReader::new(&file, bytes)?;
    let mut rows = 0u64;
    let mut last: Option<(Arc<str>, Arc<str>, i64)> = None;
    let mut by_dump: BTreeMap<u32, u64> = BTreeMap::new();
    while let Some(group) = reader.next_group()? {
        for run in &group.runs {
            let times = &group.time_us[run.start..run.end];
            let first = (run.meter.clone(), run.signal.clone(), times[0]);
            let increasing = times.windows(2).all(|pair| pair[0] < pair[1]);
            if !increasing || last.as_ref().is_some_and(|last| *last >= first) {
                return Err(wrong(format!("rows after {rows} are out of order")));
            }
            last = times.last().map(|&time| (first.0, first.1, time));
            rows += times.len() as u64;
        }
        group.dump.iter().for_each(|&dump| *by_dump.entry(dump).or_insert(0) += 1);
    }
    if let Some(unknown) = by_dump.keys().find(|&&number| ledger.dump(number).is_none()) {
        return Err(wrong(format!("it names dump {unknown}, which the ledger does not know")));
    }
    let expected = ledger.days.get(&unit).map_or(0, |day| day.rows);
    if rows != expected {
        return Err(wrong(format!("{rows} rows, the ledger says {expected}")));
    }
    Ok(rows)
}

/// Every key that is there was stored by some dump once.
fn check_sums(ledger: &Ledger, rows: u64) -> Option<Problem> {
    let stored: u64 = ledger
        .dumps
        .iter()
        .map(|d| d.rows.stored + d.again.iter().map(|again| again.rows.stored).sum::<u64>())
        .sum();
    let wrong_dump = ledger.dumps.iter().find(|dump| dump.accounted() != dump.rows_in);
    let what = match wrong_dump {
        Some(dump) => format!("the accounts of dump `{}` do not add up", dump.name),
        None if stored != rows + ledger.rows_removed => {
            format!("dumps stored {stored} readings, day files hold {rows}")
        }
        None => return None,
    };
    let file = crate::layout::LEDGER.to_string();
    Some(Problem { file, unit: None, what, dumps: Vec::new() })
}
