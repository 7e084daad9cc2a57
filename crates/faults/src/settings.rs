//! What a site may set, and the priors that come with the program.
//!
//! Why:    hazards, widths and limits are judgement: they stand in one data file with their
//!         reasons, not in code.
//! In:     `priors.toml` (in the binary) and the `[faults]` table of the site file.
//! Out:    [`Settings`], [`Priors`].

use crate::FaultsError;
use crate::observable::{N_OBSERVABLES, Observable};
use metersift_model::Hypothesis;
use metersift_model::records::Meter;
use serde::Deserialize;
use std::collections::BTreeMap;

/// The priors that come with the program.
const BUILT_IN_PRIORS: &str = include_str!("priors.toml");

/// Site settings of the verdict.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Settings {
    /// Days of a block; longer where the history has more than `max_blocks`.
    pub block_days: u32,
    /// Most blocks of a segment.
    pub max_blocks: u32,
    /// Fewest blocks of signals that a verdict needs without a check or a zero.
    pub min_blocks: u32,
    /// A history shorter than this is `young`.
    pub young_days: u32,
    /// Days with steady data that *quiet* needs ...
    pub quiet_days: u32,
    /// ... among this many last days.
    pub quiet_window_days: u32,
    /// Onsets tried per shape.
    pub onsets: u32,
    /// Draws per hypothesis.
    pub draws: u32,
    /// Draws per hypothesis where a meter looks at fault: several sharp observables at once
    /// leave only a handful of the few.
    pub fine_draws: u32,
    /// Seed of the draws.
    pub seed: u64,
    /// Times to limits are told up to here.
    pub horizon_days: u32,
    /// Days without any reading after which a meter counts as silent.
    pub no_data_days: u32,
    /// Probability of a fault at which blind spots are reckoned: that at which a list is entered.
    pub list_probability: f64,
    /// Whether probabilities are calibrated; false only to fit a calibration.
    pub calibrate: bool,
    /// Limits.
    pub limits: Limits,
    /// Factors on hazards, by service, then by mode name.
    pub susceptibility: BTreeMap<String, BTreeMap<String, f64>>,
    /// The fault mode that an alert speaks of, by code of the site's alert log. Alerts without one
    /// speak of any fault where their category is M, of none else.
    pub alert_modes: BTreeMap<String, String>,
    /// Parts left out, for comparisons.
    pub without: Vec<Part>,
    /// A whole priors file in place of the built-in one.
    pub priors: Option<Priors>,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            block_days: 5,
            max_blocks: 160,
            min_blocks: 8,
            young_days: 90,
            quiet_days: 30,
            quiet_window_days: 60,
            onsets: 24,
            draws: 1024,
            fine_draws: 8192,
            seed: 1,
            horizon_days: 365,
            no_data_days: 3,
            list_probability: 0.5,
            calibrate: true,
            limits: Limits::default(),
            susceptibility: BTreeMap::new(),
            alert_modes: BTreeMap::new(),
            without: Vec::new(),
            priors: None,
        }
    }
}

/// A part of the verdict that can be left out, to see what it is worth.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Part {
    /// Partner meters in series.
    Partner,
    /// Drained-and-dry and reference-fluid points.
    KnownFluid,
    /// r0 from tube frequency.
    FittedR0,
    /// Product grades by a mixture.
    Grades,
    /// Peers on the stream.
    Peers,
    /// The burst measure of density.
    Burst,
    /// Spreads of D and pick-off ratio within a day.
    Spread,
    /// Peers' gas as a covariate of gas and bursts.
    PeerGas,
    /// The median of D where days are too short for its low quantile.
    DriveMedian,
    /// Shapes beside the noise models when the fleet's wander is learned.
    ShapesInPrior,
    /// Pressure as a covariate.
    Pressure,
    /// The meter's own alerts.
    Alerts,
    /// How much of the stated scatter of checks, zeros and known fluids is true, from the fleet.
    StatedShares,
}

