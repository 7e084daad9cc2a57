//! The guard against units that slipped: what was found where dumps hand over to each other.
//!
//! Why:    judged as it stands, a dump in another unit accuses every meter in it of a fault. The
//!         guard looks when a dump comes, before anything is judged, and what it finds stays in
//!         the ledger until one of the two dumps is withdrawn or the site file accepts the step.
//! Method: [`metersift_faults::unit_step`].

use crate::exit::Exit;
use crate::message::{Message, visible};
use crate::site::Site;
use crate::stage::import::store_message;
use crate::story::{counted, say};
use metersift_faults::unit_step::{
    Handover, Level, Side, SignalLevels, UnitStep, unit_steps, withhold,
};
use metersift_import::{BySeries, Declared, TagTable};
use metersift_model::verdict::{Fact, FactKind};
use metersift_model::{Day, Series, Signal, Table, TimeUs, Verdict};
use metersift_store::{DumpEntry, DumpState, Ledger, NotedStep, Store};
use serde::Deserialize;
use std::collections::BTreeMap;

/// Steps that are told one by one; all are counted.
const SHOWN: usize = 10;

/// `[[accepted_steps]]` of the site file: a step that is real.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AcceptedStep {
    /// Name of the meter.
    pub meter: String,
    /// Name of the signal.
    pub signal: String,
    /// UTC day of the step (`2026-03-08`); every day unless set.
    #[serde(default)]
    pub day: Option<String>,
}

impl AcceptedStep {
    /// Refuses what could never fit a step.
    pub fn check(&self) -> Result<(), String> {
        if Signal::parse(&self.signal).is_none() {
            let known: Vec<String> = Signal::KNOWN.iter().map(Signal::name).collect();
            let known = known.join(", ");
            return Err(format!(
                "accepted_steps: read signal `{}`, expected one of {known}",
                self.signal
            ));
        }
        match &self.day {
            Some(day) if Day::parse(day).is_none() => {
                Err(format!("accepted_steps: read day `{day}`, expected a date such as 2026-03-08"))
            }
            _ => Ok(()),
        }
    }

    fn fits(&self, step: &NotedStep) -> bool {
        let day = self.day.as_deref().and_then(Day::parse);
        self.meter == step.meter
            && self.signal == step.signal
            && day.is_none_or(|day| day == TimeUs(step.at_us).day())
    }
}

/// A step that nobody has explained yet.
pub struct OpenStep<'a> {
    dump: &'a DumpEntry,
    step: &'a NotedStep,
}

/// Looks at the handovers of dumps that nobody has looked at, and writes down what was found.
pub fn look(store: &mut Store, tags: &TagTable) -> Result<(), Message> {
    let dumps = store.dumps_to_look_at();
    if dumps.is_empty() {
        return Ok(());
    }
    let found = store.handovers(&dumps).map_err(store_message)?;
    let (handovers, times) = by_meter(&found, tags);
    let mut notes: BTreeMap<u32, Vec<NotedStep>> = BTreeMap::new();
    for step in unit_steps(&handovers) {
        let handover = &handovers[step.handover];
        let later = handover.dumps.0.max(handover.dumps.1);
        let at_us = times[step.handover][step.signal];
        notes.entry(later).or_default().push(note(handover, &step, at_us));
    }
    store.note_steps(&dumps, notes).map_err(store_message)
}

/// Levels of the signals of one handover, and the time of the first reading after of each, µs.
type Levels = (Vec<SignalLevels>, Vec<i64>);

