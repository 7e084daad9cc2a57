//! Steps that units explain are told, what a process does by itself is not.
//!
//! Factors: NIST SP 811 (Thompson & Taylor 2008), appendix B, printed digits (from memory).

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use metersift_faults::unit_step::{Handover, Level, Side, SignalLevels, UnitStep, unit_steps};
use metersift_model::Signal;
use metersift_model::slip::slips;
use proptest::prelude::*;

/// Sixty readings about a level, ten seconds apart.
fn side(level: f64, scatter: f64) -> Level {
    let values: Vec<f64> =
        (0..60).map(|i| level + scatter * (f64::from(i * 37 % 60) / 30.0 - 1.0)).collect();
    Level::of(&values).unwrap()
}

fn levels(signal: Signal, declared: &str, before: f64, after: f64) -> SignalLevels {
    let scatter = |level: f64| match signal {
        Signal::Temperature => 0.3,
        _ => 0.004 * level.abs(),
    };
    SignalLevels {
        declared: declared.into(),
        before: side(before, scatter(before)),
        after: side(after, scatter(after)),
        gap_s: 10.0,
        signal,
    }
}

fn meter(name: &str, signals: Vec<SignalLevels>) -> Handover {
    Handover { meter: name.into(), dumps: (1, 2), signals }
}

fn told(signals: Vec<SignalLevels>) -> Vec<UnitStep> {
    unit_steps(&[meter("FT-3107", signals)])
}

fn quiet() -> Vec<SignalLevels> {
    vec![
        levels(Signal::MassFlow, "kg/h", 12_000.0, 12_100.0),
        levels(Signal::VolumeFlow, "m3/h", 11.5, 11.6),
        levels(Signal::Density, "kg/m3", 1043.0, 1043.4),
        levels(Signal::Temperature, "degC", 61.0, 61.4),
        levels(Signal::Pressure, "kPa", 300.0, 310.0),
        levels(Signal::DriveGain, "%", 11.0, 11.5),
        levels(Signal::PickoffInlet, "mV", 230.0, 230.5),
        levels(Signal::PickoffOutlet, "mV", 231.0, 231.2),
        levels(Signal::TubeFrequency, "Hz", 121.0, 121.01),
    ]
}

/// A quiet meter, one of whose signals reads otherwise from the handover on.
fn with(signal: Signal, after: impl Fn(f64) -> f64) -> Vec<SignalLevels> {
    let mut all = quiet();
    for one in all.iter_mut().filter(|one| one.signal == signal) {
        *one = levels(signal.clone(), &one.declared, one.before.median, after(one.before.median));
    }
    all
}

#[test]
fn everyday_slips_are_told_with_their_unit_and_side() {
    let cases: [(Signal, f64, &str); 12] = [
        (Signal::MassFlow, 0.001, "t/h"),
        (Signal::MassFlow, 2.204_62, "lb/h"),
        (Signal::MassFlow, 1.0 / 60.0, "kg/min"),
        (Signal::MassFlow, 1.0 / 3600.0, "kg/s"),
        (Signal::VolumeFlow, 4.402_87, "US gal/min"),
        (Signal::VolumeFlow, 35.3147, "ft3/h"),
        (Signal::Density, 0.001, "g/cm3"),
        (Signal::Density, 0.062_428, "lb/ft3"),
        (Signal::Pressure, 0.145_038, "psi"),
        (Signal::Pressure, 0.01, "bar"),
        (Signal::DriveGain, 0.01, "1"),
        (Signal::PickoffInlet, 0.001, "V"),
    ];
    for (signal, factor, unit) in cases {
        let found = told(with(signal.clone(), |level| level * factor));
        assert_eq!(found.len(), 1, "{signal} by {factor}: {found:?}");
        let explanation = &found[0].explanation;
        assert_eq!(explanation.unit, Some(unit), "{signal} by {factor}");
        assert_eq!(explanation.side, Side::After);
        assert!((explanation.factor / factor - 1.0).abs() < 1e-4, "{explanation:?}");
        assert!(explanation.words.starts_with(&format!("{unit} taken for ")), "{explanation:?}");
        // And back: the older readings were the wrong ones, or the unit was switched back.
        let back = told(with(signal.clone(), |level| level / factor));
        assert_eq!(back.len(), 1, "{signal} by 1/{factor}");
        assert_eq!(
            (back[0].explanation.unit, back[0].explanation.side),
            (Some(unit), Side::Before)
        );
    }
}

