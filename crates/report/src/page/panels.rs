//! What each picture of a meter shows: line, reference band, limits, records.
//!
//! Daily values here, records (checks, zeros) in `record_panels`.
//!
//! The reference of a panel is the time before the change that the verdict dates; without such a
//! date, the first third of the history. Its band is the middle nine tenths of the values there.

use super::Page;
use super::axis::TimeAxis;
use super::format::{number, plural, pretty_unit};
use super::history::{Point, median, quantile, thinned};
use metersift_model::verdict::ObservableEvidence;
use metersift_model::{Day, Verdict};

/// Points drawn per panel at most: what an eye tells apart on 700 pixels, and what keeps a
/// meter within its share of the file.
const POINTS: i32 = 170;
/// A recorder whose step is more than this share of what the picture spans shows as stairs.
const STAIRS: f64 = 1.0 / 8.0;
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
    pub title: String,
    pub unit: &'static str,
    /// Direct labels: what the newest value is and what it was before.
    pub reading: String,
    pub drawn: Drawn,
    pub points: Vec<Point>,
    /// Days between neighbouring points that do not break the line.
    pub bridge_days: i32,
    pub band: Option<(f64, f64)>,
    pub limits: Vec<f64>,
    /// The smallest span that the scale may have: a quiet reading must look quiet.
    pub smallest_span: f64,
    pub marks: Vec<Mark>,
    /// Stretches in which the recorder and not the meter sets the value.
    pub floor: Vec<(Day, Day)>,
    /// What the symbols mean, where there are some.
    pub key: &'static [(&'static str, &'static str)],
    /// The feature that `trace` walks back; empty where the values are records.
    pub trace: &'static str,
    /// Last day of the drawn values.
    pub traced_day: Option<Day>,
}

impl Panel {
    /// A panel with nothing in it yet.
    pub(crate) fn empty(title: &str, unit: &'static str) -> Panel {
        Panel {
            title: title.into(),
            unit,
            reading: String::new(),
            drawn: Drawn::Records,
            points: Vec::new(),
            bridge_days: 0,
            band: None,
            limits: Vec::new(),
            smallest_span: 0.0,
            marks: Vec::new(),
            floor: Vec::new(),
            key: &[],
            trace: "",
            traced_day: None,
        }
    }

    /// The reading with another remark.
    fn remark(&mut self, words: &str) {
        if !self.reading.is_empty() {
            self.reading.push_str("; ");
        }
        self.reading.push_str(words);
    }
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
    drawn.into_iter().flatten().chain(view.other_quantities()).collect()
}

/// One meter on one time axis.
pub(crate) struct View<'a> {
    pub page: &'a Page<'a>,
    pub verdict: &'a Verdict,
    pub axis: &'a TimeAxis,
    /// The reference ends here.
    change: Option<Day>,
    block_days: i32,
}

