//! Hours of the week in which a meter usually runs full, steady and single-phase.
//!
//! Why:    a check that is begun while the line stops, runs in gas or swings is aborted, and the
//!         crew has walked for nothing.
//! In:     the hour table: one row per meter and UTC hour with the minutes of that hour that
//!         were steady, single-phase and gassy; and the zone in which the crew lives.
//! Out:    per meter, local weekday and local hour: how many such hours were good, of how many
//!         seen; and the share to plan by.
//! Method: an hour is good with at least 45 steady and single-phase minutes and at most one
//!         minute of gas. Eight weeks have eight hours of a kind, so the share of a kind is drawn
//!         towards that of the same hour on all weekdays with the weight of two hours:
//!         (good + 2 * share of the hour) / (seen + 2).
//! Limits: an hour without samples was not seen and counts for neither side; fewer than four
//!         seen hours of a kind say nothing. In zones off by half an hour a UTC hour belongs to
//!         the local hour that holds its middle. That a steady, gas-free line is also full is
//!         inferred and not measured.
//! Choice: 45 minutes, eight weeks, weight two: our judgement, no source.

use crate::error::RankError;
use jiff::tz::TimeZone;
use metersift_model::{ColumnData, Day, Table, TimeUs};
use std::collections::BTreeMap;

/// Minutes of an hour that must be steady and single-phase.
const GOOD_MIN: f64 = 45.0;
/// Minutes of gas that a good hour bears.
const GAS_MIN: f64 = 1.0;
/// Hours of a kind below which nothing is said.
const MIN_SEEN: u32 = 4;
/// Weight, in hours, of the same hour on other weekdays.
const PRIOR_HOURS: f64 = 2.0;
const HOURS_A_DAY: usize = 24;
const DAYS_A_WEEK: usize = 7;
const US_PER_HOUR: i64 = 3_600_000_000;

/// Good hours of one kind, of those seen.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct HourShare {
    /// Good ones.
    pub good: u32,
    /// All that had samples.
    pub seen: u32,
}

impl HourShare {
    fn add(self, other: HourShare) -> HourShare {
        HourShare { good: self.good + other.good, seen: self.seen + other.seen }
    }
}

/// Hours of the week of every meter, in the zone of the site.
#[derive(Clone, Debug)]
pub struct Hours {
    zone: TimeZone,
    by_meter: BTreeMap<String, Vec<HourShare>>,
}

/// An hour that can be proposed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GoodHour {
    /// Local hour of the day, 0..23.
    pub hour: u8,
    /// Good hours of this kind, of those seen.
    pub share: HourShare,
    /// The share to plan by.
    pub expected: f64,
}

impl Hours {
    /// No hour of any meter is known.
    pub fn unknown(zone: TimeZone) -> Hours {
        Hours { zone, by_meter: BTreeMap::new() }
    }

    /// Counts the hours from `weeks` before the as-of date up to it.
    ///
    /// # Errors
    /// A column of the hour table is missing.
    pub fn from_table(
        table: &Table,
        zone: TimeZone,
        as_of: Day,
        weeks: u32,
    ) -> Result<Hours, RankError> {
        let columns = HourColumns::of(table)?;
        let from = as_of.plus(-7 * i32::try_from(weeks).unwrap_or(i32::MAX / 7)).start();
        let mut hours = Hours::unknown(zone);
        for row in 0..table.n_rows() {
            let (Some(meter), Some(hour)) = (&columns.meter[row], columns.hour[row]) else {
                continue;
            };
            if hour < from || hour >= as_of.start() {
                continue;
            }
            let Some(kind) = hours.kind(hour) else { continue };
            let shares = hours
                .by_meter
                .entry(meter.clone())
                .or_insert_with(|| vec![HourShare::default(); DAYS_A_WEEK * HOURS_A_DAY]);
            let good = u32::from(columns.is_good(row));
            shares[kind] = shares[kind].add(HourShare { good, seen: 1 });
        }
        Ok(hours)
    }

    /// The zone of the site as people write it: a name, or an offset.
    pub fn zone_words(&self) -> String {
        let offset = || self.zone.to_fixed_offset().ok().map(|offset| offset.to_string());
        let name = self.zone.iana_name().map(String::from);
        name.or_else(offset).unwrap_or_else(|| "local".into())
    }

    /// Weekday and hour of an instant, as an index into the week.
    fn kind(&self, hour: TimeUs) -> Option<usize> {
        let middle = jiff::Timestamp::from_microsecond(hour.0 + US_PER_HOUR / 2).ok()?;
        let local = self.zone.to_datetime(middle);
        let weekday = local.weekday().to_monday_zero_offset() as usize;
        Some(weekday * HOURS_A_DAY + local.hour() as usize)
    }

