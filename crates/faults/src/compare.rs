//! From likelihoods to probabilities of explanations.
//!
//! Per observable and shape, the noise models are averaged into one estimated change `a` with a
//! standard error `se`; an explanation is then the average, over its shapes and its draws, of a
//! product of heavy-tailed factors, one per observable:
//!
//! ```text
//! lam_g = log sum_h pi_h exp(ll_h + (a_hg/se_hg)^2/2) - log sum_h pi_h exp(ll_h)
//! a_g   = weighted mean;  se_g = hypot(max(|a_g|/sqrt(2 lam_g), sd/2), floor)
//! d_g   = 2 k max(0, (1 - slack) lam_best - lam_g),  k = (a/se)^2 / (2 lam) of the best, at most 1
//! B_m   = sum_g P(g|m) mean_j prod_o [ (4 + z0^2 + d_og) / (4 + z^2 + d_og) ]^(5/2)
//!         z0 = a_og/se_og,  z = (a_og - x_jo)/se_og
//! ```
//!
//! On the best-fitting shape (d = 0) each factor is t4((a - x)/se) / t4(a/se). On the others d is
//! what the shape itself fails to explain, tempered by the floor as everything else is. Without
//! it every shape would be compared with its own *no change*, and a clumsy shape, which needs a
//! larger amplitude, would beat the true one. No real fault follows a straight line exactly, so a
//! small share of the best gain (`shape_slack`) may go missing for nothing. A draw that moves
//! nothing has factor one on every shape.
//!
//! One shape and onset is shared by all observables: that they began to move together is itself
//! evidence. Student t with 4 degrees caps one signal at about (5/2) ln(1 + z^2/4): one wild
//! signal cannot convict alone. Direct measurements of a fault (zeros, checks, gas share of
//! flowing time, known fluids) are held to t with 9 degrees, power 5: a zero that is twenty
//! stabilities off in every shut-in for months is not one wild value, and under 4 degrees it
//! stayed below even odds (simulated blocks). Two of them have strays: a valve that leaks in
//! shut-in and a residue in a drained tube, beside whatever else is true. Their factor is
//! ((1 - e) t9(z) + e s) / ((1 - e) t9(z0) + e s), s the stray's density on the same scale, so
//! that neither convicts alone nor, being explained otherwise, outweighs all the rest.
//!
//! Pairs that share errors (inlet and outlet of a check, drive and noise, density in product and
//! in the reference fluid) enter as the first and the second given the first, correlation 0.5.

use crate::draws::{DrawSet, Draws};
use crate::likelihood::Fit;
use crate::observable::{N_OBSERVABLES, Observable};
use crate::prepare::MeterPrep;
use crate::service::root_angle;
use crate::settings::{ObservablePrior, Priors};
use crate::shape::{Cell, Kind, Shape, Shapes};
use metersift_model::Hypothesis;
use metersift_stats::log_sum_exp;
use std::borrow::Cow;

/// Correlation of errors inside a pair.
const PAIR_CORRELATION: f64 = 0.5;
/// Pairs that share errors: the second enters given the first.
const PAIRS: [(Observable, Observable); 4] = [
    (Observable::Density, Observable::ReferencePoint),
    (Observable::StiffnessInlet, Observable::StiffnessOutlet),
    (Observable::Drive, Observable::Noise),
    (Observable::Noise, Observable::Burst),
];
/// Cells of less posterior weight than this are not looked at a second time.
const WORTH_A_LOOK: f64 = 1e-3;
/// A change of more standard errors than this is counted as this many: t factors stay finite.
const Z_CAP: f64 = 1e3;

/// Change of one observable on one cell of shapes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Change {
    /// Estimated change at the largest of the shape.
    pub a: f64,
    /// Its standard error, floor included.
    pub se: f64,
    /// Log gain of the cell over no change, noise models and onsets averaged.
    pub gain: f64,
    /// Mean onset inside the cell, by weight; NaN where the kind has none.
    pub onset: f64,
    /// Slope now over that of a straight ramp: below 1 where it saturates.
    pub end_slope: f64,
    /// What the shape leaves unexplained against the best one, in squared standard errors.
    pub misfit: f64,
}