impl Part {
    /// All, in order.
    pub const ALL: [Part; 13] = [
        Part::Partner,
        Part::KnownFluid,
        Part::FittedR0,
        Part::Grades,
        Part::Peers,
        Part::Burst,
        Part::Spread,
        Part::PeerGas,
        Part::DriveMedian,
        Part::ShapesInPrior,
        Part::Pressure,
        Part::Alerts,
        Part::StatedShares,
    ];
}

/// What the site can bear.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Limits {
    /// Flow error, %, by service; the register's own figure comes first.
    pub tolerable_flow_error_pct: BTreeMap<String, f64>,
    /// Default: this many times the base accuracy. At 5 the fault makes 98 % of the meter's
    /// root-sum-square error (arithmetic); the multiple itself is judgement.
    pub base_accuracy_multiple: f64,
    /// The same for custody meters (95 %).
    pub custody_multiple: f64,
    /// Drive gain at which the drive counts as saturated, %. Not read from the site file: whoever
    /// judges takes it from the settings of the features, so that it is set once.
    #[serde(skip)]
    pub drive_ceiling_pct: f64,
    /// Share of flowing time with a saturated drive that is a fact of its own.
    pub drive_saturated_share: f64,
    /// Share of flowing time with gas that the service can bear.
    pub gas_share: f64,
}

impl Default for Limits {
    fn default() -> Self {
        Limits {
            tolerable_flow_error_pct: BTreeMap::new(),
            base_accuracy_multiple: 5.0,
            custody_multiple: 3.0,
            drive_ceiling_pct: 95.0,
            drive_saturated_share: 0.05,
            gas_share: 0.10,
        }
    }
}

impl Limits {
    /// Flow error that a meter's service can bear, %: the register, else the site's figure for
    /// the service, else a multiple of base accuracy.
    pub fn tolerable_pct(&self, meter: &Meter) -> f64 {
        let multiple =
            if meter.custody { self.custody_multiple } else { self.base_accuracy_multiple };
        meter
            .tolerable_flow_error_pct
            .or_else(|| self.tolerable_flow_error_pct.get(&meter.service).copied())
            .filter(|limit| limit.is_finite() && *limit > 0.0)
            .unwrap_or(multiple * meter.base_accuracy_pct.max(0.01))
    }
}

impl Limits {
    /// Where the tolerable flow error of a meter comes from.
    pub fn tolerable_reason(&self, meter: &Meter) -> String {
        let pct = self.tolerable_pct(meter);
        let usable = |limit: &f64| limit.is_finite() && *limit > 0.0;
        if meter.tolerable_flow_error_pct.filter(usable).is_some() {
            return format!("{pct:.2} % tolerable flow error by the register");
        }
        if self.tolerable_flow_error_pct.get(&meter.service).filter(|x| usable(x)).is_some() {
            return format!("{pct:.2} % tolerable flow error of the service `{}`", meter.service);
        }
        // Root sum of squares: the fault makes this share of the error that is seen.
        let (times, share) = match meter.custody {
            true => (self.custody_multiple, "custody"),
            false => (self.base_accuracy_multiple, "default"),
        };
        let of_error = 100.0 * times / times.hypot(1.0);
        format!(
            "{pct:.2} % = {times:.0} x base accuracy ({share}; the fault then makes {of_error:.0} % of the meter's error)"
        )
    }
}

impl Settings {
    /// The priors in force: the site's, else the built-in ones.
    ///
    /// # Errors
    /// When a table of priors is incomplete or holds a number that cannot be one.
    pub fn priors(&self) -> Result<Priors, FaultsError> {
        let priors = match &self.priors {
            Some(priors) => priors.clone(),
            None => toml::from_str(BUILT_IN_PRIORS)
                .map_err(|error| FaultsError::Priors { what: error.to_string() })?,
        };
        priors.check()?;
        Ok(priors)
    }

