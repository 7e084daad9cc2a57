//! What becomes of a level when values came in another unit than the one they were taken for.
//!
//! Why:    a dump whose export was switched from one unit to another moves every level by a factor
//!         that no process knows. All of these factors follow from the table of units.
//! Method: a value told in `unit` and read as `declared` is stored as
//!         `declared(unit^-1(true))`; both conversions are affine, and so is the result.
//! Limits: gauge and absolute pressure differ by the weather and are not told apart here; a
//!         signal kept as `other:` has no units and no slips.

use crate::signal::Signal;
use crate::unit::{conversion, known_units};

/// A level `x` that is told in `unit` and taken for the declared one reads `factor * x + offset`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slip {
    /// The unit that the values would be in.
    pub unit: &'static str,
    /// Of the storage unit, by which the level is multiplied.
    pub factor: f64,
    /// Added after, storage unit.
    pub offset: f64,
}

impl Slip {
    /// What a true level reads.
    pub fn apply(&self, level: f64) -> f64 {
        self.factor * level + self.offset
    }

    /// The true level behind what is read.
    pub fn undo(&self, level: f64) -> f64 {
        (level - self.offset) / self.factor
    }
}

/// Every slip of a signal whose tag table says `declared`; none for an unknown unit. Units that
/// are one and the same (`g/cm3`, `kg/L`) are given once, by the first of them.
pub fn slips(signal: &Signal, declared: &str) -> Vec<Slip> {
    let Ok(taken) = conversion(signal, declared) else { return Vec::new() };
    let mut slips: Vec<Slip> = Vec::new();
    for unit in known_units(signal) {
        let Ok(told) = conversion(signal, unit) else { continue };
        let slip = Slip {
            unit,
            factor: taken.factor / told.factor,
            offset: (taken.before - told.before) * taken.factor + taken.after
                - told.after * taken.factor / told.factor,
        };
        let same = |a: f64, b: f64| (a - b).abs() <= 1e-6 * a.abs().max(b.abs());
        let is = |other: &Slip| same(slip.factor, other.factor) && same(slip.offset, other.offset);
        let none = Slip { unit, factor: 1.0, offset: 0.0 };
        if !is(&none) && !slips.iter().any(is) {
            slips.push(slip);
        }
    }
    slips
}

#[cfg(test)]
mod tests {
    use super::*;

    fn slip(signal: &Signal, declared: &str, unit: &str) -> Slip {
        let found = slips(signal, declared).into_iter().find(|slip| slip.unit == unit);
        found.unwrap_or_else(|| panic!("{unit} read as {declared}"))
    }

    /// Factors as a plant meets them; NIST SP 811 appendix B, printed digits (from memory).
    #[test]
    fn the_factors_of_everyday_mistakes_follow_from_the_table_of_units() {
        let cases = [
            (Signal::MassFlow, "kg/h", "t/h", 0.001),
            (Signal::MassFlow, "t/h", "kg/h", 1000.0),
            (Signal::MassFlow, "kg/h", "lb/h", 2.20462),
            (Signal::MassFlow, "lb/h", "kg/h", 0.45359),
            (Signal::MassFlow, "kg/min", "kg/h", 60.0),
            (Signal::MassFlow, "kg/s", "kg/h", 3600.0),
            (Signal::MassFlow, "t/h", "t/d", 24.0),
            (Signal::MassFlow, "g/s", "kg/h", 3.6),
            (Signal::VolumeFlow, "m3/h", "ft3/h", 35.3147),
            (Signal::Density, "lb/ft3", "kg/m3", 16.0185),
            (Signal::Pressure, "psi", "kPa", 6.89476),
            (Signal::Pressure, "bar", "psi", 14.5038),
            (Signal::Pressure, "psi", "bar", 0.0689476),
            (Signal::Pressure, "bar", "kPa", 100.0),
            (Signal::Pressure, "atm", "kPa", 101.325),
            (Signal::DriveGain, "%", "1", 0.01),
        ];
        for (signal, declared, unit, factor) in cases {
            let got = slip(&signal, declared, unit);
            assert!((got.factor / factor - 1.0).abs() < 1e-5, "{unit} read as {declared}: {got:?}");
            assert_eq!(got.offset, 0.0);
        }
    }

    #[test]
    fn temperatures_slip_by_factor_and_offset_and_back() {
        // 100 degC is 212 degF and 373.15 K, by definition.
        let fahrenheit = slip(&Signal::Temperature, "degC", "degF");
        assert!((fahrenheit.apply(100.0) - 212.0).abs() < 1e-9, "{fahrenheit:?}");
        assert!(
            (slip(&Signal::Temperature, "degF", "degC").apply(100.0) - 37.777_777_8).abs() < 1e-6
        );
        assert!((slip(&Signal::Temperature, "degC", "K").apply(100.0) - 373.15).abs() < 1e-9);
        assert!((fahrenheit.undo(212.0) - 100.0).abs() < 1e-9);
    }

    #[test]
    fn one_unit_by_two_names_is_one_slip_and_the_declared_one_is_none() {
        let units: Vec<&str> = slips(&Signal::Density, "kg/m3").iter().map(|s| s.unit).collect();
        assert_eq!(units, ["g/cm3", "lb/ft3", "lb/US gal", "lb/UK gal", "lb/in3"]);
        assert!(slips(&Signal::Density, "furlong").is_empty());
        assert!(slips(&Signal::Other("valve".into()), "%").is_empty());
    }
}
