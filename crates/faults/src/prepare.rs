//! One meter before one as-of date: block values, nuisance, likelihoods under ten noise models.
//!
//! In:     a meter's segment, its peers' panels, priors.
//! Out:    per observable, block data centred on a level, the scale of each noise model, and what
//!         each noise model makes of each shape ([`likelihood::Fit`]).

use crate::blocks::{BlockRows, Grid, relative_variances};
use crate::fleet::{Col, Fleet, MeterData};
use crate::likelihood::{self, Data, Fit, Noise, Profiles, Scratch};
use crate::nuisance::{self, Coefficients, Covariate, CovariateKind};
use crate::observable::{N_OBSERVABLES, Observable, Reference};
use crate::peers::{MeterPanel, TEMPERATURE};
use crate::regimes;
use crate::segment::{Reset, ResetItem, Segment};
use crate::settings::{ObservablePrior, Priors};
use crate::shape::{Kind, Shape, Shapes};
use metersift_model::records::{CheckOutcome, CheckPosition, ZeroState};
use metersift_stats as stats;
use std::ops::Range;

/// V enters twice: once for the estimate from differences, once because differences of white
/// noise are not independent.
const COVARIANCE_FACTOR: f64 = 2.0;
/// Seasons are a covariate only beyond this many days of history.
const SEASON_DAYS: f64 = 400.0;
/// Days of a year.
const YEAR_DAYS: f64 = 365.25;
/// A covariate missing in more than this share of blocks is left out.
const MISSING_SHARE: f64 = 0.4;
/// Fewest blocks that allow covariates at all.
const MIN_COVARIATE_BLOCKS: usize = 8;
/// Rank correlation of differences above which a single peer is a covariate.
const PEER_CORRELATION: f64 = 0.5;
/// Most single peers.
const MAX_SINGLE_PEERS: usize = 2;
/// A daily signal without a value for this long is left out.
const STALE_DAYS: f64 = 60.0;
/// Width of the coefficient of peers before data: they answer about alike.
const PEER_SD: f64 = 1.0;
/// Slow wander of absolute references has this time constant, days (judgement).
const STATED_WANDER_DAYS: f64 = 60.0;
/// Onsets (as shares of the last year of the segment) of the ramps that groups are made from.
const COMMON_ONSETS: [f64; 3] = [0.1, 0.4, 0.7];

/// One observable of one meter.
#[derive(Clone, Debug)]
pub(crate) struct Prepared {
    pub data: Data,
    /// Value that was subtracted (median, service level or zero).
    pub level: f64,
    /// Model error that joins every standard error.
    pub floor: f64,
    /// White scale of each noise model.
    pub scales: Vec<f64>,
    /// What each noise model makes of each shape.
    pub fits: Vec<Fit>,
    /// The same without peers, for the common ramps of groups.
    pub common: Vec<Fit>,
    /// Total number of days or records.
    pub count: usize,
}

/// One meter.
#[derive(Clone, Debug)]
pub(crate) struct MeterPrep {
    pub segment: Segment,
    pub grid: Grid,
    pub shapes: Shapes,
    /// First day of evidence.
    pub start: f64,
    /// Fluid density of the segment, kg/m3.
    pub density: f64,
    pub observables: Vec<Option<Prepared>>,
    /// Blocks of the longest signal.
    pub signal_blocks: usize,
    pub n_checks: usize,
    pub n_zeros: usize,
    /// Whether three or more peers were there.
    pub has_peers: bool,
    /// Days with steady data among the last `quiet_window_days`.
    pub recent_days: usize,
    /// Service level of the gas share.
    pub gas_reference: f64,
    pub usual_flow_kg_h: Option<f64>,
}

/// The ten noise models of learned wander.
pub(crate) fn noise_models(priors: &Priors) -> Vec<Noise> {
    let p = &priors.noise;
    let mut models = vec![Noise::White];
    for &r in &p.variance_ratios {
        models.extend(
            p.time_constants_days.iter().map(|&tau_days| Noise::FirstOrder { r, tau_days }),
        );
    }
    models.extend(p.variance_ratios.iter().map(|&r| Noise::Walk { r, days: p.walk_days }));
    models
}

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

