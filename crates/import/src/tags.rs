//! The tag table: which tag of the historian is which signal of which meter, when, in what unit.
//!
//! Shape:  `tag, meter, signal, unit, from, until`, one line per binding. A tag may be bound
//!         anew when a transmitter moves: `from` (kept) to `until` (not kept), local time of
//!         the site. A tag written between slashes is a pattern that must fit the whole tag,
//!         with named parts `(?P<meter>..)` and `(?P<signal>..)` where the cells are empty.
//!         Signal `ignore` marks tags that are known and not wanted.
//! Wrong:  an unknown unit or signal, or a tag bound twice at one time, is an error with its
//!         line: a guess here would be wrong by a factor in every reading.

use crate::error::ImportError;
use crate::records::RecordSettings;
use crate::sheet::{Columns, Sheet, SheetRow};
use crate::text::shown;
use foldhash::HashMap;
use metersift_model::unit::{self, Conversion};
use metersift_model::{Origin, Series, Signal};
use regex_lite::Regex;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

/// The signal name that marks a tag as known and not wanted.
pub const IGNORE: &str = "ignore";

/// All tags of a site.
#[derive(Clone, Debug, Default)]
pub struct TagTable {
    tags: HashMap<Box<[u8]>, Arc<TagEntry>>,
    patterns: Vec<Pattern>,
    /// Series by slot number.
    series: Vec<Series>,
}

/// What is known of one tag.
#[derive(Clone, Debug)]
pub(crate) struct TagEntry {
    /// The tag.
    pub name: String,
    /// What it is.
    pub kind: TagKind,
}

/// Whether and how a tag is wanted.
#[derive(Clone, Debug)]
pub(crate) enum TagKind {
    /// Its bindings, by time; they never overlap.
    Bound(Vec<Binding>),
    /// Known and not wanted.
    Ignored,
    /// In no table, fits no pattern, or fits one whose signal part is no signal.
    Unknown,
}

/// A tag bound to a series for a while.
#[derive(Clone, Debug)]
pub(crate) struct Binding {
    /// Slot of the series.
    pub slot: u32,
    /// First instant, µs UTC.
    pub from_us: i64,
    /// First instant after, µs UTC.
    pub until_us: i64,
    /// To the storage unit.
    pub conversion: Conversion,
    /// Span outside of which a value cannot be this quantity, in the storage unit.
    pub span: (f64, f64),
    /// The unit as the table writes it.
    pub unit: String,
    /// The signal.
    pub signal: Signal,
    line: u64,
}

#[derive(Clone, Debug)]
struct Pattern {
    regex: Regex,
    meter: String,
    signal: String,
    /// Unit of every signal, or `signal=unit` pairs.
    units: Units,
    from_us: i64,
    until_us: i64,
    line: u64,
}

#[derive(Clone, Debug)]
enum Units {
    One(String),
    PerSignal(Vec<(Signal, String)>),
}

impl TagTable {
    /// Reads a tag table; zone and column names come from the record settings.
    ///
    /// # Errors
    /// Everything that is wrong in the table, with its line: see the module's page.
    pub fn read(path: &Path, settings: &RecordSettings) -> Result<TagTable, ImportError> {
        let mut wanted: Vec<String> = NEEDED.iter().chain(&OPTIONAL).map(|&n| n.into()).collect();
        wanted.extend(settings.tags.values().cloned());
        TagTable::from_sheet(&Sheet::read(path, &wanted)?, settings)
    }

    /// Reads a tag table from text; `file` is the name for messages.
    ///
    /// # Errors
    /// As [`TagTable::read`].
    pub fn parse(
        text: &str,
        file: &str,
        settings: &RecordSettings,
    ) -> Result<TagTable, ImportError> {
        let wanted: Vec<String> = NEEDED.iter().map(|&name| name.into()).collect();
        TagTable::from_sheet(&Sheet::parse(text.as_bytes(), file.into(), &wanted)?, settings)
    }

    /// Number of tags that are written out (patterns not counted).
    pub fn len(&self) -> usize {
        self.tags.len()
    }

    /// Whether there is neither tag nor pattern.
    pub fn is_empty(&self) -> bool {
        self.tags.is_empty() && self.patterns.is_empty()
    }

