//! A fictional site: streams, meters, who gets which fault and which look-alike.
//!
//! Everything here is drawn once, from the seed alone; what lies beyond the days written is
//! drawn too, so a longer plan of the same seed is the same site.

use crate::Plan;
use crate::fault::{DECK, Growth, Kind, draw, other_growth, susceptibility};
use crate::meter::*;
use crate::seed::{Draws, Purpose, name_of, slow_wander, wander};
use crate::source::SOURCES;
use crate::stream::{CATALOGUE, Pattern, Stop, Stream, season};
use crate::variation::{CommonCause, Ladder, LadderMode};
use metersift_model::{Day, Hypothesis};

/// A drawn site.
#[derive(Debug)]
pub(crate) struct Site {
    pub(crate) plan: Plan,
    pub(crate) streams: Vec<Stream>,
    pub(crate) meters: Vec<MeterSim>,
    pub(crate) start_day_of_year: f64,
    ambient_key: u64,
}

impl Site {
    pub(crate) fn new(plan: &Plan) -> Site {
        let start = plan.start.civil();
        let mut site = Site {
            plan: plan.clone(),
            streams: draw_streams(plan),
            meters: Vec::new(),
            start_day_of_year: f64::from(start.day_of_year()),
            ambient_key: name_of(&[plan.seed, Purpose::Ambient as u64]),
        };
        site.draw_meters();
        site.deal_faults();
        site.deal_look_alikes();
        site.draw_cleanings();
        site.draw_openings();
        site.draw_adjustments();
        site
    }

    /// Days for which everything is drawn ahead.
    pub(crate) fn total_days(&self) -> f64 {
        f64::from(self.plan.days.max(self.plan.horizon_days))
    }

    /// Air temperature at the meters, degC.
    pub(crate) fn ambient_degc(&self, day: f64) -> f64 {
        10.5 + 6.8 * season(day, self.start_day_of_year)
            + 3.2 * ((day - 0.62) * std::f64::consts::TAU).cos()
            + 2.4 * wander(self.ambient_key, day, 3.0)
    }

    /// The civil day of a day number of the site.
    pub(crate) fn date(&self, day: f64) -> Day {
        self.plan.start.plus(day.floor() as i32)
    }

    /// Zero of a meter at a day, in zero stabilities, without noise and temperature.
    pub(crate) fn zero_at(&self, meter: &MeterSim, day: f64) -> f64 {
        let unit = meter.unit_at(day);
        unit.zero
            + self.plan.variation.wander_factor
                * unit.zero_wander
                * slow_wander(unit.key ^ 0xD3, day)
            + meter.condition(day, &self.streams[meter.stream]).zero
            + meter.adjusted(day)
    }

    fn draw_meters(&mut self) {
        let weights: f64 = self.streams.iter().map(|stream| stream.spec.weight).sum();
        let mut counts = vec![0usize; self.streams.len()];
        for index in 0..self.plan.meters {
            let owed = |s: usize| {
                self.streams[s].spec.weight / weights * (index + 1) as f64 - counts[s] as f64
            };
            let stream = (0..self.streams.len())
                .max_by(|&a, &b| owed(a).total_cmp(&owed(b)).then(b.cmp(&a)))
                .unwrap_or(0);
            counts[stream] += 1;
            let meter = self.draw_meter(index, stream, counts[stream]);
            self.meters.push(meter);
        }
    }

