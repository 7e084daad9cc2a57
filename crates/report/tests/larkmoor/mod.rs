//! One night at the invented Larkmoor Works, made by hand: every kind of entry, record and gap
//! that the report must draw. No figure here means anything outside the tests.

use metersift_model::records::{
    Change, Check, CheckOutcome, CheckPosition, Meter, ZeroRecord, ZeroState,
};
use metersift_model::verdict::{
    BlindSpot, Calibrated, Fact, FactKind, Interval, JudgedState, Limit, ObservableEvidence,
    Severity,
};
use metersift_model::watch_list::{
    EntryChange, FleetCounts, NightBefore, TrackRecord, WatchLists, Withheld, WithheldWhy,
};
use metersift_model::{
    ColumnData, Day, Hypothesis, ListKind, Records, Table, TimeUs, Verdict, WatchListEntry,
};
use metersift_report::{
    DataHealth, KeptBin, KeptWord, MeterSince, ReportInput, RunCard, Since, Term,
};
use std::collections::BTreeMap;

pub mod hostile;

/// One feature of the pictures and one that is in none.
const GLOSSARY: [Term<'static>; 2] = [
    Term {
        name: "gas_share",
        symbol: "g",
        unit: "",
        formula: "time in gas episodes / flowing time",
        validity: "10 flowing min",
        null_means: "not looked for",
    },
    Term {
        name: "mass_kg",
        symbol: "M",
        unit: "kg",
        formula: "sum of flow times held time",
        validity: "",
        null_means: "no good flow sample",
    },
];

/// Days of history.
const DAYS: i32 = 640;

/// A night: everything the report takes.
pub struct Night {
    pub card: RunCard,
    pub lists: WatchLists,
    pub verdicts: Vec<Verdict>,
    pub daily: Table,
    pub records: Records,
    pub health: DataHealth,
    pub since: Since,
    pub summary: Vec<String>,
    pub kept: Vec<KeptWord>,
}

impl Night {
    /// As the report takes it.
    pub fn input(&self) -> ReportInput<'_> {
        ReportInput {
            site: "Larkmoor Works",
            card: &self.card,
            lists: &self.lists,
            verdicts: &self.verdicts,
            daily: &self.daily,
            records: &self.records,
            health: &self.health,
            since: Some(&self.since),
            summary: &self.summary,
            kept: &self.kept,
            glossary: &GLOSSARY,
        }
    }
}

/// A small generator of our own (a linear congruence), so that the picture is the same each time.
struct Dice(u64);

impl Dice {
    /// Uniform in -1..1.
    fn roll(&mut self) -> f64 {
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    }
}

fn as_of() -> Day {
    Day::parse("2026-03-14").expect("a day")
}

/// How a meter behaves, in shares of its trouble at the end.
#[derive(Clone, Copy, PartialEq)]
enum Story {
    Quiet,
    Coating,
    Erosion,
    Gas,
    Zero,
    Electrical,
    Thin,
    Silent,
}