/// Averages noise models and the onsets of a cell; `None` where the data cannot see them.
pub(crate) fn change(
    fits: &[Fit],
    log_pi: &[f64],
    shapes: &[Shape],
    members: &[usize],
    floor: f64,
) -> Option<Change> {
    let mut plain = Vec::with_capacity(fits.len());
    let mut gained = Vec::with_capacity(fits.len() * members.len());
    for (fit, log_pi) in fits.iter().zip(log_pi) {
        let base = log_pi + fit.log_likelihood;
        plain.push(base);
        for &g in members {
            let information = fit.information[g];
            if !(information > 0.0) {
                return None;
            }
            gained.push(base + 0.5 * fit.score[g] * fit.score[g] / information);
        }
    }
    let total = log_sum_exp(&gained);
    if !total.is_finite() {
        return None;
    }
    let gain = total - (members.len() as f64).ln() - log_sum_exp(&plain);
    let (mut a, mut square, mut onset, mut end_slope) = (0.0, 0.0, 0.0, 0.0);
    let pairs = fits.iter().flat_map(|fit| members.iter().map(move |&g| (fit, g)));
    for ((fit, g), gained) in pairs.zip(&gained) {
        let weight = (gained - total).exp();
        let own = fit.score[g] / fit.information[g];
        a += weight * own;
        square += weight * (own * own + fit.information[g].recip());
        onset += weight * shapes[g].onset;
        end_slope += weight * Shapes::end_slope(shapes[g].kind);
    }
    let sd = (square - a * a).max(0.0).sqrt();
    let from_gain = if gain > 0.0 { a.abs() / (2.0 * gain).sqrt() } else { sd };
    let se = from_gain.max(0.5 * sd).hypot(floor).max(a.abs() / Z_CAP);
    let gain = gain.max(0.0);
    (se > 0.0 && se.is_finite() && a.is_finite()).then_some(Change {
        a,
        se,
        gain,
        onset,
        end_slope,
        misfit: 0.0,
    })
}

/// Changes of all observables on all cells: `[observable][cell]`.
pub(crate) fn changes(
    prep: &MeterPrep,
    log_pi: &[Vec<f64>],
    slack: f64,
) -> Vec<Vec<Option<Change>>> {
    let shapes = &prep.shapes;
    prep.observables
        .iter()
        .enumerate()
        .map(|(o, prepared)| match prepared {
            None => Vec::new(),
            Some(p) => {
                let log_pi = &log_pi[o][..p.fits.len()];
                let one =
                    |cell: &Cell| change(&p.fits, log_pi, &shapes.fine, &cell.members, p.floor);
                let mut row: Vec<Option<Change>> = shapes.cells.iter().map(one).collect();
                set_misfits(&mut row, slack);
                row
            }
        })
        .collect()
}

/// Holds every shape of one observable against the best one.
fn set_misfits(row: &mut [Option<Change>], slack: f64) {
    let best = row.iter().flatten().fold(None, |best: Option<Change>, change| match best {
        Some(b) if b.gain >= change.gain => best,
        _ => Some(*change),
    });
    if let Some(best) = best {
        // Below one where the floor and not the noise makes the standard error.
        let tempered = if best.gain > 0.0 {
            ((best.a / best.se).powi(2) / (2.0 * best.gain)).min(1.0)
        } else {
            1.0
        };
        for change in row.iter_mut().flatten() {
            let missing = ((1.0 - slack) * best.gain - change.gain).max(0.0);
            change.misfit = 2.0 * tempered * missing;
        }
    }
}

