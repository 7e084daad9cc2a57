//! Things that were measured: listed whatever the cause and whatever the probabilities say.

use crate::fleet::{Col, MeterData};
use crate::prepare::MeterPrep;
use crate::settings::Settings;
use metersift_model::Day;
use metersift_model::records::{Check, CheckOutcome, CheckPosition, ZeroState};
use metersift_model::verdict::{Fact, FactKind};
use metersift_stats as stats;

/// A confirmed check is the median of this many ...
const CONFIRMING_CHECKS: usize = 3;
/// ... within this many days.
const CONFIRMING_DAYS: i32 = 30;
/// The drive is looked at over this many last days.
const DRIVE_DAYS: i32 = 14;
/// Days with a signal that make its absence a fact.
const HABIT_DAYS: usize = 8;

/// Signals whose updates are counted, with their words.
const WATCHED: [(Col, &str); 4] = [
    (Col::FlowUpdates, "mass flow"),
    (Col::DensityUpdates, "density"),
    (Col::DriveUpdates, "drive gain"),
    (Col::TemperatureUpdates, "temperature"),
];

/// The limit of stiffness for one meter, and whether the checks or the service set it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct StiffnessLimit {
    pub pct: f64,
    pub checks_too_coarse: bool,
}

/// The tolerable flow error, never below three standard errors of the meter's confirmed checks.
pub(crate) fn stiffness_limit(
    meter: &MeterData,
    as_of: i32,
    settings: &Settings,
) -> StiffnessLimit {
    let tolerable = settings.limits.tolerable_pct(&meter.meter);
    let worst = [CheckPosition::Inlet, CheckPosition::Outlet, CheckPosition::Whole]
        .into_iter()
        .map(|position| {
            let values: Vec<f64> = values(meter, position, as_of).map(|(_, v)| v).collect();
            if values.len() < 5 {
                return 0.0;
            }
            // Scatter of one check from neighbours, so that a drift does not count as scatter;
            // the confirmed value is a median of three (variance about 0.45 of one, normal).
            let steps: Vec<f64> = values.windows(2).map(|p| p[1] - p[0]).collect();
            let sigma = stats::mad_sigma(&steps) / std::f64::consts::SQRT_2;
            3.0 * sigma * 0.67
        })
        .fold(0.0, f64::max);
    StiffnessLimit { pct: tolerable.max(worst), checks_too_coarse: worst > tolerable }
}

fn values(
    meter: &MeterData,
    position: CheckPosition,
    as_of: i32,
) -> impl Iterator<Item = (i32, f64)> + '_ {
    meter
        .checks
        .iter()
        .filter(move |check| check.position == position && check.time.day().0 < as_of)
        .filter(|check| check.quantity.eq_ignore_ascii_case("stiffness"))
        .filter(|check| check.outcome != CheckOutcome::Aborted)
        .filter_map(|check| Some((check.time.day().0, check.value_pct.filter(|v| v.is_finite())?)))
}

/// All facts of one meter.
pub(crate) fn facts(
    meter: &MeterData,
    prep: &MeterPrep,
    as_of: i32,
    settings: &Settings,
) -> Vec<Fact> {
    let mut facts = Vec::new();
    let beyond = check_beyond_limit(meter, prep, as_of, settings);
    facts.extend(beyond.or_else(|| fails_in_a_row(meter, prep, as_of)));
    facts.extend(zero_beyond_tolerable(meter, prep, as_of, settings));
    facts.extend(drive_saturated(meter, prep, as_of, settings));
    facts.extend(no_data(meter, as_of, settings));
    facts.extend(check_overdue(meter, prep, as_of));
    facts
}

