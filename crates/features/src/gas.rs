//! Gas episodes: when the liquid carried gas, for how long, and how much it seemed to be.
//!
//! In:     density, drive gain, the flowing minutes, the day's noise, the burst windows and,
//!         where the register names a known fluid, its density.
//! Out:    episodes, marked minutes, hours and shares of flowing time.
//! Method: at each update of density or drive gain in flowing time count what holds: (a) drive
//!         gain over twice its 20 % quantile of the day and over it by 5 points, or saturated;
//!         (b) density under the day's level by the larger of 8 noises and 1 %; (c) a density
//!         step over 8 noises (and 0.2 %). Two make the update gassy. Density 3 % under a known
//!         fluid while it scatters counts for two: it is the only sign of gas that lasts all
//!         day. With one signal only, (a), or (b) while density scatters, is enough and the day
//!         is *weak*; a step alone is not, since a change of product makes one too.
//!         An episode is two gassy updates or more, joined over calm of up to three updates and
//!         ten minutes (three spacings of a slow clock); a standstill ends it. One that begins
//!         within 30 min of a start and lasts less is start-up gas and kept apart.
//! Source: own rules; the edges were held against ten recordings of three meters in known service
//!         (Control Engineering Practice 42, 2015, 74). Apparent gas is 1 to 3 times the true
//!         fraction, less a sound term: Hemp & Kutin (2006), Basse (2014) (from memory).
//! Limits: without a known fluid, gas that lasts all day has no quiet level to be seen against.

use crate::burst::{BurstWindow, Updates};
use crate::cells::{self, Cells, FLOWING, FLOWING_OWN, GAS, JUDGED, WARM_US};
use crate::operation;
use crate::row::{FeatureRow, WhyNull};
use crate::samples::Samples;
use crate::settings::Settings;
use crate::table::{Count, F, Group};
use crate::weighted::{self, Held};

/// Updates between gassy ones that do not end an episode.
const JOIN_UPDATES: usize = 3;
/// Calm time within an episode, us, or [`JOIN_UPDATES`] spacings if that is longer (judgement).
const JOIN_MIN_US: i64 = 600_000_000;
/// Gassy updates that make an episode.
const MIN_GASSY: usize = 2;
/// Density must scatter by this many noises before it alone shows gas.
const BURST_NOISES: f64 = 3.0;
/// Judged updates and flowing time below which no share is given.
const MIN_UPDATES: usize = 10;
const MIN_JUDGED_US: i64 = 600_000_000;

/// What the day looks like without gas.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Quiet {
    /// Median density while flowing.
    pub(crate) level: Option<f64>,
    /// Robust step noise while flowing, no more than the robust spread of held density: a
    /// recorder by exception stores most of its updates in the gas itself.
    pub(crate) sigma: f64,
    /// Density of the known fluid at the day's temperature.
    pub(crate) reference: Option<f64>,
    /// 20 % quantile of drive gain while flowing.
    pub(crate) drive_low: Option<f64>,
}

/// One update as judged.
#[derive(Clone, Copy, Debug)]
struct Judged {
    from_us: i64,
    until_us: i64,
    gassy: bool,
    weak: bool,
}

/// An episode of gas.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Episode {
    from_us: i64,
    until_us: i64,
    startup: bool,
}

/// Working memory and result.
#[derive(Clone, Debug, Default)]
pub(crate) struct Gas {
    judged: Vec<Judged>,
    episodes: Vec<Episode>,
}

/// First microsecond of a minute.
fn cell_start(cell: usize) -> i64 {
    cell as i64 * cells::CELL_US
}

/// Walks along the burst windows; times asked for must rise.
struct Bursts<'a> {
    windows: &'a [BurstWindow],
    at: usize,
}

impl Bursts<'_> {
    /// Burst of the window around a time, the nearest one beyond the ends; NaN without windows.
    fn at(&mut self, t_us: i64) -> f64 {
        while self.at + 1 < self.windows.len() && t_us >= self.windows[self.at].end_us {
            self.at += 1;
        }
        self.windows.get(self.at).map_or(f64::NAN, |window| window.burst)
    }
}

/// Everything that an update is judged by.
struct Rules<'a> {
    quiet: Quiet,
    settings: &'a Settings,
    low_edge: f64,
    step_edge: f64,
    burst_edge: f64,
    reference_edge: f64,
    reference_burst_edge: f64,
}