/// Which observables can speak for a mode. A mode with none of them takes no part: its prior
/// would leak into the fault probability.
pub(crate) fn key_observables(mode: Hypothesis) -> &'static [Observable] {
    use Observable as O;
    match mode {
        Hypothesis::NoChange => &[],
        Hypothesis::Process => &[O::Drive, O::Density, O::Noise],
        Hypothesis::Data => &[O::Noise, O::Density],
        Hypothesis::Coating => &[O::Drive, O::Density, O::AirPoint, O::ReferencePoint],
        Hypothesis::Erosion => &[
            O::StiffnessInlet,
            O::StiffnessOutlet,
            O::Stiffness,
            O::Density,
            O::AirPoint,
            O::ReferencePoint,
            O::PartnerSpan,
        ],
        Hypothesis::TwoPhase => &[O::Gas, O::Burst, O::Noise, O::Density, O::Aborted],
        Hypothesis::ZeroDrift => &[O::Zero, O::ZeroFound, O::PartnerZero],
        Hypothesis::Electrical => &[O::Drive, O::PickoffRatio, O::DriveSpread, O::PickoffSpread],
        Hypothesis::Damage => &[
            O::StiffnessInlet,
            O::StiffnessOutlet,
            O::Stiffness,
            O::Density,
            O::PickoffRatio,
            O::AirPoint,
        ],
        Hypothesis::Unknown => &[
            O::Drive,
            O::Density,
            O::Noise,
            O::PickoffRatio,
            O::Gas,
            O::StiffnessInlet,
            O::StiffnessOutlet,
            O::Stiffness,
            O::Zero,
            O::ZeroFound,
            O::PartnerSpan,
            O::PartnerZero,
        ],
    }
}

/// Whether a meter has anything that can speak for a mode.
pub(crate) fn takes_part(prep: &MeterPrep, mode: Hypothesis) -> bool {
    key_observables(mode).iter().any(|o| prep.observables[o.index()].is_some())
}

/// Amplitudes of one hypothesis for one meter, by observable.
pub(crate) struct Amplitudes<'a> {
    pub x: Vec<Option<Cow<'a, [f64]>>>,
    /// Number of draws.
    n: usize,
}

impl<'a> Amplitudes<'a> {
    /// Puts the meter's density and gas reference into the shared draws.
    pub fn new(draws: &'a Draws, prep: &MeterPrep) -> Amplitudes<'a> {
        let mut x: Vec<Option<Cow<'a, [f64]>>> = draws
            .amplitude
            .iter()
            .map(|amplitude| {
                amplitude.as_ref().map(|amplitude| {
                    if amplitude.per_density.is_empty() && amplitude.per_r0.is_empty() {
                        Cow::Borrowed(amplitude.base.as_slice())
                    } else {
                        let r0 = |j: usize| prep.r0.unwrap_or_else(|| draws.r0(j));
                        let at = |j: usize| amplitude.at(j, prep.density, r0(j));
                        Cow::Owned((0..amplitude.base.len()).map(at).collect())
                    }
                })
            })
            .collect();
        if !draws.gas_share.is_empty() {
            let reference = prep.gas_reference;
            let usual = reference.sin().powi(2);
            let angle = |share: &f64| root_angle(share + usual) - reference;
            x[Observable::Gas.index()] = Some(draws.gas_share.iter().map(angle).collect());
        }
        Amplitudes { x, n: draws.severity.len() }
    }
}

/// One factor of the product: z0 and how a draw moves it.
struct Term<'a> {
    z0: f64,
    misfit: f64,
    /// A direct measurement of the fault: t with nine degrees, whose power is twice that of
    /// four.
    direct: bool,
    /// Density of a stray over the density of a perfect fit, times its odds; 0 = none.
    stray: f64,
    /// Draws and their factor.
    first: Option<(&'a [f64], f64)>,
    second: Option<(&'a [f64], f64)>,
}

impl Term<'_> {
    /// ln of the largest factor that any draw could have here.
    fn log_bound(&self) -> f64 {
        let (power, degrees) = if self.direct { (5.0, 9.0) } else { (2.5, 4.0) };
        power * (self.z0 * self.z0 / (degrees + self.misfit)).ln_1p()
    }
}

/// The factors of a hypothesis on one shape.
fn terms<'a>(
    amplitudes: &'a Amplitudes<'_>,
    changes: &[Vec<Option<Change>>],
    widths: &[ObservablePrior; N_OBSERVABLES],
    shape: usize,
    sign: f64,
) -> Vec<Term<'a>> {
    let get = |o: Observable| changes[o.index()].get(shape).copied().flatten();
    let moved = |o: Observable| amplitudes.x[o.index()].as_deref();
    let mut list = Vec::with_capacity(N_OBSERVABLES);
    for o in Observable::ALL {
        let Some(own) = get(o) else { continue };
        let before =
            PAIRS.iter().find(|pair| pair.1 == o).and_then(|pair| Some((pair.0, get(pair.0)?)));
        match before {
            None => {
                if let Some(x) = moved(o) {
                    list.push(Term {
                        z0: own.a / own.se,
                        misfit: own.misfit,
                        direct: o.is_direct(),
                        stray: stray(&widths[o.index()], &own),
                        first: Some((x, sign / own.se)),
                        second: None,
                    });
                }
            }
            Some((other, given)) => {
                let (x, x_given) = (moved(o), moved(other));
                if x.is_none() && x_given.is_none() {
                    continue;
                }
                let left = (1.0 - PAIR_CORRELATION * PAIR_CORRELATION).sqrt();
                list.push(Term {
                    z0: (own.a / own.se - PAIR_CORRELATION * given.a / given.se) / left,
                    misfit: own.misfit,
                    direct: o.is_direct(),
                    stray: 0.0,
                    first: x.map(|x| (x, sign / (own.se * left))),
                    second: x_given.map(|x| (x, -sign * PAIR_CORRELATION / (given.se * left))),
                });
            }
        }
    }
    list
}

