//! Units of the model against exact definitions, published digits and a second program.
//!
//! Source: definitions in NIST SP 811 (Thompson & Taylor 2008), appendix B (from memory);
//! decimals by exact rational arithmetic, computed with Python `fractions` to 25 digits; PyPI
//! pint 0.25.3 agrees within 4 ulp. Tolerance: 2 ulp of the exact factor.

use metersift_model::{Signal, unit};

use crate::{assert_close, assert_within};

const TWO_ULP: f64 = 4.5e-16;

#[track_caller]
fn convert(signal: Signal, unit: &str, value: f64) -> f64 {
    unit::conversion(&signal, unit).unwrap_or_else(|error| panic!("{error}")).apply(value)
}

#[test]
fn mass_flow_factors_to_kg_h() {
    let factors = [
        ("lb/h", 0.45359237),
        ("lb/min", 27.2155422),
        ("lb/s", 1632.932532),
        ("lb/d", 0.0188996820833333333),
        ("g/s", 3.6),
        ("kg/min", 60.0),
        ("short ton/h", 907.18474),
        ("short ton/d", 37.7993641666666667),
        ("long ton/h", 1016.0469088),
        ("t/d", 41.6666666666666667),
        ("kg/s", 3600.0),
        ("t/h", 1000.0),
    ];
    for (unit, want) in factors {
        assert_close(convert(Signal::MassFlow, unit, 1.0), want, TWO_ULP, unit);
    }
}

#[test]
fn volume_flow_factors_to_m3_h() {
    let factors = [
        ("US gal/min", 0.22712470704),
        ("UK gal/min", 0.2727654),
        ("barrel/d", 0.006624470622),
        ("barrel/h", 0.158987294928),
        ("ft3/min", 1.69901079552),
        ("ft3/h", 0.028316846592),
        ("L/min", 0.06),
        ("L/s", 3.6),
        ("hL/h", 0.1),
        ("m3/d", 0.0416666666666666667),
    ];
    for (unit, want) in factors {
        assert_close(convert(Signal::VolumeFlow, unit, 1.0), want, TWO_ULP, unit);
    }
}

/// The printed digits of SP 811, p. 66 (seen in public unit tests), at half their last digit.
#[test]
fn density_factors_to_kg_m3() {
    let factors = [
        ("lb/ft3", 16.018463373960139580),
        ("lb/US gal", 119.826427316896628544),
        ("lb/UK gal", 99.776372663101698383),
        ("lb/in3", 27679.904710203121194),
        ("g/cm3", 1000.0),
        ("kg/L", 1000.0),
        ("t/m3", 1000.0),
        ("g/L", 1.0),
    ];
    for (unit, want) in factors {
        assert_close(convert(Signal::Density, unit, 1.0), want, TWO_ULP, unit);
    }
    assert_within(convert(Signal::Density, "lb/ft3", 1.0), 1.601846e1, 5e-6, "printed");
    assert_within(convert(Signal::Density, "lb/US gal", 1.0), 1.198264e2, 5e-5, "printed");
    assert_within(convert(Signal::Density, "lb/in3", 1.0), 2.767990e4, 5e-3, "printed");
}

#[test]
fn pressure_factors_to_kpa_and_gauge_is_refused() {
    let factors = [
        ("psi", 6.8947572931683613367),
        ("bar", 100.0),
        ("mbar", 0.1),
        ("atm", 101.325),
        ("kgf/cm2", 98.0665),
        ("torr", 0.133322368421052632),
        ("mmHg", 0.133322387415),
        ("inHg", 3.386388640341),
        ("inH2O", 0.24908891),
        ("ftH2O", 2.98906692),
    ];
    for (unit, want) in factors {
        assert_close(convert(Signal::Pressure, unit, 1.0), want, TWO_ULP, unit);
    }
    for gauge in ["psig", "barg"] {
        assert!(unit::conversion(&Signal::Pressure, gauge).is_err(), "{gauge} is not absolute");
    }
}

