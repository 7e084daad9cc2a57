//! Streams of Larkmoor Works: what flows, how warm, how strong, how much and when.
//!
//! Meters on one stream see the same fluid, grades, stops and seasons. Everything is a function
//! of (stream key, time), so any day can be asked for alone.
//! Units: days since the site's first day (with fraction), degC, kPa, seconds of the day.

mod catalogue;

pub(crate) use catalogue::CATALOGUE;

use crate::fluid::Fluid;
use crate::seed::{Draws, Purpose, wander};

/// When the stream runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Pattern {
    /// Day and night, with rare stops.
    Steady,
    /// Several batches a day, all meters together.
    Batch,
    /// Tanker loads, each bay on its own.
    Loads,
    /// Short doses, each meter on its own.
    Doses,
}

/// One line of the catalogue.
#[derive(Clone, Copy, Debug)]
pub(crate) struct StreamSpec {
    pub(crate) name: &'static str,
    pub(crate) service: &'static str,
    /// Index of the source (0..5) and of the unit within it.
    pub(crate) source: usize,
    pub(crate) unit: usize,
    pub(crate) fluid: Fluid,
    pub(crate) strength: f64,
    pub(crate) strength_sd: f64,
    /// Product grades as offsets of strength; the first is usual.
    pub(crate) grades: &'static [f64],
    pub(crate) temperature_degc: f64,
    /// Seasonal amplitude, K.
    pub(crate) season_k: f64,
    pub(crate) pattern: Pattern,
    pub(crate) sizes_mm: &'static [f64],
    pub(crate) pressure_kpa: f64,
    pub(crate) value_per_kg: f64,
    pub(crate) weight: f64,
    /// Gas at start-up: 0 never .. 1 always.
    pub(crate) startup_gas: f64,
}

/// What happens to a whole stream and looks like trouble of its meters.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum StreamEvent {
    /// From a day on the product is stronger (in units of its usual strength).
    NewGrade { from_day: f64, strength: f64 },
    /// From a day on the line runs colder or warmer.
    Heater { from_day: f64, kelvin: f64 },
    /// The line slowly cools or warms, K per 100 days.
    HeaterDrift { from_day: f64, kelvin_per_100_d: f64 },
    /// A pump draws air: gas for all meters, share of flowing time.
    PumpAir { from_day: f64, until_day: f64, share: f64 },
}

impl StreamEvent {
    pub(crate) fn name(&self) -> &'static str {
        match self {
            StreamEvent::NewGrade { .. } => "stream_new_grade",
            StreamEvent::Heater { .. } => "stream_heater_step",
            StreamEvent::HeaterDrift { .. } => "stream_temperature_drift",
            StreamEvent::PumpAir { .. } => "stream_pump_air",
        }
    }

    pub(crate) fn until_day(&self) -> Option<f64> {
        match *self {
            StreamEvent::PumpAir { until_day, .. } => Some(until_day),
            _ => None,
        }
    }

    pub(crate) fn first_day(&self) -> f64 {
        match *self {
            StreamEvent::NewGrade { from_day, .. }
            | StreamEvent::Heater { from_day, .. }
            | StreamEvent::HeaterDrift { from_day, .. }
            | StreamEvent::PumpAir { from_day, .. } => from_day,
        }
    }
}

/// A stop of the whole plant or of one stream.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Stop {
    pub(crate) from_day: f64,
    pub(crate) until_day: f64,
    pub(crate) drained: bool,
}

/// One stream of one site.
#[derive(Clone, Debug)]
pub(crate) struct Stream {
    pub(crate) spec: StreamSpec,
    pub(crate) name: String,
    pub(crate) number: usize,
    pub(crate) key: u64,
    pub(crate) stops: Vec<Stop>,
    /// Start day and offset of strength of each campaign, sorted.
    pub(crate) campaigns: Vec<(f64, f64)>,
    pub(crate) events: Vec<StreamEvent>,
    /// Full-load days passed up to each midnight.
    load_days: Vec<f64>,
}

/// The fluid at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct FluidNow {
    pub(crate) strength: f64,
    pub(crate) temperature_degc: f64,
    pub(crate) load: f64,
}

/// A span of flow within one day, seconds of the day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Run {
    pub(crate) from_s: f64,
    pub(crate) until_s: f64,
    pub(crate) level: f64,
    /// Flow goes on from the day before.
    pub(crate) carried: bool,
}

/// Seasonal phase: 0 in late July, when it is warmest; day of year from the first site day.
pub(crate) fn season(day: f64, start_day_of_year: f64) -> f64 {
    ((day + start_day_of_year - 207.0) / 365.25 * std::f64::consts::TAU).cos()
}

