//! The obtainable observable that would settle a matter.

use crate::compare::Amplitudes;
use crate::observable::Observable;
use crate::outcome::Case;
use metersift_model::Hypothesis;

impl Case<'_> {
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
    pub(crate) fn is_fresh(&self, observable: Observable) -> bool {
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