/// The handovers of each meter and pair of dumps, and the time of the first reading after, per
/// signal. At a change of header in mid-dump the pair is the dump with itself.
fn by_meter(
    found: &[metersift_store::Handover],
    tags: &TagTable,
) -> (Vec<Handover>, Vec<Vec<i64>>) {
    let tags = tags.by_series();
    let mut groups: BTreeMap<(u32, u32, &str), Levels> = BTreeMap::new();
    for one in found {
        let values = |side: &[(i64, f64)]| -> Vec<f64> { side.iter().map(|r| r.1).collect() };
        let levels = (Level::of(&values(&one.before)), Level::of(&values(&one.after)));
        let (Some(before), Some(after)) = levels else { continue };
        let (Some(last), Some(first)) = (one.before.last(), one.after.first()) else { continue };
        let Some(signal) = Signal::parse(&one.signal) else { continue };
        let series = Series { meter: one.meter.clone(), signal: signal.clone() };
        let declared = tags.declared(&series, first.0);
        let (signals, times) = groups.entry((one.from, one.to, &one.meter)).or_default();
        signals.push(SignalLevels {
            declared: declared.map_or_else(|| signal.unit().to_string(), |d| d.unit),
            signal,
            before,
            after,
            gap_s: (first.0 - last.0) as f64 / 1e6,
        });
        times.push(first.0);
    }
    let handover = |((from, to, meter), (signals, times)): ((u32, u32, &str), _)| {
        (Handover { meter: meter.to_string(), dumps: (from, to), signals }, times)
    };
    groups.into_iter().map(handover).unzip()
}

fn note(handover: &Handover, step: &UnitStep, at_us: i64) -> NotedStep {
    let levels = &handover.signals[step.signal];
    let explanation = &step.explanation;
    NotedStep {
        meter: handover.meter.clone(),
        signal: levels.signal.name(),
        other: handover.dumps.0.min(handover.dumps.1),
        at_us,
        before: levels.before.median,
        n_before: levels.before.readings as u64,
        after: levels.after.median,
        n_after: levels.after.readings as u64,
        words: explanation.words.clone(),
        unit: explanation.unit.unwrap_or_default().to_string(),
        newer: explanation.side == Side::After,
        suspect: match explanation.side {
            Side::Before => handover.dumps.0,
            Side::After => handover.dumps.1,
        },
        factor: explanation.factor,
    }
}

/// The steps that are neither accepted nor gone with one of their dumps.
pub fn open_steps<'a>(site: &Site, ledger: &'a Ledger) -> Vec<OpenStep<'a>> {
    let here = |number: u32| ledger.dump(number).is_some_and(|d| d.state != DumpState::Withdrawn);
    let accepted = |step: &NotedStep| site.file.accepted_steps.iter().any(|one| one.fits(step));
    let of = |dump: &'a DumpEntry| {
        let steps = dump.steps.iter().flatten();
        steps.map(move |step| OpenStep { dump, step })
    };
    ledger
        .dumps
        .iter()
        .flat_map(of)
        .filter(|open| here(open.dump.number) && here(open.step.other) && !accepted(open.step))
        .collect()
}

/// Names every open step with what would mend it; [`Exit::SetAside`] where there is one.
pub fn tell(site: &Site, ledger: &Ledger, tags: &TagTable) -> Exit {
    let open = open_steps(site, ledger);
    let tags = tags.by_series();
    for one in open.iter().take(SHOWN) {
        say(one.warning(ledger, &tags));
    }
    if open.len() > SHOWN {
        say(format!(
            "warning: {} more, all on the report's first page and on the list mend_data",
            counted(open.len() - SHOWN, "suspected unit step")
        ));
    }
    if open.is_empty() { Exit::Done } else { Exit::SetAside }
}

/// The open steps before a morning, one line each.
pub fn lines(site: &Site, ledger: &Ledger, as_of: Day) -> Vec<String> {
    before(site, ledger, as_of).iter().map(OpenStep::sentence).collect()
}

