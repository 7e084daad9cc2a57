//! Known-fluid points: density of the drained and dry tube, and of a reference fluid in it.
//!
//! Why:    two points of known density part a changed stiffness from a deposit and from wall
//!         loss, which in product cannot be told apart.
//! In:     per-minute density and temperature, register's reference fluid.
//! Out:    `density_air_kg_m3` as read (dry air about 1.2), `density_reference_point_kg_m3` as
//!         read, `density_reference_residual_kg_m3` less what the fluid should be at the
//!         temperature it had then, which on a flush is not that of the product.
//! Method: 15 minutes in a row within 2 kg/m3. Drained: under 5 % of the usual density.
//!         Reference: within 5 % of the fluid's density, no gas. The day's value is the median
//!         over such stretches; stretches that differ from it by more than 2 kg/m3 are residues
//!         or mixtures and do not count.

use crate::cells::{CELL_US, CELLS, Cells, GAS, Minutes, WARM};
use crate::fluids::{self, STANDARD_PRESSURE_KPA};
use crate::row::{FeatureRow, WhyNull};
use crate::settings::Settings;
use crate::table::{Count, F, Group};

/// Minutes of a stable stretch.
const STRETCH_MIN: usize = 15;
/// Usual density, kg/m3, where neither the day nor the register tells one (judgement).
const USUAL_KG_M3: f64 = 1000.0;

/// Writes the known-fluid group. `level` is the day's flowing density.
pub(crate) fn write(
    (density, temperature, pressure): (&Minutes, &Minutes, &Minutes),
    reference_fluid: Option<&str>,
    level: Option<f64>,
    cells: &Cells,
    settings: &Settings,
    row: &mut FeatureRow,
) {
    if density.time_us[WARM..].iter().all(|&time| time == 0) {
        return row.why(Group::KnownFluid, WhyNull::NoSignal);
    }
    let stable = settings.known_fluid_stable_kg_m3;
    let usual = level.filter(|level| *level > 0.0).unwrap_or(USUAL_KG_M3);
    let drained = |cell: usize| {
        let read = density.mean[cell];
        (read.abs() < settings.drained_share * usual).then_some(read)
    };
    let air = points(density, stable, |cell| drained(cell).map(|read| (read, read)));
    let reference = |cell: usize| {
        let known = fluids::reference_density(
            reference_fluid?,
            temperature.mean[cell],
            Some(pressure.mean[cell]).filter(|p| p.is_finite()).unwrap_or(STANDARD_PRESSURE_KPA),
        )?;
        let off = density.mean[cell] - known;
        let fit = off.abs() <= settings.reference_share * known && !cells.has_any(cell, GAS);
        fit.then_some((density.mean[cell], off))
    };
    let reference = points(density, stable, reference);
    row.count(Count::Air, air.n);
    row.count(Count::Reference, reference.n);
    row.set(F::DensityAir, air.read);
    row.set(F::DensityReferencePoint, reference.read);
    row.set(F::DensityReferenceResidual, reference.off);
    if air.n == 0 && reference.n == 0 {
        row.why(Group::KnownFluid, WhyNull::FilterEmpty);
    }
}

/// Stable stretches that agree: medians of what was read and of the error, and their number.
struct Points {
    read: f64,
    off: f64,
    n: usize,
}

/// `value` gives reading and error of a minute that could belong to a stretch.
fn points(density: &Minutes, stable: f64, value: impl Fn(usize) -> Option<(f64, f64)>) -> Points {
    let mut found = Vec::new();
    let mut cell = WARM;
    while cell + STRETCH_MIN <= CELLS {
        match stretch(density, stable, cell, &value) {
            Ok(means) => {
                found.push(means);
                cell += STRETCH_MIN;
            }
            Err(blocked_at) => cell = blocked_at + 1,
        }
    }
    let median = |found: &[(f64, f64)], part: fn(&(f64, f64)) -> f64| {
        metersift_stats::median_in_place(&mut found.iter().map(part).collect::<Vec<_>>())
    };
    let middle = median(&found, |means| means.1);
    found.retain(|means| (means.1 - middle).abs() <= stable);
    let (read, off) = (median(&found, |means| means.0), median(&found, |means| means.1));
    Points { read, off, n: found.len() }
}

/// Means over a stretch, or the last minute that spoils it.
fn stretch(
    density: &Minutes,
    stable: f64,
    from: usize,
    value: &impl Fn(usize) -> Option<(f64, f64)>,
) -> Result<(f64, f64), usize> {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    let mut sum = (0.0, 0.0);
    // Backwards, so that one bad minute rules out every stretch that holds it.
    for cell in (from..from + STRETCH_MIN).rev() {
        low = low.min(density.low[cell]);
        high = high.max(density.high[cell]);
        let known = density.time_us[cell] >= CELL_US / 2;
        match value(cell) {
            Some((read, off)) if known && high - low <= stable => sum = (sum.0 + read, sum.1 + off),
            _ => return Err(cell),
        }
    }
    let n = STRETCH_MIN as f64;
    Ok((sum.0 / n, sum.1 / n))
}
