//! Real exports, as untidy as they came: the folder `../shared/data` beside the repository,
//! where it is there.
//!
//! Sources: six exports of one year of readings, S. De Vito, Air Quality, UCI Machine Learning
//!          Repository, doi:10.24432/C59K5F, CC BY 4.0; lake chemistry, Bayerisches Landesamt
//!          fuer Umwelt, CC BY 4.0; rain, KNMI; river tables, USGS, public domain; three meters
//!          on a flow rig, C. Ruiz-Carcel et al. (2015), doi:10.1016/j.conengprac.2015.04.012,
//!          BSD 2-Clause; A. Stief et al. (2019), doi:10.1016/j.jprocont.2019.04.009, CC BY 4.0.

mod common;

use common::{Read, read, shared_data, source, tags};
use metersift_import::settings::{ColumnRef, DateOrder, Layout, QualityCode, QualityWord};
use metersift_import::{ImportError, detect};
use metersift_model::{RejectReason, TimeUs};
use std::collections::BTreeMap;

type SeriesOf = BTreeMap<i64, f64>;

/// Value by instant of one signal; a repeated instant must repeat its value.
fn series(read: &Read, signal: &str) -> SeriesOf {
    let mut out = SeriesOf::new();
    for reading in read.readings.iter().filter(|r| r.signal == signal) {
        if let Some(old) = out.insert(reading.time_us, reading.value) {
            assert!(old == reading.value || (old.is_nan() && reading.value.is_nan()));
        }
    }
    out
}

fn air_tags(sensor: &str, temperature: &str) -> String {
    format!(
        "tag,meter,signal,unit\n{sensor},AIR,other:pt08_s1,\n{temperature},AIR,temperature,degC\n"
    )
}

/// Told a zone with one offset all year, the six exports of one dataset are one series: 9,357
/// hours, equal in all values; the last has empty cells where the others have -200.
#[test]
fn six_exports_of_one_year_are_one_series() {
    let Some(folder) = shared_data("export_formats") else { return };
    let files = [
        ("air_a_semicolon_comma_noheader.csv", "4", "13"),
        ("air_b_dot_times_empty_tail.csv", "PT08.S1(CO)", "T"),
        ("air_c_bom_crlf.csv", "PT08.S1(CO)", "T"),
        ("air_d_unpadded_dates.csv", "PT08_S1_CO", "T"),
        ("air_e_month_first.csv", "PT08.S1(CO)", "T"),
        ("air_f_joined_time.csv", "PT08.S1(CO)", "T"),
    ];
    let mut first: Option<[SeriesOf; 2]> = None;
    for (name, sensor, temperature) in files {
        let mut settings = source("air");
        settings.bad_values = vec![-200.0];
        let tags = tags(&air_tags(sensor, temperature));
        let read = read(&folder.join(name), &settings, "+01:00", &tags).expect(name);
        let both = [series(&read, "other:pt08_s1"), series(&read, "temperature")];
        let known: Vec<SeriesOf> = both
            .iter()
            .map(|s| s.iter().filter(|(_, v)| !v.is_nan()).map(|(&t, &v)| (t, v)).collect())
            .collect();
        for (both, known) in both.iter().zip(&known) {
            assert_eq!(known.len(), 9357 - 366, "{name}");
            assert_eq!(both.len(), if name.starts_with("air_f") { 8991 } else { 9357 }, "{name}");
        }
        let known: [SeriesOf; 2] = known.try_into().expect("two series");
        match &first {
            None => first = Some(known),
            Some(first) => assert_eq!(*first, known, "{name}"),
        }
        assert_eq!(read.report.first.map(|t| t.to_string()), Some("2004-03-10T17:00:00Z".into()));
        assert_eq!(read.report.last.map(|t| t.to_string()), Some("2005-04-04T13:00:00Z".into()));
    }
}

/// The recorder kept one offset all year, so in the zone's own time two hours never existed.
#[test]
fn an_hour_that_never_existed_is_rejected_and_not_moved() {
    let Some(folder) = shared_data("export_formats") else { return };
    let path = folder.join("air_c_bom_crlf.csv");
    let tags = tags(&air_tags("PT08.S1(CO)", "T"));
    let read = read(&path, &source("air"), "Europe/Rome", &tags).expect("readable");
    let skipped: Vec<(&str, u64)> = read
        .rejects
        .iter()
        .filter(|reject| reject.reason == RejectReason::SkippedTime)
        .map(|reject| (reject.read.as_str(), reject.origin.line))
        .collect();
    assert_eq!(skipped, [("28/03/2004 2:00:00", 418), ("27/03/2005 2:00:00", 9154)]);
    // In October the clock of the recorder did not repeat an hour either: nothing tells which
    // of the two 02:00 it wrote.
    let folds = read.rejects.iter().filter(|r| r.reason == RejectReason::AmbiguousTime).count();
    assert_eq!(folds, 2, "one per tag");
}

