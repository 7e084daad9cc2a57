//! Checking a whole store: every file is hashed and counted again.

use crate::error::{ErrorKind, StoreError};
use crate::layout::{DAILY, HOURS, ORIGIN, SAMPLES, Unit};
use crate::ledger::Ledger;
use crate::store::Store;
use rayon::prelude::*;

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
            report.bytes += ledger
                .days
                .get(unit)
                .map_or(0, |day| day.bytes + day.origin.as_ref().map_or(0, |origin| origin.bytes));
            match counted {
                Ok(rows) => report.rows += rows,
                Err(problem) => report.problems.push(problem),
            }
        }
        if report.problems.is_empty() {
            report.problems.extend(check_sums(&ledger, report.rows));
        }
        self.check_tables(DAILY, &mut report)?;
        self.check_tables(HOURS, &mut report)?;
        self.find_unknown(&ledger, &mut report)?;
        Ok(report)
    }

    fn check_day(&self, ledger: &Ledger, unit: Unit) -> Result<Result<u64, Problem>, StoreError> {
        let error = match self.count_unit(ledger, unit) {
            Ok(rows) => return Ok(Ok(rows)),
            Err(error) if error.kind() != ErrorKind::Damaged => return Err(error),
            Err(error) => error,
        };
        let dumps = ledger.dumps_of(unit);
        let file = match &error {
            StoreError::Damaged { file, .. } | StoreError::Unreadable { file, .. } => file.clone(),
            _ => unit.samples_path(),
        };
        Ok(Err(Problem { file, unit: Some(unit), what: error.to_string(), dumps }))
    }

    /// Counts a unit whose hashes are right; its order, its tellings and their dumps are looked
    /// at too: what stands must follow from what was told.
    fn count_unit(&self, ledger: &Ledger, unit: Unit) -> Result<u64, StoreError> {
        let wrong = |file: String, reason: String| StoreError::Unreadable { file, reason };
        let Some(entry) = ledger.days.get(&unit) else { return Ok(0) };
        let known = |dump: u32| ledger.dump(dump).is_some();
        let mut rows = 0u64;
        let mut tellings = 0u64;
        let mut last: Option<(String, String, i64)> = None;
        let mut fault = None;
        let recount = self.recount(unit, &known, &mut |run, told| {
            let first = (run.meter.to_string(), run.signal.to_string(), run.time_us[0]);
            let increasing = run.time_us.windows(2).all(|pair| pair[0] < pair[1]);
            if !increasing || last.as_ref().is_some_and(|last| *last >= first) {
                fault.get_or_insert(format!("rows after {rows} are out of order"));
            }
            last = run.time_us.last().map(|&time| (first.0, first.1, time));
            rows += run.time_us.len() as u64;
            tellings += told;
        })?;
        if let Some(reason) = fault {
            return Err(wrong(unit.samples_path(), reason));
        }
        if recount {
            let reason = "what stands does not follow from what known dumps told".to_string();
            return Err(wrong(unit.origin_path(), reason));
        }
        if rows != entry.rows {
            let reason = format!("{rows} rows, the ledger says {}", entry.rows);
            return Err(wrong(unit.samples_path(), reason));
        }
        match &entry.origin {
            Some(origin) if origin.rows != tellings => {
                let reason = format!("{tellings} tellings, the ledger says {}", origin.rows);
                Err(wrong(unit.origin_path(), reason))
            }
            _ => Ok(rows),
        }
    }

    fn check_tables(&self, top: &str, report: &mut CheckReport) -> Result<(), StoreError> {
        let units = self.units_under(top)?;
        report.daily_files += units.len();
        let whole: Result<Vec<bool>, StoreError> =
            units.par_iter().map(|&unit| Ok(self.found_table(top, unit)?.is_some())).collect();
        for (unit, _) in units.iter().zip(whole?).filter(|(_, whole)| !whole) {
            report.problems.push(Problem {
                file: unit.table_path(top),
                unit: Some(*unit),
                what: "does not match its receipt; its features are computed again".into(),
                dumps: Vec::new(),
            });
        }
        Ok(())
    }

    fn find_unknown(&self, ledger: &Ledger, report: &mut CheckReport) -> Result<(), StoreError> {
        let list =
            |path: &str| self.storage().list(path).map_err(|e| StoreError::io("list", path, e));
        for top in [ORIGIN, SAMPLES] {
            for folder in list(top)? {
                let path = format!("{top}/{}", folder.name);
                if !folder.is_dir {
                    report.foreign.push(path);
                    continue;
                }
                for file in list(&path)? {
                    let stem = file.name.strip_suffix(".parquet").unwrap_or("");
                    let unit = Unit::parse(&format!("{}/{stem}", folder.name));
                    let known = |unit: Unit| {
                        let day = ledger.days.get(&unit);
                        day.is_some_and(|day| top == SAMPLES || day.origin.is_some())
                    };
                    let file = format!("{path}/{}", file.name);
                    match unit {
                        Some(unit) if !known(unit) => report.problems.push(Problem {
                            file,
                            unit: Some(unit),
                            what: "a day file that the ledger does not know: an older ledger was \
                                   put back, or it belongs to another store; nothing of it is used"
                                .into(),
                            dumps: Vec::new(),
                        }),
                        Some(_) => {}
                        None => report.foreign.push(file),
                    }
                }
            }
        }
        Ok(())
    }
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
