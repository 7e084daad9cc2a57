//! Inline SVG: panels of one meter above each other on one time axis, and sparklines.
//!
//! A panel is as wide as the page lets it be. Lines live in an inner drawing that is stretched
//! (strokes are not: `non-scaling-stroke`), while text and symbols are placed by per cent, so
//! that nothing is squeezed on a phone. Path numbers are whole: 1000 across, tenths of a pixel
//! down, written as steps from point to point.

use super::axis::{TimeAxis, ValueAxis, trim};
use super::format::{number, pretty_unit};
use super::history::Point;
use super::panels::{Drawn, Panel};
use maud::{Markup, PreEscaped, html};
use metersift_model::Day;
use std::fmt::Write as _;

/// Height of a panel's plot, px.
const HEIGHT: f64 = 74.0;
/// Flags closer than this share of the width would touch on a phone.
const CLOSE: f64 = 0.045;
/// Width of the inner drawing in its own units.
const ACROSS: f64 = 1000.0;

/// A dated thing that people did to a meter.
#[derive(Clone, Debug)]
pub(crate) struct Event {
    pub day: Day,
    pub letter: char,
    pub text: String,
}

/// All panels with one axis below.
pub(crate) fn figure(
    panels: &[Panel],
    axis: &TimeAxis,
    events: &[Event],
    change: Option<Day>,
) -> Markup {
    let change = change.filter(|day| axis.holds(*day));
    html! {
        figure class="fig" {
            @if !events.is_empty() || change.is_some() { (flags(axis, events, change)) }
            @for panel in panels { (draw(panel, axis, events, change)) }
            (time_labels(axis))
            figcaption {
                @if panels.iter().any(|panel| panel.band.is_some()) {
                    "Grey band: middle nine tenths of the values "
                    @match change { Some(day) => { "before " (day) }, None => "of the first third" }
                    ". "
                }
                @if let Some(day) = change { "\u{25BE} dotted: change dated from " (day) ". " }
                @for event in events { span class="ev" { b { (event.letter) } " " (event.day) " " (event.text) } " " }
            }
        }
    }
}

/// Letters of events above the first panel, on two levels where they would touch.
fn flags(axis: &TimeAxis, events: &[Event], change: Option<Day>) -> Markup {
    let letters = events.iter().map(|event| (event.day, event.letter.to_string(), "fl"));
    let dated = change.map(|day| (day, "\u{25BE}".to_string(), "fl cg"));
    let mut flags: Vec<(Day, String, &str)> = letters.chain(dated).collect();
    flags.sort_by_key(|(day, ..)| *day);
    let mut last = (f64::NEG_INFINITY, false);
    let placed: Vec<_> = flags
        .into_iter()
        .map(|(day, text, class)| {
            let share = axis.share(day);
            let raised = share - last.0 < CLOSE && !last.1;
            last = (share, raised);
            (day, text, class, raised)
        })
        .collect();
    let height = if placed.iter().any(|(.., raised)| *raised) { 25 } else { 14 };
    html! {
        div class="row" { div {} svg class="pl" height=(height) role="img" aria-label="dated events, named below the picture" {
            @for (day, text, class, raised) in placed {
                text x={ (axis.percent(day)) "%" } y=(height - if raised { 14 } else { 3 }) class=(class) { (text) }
            }
        } }
    }
}

fn time_labels(axis: &TimeAxis) -> Markup {
    html! {
        div class="row" { div {} svg class="pl" height="18" role="img" aria-label={ "time axis, " (axis.from) " to " (axis.until) } {
            @for (index, (day, label)) in axis.ticks().into_iter().enumerate() {
                @let share = axis.share(day);
                @let anchor = if share < 0.06 { "start" } else if share > 0.94 { "end" } else { "middle" };
                // Every other label gives way on a phone.
                text class=[(index % 2 == 1).then_some("t2")] x={ (axis.percent(day)) "%" } y="13" text-anchor=(anchor) { (label) }
            }
        } }
    }
}

/// The vertical scale that shows everything of a panel.
fn scale(panel: &Panel) -> Option<ValueAxis> {
    let points = panel.points.iter().map(|(_, value)| *value);
    let marks = panel.marks.iter().filter_map(|mark| mark.value);
    let band = panel.band.into_iter().flat_map(|(low, high)| [low, high]);
    let all = points.chain(marks).chain(band);
    let scale = match panel.drawn {
        Drawn::Columns => ValueAxis::from_zero(all, HEIGHT),
        // Zero belongs to deviations: without it a quiet meter looks wild.
        Drawn::Records => {
            let limits = panel.limits.iter().copied();
            ValueAxis::covering(all.chain(limits).chain([0.0]), HEIGHT)
        }
        Drawn::Line => ValueAxis::covering(all, HEIGHT),
    };
    scale.map(|scale| scale.at_least(panel.smallest_span))
}

