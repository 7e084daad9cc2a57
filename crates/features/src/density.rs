//! Density, temperature and pressure in steady time, and density against a known fluid.
//!
//! In:     density kg/m3, temperature degC, pressure kPa, the steady minutes.
//! Out:    medians weighted by held time; residual to the register's reference fluid.
//! Limits: the residual is taken at the day's medians: over a day of 10 K swing that costs
//!         0.02 kg/m3 in water. Residuals to peers are made later, from many meters.

use crate::cells::{Cells, STEADY_OWN};
use crate::fluids::{self, STANDARD_PRESSURE_KPA};
use crate::row::{FeatureRow, WhyNull};
use crate::samples::{LINE, Samples};
use crate::settings::Settings;
use crate::table::{Count, F, Group};
use crate::weighted::{self, Held};

/// Samples that a median needs.
pub(crate) const MEDIAN_MIN: usize = 10;

/// A signal's values in steady time: how many of them were stored, and whether they suffice.
pub(crate) fn gather_steady(
    samples: &Samples,
    cells: &Cells,
    settings: &Settings,
    pairs: &mut Vec<Held>,
) -> Result<usize, WhyNull> {
    if samples.is_empty() {
        return Err(WhyNull::absent(samples));
    }
    if cells.count(STEADY_OWN) == 0 {
        return Err(WhyNull::FilterEmpty);
    }
    let mut n = 0;
    let mut steady = cells.steady();
    pairs.clear();
    for i in 0..samples.len() {
        let time = steady.time(samples.t_us[i], samples.hold_us[i]);
        if time > 0 {
            pairs.push((samples.v[i], time));
            // Points on lines weigh by their time but are not counted: nobody measured them.
            n += usize::from(samples.flag[i] & LINE == 0);
        }
    }
    enough(n, pairs, settings).map(|()| n)
}

/// Whether values in steady time are enough for a median.
pub(crate) fn enough(n: usize, pairs: &[Held], settings: &Settings) -> Result<(), WhyNull> {
    let time: i64 = pairs.iter().map(|pair| pair.1).sum();
    if n < MEDIAN_MIN || (time as f64) < settings.steady_min * 60e6 {
        return Err(WhyNull::TooFew);
    }
    Ok(())
}

/// Median of a signal in steady time.
fn steady_median(
    samples: &Samples,
    cells: &Cells,
    settings: &Settings,
    pairs: &mut Vec<Held>,
) -> Option<f64> {
    gather_steady(samples, cells, settings, pairs).ok()?;
    weighted::median(pairs)
}

/// Writes the density group.
pub(crate) fn write(
    (density, temperature, pressure): (&Samples, &Samples, &Samples),
    reference_fluid: Option<&str>,
    cells: &Cells,
    settings: &Settings,
    pairs: &mut Vec<Held>,
    row: &mut FeatureRow,
) {
    let warm = steady_median(temperature, cells, settings, pairs);
    let pressed = steady_median(pressure, cells, settings, pairs);
    row.set(F::Temperature, warm.unwrap_or(f64::NAN));
    row.set(F::Pressure, pressed.unwrap_or(f64::NAN));
    let n = match gather_steady(density, cells, settings, pairs) {
        Ok(n) => n,
        Err(why) => return row.why(Group::Density, why),
    };
    row.count(Count::Density, n);
    let median = weighted::median(pairs).unwrap_or(f64::NAN);
    row.set(F::Density, median);
    let reference = reference_fluid.zip(warm).and_then(|(fluid, temperature)| {
        fluids::reference_density(fluid, temperature, pressed.unwrap_or(STANDARD_PRESSURE_KPA))
    });
    row.set(F::DensityResidual, reference.map_or(f64::NAN, |reference| median - reference));
}
