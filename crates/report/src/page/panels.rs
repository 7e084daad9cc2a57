//! What each picture of a meter shows: line, reference band, limits, records.
//!
//! The reference of a panel is the time before the change that the verdict dates; without such a
//! date, the first third of the history. Its band is the middle nine tenths of the values there.

use super::Page;
use super::axis::TimeAxis;
use super::format::{number, plural, pretty_unit};
use super::history::{Point, median, quantile, thinned};
use metersift_model::records::{CheckOutcome, CheckPosition, ZeroState};
use metersift_model::verdict::FactKind;
use metersift_model::{Day, Verdict};

/// Points drawn per panel at most: what an eye tells apart on 700 pixels, and what keeps a
/// meter within its share of the file.
const POINTS: i32 = 170;
/// Records drawn per panel at most; older ones are counted in words.
const RECORDS: usize = 60;
/// Days of reference below which no band is drawn.
const SHORTEST_REFERENCE: usize = 10;

/// How values are drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Drawn {
    /// A line that breaks where data are missing.
    Line,
    /// Columns from zero up.
    Columns,
    /// No line: only records.
    Records,
}

/// A record as a symbol.
#[derive(Clone, Debug)]
pub(crate) struct Mark {
    pub day: Day,
    /// `None` = no number: drawn at the foot of the panel.
    pub value: Option<f64>,
    /// Name of the shape.
    pub shape: &'static str,
}

/// One picture.
#[derive(Clone, Debug)]
pub(crate) struct Panel {
    pub title: &'static str,
    pub unit: &'static str,
    /// Direct labels: what the newest value is and what it was before.
    pub reading: String,
    pub drawn: Drawn,
    pub points: Vec<Point>,
    /// Days between neighbouring points that do not break the line.
    pub bridge_days: i32,
    pub band: Option<(f64, f64)>,
    pub limits: Vec<f64>,
    pub marks: Vec<Mark>,
    /// Stretches in which the recorder and not the meter sets the value.
    pub floor: Vec<(Day, Day)>,
    /// What the symbols mean, where there are some.
    pub key: &'static [(&'static str, &'static str)],
}

/// All pictures of a meter that have something to show, in a fixed order.
pub(crate) fn panels(page: &Page<'_>, verdict: &Verdict, axis: &TimeAxis) -> Vec<Panel> {
    let view = View::new(page, verdict, axis);
    let drawn = [
        view.drive(),
        view.density(),
        view.noise(),
        view.stiffness(),
        view.zero(),
        view.gas(),
        view.pickoffs(),
    ];
    drawn.into_iter().flatten().collect()
}

struct View<'a> {
    page: &'a Page<'a>,
    verdict: &'a Verdict,
    axis: &'a TimeAxis,
    /// The reference ends here.
    change: Option<Day>,
    block_days: i32,
}

