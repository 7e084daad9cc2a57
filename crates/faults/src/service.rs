//! Usual levels of a service, for observables that have no level of their own.

use crate::fleet::{Col, Fleet};
use crate::segment::Segment;
use metersift_model::records::CheckOutcome;
use metersift_stats as stats;

/// Levels of service references (gas, aborted) by meter: median over the other meters of its
/// service, zero where fewer than three have one.
#[derive(Clone, Debug, Default)]
pub(crate) struct ServiceLevels {
    pub gas: Vec<f64>,
    pub aborted: Vec<f64>,
}

impl ServiceLevels {
    pub fn new(fleet: &Fleet, segments: &[Segment], as_of: i32) -> ServiceLevels {
        let own_gas: Vec<f64> = fleet
            .meters
            .iter()
            .zip(segments)
            .map(|(meter, segment)| {
                let column = meter.column(Col::GasShare);
                let values: Vec<f64> = if column.is_empty() {
                    Vec::new()
                } else {
                    column[segment.rows.clone()].iter().map(|x| root_angle(*x)).collect()
                };
                stats::median(&values)
            })
            .collect();
        let own_aborted: Vec<f64> = fleet
            .meters
            .iter()
            .map(|meter| {
                let checks: Vec<bool> = meter
                    .checks
                    .iter()
                    .filter(|check| check.time.day().0 < as_of)
                    .map(|check| check.outcome == CheckOutcome::Aborted)
                    .collect();
                if checks.len() < 4 {
                    return f64::NAN;
                }
                let aborted = checks.iter().filter(|a| **a).count() as f64;
                root_angle(aborted / checks.len() as f64)
            })
            .collect();
        let service: Vec<&str> = fleet.meters.iter().map(|m| m.meter.service.as_str()).collect();
        ServiceLevels {
            gas: others_median(&service, &own_gas),
            aborted: others_median(&service, &own_aborted),
        }
    }
}

fn others_median(service: &[&str], own: &[f64]) -> Vec<f64> {
    (0..own.len())
        .map(|i| {
            let others: Vec<f64> = (0..own.len())
                .filter(|&k| k != i && service[k] == service[i] && own[k].is_finite())
                .map(|k| own[k])
                .collect();
            if others.len() >= 3 { stats::median(&others) } else { 0.0 }
        })
        .collect()
}

/// asin sqrt of a share.
pub(crate) fn root_angle(share: f64) -> f64 {
    share.clamp(0.0, 1.0).sqrt().asin()
}
