//! What a meter tells the historian, and the unit each signal is stored in.

use std::fmt;

/// One measured quantity of a meter.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Signal {
    /// Mass flow, kg/h.
    MassFlow,
    /// Volume flow, m3/h.
    VolumeFlow,
    /// Density, kg/m3.
    Density,
    /// Process temperature, degC.
    Temperature,
    /// Process pressure, kPa.
    Pressure,
    /// Drive gain, % of the largest drive current.
    DriveGain,
    /// Amplitude of the inlet pick-off, mV.
    PickoffInlet,
    /// Amplitude of the outlet pick-off, mV.
    PickoffOutlet,
    /// Resonance frequency of the tubes, Hz.
    TubeFrequency,
    /// Anything else worth keeping, by its own name, stored as it came.
    Other(String),
}

/// Prefix under which a tag table names a signal that is kept but not understood.
pub const OTHER_PREFIX: &str = "other:";

impl Signal {
    /// The nine signals that features are made of, in storage order.
    pub const KNOWN: [Signal; 9] = [
        Signal::MassFlow,
        Signal::VolumeFlow,
        Signal::Density,
        Signal::Temperature,
        Signal::Pressure,
        Signal::DriveGain,
        Signal::PickoffInlet,
        Signal::PickoffOutlet,
        Signal::TubeFrequency,
    ];

    /// The name used in tag tables, files and columns.
    pub fn name(&self) -> String {
        match self {
            Signal::MassFlow => "mass_flow".into(),
            Signal::VolumeFlow => "volume_flow".into(),
            Signal::Density => "density".into(),
            Signal::Temperature => "temperature".into(),
            Signal::Pressure => "pressure".into(),
            Signal::DriveGain => "drive_gain".into(),
            Signal::PickoffInlet => "pickoff_inlet".into(),
            Signal::PickoffOutlet => "pickoff_outlet".into(),
            Signal::TubeFrequency => "tube_frequency".into(),
            Signal::Other(name) => format!("{OTHER_PREFIX}{name}"),
        }
    }

    /// The signal of a name; `None` when the name is neither known nor marked `other:`.
    pub fn parse(name: &str) -> Option<Signal> {
        if let Some(other) = name.strip_prefix(OTHER_PREFIX) {
            return (!other.is_empty()).then(|| Signal::Other(other.into()));
        }
        Signal::KNOWN.into_iter().find(|signal| signal.name() == name)
    }

    /// The unit in which the store holds this signal (empty for `Other`).
    pub fn unit(&self) -> &'static str {
        match self {
            Signal::MassFlow => "kg/h",
            Signal::VolumeFlow => "m3/h",
            Signal::Density => "kg/m3",
            Signal::Temperature => "degC",
            Signal::Pressure => "kPa",
            Signal::DriveGain => "%",
            Signal::PickoffInlet | Signal::PickoffOutlet => "mV",
            Signal::TubeFrequency => "Hz",
            Signal::Other(_) => "",
        }
    }

    /// Values outside this span cannot be this quantity in any pipe; they are stored as bad
    /// samples. Wide on purpose: a judgement, not a standard.
    pub fn physical_span(&self) -> (f64, f64) {
        match self {
            Signal::MassFlow => (-1e8, 1e8),
            Signal::VolumeFlow => (-1e6, 1e6),
            Signal::Density => (-1e4, 3e4),
            Signal::Temperature => (-273.15, 2000.0),
            Signal::Pressure => (-200.0, 1e6),
            Signal::DriveGain => (-10.0, 1000.0),
            Signal::PickoffInlet | Signal::PickoffOutlet => (-1e5, 1e5),
            Signal::TubeFrequency => (0.0, 1e5),
            Signal::Other(_) => (f64::MIN, f64::MAX),
        }
    }
}

impl fmt::Display for Signal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_signal_is_found_by_its_name() {
        for signal in Signal::KNOWN.into_iter().chain([Signal::Other("valve".into())]) {
            assert_eq!(Signal::parse(&signal.name()), Some(signal));
        }
        assert_eq!(Signal::parse("massflow"), None);
        assert_eq!(Signal::parse("other:"), None);
    }
}