/// The night.
pub fn night() -> Night {
    let meters: Vec<(&str, &str, &str, Story)> = vec![
        ("FT-2104", "starch slurry", "slurry-2", Story::Erosion),
        ("FT-3107", "glucose syrup", "syrup-3", Story::Coating),
        ("FT-3108", "glucose syrup", "syrup-3", Story::Coating),
        ("FT-4011", "tanker loading", "bay-1", Story::Gas),
        ("FT-4012", "tanker loading", "bay-1", Story::Gas),
        ("FT-4013", "tanker loading", "bay-1", Story::Gas),
        ("FT-5203", "enzyme dosing", "dosing", Story::Zero),
        ("FT-6001", "steam condensate", "utilities", Story::Electrical),
        ("FT-6002", "process water", "utilities", Story::Thin),
        ("FT-7001", "maltose syrup", "syrup-7", Story::Silent),
        ("FT-8001", "process water", "utilities", Story::Quiet),
        ("FT-8002", "process water", "utilities", Story::Quiet),
        ("<b onclick=x>&\"'FT=1", "process water", "utilities", Story::Quiet),
    ];
    let mut dice = Dice(7);
    let mut records = Records::default();
    let mut daily = DailyRows::default();
    let mut verdicts = Vec::new();
    for (name, service, stream, story) in meters {
        records.meters.insert(name.into(), meter(name, service, stream));
        daily.meter(name, story, &mut dice);
        add_records(&mut records, name, story);
        verdicts.push(verdict(name, service, stream, story));
    }
    let lists = lists(&verdicts);
    Night {
        card: RunCard {
            run: "2026-03-14-a41f".into(),
            config_hash: "c4f1a9d2e07b".into(),
            ledger: "812 dumps, 5f20c1".into(),
            program: "metersift 0.1.0".into(),
            as_of: as_of(),
        },
        lists,
        verdicts,
        daily: daily.table(),
        records,
        health: DataHealth {
            stopped: vec!["tanker-house: last sample 2026-03-09, 4 days before the as-of date".into()],
            silent: vec!["FT-7001: no tag has come since 2026-01-28".into()],
            never_seen: vec!["tube frequency, 2 meters: FT-7001 tube frequency (LM.FT-7001.FREQ), FT-7002 tube frequency (LM.FT-7002.FREQ)".into()],
            clocks: vec!["bay-2026-03-12.csv: its last sample is of 2026-03-13 00:59 UTC, 59 min after it came".into()],
            unit_steps: vec!["FT-8002 density: 0.0624 times what it was from 2026-03-02, as from kg/m3 to lb/ft3".into()],
            long_unjudged: vec!["FT-7001: not judged since 2026-01-28 (45 nights)".into()],
            sources: vec!["syrup-house: 1,204 of 18,220,311 rows rejected (unknown tag 1,190, time that never existed 14)".into()],
        },
        since: since(),
        kept: vec![KeptWord {
            on: "this site, back-test from 2025-09-14 to 2026-03-14 every 7d, held against findings".into(),
            nights: 1530,
            brier: 0.0312,
            base_rate_brier: 0.0741,
            bins: vec![
                KeptBin { stated: 0.02, seen: 0.01, low: 0.006, high: 0.017, n: 1400 },
                KeptBin { stated: 0.46, seen: 0.5, low: 0.34, high: 0.66, n: 30 },
                KeptBin { stated: 0.97, seen: 0.96, low: 0.9, high: 0.984, n: 100 },
            ],
        }],
        summary: vec![
            "Read 3 dumps, 18,220,311 rows; stored 18,218,002, duplicate 1,105, rejected 1,204.".into(),
            "Recomputed 13 of 8,320 meter-days: 13 new, 0 late.".into(),
        ],
    }
}

/// What differs from the night before.
fn since() -> Since {
    let late = "bay-2026-02.csv imported again: 96 rows of 2026-02-03";
    let inputs = |new_samples, late_samples: &[&str], new_records| MeterSince {
        new_samples,
        late_samples: late_samples.iter().map(|words| words.to_string()).collect(),
        new_records,
    };
    Since {
        as_of: Some(as_of().plus(-1)),
        program_before: None,
        settings: vec!["faults.limits.gas_share: 0.02 to 0.05".into()],
        late_dumps: vec![late.into()],
        meters: Some(BTreeMap::from([
            ("FT-2104".to_string(), inputs(true, &[], true)),
            ("FT-3107".to_string(), inputs(true, &[late], false)),
            ("FT-6001".to_string(), inputs(true, &[], false)),
        ])),
        ranks: BTreeMap::from([
            ((ListKind::Pull, "FT-2104".to_string()), 1),
            ((ListKind::Gas, "bay-1".to_string()), 2),
            ((ListKind::Gas, "FT-4013".to_string()), 1),
            ((ListKind::ReZero, "FT-5299".to_string()), 1),
            ((ListKind::ReZero, "FT-5203".to_string()), 2),
        ]),
    }
}

/// A night on which `count` meters are listed: copies of three that have much to draw.
pub fn night_of(count: u32) -> Night {
    let mut night = night();
    let mut daily = DailyRows::default();
    let mut dice = Dice(11);
    night.verdicts.clear();
    night.lists.entries.clear();
    for index in 0..count {
        let story = [Story::Coating, Story::Erosion, Story::Zero][index as usize % 3];
        let list = [ListKind::Clean, ListKind::Pull, ListKind::ReZero][index as usize % 3];
        let name = format!("FT-{:05}", 10_000 + index);
        night.records.meters.insert(name.clone(), meter(&name, "glucose syrup", "syrup-3"));
        add_records(&mut night.records, &name, story);
        daily.meter(&name, story, &mut dice);
        let verdict = verdict(&name, "glucose syrup", "syrup-3", story);
        night.lists.entries.push(entry(list, index / 3 + 1, &verdict, EntryChange::Same));
        night.verdicts.push(verdict);
    }
    night.daily = daily.table();
    night
}

