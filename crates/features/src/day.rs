//! One meter and UTC day from end to end.
//!
//! Order:  recorder habits of every signal; flow states by the minute; the day's quiet levels
//!         and provisional noise from all flowing updates; gas; steady time; then every group.
//!         Each step needs only what came before it.

use crate::burst::{self, Updates};
use crate::cells::{CELLS, Cells, FLOWING, LOW, Minutes, Within};
use crate::fluids::{self, STANDARD_PRESSURE_KPA};
use crate::gas::{Gas, Quiet};
use crate::habits::{HabitScratch, STUCK_MIN_SAMPLES};
use crate::hours::{self, HourRow, MinuteState};
use crate::input::{MeterDay, SignalDay};
use crate::noise::{self, NoiseScratch};
use crate::operation::{self, Edges};
use crate::row::{FeatureRow, WhyNull};
use crate::samples::{Samples, own_part};
use crate::settings::Settings;
use crate::table::{Group, Habit, RECORDER_SIGNALS, habit_index};
use crate::weighted::{self, Held};
use crate::{density, drive, known_fluid, partner, record_counts, resonator, zero};
use metersift_model::Signal;
use std::cell::RefCell;

/// Updates that show that a sibling signal moved.
const MOVING_UPDATES: f64 = 10.0;

/// Working memory of one thread: grows to the largest day and is used again.
#[derive(Clone, Debug, Default)]
pub struct Scratch {
    signals: Signals,
    partner: Samples,
    habits: HabitScratch,
    cells: Cells,
    flow_minutes: Minutes,
    density_minutes: Minutes,
    temperature_minutes: Minutes,
    drive_minutes: Minutes,
    other_minutes: Minutes,
    updates: Updates,
    drive_updates: Updates,
    gas: Gas,
    noise: NoiseScratch,
    pairs: Vec<Held>,
}

/// Samples per signal.
#[derive(Clone, Debug, Default)]
struct Signals {
    mass_flow: Samples,
    volume_flow: Samples,
    density: Samples,
    temperature: Samples,
    pressure: Samples,
    drive_gain: Samples,
    pickoff_inlet: Samples,
    pickoff_outlet: Samples,
    tube_frequency: Samples,
    /// Mass flow made of volume flow and density, where mass flow is not kept.
    made_flow: Samples,
}

impl Signals {
    /// In the order of the recorder columns.
    fn in_column_order(&self) -> [&Samples; 9] {
        [
            &self.mass_flow,
            &self.density,
            &self.temperature,
            &self.drive_gain,
            &self.pickoff_inlet,
            &self.pickoff_outlet,
            &self.tube_frequency,
            &self.pressure,
            &self.volume_flow,
        ]
    }

    fn in_column_order_mut(&mut self) -> [&mut Samples; 9] {
        [
            &mut self.mass_flow,
            &mut self.density,
            &mut self.temperature,
            &mut self.drive_gain,
            &mut self.pickoff_inlet,
            &mut self.pickoff_outlet,
            &mut self.tube_frequency,
            &mut self.pressure,
            &mut self.volume_flow,
        ]
    }

    fn fill(&mut self, input: &MeterDay<'_>, settings: &Settings, habits: &mut HabitScratch) {
        for (samples, name) in self.in_column_order_mut().into_iter().zip(RECORDER_SIGNALS) {
            let Some(signal) = Signal::parse(name) else { continue };
            let none = SignalDay::default();
            let both = [&input.before, &input.signals].map(|all| all.get(&signal).unwrap_or(&none));
            samples.fill(both.into(), input.day, signal.physical_span(), settings, habits);
        }
    }

    /// Mass flow as kept, else volume flow times the day's median density.
    fn make_flow(&mut self, pairs: &mut Vec<Held>) {
        if !self.mass_flow.is_empty() || self.volume_flow.is_empty() {
            return;
        }
        self.density.gather(pairs, own_part);
        if let Some(level) = weighted::median(pairs) {
            self.made_flow.clone_from(&self.volume_flow);
            self.made_flow.v.iter_mut().for_each(|v| *v *= level);
        }
    }
}

/// Features of one meter and day.
///
/// Samples of other days are ignored, but for the last two hours of the day before. See
/// [`crate::features`] for what the values are; whatever cannot be known is NaN with a reason.
pub fn meter_day(input: &MeterDay<'_>, settings: &Settings) -> FeatureRow {
    meter_day_and_hours(input, settings).0
}

