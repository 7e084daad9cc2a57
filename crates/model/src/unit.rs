//! Units on the way in, with exact factors.
//!
//! Source: NIST SP 811 (Thompson & Taylor 2008), appendix B (from memory); every factor follows
//!         by rational arithmetic from 1 lb = 0.45359237 kg, 1 in = 0.0254 m,
//!         US gal = 231 in3, UK gal = 4.54609 L, barrel = 42 US gal, g_n = 9.80665 m/s2,
//!         atm = 101.325 kPa. Printed to 17 digits, so that the nearest f64 is the exact one's.
#![expect(
    clippy::excessive_precision,
    clippy::inconsistent_digit_grouping,
    reason = "factors stand as their exact fractions print"
)]

use crate::signal::Signal;

/// From a unit to the storage unit: `(x + before) * factor + after`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conversion {
    /// Added to the value first.
    pub before: f64,
    /// Multiplied next.
    pub factor: f64,
    /// Added last.
    pub after: f64,
}

impl Conversion {
    /// No change.
    pub const NONE: Conversion = Conversion::by(1.0);

    const fn by(factor: f64) -> Conversion {
        Conversion { before: 0.0, factor, after: 0.0 }
    }

    /// The value in the storage unit.
    #[inline]
    pub fn apply(self, value: f64) -> f64 {
        (value + self.before) * self.factor + self.after
    }
}

/// A unit text that the table does not know for this signal.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("unit `{unit}` is not known for {signal}; known: {}", known.join(", "))]
pub struct UnknownUnit {
    /// The text.
    pub unit: String,
    /// The signal's name.
    pub signal: String,
    /// Every unit that would do.
    pub known: Vec<&'static str>,
}

const MASS_FLOW: &[(&str, f64)] = &[
    ("kg/h", 1.0),
    ("kg/min", 60.0),
    ("kg/s", 3600.0),
    ("g/s", 3.6),
    ("t/h", 1000.0),
    ("t/d", 41.666_666_666_666_667),
    ("lb/h", 0.453_592_37),
    ("lb/min", 27.215_542_2),
    ("lb/s", 1632.932_532),
    ("lb/d", 0.018_899_682_083_333_333),
    ("short ton/h", 907.184_74),
    ("short ton/d", 37.799_364_166_666_667),
    ("long ton/h", 1016.046_908_8),
];

const VOLUME_FLOW: &[(&str, f64)] = &[
    ("m3/h", 1.0),
    ("m3/d", 0.041_666_666_666_666_667),
    ("m3/s", 3600.0),
    ("m3/min", 60.0),
    ("L/s", 3.6),
    ("L/min", 0.06),
    ("L/h", 0.001),
    ("hL/h", 0.1),
    ("US gal/min", 0.227_124_707_04),
    ("UK gal/min", 0.272_765_4),
    ("barrel/d", 0.006_624_470_622),
    ("barrel/h", 0.158_987_294_928),
    ("ft3/min", 1.699_010_795_52),
    ("ft3/h", 0.028_316_846_592),
];

const DENSITY: &[(&str, f64)] = &[
    ("kg/m3", 1.0),
    ("g/cm3", 1000.0),
    ("g/L", 1.0),
    ("kg/L", 1000.0),
    ("t/m3", 1000.0),
    ("lb/ft3", 16.018_463_373_960_140),
    ("lb/US gal", 119.826_427_316_896_63),
    ("lb/UK gal", 99.776_372_663_101_698),
    ("lb/in3", 27_679.904_710_203_121),
];

const PRESSURE: &[(&str, f64)] = &[
    ("kPa", 1.0),
    ("Pa", 0.001),
    ("MPa", 1000.0),
    ("bar", 100.0),
    ("mbar", 0.1),
    ("psi", 6.894_757_293_168_361_3),
    ("atm", 101.325),
    ("kgf/cm2", 98.0665),
    ("torr", 0.133_322_368_421_052_63),
    ("mmHg", 0.133_322_387_415),
    ("inHg", 3.386_388_640_341),
    ("inH2O", 0.249_088_91),
    ("ftH2O", 2.989_066_92),
];

const AMPLITUDE: &[(&str, f64)] = &[("mV", 1.0), ("V", 1000.0)];
const FREQUENCY: &[(&str, f64)] = &[("Hz", 1.0), ("1/min", 0.016_666_666_666_666_667)];
const PERCENT: &[(&str, f64)] = &[("%", 1.0), ("1", 100.0)];
const TEMPERATURE: &[(&str, Conversion)] = &[
    ("degC", Conversion::NONE),
    ("K", Conversion { before: -273.15, factor: 1.0, after: 0.0 }),
    ("degF", Conversion { before: -32.0, factor: 5.0 / 9.0, after: 0.0 }),
    ("degR", Conversion { before: -491.67, factor: 5.0 / 9.0, after: 0.0 }),
];

/// Spellings of one unit that plants use, after `fold`.
const SPELLINGS: &[(&str, &str)] = &[
    ("kgperh", "kg/h"),
    ("kg/hr", "kg/h"),
    ("kg/m^3", "kg/m3"),
    ("kg/m\u{b3}", "kg/m3"),
    ("g/cm\u{b3}", "g/cm3"),
    ("g/cc", "g/cm3"),
    ("g/ml", "g/cm3"),
    ("m\u{b3}/h", "m3/h"),
    ("\u{b0}c", "degc"),
    ("c", "degc"),
    ("\u{b0}f", "degf"),
    ("f", "degf"),
    ("percent", "%"),
    ("pct", "%"),
    ("gpm", "us gal/min"),
    ("usgal/min", "us gal/min"),
    ("bbl/d", "barrel/d"),
    ("bbl/h", "barrel/h"),
    ("lb/gal", "lb/us gal"),
];

