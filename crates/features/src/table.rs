//! The one table of all features: name, symbol, unit, formula, needs, validity, source.
//!
//! Documents, file metadata and reports draw on [`features`]; the order here is the order of
//! the columns. New features go to the end of their group; files find columns by name.

use std::sync::LazyLock;

/// A module of features that stand or fall together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Group {
    /// Hours per state, flow, mass.
    Operation,
    /// Drive gain.
    Drive,
    /// Pick-off amplitudes.
    Pickoff,
    /// Density, temperature and pressure in steady time.
    Density,
    /// Scatter of density.
    Noise,
    /// Gas episodes.
    Gas,
    /// Period against density.
    Resonator,
    /// Zero in full and quiet shut-in.
    Zero,
    /// Drained and reference-fluid points.
    KnownFluid,
    /// Against a meter in series.
    Partner,
    /// Counts of the day's records.
    Records,
    /// What the recorder did to each signal.
    Recorder,
}

impl Group {
    /// All, in table order.
    pub const ALL: [Group; 12] = [
        Group::Operation,
        Group::Drive,
        Group::Pickoff,
        Group::Density,
        Group::Noise,
        Group::Gas,
        Group::Resonator,
        Group::Zero,
        Group::KnownFluid,
        Group::Partner,
        Group::Records,
        Group::Recorder,
    ];

    /// Those with a `why_` column.
    pub const WITH_REASON: [Group; 10] = [
        Group::Operation,
        Group::Drive,
        Group::Pickoff,
        Group::Density,
        Group::Noise,
        Group::Gas,
        Group::Resonator,
        Group::Zero,
        Group::KnownFluid,
        Group::Partner,
    ];

    /// The name in columns.
    pub fn name(self) -> &'static str {
        match self {
            Group::Operation => "operation",
            Group::Drive => "drive",
            Group::Pickoff => "pickoff",
            Group::Density => "density",
            Group::Noise => "noise",
            Group::Gas => "gas",
            Group::Resonator => "resonator",
            Group::Zero => "zero",
            Group::KnownFluid => "known_fluid",
            Group::Partner => "partner",
            Group::Records => "records",
            Group::Recorder => "recorder",
        }
    }
}

/// What a feature is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FeatureDef {
    /// Column name; a number wears its unit last.
    pub name: &'static str,
    /// Symbol in formulas.
    pub symbol: &'static str,
    /// Unit, empty for shares and logarithms.
    pub unit: &'static str,
    /// Group.
    pub group: Group,
    /// How it is made.
    pub formula: &'static str,
    /// Signals and records that it needs.
    pub needs: &'static str,
    /// When it means what it says.
    pub validity: &'static str,
    /// Where the formula comes from.
    pub source: &'static str,
    /// What a missing value means.
    pub null_means: &'static str,
    /// Column with the count behind it.
    pub count: Option<&'static str>,
    /// What a recorder by exception does to it.
    pub thinned: Thinned,
}

/// What becomes of a feature when the historian stores by exception.
///
/// The reference recorder looks every second and stores what leaves a dead-band of two to six
/// sensor noises (0.5 % of flow, 0.5 kg/m3, 0.1 K, 2 kPa, 0.4 % drive gain, 0.3 mV), or after 15
/// minutes; it is read back as held values and as straight lines every 5 s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Thinned {
    /// Stays within `share` of its value plus `absolute`, or is null.
    Within {
        /// Part of the value from full data.
        share: f64,
        /// In the unit of the feature.
        absolute: f64,
    },
    /// Becomes the recorder's, and says so: `density_noise_floor_limited` is 1.
    Marked,
    /// Tells what the recorder did.
    Recorder,
    /// Made from records, not from samples.
    Unsampled,
}

impl std::fmt::Display for Thinned {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Thinned::Within { share, absolute } if *share == 0.0 => write!(f, "within {absolute}"),
            Thinned::Within { share, absolute } if *absolute == 0.0 => {
                write!(f, "within {} %", (share * 1e5).round() / 1e3)
            }
            Thinned::Within { share, absolute } => {
                write!(f, "within {} % + {absolute}", (share * 1e5).round() / 1e3)
            }
            Thinned::Marked => f.write_str("the recorder's: `floor_limited`"),
            Thinned::Recorder => f.write_str("tells of it"),
            Thinned::Unsampled => f.write_str(""),
        }
    }
}

const fn within(share: f64, absolute: f64) -> Thinned {
    Thinned::Within { share, absolute }
}

