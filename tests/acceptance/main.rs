//! The program as its users meet it: commands, files, messages and exit codes.

mod bad_input;
mod decisions;
mod exits;
mod facility;
mod first_hour;
mod known_truth;
mod leakage;
mod ledger;
mod night;
mod plan;
mod prompt;
mod questions;
mod straight;
#[path = "../../crates/cli/examples/verdict_bench/straight.rs"]
mod straightway;
mod since;
mod support;
mod withdraw;
