//! The records that people keep: register, checks, zeros, alerts, changes, findings, decisions.
//!
//! In:     small CSV files in `records/` and `decisions.csv` beside it, any delimiter, decimal
//!         mark and encoding; columns may have other names (`[records.checks]` in the site
//!         file: `meter = "Tag No"`).
//! Out:    [`Records`], each list by time, and one [`Reject`] per line that could not be read.
//! Wrong:  a register without a needed column or with one meter twice is an error: everything
//!         hangs on it. A line of another record that names a meter the register does not know
//!         is a reject.

use crate::clock::{TimeFormat, TimeReader, TimeValue, civil};
use crate::error::ImportError;
use crate::number::{self, NumberStyle};
use crate::settings::DateOrder;
use crate::sheet::{Columns, Sheet, SheetRow};
use crate::text::shown;
use crate::zone::{Resolved, Zone};
use metersift_model::records::{
    Alert, Change, Check, CheckOutcome, CheckPosition, Decision, DecisionKind, Finding, Meter,
    Ne107, Uses, ZeroRecord, ZeroState,
};
use metersift_model::{Day, Hypothesis, Records, Reject, RejectReason, TimeUs};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::Path;

/// Field of ours -> column name in the file.
pub type ColumnNames = BTreeMap<String, String>;

/// `[records]` of a site file.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct RecordSettings {
    /// Zone of times without offset; empty = UTC. The site's own zone is put here by the caller.
    pub zone: String,
    /// Order of day and month in numeric dates that do not start with the year.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub date_order: Option<DateOrder>,
    /// Columns of `register.csv`.
    pub register: ColumnNames,
    /// Columns of `tags.csv`.
    pub tags: ColumnNames,
    /// Columns of `checks.csv`.
    pub checks: ColumnNames,
    /// Columns of `zeros.csv`.
    pub zeros: ColumnNames,
    /// Columns of `alerts.csv`.
    pub alerts: ColumnNames,
    /// Columns of `changes.csv`.
    pub changes: ColumnNames,
    /// Columns of `findings.csv`.
    pub findings: ColumnNames,
    /// Columns of `decisions.csv`.
    pub decisions: ColumnNames,
}

impl RecordSettings {
    fn zone(&self) -> Result<Zone, ImportError> {
        if self.zone.is_empty() { Ok(Zone::utc()) } else { Zone::parse(&self.zone) }
    }

    /// The instant of a date or time; `None` for what is no single instant.
    pub(crate) fn instant(&self, text: &str) -> Option<i64> {
        let zone = self.zone().ok()?;
        let orders = [Some(DateOrder::YearMonthDay), self.date_order];
        let civil = orders.into_iter().flatten().find_map(|o| civil(text.as_bytes(), o, true))?;
        match civil.offset_us {
            Some(offset) => Some(civil.local_us - offset),
            None => match zone.resolve(civil.local_us) {
                Resolved::At(at) => Some(at),
                Resolved::Fold { .. } | Resolved::Gap => None,
            },
        }
    }
}

/// Reads all records of a site folder. Only the register must be there.
///
/// # Errors
/// I/O; a missing register; a register without a needed column or with a meter twice; a mapped
/// column that is not there; a record file that lacks a column it cannot do without.
pub fn read_records(
    dir: &Path,
    settings: &RecordSettings,
) -> Result<(Records, Vec<Reject>), ImportError> {
    let zone = settings.zone()?;
    let mut reader = Reader { settings, zone, records: Records::default(), rejects: Vec::new() };
    let folder = dir.join("records");
    reader.register(&folder.join("register.csv"))?;
    reader.optional(&folder.join("checks.csv"), &CHECKS, &settings.checks, Reader::check)?;
    reader.optional(&folder.join("zeros.csv"), &ZEROS, &settings.zeros, Reader::zero)?;
    reader.optional(&folder.join("alerts.csv"), &ALERTS, &settings.alerts, Reader::alert)?;
    reader.optional(&folder.join("changes.csv"), &CHANGES, &settings.changes, Reader::change)?;
    reader.optional(
        &folder.join("findings.csv"),
        &FINDINGS,
        &settings.findings,
        Reader::finding,
    )?;
    let decisions = dir.join("decisions.csv");
    reader.optional(&decisions, &DECISIONS, &settings.decisions, Reader::decision)?;
    reader.sort();
    Ok((reader.records, reader.rejects))
}