const MARKED: Thinned = Thinned::Marked;
const UNSAMPLED: Thinned = Thinned::Unsampled;

macro_rules! counts {
    ($($id:ident $name:literal,)*) => {
        /// Counts behind the values.
        #[derive(Clone, Copy, Debug)]
        pub(crate) enum Count { $($id,)* }
        /// Names of the count columns, in column order.
        pub const COUNTS: &[&str] = &[$($name,)*];
    };
}

counts! {
    Flow "n_flow",
    Drive "n_drive",
    Pickoff "n_pickoff",
    Density "n_density",
    Noise "n_noise",
    Burst "n_burst",
    Gas "n_gas",
    Resonator "n_resonator",
    Zero "n_zero",
    Air "n_air",
    Reference "n_reference_point",
    Partner "n_partner",
}

macro_rules! features {
    ($($id:ident $name:literal $symbol:literal $unit:literal $group:ident $count:expr, $thinned:expr,
        $formula:literal, $needs:literal, $validity:literal, $source:literal, $null:literal;)*) => {
        /// Index of the features that are not made per signal.
        #[derive(Clone, Copy, Debug)]
        pub(crate) enum F { $($id,)* }

        const PLAIN: &[FeatureDef] = &[$(FeatureDef {
            name: $name,
            symbol: $symbol,
            unit: $unit,
            group: Group::$group,
            formula: $formula,
            needs: $needs,
            validity: $validity,
            source: $source,
            null_means: $null,
            count: $count,
            thinned: $thinned,
        },)*];
    };
}

