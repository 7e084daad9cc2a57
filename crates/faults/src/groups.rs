//! Meters that move alike: density-based clusters of standardised changes.
//!
//! Why:    many meters of one stream that change together are one process line on the list, not
//!         many faults.
//! In:     per meter, the changes of drive, density and noise on a common ramp, *without* peers
//!         taken out, in standard errors.
//! Out:    clusters of three or more meters of one stream.
//! Method: DBSCAN (Ester et al. 1996) per service, k-d tree neighbours; the point itself counts
//!         and the radius is inclusive up to rounding (it is widened by a relative 1e-9, since
//!         the library asks for strictly less). Quiet meters are left out: they are all alike.

use crate::compare::{Change, change};
use crate::fleet::Fleet;
use crate::observable::Observable;
use crate::prepare::{MeterPrep, common_shapes};
use linfa::ParamGuard;
use linfa::traits::Transformer;
use linfa_clustering::Dbscan;
use metersift_model::Day;
use ndarray::Array2;
use std::collections::BTreeMap;

/// Observables that a shared process moves.
const MOVED: [Observable; 3] = [Observable::Drive, Observable::Density, Observable::Noise];
/// Radius in standard errors: two meters with the same change differ by sqrt 2 per observable.
const RADIUS: f64 = 2.5;
/// A cluster has at least this many meters.
const MIN_MEMBERS: usize = 3;
/// Meters below this length of the change vector are quiet.
const MOVED_LENGTH: f64 = 3.0;
/// A member exceeds its group where it moved this many times as far as the middle ...
const EXCEED_TIMES: f64 = 2.0;
/// ... and by this many of its standard errors.
const EXCEED_SE: f64 = 4.0;
/// Changes count up to this many standard errors.
const CAP: f64 = 8.0;

/// A cluster on one stream.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Group {
    pub name: String,
    pub members: Vec<usize>,
    /// Members that moved far more than the others.
    pub exceeding: Vec<usize>,
}

/// Labels of density-based clusters; `None` = noise. Rows must be finite.
pub(crate) fn dbscan(points: &[Vec<f64>], radius: f64, min_points: usize) -> Vec<Option<usize>> {
    let (n, d) = (points.len(), points.first().map_or(0, Vec::len));
    let finite = points.iter().all(|row| row.len() == d && row.iter().all(|x| x.is_finite()));
    if n == 0 || d == 0 || !finite || !(radius > 0.0) || min_points < 2 {
        return vec![None; n];
    }
    let flat: Vec<f64> = points.iter().flatten().copied().collect();
    let Ok(array) = Array2::from_shape_vec((n, d), flat) else { return vec![None; n] };
    match Dbscan::params(min_points).tolerance(radius * (1.0 + 1e-9)).check() {
        Ok(params) => params.transform(&array).to_vec(),
        Err(_) => vec![None; n],
    }
}

/// Groups of the fleet on one as-of date.
pub(crate) fn groups(
    fleet: &Fleet,
    preps: &[MeterPrep],
    log_pi: &dyn Fn(usize) -> Vec<Vec<f64>>,
    as_of: i32,
) -> Vec<Group> {
    let shapes = common_shapes(f64::from(as_of));
    let all: Vec<Vec<Vec<Option<Change>>>> = preps
        .iter()
        .enumerate()
        .map(|(i, prep)| {
            let pi = log_pi(i);
            MOVED
                .iter()
                .map(|o| match &prep.observables[o.index()] {
                    Some(p) if !p.common.is_empty() => (0..shapes.len())
                        .map(|g| {
                            let pi = &pi[o.index()][..p.common.len()];
                            change(&p.common, pi, &shapes, &[g], p.floor)
                        })
                        .collect(),
                    _ => Vec::new(),
                })
                .collect()
        })
        .collect();
    let mut services: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (i, meter) in fleet.meters.iter().enumerate() {
        services.entry(meter.meter.service.as_str()).or_default().push(i);
    }
    let mut found = Vec::new();
    for members in services.values() {
        let shape = best_shape(&all, members, shapes.len());
        let vector = |i: usize| -> Vec<f64> {
            all[i]
                .iter()
                .map(|changes| match changes.get(shape).copied().flatten() {
                    Some(change) => (change.a / change.se).clamp(-CAP, CAP),
                    None => 0.0,
                })
                .collect()
        };
        let length = |v: &[f64]| v.iter().map(|x| x * x).sum::<f64>().sqrt();
        let moved: Vec<usize> =
            members.iter().copied().filter(|&i| length(&vector(i)) >= MOVED_LENGTH).collect();
        let points: Vec<Vec<f64>> = moved.iter().map(|&i| vector(i)).collect();
        let labels = dbscan(&points, RADIUS, MIN_MEMBERS);
        let mut clusters: BTreeMap<(usize, usize), Vec<usize>> = BTreeMap::new();
        for (&i, label) in moved.iter().zip(&labels) {
            if let Some(label) = label {
                clusters.entry((fleet.meters[i].stream, *label)).or_default().push(i);
            }
        }
        for ((_, _), members) in clusters {
            if members.len() >= MIN_MEMBERS {
                let change = |i: usize, k: usize| all[i][k].get(shape).copied().flatten();
                found.push(group(fleet, &members, &vector, &change, shapes[shape].onset));
            }
        }
    }
    found
}

