//! What a comparison means for people: severity, time to limits, evidence, blind spots, the test
//! that would settle it, and one sentence.

use crate::compare::{
    Amplitudes, Change, Comparer, Comparison, grows, key_observables, takes_part,
};
use crate::draws::Draws;
use crate::facts::{StiffnessLimit, stiffness_limit};
use crate::fleet::{Col, MeterData};
use crate::likelihood::nuisance_estimate;
use crate::observable::{N_OBSERVABLES, Observable, Reference};
use crate::prepare::{MeterPrep, Prepared};
use crate::settings::Settings;
use crate::shape::{Kind, Shape};
use metersift_model::records::Uses;
use metersift_model::verdict::{BlindSpot, Interval, ObservableEvidence, Severity};
use metersift_model::{Day, Hypothesis};

/// Shapes of less posterior weight than this add nothing to an interval.
const SHAPE_WEIGHT: f64 = 1e-4;
/// Quantiles of every interval.
const LOW: f64 = 0.1;
const HIGH: f64 = 0.9;
/// Chance with which a blind spot's size would have been listed.
const SEEN_CHANCE: f64 = 0.8;
/// What averaging over onsets and amplitudes costs a true signature, nats (measured on
/// simulated blocks; only blind spots use it).
const OCCAM_NATS: f64 = 2.0;
/// Normal quantile of the 80 % chance.
const UNLUCKY_Z: f64 = 0.84;

/// Everything that the details of one verdict need.
pub(crate) struct Case<'a> {
    pub meter: &'a MeterData,
    pub prep: &'a MeterPrep,
    pub comparer: &'a Comparer<'a>,
    pub comparisons: &'a [Comparison],
    pub probabilities: &'a [f64; 10],
    pub settings: &'a Settings,
    pub as_of: i32,
}

/// Severity, time and error of one mode.
#[derive(Clone, Debug, Default)]
pub(crate) struct Sizes {
    pub severity: Option<Severity>,
    pub days_left: Option<Interval>,
    pub error_now_pct: Option<f64>,
    pub error_rate_pct_d: Option<f64>,
}

