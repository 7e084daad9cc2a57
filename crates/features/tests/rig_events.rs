//! Events that somebody else labelled on a real rig, found or missed.
//!
//! Source: Ruiz-Carcel et al. (2015), doi:10.1016/j.conengprac.2015.04.012, BSD 2-clause; Stief et
//!         al. (2019), doi:10.1016/j.jprocont.2019.04.009, CC BY 4.0. The tests read
//!         `../shared/data` beside the repository and are skipped with a note where it is absent.
//!
//! Change points: least-squares breaks of a level (`metersift_stats::level_break`), split again
//! while a split lowers n ln(squares) by more than 3 ln n (two levels and a place, BIC; nothing
//! chosen by looking). A labelled change is hit when a break lies within 120 s.

#![allow(clippy::print_stderr, reason = "a skipped test must say so")]

use metersift_features::{MeterDay, Settings, SignalDay, bursts_of, meter_day};
use metersift_model::records::Meter;
use metersift_model::{Day, Signal};
use metersift_stats::level_break;
use std::collections::BTreeMap;
use std::path::PathBuf;

const DAY: Day = Day(20_000);

fn shared(name: &str) -> Option<PathBuf> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data").join(name);
    if path.exists() {
        return Some(path);
    }
    eprintln!("skipped: no `../shared/data/{name}` beside the repository");
    None
}

/// Columns of a gzipped table by name, as text.
fn read(path: PathBuf) -> BTreeMap<String, Vec<String>> {
    let file = std::fs::File::open(path).expect("a recording");
    let mut reader = csv::Reader::from_reader(flate2::read::GzDecoder::new(file));
    let names: Vec<String> = reader.headers().expect("header").iter().map(String::from).collect();
    let mut columns: BTreeMap<String, Vec<String>> =
        names.iter().map(|name| (name.clone(), Vec::new())).collect();
    for record in reader.records() {
        for (name, cell) in names.iter().zip(&record.expect("row")) {
            columns.get_mut(name).expect("a column").push(cell.to_string());
        }
    }
    columns
}

fn numbers(columns: &BTreeMap<String, Vec<String>>, name: &str) -> Vec<f64> {
    columns[name].iter().map(|cell| cell.parse().expect("a number")).collect()
}

fn seconds(n: usize) -> Vec<i64> {
    (0..n as i64).map(|s| DAY.start().0 + s * 1_000_000).collect()
}

/// ln of the burst noise over four updates by window of a minute: start second and value.
fn burst_noise(value: &[f64]) -> Vec<(i64, f64)> {
    let (time, quality) = (seconds(value.len()), vec![192; value.len()]);
    let signal = SignalDay::new(&time, value, &quality).expect("sorted");
    let settings = Settings { burst_window_s: 60.0, ..Settings::default() };
    bursts_of(&signal, &Signal::Density, DAY, &settings)
        .into_iter()
        .filter(|window| window.burst4 > 0.0)
        .map(|window| (window.start_us / 1_000_000, window.burst4.ln()))
        .collect()
}

/// Breaks of a level, as places in the series, sorted.
fn breaks(values: &[f64], from: usize, found: &mut Vec<usize>) {
    const MIN_WINDOWS: usize = 5;
    let n = values.len() as f64;
    let Some(split) = level_break(values, MIN_WINDOWS) else { return };
    let gain = n * (split.squares_one_level / split.squares_two_levels).ln();
    if gain > 3.0 * n.ln() {
        breaks(&values[..split.at], from, found);
        found.push(from + split.at);
        breaks(&values[split.at..], from + split.at, found);
    }
}

/// Labelled changes hit, labelled changes missed, breaks at no label.
fn score(series: &[(i64, f64)], labels: &[i64]) -> (usize, usize, usize) {
    let values: Vec<f64> = series.iter().map(|(_, value)| *value).collect();
    let mut found = Vec::new();
    breaks(&values, 0, &mut found);
    let at: Vec<i64> = found.iter().map(|&i| series[i].0).collect();
    let near = |a: i64, b: i64| (a - b).abs() <= 120;
    let hits = labels.iter().filter(|label| at.iter().any(|a| near(*a, **label))).count();
    let false_alarms = at.iter().filter(|a| !labels.iter().any(|label| near(**a, *label))).count();
    (hits, labels.len() - hits, false_alarms)
}