    fn draw_meter(&self, index: usize, stream_idx: usize, number: usize) -> MeterSim {
        let seed = self.plan.seed;
        let stream = &self.streams[stream_idx];
        let spec = &stream.spec;
        let key = name_of(&[seed, index as u64, Purpose::Register as u64]);
        let mut draws = Draws::new(seed, index as u64, Purpose::Register, 0);
        let series_with = self.partner(stream_idx, number, &mut draws);
        let size_mm = series_with.map_or_else(
            || spec.sizes_mm[draws.pick(spec.sizes_mm.len())],
            |other| self.meters[other].size_mm,
        );
        let area_m2 = std::f64::consts::PI / 4.0 * (size_mm * 1e-3).powi(2);
        let max_flow_kg_h = two_digits(area_m2 * draws.range(6.0, 9.0) * 1000.0 * 3600.0);
        let speed = if matches!(spec.service, "syrup" | "loading" | "oil" | "liquor") {
            draws.range(0.7, 1.8)
        } else {
            draws.range(0.8, 3.2)
        };
        let usual_kg_h = series_with
            .map_or(area_m2 * speed * 1050.0 * 3600.0, |other| self.meters[other].usual_kg_h);
        let custody = spec.service == "loading" && draws.chance(0.75);
        let base = [0.1, 0.1, 0.15, 0.2][draws.pick(4)];
        let mut unit_draws = Draws::new(seed, index as u64, Purpose::Instrument, 0);
        let unit = Instrument::draw(&mut unit_draws, size_mm, spec.service);
        let mut meter = MeterSim {
            name: format!("FT-{}{:02}", 11 + stream_idx, number),
            index,
            stream: stream_idx,
            key,
            size_mm,
            max_flow_kg_h,
            zero_stability_kg_h: two_digits(max_flow_kg_h * draws.log_range(2e-5, 1.2e-4)),
            base_accuracy_pct: if custody { 0.1 } else { base },
            usual_kg_h,
            criticality: 1 + draws.pick(5) as u8,
            custody,
            check_every_days: check_interval(custody, &mut draws),
            check_halves: draws.chance(0.75),
            zero_every_days: draws.chance(0.55).then(|| draws.range(80.0, 260.0)),
            installed_days_before: draws.range(120.0, 4000.0) as i32,
            uses: uses(spec.service, &mut draws),
            tolerable_pct: draws.chance(0.15).then(|| [0.3, 0.5, 1.0, 2.0][draws.pick(4)]),
            safety_function: draws.chance(0.03),
            series_with,
            flow_key: series_with.map_or(key, |other| self.meters[other].flow_key),
            tags: Vec::new(),
            units: vec![(f64::NEG_INFINITY, unit)],
            faults: Vec::new(),
            confounders: Vec::new(),
            openings: Vec::new(),
            adjustments: Vec::new(),
            renamed: None,
            cleanings: Vec::new(),
        };
        meter.tags = self.draw_tags(&meter);
        meter
    }

    /// One meter in six stands behind another of its stream and sees the same mass.
    fn partner(&self, stream: usize, number: usize, draws: &mut Draws) -> Option<usize> {
        let wanted = draws.chance(0.2);
        let other = self.meters.iter().rposition(|m| m.stream == stream)?;
        let free = self.meters[other].series_with.is_none();
        let steady = !matches!(self.streams[stream].spec.pattern, Pattern::Loads);
        (wanted && number > 1 && free && steady).then_some(other)
    }

    fn draw_tags(&self, meter: &MeterSim) -> Vec<Tag> {
        let mut draws = Draws::new(self.plan.seed, meter.index as u64, Purpose::Recorder, 0);
        let has = [
            true,
            draws.chance(0.97),
            draws.chance(0.95),
            draws.chance(0.96),
            draws.chance(0.55),
            false,
            draws.chance(0.32),
            draws.chance(0.18),
            draws.chance(0.10),
        ];
        (0..N_SIGNALS)
            .filter(|&slot| has[if slot == PICKOFF_OUT { PICKOFF_IN } else { slot }])
            .filter(|&slot| !self.plan.variation.dropped.contains(&signal_of(slot)))
            .filter(|&slot| !self.is_missing(meter.index, slot))
            .map(|slot| self.draw_tag(meter, slot, &mut draws))
            .collect()
    }

    /// Whether a variation takes this signal away; both pick-offs go together.
    fn is_missing(&self, meter: usize, slot: usize) -> bool {
        let share = self.plan.variation.missing_share;
        let together = if slot == PICKOFF_OUT { PICKOFF_IN } else { slot };
        let who = (meter * N_SIGNALS + together) as u64;
        slot != FLOW && Draws::new(self.plan.seed, who, Purpose::Missing, 0).chance(share)
    }