    /// Hours of a day between two local hours that are good often enough, in order of the day.
    pub fn good_on(&self, meter: &str, day: Day, work: (u8, u8), least: f64) -> Vec<GoodHour> {
        let all = self.on(meter, day, work);
        all.into_iter().filter(|hour| hour.expected >= least).collect()
    }

    /// The best hour of the week between two local hours, whether it is good enough or not.
    pub fn best(&self, meter: &str, first: Day, work: (u8, u8)) -> Option<(Day, GoodHour)> {
        let days = (0..DAYS_A_WEEK as i32).map(|n| first.plus(n));
        days.flat_map(|day| self.on(meter, day, work).into_iter().map(move |hour| (day, hour)))
            .reduce(|best, next| if next.1.expected > best.1.expected { next } else { best })
    }

    fn on(&self, meter: &str, day: Day, (from, until): (u8, u8)) -> Vec<GoodHour> {
        let Some(shares) = self.by_meter.get(meter) else { return Vec::new() };
        let weekday = day.civil().weekday().to_monday_zero_offset() as usize;
        (from..until.min(HOURS_A_DAY as u8))
            .filter_map(|hour| {
                let share = shares[weekday * HOURS_A_DAY + usize::from(hour)];
                let same_hour = (0..DAYS_A_WEEK)
                    .map(|day| shares[day * HOURS_A_DAY + usize::from(hour)])
                    .fold(HourShare::default(), HourShare::add);
                let usual = f64::from(same_hour.good) / f64::from(same_hour.seen.max(1));
                let expected = (f64::from(share.good) + PRIOR_HOURS * usual)
                    / (f64::from(share.seen) + PRIOR_HOURS);
                let there = share.seen >= MIN_SEEN && self.starts_at(day, hour).is_some();
                there.then_some(GoodHour { hour, share, expected })
            })
            .collect()
    }

    /// The instant of a local hour; `None` where the clocks skip it. Of an hour that comes twice
    /// the first.
    pub fn starts_at(&self, day: Day, hour: u8) -> Option<TimeUs> {
        let local = day.civil().at(i8::try_from(hour).ok()?, 0, 0, 0);
        let moment = self.zone.to_ambiguous_zoned_datetime(local);
        if matches!(moment.offset(), jiff::tz::AmbiguousOffset::Gap { .. }) {
            return None;
        }
        let moment = moment.earlier().ok()?;
        Some(TimeUs(moment.timestamp().as_microsecond()))
    }
}

/// The columns of the hour table that a plan looks at.
struct HourColumns<'a> {
    meter: &'a [Option<String>],
    hour: &'a [Option<TimeUs>],
    steady_min: &'a [f64],
    single_phase_min: &'a [f64],
    gas_min: &'a [f64],
}

