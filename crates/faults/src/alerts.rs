//! The meter's own word: alerts as evidence.
//!
//! Why:    pick-offs, coils and zeros are what a meter watches itself; where nobody records a
//!         pick-off tag or a zero, its alert is all there is.
//! In:     days with an alert, by what it speaks of: the fault that the site file gives the code
//!         (`alert_modes`); any fault, where it gives none and the category is M, *maintenance
//!         required*.
//! Out:    a factor per explanation and cell of shapes.
//! Method: without a fault a meter alerts at a rate of its own, Gamma of shape [`CHATTER_SHAPE`]:
//!         some chatter for years. Its scale is the one under which as many meters stay silent as
//!         did, which the talkative few cannot move: (b / (b + days))^shape = silent share. Under
//!         a fault from day s on, the share `noticed` of meters alerts at another rate from s on,
//!         exponential about one in `days_between`; the others go on as before. Rates are
//!         integrated out; the factor is bounded by `cap_nats`: a word, however often said, is one
//!         observable.
//! Limits: an unmapped alert speaks for all faults alike. Unmapped alerts of category S (out of
//!         specification) are left out: gas of the process is most of them, and gas share and
//!         drive tell it better.
//! Source: NAMUR NE 107 for the categories; Gamma-Poisson marginal: Gelman et al., Bayesian Data
//!         Analysis, 3rd ed., section 2.6. Shares and rates are judgement.

use crate::fleet::{Fleet, MeterData};
use crate::settings::AlertPrior;
use crate::shape::{Cell, Kind};
use metersift_model::Hypothesis;
use metersift_model::records::{Alert, Ne107};
use std::collections::BTreeMap;

/// Shape of the rates of meters without a fault: half of them far below the mean.
const CHATTER_SHAPE: f64 = 0.5;

/// The fault that an alert speaks of; `None` = any.
type Meaning = Option<Hypothesis>;

/// Days on which a meter alerted, once each, in order, by what the alerts speak of.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct AlertDays {
    by_meaning: BTreeMap<Meaning, Vec<i32>>,
    /// Day of the first alert of any kind.
    first: Option<i32>,
}

impl AlertDays {
    /// Sorts a meter's alerts by what the site says of their codes.
    pub fn new(alerts: &[Alert], modes: &BTreeMap<String, String>) -> AlertDays {
        let mut by_meaning: BTreeMap<Meaning, Vec<i32>> = BTreeMap::new();
        for alert in alerts.iter().filter(|alert| alert.active) {
            let mapped = modes.get(&alert.code).and_then(|name| Hypothesis::parse(name));
            if mapped.is_some() || alert.ne107 == Some(Ne107::MaintenanceRequired) {
                by_meaning.entry(mapped).or_default().push(alert.time.day().0);
            }
        }
        for days in by_meaning.values_mut() {
            days.sort_unstable();
            days.dedup();
        }
        AlertDays { by_meaning, first: alerts.iter().map(|alert| alert.time.day().0).min() }
    }

    /// How many in `[from, until)`.
    fn count(&self, meaning: Meaning, from: i32, until: i32) -> usize {
        let Some(days) = self.by_meaning.get(&meaning) else { return 0 };
        let before = |limit: i32| days.partition_point(|day| *day < limit);
        before(until).saturating_sub(before(from))
    }
}

/// Gamma law of a rate per day.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Rate {
    shape: f64,
    /// Days.
    exposure: f64,
}

impl Rate {
    /// ln of the likelihood of `n` events in `days` with the rate integrated out.
    fn log_marginal(self, n: usize, days: f64) -> f64 {
        let rising: f64 = (0..n).map(|i| (self.shape + i as f64).ln()).sum();
        self.shape * self.exposure.ln() + rising
            - (self.shape + n as f64) * (self.exposure + days).ln()
    }
}