    fn draw_tag(&self, meter: &MeterSim, slot: usize, draws: &mut Draws) -> Tag {
        let spec = &self.streams[meter.stream].spec;
        let source = &SOURCES[spec.source];
        let band = dead_band(meter, spec, slot, draws);
        let habit = source.habit(slot, band, draws);
        let factor = source.factor(slot);
        let typical = match slot {
            FLOW => meter.max_flow_kg_h * 1.5e-5,
            VOLUME => meter.max_flow_kg_h * 1.5e-8,
            DENSITY => 0.012,
            DRIVE | TEMPERATURE | PICKOFF_IN | PICKOFF_OUT => 0.012,
            FREQUENCY => 0.0012,
            _ => 0.12,
        };
        let coarse = if draws.chance(0.3) { 10.0 } else { 1.0 };
        let digits = -(typical * coarse / factor).log10().floor() as i32;
        let step = if draws.chance(0.15) { 5.0 } else { 1.0 };
        let line = matches!(habit, Habit::Line { .. });
        Tag {
            slot,
            habit,
            resolution: if line { 0.0 } else { step * factor * 10f64.powi(-digits) },
            offset_ms: if source.wide { 0 } else { draws.pick(1000) as i64 },
            decimals: (digits.max(0) + if line { 2 } else { 0 }) as usize,
        }
    }

    fn deal_faults(&mut self) {
        if let Some(ladder) = self.plan.variation.ladder {
            self.deal_ladder(&ladder);
            return;
        }
        let n = self.meters.len();
        let wanted = (n as f64 * 0.14 * self.plan.variation.fault_factor).round() as usize;
        let mut draws = Draws::new(self.plan.seed, 0, Purpose::Assign, 0);
        for turn in 0..wanted.min(n) {
            let variant = DECK[turn % DECK.len()];
            let weights: Vec<f64> = self
                .meters
                .iter()
                .map(|m| {
                    let service = self.streams[m.stream].spec.service;
                    if m.faults.is_empty() { susceptibility(variant, service) } else { 0.0 }
                })
                .collect();
            let Some(chosen) = weighted(&weights, &mut draws) else { continue };
            self.give_fault(chosen, variant, turn);
        }
    }

    fn give_fault(&mut self, chosen: usize, variant: &'static str, turn: usize) {
        let horizon = f64::from(self.plan.horizon_days);
        let meter = &self.meters[chosen];
        let spec = &self.streams[meter.stream].spec;
        let mut draws = Draws::new(self.plan.seed, chosen as u64, Purpose::Fault, turn as u64);
        let rho = spec.fluid.density_kg_m3(spec.strength, spec.temperature_degc);
        let wall = meter.units[0].1.wall();
        let mut fault = draw(variant, &mut draws, horizon, rho, spec.service, &wall);
        if self.plan.variation.other_growth {
            let mut draws = Draws::new(self.plan.seed, chosen as u64, Purpose::Growth, 0);
            fault.growth = other_growth(fault.growth, &mut draws);
        }
        // One in four was opened and repaired in the past, once it had grown for a while.
        if turn % 4 == 3 {
            fault.onset_day = fault.onset_day.min(horizon * draws.range(0.05, 0.35));
            fault.ends_day = Some(fault.onset_day.max(5.0) + horizon * draws.range(0.25, 0.45));
        }
        self.meters[chosen].faults.push(fault);
    }

