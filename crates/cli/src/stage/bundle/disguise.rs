//! Another name and other dates for a meter that travels.
//!
//! Name:   the meter becomes [`METER`]; every other text is left out unless its column only ever
//!         holds words of ours (modes, units, states).
//! Dates:  all move back by one number of whole weeks, so that weekdays and times of day stay. The
//!         number follows from the state of the ledger and the meter's name, which do not travel.
//! Limits: values stay as they are. Somebody who holds the same samples will know them.

use metersift_model::{Column, ColumnData, Day, Table, TimeUs};

/// The name that a meter travels under.
pub const METER: &str = "meter-1";
/// Weeks that dates may move by.
const WEEKS: u64 = 520;
/// Text columns whose words are ours.
const OUR_WORDS: [&str; 17] = [
    "signal",
    "unit",
    "mode",
    "observable",
    "state",
    "list",
    "basis",
    "severity_unit",
    "limit_unit",
    "cost_unit",
    "change",
    "ne107",
    "kind",
    "what",
    "blind",
    "calibrated",
    "position",
];

/// How names and dates are changed.
#[derive(Clone, Copy, Debug)]
pub struct Disguise {
    days: i32,
}

impl Disguise {
    /// The disguise of one meter in one state of the store.
    pub fn new(meter: &str, state: &str) -> Disguise {
        let hash = blake3::hash(format!("{state}\0{meter}").as_bytes());
        let number =
            hash.as_bytes().iter().take(7).fold(0, |sum, byte| sum << 8 | u64::from(*byte));
        let weeks = 1 + number % WEEKS;
        Disguise { days: -7 * i32::try_from(weeks).unwrap_or(1) }
    }

    /// What the sender keeps to understand the answer.
    pub fn key_words(&self, meter: &str) -> String {
        format!(
            "{meter} is {METER} in the archive, and its dates are {} days earlier than they were: keep \
             this line to read the answer",
            -self.days
        )
    }

    /// A day as it travels.
    pub fn day(&self, day: Day) -> Day {
        day.plus(self.days)
    }

    fn time(&self, time: TimeUs) -> TimeUs {
        TimeUs(time.0.saturating_add(i64::from(self.days) * 86_400_000_000))
    }

    /// A table as it travels.
    pub fn table(&self, table: Table) -> Table {
        let columns = table.columns.into_iter().filter_map(|column| {
            let data = match column.data {
                ColumnData::Text(texts) if column.name == "meter" => {
                    ColumnData::Text(vec![Some(METER.into()); texts.len()])
                }
                ColumnData::Text(texts) => ColumnData::Text(self.texts(&column.name, texts)?),
                ColumnData::Day(days) => {
                    ColumnData::Day(days.into_iter().map(|day| Some(self.day(day?))).collect())
                }
                ColumnData::Time(times) => {
                    ColumnData::Time(times.into_iter().map(|time| Some(self.time(time?))).collect())
                }
                other => other,
            };
            Some(Column { data, ..column })
        });
        Table { columns: columns.collect() }
    }

    fn texts(&self, column: &str, texts: Vec<Option<String>>) -> Option<Vec<Option<String>>> {
        let is_ours = OUR_WORDS.contains(&column) || column.starts_with("why_");
        // A signal of the site's own has a name of the site's own.
        let hidden = |text: String| if text.starts_with("other:") { "other".into() } else { text };
        is_ours.then(|| texts.into_iter().map(|text| text.map(hidden)).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_notes_stay_at_home_and_dates_move_by_whole_weeks() {
        let disguise = Disguise::new("FT-1", "state");
        let mut table = Table::default();
        table.push("meter", "", ColumnData::Text(vec![Some("FT-1".into())]));
        table.push("stream", "", ColumnData::Text(vec![Some("syrup-3".into())]));
        table.push("mode", "", ColumnData::Text(vec![Some("coating".into())]));
        table.push("note", "", ColumnData::Text(vec![Some("seen by M. Quill".into())]));
        table.push("day", "", ColumnData::Day(vec![Some(Day(20_000))]));
        table.push("time", "", ColumnData::Time(vec![Some(Day(20_000).start())]));
        table.push("x", "%", ColumnData::Number(vec![1.5]));
        let out = disguise.table(table);
        let names: Vec<&str> = out.columns.iter().map(|column| column.name.as_str()).collect();
        assert_eq!(names, ["meter", "mode", "day", "time", "x"]);
        assert_eq!(out.texts("meter").expect("a column")[0].as_deref(), Some(METER));
        let day = out.days("day").expect("a column")[0].expect("a day");
        assert!(day < Day(20_000) && (20_000 - day.0) % 7 == 0, "{day}");
        let ColumnData::Time(times) = &out.columns[3].data else { panic!("times") };
        assert_eq!(times[0], Some(day.start()));
        assert!(disguise.key_words("FT-1").contains(&(20_000 - day.0).to_string()));
    }
}
