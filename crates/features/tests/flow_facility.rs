//! Features on real recordings: three meters of a flow facility on air and water, 1 Hz, ten runs
//! of one to three hours, with labelled slugging.
//!
//! Source: Ruiz-Carcel, Cao, Mba, Lao & Samuel (2015), Control Engineering Practice 42, 74-88,
//!         doi:10.1016/j.conengprac.2015.04.012; data BSD 2-clause, (c) 2015 Yi Cao. The tests
//!         read `../shared/data/flow_facility_2015` beside the repository and are skipped with a
//!         note where it is absent. FT104 is single-phase water, FT406 a separator outlet with
//!         gas carried under, FT407 a riser top that always carries air and water.
//!
//! The register lines are ours: the recordings say nothing on spans or zero stabilities.

#![allow(clippy::print_stderr, reason = "a skipped test must say so")]

use metersift_features::{
    BurstWindow, FeatureRow, Group, Habits, MeterDay, Settings, SignalDay, WhyNull, burst_windows,
    bursts_of, habits_of, meter_day,
};
use metersift_model::records::Meter;
use metersift_model::{Day, Signal};
use std::collections::BTreeMap;
use std::path::PathBuf;

const RUNS: [&str; 10] = ["1_1", "1_3", "2_1", "2_2", "3_1", "3_3", "4_1", "4_3", "5_2", "6_2"];

fn folder() -> Option<PathBuf> {
    let path =
        PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data/flow_facility_2015");
    if path.is_dir() {
        return Some(path);
    }
    eprintln!("skipped: no folder `../shared/data/flow_facility_2015` beside the repository");
    None
}

/// One run: columns by name, one row per second of a UTC day of its own.
struct Run {
    day: Day,
    columns: BTreeMap<String, Vec<f64>>,
    n: usize,
}

impl Run {
    fn read(folder: &std::path::Path, name: &str) -> Run {
        let file = std::fs::File::open(folder.join(format!("run_{name}.csv.gz"))).expect("run");
        let mut reader = csv::Reader::from_reader(flate2::read::GzDecoder::new(file));
        let names: Vec<String> =
            reader.headers().expect("header").iter().map(String::from).collect();
        let mut columns: Vec<Vec<f64>> = vec![Vec::new(); names.len()];
        let mut first = String::new();
        for record in reader.records() {
            let record = record.expect("row");
            if first.is_empty() {
                first = record[0].to_string();
            }
            for (column, cell) in columns.iter_mut().zip(&record).skip(1) {
                column.push(cell.parse().expect("number"));
            }
        }
        let n = columns[1].len();
        let day = Day::parse(&first[..10]).expect("day");
        Run { day, columns: names.into_iter().zip(columns).collect(), n }
    }

    fn column(&self, name: &str, factor: f64) -> Vec<f64> {
        self.columns[name].iter().map(|value| value * factor).collect()
    }

    fn time_us(&self) -> Vec<i64> {
        (0..self.n as i64).map(|s| self.day.start().0 + s * 1_000_000).collect()
    }

    fn features(&self, meter: &str, max_flow_kg_h: f64, reference: Option<&str>) -> FeatureRow {
        let register = register(meter, max_flow_kg_h, reference);
        let time = self.time_us();
        let quality = vec![192; self.n];
        let flow = self.column(&format!("{meter}_flow"), 3600.0);
        let density = self.column(&format!("{meter}_density"), 1.0);
        let temperature = self.column(&format!("{meter}_temperature"), 1.0);
        let mut day = MeterDay::new(&register, self.day);
        for (signal, value) in [
            (Signal::MassFlow, &flow),
            (Signal::Density, &density),
            (Signal::Temperature, &temperature),
        ] {
            let signal_day = SignalDay::new(&time, value, &quality).expect("sorted");
            day.signals.insert(signal, signal_day);
        }
        meter_day(&day, &Settings::default())
    }
}

fn register(meter: &str, max_flow_kg_h: f64, reference: Option<&str>) -> Meter {
    Meter {
        meter: meter.into(),
        service: "water".into(),
        stream: "rig".into(),
        max_flow_kg_h,
        zero_stability_kg_h: max_flow_kg_h * 1e-4,
        base_accuracy_pct: 0.1,
        criticality: 1,
        reference_fluid: reference.map(String::from),
        ..Meter::default()
    }
}

