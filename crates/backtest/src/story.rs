//! One meter's nights beside what is known about it, and the methods that are compared.

use crate::known::Known;
use crate::replay::{MeterNight, Night};
use metersift_model::{Day, Hypothesis};
use std::collections::BTreeMap;

/// What another method says about one meter on one night.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ExtraNight {
    /// Its score, higher = more at fault.
    pub score: f64,
    /// Whether it would list the meter.
    pub listed: bool,
    /// Its mode, where it names one.
    pub mode: Option<Hypothesis>,
}

/// Which mode a method names for a row, if it names any.
pub type ModeOf<'a> = Box<dyn Fn(&Row<'_>) -> Option<Hypothesis> + 'a>;

/// Another method to be scored on the same rows; a row it does not hold scores lowest.
#[derive(Clone, Debug, PartialEq)]
pub struct Extra {
    /// Name in tables.
    pub name: String,
    /// By meter and as-of date.
    pub nights: BTreeMap<(String, Day), ExtraNight>,
}

/// One row with what is known about it.
#[derive(Clone, Copy)]
pub(crate) struct Row<'a> {
    pub as_of: Day,
    pub said: &'a MeterNight,
    /// The fault of the day before, if any.
    pub fault: Option<&'a Known>,
    /// The process brought gas of late.
    pub process_gas: bool,
}

impl Row<'_> {
    /// Whether a call of this mode is no false call.
    pub fn is_right_to_list(&self, mode: Option<Hypothesis>) -> bool {
        self.fault.is_some() || (self.process_gas && mode == Some(Hypothesis::TwoPhase))
    }

    /// Whether the row takes part in ranking figures.
    pub fn is_ranked(&self) -> bool {
        self.said.judged && (self.fault.is_some() || !self.process_gas)
    }
}

/// One meter's nights, in order.
pub(crate) struct Story<'a> {
    pub known: Vec<&'a Known>,
    pub rows: Vec<Row<'a>>,
}

/// Stories by meter.
pub(crate) fn stories<'a>(nights: &'a [Night], known: &'a [Known]) -> BTreeMap<&'a str, Story<'a>> {
    let mut by_meter: BTreeMap<&str, Vec<&Known>> = BTreeMap::new();
    for one in known {
        by_meter.entry(&one.meter).or_default().push(one);
    }
    let mut stories: BTreeMap<&str, Story> = BTreeMap::new();
    for night in nights {
        for said in &night.meters {
            let story = stories.entry(&said.meter).or_insert_with(|| Story {
                known: by_meter.get(said.meter.as_str()).cloned().unwrap_or_default(),
                rows: Vec::new(),
            });
            let fault = story.known.iter().copied().find(|k| k.faulty_before(night.as_of));
            let process_gas = story.known.iter().any(|k| k.process_gas_before(night.as_of));
            story.rows.push(Row { as_of: night.as_of, said, fault, process_gas });
        }
    }
    stories
}

/// A method: what it says about a row.
pub(crate) struct Method<'a> {
    pub name: String,
    pub score: Box<dyn Fn(&Row<'_>) -> f64 + 'a>,
    pub listed: Box<dyn Fn(&Row<'_>) -> bool + 'a>,
    pub mode: ModeOf<'a>,
}

/// The verdict, the dumb rivals, and what else was given.
pub(crate) fn all_methods<'a>(extras: &'a [Extra]) -> Vec<Method<'a>> {
    let mut methods = vec![
        Method {
            name: "verdict".into(),
            score: Box::new(|row| row.said.fault_score),
            listed: Box::new(|row| row.said.listed.is_some()),
            mode: Box::new(|row| Some(row.said.mode)),
        },
        rival("fixed limits", |said| said.rival_fixed_limits),
        rival("latest check", |said| said.rival_latest_check),
        rival("trend test", |said| said.rival_trend_test),
        rival("control chart", |said| said.rival_control_chart),
    ];
    for extra in extras {
        let of =
            move |row: &Row<'_>| extra.nights.get(&(row.said.meter.clone(), row.as_of)).copied();
        methods.push(Method {
            name: extra.name.clone(),
            score: Box::new(move |row| of(row).map_or(f64::MIN, |night| night.score)),
            listed: Box::new(move |row| of(row).is_some_and(|night| night.listed)),
            mode: Box::new(move |row| of(row).and_then(|night| night.mode)),
        });
    }
    methods
}

/// A rival that lists whatever reaches its edge and names no mode.
fn rival<'a>(name: &str, beyond: fn(&MeterNight) -> f64) -> Method<'a> {
    Method {
        name: name.into(),
        score: Box::new(move |row| beyond(row.said)),
        listed: Box::new(move |row| beyond(row.said) >= 1.0),
        mode: Box::new(|_| None),
    }
}
