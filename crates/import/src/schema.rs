//! Which column of a table is what, and what another header in mid-file makes of it.
//!
//! Why:    a recorder that gets new tags writes a new header and goes on; columns move, come
//!         and go. Each header says anew which column is what, by the names that the first one
//!         used, so that a value never lands in its neighbour's series.
//! Rules:  names are compared exactly first, then without regard to letter case and blanks. A
//!         column that is needed and not named, a name that stands twice, and quality that comes
//!         or goes are no new header but another table, which is refused with its line.

use crate::settings::Layout;
use crate::text::folded_name;
use std::collections::{BTreeMap, BTreeSet};

/// Names of columns of time, folded.
pub const TIME_NAMES: [&str; 16] = [
    "time",
    "timestamp",
    "datetime",
    "date_time",
    "date/time",
    "time_stamp",
    "date",
    "utc",
    "time_utc",
    "timestamp_utc",
    "local_time",
    "ts",
    "zeit",
    "zeitstempel",
    "datum",
    "datum/zeit",
];
/// Names of columns of quality, folded.
pub const QUALITY_NAMES: [&str; 11] = [
    "quality",
    "q",
    "qual",
    "status",
    "quality_code",
    "qualitycode",
    "opc_quality",
    "state",
    "flag",
    "qc",
    "status_code",
];
/// What a quality column adds to the name of the column that it stands for, folded.
pub const QUALITY_ENDINGS: [&str; 10] =
    ["_quality", ".quality", "_q", ".q", "_qual", "_status", ".status", "_cd", "_flag", "_qc"];

/// Columns of a table, numbered from 0.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Schema {
    /// Names of the columns; `1`, `2`, ... where there is no header.
    pub names: Vec<String>,
    /// Date column, where it stands apart.
    pub date: Option<usize>,
    /// Time column.
    pub time: usize,
    /// Column of the row's zone.
    pub zone: Option<usize>,
    /// Tag column (long).
    pub tag: Option<usize>,
    /// Value column (long).
    pub value: Option<usize>,
    /// Quality column (long).
    pub quality: Option<usize>,
    /// Unit column (long).
    pub unit: Option<usize>,
    /// Value and quality columns (wide); a value without quality has `None`.
    pub cells: Vec<(usize, Option<usize>)>,
    /// Unit by column, from the row of units (wide); empty where none is known.
    pub units: Vec<String>,
}

/// What another header changed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct HeaderChange {
    /// Physical line of the header.
    pub line: u64,
    /// Columns that are new.
    pub added: Vec<String>,
    /// Columns that are gone.
    pub removed: Vec<String>,
}

impl Schema {
    /// Number of columns of a row.
    pub fn n_columns(&self) -> usize {
        self.names.len()
    }

    /// The columns under another header of the same table.
    ///
    /// # Errors
    /// Why it is not the same table.
    pub fn under(&self, names: Vec<String>, layout: Layout) -> Result<Schema, String> {
        let places = Places::new(&names);
        let keep = |column: usize| places.needed(&self.names[column]);
        let time = match places.find(&self.names[self.time])? {
            Some(time) => time,
            None => places.time_by_name().ok_or_else(|| missing(&self.names[self.time]))?,
        };
        let date = self.date.map(keep).transpose()?;
        let zone = self.zone.map(keep).transpose()?;
        let mut schema = Schema { time, date, zone, ..Schema::default() };
        match layout {
            Layout::Long => {
                schema.tag = self.tag.map(keep).transpose()?;
                schema.value = self.value.map(keep).transpose()?;
                schema.quality = self.quality.map(keep).transpose()?;
                schema.unit = match self.unit {
                    Some(unit) => places.find(&self.names[unit])?,
                    None => None,
                };
                if let Some(name) = self.new_quality(&names) {
                    return Err(format!("column `{name}` brings a quality that is not read above"));
                }
            }
            Layout::Wide => {
                schema.cells = self.cells_under(&names, &[Some(time), date, zone], &places)?
            }
        }
        let unit_of: BTreeMap<&str, &str> =
            self.names.iter().zip(&self.units).map(|(n, u)| (n.as_str(), u.as_str())).collect();
        let unit = |name: &String| unit_of.get(name.as_str()).map_or("", |unit| unit).to_owned();
        schema.units =
            if self.units.is_empty() { vec![] } else { names.iter().map(unit).collect() };
        schema.names = names;
        Ok(schema)
    }

