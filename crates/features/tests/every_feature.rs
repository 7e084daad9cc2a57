//! Conformance: every feature meets an empty day, one reading, all gaps, a constant, infinities,
//! bad stretches, a broken register and a change of unit, and stays what it claims to be.

mod common;

use common::{Column, DAY, SECONDS, Site, eventful_day, meter, normals, quiet_day};
use metersift_features::{
    COUNTS, FeatureRow, Group, MeterDay, Scratch, Settings, SignalDay, WhyNull, features,
    meter_day, meter_day_with, to_table,
};
use metersift_model::{ColumnData, Signal};
use proptest::prelude::*;
use rayon::prelude::*;

/// Features that keep their meaning whatever came in.
fn holds_its_claims(row: &FeatureRow, case: &str) {
    for (def, &value) in features().iter().zip(row.values()) {
        assert!(!value.is_infinite(), "{case}: {} is infinite", def.name);
        if value.is_nan() {
            continue;
        }
        let share = def.name.ends_with("_share") && def.name != "gas_apparent_share";
        let hours = def.name.starts_with("hours_") || def.name.ends_with("_hours");
        let flag = ["_stuck", "_floor_limited", "_weak", "_used"]
            .iter()
            .any(|end| def.name.ends_with(end));
        let scatter = ["noise", "burst", "allan", "spread", "resolution", "spacing", "updates"];
        if share {
            assert!((0.0..=1.0).contains(&value), "{case}: {} = {value}", def.name);
        }
        if hours {
            assert!((0.0..=24.0 + 1e-9).contains(&value), "{case}: {} = {value}", def.name);
        }
        if flag {
            assert!(value == 0.0 || value == 1.0, "{case}: {} = {value}", def.name);
        }
        if scatter.iter().any(|word| def.name.contains(word)) {
            assert!(value >= 0.0, "{case}: {} = {value}", def.name);
        }
    }
    for count in COUNTS {
        assert!(row.count_of(count).is_none_or(|n| n >= 0), "{case}: {count}");
    }
}

/// The same column in every signal.
fn everywhere(column: &Column) -> Site {
    let mut site = Site::new();
    for signal in Signal::KNOWN {
        site = site.with_column(signal, column.clone());
    }
    site.partner = Some(column.clone());
    site.meter.reference_fluid = Some("water".into());
    site
}

fn seconds(value: impl Fn(usize) -> f64) -> Column {
    Column::every(1.0, (0..SECONDS).map(value).collect())
}

fn hostile() -> Vec<(&'static str, Column)> {
    let noise = normals(SECONDS, 21);
    let mut bad = seconds(|i| 10.0 + noise[i]);
    bad.quality = vec![0; SECONDS];
    let mut stretches = seconds(|i| 10.0 + noise[i]);
    for (i, quality) in stretches.quality.iter_mut().enumerate() {
        *quality = [192, 0, 64, 216][i / 700 % 4];
    }
    let mut sparse = Column::every(7000.0, vec![3.0; 12]);
    sparse.value[5] = -3.0;
    let mut outside = Column::every(1.0, vec![10.0; 10]);
    outside.time_us.iter_mut().for_each(|time| *time -= 86_400_000_000);
    let mut at_the_end = Column::every(1.0, vec![10.0]);
    at_the_end.time_us[0] = DAY.end().0 - 1;
    let mut by_microsecond = Column::every(0.000_001, (0..5000).map(|i| noise[i]).collect());
    by_microsecond.time_us.sort_unstable();
    by_microsecond.time_us.iter_mut().enumerate().for_each(|(i, t)| *t = DAY.start().0 + i as i64);
    vec![
        ("no sample", Column::default()),
        ("one sample", Column::every(1.0, vec![10.0])),
        ("two samples", Column::every(40_000.0, vec![10.0, 11.0])),
        ("last microsecond", at_the_end),
        ("another day", outside),
        ("all gaps", seconds(|_| f64::NAN)),
        ("all bad", bad),
        ("bad and uncertain stretches", stretches),
        ("constant", seconds(|_| 10.0)),
        ("zero", seconds(|_| 0.0)),
        ("minus zero", seconds(|i| if i % 2 == 0 { -0.0 } else { 0.0 })),
        ("infinities", seconds(|i| if i % 3 == 0 { f64::INFINITY } else { f64::NEG_INFINITY })),
        ("huge", seconds(|i| if i % 2 == 0 { f64::MAX } else { f64::MIN })),
        ("at the edge of the physical span", seconds(|i| if i % 2 == 0 { 1e4 } else { -1e4 })),
        ("smallest", seconds(|i| if i % 2 == 0 { f64::MIN_POSITIVE } else { 5e-324 })),
        ("negative", seconds(|i| -500.0 + noise[i])),
        ("ramp", seconds(|i| i as f64)),
        ("leaps", seconds(|i| if i / 40 % 2 == 0 { 1.0 } else { 9000.0 })),
        ("sparse", sparse),
        ("every microsecond", by_microsecond),
        ("noise", seconds(|i| 900.0 + 30.0 * noise[i])),
    ]
}

