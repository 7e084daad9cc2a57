//! What a site may change about the making of features. Every default says where it comes from.

use crate::input::FeaturesError;
use serde::{Deserialize, Serialize};

/// Settings of the feature room; every key may be left out of the site file.
///
/// Defaults are judgement unless a line says otherwise; a back-test on the site's own findings
/// is what would settle them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Settings {
    /// Longest time, s, for which a stored value stands when no newer one came.
    pub max_hold_s: f64,
    /// Drive gain, %, at and above which the drive counts as saturated.
    pub drive_ceiling_pct: f64,
    /// Flow over this share of the largest flow counts as flowing.
    pub flowing_share: f64,
    /// ... and over this many zero stabilities.
    pub flowing_zero_stabilities: f64,
    /// Flow under this share of the largest flow counts as shut in.
    pub shut_in_share: f64,
    /// Minutes of flow before, and without a stop after, that steady time needs.
    pub settle_min: f64,
    /// Steady flow stays within this share of its 15-minute median.
    pub steady_band_share: f64,
    /// Held minutes that a value made in steady time needs.
    pub steady_min: f64,
    /// A sample is gassy when density is this share under the day's level ...
    pub gas_density_share: f64,
    /// ... and this many noises, or when a density step exceeds this many noises.
    pub gas_noise_factor: f64,
    /// Density steps under this share of the level are never taken for gas.
    pub gas_step_share: f64,
    /// Density alone shows gas only where it also scatters by this share of the level, in
    /// windows of `burst_window_s`.
    pub gas_burst_share: f64,
    /// Density this share under the reference fluid, while it scatters, is gas at once. A rigid
    /// deposit of 1 % in stiffness lowers density by 3 %, so it must not be less.
    pub gas_reference_share: f64,
    /// Drive gain of gas: over this factor times the day's 20 % quantile ...
    pub gas_drive_factor: f64,
    /// ... and over it by this many points.
    pub gas_drive_points_pct: f64,
    /// Gas that begins within so many minutes of a start, and lasts less, is start-up gas.
    pub startup_min: f64,
    /// Length, s, of the windows in which bursts of density noise are measured.
    pub burst_window_s: f64,
    /// Updates that such a window needs; it grows until it has them.
    pub burst_min_updates: usize,
    /// Minutes of shut-in before a zero may be read.
    pub shut_in_min: f64,
    /// Minutes dropped at the beginning of a shut-in.
    pub shut_in_drop_min: f64,
    /// Spread of flow, in zero stabilities, under which a shut-in is quiet.
    pub quiet_zero_stabilities: f64,
    /// Temperature drift, K/min, under which a shut-in is quiet.
    pub quiet_k_per_min: f64,
    /// A shut-in meter is full while density is within this share of its last flowing median.
    pub full_share: f64,
    /// Thermal expansion of the contents, 1/K, for that comparison (water at 45 degC about 4e-4,
    /// light oils about 8e-4; from memory).
    pub expansion_per_k: f64,
    /// Loss of tube stiffness with temperature, 1/K (austenitic steel, EN 10088-1: 3.7e-4 to
    /// 3.9e-4 as a secant from 20 degC).
    pub modulus_per_k: f64,
    /// Density within this many kg/m3 for 15 minutes is a stable known-fluid point.
    pub known_fluid_stable_kg_m3: f64,
    /// Drained: density under this share of the usual one.
    pub drained_share: f64,
    /// A reference point lies within this share of the reference fluid's density (a deposit of
    /// 3 % of the bore moves it by 3 %).
    pub reference_share: f64,
}