    /// Checks the figures that a site can set.
    ///
    /// # Errors
    /// Names the first setting that cannot work, with its value.
    pub fn check(&self) -> Result<(), FaultsError> {
        let positive: [(&'static str, f64); 10] = [
            ("block_days", self.block_days.into()),
            ("max_blocks", self.max_blocks.into()),
            ("min_blocks", self.min_blocks.into()),
            ("onsets", self.onsets.into()),
            ("draws", self.draws.into()),
            ("horizon_days", self.horizon_days.into()),
            ("limits.base_accuracy_multiple", self.limits.base_accuracy_multiple),
            ("limits.custody_multiple", self.limits.custody_multiple),
            ("limits.gas_share", self.limits.gas_share),
            ("limits.drive_ceiling_pct", self.limits.drive_ceiling_pct),
        ];
        for (name, value) in positive {
            if !(value > 0.0 && value.is_finite()) {
                return Err(FaultsError::Setting { name: name.into(), value });
            }
        }
        if !(self.list_probability > 0.0 && self.list_probability < 1.0) {
            let value = self.list_probability;
            return Err(FaultsError::Setting { name: "list_probability".into(), value });
        }
        for (code, mode) in &self.alert_modes {
            let fault = Hypothesis::parse(mode).filter(|mode| Hypothesis::FAULTS.contains(mode));
            if fault.is_none() {
                return Err(FaultsError::UnknownMode {
                    name: format!("alert_modes.{code} = {mode}"),
                });
            }
        }
        for (service, factors) in &self.susceptibility {
            for (mode, &value) in factors {
                let name = format!("susceptibility.{service}.{mode}");
                if Hypothesis::parse(mode).is_none() {
                    return Err(FaultsError::UnknownMode { name });
                }
                if !(value >= 0.0 && value.is_finite()) {
                    return Err(FaultsError::Setting { name, value });
                }
            }
        }
        Ok(())
    }

    /// Whether a part is in use.
    pub fn uses(&self, part: Part) -> bool {
        !self.without.contains(&part)
    }

    /// Factor of a service on the hazard of a mode.
    pub fn susceptibility(&self, service: &str, mode: Hypothesis) -> f64 {
        self.susceptibility
            .get(service)
            .and_then(|modes| modes.get(mode.name()))
            .copied()
            .unwrap_or(1.0)
    }
}

/// Two ends of a range.
pub type Range = [f64; 2];

/// All priors.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "the data file says what each number is")]
pub struct Priors {
    pub hazard_per_year: BTreeMap<String, f64>,
    pub shapes: BTreeMap<String, ShapeShares>,
    pub tube: TubePrior,
    pub coating: CoatingPrior,
    pub erosion: ErosionPrior,
    pub two_phase: TwoPhasePrior,
    pub zero_drift: ZeroDriftPrior,
    pub electrical: ElectricalPrior,
    pub damage: DamagePrior,
    pub process: ProcessPrior,
    pub data: DataPrior,
    pub unknown: UnknownPrior,
    pub alerts: AlertPrior,
    pub noise: NoisePrior,
    pub observables: BTreeMap<String, ObservablePrior>,
}

/// Shares of the shapes in time.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "the data file says what each number is")]
pub struct ShapeShares {
    pub ramp: f64,
    pub step: f64,
    pub saw: f64,
    pub old: f64,
}

macro_rules! prior {
    ($(#[$doc:meta])* $name:ident { $($field:ident : $kind:ty),* $(,)? }) => {
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq, Deserialize)]
        #[serde(deny_unknown_fields)]
        #[allow(missing_docs, reason = "the data file says what each number is")]
        pub struct $name { $(pub $field: $kind),* }
    };
}