    /// One fault of graded size for every meter; modes take turns, so sizes are spread over
    /// services alike.
    fn deal_ladder(&mut self, ladder: &Ladder) {
        let modes = LadderMode::ALL;
        let per_mode = self.meters.len().div_ceil(modes.len());
        let mut order: Vec<usize> = (0..per_mode).collect();
        let mut shuffle = Draws::new(self.plan.seed, 0, Purpose::Ladder, 0);
        for i in (1..order.len()).rev() {
            order.swap(i, shuffle.pick(i + 1));
        }
        let last = f64::from(self.plan.days);
        for index in 0..self.meters.len() {
            let mode = modes[index % modes.len()];
            let rank = order[index / modes.len()] as f64 / (per_mode.max(2) - 1) as f64;
            let meter = &self.meters[index];
            let spec = &self.streams[meter.stream].spec;
            let rho = spec.fluid.density_kg_m3(spec.strength, spec.temperature_degc);
            let mut draws = Draws::new(self.plan.seed, index as u64, Purpose::Ladder, 1);
            let wall = meter.units[0].1.wall();
            let mut fault = draw(mode.variant(), &mut draws, last, rho, spec.service, &wall);
            fault.onset_day = ladder.onset_day;
            // What never leaves would make every size of gas alike.
            if let Kind::Gas { always, .. } = &mut fault.kind {
                *always = 0.0;
            }
            let side = if fault.size < 0.0 { -1.0 } else { 1.0 };
            fault.size = side * mode.largest() * ladder.smallest_share.powf(1.0 - rank);
            fault.growth = Growth::Power { full_days: last - ladder.onset_day, power: 1.0 };
            self.meters[index].faults.push(fault);
        }
    }

    fn deal_look_alikes(&mut self) {
        const SHARES: [(usize, f64); 14] = [
            (0, 0.035),
            (1, 0.015),
            (2, 0.03),
            (3, 0.03),
            (4, 0.03),
            (5, 0.025),
            (6, 0.03),
            (7, 0.015),
            (8, 0.08),
            (9, 0.02),
            (10, 0.02),
            (11, 0.03),
            (12, 0.02),
            (13, 0.08),
        ];
        let n = self.meters.len();
        let mut draws = Draws::new(self.plan.seed, 1, Purpose::Confounder, 0);
        for (kind, share) in SHARES {
            let wanted =
                (n as f64 * share * self.plan.variation.look_alike_factor).round() as usize;
            for _ in 0..wanted {
                let chosen = draws.pick(n);
                let confounder = self.draw_look_alike(kind, chosen, &mut draws);
                if let Confounder::Swapped { day } = confounder {
                    self.swap(chosen, day, &mut draws);
                }
                self.meters[chosen].confounders.push(confounder);
            }
        }
        for meter in &mut self.meters {
            meter.confounders.sort_by(|a, b| a.first_day().total_cmp(&b.first_day()));
        }
    }

    fn swap(&mut self, chosen: usize, day: f64, draws: &mut Draws) {
        let meter = &mut self.meters[chosen];
        let spec = &self.streams[meter.stream].spec;
        let service = spec.service;
        // The wet mill gives the tags of a new unit a new name, every other time.
        if spec.source == 0 && draws.chance(0.5) {
            meter.renamed = Some(day);
        }
        meter.units.push((day, Instrument::draw(draws, meter.size_mm, service)));
        meter.units.sort_by(|a, b| a.0.total_cmp(&b.0));
        // A new unit brings no old fault along.
        for fault in &mut meter.faults {
            if fault.onset_day < day && fault.ends_day.is_none_or(|end| end > day) {
                fault.ends_day = Some(day);
            }
        }
    }