fn draw(panel: &Panel, axis: &TimeAxis, events: &[Event], change: Option<Day>) -> Markup {
    // Outcome-only records have a day and no value: any scale will do.
    let value_axis = scale(panel).unwrap_or(ValueAxis { low: -1.0, high: 1.0, height: HEIGHT });
    let has_values = !panel.points.is_empty() || panel.marks.iter().any(|m| m.value.is_some());
    let ticks = if has_values { value_axis.ticks() } else { Vec::new() };
    let limits = || panel.limits.iter().filter(|l| (value_axis.low..=value_axis.high).contains(*l));
    let beyond: Vec<String> =
        panel.limits.iter().filter(|l| !limits().any(|d| d == *l)).map(|l| number(*l)).collect();
    let drawn = !panel.points.is_empty() || !panel.marks.is_empty();
    html! {
        div class="pt" {
            span { b { (panel.title) } @if !panel.unit.is_empty() { ", " (pretty_unit(panel.unit)) } }
            span class="rd" {
                (panel.reading)
                @if !beyond.is_empty() { "; limit " (beyond.join(" and ")) " is beyond the picture" }
            }
            @for (shape, word) in panel.key {
                span class="key" { svg width="12" height="12" { use href={ "#" (shape) } x="6" y="6" {} } (word) }
            }
        }
        @if drawn { div class="row" {
            svg class="yl" height=(HEIGHT) aria-hidden="true" {
                @for tick in &ticks {
                    text x="100%" y=(trim(value_axis.y(*tick) + 3.5, 1)) { (number(*tick)) }
                }
            }
            svg class="pl box" height=(HEIGHT) role="img" aria-label={ (panel.title) ": " (panel.reading) } {
                @if let Some((low, high)) = panel.band {
                    @let (top, foot) = (value_axis.y(high), value_axis.y(low));
                    rect class="bd" width="100%" y=(trim(top, 1)) height=(trim((foot - top).max(1.5), 1)) {}
                }
                @for tick in &ticks { (rule(value_axis.y(*tick), "gr")) }
                @for limit in limits() { (rule(value_axis.y(*limit), "lm")) }
                @for (from, until) in &panel.floor { (hatched(axis, *from, *until)) }
                @for event in events { (upright(axis, event.day, "ep")) }
                @if let Some(day) = change { (upright(axis, day, "on")) }
                @if !panel.points.is_empty() {
                    svg viewBox={ "0 0 " (ACROSS) " " (10.0 * HEIGHT) } preserveAspectRatio="none" width="100%" height=(HEIGHT) {
                        @match panel.drawn {
                            Drawn::Columns => path class="cl" d=(columns(panel, axis, &value_axis)) {},
                            _ => path class="ln" d=(line(&panel.points, panel.bridge_days, axis, &value_axis)) {},
                        }
                    }
                }
                @for mark in &panel.marks {
                    @let y = mark.value.map_or(HEIGHT - 6.0, |value| value_axis.y(value).clamp(5.0, HEIGHT - 5.0));
                    use href={ "#" (mark.shape) } x={ (axis.percent(mark.day)) "%" } y=(trim(y, 1)) {}
                }
                // Labels last: they stand on what is below them.
                @for (words, y) in limit_words(limits().copied(), &value_axis) { (label(&words, y)) }
                @if let Some((low, high)) = panel.band { (band_label(panel, axis, &value_axis, low, high)) }
            }
        } }
    }
}

/// Words for limits with the height of the line they stand at; limits too near to each other for
/// two labels share the one of the upper line.
fn limit_words(limits: impl Iterator<Item = f64>, values: &ValueAxis) -> Vec<(String, f64)> {
    let mut falling: Vec<f64> = limits.collect();
    falling.sort_by(|a, b| b.total_cmp(a));
    let near = |a: &f64, b: &f64| label_y(values.y(*b)) - label_y(values.y(*a)) < LABEL_PX;
    let groups = falling.chunk_by(near);
    let words = |group: &[f64]| {
        let numbers: Vec<String> = group.iter().map(|limit| number(*limit)).collect();
        let noun = if group.len() == 1 { "limit" } else { "limits" };
        (format!("{noun} {}", numbers.join(" and ")), values.y(group[0]))
    };
    groups.map(words).collect()
}

/// Height of a line of words, pixels, with the air that keeps two apart.
const LABEL_PX: f64 = 14.0;

/// Where words stand: above the line that they name, or below it where there is no room.
fn label_y(y: f64) -> f64 {
    if y < 14.0 { y + 11.0 } else { y - 3.0 }
}

/// Words at the left edge, at a line.
fn label(words: &str, y: f64) -> Markup {
    html! { text class="lb" x="3" y=(trim(label_y(y), 1)) { (words) } }
}

/// `usual` on the band, where it is wide enough to hold the word and no line runs there.
fn band_label(panel: &Panel, axis: &TimeAxis, values: &ValueAxis, low: f64, high: f64) -> Markup {
    let (top, foot) = (values.y(high), values.y(low));
    let right = panel.points.iter().filter(|(day, _)| axis.share(*day) > 0.86);
    let mut heights = right.map(|(_, value)| values.y(*value));
    let middle = 0.5 * (top + foot);
    let free = heights.all(|y| (y - middle).abs() > 10.0);
    html! {
        @if foot - top >= 13.0 && free {
            text class="lb" x="99.5%" y=(trim(middle + 4.0, 1)) text-anchor="end" { "usual" }
        }
    }
}

