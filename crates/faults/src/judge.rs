//! One as-of date: from the fleet's arrays to one verdict per meter.
//!
//! Fault score: log odds of *a fault of this meter* against everything else, calibrated.

use crate::alerts::FleetAlerts;
use crate::blind::blind_modes;
use crate::calibration::{Applied, sides};
use crate::compare::{Change, Comparer, Comparison, changes};
use crate::facts::{facts, stiffness_limit};
use crate::fleet::Fleet;
use crate::fleet_prior::FleetPrior;
use crate::grades::Grades;
use crate::groups::{Group, groups};
use crate::likelihood::Scratch;
use crate::observable::Observable;
use crate::outcome::Case;
use crate::peers::panels;
use crate::prepare::{Context, MeterPrep};
use crate::segment::Segment;
use crate::service::ServiceLevels;
use crate::settings::Part;
use crate::sizes::Sizes;
use crate::wording::reason;
use metersift_model::verdict::{
    BlindSpot, Calibrated, JudgedState, ModeOutlook, ObservableEvidence,
};
use metersift_model::{Day, Hypothesis, Verdict};
use metersift_stats::log_sum_exp;
use rayon::prelude::*;

/// Modes whose mirror images no fault makes.
const DECOYS: [Hypothesis; 3] = [Hypothesis::Coating, Hypothesis::Erosion, Hypothesis::TwoPhase];
/// Meters whose *no change* is less probable than this are compared again with many draws.
const SECOND_LOOK: f64 = 0.9;
/// Explanations this far below the best are not compared again.
const NEGLIGIBLE_NATS: f64 = 9.0;
/// Days of a year.
const YEAR_DAYS: f64 = 365.25;
/// A short segment still had this many years to catch a fault in.
const MIN_YEARS: f64 = 0.25;
/// Probability of a fault from which a group member can stand alone ...
const EXCEEDS: f64 = 0.5;
/// ... if something that the fluid does not move argues for it by this factor (log10).
const OWN_EVIDENCE: f64 = 1.0;

/// The comparison of one meter.
struct Judged {
    comparisons: Vec<Comparison>,
    changes: Vec<Vec<Option<Change>>>,
    log_prior: [f64; 10],
    probabilities: [f64; 10],
    fault_score: f64,
    raw_fault_score: f64,
    decoy_score: f64,
    /// Whether many draws were used.
    second_look: bool,
}

/// What all meters of a night share.
struct JudgedNight<'a> {
    groups: &'a [Group],
    applied: &'a Applied,
    calibrated: Calibrated,
    as_of: i32,
}

fn log_odds(probability: f64) -> f64 {
    (probability / (1.0 - probability)).ln()
}

/// Whether something argues for the fault that a shared fluid does not move.
fn own_evidence(evidence: &[ObservableEvidence]) -> bool {
    let shared = [Observable::Drive, Observable::Density, Observable::Noise, Observable::Burst]
        .map(Observable::evidence_name);
    let gas = [Observable::Gas, Observable::Aborted, Observable::DriveSpread]
        .map(Observable::evidence_name);
    evidence.iter().any(|e| {
        let name = e.observable.as_str();
        e.over_no_change > OWN_EVIDENCE && !shared.contains(&name) && !gas.contains(&name)
    })
}

fn weights(comparisons: &[Comparison]) -> Vec<f64> {
    comparisons.iter().map(|c| c.log_weight).collect()
}

