//! Common causes: three or more meters of one stream that move alike are one line, not many.
//!
//! Why:    when several meters move together, look at the fluid first (common practice, no
//!         source); and three entries for one cause would fill a list and count its budget
//!         three times.
//! Rules:  only candidates for the same decision are folded, only where at least
//!         [`SMALLEST_GROUP`] of them belong to one group on one stream; a member whose own
//!         evidence exceeds its group's stays an entry, and so does one with a fact.

use crate::candidate::Candidate;
use polars::prelude::*;
use std::collections::BTreeMap;

/// Fewer meters than this are not a common cause.
const SMALLEST_GROUP: u32 = 3;

/// Folds lone candidates into common causes; returns the rest and the folded lines.
///
/// A member counts from `smallest_probability` on: three that hardly moved are no cause.
pub(crate) fn fold(
    candidates: Vec<Candidate<'_>>,
    smallest_probability: f64,
) -> Vec<Candidate<'_>> {
    let folds = fold_numbers(&candidates, smallest_probability);
    let mut lines: BTreeMap<u32, Vec<Candidate<'_>>> = BTreeMap::new();
    let mut all = Vec::with_capacity(candidates.len());
    for (candidate, fold) in candidates.into_iter().zip(folds) {
        match fold {
            Some(fold) => lines.entry(fold).or_default().push(candidate),
            None => all.push(candidate),
        }
    }
    all.extend(lines.into_values().filter_map(common_cause));
    all
}

/// For each candidate the number of the common cause it belongs to, if any.
fn fold_numbers(candidates: &[Candidate<'_>], smallest_probability: f64) -> Vec<Option<u32>> {
    let group = |candidate: &Candidate<'_>| {
        let verdict = candidate.verdict;
        let lone = verdict.exceeds_group || candidate.is_fact() || verdict.stream.is_empty();
        let likely = candidate.right >= smallest_probability;
        verdict.group.clone().filter(|_| likely && !lone)
    };
    let within_cause = |value: Expr| {
        value.over(["list", "stream", "group"].map(col)).expect("three keys, none empty")
    };
    let folded = df!(
        "row" => (0..candidates.len() as u32).collect::<Vec<_>>(),
        "list" => candidates.iter().map(|c| c.list.name()).collect::<Vec<_>>(),
        "stream" => candidates.iter().map(|c| c.verdict.stream.as_str()).collect::<Vec<_>>(),
        "group" => candidates.iter().map(group).collect::<Vec<_>>(),
    )
    .expect("columns of one length")
    .lazy()
    .filter(col("group").is_not_null())
    .with_columns([
        within_cause(col("row").count()).alias("members"),
        // The first row of a cause is its number: rows are in the order of the candidates.
        within_cause(col("row").min()).alias("cause"),
    ])
    .filter(col("members").gt_eq(lit(SMALLEST_GROUP)))
    .collect()
    .expect("the columns were made above");
    let u32s = |name: &str| -> Vec<u32> {
        let column = folded.column(name).expect("made above");
        column.u32().expect("made of row numbers").into_no_null_iter().collect()
    };
    let mut numbers = vec![None; candidates.len()];
    for (row, cause) in u32s("row").into_iter().zip(u32s("cause")) {
        numbers[row as usize] = Some(cause);
    }
    numbers
}

/// One line for the members of one cause: the strongest member's verdict stands for all, the
/// probability is the members' mean.
fn common_cause(mut members: Vec<Candidate<'_>>) -> Option<Candidate<'_>> {
    members.sort_by(|a, b| {
        b.probability.total_cmp(&a.probability).then_with(|| a.verdict.meter.cmp(&b.verdict.meter))
    });
    let mean =
        |of: fn(&Candidate<'_>) -> f64| members.iter().map(of).sum::<f64>() / members.len() as f64;
    let (probability, right) = (mean(|m| m.probability), mean(|m| m.right));
    let mut verdicts: Vec<_> = members.iter().map(|m| m.verdict).collect();
    verdicts.sort_by(|a, b| a.meter.cmp(&b.meter));
    let mut line = members.into_iter().next()?;
    line.probability = probability;
    line.right = right;
    line.members = verdicts;
    Some(line)
}