#[test]
fn every_feature_meets_every_hostile_day() {
    for (case, column) in hostile() {
        let row = everywhere(&column).row();
        holds_its_claims(&row, case);
        // One hostile signal beside good ones.
        for signal in Signal::KNOWN {
            let name = format!("{case} in {signal}");
            holds_its_claims(&quiet_day().with_column(signal, column.clone()).row(), &name);
        }
    }
}

#[test]
fn a_day_without_readings_knows_nothing_and_says_why() {
    let row = Site::new().row();
    for (def, value) in features().iter().zip(row.values()) {
        assert!(value.is_nan(), "{} = {value}", def.name);
    }
    for group in Group::WITH_REASON {
        assert_eq!(row.why_null(group), Some(WhyNull::NoSignal), "{}", group.name());
    }
}

#[test]
fn readings_of_bad_quality_only_are_told_from_no_readings() {
    let mut column = seconds(|i| i as f64);
    column.quality = vec![0; SECONDS];
    let row = everywhere(&column).row();
    for group in [Group::Operation, Group::Drive, Group::Density, Group::Noise, Group::Zero] {
        assert_eq!(row.why_null(group), Some(WhyNull::BadQuality), "{}", group.name());
    }
    assert_eq!(row.get("density_bad_share"), Some(1.0));
    assert_eq!(row.get("density_covered_share"), Some(0.0));
}

#[test]
fn a_broken_register_or_setting_makes_no_panic() {
    let noise = normals(SECONDS, 22);
    for number in [0.0, -1.0, f64::NAN, f64::INFINITY, f64::MIN_POSITIVE, 1e300] {
        let mut site = quiet_day().with(Signal::TubeFrequency, |i| 110.0 + 0.01 * noise[i]);
        site.meter.max_flow_kg_h = number;
        site.meter.zero_stability_kg_h = number;
        site.meter.base_accuracy_pct = number;
        holds_its_claims(&site.row(), &format!("register with {number}"));
        let mut site = quiet_day();
        site.settings = Settings {
            max_hold_s: number,
            settle_min: number,
            steady_band_share: number,
            steady_min: number,
            gas_density_share: number,
            startup_min: number,
            burst_window_s: number,
            burst_min_updates: 0,
            shut_in_min: number,
            shut_in_drop_min: number,
            ..Settings::default()
        };
        holds_its_claims(&site.row(), &format!("settings of {number}"));
    }
}

/// What does not depend on the unit of flow.
#[test]
fn a_change_of_the_flow_unit_changes_flows_only() {
    let noise = normals(SECONDS, 23);
    let flow = |i: usize| if i < 20_000 { 0.4 * noise[i] } else { 9000.0 + 40.0 * noise[i] };
    let site = quiet_day().with(Signal::MassFlow, flow);
    // A power of two, so that not a bit is rounded.
    let mut scaled = site.clone().with(Signal::MassFlow, |i| 0.25 * flow(i));
    scaled.meter.max_flow_kg_h *= 0.25;
    scaled.meter.zero_stability_kg_h *= 0.25;
    let (a, b) = (site.row(), scaled.row());
    for ((def, &a), &b) in features().iter().zip(a.values()).zip(b.values()) {
        let is_flow = ["kg/h", "kg"].contains(&def.unit);
        let want = if is_flow { 0.25 * a } else { a };
        assert!(want.to_bits() == b.to_bits(), "{}: {a} and {b}", def.name);
    }
}

fn scaled_by(site: &Site, signals: &[Signal], factor: f64) -> FeatureRow {
    let mut site = site.clone();
    for signal in signals {
        let column = site.signals.get_mut(signal).expect("the day has the signal");
        column.value.iter_mut().for_each(|value| *value *= factor);
    }
    site.row()
}