    /// A quality column that the table above did not have.
    fn new_quality<'n>(&self, names: &'n [String]) -> Option<&'n str> {
        let known: BTreeSet<String> = self.names.iter().map(|name| folded_name(name)).collect();
        let is_new = |name: &&String| {
            let name = folded_name(name);
            QUALITY_NAMES.contains(&name.as_str()) && !known.contains(&name)
        };
        if self.quality.is_some() {
            return None;
        }
        names.iter().find(is_new).map(String::as_str)
    }

    /// Value columns and their quality columns in a wide table. A name that is known keeps its
    /// part; a new one is quality if its name says so, else a value.
    fn cells_under(
        &self,
        names: &[String],
        no_values: &[Option<usize>],
        places: &Places,
    ) -> Result<Vec<(usize, Option<usize>)>, String> {
        let quality_of: BTreeMap<String, String> = self
            .cells
            .iter()
            .filter_map(|&(value, quality)| {
                Some((folded_name(&self.names[value]), folded_name(&self.names[quality?])))
            })
            .collect();
        let values: BTreeSet<String> =
            self.cells.iter().map(|&(value, _)| folded_name(&self.names[value])).collect();
        let known: BTreeSet<String> = self.names.iter().map(|name| folded_name(name)).collect();
        let folded: Vec<String> = names.iter().map(|name| folded_name(name)).collect();
        let is_value = |column: usize| {
            let name = &folded[column];
            let other_part = known.contains(name) && !values.contains(name);
            !no_values.contains(&Some(column))
                && !name.is_empty()
                && !other_part
                && (values.contains(name) || owner_of(name).is_none_or(|o| !places.has(o)))
        };
        let reads_quality = !quality_of.is_empty();
        let mut cells = Vec::new();
        for column in (0..names.len()).filter(|&column| is_value(column)) {
            let name = &folded[column];
            if places.count(name) > 1 {
                return Err(format!("two columns are named `{}`", names[column]));
            }
            let by_ending = || {
                let mut endings = QUALITY_ENDINGS.iter();
                endings.find_map(|ending| places.column(&format!("{name}{ending}")))
            };
            let quality = match quality_of.get(name) {
                Some(own) => Some(places.column(own).ok_or_else(|| missing(own))?),
                None => by_ending(),
            };
            if let Some(quality) = quality.filter(|_| !reads_quality) {
                if !known.contains(&folded[quality]) {
                    let name = &names[quality];
                    return Err(format!("column `{name}` brings a quality that is not read above"));
                }
                cells.push((column, None));
            } else {
                cells.push((column, quality));
            }
        }
        if cells.is_empty() {
            return Err("no column of readings".into());
        }
        Ok(cells)
    }

    /// What another header changed against this one.
    pub fn change_to(&self, names: &[String], line: u64) -> HeaderChange {
        let without = |from: &[String], other: &[String]| -> Vec<String> {
            let other: BTreeSet<&String> = other.iter().collect();
            let missing = from.iter().filter(|name| !name.is_empty() && !other.contains(name));
            missing.map(|name| crate::text::shown(name.as_bytes())).collect()
        };
        HeaderChange {
            line,
            added: without(names, &self.names),
            removed: without(&self.names, names),
        }
    }
}

fn missing(name: &str) -> String {
    format!("no column is named `{name}`")
}

/// The name that a quality column stands for, by its ending.
fn owner_of(name: &str) -> Option<&str> {
    QUALITY_ENDINGS.iter().find_map(|ending| name.strip_suffix(ending))
}

/// Columns by name.
struct Places {
    exact: BTreeMap<String, Vec<usize>>,
    folded: BTreeMap<String, Vec<usize>>,
}