impl<'a> HourColumns<'a> {
    fn of(table: &'a Table) -> Result<HourColumns<'a>, RankError> {
        let wrong = |column: &str, kind| RankError::Column { column: column.into(), kind };
        let numbers =
            |name: &str| table.numbers(name).ok_or_else(|| wrong(name, "numbers of minutes"));
        let hour = match table.column("hour").map(|column| &column.data) {
            Some(ColumnData::Time(hours)) => hours.as_slice(),
            _ => return Err(wrong("hour", "times")),
        };
        Ok(HourColumns {
            meter: table.texts("meter").ok_or_else(|| wrong("meter", "text"))?,
            hour,
            steady_min: numbers("steady_min")?,
            single_phase_min: numbers("single_phase_min")?,
            gas_min: numbers("gas_min")?,
        })
    }

    /// Minutes that are not known are no good minutes; gas that cannot be known is not held
    /// against an hour whose single-phase minutes are.
    fn is_good(&self, row: usize) -> bool {
        self.steady_min[row] >= GOOD_MIN
            && self.single_phase_min[row] >= GOOD_MIN
            && (self.gas_min[row].is_nan() || self.gas_min[row] <= GAS_MIN)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn zone(name: &str) -> TimeZone {
        TimeZone::get(name).expect("a zone of the bundled table")
    }

    /// Eight weeks of one meter; `good` says which local weekday and hour runs well.
    fn table(zone: &TimeZone, as_of: Day, good: impl Fn(i8, i8) -> bool) -> Table {
        let from = as_of.plus(-56).start().0;
        let hours: Vec<TimeUs> = (0..56 * 24).map(|n| TimeUs(from + n * US_PER_HOUR)).collect();
        let minutes: Vec<f64> = hours
            .iter()
            .map(|hour| {
                let at = jiff::Timestamp::from_microsecond(hour.0).expect("a time");
                let local = zone.to_datetime(at);
                let runs = good(local.weekday().to_monday_zero_offset(), local.hour());
                if runs { 58.0 } else { 10.0 }
            })
            .collect();
        let n = hours.len();
        let mut table = Table::default();
        table.push("meter", "", ColumnData::Text(vec![Some("FT-1".into()); n]));
        table.push("hour", "", ColumnData::Time(hours.into_iter().map(Some).collect()));
        table.push("steady_min", "min", ColumnData::Number(minutes.clone()));
        table.push("single_phase_min", "min", ColumnData::Number(minutes));
        table.push("gas_min", "min", ColumnData::Number(vec![0.0; n]));
        table
    }

    #[test]
    fn the_hours_of_a_day_shift_are_found_in_local_time_across_a_clock_change() {
        // Clocks in London went forward on 2025-03-30; the shift begins at nine on the wall.
        let london = zone("Europe/London");
        let as_of = Day::parse("2025-04-21").expect("a day");
        let table = table(&london, as_of, |_, hour| (9..12).contains(&hour));
        let hours = Hours::from_table(&table, london, as_of, 8).expect("hours");
        let good = hours.good_on("FT-1", as_of, (0, 24), 0.7);
        let names: Vec<u8> = good.iter().map(|hour| hour.hour).collect();
        assert_eq!(names, [9, 10, 11]);
        assert_eq!(good[0].share, HourShare { good: 8, seen: 8 });
        // Nine on the wall is 08:00 UTC in summer and 09:00 UTC in winter.
        let at = |day: &str| hours.starts_at(Day::parse(day).expect("a day"), 9);
        assert_eq!(
            at("2025-04-21").map(|t| t.to_string()).as_deref(),
            Some("2025-04-21T08:00:00Z")
        );
        assert_eq!(
            at("2025-03-29").map(|t| t.to_string()).as_deref(),
            Some("2025-03-29T09:00:00Z")
        );
    }

    #[test]
    fn an_hour_that_the_clocks_skip_is_never_proposed_and_a_double_one_is_the_first() {
        let hours = Hours::unknown(zone("Europe/Berlin"));
        let day = |text: &str| Day::parse(text).expect("a day");
        assert_eq!(hours.starts_at(day("2026-03-29"), 2), None);
        let twice = hours.starts_at(day("2026-10-25"), 2).expect("an hour");
        assert_eq!(twice.to_string(), "2026-10-25T00:00:00Z");
    }

    #[test]
    fn a_weekday_that_never_runs_is_not_carried_by_the_others() {
        let utc = TimeZone::UTC;
        let as_of = Day::parse("2026-03-16").expect("a Monday");
        let table = table(&utc, as_of, |weekday, hour| weekday != 6 && hour >= 8);
        let hours = Hours::from_table(&table, utc, as_of, 8).expect("hours");
        assert_eq!(hours.good_on("FT-1", as_of, (6, 18), 0.7).len(), 10);
        assert!(hours.good_on("FT-1", as_of.plus(6), (6, 18), 0.7).is_empty(), "Sunday");
        let (day, best) = hours.best("FT-1", as_of.plus(6), (6, 18)).expect("some hour");
        assert_eq!((day, best.hour), (as_of.plus(7), 8));
    }

    #[test]
    fn gas_or_too_few_hours_leave_no_good_hour() {
        let utc = TimeZone::UTC;
        let as_of = Day::parse("2026-03-16").expect("a day");
        let mut gassy = table(&utc, as_of, |_, _| true);
        let n = gassy.n_rows();
        gassy.columns.last_mut().expect("the gas column").data = ColumnData::Number(vec![5.0; n]);
        let hours = Hours::from_table(&gassy, utc.clone(), as_of, 8).expect("hours");
        assert!(hours.good_on("FT-1", as_of, (0, 24), 0.5).is_empty());
        let table = table(&utc, as_of, |_, _| true);
        let young = Hours::from_table(&table, utc, as_of, 3).expect("hours");
        assert!(young.good_on("FT-1", as_of, (0, 24), 0.5).is_empty(), "three hours of a kind");
        assert!(young.good_on("FT-9", as_of, (0, 24), 0.5).is_empty(), "nobody knows it");
    }
}
