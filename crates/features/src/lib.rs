//! Readings of one meter and one UTC day become one row of features.
//!
//! Why:    a verdict needs numbers that mean the same thing every day, made only in the time in
//!         which they can be made (single-phase, steady flow; full and quiet shut-in), and it
//!         must know where a number is missing and why.
//! In:     [`MeterDay`]: the meter's register line, its signals of that day in storage units and
//!         time order, the flow of a partner meter, the day's records.
//! Out:    24 [`HourRow`]s and one [`FeatureRow`]: one value or nothing per entry of [`features`], counts behind the
//!         values, and per group the reason where its main value is missing.
//! Order:  recorder habits, operation states, provisional noise, gas, steady time, then
//!         everything else; see [`meter_day`].
//! Pure:   no files, no clock, no global state that shows; the same day gives the same bits at
//!         any thread count. A row depends on that day's samples, the last two hours of the day
//!         before and the records so far, so late data rewrite two days.
//!
//! Null is not zero: a value is NaN in the row where it is not known. The table of all features
//! with unit, formula, needs and source is [`features`]; documents and file metadata draw on it.

/// How much of the day before is looked at, microseconds.
pub const WARM_UP_US: i64 = cells::WARM_US;

mod burst;
mod cells;
mod day;
mod density;
mod drive;
pub mod fluids;
mod gas;
mod habits;
mod hours;
mod input;
mod known_fluid;
mod noise;
mod operation;
mod partner;
mod record_counts;
mod resonator;
mod row;
mod samples;
mod settings;
mod table;
mod told;
mod weighted;
mod zero;

pub use burst::{BurstWindow, burst_windows, bursts_of};
pub use day::{Scratch, meter_day, meter_day_and_hours, meter_day_with, minute_states};
pub use habits::{Habits, habits_of};
pub use hours::{Exposure, HourRow, MinuteState, hours_to_table};
pub use input::{FeaturesError, MeterDay, SignalDay};
pub use row::{FeatureRow, WhyNull, to_table};
pub use settings::Settings;
pub use table::{COUNTS, FeatureDef, Group, Thinned, count_index, feature_index, features};
pub use told::field_notes;
pub use weighted::{held_mean, held_quantile};