/// The columns of one kind of file.
struct Kind {
    needed: &'static [&'static str],
    optional: &'static [&'static str],
    numbers: &'static [&'static str],
    /// The column whose dates settle the order of day and month.
    dates: &'static [&'static str],
}

const REGISTER: Kind = Kind {
    needed: &[
        "meter",
        "service",
        "stream",
        "max_flow_kg_h",
        "zero_stability_kg_h",
        "base_accuracy_pct",
        "criticality",
        "custody",
    ],
    optional: &[
        "nominal_diameter_mm",
        "check_interval_days",
        "installed",
        "throughput_value_per_kg",
        "reference_fluid",
        "series_with",
        "uses",
        "tolerable_flow_error_pct",
        "wall_to_bore",
        "safety_function",
    ],
    numbers: &[
        "max_flow_kg_h",
        "zero_stability_kg_h",
        "base_accuracy_pct",
        "nominal_diameter_mm",
        "check_interval_days",
        "throughput_value_per_kg",
        "tolerable_flow_error_pct",
        "wall_to_bore",
    ],
    dates: &["installed"],
};
const CHECKS: Kind = Kind {
    needed: &["meter", "time", "outcome"],
    optional: &["quantity", "position", "value_pct", "trigger"],
    numbers: &["value_pct"],
    dates: &["time"],
};
const ZEROS: Kind = Kind {
    needed: &["meter", "time", "zero_kg_h", "state"],
    optional: &[],
    numbers: &["zero_kg_h"],
    dates: &["time"],
};
const ALERTS: Kind = Kind {
    needed: &["meter", "time"],
    optional: &["code", "text", "ne107", "active"],
    numbers: &[],
    dates: &["time"],
};
const CHANGES: Kind = Kind {
    needed: &["meter", "time", "item"],
    optional: &["before", "after"],
    numbers: &[],
    dates: &["time"],
};
const FINDINGS: Kind = Kind {
    needed: &["meter", "date", "mode"],
    optional: &["severity", "note"],
    numbers: &[],
    dates: &["date"],
};
const DECISIONS: Kind = Kind {
    needed: &["meter", "day", "decision"],
    optional: &["mode", "until", "who", "why"],
    numbers: &[],
    dates: &["day", "until"],
};

/// Word that says a meter was opened and found good.
const FOUND_GOOD: [&str; 4] = ["", "none", "good", "found_good"];

struct Reader<'s> {
    settings: &'s RecordSettings,
    zone: Zone,
    records: Records,
    rejects: Vec<Reject>,
}

/// A row with all that is needed to read it and to complain about it.
struct Row<'r> {
    sheet: &'r Sheet,
    columns: &'r Columns,
    row: &'r SheetRow,
    style: NumberStyle,
    format: &'r TimeFormat,
    zone: &'r Zone,
}

/// A cell that could not be read: field, what was expected, why.
struct Fault {
    field: &'static str,
    expected: String,
    reason: RejectReason,
}

fn fault(field: &'static str, expected: &str) -> Fault {
    Fault { field, expected: expected.into(), reason: RejectReason::BadRecord }
}

