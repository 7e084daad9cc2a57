//! How long the outputs of a night with 300 listed meters take to make, and how large they are:
//! `cargo run --release -p metersift-report --example three_hundred`

#[allow(dead_code, reason = "tests use more of it")]
#[path = "../tests/larkmoor/mod.rs"]
mod larkmoor;

use metersift_report::{html, write_xlsx};
use std::time::Instant;

/// Turns of which the fastest counts.
const TURNS: usize = 5;

#[expect(clippy::print_stdout, reason = "a benchmark says what it measured")]
fn main() {
    let night = larkmoor::night_of(300);
    let timed = |name: &str, make: &dyn Fn() -> usize| {
        let turn = |_| {
            let start = Instant::now();
            (make(), start.elapsed().as_secs_f64())
        };
        let turns: Vec<(usize, f64)> = (0..TURNS).map(turn).collect();
        let fastest = turns.iter().map(|(_, s)| *s).fold(f64::INFINITY, f64::min);
        println!("{name}: {} bytes, {:.3} s (fastest of {TURNS})", turns[0].0, fastest);
    };
    timed("report", &|| html(&night.input()).len());
    timed("workbook", &|| {
        let mut book = Vec::new();
        let written = write_xlsx(&night.lists, None, "Larkmoor Works", &mut book, &night.card);
        written.map_or(0, |()| book.len())
    });
}
