//! Detection limits: the smallest fault that is seen with 80 % power at one new false entry per
//! 100 meter-months.
//!
//! Method: fleets in which every meter has one fault, grown in a straight line over 150 days to a
//!         size that is even in its logarithm; seen = fault score above the threshold on the last
//!         day; a logistic curve of seen against ln size, and its 80 % point. The interval
//!         (10..90 %) draws meters with replacement.

use crate::{fleets, threshold};
use metersift_faults::Fleet;
use metersift_model::Signal;
use metersift_sim::{Ladder, Plan, PlanVariation};
use metersift_stats::{CoefficientPrior, LogisticLine, logistic_line};
use std::collections::BTreeMap;
use std::error::Error;
use std::path::Path;

const METERS: usize = 200;
const DAYS: u32 = 456;
const GROWTH_DAYS: f64 = 150.0;
const SMALLEST_SHARE: f64 = 0.01;
const SEED: u64 = 301;
const POWER: f64 = 0.8;
const DRAWS: usize = 200;

/// Condition and how its site departs from the usual one.
fn conditions() -> Vec<(&'static str, u32, PlanVariation)> {
    let usual = PlanVariation {
        look_alike_factor: 0.0,
        ladder: Some(Ladder {
            onset_day: f64::from(DAYS) - GROWTH_DAYS,
            smallest_share: SMALLEST_SHARE,
        }),
        ..PlanVariation::default()
    };
    let short = Ladder { onset_day: 210.0 - GROWTH_DAYS, smallest_share: SMALLEST_SHARE };
    vec![
        ("usual", DAYS, usual.clone()),
        ("noise x2", DAYS, PlanVariation { noise_factor: 2.0, ..usual.clone() }),
        ("wander x2", DAYS, PlanVariation { wander_factor: 2.0, ..usual.clone() }),
        ("dead bands x3", DAYS, PlanVariation { dead_band_factor: 3.0, ..usual.clone() }),
        ("history 210 d", 210, PlanVariation { ladder: Some(short), ..usual.clone() }),
        ("half the signals", DAYS, PlanVariation { missing_share: 0.5, ..usual.clone() }),
        ("no drive gain", DAYS, PlanVariation { dropped: vec![Signal::DriveGain], ..usual }),
    ]
}

/// Makes the fleets in `out` and prints one line per condition and mode.
pub fn run(out: &Path) -> Result<(), Box<dyn Error>> {
    let text = std::fs::read_to_string(threshold::path())?;
    let table: toml::Table = text.parse()?;
    let score = table.get("score").and_then(toml::Value::as_float).ok_or("no `score`")?;
    println!("condition,mode,unit,meters,seen,smallest_80,low,high,named_rightly");
    for (name, days, variation) in conditions() {
        let plan = Plan { variation, ..Plan::larkmoor(METERS, days, SEED) };
        let folder = format!("ladder-{}", name.replace(' ', "_"));
        let made = fleets::make(out, &folder, plan)?;
        let fleet = Fleet::new(&made.daily, &made.records, &Default::default())?;
        let truth = made.fiction.truth();
        let mut by_mode: BTreeMap<(&str, String), Vec<Point>> = BTreeMap::new();
        for verdict in fleet.judge(made.plan.start.plus(days as i32)) {
            let Some(meter) = truth.meters.get(&verdict.meter) else { continue };
            let Some(mode) = meter.mode else { continue };
            let key = (mode.name(), meter.severity_unit.clone());
            by_mode.entry(key).or_default().push(Point {
                ln_size: meter.severity_final.abs().max(1e-4).ln(),
                seen: verdict.fault_score >= score,
                named: verdict.mode == mode,
            });
        }
        for ((mode, unit), points) in by_mode {
            println!("{}", line(name, mode, &unit, &points));
        }
    }
    Ok(())
}

#[derive(Clone, Copy)]
struct Point {
    ln_size: f64,
    seen: bool,
    named: bool,
}

fn line(name: &str, mode: &str, unit: &str, points: &[Point]) -> String {
    let seen = points.iter().filter(|p| p.seen).count();
    let named = points.iter().filter(|p| p.seen && p.named).count();
    let mut state = 88_172_645_463_325_252_u64;
    let mut drawn: Vec<f64> = (0..DRAWS)
        .map(|_| {
            let sample: Vec<Point> = points
                .iter()
                .map(|_| {
                    // xorshift64 (Marsaglia 2003), enough for a bootstrap.
                    state ^= state << 13;
                    state ^= state >> 7;
                    state ^= state << 17;
                    points[(state % points.len() as u64) as usize]
                })
                .collect();
            smallest(&sample)
        })
        .collect();
    drawn.sort_unstable_by(f64::total_cmp);
    format!(
        "{name},{mode},{unit},{},{seen},{:.3},{:.3},{:.3},{named}",
        points.len(),
        smallest(points),
        drawn[DRAWS / 10],
        drawn[DRAWS * 9 / 10]
    )
}

/// Size seen with 80 % power; infinite where even the largest sizes are not.
fn smallest(points: &[Point]) -> f64 {
    let most = points.iter().map(|p| p.ln_size).fold(f64::NEG_INFINITY, f64::max);
    let line = logistic(points);
    let at = ((POWER / (1.0 - POWER)).ln() - line.intercept) / line.slope;
    if line.slope > 0.0 && at <= most { at.exp() } else { f64::INFINITY }
}

/// Logistic regression of seen on ln size, a weak pull of both coefficients to zero (as one
/// observation at each end would) keeping separable points finite.
fn logistic(points: &[Point]) -> LogisticLine {
    const PULL: CoefficientPrior = CoefficientPrior { mean: 0.0, sd: 7.0 };
    let pairs: Vec<(f64, f64)> =
        points.iter().map(|point| (point.ln_size, f64::from(u8::from(point.seen)))).collect();
    logistic_line(&pairs, LogisticLine { intercept: 0.0, slope: 0.0 }, PULL, PULL)
}