impl<'a> Rules<'a> {
    fn new(quiet: Quiet, settings: &'a Settings) -> Rules<'a> {
        let level = quiet.level.unwrap_or(f64::NAN);
        let noises = settings.gas_noise_factor * quiet.sigma;
        let reference = quiet.reference.unwrap_or(f64::NAN);
        Rules {
            quiet,
            settings,
            low_edge: level - noises.max(settings.gas_density_share * level.abs()),
            step_edge: noises.max(settings.gas_step_share * level.abs()),
            burst_edge: (BURST_NOISES * quiet.sigma).max(settings.gas_burst_share * level.abs()),
            reference_edge: (1.0 - settings.gas_reference_share) * reference,
            reference_burst_edge: settings.gas_burst_share * reference,
        }
    }

    /// Comparisons with NaN are false: an edge that is not known is never passed.
    fn drive(&self, gain: f64) -> bool {
        let Some(low) = self.quiet.drive_low else { return false };
        let leap = gain > self.settings.gas_drive_factor * low
            && gain > low + self.settings.gas_drive_points_pct;
        leap || gain >= self.settings.drive_ceiling_pct
    }

    fn density(&self, density: f64, step: f64, burst: f64, gain: Option<f64>) -> bool {
        if density < self.reference_edge && burst >= self.reference_burst_edge {
            return true;
        }
        let low = density < self.low_edge;
        match gain {
            Some(gain) => {
                let stepped = step.abs() > self.step_edge;
                u8::from(self.drive(gain)) + u8::from(low) + u8::from(stepped) >= 2
            }
            None => low && burst >= self.burst_edge,
        }
    }
}

impl Gas {
    /// Finds the episodes of the day and marks their minutes.
    pub(crate) fn find(
        &mut self,
        (density, density_updates, windows): (&Samples, &Updates, &[BurstWindow]),
        (drive, drive_updates): (&Samples, &Updates),
        quiet: Quiet,
        settings: &Settings,
        cells: &mut Cells,
    ) {
        let rules = Rules::new(quiet, settings);
        self.judged.clear();
        self.judge_density(density_updates, windows, drive, &rules);
        let by_density = self.judged.len();
        self.judge_drive(drive_updates, density, (density_updates, windows), &rules);
        if self.judged.len() > by_density {
            self.judged.sort_by_key(|judged| judged.from_us);
            for i in 1..self.judged.len() {
                let next = self.judged[i].from_us;
                self.judged[i - 1].until_us = self.judged[i - 1].until_us.min(next);
            }
        }
        let spacing_s = density.habits.spacing_s.max(0.0);
        self.join(&operation::starts(cells), (spacing_s * 1e6) as i64, settings);
        for judged in &self.judged {
            cells::spread(judged.from_us, judged.until_us - judged.from_us, |cell, _| {
                cells.set(cell, JUDGED);
            });
        }
        for episode in &self.episodes {
            cells::spread(episode.from_us, episode.until_us - episode.from_us, |cell, _| {
                cells.set(cell, GAS);
            });
        }
    }

    fn judge_density(
        &mut self,
        updates: &Updates,
        windows: &[BurstWindow],
        drive: &Samples,
        rules: &Rules<'_>,
    ) {
        let mut gains = drive.cursor();
        let mut bursts = Bursts { windows, at: 0 };
        for i in 0..updates.len() {
            let (t_us, v) = (updates.t_us[i], updates.v[i]);
            let step = if updates.linked[i] { v - updates.v[i - 1] } else { 0.0 };
            let gain = gains.value_at(t_us);
            self.judged.push(Judged {
                from_us: t_us,
                until_us: updates.until_us[i],
                gassy: rules.density(v, step, bursts.at(t_us), gain),
                weak: gain.is_none(),
            });
        }
    }

    /// Drive gain moves between two updates of density: judged with the density that stands then,
    /// alone where none does.
    fn judge_drive(
        &mut self,
        updates: &Updates,
        density: &Samples,
        (density_updates, windows): (&Updates, &[BurstWindow]),
        rules: &Rules<'_>,
    ) {
        let mut densities = density.cursor();
        let mut bursts = Bursts { windows, at: 0 };
        let mut known = density_updates.t_us.iter().peekable();
        for (i, &t_us) in updates.t_us.iter().enumerate() {
            while known.next_if(|&&judged| judged < t_us).is_some() {}
            if known.peek() == Some(&&t_us) {
                continue;
            }
            let (gain, burst) = (updates.v[i], bursts.at(t_us));
            let stands = densities.value_at(t_us);
            self.judged.push(Judged {
                from_us: t_us,
                until_us: updates.until_us[i],
                gassy: match stands {
                    Some(density) => rules.density(density, 0.0, burst, Some(gain)),
                    None => rules.drive(gain),
                },
                weak: stands.is_none(),
            });
        }
    }

