//! In what a mode's size is told, and the limit that it runs toward.

use crate::compare::Amplitudes;
use crate::draws::Draws;
use crate::facts::{StiffnessLimit, stiffness_limit};
use crate::fleet::Col;
use crate::observable::Observable;
use crate::outcome::Case;
use metersift_model::Hypothesis;
use metersift_model::records::Uses;
use metersift_model::verdict::Limit;

/// How a mode's severity is told.
pub(crate) struct SeverityScale {
    pub unit: &'static str,
    pub factor: f64,
    /// Electrical: tell only this half (pick-off or drive).
    pub pickoff: Option<bool>,
}

impl SeverityScale {
    pub fn new(case: &Case<'_>, mode: Hypothesis, draws: &Draws) -> SeverityScale {
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

    pub fn counts(&self, draws: &Draws, j: usize) -> bool {
        self.pickoff.is_none_or(|pickoff| draws.pickoff.get(j) == Some(&pickoff))
    }
}

/// Limit over size, per draw at its largest.
pub(crate) struct LimitRatios {
    pub ratios: Vec<f64>,
    pub known: bool,
}

impl LimitRatios {
    pub fn new(case: &Case<'_>, mode: Hypothesis, draws: &Draws) -> LimitRatios {
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

impl Case<'_> {
    /// The limit that the days left of a mode count to, with its reason.
    pub fn limit(&self, mode: Hypothesis) -> Option<Limit> {
        let limits = &self.settings.limits;
        let meter = &self.meter.meter;
        let (tolerable, why) = (limits.tolerable_pct(meter), limits.tolerable_reason(meter));
        let limit = |value: f64, unit: &str, reason: String| {
            Some(Limit { value, unit: unit.into(), reason }).filter(|l| l.value.is_finite())
        };
        match mode {
            Hypothesis::Coating => {
                let output = match meter.uses {
                    Uses::Mass => "mass flow",
                    Uses::Volume => "volume flow",
                    Uses::Density => "density",
                };
                let drive = drive_margin(self).map_or(String::new(), |_| {
                    let ceiling = limits.drive_ceiling_pct;
                    format!(", or drive gain {ceiling:.0} % (no reserve left), whichever is first")
                });
                limit(tolerable, "% of reading", format!("error of {output}: {why}{drive}"))
            }
            Hypothesis::Erosion | Hypothesis::Damage => {
                let StiffnessLimit { pct, checks_too_coarse } =
                    stiffness_limit(self.meter, self.as_of, self.settings);
                let reason = if checks_too_coarse {
                    format!(
                        "three standard errors of this meter's confirmed checks: they are too coarse for the tolerable {tolerable:.2} %"
                    )
                } else {
                    format!(
                        "flow error equals stiffness lost while the flow factor is stale: {why}"
                    )
                };
                limit(pct, "% of stiffness", reason)
            }
            Hypothesis::TwoPhase => limit(
                100.0 * limits.gas_share,
                "% of flowing time",
                "share of gas that the site bears, setting `gas_share`".into(),
            ),
            Hypothesis::ZeroDrift => {
                let flow = self.prep.usual_flow_kg_h.map_or(f64::NAN, f64::abs);
                limit(
                    tolerable / 100.0 * flow,
                    "kg/h",
                    format!("at the usual flow of {flow:.0} kg/h: {why}"),
                )
            }
            Hypothesis::Electrical => drive_margin(self).and_then(|_| {
                limit(
                    limits.drive_ceiling_pct,
                    "% drive gain",
                    "beyond it the drive has no reserve left, setting `drive_ceiling_pct` of `[features]`".into(),
                )
            }),
            _ => None,
        }
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
