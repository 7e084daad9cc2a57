//! Which meters to check next, on which day and at which hour: on screen, as CSV, and for
//! calendar programs.

use crate::exit::Exit;
use crate::message::Message;
use crate::site::Site;
use crate::stage::appointments;
use crate::stage::features;
use crate::stage::night::Night;
use metersift_model::Day;
use metersift_rank::{
    CHECK_CAUTIONS, CheckPlan, Crew, Hours, PlannedCheck, check_plan, plan_table, weekday_words,
};
use metersift_report::{Appointment, When};
use metersift_store::Store;
use std::fmt::Write as _;

/// Characters of the hash that names an appointment.
const UID_LENGTH: usize = 32;

/// How a plan is printed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// For people.
    Text,
    /// For programs: comma, decimal point, one row per check.
    Csv,
    /// For calendar programs: iCalendar (RFC 5545).
    Ics,
}

/// The check plan of a judged night, in one format.
pub fn run(
    site: &Site,
    store: &Store,
    night: &Night,
    crew: &Crew,
    format: Format,
) -> Result<String, Message> {
    let plan = plan(site, store, night, crew)?;
    match format {
        Format::Text => Ok(text(&plan)),
        Format::Csv => csv(&plan, night),
        Format::Ics => Ok(ics(site, &plan, night)),
    }
}

/// The check plan of a judged night.
pub fn plan(site: &Site, store: &Store, night: &Night, crew: &Crew) -> Result<CheckPlan, Message> {
    crew.check().map_err(|error| Message::could_not_start("the plan cannot be made").at(error))?;
    let hours = hours(site, store, night.as_of, crew)?;
    let settings = &site.file.rank;
    let told = appointments::told(site, night.as_of);
    Ok(check_plan(&night.verdicts, &night.lists, &night.records, settings, crew, &hours, &told))
}

/// Hours in which each meter usually runs well, in the zone of the site.
fn hours(site: &Site, store: &Store, as_of: Day, crew: &Crew) -> Result<Hours, Message> {
    let zone = site.time_zone()?;
    let days = i32::try_from(crew.weeks.saturating_mul(7)).unwrap_or(i32::MAX);
    let table = features::read_hours(store, as_of.plus(-days), as_of)?;
    if table.n_rows() == 0 {
        return Ok(Hours::unknown(zone));
    }
    Hours::from_table(&table, zone, as_of, crew.weeks)
        .map_err(|error| Message::new(Exit::Failed, "the hour table cannot be used").at(error))
}

/// The plan as a table for programs.
pub fn csv(plan: &CheckPlan, night: &Night) -> Result<String, Message> {
    let mut out = Vec::new();
    metersift_report::write_csv(&plan_table(plan), &mut out, &night.card)
        .map_err(|error| Message::new(Exit::Failed, "the plan could not be written").at(error))?;
    Ok(String::from_utf8_lossy(&out).into_owned())
}

/// The plan for calendar programs: one appointment per check that has a day, and those of the
/// newest earlier night that this plan no longer holds, as cancelled.
pub fn ics(site: &Site, plan: &CheckPlan, night: &Night) -> String {
    let name = format!("{}: in-situ checks", site.file.name);
    metersift_report::calendar(&name, &appointments(site, plan), &night.card)
}

/// What the calendar of a plan holds, wanted and cancelled.
pub fn appointments(site: &Site, plan: &CheckPlan) -> Vec<Appointment> {
    let wanted: Vec<Appointment> =
        plan.checks.iter().filter_map(|check| appointment(site, plan, check)).collect();
    appointments::with_cancelled(wanted, &appointments::earlier(site, plan.as_of), plan.as_of)
}

fn appointment(site: &Site, plan: &CheckPlan, check: &PlannedCheck) -> Option<Appointment> {
    let when = match (check.hour, check.day) {
        (Some(hour), _) => When::Hour { start: hour.start, end: hour.end },
        (None, Some(day)) => When::Day(day),
        (None, None) => return None,
    };
    let hour = check
        .hour
        .map_or("some time that day".into(), |hour| format!("{:02}:00 {}", hour.hour, plan.zone));
    let last = check.last_checked.map_or("never".into(), |day| day.to_string());
    let mut description = format!(
        "Why: {}.\nHour: {hour}; {}.\nStream: {}. Last checked: {last}.\nPlan as of {}.\n",
        check.why, check.hour_note, check.stream, plan.as_of
    );
    for caution in check.cautions.iter().map(String::as_str).chain(CHECK_CAUTIONS) {
        let _ = writeln!(description, "Caution: {caution}");
    }
    Some(Appointment {
        uid: uid(site, check),
        when,
        summary: format!("In-situ check of {}", check.meter),
        description: description.trim_end().into(),
        cancelled: false,
    })
}

/// The same from plan to plan until the meter has been checked: a later plan moves the
/// appointment, and the check after the next one is another.
fn uid(site: &Site, check: &PlannedCheck) -> String {
    let last = check.last_checked.map_or(String::new(), |day| day.to_string());
    let what = ["check", &site.file.name, &check.meter, &last].join("\0");
    let hash = blake3::hash(what.as_bytes()).to_hex();
    format!("{}@metersift", &hash[..UID_LENGTH])
}

fn text(plan: &CheckPlan) -> String {
    let last = plan.as_of.plus(i32::try_from(plan.days).unwrap_or(i32::MAX) - 1);
    let drawn = plan.checks.iter().filter(|check| check.drawn).count();
    let timed = plan.checks.iter().filter(|check| check.hour.is_some()).count();
    let mut out = format!(
        "Checks from {} to {last}, at most {} a day: {} planned, {drawn} of them drawn at random; {} beyond the span\n\
         Hours in {}, where the meter usually runs full, steady and single-phase: known for {timed} of {}\n",
        plan.as_of,
        plan.per_day,
        plan.checks.len(),
        plan.beyond.len(),
        plan.zone,
        plan.checks.len(),
    );
    let width = |of: fn(&PlannedCheck) -> &str| {
        let all = plan.checks.iter().chain(&plan.beyond);
        all.map(|check| of(check).chars().count()).max().unwrap_or(0)
    };
    let widths = (width(|check| &check.meter), width(|check| &check.stream));
    for check in plan.checks.iter().chain(&plan.beyond) {
        line(&mut out, check, widths);
    }
    out.push_str(
        "A meter without a good hour keeps its day: look at the line first, and repeat a fail before anyone acts on it.\n\
         Stiffness is a mean: a passed check says nothing about the thinnest spot of a wall.\n\
         The plan screens, it approves nothing: local codes, site permits and licensed practice decide.\n",
    );
    out
}

fn line(out: &mut String, check: &PlannedCheck, (meter, stream): (usize, usize)) {
    let day =
        check.day.map_or("beyond        ".into(), |day| format!("{} {day}", weekday_words(day)));
    let hour = check.hour.map_or("--:--".into(), |hour| format!("{:02}:00", hour.hour));
    let last = check
        .last_checked
        .map_or("never checked          ".into(), |day| format!("last checked {day}"));
    let cautions: String = check.cautions.iter().map(|caution| format!(" {caution}")).collect();
    let _ = writeln!(
        out,
        "{day} {hour}  {:<meter$}  {:<stream$}  {last}  {}. Hour: {}.{cautions}",
        check.meter, check.stream, check.why, check.hour_note
    );
}