fn rule(y: f64, class: &str) -> Markup {
    let y = trim(y, 1);
    html! { line class=(class) x2="100%" y1=(y) y2=(y) {} }
}

fn upright(axis: &TimeAxis, day: Day, class: &str) -> Markup {
    let x = format!("{}%", axis.percent(day));
    html! { line class=(class) x1=(x) x2=(x) y2="100%" {} }
}

/// Days at the recorder's resolution, at the foot of the panel.
fn hatched(axis: &TimeAxis, from: Day, until: Day) -> Markup {
    let (left, right) = (axis.share(from), axis.share(until.plus(1)));
    let width = (100.0 * (right - left)).max(0.4);
    html! {
        rect class="fr" x={ (axis.percent(from)) "%" } width={ (trim(width, 2)) "%" } y=(HEIGHT - 6.0) height="6" {}
    }
}

/// A polyline that breaks where neighbours are more than `bridge_days` apart; a lone point is a
/// dot (a step of no length with round ends).
pub(crate) fn line(
    points: &[Point],
    bridge_days: i32,
    axis: &TimeAxis,
    values: &ValueAxis,
) -> PreEscaped<String> {
    let mut path = String::new();
    let mut last: Option<(Day, i64, i64)> = None;
    for (index, &(day, value)) in points.iter().enumerate() {
        let x = (ACROSS * axis.share(day)).round() as i64;
        let y = (10.0 * values.y(value)).round() as i64;
        match last {
            Some((before, x0, y0)) if day.0 - before.0 <= bridge_days => {
                step(&mut path, x - x0, y - y0);
            }
            _ => {
                let _ = write!(path, "M{x} {y}l");
                let next = points.get(index + 1);
                if next.is_none_or(|(next, _)| next.0 - day.0 > bridge_days) {
                    path.push_str("0 0");
                }
            }
        }
        last = Some((day, x, y));
    }
    PreEscaped(path)
}

/// Two numbers with no more separators than needed.
fn step(path: &mut String, dx: i64, dy: i64) {
    if path.ends_with(|c: char| c.is_ascii_digit()) && dx >= 0 {
        path.push(' ');
    }
    let gap = if dy < 0 { "" } else { " " };
    let _ = write!(path, "{dx}{gap}{dy}");
}

/// Columns from the foot of the panel up, as one filled path.
fn columns(panel: &Panel, axis: &TimeAxis, values: &ValueAxis) -> PreEscaped<String> {
    let width = (ACROSS * f64::from(panel.bridge_days) / 3.0 / f64::from(axis.days())).max(3.0);
    let mut path = String::new();
    for &(day, value) in panel.points.iter().filter(|(_, value)| *value > 0.0) {
        let x = (ACROSS * axis.share(day)).round();
        let top = (10.0 * values.y(value)).round().min(10.0 * HEIGHT - 10.0);
        let _ = write!(path, "M{x} {}V{top}h{:.0}V{}z", 10.0 * HEIGHT, width, 10.0 * HEIGHT);
    }
    PreEscaped(path)
}

/// A picture as small as a word: the last days of one observable, the last value marked.
pub(crate) fn sparkline(points: &[Point], as_of: Day, days: i32, smallest_span: f64) -> Markup {
    let axis = TimeAxis { from: as_of.plus(-days), until: as_of };
    let inside: Vec<Point> = points.iter().copied().filter(|(day, _)| axis.holds(*day)).collect();
    let Some(values) = ValueAxis::covering(inside.iter().map(|(_, value)| *value), 24.0) else {
        return html! { span class="no" { "no data" } };
    };
    let values = values.at_least(smallest_span);
    let end = inside.last().map(|(day, value)| (axis.percent(*day), trim(values.y(*value), 1)));
    html! {
        svg class="sp" height="28" role="img" aria-label={ "last " (days) " days" } {
            svg viewBox={ "0 -20 " (ACROSS) " 280" } preserveAspectRatio="none" width="100%" height="28" {
                path class="ln" d=(line(&inside, 16, &axis, &values)) {}
            }
            @if let Some((x, y)) = end {
                circle cx={ (x) "%" } cy=(y) r="2.5" class="k1" transform="translate(-3,2)" {}
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_that_stand_close_share_one_label() {
        let wide = ValueAxis { low: -1.0, high: 1.0, height: HEIGHT };
        let apart = limit_words([-0.8, 0.8].into_iter(), &wide);
        assert_eq!(apart.len(), 2, "{apart:?}");
        let far = ValueAxis { low: -10.0, high: 10.0, height: HEIGHT };
        let close = limit_words([-0.5, 0.5].into_iter(), &far);
        assert_eq!(close.len(), 1, "{close:?}");
        assert!(close[0].0.starts_with("limits 0.5 and"), "{close:?}");
        assert!((close[0].1 - far.y(0.5)).abs() < 1e-12);
    }
}
