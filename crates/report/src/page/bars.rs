//! Evidence as bars: how likely each explanation is, and what each observable says for and
//! against the leading one. Numbers stand beside every bar.

use super::format::{number, percent, pretty_unit, signed};
use maud::{Markup, html};
use metersift_model::verdict::ObservableEvidence;
use metersift_model::{Hypothesis, Verdict};

/// log10 factors are drawn up to this size; the number beside the bar is not cut.
const LONGEST: f64 = 4.0;

/// log10 factors below this are not worth a row.
const AUDIBLE: f64 = 0.1;

/// Probability per explanation, likeliest first.
pub(crate) fn probabilities(verdict: &Verdict) -> Markup {
    let mut rows: Vec<(Hypothesis, f64)> = Hypothesis::ALL
        .into_iter()
        .map(|hypothesis| (hypothesis, verdict.probabilities[hypothesis.index()]))
        .filter(|(_, probability)| probability.is_finite())
        .collect();
    rows.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    // Explanations that all but vanished share one line.
    let shown = rows.iter().filter(|(_, p)| *p >= 0.005).count();
    let (rows, rest) = rows.split_at(shown);
    html! {
        table class="bars pr" {
            thead class="vh" { tr { th { "explanation" } th { "drawn" } th { "probability" } } }
            tbody { @for (hypothesis, probability) in rows {
                tr {
                    th scope="row" { (hypothesis.words()) }
                    td class="bar" { svg width="100%" height="10" aria-hidden="true" {
                        rect class=(if *hypothesis == verdict.mode { "b1" } else { "b0" })
                            width={ (format!("{:.0}", (100.0 * probability).clamp(1.0, 99.0))) "%" } height="10" {}
                    } }
                    td class="n" { (percent(*probability)) }
                }
            } }
        }
        @if !rest.is_empty() {
            p class="fine" { "Under half a per cent: " (list_words(rest.iter().map(|(h, _)| h.words()))) "." }
        }
    }
}

/// log10 factor per observable for the leading explanation: over no change (bar), over the
/// runner-up (line).
pub(crate) fn factors(evidence: &[ObservableEvidence]) -> Markup {
    let mut rows: Vec<&ObservableEvidence> =
        evidence.iter().filter(|row| row.change.is_finite()).collect();
    rows.sort_by(|a, b| {
        let by_factor = b.over_no_change.total_cmp(&a.over_no_change);
        by_factor.then_with(|| a.observable.cmp(&b.observable))
    });
    let (speaking, silent): (Vec<_>, Vec<_>) = rows.into_iter().partition(|row| {
        row.over_no_change.abs() >= AUDIBLE || row.over_runner_up.abs() >= AUDIBLE
    });
    html! {
        table class="bars fa" {
            thead { tr {
                th { "observable" } th class="n w" { "change (se)" }
                th class="bar" { "against " span class="mid" { "0" } " for" }
                th class="n" { "log10" }
            } }
            tbody { @for row in speaking {
                tr {
                    th scope="row" { (observable_words(&row.observable)) }
                    td class="n w" {
                        (signed(row.change)) @if !row.unit.is_empty() { " " (pretty_unit(&row.unit)) }
                        " (" (number(row.se)) ")"
                    }
                    td class="bar" { (factor_bar(row.over_no_change, row.over_runner_up)) }
                    td class="n" { (factor(row.over_no_change)) " | " (factor(row.over_runner_up)) }
                }
            } }
        }
        p class="fine" {
            "Bar and first number: log10 factor for the leading explanation over no change; mark and second number: over the runner-up."
            @if !silent.is_empty() {
                " Said next to nothing: " (list_words(silent.iter().map(|row| observable_words(&row.observable)))) "."
            }
        }
    }
}

fn factor(value: f64) -> String {
    if value.is_finite() { signed((10.0 * value).round() / 10.0) } else { "–".into() }
}

fn factor_bar(over_no_change: f64, over_runner_up: f64) -> Markup {
    let place = |value: f64| 50.0 + 50.0 * (value / LONGEST).clamp(-1.0, 1.0);
    let end = place(if over_no_change.is_finite() { over_no_change } else { 0.0 });
    let (left, right) = if end < 50.0 { (end, 50.0) } else { (50.0, end) };
    html! {
        svg width="100%" height="12" aria-hidden="true" {
            line class="gr" x1="50%" x2="50%" y2="12" {}
            rect class=(if end < 50.0 { "b0" } else { "b1" }) x={ (format!("{left:.1}")) "%" }
                width={ (format!("{:.1}", right - left)) "%" } y="3" height="6" {}
            @if over_runner_up.is_finite() {
                @let x = format!("{:.1}%", place(over_runner_up).clamp(1.0, 99.0));
                line class="ru" x1=(x) x2=(x) y2="12" {}
            }
        }
    }
}

/// The name of an observable as people say it.
pub(crate) fn observable_words(name: &str) -> String {
    match name {
        "stiffness_inlet" => "inlet stiffness".into(),
        "stiffness_outlet" => "outlet stiffness".into(),
        "pickoff_ratio" => "pick-off ratio".into(),
        "gas_share" => "gas share".into(),
        "zero_found" => "as-found zero".into(),
        "air_point" => "drained-and-dry density".into(),
        "reference_point" => "density in the reference fluid".into(),
        "partner_span" => "flow against the partner".into(),
        "partner_zero" => "zero against the partner".into(),
        other => other.replace('_', " "),
    }
}

/// `a, b and c`.
pub(crate) fn list_words<S: Into<String>>(words: impl Iterator<Item = S>) -> String {
    let words: Vec<String> = words.map(Into::into).collect();
    match words.split_last() {
        None => String::new(),
        Some((last, [])) => last.clone(),
        Some((last, rest)) => format!("{} and {last}", rest.join(", ")),
    }
}
