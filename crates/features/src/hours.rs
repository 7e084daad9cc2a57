//! The day by the hour: for how long the meter flowed, single-phase and steady, stood full and
//! quiet, or carried gas, and how heavily.
//!
//! Why:    plans need the hour: when a check would not be spoilt by gas, when a zero can be read.
//! In:     the minutes of the day and of the two hours before it, with their states; the gas
//!         episodes.
//! Out:    24 rows per meter and day, UTC. Minutes are NaN and the class is missing where they
//!         cannot be known: under 30 known minutes of flow; for gas and single-phase time also
//!         where gas was looked for in less than half of the flowing minutes; for full and quiet
//!         time without mass flow, density or zero stability.
//! Class:  by the share g of flowing minutes touched by gas episodes, start-up gas included.
//!         *trace* from g = 2 %, *sustained* from 25 %, *heavy* from 60 %, else *none*. An hour
//!         after one of a higher class keeps that class while g stays at 1, 15 or 45 % or more
//!         (hysteresis; it looks back two hours over midnight, no further). Sustained needs an
//!         episode of 10 minutes in all that reaches into the hour, heavy one of 30: short gas
//!         that fills a few flowing minutes is no more than trace, or sustained.
//! Source: own rule (judgement).

use crate::cells::{
    CELL_US, CELLS, Cells, FLOWING, GAS, JUDGED, KNOWN, LOW, QUIET, SHUT, STEADY, WARM,
};
use crate::gas::Gas;
use crate::input::MeterDay;
use metersift_model::{Column, ColumnData, Table, TimeUs};

/// Minutes of an hour.
const HOUR: usize = 60;
/// Hours of the warm-up.
const WARM_HOURS: usize = WARM / HOUR;
/// Known minutes that an hour needs.
const KNOWN_MIN: usize = 30;
/// Shares of flowing time at which an hour enters and leaves trace, sustained and heavy.
const ENTER: [f64; 3] = [0.02, 0.25, 0.60];
const LEAVE: [f64; 3] = [0.01, 0.15, 0.45];
/// Minutes that an episode must last for those classes.
const LAST_MIN: [i64; 3] = [0, 10, 30];

/// How heavily an hour was exposed to gas.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Exposure {
    /// None that was seen.
    None,
    /// A little.
    Trace,
    /// For a good part of the flowing time.
    Sustained,
    /// For most of it.
    Heavy,
}

impl Exposure {
    const ALL: [Exposure; 4] =
        [Exposure::None, Exposure::Trace, Exposure::Sustained, Exposure::Heavy];

    /// The name in the table.
    pub fn name(self) -> &'static str {
        match self {
            Exposure::None => "none",
            Exposure::Trace => "trace",
            Exposure::Sustained => "sustained",
            Exposure::Heavy => "heavy",
        }
    }
}

/// One meter and hour; NaN = not known.
#[derive(Clone, Debug, PartialEq)]
pub struct HourRow {
    /// Meter.
    pub meter: String,
    /// Start of the hour, UTC.
    pub hour: TimeUs,
    /// Flowing minutes.
    pub flowing_min: f64,
    /// Single-phase and steady minutes.
    pub steady_min: f64,
    /// Flowing minutes without gas, density over half of the day's level.
    pub single_phase_min: f64,
    /// Minutes shut in, full and quiet: fit for a zero.
    pub shut_in_quiet_min: f64,
    /// Flowing minutes touched by gas, start-up gas included.
    pub gas_min: f64,
    /// How heavy that is.
    pub exposure: Option<Exposure>,
}

/// What one minute of a day was.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MinuteState {
    /// The flow is known for most of it.
    pub known: bool,
    /// Flowing.
    pub flowing: bool,
    /// Flowing, looked at for gas, without any.
    pub single_phase: bool,
    /// Single-phase and steady.
    pub steady: bool,
    /// Touched by a gas episode.
    pub gas: bool,
    /// Hardly any flow.
    pub shut_in: bool,
    /// Shut in, full and quiet.
    pub shut_in_quiet: bool,
}

/// The 1440 minutes of a day.
pub(crate) fn minutes(cells: &Cells) -> Vec<MinuteState> {
    let state = |cell: usize| MinuteState {
        known: cells.has(cell, KNOWN),
        flowing: cells.has(cell, FLOWING),
        single_phase: cells.has(cell, FLOWING | JUDGED) && !cells.has_any(cell, GAS | LOW),
        steady: cells.has(cell, STEADY),
        gas: cells.has(cell, GAS),
        shut_in: cells.has(cell, SHUT),
        shut_in_quiet: cells.has(cell, QUIET),
    };
    (WARM..CELLS).map(state).collect()
}

/// Minutes of one hour by state.
#[derive(Clone, Copy, Debug, Default)]
struct Counts {
    known: usize,
    flowing: usize,
    judged: usize,
    gas: usize,
    single_phase: usize,
    steady: usize,
    quiet: usize,
}

