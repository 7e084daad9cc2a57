//! What the verdict is worth on fictional fleets, quickly: makes a fleet in memory, keeps its
//! daily features, replays the verdict at 24 dates and prints one line of figures.
//!
//! cargo run --release -p metersift-cli --example verdict_bench -- score OUT FLEET...
//! cargo run --release -p metersift-cli --example verdict_bench -- ablate OUT PARTS FLEET...
//! cargo run --release -p metersift-cli --example verdict_bench -- calibrate OUT
//! cargo run --release -p metersift-cli --example verdict_bench -- threshold OUT
//! cargo run --release -p metersift-cli --example verdict_bench -- limits OUT
//! cargo run --release -p metersift-cli --example verdict_bench -- speed OUT FLEET DATES
//! cargo run --release -p metersift-cli --example verdict_bench -- why OUT FLEET METER DATE
//!
//! FLEET is VARIATION-SEED (`usual-101`); the sets of docs/benchmarks/seeds.toml go by name:
//! `tuning`, `looked_at`, `test`, `generalisation`. A fleet's daily table is kept in OUT, so that
//! a changed verdict is scored without making the fleet again; remove it when features changed.
#![expect(clippy::print_stdout, reason = "an example that people run at a prompt")]

mod calibrate;
mod fleets;
mod limits;
mod score;
mod seeds;
mod speed;
mod straight;
mod threshold;
mod why;

use std::error::Error;
use std::path::Path;

/// `all`, or names of parts as in the site file, with commas between.
fn parts_of(names: &str) -> Result<Vec<metersift_faults::Part>, Box<dyn Error>> {
    if names == "all" {
        return Ok(metersift_faults::Part::ALL.to_vec());
    }
    let list: Vec<String> = names.split(',').map(|name| format!("\"{name}\"")).collect();
    let text = format!("without = [{}]", list.join(", "));
    let settings: metersift_faults::Settings = toml::from_str(&text)?;
    Ok(settings.without)
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["score", out, names @ ..] if !names.is_empty() => {
            score::run(Path::new(out), &seeds::expand(names)?)
        }
        ["make", out, names @ ..] if !names.is_empty() => {
            for name in seeds::expand(names)? {
                fleets::make(Path::new(out), &name, fleets::plan(&name)?)?;
                println!("{name}");
            }
            Ok(())
        }
        ["speed", out, fleet, dates] => speed::run(Path::new(out), fleet, dates.parse()?),
        ["ablate", out, parts, names @ ..] if !names.is_empty() => {
            score::ablate(Path::new(out), &parts_of(parts)?, &seeds::expand(names)?)
        }
        ["why", out, fleet, meter, date] => why::run(Path::new(out), fleet, meter, date),
        ["calibrate", out] => calibrate::run(Path::new(out)),
        ["threshold", out] => threshold::run(Path::new(out)),
        ["limits", out] => limits::run(Path::new(out)),
        _ => Err("verdict_bench (score|make) OUT FLEET... | ablate OUT PARTS FLEET... | \
                  (calibrate|threshold|limits) OUT | speed OUT FLEET DATES | \
                  why OUT FLEET METER DATE"
            .into()),
    }
}
