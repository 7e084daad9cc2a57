//! The program as its users meet it: commands, files, messages and exit codes.

mod archives;
mod bad_input;
mod exits;
mod facility;
mod known_truth;
mod night;
mod prompt;
mod questions;
mod support;
mod withdraw;