fn check_beyond_limit(
    meter: &MeterData,
    prep: &MeterPrep,
    as_of: i32,
    settings: &Settings,
) -> Option<Fact> {
    let limit = stiffness_limit(meter, as_of, settings);
    let swap = prep.segment.swap_day.unwrap_or(i32::MIN);
    let mut worst: Option<Fact> = None;
    for position in [CheckPosition::Inlet, CheckPosition::Outlet, CheckPosition::Whole] {
        let all: Vec<(i32, f64)> =
            values(meter, position, as_of).filter(|(day, _)| *day > swap).collect();
        let Some(&(last_day, _)) = all.last() else { continue };
        let recent: Vec<&(i32, f64)> = all
            .iter()
            .rev()
            .take(CONFIRMING_CHECKS)
            .filter(|(day, _)| *day > last_day - CONFIRMING_DAYS)
            .collect();
        let value = stats::median(&recent.iter().map(|(_, v)| *v).collect::<Vec<_>>());
        let beyond = value.abs() >= limit.pct && recent.len() >= 2;
        if beyond && worst.as_ref().is_none_or(|fact| fact.value.abs() < value.abs()) {
            let since = recent.last().map(|(day, _)| Day(*day));
            let (place, n) = (position_words(position), recent.len());
            worst = Some(Fact {
                kind: FactKind::CheckBeyondLimit,
                value,
                limit: limit.pct,
                unit: "%".into(),
                since,
                text: format!(
                    "{place}stiffness {value:+.2} % (median of {n} checks up to {}), limit {:.2} %",
                    Day(last_day),
                    limit.pct
                ),
            });
        }
    }
    worst
}

/// Checks that only say pass or fail: one fail is a question, two in a row are a finding (common
/// practice, no source).
fn fails_in_a_row(meter: &MeterData, prep: &MeterPrep, as_of: i32) -> Option<Fact> {
    let swap = prep.segment.swap_day.unwrap_or(i32::MIN);
    let mut days: Vec<(i32, bool)> = Vec::new();
    let mut last = None;
    for check in &meter.checks {
        let day = check.time.day().0;
        if day >= as_of || day <= swap || check.outcome == CheckOutcome::Aborted {
            continue;
        }
        let failed = check.outcome == CheckOutcome::Fail;
        // Several rows of one time are one check; it failed where any row did.
        match days.last_mut().filter(|_| last == Some(check.time)) {
            Some(same) => same.1 |= failed,
            None => days.push((day, failed)),
        }
        last = Some(check.time);
    }
    let run: Vec<i32> =
        days.iter().rev().take_while(|(_, failed)| *failed).map(|(day, _)| *day).collect();
    let (newest, oldest) = (*run.first()?, *run.last()?);
    (run.len() >= 2).then(|| Fact {
        kind: FactKind::CheckBeyondLimit,
        value: run.len() as f64,
        limit: 2.0,
        unit: "fails in a row".into(),
        since: Some(Day(oldest)),
        text: format!("the last {} checks failed, the latest on {}", run.len(), Day(newest)),
    })
}

fn position_words(position: CheckPosition) -> &'static str {
    match position {
        CheckPosition::Inlet => "inlet ",
        CheckPosition::Outlet => "outlet ",
        CheckPosition::Whole => "",
    }
}

fn zero_beyond_tolerable(
    meter: &MeterData,
    prep: &MeterPrep,
    as_of: i32,
    settings: &Settings,
) -> Option<Fact> {
    let usual = prep.usual_flow_kg_h.map(f64::abs).filter(|flow| *flow > 0.0)?;
    let swap = prep.segment.swap_day.unwrap_or(i32::MIN);
    let mut last = None;
    for zero in meter.zeros.iter().filter(|zero| zero.time.day().0 < as_of) {
        match zero.state {
            ZeroState::AsFound if zero.time.day().0 > swap => last = Some(zero),
            // What was adjusted away is history, not a fact of today.
            ZeroState::AsLeft => last = None,
            ZeroState::AsFound => {}
        }
    }
    let zero = last.filter(|zero| zero.zero_kg_h.is_finite())?;
    let limit = settings.limits.tolerable_pct(&meter.meter) / 100.0 * usual;
    (zero.zero_kg_h.abs() > limit).then(|| Fact {
        kind: FactKind::ZeroBeyondTolerable,
        value: zero.zero_kg_h,
        limit,
        unit: "kg/h".into(),
        since: Some(zero.time.day()),
        text: format!(
            "as-found zero {:+.1} kg/h on {}, {:.2} % of the usual flow of {:.0} kg/h; tolerable {:.1} kg/h",
            zero.zero_kg_h,
            zero.time.day(),
            100.0 * zero.zero_kg_h.abs() / usual,
            usual,
            limit
        ),
    })
}

