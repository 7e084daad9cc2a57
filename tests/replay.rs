//! Random cases against one target: a fixed set in a test run, or as many as fit into a stated
//! time.
//!
//! A test run draws `cases` cases from the seed in `PROPTEST_RNG_SEED` (`.cargo/config.toml` sets
//! one), the same on every machine. With `METERSIFT_FUZZ_SECONDS` set, a target draws for that
//! many seconds from a seed of the clock instead, round after round; a find prints the seed of
//! its round, and `PROPTEST_RNG_SEED=<seed> METERSIFT_FUZZ_SECONDS=0` draws that round again:
//!
//! ```text
//! METERSIFT_FUZZ_SECONDS=240 cargo test --release --locked --workspace --test fuzz -- detection
//! ```

use proptest::strategy::Strategy;
use proptest::test_runner::{Config, RngSeed, TestCaseResult, TestRunner};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// Cases of one round of a run by time.
const ROUND_CASES: u32 = 256;

/// Draws cases of `strategy` and puts each to `test`.
pub fn replay<S: Strategy>(cases: u32, strategy: S, test: impl Fn(S::Value) -> TestCaseResult) {
    let own = Config::default();
    let seconds = std::env::var("METERSIFT_FUZZ_SECONDS").ok().and_then(|text| text.parse().ok());
    let Some(seconds) = seconds else {
        return round(cases, own.rng_seed, &strategy, &test);
    };
    let end = Instant::now() + Duration::from_secs(seconds);
    let clock = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    let first = match own.rng_seed {
        RngSeed::Fixed(seed) if seconds == 0 => seed,
        _ => clock.as_nanos() as u64,
    };
    for number in 0u64.. {
        round(ROUND_CASES, RngSeed::Fixed(first.wrapping_add(number)), &strategy, &test);
        if Instant::now() >= end {
            return;
        }
    }
}

fn round<S: Strategy>(
    cases: u32,
    rng_seed: RngSeed,
    strategy: &S,
    test: &impl Fn(S::Value) -> TestCaseResult,
) {
    let config = Config {
        cases,
        rng_seed,
        failure_persistence: None,
        max_shrink_iters: 2_000,
        ..Config::default()
    };
    if let Err(find) = TestRunner::new(config).run(strategy, test) {
        panic!("seed {rng_seed}: {find}");
    }
}