    fn draw_look_alike(&self, kind: usize, chosen: usize, draws: &mut Draws) -> Confounder {
        let horizon = f64::from(self.plan.horizon_days);
        let meter = &self.meters[chosen];
        let from_day = (horizon * draws.range(0.12, 0.92)).floor() + 0.4;
        let any_slot = meter.tags[draws.pick(meter.tags.len())].slot;
        match kind {
            0 => Confounder::Thinning { from_day: from_day.floor(), factor: draws.range(2.5, 6.0) },
            1 => Confounder::Respanned {
                from_day,
                span_kg_h: two_digits(meter.usual_kg_h * draws.range(1.02, 1.3)),
            },
            2 => Confounder::Damping {
                from_day: from_day.floor(),
                factor: draws.range(0.25, 0.6),
                recorded: draws.chance(0.7),
            },
            3 => Confounder::CutOff { from_day: from_day.floor(), recorded: draws.chance(0.6) },
            4 => Confounder::StartupGas { from_day },
            5 => Confounder::Swapped { day: from_day.floor() },
            6 => Confounder::Recalibrated {
                day: from_day.floor(),
                density: 3.0 * draws.normal(),
                flow_factor: 1.0 + 0.002 * draws.normal(),
                recorded: draws.chance(0.8),
            },
            7 => {
                let from_day = self.first_of_month(horizon * draws.range(0.2, 0.85));
                Confounder::UnitSlip {
                    slot: DENSITY,
                    from_day,
                    until_day: from_day + 21.0,
                    factor: 0.001,
                }
            }
            8 => Confounder::Gap {
                slot: draws.chance(0.4).then_some(any_slot),
                from_day,
                until_day: from_day + draws.log_range(0.2, 12.0),
            },
            9 => Confounder::Stuck {
                slot: any_slot,
                from_day,
                until_day: from_day + draws.log_range(0.5, 25.0),
            },
            10 => Confounder::Thermometer {
                from_day,
                kelvin_per_100_d: draws.sign() * draws.range(0.5, 3.0),
            },
            11 => Confounder::ValveLeak { from_day, share: draws.log_range(0.0008, 0.006) },
            12 => Confounder::CableNoise { from_day, noise: draws.range(0.05, 0.3) },
            _ => Confounder::WetResidue { share: draws.log_range(0.002, 0.04) },
        }
    }

    /// The first day of the first month that begins at or after a day.
    fn first_of_month(&self, day: f64) -> f64 {
        let mut at = day.ceil() as i32;
        while self.plan.start.plus(at).civil().day() != 1 {
            at += 1;
        }
        f64::from(at)
    }

    fn draw_cleanings(&mut self) {
        let until = self.total_days() + 60.0;
        for meter in &mut self.meters {
            let service = self.streams[meter.stream].spec.service;
            let mut draws =
                Draws::new(self.plan.seed, meter.index as u64, Purpose::Fault, u64::MAX);
            let saw = meter.faults.iter().any(|f| f.variant == "coating_saw");
            let often = matches!(service, "syrup" | "liquor" | "oil") && draws.chance(0.15);
            if !saw && !often {
                continue;
            }
            let mut day = draws.range(20.0, 90.0);
            while day < until {
                meter.cleanings.push(day.floor() + 0.45);
                day += draws.range(35.0, 110.0);
            }
            for fault in meter.faults.iter_mut().filter(|f| f.mode == Hypothesis::Coating) {
                fault.cleanings.clone_from(&meter.cleanings);
            }
        }
    }

    fn draw_openings(&mut self) {
        let horizon = f64::from(self.plan.horizon_days);
        for index in 0..self.meters.len() {
            let mut draws = Draws::new(self.plan.seed, index as u64, Purpose::Finding, 0);
            let ended = self.meters[index]
                .faults
                .iter()
                .position(|f| f.ends_day.is_some_and(|end| end < horizon));
            if let Some(fault) = ended {
                let Some(day) = self.meters[index].faults[fault].ends_day else { continue };
                self.meters[index].openings.push(Opening {
                    day,
                    fault: Some(fault),
                    swapped: true,
                });
                if !self.meters[index].units.iter().any(|(from, _)| *from == day) {
                    self.swap(index, day, &mut draws);
                }
            } else if let Some(day) = fouled_cleaning(&self.meters[index]) {
                self.meters[index].openings.push(Opening { day, fault: Some(0), swapped: false });
            } else if self.meters[index].faults.is_empty() && draws.chance(0.12) {
                let day = (horizon * draws.range(0.15, 0.8)).floor() + 0.4;
                self.meters[index].openings.push(Opening { day, fault: None, swapped: false });
            }
        }
    }

