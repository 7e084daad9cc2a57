//! One meter before one as-of date: block values, nuisance, likelihoods under ten noise models.
//!
//! In:     a meter's segment, its peers' panels, priors.
//! Out:    per observable, block data centred on a level, the scale of each noise model, and what
//!         each noise model makes of each shape ([`likelihood::Fit`]).

use crate::alerts::{FleetAlerts, OwnWord};
use crate::block_model::Model;
use crate::blocks::{Grid, relative_variances};
use crate::fleet::{Col, Fleet, MeterData};
use crate::grades::Grades;
use crate::likelihood::{self, Data, Fit, Profiles, Scratch};
use crate::nuisance::{Covariate, CovariateKind};
use crate::observable::{N_OBSERVABLES, Observable, Reference};
use crate::peers::MeterPanel;
use crate::raw::{Raw, drop_straddling};
use crate::segment::{Reset, ResetItem, Segment};
use crate::service::ServiceLevels;
use crate::settings::ObservablePrior;
use crate::shape::{Kind, Shape, Shapes};
use metersift_stats as stats;

/// Days of a year.
pub(crate) const YEAR_DAYS: f64 = 365.25;

/// A daily signal without a value for this long is left out.
const STALE_DAYS: f64 = 60.0;

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
    /// r0 where tube frequency told it.
    pub r0: Option<f64>,
    pub observables: Vec<Option<Prepared>>,
    /// What its alerts say; `None` where the site keeps none.
    pub word: Option<OwnWord>,
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

/// What the preparation of one meter needs to know.
pub(crate) struct Context<'a> {
    pub fleet: &'a Fleet,
    pub segments: &'a [Segment],
    pub panels: &'a [MeterPanel],
    pub levels: &'a ServiceLevels,
    pub grades: &'a [Option<Grades>],
    pub alerts: Option<&'a FleetAlerts>,
    pub as_of: i32,
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
        let prior = &self.fleet.priors.alerts;
        let word = self.alerts.and_then(|fleet| {
            OwnWord::new(meter, segment.swap_day, fleet, prior, &shapes.cells, self.as_of)
        });
        let mut prep = MeterPrep {
            grid,
            shapes,
            start: f64::from(start_day),
            density: if density.is_finite() { density } else { 1000.0 },
            r0: self.fitted_r0(index, &segment),
            observables: Vec::with_capacity(N_OBSERVABLES),
            word,
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
        if !self.uses(observable) {
            return None;
        }
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
        let r0 = prep.r0.unwrap_or(self.fleet.priors.tube.r0_median_kg_m3);
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
            [Col::DriveLow, Col::DriveMedian, Col::Density, Col::Noise, Col::PickoffRatio]
                .iter()
                .any(|&col| meter.value(col, row).is_finite())
        })
        .count()
}
