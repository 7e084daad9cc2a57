//! Writes a plain long dump for the import benchmark, and the site folder around it.
//!
//! cargo run --release -p metersift-cli --example long_dump -- DIR ROWS
//!
//! 500 meters x 7 signals, one sample each 15 s with millisecond jitter, values rounded to the
//! signal's resolution, in time order: what a historian writes when it is asked for everything.

use std::fmt::Write as _;
use std::io::{BufWriter, Write};
use std::path::Path;

const METERS: u64 = 500;
const SIGNALS: [(&str, f64, f64, usize); 7] = [
    ("MASS_FLOW", 12_000.0, 1.0, 1),
    ("DENSITY", 1010.0, 0.02, 2),
    ("TEMPERATURE", 54.0, 0.05, 2),
    ("DRIVE_GAIN", 12.0, 0.05, 2),
    ("PICKOFF_IN", 210.0, 0.1, 1),
    ("PICKOFF_OUT", 211.0, 0.1, 1),
    ("FREQUENCY", 113.0, 0.001, 3),
];
/// 2026-03-01T00:00:00Z in milliseconds.
const START_MS: u64 = 1_772_323_200_000;

fn main() -> std::io::Result<()> {
    let mut arguments = std::env::args().skip(1);
    let dir = arguments.next().unwrap_or_else(|| "bench-site".into());
    let rows: u64 = arguments.next().and_then(|text| text.parse().ok()).unwrap_or(50_000_000);
    let dir = Path::new(&dir);
    std::fs::create_dir_all(dir.join("dumps"))?;
    std::fs::create_dir_all(dir.join("records"))?;
    write_dump(&dir.join("dumps/long.csv"), rows)?;
    write_site(dir)
}

fn write_dump(path: &Path, rows: u64) -> std::io::Result<()> {
    let mut out = BufWriter::with_capacity(1 << 20, std::fs::File::create(path)?);
    writeln!(out, "tag,time,value,quality")?;
    let mut state = 88_172_645_463_325_252_u64;
    let mut random = || {
        // xorshift64 (Marsaglia 2003), enough for a benchmark's noise.
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state
    };
    let mut line = String::with_capacity(96);
    for row in 0..rows {
        let tag = row % (METERS * 7);
        let tick = row / (METERS * 7);
        let (signal, level, resolution, decimals) = SIGNALS[(tag % 7) as usize];
        let steps = (random() % 41) as f64 - 20.0;
        let ms = START_MS + tick * 15_000 + random() % 900;
        line.clear();
        let _ = write!(line, "FT-{}.{signal},", 1000 + tag / 7);
        push_time(&mut line, ms);
        let _ = writeln!(line, ",{:.decimals$},192", level + steps * resolution);
        out.write_all(line.as_bytes())?;
    }
    out.flush()
}

/// ISO 8601 in UTC with milliseconds; the benchmark stays within March 2026.
fn push_time(line: &mut String, ms: u64) {
    let second = (ms - START_MS) / 1000;
    let (day, hour) = (second / 86_400 + 1, second / 3600 % 24);
    let (minute, second) = (second / 60 % 60, second % 60);
    let _ = write!(line, "2026-03-{day:02}T{hour:02}:{minute:02}:{second:02}.{:03}Z", ms % 1000);
}

fn write_site(dir: &Path) -> std::io::Result<()> {
    std::fs::write(
        dir.join("site.toml"),
        "name = \"benchmark\"\nzone = \"UTC\"\nrest_seconds = 0\n\n[[sources]]\nname = \"long\"\nfiles = [\"dumps/*.csv\"]\nquality = \"opc_classic\"\n",
    )?;
    let mut register = String::from(
        "meter,service,stream,nominal_diameter_mm,max_flow_kg_h,zero_stability_kg_h,base_accuracy_pct,criticality,custody,check_interval_days,installed\n",
    );
    let mut tags = String::from("tag,meter,signal,unit,from,until\n");
    let signals = [
        ("mass_flow", "kg/h"),
        ("density", "kg/m3"),
        ("temperature", "degC"),
        ("drive_gain", "%"),
        ("pickoff_inlet", "mV"),
        ("pickoff_outlet", "mV"),
        ("tube_frequency", "Hz"),
    ];
    for meter in 1000..1000 + METERS {
        let _ = writeln!(
            register,
            "FT-{meter},water,stream-{},50,20000,1,0.1,3,no,90,2020-01-01",
            meter % 40
        );
        for ((name, ..), (signal, unit)) in SIGNALS.iter().zip(signals) {
            let _ = writeln!(tags, "FT-{meter}.{name},FT-{meter},{signal},{unit},,");
        }
    }
    std::fs::write(dir.join("records/register.csv"), register)?;
    std::fs::write(dir.join("records/tags.csv"), tags)
}