/// Density of t with nine degrees at its top, times its scale.
const T9_TOP: f64 = 0.388;

/// Density of a stray at the observed change over the density of a perfect fit, times its odds.
fn stray(width: &ObservablePrior, change: &Change) -> f64 {
    let [low, high] = width.stray_range;
    let size = if width.stray_up_only { change.a } else { change.a.abs() };
    if !(width.stray_share > 0.0 && size > 0.0 && high > low && low > 0.0) {
        return 0.0;
    }
    // Log-uniform between the ends, told to fade below the lower one within the error.
    let inside = size.clamp(low, high);
    let fade = (-0.5 * ((size - inside) / change.se).powi(2)).exp();
    let sides = if width.stray_up_only { 1.0 } else { 0.5 };
    let density = sides * fade / (inside * (high / low).ln());
    let odds = width.stray_share / (1.0 - width.stray_share);
    odds * density * change.se / T9_TOP
}

/// Multiplies the finished ratios by a term that has a stray: powers are taken out here.
fn multiply_stray(ratio: &mut [f64], term: &Term<'_>) {
    let Some((x, f)) = term.first else { return };
    let degrees = if term.direct { 9.0 } else { 4.0 };
    let c = 1.0 + term.misfit / degrees;
    let fit = |z: f64| {
        let q = (c + z * z / degrees).recip();
        if term.direct { q * q * q * q * q } else { q * q * q.sqrt() }
    };
    let none = fit(term.z0) + term.stray;
    for (r, x) in ratio.iter_mut().zip(x) {
        *r *= (fit(term.z0 - f * x) + term.stray) / none;
    }
}

