//! Records of Larkmoor Works, in tidy and untidy files.

use metersift_import::{ImportError, RecordSettings, read_records};
use metersift_model::records::{CheckOutcome, CheckPosition, DecisionKind, Ne107, Uses, ZeroState};
use metersift_model::{Day, Hypothesis, RejectReason, TimeUs};
use std::path::Path;

const REGISTER: &str = "\
meter,service,stream,nominal_diameter_mm,max_flow_kg_h,zero_stability_kg_h,base_accuracy_pct,\
criticality,custody,check_interval_days,installed,uses,safety_function
FT-3107,slurry,S1,50,40000,2.5,0.1,4,no,90,2019-05-20,density,no
FT-3108,syrup,S2,25,8000,0.5,0.1,2,yes,,,,yes
";

struct Site(tempfile::TempDir);

impl Site {
    fn new(files: &[(&str, &str)]) -> Site {
        let site = Site(tempfile::tempdir().expect("temporary folder"));
        std::fs::create_dir(site.0.path().join("records")).expect("folder");
        for (name, text) in files {
            std::fs::write(site.0.path().join(name), text).expect("written");
        }
        site
    }

    fn path(&self) -> &Path {
        self.0.path()
    }
}

#[test]
fn a_whole_set_of_records_is_read() {
    let site = Site::new(&[
        ("records/register.csv", REGISTER),
        (
            "records/checks.csv",
            "meter,time,outcome,quantity,position,value_pct,trigger\n\
             FT-3107,2024-03-08T10:00:00,Fail,stiffness,outlet,-4.5,schedule\n\
             FT-3107,2024-03-07T10:00:00,pass,stiffness,inlet,0.5,schedule\n\
             FT-3107,2024-03-09T10:00:00,aborted,,,,\n",
        ),
        (
            "records/zeros.csv",
            "meter,time,zero_kg_h,state\nFT-3107,2024-07-07T10:00:00Z,-1.5,as found\n",
        ),
        (
            "records/alerts.csv",
            "meter,time,code,text,ne107,active\n\
             FT-3108,2024-03-07T10:00:00+02:00,A7,\"drive, high\",S,1\n",
        ),
        ("records/changes.csv", "meter,time,item,before,after\nFT-3107,2024-03-07,cleaned,,\n"),
        (
            "records/findings.csv",
            "meter,date,mode,severity,note\nFT-3107,2024-05-01,erosion,12 %,outlet side\n\
             FT-3108,2024-05-02,good,,\n",
        ),
        (
            "decisions.csv",
            "meter,day,mode,decision,until,who,why\n\
             FT-3107,2024-05-03,coating,accepted,2024-06-01,shift B,waits for the shutdown\n\
             FT-3108,2024-05-03,,not_opened,,,\n",
        ),
    ]);
    let settings = RecordSettings { zone: "Europe/London".into(), ..RecordSettings::default() };
    let (records, rejects) = read_records(site.path(), &settings).expect("readable");
    assert_eq!(rejects, []);
    let meter = &records.meters["FT-3107"];
    assert_eq!((meter.uses, meter.installed), (Uses::Density, Day::parse("2019-05-20")));
    assert!(records.meters["FT-3108"].custody && records.meters["FT-3108"].safety_function);
    let checks = &records.checks["FT-3107"];
    assert_eq!(checks[0].outcome, CheckOutcome::Pass, "sorted by time");
    assert_eq!((checks[1].position, checks[1].value_pct), (CheckPosition::Outlet, Some(-4.5)));
    assert_eq!((checks[2].position, checks[2].value_pct), (CheckPosition::Whole, None));
    assert_eq!(checks[0].time, TimeUs(1_709_805_600_000_000));
    let zero = &records.zeros["FT-3107"][0];
    assert_eq!((zero.state, zero.zero_kg_h), (ZeroState::AsFound, -1.5));
    let alert = &records.alerts["FT-3108"][0];
    assert_eq!((alert.ne107, alert.active), (Some(Ne107::OutOfSpecification), true));
    assert_eq!(alert.text, "drive, high");
    assert_eq!(records.changes["FT-3107"][0].item, "cleaned");
    assert_eq!(records.findings["FT-3107"][0].mode, Some(Hypothesis::Erosion));
    assert_eq!(records.findings["FT-3108"][0].mode, None);
    assert_eq!(records.decisions[0].decision, DecisionKind::Accepted);
    assert_eq!(records.decisions[0].until, Day::parse("2024-06-01"));
    assert_eq!(records.decisions[1].mode, None);
}

