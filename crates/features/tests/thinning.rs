//! What a historian's exception reporting does to the features: each from thinned data agrees with
//! that from full data within the error that the feature table states, or is marked.
//!
//! Full data: an eventful day at 1 Hz. Thinned: a value is stored when it leaves a dead-band about the last stored one (then
//! also the value before it, as such recorders do), or after 15 minutes. Read back in two ways:
//! the stored points, each held until the next; and an export every 5 s on straight lines.

mod common;

use common::{Column, SECONDS, Site, eventful_day, normals, quiet_day};
use metersift_features::{FeatureDef, FeatureRow, Group, Thinned, WhyNull, features};
use metersift_model::Signal;

const MAX_INTERVAL: usize = 900;

/// Dead-bands of a plant historian.
fn band(signal: &Signal) -> f64 {
    match signal {
        Signal::MassFlow => 60.0,
        Signal::Density => 0.5,
        Signal::Temperature => 0.1,
        Signal::Pressure => 2.0,
        Signal::DriveGain => 0.4,
        Signal::TubeFrequency => 0.01,
        _ => 0.3,
    }
}

/// Indices that are stored.
fn stored(value: &[f64], band: f64) -> Vec<usize> {
    let mut kept: Vec<usize> = vec![0];
    for i in 1..value.len() {
        let last = kept.last().copied().unwrap_or(0);
        let leaves = (value[i] - value[last]).abs() > band;
        if leaves && i - 1 > last {
            kept.push(i - 1);
        }
        if leaves || i - last >= MAX_INTERVAL {
            kept.push(i);
        }
    }
    kept
}

fn by_exception(column: &Column, band: f64) -> Column {
    let mut thin = Column::default();
    for i in stored(&column.value, band) {
        thin.time_us.push(column.time_us[i]);
        thin.value.push(column.value[i]);
        thin.quality.push(192);
    }
    thin
}

/// The stored points joined by lines, every 5 s.
fn along_lines(column: &Column, band: f64) -> Column {
    let kept = stored(&column.value, band);
    let mut at = 0;
    let value = (0..column.value.len())
        .step_by(5)
        .map(|i| {
            while at + 2 < kept.len() && kept[at + 1] <= i {
                at += 1;
            }
            let (from, to) = (kept[at], kept[at + 1]);
            let part = ((i - from) as f64 / (to - from) as f64).min(1.0);
            column.value[from] + part * (column.value[to] - column.value[from])
        })
        .collect();
    Column::every(5.0, value)
}

fn thinned(site: &Site, how: fn(&Column, f64) -> Column) -> Site {
    let mut thin = site.clone();
    for (signal, column) in &mut thin.signals {
        *column = how(column, band(signal));
    }
    thin.partner = thin.partner.as_ref().map(|flow| how(flow, band(&Signal::MassFlow)));
    thin
}

/// Whether a thinned row keeps what the table says of one feature; the complaint if not.
fn complaint(full: &FeatureRow, thin: &FeatureRow, at: usize) -> Option<String> {
    let def = &features()[at];
    let (a, b) = (full.values()[at], thin.values()[at]);
    let marked = thin.get("density_noise_floor_limited") == Some(1.0);
    let fits = match def.thinned {
        // Null is an honest answer; a value where full data have none is not.
        Thinned::Within { share, absolute } => {
            b.is_nan() || (b - a).abs() <= share * a.abs() + absolute
        }
        Thinned::Marked => b.is_nan() || marked,
        Thinned::Recorder | Thinned::Unsampled => true,
    };
    (!fits)
        .then(|| format!("{}: {a} from full data, {b} from thinned; {:?}", def.name, def.thinned))
}

#[test]
fn every_feature_survives_exception_reporting_within_its_stated_error_or_is_marked() {
    let site = eventful_day();
    let full = site.row();
    // What is not known from full data would pass unseen.
    for def in features().iter().filter(|def| matches!(def.thinned, Thinned::Within { .. })) {
        assert!(full.get(def.name).is_some(), "{} is not known on the full day", def.name);
    }
    let mut complaints = Vec::new();
    for (name, how) in
        [("held", by_exception as fn(&Column, f64) -> Column), ("lines", along_lines)]
    {
        let thin = thinned(&site, how);
        let kept: usize = thin.signals.values().map(|column| column.value.len()).sum();
        assert!(kept < SECONDS * 8 / 4, "{name} thins: {kept}");
        let row = thin.row();
        assert_eq!(row.why_null(Group::Noise), Some(WhyNull::FloorLimited), "{name}");
        let all = (0..features().len()).filter_map(|at| complaint(&full, &row, at));
        complaints.extend(all.map(|text| format!("{name}: {text}")));
        // Most values are there: silence would satisfy the rest of this test.
        let known = |row: &FeatureRow| {
            let within = |def: &FeatureDef| matches!(def.thinned, Thinned::Within { .. });
            features().iter().filter(|d| within(d) && row.get(d.name).is_some()).count()
        };
        assert!(known(&row) + 4 >= known(&full), "{name}: {} of {}", known(&row), known(&full));
    }
    assert!(complaints.is_empty(), "{}", complaints.join("\n"));
}

/// A clock that stores every value, a rounded one and one that skips in turn are no dead-band.
#[test]
fn clocks_are_not_taken_for_dead_bands() {
    let noise = normals(SECONDS, 71);
    let flagged = |column: Column| {
        let row = quiet_day().with_column(Signal::Density, column).row();
        row.get("density_noise_floor_limited").expect("a noise")
    };
    let value = |i: usize| 1286.0 + 0.3 * noise[i];
    let whole = Column::every(1.0, (0..SECONDS).map(value).collect());
    let keep = |keeps: &dyn Fn(usize) -> bool| {
        let mut column = Column::default();
        for i in (0..SECONDS).filter(|&i| keeps(i)) {
            column.time_us.push(whole.time_us[i]);
            column.value.push(whole.value[i]);
            column.quality.push(192);
        }
        column
    };
    assert_eq!(flagged(whole.clone()), 0.0);
    assert_eq!(flagged(keep(&|i| i % 60 == 0)), 0.0);
    assert_eq!(flagged(keep(&|i| matches!(i % 5, 0 | 1))), 0.0, "1 and 4 s in turn");
    let mut rounded = whole.clone();
    rounded.value.iter_mut().for_each(|v| *v = (*v / 0.2).round() * 0.2);
    assert_eq!(flagged(rounded), 0.0, "repeats that rounding explains");
    assert_eq!(flagged(by_exception(&whole, 1.0)), 1.0);
}