impl<'a> View<'a> {
    fn new(page: &'a Page<'a>, verdict: &'a Verdict, axis: &'a TimeAxis) -> View<'a> {
        let block_days = (axis.days() + POINTS - 1) / POINTS;
        View { page, verdict, axis, change: change_day(verdict), block_days }
    }

    /// Known values of a daily column inside the picture.
    pub(crate) fn column(&self, name: &str) -> Vec<Point> {
        let mut points = self.page.history.points(&self.verdict.meter, name);
        points.retain(|(day, _)| self.axis.holds(*day));
        points
    }

    /// A panel of the values of one feature; `None` without any.
    pub(crate) fn daily(
        &self,
        title: &str,
        unit: &'static str,
        trace: &'static str,
        points: Vec<Point>,
    ) -> Option<Panel> {
        let traced_day = self.column(trace).last().map(|(day, _)| *day);
        if points.is_empty() {
            return None;
        }
        let reference = self.reference(&points);
        let band = (reference.len() >= SHORTEST_REFERENCE)
            .then(|| (quantile(reference.clone(), 0.05), quantile(reference.clone(), 0.95)));
        let recent: Vec<f64> = points.iter().rev().take(14).map(|(_, value)| *value).collect();
        Some(Panel {
            reading: reading(median(recent), median(reference), unit),
            drawn: Drawn::Line,
            points: thinned(&points, self.block_days),
            bridge_days: 3 * self.block_days.max(1),
            band,
            trace,
            traced_day,
            ..Panel::empty(title, unit)
        })
    }

    /// The limit of the verdict, where it is one of this unit.
    pub(crate) fn limit_in(&self, unit: &str) -> Option<f64> {
        let limit = self.verdict.limit.as_ref().filter(|limit| limit.unit == unit)?;
        Some(limit.value.abs()).filter(|value| value.is_finite())
    }

    /// Values of the time before the change, else of the first third.
    fn reference(&self, points: &[Point]) -> Vec<f64> {
        let third = self.axis.from.plus(self.axis.days() / 3);
        let until = self.change.unwrap_or(third);
        points.iter().filter(|(day, _)| *day < until).map(|(_, value)| *value).collect()
    }

    fn drive(&self) -> Option<Panel> {
        let feature = "drive_gain_median_pct";
        let mut panel = self.daily("Drive gain", "%", feature, self.column(feature))?;
        self.stairs(&mut panel, "drive_gain_resolution");
        panel.limits.extend(self.limit_in("% drive gain"));
        Some(panel)
    }

    /// Says so where the recorder's step is much of what the picture shows.
    fn stairs(&self, panel: &mut Panel, resolution: &str) {
        let step = median(self.column(resolution).into_iter().map(|(_, step)| step).collect());
        let (low, high) = span(&panel.points);
        if step > 0.0 && step > STAIRS * (high - low) {
            panel.remark(&format!(
                "recorded in steps of {} {}",
                number(step),
                pretty_unit(panel.unit)
            ));
            panel.smallest_span = 4.0 * step;
        }
    }

    /// Density with what temperature, peers and recorded resets explain taken out, where the
    /// verdict gives it; else the residual to the reference fluid; else as measured.
    fn density(&self) -> Option<Panel> {
        let adjusted = self.verdict.evidence.iter().find(|o| o.observable == "density");
        let mut points = adjusted.map(|o| o.adjusted.clone()).unwrap_or_default();
        points.retain(|(day, value)| self.axis.holds(*day) && value.is_finite());
        if points.len() >= 3 {
            let title = "Density residual to peers and temperature";
            let mut panel = self.daily(title, "kg/m3", "density_kg_m3", points)?;
            panel.bridge_days = panel.bridge_days.max(16);
            panel.smallest_span = adjusted.map_or(0.0, |o| o.se.min(10.0));
            return Some(panel);
        }
        let feature = "density_residual_kg_m3";
        let residual = self.column(feature);
        if !residual.is_empty() {
            return self.daily("Density less reference fluid", "kg/m3", feature, residual);
        }
        let feature = "density_kg_m3";
        self.daily("Density in steady flow", "kg/m3", feature, self.column(feature))
    }

    fn noise(&self) -> Option<Panel> {
        let feature = "density_noise_kg_m3";
        let mut panel = self.daily("Density noise", "kg/m3", feature, self.column(feature))?;
        let limited = self.column("density_noise_floor_limited");
        let days: Vec<Day> =
            limited.iter().filter(|(_, v)| *v > 0.5).map(|(day, _)| *day).collect();
        if !days.is_empty() {
            panel.floor = stretches(&days, 2 * self.block_days.max(1));
            panel.remark(&format!(
                "hatched: {} at the recorder's resolution, so the meter may be quieter",
                plural(days.len(), "day", "days")
            ));
        }
        Some(panel)
    }

    fn gas(&self) -> Option<Panel> {
        let feature = "gas_share";
        let title = "Gas, share of flowing time";
        let shares: Vec<Point> =
            self.column(feature).into_iter().map(|(day, share)| (day, 100.0 * share)).collect();
        if !shares.is_empty() && shares.iter().all(|(_, share)| *share == 0.0) {
            let mut panel = Panel::empty(title, "");
            panel.remark(&format!("none in {}", plural(shares.len(), "day", "days with flow")));
            return Some(panel);
        }
        let mut panel = self.daily(title, "%", feature, shares.clone())?;
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
        panel.limits.extend(self.limit_in("% of flowing time"));
        // A median hides single bad days: columns show the largest of each block.
        panel.points = largest(&shares, self.block_days);
        Some(panel)
    }

    /// Shown only where the pick-offs are part of the story.
    fn pickoffs(&self) -> Option<Panel> {
        let speaks = |o: &&ObservableEvidence| {
            o.observable.starts_with("pickoff") && o.over_no_change.abs() > 0.5
        };
        self.verdict.evidence.iter().find(speaks)?;
        let feature = "pickoff_log_ratio";
        self.daily("ln of inlet over outlet pick-off", "", feature, self.column(feature))
    }
}

/// Smallest and largest value; an empty span of nothing.
fn span(points: &[Point]) -> (f64, f64) {
    points.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), (_, value)| {
        (low.min(*value), high.max(*value))
    })
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
