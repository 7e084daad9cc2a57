//! Writes Larkmoor Works into a folder: `write_site DIR [METERS DAYS SEED]`.

use metersift_sim::{Plan, write_site};
use std::time::Instant;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let dir = args.first().ok_or("a folder, please")?;
    let usual = Plan::default();
    let number = |i: usize, usual: u64| args.get(i).map_or(Ok(usual), |text| text.parse());
    let meters = number(1, usual.meters as u64)? as usize;
    let days = number(2, u64::from(usual.days))? as u32;
    let plan = Plan::larkmoor(meters, days, number(3, usual.seed)?);
    let begun = Instant::now();
    let written = write_site(dir.as_ref(), &plan)?;
    #[expect(clippy::print_stdout, reason = "an example that people run at a prompt")]
    {
        println!("{written:#?}");
        println!("{:.1} s", begun.elapsed().as_secs_f64());
    }
    Ok(())
}