    /// All series that are written out or were asked for by name, in table order; patterns add
    /// theirs when a dump is read.
    pub fn series(&self) -> &[Series] {
        &self.series
    }

    /// Tags that are written out and wanted, one line per binding: name, series, first instant in
    /// force and first instant after, µs UTC; in order of name and time. Patterns name no tags.
    pub fn written_out(&self) -> Vec<(&str, &Series, i64, i64)> {
        let mut lines: Vec<(&str, &Series, i64, i64)> = Vec::with_capacity(self.series.len());
        let mut entries: Vec<&Arc<TagEntry>> = self.tags.values().collect();
        entries.sort_by(|a, b| a.name.cmp(&b.name));
        for entry in entries {
            let TagKind::Bound(bindings) = &entry.kind else { continue };
            let of = bindings.iter().filter_map(|one| {
                let series = self.series.get(one.slot as usize)?;
                Some((entry.name.as_str(), series, one.from_us, one.until_us))
            });
            lines.extend(of);
        }
        lines
    }

    /// Whether the tag is known (wanted or ignored).
    pub fn knows(&self, tag: &str) -> bool {
        let mut extra = Vec::new();
        !matches!(self.resolve(tag.as_bytes(), &mut extra).kind, TagKind::Unknown)
    }

    /// Whether the readings of a tag are wanted: it is known, and of a signal that is kept.
    pub fn wants(&self, tag: &str) -> bool {
        let mut extra = Vec::new();
        !matches!(
            self.resolve(tag.as_bytes(), &mut extra).kind,
            TagKind::Unknown | TagKind::Ignored
        )
    }

    /// A written-out tag that differs from this name in the case of letters only.
    pub fn but_for_case(&self, name: &str) -> Option<&str> {
        let folded = name.to_lowercase();
        let same = |entry: &&Arc<TagEntry>| entry.name.to_lowercase() == folded;
        self.tags.values().filter(same).map(|entry| entry.name.as_str()).min()
    }