impl Case<'_> {
    /// The shape on which a hypothesis has most weight.
    pub fn best_shape(&self, mode: Hypothesis) -> Option<usize> {
        let shapes = &self.comparisons[mode.index()].shapes;
        let best = (0..shapes.len()).reduce(|b, g| if shapes[g] > shapes[b] { g } else { b })?;
        (shapes[best] > 0.0).then_some(best)
    }

    /// Sizes from the weighted draws of a mode.
    pub fn sizes(&self, mode: Hypothesis) -> Sizes {
        let comparison = &self.comparisons[mode.index()];
        let Some(draws) = self.comparer.draws.of(mode) else { return Sizes::default() };
        if self.best_shape(mode).is_none() {
            return Sizes::default();
        }
        let scale = SeverityScale::new(self, mode, draws);
        let limit = LimitRatios::new(self, mode, draws);
        let errors = self.errors_pct(mode, draws);
        let horizon = self.settings.horizon_days as usize;
        let mut passages = vec![0.0; horizon + 1];
        let mut sizes: Vec<(f64, f64)> = Vec::with_capacity(2 * draws.severity.len());
        let mut constant = vec![0.0; draws.severity.len()];
        let (mut error, mut rate, mut growing) = (0.0, 0.0, 0.0);
        let mut weights = Vec::new();
        let amplitudes = Amplitudes::new(draws, self.prep);
        for (g, cell) in self.prep.shapes.cells.iter().enumerate() {
            if comparison.shapes[g] < SHAPE_WEIGHT {
                continue;
            }
            let shape = &cell.shape;
            self.comparer.draw_weights(&amplitudes, comparison, g, &mut weights);
            let now = self.prep.shapes.now(shape);
            // What saturates needs longer for the next step than a straight ramp would.
            let age = self.prep.shapes.growing_days(shape) / self.end_slope(g).max(0.05);
            growing += if grows(shape.kind) { comparison.shapes[g] } else { 0.0 };
            for (j, w) in weights.iter().enumerate() {
                match shape.kind {
                    Kind::Saw => sizes.push((draws.severity[j] * now, *w)),
                    _ => constant[j] += w,
                }
                error += w * errors[j] * now;
                if grows(shape.kind) {
                    rate += w * errors[j] * now / age;
                    let days = (limit.ratios[j] / now - 1.0).max(0.0) * age;
                    let bin = if days < horizon as f64 { days as usize } else { horizon };
                    passages[bin] += w;
                }
            }
        }
        let keep = |j: &usize| scale.counts(draws, *j);
        temper(&mut constant);
        sizes.extend(
            draws.by_severity.iter().filter(|j| keep(j)).map(|&j| (draws.severity[j], constant[j])),
        );
        sizes.sort_by(|a, b| a.0.total_cmp(&b.0));
        let known = errors.iter().all(|e| e.is_finite());
        Sizes {
            severity: quantiles(&sizes).map(|size| Severity {
                size: Interval {
                    mid: size.mid * scale.factor,
                    low: size.low * scale.factor,
                    high: size.high * scale.factor,
                },
                unit: scale.unit.into(),
            }),
            days_left: (growing > 0.5 && limit.known)
                .then(|| days_left(&passages, horizon))
                .flatten(),
            error_now_pct: known.then_some(error),
            error_rate_pct_d: known.then_some(rate),
        }
    }

    /// Slope now over that of a straight ramp, as the strongest observable has it.
    fn end_slope(&self, cell: usize) -> f64 {
        self.comparer
            .changes
            .iter()
            .filter_map(|row| row.get(cell).copied().flatten())
            .fold(None, |best: Option<Change>, change| match best {
                Some(b) if b.gain >= change.gain => best,
                _ => Some(change),
            })
            .map_or(1.0, |change| change.end_slope)
    }

    /// Size of the error of the output that matters, % of reading, per draw at its largest.
    fn errors_pct(&self, mode: Hypothesis, draws: &Draws) -> Vec<f64> {
        let meter = &self.meter.meter;
        let flow = self.prep.usual_flow_kg_h.map_or(f64::NAN, f64::abs);
        let zero_pct =
            |stabilities: f64| 100.0 * stabilities.abs() * meter.zero_stability_kg_h / flow;
        let density = draws.amplitude[Observable::Density.index()].as_ref();
        let density_pct = |j: usize| match density {
            None => 0.0,
            Some(a) => {
                let per = a.per_density.get(j).copied().unwrap_or(0.0);
                100.0 * (a.base[j] + per * self.prep.density).abs() / self.prep.density
            }
        };
        (0..draws.severity.len())
            .map(|j| match mode {
                Hypothesis::Coating | Hypothesis::Erosion | Hypothesis::Damage => {
                    match meter.uses {
                        Uses::Mass => draws.flow_error_pct[j].abs(),
                        Uses::Volume | Uses::Density => {
                            density_pct(j).max(draws.flow_error_pct[j].abs())
                        }
                    }
                }
                Hypothesis::TwoPhase => match meter.uses {
                    Uses::Mass => draws.flow_error_pct[j].abs(),
                    Uses::Volume | Uses::Density => density_pct(j).max(draws.flow_error_pct[j]),
                },
                Hypothesis::ZeroDrift => zero_pct(draws.severity[j]),
                Hypothesis::Electrical => 0.0,
                _ => f64::NAN,
            })
            .collect()
    }

    /// What each observable said, strongest first.
    pub fn evidence(&self, winner: Hypothesis) -> Vec<ObservableEvidence> {
        let Some(shape) = self.best_shape(winner) else { return Vec::new() };
        let runner_up = self.runner_up(winner);
        let own = self.factors(winner, shape);
        let other = match self.best_shape(runner_up) {
            Some(shape) => self.factors(runner_up, shape),
            None => [0.0; N_OBSERVABLES],
        };
        let mut list: Vec<ObservableEvidence> = Vec::new();
        for observable in Observable::ALL {
            let Some(prepared) = &self.prep.observables[observable.index()] else { continue };
            let change = self.comparer.changes[observable.index()].get(shape).copied().flatten();
            let physical = Physical::new(self, observable, prepared.level);
            let (value, se) = match change {
                Some(change) => physical.change(&change),
                None => (f64::NAN, f64::NAN),
            };
            let i = observable.index();
            list.push(ObservableEvidence {
                observable: observable.evidence_name().into(),
                unit: physical.unit.into(),
                change: value,
                se,
                since: change.and_then(|change| self.inside(change.onset)),
                over_runner_up: own[i] - other[i],
                over_no_change: own[i],
                adjusted: self.adjusted(prepared, shape, change, &physical),
            });
        }
        list.sort_by(|a, b| {
            b.over_no_change
                .total_cmp(&a.over_no_change)
                .then_with(|| a.observable.cmp(&b.observable))
        });
        list
    }

    fn factors(&self, mode: Hypothesis, shape: usize) -> [f64; N_OBSERVABLES] {
        let Some(draws) = self.comparer.draws.of(mode) else { return [0.0; N_OBSERVABLES] };
        let amplitudes = Amplitudes::new(draws, self.prep);
        let mut weights = Vec::new();
        let comparison = &self.comparisons[mode.index()];
        self.comparer.draw_weights(&amplitudes, comparison, shape, &mut weights);
        self.comparer.factors(&amplitudes, shape, &weights)
    }

    /// The likeliest other explanation, *no change* included.
    pub fn runner_up(&self, winner: Hypothesis) -> Hypothesis {
        Hypothesis::ALL
            .into_iter()
            .filter(|h| *h != winner)
            .fold(None, |best: Option<Hypothesis>, h| match best {
                Some(b) if self.probabilities[b.index()] >= self.probabilities[h.index()] => best,
                _ => Some(h),
            })
            .unwrap_or(Hypothesis::NoChange)
    }

    /// An onset as a day, where it lies inside the data.
    fn inside(&self, onset: f64) -> Option<Day> {
        (onset.is_finite() && onset >= self.prep.start).then(|| Day(onset.round() as i32))
    }

    /// Block values without level, covariates and recorded resets, in physical units.
    fn adjusted(
        &self,
        prepared: &Prepared,
        shape: usize,
        change: Option<Change>,
        physical: &Physical,
    ) -> Vec<(Day, f64)> {
        let shapes = &self.prep.shapes;
        let size = change.map_or(0.0, |change| change.a);
        let onset = change.map_or(f64::NAN, |change| change.onset);
        let own = Shape { kind: shapes.cells[shape].shape.kind, onset };
        let mut data = prepared.data.clone();
        for (y, t) in data.y.iter_mut().zip(&prepared.data.t) {
            *y -= if size == 0.0 { 0.0 } else { size * shapes.value(&own, *t) };
        }
        let beta = nuisance_estimate(&data, prepared.scales[0]);
        let keep_level = physical.keep_level;
        (0..data.t.len())
            .map(|i| {
                let nuisance: f64 = data
                    .z
                    .iter()
                    .zip(&beta)
                    .skip(usize::from(keep_level))
                    .map(|(column, b)| column[i] * b)
                    .sum();
                let value = physical.value(prepared.data.y[i] - nuisance);
                (Day(data.t[i].floor() as i32), value)
            })
            .collect()
    }

    /// Per mode, the smallest size that would have reached the list with 80 % chance.
    pub fn blind_spots(&self) -> Vec<BlindSpot> {
        Hypothesis::FAULTS
            .into_iter()
            .filter(|mode| *mode != Hypothesis::Unknown)
            .map(|mode| {
                let Some(draws) = self.comparer.draws.of(mode) else {
                    return BlindSpot { mode, smallest_visible: None, unit: String::new() };
                };
                let scale = SeverityScale::new(self, mode, draws);
                let smallest = takes_part(self.prep, mode)
                    .then(|| self.smallest_visible(mode, draws))
                    .flatten()
                    .map(|size| size * scale.factor);
                BlindSpot { mode, smallest_visible: smallest, unit: scale.unit.into() }
            })
            .collect()
    }

    /// Severity above which 80 % of the draws would carry the evidence that the list asks for.
    fn smallest_visible(&self, mode: Hypothesis, draws: &Draws) -> Option<f64> {
        const GROUPS: usize = 16;
        let shape = self.typical_shape(mode)?;
        let p = self.settings.list_probability;
        let needed = (p / (1.0 - p)).ln() - self.comparer.log_prior[mode.index()] + OCCAM_NATS;
        let amplitudes = Amplitudes::new(draws, self.prep);
        let active: Vec<(&[f64], f64)> = key_and_moved(&amplitudes)
            .filter_map(|(o, x)| {
                let change = self.comparer.changes[o.index()].get(shape).copied().flatten()?;
                Some((x, change.se.recip()))
            })
            .collect();
        // Luck is shared by all observables: each loses its part of one unlucky deviation.
        let luck = UNLUCKY_Z / (active.len().max(1) as f64).sqrt();
        let limit = (needed / 2.5).exp();
        let seen: Vec<bool> = draws
            .by_severity
            .iter()
            .map(|&j| {
                let product: f64 = active
                    .iter()
                    .map(|(x, inverse_se)| {
                        let z = ((x[j] * inverse_se).abs() - luck).max(0.0);
                        1.0 + 0.25 * z * z
                    })
                    .product();
                product >= limit
            })
            .collect();
        let size = (seen.len() / GROUPS).max(1);
        let shares: Vec<f64> = seen
            .chunks(size)
            .map(|c| c.iter().filter(|s| **s).count() as f64 / c.len() as f64)
            .collect();
        // The smallest group from which on every group passes.
        let first = shares.iter().rposition(|share| *share < SEEN_CHANCE).map_or(0, |i| i + 1);
        (first < shares.len())
            .then(|| draws.severity[draws.by_severity[(first * size).min(seen.len() - 1)]])
    }

    /// A ramp over the middle of the data (a step where the mode knows no ramps).
    fn typical_shape(&self, mode: Hypothesis) -> Option<usize> {
        let kind = if mode == Hypothesis::Damage { Kind::Step } else { Kind::Ramp };
        let shapes = &self.prep.shapes;
        let middle = 0.5 * (self.prep.start + f64::from(self.as_of));
        let distance = |g: &usize| (shapes.cells[*g].shape.onset - middle).abs();
        (0..shapes.cells.len())
            .filter(|&g| shapes.cells[g].shape.kind == kind)
            .min_by(|a, b| distance(a).total_cmp(&distance(b)))
    }

    /// The obtainable observable with the largest expected gain between the two leading
    /// explanations per unit of cost.
    pub fn next_test(&self, winner: Hypothesis) -> String {
        let rival = self.runner_up(winner);
        let (ours, theirs) = (Expected::new(self, winner), Expected::new(self, rival));
        let candidates: [(&str, &[Observable], f64, f64); 5] = [
            (
                "an in-situ check in full, steady, single-phase flow",
                &[Observable::StiffnessInlet, Observable::Stiffness],
                0.16,
                1.0,
            ),
            (
                "an as-found zero with both blocks closed and the meter full",
                &[Observable::ZeroFound],
                1.5,
                1.5,
            ),
            (
                "the pick-off amplitudes of inlet and outlet",
                &[Observable::PickoffRatio],
                0.004,
                2.0,
            ),
            ("the density in a reference flush", &[Observable::ReferencePoint], 2.0, 3.0),
            ("the density drained and dry", &[Observable::AirPoint], 2.0, 4.0),
        ];
        let mut best: Option<(f64, &str)> = None;
        for (words, observables, se, cost) in candidates {
            let fresh = observables.iter().any(|o| self.is_fresh(*o));
            if fresh {
                continue;
            }
            let gain = observables
                .iter()
                .map(|&o| {
                    let ((m1, v1), (m2, v2)) = (ours.of(o), theirs.of(o));
                    let z2 = (m1 - m2).powi(2) / (v1 + v2 + se * se);
                    // What spread alone tells: a wide cloud against a narrow one.
                    let spread = 0.5 * ((v1.max(v2) + se * se) / (v1.min(v2) + se * se)).ln();
                    2.5 * (0.25 * z2).ln_1p() + 0.5 * spread
                })
                .fold(0.0, f64::max)
                / cost;
            if gain > best.map_or(0.0, |best| best.0) {
                best = Some((gain, words));
            }
        }
        match best {
            Some((gain, words)) if gain > 0.02 => {
                format!("{words} (would part {} from {})", winner.words(), rival.words())
            }
            _ => format!(
                "no single test parts {} from {}: watch for another month",
                winner.words(),
                rival.words()
            ),
        }
    }

    /// Whether an observable has a value of the last 30 days.
    fn is_fresh(&self, observable: Observable) -> bool {
        self.prep.observables[observable.index()]
            .as_ref()
            .and_then(|p| p.data.t.last())
            .is_some_and(|t| *t > f64::from(self.as_of) - 30.0)
    }
}

