//! Conformance: every signal told in another unit changes what wears that unit, by that factor, and
//! nothing else; and no feature is skipped by it, nor by any rule that looks at the eventful day.

mod common;

use common::{Site, eventful_day};
use metersift_features::{FeatureDef, FeatureRow, features};
use metersift_model::Signal;

/// Features without a value on the eventful day, whose signals have every digit; the last test
/// rounds them.
fn needs_rounding(name: &str) -> bool {
    name.ends_with("_resolution") || name == "density_resolution_kg_m3"
}

#[test]
fn every_feature_but_the_resolutions_has_a_value_on_the_eventful_day() {
    let row = eventful_day().row();
    for def in features() {
        assert_eq!(row.get(def.name).is_some(), !needs_rounding(def.name), "{}", def.name);
    }
}

/// Every value of `changed` is what `want` makes of the one of `row`, within a share `slack`.
fn compare(
    row: &FeatureRow,
    changed: &FeatureRow,
    slack: f64,
    want: impl Fn(&FeatureDef, f64) -> f64,
) {
    for ((def, &a), &b) in features().iter().zip(row.values()).zip(changed.values()) {
        let want = want(def, a);
        let same = want.to_bits() == b.to_bits() || (want - b).abs() <= slack * want.abs();
        assert!(same, "{}: {a} became {b}, not {want}", def.name);
    }
}

fn scale(site: &mut Site, signal: Signal, factor: f64) {
    let column = site.signals.get_mut(&signal).expect("the day has the signal");
    column.value.iter_mut().for_each(|value| *value *= factor);
}

/// A day whose liquid nobody knows: a known one has its density in kg/m3 and in nothing else.
fn day_of_unknown_liquid() -> Site {
    let mut site = eventful_day();
    site.meter.reference_fluid = None;
    site
}

// Factors are powers of two, so that not a bit is rounded.

#[test]
fn mass_flow_in_another_unit_changes_flow_and_mass() {
    let site = eventful_day();
    let mut other = site.clone();
    scale(&mut other, Signal::MassFlow, 0.25);
    let partner = other.partner.as_mut().expect("a partner");
    partner.value.iter_mut().for_each(|value| *value *= 0.25);
    other.meter.max_flow_kg_h *= 0.25;
    other.meter.zero_stability_kg_h *= 0.25;
    compare(&site.row(), &other.row(), 0.0, |def, a| match def.unit {
        "kg/h" | "kg" => 0.25 * a,
        _ => a,
    });
}

#[test]
fn volume_flow_in_another_unit_changes_flow_and_mass_where_it_stands_for_them() {
    let mut site = eventful_day();
    site.signals.remove(&Signal::MassFlow);
    let mut other = site.clone();
    scale(&mut other, Signal::VolumeFlow, 0.25);
    let partner = other.partner.as_mut().expect("a partner");
    partner.value.iter_mut().for_each(|value| *value *= 0.25);
    other.meter.max_flow_kg_h *= 0.25;
    other.meter.zero_stability_kg_h *= 0.25;
    let row = site.row();
    assert!(row.get("mass_kg").is_some());
    compare(&row, &other.row(), 0.0, |def, a| match def.unit {
        "kg/h" | "kg" | "m3/h" => 0.25 * a,
        _ => a,
    });
}

#[test]
fn density_in_another_unit_changes_density_its_scatter_and_the_resonator_s_slope() {
    let site = day_of_unknown_liquid();
    let mut other = site.clone();
    scale(&mut other, Signal::Density, 0.5);
    other.settings.known_fluid_stable_kg_m3 *= 0.5;
    compare(&site.row(), &other.row(), 0.0, |def, a| match def.unit {
        "kg/m3" => 0.5 * a,
        "s2 m3/kg" => 2.0 * a,
        _ => a,
    });
}

/// Degrees of twice the size about 20 degC, to which periods are corrected.
#[test]
fn temperature_in_another_unit_changes_temperature_only() {
    let site = day_of_unknown_liquid();
    let mut other = site.clone();
    let column = other.signals.get_mut(&Signal::Temperature).expect("a temperature");
    column.value.iter_mut().for_each(|value| *value = 20.0 + (*value - 20.0) / 2.0);
    other.settings.modulus_per_k *= 2.0;
    other.settings.expansion_per_k *= 2.0;
    other.settings.quiet_k_per_min /= 2.0;
    let (row, other) = (site.row(), other.row());
    // What lies on a line is told with an eye on single precision, which knows no 20 degC.
    let lines = ["temperature_updates", "temperature_line_share"];
    for name in lines {
        let (a, b) = (row.get(name).expect("known"), other.get(name).expect("known"));
        assert!((a - b).abs() <= 1e-4 * a.max(1.0), "{name}: {a} and {b}");
    }
    // Adding 20 rounds to 4e-15; the correction is 4e-4 of that.
    compare(&row, &other, 1e-12, |def, a| match def.name {
        "temperature_degc" => 20.0 + (a - 20.0) / 2.0,
        name if lines.contains(&name) => other.get(name).expect("known"),
        _ => a,
    });
}

#[test]
fn pressure_in_another_unit_changes_pressure_only() {
    let site = day_of_unknown_liquid();
    let mut other = site.clone();
    scale(&mut other, Signal::Pressure, 0.5);
    compare(&site.row(), &other.row(), 0.0, |def, a| match def.unit {
        "kPa" => 0.5 * a,
        _ => a,
    });
}

#[test]
fn drive_gain_in_another_unit_changes_its_level_only() {
    let site = eventful_day();
    let mut other = site.clone();
    scale(&mut other, Signal::DriveGain, 0.5);
    other.settings.drive_ceiling_pct *= 0.5;
    other.settings.gas_drive_points_pct *= 0.5;
    // Logarithms are rounded to some 4e-16.
    compare(&site.row(), &other.row(), 1e-12, |def, a| match def.name {
        "drive_log_low" | "drive_log_median" => a - 2.0_f64.ln(),
        "drive_gain_median_pct" | "drive_gain_resolution" => 0.5 * a,
        _ => a,
    });
}

#[test]
fn the_resolution_of_a_rounded_signal_is_told_in_its_unit() {
    let mut site = eventful_day();
    let resolutions = [
        (Signal::MassFlow, 8.0),
        (Signal::VolumeFlow, 1.0 / 128.0),
        (Signal::Density, 1.0 / 16.0),
        (Signal::Temperature, 1.0 / 256.0),
        (Signal::Pressure, 1.0 / 8.0),
        (Signal::DriveGain, 1.0 / 16.0),
        (Signal::PickoffInlet, 1.0 / 64.0),
        (Signal::PickoffOutlet, 1.0 / 64.0),
        (Signal::TubeFrequency, 1.0 / 1024.0),
    ];
    for (signal, r) in &resolutions {
        let column = site.signals.get_mut(signal).expect("the day has the signal");
        column.value.iter_mut().for_each(|value| *value = (*value / r).round() * r);
    }
    let mut other = site.clone();
    resolutions.iter().for_each(|(signal, _)| scale(&mut other, signal.clone(), 0.5));
    let (row, other) = (site.row(), other.row());
    for def in features().iter().filter(|def| needs_rounding(def.name)) {
        let of = def.name.split("_resolution").next().expect("a signal");
        let (_, want) = resolutions.iter().find(|(s, _)| s.name() == of).expect("a signal");
        // Steps are differences of exact multiples: the fit finds them exactly.
        assert_eq!(row.get(def.name), Some(*want), "{}", def.name);
        assert_eq!(other.get(def.name), Some(0.5 * want), "{}", def.name);
    }
}