impl Stream {
    pub(crate) fn new(
        seed: u64,
        number: usize,
        spec: StreamSpec,
        name: String,
        horizon_days: f64,
        total_days: usize,
        plant_stops: &[Stop],
    ) -> Stream {
        let key = crate::seed::name_of(&[seed, number as u64, Purpose::Stream as u64]);
        let mut stream = Stream {
            spec,
            name,
            number,
            key,
            stops: plant_stops.to_vec(),
            campaigns: vec![(-1e9, 0.0)],
            events: Vec::new(),
            load_days: Vec::new(),
        };
        stream.draw_stops(seed, total_days as f64);
        stream.draw_campaigns(seed, total_days as f64);
        stream.draw_events(seed, horizon_days);
        stream.count_load(total_days);
        stream
    }

    fn draw_stops(&mut self, seed: u64, until: f64) {
        let mut draws = Draws::new(seed, self.number as u64, Purpose::Shutdown, 0);
        let mut day = draws.exponential(18.0);
        while day < until + 60.0 {
            let hours = draws.log_range(1.0, 14.0);
            let drained = draws.chance(0.15);
            self.stops.push(Stop { from_day: day, until_day: day + hours / 24.0, drained });
            day += hours / 24.0 + 2.0 + draws.exponential(20.0);
        }
        self.stops.sort_by(|a, b| a.from_day.total_cmp(&b.from_day));
    }

    fn draw_campaigns(&mut self, seed: u64, until: f64) {
        if self.spec.grades.len() < 2 {
            return;
        }
        let mut draws = Draws::new(seed, self.number as u64, Purpose::Campaign, 0);
        let mut day = 0.0;
        while day < until + 60.0 {
            let usual = draws.chance(0.6);
            let grade = if usual { 0 } else { 1 + draws.pick(self.spec.grades.len() - 1) };
            self.campaigns.push((day, self.spec.grades[grade]));
            day += draws.range(1.5, 16.0);
        }
    }

    fn draw_events(&mut self, seed: u64, horizon: f64) {
        let mut draws = Draws::new(seed, self.number as u64, Purpose::Stream, 1);
        if !draws.chance(0.24) {
            return;
        }
        let from_day = horizon * draws.range(0.25, 0.9);
        let event = match draws.pick(6) {
            0 | 1 => {
                let relative = draws.sign() * draws.range(0.02, 0.08);
                StreamEvent::NewGrade { from_day, strength: relative * self.spec.strength }
            }
            2 | 3 => {
                StreamEvent::Heater { from_day, kelvin: draws.sign() * draws.range(4.0, 12.0) }
            }
            4 => StreamEvent::HeaterDrift { from_day, kelvin_per_100_d: -draws.range(3.0, 9.0) },
            _ => StreamEvent::PumpAir {
                from_day,
                until_day: from_day + draws.range(8.0, 60.0),
                share: draws.range(0.02, 0.15),
            },
        };
        self.events.push(event);
    }

    fn count_load(&mut self, total_days: usize) {
        let mut sum = 0.0;
        self.load_days.push(0.0);
        for day in 0..total_days + 2 {
            let runs = self.runs(day as i64, self.key);
            let seconds: f64 = runs.iter().map(|run| (run.until_s - run.from_s) * run.level).sum();
            sum += seconds / 86_400.0 * self.load(day as f64 + 0.5);
            self.load_days.push(sum);
        }
    }

    /// Full-load days passed since the first day.
    pub(crate) fn load_days_at(&self, day: f64) -> f64 {
        let last = self.load_days.len() - 1;
        if day <= 0.0 {
            // Before the data the line is taken to have run at half load.
            return 0.5 * day;
        }
        let whole = (day.floor() as usize).min(last - 1);
        let (a, b) = (self.load_days[whole], self.load_days[whole + 1]);
        a + (b - a) * (day - whole as f64)
    }

    fn load(&self, day: f64) -> f64 {
        (1.0 + 0.10 * wander(self.key ^ 0x10, day, 7.0) + 0.05 * wander(self.key ^ 0x11, day, 0.25))
            .clamp(0.35, 1.4)
    }

    /// The stop that holds an instant.
    pub(crate) fn stop_at(&self, day: f64) -> Option<Stop> {
        self.stops.iter().copied().find(|stop| stop.from_day <= day && day < stop.until_day)
    }

