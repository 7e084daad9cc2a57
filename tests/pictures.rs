//! Pictures of the definitions: one invented day each, its signals, and the states that the feature
//! room gave to its minutes. Width is time; every band is computed, none is drawn by hand.

use metersift_features::{MeterDay, MinuteState, Settings, SignalDay, minute_states};
use metersift_model::records::Meter;
use metersift_model::{Day, Signal};
use metersift_stats::Xoshiro256;
use std::fmt::Write as _;

const DAY: Day = Day(20_000);
const SPACING_S: usize = 10;
const WIDTH: f64 = 720.0;
const LEFT: f64 = 130.0;

/// A state with its caption.
type Band = (&'static str, fn(&MinuteState) -> bool);

const FLOWING: Band = ("flowing", |m| m.flowing);
const SINGLE_PHASE: Band = ("single-phase", |m| m.single_phase);
const STEADY: Band = ("steady", |m| m.steady);
const GAS: Band = ("gas episode", |m| m.gas);
const SHUT_IN: Band = ("shut in", |m| m.shut_in);
const QUIET: Band = ("full and quiet", |m| m.shut_in_quiet);

/// A story of some hours; the functions take minutes since midnight, before noise.
struct Story {
    name: &'static str,
    title: &'static str,
    hours: std::ops::Range<usize>,
    flow: fn(f64) -> f64,
    /// Liquid, kg/m3.
    density: fn(f64) -> f64,
    gas: fn(f64) -> bool,
    bands: &'static [Band],
}

/// Each picture with its name.
pub fn states() -> Vec<(&'static str, String)> {
    STORIES.iter().map(|story| (story.name, draw(story))).collect()
}

const STORIES: [Story; 4] = [
    Story {
        name: "single-phase",
        title: "Steady begins 15 min after a start, ends 15 min before a stop, and leaves out gas and swings",
        hours: 6..14,
        flow: |m| match m {
            390.0..600.0 => 12_000.0,
            600.0..605.0 => 12_000.0 + 1000.0 * (m - 600.0),
            605.0..790.0 => 17_000.0,
            _ => 0.0,
        },
        density: |_| 1080.0,
        gas: |m| (480.0..500.0).contains(&m),
        bands: &[FLOWING, GAS, SINGLE_PHASE, STEADY],
    },
    Story {
        name: "shut-in",
        title: "Full and quiet: the first 30 min of a shut-in are left out; the second one drains",
        hours: 6..14,
        flow: |m| match m {
            420.0..510.0 | 630.0..750.0 => 0.3,
            _ => 12_000.0,
        },
        density: |m| if (675.0..750.0).contains(&m) { 700.0 } else { 1080.0 },
        gas: |_| false,
        bands: &[FLOWING, SHUT_IN, QUIET],
    },
    Story {
        name: "start-up",
        title: "Start-up gas begins within 30 min of a start and lasts less than 30 min",
        hours: 6..12,
        flow: |m| if m < 370.0 || (400.0..480.0).contains(&m) { 0.0 } else { 12_000.0 },
        density: |_| 1080.0,
        gas: |m| (482.0..494.0).contains(&m),
        bands: &[FLOWING, GAS, SINGLE_PHASE, STEADY],
    },
    Story {
        name: "gas-episodes",
        title: "Bursts with little calm between them are one episode; one gassy reading is none",
        hours: 6..11,
        flow: |_| 12_000.0,
        density: |_| 1080.0,
        gas: |m| {
            let at = |from: f64, length: f64| (from..from + length).contains(&m);
            at(400.0, 4.0) || at(404.4, 5.0) || at(480.0, 0.16) || at(540.0, 40.0)
        },
        bands: &[FLOWING, GAS, SINGLE_PHASE, STEADY],
    },
];

/// Flow, density and drive gain of the whole day.
fn signals(story: &Story) -> [(&'static str, Signal, Vec<f64>); 3] {
    let mut generator = Xoshiro256::seeded(3);
    let (mut flows, mut densities, mut drives) = (Vec::new(), Vec::new(), Vec::new());
    for i in 0..86_400 / SPACING_S {
        let minute = (i * SPACING_S) as f64 / 60.0;
        let (flow, gas) = ((story.flow)(minute), (story.gas)(minute));
        let (density, scatter) = if gas { (980.0, 25.0) } else { ((story.density)(minute), 0.2) };
        flows.push(flow + if flow > 1.0 { 20.0 } else { 0.3 } * generator.normal());
        densities.push(density + scatter * generator.normal());
        drives.push(if gas { 55.0 } else { 14.0 } + 0.1 * generator.normal());
    }
    [
        ("flow, kg/h", Signal::MassFlow, flows),
        ("density, kg/m3", Signal::Density, densities),
        ("drive gain, %", Signal::DriveGain, drives),
    ]
}

fn minutes(signals: &[(&str, Signal, Vec<f64>)]) -> Vec<MinuteState> {
    let meter = Meter {
        meter: "FT-3107".into(),
        service: "syrup".into(),
        stream: "syrup line 2".into(),
        nominal_diameter_mm: Some(50.0),
        max_flow_kg_h: 20_000.0,
        zero_stability_kg_h: 1.0,
        base_accuracy_pct: 0.1,
        criticality: 3,
        ..Meter::default()
    };
    let at = |i: usize| DAY.start().0 + (i * SPACING_S) as i64 * 1_000_000;
    let time: Vec<i64> = (0..86_400 / SPACING_S).map(at).collect();
    let quality = vec![192; time.len()];
    let mut input = MeterDay::new(&meter, DAY);
    for (_, signal, values) in signals {
        let day = SignalDay::new(&time, values, &quality).expect("in order");
        input.signals.insert(signal.clone(), day);
    }
    minute_states(&input, &Settings::default())
}

fn draw(story: &Story) -> String {
    let signals = signals(story);
    let states = minutes(&signals);
    let height = 30.0 + 3.0 * 70.0 + 22.0 * story.bands.len() as f64 + 26.0;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {} {height}\" \
         font-family=\"sans-serif\" font-size=\"12\">\n<title>{title}</title>\n\
         <rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n\
         <text x=\"8\" y=\"18\" font-weight=\"bold\">{title}</text>\n",
        LEFT + WIDTH + 24.0,
        title = story.title
    );
    let mut top = 30.0;
    for (caption, _, values) in &signals {
        curve(&mut svg, story, caption, values, top);
        top += 70.0;
    }
    for (caption, is_in) in story.bands {
        band(&mut svg, story, caption, &states, *is_in, top);
        top += 22.0;
    }
    clock(&mut svg, story, top);
    svg.push_str("</svg>\n");
    svg
}

fn x(story: &Story, minute: f64) -> f64 {
    let span = (story.hours.len() * 60) as f64;
    LEFT + WIDTH * (minute - (story.hours.start * 60) as f64) / span
}

fn curve(svg: &mut String, story: &Story, caption: &str, values: &[f64], top: f64) {
    let per_hour = 3600 / SPACING_S;
    let shown = story.hours.start * per_hour..story.hours.end * per_hour;
    let part = &values[shown.clone()];
    let low = part.iter().copied().fold(f64::INFINITY, f64::min);
    let high = part.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let y = |v: f64| top + 58.0 - 46.0 * (v - low) / (high - low);
    let mut points = String::new();
    // Every half minute: enough for the eye.
    for (i, value) in shown.zip(part).step_by(3) {
        let minute = (i * SPACING_S) as f64 / 60.0;
        let _ = write!(points, "{:.1},{:.1} ", x(story, minute), y(*value));
    }
    let _ = writeln!(svg, "<text x=\"8\" y=\"{}\">{caption}</text>", top + 38.0);
    for (value, at) in [(high, top + 16.0), (low, top + 60.0)] {
        let _ = writeln!(
            svg,
            "<text x=\"{}\" y=\"{at}\" text-anchor=\"end\" font-size=\"10\">{value:.0}</text>",
            LEFT - 4.0
        );
    }
    let _ = writeln!(
        svg,
        "<polyline fill=\"none\" stroke=\"#1f4e79\" stroke-width=\"1\" points=\"{}\"/>",
        points.trim_end()
    );
}

fn band(
    svg: &mut String,
    story: &Story,
    caption: &str,
    states: &[MinuteState],
    is_in: fn(&MinuteState) -> bool,
    top: f64,
) {
    let _ = writeln!(
        svg,
        "<text x=\"8\" y=\"{}\">{caption}</text>\n\
         <rect x=\"{LEFT}\" y=\"{top}\" width=\"{WIDTH}\" height=\"16\" fill=\"#f2f2f2\"/>",
        top + 13.0
    );
    let shown = story.hours.start * 60..story.hours.end * 60;
    let mut from = shown.start;
    for run in states[shown].chunk_by(|a, b| is_in(a) == is_in(b)) {
        let until = from + run.len();
        if is_in(&run[0]) {
            let (left, right) = (x(story, from as f64), x(story, until as f64));
            let _ = writeln!(
                svg,
                "<rect x=\"{left:.1}\" y=\"{top}\" width=\"{:.1}\" height=\"16\" fill=\"#7a9cc6\" \
                 stroke=\"#1f4e79\"/>",
                right - left
            );
        }
        from = until;
    }
}

fn clock(svg: &mut String, story: &Story, top: f64) {
    for hour in story.hours.start..=story.hours.end {
        let at = x(story, (hour * 60) as f64);
        let _ = writeln!(
            svg,
            "<line x1=\"{at:.1}\" y1=\"30\" x2=\"{at:.1}\" y2=\"{top}\" stroke=\"#bbb\" \
             stroke-width=\"0.5\"/>\n\
             <text x=\"{at:.1}\" y=\"{}\" text-anchor=\"middle\">{hour:02}:00</text>",
            top + 16.0
        );
    }
}