#[test]
fn temperatures_slip_with_their_offset() {
    // 61 degC is 141.8 degF and 334.15 K, by definition of the scales.
    for (after, unit) in [(141.8, "degF"), (334.15, "K")] {
        let found = told(with(Signal::Temperature, |_| after));
        assert_eq!(found.len(), 1, "{after}");
        assert_eq!(found[0].explanation.unit, Some(unit));
    }
    assert!(told(with(Signal::Temperature, |_| 145.0)).is_empty(), "no unit makes this");
    let mut warmed = with(Signal::Temperature, |_| 141.8);
    warmed[2] = levels(Signal::Density, "kg/m3", 1043.0, 1004.0);
    warmed[8] = levels(Signal::TubeFrequency, "Hz", 121.0, 121.3);
    assert!(told(warmed).is_empty(), "the density went with it: the line got hot");
}

#[test]
fn a_shifted_decimal_mark_is_told_where_no_unit_explains_the_step() {
    let found = told(with(Signal::Density, |level| level / 10.0));
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].explanation.unit, None);
    assert!(found[0].explanation.words.contains("decimal mark"), "{found:?}");
    assert!(told(with(Signal::DriveGain, |level| level * 10.0)).is_empty(), "drives do that");
}

/// What processes do at a change of shift, where dumps like to begin.
#[test]
fn a_process_that_moves_by_itself_is_no_slip() {
    let moved = |changes: &[(Signal, f64)]| {
        let mut all = quiet();
        for (signal, after) in changes {
            for one in all.iter_mut().filter(|one| one.signal == *signal) {
                *one = levels(signal.clone(), &one.declared, one.before.median, *after);
            }
        }
        told(all)
    };
    // From 10 to 36 kg/h, exactly g/s for kg/h, with the volume that goes with it.
    let flow =
        |factor: f64| [(Signal::MassFlow, 12_000.0 * factor), (Signal::VolumeFlow, 11.5 * factor)];
    for factor in [3.6, 2.204_62, 60.0, 0.001, 1000.0] {
        assert!(moved(&flow(factor)).is_empty(), "both flows by {factor}");
    }
    // A line that is emptied: syrup of 1200 kg/m3 to air of 1.2.
    let emptied = [(Signal::Density, 1.043), (Signal::TubeFrequency, 148.0)];
    assert!(moved(&emptied).is_empty(), "the frequency rose");
    // Gas takes the drive to its stop.
    let mut gas = quiet();
    gas[5] = levels(Signal::DriveGain, "%", 1.0, 100.0);
    assert!(told(gas).is_empty(), "a drive at its stop");
    // A pump starts: pressure 6.9-fold, flow with it.
    let started = [
        (Signal::Pressure, 300.0 * 6.894_757),
        (Signal::MassFlow, 31_000.0),
        (Signal::VolumeFlow, 29.8),
    ];
    assert!(moved(&started).is_empty());
}

#[test]
fn a_flow_alone_is_told_only_when_the_step_is_large_and_sharp() {
    let alone = |factor: f64, gap_s: f64| {
        let mut flow = levels(Signal::MassFlow, "kg/h", 10.0, 10.0 * factor);
        flow.gap_s = gap_s;
        let density = levels(Signal::Density, "kg/m3", 1043.0, 1043.0);
        told(vec![flow, density]).len()
    };
    assert_eq!(alone(3.6, 10.0), 0, "a flow that moved from 10 to 36 kg/h");
    assert_eq!(alone(1000.0, 10.0), 1);
    assert_eq!(alone(1000.0, 86_400.0), 0, "a day passed between");
}

#[test]
fn meters_of_different_flow_that_slip_alike_are_witnesses_and_meters_in_one_line_are_one() {
    let plant = |flows: &[f64]| {
        let flow = |level: &f64| levels(Signal::MassFlow, "kg/h", *level, level * 2.204_62);
        let meters = flows.iter().enumerate();
        let all: Vec<Handover> =
            meters.map(|(i, level)| meter(&format!("FT-{i}"), vec![flow(level)])).collect();
        unit_steps(&all).len()
    };
    assert_eq!(plant(&[900.0, 12_000.0, 40_000.0]), 3);
    assert_eq!(plant(&[12_000.0, 12_050.0, 11_980.0]), 0, "three meters in one line");
    assert_eq!(plant(&[900.0, 12_000.0]), 0);
}