/// Posterior draws of a hypothesis on its best shape.
struct Expected<'a> {
    amplitudes: Option<Amplitudes<'a>>,
    weights: Vec<f64>,
}

impl<'a> Expected<'a> {
    fn new(case: &Case<'a>, mode: Hypothesis) -> Expected<'a> {
        let mut weights = Vec::new();
        let draws = case.comparer.draws.of(mode);
        let amplitudes = case.best_shape(mode).zip(draws).map(|(shape, draws)| {
            let amplitudes = Amplitudes::new(draws, case.prep);
            let comparison = &case.comparisons[mode.index()];
            case.comparer.draw_weights(&amplitudes, comparison, shape, &mut weights);
            amplitudes
        });
        Expected { amplitudes, weights }
    }

    /// Mean and variance of an observable's change; zero where it is not moved.
    fn of(&self, observable: Observable) -> (f64, f64) {
        let x = self.amplitudes.as_ref().and_then(|a| a.x[observable.index()].as_deref());
        let total: f64 = self.weights.iter().sum();
        let Some(x) = x.filter(|_| total > 0.0) else { return (0.0, 0.0) };
        let mean = x.iter().zip(&self.weights).map(|(x, w)| x * w).sum::<f64>() / total;
        let square = x.iter().zip(&self.weights).map(|(x, w)| x * x * w).sum::<f64>() / total;
        (mean, (square - mean * mean).max(0.0))
    }
}

/// Moved observables of a hypothesis with their draws.
fn key_and_moved<'a>(
    amplitudes: &'a Amplitudes<'_>,
) -> impl Iterator<Item = (Observable, &'a [f64])> + 'a {
    Observable::ALL.into_iter().filter_map(|o| amplitudes.x[o.index()].as_deref().map(|x| (o, x)))
}

/// Modes for which a meter has no observable at all.
pub(crate) fn blind_modes(prep: &MeterPrep) -> Vec<Hypothesis> {
    Hypothesis::FAULTS
        .into_iter()
        .filter(|mode| !key_observables(*mode).is_empty() && !takes_part(prep, *mode))
        .collect()
}

/// Fewest effective draws behind an interval.
const MIN_EFFECTIVE: f64 = 30.0;

/// Flattens weights until enough draws stand behind an interval: sharp observables leave a
/// handful of the cloud, whose spread would be their spacing and not the uncertainty. The sum is
/// kept.
fn temper(weights: &mut [f64]) {
    let top = weights.iter().copied().fold(0.0, f64::max);
    let total: f64 = weights.iter().sum();
    let effective = |power: f64| {
        let (mut sum, mut squares) = (0.0, 0.0);
        for w in weights.iter().filter(|w| **w > 0.0) {
            let w = (w / top).powf(power);
            sum += w;
            squares += w * w;
        }
        sum * sum / squares
    };
    if !(total > 0.0) || effective(1.0) >= MIN_EFFECTIVE {
        return;
    }
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..12 {
        let middle = 0.5 * (low + high);
        if effective(middle) >= MIN_EFFECTIVE { low = middle } else { high = middle }
    }
    weights.iter_mut().filter(|w| **w > 0.0).for_each(|w| *w = (*w / top).powf(low));
    let scale = total / weights.iter().sum::<f64>();
    weights.iter_mut().for_each(|w| *w *= scale);
}

/// How a mode's severity is told.
struct SeverityScale {
    unit: &'static str,
    factor: f64,
    /// Electrical: tell only this half (pick-off or drive).
    pickoff: Option<bool>,
}

impl SeverityScale {
    fn new(case: &Case<'_>, mode: Hypothesis, draws: &Draws) -> SeverityScale {
        let (unit, factor) = match mode {
            Hypothesis::Coating => ("% of bore", 1.0),
            Hypothesis::Erosion | Hypothesis::Damage => ("% of stiffness", 1.0),
            Hypothesis::TwoPhase => ("% of flowing time", 1.0),
            Hypothesis::ZeroDrift => ("kg/h", case.meter.meter.zero_stability_kg_h),
            Hypothesis::Electrical => ("% of drive gain", 1.0),
            _ => ("", 1.0),
        };
        let mut scale = SeverityScale { unit, factor, pickoff: None };
        if mode == Hypothesis::Electrical {
            let shape = case.best_shape(mode);
            let mut weights = Vec::new();
            if let Some(shape) = shape {
                let comparison = &case.comparisons[mode.index()];
                let amplitudes = Amplitudes::new(draws, case.prep);
                case.comparer.draw_weights(&amplitudes, comparison, shape, &mut weights);
            }
            let on = |want: bool| -> f64 {
                weights
                    .iter()
                    .zip(&draws.pickoff)
                    .filter(|(_, p)| **p == want)
                    .map(|(w, _)| w)
                    .sum()
            };
            let pickoff = on(true) > on(false);
            scale.pickoff = Some(pickoff);
            if pickoff {
                scale.unit = "% of pick-off amplitude";
            }
        }
        scale
    }

    fn counts(&self, draws: &Draws, j: usize) -> bool {
        self.pickoff.is_none_or(|pickoff| draws.pickoff.get(j) == Some(&pickoff))
    }
}

/// Limit over size, per draw at its largest.
struct LimitRatios {
    ratios: Vec<f64>,
    known: bool,
}

impl LimitRatios {
    fn new(case: &Case<'_>, mode: Hypothesis, draws: &Draws) -> LimitRatios {
        let n = draws.severity.len();
        let tolerable = case.settings.limits.tolerable_pct(&case.meter.meter);
        let StiffnessLimit { pct: stiffness, .. } =
            stiffness_limit(case.meter, case.as_of, case.settings);
        let errors = case.errors_pct(mode, draws);
        let drive = draws.amplitude[Observable::Drive.index()].as_ref();
        let margin = drive_margin(case);
        let saturation = |j: usize| match (drive, margin) {
            (Some(a), Some(margin)) if a.base[j] > 0.0 => 1.0 + margin / a.base[j],
            _ => f64::INFINITY,
        };
        let ratio = |j: usize| match mode {
            Hypothesis::Coating => (tolerable / errors[j]).min(saturation(j)),
            Hypothesis::Erosion => stiffness / draws.severity[j],
            Hypothesis::TwoPhase => case.settings.limits.gas_share / draws.gas_share[j],
            Hypothesis::ZeroDrift => tolerable / errors[j],
            Hypothesis::Electrical => saturation(j),
            _ => f64::NAN,
        };
        let ratios: Vec<f64> = (0..n).map(ratio).collect();
        let known = ratios.iter().all(|r| !r.is_nan());
        LimitRatios { ratios, known }
    }
}

/// ln of the drive ceiling over the drive gain of the last days with one.
fn drive_margin(case: &Case<'_>) -> Option<f64> {
    let column = case.meter.column(Col::DriveGain);
    if column.is_empty() {
        return None;
    }
    let known: Vec<f64> =
        column[case.prep.segment.rows.clone()].iter().copied().filter(|gain| *gain > 0.0).collect();
    let recent = metersift_stats::median(&known[known.len().saturating_sub(14)..]);
    (recent > 0.0).then(|| (case.settings.limits.drive_ceiling_pct / recent).ln().max(0.0))
}

/// Median with 10..90 % of sorted (value, weight) pairs.
fn quantiles(sorted: &[(f64, f64)]) -> Option<Interval> {
    let total: f64 = sorted.iter().map(|pair| pair.1).sum();
    if !(total > 0.0) {
        return None;
    }
    let at = |p: f64| {
        let mut sum = 0.0;
        for (value, weight) in sorted {
            sum += weight;
            if sum >= p * total {
                return *value;
            }
        }
        sorted.last().map_or(f64::NAN, |pair| pair.0)
    };
    let size = Interval { mid: at(0.5), low: at(LOW), high: at(HIGH) };
    (size.mid.is_finite() && size.low.is_finite() && size.high.is_finite()).then_some(size)
}

/// Quantiles of first passages in days; the last bin is *beyond the horizon*. No estimate where
/// the interval is wider than the horizon with its middle beyond it.
fn days_left(passages: &[f64], horizon: usize) -> Option<Interval> {
    let total: f64 = passages.iter().sum();
    if !(total > 0.0) {
        return None;
    }
    let at = |p: f64| {
        let mut sum = 0.0;
        for (day, weight) in passages.iter().enumerate() {
            sum += weight;
            if sum >= p * total {
                return if day >= horizon { f64::INFINITY } else { day as f64 };
            }
        }
        f64::INFINITY
    };
    let interval = Interval { mid: at(0.5), low: at(LOW), high: at(HIGH) };
    if interval.low.is_infinite() {
        // Later than the horizon, as far as 90 % of the mass can tell.
        return Some(Interval { low: horizon as f64, ..interval });
    }
    interval.mid.is_finite().then_some(interval)
}

/// Turns an observable's own scale into units that people use.
pub(crate) struct Physical {
    observable: Observable,
    level: f64,
    factor: f64,
    pub unit: &'static str,
    /// Absolute and service references keep their level in pictures.
    pub keep_level: bool,
}

impl Physical {
    fn new(case: &Case<'_>, observable: Observable, level: f64) -> Physical {
        let stability = case.meter.meter.zero_stability_kg_h;
        let (unit, factor) = match observable {
            Observable::Drive | Observable::Noise => ("%", 100.0),
            Observable::PickoffRatio | Observable::PartnerSpan => ("%", 100.0),
            Observable::Gas => ("% of flowing time", 100.0),
            Observable::Aborted => ("% of checks", 100.0),
            Observable::StiffnessInlet | Observable::StiffnessOutlet | Observable::Stiffness => {
                ("%", 1.0)
            }
            Observable::Zero | Observable::ZeroFound | Observable::PartnerZero => {
                ("kg/h", stability)
            }
            Observable::Density | Observable::AirPoint | Observable::ReferencePoint => {
                ("kg/m3", 1.0)
            }
        };
        let keep_level = observable.reference() != Reference::Free;
        Physical { observable, level, factor, unit, keep_level }
    }

    /// A deviation from the reference (for shares: the share itself).
    fn value(&self, y: f64) -> f64 {
        match self.observable {
            Observable::Drive | Observable::Noise => self.factor * y.exp_m1(),
            Observable::Gas | Observable::Aborted => {
                self.factor * (self.level + y).clamp(0.0, std::f64::consts::FRAC_PI_2).sin().powi(2)
            }
            _ => self.factor * y,
        }
    }

    /// A change and its standard error.
    fn change(&self, change: &Change) -> (f64, f64) {
        match self.observable {
            Observable::Drive | Observable::Noise => {
                (self.factor * change.a.exp_m1(), self.factor * change.a.exp() * change.se)
            }
            Observable::Gas | Observable::Aborted => {
                let now = self.value(change.a);
                let slope =
                    (2.0 * (self.level + change.a)).sin().abs().max(2.0 * change.se.min(0.5));
                (now - self.value(0.0), self.factor * slope * change.se)
            }
            _ => (self.factor * change.a, self.factor * change.se),
        }
    }
}

/// One sentence: the explanation and the observables that argued for it, strongest first, with
/// numbers, units and dates.
pub(crate) fn reason(
    mode: Hypothesis,
    probability: f64,
    evidence: &[ObservableEvidence],
    sizes: &Sizes,
) -> String {
    let arguing: Vec<String> = evidence
        .iter()
        .filter(|e| e.over_no_change > 0.2 && e.change.is_finite())
        .take(3)
        .map(|e| {
            let since = e.since.map_or(String::new(), |day| format!(" since {day}"));
            format!("{} {}{since}", words_of(&e.observable), change_words(e))
        })
        .collect();
    let against: Vec<String> = evidence
        .iter()
        .rev()
        .filter(|e| e.over_no_change < -0.2)
        .take(2)
        .map(|e| format!("{} {}", words_of(&e.observable), change_words(e)))
        .collect();
    let percent = (100.0 * probability).min(99.0).floor();
    let size = sizes.severity.as_ref().map_or(String::new(), |s| {
        format!(
            ", {} {} ({} to {})",
            rounded(s.size.mid),
            s.unit,
            rounded(s.size.low),
            rounded(s.size.high)
        )
    });
    let mut text = format!("{} {percent:.0} %{size}", mode.words());
    if arguing.is_empty() {
        text.push_str(": no observable argues for it");
    } else {
        text.push_str(": ");
        text.push_str(&arguing.join("; "));
    }
    if !against.is_empty() {
        text.push_str("; against it: ");
        text.push_str(&against.join(", "));
    }
    text
}

fn words_of(name: &str) -> &'static str {
    Observable::ALL.iter().find(|o| o.evidence_name() == name).map_or("", |o| o.words())
}

