//! The figures of a back-test as text for a prompt.

use metersift_backtest::{Calibration, LimitCoverage, MethodScore, Scores};
use std::fmt::Write as _;

/// All figures, one part below the other.
pub fn text(scores: &Scores) -> String {
    let mut out = String::new();
    methods(&scores.methods, &mut out);
    leads(scores, &mut out);
    entries(scores, &mut out);
    calibration(&scores.calibration, &mut out);
    limits(&scores.limits, &mut out);
    out
}

fn methods(methods: &[MethodScore], out: &mut String) {
    let _ = writeln!(
        out,
        "{:<13} {:>20} {:>6} {:>6} {:>6} {:>9} {:>9} {:>26} {:>6}",
        "method",
        "average precision",
        "p@5",
        "p@10",
        "p@20",
        "recall@n",
        "found",
        "false/100 meter-months",
        "mode"
    );
    for method in methods {
        let (ap, low, high) = method.average_precision;
        let at = |k: usize| {
            let found = method.precision_at.iter().find(|(length, _)| *length == k);
            number(found.map_or(f64::NAN, |(_, p)| *p))
        };
        let rate = &method.false_entries;
        let _ = writeln!(
            out,
            "{:<13} {:>20} {:>6} {:>6} {:>6} {:>9} {:>9} {:>26} {:>6}",
            method.method,
            format!("{ap:.2} ({low:.2}..{high:.2})"),
            at(5),
            at(10),
            at(20),
            number(method.recall_at_n),
            format!("{} of {}", method.found, method.faults),
            format!("{:.2} ({:.2}..{:.2})", rate.value, rate.interval.low, rate.interval.high),
            number(method.mode_accuracy)
        );
    }
}

fn number(x: f64) -> String {
    if x.is_finite() { format!("{x:.2}") } else { "-".into() }
}

fn leads(scores: &Scores, out: &mut String) {
    let Some(verdict) = scores.methods.first() else { return };
    let mut days: Vec<i32> = scores.leads.iter().filter_map(|lead| lead.lead_days).collect();
    days.sort_unstable();
    let missed = scores.leads.iter().filter(|lead| lead.first_listed.is_none()).count();
    if let (Some(least), Some(most)) = (days.first(), days.last()) {
        let middle = days[days.len() / 2];
        let _ = writeln!(
            out,
            "lead before the limit: median {middle} d ({least}..{most} d, {} listed faults with a \
             limit); of {} limits reached in this time {} had been listed before; {missed} faults \
             never listed",
            days.len(),
            verdict.limits_reached,
            verdict.listed_before_limit,
        );
    } else {
        let _ = writeln!(
            out,
            "lead before the limit: not known, no listed fault has a limit that was reached; \
             {missed} faults never listed"
        );
    }
    let wrong: Vec<String> = scores
        .confusion
        .iter()
        .filter(|((true_mode, named), _)| true_mode != named)
        .map(|((true_mode, named), n)| format!("{} as {} {n}", true_mode.name(), named.name()))
        .collect();
    if !wrong.is_empty() {
        let _ = writeln!(out, "first listed under another mode: {}", wrong.join(", "));
    }
}

fn entries(scores: &Scores, out: &mut String) {
    let _ = writeln!(
        out,
        "judged time: {:.0} meter-months over {} nights; {} entries that name a common cause; {} \
         meter-nights with gas from the process rank nothing",
        scores.meter_months, scores.nights, scores.group_entries, scores.process_gas_nights
    );
    if !scores.false_by_confounder.is_empty() {
        let kinds: Vec<String> =
            scores.false_by_confounder.iter().map(|(kind, n)| format!("{kind} {n}")).collect();
        let _ = writeln!(out, "false entries by what was there: {}", kinds.join(", "));
    }
    let of_service = |s: &metersift_backtest::ServiceScore| {
        format!("{} {} of {} found, {} false", s.service, s.found, s.faults, s.false_entries)
    };
    let services: Vec<String> = scores.services.iter().map(of_service).collect();
    let _ = writeln!(out, "by service: {}", services.join("; "));
}

fn calibration(calibration: &Calibration, out: &mut String) {
    let _ = writeln!(
        out,
        "probability of a fault: Brier {:.4} (stating the base rate: {:.4}), calibration error \
         {:.3}, over the {} meter-nights given 5 % and more {}",
        calibration.fault_brier,
        calibration.base_rate_brier,
        calibration.fault_error,
        calibration.n_raised,
        number(calibration.fault_error_raised),
    );
    for (name, bins) in [("stated", &calibration.fault), ("stated, listed", &calibration.listed)] {
        let filled: Vec<String> = bins
            .iter()
            .filter(|bin| bin.n > 0)
            .map(|bin| format!("{:.2}: {:.2} of {}", bin.stated, bin.seen, bin.n))
            .collect();
        let _ = writeln!(out, "{name}, then seen: {}", filled.join("; "));
    }
}

fn limits(limits: &LimitCoverage, out: &mut String) {
    if limits.nights == 0 {
        return;
    }
    let _ = writeln!(
        out,
        "days until the limit: the 80 % interval held the truth on {} of {} listed nights of {} \
         rightly named faults (before it {}, after it {}); {} nights had no estimate, {} no known \
         truth",
        limits.covered,
        limits.scored,
        limits.meters,
        limits.too_late,
        limits.too_early,
        limits.no_estimate,
        limits.unknown
    );
}
