//! The bench makes fleets without dumps; what it feeds to the verdict must be what an import and
//! the features stage would have made.

use crate::straightway::daily_table;
use crate::support::*;
use metersift_model::{ColumnData, Table};

#[test]
fn the_way_without_dumps_ends_in_the_same_daily_table_to_the_last_bit() {
    let dir = tempfile::tempdir().expect("a folder");
    // Sixty days across the end of summer time; all five sources.
    let plan = metersift_sim::Plan::larkmoor(40, 60, 21);
    let plan = metersift_sim::Plan {
        start: metersift_model::Day::parse("2024-10-05").expect("a day"),
        ..plan
    };
    metersift_sim::write_site(dir.path(), &plan).expect("a site can be written");
    for command in ["import", "features"] {
        let run = on_site(command, dir.path());
        assert!(matches!(run.code, Some(0 | 1)), "{}", run.stderr);
    }
    let store = metersift_store::Store::read(&dir.path().join("store")).expect("a store");
    let day = metersift_model::Day;
    let through_dumps = store.read_daily(day(i32::MIN), day(i32::MAX)).expect("daily tables");

    let (records, _) =
        metersift_import::read_records(dir.path(), &Default::default()).expect("records");
    let fiction = metersift_sim::Fiction::new(&plan).expect("a site");
    let straight = daily_table(&fiction, &plan, &records);
    assert!(straight.n_rows() > 2000, "{} meter-days", straight.n_rows());
    assert_eq!(rows(&straight), rows(&through_dumps));
}

/// Rows as text, sorted, without the key that the store keeps with each: a number that is not known does not equal itself.
fn rows(table: &Table) -> Vec<String> {
    let cell = |data: &ColumnData, row: usize| match data {
        ColumnData::Text(v) => format!("{:?}", v[row]),
        ColumnData::Number(v) if v[row].is_nan() => "null".into(),
        ColumnData::Number(v) => format!("{:x}", v[row].to_bits()),
        ColumnData::Count(v) => format!("{:?}", v[row]),
        ColumnData::Flag(v) => format!("{:?}", v[row]),
        ColumnData::Day(v) => format!("{:?}", v[row]),
        ColumnData::Time(v) => format!("{:?}", v[row]),
    };
    let of_row = |row: usize| {
        let cells: Vec<String> = table
            .columns
            .iter()
            .filter(|c| c.name != "record_key")
            .map(|c| format!("{}={}", c.name, cell(&c.data, row)))
            .collect();
        cells.join(" ")
    };
    let mut rows: Vec<String> = (0..table.n_rows()).map(of_row).collect();
    rows.sort();
    rows
}