    /// Fluid at an instant, as it flows.
    pub(crate) fn fluid_at(&self, day: f64, start_day_of_year: f64) -> FluidNow {
        let spec = &self.spec;
        let campaign = self.campaigns.partition_point(|&(from, _)| from <= day);
        let grade = self.campaigns[campaign.saturating_sub(1)].1;
        let mut strength = spec.strength
            + grade
            + spec.strength_sd
                * (0.7 * wander(self.key ^ 0x20, day, 1.7)
                    + 0.6 * wander(self.key ^ 0x21, day, 0.1));
        let mut temperature_degc = spec.temperature_degc
            + spec.season_k * season(day, start_day_of_year)
            + 0.7 * wander(self.key ^ 0x30, day, 3.0)
            + 0.6 * wander(self.key ^ 0x31, day, 0.12)
            + 0.15 * spec.season_k * ((day - 0.62) * std::f64::consts::TAU).cos();
        for event in &self.events {
            match *event {
                StreamEvent::NewGrade { from_day, strength: more } if day >= from_day => {
                    strength += more;
                }
                StreamEvent::Heater { from_day, kelvin } if day >= from_day => {
                    temperature_degc += kelvin * (1.0 - (-(day - from_day) / 0.2).exp());
                }
                StreamEvent::HeaterDrift { from_day, kelvin_per_100_d } if day >= from_day => {
                    temperature_degc += kelvin_per_100_d * (day - from_day) / 100.0;
                }
                _ => {}
            }
        }
        FluidNow { strength, temperature_degc, load: self.load(day) }
    }

    /// Share of flowing time with gas that the stream itself brings.
    pub(crate) fn gas_share(&self, day: f64) -> f64 {
        self.events
            .iter()
            .map(|event| match *event {
                StreamEvent::PumpAir { from_day, until_day, share }
                    if day >= from_day && day < until_day =>
                {
                    share
                }
                _ => 0.0,
            })
            .sum()
    }

    /// Spans of flow on a day; `key` is the stream's or, for bays and doses, the meter's.
    pub(crate) fn runs(&self, day: i64, key: u64) -> Vec<Run> {
        let mut draws = Draws::new(key, day as u64, Purpose::Schedule, 0);
        let mut runs = Vec::new();
        match self.spec.pattern {
            Pattern::Steady => {
                runs.push(Run { from_s: 0.0, until_s: 86_400.0, level: 1.0, carried: true });
            }
            Pattern::Batch => {
                let mut at = draws.range(600.0, 5400.0);
                while at < 80_000.0 {
                    let until = (at + draws.range(3600.0, 16_000.0)).min(85_800.0);
                    let level = draws.range(0.75, 1.15);
                    runs.push(Run { from_s: at, until_s: until, level, carried: false });
                    at = until + draws.range(1500.0, 7200.0);
                }
            }
            Pattern::Loads => {
                // No loads on every seventh night; fewer on quiet days.
                let quiet = (day + 3).rem_euclid(7) >= 5;
                let mut at = draws.range(14_000.0, 24_000.0);
                let last = if quiet { 52_000.0 } else { 76_000.0 };
                while at < last {
                    let until = at + draws.range(2700.0, 6300.0);
                    let level = draws.range(0.8, 1.1);
                    runs.push(Run { from_s: at, until_s: until, level, carried: false });
                    at = until + draws.range(1200.0, 9000.0);
                }
            }
            Pattern::Doses => {
                let mut at = draws.range(300.0, 3600.0);
                while at < 82_000.0 {
                    let until = at + draws.range(2400.0, 6000.0);
                    let level = draws.range(0.6, 1.2);
                    runs.push(Run { from_s: at, until_s: until, level, carried: false });
                    at = until + draws.range(900.0, 5400.0);
                }
            }
        }
        self.cut_by_stops(day, runs)
    }

    fn cut_by_stops(&self, day: i64, runs: Vec<Run>) -> Vec<Run> {
        let (from, until) = (day as f64, day as f64 + 1.0);
        let mut left = runs;
        for stop in self.stops.iter().filter(|s| s.from_day < until && s.until_day > from) {
            let (a, b) = ((stop.from_day - from) * 86_400.0, (stop.until_day - from) * 86_400.0);
            let mut kept = Vec::with_capacity(left.len() + 1);
            for run in left {
                if b <= run.from_s || a >= run.until_s {
                    kept.push(run);
                    continue;
                }
                if a > run.from_s {
                    kept.push(Run { until_s: a, ..run });
                }
                if b < run.until_s {
                    kept.push(Run { from_s: b, carried: false, ..run });
                }
            }
            left = kept;
        }
        left.retain(|run| run.until_s - run.from_s > 120.0);
        left
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_catalogue_covers_five_sources_with_distinct_names() {
        let mut names: Vec<_> = CATALOGUE.iter().map(|spec| spec.name).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), CATALOGUE.len());
        for source in 0..5 {
            assert!(CATALOGUE[..5].iter().any(|spec| spec.source == source));
        }
    }

    #[test]
    fn a_stop_cuts_flow_and_a_restart_is_not_carried() {
        let stops = [Stop { from_day: 3.25, until_day: 3.5, drained: false }];
        let mut stream = Stream::new(1, 0, CATALOGUE[0], "a".into(), 30.0, 30, &[]);
        stream.stops = stops.to_vec();
        let runs = stream.runs(3, stream.key);
        assert_eq!(runs.len(), 2);
        assert!(runs[0].carried && !runs[1].carried);
        assert_eq!(runs[0].until_s, 21_600.0);
        assert_eq!(runs[1].from_s, 43_200.0);
    }
}