/// What the preparation of one meter needs to know.
pub(crate) struct Context<'a> {
    pub fleet: &'a Fleet,
    pub segments: &'a [Segment],
    pub panels: &'a [MeterPanel],
    pub levels: &'a ServiceLevels,
    pub grades: &'a [Option<Grades>],
    pub as_of: i32,
}

/// Grades of one meter's days.
#[derive(Clone, Debug)]
pub(crate) struct Grades {
    /// Per row of the meter; rows outside the segment have none.
    by_row: Vec<Option<usize>>,
    from_peers: bool,
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
        let own = meter.column(Col::Density);
        let values = match (from_peers, own.is_empty()) {
            (true, _) => peers,
            (false, false) => &own[rows.clone()],
            (false, true) => return None,
        };
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

/// Raw blocks of one observable, before nuisance.
struct Raw {
    blocks: BlockRows,
    y: Vec<f64>,
    n: Vec<f64>,
}

impl Context<'_> {
    /// Prepares the meter of index `index`.
    pub fn prepare(&self, index: usize, scratch: &mut Scratch) -> MeterPrep {
        let meter = &self.fleet.meters[index];
        let segment = self.segments[index].clone();
        let first_record = self.first_record_day(meter, &segment);
        let start_day =
            [segment.first_day, first_record].into_iter().flatten().min().unwrap_or(self.as_of);
        let settings = &self.fleet.settings;
        let grid =
            Grid::new(self.as_of, self.as_of - start_day, settings.block_days, settings.max_blocks);
        let resets = segment.resets(meter, self.as_of);
        let cleanings: Vec<f64> = resets
            .iter()
            .filter(|reset| reset.item == ResetItem::Cleaned)
            .map(|reset| f64::from(reset.day))
            .collect();
        let shapes = Shapes::new(
            f64::from(start_day),
            f64::from(self.as_of),
            f64::from(grid.days),
            settings.onsets as usize,
            &cleanings,
        );
        let density = median_of(meter, Col::Density, &segment);
        let usual_flow = usual_flow(meter, &segment);
        let mut prep = MeterPrep {
            grid,
            shapes,
            start: f64::from(start_day),
            density: if density.is_finite() { density } else { 1000.0 },
            observables: Vec::with_capacity(N_OBSERVABLES),
            signal_blocks: 0,
            n_checks: 0,
            n_zeros: 0,
            has_peers: false,
            recent_days: recent_days(meter, &segment, self.as_of, settings.quiet_window_days),
            gas_reference: self.levels.gas[index],
            usual_flow_kg_h: usual_flow,
            segment,
        };
        for observable in Observable::ALL {
            let one = self.observable(index, &mut prep, observable, &resets, scratch);
            prep.observables.push(one);
        }
        prep
    }

    fn first_record_day(&self, meter: &MeterData, segment: &Segment) -> Option<i32> {
        let inside = |day: i32| day < self.as_of && segment.swap_day.is_none_or(|swap| day > swap);
        let checks = meter.checks.iter().map(|check| check.time.day().0);
        let zeros = meter.zeros.iter().map(|zero| zero.time.day().0);
        checks.chain(zeros).filter(|day| inside(*day)).min()
    }

