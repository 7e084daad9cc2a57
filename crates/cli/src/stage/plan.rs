//! Which meters to check next, and on which day.

use crate::exit::Exit;
use crate::message::Message;
use crate::site::Site;
use crate::stage::night::Night;
use metersift_rank::{CheckPlan, PlanSpan, PlannedCheck, check_plan, plan_table};
use std::fmt::Write as _;

/// How a plan is printed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// For people.
    Text,
    /// For programs: comma, decimal point, one row per check.
    Csv,
}

/// The check plan of a judged night.
pub fn run(site: &Site, night: &Night, span: PlanSpan, format: Format) -> Result<String, Message> {
    let settings = &site.file.rank;
    let plan = check_plan(&night.verdicts, &night.lists, &night.records, settings, span);
    match format {
        Format::Text => Ok(text(&plan)),
        Format::Csv => csv(&plan, night),
    }
}

fn csv(plan: &CheckPlan, night: &Night) -> Result<String, Message> {
    let mut out = Vec::new();
    metersift_report::write_csv(&plan_table(plan), &mut out, &night.card)
        .map_err(|error| Message::new(Exit::Failed, "the plan could not be written").at(error))?;
    Ok(String::from_utf8_lossy(&out).into_owned())
}

fn text(plan: &CheckPlan) -> String {
    let last = plan.as_of.plus(i32::try_from(plan.days).unwrap_or(i32::MAX) - 1);
    let drawn = plan.checks.iter().filter(|check| check.drawn).count();
    let mut out = format!(
        "Checks from {} to {last}, at most {} a day: {} planned, {drawn} of them drawn at random; {} beyond the span\n",
        plan.as_of,
        plan.per_day,
        plan.checks.len(),
        plan.beyond.len()
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
        "Days only: hours in which a meter runs full, steady and single-phase are not proposed. \
         Run a check in such an hour, and repeat a fail before anyone acts on it.\n\
         Stiffness is a mean: a passed check says nothing about the thinnest spot of a wall.\n\
         The plan screens, it approves nothing: local codes, site permits and licensed practice decide.\n",
    );
    out
}

fn line(out: &mut String, check: &PlannedCheck, (meter, stream): (usize, usize)) {
    let day = check.day.map_or("beyond    ".into(), |day| day.to_string());
    let last = check
        .last_checked
        .map_or("never checked          ".into(), |day| format!("last checked {day}"));
    let cautions: String = check.cautions.iter().map(|caution| format!(" {caution}")).collect();
    let _ = writeln!(
        out,
        "{day}  {:<meter$}  {:<stream$}  {last}  {}.{cautions}",
        check.meter, check.stream, check.why
    );
}