    /// The table by series, for many questions.
    pub fn by_series(&self) -> BySeries<'_> {
        let mut bound: BTreeMap<&Series, Vec<(&str, &Binding)>> = BTreeMap::new();
        #[expect(clippy::iter_over_hash_type, reason = "what stands together is sorted below")]
        for entry in self.tags.values() {
            let TagKind::Bound(bindings) = &entry.kind else { continue };
            for binding in bindings {
                if let Some(series) = self.series.get(binding.slot as usize) {
                    bound.entry(series).or_default().push((&entry.name, binding));
                }
            }
        }
        bound.values_mut().for_each(|tags| tags.sort_by_key(|(tag, b)| (*tag, b.from_us)));
        BySeries { bound, patterns: &self.patterns }
    }

    fn from_sheet(sheet: &Sheet, settings: &RecordSettings) -> Result<TagTable, ImportError> {
        let columns = sheet.columns(&NEEDED, &OPTIONAL, &settings.tags)?;
        if let Some(reject) = sheet.rejects.first() {
            return Err(ImportError::BadCell {
                at: reject.origin.clone(),
                read: reject.read.clone(),
                expected: reject.expected.clone(),
            });
        }
        let mut table = TagTable::default();
        for row in &sheet.rows {
            let row = Row { sheet, columns: &columns, row, settings };
            let tag = columns.text(row.row, "tag");
            let pattern = tag.strip_prefix('/').and_then(|t| t.strip_suffix('/'));
            match pattern {
                Some(pattern) if !pattern.is_empty() => table.add_pattern(&row, pattern)?,
                _ => table.add_tag(&row, tag)?,
            }
        }
        Ok(table)
    }

    fn add_tag(&mut self, row: &Row<'_>, tag: &str) -> Result<(), ImportError> {
        if tag.is_empty() {
            return Err(row.bad("tag", "a tag"));
        }
        let (from_us, until_us) = row.times()?;
        let signal = row.text("signal");
        let ignored = signal == IGNORE;
        let bound = match self.tags.get(tag.as_bytes()).map(|entry| &entry.kind) {
            Some(TagKind::Bound(bindings)) if !ignored => bindings.as_slice(),
            Some(_) => return Err(row.twice(0, ", as ignored")),
            None => &[],
        };
        let clash = bound.iter().find(|b| b.from_us < until_us && from_us < b.until_us);
        if let Some(clash) = clash {
            return Err(row.twice(clash.line, ", for a time that overlaps"));
        }
        let kind = if ignored {
            TagKind::Ignored
        } else {
            let meter = row.text("meter");
            if meter.is_empty() {
                return Err(row.bad("meter", "a meter, or the signal `ignore`"));
            }
            let signal = Signal::parse(signal).ok_or_else(|| row.bad_signal())?;
            let unit = row.text("unit");
            let conversion = unit::conversion(&signal, unit).map_err(|source| {
                ImportError::UnknownUnit { at: row.at("unit"), source: source.into() }
            })?;
            let mut bindings = bound.to_vec();
            bindings.push(Binding {
                slot: slot(&self.series),
                from_us,
                until_us,
                conversion,
                span: signal.physical_span(),
                unit: unit.into(),
                signal: signal.clone(),
                line: row.row.line,
            });
            bindings.sort_by_key(|binding| binding.from_us);
            self.series.push(Series { meter: meter.into(), signal });
            TagKind::Bound(bindings)
        };
        let entry = TagEntry { name: tag.into(), kind };
        self.tags.insert(tag.as_bytes().into(), Arc::new(entry));
        Ok(())
    }

    fn add_pattern(&mut self, row: &Row<'_>, pattern: &str) -> Result<(), ImportError> {
        let regex = Regex::new(&format!("^(?:{pattern})$"))
            .map_err(|error| row.bad("tag", &format!("a pattern ({error})")))?;
        let has = |part: &str| regex.capture_names().flatten().any(|name| name == part);
        let (meter, signal) = (row.text("meter"), row.text("signal"));
        if signal != IGNORE {
            if meter.is_empty() && !has("meter") {
                return Err(row.bad("meter", "a meter, or a part (?P<meter>..) in the pattern"));
            }
            if signal.is_empty() && !has("signal") {
                return Err(row.bad("signal", "a signal, or a part (?P<signal>..)"));
            }
            if !signal.is_empty() && Signal::parse(signal).is_none() {
                return Err(row.bad_signal());
            }
        }
        let (from_us, until_us) = row.times()?;
        self.patterns.push(Pattern {
            units: row.units(signal)?,
            regex,
            meter: meter.into(),
            signal: signal.into(),
            from_us,
            until_us,
            line: row.row.line,
        });
        Ok(())
    }

    /// The entry of a tag. Series of patterns are appended to `extra`, whose slots follow those
    /// of the table.
    pub(crate) fn resolve(&self, tag: &[u8], extra: &mut Vec<Series>) -> Arc<TagEntry> {
        if let Some(entry) = self.tags.get(tag) {
            return Arc::clone(entry);
        }
        let first_free = self.series.len();
        let kind = std::str::from_utf8(tag).ok().and_then(|text| {
            let pattern = self.patterns.iter().find(|p| p.regex.is_match(text))?;
            pattern.kind(text, first_free, extra)
        });
        Arc::new(TagEntry { name: shown(tag), kind: kind.unwrap_or(TagKind::Unknown) })
    }
}

const NEEDED: [&str; 4] = ["tag", "meter", "signal", "unit"];
const OPTIONAL: [&str; 2] = ["from", "until"];

fn slot(series: &[Series]) -> u32 {
    u32::try_from(series.len()).unwrap_or(u32::MAX)
}

/// What the tag table says of a series.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Declared {
    /// The tag, or `/pattern/`.
    pub tag: String,
    /// Its unit, as the table writes it.
    pub unit: String,
}

/// What tells each series.
#[derive(Debug)]
pub struct BySeries<'t> {
    bound: BTreeMap<&'t Series, Vec<(&'t str, &'t Binding)>>,
    patterns: &'t [Pattern],
}

impl BySeries<'_> {
    /// The tag that tells a series at an instant, by its name, or as the pattern that it fits;
    /// `None` where the table has none. Of several the first by name.
    pub fn declared(&self, series: &Series, time_us: i64) -> Option<Declared> {
        let tags = self.bound.get(series).map_or(&[][..], Vec::as_slice);
        let in_force =
            tags.iter().find(|(_, binding)| (binding.from_us..binding.until_us).contains(&time_us));
        in_force
            .map(|(tag, binding)| Declared { tag: (*tag).into(), unit: binding.unit.clone() })
            .or_else(|| self.patterns.iter().find_map(|p| p.declared(series, time_us)))
    }
}

