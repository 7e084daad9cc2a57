//! The ceilings: observers who know all about a fictional site but the faults.
//!
//! Why:    a verdict cannot be better than one that knows the true process, the true noise of
//!         each meter and how faults come about; the distance to it is what is left to gain.
//! Knows:  what the process does to each observable (true density, temperature, flow, look-alikes,
//!         recorded swaps, cleanings and zero adjustments), the law and size of every noise and
//!         wander, the prior of each variant by service, all growth laws; and, if it is to know
//!         everything, the level of each unit without a fault.
//! Sees:   the difference between what the meter shows and that value, in blocks of five days,
//!         for the tags and records that the meter has: drive, density, its noise, pick-off ratio,
//!         gas share of flowing time, checks, zeros, flow against a partner. Wanders, checks,
//!         as-found zeros and faults are those of the very fleet; white noise is drawn anew.
//! Method: exact Gaussian likelihood of the differences (wander by its own covariance) under
//!         faults drawn from the generator itself, each at seven scales; posterior by summing.
//! Limits: thinning, bad samples and the estimation of the reference cost it nothing, so it is a
//!         ceiling and not a rival; known-fluid points and aborted checks are not used, and a
//!         drawn cloud is not the whole prior, which both lower it a little.

mod view;
mod weigh;

use crate::Fiction;
use metersift_model::{Day, Hypothesis};
use rayon::prelude::*;

/// How much of a meter the observer knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Knowledge {
    /// The true process, the true noise, and what each unit shows without a fault.
    Everything,
    /// The true process and the true noise. What a unit shows without a fault has to be learnt, as
    /// anyone has to who never saw it new: a level per unit, with the spread between units as its
    /// prior. Checks keep the factory's value, gas its none.
    ProcessAndNoise,
}

/// What the observer says about one meter on one date.
#[derive(Clone, Debug, PartialEq)]
pub struct Observed {
    /// Meter.
    pub meter: String,
    /// First day not looked at.
    pub as_of: Day,
    /// Log odds of fault against not, on the day before.
    pub log_odds: f64,
    /// The likeliest mode.
    pub mode: Hypothesis,
    /// Its probability given a fault.
    pub mode_share: f64,
}

impl Observed {
    /// Whether a fault is more likely than not.
    pub fn is_likely(&self) -> bool {
        self.log_odds > 0.0
    }
}

/// The observer's verdict on every meter at every date, by meter and date.
pub fn observe(fiction: &Fiction, dates: &[Day], knows: Knowledge) -> Vec<Observed> {
    let site = fiction.site();
    let records = view::Recorded::of(site);
    let prior = weigh::Prior::of(site);
    let days: Vec<f64> = dates.iter().map(|date| f64::from(date.0 - site.plan.start.0)).collect();
    let per_meter: Vec<Vec<Observed>> = (0..site.meters.len())
        .into_par_iter()
        .map(|index| {
            let view = view::View::of(site, index, &records, knows);
            let said = weigh::weigh(site, index, &view, &prior, &days);
            let name = &site.meters[index].name;
            said.into_iter()
                .zip(dates)
                .map(|(posterior, &as_of)| Observed {
                    meter: name.clone(),
                    as_of,
                    log_odds: posterior.log_odds,
                    mode: posterior.mode,
                    mode_share: posterior.mode_share,
                })
                .collect()
        })
        .collect();
    per_meter.concat()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Plan;

    fn dates(plan: &Plan, days: &[i32]) -> Vec<Day> {
        days.iter().map(|day| plan.start.plus(*day)).collect()
    }

    /// One who knows the generator must be right on average: stated and true shares of faults
    /// agree, and so do they among meters of which it is not sure.
    #[test]
    fn the_observer_is_right_about_how_often_it_is_right() {
        let plan = Plan::larkmoor(160, 240, 11);
        let fiction = Fiction::new(&plan).expect("a site");
        let truth = fiction.truth();
        // Who has to learn levels misses what was there before the first day.
        for (knows, least) in [(Knowledge::Everything, 0.75), (Knowledge::ProcessAndNoise, 0.6)] {
            let said = observe(&fiction, &dates(&plan, &[100, 160, 220]), knows);
            assert_eq!(said.len(), 3 * 160);
            right_on_average(&truth, &said, least);
        }
    }

    fn right_on_average(truth: &crate::Truth, said: &[Observed], least: f64) {
        let (mut stated, mut faulty, mut both) = (0.0, 0.0, 0.0);
        for one in said {
            let p = 1.0 / (1.0 + (-one.log_odds).exp());
            let is_faulty = truth.meters[&one.meter].faulty_on(one.as_of.plus(-1));
            stated += p;
            faulty += f64::from(u8::from(is_faulty));
            both += if is_faulty { p } else { 0.0 };
        }
        // Some 35 faulty rows, of which a few are too young to be seen.
        assert!((stated / faulty - 1.0).abs() < 0.25, "{stated} {faulty}");
        assert!(both / faulty > least, "{both} of {faulty} recognised");
        assert!((stated - both) / (480.0 - faulty) < 0.02, "false belief");
    }

    #[test]
    fn the_observer_looks_at_nothing_from_the_date_on() {
        let plan = Plan::larkmoor(12, 120, 11);
        let short = Fiction::new(&Plan { days: 80, horizon_days: 120, ..plan.clone() });
        let long = Fiction::new(&plan).expect("a site");
        let day = dates(&plan, &[75]);
        let short = short.expect("a site");
        for knows in [Knowledge::Everything, Knowledge::ProcessAndNoise] {
            assert_eq!(observe(&short, &day, knows), observe(&long, &day, knows));
        }
    }
}
