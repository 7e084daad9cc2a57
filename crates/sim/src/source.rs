//! The five ways in which Larkmoor's historians write their dumps.
//!
//! Each source has a layout, a unit per signal, a way of writing tags, times and quality, and
//! its own recorder habits.

use crate::meter::*;
use crate::seed::Draws;
use metersift_model::unit::conversion;

/// How one source writes.
#[derive(Debug)]
pub(crate) struct Source {
    pub(crate) name: &'static str,
    /// Names of the units that are written to files of their own (one = one file for all).
    pub(crate) units: &'static [&'static str],
    pub(crate) wide: bool,
    /// Spacing of the rows of a wide source, s.
    pub(crate) row_s: f64,
    /// Unit text per slot.
    pub(crate) unit_texts: [&'static str; N_SIGNALS],
    /// End of the tag per slot.
    pub(crate) suffix: [&'static str; N_SIGNALS],
    pub(crate) tag_style: TagStyle,
    /// Monthly and daily packing.
    pub(crate) packing: [Packing; 2],
}

/// How a tag is put together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum TagStyle {
    /// `WM.FT-1101.FLOW`
    Dotted,
    /// `sh_ft1201_rho`
    Lower,
    /// `FT-1301/D`
    Slash,
}

/// How a file is packed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Packing {
    Plain,
    Gzip,
    Zstd,
}

impl Packing {
    pub(crate) fn extension(self) -> &'static str {
        match self {
            Packing::Plain => "csv",
            Packing::Gzip => "csv.gz",
            Packing::Zstd => "csv.zst",
        }
    }
}

const LONG_SUFFIX: [&str; N_SIGNALS] =
    ["FLOW", "DENS", "DRIVE", "TEMP", "PICKIN", "PICKOUT", "FREQ", "PRES", "VOL"];
const LOWER_SUFFIX: [&str; N_SIGNALS] = ["qm", "rho", "dg", "t", "pin", "pout", "f", "p", "qv"];
const SLASH_SUFFIX: [&str; N_SIGNALS] = ["M", "D", "G", "T", "A", "B", "H", "P", "V"];

/// Wet mill, syrup house, utilities, loading, dosing.
pub(crate) const SOURCES: [Source; 5] = [
    Source {
        name: "wet-mill",
        units: &["wet-mill"],
        wide: false,
        row_s: 0.0,
        unit_texts: ["kg/h", "kg/m3", "%", "degC", "mV", "mV", "Hz", "kPa", "m3/h"],
        suffix: LONG_SUFFIX,
        tag_style: TagStyle::Dotted,
        packing: [Packing::Zstd, Packing::Zstd],
    },
    Source {
        name: "syrup-house",
        units: &["syrup-house"],
        wide: false,
        row_s: 0.0,
        unit_texts: ["t/h", "kg/m3", "%", "degC", "mV", "mV", "Hz", "bar", "m3/h"],
        suffix: LOWER_SUFFIX,
        tag_style: TagStyle::Lower,
        packing: [Packing::Gzip, Packing::Gzip],
    },
    Source {
        name: "utilities",
        units: &["cold", "hot"],
        wide: true,
        row_s: 900.0,
        unit_texts: ["kg/s", "g/cm3", "%", "degC", "mV", "mV", "Hz", "kPa", "L/s"],
        suffix: SLASH_SUFFIX,
        tag_style: TagStyle::Slash,
        packing: [Packing::Gzip, Packing::Plain],
    },
    Source {
        name: "loading",
        units: &["loading"],
        wide: true,
        row_s: 300.0,
        unit_texts: ["kg/min", "kg/m3", "%", "degC", "mV", "mV", "Hz", "bar", "m3/h"],
        suffix: LONG_SUFFIX,
        tag_style: TagStyle::Dotted,
        packing: [Packing::Gzip, Packing::Plain],
    },
    Source {
        name: "dosing",
        units: &["dosing"],
        wide: false,
        row_s: 0.0,
        unit_texts: ["kg/h", "kg/m3", "%", "\u{b0}C", "mV", "mV", "Hz", "kPa", "L/h"],
        suffix: LOWER_SUFFIX,
        tag_style: TagStyle::Lower,
        packing: [Packing::Gzip, Packing::Plain],
    },
];