/// Five changes within run 5_2: slugging begins at 1632, 7029 and 8052 s and ends at 2953 and
/// 7555 s (the last period lasts to the end).
#[test]
fn starts_and_ends_of_slugging_at_the_riser_top() {
    let Some(folder) = shared("flow_facility_2015") else { return };
    let run = read(folder.join("run_5_2.csv.gz"));
    let labels = [1632, 2953, 7029, 7555, 8052];
    assert_eq!(score(&burst_noise(&numbers(&run, "FT407_density")), &labels), (1, 4, 3));
}

/// The single-phase meter of the same run: whatever breaks there is a false alarm.
#[test]
fn the_single_phase_meter_has_no_event_of_its_own() {
    let Some(folder) = shared("flow_facility_2015") else { return };
    let run = read(folder.join("run_5_2.csv.gz"));
    assert_eq!(score(&burst_noise(&numbers(&run, "FT104_density")), &[]), (0, 0, 0));
}

/// Bypass of runs 4_1 and 4_3, opened in steps: of interest is where the separator outlet turns
/// full and back, which no label says; the first opening and the closing are labelled.
#[test]
fn opening_and_closing_of_the_bypass_at_the_separator_outlet() {
    let Some(folder) = shared("flow_facility_2015") else { return };
    for (name, labels, want) in [
        ("4_1", vec![953, 1358, 2228, 3083, 3443, 4203, 5123, 5588, 5993, 6293], (3, 7, 5)),
        ("4_3", vec![240, 540, 840, 1140, 1440, 1740, 2040, 2340, 2640, 2940, 3240], (3, 8, 0)),
    ] {
        let run = read(folder.join(format!("run_{name}.csv.gz")));
        let density = numbers(&run, "FT406_density");
        let windows: Vec<(i64, f64)> = density
            .chunks(60)
            .enumerate()
            .map(|(i, window)| {
                let mut sorted = window.to_vec();
                sorted.sort_by(f64::total_cmp);
                (60 * i as i64, sorted[sorted.len() / 2])
            })
            .collect();
        assert_eq!(score(&windows, &labels), want, "{name}");
    }
}

/// Test day 2 of 2019: from *Normal* to *Air leakage* the recorder of the inlet density stored
/// fewer points (README of the copy: the scaled deviation of first differences falls from 6.4e-5
/// to 0 kg/m3). Nothing happened to the meter: its noise must be told as limited by the recorder,
/// or not at all, and single-phase water must have no gas, whatever the plant around it does.
#[test]
fn the_inlet_meter_of_2019_is_neither_quieter_nor_gassy() {
    let Some(folder) = shared("flow_facility_2019") else { return };
    let day = read(folder.join("Testday2_merged.csv.gz"));
    let columns = [
        (Signal::Density, numbers(&day, "Water.Density")),
        (Signal::Temperature, numbers(&day, "Water.T")),
        (Signal::MassFlow, numbers(&day, "WaterIn").iter().map(|q| 3600.0 * q).collect()),
    ];
    let meter = water_meter();
    for (from, until) in [(0, 361), (361, 9_241), (9_241, 9_602), (9_602, 12_420)] {
        let (time, quality) = (seconds(until - from), vec![192; until - from]);
        let mut input = MeterDay::new(&meter, DAY);
        for (signal, values) in &columns {
            let one = SignalDay::new(&time, &values[from..until], &quality).expect("sorted");
            input.signals.insert(signal.clone(), one);
        }
        let row = meter_day(&input, &Settings::default());
        let (noise, limited) =
            (row.get("density_noise_kg_m3"), row.get("density_noise_floor_limited"));
        assert!(noise.is_none() || limited == Some(1.0), "{from}: {noise:?} {limited:?}");
        let gas = row.get("gas_share");
        assert!(gas.is_none_or(|share| share == 0.0), "{from}: {gas:?}");
    }
}

fn water_meter() -> Meter {
    Meter {
        meter: "inlet".into(),
        service: "water".into(),
        stream: "rig".into(),
        max_flow_kg_h: 25_000.0,
        zero_stability_kg_h: 2.5,
        base_accuracy_pct: 0.1,
        criticality: 1,
        reference_fluid: Some("water".into()),
        ..Meter::default()
    }
}