fn meter(name: &str, service: &str, stream: &str) -> Meter {
    Meter {
        meter: name.into(),
        service: service.into(),
        stream: stream.into(),
        nominal_diameter_mm: Some(80.0),
        max_flow_kg_h: 60_000.0,
        zero_stability_kg_h: 2.5,
        base_accuracy_pct: 0.1,
        criticality: 3,
        custody: name == "FT-4011",
        check_interval_days: Some(90.0),
        safety_function: name == "FT-5203",
        ..Meter::default()
    }
}

#[derive(Default)]
struct DailyRows {
    meter: Vec<Option<String>>,
    day: Vec<Option<Day>>,
    drive: Vec<f64>,
    density: Vec<f64>,
    noise: Vec<f64>,
    limited: Vec<f64>,
    gas: Vec<f64>,
    zero: Vec<f64>,
    ratio: Vec<f64>,
}

impl DailyRows {
    fn meter(&mut self, name: &str, story: Story, dice: &mut Dice) {
        for index in 0..DAYS {
            let day = as_of().plus(index - DAYS);
            // A shut-down week in the middle, and a meter that fell silent.
            let silent = story == Story::Silent && index > DAYS - 45;
            if (300..307).contains(&index) || silent {
                continue;
            }
            let ramp = f64::from((index - 460).max(0)) / 180.0;
            let saw = f64::from((index - 70).rem_euclid(190)) / 190.0;
            let season = (f64::from(index) / 365.25 * std::f64::consts::TAU).cos();
            let is = |other: Story| f64::from(u8::from(story == other));
            let late = f64::from(u8::from(index > 520));
            self.meter.push(Some(name.into()));
            self.day.push(Some(day));
            self.drive.push(
                18.0 + 2.0 * season
                    + 9.0 * is(Story::Coating) * saw
                    + is(Story::Gas) * late * 22.0 * dice.roll().abs()
                    + 14.0 * is(Story::Electrical) * late
                    - 0.6 * is(Story::Erosion) * ramp
                    + 0.8 * dice.roll(),
            );
            self.density.push(
                1180.0
                    + 2.5 * season
                    + 6.0 * is(Story::Coating) * saw
                    + 5.0 * is(Story::Erosion) * ramp
                    + dice.roll(),
            );
            let noise = 0.2 + 0.03 * dice.roll() + is(Story::Gas) * late * dice.roll().abs();
            let limited = story == Story::Thin && (200..290).contains(&index);
            self.noise.push(if limited { 0.02 } else { noise });
            self.limited.push(f64::from(u8::from(limited)));
            self.gas.push(is(Story::Gas) * late * (0.08 * dice.roll()).max(0.0));
            let shut_in = index % 9 == 0;
            let zero = 0.4 * dice.roll() + 9.0 * is(Story::Zero) * ramp;
            self.zero.push(if shut_in { zero } else { f64::NAN });
            self.ratio.push(0.01 * dice.roll() - 0.2 * is(Story::Electrical) * late);
        }
    }

    fn table(self) -> Table {
        let mut table = Table::default();
        table.push("meter", "", ColumnData::Text(self.meter));
        table.push("day", "", ColumnData::Day(self.day));
        table.push("drive_gain_median_pct", "%", ColumnData::Number(self.drive));
        table.push("density_kg_m3", "kg/m3", ColumnData::Number(self.density));
        table.push("density_noise_kg_m3", "kg/m3", ColumnData::Number(self.noise));
        table.push("density_noise_floor_limited", "", ColumnData::Number(self.limited));
        table.push("gas_share", "", ColumnData::Number(self.gas));
        table.push("zero_stabilities", "", ColumnData::Number(self.zero));
        table.push("pickoff_log_ratio", "", ColumnData::Number(self.ratio));
        table
    }
}