impl Source {
    /// Storage units in one tag unit.
    pub(crate) fn factor(&self, slot: usize) -> f64 {
        conversion(&signal_of(slot), self.unit_texts[slot]).map_or(1.0, |c| c.factor)
    }

    /// The tag of a meter's signal.
    pub(crate) fn tag(&self, meter: &str, slot: usize) -> String {
        let suffix = self.suffix[slot];
        match self.tag_style {
            TagStyle::Dotted => format!("LM.{meter}.{suffix}"),
            TagStyle::Lower => format!("lm_{meter}_{suffix}"),
            TagStyle::Slash => format!("{meter}/{suffix}"),
        }
    }

    /// The tag after the historian renamed it.
    pub(crate) fn renamed_tag(&self, meter: &str, slot: usize) -> String {
        self.tag(&format!("{meter}-B"), slot)
    }

    /// The tag pattern of a slot, for sources whose tags are told by pattern.
    /// `streams` lists the stream numbers, separated by bars.
    pub(crate) fn pattern(&self, slot: usize, streams: &str) -> String {
        let meter = format!("(?P<meter>FT-(?:{streams})[0-9][0-9]+)");
        let suffix = self.suffix[slot];
        match self.tag_style {
            TagStyle::Dotted => format!("/^LM\\.{meter}\\.{suffix}$/"),
            TagStyle::Lower => format!("/^lm_{meter}_{suffix}$/"),
            TagStyle::Slash => format!("/^{meter}\\/{suffix}$/"),
        }
    }

    /// How this source's historian keeps a signal.
    pub(crate) fn habit(&self, slot: usize, dead_band: f64, draws: &mut Draws) -> Habit {
        let slow = matches!(slot, TEMPERATURE | PICKOFF_IN | PICKOFF_OUT | PRESSURE);
        if self.wide && self.row_s >= 900.0 {
            let every_s = self.row_s;
            return match draws.pick(5) {
                0 | 1 => Habit::Held { dead_band: 0.7 * dead_band, every_s },
                2 => Habit::Line { dead_band: 0.6 * dead_band, every_s },
                _ => Habit::Periodic { every_s, aligned: true },
            };
        }
        if self.wide {
            let longest_s = if slow { 3300.0 } else { draws.range(1200.0, 2400.0) };
            return Habit::OnChange {
                dead_band,
                longest_s,
                shortest_s: 280.0,
                stamp_s: self.row_s,
            };
        }
        if draws.chance(0.4) {
            let every_s = [600.0, 600.0, 900.0][draws.pick(3)] * if slow { 3.0 } else { 1.0 };
            return Habit::Periodic { every_s, aligned: false };
        }
        let often = matches!(slot, DENSITY | DRIVE);
        let longest_s =
            if often { draws.range(1000.0, 2000.0) } else { draws.range(1800.0, 3500.0) };
        let shortest_s = if slow { 900.0 } else { draws.range(300.0, 700.0) };
        Habit::OnChange { dead_band, longest_s, shortest_s, stamp_s: 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stream::CATALOGUE;

    #[test]
    fn every_unit_text_is_known_and_every_stream_has_a_file() {
        assert!(CATALOGUE.iter().all(|spec| spec.unit < SOURCES[spec.source].units.len()));
        for source in &SOURCES {
            for slot in 0..N_SIGNALS {
                assert!(
                    conversion(&signal_of(slot), source.unit_texts[slot]).is_ok(),
                    "{} {}",
                    source.name,
                    source.unit_texts[slot]
                );
            }
        }
    }
}
