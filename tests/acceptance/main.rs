//! The program as its users meet it: commands, files, messages and exit codes.

mod bad_input;
mod exits;
mod facility;
mod known_truth;
mod leakage;
mod night;
mod prompt;
mod questions;
mod straight;
#[path = "../../crates/cli/examples/verdict_bench/straight.rs"]
mod straightway;
mod support;
mod withdraw;
