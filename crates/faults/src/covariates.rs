//! What may move a meter innocently, at the blocks of one observable.

use crate::fleet::Col;
use crate::nuisance::{Covariate, CovariateKind};
use crate::observable::Observable;
use crate::peers::TEMPERATURE;
use crate::prepare::{Context, YEAR_DAYS};
use crate::raw::Raw;
use crate::settings::{ObservablePrior, Part};
use metersift_stats as stats;

/// Seasons are a covariate only beyond this many days of history.
const SEASON_DAYS: f64 = 400.0;

/// A covariate missing in more than this share of blocks is left out.
const MISSING_SHARE: f64 = 0.4;

/// Fewest blocks that allow covariates at all.
pub(crate) const MIN_COVARIATE_BLOCKS: usize = 8;

/// Rank correlation of differences above which a single peer is a covariate.
const PEER_CORRELATION: f64 = 0.5;

/// Most single peers.
const MAX_SINGLE_PEERS: usize = 2;

/// Width of the coefficient of peers before data: they answer about alike.
const PEER_SD: f64 = 1.0;

impl Context<'_> {
    /// Whether the peers of an observable are a covariate.
    fn uses_peers(&self, observable: Observable) -> bool {
        let gas = matches!(observable, Observable::Gas | Observable::Burst);
        let settings = &self.fleet.settings;
        settings.uses(Part::Peers) && (!gas || settings.uses(Part::PeerGas))
    }

    /// Covariates of an observable at its blocks.
    pub(crate) fn covariates(
        &self,
        index: usize,
        observable: Observable,
        raw: &Raw,
        prior: &ObservablePrior,
        y: &[f64],
        with_peers: bool,
    ) -> Vec<Covariate> {
        let mut list = Vec::new();
        let takes = observable.is_signal()
            || matches!(observable, Observable::ReferencePoint | Observable::Gas);
        if !takes || raw.y.len() < MIN_COVARIATE_BLOCKS {
            return list;
        }
        let meter = &self.fleet.meters[index];
        let mut push = |kind, x: Vec<f64>, prior_sd: f64, unlikeness: f64| {
            if let Some(x) = centred_column(x)
                && prior_sd > 0.0
            {
                list.push(Covariate { kind, x, prior_sd, unlikeness });
            }
        };
        // Peers' thermometers where there are three: the own one may be what drifts.
        let panel = &self.panels[index];
        let shared = raw.blocks.medians(|row| panel.peers_at(TEMPERATURE, meter.days[row]));
        let own = raw.blocks.medians(|row| meter.value(Col::Temperature, row));
        let has_peers = centred_column(shared.clone()).is_some();
        let temperature = if has_peers { shared.clone() } else { own.clone() };
        // Where the own thermometer leaves its peers, what it moves is no news of the tube.
        let apart: Vec<f64> = own.iter().zip(&shared).map(|(own, peers)| own - peers).collect();
        push(CovariateKind::Thermometer, apart, prior.temperature_sd, 0.0);
        push(CovariateKind::Temperature, temperature, prior.temperature_sd, 0.0);
        if prior.pressure_sd > 0.0 && self.fleet.settings.uses(Part::Pressure) {
            let pressure = raw.blocks.medians(|row| meter.value(Col::Pressure, row));
            push(CovariateKind::Pressure, pressure, prior.pressure_sd, 0.0);
        }
        if prior.log_flow_sd > 0.0 {
            let flow = raw.blocks.medians(|row| meter.value(Col::FlowMedian, row).abs().ln());
            push(CovariateKind::LogFlow, flow, prior.log_flow_sd, 0.0);
        }
        if let (Some(which), true) =
            (shared_index(observable), with_peers && self.uses_peers(observable))
        {
            let unlike = self.fleet.priors.noise.peer_unlikeness.powi(2);
            let peers = raw.blocks.medians(|row| panel.peers_at(which, meter.days[row]));
            match centred_column(peers) {
                Some(x) => list.push(Covariate {
                    kind: CovariateKind::Peers,
                    x,
                    prior_sd: PEER_SD,
                    unlikeness: unlike,
                }),
                None => list.extend(self.single_peers(index, which, raw, y)),
            }
        }
        if prior.grade_sd > 0.0 {
            list.extend(self.grade_covariates(index, observable, raw, prior, with_peers));
        }
        let span = raw.blocks.t.last().unwrap_or(&0.0) - raw.blocks.t.first().unwrap_or(&0.0);
        if span > SEASON_DAYS && prior.season_sd > 0.0 {
            for quarter in [0.0, 0.25] {
                let wave = |t: &f64| (std::f64::consts::TAU * (t / YEAR_DAYS + quarter)).sin();
                let x = raw.blocks.t.iter().map(wave).collect();
                if let Some(x) = centred_column(x) {
                    let kind = CovariateKind::Season;
                    list.push(Covariate { kind, x, prior_sd: prior.season_sd, unlikeness: 0.0 });
                }
            }
        }
        list
    }

    /// Shares of days on each grade but the commonest. Grades are the peers' where there are
    /// peers; the meter's own only where they come and go.
    fn grade_covariates(
        &self,
        index: usize,
        observable: Observable,
        raw: &Raw,
        prior: &ObservablePrior,
        with_peers: bool,
    ) -> Vec<Covariate> {
        let Some(grades) = &self.grades[index] else { return Vec::new() };
        // The peers' own density says it better than their grade.
        if observable == Observable::Density && grades.from_peers && with_peers {
            return Vec::new();
        }
        let mut counts = [0_usize; 8];
        grades.by_row.iter().flatten().for_each(|g| counts[(*g).min(7)] += 1);
        let common = (0..8).fold(0, |best, g| if counts[g] > counts[best] { g } else { best });
        let present = (0..8).filter(|&g| g != common && counts[g] > 0);
        present
            .filter_map(|g| {
                let share = |row: usize| match grades.by_row.get(row).copied().flatten() {
                    Some(grade) => f64::from(u8::from(grade == g)),
                    None => f64::NAN,
                };
                let x = centred_column(raw.blocks.means(share))?;
                let kind = CovariateKind::Grade;
                Some(Covariate { kind, x, prior_sd: prior.grade_sd, unlikeness: 0.0 })
            })
            .collect()
    }

    /// Up to two peers whose differences go with the meter's. Their coefficients may be wrong by
    /// their own size: the one that changed slowly could be the peer.
    fn single_peers(&self, index: usize, which: usize, raw: &Raw, y: &[f64]) -> Vec<Covariate> {
        let meter = &self.fleet.meters[index];
        let differences = |x: &[f64]| -> Vec<f64> { x.windows(2).map(|p| p[1] - p[0]).collect() };
        let own = differences(y);
        let mut found: Vec<(f64, Vec<f64>)> = Vec::new();
        for &other in &self.fleet.streams[meter.stream] {
            if other == index {
                continue;
            }
            let panel = &self.panels[other];
            let values = raw.blocks.medians(|row| panel.own_at(which, meter.days[row]));
            let Some(x) = centred_column(values) else { continue };
            let correlation = stats::spearman(&own, &differences(&x));
            if correlation > PEER_CORRELATION {
                found.push((correlation, x));
            }
        }
        found.sort_by(|a, b| b.0.total_cmp(&a.0));
        found.truncate(MAX_SINGLE_PEERS);
        found
            .into_iter()
            .map(|(_, x)| Covariate {
                kind: CovariateKind::SinglePeer,
                x,
                prior_sd: PEER_SD,
                unlikeness: 1.0,
            })
            .collect()
    }
}

/// Index of an observable among those that peers share.
pub(crate) fn shared_index(observable: Observable) -> Option<usize> {
    match observable {
        Observable::Drive => Some(0),
        Observable::Density => Some(1),
        Observable::Noise => Some(2),
        Observable::Burst => Some(4),
        Observable::Gas => Some(5),
        _ => None,
    }
}

/// Centres a column and fills its gaps from the nearest block; `None` when too much is missing
/// or nothing moves.
fn centred_column(mut x: Vec<f64>) -> Option<Vec<f64>> {
    let n = x.len();
    let missing = x.iter().filter(|v| !v.is_finite()).count();
    if n == 0 || missing as f64 > MISSING_SHARE * n as f64 {
        return None;
    }
    let mut last = f64::NAN;
    for value in x.iter_mut() {
        if value.is_finite() {
            last = *value;
        } else {
            *value = last;
        }
    }
    for value in x.iter_mut().rev() {
        if value.is_finite() {
            last = *value;
        } else {
            *value = last;
        }
    }
    let centre = stats::median(&x);
    x.iter_mut().for_each(|v| *v -= centre);
    let moves = x.iter().any(|v| v.abs() > 1e-12);
    (moves && x.iter().all(|v| v.is_finite())).then_some(x)
}
