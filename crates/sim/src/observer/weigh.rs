//! Posterior of a fault from differences whose noise is known.

use super::view::{Channel, Kind, View, signature, wander_covariance};
use crate::fault::{DECK, Fault, draw, other_growth, susceptibility};
use crate::meter::MeterSim;
use crate::seed::{Draws, Purpose};
use crate::site::Site;
use metersift_model::Hypothesis;

/// Faults drawn per variant.
const DRAWS: usize = 80;
/// Scales at which each drawn fault is tried: sizes are even in their logarithm.
const SCALES: [f64; 7] = [0.55, 0.7, 0.85, 1.0, 1.2, 1.45, 1.8];
/// Scatter of a day's gas about its share: even between 0.4 and 1.6 times.
const SCATTER_OF_DAILY_GAS: f64 = 0.35;

/// How often each variant meets each service.
pub(super) struct Prior {
    /// Variant and its probability per meter of a service, by service.
    of_service: Vec<(String, Vec<(&'static str, f64)>)>,
}

impl Prior {
    pub fn of(site: &Site) -> Prior {
        let faults = site.meters.len() as f64 * 0.14 * site.plan.variation.fault_factor;
        let service = |m: &MeterSim| site.streams[m.stream].spec.service;
        let mut variants: Vec<(&'static str, f64)> = Vec::new();
        for variant in DECK {
            match variants.iter_mut().find(|(name, _)| *name == variant) {
                Some((_, share)) => *share += 1.0 / DECK.len() as f64,
                None => variants.push((variant, 1.0 / DECK.len() as f64)),
            }
        }
        let mut names: Vec<&str> = site.meters.iter().map(service).collect();
        names.sort_unstable();
        names.dedup();
        let of_service = names
            .into_iter()
            .map(|name| {
                let of_variant = |&(variant, share): &(&'static str, f64)| {
                    let all: f64 =
                        site.meters.iter().map(|m| susceptibility(variant, service(m))).sum();
                    (variant, faults * share * susceptibility(variant, name) / all)
                };
                (name.to_owned(), variants.iter().map(of_variant).collect())
            })
            .collect();
        Prior { of_service }
    }

    fn variants(&self, service: &str) -> &[(&'static str, f64)] {
        self.of_service.iter().find(|(name, _)| name == service).map_or(&[], |(_, list)| list)
    }
}

/// What the data before one date say.
#[derive(Clone, Copy, Debug)]
pub(super) struct Posterior {
    pub log_odds: f64,
    pub mode: Hypothesis,
    pub mode_share: f64,
}

/// A channel after whitening: rows up to a date are the data up to that date.
struct Whitened<'a> {
    channel: &'a Channel,
    /// Lower factor of the covariance, row by row.
    factor: Vec<Vec<f64>>,
    y: Vec<f64>,
}

impl<'a> Whitened<'a> {
    fn new(channel: &'a Channel, meter: &MeterSim) -> Whitened<'a> {
        let place = |day: f64| meter.units.partition_point(|(from, _)| *from <= day).max(1) - 1;
        let seen = &channel.seen;
        let mut factor: Vec<Vec<f64>> = Vec::with_capacity(seen.len());
        for i in 0..seen.len() {
            let mut row = vec![0.0; i + 1];
            for j in 0..=i {
                let (a, b) = (seen[i].day, seen[j].day);
                let mut covariance = channel.drift_per_day.powi(2) * a * b;
                if place(a) == place(b) {
                    let sd = channel.wander.get(place(a)).copied().unwrap_or(0.0);
                    covariance += sd * sd * wander_covariance(a, b) + channel.level.powi(2);
                }
                if i == j {
                    covariance += seen[i].sd.powi(2) + 1e-12;
                }
                let known: f64 = (0..j).map(|k| row[k] * row_of(&factor, &row, j, i, k)).sum();
                row[j] = if i == j {
                    (covariance - known).max(1e-15).sqrt()
                } else {
                    (covariance - known) / factor[j][j]
                };
            }
            factor.push(row);
        }
        let mut whitened = Whitened { channel, factor, y: Vec::new() };
        whitened.y = whitened.apply(&seen.iter().map(|s| s.y).collect::<Vec<f64>>());
        whitened
    }

    fn apply(&self, x: &[f64]) -> Vec<f64> {
        let mut out: Vec<f64> = Vec::with_capacity(x.len());
        for (i, row) in self.factor.iter().enumerate() {
            let known: f64 = row[..i].iter().zip(&out).map(|(l, w)| l * w).sum();
            out.push((x[i] - known) / row[i]);
        }
        out
    }
}

/// Element k of row j, where row i is still being made.
fn row_of(factor: &[Vec<f64>], row: &[f64], j: usize, i: usize, k: usize) -> f64 {
    if j == i { row[k] } else { factor[j][k] }
}

/// A drawn fault's evidence before each date, at each scale.
struct Evidence {
    mode: Hypothesis,
    ln_prior: f64,
    onset_day: f64,
    ends_day: f64,
    ln_ratio: Vec<f64>,
}

pub(super) fn weigh(
    site: &Site,
    index: usize,
    view: &View,
    prior: &Prior,
    dates: &[f64],
) -> Vec<Posterior> {
    let meter = &site.meters[index];
    let service = site.streams[meter.stream].spec.service;
    let (gas, others): (Vec<&Channel>, Vec<&Channel>) =
        view.channels.iter().partition(|channel| channel.kind == Kind::Gas);
    let whitened: Vec<Whitened<'_>> = others.iter().map(|c| Whitened::new(c, meter)).collect();
    let mut evidence = Vec::new();
    for (v, &(variant, probability)) in prior.variants(service).iter().enumerate() {
        for j in 0..DRAWS {
            let who = (index * DRAWS + j) as u64;
            let mut draws = Draws::new(site.plan.seed, who, Purpose::Observer, 1 + v as u64);
            let fault = drawn(site, meter, variant, &mut draws);
            evidence.push(Evidence {
                mode: fault.mode,
                ln_prior: (probability / DRAWS as f64).ln(),
                onset_day: fault.onset_day,
                ends_day: fault.ends_day.unwrap_or(f64::INFINITY),
                ln_ratio: ln_ratios(site, meter, &fault, (&whitened, &gas), dates),
            });
        }
    }
    let never: f64 = 1.0 - prior.variants(service).iter().map(|(_, p)| p).sum::<f64>();
    (0..dates.len()).map(|d| posterior(&evidence, never.max(0.05), d, dates[d])).collect()
}

fn drawn(site: &Site, meter: &MeterSim, variant: &'static str, draws: &mut Draws) -> Fault {
    let spec = &site.streams[meter.stream].spec;
    let rho = spec.fluid.density_kg_m3(spec.strength, spec.temperature_degc);
    let wall = meter.units[0].1.wall();
    let horizon = f64::from(site.plan.horizon_days);
    let mut fault = draw(variant, draws, horizon, rho, spec.service, &wall);
    if site.plan.variation.other_growth {
        fault.growth = other_growth(fault.growth, draws);
    }
    // A recorded swap takes a fault along; cleanings are recorded too.
    let swap = meter.units.iter().map(|(day, _)| *day).find(|day| *day > fault.onset_day);
    fault.ends_day = swap;
    fault.cleanings.clone_from(&meter.cleanings);
    fault
}

/// ln of the mean likelihood ratio over scales, before each date.
fn ln_ratios(
    site: &Site,
    meter: &MeterSim,
    fault: &Fault,
    (whitened, gas): (&[Whitened<'_>], &[&Channel]),
    dates: &[f64],
) -> Vec<f64> {
    let stream = &site.streams[meter.stream];
    let load = |d: f64| stream.load_days_at(d);
    let expected = |channel: &Channel| -> Vec<f64> {
        let one = |day: f64| {
            let now = fault.condition(day, &load);
            signature(site, meter, channel.kind, &now, day)
        };
        channel.seen.iter().map(|s| one(s.day)).collect()
    };
    let mut score = vec![0.0; dates.len()];
    let mut information = vec![0.0; dates.len()];
    for one in whitened {
        let x = expected(one.channel);
        if x.iter().all(|x| *x == 0.0) {
            continue;
        }
        let x = one.apply(&x);
        let (mut b, mut c, mut i) = (0.0, 0.0, 0);
        for (d, date) in dates.iter().enumerate() {
            while i < x.len() && one.channel.seen[i].day < *date {
                b += x[i] * one.y[i];
                c += x[i] * x[i];
                i += 1;
            }
            score[d] += b;
            information[d] += c;
        }
    }
    let mut from_gas = vec![[0.0; SCALES.len()]; dates.len()];
    for channel in gas {
        let x = expected(channel);
        let mut sums = [0.0; SCALES.len()];
        let mut i = 0;
        for (d, date) in dates.iter().enumerate() {
            while i < x.len() && channel.seen[i].day < *date {
                let seen = &channel.seen[i];
                let none = -0.5 * (seen.y / seen.sd).powi(2) - seen.sd.ln();
                for (sum, scale) in sums.iter_mut().zip(SCALES) {
                    let mean = scale * x[i];
                    let sd = seen.sd.hypot(SCATTER_OF_DAILY_GAS * mean / 5f64.sqrt());
                    *sum += -0.5 * ((seen.y - mean) / sd).powi(2) - sd.ln() - none;
                }
                i += 1;
            }
            for (to, sum) in from_gas[d].iter_mut().zip(sums) {
                *to += sum;
            }
        }
    }
    (0..dates.len())
        .map(|d| {
            let terms: Vec<f64> = SCALES
                .iter()
                .zip(from_gas[d])
                .map(|(a, gas)| a * score[d] - 0.5 * a * a * information[d] + gas)
                .collect();
            ln_sum(&terms) - (SCALES.len() as f64).ln()
        })
        .collect()
}

fn posterior(evidence: &[Evidence], never: f64, d: usize, date: f64) -> Posterior {
    let mut not: Vec<f64> = vec![never.ln()];
    let mut by_mode: Vec<(Hypothesis, Vec<f64>)> = Vec::new();
    for one in evidence {
        let weight = one.ln_prior + one.ln_ratio[d];
        if one.onset_day >= date || one.ends_day < date {
            not.push(weight);
            continue;
        }
        match by_mode.iter_mut().find(|(mode, _)| *mode == one.mode) {
            Some((_, list)) => list.push(weight),
            None => by_mode.push((one.mode, vec![weight])),
        }
    }
    let modes: Vec<(Hypothesis, f64)> =
        by_mode.into_iter().map(|(mode, list)| (mode, ln_sum(&list))).collect();
    let fault = ln_sum(&modes.iter().map(|(_, w)| *w).collect::<Vec<f64>>());
    let best = modes.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1));
    let (mode, weight) = best.unwrap_or((Hypothesis::Unknown, f64::NEG_INFINITY));
    Posterior { log_odds: fault - ln_sum(&not), mode, mode_share: (weight - fault).exp() }
}

fn ln_sum(terms: &[f64]) -> f64 {
    let most = terms.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if !most.is_finite() {
        return most;
    }
    most + terms.iter().map(|term| (term - most).exp()).sum::<f64>().ln()
}
