//! The seed lists of docs/benchmarks/seeds.toml.

use serde::Deserialize;
use std::error::Error;
use std::path::Path;

/// Which seeds serve what.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Seeds {
    /// Fits and choices of settings may read these.
    pub tuning: Vec<u64>,
    /// The site of the demo.
    pub demo: Vec<u64>,
    /// Looked at while the verdict was made, never fitted to.
    pub looked_at: Vec<u64>,
    /// Scored once, with frozen settings.
    pub test: Vec<u64>,
    /// Fleets whose constants were changed, by name of a variation.
    pub generalisation: std::collections::BTreeMap<String, Vec<u64>>,
    /// Fleets of graded faults, for detection limits.
    #[serde(rename = "limits")]
    _limits: Vec<u64>,
}

/// Reads the lists.
pub fn read() -> Result<Seeds, Box<dyn Error>> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/benchmarks/seeds.toml");
    Ok(toml::from_str(&std::fs::read_to_string(path)?)?)
}

/// Fleets by name; names of sets are replaced by their fleets.
pub fn expand(names: &[&str]) -> Result<Vec<String>, Box<dyn Error>> {
    let seeds = read()?;
    let usual = |seeds: &[u64]| seeds.iter().map(|seed| format!("usual-{seed}")).collect();
    let mut all: Vec<String> = Vec::new();
    for name in names {
        let mut fleets: Vec<String> = match *name {
            "tuning" => usual(&seeds.tuning),
            "demo" => usual(&seeds.demo),
            "looked_at" => usual(&seeds.looked_at),
            "test" => usual(&seeds.test),
            "generalisation" => seeds
                .generalisation
                .iter()
                .flat_map(|(name, seeds)| seeds.iter().map(move |seed| format!("{name}-{seed}")))
                .collect(),
            other => vec![other.to_string()],
        };
        all.append(&mut fleets);
    }
    Ok(all)
}