impl Fleet {
    /// Judges every meter of the register from days and records before `as_of`, sorted by meter.
    pub fn judge(&self, as_of: Day) -> Vec<Verdict> {
        let as_of = as_of.0;
        let any_drive = self.settings.uses(Part::DriveMedian);
        let segments: Vec<Segment> =
            self.meters.par_iter().map(|meter| Segment::new(meter, as_of, any_drive)).collect();
        let panels = panels(self, &segments, as_of);
        let levels = ServiceLevels::new(self, &segments, as_of);
        let grades: Vec<Option<Grades>> =
            self.meters
                .par_iter()
                .zip(&segments)
                .map(|(meter, segment)| {
                    if self.settings.uses(Part::Grades) {
                        Grades::find(meter, segment)
                    } else {
                        None
                    }
                })
                .collect();
        let alerts =
            if self.settings.uses(Part::Alerts) { FleetAlerts::learn(self, as_of) } else { None };
        let context = Context {
            fleet: self,
            segments: &segments,
            panels: &panels,
            levels: &levels,
            grades: &grades,
            alerts: alerts.as_ref(),
            as_of,
        };
        let preps: Vec<MeterPrep> = (0..self.meters.len())
            .into_par_iter()
            .map_init(Scratch::default, |scratch, index| context.prepare(index, scratch))
            .collect();
        let pi = FleetPrior::learn(self, &preps, as_of);
        let (applied, calibrated) = self.applied(as_of);
        let judged: Vec<Option<Judged>> = (0..self.meters.len())
            .into_par_iter()
            .map_init(Vec::new, |buffer, index| {
                self.compare(index, &preps[index], pi.of(index), (as_of, &applied), buffer)
            })
            .collect();
        let groups = groups(self, &preps, &|i| pi.of(i).to_vec(), as_of);
        let night = JudgedNight { groups: &groups, applied: &applied, calibrated, as_of };
        (0..self.meters.len())
            .into_par_iter()
            .map(|index| self.verdict(index, &preps[index], judged[index].as_ref(), &night))
            .collect()
    }

    /// What calibrates a night, and what it rests on.
    fn applied(&self, as_of: i32) -> (Applied, Calibrated) {
        match &self.calibration {
            Some(calibration) => calibration.on(as_of, &self.finding_scores),
            None => (Applied::NONE, Calibrated::No),
        }
    }

    /// Compares all explanations of one meter; `None` when there is too little to judge.
    fn compare(
        &self,
        index: usize,
        prep: &MeterPrep,
        log_pi: &[Vec<f64>],
        (as_of, applied): (i32, &Applied),
        buffer: &mut Vec<f64>,
    ) -> Option<Judged> {
        if self.too_little(prep).is_some() {
            return None;
        }
        let log_prior = self.log_prior(index, prep, as_of);
        let changes = changes(prep, log_pi, self.priors.noise.shape_slack);
        let draws = &self.draws[self.meters[index].draw_set];
        let widths = self.priors.observables();
        let comparer = Comparer {
            prep,
            changes: &changes,
            draws: &draws.coarse,
            priors: &self.priors,
            log_prior: &log_prior,
            widths: &widths,
        };
        let mut comparisons: Vec<Comparison> = Hypothesis::ALL
            .into_iter()
            .map(|mode| comparer.compare(mode, 1.0, None, buffer))
            .collect();
        comparisons[0].log_weight = 0.0;
        let second_look = log_sum_exp(&weights(&comparisons)) > SECOND_LOOK.recip().ln();
        if second_look {
            let finer = Comparer { draws: &draws.fine, ..comparer };
            let best = weights(&comparisons).into_iter().fold(f64::NEG_INFINITY, f64::max);
            for mode in Hypothesis::ALL.into_iter().skip(1) {
                let first = &comparisons[mode.index()];
                if first.log_weight > best - NEGLIGIBLE_NATS {
                    comparisons[mode.index()] = finer.compare(mode, 1.0, Some(first), buffer);
                }
            }
        }
        let log_weights = weights(&comparisons);
        // A mirror image that cannot beat every real explanation needs no draws.
        let best_real = log_weights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let decoy = DECOYS
            .into_iter()
            .filter(|mode| comparer.mirror_bound(*mode) > best_real)
            .map(|mode| comparer.compare(mode, -1.0, None, buffer).log_weight)
            .fold(f64::NEG_INFINITY, f64::max);
        let (fault, rest) = sides(&log_weights);
        Some(Judged {
            comparisons,
            log_prior,
            probabilities: applied.probabilities(&log_weights),
            fault_score: applied.score(fault - rest),
            raw_fault_score: fault - rest,
            decoy_score: if decoy > best_real { applied.score(decoy - rest) } else { f64::NAN },
            changes,
            second_look,
        })
    }

