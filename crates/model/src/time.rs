//! Instants and days. Everything inside the house is UTC; zones end at the import's door.

use std::fmt;

/// An instant: microseconds since 1970-01-01T00:00:00Z.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct TimeUs(pub i64);

/// A UTC day: days since 1970-01-01.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Day(pub i32);

/// Microseconds in a second.
pub const US_PER_SECOND: i64 = 1_000_000;
/// Microseconds in a UTC day (POSIX days have no leap seconds).
pub const US_PER_DAY: i64 = 86_400 * US_PER_SECOND;

impl TimeUs {
    /// The UTC day that holds this instant.
    pub fn day(self) -> Day {
        // An i64 of microseconds spans 1e8 days: always an i32.
        Day(self.0.div_euclid(US_PER_DAY) as i32)
    }

    /// Seconds since the epoch, with fraction.
    pub fn seconds(self) -> f64 {
        self.0 as f64 / US_PER_SECOND as f64
    }

    /// Days since the epoch, with fraction: the time axis of trends.
    pub fn days(self) -> f64 {
        self.0 as f64 / US_PER_DAY as f64
    }
}

impl Day {
    /// Midnight UTC at which the day begins.
    pub fn start(self) -> TimeUs {
        TimeUs(i64::from(self.0) * US_PER_DAY)
    }

    /// Midnight UTC at which the day ends (and the next one begins).
    pub fn end(self) -> TimeUs {
        self.plus(1).start()
    }

    /// The day `days` later (earlier when negative).
    pub fn plus(self, days: i32) -> Day {
        Day(self.0.saturating_add(days))
    }

    /// Reads `YYYY-MM-DD`; `None` for anything else.
    pub fn parse(text: &str) -> Option<Day> {
        let date: jiff::civil::Date = text.parse().ok()?;
        (text.len() == 10).then(|| Day::from_civil(date))
    }

    /// The day of a civil date.
    pub fn from_civil(date: jiff::civil::Date) -> Day {
        let epoch = jiff::civil::date(1970, 1, 1);
        // `until` in days cannot fail between two civil dates.
        Day(epoch.until(date).map_or(0, |span| span.get_days()))
    }

    /// The civil date of the day, clamped to the years -9999..=9999 that the calendar knows.
    pub fn civil(self) -> jiff::civil::Date {
        let epoch = jiff::civil::date(1970, 1, 1);
        let span = jiff::Span::new().try_days(i64::from(self.0));
        match span {
            Ok(span) => epoch.saturating_add(span),
            Err(_) if self.0 < 0 => jiff::civil::Date::MIN,
            Err(_) => jiff::civil::Date::MAX,
        }
    }
}

impl fmt::Display for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.civil())
    }
}

impl fmt::Display for TimeUs {
    /// RFC 3339 in UTC, with as many decimals as the instant needs.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match jiff::Timestamp::from_microsecond(self.0) {
            Ok(time) => write!(f, "{time}"),
            Err(_) => write!(f, "{} us", self.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_and_its_text_are_one() {
        for (text, number) in [("1970-01-01", 0), ("2000-02-29", 11_016), ("1969-12-31", -1)] {
            assert_eq!(Day::parse(text), Some(Day(number)));
            assert_eq!(Day(number).to_string(), text);
        }
        assert_eq!(Day::parse("2023-02-29"), None);
        assert_eq!(Day::parse("20230228"), None);
    }

    #[test]
    fn instants_before_the_epoch_belong_to_the_day_before() {
        assert_eq!(TimeUs(-1).day(), Day(-1));
        assert_eq!(Day(-1).end(), TimeUs(0));
    }

    #[test]
    fn rfc_3339_section_5_8_example() {
        // RFC 3339 section 5.8, from memory: 1985-04-12T23:20:50.52Z.
        assert_eq!(TimeUs(482_196_050_520_000).to_string(), "1985-04-12T23:20:50.52Z");
    }
}