const METERS: [(&str, f64); 3] = [("FT104", 25_000.0), ("FT406", 25_000.0), ("FT407", 25_000.0)];

/// Every run and the row of one meter, with the reference fluid `water` in the register.
fn rows(meter: &str) -> Option<Vec<(&'static str, FeatureRow)>> {
    let folder = folder()?;
    let most = METERS.iter().find(|known| known.0 == meter).expect("known meter").1;
    let row =
        |run: &'static str| (run, Run::read(&folder, run).features(meter, most, Some("water")));
    Some(RUNS.into_iter().map(row).collect())
}

/// Habits of one column in every run, and the rows of the run.
fn habits(column: &str, factor: f64, kind: Signal) -> Option<Vec<(&'static str, Habits, f64)>> {
    let folder = folder()?;
    let of_run = |name: &'static str| {
        let run = Run::read(&folder, name);
        let (time, value, quality) = (run.time_us(), run.column(column, factor), vec![192; run.n]);
        let signal = SignalDay::new(&time, &value, &quality).expect("sorted");
        (name, habits_of(&signal, &kind, run.day, &Settings::default()).0, run.n as f64)
    };
    Some(RUNS.into_iter().map(of_run).collect())
}

fn mean_by_rows(runs: &[(&str, Habits, f64)], share: impl Fn(&Habits) -> f64) -> f64 {
    let rows: f64 = runs.iter().map(|run| run.2).sum();
    runs.iter().map(|(_, habits, n)| share(habits) * n).sum::<f64>() / rows
}

/// The data's README: 63 % of the points of FT104 flow lie on the line through their neighbours.
/// Half of a point in a hundred is the spread between ways to count that we tried.
#[test]
fn interpolated_flow_of_ft104_is_found() {
    let Some(runs) = habits("FT104_flow", 3600.0, Signal::MassFlow) else { return };
    let share = mean_by_rows(&runs, |habits| habits.line_share);
    assert!((share - 0.63).abs() < 0.02, "{share}");
}

/// README: FT407 density repeats exactly in half of its steps.
#[test]
fn repeats_of_ft407_density_are_found() {
    let Some(runs) = habits("FT407_density", 1.0, Signal::Density) else { return };
    let share = mean_by_rows(&runs, |habits| habits.repeat_share);
    assert!((share - 0.50).abs() < 0.03, "{share}");
}

/// README: FT407 flow stops at -0.248 kg/s in 39 % of the rows.
#[test]
fn the_floor_of_ft407_flow_is_found() {
    let Some(runs) = habits("FT407_flow", 3600.0, Signal::MassFlow) else { return };
    let share = mean_by_rows(&runs, |habits| habits.floor_share);
    assert!((share - 0.39).abs() < 0.01, "{share}");
    for (run, habits, _) in runs {
        assert!((habits.lowest / 3600.0 + 0.248).abs() < 0.002, "{run}: {}", habits.lowest);
    }
}

/// README: FT104 density moves in single-precision steps of 6.1e-5 kg/m3 (2^-14 between 512 and
/// 1024) and its robust noise sits on that step. In runs 2_2, 4_1 and 6_2 there is too little
/// steady time, or density drifts by many steps from one stored point to the next.
#[test]
fn ft104_density_noise_is_limited_by_its_resolution() {
    let Some(rows) = rows("FT104") else { return };
    for (run, row) in rows {
        let resolution = row.get("density_resolution_kg_m3").expect("resolution");
        assert!((resolution / 2.0_f64.powi(-14) - 1.0).abs() < 2e-3, "{run}: {resolution}");
        if !["2_2", "4_1", "6_2"].contains(&run) {
            assert_eq!(row.get("density_noise_floor_limited"), Some(1.0), "{run}");
            assert_eq!(row.why_null(Group::Noise), Some(WhyNull::FloorLimited), "{run}");
        }
    }
}

/// README: single-phase water, always full. Runs of one hour and more must do.
#[test]
fn the_single_phase_meter_has_no_gas_in_any_run() {
    for reference in [None, Some("water")] {
        let Some(folder) = folder() else { return };
        for run in RUNS {
            let row = Run::read(&folder, run).features("FT104", 25_000.0, reference);
            assert_eq!(row.get("gas_share"), Some(0.0), "{run}");
            assert_eq!(row.get("gas_startup_hours"), Some(0.0), "{run}");
            assert_eq!(row.get("gas_weak"), Some(1.0), "density alone is weak evidence");
        }
    }
}