    /// Zeros taken on a schedule; adjusted when the as-found reading is large. A meter whose
    /// fault is the zero itself keeps it: the truth then stays what the fault says.
    fn draw_adjustments(&mut self) {
        let until = self.total_days();
        for index in 0..self.meters.len() {
            let meter = &self.meters[index];
            let faulty = meter.faults.iter().any(|f| f.mode == Hypothesis::ZeroDrift);
            let Some(every) = meter.zero_every_days else { continue };
            if faulty || meter.custody {
                continue;
            }
            for day in zero_days(&self.plan, meter, every, until) {
                let found = self.zero_at(&self.meters[index], day);
                if found.abs() > 1.5 {
                    self.meters[index].adjustments.push((day, -found));
                }
            }
        }
    }
}

/// The second cleaning after a coating began: somebody looked into the tube and wrote it down.
fn fouled_cleaning(meter: &MeterSim) -> Option<f64> {
    let fault = meter.faults.first().filter(|f| f.mode == Hypothesis::Coating)?;
    meter.cleanings.iter().copied().filter(|&c| c > fault.onset_day + 20.0).nth(1)
}

/// Days on which a meter's zero is read, sorted.
pub(crate) fn zero_days(plan: &Plan, meter: &MeterSim, every: f64, until: f64) -> Vec<f64> {
    let mut draws = Draws::new(plan.seed, meter.index as u64, Purpose::Zeros, 0);
    let mut days = Vec::new();
    let mut day = draws.range(3.0, every);
    while day < until {
        days.push(day.floor() + 0.42);
        day += every * draws.range(0.8, 1.2);
    }
    days
}

fn weighted(weights: &[f64], draws: &mut Draws) -> Option<usize> {
    let total: f64 = weights.iter().sum();
    if total <= 0.0 {
        return None;
    }
    let mut left = total * draws.uniform();
    for (i, &weight) in weights.iter().enumerate() {
        left -= weight;
        if left < 0.0 && weight > 0.0 {
            return Some(i);
        }
    }
    weights.iter().rposition(|&w| w > 0.0)
}

fn two_digits(value: f64) -> f64 {
    let unit = 10f64.powf(value.abs().max(1e-9).log10().floor() - 1.0);
    // Powers of ten below one are not exact: print and read once, so that text and number agree.
    let rounded = (value / unit).round() * unit;
    format!("{rounded:.9}").parse().unwrap_or(rounded)
}

fn check_interval(custody: bool, draws: &mut Draws) -> Option<f64> {
    if custody {
        return Some(30.0);
    }
    [None, Some(30.0), Some(30.0), Some(91.0), Some(91.0), Some(91.0), Some(182.0), Some(30.0)]
        [draws.pick(8)]
}

fn uses(service: &str, draws: &mut Draws) -> &'static str {
    match service {
        "slurry" | "liquor" if draws.chance(0.4) => "density",
        "syrup" if draws.chance(0.3) => "density",
        "water" | "condensate" if draws.chance(0.5) => "volume",
        _ => "mass",
    }
}

/// Dead band of a tag in its storage unit: wide enough for noise and process to pass it some
/// dozens of times a day.
fn dead_band(
    meter: &MeterSim,
    spec: &crate::stream::StreamSpec,
    slot: usize,
    draws: &mut Draws,
) -> f64 {
    let unit = &meter.units[0].1;
    let (s, t) = (spec.strength, spec.temperature_degc);
    let rho = spec.fluid.density_kg_m3(s, t);
    let process = (spec.fluid.density_kg_m3(s + spec.strength_sd, t) - rho).abs()
        + (spec.fluid.density_kg_m3(s, t + 0.7) - rho).abs();
    let density =
        (unit.density_noise * draws.range(2.0, 4.0)).max(process * draws.range(0.25, 0.5));
    match slot {
        FLOW => meter.usual_kg_h * draws.range(0.02, 0.06),
        VOLUME => meter.usual_kg_h / rho * draws.range(0.02, 0.06),
        DENSITY => density,
        DRIVE => unit.drive_pct * (unit.drive_noise * draws.range(2.0, 3.5)).max(0.015),
        TEMPERATURE => draws.range(0.25, 0.6),
        PICKOFF_IN | PICKOFF_OUT => unit.pickoff_in_mv * draws.range(0.0018, 0.004),
        FREQUENCY => (0.5 * unit.water_hz * density / (unit.r0 + rho)).max(0.002),
        _ => spec.pressure_kpa * draws.range(0.03, 0.06),
    }
}