/// Likelihood ratios of all draws on one shape, into `ratio`.
fn ratios(terms: &[Term<'_>], ratio: &mut [f64]) {
    let mut base = 1.0;
    ratio.iter_mut().for_each(|r| *r = 1.0);
    for term in terms.iter().filter(|term| term.stray == 0.0) {
        let inverse_degrees = if term.direct { 1.0 / 9.0 } else { 0.25 };
        let c = 1.0 + inverse_degrees * term.misfit;
        let root = inverse_degrees.sqrt();
        let own = c + inverse_degrees * term.z0 * term.z0;
        base *= if term.direct { own * own } else { own };
        let z0 = root * term.z0;
        match (term.first, term.second) {
            (Some((x, f)), None) | (None, Some((x, f))) => {
                multiply(ratio, term.direct, x, |x| {
                    let z = z0 - root * f * x;
                    c + z * z
                });
            }
            (Some((x, f)), Some((y, g))) => {
                let (f, g) = (root * f, root * g);
                for ((r, x), y) in ratio.iter_mut().zip(x).zip(y) {
                    let z = z0 - f * x - g * y;
                    let factor = c + z * z;
                    *r *= if term.direct { factor * factor } else { factor };
                }
            }
            (None, None) => {}
        }
    }
    // (base/r)^(5/2) without a logarithm.
    for r in ratio.iter_mut() {
        let q = base / *r;
        *r = q * q * q.sqrt();
    }
    for term in terms.iter().filter(|term| term.stray > 0.0) {
        multiply_stray(ratio, term);
    }
}

fn multiply(ratio: &mut [f64], squared: bool, x: &[f64], factor: impl Fn(f64) -> f64) {
    if squared {
        for (r, x) in ratio.iter_mut().zip(x) {
            let one = factor(*x);
            *r *= one * one;
        }
    } else {
        for (r, x) in ratio.iter_mut().zip(x) {
            *r *= factor(*x);
        }
    }
}

/// Result of one hypothesis.
#[derive(Clone, Debug)]
pub(crate) struct Comparison {
    /// ln of hazard x years x B; minus infinity when it takes no part.
    pub log_weight: f64,
    /// Posterior over shapes.
    pub shapes: Vec<f64>,
}

/// Everything the comparison of one meter needs.
pub(crate) struct Comparer<'a> {
    pub prep: &'a MeterPrep,
    pub changes: &'a [Vec<Option<Change>>],
    pub draws: &'a DrawSet,
    pub priors: &'a Priors,
    /// ln of hazard x years by hypothesis.
    pub log_prior: &'a [f64; 10],
    /// Widths of the observables.
    pub widths: &'a [ObservablePrior; N_OBSERVABLES],
}