/// [`meter_day`] with the hours of the day.
pub fn meter_day_and_hours(
    input: &MeterDay<'_>,
    settings: &Settings,
) -> (FeatureRow, Vec<HourRow>) {
    thread_local! {
        static SCRATCH: RefCell<Scratch> = RefCell::new(Scratch::default());
    }
    let both = |scratch: &mut Scratch| {
        let row = meter_day_with(input, settings, scratch);
        let hours = scratch.hours(input);
        (row, hours)
    };
    SCRATCH.with(|scratch| match scratch.try_borrow_mut() {
        Ok(mut scratch) => both(&mut scratch),
        Err(_) => both(&mut Scratch::default()),
    })
}

/// The minutes of a day as the features saw them: for pictures, and for whoever doubts a definition.
pub fn minute_states(input: &MeterDay<'_>, settings: &Settings) -> Vec<MinuteState> {
    let mut scratch = Scratch::default();
    meter_day_with(input, settings, &mut scratch);
    hours::minutes(&scratch.cells)
}

/// [`meter_day`] with the caller's working memory; what it held before does not show.
pub fn meter_day_with(
    input: &MeterDay<'_>,
    settings: &Settings,
    scratch: &mut Scratch,
) -> FeatureRow {
    let Scratch { signals, partner, habits, cells, pairs, .. } = scratch;
    let mut row = FeatureRow::unknown(&input.meter.meter, input.day);
    signals.fill(input, settings, habits);
    write_habits(signals, &mut row);
    signals.make_flow(pairs);
    let (before, flow) = input.partner_flow.unwrap_or_default();
    let span = Signal::MassFlow.physical_span();
    partner.fill((&before, &flow), input.day, span, settings, habits);
    cells.clear();
    states_and_groups(input, settings, scratch, &mut row);
    record_counts::write(input, &mut row);
    row
}

impl Scratch {
    /// The hours of the day that was computed last.
    fn hours(&self, input: &MeterDay<'_>) -> Vec<HourRow> {
        let zero_known = !self.signals.mass_flow.is_empty()
            && !self.signals.density.is_empty()
            && input.meter.zero_stability_kg_h > 0.0;
        hours::of_day(input, &self.cells, &self.gas, zero_known)
    }
}

fn states_and_groups(
    input: &MeterDay<'_>,
    settings: &Settings,
    scratch: &mut Scratch,
    row: &mut FeatureRow,
) {
    let Scratch { signals, partner, cells, updates, drive_updates, gas, noise, pairs, .. } =
        scratch;
    let signals = &*signals;
    let measured = !signals.mass_flow.is_empty();
    let made = signals.mass_flow.is_empty()
        && !signals.volume_flow.is_empty()
        && !signals.density.is_empty();
    let flow = if made { &signals.made_flow } else { &signals.mass_flow };
    let (density, drive) = (&signals.density, &signals.drive_gain);
    let pickoffs = (&signals.pickoff_inlet, &signals.pickoff_outlet);
    let reference_fluid = input.meter.reference_fluid.as_deref();
    let edges = Edges::of(input.meter, settings);

    scratch.flow_minutes.fill(flow);
    scratch.density_minutes.fill(density);
    scratch.temperature_minutes.fill(&signals.temperature);
    scratch.drive_minutes.fill(drive);
    operation::mark_flow(flow, edges, cells);

    let flowing = cells.spans(FLOWING);
    let flowing = || Within::new(cells, FLOWING, &flowing);
    updates.fill(density, flowing(), &mut noise.spacings);
    let windows = burst::windows_of(updates, settings);
    let resolution = density.habits.resolution;
    let provisional = noise::step_noise(updates, cells.flowing(), resolution, noise);
    let quiet = quiet_levels(signals, reference_fluid, cells, pairs, provisional.map(|n| n.sigma));
    drive_updates.fill(drive, flowing(), &mut noise.spacings);
    let drive_seen = (drive, &*drive_updates);
    gas.find((density, updates, &windows), drive_seen, quiet, settings, cells);
    mark_low(&scratch.density_minutes, quiet.level, cells);
    operation::mark_steady(flow, &scratch.flow_minutes, settings, cells);

    operation::write(flow, edges, cells, pairs, row);
    drive::write(drive, pickoffs, cells, settings, pairs, row);
    drive::write_pickoffs(pickoffs, cells, settings, pairs, row);
    let fluid = (density, &signals.temperature, &signals.pressure);
    density::write(fluid, reference_fluid, cells, settings, pairs, row);
    noise::write(density, updates, cells, settings, noise, row);
    burst::write(&windows, density, cells, row);
    gas.write(density, drive, quiet, cells, pairs, row);
    resonator::write(
        (&signals.tube_frequency, &signals.temperature),
        (&scratch.density_minutes, &mut scratch.other_minutes),
        cells,
        settings,
        pairs,
        row,
    );
    if measured {
        let views = zero::Views {
            density: &scratch.density_minutes,
            temperature: &scratch.temperature_minutes,
            drive: &scratch.drive_minutes,
        };
        zero::write(input, (flow, density), views, (edges, settings), cells, pairs, row);
    } else {
        // A volume flow of zero says nothing about the zero of the mass flow.
        row.why(Group::Zero, WhyNull::absent(&signals.mass_flow));
    }
    scratch.other_minutes.fill(&signals.pressure);
    let fluid = (&scratch.density_minutes, &scratch.temperature_minutes, &scratch.other_minutes);
    known_fluid::write(fluid, reference_fluid, quiet.level, cells, settings, row);
    partner::write(partner, (&scratch.flow_minutes, &mut scratch.other_minutes), cells, row);
}