prior! {
    /// Constants of the tube.
    TubePrior {
        r0_median_kg_m3: f64, r0_log_sd: f64, wall_to_bore: Range, wall_modulus_gpa: f64,
        reference_fluid_kg_m3: f64,
    }
}
prior! {
    /// Amplitudes of a deposit.
    CoatingPrior {
        bore_share_range: Range, lighter_or_equal_share: f64, heavy_kg_m3: Range,
        near_kg_m3: Range, position_log_sd: f64, modulus_gpa_range: Range,
        damping_per_share_range: Range, zero_share: f64, zero_stabilities_per_share: f64,
        side_sd: f64, side_limit: f64, ratio_per_share: f64,
    }
}
prior! {
    /// Amplitudes of lost wall.
    ErosionPrior {
        wall_share_range: Range, even_share: f64, even_density_pct_per_pct: Range,
        even_side_share: f64, local_stiffness_factor: Range, local_density_kg_m3_per_pct: Range,
        local_flow_per_kappa: Range, drive_log: Range, ratio_per_pct: f64, side_sd: f64,
        side_limit: f64,
    }
}
prior! {
    /// Amplitudes of gas in the liquid.
    TwoPhasePrior {
        gas_share_range: Range, sustained_share: f64, alpha_range: Range, damping_per_alpha_range: Range,
        damping_per_share: Range, density_factor: Range, burst_factor_per_share_range: Range,
        noise_power: Range, spread_factor_per_share_range: Range, unseen_share: f64, unseen_factor_range: Range,
        aborted_per_share: Range,
    }
}
prior! {
    /// Amplitudes of a moved zero.
    ZeroDriftPrior { stabilities_range: Range }
}
prior! {
    /// Amplitudes of coil, pick-off and cable faults.
    ElectricalPrior {
        pickoff_share: f64, pickoff_loss_range: Range, drive_rise_range: Range, noise_log: Range,
        pickoff_zero_share: f64, pickoff_zero_sd: f64, flicker_share: f64,
        flicker_rise_range: Range, steady_rise_range: Range,
    }
}
prior! {
    /// Amplitudes of damage.
    DamagePrior {
        stiffness_range: Range, down_share: f64, even_share: f64, density_kg_m3_per_pct: Range, ratio_sd: f64,
        zero_sd: f64, drive_share: f64, drive_rise_range: Range, local_flow_per_kappa: Range,
        side_sd: f64, side_limit: f64,
    }
}
prior! {
    /// Amplitudes of a change of the fluid.
    ProcessPrior {
        viscosity_log_sd: f64, fluid_damping_share: Range, density_relative_sd: f64,
        noise_log_sd: f64, burst_log_sd: f64, with_peers: f64,
    }
}
prior! {
    /// Amplitudes of a change of the recording.
    DataPrior { noise_log_range: Range, density_share: f64, density_sd_kg_m3: f64, spread_log_sd: f64 }
}
prior! {
    /// Amplitudes of a change that no other explanation fits.
    UnknownPrior { none_share: f64, floors_range: Range }
}
prior! {
    /// What meters notice of themselves.
    AlertPrior { days_between: f64, cap_nats: f64, noticed: BTreeMap<String, f64> }
}

impl AlertPrior {
    /// Share of meters under an explanation that would say so.
    pub fn noticed_by(&self, mode: Hypothesis) -> f64 {
        self.noticed.get(mode.name()).copied().unwrap_or(0.0)
    }
}

prior! {
    /// Noise models of block values.
    NoisePrior {
        variance_ratios: Vec<f64>, time_constants_days: Vec<f64>, walk_days: f64,
        stated_shares: Vec<f64>,
        pseudo_meters: f64, clip: f64, peer_unlikeness: f64, scatter_weight: f64, shape_slack: f64,
    }
}

/// Widths of one observable.
#[derive(Clone, Copy, Debug, Default, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
#[allow(missing_docs, reason = "the data file says what each number is")]
pub struct ObservablePrior {
    pub floor: f64,
    pub floor_relative: f64,
    pub level_sd: f64,
    pub scatter: f64,
    pub wander: f64,
    pub temperature_sd: f64,
    pub log_flow_sd: f64,
    pub pressure_sd: f64,
    pub grade_sd: f64,
    pub season_sd: f64,
    pub stray_share: f64,
    pub stray_range: Range,
    pub stray_up_only: bool,
}