    fn log_prior(&self, index: usize, prep: &MeterPrep, as_of: i32) -> [f64; 10] {
        let meter = &self.meters[index].meter;
        let years = ((f64::from(as_of) - prep.start) / YEAR_DAYS).max(MIN_YEARS);
        let mut log_prior = [0.0; 10];
        for mode in Hypothesis::ALL.into_iter().skip(1) {
            let peers = match mode {
                Hypothesis::Process if prep.has_peers => self.priors.process.with_peers,
                _ => 1.0,
            };
            let hazard = self.priors.hazard(mode)
                * self.settings.susceptibility(&meter.service, mode)
                * peers;
            log_prior[mode.index()] = (hazard * years).ln();
        }
        log_prior
    }

    /// Why a meter cannot be judged, before its probabilities are known.
    fn too_little(&self, prep: &MeterPrep) -> Option<String> {
        let needed = self.settings.min_blocks as usize;
        if prep.signal_blocks >= needed || prep.n_checks > 0 || prep.n_zeros > 0 {
            return None;
        }
        let days = prep.grid.days;
        Some(if prep.signal_blocks == 0 {
            "no steady single-phase flow, no check and no zero since the last swap".into()
        } else {
            format!(
                "{} blocks of {days} days with steady data, {needed} are needed, and no check or zero",
                prep.signal_blocks
            )
        })
    }

    fn verdict(
        &self,
        index: usize,
        prep: &MeterPrep,
        judged: Option<&Judged>,
        night: &JudgedNight<'_>,
    ) -> Verdict {
        let as_of = night.as_of;
        let data = &self.meters[index];
        let meter = &data.meter;
        let group = night.groups.iter().find(|group| group.members.contains(&index));
        let mut verdict = Verdict {
            as_of: Day(as_of),
            meter: meter.meter.clone(),
            service: meter.service.clone(),
            stream: meter.stream.clone(),
            state: JudgedState::NotJudged,
            mode: Hypothesis::NoChange,
            probability: f64::NAN,
            probabilities: [f64::NAN; 10],
            fault_score: f64::NAN,
            raw_fault_score: f64::NAN,
            calibrated: night.calibrated,
            decoy_score: f64::NAN,
            severity: None,
            days_left: None,
            limit: None,
            tolerable_error_pct: self.settings.limits.tolerable_pct(meter),
            error_now_pct: None,
            error_rate_pct_d: None,
            by_mode: Vec::new(),
            group: group.map(|group| group.name.clone()),
            exceeds_group: false,
            blind_spots: blind_modes(prep)
                .into_iter()
                .map(|mode| BlindSpot { mode, smallest_visible: None, unit: String::new() })
                .collect(),
            evidence: Vec::new(),
            facts: facts(data, prep, as_of, &self.settings),
            next_test: String::new(),
            reason: self.too_little(prep).unwrap_or_default(),
            usual_flow_kg_h: prep.usual_flow_kg_h,
        };
        if let Some(judged) = judged {
            self.fill(&mut verdict, index, prep, judged, night);
        }
        verdict
    }

