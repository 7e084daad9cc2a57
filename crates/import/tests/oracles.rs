//! Other people's programs as witnesses: times against `jiff`, whole dumps against a plain
//! serial reader made of `csv`, `jiff` and the standard library.

mod common;

use common::{file_of, read_with, source, tags};
use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::{Offset, TimeZone};
use metersift_import::clock::{TimeFormat, TimeReader, TimeValue};
use metersift_import::read::ReadOptions;
use metersift_import::settings::{DateOrder, QualityCode};
use metersift_import::zone::Zone;
use proptest::prelude::*;

/// Pattern in which `jiff` prints, order in which we read, what the pattern loses (µs).
const PATTERNS: [(&str, DateOrder, i64); 14] = [
    ("%Y-%m-%dT%H:%M:%S.%6f", DateOrder::YearMonthDay, 1),
    ("%Y-%m-%d %H:%M:%S,%3f", DateOrder::YearMonthDay, 1000),
    ("%Y/%m/%d %H:%M:%S", DateOrder::YearMonthDay, 1_000_000),
    ("%Y%m%dT%H%M%S", DateOrder::YearMonthDay, 1_000_000),
    ("%Y%m%d%H%M%S", DateOrder::YearMonthDay, 1_000_000),
    ("%Y-%j", DateOrder::YearMonthDay, 86_400_000_000),
    ("%G-W%V-%u", DateOrder::YearMonthDay, 86_400_000_000),
    ("%d.%m.%Y %H:%M", DateOrder::DayMonth, 60_000_000),
    ("%d/%m/%Y %H.%M.%S", DateOrder::DayMonth, 1_000_000),
    ("%-d/%-m/%Y %-H:%M:%S", DateOrder::DayMonth, 1_000_000),
    ("%d-%b-%Y %H:%M:%S.%3f", DateOrder::DayMonth, 1000),
    ("%m/%d/%Y %I:%M:%S %p", DateOrder::MonthDay, 1_000_000),
    ("%-m/%-d/%Y %-I:%M %p", DateOrder::MonthDay, 60_000_000),
    ("%m-%d-%Y", DateOrder::MonthDay, 86_400_000_000),
];

fn instants() -> impl Strategy<Value = i64> {
    // 1990 to 2100, µs.
    631_152_000_000_000..4_102_444_800_000_000i64
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1500, failure_persistence: None,
        ..ProptestConfig::default() })]

    #[test]
    fn what_jiff_prints_we_read(us in instants(), which in 0..PATTERNS.len()) {
        let (pattern, order, lost_us) = PATTERNS[which];
        let civil = Offset::UTC.to_datetime(Timestamp::from_microsecond(us).expect("in range"));
        let text = civil.strftime(pattern).to_string();
        let format = TimeFormat::Civil { order, short_years: false };
        let utc = Zone::utc();
        let read = TimeReader::new(&format, &utc).read(text.as_bytes());
        prop_assert_eq!(read, TimeValue::At(us - us.rem_euclid(lost_us)), "{}", text);
    }

    #[test]
    fn offsets_and_zones_are_those_of_jiff(us in instants(), minutes in -720i32..840, zone in 0..4usize) {
        let name = ["Europe/London", "America/St_Johns", "Asia/Kathmandu", "Pacific/Chatham"][zone];
        let instant = Timestamp::from_microsecond(us).expect("in range");
        let offset = Offset::from_seconds(minutes * 60).expect("in range");
        let with_offset = instant.display_with_offset(offset).to_string();
        let rule = Zone::parse(name).expect(name);
        let mut reader = TimeReader::new(&TimeFormat::ISO, &rule);
        prop_assert_eq!(reader.read(with_offset.as_bytes()), TimeValue::At(us), "{}", with_offset);
        let local = TimeZone::get(name).expect(name).to_datetime(instant).to_string();
        match reader.read(local.as_bytes()) {
            TimeValue::At(at) => prop_assert_eq!(at, us, "{} {}", name, local),
            TimeValue::Fold { early, late, .. } => prop_assert!(early == us || late == us),
            other => prop_assert!(false, "{} {}: {:?}", name, local, other),
        }
    }
}

/// One row as the serial reader sees it: meter, µs, value, quality; `None` = rejected.
type Row = Option<(String, i64, u64, u8)>;

