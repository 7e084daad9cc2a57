//! Drive gain and pick-offs: how hard the tubes must be driven, whatever their amplitude.
//!
//! Why:    at resonance the drive force is damping x angular frequency x amplitude, so
//!         D = ln(drive gain) - ln(mean pick-off) follows the logarithm of the damping on both
//!         sides of saturation; without pick-offs ln(drive gain) does so below saturation only.
//! In:     drive gain %, pick-offs mV, the steady and the flowing minutes.
//! Out:    20 % quantile (least touched by gas), median and spread of D; medians and ratio of
//!         the pick-offs; saturated share of flowing time.
//! Source: power and amplitude of a driven oscillator, any vibration textbook.

use crate::cells::{Cells, STEADY_OWN};
use crate::density::{MEDIAN_MIN, enough, gather_steady};
use crate::row::{FeatureRow, WhyNull};
use crate::samples::{LINE, Samples};
use crate::settings::Settings;
use crate::table::{Count, F, Group};
use crate::weighted::{self, Held};

/// Samples that a 20 % quantile needs: 10 / 0.2.
const LOW_MIN: usize = 50;
/// Flowing time below which no saturated share is given.
const SATURATED_MIN_US: i64 = 600_000_000;

/// Writes the drive group.
pub(crate) fn write(
    drive: &Samples,
    (inlet, outlet): (&Samples, &Samples),
    cells: &Cells,
    settings: &Settings,
    pairs: &mut Vec<Held>,
    row: &mut FeatureRow,
) {
    if drive.is_empty() {
        return row.why(Group::Drive, WhyNull::absent(drive));
    }
    row.set(F::DriveSaturated, saturated_share(drive, cells, settings));
    if gather_steady(drive, cells, settings, pairs).is_ok() {
        row.set(F::DriveGainMedian, weighted::median(pairs).unwrap_or(f64::NAN));
    }
    let with_pickoffs = !inlet.is_empty() || !outlet.is_empty();
    let n = gather_log_drive(drive, (inlet, outlet), cells, pairs);
    row.count(Count::Drive, n);
    if cells.count(STEADY_OWN) == 0 {
        return row.why(Group::Drive, WhyNull::FilterEmpty);
    }
    if let Err(why) = enough(n, pairs, settings) {
        return row.why(Group::Drive, why);
    }
    row.set(F::DrivePickoffUsed, f64::from(u8::from(with_pickoffs)));
    if n >= LOW_MIN {
        row.set(F::DriveLogLow, weighted::quantile(pairs, 0.2).unwrap_or(f64::NAN));
    }
    if let Some((median, spread)) = weighted::median_and_spread(pairs) {
        row.set(F::DriveLogMedian, median);
        row.set(F::DriveLogSpread, spread);
    }
}

fn saturated_share(drive: &Samples, cells: &Cells, settings: &Settings) -> f64 {
    let (mut saturated, mut all) = (0, 0);
    let mut flowing = cells.flowing();
    for i in 0..drive.len() {
        let time = flowing.time(drive.t_us[i], drive.hold_us[i]);
        all += time;
        saturated += if drive.v[i] >= settings.drive_ceiling_pct { time } else { 0 };
    }
    if all < SATURATED_MIN_US { f64::NAN } else { saturated as f64 / all as f64 }
}

/// D of every drive sample in steady time at which the pick-offs, if kept, are known.
fn gather_log_drive(
    drive: &Samples,
    (inlet, outlet): (&Samples, &Samples),
    cells: &Cells,
    pairs: &mut Vec<Held>,
) -> usize {
    let (mut inlets, mut outlets) = (inlet.cursor(), outlet.cursor());
    let mut n = 0;
    let mut steady = cells.steady();
    pairs.clear();
    for i in 0..drive.len() {
        let (t_us, gain) = (drive.t_us[i], drive.v[i]);
        let time = steady.time(t_us, drive.hold_us[i]);
        if time == 0 || gain <= 0.0 {
            continue;
        }
        let amplitude = match (inlet.is_empty(), outlet.is_empty()) {
            (true, true) => Some(1.0),
            (false, true) => inlets.value_at(t_us),
            (true, false) => outlets.value_at(t_us),
            (false, false) => {
                inlets.value_at(t_us).zip(outlets.value_at(t_us)).map(|(a, b)| f64::midpoint(a, b))
            }
        };
        if let Some(amplitude) = amplitude.filter(|amplitude| *amplitude > 0.0) {
            pairs.push(((gain / amplitude).ln(), time));
            n += usize::from(drive.flag[i] & LINE == 0);
        }
    }
    n
}

/// Writes the pick-off group.
pub(crate) fn write_pickoffs(
    (inlet, outlet): (&Samples, &Samples),
    cells: &Cells,
    settings: &Settings,
    pairs: &mut Vec<Held>,
    row: &mut FeatureRow,
) {
    for (samples, feature) in [(inlet, F::PickoffInlet), (outlet, F::PickoffOutlet)] {
        match gather_steady(samples, cells, settings, pairs) {
            Ok(n) => {
                row.count(Count::Pickoff, n);
                row.set(feature, weighted::median(pairs).unwrap_or(f64::NAN));
            }
            Err(why) => row.why(Group::Pickoff, why),
        }
    }
    if inlet.is_empty() || outlet.is_empty() {
        return;
    }
    let mut outlets = outlet.cursor();
    let mut steady = cells.steady();
    let mut n = 0;
    pairs.clear();
    for i in 0..inlet.len() {
        let time = steady.time(inlet.t_us[i], inlet.hold_us[i]);
        if time == 0 {
            continue;
        }
        let other = outlets.value_at(inlet.t_us[i]);
        if let Some(other) = other.filter(|other| *other > 0.0 && inlet.v[i] > 0.0) {
            pairs.push(((inlet.v[i] / other).ln(), time));
            n += usize::from(inlet.flag[i] & LINE == 0);
        }
    }
    row.count(Count::Pickoff, n);
    if n >= MEDIAN_MIN
        && enough(n, pairs, settings).is_ok()
        && let Some((median, spread)) = weighted::median_and_spread(pairs)
    {
        row.set(F::PickoffLogRatio, median);
        row.set(F::PickoffLogRatioSpread, spread);
    }
}
