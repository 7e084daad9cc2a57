//! One sentence per verdict.

use crate::observable::Observable;
use crate::sizes::Sizes;
use metersift_model::Hypothesis;
use metersift_model::verdict::ObservableEvidence;

/// One sentence: the explanation and the observables that argued for it, strongest first, with
/// numbers, units and dates.
pub(crate) fn reason(
    mode: Hypothesis,
    probability: f64,
    evidence: &[ObservableEvidence],
    sizes: &Sizes,
) -> String {
    let arguing: Vec<String> = evidence
        .iter()
        .filter(|e| e.over_no_change > 0.2 && e.change.is_finite())
        .take(3)
        .map(|e| {
            let since = e.since.map_or(String::new(), |day| format!(" since {day}"));
            format!("{} {}{since}", words_of(&e.observable), change_words(e))
        })
        .collect();
    let against: Vec<String> = evidence
        .iter()
        .rev()
        .filter(|e| e.over_no_change < -0.2)
        .take(2)
        .map(|e| format!("{} {}", words_of(&e.observable), change_words(e)))
        .collect();
    let percent = (100.0 * probability).min(99.0).floor();
    let size = sizes.severity.as_ref().map_or(String::new(), |s| {
        format!(
            ", {} {} ({} to {})",
            rounded(s.size.mid),
            s.unit,
            rounded(s.size.low),
            rounded(s.size.high)
        )
    });
    let mut text = format!("{} {percent:.0} %{size}", mode.words());
    if arguing.is_empty() {
        text.push_str(": no observable argues for it");
    } else {
        text.push_str(": ");
        text.push_str(&arguing.join("; "));
    }
    if !against.is_empty() {
        text.push_str("; against it: ");
        text.push_str(&against.join(", "));
    }
    text
}

fn words_of(name: &str) -> &'static str {
    Observable::ALL.iter().find(|o| o.evidence_name() == name).map_or("", |o| o.words())
}

fn change_words(e: &ObservableEvidence) -> String {
    let unit = if e.unit == "%" { " %".to_string() } else { format!(" {}", e.unit) };
    let sign = if e.change >= 0.0 { "+" } else { "-" };
    format!("{sign}{}{unit} (standard error {})", rounded(e.change.abs()), rounded(e.se))
}

/// Three significant digits at most, no trailing noise.
pub(crate) fn rounded(x: f64) -> String {
    let size = x.abs();
    if !x.is_finite() {
        "-".into()
    } else if size >= 100.0 {
        format!("{x:.0}")
    } else if size >= 10.0 {
        format!("{x:.1}")
    } else if size >= 0.095 {
        format!("{x:.2}")
    } else {
        format!("{x:.3}")
    }
}