impl Pattern {
    /// The unit of a series that this pattern may bind.
    fn declared(&self, series: &Series, time_us: i64) -> Option<Declared> {
        let fits = |cell: &str, name: &str| cell.is_empty() || cell == name;
        let in_force = (self.from_us..self.until_us).contains(&time_us);
        if !in_force
            || !fits(&self.meter, &series.meter)
            || !fits(&self.signal, &series.signal.name())
            || !self.may_name(&series.meter)
        {
            return None;
        }
        let unit = match &self.units {
            Units::One(unit) => unit.clone(),
            Units::PerSignal(units) => units.iter().find(|(s, _)| *s == series.signal)?.1.clone(),
        };
        let written = self.regex.as_str();
        let written = written.strip_prefix("^(?:").and_then(|text| text.strip_suffix(")$"));
        Some(Declared { tag: format!("/{}/", written.unwrap_or_default()), unit })
    }

    /// Whether the part of the pattern called `meter` could have given this name.
    fn may_name(&self, meter: &str) -> bool {
        let part = named_part(self.regex.as_str(), "meter");
        let whole = part.and_then(|part| Regex::new(&format!("^(?:{part})$")).ok());
        whole.is_none_or(|whole| whole.is_match(meter))
    }

    fn kind(&self, tag: &str, first_free: usize, extra: &mut Vec<Series>) -> Option<TagKind> {
        if self.signal == IGNORE {
            return Some(TagKind::Ignored);
        }
        let parts = self.regex.captures(tag)?;
        let part = |cell: &str, name: &str| -> Option<String> {
            if !cell.is_empty() {
                return Some(cell.into());
            }
            parts.name(name).map(|m| m.as_str().to_owned()).filter(|text| !text.is_empty())
        };
        let meter = part(&self.meter, "meter")?;
        let signal = signal_of_part(&part(&self.signal, "signal")?)?;
        let unit = match &self.units {
            Units::One(unit) => unit.clone(),
            Units::PerSignal(units) => units.iter().find(|(s, _)| *s == signal)?.1.clone(),
        };
        let conversion = unit::conversion(&signal, &unit).ok()?;
        let binding = Binding {
            slot: u32::try_from(first_free + extra.len()).unwrap_or(u32::MAX),
            from_us: self.from_us,
            until_us: self.until_us,
            conversion,
            span: signal.physical_span(),
            unit,
            signal: signal.clone(),
            line: self.line,
        };
        extra.push(Series { meter, signal });
        Some(TagKind::Bound(vec![binding]))
    }
}

/// `DRIVE-GAIN` in a tag is the signal `drive_gain`.
fn signal_of_part(text: &str) -> Option<Signal> {
    Signal::parse(text).or_else(|| Signal::parse(&crate::text::folded_name(text)))
}

impl TagEntry {
    /// The binding in force at an instant.
    #[inline]
    pub fn binding_at(bindings: &[Binding], time_us: i64) -> Option<&Binding> {
        bindings.iter().find(|b| (b.from_us..b.until_us).contains(&time_us))
    }
}

/// A row of the table with what is needed to complain about it.
struct Row<'s> {
    sheet: &'s Sheet,
    columns: &'s Columns,
    row: &'s SheetRow,
    settings: &'s RecordSettings,
}