impl Priors {
    /// Hazard of a mode per meter-year.
    pub fn hazard(&self, mode: Hypothesis) -> f64 {
        self.hazard_per_year.get(mode.name()).copied().unwrap_or(0.0)
    }

    /// Shape shares of a mode.
    pub fn shape_shares(&self, mode: Hypothesis) -> ShapeShares {
        let none = ShapeShares { ramp: 0.0, step: 0.0, saw: 0.0, old: 0.0 };
        self.shapes.get(mode.name()).copied().unwrap_or(none)
    }

    /// Widths of all observables, in their order.
    pub fn observables(&self) -> [ObservablePrior; N_OBSERVABLES] {
        Observable::ALL.map(|o| self.observables.get(o.name()).copied().unwrap_or_default())
    }

    fn check(&self) -> Result<(), FaultsError> {
        let wrong = |what: String| Err(FaultsError::Priors { what });
        for hypothesis in Hypothesis::ALL.into_iter().skip(1) {
            let name = hypothesis.name();
            let Some(&hazard) = self.hazard_per_year.get(name) else {
                return wrong(format!("hazard_per_year has no `{name}`"));
            };
            if !(hazard >= 0.0 && hazard.is_finite()) {
                return wrong(format!("hazard_per_year.{name} is {hazard}"));
            }
            let Some(s) = self.shapes.get(name) else {
                return wrong(format!("shapes has no `{name}`"));
            };
            let sum = s.ramp + s.step + s.saw + s.old;
            if (sum - 1.0).abs() > 1e-9 || [s.ramp, s.step, s.saw, s.old].iter().any(|x| *x < 0.0) {
                return wrong(format!("shapes.{name} sum to {sum}, not to 1"));
            }
        }
        let AlertPrior { days_between, cap_nats, noticed } = &self.alerts;
        let known = |name: &String| Hypothesis::parse(name).is_some();
        let shares = noticed.iter().all(|(name, share)| known(name) && (0.0..=1.0).contains(share));
        if !(*days_between > 0.0 && *cap_nats >= 0.0 && shares) {
            return wrong(format!(
                "alerts needs positive days_between, cap_nats and shares by mode, has {:?}",
                self.alerts
            ));
        }
        for observable in Observable::ALL {
            let name = observable.name();
            let Some(o) = self.observables.get(name) else {
                return wrong(format!("observables has no `{name}`"));
            };
            if !(o.level_sd > 0.0 && o.scatter > 0.0 && o.floor + o.floor_relative > 0.0) {
                return wrong(format!(
                    "observables.{name} needs positive floor, level_sd and scatter"
                ));
            }
        }
        if self
            .noise
            .variance_ratios
            .iter()
            .chain(&self.noise.time_constants_days)
            .any(|x| *x <= 0.0)
        {
            return wrong("noise.variance_ratios and time_constants_days must be positive".into());
        }
        let shares = &self.noise.stated_shares;
        if shares.is_empty() || shares.iter().any(|share| !(*share > 0.0 && *share <= 1.0)) {
            return wrong("noise.stated_shares must lie between 0 and 1".into());
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_built_in_priors_are_complete() {
        let priors = Settings::default().priors().expect("complete");
        assert_eq!(priors.hazard(Hypothesis::Coating), 0.05);
        assert_eq!(priors.hazard(Hypothesis::NoChange), 0.0);
        assert_eq!(priors.observables.len(), N_OBSERVABLES);
    }

    #[test]
    fn an_unknown_mode_in_a_susceptibility_is_named() {
        let text = "[susceptibility.slurry]\nerrosion = 3.0\n";
        let settings: Settings = toml::from_str(text).expect("toml");
        let error = settings.check().expect_err("no such mode").to_string();
        assert!(error.contains("susceptibility.slurry.errosion"), "{error}");
    }
}