impl Comparer<'_> {
    /// Compares one hypothesis (`sign` -1: its mirror image) with *no change*; only on the cells
    /// that `first` found worth it, where there was a first look.
    pub fn compare(
        &self,
        mode: Hypothesis,
        sign: f64,
        first: Option<&Comparison>,
        buffer: &mut Vec<f64>,
    ) -> Comparison {
        let n_shapes = self.prep.shapes.cells.len();
        let mut result = Comparison { log_weight: f64::NEG_INFINITY, shapes: vec![0.0; n_shapes] };
        let Some(draws) = self.draws.of(mode).filter(|_| self.can_be_told(mode, sign)) else {
            return result;
        };
        let amplitudes = Amplitudes::new(draws, self.prep);
        let prior = self.prep.shapes.prior(&self.priors.shape_shares(mode));
        let n = draws.severity.len();
        buffer.clear();
        buffer.resize(n, 0.0);
        let mut total = 0.0;
        for (g, p) in prior.iter().enumerate() {
            let wanted = first.is_none_or(|first| first.shapes[g] > WORTH_A_LOOK);
            if *p > 0.0 && wanted {
                ratios(&terms(&amplitudes, self.changes, self.widths, g, sign), buffer);
                let sum: f64 = buffer.iter().sum();
                let word = if sign > 0.0 { self.word(mode, g) } else { 1.0 };
                result.shapes[g] = p * word * sum / n as f64;
                total += result.shapes[g];
            }
        }
        if total > 0.0 && total.is_finite() {
            result.shapes.iter_mut().for_each(|p| *p /= total);
            result.log_weight = self.log_prior[mode.index()] + total.ln();
        }
        result
    }

    /// Factor of the meter's own alerts for an explanation over no change.
    pub fn word(&self, mode: Hypothesis, cell: usize) -> f64 {
        let Some(word) = &self.prep.word else { return 1.0 };
        let unnoticed = takes_part(self.prep, mode);
        word.factor(&self.priors.alerts, mode, cell, unnoticed)
    }

    /// Whether anything can speak for a mode: an observable, or the meter's own alerts (which
    /// have no mirror image).
    fn can_be_told(&self, mode: Hypothesis, sign: f64) -> bool {
        let by_word = self.prep.word.as_ref().is_some_and(|word| word.speaks_of(mode))
            && self.priors.alerts.noticed_by(mode) > 0.0;
        takes_part(self.prep, mode) || (by_word && sign > 0.0)
    }

    /// Largest ln weight that the mirror image of a hypothesis could have, whatever its draws.
    pub fn mirror_bound(&self, mode: Hypothesis) -> f64 {
        let Some(draws) = self.draws.of(mode).filter(|_| takes_part(self.prep, mode)) else {
            return f64::NEG_INFINITY;
        };
        let amplitudes = Amplitudes::new(draws, self.prep);
        let prior = self.prep.shapes.prior(&self.priors.shape_shares(mode));
        let logs: Vec<f64> = (0..prior.len())
            .filter(|&g| prior[g] > 0.0)
            .map(|g| {
                let terms = terms(&amplitudes, self.changes, self.widths, g, -1.0);
                prior[g].ln() + terms.iter().map(Term::log_bound).sum::<f64>()
            })
            .collect();
        self.log_prior[mode.index()] + log_sum_exp(&logs)
    }

    /// Posterior weights of a hypothesis' draws on one shape, summing to the shape's weight.
    pub fn draw_weights(
        &self,
        amplitudes: &Amplitudes<'_>,
        comparison: &Comparison,
        shape: usize,
        weights: &mut Vec<f64>,
    ) {
        weights.clear();
        weights.resize(amplitudes.n, 0.0);
        ratios(&terms(amplitudes, self.changes, self.widths, shape, 1.0), weights);
        let sum: f64 = weights.iter().sum();
        let scale = if sum > 0.0 { comparison.shapes[shape] / sum } else { 0.0 };
        weights.iter_mut().for_each(|w| *w *= scale);
    }

    /// log10 of the factor of each observable for a hypothesis over no change, averaged over the
    /// posterior draws of one shape.
    pub fn factors(
        &self,
        amplitudes: &Amplitudes<'_>,
        shape: usize,
        weights: &[f64],
    ) -> [f64; N_OBSERVABLES] {
        let mut factors = [0.0; N_OBSERVABLES];
        let total: f64 = weights.iter().sum();
        let top = weights.iter().copied().fold(0.0, f64::max);
        if !(total > 0.0) {
            return factors;
        }
        for o in Observable::ALL {
            let Some(change) = self.changes[o.index()].get(shape).copied().flatten() else {
                continue;
            };
            let Some(x) = amplitudes.x[o.index()].as_deref() else { continue };
            let (power, degrees) = if o.is_direct() { (5.0, 9.0) } else { (2.5, 4.0) };
            let stray = stray(&self.widths[o.index()], &change);
            let log_t = |z: f64| {
                let log = -power * ((z * z + change.misfit) / degrees).ln_1p();
                if stray > 0.0 { (log.exp() + stray).ln() } else { log }
            };
            let none = log_t(change.a / change.se);
            let mut sum = 0.0;
            for (x, w) in x.iter().zip(weights) {
                // Draws of a thousandth of the best weight change no printed digit.
                if *w > 1e-3 * top {
                    sum += w * (log_t((change.a - x) / change.se) - none);
                }
            }
            factors[o.index()] = sum / total / std::f64::consts::LN_10;
        }
        factors
    }
}

/// Whether a shape grows, so that a time to a limit makes sense.
pub(crate) fn grows(kind: Kind) -> bool {
    !matches!(kind, Kind::Step | Kind::Old)
}

#[cfg(test)]
mod tests {
    use super::*;

    const OLD: Shape = Shape { kind: Kind::Old, onset: f64::NAN };