    fn observable(
        &self,
        index: usize,
        prep: &mut MeterPrep,
        observable: Observable,
        resets: &[Reset],
        scratch: &mut Scratch,
    ) -> Option<Prepared> {
        let mut raw = self.raw_blocks(index, prep, observable, resets)?;
        let frees: Vec<i32> =
            resets.iter().filter(|r| r.item.frees(observable)).map(|r| r.day).collect();
        drop_straddling(&mut raw, prep.grid, &frees);
        let n_blocks = raw.y.len();
        // A signal that stopped long ago cannot say what is true now.
        let age = raw.blocks.t.last().map_or(f64::INFINITY, |t| f64::from(self.as_of) - t);
        if n_blocks == 0 || (observable.is_daily() && age > STALE_DAYS) {
            return None;
        }
        match observable {
            o if o.is_signal() => prep.signal_blocks = prep.signal_blocks.max(n_blocks),
            Observable::Zero | Observable::ZeroFound => {
                prep.n_zeros += raw.n.iter().sum::<f64>() as usize;
            }
            Observable::StiffnessInlet | Observable::StiffnessOutlet | Observable::Stiffness => {
                prep.n_checks = prep.n_checks.max(raw.n.iter().sum::<f64>() as usize);
            }
            _ => {}
        }
        let prior = self.fleet.priors.observables()[observable.index()];
        let r0 = self.fleet.priors.tube.r0_median_kg_m3;
        let floor = match observable {
            Observable::PartnerSpan => {
                prior.floor.max(self.fleet.meters[index].meter.base_accuracy_pct / 100.0)
            }
            _ => prior.floor + prior.floor_relative * (r0 + prep.density),
        };
        let level = match observable.reference() {
            Reference::Absolute => 0.0,
            Reference::Service if observable == Observable::Gas => self.levels.gas[index],
            Reference::Service => self.levels.aborted[index],
            Reference::Free => stats::median(&raw.y),
        };
        let y: Vec<f64> = raw.y.iter().map(|y| y - level).collect();
        let w = relative_variances(&raw.n);
        let covariates = self.covariates(index, observable, &raw, &prior, &y, true);
        if covariates.iter().any(|c| c.kind == CovariateKind::Peers) {
            prep.has_peers = true;
        }
        let built = self.build(observable, &prior, &raw, y, w, covariates, &frees, prep, scratch);
        let mut prepared = Prepared { level, floor, ..built };
        prepared.count = raw.n.iter().sum::<f64>() as usize;
        let shared =
            matches!(observable, Observable::Drive | Observable::Density | Observable::Noise);
        if shared && self.fleet.streams[self.fleet.meters[index].stream].len() >= 3 {
            prepared.common =
                self.common_fits(index, observable, &raw, &prior, level, &frees, scratch);
        }
        Some(prepared)
    }

    /// Block values of an observable; `None` when the meter has none.
    fn raw_blocks(
        &self,
        index: usize,
        prep: &MeterPrep,
        observable: Observable,
        resets: &[Reset],
    ) -> Option<Raw> {
        let meter = &self.fleet.meters[index];
        let segment = &prep.segment;
        let signal = |value: &dyn Fn(usize) -> f64, mean: bool| -> Option<Raw> {
            let rows = segment.rows.clone().filter(|&row| value(row).is_finite());
            let blocks = BlockRows::group(prep.grid, rows.map(|row| (row, meter.days[row])));
            let y = if mean { blocks.means(value) } else { blocks.medians(value) };
            let n = blocks.counts();
            (!y.is_empty()).then_some(Raw { blocks, y, n })
        };
        let column = |col: Col, mean: bool| signal(&|row| meter.value(col, row), mean);
        match observable {
            Observable::Drive => column(Col::DriveLow, false),
            Observable::Density => {
                let offset = |day: i32| -> f64 {
                    resets
                        .iter()
                        .filter(|reset| reset.day < day)
                        .map(|reset| match reset.item {
                            ResetItem::DensityOffset(step) => step,
                            _ => 0.0,
                        })
                        .sum()
                };
                signal(&|row| meter.value(Col::Density, row) - offset(meter.days[row]), false)
            }
            Observable::Noise => signal(&|row| segment.noise_log(meter, row), false),
            Observable::PickoffRatio => column(Col::PickoffRatio, false),
            Observable::Gas => signal(&|row| root_angle(meter.value(Col::GasShare, row)), true)
                .filter(|_| !meter.column(Col::GasShare).is_empty()),
            Observable::PartnerSpan => column(Col::PartnerSpan, false),
            Observable::PartnerZero => {
                let stability = meter.meter.zero_stability_kg_h;
                if !(stability > 0.0) {
                    return None;
                }
                signal(&|row| meter.value(Col::PartnerZero, row) / stability, false)
            }
            Observable::AirPoint => {
                signal(&|row| meter.value(Col::AirPoint, row) - AIR_KG_M3, false)
            }
            Observable::ReferencePoint => column(Col::ReferencePoint, false),
            Observable::Zero => self.zeros(meter, segment, prep.grid),
            Observable::ZeroFound => self.zeros_found(meter, segment, prep.grid),
            Observable::Aborted => self.aborted(meter, segment, prep.grid),
            Observable::StiffnessInlet => self.stiffness(meter, prep, CheckPosition::Inlet),
            Observable::StiffnessOutlet => self.stiffness(meter, prep, CheckPosition::Outlet),
            Observable::Stiffness => self.stiffness(meter, prep, CheckPosition::Whole),
        }
    }

