//! Made signals for tests.

use crate::Xoshiro256;

/// Normal values about 1000.
pub fn normals(n: usize, sigma: f64, seed: u64) -> Vec<f64> {
    let mut generator = Xoshiro256::seeded(seed);
    (0..n).map(|_| 1000.0 + sigma * generator.normal()).collect()
}

/// As a recorder of that resolution keeps them.
pub fn rounded(values: &[f64], resolution: f64) -> Vec<f64> {
    values.iter().map(|value| (value / resolution).round() * resolution).collect()
}
