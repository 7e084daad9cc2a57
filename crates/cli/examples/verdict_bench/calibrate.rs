//! Fits `crates/faults/src/calibration.toml` on the tuning fleets: the line on the log odds of a
//! fault, and the power among the faults by maximum likelihood of the true mode over meter-nights
//! at fault that the odds convict. Verdicts are made without calibration on the dates of `score`.

use crate::fleets::{self, Made};
use crate::{score, seeds};
use metersift_faults::{Calibration, Fleet, Line, Settings};
use metersift_model::verdict::JudgedState;
use metersift_model::{Day, Hypothesis};
use std::path::Path;

type Failure = Box<dyn std::error::Error>;

/// Nights of less odds than this say nothing about which mode it is.
const CONVICTED: f64 = -2.0;

/// One meter-night.
struct MeterNight {
    site: usize,
    raw: f64,
    fault: bool,
    /// ln of the share of the true mode among the faults, and of all of them.
    among: Option<(usize, Vec<f64>)>,
}

/// Prints the calibration file; how well it does on each fleet when fitted on the others goes to
/// standard error, the meter-nights to `calibration_nights.csv` in `out`.
pub fn run(out: &Path) -> Result<(), Failure> {
    let seeds = seeds::read()?.tuning;
    let mut nights = Vec::new();
    for (site, seed) in seeds.iter().enumerate() {
        let name = format!("usual-{seed}");
        read_fleet(&fleets::make(out, &name, fleets::plan(&name)?)?, site, &mut nights)?;
    }
    let mut csv = String::from("seed,raw,fault\n");
    for night in &nights {
        csv.push_str(&format!("{},{},{}\n", seeds[night.site], night.raw, night.fault));
    }
    std::fs::write(out.join("calibration_nights.csv"), csv)?;
    let (mut held, mut held_labels) = (Vec::new(), Vec::new());
    for (site, seed) in seeds.iter().enumerate() {
        let (own, others): (Vec<&MeterNight>, Vec<&MeterNight>) =
            nights.iter().partition(|night| night.site == site);
        let Some(curve) = curve(&others) else { continue };
        let labels: Vec<bool> = own.iter().map(|night| night.fault).collect();
        let p: Vec<f64> = own.iter().map(|night| Calibration::stated(curve, night.raw)).collect();
        score::eprintln(&format!(
            "seed {seed}: fitted on the others, calibration error {:.3}",
            Calibration::error(&p, &labels)
        ));
        held.extend(p);
        held_labels.extend(labels);
    }
    let all: Vec<&MeterNight> = nights.iter().collect();
    let curve = curve(&all).ok_or("no fault in these fleets")?;
    let at_fault = nights.iter().filter(|night| night.fault).count();
    println!(
        "# Made by `cargo run --release -p metersift-cli --example verdict_bench -- calibrate OUT`:"
    );
    println!("# Platt's curve on the log odds of a fault, and the power among the faults.");
    println!("# Tuning fleets only.");
    println!("among_faults_power = {:.2}", power(&all));
    println!("[origin]");
    println!("seeds = {seeds:?}");
    println!("date = \"{}\"", today());
    println!("program = \"metersift {}\"", env!("CARGO_PKG_VERSION"));
    println!("nights = {}", score::dates()?.len());
    println!("meter_nights = {}", nights.len());
    println!("at_fault = {at_fault}");
    println!("[fault]");
    println!("intercept = {:.3}", curve.intercept);
    println!("slope = {:.3}", curve.slope);
    print_held(&held, &held_labels);
    Ok(())
}

/// How each fleet was judged by the others.
fn print_held(p: &[f64], labels: &[bool]) {
    let bins: Vec<_> =
        metersift_stats::reliability(p, labels, 10).into_iter().filter(|bin| bin.n > 0).collect();
    let base = labels.iter().filter(|fault| **fault).count() as f64 / labels.len() as f64;
    let stated: Vec<String> = bins.iter().map(|bin| format!("{:.3}", bin.stated)).collect();
    let n: Vec<usize> = bins.iter().map(|bin| bin.n).collect();
    let at_fault: Vec<f64> = bins.iter().map(|bin| (bin.seen * bin.n as f64).round()).collect();
    println!("[held]");
    println!("brier = {:.4}", metersift_stats::brier(p, labels));
    println!("base_rate_brier = {:.4}", base * (1.0 - base));
    println!("stated = [{}]", stated.join(", "));
    println!("meter_nights = {n:?}");
    println!("at_fault = {at_fault:.0?}");
}

fn today() -> String {
    let seconds = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .map_or(0, |since| since.as_secs());
    Day((seconds / 86_400) as i32).to_string()
}

fn read_fleet(made: &Made, site: usize, nights: &mut Vec<MeterNight>) -> Result<(), Failure> {
    let (dates, known) = (score::dates()?, score::known(made));
    let settings = Settings { calibrate: false, ..made.faults.clone() };
    let fleet = Fleet::new(&made.daily, &made.records, &settings)?;
    for as_of in dates {
        for verdict in fleet.judge(as_of) {
            if verdict.state == JudgedState::NotJudged || !verdict.raw_fault_score.is_finite() {
                continue;
            }
            let own = || known.iter().filter(|known| known.meter == verdict.meter);
            let mode = own().find(|known| known.faulty_before(as_of)).and_then(|known| known.mode);
            // Real gas of the stream is no fault of the meter and no quiet either.
            if mode.is_none() && own().any(|known| known.process_gas_before(as_of)) {
                continue;
            }
            let logs: Vec<f64> = Hypothesis::FAULTS
                .iter()
                .map(|mode| verdict.probabilities[mode.index()].ln())
                .collect();
            let place = Hypothesis::FAULTS.iter().position(|m| Some(*m) == mode);
            nights.push(MeterNight {
                site,
                raw: verdict.raw_fault_score,
                fault: mode.is_some(),
                among: place.filter(|_| verdict.raw_fault_score > CONVICTED).map(|p| (p, logs)),
            });
        }
    }
    Ok(())
}

fn curve(nights: &[&MeterNight]) -> Option<Line> {
    let scores: Vec<f64> = nights.iter().map(|night| night.raw).collect();
    let labels: Vec<bool> = nights.iter().map(|night| night.fault).collect();
    Calibration::fit(&scores, &labels)
}

/// Power on the weights among the faults under which the true modes are likeliest.
fn power(nights: &[&MeterNight]) -> f64 {
    let loss = |power: f64| -> f64 {
        let one = |night: &&MeterNight| {
            let Some((place, logs)) = &night.among else { return 0.0 };
            let powered: Vec<f64> = logs.iter().map(|x| power * x.max(-700.0)).collect();
            // A mode that has no chance at all must not decide alone.
            let sum: f64 = powered.iter().map(|x| (x - powered[*place]).exp()).sum();
            sum.ln().min(10.0)
        };
        nights.iter().map(one).sum()
    };
    let grid = (5..=40).map(|i| 0.05 * f64::from(i));
    grid.fold(1.0, |best, next| if loss(next) < loss(best) { next } else { best })
}
