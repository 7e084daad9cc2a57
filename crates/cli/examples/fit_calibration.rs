//! Fits `crates/faults/src/calibration.toml` on the back-tests of tuning fleets.
//!
//! In:     `SEED=FOLDER` of fictional sites (`metersift demo --seed N --dir FOLDER`), seeds of the
//!         tuning list only.
//! Out:    the calibration file, on standard output; how well it does on each fleet when fitted on
//!         the others, on standard error.
//! Method: verdicts without calibration at every other Monday of the last eleven months; Platt's
//!         curve on the log odds of a fault; the power among the faults by maximum likelihood of
//!         the true mode over meter-nights at fault that the odds convict.
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a measurement is printed")]

use metersift_faults::{Calibration, Fleet, Line, Settings};
use metersift_model::verdict::JudgedState;
use metersift_model::{Day, Hypothesis};
use std::path::Path;

type Failure = Box<dyn std::error::Error>;

/// Seeds that tuning may look at.
const TUNING_SEEDS: [u64; 5] = [1, 2, 3, 4, 5];
/// Days between as-of dates, and how many.
const STEP_DAYS: i32 = 14;
const NIGHTS: i32 = 24;
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

fn main() -> Result<(), Failure> {
    let folders: Vec<String> = std::env::args().skip(1).collect();
    let mut nights = Vec::new();
    let mut seeds = Vec::new();
    for (site, folder) in folders.iter().enumerate() {
        let (seed, folder) = folder.split_once('=').ok_or("say SEED=FOLDER")?;
        let seed: u64 = seed.parse()?;
        if !TUNING_SEEDS.contains(&seed) {
            return Err(format!("{folder}: seed {seed} is not one to tune on").into());
        }
        seeds.push(seed);
        read_site(Path::new(folder), site, &mut nights)?;
    }
    for (site, seed) in seeds.iter().enumerate() {
        let (own, others): (Vec<&MeterNight>, Vec<&MeterNight>) =
            nights.iter().partition(|night| night.site == site);
        let Some(curve) = curve(&others) else { continue };
        let labels: Vec<bool> = own.iter().map(|night| night.fault).collect();
        let p: Vec<f64> =
            own.iter().map(|night| 1.0 / (1.0 + (-curve.at(night.raw)).exp())).collect();
        eprintln!(
            "seed {seed}: fitted on the others, calibration error {:.3}",
            Calibration::error(&p, &labels)
        );
    }
    seeds.sort_unstable();
    let all: Vec<&MeterNight> = nights.iter().collect();
    let curve = curve(&all).ok_or("no fault in these fleets")?;
    let at_fault = nights.iter().filter(|night| night.fault).count();
    println!(
        "# Made by `cargo run --release -p metersift-cli --example fit_calibration -- SEED=SITE ...`:"
    );
    println!("# Platt's curve on the log odds of a fault, and the power among the faults.");
    println!("# Tuning fleets only.");
    println!("among_faults_power = {:.2}", power(&all));
    println!("[origin]");
    println!("seeds = {seeds:?}");
    println!("date = \"{}\"", today());
    println!("program = \"metersift {}\"", env!("CARGO_PKG_VERSION"));
    println!("nights = {NIGHTS}");
    println!("meter_nights = {}", nights.len());
    println!("at_fault = {at_fault}");
    println!("[fault]");
    println!("intercept = {:.3}", curve.intercept);
    println!("slope = {:.3}", curve.slope);
    Ok(())
}

fn today() -> String {
    let seconds = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .map_or(0, |since| since.as_secs());
    Day((seconds / 86_400) as i32).to_string()
}

fn read_site(folder: &Path, site: usize, nights: &mut Vec<MeterNight>) -> Result<(), Failure> {
    let truth = metersift_sim::read_truth(folder)?;
    let store = metersift_store::Store::read(&folder.join("store"))?;
    let last = store.day_files().iter().map(|file| file.day()).max().ok_or("an empty store")?;
    let end = last.plus(1);
    let daily = store.read_daily(Day(i32::MIN), end)?;
    let zone = "Europe/London".to_string();
    let settings = metersift_import::RecordSettings { zone, ..Default::default() };
    let (records, _) = metersift_import::read_records(folder, &settings)?;
    let fleet = Fleet::new(&daily, &records, &Settings { calibrate: false, ..Default::default() })?;
    for back in (0..NIGHTS).rev() {
        let as_of = end.plus(-back * STEP_DAYS);
        for verdict in fleet.judge(as_of) {
            if verdict.state == JudgedState::NotJudged || !verdict.raw_fault_score.is_finite() {
                continue;
            }
            let known = truth.meters.get(&verdict.meter);
            let mode = known.filter(|k| k.faulty_on(as_of.plus(-1))).and_then(|k| k.mode);
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