/// Exact by definition. Tolerance: 1e-13 degC, the rounding of a subtraction near 500.
#[test]
fn temperature_fixed_points() {
    let points = [
        (-40.0, -40.0),
        (32.0, 0.0),
        (59.0, 15.0),
        (60.0, 15.5555555555555556),
        (68.0, 20.0),
        (77.0, 25.0),
        (98.6, 37.0),
        (212.0, 100.0),
    ];
    for (fahrenheit, want) in points {
        assert_within(convert(Signal::Temperature, "degF", fahrenheit), want, 1e-13, "degF");
    }
    assert_eq!(convert(Signal::Temperature, "K", 0.0), -273.15);
    assert_within(convert(Signal::Temperature, "degR", 491.67), 0.0, 1e-13, "degR");
}

/// Worked chains. Tolerance: 4 ulp, two roundings; the last ones as far as they are printed.
#[test]
fn worked_chains() {
    let ulps = 9e-16;
    assert_close(convert(Signal::MassFlow, "lb/min", 1200.0), 32658.65064, ulps, "lb/min");
    let volume = convert(Signal::VolumeFlow, "US gal/min", 100.0);
    assert_close(volume, 22.712470704, ulps, "US gal/min");
    assert_within(convert(Signal::Density, "lb/ft3", 62.4), 999.552114535, 5e-10, "lb/ft3");
    assert_within(convert(Signal::Density, "lb/US gal", 8.345404), 999.9999458, 5e-8, "lb/gal");
    assert_close(convert(Signal::Pressure, "psi", 14.6959487755), 101.325, 1e-11, "psi");
}

/// Inverse factors that appear as suspected-unit steps at a dump boundary, exact fractions.
#[test]
fn inverse_factors_of_suspected_unit_steps() {
    let back = |signal, unit: &str| 1.0 / convert(signal, unit, 1.0);
    let ulps = 9e-16;
    assert_close(back(Signal::MassFlow, "lb/h"), 2.20462262184877581, ulps, "kg to lb");
    assert_close(back(Signal::VolumeFlow, "ft3/h"), 35.3146667214885903, ulps, "m3 to ft3");
    assert_close(back(Signal::VolumeFlow, "US gal/min"), 4.40286753930247359, ulps, "to gal/min");
    assert_close(back(Signal::VolumeFlow, "barrel/h"), 6.28981077043210513, ulps, "m3 to barrel");
    assert_close(back(Signal::Pressure, "psi"), 0.145037737730209215, ulps, "kPa to psi");
    assert_close(back(Signal::Density, "lb/ft3"), 0.0624279605761446120, ulps, "to lb/ft3");
}

/// Every unit that the model knows against PyPI pint (`units.py` and its versions beside the
/// numbers); a unit without a number there is a failure. Tolerance: 1e-14, a few roundings of
/// pint's own chain of factors; temperatures 1e-12 degC.
#[test]
fn every_known_unit_is_the_one_of_pint() {
    let rows: std::collections::BTreeMap<(String, String), f64> = include_str!("data/units.csv")
        .lines()
        .skip(2)
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            ((cells[0].to_owned(), cells[1].to_owned()), cells[2].parse().expect("a number"))
        })
        .collect();
    let mut checked = 0;
    for signal in Signal::KNOWN {
        for name in unit::known_units(&signal) {
            let want = *rows
                .get(&(signal.name(), name.to_owned()))
                .unwrap_or_else(|| panic!("pint was not asked for {name} of {}", signal.name()));
            if signal == Signal::Temperature {
                assert_within(convert(signal.clone(), name, 100.0), want, 1e-12, name);
            } else {
                assert_close(convert(signal.clone(), name, 1.0), want, 1e-14, name);
            }
            checked += 1;
        }
    }
    assert_eq!(checked, rows.len());
}