impl<'r> Row<'r> {
    fn text(&self, field: &str) -> &'r str {
        self.columns.text(self.row, field)
    }

    fn owned(&self, field: &str) -> String {
        self.text(field).to_owned()
    }

    fn needed(&self, field: &'static str) -> Result<String, Fault> {
        match self.text(field) {
            "" => Err(fault(field, "a text")),
            text => Ok(text.to_owned()),
        }
    }

    fn optional_text(&self, field: &str) -> Option<String> {
        Some(self.owned(field)).filter(|text| !text.is_empty())
    }

    fn number(&self, field: &'static str) -> Result<Option<f64>, Fault> {
        match self.text(field) {
            "" => Ok(None),
            text => number::parse(text.as_bytes(), self.style)
                .map(Some)
                .ok_or_else(|| fault(field, "a number")),
        }
    }

    /// A number above zero.
    fn positive(&self, field: &'static str) -> Result<f64, Fault> {
        let wrong = || fault(field, "a number above zero");
        self.number(field)?.filter(|&number| number > 0.0).ok_or_else(wrong)
    }

    fn optional_positive(&self, field: &'static str) -> Result<Option<f64>, Fault> {
        if self.text(field).is_empty() { Ok(None) } else { self.positive(field).map(Some) }
    }

    fn flag(&self, field: &'static str, absent: bool) -> Result<bool, Fault> {
        match self.text(field).to_lowercase().as_str() {
            "" => Ok(absent),
            "yes" | "y" | "true" | "1" | "x" => Ok(true),
            "no" | "n" | "false" | "0" | "-" => Ok(false),
            _ => Err(fault(field, "yes or no")),
        }
    }

    /// One of a few words; blanks, hyphens and case do not matter.
    fn word<T: Copy>(&self, field: &'static str, words: &[(&str, T)]) -> Result<T, Fault> {
        let read = crate::text::folded_name(self.text(field));
        words.iter().find(|(word, _)| *word == read).map(|&(_, meaning)| meaning).ok_or_else(|| {
            let known: Vec<&str> = words
                .iter()
                .map(|&(word, _)| if word.is_empty() { "nothing" } else { word })
                .collect();
            fault(field, &format!("one of {}", known.join(", ")))
        })
    }

    fn time(&self, field: &'static str) -> Result<TimeUs, Fault> {
        let text = self.text(field);
        let expected = || format!("{} in {}", self.format.expected(), self.zone.name());
        let reason = match TimeReader::new(self.format, self.zone).read(text.as_bytes()) {
            TimeValue::At(at) => return Ok(TimeUs(at)),
            TimeValue::Fold { .. } => RejectReason::AmbiguousTime,
            TimeValue::Gap => RejectReason::SkippedTime,
            TimeValue::Bad => RejectReason::BadTime,
        };
        Err(Fault { field, expected: expected(), reason })
    }

    /// The calendar day as it is written, whatever the zone.
    fn day(&self, field: &'static str) -> Result<Option<Day>, Fault> {
        let text = self.text(field);
        if text.is_empty() {
            return Ok(None);
        }
        let order = match self.format {
            TimeFormat::Civil { order, .. } => *order,
            _ => DateOrder::YearMonthDay,
        };
        let civil = civil(text.as_bytes(), order, false)
            .ok_or_else(|| fault(field, "a date such as 2024-03-07"))?;
        Ok(Some(TimeUs(civil.local_us).day()))
    }

    fn needed_day(&self, field: &'static str) -> Result<Day, Fault> {
        self.day(field)?.ok_or_else(|| fault(field, "a date such as 2024-03-07"))
    }

    fn mode(&self, field: &'static str) -> Result<Option<Hypothesis>, Fault> {
        let text = crate::text::folded_name(self.text(field));
        let mode = Hypothesis::parse(&text).filter(|mode| *mode != Hypothesis::NoChange);
        mode.map(Some).ok_or_else(|| {
            let known: Vec<&str> = Hypothesis::ALL[1..].iter().map(|mode| mode.name()).collect();
            fault(field, &format!("one of {}", known.join(", ")))
        })
    }

    fn reject(&self, fault: Fault) -> Reject {
        Reject {
            origin: self.sheet.at(self.row, self.columns, fault.field, self.text("meter")),
            reason: fault.reason,
            read: shown(self.text(fault.field).as_bytes()),
            expected: fault.expected,
        }
    }
}

