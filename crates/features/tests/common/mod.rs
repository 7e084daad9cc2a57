//! Days of invented meters of the Larkmoor Works, built second by second.

#![allow(dead_code, reason = "each test file uses its own part")]

use metersift_features::{FeatureRow, MeterDay, Settings, SignalDay, meter_day};
use metersift_model::records::{
    Alert, Change, Check, CheckOutcome, CheckPosition, Meter, Ne107, ZeroRecord, ZeroState,
};
use metersift_model::{Day, Signal, TimeUs};
use metersift_stats::Xoshiro256;
use std::collections::BTreeMap;

pub const DAY: Day = Day(20_000);
pub const SECONDS: usize = 86_400;

pub fn meter() -> Meter {
    Meter {
        meter: "FT-3107".into(),
        service: "syrup".into(),
        stream: "syrup line 2".into(),
        nominal_diameter_mm: Some(50.0),
        max_flow_kg_h: 20_000.0,
        zero_stability_kg_h: 1.0,
        base_accuracy_pct: 0.1,
        criticality: 3,
        ..Meter::default()
    }
}

/// Columns of one signal.
#[derive(Clone, Default)]
pub struct Column {
    pub time_us: Vec<i64>,
    pub value: Vec<f64>,
    pub quality: Vec<u8>,
}

impl Column {
    /// Good samples every `spacing_s` from midnight on.
    pub fn every(spacing_s: f64, value: Vec<f64>) -> Column {
        let at = |i: usize| DAY.start().0 + (i as f64 * spacing_s * 1e6) as i64;
        Column {
            time_us: (0..value.len()).map(at).collect(),
            quality: vec![192; value.len()],
            value,
        }
    }

    pub fn signal(&self) -> SignalDay<'_> {
        SignalDay::new(&self.time_us, &self.value, &self.quality).expect("built in time order")
    }
}

/// A meter and its signals, 1 Hz unless replaced.
#[derive(Clone)]
pub struct Site {
    pub meter: Meter,
    pub signals: BTreeMap<Signal, Column>,
    pub partner: Option<Column>,
    pub settings: Settings,
    pub records: Option<Records>,
}

/// The records of a meter, in time order.
#[derive(Clone, Default)]
pub struct Records {
    pub checks: Vec<Check>,
    pub zeros: Vec<ZeroRecord>,
    pub alerts: Vec<Alert>,
    pub changes: Vec<Change>,
}

impl Records {
    /// A year of weekly checks at both ends and of the whole, the last two of them failed; an
    /// alert of each status signal that came twice; an as-left zero and a setting changed.
    pub fn of_a_year() -> Records {
        let at = |s: i64| TimeUs(DAY.start().0 + s * 1_000_000);
        let mut records = Records::default();
        for week in (0..52).rev() {
            let positions = [CheckPosition::Inlet, CheckPosition::Outlet, CheckPosition::Whole];
            for (which, position) in positions.into_iter().enumerate() {
                let wobble = [0.03, -0.05, 0.02, 0.0, -0.01][week as usize % 5];
                let value = 0.01 * week as f64 * (which + 1) as f64 + wobble;
                records.checks.push(Check {
                    time: at(3600 - week * 7 * 86_400),
                    outcome: if week < 2 { CheckOutcome::Fail } else { CheckOutcome::Pass },
                    quantity: "stiffness".into(),
                    position,
                    value_pct: Some(value),
                    trigger: "schedule".into(),
                });
            }
        }
        let signals = [
            Ne107::Failure,
            Ne107::FunctionCheck,
            Ne107::OutOfSpecification,
            Ne107::MaintenanceRequired,
        ];
        for (which, ne107) in signals.into_iter().enumerate() {
            for again in 0..2 {
                records.alerts.push(Alert {
                    time: at(which as i64 * 600 + again * 60),
                    code: which.to_string(),
                    text: String::new(),
                    ne107: Some(ne107),
                    active: true,
                });
            }
        }
        records.zeros.push(ZeroRecord {
            time: at(-40 * 86_400),
            zero_kg_h: 0.2,
            state: ZeroState::AsLeft,
        });
        records.changes.push(Change {
            time: at(7200),
            item: "damping_s".into(),
            before: "1".into(),
            after: "2".into(),
        });
        records
    }

    /// The same, so much later.
    pub fn moved(mut self, by_us: i64) -> Records {
        let times = self.checks.iter_mut().map(|one| &mut one.time);
        let times = times.chain(self.zeros.iter_mut().map(|one| &mut one.time));
        let times = times.chain(self.alerts.iter_mut().map(|one| &mut one.time));
        let times = times.chain(self.changes.iter_mut().map(|one| &mut one.time));
        times.for_each(|time| time.0 += by_us);
        self
    }
}

impl Site {
    pub fn new() -> Site {
        Site {
            meter: meter(),
            signals: BTreeMap::new(),
            partner: None,
            settings: Settings::default(),
            records: None,
        }
    }

    pub fn with(mut self, signal: Signal, value: impl Fn(usize) -> f64) -> Site {
        let values = (0..SECONDS).map(value).collect();
        self.signals.insert(signal, Column::every(1.0, values));
        self
    }

