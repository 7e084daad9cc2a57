//! What an earlier plan told, so that the next one keeps to it where it can and cancels what is
//! wanted no more.
//!
//! Why:    a crew that finds another calendar every morning stops looking at it. And a calendar
//!         that is imported adds and moves; it never takes out what it does not name: a check
//!         that was made, or that no longer ranks, must be named to go.
//! File:   `lists/check-plan.json` of each night: meter, day and hour of every planned check; and
//!         UID, time and title of every appointment of its calendar, wanted or cancelled.
//! Rule:   what the newest earlier night told of, lies on the as-of date or later, and is not in
//!         tonight's plan is cancelled; it is told so every night until its day is past, so
//!         that a calendar that missed a night still hears of it.
//! Limits: calendars printed by `metersift plan` for other spans or crews leave no trace here, so
//!         nothing cancels what only they held.

use crate::site::Site;
use metersift_model::{Day, TimeUs};
use metersift_rank::{CheckPlan, ToldCheck};
use metersift_report::{Appointment, When};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::Path;

/// Name of the file in the lists folder of a night.
pub const FILE: &str = "check-plan.json";

#[derive(Serialize, Deserialize)]
struct Kept {
    schema_version: u32,
    checks: Vec<KeptCheck>,
    appointments: Vec<KeptAppointment>,
}

#[derive(Serialize, Deserialize)]
struct KeptCheck {
    meter: String,
    day: String,
    /// First instant of its hour, µs UTC.
    start_us: Option<i64>,
    drawn: bool,
}

#[derive(Serialize, Deserialize)]
struct KeptAppointment {
    uid: String,
    summary: String,
    /// The day of an appointment without an hour.
    day: Option<String>,
    /// First instant and end, µs UTC.
    start_us: Option<i64>,
    end_us: Option<i64>,
    cancelled: bool,
}

/// The text of the file.
pub fn to_text(plan: &CheckPlan, appointments: &[Appointment]) -> serde_json::Result<String> {
    let checks = plan.checks.iter().filter_map(|check| {
        Some(KeptCheck {
            meter: check.meter.clone(),
            day: check.day?.to_string(),
            start_us: check.hour.map(|hour| hour.start.0),
            drawn: check.drawn,
        })
    });
    let kept = appointments.iter().map(|one| {
        let (day, start_us, end_us) = match one.when {
            When::Day(day) => (Some(day.to_string()), None, None),
            When::Hour { start, end } => (None, Some(start.0), Some(end.0)),
        };
        let (uid, summary) = (one.uid.clone(), one.summary.clone());
        KeptAppointment { uid, summary, day, start_us, end_us, cancelled: one.cancelled }
    });
    let kept = Kept { schema_version: 1, checks: checks.collect(), appointments: kept.collect() };
    Ok(serde_json::to_string_pretty(&kept)? + "\n")
}

/// What the newest night before `as_of` that kept a plan told, by meter.
pub fn told(site: &Site, as_of: Day) -> BTreeMap<String, ToldCheck> {
    let checks = newest(site, as_of).map_or_else(Vec::new, |kept| kept.checks);
    let told = checks.into_iter().filter_map(|check| {
        let (day, start) = (Day::parse(&check.day)?, check.start_us.map(TimeUs));
        Some((check.meter, ToldCheck { day, start, drawn: check.drawn }))
    });
    told.collect()
}

/// The appointments of that night.
pub fn earlier(site: &Site, as_of: Day) -> Vec<Appointment> {
    let kept = newest(site, as_of).map_or_else(Vec::new, |kept| kept.appointments);
    kept.into_iter().filter_map(appointment).collect()
}

fn newest(site: &Site, as_of: Day) -> Option<Kept> {
    let nights = std::fs::read_dir(site.out_dir()).ok()?.filter_map(|entry| {
        let entry = entry.ok()?;
        let day = Day::parse(&entry.file_name().to_string_lossy())?;
        let file = entry.path().join("lists").join(FILE);
        (day < as_of && file.exists()).then_some((day, file))
    });
    read(&nights.max()?.1)
}

