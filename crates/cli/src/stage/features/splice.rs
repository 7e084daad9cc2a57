//! Rows of some meters put in the place of those that a table had of them.

use metersift_model::{Column, ColumnData, Day, Table};
use std::collections::BTreeSet;

/// `fresh` with the rows of `old` whose meter passes `keeps` and that `fresh` has no row of, by
/// meter, then in their own order.
///
/// Columns are those of `fresh`; a column that `old` lacks, or has with another type, is null
/// there.
pub fn splice(old: &Table, fresh: Table, keeps: impl Fn(&str) -> bool) -> Table {
    let new: BTreeSet<String> = names(&fresh).into_iter().collect();
    let keeps = |_: usize, name: &str| keeps(name) && !new.contains(name);
    // Rows of one meter stay in their order: they are all old or all fresh.
    joined(old, &fresh, keeps, |_| 0)
}

/// `fresh` with the rows of `old` whose meter and day pass `keeps`, by meter, then day.
pub fn replace_days(old: &Table, fresh: Table, keeps: impl Fn(&str, Day) -> bool) -> Table {
    let days = |table: &Table| -> Vec<Day> {
        table.days("day").unwrap_or(&[]).iter().map(|day| day.unwrap_or(Day(0))).collect()
    };
    let (old_days, fresh_days) = (days(old), days(&fresh));
    let day = |(is_fresh, row): (bool, usize)| {
        if is_fresh { fresh_days[row].0 } else { old_days[row].0 }
    };
    joined(old, &fresh, |row, name| keeps(name, old_days[row]), day)
}

fn names(table: &Table) -> Vec<String> {
    let texts = table.texts("meter").unwrap_or(&[]);
    texts.iter().map(|name| name.clone().unwrap_or_default()).collect()
}

fn joined(
    old: &Table,
    fresh: &Table,
    keeps: impl Fn(usize, &str) -> bool,
    order: impl Fn((bool, usize)) -> i32,
) -> Table {
    let (old_names, fresh_names) = (names(old), names(fresh));
    let kept = old_names.iter().enumerate().filter(|(row, name)| keeps(*row, name));
    let mut places: Vec<(&str, (bool, usize))> =
        kept.map(|(row, name)| (name.as_str(), (false, row))).collect();
    places.extend(fresh_names.iter().enumerate().map(|(row, name)| (name.as_str(), (true, row))));
    places.sort_by_key(|&(name, place)| (name, order(place)));
    let places: Vec<(bool, usize)> = places.into_iter().map(|place| place.1).collect();
    let mut table = Table::default();
    for column in &fresh.columns {
        let data = old.column(&column.name).map(|column| &column.data);
        let data = pick(data, &column.data, &places);
        table.columns.push(Column { name: column.name.clone(), unit: column.unit.clone(), data });
    }
    table
}

fn pick(old: Option<&ColumnData>, fresh: &ColumnData, places: &[(bool, usize)]) -> ColumnData {
    macro_rules! picked {
        ($kind:ident, $fresh:expr, $missing:expr) => {{
            let old = match old {
                Some(ColumnData::$kind(old)) => old.as_slice(),
                _ => &[],
            };
            let cell = |&(is_fresh, row): &(bool, usize)| {
                let from = if is_fresh { $fresh.as_slice() } else { old };
                from.get(row).cloned().unwrap_or($missing)
            };
            ColumnData::$kind(places.iter().map(cell).collect())
        }};
    }
    match fresh {
        ColumnData::Text(fresh) => picked!(Text, fresh, None),
        ColumnData::Number(fresh) => picked!(Number, fresh, f64::NAN),
        ColumnData::Count(fresh) => picked!(Count, fresh, None),
        ColumnData::Flag(fresh) => picked!(Flag, fresh, None),
        ColumnData::Day(fresh) => picked!(Day, fresh, None),
        ColumnData::Time(fresh) => picked!(Time, fresh, None),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(rows: &[(&str, f64)], more: bool) -> Table {
        let mut table = Table::default();
        let meters = rows.iter().map(|row| Some(row.0.to_string())).collect();
        table.push("meter", "", ColumnData::Text(meters));
        table.push("x_kg", "kg", ColumnData::Number(rows.iter().map(|row| row.1).collect()));
        if more {
            table.push("n", "", ColumnData::Count(vec![Some(7); rows.len()]));
        }
        table
    }

    #[test]
    fn fresh_rows_stand_where_the_old_ones_stood() {
        let old = table(&[("a", 1.0), ("b", 2.0), ("b", 3.0), ("d", 4.0), ("e", 5.0)], false);
        let fresh = table(&[("c", 30.0), ("d", 40.0)], true);
        let spliced = splice(&old, fresh, |name| name != "e");
        let names: Vec<_> = spliced.texts("meter").expect("text").iter().flatten().collect();
        assert_eq!(names, ["a", "b", "b", "c", "d"]);
        assert_eq!(spliced.numbers("x_kg"), Some(&[1.0, 2.0, 3.0, 30.0, 40.0][..]));
        let n = vec![None, None, None, Some(7), Some(7)];
        assert_eq!(spliced.column("n").map(|c| &c.data), Some(&ColumnData::Count(n)));
        assert_eq!(spliced.column("x_kg").map(|c| c.unit.as_str()), Some("kg"));
    }

    #[test]
    fn days_are_replaced_one_by_one() {
        let with_days = |rows: &[(&str, f64)], days: &[i32]| {
            let mut table = table(rows, false);
            let days = days.iter().map(|&day| Some(Day(day))).collect();
            table.push("day", "", ColumnData::Day(days));
            table
        };
        let old = with_days(&[("a", 1.0), ("a", 2.0), ("b", 1.0), ("b", 2.0)], &[1, 2, 1, 2]);
        let fresh = with_days(&[("b", 10.0), ("c", 20.0)], &[1, 2]);
        let replaced = replace_days(&old, fresh, |name, day| name == "a" || day == Day(2));
        assert_eq!(replaced.numbers("x_kg"), Some(&[1.0, 2.0, 10.0, 2.0, 20.0][..]));
    }
}