    /// Student t with 4 degrees, log density relative to its top (scipy `t.logpdf`).
    #[test]
    fn a_draw_far_away_is_judged_by_student_t_with_four_degrees() {
        let x = [0.0, 1.0, 3.0, 10.0];
        let term = Term {
            z0: 0.0,
            misfit: 0.0,
            direct: false,
            stray: 0.0,
            first: Some((&x, 1.0)),
            second: None,
        };
        let mut ratio = [0.0; 4];
        ratios(&[term], &mut ratio);
        let scipy = [
            -0.980_829_253_011_726_2,
            -1.538_688_131_297_250_5,
            -3.927_466_743_865_841_7,
            -9.126_070_598_065_432,
        ];
        for (r, density) in ratio.iter().zip(scipy) {
            assert!((r.ln() - (density - scipy[0])).abs() < 1e-14, "{}", r.ln());
        }
        for (r, difference) in ratio.iter().skip(1).zip([
            -0.557_858_878_285_524_3,
            -2.946_637_490_854_115_5,
            -8.145_241_345_053_705,
        ]) {
            assert!((r.ln() - difference).abs() < 1e-13);
        }
    }

    #[test]
    fn a_clumsy_shape_with_a_larger_amplitude_does_not_beat_the_true_one() {
        let of = |a: f64, gain: f64| Change {
            a,
            se: 0.1,
            gain,
            onset: 0.0,
            end_slope: 1.0,
            misfit: 0.0,
        };
        let mut row = vec![Some(of(-2.2, 900.0)), Some(of(-3.7, 600.0)), None];
        set_misfits(&mut row, 0.0);
        let ratio = |change: Change| {
            let x = [change.a];
            let z0 = change.a / change.se;
            let first = Some((&x[..], change.se.recip()));
            let mut ratio = [0.0];
            ratios(
                &[Term {
                    z0,
                    misfit: change.misfit,
                    direct: false,
                    stray: 0.0,
                    first,
                    second: None,
                }],
                &mut ratio,
            );
            ratio[0]
        };
        let (best, clumsy) = (ratio(row[0].expect("best")), ratio(row[1].expect("clumsy")));
        assert!(best > 100.0 * clumsy, "{best} {clumsy}");
    }

    /// A zero read in shut-in that is far up is a leaking valve or a zero: worth no more than
    /// their odds. The same downward is a zero.
    #[test]
    fn a_stray_caps_what_one_observable_can_say() {
        let width = ObservablePrior {
            stray_share: 0.04,
            stray_range: [3.0, 300.0],
            stray_up_only: true,
            ..Default::default()
        };
        let factor = |a: f64| {
            let change = Change { a, se: 1.5, gain: 0.0, onset: 0.0, end_slope: 1.0, misfit: 0.0 };
            let x = [a];
            let term = Term {
                z0: a / change.se,
                misfit: 0.0,
                direct: true,
                stray: stray(&width, &change),
                first: Some((&x, change.se.recip())),
                second: None,
            };
            let mut ratio = [0.0];
            ratios(&[term], &mut ratio);
            ratio[0]
        };
        assert!(factor(-60.0) > 1e9);
        assert!((1e2..1e5).contains(&factor(60.0)), "{}", factor(60.0));
    }

    #[test]
    fn one_noise_model_gives_its_own_estimate() {
        let fit = Fit { log_likelihood: -3.0, score: vec![8.0], information: vec![4.0] };
        let got = change(&[fit], &[0.0], &[OLD], &[0], 0.0).expect("visible");
        assert!((got.a - 2.0).abs() < 1e-12 && (got.se - 0.5).abs() < 1e-12);
        assert!((got.gain - 8.0).abs() < 1e-12);
    }

    #[test]
    fn a_shape_that_one_noise_model_cannot_see_is_absent() {
        let fit = Fit { log_likelihood: -3.0, score: vec![0.0], information: vec![0.0] };
        assert_eq!(change(&[fit], &[0.0], &[OLD], &[0], 0.1), None);
    }
}