impl Default for Settings {
    fn default() -> Settings {
        Settings {
            max_hold_s: 3600.0,
            drive_ceiling_pct: 95.0,
            flowing_share: 0.03,
            flowing_zero_stabilities: 10.0,
            shut_in_share: 0.01,
            settle_min: 15.0,
            steady_band_share: 0.10,
            steady_min: 30.0,
            gas_density_share: 0.01,
            gas_noise_factor: 8.0,
            gas_step_share: 0.002,
            gas_burst_share: 3e-4,
            gas_reference_share: 0.03,
            gas_drive_factor: 2.0,
            gas_drive_points_pct: 5.0,
            startup_min: 30.0,
            burst_window_s: 300.0,
            burst_min_updates: 20,
            shut_in_min: 45.0,
            shut_in_drop_min: 30.0,
            quiet_zero_stabilities: 3.0,
            quiet_k_per_min: 0.2,
            full_share: 0.01,
            expansion_per_k: 5e-4,
            modulus_per_k: 3.8e-4,
            known_fluid_stable_kg_m3: 2.0,
            drained_share: 0.05,
            reference_share: 0.05,
        }
    }
}

impl Settings {
    /// Refuses numbers that no meter-day can be judged with.
    ///
    /// # Errors
    /// [`FeaturesError::Setting`] names the first setting out of its span.
    pub fn check(&self) -> Result<(), FeaturesError> {
        let spans = [
            ("max_hold_s", self.max_hold_s, 1.0, 86_400.0),
            ("drive_ceiling_pct", self.drive_ceiling_pct, 1.0, 1000.0),
            ("flowing_share", self.flowing_share, 0.0, 1.0),
            ("flowing_zero_stabilities", self.flowing_zero_stabilities, 0.0, 1e6),
            ("shut_in_share", self.shut_in_share, 0.0, 1.0),
            ("settle_min", self.settle_min, 0.0, 720.0),
            ("steady_band_share", self.steady_band_share, 0.0, 10.0),
            ("steady_min", self.steady_min, 0.0, 1440.0),
            ("gas_density_share", self.gas_density_share, 0.0, 1.0),
            ("gas_noise_factor", self.gas_noise_factor, 0.0, 1e6),
            ("gas_step_share", self.gas_step_share, 0.0, 1.0),
            ("gas_burst_share", self.gas_burst_share, 0.0, 1.0),
            ("gas_reference_share", self.gas_reference_share, 0.0, 1.0),
            ("gas_drive_factor", self.gas_drive_factor, 1.0, 1e6),
            ("gas_drive_points_pct", self.gas_drive_points_pct, 0.0, 1000.0),
            ("startup_min", self.startup_min, 0.0, 1440.0),
            ("burst_window_s", self.burst_window_s, 1.0, 86_400.0),
            ("burst_min_updates", self.burst_min_updates as f64, 3.0, 1e6),
            ("shut_in_min", self.shut_in_min, 0.0, 1440.0),
            ("shut_in_drop_min", self.shut_in_drop_min, 0.0, 1440.0),
            ("quiet_zero_stabilities", self.quiet_zero_stabilities, 0.0, 1e6),
            ("quiet_k_per_min", self.quiet_k_per_min, 0.0, 1e6),
            ("full_share", self.full_share, 0.0, 1.0),
            ("expansion_per_k", self.expansion_per_k, 0.0, 0.1),
            ("modulus_per_k", self.modulus_per_k, 0.0, 0.1),
            ("known_fluid_stable_kg_m3", self.known_fluid_stable_kg_m3, 0.0, 1e4),
            ("drained_share", self.drained_share, 0.0, 1.0),
            ("reference_share", self.reference_share, 0.0, 1.0),
        ];
        // A NaN lies in no span, so it is refused as well.
        match spans.into_iter().find(|&(_, value, low, high)| !(low..=high).contains(&value)) {
            Some((name, value, low, high)) => {
                Err(FeaturesError::Setting { name, value, low, high })
            }
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_defaults_pass_and_a_nan_does_not() {
        assert_eq!(Settings::default().check(), Ok(()));
        let broken = Settings { max_hold_s: f64::NAN, ..Settings::default() };
        assert!(matches!(broken.check(), Err(FeaturesError::Setting { name: "max_hold_s", .. })));
    }

    #[test]
    fn a_site_may_set_one_key_and_must_not_misspell_it() {
        let one: Settings = toml::from_str("drive_ceiling_pct = 90.0").expect("one key");
        assert_eq!(one, Settings { drive_ceiling_pct: 90.0, ..Settings::default() });
        assert!(toml::from_str::<Settings>("drive_cieling_pct = 90.0").is_err());
    }
}
