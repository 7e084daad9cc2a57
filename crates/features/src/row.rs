//! One row of features, and many rows as a table.

use crate::samples::Samples;
use crate::table::{self, COUNTS, Count, F, Group};
use metersift_model::{Column, ColumnData, Day, Table};

/// Why the main values of a group are missing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum WhyNull {
    /// A signal or record that the group needs is not kept for this meter.
    NoSignal,
    /// Fewer values than a stable number needs.
    TooFew,
    /// No time of the day was fit: not steady, not quiet, not flowing.
    FilterEmpty,
    /// The noise lies below the resolution of the recorder.
    FloorLimited,
    /// More than half of the shut-in flow is exactly zero: a cut-off hides the zero.
    CutOffActive,
    /// The drive was saturated.
    Saturated,
    /// Samples came, none of them good.
    BadQuality,
}

impl WhyNull {
    /// The name in the table.
    pub fn name(self) -> &'static str {
        match self {
            WhyNull::NoSignal => "no_signal",
            WhyNull::TooFew => "too_few",
            WhyNull::FilterEmpty => "filter_empty",
            WhyNull::FloorLimited => "floor_limited",
            WhyNull::CutOffActive => "cut_off_active",
            WhyNull::Saturated => "saturated",
            WhyNull::BadQuality => "bad_quality",
        }
    }

    /// Why a signal without a good sample is missing.
    pub(crate) fn absent(samples: &Samples) -> WhyNull {
        if samples.n_raw > 0 { WhyNull::BadQuality } else { WhyNull::NoSignal }
    }
}

/// The features of one meter and UTC day.
#[derive(Clone, Debug, PartialEq)]
pub struct FeatureRow {
    /// Meter.
    pub meter: String,
    /// Day.
    pub day: Day,
    values: Vec<f64>,
    counts: Vec<Option<i64>>,
    why: Vec<Option<WhyNull>>,
}

impl FeatureRow {
    /// A row in which nothing is known yet.
    pub(crate) fn unknown(meter: &str, day: Day) -> FeatureRow {
        FeatureRow {
            meter: meter.into(),
            day,
            values: vec![f64::NAN; table::features().len()],
            counts: vec![None; COUNTS.len()],
            why: vec![None; Group::ALL.len()],
        }
    }

    /// Value of a feature by name; `None` = not known, or no such feature.
    pub fn get(&self, name: &str) -> Option<f64> {
        table::feature_index(name).map(|at| self.values[at]).filter(|value| !value.is_nan())
    }

    /// Count by column name (`n_density`, ...).
    pub fn count_of(&self, name: &str) -> Option<i64> {
        table::count_index(name).and_then(|at| self.counts[at])
    }

    /// Why the main values of a group are missing; `None` where they are not.
    pub fn why_null(&self, group: Group) -> Option<WhyNull> {
        self.why[group as usize]
    }

    /// All values in the order of [`crate::features`]; NaN = not known.
    pub fn values(&self) -> &[f64] {
        &self.values
    }

    pub(crate) fn set(&mut self, feature: F, value: f64) {
        self.set_at(feature as usize, value);
    }

    pub(crate) fn set_at(&mut self, at: usize, value: f64) {
        // Infinities do not travel; minus zero would make equal rows differ in their bytes.
        self.values[at] = if value.is_finite() { value + 0.0 } else { f64::NAN };
    }

    pub(crate) fn count(&mut self, count: Count, n: usize) {
        self.counts[count as usize] = Some(i64::try_from(n).unwrap_or(i64::MAX));
    }

    pub(crate) fn why(&mut self, group: Group, why: WhyNull) {
        self.why[group as usize] = Some(why);
    }
}

/// Rows as a table: `meter`, `day`, the features, the counts behind them, `why_<group>`.
///
/// Row order is kept: the caller sorts.
pub fn to_table(rows: &[FeatureRow]) -> Table {
    let mut table = Table::default();
    let meters = rows.iter().map(|row| Some(row.meter.clone())).collect();
    table.push("meter", "", ColumnData::Text(meters));
    table.push("day", "", ColumnData::Day(rows.iter().map(|row| Some(row.day)).collect()));
    for (at, def) in table::features().iter().enumerate() {
        let values = rows.iter().map(|row| row.values[at]).collect();
        push(&mut table, def.name, def.unit, ColumnData::Number(values));
    }
    for (at, name) in COUNTS.iter().enumerate() {
        let counts = rows.iter().map(|row| row.counts[at]).collect();
        push(&mut table, name, "", ColumnData::Count(counts));
    }
    for group in Group::WITH_REASON {
        let why = |row: &FeatureRow| row.why_null(group).map(|why| why.name().into());
        let texts = rows.iter().map(why).collect();
        push(&mut table, &format!("why_{}", group.name()), "", ColumnData::Text(texts));
    }
    table
}

fn push(table: &mut Table, name: &str, unit: &str, data: ColumnData) {
    table.columns.push(Column { name: name.into(), unit: unit.into(), data });
}