impl Reader<'_> {
    fn open(
        &self,
        path: &Path,
        kind: &Kind,
        mapped: &ColumnNames,
    ) -> Result<(Sheet, Columns, NumberStyle, TimeFormat), ImportError> {
        let own = kind.needed.iter().chain(kind.optional).map(|&name| name.to_owned());
        let wanted: Vec<String> = own.chain(mapped.values().cloned()).collect();
        let sheet = Sheet::read(path, &wanted)?;
        let columns = sheet.columns(kind.needed, kind.optional, mapped)?;
        let style = sheet.number_style(&columns, kind.numbers);
        let format = self.time_format(&sheet, &columns, kind)?;
        Ok((sheet, columns, style, format))
    }

    /// Year first unless the dates are in another order, which the setting or the dates must
    /// say.
    fn time_format(
        &self,
        sheet: &Sheet,
        columns: &Columns,
        kind: &Kind,
    ) -> Result<TimeFormat, ImportError> {
        let cells = || {
            let field = |field: &&'static str| {
                let field = *field;
                sheet.rows.iter().map(move |row| (row.line, columns.text(row, field)))
            };
            kind.dates.iter().flat_map(field).filter(|(_, text)| !text.is_empty())
        };
        let fits = |order, text: &str| civil(text.as_bytes(), order, false).is_some();
        let other = cells().find(|(_, text)| !fits(DateOrder::YearMonthDay, text));
        let Some((line, example)) = other else { return Ok(TimeFormat::ISO) };
        let civil_format = |order| TimeFormat::Civil { order, short_years: false };
        if let Some(order) = self.settings.date_order {
            return Ok(civil_format(order));
        }
        let only = |order, not| cells().any(|(_, text)| fits(order, text) && !fits(not, text));
        let day_first = only(DateOrder::DayMonth, DateOrder::MonthDay);
        let month_first = only(DateOrder::MonthDay, DateOrder::DayMonth);
        match (day_first, month_first) {
            (true, false) => Ok(civil_format(DateOrder::DayMonth)),
            (false, true) => Ok(civil_format(DateOrder::MonthDay)),
            // Nothing that looks like a date in either order: each line is a reject of its own.
            (false, false) if !fits(DateOrder::DayMonth, example) => Ok(TimeFormat::ISO),
            _ => Err(ImportError::AmbiguousDates {
                file: sheet.file.clone(),
                line,
                read: shown(example.as_bytes()),
                day_first: "day-month".into(),
                month_first: "month-day".into(),
            }),
        }
    }

    fn register(&mut self, path: &Path) -> Result<(), ImportError> {
        let (sheet, columns, style, format) =
            self.open(path, &REGISTER, &self.settings.register)?;
        self.rejects.extend(sheet.rejects.iter().cloned());
        let mut lines: BTreeMap<String, u64> = BTreeMap::new();
        for row in &sheet.rows {
            let zone = &self.zone;
            let row = Row { sheet: &sheet, columns: &columns, row, style, format: &format, zone };
            let line = row.row.line;
            if let Some(&other_line) = lines.get(row.text("meter")) {
                let at = sheet.at(row.row, &columns, "meter", row.text("meter"));
                return Err(ImportError::Twice { at, other_line, why: String::new() });
            }
            match register_row(&row) {
                Ok(meter) => {
                    lines.insert(meter.meter.clone(), line);
                    self.records.meters.insert(meter.meter.clone(), meter);
                }
                Err(fault) => self.rejects.push(row.reject(fault)),
            }
        }
        Ok(())
    }

    fn optional(
        &mut self,
        path: &Path,
        kind: &Kind,
        mapped: &ColumnNames,
        read: fn(&mut Records, &str, &Row<'_>) -> Result<(), Fault>,
    ) -> Result<(), ImportError> {
        // A file that cannot be looked at is not one that is not there.
        if !path.try_exists().map_err(|e| ImportError::io(path, "open", e))? {
            return Ok(());
        }
        let opened = match self.open(path, kind, mapped) {
            // An empty file of records holds no record.
            Err(ImportError::Empty { .. }) => return Ok(()),
            opened => opened?,
        };
        let (sheet, columns, style, format) = opened;
        self.rejects.extend(sheet.rejects.iter().cloned());
        for row in &sheet.rows {
            let zone = &self.zone;
            let row = Row { sheet: &sheet, columns: &columns, row, style, format: &format, zone };
            let meter = row.text("meter");
            let outcome = if self.records.meters.contains_key(meter) {
                read(&mut self.records, meter, &row)
            } else {
                Err(fault("meter", "a meter of the register"))
            };
            if let Err(fault) = outcome {
                self.rejects.push(row.reject(fault));
            }
        }
        Ok(())
    }

    fn check(records: &mut Records, meter: &str, row: &Row<'_>) -> Result<(), Fault> {
        let check = Check {
            time: row.time("time")?,
            outcome: row.word(
                "outcome",
                &[
                    ("pass", CheckOutcome::Pass),
                    ("fail", CheckOutcome::Fail),
                    ("aborted", CheckOutcome::Aborted),
                ],
            )?,
            quantity: row.owned("quantity"),
            position: row.word(
                "position",
                &[
                    ("inlet", CheckPosition::Inlet),
                    ("outlet", CheckPosition::Outlet),
                    ("whole", CheckPosition::Whole),
                    ("", CheckPosition::Whole),
                ],
            )?,
            value_pct: row.number("value_pct")?,
            trigger: row.owned("trigger"),
        };
        records.checks.entry(meter.into()).or_default().push(check);
        Ok(())
    }

    fn zero(records: &mut Records, meter: &str, row: &Row<'_>) -> Result<(), Fault> {
        let zero = ZeroRecord {
            time: row.time("time")?,
            zero_kg_h: row.number("zero_kg_h")?.ok_or_else(|| fault("zero_kg_h", "a number"))?,
            state: row.word(
                "state",
                &[("as_found", ZeroState::AsFound), ("as_left", ZeroState::AsLeft)],
            )?,
        };
        records.zeros.entry(meter.into()).or_default().push(zero);
        Ok(())
    }

    fn alert(records: &mut Records, meter: &str, row: &Row<'_>) -> Result<(), Fault> {
        let ne107 = row.word(
            "ne107",
            &[
                ("", None),
                ("f", Some(Ne107::Failure)),
                ("failure", Some(Ne107::Failure)),
                ("c", Some(Ne107::FunctionCheck)),
                ("function_check", Some(Ne107::FunctionCheck)),
                ("s", Some(Ne107::OutOfSpecification)),
                ("out_of_specification", Some(Ne107::OutOfSpecification)),
                ("m", Some(Ne107::MaintenanceRequired)),
                ("maintenance_required", Some(Ne107::MaintenanceRequired)),
            ],
        )?;
        let alert = Alert {
            time: row.time("time")?,
            code: row.owned("code"),
            text: row.owned("text"),
            ne107,
            active: row.flag("active", true)?,
        };
        records.alerts.entry(meter.into()).or_default().push(alert);
        Ok(())
    }

    fn change(records: &mut Records, meter: &str, row: &Row<'_>) -> Result<(), Fault> {
        let change = Change {
            time: row.time("time")?,
            item: row.needed("item")?,
            before: row.owned("before"),
            after: row.owned("after"),
        };
        records.changes.entry(meter.into()).or_default().push(change);
        Ok(())
    }

    fn finding(records: &mut Records, meter: &str, row: &Row<'_>) -> Result<(), Fault> {
        let good = FOUND_GOOD.contains(&row.text("mode").to_lowercase().as_str());
        let finding = Finding {
            day: row.needed_day("date")?,
            mode: if good { None } else { row.mode("mode")? },
            severity: row.owned("severity"),
            note: row.owned("note"),
        };
        records.findings.entry(meter.into()).or_default().push(finding);
        Ok(())
    }

    fn decision(records: &mut Records, meter: &str, row: &Row<'_>) -> Result<(), Fault> {
        let all = matches!(row.text("mode").to_lowercase().as_str(), "" | "all");
        let decision = Decision {
            meter: meter.into(),
            day: row.needed_day("day")?,
            mode: if all { None } else { row.mode("mode")? },
            decision: row.word(
                "decision",
                &[
                    ("accepted", DecisionKind::Accepted),
                    ("found", DecisionKind::Found),
                    ("found_good", DecisionKind::FoundGood),
                    ("not_opened", DecisionKind::NotOpened),
                ],
            )?,
            until: row.day("until")?,
            who: row.owned("who"),
            why: row.owned("why"),
        };
        contradiction(&decision)?;
        records.decisions.push(decision);
        Ok(())
    }

    /// Lists by time; rows of one time stay in the order of the file.
    fn sort(&mut self) {
        let records = &mut self.records;
        records.checks.values_mut().for_each(|list| list.sort_by_key(|row| row.time));
        records.zeros.values_mut().for_each(|list| list.sort_by_key(|row| row.time));
        records.alerts.values_mut().for_each(|list| list.sort_by_key(|row| row.time));
        records.changes.values_mut().for_each(|list| list.sort_by_key(|row| row.time));
        records.findings.values_mut().for_each(|list| list.sort_by_key(|row| row.day));
        self.rejects.sort();
    }
}