/// How often meters of this fleet alert, and since when anybody wrote it down.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct FleetAlerts {
    /// First day of the log.
    since: i32,
    usual: BTreeMap<Meaning, Rate>,
}

impl FleetAlerts {
    /// `None` where no alert was recorded before `as_of`.
    pub fn learn(fleet: &Fleet, as_of: i32) -> Option<FleetAlerts> {
        let first = |meter: &MeterData| meter.alerts.first;
        let since = fleet.meters.iter().filter_map(first).min().filter(|since| *since < as_of)?;
        // What nobody has said before the as-of date is not known to be sayable.
        let said = |meter: &MeterData| -> Vec<Meaning> {
            let said = |meaning: &&Meaning| meter.alerts.count(**meaning, since, as_of) > 0;
            meter.alerts.by_meaning.keys().filter(said).copied().collect()
        };
        let usual = fleet
            .meters
            .iter()
            .flat_map(said)
            .map(|meaning| (meaning, usual(fleet, meaning, since, as_of)));
        Some(FleetAlerts { since, usual: usual.collect() })
    }
}

/// The rate under which as many meters would have stayed silent as did.
fn usual(fleet: &Fleet, meaning: Meaning, since: i32, as_of: i32) -> Rate {
    let n = fleet.meters.len() as f64;
    let is_silent = |meter: &&MeterData| meter.alerts.count(meaning, since, as_of) == 0;
    let silent = fleet.meters.iter().filter(is_silent).count() as f64;
    // Half a meter from either end: a fleet that never spoke has a rate all the same.
    let share = (silent / n).clamp(0.5 / n, 1.0 - 0.5 / n);
    let exposure = f64::from(as_of - since) / (share.powf(-CHATTER_SHAPE.recip()) - 1.0);
    Rate { shape: CHATTER_SHAPE, exposure }
}

/// What one meter said before one as-of date.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct OwnWord {
    by_meaning: BTreeMap<Meaning, Said>,
}

/// Alerts of one meaning against the cells of shapes.
#[derive(Clone, Debug, PartialEq)]
struct Said {
    /// ln of the likelihood ratio of another rate since the onset of each cell, bounded.
    log_ratio: Vec<f64>,
    /// Days with an alert since the onset of each cell, and how many days that are.
    since_onset: Vec<(usize, f64)>,
}

impl OwnWord {
    /// Weighs the alerts of a meter since its last swap against each cell; `None` without a log.
    pub fn new(
        meter: &MeterData,
        swap_day: Option<i32>,
        fleet: &FleetAlerts,
        prior: &AlertPrior,
        cells: &[Cell],
        as_of: i32,
    ) -> Option<OwnWord> {
        let from = fleet.since.max(swap_day.map_or(fleet.since, |day| day + 1));
        let said = |(meaning, usual): (&Meaning, &Rate)| {
            let count = |from: i32, until: i32| meter.alerts.count(*meaning, from, until);
            (*meaning, Said::new(&count, *usual, prior, cells, (from, as_of)))
        };
        (from < as_of).then(|| OwnWord { by_meaning: fleet.usual.iter().map(said).collect() })
    }

    /// Factor of an explanation over no change on one cell. Where nothing else could show the
    /// mode (`unnoticed` false), only the meters that notice it take part: the prior of the
    /// others would leak into the fault probability.
    pub fn factor(
        &self,
        prior: &AlertPrior,
        mode: Hypothesis,
        cell: usize,
        unnoticed: bool,
    ) -> f64 {
        let noticed = prior.noticed_by(mode);
        // The word that speaks loudest for this mode; two words of one meter are not two meters.
        let ratio =
            self.of(mode).map(|said| said.log_ratio[cell]).fold(f64::NEG_INFINITY, f64::max);
        let silent = if unnoticed { 1.0 - noticed } else { 0.0 };
        if ratio.is_finite() { silent + noticed * ratio.exp() } else { 1.0 }
    }

