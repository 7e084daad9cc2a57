//! How many samples a second become features: synthetic meter-days of several recorders.
//!
//! `cargo run --release -p metersift-features --example speed [threads [word of a recorder]]`
//!
//! Beside the rate by the clock stands the one by processor time, which is what this program can
//! do on a machine of its own: on a shared one the clock measures the neighbours.

#![expect(clippy::print_stdout, reason = "an example prints its result")]

use metersift_features::{MeterDay, Settings, SignalDay, meter_day};
use metersift_model::records::Meter;
use metersift_model::{Day, Signal};
use rayon::prelude::*;
use std::time::Instant;

/// What a historian makes of a signal.
#[derive(Clone, Copy, Debug)]
enum Recorder {
    /// Every `spacing_s`, full precision.
    Clock { spacing_s: i64 },
    /// Every second, rounded, held for up to `hold` samples.
    Held { hold: usize },
    /// Stored every `every` s, straight lines between.
    Lines { every: usize },
    /// Looked at every 5 s, stored when it left a dead-band of `band` sigma or after 15 minutes.
    Exception { band: f64 },
}

struct Column {
    signal: Signal,
    time_us: Vec<i64>,
    value: Vec<f64>,
    quality: Vec<u8>,
}

/// Small own generator, so that every machine makes the same days.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        // splitmix64 (Steele, Lea & Flood 2014), summed four times: near enough to normal here.
        let mut sum = 0.0;
        for _ in 0..4 {
            self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut z = self.0;
            z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            sum += (z ^ (z >> 31)) as f64 / u64::MAX as f64 - 0.5;
        }
        sum * 1.732
    }
}

fn column(signal: Signal, level: f64, sigma: f64, recorder: Recorder, day: Day) -> Column {
    let spacing_s = match recorder {
        Recorder::Clock { spacing_s } => spacing_s,
        Recorder::Exception { .. } => 5,
        Recorder::Held { .. } | Recorder::Lines { .. } => 1,
    };
    let n = (86_400 / spacing_s) as usize;
    let mut noise = Noise(u64::from(level.to_bits() as u32) + day.0 as u64);
    let stands = |t: i64| (50_000..58_000).contains(&t) && signal == Signal::MassFlow;
    let mut value: Vec<f64> = (0..n as i64)
        .map(|i| {
            let t = i * spacing_s;
            let swing = 1.0 + 0.002 * (t as f64 / 7000.0).sin();
            if stands(t) { 0.05 * noise.next() } else { level * swing + sigma * noise.next() }
        })
        .collect();
    match recorder {
        Recorder::Clock { .. } | Recorder::Exception { .. } => {}
        Recorder::Held { hold } => {
            let r = sigma / 3.0;
            for i in 0..n {
                value[i] = if i % hold == 0 { (value[i] / r).round() * r } else { value[i - 1] };
            }
        }
        Recorder::Lines { every } => {
            for i in 0..n {
                let (left, part) = (i / every * every, (i % every) as f64 / every as f64);
                let right = (left + every).min(n - 1);
                if part > 0.0 {
                    value[i] = value[left] + part * (value[right] - value[left]);
                }
            }
        }
    }
    let mut time_us: Vec<i64> =
        (0..n as i64).map(|i| day.start().0 + i * spacing_s * 1_000_000).collect();
    if let Recorder::Exception { band } = recorder {
        (time_us, value) = by_exception(&time_us, &value, band * sigma);
    }
    let quality = vec![192; value.len()];
    Column { signal, time_us, value, quality }
}

fn by_exception(time_us: &[i64], value: &[f64], band: f64) -> (Vec<i64>, Vec<f64>) {
    let mut kept: (Vec<i64>, Vec<f64>) = (Vec::new(), Vec::new());
    for (&time, &value) in time_us.iter().zip(value) {
        let same =
            |last: (&i64, &f64)| time - last.0 < 900_000_000 && (value - last.1).abs() < band;
        if !kept.0.last().zip(kept.1.last()).is_some_and(same) {
            kept.0.push(time);
            kept.1.push(value);
        }
    }
    kept
}

