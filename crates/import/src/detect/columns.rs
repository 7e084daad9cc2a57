//! Which column is what: settings first, then names, then what the cells hold.

use super::head::Head;
use super::layout::{Looks, Roles};
use super::table::Table;
use super::times::{self, TimeColumns};
use super::{Detection, find_name, toml_text};
use crate::error::ImportError;
use crate::settings::{ColumnRef, Layout};
use crate::text::shown;
use std::collections::{BTreeMap, BTreeSet};

impl Detection<'_> {
    /// Time columns by name or setting, once the header is known.
    pub(super) fn time_columns(
        &self,
        table: &Table,
        names: &[String],
        head: &Head,
    ) -> Result<Option<TimeColumns>, ImportError> {
        let given = &self.given.columns;
        let Some(time) = &given.time else {
            return Ok(times::find_columns(table, names, self.given));
        };
        let time = self.column(time, names, head)?;
        let date = match &given.date {
            Some(date) => Some(self.column(date, names, head)?),
            None => None,
        };
        let own = TimeColumns { time, date, zone: None };
        let found = times::find_columns(table, names, self.given);
        let looks = |column: usize| times::has_times(table, column, self.given);
        let readable = match date {
            None => looks(time),
            Some(date) => looks(date),
        };
        match found {
            // In a format of its own only the user can tell.
            Some(found) if !readable && self.given.time_format.is_none() => {
                let column = date.unwrap_or(time);
                let below = |cell: &[u8]| cell != names[column].as_bytes();
                let (line, cell) = table.find(column, &below).unwrap_or_default();
                let cell = shown(cell);
                let name = shown(names[found.date.unwrap_or(found.time)].as_bytes());
                let setting = if date.is_some() { "columns.date" } else { "columns.time" };
                let read = format!("`{cell}` there, and times in column `{name}`");
                Err(self.conflict(line, setting, shown(names[column].as_bytes()), read))
            }
            _ => Ok(Some(own)),
        }
    }

    /// The column of the rows' zones; only a setting names one.
    pub(super) fn zone_column(
        &self,
        names: &[String],
        head: &Head,
    ) -> Result<Option<usize>, ImportError> {
        let zone = self.given.columns.zone.as_ref();
        zone.map(|column| self.column(column, names, head)).transpose()
    }

    fn column(
        &self,
        column: &ColumnRef,
        names: &[String],
        head: &Head,
    ) -> Result<usize, ImportError> {
        let place = match column {
            ColumnRef::Number(number) => (*number as usize).checked_sub(1),
            ColumnRef::Name(name) => find_name(names, name),
        };
        place.filter(|&place| place < names.len()).ok_or_else(|| ImportError::MissingColumn {
            file: self.file.clone(),
            line: head.header.as_ref().map_or(0, |_| head.skip_lines + 1),
            column: column.to_string(),
            found: names.iter().take(100).map(|name| shown(name.as_bytes())).collect(),
        })
    }

    pub(super) fn layout(
        &mut self,
        table: &Table,
        head: &Head,
        names: &[String],
        time: TimeColumns,
    ) -> Result<(Layout, Roles), ImportError> {
        let given = &self.given.columns;
        let ignored = self.ignored(names, head)?;
        let optional = |column: &Option<ColumnRef>| -> Result<Option<usize>, ImportError> {
            column.as_ref().map(|column| self.column(column, names, head)).transpose()
        };
        let set = Roles {
            tag: optional(&given.tag)?,
            value: optional(&given.value)?,
            quality: optional(&given.quality)?,
            unit: optional(&given.unit)?,
            cells: Vec::new(),
        };
        let free: Vec<usize> = (0..table.n_columns.min(names.len()))
            .filter(|column| ![Some(time.time), time.date, time.zone].contains(&Some(*column)))
            .filter(|column| !ignored.contains(column))
            .collect();
        let looks = Looks { table, names, free: &free, header: head.header.is_some() };
        let long = looks.long_roles(&set);
        let set_layout = self.given.layout.is_some();
        let layout = match (self.given.layout, &long) {
            (Some(layout), _) => layout,
            (None, Some(_)) => Layout::Long,
            (None, None) if set.tag.is_some() || set.value.is_some() => Layout::Long,
            (None, None) => Layout::Wide,
        };
        let unfit = |why: &str| match self.given.layout {
            Some(layout) => {
                let found = self.looks_text(&looks, why);
                self.conflict(
                    table.lines.first().copied().unwrap_or(0),
                    "layout",
                    layout.name().into(),
                    found,
                )
            }
            None => {
                let why = self.looks_text(&looks, why);
                ImportError::UnclearLayout { file: self.file.clone(), why }
            }
        };
        let roles = match layout {
            Layout::Long => {
                let roles = long.ok_or_else(|| unfit("no column of tags beside one of values"))?;
                self.check_value(table, names, &roles)?;
                let own =
                    [roles.tag, roles.value, roles.quality, roles.unit, Some(time.time), time.date];
                self.check_names(names, head, own.into_iter().flatten(), &ignored)?;
                roles
            }
            Layout::Wide => {
                let cells = looks.wide_cells();
                if !cells.iter().any(|&(cell, _)| table.number_share(cell) > 0.0) {
                    return Err(unfit("no column of numbers"));
                }
                self.check_names(names, head, cells.iter().map(|&(cell, _)| cell), &ignored)?;
                Roles { cells, ..set }
            }
        };
        let reason = match layout {
            Layout::Long => "a column of tags beside one of values".to_owned(),
            Layout::Wide => format!("{} columns of readings beside the time", roles.cells.len()),
        };
        self.guess("layout", toml_text(layout.name()), &reason, None, set_layout);
        Ok((layout, roles))
    }

    fn ignored(&self, names: &[String], head: &Head) -> Result<BTreeSet<usize>, ImportError> {
        // A name that stands several times is ignored everywhere.
        let mut ignored = BTreeSet::new();
        for column in &self.given.ignore_columns {
            ignored.insert(self.column(column, names, head)?);
            if let ColumnRef::Name(name) = column {
                let same = names.iter().enumerate().filter(|(_, other)| *other == name);
                ignored.extend(same.map(|(idx, _)| idx));
            }
        }
        Ok(ignored)
    }

    fn looks_text(&self, looks: &Looks<'_>, why: &str) -> String {
        let columns = looks.free.iter().take(20).map(|&column| {
            let cell = looks.table.cells(column, 3).first().map_or_else(String::new, |c| shown(c));
            format!("{} `{cell}`", shown(looks.names[column].as_bytes()))
        });
        let columns: Vec<String> = columns.collect();
        format!("{why}; columns: {}", columns.join(", "))
    }

    /// A value column that is set must hold numbers, if it holds anything.
    fn check_value(
        &self,
        table: &Table,
        names: &[String],
        roles: &Roles,
    ) -> Result<(), ImportError> {
        let Some(value) = roles.value.filter(|_| self.given.columns.value.is_some()) else {
            return Ok(());
        };
        let cells = table.cells(value, 400);
        if cells.is_empty() || table.number_share(value) > 0.0 {
            return Ok(());
        }
        let (line, cell) = table.find(value, &|_| true).unwrap_or_default();
        let found = format!("no number in it, such as `{}`", shown(cell));
        Err(self.conflict(line, "columns.value", shown(names[value].as_bytes()), found))
    }

    /// Columns that are read must have names of their own.
    fn check_names(
        &self,
        names: &[String],
        head: &Head,
        read: impl Iterator<Item = usize>,
        ignored: &BTreeSet<usize>,
    ) -> Result<(), ImportError> {
        if head.header.is_none() {
            return Ok(());
        }
        let mut places: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
        for (column, name) in names.iter().enumerate().filter(|(c, _)| !ignored.contains(c)) {
            places.entry(name).or_default().push(column + 1);
        }
        for column in read {
            if let Some(columns) = places.get(names[column].as_str()).filter(|c| c.len() > 1) {
                return Err(ImportError::DuplicateColumns {
                    file: self.file.clone(),
                    line: head.skip_lines + 1,
                    name: shown(names[column].as_bytes()),
                    columns: columns.clone(),
                });
            }
        }
        Ok(())
    }

    /// The lines above the data, and what stands in them.
    pub(super) fn guess_head(&mut self, head: &Head) {
        let given = self.given;
        let reason = match &head.header {
            Some(_) => format!("names in line {}", head.skip_lines + 1),
            None => "the first row is data".into(),
        };
        let header = head.header.is_some().to_string();
        self.guess("header", header, &reason, None, given.header.is_some());
        let above = match head.skip_lines {
            0 => "nothing above".to_owned(),
            n => format!("{n} lines of notes above"),
        };
        let skip = head.skip_lines.to_string();
        self.guess("skip_lines", skip, &above, None, given.skip_lines.is_some());
        if head.header.is_some() {
            let reason = match head.unit_rows {
                0 => "rows begin below the header".to_owned(),
                _ if head.units.is_empty() => "blank lines, notes or formats".to_owned(),
                _ => {
                    let units = head.units.iter().filter(|unit| !unit.is_empty()).take(5);
                    let units: Vec<String> = units.map(|u| shown(u.as_bytes())).collect();
                    format!("units: {}", units.join(", "))
                }
            };
            let rows = head.unit_rows.to_string();
            self.guess("unit_rows", rows, &reason, None, given.unit_rows.is_some());
        }
    }

    pub(super) fn guess_columns(
        &mut self,
        names: &[String],
        layout: Layout,
        roles: &Roles,
        time: TimeColumns,
        header: bool,
    ) {
        let named = |column: usize| {
            let name = &names[column];
            let unique = names.iter().filter(|other| *other == name).count() == 1;
            if header && unique && !name.is_empty() {
                toml_text(name)
            } else {
                (column + 1).to_string()
            }
        };
        let mut parts = Vec::new();
        let mut add = |key: &str, column: Option<usize>| {
            if let Some(column) = column {
                parts.push(format!("{key} = {}", named(column)));
            }
        };
        if layout == Layout::Long {
            add("tag", roles.tag);
        }
        add("date", time.date);
        add("time", Some(time.time));
        add("zone", time.zone);
        if layout == Layout::Long {
            add("value", roles.value);
            add("quality", roles.quality);
            add("unit", roles.unit);
        }
        let given = &self.given.columns;
        let given = given.time.is_some() && (layout == Layout::Wide || given.value.is_some());
        let toml = format!("{{ {} }}", parts.join(", "));
        self.guess("columns", toml, "by name and by what the cells hold", None, given);
    }
}
