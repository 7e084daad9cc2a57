//! The observables on which a verdict rests.
//!
//! Each is one number per block of days with a reference of one of three kinds: *free* (the
//! meter's own level, unknown), *service* (the usual level of meters in that service) or
//! *absolute* (what a meter in order would show). Absolute references get a stated wander, never
//! one learned from the meter: else a zero thirty stabilities off is explained as wander.

/// How many observables there are.
pub const N_OBSERVABLES: usize = 18;

/// One observable.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Observable {
    /// D: ln drive gain less ln pick-off amplitude, low quantile.
    Drive,
    /// Density in steady flow, kg/m3.
    Density,
    /// ln density noise.
    Noise,
    /// ln of inlet over outlet pick-off.
    PickoffRatio,
    /// asin sqrt of the gas share of flowing time.
    Gas,
    /// asin sqrt of the share of checks that were aborted.
    Aborted,
    /// Check value, inlet, %.
    StiffnessInlet,
    /// Check value, outlet, %.
    StiffnessOutlet,
    /// Check value of the whole tube, %.
    Stiffness,
    /// Zero read from shut-in flow, in zero stabilities: a leaking valve looks the same.
    Zero,
    /// Zero taken as found with both blocks closed, in zero stabilities.
    ZeroFound,
    /// Density read with the tube drained and dry, less air, kg/m3.
    AirPoint,
    /// Density read in a known fluid, less that fluid, kg/m3.
    ReferencePoint,
    /// ln of flow over the partner's flow, at large flow.
    PartnerSpan,
    /// Zero difference to the partner, in zero stabilities.
    PartnerZero,
    /// ln of the burst measure of density: what gas does between updates.
    Burst,
    /// ln of the spread of D within a day: what flickers, or comes and goes.
    DriveSpread,
    /// ln of the spread of the pick-off ratio within a day.
    PickoffSpread,
}

/// Against what an observable is held.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reference {
    /// The meter's own unknown level.
    Free,
    /// The usual level of its service.
    Service,
    /// What a meter in order shows.
    Absolute,
}

impl Observable {
    /// All, in order.
    pub const ALL: [Observable; N_OBSERVABLES] = [
        Observable::Drive,
        Observable::Density,
        Observable::Noise,
        Observable::PickoffRatio,
        Observable::Gas,
        Observable::Aborted,
        Observable::StiffnessInlet,
        Observable::StiffnessOutlet,
        Observable::Stiffness,
        Observable::Zero,
        Observable::ZeroFound,
        Observable::AirPoint,
        Observable::ReferencePoint,
        Observable::PartnerSpan,
        Observable::PartnerZero,
        Observable::Burst,
        Observable::DriveSpread,
        Observable::PickoffSpread,
    ];

    /// Position in [`Observable::ALL`].
    pub fn index(self) -> usize {
        self as usize
    }

    /// Name in priors and evidence.
    pub fn name(self) -> &'static str {
        match self {
            Observable::Drive => "drive",
            Observable::Density => "density",
            Observable::Noise => "noise",
            Observable::PickoffRatio => "pickoff_ratio",
            Observable::Gas => "gas",
            Observable::Aborted => "aborted",
            Observable::StiffnessInlet => "stiffness_inlet",
            Observable::StiffnessOutlet => "stiffness_outlet",
            Observable::Stiffness => "stiffness",
            Observable::Zero => "zero",
            Observable::ZeroFound => "zero_found",
            Observable::AirPoint => "air_point",
            Observable::ReferencePoint => "reference_point",
            Observable::PartnerSpan => "partner_span",
            Observable::PartnerZero => "partner_zero",
            Observable::Burst => "burst",
            Observable::DriveSpread => "drive_spread",
            Observable::PickoffSpread => "pickoff_spread",
        }
    }

    /// Name in evidence tables and on pages.
    pub fn evidence_name(self) -> &'static str {
        match self {
            Observable::Drive => "drive_gain",
            Observable::Noise => "density_noise",
            Observable::Burst => "density_burst",
            Observable::Gas => "gas_share",
            Observable::Aborted => "aborted_checks",
            other => other.name(),
        }
    }

    /// Words for people.
    pub fn words(self) -> &'static str {
        match self {
            Observable::Drive => "drive gain",
            Observable::Density => "density",
            Observable::Noise => "density noise",
            Observable::PickoffRatio => "pick-off ratio",
            Observable::Gas => "gas share of flowing time",
            Observable::Aborted => "aborted checks",
            Observable::StiffnessInlet => "inlet stiffness",
            Observable::StiffnessOutlet => "outlet stiffness",
            Observable::Stiffness => "stiffness",
            Observable::Zero => "zero in shut-in",
            Observable::ZeroFound => "as-found zero",
            Observable::AirPoint => "drained-and-dry density",
            Observable::ReferencePoint => "density in the reference fluid",
            Observable::PartnerSpan => "flow against the partner",
            Observable::PartnerZero => "zero against the partner",
            Observable::Burst => "density bursts",
            Observable::DriveSpread => "spread of drive gain",
            Observable::PickoffSpread => "spread of the pick-off ratio",
        }
    }

    /// Against what it is held.
    pub fn reference(self) -> Reference {
        match self {
            Observable::Drive
            | Observable::Density
            | Observable::Noise
            | Observable::PickoffRatio
            | Observable::PartnerSpan
            | Observable::PartnerZero
            | Observable::Burst
            | Observable::DriveSpread
            | Observable::PickoffSpread => Reference::Free,
            Observable::Gas | Observable::Aborted => Reference::Service,
            _ => Reference::Absolute,
        }
    }

    /// Whether it measures a fault itself, against a known reference, and not a proxy of it.
    pub fn is_direct(self) -> bool {
        self.reference() == Reference::Absolute || self == Observable::Gas
    }

    /// Whether it should have a value on most days.
    pub fn is_daily(self) -> bool {
        self.is_signal()
            || matches!(self, Observable::Gas | Observable::PartnerSpan | Observable::PartnerZero)
    }

    /// Whether it comes from daily signals (and not from records).
    pub fn is_signal(self) -> bool {
        matches!(
            self,
            Observable::Drive
                | Observable::Density
                | Observable::Noise
                | Observable::PickoffRatio
                | Observable::Burst
                | Observable::DriveSpread
                | Observable::PickoffSpread
        )
    }
}
