//! What our numbers are held against: published values and other people's programs.
//!
//! Every check says where its numbers come from and how sure that is: *seen in* a source,
//! *computed with* a named program and version, or *from memory*. Every tolerance says why it
//! has its size. Numbers in `data/` are origin or output of the scripts beside this file, never
//! of our own code; origins stand in `data/README.md`.

#![expect(clippy::excessive_precision, reason = "published digits stand here as they were printed")]

mod accuracy;
mod autocorrelation;
mod calibration;
mod change;
mod clusters;
mod distributions;
mod draws;
mod fluids;
mod likelihood;
mod location;
mod noise;
mod properties;
mod quantiles;
mod ranking;
mod rates;
mod regression;
mod scale;
mod survival;
mod trend;
mod tube;
mod units;

/// Rows of a file in `data/`, the header left out.
fn rows(name: &str) -> Vec<Vec<String>> {
    let path = format!("{}/oracle/data/{name}", env!("CARGO_MANIFEST_DIR"));
    let mut reader =
        csv::Reader::from_path(&path).unwrap_or_else(|error| panic!("{path}: {error}"));
    let rows: Vec<Vec<String>> = reader
        .records()
        .map(|record| record.expect(name).iter().map(str::to_string).collect())
        .collect();
    assert!(!rows.is_empty(), "{path} holds no row");
    rows
}

/// Rows of numbers.
fn numbers(name: &str) -> Vec<Vec<f64>> {
    rows(name).iter().map(|row| row.iter().map(|cell| number(cell)).collect()).collect()
}

/// The first column as numbers.
fn column(name: &str) -> Vec<f64> {
    numbers(name).iter().map(|row| row[0]).collect()
}

fn number(cell: &str) -> f64 {
    cell.parse().unwrap_or_else(|_| panic!("`{cell}` is not a number"))
}

/// Fails unless `got` lies within `relative` times the size of `want` (absolute below 1e-300).
#[track_caller]
fn assert_close(got: f64, want: f64, relative: f64, what: &str) {
    let allowed = relative * want.abs().max(1e-300);
    assert!(got == want || (got - want).abs() <= allowed, "{what}: got {got:?}, want {want:?}");
}

/// Fails unless `got` lies within `half_width` of `want`.
#[track_caller]
fn assert_within(got: f64, want: f64, half_width: f64, what: &str) {
    assert!((got - want).abs() <= half_width, "{what}: got {got:?}, want {want:?}");
}

/// The 1000-point set of NIST SP 1065, p. 107: n -> 16807 n mod 2147483647.
fn minimal_standard(count: usize) -> Vec<f64> {
    let mut word = 1_234_567_890_u64;
    let mut values = Vec::with_capacity(count);
    for _ in 0..count {
        values.push(word as f64 / 2_147_483_647.0);
        word = 16_807 * word % 2_147_483_647;
    }
    values
}
