//! What a meter could not have shown.

use crate::compare::{Amplitudes, key_observables, takes_part};
use crate::draws::Draws;
use crate::limits::SeverityScale;
use crate::observable::Observable;
use crate::outcome::Case;
use crate::prepare::MeterPrep;
use crate::shape::Kind;
use metersift_model::Hypothesis;
use metersift_model::verdict::BlindSpot;

/// Chance with which a blind spot's size would have been listed.
const SEEN_CHANCE: f64 = 0.8;

/// What averaging over onsets and amplitudes costs a true signature, nats (measured on
/// simulated blocks; only blind spots use it).
const OCCAM_NATS: f64 = 2.0;

/// Normal quantile of the 80 % chance.
const UNLUCKY_Z: f64 = 0.84;

impl Case<'_> {
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
        let needed = self.entry_log_odds - self.comparer.log_prior[mode.index()] + OCCAM_NATS;
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