features! {
    HoursFlowing "hours_flowing" "T_f" "h" Operation None, within(0.0, 0.05),
        "held time with |q| > max(3 % of max_flow, 10 zero_stability)",
        "mass_flow (or volume_flow and density), register", "covered time only",
        "own rule", "no good flow sample";
    HoursShutIn "hours_shut_in" "T_0" "h" Operation None, within(0.0, 0.05),
        "held time with |q| < 1 % of max_flow",
        "mass_flow, register", "covered time only", "own rule", "no good flow sample";
    HoursZeroLimited "hours_zero_limited" "T_z" "h" Operation None, within(0.0, 0.05),
        "held time over 1 % of max_flow and up to max(flowing edge, 100 zero_stability / base_accuracy)",
        "mass_flow, register", "covered time only",
        "accuracy law, common practice, no source", "no good flow sample";
    HoursInSpan "hours_in_span" "T_s" "h" Operation None, within(0.0, 0.05),
        "held time over the zero-limited edge and up to max_flow",
        "mass_flow, register", "covered time only", "own rule", "no good flow sample";
    HoursAboveSpan "hours_above_span" "T_a" "h" Operation None, within(0.0, 0.05),
        "held time over max_flow",
        "mass_flow, register", "covered time only", "own rule", "no good flow sample";
    HoursReverse "hours_reverse" "T_r" "h" Operation None, within(0.0, 0.05),
        "held time under -1 % of max_flow",
        "mass_flow, register", "covered time only", "own rule", "no good flow sample";
    Starts "starts" "n_s" "" Operation None, within(0.0, 0.0),
        "flowing minutes that follow five known minutes without flow",
        "mass_flow, register", "shorter stops are not seen", "own rule",
        "no good flow sample";
    FlowQ05 "flow_q05_kg_h" "q_5" "kg/h" Operation Some("n_flow"), within(0.005, 0.0),
        "5 % quantile of flow while flowing, weighted by held time, inverted CDF",
        "mass_flow, register", "20 samples, 2 flowing hours", "Hyndman & Fan (1996), type 1",
        "under 20 flowing samples or 2 flowing hours";
    FlowQ50 "flow_q50_kg_h" "q_50" "kg/h" Operation Some("n_flow"), within(0.005, 0.0),
        "median of flow while flowing, weighted by held time",
        "mass_flow, register", "10 samples", "Hyndman & Fan (1996), type 1",
        "under 10 flowing samples";
    FlowQ95 "flow_q95_kg_h" "q_95" "kg/h" Operation Some("n_flow"), within(0.005, 0.0),
        "95 % quantile of flow while flowing, weighted by held time, inverted CDF",
        "mass_flow, register", "20 samples, 2 flowing hours", "Hyndman & Fan (1996), type 1",
        "under 20 flowing samples or 2 flowing hours";
    MassKg "mass_kg" "M" "kg" Operation None, within(0.002, 0.0),
        "sum of flow times held time",
        "mass_flow", "covered time only: not for billing", "identity", "no good flow sample";
    HoursSteady "hours_steady" "T_st" "h" Operation None, within(0.0, 0.25),
        "minutes flowing for 15 min, without a stop for 15 min, within 10 % of the 15-min median, without gas, density over half of the day's level",
        "mass_flow, register; density and drive_gain where kept", "by the minute", "own rule",
        "no good flow sample";

    DriveLogLow "drive_log_low" "D_20" "" Drive Some("n_drive"), within(0.0, 0.02),
        "20 % quantile of D = ln(drive gain, %) - ln(mean pick-off, mV), in steady time, weighted by held time",
        "drive_gain; pick-offs where kept", "30 steady min, 50 samples; right-censored at saturation without pick-offs",
        "drive force = damping x angular frequency x amplitude (any vibration textbook)",
        "see why_drive";
    DriveLogMedian "drive_log_median" "D_50" "" Drive Some("n_drive"), within(0.0, 0.02),
        "median of D in steady time, weighted by held time",
        "drive_gain; pick-offs where kept", "30 steady min, 10 samples", "as drive_log_low",
        "see why_drive";
    DriveLogSpread "drive_log_spread" "s_D" "" Drive Some("n_drive"), within(0.5, 0.0),
        "1.4826.. x median absolute deviation of D in steady time",
        "drive_gain; pick-offs where kept", "30 steady min, 10 samples",
        "Rousseeuw & Croux (1993)", "see why_drive";
    DriveGainMedian "drive_gain_median_pct" "G_50" "%" Drive Some("n_drive"), within(0.0, 0.2),
        "median of drive gain in steady time, weighted by held time",
        "drive_gain", "30 steady min, 10 samples", "identity", "see why_drive";
    DriveSaturated "drive_saturated_share" "s_sat" "" Drive None, within(0.0, 0.01),
        "share of flowing time with drive gain at or above drive_ceiling_pct",
        "drive_gain, mass_flow", "10 flowing min", "own rule", "see why_drive";
    DrivePickoffUsed "drive_pickoff_used" "" "" Drive None, within(0.0, 0.0),
        "1 when D is made with pick-offs, 0 when it is ln(drive gain) alone",
        "drive_gain", "a change between days moves the level of D", "own rule",
        "D is not known";

    PickoffInlet "pickoff_inlet_mv" "A_in" "mV" Pickoff Some("n_pickoff"), within(0.0, 0.15),
        "median in steady time, weighted by held time",
        "pickoff_inlet", "30 steady min, 10 samples", "identity", "see why_pickoff";
    PickoffOutlet "pickoff_outlet_mv" "A_out" "mV" Pickoff Some("n_pickoff"), within(0.0, 0.15),
        "median in steady time, weighted by held time",
        "pickoff_outlet", "30 steady min, 10 samples", "identity", "see why_pickoff";
    PickoffLogRatio "pickoff_log_ratio" "R" "" Pickoff Some("n_pickoff"), within(0.0, 0.001),
        "median of ln(inlet / outlet) in steady time",
        "pickoff_inlet, pickoff_outlet", "30 steady min, 10 pairs", "identity",
        "see why_pickoff";
    PickoffLogRatioSpread "pickoff_log_ratio_spread" "s_R" "" Pickoff Some("n_pickoff"), within(0.5, 0.0),
        "1.4826.. x median absolute deviation of ln(inlet / outlet) in steady time",
        "pickoff_inlet, pickoff_outlet", "30 steady min, 10 pairs",
        "Rousseeuw & Croux (1993)", "see why_pickoff";

    Density "density_kg_m3" "rho" "kg/m3" Density Some("n_density"), within(0.0, 0.25),
        "median of density in steady time, weighted by held time",
        "density, mass_flow", "30 steady min, 10 samples", "identity", "see why_density";
    DensityResidual "density_residual_kg_m3" "drho" "kg/m3" Density Some("n_density"), within(0.0, 0.25),
        "density_kg_m3 - density of reference_fluid at temperature_degc and pressure_kpa (101.325 where no pressure is kept)",
        "density, temperature, reference_fluid = water", "0..100 degC, absolute pressure",
        "Tanaka et al. (2001), Metrologia 38, 301 up to 40 degC; Kell (1975) on ITS-90 above",
        "no known reference fluid, no temperature, or outside the formula's span";
    Temperature "temperature_degc" "T" "degC" Density None, within(0.0, 0.05),
        "median of temperature in steady time, weighted by held time",
        "temperature, mass_flow", "30 steady min, 10 samples", "identity",
        "no temperature, or no steady time";
    Pressure "pressure_kpa" "p" "kPa" Density None, within(0.0, 1.0),
        "median of pressure in steady time, weighted by held time",
        "pressure, mass_flow", "30 steady min, 10 samples", "identity",
        "no pressure, or no steady time";

    Noise "density_noise_kg_m3" "N" "kg/m3" Noise Some("n_noise"), MARKED,
        "1.4826.. x median |step between updates| / sqrt 2 in steady time, repeats left out, corrected for the resolution r",
        "density, mass_flow", "30 steps, 30 steady min; an upper bound at best where floor_limited",
        "Rousseeuw & Croux (1993); correction for rounding derived here", "see why_noise";
    NoiseFloorLimited "density_noise_floor_limited" "" "" Noise Some("n_noise"), MARKED,
        "1 when the noise is under the resolution r, or the tag keeps 1.5 times fewer points than rounding explains: under 2.5 r, or at pauses that differ five-fold (dead-band); else 0",
        "density, mass_flow", "30 steps", "own rule", "see why_noise";
    NoiseSpacing "density_noise_spacing_s" "tau" "s" Noise Some("n_noise"), MARKED,
        "median time between the updates behind the noise",
        "density, mass_flow", "30 steps", "identity", "see why_noise";
    Resolution "density_resolution_kg_m3" "r" "kg/m3" Noise None, MARKED,
        "largest step of which 95 % of the non-zero steps of the day are whole multiples within 2 %",
        "density", "30 steps", "own rule", "finer than the signal moves, or too few steps";
    Burst "density_burst_kg_m3" "B_1" "kg/m3" Noise Some("n_burst"), MARKED,
        "median over windows of sqrt(mean square of steps between updates / 2), pauses of over twice the upper quartile of spacings left out; 300 s or 20 updates, whichever is longer; flowing time, gas included",
        "density, mass_flow", "20 updates", "Allan deviation at one spacing: Riley (2008), NIST SP 1065",
        "under 20 flowing updates";
    BurstQ90 "density_burst_q90_kg_m3" "B_1,90" "kg/m3" Noise Some("n_burst"), MARKED,
        "90 % quantile (type 7) of the same windows",
        "density, mass_flow", "100 updates", "as density_burst_kg_m3",
        "under 100 flowing updates";
    Burst4 "density_burst4_kg_m3" "B_4" "kg/m3" Noise Some("n_burst"), MARKED,
        "median over windows of the overlapping Allan deviation at 4 updates",
        "density, mass_flow", "20 updates", "Riley (2008), NIST SP 1065",
        "under 20 flowing updates";
    Burst4Q90 "density_burst4_q90_kg_m3" "B_4,90" "kg/m3" Noise Some("n_burst"), MARKED,
        "90 % quantile (type 7) of the same windows",
        "density, mass_flow", "100 updates", "as density_burst4_kg_m3",
        "under 100 flowing updates";
    TailRatio "density_tail_ratio" "" "" Noise Some("n_noise"), MARKED,
        "(q50 - q2) / (q98 - q50) of updates about the mean of their 300 s window, in steady time",
        "density, mass_flow", "500 updates; over 1 = tail on the low side", "own choice in place of skewness",
        "under 500 steady updates, or no upper tail";
    Allan10 "density_allan_10x_kg_m3" "A_10" "kg/m3" Noise None, MARKED,
        "overlapping Allan deviation at 10 spacings over unbroken steady stretches",
        "density, mass_flow", "20 differences, evenly spaced tag, no straight lines", "Riley (2008), NIST SP 1065",
        "too short, unevenly spaced, or on straight lines";
    Allan1h "density_allan_1h_kg_m3" "A_1h" "kg/m3" Noise None, MARKED,
        "overlapping Allan deviation at one hour over unbroken steady stretches",
        "density, mass_flow", "20 differences, evenly spaced tag, no straight lines", "Riley (2008), NIST SP 1065",
        "too short, unevenly spaced, or on straight lines";

    GasShare "gas_share" "g" "" Gas Some("n_gas"), within(0.0, 0.01),
        "time in gas episodes / flowing time with density or drive gain, start-up gas left out above the line",
        "density or drive_gain, mass_flow", "10 updates and 10 flowing min; gas all day long shows only against reference_fluid",
        "own rule, held against labelled recordings", "see why_gas";
    GasHours "gas_hours" "T_g" "h" Gas Some("n_gas"), within(0.0, 0.2),
        "flowing time in gas episodes, start-up gas left out",
        "density or drive_gain, mass_flow", "as gas_share", "own rule", "see why_gas";
    GasEpisodes "gas_episodes" "n_g" "" Gas Some("n_gas"), within(0.0, 0.0),
        "episodes that began this day: 2 or more gassy updates, joined over calm of up to 3 updates and 10 min (3 spacings of a slow clock), ended by a standstill; start-up left out",
        "density or drive_gain, mass_flow", "as gas_share", "own rule", "see why_gas";
    GasLongest "gas_longest_h" "T_g,max" "h" Gas Some("n_gas"), within(0.0, 0.2),
        "flowing time of the longest episode that reaches into the day, from two hours before midnight on, start-up left out; 0 without an episode",
        "density or drive_gain, mass_flow", "as gas_share", "own rule", "see why_gas";
    GasApparent "gas_apparent_share" "alpha_a" "" Gas Some("n_gas"), within(0.0, 0.005),
        "median over gas time of 1 - density / (reference fluid, else level of the day)",
        "density, mass_flow", "1 to 3 times the true gas fraction, less the sound term",
        "Hemp & Kutin (2006), Basse (2014) (from memory)", "no gas, or no density";
    GasStartup "gas_startup_hours" "T_g,0" "h" Gas Some("n_gas"), within(0.0, 0.1),
        "flowing time of episodes that begin within 30 min of a start and last under 30 min",
        "density or drive_gain, mass_flow", "as gas_share", "own rule", "see why_gas";
    GasWeak "gas_weak" "" "" Gas Some("n_gas"), within(0.0, 0.0),
        "1 when most of the flowing time was judged by one signal, else 0",
        "density or drive_gain, mass_flow", "as gas_share", "own rule", "see why_gas";

    ResonatorSlope "resonator_slope" "1/A" "s2 m3/kg" Resonator Some("n_resonator"), within(0.002, 0.0),
        "slope of T-corrected 1/f^2 on indicated density, minute means, least squares",
        "tube_frequency, density", "density ranges by 5 % in the day, 10 minutes",
        "rho = A tau^2 - r0: Kratky, Leopold & Stabinger (1969)", "see why_resonator";
    ResonatorIntercept "resonator_intercept" "r0/A" "s2" Resonator Some("n_resonator"), within(0.002, 0.0),
        "intercept of the same line; r0 = intercept / slope",
        "tube_frequency, density", "as resonator_slope",
        "Kratky, Leopold & Stabinger (1969)", "see why_resonator";
    ResonatorPeriod2 "resonator_period2_s2" "tau^2" "s2" Resonator Some("n_resonator"), within(0.001, 0.0),
        "median of 1/f^2 (1 - 3.8e-4 (T - 20)) in steady time",
        "tube_frequency; temperature where kept", "30 steady min, 10 samples",
        "EN 10088-1 (E against temperature)", "no tube_frequency or no steady time";

    ZeroStabilities "zero_stabilities" "Z" "" Zero Some("n_zero"), within(0.0, 0.3),
        "median of q / zero_stability in full and quiet shut-in time, weighted by held time",
        "mass_flow, density, register; temperature and drive_gain where kept",
        "10 samples, shut in for 45 min, first 30 left out; a leaking valve looks the same",
        "own rule", "see why_zero";
    ZeroSpread "zero_spread_stabilities" "s_Z" "" Zero Some("n_zero"), within(0.5, 0.0),
        "1.4826.. x median absolute deviation of q / zero_stability in the same time",
        "as zero_stabilities", "10 samples", "Rousseeuw & Croux (1993)", "see why_zero";
    HoursZeroQuiet "hours_zero_quiet" "T_q" "h" Zero None, within(0.0, 0.25),
        "minutes shut in, full and quiet",
        "mass_flow, density, register", "covered time only", "own rule",
        "no good flow or density sample";

    DensityAir "density_air_kg_m3" "d_air" "kg/m3" KnownFluid Some("n_air"), within(0.0, 0.25),
        "median density, as read, of drained 15 min (under 5 % of the usual density, stable within 2 kg/m3); dry air reads about 1.2",
        "density", "residues spoil it: only points that repeat within 2 kg/m3 count",
        "own rule; air 1.2046 kg/m3 at 20 degC (equation of state)", "not drained and dry";
    DensityReferencePoint "density_reference_point_kg_m3" "rho_ref" "kg/m3" KnownFluid Some("n_reference_point"), within(0.0, 0.25),
        "median density, as read, of 15 min within 5 % of reference_fluid, stable within 2 kg/m3, without gas",
        "density, temperature, reference_fluid = water", "as density_air_kg_m3; the fluid's own temperature may differ from temperature_degc",
        "own rule", "never full of the reference fluid";
    DensityReferenceResidual "density_reference_residual_kg_m3" "d_ref" "kg/m3" KnownFluid Some("n_reference_point"), within(0.0, 0.25),
        "median over the same 15 min of density - density of reference_fluid at its own temperature and pressure",
        "density, temperature, reference_fluid = water", "as density_air_kg_m3",
        "Tanaka et al. (2001); Kell (1975) on ITS-90 above 40 degC", "never full of the reference fluid";

    PartnerSpanLog "partner_span_log" "P_s" "" Partner Some("n_partner"), within(0.0, 0.002),
        "intercept of ln(q / partner q) on 1 / partner q, steady 5-min means, Theil-Sen",
        "mass_flow of both meters", "10 pairs; with under 20 % range of flow the median ratio, zero difference included",
        "Sen (1968)", "see why_partner";
    PartnerZero "partner_zero_kg_h" "P_z" "kg/h" Partner Some("n_partner"), within(0.0, 15.0),
        "slope of the same line: zero difference",
        "mass_flow of both meters", "10 pairs, 20 % range of flow", "Sen (1968)",
        "see why_partner, or too little range of flow";

    ChecksDone "checks_done" "" "" Records None, UNSAMPLED,
        "in-situ checks of the day (rows of one time are one check)",
        "checks", "", "identity", "no check record kept";
    ChecksFailed "checks_failed" "" "" Records None, UNSAMPLED,
        "of those, failed in any row", "checks", "", "identity", "no check record kept";
    ChecksAborted "checks_aborted" "" "" Records None, UNSAMPLED,
        "of those, aborted", "checks", "", "identity", "no check record kept";
    AlertsFailure "alerts_failure" "" "" Records None, UNSAMPLED,
        "alert episodes of category F (a repeat before the alert went is not counted)",
        "alerts", "", "NAMUR NE 107", "no alert record kept";
    AlertsFunctionCheck "alerts_function_check" "" "" Records None, UNSAMPLED,
        "alert episodes of category C", "alerts", "", "NAMUR NE 107", "no alert record kept";
    AlertsOutOfSpec "alerts_out_of_spec" "" "" Records None, UNSAMPLED,
        "alert episodes of category S", "alerts", "", "NAMUR NE 107", "no alert record kept";
    AlertsMaintenance "alerts_maintenance" "" "" Records None, UNSAMPLED,
        "alert episodes of category M", "alerts", "", "NAMUR NE 107", "no alert record kept";
    AlertsFailureRepeats "alerts_failure_repeats" "" "" Records None, UNSAMPLED,
        "alerts of category F that came again before they went", "alerts", "", "NAMUR NE 107",
        "no alert record kept";
    AlertsFunctionCheckRepeats "alerts_function_check_repeats" "" "" Records None, UNSAMPLED,
        "the same of category C", "alerts", "", "NAMUR NE 107",
        "no alert record kept";
    AlertsOutOfSpecRepeats "alerts_out_of_spec_repeats" "" "" Records None, UNSAMPLED,
        "the same of category S", "alerts", "", "NAMUR NE 107",
        "no alert record kept";
    AlertsMaintenanceRepeats "alerts_maintenance_repeats" "" "" Records None, UNSAMPLED,
        "the same of category M", "alerts", "", "NAMUR NE 107",
        "no alert record kept";
    ChecksRepeatFailed "checks_repeat_failed" "" "" Records None, UNSAMPLED,
        "failed checks of the day whose last completed check before them, within 30 days, failed too", "checks", "a fail counts only when its repeat fails", "own rule",
        "no check record kept";
    CheckDaysSinceGood "check_days_since_good" "" "d" Records None, UNSAMPLED,
        "days from the last check that passed to the end of the day", "checks", "a swap or new calibration does not count as a check", "identity",
        "no check has passed yet";
    CheckIntervalsSinceGood "check_intervals_since_good" "" "" Records None, UNSAMPLED,
        "check_days_since_good / check_interval_days; over 1 = overdue", "checks, register", "", "identity",
        "no check has passed yet, or no interval in the register";
    CheckInlet "check_stiffness_inlet_pct" "k_in" "%" Records None, UNSAMPLED,
        "median of the last 3 values at the inlet within 30 days", "checks with values", "days with such a value; aborted checks left out; restarts at installed, swapped, recalibrated", "own rule",
        "no value that day";
    CheckInletScatter "check_stiffness_inlet_scatter_pct" "s_k_in" "%" Records None, UNSAMPLED,
        "1.4826.. x median |step between values| / sqrt 2 over the last 10 values", "checks with values", "5 values since the last restart", "Rousseeuw & Croux (1993)",
        "no value that day, or under 5";
    CheckInletDrift "check_stiffness_inlet_drift_pct_per_y" "d_k_in" "%/y" Records None, UNSAMPLED,
        "Theil-Sen slope over the last 24 values", "checks with values", "5 values over 30 days since the last restart", "Sen (1968)",
        "no value that day, or too few";
    CheckOutlet "check_stiffness_outlet_pct" "k_out" "%" Records None, UNSAMPLED,
        "median of the last 3 values at the outlet within 30 days", "checks with values", "days with such a value; aborted checks left out; restarts at installed, swapped, recalibrated", "own rule",
        "no value that day";
    CheckOutletScatter "check_stiffness_outlet_scatter_pct" "s_k_out" "%" Records None, UNSAMPLED,
        "1.4826.. x median |step between values| / sqrt 2 over the last 10 values", "checks with values", "5 values since the last restart", "Rousseeuw & Croux (1993)",
        "no value that day, or under 5";
    CheckOutletDrift "check_stiffness_outlet_drift_pct_per_y" "d_k_out" "%/y" Records None, UNSAMPLED,
        "Theil-Sen slope over the last 24 values", "checks with values", "5 values over 30 days since the last restart", "Sen (1968)",
        "no value that day, or too few";
    CheckWhole "check_stiffness_whole_pct" "k" "%" Records None, UNSAMPLED,
        "median of the last 3 values at the whole tube or without position within 30 days", "checks with values", "days with such a value; aborted checks left out; restarts at installed, swapped, recalibrated", "own rule",
        "no value that day";
    CheckWholeScatter "check_stiffness_whole_scatter_pct" "s_k" "%" Records None, UNSAMPLED,
        "1.4826.. x median |step between values| / sqrt 2 over the last 10 values", "checks with values", "5 values since the last restart", "Rousseeuw & Croux (1993)",
        "no value that day, or under 5";
    CheckWholeDrift "check_stiffness_whole_drift_pct_per_y" "d_k" "%/y" Records None, UNSAMPLED,
        "Theil-Sen slope over the last 24 values", "checks with values", "5 values over 30 days since the last restart", "Sen (1968)",
        "no value that day, or too few";
    ChangesRecorded "changes_recorded" "" "" Records None, UNSAMPLED,
        "changes of the day: events and settings", "changes", "", "identity",
        "no change record kept";
    DaysSinceChange "days_since_change" "" "d" Records None, UNSAMPLED,
        "days from the last recorded change or as-left zero to the end of the day: levels before it do not compare", "changes, zeros", "", "identity",
        "none recorded so far";
}