fn drive_saturated(
    meter: &MeterData,
    prep: &MeterPrep,
    as_of: i32,
    settings: &Settings,
) -> Option<Fact> {
    let (mut flowing, mut saturated) = (0.0, 0.0);
    let mut since = None;
    for row in prep.segment.rows.clone() {
        if meter.days[row] < as_of - DRIVE_DAYS {
            continue;
        }
        let share = meter.value(Col::DriveSaturated, row);
        let hours = meter.value(Col::HoursFlowing, row);
        if share.is_finite() && hours.is_finite() {
            flowing += hours;
            saturated += hours * share;
            if share > settings.limits.drive_saturated_share && since.is_none() {
                since = Some(Day(meter.days[row]));
            }
        }
    }
    let share = saturated / flowing;
    (share > settings.limits.drive_saturated_share).then(|| Fact {
        kind: FactKind::DriveSaturated,
        value: 100.0 * share,
        limit: 100.0 * settings.limits.drive_saturated_share,
        unit: "% of flowing time".into(),
        since,
        text: format!(
            "drive saturated in {:.0} % of flowing time over the last {DRIVE_DAYS} days",
            100.0 * share
        ),
    })
}

fn no_data(meter: &MeterData, as_of: i32, settings: &Settings) -> Option<Fact> {
    let allowed = i32::try_from(settings.no_data_days).unwrap_or(i32::MAX);
    let until = meter.days.partition_point(|day| *day < as_of);
    let fact = |last: i32, text: String| Fact {
        kind: FactKind::NoData,
        value: f64::from(as_of - 1 - last),
        limit: f64::from(allowed),
        unit: "d".into(),
        since: Some(Day(last + 1)),
        text,
    };
    let Some(&last_row) = meter.days[..until].last() else {
        return Some(Fact {
            kind: FactKind::NoData,
            value: f64::NAN,
            limit: f64::from(allowed),
            unit: "d".into(),
            since: None,
            text: "no readings of this meter at all".into(),
        });
    };
    let mut silent: Vec<(&str, i32)> = Vec::new();
    let mut latest = None;
    for (col, words) in WATCHED {
        let column = meter.column(col);
        if column.is_empty() {
            continue;
        }
        let days: Vec<i32> =
            (0..until).filter(|&row| column[row] > 0.0).map(|row| meter.days[row]).collect();
        if let Some(&last) = days.last().filter(|_| days.len() >= HABIT_DAYS) {
            latest = latest.max(Some(last));
            if as_of - 1 - last > allowed {
                silent.push((words, last));
            }
        }
    }
    let last = latest.unwrap_or(last_row);
    if as_of - 1 - last > allowed {
        return Some(fact(last, format!("no readings since {}", Day(last))));
    }
    let oldest = silent.iter().map(|(_, last)| *last).min()?;
    let names: Vec<&str> = silent.iter().map(|(words, _)| *words).collect();
    Some(fact(oldest, format!("no {} since {}", names.join(", "), Day(oldest))))
}

fn check_overdue(meter: &MeterData, prep: &MeterPrep, as_of: i32) -> Option<Fact> {
    let interval = meter.meter.check_interval_days.filter(|days| *days > 0.0)?;
    let done =
        |check: &&Check| check.outcome != CheckOutcome::Aborted && check.time.day().0 < as_of;
    let last = meter.checks.iter().filter(done).map(|check| check.time.day().0).max();
    let from = last.or(prep.segment.first_day)?;
    let age = f64::from(as_of - from);
    (age > interval).then(|| Fact {
        kind: FactKind::CheckOverdue,
        value: age,
        limit: interval,
        unit: "d".into(),
        since: Some(Day(from.saturating_add(interval.ceil() as i32))),
        text: match last {
            Some(day) => format!(
                "last completed check {}, {age:.0} days ago; interval {interval:.0} days",
                Day(day)
            ),
            None => format!("no completed check in {age:.0} days; interval {interval:.0} days"),
        },
    })
}
