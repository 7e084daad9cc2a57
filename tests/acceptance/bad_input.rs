//! Bad input gets a message that is enough to mend it, the right exit code, and costs nothing else.

use crate::support::*;

/// Rows in = stored + ... as the summary line prints it.
fn summary(run: &Run) -> &str {
    run.stderr.lines().find(|line| line.starts_with("import")).unwrap_or("")
}

#[test]
fn an_unknown_tag_is_rejected_by_name_and_the_other_rows_are_stored() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    let dump = long_dump("2026-03-02") + "FT-9.FLOW,2026-03-02T00:00:00Z,1,192\n";
    put(&dir.path().join("dumps/a.csv"), dump);
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(1), "{}", run.stderr);
    assert!(
        run.stderr.contains("unknown_tag") && run.stderr.contains("FT-9.FLOW"),
        "{}",
        run.stderr
    );
    assert!(run.stderr.contains("line 4322"), "{}", run.stderr);
    assert!(summary(&run).contains("4,321 rows in = 4,320 stored"), "{}", run.stderr);
    let rejects = snapshot(&dir.path().join("store/rejects"));
    let text: String =
        rejects.values().map(|bytes| String::from_utf8_lossy(bytes).into_owned()).collect();
    assert!(text.contains("FT-9.FLOW") && text.contains("4322"), "{text}");
}

#[test]
fn a_tag_that_is_added_later_brings_its_rows_in_at_the_next_import() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    let dump = long_dump("2026-03-02").replace("FT-1.DRIVE", "FT-1.DRV");
    put(&dir.path().join("dumps/a.csv"), dump);
    let first = on_site("import", dir.path());
    assert_eq!(first.code, Some(1), "{}", first.stderr);
    assert!(summary(&first).contains("2,880 stored"), "{}", first.stderr);

    put(&dir.path().join("records/tags.csv"), TAGS.replace("FT-1.DRIVE", "FT-1.DRV"));
    let second = on_site("import", dir.path());
    assert_eq!(second.code, Some(0), "{}", second.stderr);
    let store = metersift_store::Store::read(&dir.path().join("store")).expect("a store");
    assert_eq!(store.ledger().rows(), 4320, "{}", second.stderr);

    let third = on_site("import", dir.path());
    assert_eq!(third.code, Some(0), "{}", third.stderr);
    assert!(summary(&third).contains("1 known"), "it settles: {}", third.stderr);
}

#[test]
fn an_unknown_unit_stops_the_run_and_lists_the_known_ones() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("records/tags.csv"), TAGS.replace("kg/m3", "stone/firkin"));
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(2), "{}", run.stderr);
    for part in ["stone/firkin", "lb/ft3", "tags.csv", "line 3", "hint:"] {
        assert!(run.stderr.contains(part), "{part} is missing: {}", run.stderr);
    }
}

#[test]
fn a_decimal_mark_against_the_setting_is_refused_and_both_are_shown() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "decimal = \".\"\n");
    let dump =
        long_dump("2026-03-02").replace(',', ";").replace('.', ",").replace("FT-1,", "FT-1.");
    put(&dir.path().join("dumps/a.csv"), dump);
    let run = on_site("import", dir.path());
    assert_ne!(run.code, Some(0), "{}", run.stderr);
    assert!(run.stderr.contains("decimal") && run.stderr.contains("a.csv"), "{}", run.stderr);
}

/// A year without its century from ten o'clock on: what is wrong is told with what mends it, and
/// doing so stores every row once.
#[test]
fn what_was_rejected_is_told_with_its_cure_and_the_cure_works() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    let good = long_dump("2026-03-02");
    let wrong = good.replace("2026-03-02T1", "0026-03-02T1");
    put(&dir.path().join("dumps/a.csv"), &wrong);
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(1), "{}", run.stderr);
    for part in ["hint: time_out_of_span", "lacks its century", "`earliest`", "line "] {
        assert!(run.stderr.contains(part), "{part}: {}", run.stderr);
    }
    put(&dir.path().join("dumps/a.csv"), &good);
    let mended = on_site("import", dir.path());
    assert_eq!(mended.code, Some(0), "{}", mended.stderr);
    // Ten hours of 1,440 minutes and three tags.
    let told = "= 1,800 stored + 2,520 duplicate";
    assert!(summary(&mended).contains(told), "{}", mended.stderr);
}

#[test]
fn a_cut_gzip_file_is_refused_whole_and_the_others_are_stored() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    let packed = gzip(long_dump("2026-03-02").as_bytes());
    put(&dir.path().join("dumps/a.csv.gz"), &packed[..packed.len() - 9]);
    put(&dir.path().join("dumps/b.csv"), long_dump("2026-03-03"));
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(1), "{}", run.stderr);
    assert!(run.stderr.contains("a.csv.gz") && run.stderr.contains("byte"), "{}", run.stderr);
    assert!(summary(&run).contains("= 4,320 stored"), "{}", run.stderr);
    put(&dir.path().join("dumps/a.csv.gz"), &packed);
    let again = on_site("import", dir.path());
    assert_eq!(again.code, Some(0), "copied again it is taken: {}", again.stderr);
}