#[test]
fn an_untidy_register_with_its_own_column_names_is_read() {
    let text = "Tag No;Kind;Line;Full Scale;ZS;Accuracy;Crit;Bill;installed\r\n\
                FT-1;syrup;S1;8.000,5;0,5;0,1;3;;20/05/2019\r\n";
    let site = Site::new(&[("records/register.csv", &text.replace("8.000,5", "8000,5"))]);
    let settings: RecordSettings = toml::from_str(
        "[register]\nmeter = 'Tag No'\nservice = 'Kind'\nstream = 'Line'\n\
         max_flow_kg_h = 'Full Scale'\nzero_stability_kg_h = 'ZS'\nbase_accuracy_pct = 'Accuracy'\n\
         criticality = 'Crit'\ncustody = 'Bill'\n",
    )
    .expect("settings");
    let (records, rejects) = read_records(site.path(), &settings).expect("readable");
    assert_eq!(rejects, []);
    let meter = &records.meters["FT-1"];
    assert_eq!((meter.max_flow_kg_h, meter.zero_stability_kg_h), (8000.5, 0.5));
    assert_eq!(meter.installed, Day::parse("2019-05-20"));
}

#[test]
fn a_register_without_a_needed_column_names_it() {
    let text = REGISTER.replace("stream", "strm");
    let site = Site::new(&[("records/register.csv", &text)]);
    match read_records(site.path(), &RecordSettings::default()) {
        Err(ImportError::MissingColumn { line: 1, column, found, .. }) => {
            assert_eq!(column, "stream");
            assert!(found.contains(&"strm".to_owned()));
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_meter_twice_names_both_lines() {
    let text = format!("{REGISTER}FT-3107,slurry,S1,50,40000,2.5,0.1,4,no,90,,,\n");
    let site = Site::new(&[("records/register.csv", &text)]);
    match read_records(site.path(), &RecordSettings::default()) {
        Err(ImportError::Twice { at, other_line: 2, .. }) => {
            assert_eq!((at.line, at.column, at.tag.as_str()), (4, 1, "FT-3107"));
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_missing_register_is_an_error_and_a_missing_record_is_not() {
    let site = Site::new(&[]);
    let error = read_records(site.path(), &RecordSettings::default());
    assert!(matches!(error, Err(ImportError::Io { .. })), "{error:?}");
    let site = Site::new(&[("records/register.csv", REGISTER), ("records/checks.csv", "")]);
    let (records, rejects) = read_records(site.path(), &RecordSettings::default()).expect("read");
    assert!(records.checks.is_empty() && rejects.is_empty());
}

#[test]
fn every_bad_cell_is_a_reject_with_its_place() {
    let site = Site::new(&[
        ("records/register.csv", &format!("{REGISTER}FT-9,x,y,,-5,1,0.1,3,no,,,,\n")),
        (
            "records/checks.csv",
            "meter,time,outcome,value_pct\n\
             FT-77,2024-03-07,pass,1\n\
             FT-3107,2024-03-07,passed,1\n\
             FT-3107,2024-03-07,pass,one\n\
             FT-3107,soon,pass,1\n\
             FT-3107,2024-03-31T01:30:00,pass,1\n\
             FT-3107,2024-10-27T01:30:00,pass,1\n\
             \"FT-3107,2024-03-07,pass,1\n\
             FT-3107,2024-03-07,pass,1\n",
        ),
    ]);
    let settings = RecordSettings { zone: "Europe/London".into(), ..RecordSettings::default() };
    let (records, rejects) = read_records(site.path(), &settings).expect("readable");
    let places: Vec<(u64, u32, RejectReason)> =
        rejects.iter().map(|r| (r.origin.line, r.origin.column, r.reason)).collect();
    let bad = RejectReason::BadRecord;
    assert_eq!(
        places,
        [
            (2, 1, bad),
            (3, 3, bad),
            (4, 4, bad),
            (5, 2, RejectReason::BadTime),
            (6, 2, RejectReason::SkippedTime),
            (7, 2, RejectReason::AmbiguousTime),
            (8, 1, RejectReason::StrayQuote),
            (4, 5, bad),
        ]
    );
    assert_eq!(records.checks["FT-3107"].len(), 1);
    assert!(!records.meters.contains_key("FT-9"));
    assert_eq!(rejects[1].expected, "one of pass, fail, aborted");
}

#[test]
fn dates_of_records_that_fit_both_orders_are_refused_until_the_order_is_set() {
    let checks = "meter,time,outcome\nFT-3107,03/04/2024,pass\n";
    let site = Site::new(&[("records/register.csv", REGISTER), ("records/checks.csv", checks)]);
    let error = read_records(site.path(), &RecordSettings::default());
    assert!(matches!(error, Err(ImportError::AmbiguousDates { line: 2, .. })), "{error:?}");
    let settings: RecordSettings = toml::from_str("date_order = 'day-month'").expect("settings");
    let (records, _) = read_records(site.path(), &settings).expect("readable");
    assert_eq!(records.checks["FT-3107"][0].time.day(), Day::parse("2024-04-03").expect("day"));
}
