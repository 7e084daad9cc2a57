//! Grades of one meter's days: from the peers' density where there are peers, else from its own.

use crate::covariates::MIN_COVARIATE_BLOCKS;
use crate::fleet::{Col, MeterData};
use crate::nuisance::{self, Covariate, CovariateKind};
use crate::regimes;
use crate::segment::Segment;
use metersift_stats as stats;
use std::ops::Range;

/// Grades of one meter's days.
#[derive(Clone, Debug)]
pub(crate) struct Grades {
    /// Per row of the meter; rows outside the segment have none.
    pub by_row: Vec<Option<usize>>,
    pub from_peers: bool,
}

/// Own grades must switch this often to be believed: a fault switches once.
const OWN_SWITCHES: usize = 3;

/// Peers' density must be known on this share of the days.
const PEER_SHARE: f64 = 0.6;

impl Grades {
    /// Finds the grades of a meter's segment; `None` where there is one.
    pub fn find(meter: &MeterData, segment: &Segment) -> Option<Grades> {
        let rows = segment.rows.clone();
        let peers = &meter.peer_density[rows.clone()];
        let known = peers.iter().filter(|x| x.is_finite()).count();
        let from_peers = known as f64 >= PEER_SHARE * rows.len() as f64;
        let own: Vec<f64> = rows.clone().map(|row| segment.density(meter, row)).collect();
        let values = if from_peers { peers } else { &own };
        let found = regimes::grades(&at_reference_temperature(meter, &rows, values))?;
        if !from_peers && regimes::switches(&found) < OWN_SWITCHES {
            return None;
        }
        let mut by_row = vec![None; rows.start];
        by_row.extend(found);
        Some(Grades { by_row, from_peers })
    }
}

/// Daily density with the effect of temperature, estimated on day-to-day differences, taken out.
fn at_reference_temperature(meter: &MeterData, rows: &Range<usize>, values: &[f64]) -> Vec<f64> {
    let temperature: Vec<f64> =
        rows.clone().map(|row| meter.value(Col::Temperature, row)).collect();
    let known: Vec<usize> = (0..values.len())
        .filter(|&i| values[i].is_finite() && temperature[i].is_finite())
        .collect();
    if known.len() < MIN_COVARIATE_BLOCKS {
        return values.to_vec();
    }
    let y: Vec<f64> = known.iter().map(|&i| values[i]).collect();
    let x: Vec<f64> = known.iter().map(|&i| temperature[i]).collect();
    let middle = stats::median(&x);
    let kind = CovariateKind::Temperature;
    let covariate = Covariate { kind, x, prior_sd: 1.0, unlikeness: 0.0 };
    let ones = vec![1.0; y.len()];
    let slope = nuisance::estimate(&y, &ones, &[covariate], 0.5, |_| false).b[0];
    let correct = |(v, t): (&f64, &f64)| if t.is_finite() { v - slope * (t - middle) } else { *v };
    values.iter().zip(&temperature).map(correct).collect()
}