    /// Joins gassy updates to episodes.
    ///
    /// A recorder by exception stores a few updates in hours: what is far apart in time, or has a
    /// standstill between, is two episodes.
    fn join(&mut self, starts: &[usize], spacing_us: i64, settings: &Settings) {
        self.episodes.clear();
        let startup_us = (settings.startup_min * 60e6) as i64;
        let join_us = JOIN_MIN_US.max(JOIN_UPDATES as i64 * spacing_us);
        let mut open: Option<(i64, i64, usize)> = None; // from, until, gassy updates
        let mut calm = 0;
        let judged = std::mem::take(&mut self.judged);
        let all_starts = starts;
        let mut starts = all_starts.iter().peekable();
        for update in &judged {
            let late = open.is_some_and(|(_, until, _)| update.from_us - until > join_us);
            let began = starts.next_if(|&&cell| cell_start(cell) <= update.from_us).is_some();
            if began || late || calm > JOIN_UPDATES {
                self.close(open.take(), all_starts, startup_us);
                calm = 0;
            }
            match (&mut open, update.gassy) {
                (None, true) => open = Some((update.from_us, update.until_us, 1)),
                (Some((_, until, n)), true) => {
                    *until = update.until_us;
                    *n += 1;
                    calm = 0;
                }
                (_, false) => calm += 1,
            }
        }
        self.close(open, all_starts, startup_us);
        self.judged = judged;
    }

    fn close(&mut self, open: Option<(i64, i64, usize)>, starts: &[usize], startup_us: i64) {
        let Some((from_us, until_us, n)) = open else { return };
        if n < MIN_GASSY {
            return;
        }
        let after_start = starts
            .iter()
            .map(|&cell| from_us - cell_start(cell))
            .any(|late| (0..startup_us).contains(&late));
        let startup = after_start && until_us - from_us < startup_us;
        self.episodes.push(Episode { from_us, until_us, startup });
    }

    /// Begin and end of every episode, start-up gas included, in the time of the window, us.
    pub(crate) fn episodes(&self) -> impl Iterator<Item = (i64, i64)> + '_ {
        self.episodes.iter().map(|episode| (episode.from_us, episode.until_us))
    }

    /// Writes the gas group.
    pub(crate) fn write(
        &self,
        density: &Samples,
        drive: &Samples,
        quiet: Quiet,
        cells: &Cells,
        pairs: &mut Vec<Held>,
        row: &mut FeatureRow,
    ) {
        if density.is_empty() && drive.is_empty() {
            row.why(Group::Gas, WhyNull::absent(density));
            return;
        }
        let flowing = |from: i64, until: i64| cells.time_in(FLOWING_OWN, from, until - from);
        let mut along = cells.flowing();
        let (mut judged_us, mut weak_us) = (0, 0);
        for judged in &self.judged {
            let time = along.time(judged.from_us, judged.until_us - judged.from_us);
            judged_us += time;
            weak_us += if judged.weak { time } else { 0 };
        }
        let own = self.judged.iter().filter(|judged| judged.from_us >= WARM_US).count();
        row.count(Count::Gas, own);
        if own < MIN_UPDATES || judged_us < MIN_JUDGED_US {
            let none = cells.count(FLOWING_OWN) == 0;
            row.why(Group::Gas, if none { WhyNull::FilterEmpty } else { WhyNull::TooFew });
            return;
        }
        let hours = |us: i64| us as f64 / 3.6e9;
        let (mut gas_us, mut longest_us, mut startup_us, mut episodes) = (0, 0, 0, 0);
        for episode in &self.episodes {
            let time = flowing(episode.from_us, episode.until_us);
            if episode.startup {
                startup_us += time;
            } else {
                gas_us += time;
                // An episode counts on the day it begins, its length on every day it reaches.
                if time > 0 {
                    let length = episode.until_us - episode.from_us;
                    longest_us = longest_us.max(cells.time_in(FLOWING, episode.from_us, length));
                }
                episodes += i32::from(episode.from_us >= WARM_US);
            }
        }
        row.set(F::GasShare, (gas_us as f64 / judged_us as f64).min(1.0));
        row.set(F::GasHours, hours(gas_us));
        row.set(F::GasEpisodes, f64::from(episodes));
        row.set(F::GasLongest, hours(longest_us));
        row.set(F::GasStartup, hours(startup_us));
        row.set(F::GasWeak, f64::from(u8::from(2 * weak_us > judged_us)));
        row.set(F::GasApparent, self.apparent(density, quiet, cells, pairs));
    }

    /// Median of 1 - density / full density over gas time.
    fn apparent(
        &self,
        density: &Samples,
        quiet: Quiet,
        cells: &Cells,
        pairs: &mut Vec<Held>,
    ) -> f64 {
        let Some(full) = quiet.reference.or(quiet.level).filter(|full| *full > 0.0) else {
            return f64::NAN;
        };
        let mut episodes = self.episodes.iter().filter(|episode| !episode.startup).peekable();
        let mut flowing = cells.flowing();
        pairs.clear();
        for i in 0..density.len() {
            let t_us = density.t_us[i];
            while episodes.next_if(|episode| episode.until_us <= t_us).is_some() {}
            if episodes.peek().is_some_and(|episode| episode.from_us <= t_us) {
                let time = flowing.time(t_us, density.hold_us[i]);
                pairs.push((1.0 - density.v[i] / full, time));
            }
        }
        weighted::median(pairs).unwrap_or(f64::NAN)
    }
}