/// Levels of the flowing day, before anything is known about gas.
fn quiet_levels(
    signals: &Signals,
    reference_fluid: Option<&str>,
    cells: &Cells,
    pairs: &mut Vec<Held>,
    sigma: Option<f64>,
) -> Quiet {
    let mut flowing = |samples: &Samples, p: f64| {
        let mut flowing = cells.flowing();
        samples.gather(pairs, |t_us, hold| flowing.time(t_us, hold));
        weighted::quantile(pairs, p)
    };
    let warm = flowing(&signals.temperature, 0.5);
    let pressure = flowing(&signals.pressure, 0.5).unwrap_or(STANDARD_PRESSURE_KPA);
    let drive_low = flowing(&signals.drive_gain, 0.2);
    let mut along = cells.flowing();
    signals.density.gather(pairs, |t_us, hold| along.time(t_us, hold));
    let held = weighted::median_and_spread(pairs);
    Quiet {
        level: held.map(|(level, _)| level),
        sigma: sigma.unwrap_or(0.0).min(held.map_or(0.0, |(_, spread)| spread)),
        reference: reference_fluid
            .zip(warm)
            .and_then(|(fluid, warm)| fluids::reference_density(fluid, warm, pressure)),
        drive_low,
    }
}

fn mark_low(density: &Minutes, level: Option<f64>, cells: &mut Cells) {
    let Some(level) = level else { return };
    for cell in 0..CELLS {
        // False for the NaN of an empty minute.
        if density.low[cell] < level / 2.0 {
            cells.set(cell, LOW);
        }
    }
}

fn write_habits(signals: &Signals, row: &mut FeatureRow) {
    let all = signals.in_column_order();
    for (at, samples) in all.into_iter().enumerate() {
        let habits = &samples.habits;
        let is_flow = ["mass_flow", "volume_flow"].contains(&RECORDER_SIGNALS[at]);
        let sibling_moves = all
            .into_iter()
            .enumerate()
            .any(|(other, sibling)| other != at && sibling.habits.updates >= MOVING_UPDATES);
        let mut set = |habit, value| row.set_at(habit_index(at, habit), value);
        set(Habit::Updates, habits.updates);
        set(Habit::CoveredShare, habits.covered_share);
        set(Habit::BadShare, habits.bad_share);
        set(Habit::LongestGap, habits.longest_gap_s);
        set(Habit::RepeatShare, habits.repeat_share);
        set(Habit::LineShare, habits.line_share);
        set(Habit::Stuck, stuck(samples, is_flow, sibling_moves));
        set(Habit::Spacing, habits.spacing_s);
        set(Habit::Resolution, habits.resolution);
        set(Habit::FloorShare, habits.floor_share);
        set(Habit::CeilingShare, habits.ceiling_share);
    }
}

/// 1 when a signal never changed while another one moved; NaN where that cannot be said.
fn stuck(samples: &Samples, is_flow: bool, sibling_moves: bool) -> f64 {
    if samples.n_own() < STUCK_MIN_SAMPLES {
        return f64::NAN;
    }
    let constant = samples.habits.lowest == samples.habits.highest;
    // A flow of exactly zero is a cut-off at standstill.
    if !constant || (is_flow && samples.habits.lowest == 0.0) {
        return 0.0;
    }
    if sibling_moves { 1.0 } else { f64::NAN }
}