/// README: FT406 carries gas in every run, least in 4_1 (9 of 24 windows of 300 s) and 4_3 (5 of
/// 12), where the bypass takes the flow away and leaves it full. Half a window is the spread of
/// a count of windows. Runs 2_1 and 6_2 stand still for more than half of their time, 2_2 hardly
/// flows at all: gas is told of flowing time only.
#[test]
fn the_separator_outlet_carries_gas_in_every_run_and_least_with_the_bypass_open() {
    let Some(rows) = rows("FT406") else { return };
    let share = |row: &FeatureRow| {
        let gas_hours = row.get("gas_hours")? + row.get("gas_startup_hours")?;
        Some(gas_hours / (24.0 * row.get("density_covered_share")?))
    };
    let shares: BTreeMap<&str, f64> =
        rows.iter().filter_map(|(run, row)| Some((*run, share(row)?))).collect();
    assert_eq!(shares.len(), 9, "{shares:?}");
    assert!((shares["4_1"] - 9.0 / 24.0).abs() < 0.05, "{shares:?}");
    assert!((shares["4_3"] - 5.0 / 12.0).abs() < 0.05, "{shares:?}");
    for run in ["1_1", "1_3", "3_1", "3_3", "5_2"] {
        assert!(shares[run] > 0.6, "{run}: {shares:?}");
    }
    assert!(shares.values().all(|&share| share > 0.3), "{shares:?}");
}

/// README: the riser top nearly always carries gas; it has no quiet level of its own, so only the
/// known fluid of the register shows it.
#[test]
fn the_riser_top_is_nearly_always_gassy_against_water_and_unknown_without() {
    let Some(folder) = folder() else { return };
    let mut shares = Vec::new();
    for run in RUNS {
        let data = Run::read(&folder, run);
        let row = data.features("FT407", 25_000.0, Some("water"));
        assert_eq!(row.get("gas_weak"), Some(1.0), "{run}");
        assert_eq!(row.get("density_kg_m3"), None, "{run}: never single-phase and steady");
        assert_eq!(row.why_null(Group::Density), Some(WhyNull::FilterEmpty), "{run}");
        // In runs 2_2 and 5_2 the flow stands and starts again: some of the gas is start-up gas.
        let (share, hours) = (row.get("gas_share").expect("judged"), row.get("gas_hours"));
        let judged_hours = hours.expect("judged") / share;
        shares.push(share + row.get("gas_startup_hours").expect("judged") / judged_hours);
        let alone = data.features("FT407", 25_000.0, None);
        assert!(alone.get("gas_share").is_some_and(|share| share < 0.2), "{run}: no quiet level");
    }
    let mean = shares.iter().sum::<f64>() / shares.len() as f64;
    assert!(shares.iter().all(|&share| share > 0.65) && mean > 0.88, "{shares:.2?}");
}

/// README: FT406 flow is exactly 0 in 89 to 96 % of its quiet full time.
#[test]
fn the_cut_off_of_ft406_hides_its_zero() {
    let Some(rows) = rows("FT406") else { return };
    for (run, row) in rows.iter().filter(|(run, _)| ["4_1", "4_3"].contains(run)) {
        assert_eq!(row.why_null(Group::Zero), Some(WhyNull::CutOffActive), "{run}");
        assert_eq!(row.get("zero_stabilities"), None, "{run}");
    }
}

/// README: FT104 reads -0.3 to +0.6 kg/m3 against pure water (Tanaka et al. 2001), by run.
#[test]
fn ft104_against_pure_water() {
    let Some(rows) = rows("FT104") else { return };
    let residuals: Vec<f64> =
        rows.iter().filter_map(|(_, row)| row.get("density_residual_kg_m3")).collect();
    assert!(residuals.len() >= 8, "{residuals:?}");
    let (low, high) =
        residuals.iter().fold((f64::MAX, f64::MIN), |(l, h), r| (l.min(*r), h.max(*r)));
    // 0.05: the README prints one decimal.
    assert!((low + 0.3).abs() < 0.05 && (high - 0.6).abs() < 0.05, "{residuals:.3?}");
}