/// The common ramp on which the members of a service moved most.
fn best_shape(all: &[Vec<Vec<Option<Change>>>], members: &[usize], n_shapes: usize) -> usize {
    let total = |g: usize| -> f64 {
        members
            .iter()
            .flat_map(|&i| all[i].iter())
            .filter_map(|changes| changes.get(g).copied().flatten())
            .map(|change| (change.a / change.se).clamp(-CAP, CAP).powi(2))
            .sum()
    };
    (0..n_shapes).fold(0, |best, g| if total(g) > total(best) { g } else { best })
}

/// Whether a member moved more than twice as far as the middle of its group, beyond the error.
fn moved_more(members: &[usize], i: usize, change: &dyn Fn(usize) -> Option<Change>) -> bool {
    let sizes: Vec<f64> = members.iter().filter_map(|&m| change(m)).map(|c| c.a).collect();
    let middle = metersift_stats::median(&sizes);
    change(i).is_some_and(|own| {
        own.a.abs() > EXCEED_TIMES * middle.abs() && (own.a - middle).abs() > EXCEED_SE * own.se
    })
}

fn group(
    fleet: &Fleet,
    members: &[usize],
    vector: &dyn Fn(usize) -> Vec<f64>,
    change: &dyn Fn(usize, usize) -> Option<Change>,
    onset: f64,
) -> Group {
    let meter = &fleet.meters[members[0]].meter;
    let mut moves = Vec::new();
    for (k, observable) in MOVED.iter().enumerate() {
        let values: Vec<f64> = members.iter().map(|&i| vector(i)[k]).collect();
        let middle = metersift_stats::median(&values);
        if middle.abs() >= 2.0 {
            let direction = if middle > 0.0 { "up" } else { "down" };
            moves.push(format!("{} {direction}", observable.words()));
        }
    }
    let place = if meter.stream.is_empty() { &meter.service } else { &meter.stream };
    let moves = if moves.is_empty() { "moved alike".into() } else { moves.join(", ") };
    let since = Day(onset.round() as i32);
    let name = format!("{place}: {moves} since about {since}");
    let exceeding = members
        .iter()
        .copied()
        .filter(|&i| (0..MOVED.len()).any(|k| moved_more(members, i, &|m| change(m, k))))
        .collect();
    Group { name, members: members.to_vec(), exceeding }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(points: &[(f64, f64)], eps: f64, min: usize) -> Vec<Option<usize>> {
        let rows: Vec<Vec<f64>> = points.iter().map(|p| vec![p.0, p.1]).collect();
        dbscan(&rows, eps, min)
    }

    /// The documented example of scikit-learn; R dbscan 1.1.11 agrees.
    #[test]
    fn six_points_make_two_clusters_and_one_noise_point() {
        let points = [(1.0, 2.0), (2.0, 2.0), (2.0, 3.0), (8.0, 7.0), (8.0, 8.0), (25.0, 80.0)];
        let got = labels(&points, 3.0, 2);
        assert_eq!(got, vec![Some(0), Some(0), Some(0), Some(1), Some(1), None]);
    }

    /// eps is inclusive and the point itself counts (scikit-learn and R).
    #[test]
    fn on_a_line_the_radius_is_inclusive() {
        let line: Vec<(f64, f64)> =
            [0.0, 1.0, 2.0, 3.0, 10.0, 11.0, 12.0, 30.0].iter().map(|x| (*x, 0.0)).collect();
        let two = [Some(0), Some(0), Some(0), Some(0), Some(1), Some(1), Some(1), None];
        assert_eq!(labels(&line, 1.0, 2), two);
        assert_eq!(labels(&line, 1.0, 3), two);
        assert_eq!(labels(&line, 1.0, 4), vec![None; 8]);
    }

    /// Old Faithful, standardised by the population standard deviation, radius 0.3, ten points:
    /// scikit-learn and R dbscan 1.1.11 find clusters of 165 and 92 and 15 noise points.
    #[test]
    fn old_faithful_makes_two_clusters_and_fifteen_noise_points() {
        let standard = |values: &[u32]| -> Vec<f64> {
            let n = values.len() as f64;
            let mean = values.iter().map(|x| f64::from(*x)).sum::<f64>() / n;
            let square = values.iter().map(|x| (f64::from(*x) - mean).powi(2)).sum::<f64>() / n;
            values.iter().map(|x| (f64::from(*x) - mean) / square.sqrt()).collect()
        };
        let eruption = standard(&crate::oracle::ERUPTION_MS);
        let waiting = standard(&crate::oracle::WAITING_MIN);
        let points: Vec<Vec<f64>> =
            eruption.iter().zip(&waiting).map(|(e, w)| vec![*e, *w]).collect();
        let got = dbscan(&points, 0.3, 10);
        let count = |label: Option<usize>| got.iter().filter(|l| **l == label).count();
        let mut clusters = [count(Some(0)), count(Some(1))];
        clusters.sort_unstable();
        assert_eq!((count(None), clusters), (15, [92, 165]));
    }

    #[test]
    fn rows_that_are_not_finite_make_no_clusters() {
        assert_eq!(labels(&[(f64::NAN, 0.0), (0.0, 0.0), (0.0, 0.0)], 1.0, 2), vec![None; 3]);
        assert_eq!(labels(&[], 1.0, 2), Vec::<Option<usize>>::new());
    }
}