impl Row<'_> {
    fn text(&self, field: &str) -> &str {
        self.columns.text(self.row, field)
    }

    fn at(&self, field: &str) -> Origin {
        self.sheet.at(self.row, self.columns, field, self.text("tag"))
    }

    fn bad(&self, field: &str, expected: &str) -> ImportError {
        let read = shown(self.text(field).as_bytes());
        ImportError::BadCell { at: self.at(field), read, expected: expected.into() }
    }

    fn bad_signal(&self) -> ImportError {
        let known: Vec<String> = Signal::KNOWN.iter().map(Signal::name).collect();
        self.bad("signal", &format!("one of {}, other:NAME, {IGNORE}", known.join(", ")))
    }

    fn twice(&self, other_line: u64, why: &str) -> ImportError {
        ImportError::Twice { at: self.at("tag"), other_line, why: why.into() }
    }

    fn times(&self) -> Result<(i64, i64), ImportError> {
        let time = |field: &str, open: i64| match self.text(field) {
            "" => Ok(open),
            text => self
                .settings
                .instant(text)
                .ok_or_else(|| self.bad(field, "a date or time such as 2024-03-07")),
        };
        let (from, until) = (time("from", i64::MIN)?, time("until", i64::MAX)?);
        if from >= until {
            return Err(self.bad("until", "a time after `from`"));
        }
        Ok((from, until))
    }

    /// The unit cell of a pattern: one unit, or `mass_flow=t/h drive_gain=%` where the signal is
    /// a part of the tag.
    fn units(&self, signal: &str) -> Result<Units, ImportError> {
        let cell = self.text("unit");
        let unknown = |source: unit::UnknownUnit| ImportError::UnknownUnit {
            at: self.at("unit"),
            source: source.into(),
        };
        if signal == IGNORE {
            return Ok(Units::One(String::new()));
        }
        if let Some(signal) = Signal::parse(signal) {
            unit::conversion(&signal, cell).map_err(unknown)?;
            return Ok(Units::One(cell.into()));
        }
        let mut units = Vec::new();
        for pair in cell.split([' ', ';']).filter(|pair| !pair.is_empty()) {
            let wrong = || self.bad("unit", "pairs such as `mass_flow=t/h drive_gain=%`");
            let (name, unit) = pair.split_once('=').ok_or_else(wrong)?;
            let signal = Signal::parse(name).ok_or_else(wrong)?;
            unit::conversion(&signal, unit).map_err(unknown)?;
            units.push((signal, unit.to_owned()));
        }
        if units.is_empty() {
            return Err(self.bad("unit", "pairs such as `mass_flow=t/h drive_gain=%`"));
        }
        Ok(Units::PerSignal(units))
    }
}

