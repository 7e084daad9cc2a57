//! Samples as a store holds them once the dumps are imported: rounded as printed, converted back,
//! stamped as the source stamps.
//!
//! Limits: what an export repeats, breaks or revises is not imitated, because an import undoes
//!         it; readings in the hour that the clocks repeat are kept, where an import may have to
//!         reject some.

use crate::day::{DayOut, Sample, State, simulate};
use crate::dump::LOCAL_SOURCE;
use crate::meter::{DENSITY, signal_of};
use crate::site::Site;
use crate::source::{SOURCES, Source};
use crate::text::rounded;
use metersift_model::unit::{Conversion, conversion};
use metersift_model::{Day, Quality, Signal};

/// One signal of one day, in time order.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredSignal {
    /// Which.
    pub signal: Signal,
    /// Microseconds UTC.
    pub time_us: Vec<i64>,
    /// Value in the storage unit; NaN = none.
    pub value: Vec<f64>,
    /// OPC Classic quality byte.
    pub quality: Vec<u8>,
}

/// All signals of one meter and day that hold samples.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredDay {
    /// By slot of the meter.
    pub signals: Vec<StoredSignal>,
}

pub(crate) fn store_day(site: &Site, meter_idx: usize, day: i64, out: &mut DayOut) -> StoredDay {
    simulate(site, meter_idx, day, out);
    let meter = &site.meters[meter_idx];
    let source_idx = site.streams[meter.stream].spec.source;
    let source = &SOURCES[source_idx];
    let date = site.plan.start.plus(day as i32);
    let signals = meter
        .tags
        .iter()
        .filter(|tag| !out.samples[tag.slot].is_empty())
        .map(|tag| {
            let lane = Lane::new(source_idx, source, tag.slot, tag.decimals, date);
            lane.stored(&out.samples[tag.slot])
        })
        .collect();
    StoredDay { signals }
}

/// How one tag's samples reach the store.
struct Lane<'a> {
    source: &'a Source,
    source_idx: usize,
    slot: usize,
    decimals: usize,
    back: Conversion,
    midnight_us: i64,
}

impl Lane<'_> {
    fn new(
        source_idx: usize,
        source: &Source,
        slot: usize,
        decimals: usize,
        date: Day,
    ) -> Lane<'_> {
        let back =
            conversion(&signal_of(slot), source.unit_texts[slot]).unwrap_or(Conversion::NONE);
        Lane { source, source_idx, slot, decimals, back, midnight_us: date.start().0 }
    }

    fn stored(&self, samples: &[Sample]) -> StoredSignal {
        let mut stored = StoredSignal {
            signal: signal_of(self.slot),
            time_us: Vec::with_capacity(samples.len()),
            value: Vec::with_capacity(samples.len()),
            quality: Vec::with_capacity(samples.len()),
        };
        for sample in samples {
            let time_us = self.midnight_us + 1000 * self.stamp_ms(sample.ms);
            let (value, quality) = self.read(sample);
            // A wide row holds one cell per tag: the last sample before the next row.
            if stored.time_us.last() == Some(&time_us) {
                stored.time_us.pop();
                stored.value.pop();
                stored.quality.pop();
            }
            stored.time_us.push(time_us);
            stored.value.push(value);
            stored.quality.push(quality.0);
        }
        stored
    }

    fn stamp_ms(&self, ms: i64) -> i64 {
        let step_ms = if self.source.wide {
            (self.source.row_s * 1000.0) as i64
        } else if self.source_idx == LOCAL_SOURCE {
            1000
        } else {
            1
        };
        ms.div_euclid(step_ms) * step_ms
    }

    fn read(&self, sample: &Sample) -> (f64, Quality) {
        let number = self.number(sample.value);
        let (written, quality) = match (self.source_idx, sample.state) {
            (_, State::NoData) => (false, Quality::BAD),
            // Of these, two write no quality at all.
            (2, State::Bad) => (false, Quality::BAD),
            (4, State::Bad) => (false, Quality::BAD),
            (2 | 4, _) => (true, Quality::GOOD),
            (1, State::Bad) => (false, Quality::BAD),
            (_, State::Bad) => (true, Quality::BAD),
            (0, State::Uncertain) => (true, Quality::from_opc_classic(84)),
            (_, State::Uncertain) => (true, Quality::UNCERTAIN),
            (0, State::Override) => (true, Quality::from_opc_classic(216)),
            (_, State::Good | State::Override) => (true, Quality::GOOD),
        };
        (if written { number } else { f64::NAN }, quality)
    }

    fn number(&self, value: f64) -> f64 {
        let more = if self.slot == DENSITY && value.abs() < 20.0 { 3 } else { 0 };
        let scale = 1.0 / self.source.factor(self.slot);
        self.back.apply(rounded(value * scale, self.decimals + more))
    }
}