#[test]
fn an_unreadable_dump_is_named_and_the_others_are_stored() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("dumps/a.csv"), [0x89, b'P', b'N', b'G', 0, 1, 2, 3, 0xFF, 0xFE, 0, 0]);
    put(&dir.path().join("dumps/b.csv"), long_dump("2026-03-03"));
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(1), "{}", run.stderr);
    assert!(run.stderr.contains("a.csv") && run.stderr.contains("hint:"), "{}", run.stderr);
}

#[test]
fn a_folder_without_dumps_is_told_with_the_patterns_that_were_tried() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(2), "{}", run.stderr);
    assert!(
        run.stderr.contains("no dump found") && run.stderr.contains("dumps/*"),
        "{}",
        run.stderr
    );
}

#[test]
fn an_export_with_a_header_and_no_rows_is_told_and_no_failure() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("dumps/a.csv"), "tag,time,value,quality\n");
    put(&dir.path().join("dumps/b.csv"), long_dump("2026-03-03"));
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    assert!(run.stderr.contains("a.csv has a header and no rows"), "{}", run.stderr);
}

#[test]
fn a_register_without_a_needed_column_names_the_column() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("records/register.csv"), REGISTER.replace("zero_stability_kg_h", "zst"));
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    let run = run_night(dir.path());
    assert_eq!(run.code, Some(2), "{}", run.stderr);
    for part in ["register.csv", "zero_stability_kg_h", "hint:"] {
        assert!(run.stderr.contains(part), "{part} is missing: {}", run.stderr);
    }
    assert!(!dir.path().join("store").exists(), "nothing is written before the records are read");
}

#[test]
fn a_register_line_that_cannot_be_read_is_told_by_place_and_by_the_exit_code() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    let odd = format!("{REGISTER}FT-2,water,main,50,plenty,1,0.1,3,no,90,2020-01-01\n");
    put(&dir.path().join("records/register.csv"), odd);
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    let run = run_night(dir.path());
    assert_eq!(run.code, Some(1), "{}", run.stderr);
    for part in ["register.csv", "line 3", "plenty"] {
        assert!(run.stderr.contains(part), "{part} is missing: {}", run.stderr);
    }
}

#[test]
fn two_register_lines_for_one_meter_are_refused_with_both_lines() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    let twice = format!("{REGISTER}FT-1,syrup,other,50,20000,1,0.1,3,no,90,2020-01-01\n");
    put(&dir.path().join("records/register.csv"), twice);
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    let run = run_night(dir.path());
    assert_eq!(run.code, Some(2), "{}", run.stderr);
    for part in ["FT-1", "line 3", "2"] {
        assert!(run.stderr.contains(part), "{part} is missing: {}", run.stderr);
    }
}

#[test]
fn dates_that_fit_both_orders_are_refused_with_the_setting_that_decides() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    let dump = "tag;time;value\nFT-1.FLOW;03/04/2026 00:15;12\nFT-1.FLOW;03/04/2026 00:30;13\n";
    put(&dir.path().join("dumps/a.csv"), dump);
    put(&dir.path().join("dumps/b.csv"), long_dump("2026-03-03"));
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(1), "{}", run.stderr);
    assert!(run.stderr.contains("date_order"), "{}", run.stderr);
}

/// As a spreadsheet leaves it: from noon on the unit stands in the cell and one tag is in small
/// letters.
#[test]
fn a_unit_in_the_cell_and_a_tag_in_another_case_are_told_with_what_mends_them() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    let line = |line: &str| match line.split(',').collect::<Vec<_>>().as_slice() {
        ["FT-1.DENS", time, value, quality] if *time > "2026-03-02T12" => {
            format!("FT-1.DENS,{time},{value} kg/m3,{quality}\n")
        }
        ["FT-1.FLOW", time, value, quality] if *time > "2026-03-02T12" => {
            format!("ft-1.flow,{time},{value},{quality}\n")
        }
        _ => format!("{line}\n"),
    };
    let text: String = long_dump("2026-03-02").lines().map(line).collect();
    put(&dir.path().join("dumps/a.csv"), text);
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(1), "{}", run.stderr);
    for part in [
        "4,320 rows in = 3,600 stored + 0 duplicate + 0 conflicting + 0 held back + 720 rejected",
        "warning: 720 values with the unit in the cell",
        "at dumps/a.csv (tag FT-1.DENS): read `998.2",
        "kg/m3`, expected a number",
        "`metersift withdraw dumps/a.csv`",
        "`FT-1.FLOW` of the tag table differs in the case of letters only",
    ] {
        assert!(run.stderr.contains(part), "{part} is missing: {}", run.stderr);
    }
}
