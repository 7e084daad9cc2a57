//! The score above which one new false entry comes per 100 meter-months, fixed on the tuning
//! fleets: what detection limits are measured at.

use crate::seeds;
use metersift_model::{ColumnData, Table};
use std::error::Error;
use std::path::{Path, PathBuf};

/// Days of a month.
const DAYS_PER_MONTH: f64 = 30.44;
/// Days between two nights of the bench.
const STEP_DAYS: f64 = 14.0;

/// Where the figure is kept.
pub fn path() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/benchmarks/verdict/threshold.toml")
}

/// Finds it from the scored tuning fleets in `out` and writes it down.
pub fn run(out: &Path) -> Result<(), Box<dyn Error>> {
    let seeds = seeds::read()?.tuning;
    let mut stories: Vec<Vec<Night>> = Vec::new();
    for seed in &seeds {
        let path = out.join(format!("usual-{seed}")).join("nights.parquet");
        stories.extend(read(&metersift_store::read_table(&path)?.0)?);
    }
    let months =
        stories.iter().flatten().filter(|n| n.judged).count() as f64 * STEP_DAYS / DAYS_PER_MONTH;
    let mut scores: Vec<f64> = stories.iter().flatten().map(|n| n.score).collect();
    scores.retain(|score| score.is_finite());
    scores.sort_unstable_by(f64::total_cmp);
    // The lowest score that keeps the rate; each score seen is tried, from above.
    let mut best = f64::INFINITY;
    for score in scores.iter().rev() {
        if 100.0 * false_entries(&stories, *score) as f64 / months > 1.0 {
            break;
        }
        best = *score;
    }
    let rate = 100.0 * false_entries(&stories, best) as f64 / months;
    let text = format!(
        "# Fault score (log odds) above which {rate:.2} new false entries come per 100 meter-months:\n\
         # `verdict_bench threshold`, over {months:.0} judged meter-months of these fleets.\n\
         fitted_on_seeds = {seeds:?}\nscore = {best:.3}\n"
    );
    std::fs::create_dir_all(path().parent().ok_or("a folder")?)?;
    std::fs::write(path(), &text)?;
    println!("{text}");
    Ok(())
}

/// One meter on one night.
struct Night {
    judged: bool,
    /// Whether an entry on this night would be false.
    quiet: bool,
    score: f64,
}

fn false_entries(stories: &[Vec<Night>], threshold: f64) -> usize {
    let mut count = 0;
    for story in stories {
        let mut before = false;
        for night in story {
            let above = night.judged && night.score >= threshold;
            count += usize::from(above && !before && night.quiet);
            before = above;
        }
    }
    count
}

/// Rows by meter; the table holds each meter's nights in order.
fn read(table: &Table) -> Result<Vec<Vec<Night>>, Box<dyn Error>> {
    let flags = |name: &str| match table.column(name).map(|column| &column.data) {
        Some(ColumnData::Flag(flags)) => Ok(flags),
        _ => Err(format!("no flags `{name}`")),
    };
    let meters = table.texts("meter").ok_or("no meters")?;
    let scores = table.numbers("score_verdict").ok_or("no scores")?;
    let (judged, ranked, faulty) = (flags("judged")?, flags("ranked")?, flags("faulty")?);
    let mut stories: Vec<Vec<Night>> = Vec::new();
    for row in 0..table.n_rows() {
        if row == 0 || meters[row] != meters[row - 1] {
            stories.push(Vec::new());
        }
        if let Some(story) = stories.last_mut() {
            let is = |flags: &[Option<bool>]| flags[row] == Some(true);
            story.push(Night {
                judged: is(judged),
                quiet: is(ranked) && !is(faulty),
                score: scores[row],
            });
        }
    }
    Ok(stories)
}