impl Counts {
    fn of(cells: &Cells, first: usize) -> Counts {
        let mut counts = Counts::default();
        for cell in first..first + HOUR {
            let flows = cells.has(cell, FLOWING);
            counts.known += usize::from(cells.has(cell, KNOWN));
            counts.flowing += usize::from(flows);
            counts.judged += usize::from(flows && cells.has(cell, JUDGED));
            counts.gas += usize::from(flows && cells.has(cell, GAS));
            let clean = cells.has(cell, JUDGED) && !cells.has_any(cell, GAS | LOW);
            counts.single_phase += usize::from(flows && clean);
            counts.steady += usize::from(cells.has(cell, STEADY));
            counts.quiet += usize::from(cells.has(cell, QUIET));
        }
        counts
    }

    /// Share of flowing time with gas: 0 at standstill, `None` where it cannot be known.
    fn gas_share(&self) -> Option<f64> {
        if self.known < KNOWN_MIN || 2 * self.judged < self.flowing {
            return None;
        }
        Some(if self.flowing == 0 { 0.0 } else { self.gas as f64 / self.flowing as f64 })
    }
}

/// The 24 hours of a day.
pub(crate) fn of_day(
    input: &MeterDay<'_>,
    cells: &Cells,
    gas: &Gas,
    zero_known: bool,
) -> Vec<HourRow> {
    let mut last = None;
    let mut rows = Vec::with_capacity(24);
    for at in 0..WARM_HOURS + 24 {
        let counts = Counts::of(cells, at * HOUR);
        last = counts.gas_share().map(|share| classify(share, last, longest_min(gas, at)));
        if at >= WARM_HOURS {
            rows.push(row(input, at - WARM_HOURS, counts, last, zero_known));
        }
    }
    rows
}

/// Length, min, of the longest episode that reaches into an hour.
fn longest_min(gas: &Gas, at: usize) -> i64 {
    let (start, end) = ((at * HOUR) as i64 * CELL_US, ((at + 1) * HOUR) as i64 * CELL_US);
    let inside = gas.episodes().filter(|&(from, until)| from < end && until > start);
    inside.map(|(from, until)| (until - from) / CELL_US).max().unwrap_or(0)
}

fn classify(share: f64, last: Option<Exposure>, longest_min: i64) -> Exposure {
    let mut level = ENTER.iter().filter(|&&edge| share >= edge).count();
    let before = last.map_or(0, |last| last as usize);
    while level < before && share >= LEAVE[level] {
        level += 1;
    }
    while level > 0 && longest_min < LAST_MIN[level - 1] {
        level -= 1;
    }
    Exposure::ALL[level]
}

fn row(
    input: &MeterDay<'_>,
    hour: usize,
    counts: Counts,
    exposure: Option<Exposure>,
    zero_known: bool,
) -> HourRow {
    let known = counts.known >= KNOWN_MIN;
    let minutes = |n: usize, known: bool| if known { n as f64 } else { f64::NAN };
    HourRow {
        meter: input.meter.meter.clone(),
        hour: TimeUs(input.day.start().0 + hour as i64 * HOUR as i64 * CELL_US),
        flowing_min: minutes(counts.flowing, known),
        steady_min: minutes(counts.steady, known),
        single_phase_min: minutes(counts.single_phase, exposure.is_some()),
        shut_in_quiet_min: minutes(counts.quiet, known && zero_known),
        gas_min: minutes(counts.gas, exposure.is_some()),
        exposure,
    }
}

/// A column of minutes: its name, and where its value stands in a row.
type MinuteColumn = (&'static str, fn(&HourRow) -> f64);

/// Hours as a table: `meter`, `hour`, minutes by state, `exposure`; row order is kept.
pub fn hours_to_table(rows: &[HourRow]) -> Table {
    let mut table = Table::default();
    let meters = rows.iter().map(|row| Some(row.meter.clone())).collect();
    table.push("meter", "", ColumnData::Text(meters));
    table.push("hour", "", ColumnData::Time(rows.iter().map(|row| Some(row.hour)).collect()));
    let columns: [MinuteColumn; 5] = [
        ("flowing_min", |row| row.flowing_min),
        ("steady_min", |row| row.steady_min),
        ("single_phase_min", |row| row.single_phase_min),
        ("shut_in_quiet_min", |row| row.shut_in_quiet_min),
        ("gas_min", |row| row.gas_min),
    ];
    for (name, value) in columns {
        let data = ColumnData::Number(rows.iter().map(value).collect());
        table.columns.push(Column { name: name.into(), unit: "min".into(), data });
    }
    let exposure = |row: &HourRow| row.exposure.map(|class| class.name().into());
    table.push("exposure", "", ColumnData::Text(rows.iter().map(exposure).collect()));
    table
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_class_is_entered_high_left_low_and_needs_its_length() {
        use Exposure::{Heavy, None as Clean, Sustained, Trace};
        for (share, last, longest, want) in [
            (0.0, Some(Heavy), 60, Clean),
            (0.02, None, 1, Trace),
            (0.015, None, 1, Clean),
            (0.015, Some(Trace), 1, Trace),
            (0.20, None, 12, Trace),
            (0.20, Some(Sustained), 12, Sustained),
            (0.50, Some(Heavy), 40, Heavy),
            (0.50, Some(Sustained), 40, Sustained),
            (0.44, Some(Heavy), 40, Sustained),
            (0.90, None, 29, Sustained),
            (0.90, None, 9, Trace),
            (0.90, None, 30, Heavy),
        ] {
            assert_eq!(classify(share, last, longest), want, "{share} {last:?} {longest}");
        }
    }
}
