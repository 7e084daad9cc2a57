//! Pictures of what people recorded: in-situ checks, zeros, and check quantities of unknown
//! meaning that a site names itself.

use super::format::{number, pretty_unit};
use super::panels::{Drawn, Mark, Panel, View};
use metersift_model::records::{Check, CheckOutcome, CheckPosition, ZeroState};
use metersift_model::{Day, TimeUs};
use std::collections::BTreeMap;

/// Records drawn per panel at most; older ones are counted in words.
const RECORDS: usize = 60;
/// Check quantities of the site's own names drawn at most.
const OWN_QUANTITIES: usize = 2;
/// Zeros inside one stability are what a good meter shows: the picture spans at least these.
const ZERO_SPAN: f64 = 4.0;
/// Checks scatter by a tenth of a per cent: the picture spans at least this.
const CHECK_SPAN_PCT: f64 = 1.0;

impl View<'_> {
    fn day_in_view(&self, time: TimeUs) -> Option<Day> {
        let day = time.day();
        (self.axis.holds(day) && day < self.axis.until).then_some(day)
    }

    /// Stiffness checks, inlet and outlet, with outcomes.
    pub(crate) fn stiffness(&self) -> Option<Panel> {
        let checks = self.page.input.records.checks.get(&self.verdict.meter)?;
        let stiffness = |check: &&Check| check.quantity.is_empty() || check.quantity == "stiffness";
        let mut panel = self.checks("Stiffness checks", checks.iter().filter(stiffness))?;
        if let Some(limit) = self.limit_in("% of stiffness") {
            panel.limits = vec![limit, -limit];
        }
        Some(panel)
    }

    /// Check quantities that the site names itself, the most recorded first.
    pub(crate) fn other_quantities(&self) -> Vec<Panel> {
        let checks = self.page.input.records.checks.get(&self.verdict.meter).into_iter().flatten();
        let mut by_name: BTreeMap<&str, Vec<&Check>> = BTreeMap::new();
        for check in checks {
            if !check.quantity.is_empty() && check.quantity != "stiffness" {
                by_name.entry(&check.quantity).or_default().push(check);
            }
        }
        let mut names: Vec<(&str, Vec<&Check>)> = by_name.into_iter().collect();
        names.sort_by(|a, b| b.1.len().cmp(&a.1.len()).then(a.0.cmp(b.0)));
        let drawn = names.into_iter().take(OWN_QUANTITIES);
        drawn
            .filter_map(|(name, checks)| {
                let title = format!("Checks of {}", name.replace('_', " "));
                self.checks(&title, checks.into_iter())
            })
            .collect()
    }

    fn checks<'c>(&self, title: &str, checks: impl Iterator<Item = &'c Check>) -> Option<Panel> {
        let mut marks = Vec::new();
        for check in checks {
            let Some(day) = self.day_in_view(check.time) else { continue };
            let outlet = check.position == CheckPosition::Outlet;
            let shape = match (check.outcome, outlet) {
                (CheckOutcome::Pass, false) => "kp1",
                (CheckOutcome::Pass, true) => "kp0",
                (CheckOutcome::Fail, false) => "kf1",
                (CheckOutcome::Fail, true) => "kf0",
                (CheckOutcome::Aborted, _) => "ka",
            };
            marks.push(Mark { day, value: check.value_pct.filter(|v| v.is_finite()), shape });
        }
        if marks.is_empty() {
            return None;
        }
        // Inlet and outlet of one check often agree: the open ring goes below the filled dot.
        marks.sort_by_key(|mark: &Mark| (mark.day, !mark.shape.ends_with('0')));
        let older = marks.len().saturating_sub(RECORDS);
        let marks = marks.split_off(older);
        let mut reading = last_value(&marks, "%");
        if older > 0 {
            reading.push_str(&format!("; {older} older records not drawn"));
        }
        Some(Panel {
            reading,
            drawn: Drawn::Records,
            smallest_span: CHECK_SPAN_PCT,
            marks,
            key: &[
                ("kp1", "pass"),
                ("kf1", "fail"),
                ("ka", "aborted"),
                ("kp0", "open shape: outlet"),
            ],
            ..Panel::empty(title, "%")
        })
    }

    /// Zeros of quiet shut-in days as a line, recorded zeros as symbols.
    pub(crate) fn zero(&self) -> Option<Panel> {
        let feature = "zero_stabilities";
        let points = self.column(feature);
        let mut panel = match self.daily("Zero at shut-in", "zero_stabilities", feature, points) {
            Some(panel) => panel,
            None => Panel::empty("Zero", "zero_stabilities"),
        };
        let stability = self.zero_stability();
        let zeros = self.page.input.records.zeros.get(&self.verdict.meter);
        if let (Some(stability), Some(zeros)) = (stability, zeros) {
            for zero in zeros.iter().filter(|zero| zero.zero_kg_h.is_finite()) {
                let Some(day) = self.day_in_view(zero.time) else { continue };
                let found = zero.state == ZeroState::AsFound;
                let shape = if found { "kz1" } else { "kz0" };
                panel.marks.push(Mark { day, value: Some(zero.zero_kg_h / stability), shape });
            }
            panel.marks.drain(..panel.marks.len().saturating_sub(RECORDS));
        }
        if panel.points.is_empty() && panel.marks.is_empty() {
            return None;
        }
        panel.smallest_span = ZERO_SPAN;
        if let (Some(limit), Some(stability)) = (self.limit_in("kg/h"), stability) {
            panel.limits = vec![limit / stability, -limit / stability];
        }
        if !panel.marks.is_empty() {
            panel.key = &[("kz1", "as found"), ("kz0", "as left")];
        }
        if panel.points.is_empty() {
            panel.reading = last_value(&panel.marks, "zero_stabilities");
        }
        Some(panel)
    }

    pub(crate) fn zero_stability(&self) -> Option<f64> {
        let meter = self.page.input.records.meters.get(&self.verdict.meter)?;
        Some(meter.zero_stability_kg_h).filter(|stability| *stability > 0.0)
    }
}

fn last_value(marks: &[Mark], unit: &str) -> String {
    let last = marks.iter().rev().find_map(|mark| mark.value.map(|value| (mark.day, value)));
    match last {
        Some((day, value)) => format!("last {} {}, {day}", number(value), pretty_unit(unit)),
        None => "no values recorded, outcomes only".into(),
    }
}