impl<'a> View<'a> {
    fn new(page: &'a Page<'a>, verdict: &'a Verdict, axis: &'a TimeAxis) -> View<'a> {
        let block_days = (axis.days() + POINTS - 1) / POINTS;
        View { page, verdict, axis, change: change_day(verdict), block_days }
    }

    fn column(&self, name: &str) -> Vec<Point> {
        let mut points = self.page.history.points(&self.verdict.meter, name);
        points.retain(|(day, _)| self.axis.holds(*day));
        points
    }

    /// A panel of one daily column; `None` without any value.
    fn daily(&self, title: &'static str, unit: &'static str, points: Vec<Point>) -> Option<Panel> {
        if points.is_empty() {
            return None;
        }
        let reference = self.reference(&points);
        let band = (reference.len() >= SHORTEST_REFERENCE)
            .then(|| (quantile(reference.clone(), 0.05), quantile(reference.clone(), 0.95)));
        let recent: Vec<f64> = points.iter().rev().take(14).map(|(_, value)| *value).collect();
        let reading = reading(median(recent), median(reference), unit);
        Some(Panel {
            title,
            unit,
            reading,
            drawn: Drawn::Line,
            points: thinned(&points, self.block_days),
            bridge_days: 3 * self.block_days.max(1),
            band,
            limits: Vec::new(),
            marks: Vec::new(),
            floor: Vec::new(),
            key: &[],
        })
    }

    /// Values of the time before the change, else of the first third.
    fn reference(&self, points: &[Point]) -> Vec<f64> {
        let third = self.axis.from.plus(self.axis.days() / 3);
        let until = self.change.unwrap_or(third);
        points.iter().filter(|(day, _)| *day < until).map(|(_, value)| *value).collect()
    }

    fn limit(&self, kind: FactKind) -> Vec<f64> {
        let facts = self.verdict.facts.iter().filter(|fact| fact.kind == kind);
        facts.map(|fact| fact.limit.abs()).filter(|limit| limit.is_finite()).take(1).collect()
    }

    fn drive(&self) -> Option<Panel> {
        self.daily("Drive gain", "%", self.column("drive_gain_median_pct"))
    }

    /// Density with what temperature, peers and recorded resets explain taken out, where the
    /// verdict gives it; else the residual to the reference fluid; else as measured.
    fn density(&self) -> Option<Panel> {
        let adjusted = self.verdict.evidence.iter().find(|o| o.observable == "density");
        let mut points = adjusted.map(|o| o.adjusted.clone()).unwrap_or_default();
        points.retain(|(day, value)| self.axis.holds(*day) && value.is_finite());
        if points.len() >= 3 {
            let mut panel = self.daily("Density, adjusted", "kg/m3", points)?;
            panel.bridge_days = panel.bridge_days.max(16);
            return Some(panel);
        }
        let residual = self.column("density_residual_kg_m3");
        if !residual.is_empty() {
            return self.daily("Density less reference fluid", "kg/m3", residual);
        }
        self.daily("Density in steady flow", "kg/m3", self.column("density_kg_m3"))
    }

    fn noise(&self) -> Option<Panel> {
        let points = self.column("density_noise_kg_m3");
        let mut panel = self.daily("Density noise", "kg/m3", points)?;
        let limited = self.column("density_noise_floor_limited");
        let days: Vec<Day> =
            limited.iter().filter(|(_, v)| *v > 0.5).map(|(day, _)| *day).collect();
        if !days.is_empty() {
            panel.floor = stretches(&days, 2 * self.block_days.max(1));
            panel.reading.push_str(&format!(
                "; hatched: {} at the recorder's resolution",
                plural(days.len(), "day", "days")
            ));
        }
        Some(panel)
    }

    fn stiffness(&self) -> Option<Panel> {
        let checks = self.page.input.records.checks.get(&self.verdict.meter)?;
        let in_view = |time: metersift_model::TimeUs| {
            let day = time.day();
            (self.axis.holds(day) && day < self.axis.until).then_some(day)
        };
        let mut marks = Vec::new();
        for check in checks.iter().filter(|c| c.quantity.is_empty() || c.quantity == "stiffness") {
            let Some(day) = in_view(check.time) else { continue };
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
        let limits = self.limit(FactKind::CheckBeyondLimit);
        Some(Panel {
            title: "Stiffness checks",
            unit: "%",
            reading,
            drawn: Drawn::Records,
            points: Vec::new(),
            bridge_days: 0,
            band: None,
            limits: limits.iter().flat_map(|limit| [*limit, -*limit]).collect(),
            marks,
            floor: Vec::new(),
            key: &[
                ("kp1", "pass"),
                ("kf1", "fail"),
                ("ka", "aborted"),
                ("kp0", "open shape: outlet"),
            ],
        })
    }

    fn zero(&self) -> Option<Panel> {
        let points = self.column("zero_stabilities");
        let mut panel = match self.daily("Zero at shut-in", "zero_stabilities", points) {
            Some(panel) => panel,
            None => self.empty("Zero", "zero_stabilities"),
        };
        let stability = self
            .page
            .input
            .records
            .meters
            .get(&self.verdict.meter)
            .map(|meter| meter.zero_stability_kg_h)
            .filter(|stability| *stability > 0.0);
        let zeros = self.page.input.records.zeros.get(&self.verdict.meter);
        if let (Some(stability), Some(zeros)) = (stability, zeros) {
            for zero in zeros {
                let day = zero.time.day();
                if self.axis.holds(day) && day < self.axis.until && zero.zero_kg_h.is_finite() {
                    let found = zero.state == ZeroState::AsFound;
                    let shape = if found { "kz1" } else { "kz0" };
                    let value = Some(zero.zero_kg_h / stability);
                    panel.marks.push(Mark { day, value, shape });
                }
            }
            panel.marks.drain(..panel.marks.len().saturating_sub(RECORDS));
        }
        if panel.points.is_empty() && panel.marks.is_empty() {
            return None;
        }
        if !panel.marks.is_empty() {
            panel.key = &[("kz1", "as found"), ("kz0", "as left")];
        }
        if panel.points.is_empty() {
            panel.reading = last_value(&panel.marks, "zero_stabilities");
        }
        Some(panel)
    }

    fn gas(&self) -> Option<Panel> {
        let shares: Vec<Point> =
            self.column("gas_share").into_iter().map(|(day, share)| (day, 100.0 * share)).collect();
        if shares.iter().all(|(_, share)| *share == 0.0) {
            return None;
        }
        let mut panel = self.daily("Gas, share of flowing time", "%", shares.clone())?;
        panel.drawn = Drawn::Columns;
        let fortnight =
            shares.iter().rev().take_while(|(day, _)| *day >= self.axis.until.plus(-14));
        let (n, sum, top) = fortnight.fold((0.0, 0.0, 0.0_f64), |(n, sum, top), (_, share)| {
            (n + 1.0, sum + share, top.max(*share))
        });
        panel.reading = match n > 0.0 {
            true => format!("last 14 days: mean {} %, up to {} %", number(sum / n), number(top)),
            false => "nothing in the last 14 days".into(),
        };
        panel.band = None;
        // A median hides single bad days: columns show the largest of each block.
        panel.points = largest(&shares, self.block_days);
        Some(panel)
    }

    /// Shown only where the pick-offs are part of the story.
    fn pickoffs(&self) -> Option<Panel> {
        let speaks = |o: &&metersift_model::verdict::ObservableEvidence| {
            o.observable.starts_with("pickoff") && o.over_no_change.abs() > 0.5
        };
        self.verdict.evidence.iter().find(speaks)?;
        self.daily("ln of inlet over outlet pick-off", "", self.column("pickoff_log_ratio"))
    }

    fn empty(&self, title: &'static str, unit: &'static str) -> Panel {
        Panel {
            title,
            unit,
            reading: String::new(),
            drawn: Drawn::Records,
            points: Vec::new(),
            bridge_days: 0,
            band: None,
            limits: Vec::new(),
            marks: Vec::new(),
            floor: Vec::new(),
            key: &[],
        }
    }
}