    /// Zeros of shut-in days in zero stabilities, since the last as-left zero.
    fn zeros(&self, meter: &MeterData, segment: &Segment, grid: Grid) -> Option<Raw> {
        let since =
            |row: usize| segment.as_left_day.is_none_or(|day| meter.as_left_day[row] >= day);
        let points = segment
            .rows
            .clone()
            .filter(|&row| meter.value(Col::Zero, row).is_finite() && since(row))
            .map(|row| (meter.days[row], meter.value(Col::Zero, row)))
            .collect();
        from_points(points, grid, false)
    }

    /// Recorded as-found zeros in zero stabilities, since the last as-left zero; each counts
    /// twice.
    fn zeros_found(&self, meter: &MeterData, segment: &Segment, grid: Grid) -> Option<Raw> {
        let stability = meter.meter.zero_stability_kg_h;
        if !(stability > 0.0) {
            return None;
        }
        let left_time = meter
            .zeros
            .iter()
            .filter(|zero| zero.state == ZeroState::AsLeft)
            .filter(|zero| segment.as_left_day == Some(zero.time.day().0))
            .map(|zero| zero.time)
            .max();
        let mut points: Vec<(i32, f64)> = Vec::new();
        for zero in &meter.zeros {
            let day = zero.time.day().0;
            let inside = day < self.as_of && segment.swap_day.is_none_or(|swap| day > swap);
            let since = left_time.is_none_or(|left| zero.time > left);
            if inside && since && zero.state == ZeroState::AsFound && zero.zero_kg_h.is_finite() {
                let value = zero.zero_kg_h / stability;
                points.extend([(day, value), (day, value)]);
            }
        }
        from_points(points, grid, false)
    }

    fn aborted(&self, meter: &MeterData, segment: &Segment, grid: Grid) -> Option<Raw> {
        let mut points: Vec<(i32, f64)> = Vec::new();
        let mut last = None;
        for check in &meter.checks {
            let day = check.time.day().0;
            let inside = day < self.as_of && segment.swap_day.is_none_or(|swap| day > swap);
            // Several rows of one time are one check.
            if inside && last != Some(check.time) {
                points.push((day, f64::from(u8::from(check.outcome == CheckOutcome::Aborted))));
            }
            last = Some(check.time);
        }
        let mut raw = from_points(points, grid, true)?;
        raw.y.iter_mut().for_each(|share| *share = root_angle(*share));
        Some(raw)
    }

    fn stiffness(
        &self,
        meter: &MeterData,
        prep: &MeterPrep,
        position: CheckPosition,
    ) -> Option<Raw> {
        let swap = prep.segment.swap_day;
        let inside = |day: i32| day < self.as_of && swap.is_none_or(|swap| day > swap);
        let usable = meter.checks.iter().filter(|check| {
            check.quantity.eq_ignore_ascii_case("stiffness")
                && check.outcome != CheckOutcome::Aborted
                && inside(check.time.day().0)
        });
        let value = |check: &&metersift_model::records::Check| {
            check.value_pct.filter(|value| value.is_finite())
        };
        if position == CheckPosition::Whole {
            // Where both ends are told, the whole is their mean and no evidence of its own.
            let ends =
                usable.clone().any(|c| c.position != CheckPosition::Whole && value(&c).is_some());
            if ends {
                return None;
            }
        }
        let points = usable
            .filter(|check| check.position == position)
            .filter_map(|check| Some((check.time.day().0, value(&check)?)))
            .collect();
        from_points(points, prep.grid, false)
    }

