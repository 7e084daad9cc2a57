//! What each observable said for and against an explanation, in units that people use.

use crate::compare::{Amplitudes, Change};
use crate::likelihood::nuisance_estimate;
use crate::observable::{N_OBSERVABLES, Observable, Reference};
use crate::outcome::Case;
use crate::prepare::Prepared;
use crate::shape::Shape;
use metersift_model::verdict::ObservableEvidence;
use metersift_model::{Day, Hypothesis};

/// Days of a month.
const DAYS_PER_MONTH: f64 = 365.25 / 12.0;

impl Case<'_> {
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
        list.extend(self.own_word(winner, shape, runner_up));
        list.sort_by(|a, b| {
            b.over_no_change
                .total_cmp(&a.over_no_change)
                .then_with(|| a.observable.cmp(&b.observable))
        });
        list
    }

    /// The meter's own alerts, where they say anything.
    fn own_word(
        &self,
        winner: Hypothesis,
        shape: usize,
        runner_up: Hypothesis,
    ) -> Option<ObservableEvidence> {
        let (n, days) = self.prep.word.as_ref()?.said(winner, shape);
        let factor = |mode, shape| self.comparer.word(mode, shape).log10();
        let own = factor(winner, shape);
        let other = self.best_shape(runner_up).map_or(0.0, |shape| factor(runner_up, shape));
        let per_month = DAYS_PER_MONTH / days.max(1.0);
        (n > 0).then(|| ObservableEvidence {
            observable: "own_alerts".into(),
            unit: "days a month".into(),
            change: n as f64 * per_month,
            se: (n as f64).sqrt() * per_month,
            since: self.inside(self.prep.shapes.cells[shape].shape.onset),
            over_runner_up: own - other,
            over_no_change: own,
            adjusted: Vec::new(),
        })
    }

    pub(crate) fn factors(&self, mode: Hypothesis, shape: usize) -> [f64; N_OBSERVABLES] {
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
            Observable::Drive
            | Observable::Noise
            | Observable::Burst
            | Observable::DriveSpread
            | Observable::PickoffSpread => ("%", 100.0),
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
            Observable::Drive
            | Observable::Noise
            | Observable::Burst
            | Observable::DriveSpread
            | Observable::PickoffSpread => self.factor * y.exp_m1(),
            Observable::Gas | Observable::Aborted => {
                self.factor * (self.level + y).clamp(0.0, std::f64::consts::FRAC_PI_2).sin().powi(2)
            }
            _ => self.factor * y,
        }
    }

    /// A change and its standard error.
    fn change(&self, change: &Change) -> (f64, f64) {
        match self.observable {
            Observable::Drive
            | Observable::Noise
            | Observable::Burst
            | Observable::DriveSpread
            | Observable::PickoffSpread => {
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
