//! Long or wide, and which column is what: by header names first, by what the cells hold next.

use super::codes::{is_quality_code, quality_word};
use super::table::Table;
use crate::quality::code;
use crate::schema::{QUALITY_ENDINGS, QUALITY_NAMES};
use crate::text::folded_name;

const TAG_NAMES: [&str; 17] = [
    "tag",
    "tagname",
    "tag_name",
    "tag_id",
    "tagid",
    "name",
    "point",
    "point_name",
    "pointname",
    "point_id",
    "item",
    "item_id",
    "itemid",
    "variable",
    "sensor",
    "channel",
    "series",
];
const VALUE_NAMES: [&str; 6] = ["value", "val", "reading", "wert", "messwert", "data"];
const UNIT_NAMES: [&str; 6] = ["unit", "units", "uom", "eu", "einheit", "engineering_unit"];
/// Columns of one layout.
#[derive(Clone, Debug, Default)]
pub(super) struct Roles {
    pub tag: Option<usize>,
    pub value: Option<usize>,
    pub quality: Option<usize>,
    pub unit: Option<usize>,
    pub cells: Vec<(usize, Option<usize>)>,
}

/// Columns by their names and cells.
pub(super) struct Looks<'l> {
    pub table: &'l Table,
    pub names: &'l [String],
    pub free: &'l [usize],
    pub header: bool,
}

impl Looks<'_> {
    fn named(&self, words: &[&str]) -> Option<usize> {
        let fits = |column: &usize| words.contains(&folded_name(&self.names[*column]).as_str());
        self.free.iter().copied().find(|column| self.header && fits(column))
    }

    fn is_text(&self, column: usize) -> bool {
        !self.table.is_empty_column(column) && self.table.number_share(column) < 0.1
    }

    fn is_quality(&self, column: usize) -> bool {
        let cells = self.table.distinct(column, 50);
        !cells.is_empty()
            && cells.len() < 50
            && cells
                .keys()
                .all(|cell| code(cell).is_some_and(is_quality_code) || quality_word(cell))
    }

    /// The roles of a long dump, as far as names and cells tell; `None` when they do not.
    pub fn long_roles(&self, set: &Roles) -> Option<Roles> {
        let taken =
            |column: usize| [set.tag, set.value, set.quality, set.unit].contains(&Some(column));
        let open: Vec<usize> = self.free.iter().copied().filter(|&c| !taken(c)).collect();
        let quality = set.quality.or_else(|| self.named(&QUALITY_NAMES).filter(|&c| !taken(c)));
        let unit = set.unit.or_else(|| self.named(&UNIT_NAMES).filter(|&c| !taken(c)));
        let tag_by_name = set.tag.or_else(|| self.named(&TAG_NAMES));
        let tag = tag_by_name.or_else(|| {
            let mut texts = open.iter().copied().filter(|&column| {
                self.is_text(column)
                    && Some(column) != quality
                    && Some(column) != unit
                    && !self.is_quality(column)
                    && !self.is_unit(column)
            });
            let first = texts.next()?;
            let full =
                self.table.cells(first, usize::MAX).len() * 100 >= self.table.rows.len() * 99;
            (texts.next().is_none() && full).then_some(first)
        })?;
        let others =
            |column: &usize| *column != tag && Some(*column) != quality && Some(*column) != unit;
        let value_by_name = set.value.or_else(|| self.named(&VALUE_NAMES).filter(others));
        let mut numbers: Vec<usize> = open
            .iter()
            .copied()
            .filter(others)
            .filter(|&column| self.table.number_share(column) > 0.0)
            .collect();
        let mut quality = quality;
        if quality.is_none() && value_by_name.is_none() && numbers.len() == 2 {
            let codes: Vec<usize> =
                numbers.iter().copied().filter(|&column| self.is_quality(column)).collect();
            if let [only] = codes[..] {
                quality = Some(only);
                numbers.retain(|&column| column != only);
            }
        }
        let value = match (value_by_name, &numbers[..]) {
            (Some(value), _) => value,
            (None, [only]) => *only,
            (None, _) => return None,
        };
        let rest = |column: &usize| others(column) && *column != value;
        if quality.is_none() {
            quality = open.iter().copied().filter(rest).find(|&column| self.is_quality(column));
        }
        let unit = unit.or_else(|| {
            let rest = |column: &usize| rest(column) && Some(*column) != quality;
            open.iter().copied().filter(rest).find(|&column| self.is_unit(column))
        });
        Some(Roles { tag: Some(tag), value: Some(value), quality, unit, cells: Vec::new() })
    }

    fn is_unit(&self, column: usize) -> bool {
        let cells = self.table.distinct(column, 50);
        let known = |cell: &[u8]| {
            let text = String::from_utf8_lossy(cell);
            let mut signals = metersift_model::Signal::KNOWN.iter();
            signals.any(|signal| metersift_model::unit::conversion(signal, &text).is_ok())
        };
        self.is_text(column) && cells.len() < 50 && cells.keys().all(|cell| known(cell))
    }

    /// Value columns of a wide dump, each with the quality column that stands for it.
    pub fn wide_cells(&self) -> Vec<(usize, Option<usize>)> {
        let quality_of = |column: usize| -> Option<usize> {
            let name = folded_name(&self.names[column]);
            let ending = QUALITY_ENDINGS.iter().find_map(|ending| name.strip_suffix(ending));
            let owner = ending.and_then(|owner| {
                self.free.iter().copied().find(|&other| folded_name(&self.names[other]) == owner)
            });
            let beside = || {
                let left = column.checked_sub(1).filter(|left| self.free.contains(left))?;
                let plain = QUALITY_NAMES.contains(&name.as_str()) && self.is_quality(column);
                (plain && self.table.number_share(left) > 0.0).then_some(left)
            };
            owner.or_else(beside)
        };
        let pairs: Vec<(usize, usize)> = match self.header {
            true => self.free.iter().filter_map(|&c| Some((quality_of(c)?, c))).collect(),
            false => Vec::new(),
        };
        let is_quality = |column: usize| pairs.iter().any(|&(_, quality)| quality == column);
        let unnamed = |column: usize| {
            let no_name = self.names[column].is_empty() || !self.header;
            no_name && self.table.is_empty_column(column)
        };
        self.free
            .iter()
            .copied()
            .filter(|&column| !is_quality(column) && !unnamed(column))
            .map(|column| {
                let quality = pairs.iter().find(|&&(owner, _)| owner == column);
                (column, quality.map(|&(_, quality)| quality))
            })
            .collect()
    }
}