/// Withholds judgement of every meter with an open step before a morning, while its level stays
/// on the side in doubt: a slip that ended is an excursion, which the verdict knows by itself.
pub fn withhold_doubtful(
    site: &Site,
    ledger: &Ledger,
    daily: &Table,
    as_of: Day,
    verdicts: &mut [Verdict],
) {
    let mut by_series: BTreeMap<(&str, &str), Vec<OpenStep<'_>>> = BTreeMap::new();
    for open in before(site, ledger, as_of) {
        by_series.entry((&open.step.meter, &open.step.signal)).or_default().push(open);
    }
    for ((meter, signal), mut steps) in by_series {
        steps.sort_by_key(|open| open.step.at_us);
        let Some(first) = steps.first() else { continue };
        let since = TimeUs(first.step.at_us).day();
        let now = level_now(daily, meter, signal, (since, as_of));
        let now = now.unwrap_or(steps.last().map_or(f64::NAN, |last| last.step.after));
        if first.step.newer && nearer(now, first.step.before, first.step.after, signal) {
            continue;
        }
        if let Some(verdict) = verdicts.iter_mut().find(|v| v.meter == meter) {
            withhold(verdict, first.fact());
        }
    }
}

/// Days at the end of the daily table whose median is the level of now.
const DAYS_NOW: usize = 3;

/// The level of a signal between a step and a morning, from the daily table; `None` where that
/// has no such column or too few days.
fn level_now(daily: &Table, meter: &str, signal: &str, (since, as_of): (Day, Day)) -> Option<f64> {
    let column = match Signal::parse(signal)? {
        Signal::MassFlow => "flow_q50_kg_h",
        Signal::Density => "density_kg_m3",
        Signal::Temperature => "temperature_degc",
        Signal::Pressure => "pressure_kpa",
        Signal::DriveGain => "drive_gain_median_pct",
        _ => return None,
    };
    let (meters, days) = (daily.texts("meter")?, daily.days("day")?);
    let values = daily.numbers(column)?;
    let mut levels: Vec<(Day, f64)> = (0..meters.len())
        .filter(|&row| meters[row].as_deref() == Some(meter) && values[row].is_finite())
        .filter_map(|row| Some((days[row]?, values[row])))
        .filter(|(day, _)| *day >= since && *day < as_of)
        .collect();
    levels.sort_by_key(|(day, _)| *day);
    let mut last: Vec<f64> = levels.iter().rev().take(DAYS_NOW).map(|(_, level)| *level).collect();
    last.sort_by(f64::total_cmp);
    (last.len() == DAYS_NOW).then(|| last[DAYS_NOW / 2])
}

/// Whether a level is nearer to one than to another: in their ratio, temperatures in kelvin.
fn nearer(level: f64, to: f64, than: f64, signal: &str) -> bool {
    if signal == Signal::Temperature.name() {
        return (level - to).abs() < (level - than).abs();
    }
    (level / to).ln().abs() < (level / than).ln().abs()
}

fn before<'a>(site: &Site, ledger: &'a Ledger, as_of: Day) -> Vec<OpenStep<'a>> {
    let mut open = open_steps(site, ledger);
    open.retain(|open| TimeUs(open.step.at_us) < as_of.start());
    open
}

