//! Numbers, units, intervals and counts as people read them.

use metersift_model::ListKind;
use metersift_model::verdict::{Interval, Severity};
use metersift_model::watch_list::{FleetCounts, TrackRecord, WatchLists};

/// Three significant digits, never an exponent, a true minus sign.
pub(crate) fn number(value: f64) -> String {
    if !value.is_finite() {
        return "–".into();
    }
    if value == 0.0 {
        return "0".into();
    }
    let decimals = (2.0 - value.abs().log10().floor()).clamp(0.0, 9.0) as usize;
    let text = format!("{value:.decimals$}");
    let text = match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.'),
        false => &text,
    };
    minus(&grouped(if text == "-0" { "0" } else { text }))
}

/// Groups of three from five digits on, by a narrow space that does not break.
fn grouped(text: &str) -> String {
    let (whole, rest) = text.split_once('.').map_or((text, None), |(w, r)| (w, Some(r)));
    let digits = whole.trim_start_matches('-').len();
    if digits < 5 {
        return text.into();
    }
    let mut out = String::new();
    for (index, character) in whole.chars().enumerate() {
        let left = whole.len() - index;
        if index > 0 && left % 3 == 0 && character != '-' && !out.ends_with('-') {
            out.push('\u{202F}');
        }
        out.push(character);
    }
    rest.map_or(out.clone(), |rest| format!("{out}.{rest}"))
}

/// With its sign.
pub(crate) fn signed(value: f64) -> String {
    if value > 0.0 { format!("+{}", number(value)) } else { number(value) }
}

fn minus(text: &str) -> String {
    text.replace('-', "\u{2212}")
}

/// A probability in per cent: two digits, never above 99.
pub(crate) fn percent(probability: f64) -> String {
    if !probability.is_finite() {
        return "–".into();
    }
    let shown = (100.0 * probability).round().clamp(0.0, 99.0);
    if shown == 0.0 && probability > 0.0 { "< 1 %".into() } else { format!("{shown:.0} %") }
}

/// How many of a list's entries are expected to be false, said plainly.
pub(crate) fn budget_words(lists: &WatchLists, list: ListKind) -> String {
    let entries = lists.of(list).count();
    let facts = lists.of(list).filter(|entry| entry.probability.is_none()).count();
    let (judged, expected) = (entries - facts, lists.expected_false[list as usize]);
    if entries == 0 {
        return "–".into();
    }
    // What was measured is not counted: it has no probability to be wrong by.
    let measured = if facts > 0 { format!("{facts} measured") } else { String::new() };
    if judged == 0 {
        return format!("no matter of odds: {measured}");
    }
    let budget = match list {
        ListKind::CheckNow => "; a check is cheap".to_string(),
        _ => format!("; budget {:.1}", lists.budget * judged as f64),
    };
    let comma = if measured.is_empty() { "" } else { "; " };
    if expected < 0.05 {
        return format!("under 0.1 of {judged}{budget}{comma}{measured}");
    }
    format!("about {expected:.1} of {judged}{budget}{comma}{measured}")
}

/// What became of the entries of the last nights, as a sentence without its stop.
pub(crate) fn record_words(record: &TrackRecord) -> String {
    let share = record.false_share.map_or(String::new(), |(low, high)| {
        format!(" (false share {} to {}, 95 %)", percent(low), percent(high))
    });
    format!(
        "Last {} nights, all lists: {} came up, {} opened or tested since, {} of them found good{share}",
        record.days,
        plural(record.entries as usize, "entry", "entries"),
        record.settled,
        record.false_entries,
    )
}

/// The same in half a line, for every list.
pub(crate) fn settled_words(record: &TrackRecord) -> String {
    if record.settled == 0 {
        return format!("Last {} nights: no entry opened or tested yet", record.days);
    }
    format!(
        "Last {} nights: {} of {} opened or tested found good",
        record.days, record.false_entries, record.settled
    )
}

/// A unit as it is printed.
pub(crate) fn pretty_unit(unit: &str) -> &str {
    match unit {
        "kg/m3" => "kg/m³",
        "m3/h" => "m³/h",
        "degC" => "°C",
        "zero_stabilities" => "zero stabilities",
        other => other,
    }
}

/// A number with its unit.
pub(crate) fn quantity(value: f64, unit: &str) -> String {
    match pretty_unit(unit) {
        "" => number(value),
        unit => format!("{} {unit}", number(value)),
    }
}

/// `3.1 % (2.2 to 4.4)`.
pub(crate) fn severity(severity: &Severity) -> String {
    let Interval { mid, low, high } = severity.size;
    format!("{} ({} to {})", quantity(mid, &severity.unit), number(low), number(high))
}

/// Time left, never without its interval.
pub(crate) fn days_left(days: Interval) -> String {
    let Interval { mid, low, high } = days;
    let whole = |days: f64| format!("{:.0}", days.max(0.0));
    let end = if high.is_finite() { whole(high) } else { "a year and more".into() };
    match () {
        () if mid <= 0.0 && high <= 0.0 => "limit passed".into(),
        () if mid.is_finite() => format!("{} d ({} to {end})", whole(mid), whole(low)),
        () if low.is_finite() && low > 0.0 => format!("later than {} d", whole(low)),
        () => "beyond a year".into(),
    }
}

/// The line that stands first in every output.
pub(crate) fn counts_sentence(counts: &FleetCounts) -> String {
    format!(
        "{} meters: {} judged, {} young, {} not judged; {} blind for at least one mode",
        counts.meters, counts.judged, counts.young, counts.not_judged, counts.blind
    )
}

/// Picks the plural.
pub(crate) fn plural(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_probability_is_printed_above_99_or_with_more_than_two_digits() {
        let table = [
            (1.0, "99 %"),
            (0.999_9, "99 %"),
            (0.987, "99 %"),
            (0.5, "50 %"),
            (0.001, "< 1 %"),
            (0.0, "0 %"),
            (f64::NAN, "–"),
        ];
        for (probability, text) in table {
            assert_eq!(percent(probability), text);
        }
    }

    #[test]
    fn an_open_interval_says_so() {
        let days = |mid, low, high| days_left(Interval { mid, low, high });
        assert_eq!(days(40.0, 20.0, 90.0), "40 d (20 to 90)");
        assert_eq!(days(200.0, 90.0, f64::INFINITY), "200 d (90 to a year and more)");
        assert_eq!(days(f64::INFINITY, 300.0, f64::INFINITY), "later than 300 d");
        assert_eq!(days(f64::INFINITY, f64::INFINITY, f64::INFINITY), "beyond a year");
    }

    #[test]
    fn a_small_negative_number_is_not_minus_nothing() {
        assert_eq!(number(-1e-12), "0");
        assert_eq!(number(-0.012_34), "\u{2212}0.0123");
        assert_eq!(signed(12.345), "+12.3");
        assert_eq!(number(24_500.0), "24\u{202F}500");
        assert_eq!(number(-124_500.0), "\u{2212}124\u{202F}500");
        assert_eq!(number(2_450.0), "2450");
    }
}
