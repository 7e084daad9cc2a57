//! Midnight is no edge: what flowed, stood or carried gas before it still does after it.

mod common;

use common::{Column, DAY, SECONDS, Site, close, normals, quiet_day};
use metersift_features::{
    Exposure, FeatureRow, HourRow, SignalDay, hours_to_table, meter_day_and_hours,
};
use metersift_model::{ColumnData, Signal, TimeUs};
use std::collections::BTreeMap;

/// A site with a day before it.
struct Days {
    site: Site,
    before: BTreeMap<Signal, Column>,
}

impl Days {
    /// `value(s)` counts seconds from midnight of the day; the day before is negative.
    fn new() -> Days {
        Days { site: Site::new(), before: BTreeMap::new() }
    }

    fn with(mut self, signal: Signal, value: impl Fn(i64) -> f64) -> Days {
        let n = SECONDS as i64;
        let mut before = Column::every(1.0, (0..n).map(|s| value(s - n)).collect());
        before.time_us.iter_mut().for_each(|time| *time -= n * 1_000_000);
        self.before.insert(signal.clone(), before);
        self.site = self.site.with(signal, |s| value(s as i64));
        self
    }

    fn computed(&self) -> (FeatureRow, Vec<HourRow>) {
        let mut input = self.site.input();
        for (signal, column) in &self.before {
            input.before.insert(signal.clone(), column.signal());
        }
        meter_day_and_hours(&input, &self.site.settings)
    }

    /// The day as if nothing had been before it.
    fn alone(&self) -> (FeatureRow, Vec<HourRow>) {
        meter_day_and_hours(&self.site.input(), &self.site.settings)
    }
}

fn noise(s: i64, seed: &[f64]) -> f64 {
    seed[s.rem_euclid(SECONDS as i64) as usize]
}

/// Gas by density and drive gain for `gas` seconds; quiet liquid otherwise.
fn gassy(gas: impl Fn(i64) -> bool + Copy) -> Days {
    let (a, b) = (normals(SECONDS, 31), normals(SECONDS, 32));
    let level = move |s: i64, clean: f64, gassy: f64| if gas(s) { gassy } else { clean };
    let (density_noise, flow_noise) = (a.clone(), b.clone());
    Days::new()
        .with(Signal::MassFlow, move |s| 12_000.0 + 20.0 * noise(s, &flow_noise))
        .with(Signal::Density, move |s| {
            level(s, 1200.0, 1100.0) + level(s, 0.2, 20.0) * noise(s, &density_noise)
        })
        .with(Signal::DriveGain, move |s| level(s, 14.0, 60.0) + 0.1 * noise(s, &a))
}

#[test]
fn a_day_that_flows_on_is_steady_from_its_first_minute() {
    let days = gassy(|_| false);
    close(days.computed().0.get("hours_steady"), 24.0, 1e-12);
    close(days.alone().0.get("hours_steady"), 23.75, 1e-12);
}

#[test]
fn a_start_before_midnight_still_settles_after_it() {
    let days = Days::new().with(Signal::MassFlow, |s| if s < -300 { 0.0 } else { 12_000.0 });
    let (row, _) = days.computed();
    assert_eq!(row.get("starts"), Some(0.0), "it started the day before");
    close(row.get("hours_steady"), 24.0 - 10.0 / 60.0, 1e-12);
}

#[test]
fn a_value_held_over_midnight_counts_for_the_new_day_only_there() {
    let mut site = Site::new().with_column(
        Signal::MassFlow,
        Column {
            time_us: vec![DAY.start().0 + 1_200_000_000],
            value: vec![100.0],
            quality: vec![192],
        },
    );
    site.settings.max_hold_s = 3600.0;
    let before = Column {
        time_us: vec![DAY.start().0 - 600_000_000],
        value: vec![5000.0],
        quality: vec![192],
    };
    let mut input = site.input();
    input.before.insert(Signal::MassFlow, before.signal());
    let (row, hours) = meter_day_and_hours(&input, &site.settings);
    // 20 minutes at 5000 kg/h, then an hour at 100.
    close(row.get("mass_kg"), 5000.0 / 3.0 + 100.0, 1e-9);
    close(row.get("hours_flowing"), 1.0 / 3.0, 1e-12);
    close(row.get("mass_flow_covered_share"), 80.0 / 1440.0, 1e-12);
    assert_eq!(row.get("mass_flow_updates"), Some(1.0), "the held value was stored the day before");
    assert_eq!(hours[0].flowing_min, 20.0);
    assert!(hours[2].flowing_min.is_nan() && hours[2].exposure.is_none());
}