fn add_records(records: &mut Records, name: &str, story: Story) {
    let at = |index: i32| TimeUs(as_of().plus(index - DAYS).start().0 + 3_600_000_000 * 7);
    let mut checks = Vec::new();
    for index in (10..DAYS).step_by(45) {
        let ramp = f64::from((index - 460).max(0)) / 180.0;
        let eroding = story == Story::Erosion;
        let outcome = match (story, index) {
            (Story::Gas, i) if i > 520 => CheckOutcome::Aborted,
            (Story::Erosion, i) if i > 580 => CheckOutcome::Fail,
            _ => CheckOutcome::Pass,
        };
        for (position, share) in [(CheckPosition::Inlet, 1.0), (CheckPosition::Outlet, 0.4)] {
            let value = (outcome != CheckOutcome::Aborted).then_some(
                if eroding { -4.0 * ramp * share } else { 0.0 } + f64::from(index % 7) / 20.0
                    - 0.15,
            );
            checks.push(Check {
                time: at(index),
                outcome,
                quantity: "stiffness".into(),
                position,
                value_pct: value,
                trigger: "schedule".into(),
            });
        }
    }
    records.checks.insert(name.into(), checks);
    if story == Story::Zero {
        let zero = |index, zero_kg_h, state| ZeroRecord { time: at(index), zero_kg_h, state };
        records.zeros.insert(
            name.into(),
            vec![
                zero(30, 3.0, ZeroState::AsFound),
                zero(31, 0.2, ZeroState::AsLeft),
                zero(625, 24.0, ZeroState::AsFound),
            ],
        );
    }
    if story == Story::Coating {
        let change = |index, item: &str, before: &str, after: &str| Change {
            time: at(index),
            item: item.into(),
            before: before.into(),
            after: after.into(),
        };
        records.changes.insert(
            name.into(),
            vec![
                change(70, "cleaned", "", ""),
                change(260, "cleaned", "", ""),
                change(330, "damping_s", "1.6", "0.8"),
                change(450, "cleaned", "", ""),
            ],
        );
    }
}

fn interval(mid: f64, low: f64, high: f64) -> Interval {
    Interval { mid, low, high }
}

fn verdict(name: &str, service: &str, stream: &str, story: Story) -> Verdict {
    let mode = match story {
        Story::Coating => Hypothesis::Coating,
        Story::Erosion => Hypothesis::Erosion,
        Story::Gas => Hypothesis::TwoPhase,
        Story::Zero => Hypothesis::ZeroDrift,
        Story::Electrical => Hypothesis::Electrical,
        Story::Quiet | Story::Thin | Story::Silent => Hypothesis::Unknown,
    };
    let troubled = mode != Hypothesis::Unknown;
    let mut probabilities = [0.001; 10];
    probabilities[mode.index()] = if troubled { 0.91 } else { 0.01 };
    probabilities[Hypothesis::Process.index()] = 0.05;
    let rest: f64 = 1.0 - probabilities.iter().sum::<f64>() + 0.001;
    probabilities[Hypothesis::NoChange.index()] = rest;
    if story == Story::Silent {
        probabilities = [f64::NAN; 10];
    }
    let since = troubled.then(|| as_of().plus(460 - DAYS));
    Verdict {
        as_of: as_of(),
        meter: name.into(),
        service: service.into(),
        stream: stream.into(),
        state: match story {
            Story::Silent => JudgedState::NotJudged,
            Story::Thin => JudgedState::Young,
            _ => JudgedState::Judged,
        },
        mode,
        probability: probabilities[mode.index()],
        probabilities,
        fault_score: if troubled { 2.3 } else { -3.0 },
        raw_fault_score: f64::NAN,
        calibrated: Calibrated::Simulated,
        decoy_score: f64::NAN,
        severity: severity(story),
        days_left: (story == Story::Erosion).then(|| interval(45.0, 20.0, 110.0)),
        limit: limit(story),
        tolerable_error_pct: 0.5,
        error_now_pct: troubled.then_some(0.8),
        error_rate_pct_d: troubled.then_some(0.004),
        by_mode: Vec::new(),
        group: (story == Story::Gas).then(|| "tanker loading 1".into()),
        exceeds_group: name == "FT-4013",
        blind_spots: vec![
            spot(Hypothesis::Coating, Some(1.2), "%"),
            spot(Hypothesis::Erosion, Some(0.4), "%"),
            spot(Hypothesis::ZeroDrift, None, "kg/h"),
        ],
        evidence: if troubled { evidence(story, since) } else { Vec::new() },
        facts: facts(story),
        next_test: "in-situ check in steady flow, inlet and outlet".into(),
        reason: match story {
            Story::Silent => "no steady data in the last 45 days".into(),
            _ if troubled => format!("{} fits what moved together", mode.words()),
            _ => String::new(),
        },
        usual_flow_kg_h: Some(24_500.0),
    }
}

