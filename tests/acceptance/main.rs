//! The program as its users meet it: commands, files, messages and exit codes.

mod bad_input;
mod changes;
mod exits;
mod facility;
mod known_truth;
mod night;
mod outputs;
mod prompt;
mod questions;
mod support;
mod withdraw;