#[test]
fn a_side_that_is_short_or_unsteady_says_nothing() {
    assert_eq!(Level::of(&[1.0; 7]), None);
    let mut rough = with(Signal::Density, |level| level / 1000.0);
    rough[2].after = side(1.043, 0.4);
    assert!(told(rough).is_empty());
    let mut late = with(Signal::Density, |level| level / 1000.0);
    late[2].gap_s = 8.0 * 86_400.0;
    assert!(told(late).is_empty());
}

fn signal() -> impl Strategy<Value = Signal> {
    prop::sample::select(Signal::KNOWN.to_vec())
}

fn declared(signal: &Signal) -> impl Strategy<Value = &'static str> + use<> {
    prop::sample::select(metersift_model::unit::known_units(signal))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..Default::default() })]

    /// Any unit for any other, at any level of a plant: what is told is a unit of that factor.
    #[test]
    fn a_slip_of_any_unit_is_told_by_its_factor(
        (signal, declared) in signal().prop_flat_map(|s| (Just(s.clone()), declared(&s))),
        pick in any::<prop::sample::Index>(),
        share in 0.4..2.5f64,
        back in any::<bool>(),
    ) {
        let slips = slips(&signal, declared);
        prop_assume!(!slips.is_empty());
        let slip = pick.get(&slips);
        let mut all = quiet();
        let at = all.iter().position(|one| one.signal == signal).unwrap();
        let level = all[at].before.median * if signal == Signal::DriveGain { 1.0 } else { share };
        let slipped = slip.apply(level);
        let ratio = slipped / level;
        prop_assume!(ratio.max(1.0 / ratio) > 1.52 && slipped.is_finite());
        prop_assume!(signal != Signal::Temperature || (slipped - level).abs() > 12.0);
        let (before, after) = if back { (slipped, level) } else { (level, slipped) };
        // Up into the range of a drive at its stop nothing is told.
        prop_assume!(signal != Signal::DriveGain || !(after > before && (80.0..120.0).contains(&after)));
        all[at] = levels(signal.clone(), declared, before, after);
        let found = told(all);
        prop_assert_eq!(found.len(), 1, "{} {} for {}: {} to {}", signal, slip.unit, declared, before, after);
        let factor = if back { 1.0 / slip.factor } else { slip.factor };
        let near = (found[0].explanation.factor / factor - 1.0).abs();
        prop_assert!(near < 0.03, "{:?} for {}", found, factor);
    }

    /// Levels that wander by up to a third, as between two nights, are never told.
    #[test]
    fn a_quiet_meter_is_never_told(shares in prop::collection::vec(0.75..1.33f64, 9), gap in 1.0..600_000.0f64) {
        let mut all = quiet();
        for (one, share) in all.iter_mut().zip(&shares) {
            *one = levels(one.signal.clone(), &one.declared, one.before.median, one.before.median * share);
            one.gap_s = gap;
        }
        prop_assert!(told(all).is_empty());
    }

    /// Which meter stands first makes no difference.
    #[test]
    fn the_order_of_meters_does_not_matter(factor in prop::sample::select(vec![2.204_62, 3.6, 0.001]), turn in 0..4usize) {
        let flows = [900.0, 12_000.0, 40_000.0, 70_000.0];
        let flow = |level: f64| levels(Signal::MassFlow, "kg/h", level, level * factor);
        let mut all: Vec<Handover> =
            flows.iter().map(|&level| meter(&format!("FT-{level}"), vec![flow(level)])).collect();
        let names = |all: &[Handover]| {
            let mut names: Vec<String> =
                unit_steps(all).iter().map(|step| all[step.handover].meter.clone()).collect();
            names.sort();
            names
        };
        let first = names(&all);
        prop_assert_eq!(first.len(), 4);
        all.rotate_left(turn);
        prop_assert_eq!(names(&all), first);
    }
}
