//! What goes in: one signal of one day in time order, and everything about one meter and day.

use metersift_model::records::{Alert, Change, Check, Meter, ZeroRecord};
use metersift_model::{Day, Signal};
use std::collections::BTreeMap;
use thiserror::Error;

/// What this room refuses to work with.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum FeaturesError {
    /// Columns of one signal differ in length.
    #[error(
        "columns of one signal differ in length: {times} times, {values} values, {qualities} qualities"
    )]
    Lengths {
        /// Times.
        times: usize,
        /// Values.
        values: usize,
        /// Quality bytes.
        qualities: usize,
    },
    /// A time is not later than the one before it.
    #[error(
        "sample {index} is not later than the one before it ({before_us} us, then {time_us} us)"
    )]
    OutOfOrder {
        /// Index of the later sample, from 0.
        index: usize,
        /// Time of the sample before it, microseconds UTC.
        before_us: i64,
        /// Its own time.
        time_us: i64,
    },
    /// A setting lies outside its span.
    #[error("`{name}` is {value}, expected {low} to {high}")]
    Setting {
        /// Key in the site file.
        name: &'static str,
        /// What was read.
        value: f64,
        /// Smallest value accepted.
        low: f64,
        /// Largest value accepted.
        high: f64,
    },
}

/// The samples of one signal, strictly in time order: the type is the proof.
#[derive(Clone, Copy, Debug, Default)]
pub struct SignalDay<'a> {
    time_us: &'a [i64],
    value: &'a [f64],
    quality: &'a [u8],
}

impl<'a> SignalDay<'a> {
    /// Takes three columns: microseconds UTC, value in the storage unit (NaN = no value), OPC
    /// Classic quality byte. Samples of other days are ignored later on.
    ///
    /// # Errors
    /// When lengths differ, or a time is not later than the one before it: a store hands out
    /// sorted runs with unique times, anything else is a fault upstream.
    pub fn new(
        time_us: &'a [i64],
        value: &'a [f64],
        quality: &'a [u8],
    ) -> Result<SignalDay<'a>, FeaturesError> {
        if time_us.len() != value.len() || time_us.len() != quality.len() {
            return Err(FeaturesError::Lengths {
                times: time_us.len(),
                values: value.len(),
                qualities: quality.len(),
            });
        }
        if let Some(at) = time_us.windows(2).position(|pair| pair[1] <= pair[0]) {
            return Err(FeaturesError::OutOfOrder {
                index: at + 1,
                before_us: time_us[at],
                time_us: time_us[at + 1],
            });
        }
        Ok(SignalDay { time_us, value, quality })
    }

    /// Times, microseconds UTC.
    pub fn time_us(&self) -> &'a [i64] {
        self.time_us
    }

    /// Values, in the storage unit.
    pub fn value(&self) -> &'a [f64] {
        self.value
    }

    /// OPC Classic quality bytes.
    pub fn quality(&self) -> &'a [u8] {
        self.quality
    }

    /// Number of samples.
    pub fn len(&self) -> usize {
        self.time_us.len()
    }

    /// Whether there is no sample.
    pub fn is_empty(&self) -> bool {
        self.time_us.is_empty()
    }

    /// The samples of one UTC day.
    pub fn of_day(&self, day: Day) -> SignalDay<'a> {
        self.between(day.start().0, day.end().0)
    }

    /// The samples of the last `span_us` before a day.
    pub fn tail_before(&self, day: Day, span_us: i64) -> SignalDay<'a> {
        self.between(day.start().0.saturating_sub(span_us), day.start().0)
    }

    fn between(&self, start: i64, end: i64) -> SignalDay<'a> {
        let from = self.time_us.partition_point(|&time| time < start);
        let until = self.time_us.partition_point(|&time| time < end);
        SignalDay {
            time_us: &self.time_us[from..until],
            value: &self.value[from..until],
            quality: &self.quality[from..until],
        }
    }
}

/// Everything about one meter on one UTC day.
#[derive(Clone, Debug)]
pub struct MeterDay<'a> {
    /// The meter's line in the register.
    pub meter: &'a Meter,
    /// The day.
    pub day: Day,
    /// Its signals.
    pub signals: BTreeMap<Signal, SignalDay<'a>>,
    /// The same of the day before: its last two hours are looked at, so that midnight is no edge.
    pub before: BTreeMap<Signal, SignalDay<'a>>,
    /// Mass flow of the meter named in `series_with`, kg/h: the day before, the day.
    pub partner_flow: Option<(SignalDay<'a>, SignalDay<'a>)>,
    /// Check rows up to the end of the day; `None` when the site keeps no checks of this meter.
    pub checks: Option<&'a [Check]>,
    /// Zero records up to the end of the day: an as-left zero restarts the zero within the day.
    pub zeros: Option<&'a [ZeroRecord]>,
    /// Alerts of the day; `None` when the site keeps no alerts of this meter.
    pub alerts: Option<&'a [Alert]>,
    /// Changes up to the end of the day; `None` when the site keeps no changes of this meter.
    pub changes: Option<&'a [Change]>,
}

impl<'a> MeterDay<'a> {
    /// A day without signals or records, to be filled.
    pub fn new(meter: &'a Meter, day: Day) -> MeterDay<'a> {
        MeterDay {
            meter,
            day,
            signals: BTreeMap::new(),
            before: BTreeMap::new(),
            partner_flow: None,
            checks: None,
            zeros: None,
            alerts: None,
            changes: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_out_of_order_or_of_unequal_length_are_refused_by_the_type() {
        assert_eq!(
            SignalDay::new(&[0, 5, 5], &[1.0; 3], &[192; 3]).err(),
            Some(FeaturesError::OutOfOrder { index: 2, before_us: 5, time_us: 5 })
        );
        assert!(matches!(
            SignalDay::new(&[0, 5], &[1.0; 3], &[192; 2]),
            Err(FeaturesError::Lengths { times: 2, values: 3, qualities: 2 })
        ));
    }

    #[test]
    fn only_the_samples_of_the_day_itself_are_taken() {
        let day = Day(1);
        let time = [day.start().0 - 1, day.start().0, day.end().0 - 1, day.end().0];
        let signal = SignalDay::new(&time, &[0.0; 4], &[192; 4]).expect("sorted");
        assert_eq!(signal.of_day(day).time_us(), &time[1..3]);
    }
}
