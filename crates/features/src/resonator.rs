//! Resonator line: squared period against indicated density.
//!
//! Why:    its intercept over its slope is the tubes' own mass per bore volume (r0), which is on
//!         no nameplate and sets how much stiffness moves density. The line holds whatever the
//!         tubes do, since both come from the frequency: it finds changed constants, never
//!         damage.
//! In:     tube frequency Hz, density kg/m3, temperature degC where kept.
//! Out:    slope and intercept of T-corrected 1/f^2, where density ranged by 5 % in the day;
//!         else the median point only.
//! Method: minute means in which both stand still within 1 %; least squares about the means.
//! Source: rho = A tau^2 - r0: Kratky, Leopold & Stabinger (1969), Z. angew. Phys. 27, 273.
//!         Correction 1 - a (T - 20): loss of Young's modulus, EN 10088-1.

use crate::cells::{CELLS, Cells, Minutes, STEADY_OWN, WARM};
use crate::density::enough;
use crate::row::{FeatureRow, WhyNull};
use crate::samples::{LINE, Samples};
use crate::settings::Settings;
use crate::table::{Count, F, Group};
use crate::weighted::{self, Held};

/// Range of density, as a share of its largest value, that carries a line.
const MIN_RANGE: f64 = 0.05;
/// Minutes that a line needs.
const MIN_MINUTES: usize = 10;
/// Largest range within a minute, as a share.
const STILL_SHARE: f64 = 0.01;
/// Temperature to which the period is corrected, degC.
const REFERENCE_DEGC: f64 = 20.0;

/// Writes the resonator group.
pub(crate) fn write(
    (frequency, temperature): (&Samples, &Samples),
    (density, minutes): (&Minutes, &mut Minutes),
    cells: &Cells,
    settings: &Settings,
    pairs: &mut Vec<Held>,
    row: &mut FeatureRow,
) {
    if frequency.is_empty() {
        return row.why(Group::Resonator, WhyNull::absent(frequency));
    }
    let period2 = |f: f64, warm: Option<f64>| {
        let warm = warm.map_or(0.0, |warm| warm - REFERENCE_DEGC);
        (1.0 - settings.modulus_per_k * warm) / (f * f)
    };
    let mut temperatures = temperature.cursor();
    let mut steady = cells.steady();
    let mut n = 0;
    pairs.clear();
    for i in 0..frequency.len() {
        let (t_us, f) = (frequency.t_us[i], frequency.v[i]);
        let time = steady.time(t_us, frequency.hold_us[i]);
        if time > 0 && f > 0.0 {
            pairs.push((period2(f, temperatures.value_at(t_us)), time));
            n += usize::from(frequency.flag[i] & LINE == 0);
        }
    }
    row.count(Count::Resonator, n);
    match enough(n, pairs, settings) {
        Ok(()) => row.set(F::ResonatorPeriod2, weighted::median(pairs).unwrap_or(f64::NAN)),
        Err(_) if cells.count(STEADY_OWN) == 0 => row.why(Group::Resonator, WhyNull::FilterEmpty),
        Err(why) => row.why(Group::Resonator, why),
    }
    // On most days density stands still, and no line can be drawn whatever the frequency did.
    let dense = (WARM..CELLS).filter(|&cell| still(density, cell));
    if !may_carry_line(dense.map(|cell| density.mean[cell])) {
        return;
    }
    minutes.fill(frequency);
    let mut temperatures = temperature.cursor();
    let points: Vec<(f64, f64)> = (WARM..CELLS)
        .filter(|&cell| still(density, cell) && still(minutes, cell))
        .map(|cell| {
            let warm = temperatures.value_at(cell as i64 * crate::cells::CELL_US);
            (density.mean[cell], period2(minutes.mean[cell], warm))
        })
        .collect();
    if let Some((slope, intercept)) = line(&points) {
        row.set(F::ResonatorSlope, slope);
        row.set(F::ResonatorIntercept, intercept);
    }
}

/// Comparisons with the NaN of an empty minute are false.
fn still(minutes: &Minutes, cell: usize) -> bool {
    let (low, high) = (minutes.low[cell], minutes.high[cell]);
    minutes.mean[cell] > 0.0 && high - low <= STILL_SHARE * high.abs()
}

/// Whether densities range so far that some of them may carry a line; a hair more than [`line`]
/// asks for, so that no rounding decides otherwise there.
fn may_carry_line(densities: impl Iterator<Item = f64>) -> bool {
    let (low, high) = densities.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), density| {
        (if density < low { density } else { low }, if density > high { density } else { high })
    });
    high - low >= 0.99 * MIN_RANGE * high
}

/// Slope and intercept of period squared on density, where its range carries a line.
fn line(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    let high = points.iter().map(|point| point.0).fold(f64::NEG_INFINITY, f64::max);
    let low = points.iter().map(|point| point.0).fold(f64::INFINITY, f64::min);
    if points.len() < MIN_MINUTES || high - low < MIN_RANGE * high {
        return None;
    }
    let n = points.len() as f64;
    let x = points.iter().map(|point| point.0).sum::<f64>() / n;
    let y = points.iter().map(|point| point.1).sum::<f64>() / n;
    let cross: f64 = points.iter().map(|point| (point.0 - x) * (point.1 - y)).sum();
    let square: f64 = points.iter().map(|point| (point.0 - x).powi(2)).sum();
    let slope = cross / square;
    Some((slope, y - slope * x))
}