/// Recorder habits per signal, in column order within a signal.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Habit {
    Updates,
    CoveredShare,
    BadShare,
    LongestGap,
    RepeatShare,
    LineShare,
    Stuck,
    Spacing,
    Resolution,
    FloorShare,
    CeilingShare,
}

const HABITS: usize = 11;

macro_rules! habits_of_signal {
    ($($signal:literal $unit:literal,)*) => {
        /// Signals in the order of their recorder columns.
        pub(crate) const RECORDER_SIGNALS: &[&str] = &[$($signal,)*];
        const RECORDER: &[FeatureDef] = &[$(
            habit!($signal, "updates", "", "points that are neither repeats nor on a line"),
            habit!($signal, "covered_share", "", "share of the day for which a value stands (at most max_hold_s)"),
            habit!($signal, "bad_share", "", "share of the samples that are not good, have no number or lie outside the physical span"),
            habit!($signal, "longest_gap_s", "s", "longest time between good samples, from midnight to midnight"),
            habit!($signal, "repeat_share", "", "share of the unbroken steps that are exact repeats"),
            habit!($signal, "line_share", "", "share of the points between unbroken neighbours that lie on the straight line through them"),
            habit!($signal, "stuck", "", "1 when 10 or more samples never changed while another signal of the meter moved, else 0; an exact zero is a cut-off, not stuck"),
            habit!($signal, "spacing_s", "s", "commonest spacing of the samples"),
            habit!($signal, "resolution", $unit, "largest step of which 95 % of the non-zero steps are whole multiples within 2 %"),
            habit!($signal, "floor_share", "", "share of held time within 0.1 % of the day's span (or one resolution) of its lowest value"),
            habit!($signal, "ceiling_share", "", "share of held time within 0.1 % of the day's span (or one resolution) of its highest value"),
        )*];
    };
}