/// From 23:50 to 00:30: the first day has the begin, the second the time, and its true length.
#[test]
fn an_episode_over_midnight_is_one_episode_in_two_days() {
    let days = gassy(|s| (-600..1800).contains(&s));
    let (row, hours) = days.computed();
    assert_eq!(row.get("gas_episodes"), Some(0.0), "it began the day before");
    close(row.get("gas_hours"), 0.5, 0.01);
    close(row.get("gas_longest_h"), 40.0 / 60.0, 0.01);
    assert_eq!(hours[0].exposure, Some(Exposure::Sustained), "30 of 60 minutes");
    assert_eq!(hours[1].exposure, Some(Exposure::None));
    // The evening as its own day: shifted by six hours, nothing reaches over midnight.
    let evening = gassy(|s| (21_000..23_400).contains(&s)).alone().0;
    assert_eq!(evening.get("gas_episodes"), Some(1.0));
    close(evening.get("gas_longest_h"), 40.0 / 60.0, 0.01);
    // Ten minutes after midnight are no sustained gas by themselves; as the end of 50 they are.
    let long = gassy(|s| (-2400..1080).contains(&s));
    assert_eq!(long.computed().1[0].exposure, Some(Exposure::Sustained));
    let heavy = gassy(|s| (-3600..2400).contains(&s)).computed().1[0].exposure;
    assert_eq!(heavy, Some(Exposure::Heavy), "40 of 60 minutes of an episode of 100");
}

#[test]
fn a_shut_in_over_midnight_is_long_enough_at_once() {
    let (a, b) = (normals(SECONDS, 33), normals(SECONDS, 34));
    let shut = |s: i64| (-2700..2700).contains(&s);
    let days = Days::new()
        .with(Signal::MassFlow, move |s| {
            if shut(s) { 0.3 + 0.2 * noise(s, &a) } else { 12_000.0 + 20.0 * noise(s, &a) }
        })
        .with(Signal::Density, move |s| 1200.0 + 0.2 * noise(s, &b));
    let (row, hours) = days.computed();
    // Shut in from 23:15 to 00:45, the first 30 minutes left out.
    close(row.get("hours_zero_quiet"), 0.75, 1e-12);
    close(row.get("zero_stabilities"), 0.3, 0.02);
    assert_eq!(hours[0].shut_in_quiet_min, 45.0);
    let alone = days.alone().0;
    close(alone.get("hours_zero_quiet"), 0.25, 1e-12);
}

#[test]
fn the_hours_tell_what_cannot_be_known() {
    let mut site = quiet_day();
    let rows = |site: &Site| meter_day_and_hours(&site.input(), &site.settings).1;
    let all = rows(&site);
    assert_eq!(all.len(), 24);
    assert_eq!(all[5].hour, TimeUs(DAY.start().0 + 5 * 3_600_000_000));
    assert_eq!((all[5].flowing_min, all[5].single_phase_min, all[5].gas_min), (60.0, 60.0, 0.0));
    assert_eq!(all[5].exposure, Some(Exposure::None));
    // Nobody looked for gas: flow is known, the rest is not.
    for signal in [Signal::Density, Signal::DriveGain] {
        site.signals.remove(&signal);
    }
    let blind = rows(&site);
    assert_eq!(blind[5].flowing_min, 60.0);
    assert!(blind[5].gas_min.is_nan() && blind[5].shut_in_quiet_min.is_nan());
    assert_eq!(blind[5].exposure, None);
    let table = hours_to_table(&blind);
    assert_eq!(table.n_rows(), 24);
    assert!(matches!(table.column("hour").map(|c| &c.data), Some(ColumnData::Time(_))));
    assert_eq!(table.texts("exposure").expect("text")[5], None);
    assert_eq!(table.column("gas_min").expect("column").unit, "min");
    assert!(rows(&Site::new()).iter().all(|hour| hour.flowing_min.is_nan()));
}

/// Only the last two hours of the day before are looked at.
#[test]
fn older_readings_change_no_bit() {
    let days = gassy(|_| false);
    let mut older = gassy(|s| s < -7200);
    older.site = days.site.clone();
    let (a, b) = (days.computed(), older.computed());
    let bits = |row: &FeatureRow| row.values().iter().map(|v| v.to_bits()).collect::<Vec<_>>();
    assert_eq!(bits(&a.0), bits(&b.0));
    assert_eq!(a.1, b.1);
    let none = SignalDay::default();
    assert!(none.tail_before(DAY, 1).is_empty());
}