fn limit(story: Story) -> Option<Limit> {
    let of = |value, unit: &str, reason: &str| {
        Some(Limit { value, unit: unit.into(), reason: reason.into() })
    };
    match story {
        Story::Erosion => {
            of(2.5, "% of stiffness", "tolerable flow error 0.5 %, 5 times base accuracy 0.1 %")
        }
        Story::Gas => of(5.0, "% of flowing time", "limits.gas_share of the site file"),
        Story::Zero => of(12.0, "kg/h", "0.5 % of the usual flow"),
        Story::Electrical => of(90.0, "% drive gain", "where the drive saturates"),
        _ => None,
    }
}

fn severity(story: Story) -> Option<Severity> {
    let of = |mid, low, high, unit: &str| {
        Some(Severity { size: interval(mid, low, high), unit: unit.into() })
    };
    match story {
        Story::Coating => of(3.1, 2.2, 4.4, "%"),
        Story::Erosion => of(2.9, 2.1, 3.8, "%"),
        Story::Gas => of(4.0, 2.5, 6.1, "%"),
        Story::Zero => of(22.4, 18.0, 27.0, "kg/h"),
        Story::Electrical => of(18.0, 12.0, 25.0, "%"),
        _ => None,
    }
}

fn spot(mode: Hypothesis, smallest_visible: Option<f64>, unit: &str) -> BlindSpot {
    BlindSpot { mode, smallest_visible, unit: unit.into() }
}

fn evidence(story: Story, since: Option<Day>) -> Vec<ObservableEvidence> {
    let adjusted = |size: f64| -> Vec<(Day, f64)> {
        (0..DAYS / 5)
            .map(|block| {
                let day = block * 5;
                let ramp = f64::from((day - 460).max(0)) / 180.0;
                (
                    as_of().plus(day - DAYS),
                    size * ramp + 0.1 * size * f64::from(block % 5 - 2) / 2.0,
                )
            })
            .collect()
    };
    let row = |observable: &str, unit: &str, change: f64, se: f64, up: f64, over: f64| {
        ObservableEvidence {
            observable: observable.into(),
            unit: unit.into(),
            change,
            se,
            since,
            over_runner_up: over,
            over_no_change: up,
            adjusted: adjusted(change),
        }
    };
    match story {
        Story::Erosion => vec![
            row("stiffness_inlet", "%", -3.8, 0.3, 4.6, 2.1),
            row("stiffness_outlet", "%", -1.5, 0.3, 2.2, 1.0),
            row("density", "kg/m3", 5.1, 1.1, 1.3, 0.4),
            row("drive_gain", "ln", -0.03, 0.04, -0.2, -0.6),
        ],
        Story::Electrical => vec![
            row("pickoff_ratio", "ln", -0.2, 0.01, 5.2, 4.4),
            row("drive_gain", "ln", 0.55, 0.05, 2.2, 0.3),
        ],
        Story::Gas => vec![
            row("gas_share", "", 0.21, 0.05, 2.4, 1.9),
            row("density_noise", "ln", 0.9, 0.2, 1.6, 0.9),
            row("aborted_checks", "", 0.5, 0.2, 0.8, 0.7),
        ],
        Story::Zero => vec![row("zero", "zero_stabilities", 9.0, 1.1, 3.8, 3.1)],
        _ => vec![
            row("drive_gain", "ln", 0.41, 0.05, 2.9, 1.4),
            row("density", "kg/m3", 6.0, 1.2, 1.7, 0.8),
            row("stiffness_inlet", "%", 0.1, 0.1, -0.4, -0.2),
        ],
    }
}

fn facts(story: Story) -> Vec<Fact> {
    let fact = |kind, value, limit, unit: &str, text: &str| Fact {
        kind,
        value,
        limit,
        unit: unit.into(),
        since: Some(as_of().plus(-40)),
        text: text.into(),
    };
    match story {
        Story::Erosion => vec![fact(
            FactKind::CheckBeyondLimit,
            -3.9,
            2.5,
            "%",
            "The median of the last three checks is beyond the limit.",
        )],
        Story::Silent => {
            vec![fact(FactKind::NoData, 45.0, 7.0, "d", "No tag of this meter has come.")]
        }
        Story::Thin => {
            vec![fact(FactKind::CheckOverdue, 131.0, 90.0, "d", "The check interval has passed.")]
        }
        _ => Vec::new(),
    }
}