/// A decision whose cells cannot all be meant: it would hide too much, or nothing.
fn contradiction(decision: &Decision) -> Result<(), Fault> {
    let accepted = decision.decision == DecisionKind::Accepted;
    match decision.until {
        Some(until) if until < decision.day => {
            Err(fault("until", "a day that is not before the day of the decision"))
        }
        Some(_) if !accepted => Err(fault("until", "a last day only where `accepted` stands")),
        _ if decision.decision == DecisionKind::Found && decision.mode.is_none() => {
            Err(fault("mode", "the mode that was found; `found_good` where nothing was"))
        }
        _ => Ok(()),
    }
}

fn register_row(row: &Row<'_>) -> Result<Meter, Fault> {
    let criticality = row
        .number("criticality")?
        .filter(|&number| (1.0..=5.0).contains(&number) && number.fract() == 0.0)
        .ok_or_else(|| fault("criticality", "a whole number from 1 to 5"))?;
    Ok(Meter {
        meter: row.needed("meter")?,
        service: row.needed("service")?,
        stream: row.needed("stream")?,
        nominal_diameter_mm: row.optional_positive("nominal_diameter_mm")?,
        max_flow_kg_h: row.positive("max_flow_kg_h")?,
        zero_stability_kg_h: row.positive("zero_stability_kg_h")?,
        base_accuracy_pct: row.positive("base_accuracy_pct")?,
        criticality: criticality as u8,
        custody: row.flag("custody", false)?,
        check_interval_days: row.optional_positive("check_interval_days")?,
        installed: row.day("installed")?,
        throughput_value_per_kg: row.number("throughput_value_per_kg")?,
        reference_fluid: row.optional_text("reference_fluid"),
        series_with: row.optional_text("series_with"),
        uses: row.word(
            "uses",
            &[
                ("", Uses::Mass),
                ("mass", Uses::Mass),
                ("volume", Uses::Volume),
                ("density", Uses::Density),
            ],
        )?,
        tolerable_flow_error_pct: row.optional_positive("tolerable_flow_error_pct")?,
        wall_to_bore: row.optional_positive("wall_to_bore")?,
        safety_function: row.flag("safety_function", false)?,
    })
}
