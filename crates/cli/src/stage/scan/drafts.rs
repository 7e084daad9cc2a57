//! Drafts of the tag table and the register: what the names of the tags tell.
//!
//! Rules:  a cell that the name does not tell stays empty, and the import then stops at that line
//!         and says what would do: nothing is taken or left out by a guess.

use metersift_import::Detected;
use metersift_import::units::bare_unit;
use metersift_model::Signal;
use metersift_model::unit::conversion;
use std::collections::{BTreeMap, BTreeSet};

/// Words at the end of a tag and the signal that they mean; common practice, no source.
const WORDS: [(&str, Signal); 22] = [
    ("mass_flow", Signal::MassFlow),
    ("massflow", Signal::MassFlow),
    ("volume_flow", Signal::VolumeFlow),
    ("vol_flow", Signal::VolumeFlow),
    ("flow", Signal::MassFlow),
    ("density", Signal::Density),
    ("dens", Signal::Density),
    ("temperature", Signal::Temperature),
    ("temp", Signal::Temperature),
    ("pressure", Signal::Pressure),
    ("press", Signal::Pressure),
    ("drive_gain", Signal::DriveGain),
    ("drive", Signal::DriveGain),
    ("gain", Signal::DriveGain),
    ("pickoff_inlet", Signal::PickoffInlet),
    ("pickoff_in", Signal::PickoffInlet),
    ("pickoff_outlet", Signal::PickoffOutlet),
    ("pickoff_out", Signal::PickoffOutlet),
    ("tube_frequency", Signal::TubeFrequency),
    ("frequency", Signal::TubeFrequency),
    ("freq", Signal::TubeFrequency),
    ("tube_freq", Signal::TubeFrequency),
];

const TAGS: &str = "\
# Draft by `metersift scan`: signal and unit as the names and dumps tell. Fill every empty cell.
# A tag that is not wanted has the signal `ignore`; one that is kept as it comes `other:NAME`.
tag,meter,signal,unit,from,until
";
const REGISTER: &str = "\
# Draft by `metersift scan`: one line per meter that the tags seem to belong to. Fill the cells.
meter,service,stream,nominal_diameter_mm,max_flow_kg_h,zero_stability_kg_h,base_accuracy_pct,criticality,custody,check_interval_days,installed
";

/// The drafts and what is left to do.
pub(super) struct Drafts {
    pub tags: String,
    pub register: String,
    pub n_tags: usize,
    /// Tags without signal or unit.
    pub n_open: usize,
    pub n_meters: usize,
}

/// Drafts from all dumps that can be read.
pub(super) fn of(found: &[&Detected]) -> Drafts {
    let mut tags: BTreeMap<&str, Option<&str>> = BTreeMap::new();
    for one in found {
        for tag in &one.tags {
            let unit = one.units.get(tag).map(String::as_str);
            let known = tags.entry(tag).or_default();
            *known = known.or(unit);
        }
    }
    let mut meters = BTreeSet::new();
    let (mut text, mut n_open) = (TAGS.to_owned(), 0);
    for (tag, unit) in &tags {
        let guess = Guess::of(tag, *unit);
        n_open += usize::from(guess.signal.is_empty() || (guess.unit.is_empty()));
        if !guess.meter.is_empty() {
            meters.insert(guess.meter.clone());
        }
        text.push_str(&row(&[tag, &guess.meter, &guess.signal, &guess.unit, "", ""]));
    }
    let mut register = REGISTER.to_owned();
    for meter in &meters {
        register.push_str(&row(&[meter, "", "", "", "", "", "", "", "", "", ""]));
    }
    Drafts { tags: text, register, n_tags: tags.len(), n_open, n_meters: meters.len() }
}

/// What a tag tells.
#[derive(Debug, Default, PartialEq, Eq)]
struct Guess {
    meter: String,
    signal: String,
    unit: String,
}

impl Guess {
    fn of(tag: &str, unit: Option<&str>) -> Guess {
        // A unit may stand behind the name: `FT-1 flow [kg/h]`.
        let named = tag.trim_end().rfind(['[', '(']).map(|at| tag.split_at(at));
        let (name, behind) = named.unwrap_or((tag, ""));
        let unit = unit.map_or(bare_unit(behind), bare_unit);
        let folded: String = name
            .trim_end()
            .chars()
            .map(|c| if "-. :/".contains(c) { '_' } else { c.to_ascii_lowercase() })
            .collect();
        let fits = |(word, _): &&(&str, Signal)| {
            folded.strip_suffix(word).is_some_and(|rest| rest.ends_with('_'))
        };
        let Some((word, signal)) = WORDS.iter().filter(fits).max_by_key(|(word, _)| word.len())
        else {
            return Guess { unit: unit.into(), ..Guess::default() };
        };
        let known = |signal: &Signal| !unit.is_empty() && conversion(signal, unit).is_ok();
        // `flow` alone may be either: its unit tells.
        let volume = *word == "flow" && !known(signal) && known(&Signal::VolumeFlow);
        let signal = if volume { &Signal::VolumeFlow } else { signal };
        // Only ASCII was folded, so lengths are the same.
        let meter = name.get(..folded.len() - word.len() - 1).unwrap_or("");
        let meter = meter.rsplit(['.', ':', '/']).next().unwrap_or(meter).trim();
        Guess {
            meter: meter.into(),
            signal: signal.name(),
            unit: if known(signal) { unit.into() } else { String::new() },
        }
    }
}

/// One line of a CSV file.
fn row(cells: &[&str]) -> String {
    let cell = |text: &&str| match text.contains([',', '"', '\n', '\r']) || text.starts_with('#') {
        true => format!("\"{}\"", text.replace('"', "\"\"")),
        false => (*text).to_owned(),
    };
    cells.iter().map(cell).collect::<Vec<String>>().join(",") + "\n"
}

#[cfg(test)]
mod tests {
    use super::*;

    fn guess(tag: &str, unit: Option<&str>) -> (String, String, String) {
        let guess = Guess::of(tag, unit);
        (guess.meter, guess.signal, guess.unit)
    }

    fn told(meter: &str, signal: &str, unit: &str) -> (String, String, String) {
        (meter.into(), signal.into(), unit.into())
    }

    #[test]
    fn names_tell_meter_and_signal_and_nothing_is_made_up() {
        assert_eq!(guess("LM.FT-1101.FLOW", None), told("FT-1101", "mass_flow", ""));
        assert_eq!(guess("FT-1_DRIVE_GAIN", Some("%")), told("FT-1", "drive_gain", "%"));
        assert_eq!(guess("FT-1 flow [m3/h]", None), told("FT-1", "volume_flow", "m3/h"));
        assert_eq!(guess("FT-1:TEMP", Some("kg/h")), told("FT-1", "temperature", ""));
        assert_eq!(guess("LI405", Some("m")), told("", "", "m"));
        assert_eq!(guess("OVERFLOW", None), told("", "", ""));
    }

    #[test]
    fn a_tag_with_marks_stays_one_cell() {
        assert_eq!(row(&["a,\"b\"", ""]), "\"a,\"\"b\"\"\",\n");
    }
}