/// `None` = a file of another version, or none that reads: the plan is then made anew.
fn read(file: &Path) -> Option<Kept> {
    let text = std::fs::read_to_string(file).ok()?;
    serde_json::from_str(&text).ok().filter(|kept: &Kept| kept.schema_version == 1)
}

fn appointment(kept: KeptAppointment) -> Option<Appointment> {
    let when = match (kept.day, kept.start_us, kept.end_us) {
        (Some(day), ..) => When::Day(Day::parse(&day)?),
        (None, Some(start), Some(end)) => When::Hour { start: TimeUs(start), end: TimeUs(end) },
        _ => return None,
    };
    let (uid, summary, cancelled) = (kept.uid, kept.summary, kept.cancelled);
    Some(Appointment { uid, when, summary, description: String::new(), cancelled })
}

/// Tonight's appointments, and behind them the earlier ones to cancel, in order of their time.
pub fn with_cancelled(
    wanted: Vec<Appointment>,
    earlier: &[Appointment],
    as_of: Day,
) -> Vec<Appointment> {
    let day = |one: &Appointment| match one.when {
        When::Day(day) => day,
        When::Hour { start, .. } => start.day(),
    };
    let is_wanted = |one: &Appointment| wanted.iter().any(|other| other.uid == one.uid);
    let mut gone: Vec<Appointment> = earlier
        .iter()
        .filter(|one| day(one) >= as_of && !is_wanted(one))
        .map(|one| Appointment {
            description: format!(
                "Cancelled by the plan as of {as_of}: checked meanwhile, or wanted less than others."
            ),
            cancelled: true,
            ..one.clone()
        })
        .collect();
    gone.sort_by(|a, b| (day(a), &a.uid).cmp(&(day(b), &b.uid)));
    wanted.into_iter().chain(gone).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn on(uid: &str, day: i32) -> Appointment {
        Appointment {
            uid: uid.into(),
            when: When::Day(Day(day)),
            summary: format!("In-situ check of {uid}"),
            description: "why".into(),
            cancelled: false,
        }
    }

    fn told(all: &[Appointment]) -> Vec<(&str, bool)> {
        all.iter().map(|one| (one.uid.as_str(), one.cancelled)).collect()
    }

    #[test]
    fn what_a_later_plan_does_not_hold_is_cancelled_until_its_day_is_past() {
        let first = [on("past", 99), on("kept", 103), on("gone", 101)];
        let second = with_cancelled(vec![on("kept", 102)], &first, Day(100));
        assert_eq!(told(&second), [("kept", false), ("gone", true)]);
        let third = with_cancelled(vec![on("new", 104)], &second, Day(101));
        assert_eq!(told(&third), [("new", false), ("gone", true), ("kept", true)]);
        let fourth = with_cancelled(vec![on("gone", 105)], &third, Day(102));
        assert_eq!(told(&fourth), [("gone", false), ("kept", true), ("new", true)]);
    }

    #[test]
    fn a_kept_file_gives_time_title_and_state_back() {
        let hour =
            When::Hour { start: TimeUs(1_772_000_000_000_000), end: TimeUs(1_772_003_600_000_000) };
        let mut all = vec![on("a", 5), Appointment { when: hour, ..on("b", 0) }];
        all[0].cancelled = true;
        let dir = tempfile::tempdir().expect("a folder");
        let file = dir.path().join(FILE);
        let plan = CheckPlan {
            as_of: Day(0),
            days: 1,
            per_day: 1,
            zone: "UTC".into(),
            checks: Vec::new(),
            beyond: Vec::new(),
        };
        std::fs::write(&file, to_text(&plan, &all).expect("JSON")).expect("a file");
        let kept = read(&file).expect("a plan").appointments;
        let back: Vec<Appointment> = kept
            .into_iter()
            .filter_map(appointment)
            .map(|one| Appointment { description: "why".into(), ..one })
            .collect();
        assert_eq!(back, all);
        std::fs::write(&file, "{").expect("a file");
        assert!(read(&file).is_none());
    }
}