    /// Days with an alert that speaks of a mode since the onset of a cell, and days since then.
    pub fn said(&self, mode: Hypothesis, cell: usize) -> (usize, f64) {
        let most = |a: (usize, f64), b: (usize, f64)| if b.0 > a.0 { b } else { a };
        self.of(mode).map(|said| said.since_onset[cell]).reduce(most).unwrap_or((0, 0.0))
    }

    /// Whether any alert of this site could speak of a mode.
    pub fn speaks_of(&self, mode: Hypothesis) -> bool {
        self.of(mode).next().is_some()
    }

    fn of(&self, mode: Hypothesis) -> impl Iterator<Item = &Said> {
        // *Unknown* may be told by any word.
        self.by_meaning
            .iter()
            .filter(move |(meaning, _)| {
                mode == Hypothesis::Unknown || meaning.is_none_or(|of| of == mode)
            })
            .map(|(_, said)| said)
    }
}

impl Said {
    fn new(
        count: &dyn Fn(i32, i32) -> usize,
        usual: Rate,
        prior: &AlertPrior,
        cells: &[Cell],
        (from, as_of): (i32, i32),
    ) -> Said {
        let noticed = Rate { shape: 1.0, exposure: prior.days_between };
        let plain = usual.log_marginal(count(from, as_of), f64::from(as_of - from));
        let one = |cell: &Cell| -> (f64, (usize, f64)) {
            let begin = match cell.shape.kind {
                // A saw begins anew with each cleaning: no second rate to tell.
                Kind::Saw => return (0.0, (0, 0.0)),
                Kind::Old => from,
                _ => (cell.shape.onset.round() as i32).clamp(from, as_of - 1),
            };
            let (after, span) = (count(begin, as_of), f64::from(as_of - begin));
            let ratio = usual.log_marginal(count(from, begin), f64::from(begin - from))
                + noticed.log_marginal(after, span)
                - plain;
            (ratio.min(prior.cap_nats), (after, span))
        };
        let (log_ratio, since_onset) = cells.iter().map(one).unzip();
        Said { log_ratio, since_onset }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Settings;
    use crate::shape::Shape;
    use metersift_model::TimeUs;

    const USUAL: Rate = Rate { shape: CHATTER_SHAPE, exposure: 1000.0 };
    const AS_OF: i32 = 400;

    fn prior() -> AlertPrior {
        Settings::default().priors().expect("priors").alerts
    }

    fn meter(meaning: Meaning, days: Vec<i32>) -> MeterData {
        let by_meaning = BTreeMap::from([(meaning, days)]);
        MeterData { alerts: AlertDays { by_meaning, first: Some(0) }, ..MeterData::default() }
    }

    /// Cells 0 = step at `onset`, 1 = old, 2 = saw.
    fn word(meter: &MeterData, onset: f64, swap_day: Option<i32>) -> OwnWord {
        let cell = |kind| Cell { shape: Shape { kind, onset }, members: Vec::new(), width: 1.0 };
        let usual = meter.alerts.by_meaning.keys().map(|meaning| (*meaning, USUAL)).collect();
        let fleet = FleetAlerts { since: 0, usual };
        let cells = [cell(Kind::Step), cell(Kind::Old), cell(Kind::Saw)];
        OwnWord::new(meter, swap_day, &fleet, &prior(), &cells, AS_OF).expect("a log")
    }

    fn factor(word: &OwnWord, mode: Hypothesis, cell: usize) -> f64 {
        word.factor(&prior(), mode, cell, true)
    }

    /// Marginals by scipy 1.17.1: `quad` of `gamma.pdf(x, a, scale=1/b) * x**n * exp(-x*t)`.
    #[test]
    fn marginals_are_the_integrals() {
        let cases = [
            (USUAL, 0, 400.0, 0.845_154_254_728_516_7),
            (USUAL, 3, 400.0, 5.775_015_406_763_735e-10),
            (Rate { shape: 1.0, exposure: 30.0 }, 5, 60.0, 6.774_035_123_372_114e-9),
        ];
        for (rate, n, days, integral) in cases {
            let got = rate.log_marginal(n, days).exp();
            assert!((got / integral - 1.0).abs() < 1e-7, "{got} {integral}");
        }
    }

    #[test]
    fn alerts_since_the_onset_speak_for_a_fault_and_silence_a_little_against_it() {
        let often = word(&meter(None, (300..400).step_by(30).collect()), 300.0, None);
        assert!(factor(&often, Hypothesis::Electrical, 0) > 10.0);
        assert!(
            factor(&often, Hypothesis::Electrical, 0) > factor(&often, Hypothesis::Electrical, 1)
        );
        assert_eq!(factor(&often, Hypothesis::Electrical, 2), 1.0);
        assert_eq!(often.said(Hypothesis::Electrical, 0), (4, 100.0));
        let silent = word(&meter(None, Vec::new()), 300.0, None);
        let quiet = factor(&silent, Hypothesis::Electrical, 0);
        assert!(
            quiet < 1.0 && quiet >= 1.0 - prior().noticed_by(Hypothesis::Electrical),
            "{quiet}"
        );
        // Where nothing but an alert could show it, silence leaves next to nothing of its prior.
        let blind = silent.factor(&prior(), Hypothesis::ZeroDrift, 0, false);
        assert!(blind < 0.3 * prior().noticed_by(Hypothesis::ZeroDrift), "{blind}");
    }

    #[test]
    fn a_code_with_a_meaning_speaks_of_that_fault_alone() {
        let zero = Some(Hypothesis::ZeroDrift);
        let word = word(&meter(zero, (300..400).step_by(30).collect()), 300.0, None);
        assert!(factor(&word, Hypothesis::ZeroDrift, 0) > 10.0);
        assert!(factor(&word, Hypothesis::Unknown, 0) > 1.0);
        assert_eq!(factor(&word, Hypothesis::Electrical, 0), 1.0);
        assert!(word.speaks_of(Hypothesis::ZeroDrift) && !word.speaks_of(Hypothesis::Electrical));
    }

    #[test]
    fn a_word_said_a_hundred_times_is_one_observable() {
        let loud = word(&meter(None, (200..400).collect()), 200.0, None);
        let most = prior().cap_nats.exp();
        for mode in Hypothesis::ALL {
            assert!(factor(&loud, mode, 0) <= 1.0 + most * prior().noticed_by(mode));
        }
        assert_eq!(factor(&loud, Hypothesis::NoChange, 0), 1.0);
    }

    #[test]
    fn a_swap_wipes_what_the_unit_before_it_said() {
        let word = word(&meter(None, (0..100).collect()), 300.0, Some(150));
        assert_eq!(word.said(Hypothesis::Electrical, 1), (0, 249.0));
    }

    #[test]
    fn alerts_are_sorted_by_code_then_by_category_and_each_day_counts_once() {
        let alert = |day: i64, code: &str, ne107, active| Alert {
            time: TimeUs(day * 86_400_000_000 + 1),
            code: code.into(),
            text: String::new(),
            ne107,
            active,
        };
        let (m, s) = (Some(Ne107::MaintenanceRequired), Some(Ne107::OutOfSpecification));
        let alerts = [
            alert(3, "A-7", m, true),
            alert(3, "A-7", m, false),
            alert(3, "A-9", m, true),
            alert(2, "A-9", m, true),
            alert(1, "A-1", s, true),
        ];
        let modes = BTreeMap::from([("A-7".to_owned(), "zero_drift".to_owned())]);
        let days = AlertDays::new(&alerts, &modes);
        let expected = BTreeMap::from([(None, vec![2, 3]), (Some(Hypothesis::ZeroDrift), vec![3])]);
        assert_eq!((days.by_meaning, days.first), (expected, Some(1)));
    }
}
