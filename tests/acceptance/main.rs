//! The program as its users meet it: commands, files, messages and exit codes.

mod bad_input;
mod facility;
mod night;
mod prompt;
mod support;