impl OpenStep<'_> {
    fn unit(&self) -> &'static str {
        Signal::parse(&self.step.signal).map_or("", |signal| signal.unit())
    }

    fn what(&self) -> String {
        self.step.signal.replace('_', " ")
    }

    /// `892.48 to 0.89246 kg/m3`.
    fn levels(&self) -> String {
        format!("{} to {} {}", figure(self.step.before), figure(self.step.after), self.unit())
    }

    fn sentence(&self) -> String {
        let step = self.step;
        format!(
            "{} {}: {} from {} on, where {} begins or ends: as {}; not judged while it stays \
             there, until one of the dumps is withdrawn or the step accepted",
            step.meter,
            self.what(),
            self.levels(),
            TimeUs(step.at_us),
            self.dump.name,
            step.words,
        )
    }

    fn fact(&self) -> Fact {
        let step = self.step;
        Fact {
            kind: FactKind::UnitStep,
            value: step.after,
            limit: step.before,
            unit: self.unit().to_string(),
            since: Some(TimeUs(step.at_us).day()),
            text: format!(
                "{} went from {} at {} where dump {} hands over, as {}: a suspected mistake of \
                 units, judgement waits",
                self.what(),
                self.levels(),
                TimeUs(step.at_us),
                self.dump.name,
                step.words,
            ),
        }
    }

    fn warning(&self, ledger: &Ledger, tags: &BySeries<'_>) -> String {
        let step = self.step;
        let signal = Signal::parse(&step.signal);
        let declared = signal.and_then(|signal| {
            tags.declared(&Series { meter: step.meter.clone(), signal }, step.at_us)
        });
        let tag = declared.as_ref().map_or("not in the tag table", |d| d.tag.as_str());
        let (unit, day) = (self.unit(), TimeUs(step.at_us).day());
        let suspect = ledger.dump(step.suspect).map_or("", |dump| dump.name.as_str());
        let side = if step.newer { "from there on" } else { "up to there" };
        visible(&format!(
            "warning: {what} of {meter} steps as if a unit had changed; while it stays there the meter is not judged\n  \
             at {dump}, where it hands over at {at} (tag {tag})\n  \
             read a level of {after} {unit} after ({n_after} readings), {before} {unit} before \
             ({n_before}): {ratio} times; {words} makes {factor} times\n  \
             so {side} the readings of {suspect} are suspected\n\
             hint: if they are: {mend}`metersift withdraw {suspect}`, and give the dump back \
             changed (packed, or with one more blank line: withdrawn content is skipped)\n\
             hint: if the step is real, in site.toml:\n  \
             [[accepted_steps]]\n  meter = \"{meter}\"\n  signal = \"{signal}\"\n  day = \"{day}\"",
            what = self.what(),
            meter = step.meter,
            dump = self.dump.name,
            at = TimeUs(step.at_us),
            after = figure(step.after),
            n_after = step.n_after,
            before = figure(step.before),
            n_before = step.n_before,
            ratio = figure(step.after / step.before),
            words = step.words,
            factor = figure(step.factor),
            mend = self.mend(declared.as_ref(), day),
            signal = step.signal,
        ))
    }

    /// The lines of the tag table that would be right.
    fn mend(&self, declared: Option<&Declared>, day: Day) -> String {
        let step = self.step;
        let Some(declared) = declared.filter(|_| !step.unit.is_empty()) else {
            return "mend `decimal` or `thousands` of its source in site.toml, ".into();
        };
        let (Declared { tag, unit }, NotedStep { meter, signal, .. }) = (declared, step);
        // A pattern binds other meters too: this one gets lines of its own, which go first.
        let tag = if tag.starts_with('/') { "ITS-TAG" } else { tag };
        let (old, new) = match step.newer {
            true => (unit.as_str(), step.unit.as_str()),
            false => (step.unit.as_str(), unit.as_str()),
        };
        // Left open, the line would tell the days on its far side in the wrong unit too.
        let right = if step.newer { old } else { new };
        let (when, cell, line, span) = match step.newer {
            true => ("goes back to", "until", "last", "THAT-DAY,"),
            false => ("left", "from", "first", ",THAT-DAY"),
        };
        let far = format!(
            "and, where it {when} {right}, that day as `{cell}` of the {line} line and\n  \
             {tag},{meter},{signal},{right},{span}\n  "
        );
        format!(
            "in records/tags.csv (dates are local) write\n  \
             {tag},{meter},{signal},{old},,{day}\n  \
             {tag},{meter},{signal},{new},{day},\n  {far}"
        )
    }
}

/// Five figures, as short as they can be.
fn figure(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return value.to_string();
    }
    let places = 4 - value.abs().log10().floor() as i32;
    let text = format!("{value:.*}", places.clamp(0, 12) as usize);
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_string(),
        false => text,
    }
}