/// A plain reader: `csv` for fields, `jiff` for times, the standard library for numbers.
fn serial(bytes: &[u8], zone: &TimeZone) -> Vec<Row> {
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(bytes);
    let record = |record: csv::StringRecord| -> Row {
        let [tag, time, value, quality] = record.iter().collect::<Vec<_>>()[..] else {
            return None;
        };
        let meter = match tag {
            "A,\"1\"" => "A",
            "B;2" => "B",
            _ => return None,
        };
        let at = match time.parse::<Timestamp>() {
            Ok(at) => at,
            Err(_) => {
                let civil: DateTime = time.parse().ok()?;
                zone.to_ambiguous_timestamp(civil).unambiguous().ok()?
            }
        };
        let quality: u8 = quality.parse().ok()?;
        let number = value.parse::<f64>().ok().filter(|number| number.is_finite());
        let (value, quality) = match number {
            Some(number) => (number, quality),
            None => (f64::NAN, 0),
        };
        Some((meter.into(), at.as_microsecond(), value.to_bits(), quality))
    };
    reader.records().map(|row| record(row.expect("text"))).collect()
}

fn cells() -> impl Strategy<Value = [String; 4]> {
    let tag = prop::sample::select(vec!["A,\"1\"", "B;2", "C"]);
    let time = prop_oneof![
        8 => (0..200_000i64, 0..3u8).prop_map(|(minute, kind)| {
            let at = Timestamp::from_second(1_704_067_200 + minute * 60).expect("in range");
            match kind {
                0 => at.to_string(),
                1 => at.display_with_offset(jiff::tz::offset(5)).to_string(),
                _ => Offset::UTC.to_datetime(at).to_string(),
            }
        }),
        1 => Just("2024-02-30T00:00:00Z".to_owned()),
    ];
    let value = prop_oneof![
        6 => (-1e5..1e5f64).prop_map(|number| number.to_string()),
        1 => any::<f32>().prop_map(|number| format!("{number:e}")),
        1 => "[a-zA-Z#. ,]{1,8}",
    ];
    let quality = prop::sample::select(vec!["192", "0", "64", "217", "x"]);
    (tag, time, value, quality)
        .prop_map(|(tag, time, value, quality)| [tag.into(), time, value, quality.into()])
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 250, failure_persistence: None,
        ..ProptestConfig::default() })]

    /// Folds are left out: the serial reader knows one row at a time.
    #[test]
    fn a_plain_serial_reader_agrees_row_by_row(
        rows in prop::collection::vec(cells(), 20..80), piece_bytes in 1usize..2000
    ) {
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record(["tag", "time", "value", "quality"]).expect("in memory");
        for row in &rows {
            writer.write_record(row).expect("in memory");
        }
        let bytes = writer.into_inner().expect("in memory");
        let zone = TimeZone::get("Asia/Kolkata").expect("zone");
        let expected = serial(&bytes, &zone);

        let file = file_of(&bytes);
        let mut settings = source("x");
        settings.quality = Some(QualityCode::OpcClassic);
        settings.decimal = Some(".".into());
        let table = tags("tag,meter,signal,unit\n\"A,\"\"1\"\"\",A,other:n,\nB;2,B,other:n,\n");
        let options = ReadOptions { young: false, piece_bytes };
        let read = read_with(options, file.path(), &settings, "Asia/Kolkata", &table);
        let read = match read {
            Ok(read) => read,
            // Too many broken rows for anything to be found out.
            Err(_) => return Ok(()),
        };
        let got: Vec<Row> = read.readings.iter()
            .map(|r| Some((r.meter.clone(), r.time_us, r.value.to_bits(), r.quality)))
            .collect();
        let kept: Vec<Row> = expected.iter().filter(|row| row.is_some()).cloned().collect();
        prop_assert_eq!(got, kept);
        prop_assert_eq!(read.report.rejected_total() as usize,
            expected.iter().filter(|row| row.is_none()).count());
        let mut rejected: Vec<u64> =
            read.rejects.iter().map(|reject| reject.origin.line).collect();
        // A row with several problems has several rejects.
        rejected.dedup();
        let lines: Vec<u64> = (2..).zip(&expected).filter(|(_, row)| row.is_none())
            .map(|(line, _)| line).collect();
        prop_assert_eq!(rejected, lines);
    }
}
