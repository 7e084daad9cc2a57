//! All problems of a row in one pass; the row counts once.

mod common;

use common::{Read, file_of, read, source, tags};
use metersift_import::SourceSettings;
use metersift_import::settings::QualityCode;

const TAGS: &str = "tag,meter,signal,unit,from,until\nA,A,density,kg/m3,2024-03-01,\n\
                    B,B,density,kg/m3,,\nX,,ignore,,,\n";

fn of(text: &str) -> Read {
    let settings = SourceSettings {
        decimal: Some(".".into()),
        quality: Some(QualityCode::OpcClassic),
        ..source("x")
    };
    let file = file_of(text.as_bytes());
    read(file.path(), &settings, "Europe/Berlin", &tags(TAGS)).expect("readable")
}

fn problems(read: &Read) -> Vec<(u64, u32, &'static str)> {
    let all = read.rejects.iter();
    all.map(|r| (r.origin.line, r.origin.column, r.reason.name())).collect()
}

#[test]
fn a_long_row_names_all_that_is_wrong_and_counts_once() {
    let more: String = (0..60).map(|n| format!("B,2024-03-08T00:{n:02}:00Z,1,192\n")).collect();
    let rows = "tag,time,value,quality\n\
                   B,2024-03-07T00:00:00Z,1,192\n\
                   C,yesterday,2,perhaps\n\
                   B,31.03.2024,2,perhaps\n\
                   B,2024-03-31T02:30:00,3,192\n\
                   A,2024-02-01T00:00:00Z,4,perhaps\n\
                   X,yesterday,5,perhaps\n\
                   B,2024-03-07T00:01:00Z,6,perhaps\n";
    let read = of(&format!("{rows}{more}"));
    assert_eq!(
        problems(&read),
        [
            (3, 1, "unknown_tag"),
            (3, 2, "bad_time"),
            (3, 4, "unknown_quality"),
            (4, 2, "bad_time"),
            (4, 4, "unknown_quality"),
            (5, 2, "skipped_time"),
            (6, 2, "tag_not_in_force"),
            (6, 4, "unknown_quality"),
            (8, 4, "unknown_quality"),
        ]
    );
    let report = &read.report;
    assert_eq!((report.rows_in, report.delivered, report.ignored), (67, 61, 1));
    assert_eq!(report.rejected_total(), 5);
    let first_reasons: Vec<(&str, u64)> =
        report.rejected.iter().map(|(reason, n)| (reason.name(), *n)).collect();
    let sum: u64 = first_reasons.iter().map(|(_, n)| n).sum();
    assert_eq!((sum, first_reasons.len()), (5, 5), "{first_reasons:?}");
}

#[test]
fn a_wide_row_names_its_time_and_each_cell_that_is_wrong_besides() {
    let read = of("time,A,A.q,B,B.q,C,C.q\n\
                   2024-03-07T00:00:00Z,1,192,2,192,3,192\n\
                   never,1,perhaps,2,192,3,perhaps\n\
                   2024-03-07T00:01:00Z,1,perhaps,2,often,3,192\n");
    let mut got = problems(&read);
    got.sort_unstable();
    assert_eq!(
        got,
        [
            (1, 6, "unknown_tag"),
            (3, 1, "bad_time"),
            (3, 3, "unknown_quality"),
            (4, 3, "unknown_quality"),
            (4, 5, "unknown_quality"),
        ]
    );
    let report = &read.report;
    assert_eq!((report.rows_in, report.delivered, report.rejected_total()), (9, 2, 7));
}

#[test]
fn a_row_of_nuls_is_one_problem() {
    let read = of("tag,time,value,quality\nB,2024-03-07T00:00:00Z,1,192\nC\0,never,2,x\n");
    assert_eq!(problems(&read), [(3, 1, "bad_encoding")]);
}
