//! What must not change a feature: the date, a clock change, readings written twice, the way in
//! which a bad stretch is told. Every feature of an eventful day is held against it.

mod common;

use common::{Column, DAY, Site, eventful_day};
use metersift_features::{
    FeatureRow, Group, SignalDay, features, hours_to_table, meter_day, meter_day_and_hours,
};
use metersift_model::time::US_PER_DAY;
use metersift_model::{ColumnData, Day};

fn each(site: &mut Site, change: impl Fn(&mut Column)) {
    site.signals.values_mut().chain(site.partner.as_mut()).for_each(change);
}

fn differing(a: &FeatureRow, b: &FeatureRow, but: impl Fn(&str) -> bool) -> Vec<String> {
    let all = features().iter().zip(a.values()).zip(b.values());
    all.filter(|((def, a), b)| a.to_bits() != b.to_bits() && !but(def.name))
        .map(|((def, a), b)| format!("{}: {a} and {b}", def.name))
        .collect()
}

/// The days on which clocks change in Europe and North America, UTC, are days of 24 hours.
#[test]
fn no_date_and_no_clock_change_alters_a_feature() {
    let site = eventful_day();
    let plain = site.row();
    for date in ["2025-03-30", "2025-10-26", "2025-03-09", "2025-11-02", "2024-02-29", "1969-12-31"]
    {
        let day = Day::parse(date).expect("a date");
        let mut moved = site.clone();
        let by = i64::from(day.0 - DAY.0) * US_PER_DAY;
        each(&mut moved, |column| column.time_us.iter_mut().for_each(|time| *time += by));
        moved.records = moved.records.map(|records| records.moved(by));
        let mut input = moved.input();
        input.day = day;
        let (row, hours) = meter_day_and_hours(&input, &moved.settings);
        assert_eq!(differing(&plain, &row, |_| false), Vec::<String>::new(), "{date}");
        assert_eq!(hours.len(), 24);
        let table = hours_to_table(&hours);
        let Some(ColumnData::Time(times)) = table.column("hour").map(|c| c.data.clone()) else {
            panic!("no hours")
        };
        let steps =
            times.windows(2).map(|pair| pair[1].expect("time").0 - pair[0].expect("time").0);
        assert!(steps.into_iter().all(|step| step == 3_600_000_000), "{date}");
    }
}

/// A recorder that writes every value twice measures nothing more.
#[test]
fn a_doubled_sampling_rate_without_news_alters_nothing_but_the_recorder_columns() {
    let site = eventful_day();
    let mut doubled = site.clone();
    each(&mut doubled, |column| {
        let mut twice = Column::default();
        for i in 0..column.value.len() {
            for half in 0..2 {
                twice.time_us.push(column.time_us[i] + half * 500_000);
                twice.value.push(column.value[i]);
                twice.quality.push(column.quality[i]);
            }
        }
        *column = twice;
    });
    let (a, b) = (site.row(), doubled.row());
    let recorder = |name: &str| {
        let of = |def: &&metersift_features::FeatureDef| def.name == name;
        features().iter().find(of).is_some_and(|def| def.group == Group::Recorder)
    };
    // At ten spacings of half the length another thing is meant; one hour stays one hour, of a
    // staircase. Sums of other parts differ in their last digits.
    let but = |name: &str| recorder(name) || name.starts_with("density_allan");
    for ((def, &a), &b) in features().iter().zip(a.values()).zip(b.values()) {
        // One reading of independent noise in 450 lies on the line through its neighbours by chance
        // and is no update; written twice, none does.
        let slack = if def.group == Group::Noise { 0.01 } else { 1e-9 };
        let same = a.to_bits() == b.to_bits() || (a - b).abs() <= slack * a.abs();
        assert!(same || but(def.name), "{}: {a} and {b}", def.name);
    }
    let updates = |row: &FeatureRow| row.get("density_updates").expect("a count");
    assert!((updates(&b) / updates(&a) - 1.0).abs() < 0.005);
}

/// Bad readings are no readings: only their share tells that they came.
#[test]
fn a_bad_stretch_is_a_stretch_that_is_missing() {
    let stretch = DAY.start().0 + 20_000_000_000..DAY.start().0 + 27_000_000_000;
    let (mut bad, mut nothing, mut missing) = (eventful_day(), eventful_day(), eventful_day());
    let inside = |time: &i64| stretch.contains(time);
    each(&mut bad, |column| {
        for (time, quality) in column.time_us.iter().zip(&mut column.quality) {
            *quality = if inside(time) { 0 } else { *quality };
        }
    });
    each(&mut nothing, |column| {
        for (time, value) in column.time_us.iter().zip(&mut column.value) {
            *value = if inside(time) { f64::NAN } else { *value };
        }
    });
    // One bad reading says that the value before it ended; the rest of the stretch is silence.
    each(&mut missing, |column| {
        let kept: Vec<usize> = (0..column.value.len())
            .filter(|&i| !inside(&column.time_us[i]) || !inside(&column.time_us[i - 1]))
            .collect();
        let quality = |i: usize| if inside(&column.time_us[i]) { 0 } else { 192 };
        *column = Column {
            time_us: kept.iter().map(|&i| column.time_us[i]).collect(),
            value: kept.iter().map(|&i| column.value[i]).collect(),
            quality: kept.iter().map(|&i| quality(i)).collect(),
        };
    });
    let rows = [bad.row(), nothing.row(), missing.row()];
    assert_eq!(differing(&rows[0], &rows[1], |_| false), Vec::<String>::new());
    let share = |name: &str| name.ends_with("_bad_share");
    assert_eq!(differing(&rows[0], &rows[2], share), Vec::<String>::new());
    assert!(rows[0].get("density_bad_share").expect("a share") > 0.08);
}

/// Sorted by the type: what is not cannot be handed in.
#[test]
fn readings_out_of_order_are_refused_before_any_feature_is_made() {
    let mut column = eventful_day().signals.into_values().next().expect("a signal");
    column.time_us.swap(100, 200);
    assert!(SignalDay::new(&column.time_us, &column.value, &column.quality).is_err());
}

/// 1e308 and infinities are outside every physical span: null, never infinite, and the good
/// readings around them count as if they had not come.
#[test]
fn huge_readings_are_nobody_s_value() {
    let plain = eventful_day();
    for huge in [1e308, -1e308, f64::INFINITY, f64::NEG_INFINITY] {
        let spoil = |site: &mut Site, value: f64, quality: u8| {
            each(site, |column| {
                for i in (500..column.value.len()).step_by(977) {
                    column.value[i] = value;
                    column.quality[i] = quality;
                }
            });
        };
        let (mut spoilt, mut bad) = (plain.clone(), plain.clone());
        spoil(&mut spoilt, huge, 192);
        spoil(&mut bad, 1.0, 0);
        let (a, b) = (spoilt.row(), bad.row());
        assert_eq!(differing(&a, &b, |_| false), Vec::<String>::new(), "{huge}");
        let mut only = plain.clone();
        each(&mut only, |column| column.value.fill(huge));
        let row = meter_day(&only.input(), &only.settings);
        let known: Vec<&str> = features()
            .iter()
            .filter(|def| ![Group::Recorder, Group::Records].contains(&def.group))
            .filter(|def| row.get(def.name).is_some())
            .map(|def| def.name)
            .collect();
        assert_eq!(known, Vec::<&str>::new(), "{huge}");
    }
}