/// The day from which the winning shape departs, the same for all observables that follow it.
pub(crate) fn change_day(verdict: &Verdict) -> Option<Day> {
    let speaking = verdict.evidence.iter().filter(|o| o.over_no_change > 0.0);
    speaking.filter_map(|o| o.since).min()
}

fn reading(now: f64, before: f64, unit: &str) -> String {
    let unit = match pretty_unit(unit) {
        "" => String::new(),
        unit => format!(" {unit}"),
    };
    match (now.is_finite(), before.is_finite()) {
        (true, true) => format!("now {}{unit}, before {}", number(now), number(before)),
        (true, false) => format!("now {}{unit}", number(now)),
        _ => String::new(),
    }
}

fn last_value(marks: &[Mark], unit: &str) -> String {
    let last = marks.iter().rev().find_map(|mark| mark.value.map(|value| (mark.day, value)));
    match last {
        Some((day, value)) => format!("last {} {}, {day}", number(value), pretty_unit(unit)),
        None => "no values recorded, outcomes only".into(),
    }
}

/// Days in a row, gaps of up to `bridge` days closed.
fn stretches(days: &[Day], bridge: i32) -> Vec<(Day, Day)> {
    let mut stretches: Vec<(Day, Day)> = Vec::new();
    for &day in days {
        match stretches.last_mut() {
            Some((_, last)) if day.0 - last.0 <= bridge => *last = day,
            _ => stretches.push((day, day)),
        }
    }
    stretches
}

fn largest(points: &[Point], block_days: i32) -> Vec<Point> {
    let mut blocks: Vec<Point> = Vec::new();
    let block = |day: Day| day.0.div_euclid(block_days.max(1));
    for &(day, value) in points {
        match blocks.last_mut() {
            Some((first, top)) if block(*first) == block(day) => *top = top.max(value),
            _ => blocks.push((day, value)),
        }
    }
    blocks
}