fn entry(list: ListKind, rank: u32, verdict: &Verdict, change: EntryChange) -> WatchListEntry {
    let fact = verdict.facts.first();
    WatchListEntry {
        list,
        rank,
        meter: verdict.meter.clone(),
        service: verdict.service.clone(),
        stream: verdict.stream.clone(),
        mode: verdict.mode,
        probability: fact.is_none().then_some(verdict.probability),
        severity: verdict.severity.clone(),
        days_left: verdict.days_left,
        expected_cost: 9.6 / f64::from(rank.max(1)),
        cost_unit: "points",
        change,
        evidence: format!(
            "{}{} {:.0} % since 2025-09-13: inlet stiffness -3.8 % (se 0.3), density +5.1 kg/m3 (se 1.1); size 2.9 % (10..90 %: 2.1 to 3.8).",
            fact.map(|f| format!("{} Measured: {} {} against a limit of {} {} since {}. ", f.text, f.value, f.unit, f.limit, f.unit, f.since.expect("dated"))).unwrap_or_default(),
            verdict.mode.words(),
            100.0 * verdict.probability
        ),
        next_step: "Repeat the in-situ check in steady, full, single-phase flow; if it stands, plan to pull the meter and look at the tubes.".into(),
        settles: verdict.next_test.clone(),
        ne107: match list {
            ListKind::Pull | ListKind::Gas => 'S',
            ListKind::MendData => 'C',
            ListKind::Electrical => 'F',
            _ => 'M',
        },
        cautions: vec![
            "This list screens; it proves nothing about a single meter.".into(),
            "Isolating, opening, draining, depressurising, hot or toxic contents: local codes, site permits and licensed practice decide.".into(),
            "Stiffness is a mean: neither a quiet list nor a passed check says anything about the thinnest spot of a wall.".into(),
        ],
        group_members: Vec::new(),
        accepted: false,
    }
}

fn lists(verdicts: &[Verdict]) -> WatchLists {
    let of = |name: &str| verdicts.iter().find(|v| v.meter == name).expect("made above");
    let mut bay = entry(ListKind::Gas, 1, of("FT-4011"), EntryChange::Worse);
    bay.meter = "bay-1".into();
    bay.group_members = vec!["FT-4011".into(), "FT-4012".into()];
    let mut accepted = entry(ListKind::Clean, 0, of("FT-3108"), EntryChange::Same);
    accepted.accepted = true;
    let mut gone = entry(ListKind::Unexplained, 0, of("FT-8001"), EntryChange::Gone);
    gone.evidence = "Below the odds at which an entry leaves: unexplained change 4 % tonight, 71 % on 2026-03-13.".into();
    let entries = vec![
        entry(ListKind::Pull, 1, of("FT-2104"), EntryChange::Worse),
        entry(ListKind::Clean, 1, of("FT-3107"), EntryChange::New),
        accepted,
        entry(ListKind::CheckNow, 1, of("FT-6002"), EntryChange::Same),
        entry(ListKind::ReZero, 1, of("FT-5203"), EntryChange::Same),
        bay,
        entry(ListKind::Gas, 2, of("FT-4013"), EntryChange::Better),
        entry(ListKind::Electrical, 1, of("FT-6001"), EntryChange::New),
        entry(ListKind::MendData, 1, of("FT-7001"), EntryChange::Same),
        entry(ListKind::Unexplained, 1, of("<b onclick=x>&\"'FT=1"), EntryChange::New),
        gone,
    ];
    WatchLists {
        as_of: as_of(),
        counts: FleetCounts { meters: 13, judged: 11, young: 1, not_judged: 1, blind: 13 },
        entries,
        expected_false: [0.0, 0.09, 0.0, 0.09, 0.18, 0.09, 0.0, 0.3],
        not_judged: vec![("FT-7001".into(), "no steady data in the last 45 days".into())],
        calibrated: false,
        budget: 0.2,
        entry_probability: [0.8, 0.8, f64::NAN, 0.8, 0.85, 0.8, 0.8, 0.8],
        withheld: vec![
            Withheld {
                list: ListKind::Clean,
                meter: "FT-8002".into(),
                mode: Hypothesis::Coating,
                probability: 0.62,
                why: WithheldWhy::Budget,
            },
            Withheld {
                list: ListKind::Pull,
                meter: "FT-8001".into(),
                mode: Hypothesis::Damage,
                probability: 0.88,
                why: WithheldWhy::Nights,
            },
        ],
        record: TrackRecord {
            days: 90,
            entries: 31,
            settled: 12,
            false_entries: 2,
            false_share: Some((0.047, 0.448)),
        },
        before: Some(NightBefore { as_of: as_of().plus(-1), judged: 12, listed: 9 }),
    }
}
