//! How much meters wander while nothing is wrong: the prior over noise models, learned from the whole fleet.
//!
//! Two EM passes over all meters, per observable, and per service where twenty meters share one,
//! under *no change* or, with a chance of 15 %, a change of any shape: so that a fault is no
//! lesson, listed or not. The learned share of slow wander is what turns a slope into evidence or
//! not. Of absolute references it learns how much of the stated scatter and wander is true, never
//! more than stated: a zero thirty stabilities off must not pass for wander. Meters with a recorded fault in the segment are masked.

use crate::block_model::{noise_models, stated_models};
use crate::fleet::Fleet;
use crate::likelihood::Fit;
use crate::observable::{N_OBSERVABLES, Observable, Reference};
use crate::prepare::MeterPrep;
use crate::settings::Part;
use metersift_stats::log_sum_exp;

/// Meters of one service that make a prior of their own.
const SERVICE_METERS: usize = 20;
/// EM passes.
const PASSES: usize = 2;

/// ln pi of every noise model: `[meter's prior][observable][model]`.
pub(crate) struct FleetPrior {
    sets: Vec<Vec<Vec<f64>>>,
    of_meter: Vec<usize>,
}

impl FleetPrior {
    /// Learns from the prepared fleet.
    pub fn learn(fleet: &Fleet, preps: &[MeterPrep], as_of: i32) -> FleetPrior {
        let usable: Vec<bool> = fleet
            .meters
            .iter()
            .zip(preps)
            .map(|(meter, prep)| {
                !meter.findings.iter().any(|finding| {
                    finding.mode.is_some()
                        && finding.day.0 < as_of
                        && f64::from(finding.day.0) >= prep.start
                })
            })
            .collect();
        let all: Vec<usize> = (0..preps.len()).filter(|&i| usable[i]).collect();
        let even = |o: usize| {
            let n = match Observable::ALL[o].reference() {
                Reference::Absolute => stated_models(&fleet.priors).len(),
                _ => noise_models(&fleet.priors).len(),
            };
            vec![(n as f64).recip(); n]
        };
        let pseudo = fleet.priors.noise.pseudo_meters;
        let shapes = fleet.settings.uses(Part::ShapesInPrior);
        let learn = |members: &[usize], start: &dyn Fn(usize) -> Vec<f64>| -> Vec<Vec<f64>> {
            (0..N_OBSERVABLES)
                .map(|o| {
                    let fits: Vec<Vec<f64>> = members
                        .iter()
                        .filter_map(|&i| preps[i].observables[o].as_ref())
                        .map(|p| {
                            p.fits.iter().map(|fit| log_evidence(fit, p.floor, shapes)).collect()
                        })
                        .collect();
                    passes(&fits, start(o), pseudo)
                })
                .collect()
        };
        let mut sets = vec![learn(&all, &even)];
        let mut of_meter = vec![0; preps.len()];
        let mut services: Vec<&str> =
            fleet.meters.iter().map(|m| m.meter.service.as_str()).collect();
        services.sort_unstable();
        services.dedup();
        for service in services {
            let members: Vec<usize> =
                all.iter().copied().filter(|&i| fleet.meters[i].meter.service == service).collect();
            if members.len() >= SERVICE_METERS {
                let fleet_wide: Vec<Vec<f64>> =
                    sets[0].iter().map(|log_pi| log_pi.iter().map(|x| x.exp()).collect()).collect();
                sets.push(learn(&members, &|o| fleet_wide[o].clone()));
                for (i, meter) in fleet.meters.iter().enumerate() {
                    if meter.meter.service == service {
                        of_meter[i] = sets.len() - 1;
                    }
                }
            }
        }
        FleetPrior { sets, of_meter }
    }

    /// ln pi by observable for a meter.
    pub fn of(&self, meter: usize) -> &[Vec<f64>] {
        &self.sets[self.of_meter[meter]]
    }
}

/// Chance that a meter of the fleet changed at all, for the purpose of learning its wander.
const CHANGED: f64 = 0.15;
/// Width of a change, floors.
const CHANGE_FLOORS: f64 = 10.0;

/// ln of the evidence of a noise model, with no change or with one of any shape: a fault that
/// nobody listed yet must not teach the fleet that meters wander.
fn log_evidence(fit: &Fit, floor: f64, shapes: bool) -> f64 {
    if !shapes {
        return fit.log_likelihood;
    }
    let prior = (CHANGE_FLOORS * floor).powi(-2);
    let gains: Vec<f64> = fit
        .score
        .iter()
        .zip(&fit.information)
        .filter(|(_, information)| **information > 0.0)
        .map(|(score, i)| 0.5 * score * score / (i + prior) - 0.5 * (1.0 + i / prior).ln())
        .collect();
    if gains.is_empty() {
        return fit.log_likelihood;
    }
    let mean = log_sum_exp(&gains) - (gains.len() as f64).ln();
    fit.log_likelihood + log_sum_exp(&[(1.0 - CHANGED).ln(), CHANGED.ln() + mean])
}

/// EM under no change: `fits[meter][model]` are log likelihoods; the start is worth `pseudo`
/// meters and stays in as the prior.
fn passes(fits: &[Vec<f64>], start: Vec<f64>, pseudo: f64) -> Vec<f64> {
    let mut pi = start.clone();
    for _ in 0..PASSES {
        let mut sum: Vec<f64> = start.iter().map(|p| p * pseudo).collect();
        for fit in fits {
            let log: Vec<f64> = fit.iter().zip(&pi).map(|(ll, p)| ll + p.ln()).collect();
            let total = log_sum_exp(&log);
            if total.is_finite() {
                for (sum, log) in sum.iter_mut().zip(&log) {
                    *sum += (log - total).exp();
                }
            }
        }
        let total: f64 = sum.iter().sum();
        pi = sum.iter().map(|x| x / total).collect();
    }
    pi.iter().map(|p| p.ln()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fleet_of_one_kind_of_noise_teaches_that_kind() {
        let fits = vec![vec![0.0, -6.0]; 90];
        let got = passes(&fits, vec![0.5, 0.5], 10.0);
        assert!(got[0].exp() > 0.93, "{}", got[0].exp());
        assert!((got[0].exp() + got[1].exp() - 1.0).abs() < 1e-12);
    }
}