#[test]
fn ten_runs_of_the_flow_rig_give_every_reading() {
    let Some(folder) = shared_data("flow_facility_2015") else { return };
    let tags = tags(common::RIG_TAGS);
    let (mut rows, mut readings) = (0, 0);
    for run in ["1_1", "1_3", "2_1", "2_2", "3_1", "3_3", "4_1", "4_3", "5_2", "6_2"] {
        let path = folder.join(format!("run_{run}.csv.gz"));
        let read = read(&path, &source("rig"), "", &tags).expect(run);
        assert_eq!(read.report.rejected_total(), 0, "{run}");
        assert_eq!(read.report.qualities.good, read.report.delivered, "{run}");
        rows += read.report.lines - 1;
        readings += read.report.delivered;
    }
    assert_eq!((rows, readings), (68_981, 1_655_544));
}

#[test]
fn a_dump_without_times_is_refused_with_that_reason() {
    let Some(folder) = shared_data("flow_facility_2019") else { return };
    let path = folder.join("Testday2_merged.csv.gz");
    match detect(&path, &source("rig"), "UTC") {
        Err(error @ ImportError::NoTime { .. }) => {
            assert!(error.to_string().starts_with("no time column"), "{error}");
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn lake_tables_are_read_below_their_notes() {
    let Some(folder) = shared_data("export_formats") else { return };
    let path = folder.join("lake_2006.csv");
    let found = detect(&path, &source("lake"), "+01:00").expect("readable");
    let dialect = &found.dialect;
    assert_eq!((dialect.skip_lines, dialect.header, dialect.delimiter), (8, true, b';'));
    assert_eq!(dialect.encoding.name(), "windows-1252");
    assert_eq!(dialect.numbers.decimal, b',');
    let name = "Wassertemp.(vor Ort) [\u{b0}C] (-1.0 m \u{fc}. Grund)";
    let tags = tags(&format!("tag,meter,signal,unit\n\"{name}\",LAKE,temperature,degC\n"));
    let read = read(&path, &source("lake"), "+01:00", &tags).expect("readable");
    let water: Vec<f64> = read.readings.iter().map(|r| r.value).collect();
    assert!(!water.is_empty() && water.iter().all(|&t| (0.0..30.0).contains(&t)), "{water:?}");
}

#[test]
fn a_river_table_is_read_below_its_format_row() {
    let Some(folder) = shared_data("export_formats") else { return };
    let path = folder.join("river_daily.rdb");
    let mut settings = source("river");
    settings.layout = Some(Layout::Long);
    settings.columns.tag = Some(ColumnRef::Name("site_no".into()));
    settings.columns.value = Some(ColumnRef::Name("01_00060_00003".into()));
    settings.columns.quality = Some(ColumnRef::Name("01_00060_00003_cd".into()));
    settings.quality = Some(QualityCode::Words);
    settings.quality_words = BTreeMap::from([
        ("A".to_owned(), QualityWord::Good),
        ("P".to_owned(), QualityWord::Uncertain),
    ]);
    let tags = tags("tag,meter,signal,unit\n02177000,RIVER,other:discharge,ft3/s\n");
    let read = read(&path, &settings, "-05:00", &tags).expect("readable");
    assert_eq!(read.report.rejected_total(), 0);
    assert_eq!(read.readings[0].value, 191.0);
    assert_eq!(read.readings[0].time_us, TimeUs(1_346_475_600_000_000).0);
    assert_eq!(read.report.qualities.good + read.report.qualities.uncertain, read.report.rows_in);
}

#[test]
fn the_other_tables_are_read_or_refused_with_a_reason() {
    let Some(folder) = shared_data("export_formats") else { return };
    let tags = tags(
        "tag,meter,signal,unit\ngage_height_va,R,other:gage,\nRD,RAIN,other:rain,\n\
         peak_va,R,other:peak,\n",
    );
    for name in [
        "rain_967.txt",
        "river_measurements.rdb",
        "river_peaks.rdb",
        "lake_2023.csv",
        "lake_110532.csv",
    ] {
        match read(&folder.join(name), &source("x"), "America/New_York", &tags) {
            Ok(read) => assert!(read.report.adds_up() && read.report.rows_in > 0, "{name}"),
            Err(error) => panic!("{name}: {error}"),
        }
    }
    let mut old = source("x");
    old.earliest = Some("1950-01-01".into());
    let rain = read(&folder.join("rain_967.txt"), &old, "UTC", &tags).expect("rain");
    let known = rain.readings.iter().filter(|r| !r.value.is_nan()).count();
    assert_eq!((rain.report.delivered, rain.readings[0].value), (known as u64, 13.0));
    let mut order = source("x");
    order.date_order = Some(DateOrder::DayMonth);
    assert!(read(&folder.join("air_e_month_first.csv"), &order, "UTC", &tags).is_err());
}