fn change_words(e: &ObservableEvidence) -> String {
    let unit = if e.unit == "%" { " %".to_string() } else { format!(" {}", e.unit) };
    let sign = if e.change >= 0.0 { "+" } else { "-" };
    format!("{sign}{}{unit} (standard error {})", rounded(e.change.abs()), rounded(e.se))
}

/// Three significant digits at most, no trailing noise.
pub(crate) fn rounded(x: f64) -> String {
    let size = x.abs();
    if !x.is_finite() {
        "-".into()
    } else if size >= 100.0 {
        format!("{x:.0}")
    } else if size >= 10.0 {
        format!("{x:.1}")
    } else if size >= 0.095 {
        format!("{x:.2}")
    } else {
        format!("{x:.3}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mass_beyond_the_horizon_is_told_as_later_than() {
        let mut passages = vec![0.0; 366];
        passages[365] = 1.0;
        let later = days_left(&passages, 365).expect("later than");
        assert_eq!((later.low, later.mid), (365.0, f64::INFINITY));
        passages[100] = 3.0;
        let mostly = days_left(&passages, 365).expect("estimate");
        assert_eq!((mostly.low, mostly.mid, mostly.high), (100.0, 100.0, f64::INFINITY));
        passages[100] = 0.3;
        assert_eq!(days_left(&passages, 365), None);
    }

    #[test]
    fn one_heavy_draw_does_not_make_an_interval_of_no_width() {
        let mut weights: Vec<f64> = (0..200).map(|i| (-0.5 * f64::from(i)).exp()).collect();
        let total: f64 = weights.iter().sum();
        temper(&mut weights);
        assert!((weights.iter().sum::<f64>() - total).abs() < 1e-9);
        let squares: f64 = weights.iter().map(|w| w * w).sum();
        assert!(total * total / squares > 29.0);
        let mut flat = vec![1.0; 50];
        temper(&mut flat);
        assert_eq!(flat, vec![1.0; 50]);
    }

    #[test]
    fn weighted_quantiles_follow_the_weights() {
        let pairs = [(1.0, 0.05), (2.0, 0.5), (3.0, 0.4), (9.0, 0.05)];
        let size = quantiles(&pairs).expect("weights");
        assert_eq!((size.low, size.mid, size.high), (2.0, 2.0, 3.0));
        assert_eq!(quantiles(&[(1.0, 0.0)]), None);
    }
}