/// Pick-offs in another unit move the level of `D` by its logarithm and nothing else.
#[test]
fn a_change_of_the_pick_off_unit_changes_amplitudes_and_the_level_of_the_drive_only() {
    let site = eventful_day();
    let scaled = scaled_by(&site, &[Signal::PickoffInlet, Signal::PickoffOutlet], 2.0);
    let row = site.row();
    assert!(row.get("pickoff_inlet_mv").is_some() && row.get("drive_log_low").is_some());
    for ((def, &a), &b) in features().iter().zip(row.values()).zip(scaled.values()) {
        let want = match def.name {
            "drive_log_low" | "drive_log_median" => a - 2.0_f64.ln(),
            _ if def.unit == "mV" => 2.0 * a,
            _ => a,
        };
        // Logarithms are rounded to some 4e-16.
        let same = want.to_bits() == b.to_bits() || (want - b).abs() <= 1e-12;
        assert!(same, "{}: {a} and {b}", def.name);
    }
}

/// The period squared follows the unit of the frequency; no level of anything else does.
#[test]
fn a_change_of_the_frequency_unit_changes_the_resonator_only() {
    let site = eventful_day();
    let (row, scaled) = (site.row(), scaled_by(&site, &[Signal::TubeFrequency], 0.5));
    assert!(row.get("resonator_period2_s2").is_some());
    for ((def, &a), &b) in features().iter().zip(row.values()).zip(scaled.values()) {
        let want = match def.unit {
            "s2" | "s2 m3/kg" => 4.0 * a,
            "Hz" => 0.5 * a,
            _ => a,
        };
        assert!(want.to_bits() == b.to_bits(), "{}: {a} and {b}", def.name);
    }
}

#[test]
fn adding_a_constant_to_density_leaves_its_scatter_unchanged() {
    let noise = normals(SECONDS, 24);
    let at = |level: f64| quiet_day().with(Signal::Density, |i| level + 0.2 * noise[i]).row();
    let (a, b) = (at(1024.0), at(1280.0));
    for name in [
        "density_noise_kg_m3",
        "density_burst_kg_m3",
        "density_burst4_q90_kg_m3",
        "density_allan_10x_kg_m3",
        "density_tail_ratio",
    ] {
        let (a, b) = (a.get(name).expect("known"), b.get(name).expect("known"));
        // The sum level + noise is rounded to 2e-13: 1e-10 relative of 0.2 and its statistics.
        assert!((a / b - 1.0).abs() < 1e-9, "{name}: {a} and {b}");
    }
}

#[test]
fn readings_of_other_days_change_no_bit() {
    let site = quiet_day();
    let mut longer = site.clone();
    for column in longer.signals.values_mut() {
        let (before, after) = (DAY.start().0 - 1, DAY.end().0);
        column.time_us.insert(0, before);
        column.value.insert(0, 77.7);
        column.quality.insert(0, 192);
        column.time_us.push(after);
        column.value.push(-77.7);
        column.quality.push(192);
    }
    assert!(same_bits(&site.row(), &longer.row()));
}

fn same_bits(a: &FeatureRow, b: &FeatureRow) -> bool {
    let values = a.values().iter().zip(b.values()).all(|(a, b)| a.to_bits() == b.to_bits());
    values
        && COUNTS.iter().all(|count| a.count_of(count) == b.count_of(count))
        && Group::ALL.iter().all(|&group| a.why_null(group) == b.why_null(group))
}

#[test]
fn used_working_memory_and_any_number_of_threads_give_the_same_bits() {
    let sites: Vec<Site> =
        hostile().into_iter().map(|(_, column)| everywhere(&column)).chain([quiet_day()]).collect();
    let fresh: Vec<FeatureRow> = sites
        .iter()
        .map(|site| meter_day_with(&site.input(), &site.settings, &mut Scratch::default()))
        .collect();
    let mut scratch = Scratch::default();
    for (site, fresh) in sites.iter().zip(&fresh).rev() {
        let used = meter_day_with(&site.input(), &site.settings, &mut scratch);
        assert!(same_bits(&used, fresh));
    }
    for threads in [1, 2, 5] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("pool");
        let rows: Vec<FeatureRow> = pool.install(|| sites.par_iter().map(Site::row).collect());
        assert!(rows.iter().zip(&fresh).all(|(a, b)| same_bits(a, b)), "{threads} threads");
    }
}