    pub fn with_column(mut self, signal: Signal, column: Column) -> Site {
        self.signals.insert(signal, column);
        self
    }

    pub fn input(&self) -> MeterDay<'_> {
        let mut input = MeterDay::new(&self.meter, DAY);
        for (signal, column) in &self.signals {
            input.signals.insert(signal.clone(), column.signal());
        }
        input.partner_flow = self.partner.as_ref().map(|p| (SignalDay::default(), p.signal()));
        if let Some(records) = &self.records {
            input.checks = Some(&records.checks);
            input.zeros = Some(&records.zeros);
            input.alerts = Some(&records.alerts);
            input.changes = Some(&records.changes);
        }
        input
    }

    pub fn row(&self) -> FeatureRow {
        meter_day(&self.input(), &self.settings)
    }
}

/// Standard normal numbers, the same on every machine.
pub fn normals(n: usize, seed: u64) -> Vec<f64> {
    let mut generator = Xoshiro256::seeded(seed);
    (0..n).map(|_| generator.normal()).collect()
}

/// A quiet day: steady flow, syrup of 1286 kg/m3, all signals with sensor noise.
pub fn quiet_day() -> Site {
    let (a, b, c, d) =
        (normals(SECONDS, 1), normals(SECONDS, 2), normals(SECONDS, 3), normals(SECONDS, 4));
    Site::new()
        .with(Signal::MassFlow, |i| 12_000.0 + 20.0 * a[i])
        .with(Signal::Density, |i| 1286.0 + 0.2 * b[i])
        .with(Signal::Temperature, |i| 60.0 + 0.02 * c[i])
        .with(Signal::DriveGain, |i| 14.0 * (0.02 * d[i]).exp())
        .with(Signal::PickoffInlet, |i| 230.0 + 0.1 * c[i])
        .with(Signal::PickoffOutlet, |i| 232.0 + 0.1 * d[i])
}

fn shut(i: usize) -> bool {
    (30_000..37_200).contains(&i)
}

fn gas(i: usize) -> bool {
    (50_000..53_000).contains(&i) || (60_000..60_900).contains(&i)
}

fn drained(i: usize) -> bool {
    (80_000..82_000).contains(&i)
}

/// A day with a standstill, a start, gas, two products and a drained half hour, all signals, a
/// year of records; a partner that reads 0.3 % and 8 kg/h less.
pub fn eventful_day() -> Site {
    let n: Vec<Vec<f64>> = (0..7).map(|seed| normals(SECONDS, 60 + seed)).collect();
    let slow = |i: usize, period: f64| (i as f64 / period).sin();
    let density = |i: usize| {
        let product = if i < 40_000 { 1000.0 } else { 1080.0 };
        match i {
            _ if drained(i) => 1.2 + 0.1 * n[1][i],
            _ if gas(i) => 0.93 * product + 15.0 * n[1][i / 7 * 7],
            _ => product + 0.8 * slow(i, 4000.0) + 0.2 * n[1][i],
        }
    };
    let mut site = Site::new()
        .with(Signal::MassFlow, |i| match i {
            _ if shut(i) => 0.3 + 0.3 * n[0][i],
            _ if drained(i) => 0.0,
            _ => 12_000.0 * (1.0 + 0.2 * slow(i, 6000.0)) + 20.0 * n[0][i],
        })
        .with(Signal::Density, density)
        .with(Signal::Temperature, |i| 20.0 + 0.5 * slow(i, 9000.0) + 0.01 * n[2][i])
        .with(Signal::Pressure, |i| 300.0 + 20.0 * slow(i, 5000.0) + 0.5 * n[3][i])
        .with(Signal::DriveGain, |i| {
            if gas(i) { 55.0 + 8.0 * n[4][i / 5 * 5] } else { 14.0 * (0.01 * n[4][i]).exp() }
        })
        .with(Signal::PickoffInlet, |i| 230.0 + 0.05 * n[5][i])
        .with(Signal::PickoffOutlet, |i| 232.0 + 0.05 * n[6][i])
        .with(Signal::TubeFrequency, |i| {
            // f^2 = k / (4 pi^2 (m + rho V)): two points of a laboratory tube.
            (37_995_443.865_877 / (density(i) + 2000.0)).sqrt()
        });
    let volume: Vec<f64> =
        (0..SECONDS).map(|i| site.signals[&Signal::MassFlow].value[i] / density(i)).collect();
    site = site.with_column(Signal::VolumeFlow, Column::every(1.0, volume));
    site.meter.reference_fluid = Some("water".into());
    site.meter.check_interval_days = Some(30.0);
    site.records = Some(Records::of_a_year());
    let mut partner = site.signals[&Signal::MassFlow].clone();
    partner.value.iter_mut().enumerate().for_each(|(i, q)| {
        *q = *q / 1.003 - 8.0 + 15.0 * n[6][i];
    });
    site.partner = Some(partner);
    site
}

pub fn close(got: Option<f64>, want: f64, tolerance: f64) {
    let got = got.expect("known");
    assert!((got - want).abs() <= tolerance, "got {got}, want {want} within {tolerance}");
}