impl Places {
    fn new(names: &[String]) -> Places {
        let mut places = Places { exact: BTreeMap::new(), folded: BTreeMap::new() };
        for (column, name) in names.iter().enumerate() {
            places.exact.entry(name.clone()).or_default().push(column);
            places.folded.entry(folded_name(name)).or_default().push(column);
        }
        places
    }

    fn find(&self, name: &str) -> Result<Option<usize>, String> {
        let exact = self.exact.get(name);
        match exact.or_else(|| self.folded.get(&folded_name(name))).map(Vec::as_slice) {
            None => Ok(None),
            Some([one]) => Ok(Some(*one)),
            Some(_) => Err(format!("two columns are named `{name}`")),
        }
    }

    fn needed(&self, name: &str) -> Result<usize, String> {
        self.find(name)?.ok_or_else(|| missing(name))
    }

    fn has(&self, folded: &str) -> bool {
        self.folded.contains_key(folded)
    }

    fn count(&self, folded: &str) -> usize {
        self.folded.get(folded).map_or(0, Vec::len)
    }

    fn column(&self, folded: &str) -> Option<usize> {
        self.folded.get(folded).and_then(|columns| columns.first().copied())
    }

    fn time_by_name(&self) -> Option<usize> {
        TIME_NAMES.iter().find_map(|name| self.column(name))
    }
}

/// Tells names that stand several times apart: `x`, `x#2`, `x#3`.
pub fn numbered(names: Vec<String>) -> Vec<String> {
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    let number = |name: String| {
        let n = seen.entry(name.clone()).or_default();
        *n += 1;
        if *n == 1 || name.is_empty() { name } else { format!("{name}#{n}") }
    };
    names.into_iter().map(number).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(text: &str) -> Vec<String> {
        text.split(',').map(str::to_owned).collect()
    }

    fn wide() -> Schema {
        Schema {
            names: names("time,D,D_q,T,T_q,note"),
            time: 0,
            cells: vec![(1, Some(2)), (3, Some(4))],
            ..Schema::default()
        }
    }

    #[test]
    fn columns_that_move_keep_their_names() {
        let schema = wide().under(names("T,T_q,note,TIME,D,D_q"), Layout::Wide).expect("same");
        assert_eq!((schema.time, schema.cells), (3, vec![(0, Some(1)), (4, Some(5))]));
    }

    #[test]
    fn a_new_column_is_read_with_the_quality_beside_it_and_an_ignored_one_stays_ignored() {
        let schema = wide().under(names("time,D,D_q,F,F_q,note"), Layout::Wide).expect("same");
        assert_eq!(schema.cells, vec![(1, Some(2)), (3, Some(4))]);
        let change = wide().change_to(&schema.names, 7);
        assert_eq!((change.added, change.removed), (names("F,F_q"), names("T,T_q")));
    }

    #[test]
    fn quality_that_goes_or_comes_is_another_table() {
        let gone = wide().under(names("time,D,T,T_q"), Layout::Wide).expect_err("gone");
        assert!(gone.contains("`d_q`"), "{gone}");
        let plain = Schema { cells: vec![(1, None)], names: names("time,D"), ..Schema::default() };
        assert!(plain.under(names("time,D,D_q"), Layout::Wide).is_err());
        let long = Schema {
            names: names("tag,time,value"),
            tag: Some(0),
            time: 1,
            value: Some(2),
            ..Schema::default()
        };
        assert!(long.under(names("tag,time,value,quality"), Layout::Long).is_err());
        let moved = long.under(names("Value,tag,remark,time"), Layout::Long).expect("same");
        assert_eq!((moved.tag, moved.time, moved.value), (Some(1), 3, Some(0)));
        assert!(long.under(names("time,D,T"), Layout::Long).is_err());
    }

    #[test]
    fn a_name_that_stands_twice_is_refused_unless_numbered() {
        assert!(wide().under(names("time,D,D_q,D"), Layout::Wide).is_err());
        assert_eq!(numbered(names("a,b,a,a")), names("a,b,a#2,a#3"));
    }
}