#[test]
fn the_table_has_the_columns_that_other_rooms_ask_for() {
    let rows = [quiet_day().row(), Site::new().row()];
    let table = to_table(&rows);
    assert_eq!(table.n_rows(), 2);
    for name in [
        "hours_flowing hours_shut_in hours_zero_limited hours_in_span hours_above_span",
        "hours_reverse starts flow_q05_kg_h flow_q50_kg_h flow_q95_kg_h mass_kg hours_steady",
        "drive_log_low drive_log_median drive_log_spread drive_gain_median_pct",
        "drive_saturated_share pickoff_inlet_mv pickoff_outlet_mv pickoff_log_ratio",
        "pickoff_log_ratio_spread density_kg_m3 density_residual_kg_m3 temperature_degc",
        "pressure_kpa density_noise_kg_m3 density_noise_floor_limited density_noise_spacing_s",
        "density_resolution_kg_m3 density_burst_kg_m3 density_burst_q90_kg_m3",
        "density_burst4_kg_m3 density_burst4_q90_kg_m3 density_tail_ratio",
        "density_allan_10x_kg_m3 density_allan_1h_kg_m3 gas_share gas_hours gas_episodes",
        "gas_longest_h gas_apparent_share gas_startup_hours gas_weak resonator_slope",
        "resonator_intercept resonator_period2_s2 zero_stabilities zero_spread_stabilities",
        "hours_zero_quiet density_air_kg_m3 density_reference_point_kg_m3 partner_span_log",
        "partner_zero_kg_h checks_done checks_failed checks_aborted alerts_failure",
        "alerts_function_check alerts_out_of_spec alerts_maintenance mass_flow_updates",
        "tube_frequency_line_share volume_flow_ceiling_share density_stuck",
    ]
    .iter()
    .flat_map(|line| line.split(' '))
    {
        assert!(table.numbers(name).is_some(), "{name}");
    }
    for name in
        ["n_drive", "n_pickoff", "n_density", "n_noise", "n_resonator", "n_zero", "n_partner"]
    {
        assert!(
            matches!(table.column(name).map(|c| &c.data), Some(ColumnData::Count(_))),
            "{name}"
        );
    }
    assert_eq!(table.texts("why_density").expect("text")[1].as_deref(), Some("no_signal"));
    assert_eq!(table.texts("meter").expect("text")[0].as_deref(), Some("FT-3107"));
    assert_eq!(table.days("day").expect("days")[0], Some(DAY));
    assert_eq!(table.column("density_kg_m3").expect("column").unit, "kg/m3");
}

/// One sample of an arbitrary day: pause, value, quality.
fn sample() -> impl Strategy<Value = (i64, f64, u8)> {
    let pause = prop_oneof![Just(1_000_000_i64), 1..90_000_000_i64, 1..9_000_000_000_i64];
    let value = prop_oneof![
        4 => -10.0..2000.0_f64,
        2 => Just(1000.0),
        1 => Just(f64::NAN),
        1 => any::<f64>(),
    ];
    let quality = prop_oneof![6 => Just(192_u8), 1 => any::<u8>()];
    (pause, value, quality)
}

fn column(samples: Vec<(i64, f64, u8)>) -> Column {
    let mut column = Column::default();
    let mut time = DAY.start().0 - 30_000_000;
    for (pause, value, quality) in samples {
        time += pause;
        column.time_us.push(time);
        column.value.push(value);
        column.quality.push(quality);
    }
    column
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// No day, however broken, makes a feature break its claim.
    #[test]
    fn arbitrary_days_keep_every_claim(
        columns in proptest::collection::vec(proptest::collection::vec(sample(), 0..120), 9),
        reference in any::<bool>(),
    ) {
        let mut register = meter();
        register.reference_fluid = reference.then(|| "water".into());
        register.max_flow_kg_h = 1500.0;
        let columns: Vec<Column> = columns.into_iter().map(column).collect();
        let mut input = MeterDay::new(&register, DAY);
        for (signal, column) in Signal::KNOWN.into_iter().zip(&columns) {
            input.signals.insert(signal, column.signal());
        }
        input.partner_flow = Some((SignalDay::default(), columns[0].signal()));
        let row = meter_day(&input, &Settings::default());
        holds_its_claims(&row, "arbitrary");
    }
}
