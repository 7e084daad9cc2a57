//! The state of the data on the first page, from dumps on: what the night must read to see it.

use crate::support::*;

const DAYS: i32 = 40;
/// The tube frequency comes no more from this day on.
const SILENT_FROM: i32 = 30;

/// One row every two hours and tag.
fn sparse_dump() -> String {
    let mut text = String::from("tag,time,value,quality\n");
    let first = metersift_model::Day::parse("2026-03-02").expect("a day");
    for number in 0..DAYS {
        let day = first.plus(number);
        for hour in (0..24).step_by(2) {
            let time = format!("{day}T{hour:02}:00:00Z");
            let wave = f64::from(hour % 7) * 0.01;
            text.push_str(&format!("FT-1.FLOW,{time},{:.1},192\n", 12_000.0 + 100.0 * wave));
            text.push_str(&format!("FT-1.DENS,{time},{:.2},192\n", 998.2 + wave));
            if number < SILENT_FROM {
                text.push_str(&format!("FT-1.FREQ,{time},{:.3},192\n", 120.0 + wave));
            }
        }
    }
    text
}

#[test]
fn a_tag_that_no_verdict_reads_is_missed_all_the_same() {
    let dir = tempfile::tempdir().expect("a folder");
    let site = dir.path();
    small_site(site, "");
    put(&site.join("records/tags.csv"), format!("{TAGS}FT-1.FREQ,FT-1,tube_frequency,Hz,,\n"));
    put(&site.join("dumps/all.csv"), sparse_dump());
    let run = run_night(site);
    assert!(matches!(run.code, Some(0 | 1)), "{}", run.stderr);
    let page = std::fs::read_to_string(newest(site).join("report/index.html")).expect("a report");
    assert!(page.contains("FT-1 tube frequency: last came 2026-03-31"), "{page}");
    assert!(!page.contains("FT-1 density: last came"), "{page}");
}