    /// Covariates of an observable at its blocks.
    fn covariates(
        &self,
        index: usize,
        observable: Observable,
        raw: &Raw,
        prior: &ObservablePrior,
        y: &[f64],
        with_peers: bool,
    ) -> Vec<Covariate> {
        let mut list = Vec::new();
        let takes = observable.is_signal() || observable == Observable::ReferencePoint;
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
        if prior.log_flow_sd > 0.0 {
            let flow = raw.blocks.medians(|row| meter.value(Col::FlowMedian, row).abs().ln());
            push(CovariateKind::LogFlow, flow, prior.log_flow_sd, 0.0);
        }
        if let (Some(which), true) = (shared_index(observable), with_peers) {
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

    #[expect(clippy::too_many_arguments, reason = "one inner step of `observable`")]
    fn build(
        &self,
        observable: Observable,
        prior: &ObservablePrior,
        raw: &Raw,
        y: Vec<f64>,
        w: Vec<f64>,
        covariates: Vec<Covariate>,
        frees: &[i32],
        prep: &MeterPrep,
        scratch: &mut Scratch,
    ) -> Prepared {
        let end = f64::from(self.as_of);
        let value = |shape: &Shape, t: f64| prep.shapes.value(shape, t);
        let model = Model::new(&self.fleet.priors, observable, prior);
        let built = model.build(&raw.blocks.t, y, w, &covariates, frees);
        let profiles = Profiles::new(&prep.shapes.fine, &built.data.t, end, value);
        let fits = built
            .noises
            .iter()
            .zip(&built.scales)
            .map(|(&noise, &s)| likelihood::fit(&built.data, noise, s, &profiles, scratch))
            .collect();
        Prepared {
            data: built.data,
            level: 0.0,
            floor: 0.0,
            scales: built.scales,
            fits,
            common: Vec::new(),
            count: 0,
        }
    }

    /// Fits of the common ramps without peers: what the meter did, shared or not.
    #[expect(clippy::too_many_arguments, reason = "one inner step of `observable`")]
    fn common_fits(
        &self,
        index: usize,
        observable: Observable,
        raw: &Raw,
        prior: &ObservablePrior,
        level: f64,
        frees: &[i32],
        scratch: &mut Scratch,
    ) -> Vec<Fit> {
        let y: Vec<f64> = raw.y.iter().map(|y| y - level).collect();
        let covariates = self.covariates(index, observable, raw, prior, &y, false);
        let end = f64::from(self.as_of);
        let model = Model::new(&self.fleet.priors, observable, prior);
        let built = model.build(&raw.blocks.t, y, relative_variances(&raw.n), &covariates, frees);
        let profiles = Profiles::new(&common_shapes(end), &built.data.t, end, |_, _| 0.0);
        built
            .noises
            .iter()
            .zip(&built.scales)
            .map(|(&noise, &s)| likelihood::fit(&built.data, noise, s, &profiles, scratch))
            .collect()
    }
}

/// Ramps that are the same for all meters of an as-of date.
pub(crate) fn common_shapes(end: f64) -> Vec<Shape> {
    COMMON_ONSETS
        .iter()
        .map(|share| Shape { kind: Kind::Ramp, onset: end - (1.0 - share) * YEAR_DAYS })
        .collect()
}

/// Density of air at room conditions, kg/m3.
const AIR_KG_M3: f64 = 1.2;

/// Index of an observable among those that peers share.
pub(crate) fn shared_index(observable: Observable) -> Option<usize> {
    match observable {
        Observable::Drive => Some(0),
        Observable::Density => Some(1),
        Observable::Noise => Some(2),
        _ => None,
    }
}

/// Noise models and widths of one observable.
struct Model {
    prior: ObservablePrior,
    noises: Vec<Noise>,
    clip: f64,
    scatter_weight: f64,
    clip_wanted: bool,
}

struct Built {
    data: Data,
    noises: Vec<Noise>,
    scales: Vec<f64>,
}

impl Model {
    fn new(priors: &Priors, observable: Observable, prior: &ObservablePrior) -> Model {
        let stated = observable.reference() == Reference::Absolute;
        let noises = if stated { vec![Noise::White] } else { noise_models(priors) };
        Model {
            prior: *prior,
            noises,
            clip: priors.noise.clip,
            scatter_weight: priors.noise.scatter_weight,
            clip_wanted: !stated,
        }
    }

    fn build(
        &self,
        t: &[f64],
        y: Vec<f64>,
        w: Vec<f64>,
        covariates: &[Covariate],
        frees: &[i32],
    ) -> Built {
        let n = t.len();
        // Whether a recorded reset lies between a block and the next.
        let separated =
            |i: usize| frees.iter().any(|&day| t[i] < f64::from(day) && f64::from(day) <= t[i + 1]);
        let Coefficients { b, v } =
            nuisance::estimate(&y, &w, covariates, self.prior.scatter, separated);
        let explained: Vec<f64> =
            (0..n).map(|i| covariates.iter().zip(&b).map(|(c, b)| b * c.x[i]).sum()).collect();
        let residual: Vec<f64> = y.iter().zip(&explained).map(|(y, e)| y - e).collect();
        let scales: Vec<f64> = self
            .noises
            .iter()
            .map(|&noise| self.scale(noise, t, &residual, &w, separated))
            .collect();
        // A stated wander keeps its stated size whatever scatter was found.
        let noises = if self.clip_wanted {
            self.noises.clone()
        } else {
            let r = (self.prior.wander / scales[0]).powi(2);
            vec![Noise::FirstOrder { r, tau_days: STATED_WANDER_DAYS }]
        };
        let residual =
            if self.clip_wanted { clipped(&residual, self.clip * scales[0]) } else { residual };
        let mut z = vec![vec![self.prior.level_sd; n]];
        let coefficients = Coefficients { b, v };
        z.extend(nuisance::unit_directions(covariates, &coefficients, COVARIANCE_FACTOR));
        for &day in frees {
            let after: Vec<f64> = t
                .iter()
                .map(|t| if *t > f64::from(day) { self.prior.level_sd } else { 0.0 })
                .collect();
            let some = after.iter().any(|x| *x > 0.0) && after.contains(&0.0);
            if some && z.last() != Some(&after) {
                z.push(after);
            }
        }
        // V is centred on b: what the coefficients explain is taken out of y.
        let mut data = Data { t: t.to_vec(), y: residual, w, z };
        if self.clip_wanted {
            let passed = passed_by_themselves(&data.y, scales[0], self.prior.floor, separated);
            data.drop_blocks(&passed);
        }
        Built { data, noises, scales }
    }

    /// White scale of a noise model from the robust first differences, so that every model has
    /// the same short-term scatter; the typical scatter counts as a few blocks.
    fn scale(
        &self,
        noise: Noise,
        t: &[f64],
        residual: &[f64],
        w: &[f64],
        separated: impl Fn(usize) -> bool,
    ) -> f64 {
        let standard: Vec<f64> = (0..t.len().saturating_sub(1))
            .filter(|&i| !separated(i))
            .map(|i| {
                let variance = noise.difference_variance(t[i + 1] - t[i], w[i], w[i + 1]);
                (residual[i + 1] - residual[i]) / variance.sqrt()
            })
            .collect();
        let found = stats::mad_sigma(&standard);
        let n = if found.is_finite() { standard.len() as f64 } else { 0.0 };
        let typical = self.prior.scatter.powi(2);
        let own = if n > 0.0 { found * found } else { 0.0 };
        ((self.scatter_weight * typical + n * own) / (self.scatter_weight + n)).sqrt()
    }
}

/// Longest episode that counts as one that passed, blocks.
const LONGEST_EPISODE: usize = 14;
/// Blocks before and after an episode that must agree.
const EPISODE_CONTEXT: usize = 4;

/// Blocks of episodes that came and went without a recorded reset: a far-off run between two
/// stretches of one level. What has passed by itself is not a state of today, and neither a
/// level, a step nor a ramp has room for it.
fn passed_by_themselves(
    y: &[f64],
    s: f64,
    floor: f64,
    separated: impl Fn(usize) -> bool,
) -> Vec<bool> {
    let n = y.len();
    let mut passed = vec![false; n];
    let (far, near) = ((6.0 * s).max(3.0 * floor), (3.0 * s).max(1.5 * floor));
    let mut i = EPISODE_CONTEXT;
    while i + EPISODE_CONTEXT < n {
        let before: Vec<f64> =
            (0..i).rev().filter(|&k| !passed[k]).take(EPISODE_CONTEXT).map(|k| y[k]).collect();
        let level = stats::median(&before);
        let length = (i..n).take_while(|&k| (y[k] - level).abs() > far).count();
        let end = i + length;
        if length == 0 {
            i += 1;
            continue;
        }
        let cut = (i - 1..end.min(n - 1)).any(&separated);
        if length <= LONGEST_EPISODE && !cut && end + EPISODE_CONTEXT <= n {
            let after = stats::median(&y[end..end + EPISODE_CONTEXT]);
            if (after - level).abs() <= near {
                passed[i..end].iter_mut().for_each(|p| *p = true);
            }
        }
        i = end;
    }
    passed
}

/// Values farther than `width` from a running median of five blocks are pulled in to it.
fn clipped(values: &[f64], width: f64) -> Vec<f64> {
    let mut scratch = Vec::new();
    (0..values.len())
        .map(|i| {
            let from = i.saturating_sub(2);
            let until = (i + 3).min(values.len());
            let middle = stats::median_with(&values[from..until], &mut scratch);
            values[i].clamp(middle - width, middle + width)
        })
        .collect()
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

fn from_points(mut points: Vec<(i32, f64)>, grid: Grid, mean: bool) -> Option<Raw> {
    points.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let rows = points.iter().enumerate().map(|(i, point)| (i, point.0));
    let blocks = BlockRows::group(grid, rows);
    let value = |i: usize| points[i].1;
    let y = if mean { blocks.means(value) } else { blocks.medians(value) };
    let n = blocks.counts();
    (!y.is_empty()).then_some(Raw { blocks, y, n })
}

/// Blocks that hold both sides of a reset say nothing clean; they go, unless too few are left.
fn drop_straddling(raw: &mut Raw, grid: Grid, resets: &[i32]) {
    if resets.is_empty() || raw.y.len() < 12 {
        return;
    }
    let half = 0.5 * f64::from(grid.days);
    let keep = |t: f64| !resets.iter().any(|&day| (t - (f64::from(day) + 0.5)).abs() < half - 0.4);
    let kept: Vec<bool> = raw.blocks.t.iter().map(|t| keep(*t)).collect();
    let mut it = kept.iter();
    raw.y.retain(|_| *it.next().unwrap_or(&true));
    let mut it = kept.iter();
    raw.n.retain(|_| *it.next().unwrap_or(&true));
    raw.blocks.retain(keep);
    debug_assert_eq!(raw.blocks.len(), raw.y.len());
}

fn median_of(meter: &MeterData, col: Col, segment: &Segment) -> f64 {
    let column = meter.column(col);
    if column.is_empty() { f64::NAN } else { stats::median(&column[segment.rows.clone()]) }
}

/// Median flow of the last 60 days with flow, else of the segment.
fn usual_flow(meter: &MeterData, segment: &Segment) -> Option<f64> {
    let column = meter.column(Col::FlowMedian);
    if column.is_empty() {
        return None;
    }
    let known: Vec<f64> =
        column[segment.rows.clone()].iter().copied().filter(|x| x.is_finite()).collect();
    let recent = &known[known.len().saturating_sub(60)..];
    Some(stats::median(recent)).filter(|flow| flow.is_finite())
}

fn recent_days(meter: &MeterData, segment: &Segment, as_of: i32, window: u32) -> usize {
    let from = as_of.saturating_sub(i32::try_from(window).unwrap_or(i32::MAX));
    segment
        .rows
        .clone()
        .filter(|&row| meter.days[row] >= from)
        .filter(|&row| {
            [Col::DriveLow, Col::Density, Col::Noise, Col::PickoffRatio]
                .iter()
                .any(|&col| meter.value(col, row).is_finite())
        })
        .count()
}
