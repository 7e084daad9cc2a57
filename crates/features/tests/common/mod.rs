//! Days of invented meters of the Larkmoor Works, built second by second.

#![allow(dead_code, reason = "each test file uses its own part")]

use metersift_features::{FeatureRow, MeterDay, Settings, SignalDay, meter_day};
use metersift_model::records::{Meter, Uses};
use metersift_model::{Day, Signal};
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
        custody: false,
        check_interval_days: None,
        installed: None,
        throughput_value_per_kg: None,
        reference_fluid: None,
        series_with: None,
        uses: Uses::Mass,
        tolerable_flow_error_pct: None,
        wall_to_bore: None,
        safety_function: false,
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
}

impl Site {
    pub fn new() -> Site {
        Site {
            meter: meter(),
            signals: BTreeMap::new(),
            partner: None,
            settings: Settings::default(),
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

pub fn close(got: Option<f64>, want: f64, tolerance: f64) {
    let got = got.expect("known");
    assert!((got - want).abs() <= tolerance, "got {got}, want {want} within {tolerance}");
}
