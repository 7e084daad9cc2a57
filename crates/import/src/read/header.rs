//! Whether a line below the first header is a header again.

use crate::clock::civil;
use crate::number::{NumberStyle, parse};
use crate::schema::{Schema, TIME_NAMES};
use crate::settings::DateOrder;
use crate::text::folded_name;

/// Longest cell that is taken for a name of a column of time.
const LONGEST_NAME: usize = 64;

/// A header names a column of time, and holds neither a time nor, unless the first one did, a
/// number. Asked only of lines that cannot be read as rows.
pub(crate) fn looks_like_one<'c>(schema: &Schema, cells: impl Iterator<Item = &'c [u8]>) -> bool {
    let cells: Vec<&[u8]> = cells.filter(|cell| !cell.is_empty()).collect();
    let own = folded_name(&schema.names[schema.time]);
    let names_time = |cell: &&[u8]| {
        cell.len() <= LONGEST_NAME
            && std::str::from_utf8(cell).is_ok_and(|cell| {
                let name = folded_name(cell);
                name == own || TIME_NAMES.contains(&name.as_str())
            })
    };
    if cells.len() < 2 || !cells.iter().any(names_time) {
        return false;
    }
    let numbered = schema.names.iter().any(|name| is_number(name.as_bytes()));
    let is_data = |cell: &&[u8]| is_time(cell) || (!numbered && is_number(cell));
    !cells.iter().any(is_data)
}

fn is_number(cell: &[u8]) -> bool {
    parse(cell, NumberStyle::POINT).is_some() || parse(cell, NumberStyle::COMMA).is_some()
}

fn is_time(cell: &[u8]) -> bool {
    let orders = [DateOrder::YearMonthDay, DateOrder::DayMonth, DateOrder::MonthDay];
    orders.into_iter().any(|order| civil(cell, order, false).is_some())
}