/// The service with the most meters on the usual site.
const LARGEST_SERVICE: &str = "slurry";

fn draw_streams(plan: &Plan) -> Vec<Stream> {
    let wanted = if plan.meters <= 8 * CATALOGUE.len() {
        (plan.meters / 5).clamp(5, CATALOGUE.len())
    } else {
        plan.meters / 8
    };
    let total = plan.days.max(plan.horizon_days);
    let stops = plant_stops(plan, f64::from(total));
    (0..wanted)
        .map(|number| {
            let spec = CATALOGUE[number % CATALOGUE.len()];
            let copy = number / CATALOGUE.len();
            let name = if copy == 0 {
                spec.name.to_owned()
            } else {
                format!("{}-{}", spec.name, copy + 1)
            };
            let horizon = f64::from(plan.horizon_days);
            let mut stream =
                Stream::new(plan.seed, number, spec, name, horizon, total as usize, &stops);
            let concerned = match plan.variation.common_cause {
                CommonCause::None => false,
                CommonCause::OneService => spec.service == LARGEST_SERVICE,
                CommonCause::AllStreams => true,
            };
            if concerned {
                stream.events.push(crate::stream::StreamEvent::Heater {
                    from_day: horizon * 0.6,
                    kelvin: -6.0,
                });
            }
            stream
        })
        .collect()
}

/// Midwinter closure of five days and a summer shutdown of ten, every year.
fn plant_stops(plan: &Plan, total_days: f64) -> Vec<Stop> {
    let mut stops = Vec::new();
    for day in 0..(total_days as i32 + 60) {
        let date = plan.start.plus(day).civil();
        let length = match (date.month(), date.day()) {
            (12, 24) => 4.4,
            (8, 4) => 10.3,
            _ => continue,
        };
        let from_day = f64::from(day) + 0.25;
        let drained = date.month() == 8;
        stops.push(Stop { from_day, until_day: from_day + length, drained });
    }
    stops
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_default_fleet_has_every_mode_and_one_faulty_meter_in_seven_or_so() {
        let site = Site::new(&Plan::default());
        assert_eq!(site.meters.len(), 160);
        assert!(site.streams.len() >= 22);
        let faulty = site.meters.iter().filter(|m| !m.faults.is_empty()).count();
        assert!((16..=26).contains(&faulty), "{faulty} of 160: outside 10..16 %");
        for mode in [
            Hypothesis::Coating,
            Hypothesis::Erosion,
            Hypothesis::TwoPhase,
            Hypothesis::ZeroDrift,
            Hypothesis::Electrical,
            Hypothesis::Damage,
        ] {
            let n = site.meters.iter().flat_map(|m| &m.faults).filter(|f| f.mode == mode).count();
            assert!(n >= 1, "{mode:?}");
        }
    }

    #[test]
    fn meter_names_are_distinct_even_in_a_large_fleet() {
        let plan =
            Plan { meters: 700, days: 3, horizon_days: 30, daily_from: 1, ..Plan::default() };
        let site = Site::new(&plan);
        let mut names: Vec<_> = site.meters.iter().map(|m| &m.name).collect();
        names.sort();
        names.dedup();
        assert_eq!(names.len(), 700);
    }

    #[test]
    fn a_longer_plan_of_the_same_seed_is_the_same_site() {
        let short = Plan { meters: 40, days: 60, horizon_days: 90, ..Plan::default() };
        let long = Plan { days: 61, ..short.clone() };
        let (a, b) = (Site::new(&short), Site::new(&long));
        for (x, y) in a.meters.iter().zip(&b.meters) {
            assert_eq!(x.faults, y.faults);
            assert_eq!(x.tags, y.tags);
            assert_eq!(x.confounders, y.confounders);
            assert_eq!(x.adjusted(60.0), y.adjusted(60.0));
        }
    }
}