fn meter_columns(recorder: Recorder, day: Day) -> Vec<Column> {
    [
        (Signal::MassFlow, 12_000.0, 40.0),
        (Signal::Density, 1080.0, 0.3),
        (Signal::Temperature, 35.0, 0.05),
        (Signal::DriveGain, 12.0, 0.4),
        (Signal::PickoffInlet, 230.0, 0.2),
        (Signal::PickoffOutlet, 231.0, 0.2),
        (Signal::TubeFrequency, 112.0, 0.001),
    ]
    .into_iter()
    .map(|(signal, level, sigma)| column(signal, level, sigma, recorder, day))
    .collect()
}

fn register() -> Meter {
    Meter {
        meter: "FT-3107".into(),
        service: "starch slurry".into(),
        stream: "line 3".into(),
        nominal_diameter_mm: Some(50.0),
        max_flow_kg_h: 20_000.0,
        zero_stability_kg_h: 1.0,
        base_accuracy_pct: 0.1,
        criticality: 3,
        reference_fluid: Some("water".into()),
        ..Meter::default()
    }
}

/// Processor time of this process so far, s; `None` where the system does not tell it so.
fn processor_s() -> Option<f64> {
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    // The name of the program stands in parentheses and may hold anything.
    let fields: Vec<&str> = stat.rsplit_once(')')?.1.split_whitespace().collect();
    let ticks = fields.get(11)?.parse::<f64>().ok()? + fields.get(12)?.parse::<f64>().ok()?;
    Some(ticks / 100.0)
}

fn main() {
    let threads: usize = std::env::args().nth(1).and_then(|n| n.parse().ok()).unwrap_or(2);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
    let Ok(pool) = pool else { return println!("no thread pool of {threads}") };
    let settings = Settings::default();
    let meter = register();
    let recorders = [
        ("1 s, full precision", Recorder::Clock { spacing_s: 1 }, 24),
        ("1 s, rounded and held", Recorder::Held { hold: 3 }, 24),
        ("1 s, straight lines", Recorder::Lines { every: 8 }, 24),
        ("15 s, full precision", Recorder::Clock { spacing_s: 15 }, 360),
        ("by exception", Recorder::Exception { band: 4.5 }, 4000),
        ("60 s, full precision", Recorder::Clock { spacing_s: 60 }, 400),
        ("900 s, full precision", Recorder::Clock { spacing_s: 900 }, 4000),
    ];
    let word = std::env::args().nth(2).unwrap_or_default();
    for (name, recorder, rounds) in recorders.into_iter().filter(|r| r.0.contains(&word)) {
        let days: Vec<(Day, Vec<Column>)> =
            (0..4).map(|i| (Day(20_000 + i), meter_columns(recorder, Day(20_000 + i)))).collect();
        let jobs: Vec<usize> = (0..rounds).collect();
        let run = |job: &usize| {
            let (day, columns) = &days[job % days.len()];
            let mut input = MeterDay::new(&meter, *day);
            for column in columns {
                let signal = SignalDay::new(&column.time_us, &column.value, &column.quality);
                if let Ok(signal) = signal {
                    input.signals.insert(column.signal.clone(), signal);
                }
            }
            let samples: usize = input.signals.values().map(SignalDay::len).sum();
            let row = meter_day(&input, &settings);
            samples + usize::from(row.get("density_kg_m3").is_none())
        };
        pool.install(|| jobs.par_iter().map(run).sum::<usize>());
        let (start, used) = (Instant::now(), processor_s());
        let samples: usize = pool.install(|| jobs.par_iter().map(run).sum());
        let seconds = start.elapsed().as_secs_f64();
        let busy = processor_s().zip(used).map(|(now, then)| now - then);
        let by_processor = busy.map_or(f64::NAN, |s| samples as f64 * threads as f64 / s / 1e6);
        let rate = samples as f64 / seconds / 1e6;
        let days = jobs.len() as f64 / seconds;
        let each = samples as f64 / jobs.len() as f64;
        println!(
            "{name:<24} {threads} threads: {rate:6.1} million samples/s ({by_processor:.1} by \
             processor time), {days:8.0} meter-days/s of {each:.0} samples"
        );
    }
}
