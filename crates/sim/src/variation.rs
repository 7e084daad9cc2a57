//! Departures from the usual site: how far a verdict holds where the world is another one.
//!
//! Why:   settings tuned on one kind of site may be right for that kind only. Each departure
//!        changes one thing; [`PlanVariation::at_random`] changes all of them at once.
//! Units: factors; 1 = as usual.

use crate::seed::{Draws, Purpose};
use metersift_model::Signal;

/// How a site departs from the usual one. The default departs in nothing.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanVariation {
    /// Times every measuring noise.
    pub noise_factor: f64,
    /// Times every slow wander of the instruments.
    pub wander_factor: f64,
    /// Times every dead band of the historian.
    pub dead_band_factor: f64,
    /// Times the number of faulty meters.
    pub fault_factor: f64,
    /// Times the number of look-alikes.
    pub look_alike_factor: f64,
    /// Signals that no meter of the site has.
    pub dropped: Vec<Signal>,
    /// Probability with which a meter lacks each of its signals but mass flow.
    pub missing_share: f64,
    /// Faults that would grow as usual grow in stairs, as an S, or faster and faster.
    pub other_growth: bool,
    /// A cause that moves many meters at once.
    pub common_cause: CommonCause,
    /// Instead of the usual faults, one of graded size for every meter.
    pub ladder: Option<Ladder>,
}

/// Which streams turn 6 K colder at 60 % of the horizon.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum CommonCause {
    /// None.
    #[default]
    None,
    /// Those of one service, the one with the most meters.
    OneService,
    /// All.
    AllStreams,
}

/// Faults of graded size: every meter gets one, in a straight line from its onset to the last
/// day. Four modes take turns; sizes are even in their logarithm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ladder {
    /// Day of every onset.
    pub onset_day: f64,
    /// Smallest size as a share of the largest.
    pub smallest_share: f64,
}

/// The modes of a ladder and their largest sizes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum LadderMode {
    /// Soft coating, % of the bore.
    Coating,
    /// Even wear, % of the wall at the worst place.
    Erosion,
    /// Gas, % of flowing time.
    Gas,
    /// Zero, zero stabilities.
    Zero,
}

impl LadderMode {
    /// All, in the order in which meters take turns.
    pub const ALL: [LadderMode; 4] =
        [LadderMode::Coating, LadderMode::Erosion, LadderMode::Gas, LadderMode::Zero];

    /// Variant of the fault.
    pub(crate) fn variant(self) -> &'static str {
        match self {
            LadderMode::Coating => "coating_soft",
            LadderMode::Erosion => "wear_even",
            LadderMode::Gas => "gas_growing",
            LadderMode::Zero => "zero_ramp",
        }
    }

    /// Largest size, in the unit of the fault (share of bore, wall and time; zero stabilities).
    pub(crate) fn largest(self) -> f64 {
        match self {
            LadderMode::Coating => 0.12,
            LadderMode::Erosion => 0.08,
            LadderMode::Gas => 0.30,
            LadderMode::Zero => 40.0,
        }
    }
}

impl Default for PlanVariation {
    fn default() -> PlanVariation {
        PlanVariation {
            noise_factor: 1.0,
            wander_factor: 1.0,
            dead_band_factor: 1.0,
            fault_factor: 1.0,
            look_alike_factor: 1.0,
            dropped: Vec::new(),
            missing_share: 0.0,
            other_growth: false,
            common_cause: CommonCause::None,
            ladder: None,
        }
    }
}

impl PlanVariation {
    /// Every constant at random: factors log-uniform within the spans written here.
    pub fn at_random(seed: u64) -> PlanVariation {
        let mut draws = Draws::new(seed, 0, Purpose::Variation, 0);
        PlanVariation {
            noise_factor: draws.log_range(0.5, 2.5),
            wander_factor: draws.log_range(0.5, 2.0),
            dead_band_factor: draws.log_range(0.5, 4.0),
            fault_factor: draws.log_range(0.5, 2.0),
            look_alike_factor: draws.log_range(0.5, 2.0),
            dropped: Vec::new(),
            missing_share: draws.range(0.0, 0.4),
            other_growth: draws.chance(0.5),
            common_cause: if draws.chance(0.5) {
                CommonCause::OneService
            } else {
                CommonCause::None
            },
            ladder: None,
        }
    }

    /// Why it makes no site, if so.
    pub(crate) fn check(&self) -> Result<(), &'static str> {
        let factors = [
            self.noise_factor,
            self.wander_factor,
            self.dead_band_factor,
            self.fault_factor,
            self.look_alike_factor,
        ];
        if factors.iter().any(|f| !f.is_finite() || *f < 0.0) {
            return Err("factors of a variation are finite and not negative");
        }
        if !(0.0..=1.0).contains(&self.missing_share) {
            return Err("a share of missing signals lies between 0 and 1");
        }
        let graded = |ladder: &Ladder| {
            ladder.onset_day.is_finite()
                && ladder.smallest_share > 0.0
                && ladder.smallest_share <= 1.0
        };
        if self.ladder.as_ref().is_some_and(|ladder| !graded(ladder)) {
            return Err("a ladder begins on a day and spans a share between 0 and 1");
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_variation_at_random_is_its_seeds_own_and_stays_within_its_spans() {
        let drawn: Vec<PlanVariation> = (0..40).map(PlanVariation::at_random).collect();
        assert_eq!(drawn[7], PlanVariation::at_random(7));
        assert_ne!(drawn[7], drawn[8]);
        for one in &drawn {
            assert!((0.5..=2.5).contains(&one.noise_factor), "{one:?}");
            assert!(one.check().is_ok(), "{one:?}");
        }
        assert!(drawn.iter().any(|one| one.other_growth));
        assert!(drawn.iter().any(|one| one.common_cause == CommonCause::None));
    }

    #[test]
    fn a_share_beyond_one_makes_no_site() {
        let wrong = PlanVariation { missing_share: 1.5, ..PlanVariation::default() };
        assert!(wrong.check().is_err());
        let wrong = PlanVariation { wander_factor: f64::NAN, ..PlanVariation::default() };
        assert!(wrong.check().is_err());
    }
}