/// The conversion from `unit` to the storage unit of `signal`.
///
/// Letter case and surrounding blanks do not matter. Signals kept as `other:` take any unit and
/// are stored as they came. Gauge pressures are not absolute and are refused by name.
///
/// # Errors
/// [`UnknownUnit`], listing the known ones.
pub fn conversion(signal: &Signal, unit: &str) -> Result<Conversion, UnknownUnit> {
    if matches!(signal, Signal::Other(_)) {
        return Ok(Conversion::NONE);
    }
    let folded = fold(unit);
    let found = match signal {
        Signal::Temperature => {
            TEMPERATURE.iter().find(|(name, _)| fold(name) == folded).map(|&(_, c)| c)
        }
        _ => factors(signal)
            .iter()
            .find(|(name, _)| fold(name) == folded)
            .map(|&(_, factor)| Conversion::by(factor)),
    };
    found.ok_or_else(|| UnknownUnit {
        unit: unit.into(),
        signal: signal.name(),
        known: known_units(signal),
    })
}

/// The units known for a signal.
pub fn known_units(signal: &Signal) -> Vec<&'static str> {
    match signal {
        Signal::Temperature => TEMPERATURE.iter().map(|&(name, _)| name).collect(),
        _ => factors(signal).iter().map(|&(name, _)| name).collect(),
    }
}

fn factors(signal: &Signal) -> &'static [(&'static str, f64)] {
    match signal {
        Signal::MassFlow => MASS_FLOW,
        Signal::VolumeFlow => VOLUME_FLOW,
        Signal::Density => DENSITY,
        Signal::Pressure => PRESSURE,
        Signal::DriveGain => PERCENT,
        Signal::PickoffInlet | Signal::PickoffOutlet => AMPLITUDE,
        Signal::TubeFrequency => FREQUENCY,
        Signal::Temperature | Signal::Other(_) => &[],
    }
}

fn fold(unit: &str) -> String {
    let lower = unit.trim().to_lowercase();
    SPELLINGS
        .iter()
        .find(|(spelling, _)| *spelling == lower)
        .map_or(lower, |&(_, name)| name.to_lowercase())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn factor(signal: Signal, unit: &str) -> f64 {
        conversion(&signal, unit).expect(unit).factor
    }

    fn within_2_ulp(got: f64, want: f64) -> bool {
        (got - want).abs() <= 2.0 * f64::EPSILON * want.abs()
    }

    /// NIST SP 811 appendix B, exact definitions recomputed here; tolerance 2 ulp.
    #[test]
    fn factors_follow_from_the_exact_definitions() {
        let (lb, inch, foot, us_gal) = (0.453_592_37, 0.0254_f64, 0.3048_f64, 3.785_411_784e-3);
        let cases = [
            (Signal::MassFlow, "lb/min", lb * 60.0),
            (Signal::MassFlow, "lb/s", lb * 3600.0),
            (Signal::MassFlow, "lb/d", lb / 24.0),
            (Signal::MassFlow, "short ton/h", lb * 2000.0),
            (Signal::MassFlow, "long ton/h", lb * 2240.0),
            (Signal::MassFlow, "t/d", 1000.0 / 24.0),
            (Signal::VolumeFlow, "US gal/min", us_gal * 60.0),
            (Signal::VolumeFlow, "UK gal/min", 4.546_09e-3 * 60.0),
            (Signal::VolumeFlow, "barrel/d", us_gal * 42.0 / 24.0),
            (Signal::VolumeFlow, "ft3/min", foot.powi(3) * 60.0),
            (Signal::Density, "lb/ft3", lb / foot.powi(3)),
            (Signal::Density, "lb/US gal", lb / us_gal),
            (Signal::Density, "lb/UK gal", lb / 4.546_09e-3),
            (Signal::Density, "lb/in3", lb / inch.powi(3)),
            (Signal::Pressure, "psi", lb * 9.80665 / (inch * inch) / 1000.0),
            (Signal::Pressure, "torr", 101.325 / 760.0),
        ];
        for (signal, unit, want) in cases {
            assert!(within_2_ulp(factor(signal, unit), want), "{unit}");
        }
    }

    /// Digits as SP 811 prints them (page 66): half a unit of the last digit.
    #[test]
    fn printed_digits_of_sp_811() {
        assert!((factor(Signal::Density, "lb/ft3") - 16.01846).abs() < 5e-6);
        assert!((factor(Signal::Density, "lb/US gal") - 119.8264).abs() < 5e-5);
        assert!((factor(Signal::Density, "lb/in3") - 27_679.90).abs() < 5e-3);
    }

    /// Fixed points of the temperature scales (exact by definition).
    #[test]
    fn temperature_fixed_points() {
        let points = [(-40.0, -40.0), (32.0, 0.0), (59.0, 15.0), (68.0, 20.0), (98.6, 37.0)];
        for (fahrenheit, celsius) in points {
            let got = conversion(&Signal::Temperature, "degF").expect("degF").apply(fahrenheit);
            assert!((got - celsius).abs() < 1e-13 * 40.0, "{fahrenheit}: {got}");
        }
        let kelvin = conversion(&Signal::Temperature, "K").expect("K");
        assert_eq!(kelvin.apply(273.15), 0.0);
    }

    #[test]
    fn an_unknown_unit_lists_the_known_ones_and_gauge_is_not_absolute() {
        let error = conversion(&Signal::Pressure, "psig").expect_err("gauge");
        assert!(error.to_string().contains("kgf/cm2"), "{error}");
        assert!(conversion(&Signal::MassFlow, "kg/m3").is_err());
        assert!(conversion(&Signal::Density, " KG/M\u{b3} ").is_ok());
    }
}
