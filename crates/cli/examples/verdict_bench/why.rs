//! What one verdict of a fleet rests on, beside the truth: where a fault was missed or made up.

use crate::fleets;
use metersift_faults::Fleet;
use metersift_model::{Day, Hypothesis};
use std::error::Error;
use std::path::Path;

/// Days at either end whose means are shown.
const END_DAYS: i32 = 45;

/// Prints truth, probabilities, evidence and what the daily table holds of the meter.
pub fn run(out: &Path, name: &str, meter: &str, as_of: &str) -> Result<(), Box<dyn Error>> {
    let as_of = Day::parse(as_of).ok_or("a date")?;
    let made = fleets::make(out, name, fleets::plan(name)?)?;
    let truth = made.fiction.truth();
    println!("{:#?}", truth.meters.get(meter).ok_or("no such meter")?);
    let fleet = Fleet::new(&made.daily, &made.records, &made.faults)?;
    let verdicts = fleet.judge(as_of);
    let verdict = verdicts.iter().find(|v| v.meter == meter).ok_or("no such meter")?;
    println!("{:?} {}: {}", verdict.state, verdict.mode.name(), verdict.reason);
    println!("fault score {:.2}, raw {:.2}", verdict.fault_score, verdict.raw_fault_score);
    for mode in Hypothesis::ALL {
        println!("  {:<12} {:.3}", mode.name(), verdict.probabilities[mode.index()]);
    }
    for e in &verdict.evidence {
        println!(
            "  {:<18} {:>9.4} +- {:<9.4} since {:?}, over runner-up {:.2}, over no change {:.2}",
            e.observable,
            e.change,
            e.se,
            e.since.map(|day| day.to_string()),
            e.over_runner_up,
            e.over_no_change
        );
        let tail = e.adjusted.len().saturating_sub(24);
        let values: Vec<String> =
            e.adjusted[tail..].iter().map(|(_, x)| format!("{x:.4}")).collect();
        println!("      {}", values.join(" "));
    }
    for spot in &verdict.blind_spots {
        println!("  blind {:<12} {:?} {}", spot.mode.name(), spot.smallest_visible, spot.unit);
    }
    daily(&made, meter, as_of)
}

fn daily(made: &fleets::Made, meter: &str, as_of: Day) -> Result<(), Box<dyn Error>> {
    let meters = made.daily.texts("meter").ok_or("no meters")?;
    let days = made.daily.days("day").ok_or("no days")?;
    println!("column: days with a value; mean of the first and last {END_DAYS} days");
    for column in metersift_faults::DAILY_COLUMNS {
        let Some(values) = made.daily.numbers(column) else { continue };
        let all: Vec<(i32, f64)> = (0..meters.len())
            .filter(|&row| meters[row].as_deref() == Some(meter) && values[row].is_finite())
            .filter_map(|row| days[row].filter(|day| *day < as_of).map(|day| (day.0, values[row])))
            .collect();
        let Some(&(first, _)) = all.first() else { continue };
        let mean = |keep: &dyn Fn(i32) -> bool| {
            let kept: Vec<f64> = all.iter().filter(|(d, _)| keep(*d)).map(|(_, x)| *x).collect();
            kept.iter().sum::<f64>() / kept.len() as f64
        };
        let early = mean(&|day| day < first + END_DAYS);
        let late = mean(&|day| day >= as_of.0 - END_DAYS);
        println!("  {column:<34} {:>4} {early:>12.5} {late:>12.5}", all.len());
    }
    let empty = Vec::new();
    for check in made.records.checks.get(meter).unwrap_or(&empty) {
        println!("  {check:?}");
    }
    let empty = Vec::new();
    for zero in made.records.zeros.get(meter).unwrap_or(&empty) {
        println!("  {zero:?}");
    }
    Ok(())
}
