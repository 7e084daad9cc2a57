//! The program as its users meet it: commands, files, messages and exit codes.

mod archives;
mod as_known;
mod bad_input;
mod bundle;
mod changes;
mod decisions;
mod exits;
mod facility;
mod first_hour;
mod fuzz;
mod guard;
mod healing;
mod health;
mod known_truth;
mod leakage;
mod ledger;
mod limits;
mod memory;
mod night;
mod outputs;
mod plan;
mod prompt;
mod questions;
mod recompute;
mod record_faults;
mod reimport;
#[path = "../replay.rs"]
mod replay;
mod resting;
mod scan;
mod schedule;
mod seen;
mod since;
mod site_file;
mod standing;
mod straight;
#[path = "../../crates/cli/examples/verdict_bench/straight.rs"]
mod straightway;
mod support;
mod withdraw;