/// Area under the ROC curve, ties one half.
fn auc(scored: &[(f64, bool)]) -> f64 {
    let (mut wins, mut pairs) = (0.0, 0.0);
    for (a, _) in scored.iter().filter(|(_, label)| *label) {
        for (b, _) in scored.iter().filter(|(_, label)| !label) {
            pairs += 1.0;
            wins += if a > b { 1.0 } else { f64::from(u8::from(a == b)) / 2.0 };
        }
    }
    wins / pairs
}

/// Slugging by second of run 5_2 (`fault_stage` 1 of the labels, ends included).
fn slugging(second: i64) -> bool {
    [(1632, 2952), (7029, 7554), (8052, 10_607)].iter().any(|&(a, b)| (a..=b).contains(&second))
}

/// Areas of both burst measures for slugging against the rest, over windows that lie within one
/// stage.
fn slugging_auc(windows: &[BurstWindow]) -> [f64; 2] {
    let pure = |window: &&BurstWindow| {
        let seconds = window.start_us / 1_000_000..window.end_us / 1_000_000;
        let slugs = seconds.clone().filter(|&second| slugging(second)).count();
        slugs == 0 || slugs == seconds.count()
    };
    let label = |window: &BurstWindow| slugging(window.start_us / 1_000_000);
    let area = |score: fn(&BurstWindow) -> f64| {
        let scored: Vec<(f64, bool)> = windows
            .iter()
            .filter(pure)
            .map(|window| (score(window), label(window)))
            .filter(|(score, _)| score.is_finite())
            .collect();
        auc(&scored)
    };
    [area(|window| window.burst), area(|window| window.burst4)]
}

fn bursts_of_run_5_2(meter: &str, window_s: f64) -> Option<Vec<BurstWindow>> {
    let run = Run::read(&folder()?, "5_2");
    let (time, quality) = (run.time_us(), vec![192; run.n]);
    let value = run.column(&format!("{meter}_density"), 1.0);
    let signal = SignalDay::new(&time, &value, &quality).expect("sorted");
    let settings = Settings { burst_window_s: window_s, ..Settings::default() };
    Some(bursts_of(&signal, &Signal::Density, run.day, &settings))
}

/// The figures to reach: 0.84 in windows of 60 s and 1.00 in windows of 300 s (Allan deviation
/// at 4 s, measured by the keepers of the data): the measure at four updates must reach them,
/// the one at one update comes within 0.01.
#[test]
fn bursts_of_the_riser_top_part_slugging_from_the_rest() {
    for (window_s, least) in [(60.0, [0.83, 0.84]), (300.0, [0.995, 0.995])] {
        let Some(windows) = bursts_of_run_5_2("FT407", window_s) else { return };
        let areas = slugging_auc(&windows);
        let reached = areas.iter().zip(least).all(|(&area, least)| area >= least);
        assert!(reached, "{window_s} s: {areas:.3?}");
    }
}

/// Control: the single-phase meter knows nothing of slugging downstream. The measure at four
/// updates in windows of 60 s; over 300 s fewer than 15 windows hold eight updates in a row. The
/// measure at one update is not asked here: FT104 moves by one or two single-precision steps per
/// update, so its rank follows the slow drift (0.65, at a thousandth of a kg/m3).
#[test]
fn bursts_of_the_single_phase_meter_do_not() {
    let Some(windows) = bursts_of_run_5_2("FT104", 60.0) else { return };
    let area = slugging_auc(&windows)[1];
    assert!((0.42..=0.50).contains(&area), "{area:.3}");
    // Both on every second, repeats and lines included, as the README counts. Thirty windows of
    // 300 s: the standard error of the area is 0.11.
    let Some(folder) = folder() else { return };
    let run = Run::read(&folder, "5_2");
    let time: Vec<i64> = (0..run.n as i64).map(|s| s * 1_000_000).collect();
    let linked: Vec<bool> = (0..run.n).map(|i| i > 0).collect();
    for (window_s, most) in [(60.0, 0.50), (300.0, 0.53)] {
        let value = run.column("FT104_density", 1.0);
        let areas = slugging_auc(&burst_windows(&time, &value, &linked, window_s, 20));
        assert!(areas.iter().all(|area| (0.42..=most).contains(area)), "{window_s}: {areas:.3?}");
    }
}