macro_rules! habit {
    ($signal:literal, $habit:literal, $unit:literal, $formula:literal) => {
        FeatureDef {
            name: concat!($signal, "_", $habit),
            symbol: "",
            unit: $unit,
            group: Group::Recorder,
            formula: $formula,
            needs: $signal,
            validity: "",
            source: "own rule",
            null_means: "no sample, or too few",
            count: None,
            thinned: Thinned::Recorder,
        }
    };
}

habits_of_signal! {
    "mass_flow" "kg/h",
    "density" "kg/m3",
    "temperature" "degC",
    "drive_gain" "%",
    "pickoff_inlet" "mV",
    "pickoff_outlet" "mV",
    "tube_frequency" "Hz",
    "pressure" "kPa",
    "volume_flow" "m3/h",
}

static ALL: LazyLock<Vec<FeatureDef>> =
    LazyLock::new(|| PLAIN.iter().chain(RECORDER).copied().collect());

/// Every feature, in column order.
///
/// ```
/// let density = metersift_features::feature_index("density_kg_m3").expect("a feature");
/// let def = &metersift_features::features()[density];
/// assert_eq!((def.unit, def.count), ("kg/m3", Some("n_density")));
/// ```
pub fn features() -> &'static [FeatureDef] {
    &ALL
}

