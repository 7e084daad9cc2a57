//! One meter and signal of a whole store, beside reading everything: seconds and readings.
//!
//! `cargo run --release -p metersift-store --example one_meter -- STORE METER SIGNAL [DAYS]`
//!
//! The first reads what may hold the meter and hashes that; the second reads and hashes all, the
//! origin files included, as the first does. Bytes are those that the process read (`rchar`),
//! where the system tells it.

#![allow(clippy::print_stdout, reason = "a measurement is printed")]

use metersift_store::Store;
use std::path::Path;
use std::time::Instant;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [root, meter, signal, ..] = arguments.as_slice() else {
        return Err("STORE METER SIGNAL [DAYS]".into());
    };
    let most = arguments.get(3).map(|text| text.parse()).transpose()?.unwrap_or(usize::MAX);
    let store = Store::read(Path::new(root))?;
    let mut days: Vec<_> = store.day_files().iter().map(|file| file.day()).collect();
    days.dedup();
    days.truncate(most);
    for round in 0..2 {
        let (begin, before, mut rows) = (Instant::now(), bytes_read(), 0);
        for &day in &days {
            store.for_each_run_of_meter(day, meter, &mut |origin| {
                if origin.run.signal == signal {
                    rows += origin.run.time_us.len();
                }
            })?;
        }
        let seconds = begin.elapsed().as_secs_f64();
        let bytes = bytes_read() - before;
        println!("one,{round},{} days,{rows} readings,{seconds:.3} s,{bytes} bytes", days.len());
        let (begin, before, mut rows) = (Instant::now(), bytes_read(), 0);
        for &day in &days {
            for bucket in 0..store.bucket_count() {
                store.for_each_run_with_origin(day, bucket, &mut |origin| {
                    if origin.run.meter == meter && origin.run.signal == signal {
                        rows += origin.run.time_us.len();
                    }
                })?;
            }
        }
        let seconds = begin.elapsed().as_secs_f64();
        let bytes = bytes_read() - before;
        println!("all,{round},{} days,{rows} readings,{seconds:.3} s,{bytes} bytes", days.len());
    }
    Ok(())
}

fn bytes_read() -> u64 {
    let io = std::fs::read_to_string("/proc/self/io").unwrap_or_default();
    let line = io.lines().find_map(|line| line.strip_prefix("rchar: "));
    line.and_then(|bytes| bytes.parse().ok()).unwrap_or(0)
}