    fn fill(
        &self,
        verdict: &mut Verdict,
        index: usize,
        prep: &MeterPrep,
        judged: &Judged,
        night: &JudgedNight<'_>,
    ) {
        let as_of = night.as_of;
        let sets = &self.draws[self.meters[index].draw_set];
        let widths = self.priors.observables();
        let comparer = Comparer {
            prep,
            changes: &judged.changes,
            draws: if judged.second_look { &sets.fine } else { &sets.coarse },
            priors: &self.priors,
            log_prior: &judged.log_prior,
            widths: &widths,
        };
        let case = Case {
            meter: &self.meters[index],
            prep,
            comparer: &comparer,
            comparisons: &judged.comparisons,
            probabilities: &judged.probabilities,
            settings: &self.settings,
            entry_log_odds: night.applied.raw(log_odds(self.settings.list_probability)),
            as_of,
        };
        let mode = likeliest_mode(&judged.probabilities);
        let probability = judged.probabilities[mode.index()];
        let sizes: Sizes = case.sizes(mode);
        let evidence: Vec<ObservableEvidence> = case.evidence(mode);
        let span = f64::from(as_of) - prep.start;
        verdict.state = if span < f64::from(self.settings.young_days) {
            JudgedState::Young
        } else {
            JudgedState::Judged
        };
        let fault_probability = 1.0 / (1.0 + (-judged.fault_score).exp());
        let moved_more = night.groups.iter().any(|group| group.exceeding.contains(&index));
        let own = moved_more || own_evidence(&evidence);
        verdict.exceeds_group = verdict.group.is_some() && fault_probability > EXCEEDS && own;
        verdict.mode = mode;
        verdict.probability = probability;
        verdict.probabilities = judged.probabilities;
        verdict.fault_score = judged.fault_score;
        verdict.raw_fault_score = judged.raw_fault_score;
        verdict.decoy_score = judged.decoy_score;
        verdict.limit = case.limit(mode);
        verdict.blind_spots = case.blind_spots();
        verdict.next_test = case.next_test(mode);
        verdict.reason = reason(mode, probability, &evidence, &sizes);
        let limit = stiffness_limit(&self.meters[index], as_of, &self.settings);
        if limit.checks_too_coarse && matches!(mode, Hypothesis::Erosion | Hypothesis::Damage) {
            let tolerable = self.settings.limits.tolerable_pct(&self.meters[index].meter);
            verdict.reason.push_str(&format!(
                "; checks too coarse for the tolerable {tolerable:.2} %, {:.2} % is used",
                limit.pct
            ));
        }
        verdict.days_left = sizes.days_left;
        verdict.error_now_pct = sizes.error_now_pct;
        verdict.error_rate_pct_d = sizes.error_rate_pct_d;
        verdict.by_mode = outlooks(&case, mode, &sizes);
        verdict.severity = sizes.severity;
        verdict.evidence = evidence;
        self.quiet_needs_data(verdict, prep, fault_probability);
    }

    /// *Quiet* needs steady data of late: a meter that nobody could see is not quiet.
    fn quiet_needs_data(&self, verdict: &mut Verdict, prep: &MeterPrep, fault_probability: f64) {
        let enough = prep.recent_days >= self.settings.quiet_days as usize;
        let all_blind = verdict.blind_spots.iter().all(|spot| spot.smallest_visible.is_none());
        if fault_probability > self.settings.list_probability || (enough && !all_blind) {
            return;
        }
        verdict.state = JudgedState::NotJudged;
        verdict.reason = if enough {
            "blind for every mode: no observable could have shown a fault".into()
        } else {
            format!(
                "{} days of steady data in the last {}, quiet needs {}",
                prep.recent_days, self.settings.quiet_window_days, self.settings.quiet_days
            )
        };
    }
}

/// Modes below this probability have no say in what waiting costs.
const WORTH_A_PRICE: f64 = 0.02;

/// What each fault mode in question would mean.
fn outlooks(case: &Case<'_>, mode: Hypothesis, sizes: &Sizes) -> Vec<ModeOutlook> {
    let outlook = |mode: Hypothesis, sizes: &Sizes| ModeOutlook {
        mode,
        error_now_pct: sizes.error_now_pct,
        error_rate_pct_d: sizes.error_rate_pct_d,
        days_left: sizes.days_left,
    };
    Hypothesis::FAULTS
        .into_iter()
        .filter(|m| *m == mode || case.probabilities[m.index()] >= WORTH_A_PRICE)
        .map(|m| if m == mode { outlook(m, sizes) } else { outlook(m, &case.sizes(m)) })
        .collect()
}

/// Probability from which process or data may be the mode of a meter.
const OTHER_MODE: f64 = 0.2;

/// The likeliest fault mode; process or data where one of them is a real possibility and
/// likelier than all faults together.
fn likeliest_mode(probabilities: &[f64; 10]) -> Hypothesis {
    let best = |modes: &[Hypothesis]| {
        modes.iter().copied().fold(modes[0], |best, mode| {
            if probabilities[mode.index()] > probabilities[best.index()] { mode } else { best }
        })
    };
    let fault: f64 = Hypothesis::FAULTS.iter().map(|mode| probabilities[mode.index()]).sum();
    let other = best(&[Hypothesis::Process, Hypothesis::Data]);
    let p = probabilities[other.index()];
    if p > fault && p > OTHER_MODE { other } else { best(&Hypothesis::FAULTS) }
}