/// Index of a feature in [`features`], by name.
pub fn feature_index(name: &str) -> Option<usize> {
    features().iter().position(|def| def.name == name)
}

/// Index of a count column in [`COUNTS`], by name.
pub fn count_index(name: &str) -> Option<usize> {
    COUNTS.iter().position(|&count| count == name)
}

/// Index of a recorder habit; `signal` counts in [`RECORDER_SIGNALS`].
pub(crate) fn habit_index(signal: usize, habit: Habit) -> usize {
    PLAIN.len() + signal * HABITS + habit as usize
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_name_is_there_once_and_every_count_exists() {
        let names: BTreeSet<_> = features().iter().map(|def| def.name).collect();
        assert_eq!(names.len(), features().len());
        for def in features() {
            assert!(def.count.is_none_or(|count| COUNTS.contains(&count)), "{}", def.name);
            assert!(!def.formula.is_empty() && !def.null_means.is_empty(), "{}", def.name);
        }
    }

    #[test]
    fn groups_stand_together_in_the_order_of_their_list() {
        let mut seen: Vec<Group> = features().iter().map(|def| def.group).collect();
        seen.dedup();
        assert_eq!(seen, Group::ALL);
    }

    #[test]
    fn habits_are_found_where_their_index_says() {
        assert_eq!(features()[habit_index(0, Habit::Updates)].name, "mass_flow_updates");
        assert_eq!(
            features()[habit_index(8, Habit::CeilingShare)].name,
            "volume_flow_ceiling_share"
        );
        assert_eq!(features()[habit_index(1, Habit::Stuck)].name, "density_stuck");
        assert_eq!(features()[F::DaysSinceChange as usize].name, "days_since_change");
        assert_eq!(features()[F::Density as usize].name, "density_kg_m3");
    }

    /// Names end in the unit, so that a column explains itself.
    #[test]
    fn a_number_with_a_unit_wears_it_last() {
        let suffixes = [
            ("kg/m3", "_kg_m3"),
            ("kg/h", "_kg_h"),
            ("kg", "_kg"),
            ("degC", "_degc"),
            ("kPa", "_kpa"),
            ("mV", "_mv"),
            ("%", "_pct"),
            ("s", "_s"),
            ("s2", "_s2"),
        ];
        for def in features().iter().filter(|def| def.group != Group::Recorder) {
            if let Some((_, suffix)) = suffixes.iter().find(|(unit, _)| *unit == def.unit) {
                let exempt = ["resonator_intercept", "density_noise_spacing_s"];
                assert!(def.name.ends_with(suffix) || exempt.contains(&def.name), "{}", def.name);
            }
        }
    }
}
