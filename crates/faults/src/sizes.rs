//! How large a fault is, what error it makes and when it meets its limit, from weighted draws.

use crate::compare::{Amplitudes, Change, grows};
use crate::draws::Draws;
use crate::limits::{LimitRatios, SeverityScale};
use crate::observable::Observable;
use crate::outcome::Case;
use crate::shape::Kind;
use metersift_model::Hypothesis;
use metersift_model::records::Uses;
use metersift_model::verdict::{Interval, Severity};

/// Shapes of less posterior weight than this add nothing to an interval.
const SHAPE_WEIGHT: f64 = 1e-4;

/// Quantiles of every interval.
const LOW: f64 = 0.1;

const HIGH: f64 = 0.9;

/// The law by which a fault will go on growing is not known: throughput, acceleration, saturation.
/// Days left of the fitted law times these factors, with their shares: chosen on tuning fleets so
/// that eight of ten intervals hold the true day.
const GROWTH: [(f64, f64); 4] = [(0.15, 0.25), (0.5, 0.25), (0.9, 0.25), (1.5, 0.25)];

/// Fewest effective draws behind an interval.
const MIN_EFFECTIVE: f64 = 30.0;

/// Severity, time and error of one mode.
#[derive(Clone, Debug, Default)]
pub(crate) struct Sizes {
    pub severity: Option<Severity>,
    pub days_left: Option<Interval>,
    pub error_now_pct: Option<f64>,
    pub error_rate_pct_d: Option<f64>,
}

impl Case<'_> {
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
                    for (factor, share) in GROWTH {
                        let days = days * factor;
                        let bin = if days < horizon as f64 { days as usize } else { horizon };
                        passages[bin] += share * w;
                    }
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
    pub(crate) fn end_slope(&self, cell: usize) -> f64 {
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
    pub(crate) fn errors_pct(&self, mode: Hypothesis, draws: &Draws) -> Vec<f64> {
        let meter = &self.meter.meter;
        let flow = self.prep.usual_flow_kg_h.map_or(f64::NAN, f64::abs);
        let zero_pct =
            |stabilities: f64| 100.0 * stabilities.abs() * meter.zero_stability_kg_h / flow;
        let density = draws.amplitude[Observable::Density.index()].as_ref();
        let density_pct = |j: usize| match density {
            None => 0.0,
            Some(a) => {
                let r0 = self.prep.r0.unwrap_or_else(|| draws.r0(j));
                100.0 * a.at(j, self.prep.density, r0).abs() / self.prep.density
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
}

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
