//! Replays the verdict on fleets and prints their figures.

use crate::fleets::{self, Made};
use metersift_backtest::{Extra, ExtraNight, Known, Night, Scores, Seen, Span};
use metersift_faults::{Fleet, Part};
use metersift_model::Day;
use metersift_sim::Knowledge;
use std::error::Error;
use std::path::Path;
use std::time::Instant;

/// First as-of date of every fleet; then each fortnight up to the last day: 24 dates.
const FROM: &str = "2025-01-06";
const TO: &str = "2025-12-01";
const EVERY_DAYS: i32 = 14;

/// Scores fleets, one line each, and writes a table of rows beside each.
pub fn run(out: &Path, names: &[String]) -> Result<(), Box<dyn Error>> {
    println!("{}", header());
    for name in names {
        let begun = Instant::now();
        let made = fleets::make(out, name, fleets::plan(name)?)?;
        let made_s = begun.elapsed().as_secs_f64();
        let begun = Instant::now();
        let (nights, known) = replay(&made, &made.faults)?;
        let replay_s = begun.elapsed().as_secs_f64();
        let begun = Instant::now();
        let ceilings = [
            ceiling(&made, &nights, "ceiling", Knowledge::Everything),
            ceiling(&made, &nights, "ceiling that learns levels", Knowledge::ProcessAndNoise),
        ];
        let ceiling_s = begun.elapsed().as_secs_f64();
        let scores = metersift_backtest::score_beside(&nights, &known, &ceilings);
        let table = metersift_backtest::nights_table(&nights, &known, &ceilings);
        metersift_store::write_table(
            &made.dir.join("nights.parquet"),
            &table,
            &Default::default(),
        )?;
        println!("{}", line(name, &scores));
        eprintln(&format!(
            "{name}: made in {made_s:.1} s, replayed in {replay_s:.1} s, observed in {ceiling_s:.1} s"
        ));
    }
    Ok(())
}

/// Scores fleets with each part of the verdict left out in turn, beside nothing left out.
pub fn ablate(out: &Path, parts: &[Part], names: &[String]) -> Result<(), Box<dyn Error>> {
    println!("without,{}", header());
    for name in names {
        let made = fleets::make(out, name, fleets::plan(name)?)?;
        let one_by_one = parts.iter().map(|part| vec![*part]);
        for without in std::iter::once(Vec::new()).chain(one_by_one) {
            let label = without.first().map_or("nothing".into(), |part| format!("{part:?}"));
            let settings = metersift_faults::Settings { without, ..made.faults.clone() };
            let (nights, known) = replay(&made, &settings)?;
            let scores = metersift_backtest::score_beside(&nights, &known, &[]);
            let text = line(name, &scores);
            println!("{label},{}", text.lines().next().unwrap_or_default());
        }
    }
    Ok(())
}

#[expect(clippy::print_stderr, reason = "progress of an example")]
pub fn eprintln(text: &str) {
    eprintln!("{text}");
}

/// The nights of a fleet and what is known about it.
pub fn replay(
    made: &Made,
    settings: &metersift_faults::Settings,
) -> Result<(Vec<Night>, Vec<Known>), Box<dyn Error>> {
    let dates = dates()?;
    let [from, .., to] = dates[..] else { return Err("fewer than two dates".into()) };
    let span = Span { from, to, every_days: EVERY_DAYS };
    let fleet = Fleet::new(&made.daily, &made.records, settings)?;
    let seen = Seen::new(fleet, &made.daily, &made.records);
    let nights = metersift_backtest::replay(
        &mut |_| Ok(seen.clone()),
        &made.records,
        &metersift_rank::Settings::default(),
        span,
    )?;
    Ok((nights, known(made)))
}

/// The as-of dates on which every fleet is judged.
pub fn dates() -> Result<Vec<Day>, Box<dyn Error>> {
    let day = |text: &str| Day::parse(text).ok_or("a date");
    let (from, to) = (day(FROM)?, day(TO)?);
    let step = usize::try_from(EVERY_DAYS)?;
    Ok((from.0..=to.0).step_by(step).map(Day).collect())
}

/// What the truth says about the meters of a fleet.
pub fn known(made: &Made) -> Vec<Known> {
    let last = made.plan.start.plus(made.plan.horizon_days as i32);
    made.fiction.truth().meters.into_values().map(|meter| known_of(meter, last)).collect()
}

/// The observer who knows the true process and the meters' true noise, and perhaps their levels, on
/// the same dates. It lists a meter whose fault is more likely than not.
fn ceiling(made: &Made, nights: &[Night], name: &str, knows: Knowledge) -> Extra {
    let dates: Vec<Day> = nights.iter().map(|night| night.as_of).collect();
    let said = metersift_sim::observe(&made.fiction, &dates, knows);
    let nights = said.into_iter().map(|one| {
        let night =
            ExtraNight { score: one.log_odds, listed: one.is_likely(), mode: Some(one.mode) };
        ((one.meter, one.as_of), night)
    });
    Extra { name: name.into(), nights: nights.collect() }
}

/// What the truth says about a meter; its limit was looked for up to `last`.
fn known_of(truth: metersift_sim::MeterTruth, last: Day) -> Known {
    let gas = truth.look_alikes.iter().filter(|look| look.brings_gas());
    Known {
        process_gas: gas.map(|look| (look.from, look.until)).collect(),
        meter: truth.meter,
        mode: truth.mode,
        onset: truth.onset_day,
        limit: truth.reaches_limit_day,
        looked_until: Some(last),
        mended: truth.ends_day,
        confounders: truth.confounders,
    }
}

fn header() -> String {
    "fleet,method,ap,ap_low,ap_high,p_at_10,recall_at_n,found,faults,limits,before_limit,\
     median_lead_d,false_entries,meter_months,false_per_100,mode_right,brier,ece,ece_raised,\
     ece_listed,n_listed,limit_scored,limit_covered,limit_meters,worst_confounder"
        .into()
}

fn line(name: &str, scores: &Scores) -> String {
    let c = &scores.calibration;
    let n_listed: usize = c.listed.iter().map(|bin| bin.n).sum();
    let worst = scores
        .false_by_confounder
        .iter()
        .map(|(kind, n)| format!("{kind} {n}"))
        .collect::<Vec<_>>()
        .join(" ");
    let lines: Vec<String> = scores
        .methods
        .iter()
        .map(|m| {
            let (ap, low, high) = m.average_precision;
            let mut text = format!(
                "{name},{},{ap:.4},{low:.4},{high:.4},{:.3},{:.3},{},{},{},{},{},{},{:.0},{:.3},{:.3}",
                m.method,
                m.precision_at.get(1).map_or(f64::NAN, |(_, p)| *p),
                m.recall_at_n,
                m.found,
                m.faults,
                m.limits_reached,
                m.listed_before_limit,
                m.median_lead_days,
                m.false_entries.count,
                scores.meter_months,
                m.false_entries.value,
                m.mode_accuracy,
            );
            if m.method == "verdict" {
                text.push_str(&format!(
                    ",{:.4},{:.4},{:.3},{:.3},{n_listed},{},{},{},{worst}",
                    c.fault_brier,
                    c.fault_error,
                    c.fault_error_raised,
                    c.listed_error,
                    scores.limits.scored,
                    scores.limits.covered,
                    scores.limits.meters,
                ));
            }
            text
        })
        .collect();
    lines.join("\n")
}