/// What stands inside a named group of a pattern.
fn named_part<'p>(pattern: &'p str, name: &str) -> Option<&'p str> {
    let begin = [format!("(?P<{name}>"), format!("(?<{name}>")]
        .iter()
        .find_map(|open| Some(pattern.find(open)? + open.len()))?;
    let (mut depth, mut escaped, mut class) = (0, false, false);
    for (at, c) in pattern[begin..].char_indices() {
        match c {
            _ if escaped => escaped = false,
            '\\' => escaped = true,
            '[' => class = true,
            ']' => class = false,
            '(' if !class => depth += 1,
            ')' if !class && depth == 0 => return Some(&pattern[begin..begin + at]),
            ')' if !class => depth -= 1,
            _ => {}
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(text: &str) -> Result<TagTable, ImportError> {
        TagTable::parse(text, "tags.csv", &RecordSettings::default())
    }

    const HEAD: &str = "tag,meter,signal,unit,from,until\n";

    fn error(rows: &str) -> String {
        table(&format!("{HEAD}{rows}")).expect_err(rows).full()
    }

    #[test]
    fn a_tag_moves_from_meter_to_meter_on_its_day() {
        let text = format!(
            "{HEAD}T.D,FT-1,density,g/cm3,,2024-03-01\nT.D,FT-2,density,kg/m3,2024-03-01,\n"
        );
        let table = table(&text).expect("table");
        let entry = table.resolve(b"T.D", &mut Vec::new());
        let TagKind::Bound(bindings) = &entry.kind else { panic!("bound") };
        let march = 1_709_251_200_000_000;
        let meter = |time| {
            let binding = TagEntry::binding_at(bindings, time).expect("in force");
            (table.series[binding.slot as usize].meter.as_str(), binding.conversion.factor)
        };
        assert_eq!(meter(march - 1), ("FT-1", 1000.0));
        assert_eq!(meter(march), ("FT-2", 1.0));
    }

    #[test]
    fn an_unknown_unit_names_its_line_and_the_known_ones() {
        let text = error("A,FT-1,density,kg/m3,,\nB,FT-1,mass_flow,stone/h,,\n");
        assert!(text.starts_with("unit `stone/h` is not known for mass_flow"), "{text}");
        assert!(text.ends_with("at `tags.csv`, line 3, column 4 (B)"), "{text}");
        assert!(text.contains("kg/min"), "{text}");
    }

    #[test]
    fn a_tag_bound_twice_at_one_time_names_both_lines() {
        let text = error("A,FT-1,density,kg/m3,,\nA,FT-2,density,kg/m3,2024-01-01,\n");
        assert_eq!(
            text,
            "`A` stands already in line 2, for a time that overlaps, at `tags.csv`, line 3, \
             column 1 (A)"
        );
        assert!(error("A,,ignore,,,\nA,FT-2,density,kg/m3,,\n").contains("as ignored"));
    }

    #[test]
    fn what_is_missing_or_misspelt_is_said() {
        assert!(error(",FT-1,density,kg/m3,,\n").contains("expected a tag"));
        assert!(error("A,,density,kg/m3,,\n").contains("a meter"));
        assert!(error("A,FT-1,densty,kg/m3,,\n").contains("tube_frequency"));
        assert!(error("A,FT-1,density,kg/m3,yesterday,\n").contains("2024-03-07"));
        assert!(error("A,FT-1,density,kg/m3,2024-03-01,2024-03-01\n").contains("after `from`"));
        assert!(error("/(/,FT-1,density,kg/m3,,\n").contains("a pattern"));
        assert!(error("/x/,,density,kg/m3,,\n").contains("(?P<meter>..)"));
    }

    #[test]
    fn the_unit_of_a_series_is_that_of_its_tag_or_pattern_at_the_time() {
        let text = format!(
            "{HEAD}T.D,FT-1,density,g/cm3,,2024-03-01\nT.E,FT-1,density,kg/m3,2024-03-01,\n\
             /(?P<meter>FT-\\d+)\\.(?P<signal>[A-Z-]+)/,,,mass_flow=t/h density=lb/ft3,,\n"
        );
        let table = table(&text).expect("table");
        let march = 1_709_251_200_000_000;
        let declared = |meter: &str, signal, time| {
            let found = table.by_series().declared(&Series { meter: meter.into(), signal }, time);
            found.map(|declared| (declared.tag, declared.unit))
        };
        let pair = |tag: &str, unit: &str| Some((tag.to_string(), unit.to_string()));
        assert_eq!(declared("FT-1", Signal::Density, march - 1), pair("T.D", "g/cm3"));
        assert_eq!(declared("FT-1", Signal::Density, march), pair("T.E", "kg/m3"));
        let pattern = "/(?P<meter>FT-\\d+)\\.(?P<signal>[A-Z-]+)/";
        assert_eq!(declared("FT-7", Signal::Density, march), pair(pattern, "lb/ft3"));
        assert_eq!(declared("FT-7", Signal::Pressure, march), None);
        // A name that the pattern cannot give.
        assert_eq!(declared("PT-7", Signal::Density, march), None);
    }

    #[test]
    fn a_named_part_is_found_by_its_brackets() {
        let pattern = r"^(?:lm_(?P<meter>FT-(?:12|17)[0-9)(]\)+)_rho)$";
        assert_eq!(named_part(pattern, "meter"), Some(r"FT-(?:12|17)[0-9)(]\)+"));
        assert_eq!(named_part("(?<meter>x)", "meter"), Some("x"));
        assert_eq!((named_part("x", "meter"), named_part("(?<meter>x", "meter")), (None, None));
    }

    #[test]
    fn a_pattern_gives_meter_and_signal_by_its_named_parts() {
        let rows = "/(?P<meter>FT-\\d+)\\.(?P<signal>[A-Z-]+)/,,,mass_flow=t/h density=kg/m3,,\n\
                    /SPARE.*/,,ignore,,,\n";
        let table = table(&format!("{HEAD}{rows}")).expect("table");
        let mut extra = Vec::new();
        let entry = table.resolve(b"FT-31.MASS-FLOW", &mut extra);
        let TagKind::Bound(bindings) = &entry.kind else { panic!("bound") };
        assert_eq!(bindings[0].conversion.factor, 1000.0);
        assert_eq!(extra, [Series { meter: "FT-31".into(), signal: Signal::MassFlow }]);
        for unknown in ["FT-31.VALVE", "FT-31.DENSITY.X", "xFT-31.DENSITY", "FT-31.PRESSURE"] {
            assert!(!table.knows(unknown), "{unknown}");
        }
        assert!(table.knows("SPARE-1"));
    }
}
