//! Text to instant: fixed layouts read by hand, patterns by `jiff`.
//!
//! Why:    a time is read for every row; by hand it costs a third of a general parser, and the
//!         general ones drop an offset or move a time without a word.
//! Forms:  dates as three numbers (`2024-03-07`, `7.3.2024`, `03/07/2024`, `20240307`), with a
//!         month by its English name (`7-Mar-2024`), as day of the year (`2024-067`) or by week
//!         (`2024-W10-4`); times of day with `:` or `.` (`18:00`, `18.00.00`, `180000`),
//!         seconds with `.` or `,` decimals, AM/PM; offsets `Z`, `UTC`, `GMT`, `+05:30`,
//!         `+0530`, `+05`, perhaps with a bracketed zone after it, which is not used; words for
//!         zones that the site maps (`CET`); epochs.
//! Rules:  an offset in the text is honoured. `24:00:00` is the next midnight. A leap second
//!         `:60` has no number of its own and is read as `:59` of the same minute. Digits
//!         beyond the microsecond are dropped. Two-digit years are read only where the order
//!         is stated; 69..99 are 19xx (POSIX, from memory).
//! Source: ISO 8601 and RFC 3339 forms; day numbers after Howard Hinnant, "chrono-compatible
//!         low-level date algorithms" (from memory).

use crate::settings::DateOrder;
use crate::text::trim;
use crate::zone::{Resolved, Zone, ZoneCache};

const US_PER_SECOND: i64 = 1_000_000;
const US_PER_DAY: i64 = 86_400 * US_PER_SECOND;
/// Days from 1899-12-30 (day 0 of most spreadsheets) to 1970-01-01.
const SPREADSHEET_EPOCH_DAYS: f64 = 25_569.0;

/// How times are written in a dump.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TimeFormat {
    /// A civil date with these parts, alone or with a time of day.
    Civil {
        /// Order of the parts.
        order: DateOrder,
        /// Whether years may have two digits.
        short_years: bool,
    },
    /// Seconds since 1970, perhaps with decimals.
    EpochS,
    /// Milliseconds since 1970.
    EpochMs,
    /// Microseconds since 1970.
    EpochUs,
    /// Nanoseconds since 1970.
    EpochNs,
    /// Days since 1899-12-30, local time.
    SpreadsheetDays,
    /// A pattern with `%` signs.
    Pattern(String),
}

impl TimeFormat {
    /// ISO 8601 and its relatives.
    pub const ISO: TimeFormat =
        TimeFormat::Civil { order: DateOrder::YearMonthDay, short_years: false };

    /// The value of `time_format` in the site file.
    pub fn name(&self) -> String {
        match self {
            TimeFormat::Civil { order: DateOrder::YearMonthDay, .. } => "iso".into(),
            TimeFormat::Civil { .. } => "date_order".into(),
            TimeFormat::EpochS => "epoch_s".into(),
            TimeFormat::EpochMs => "epoch_ms".into(),
            TimeFormat::EpochUs => "epoch_us".into(),
            TimeFormat::EpochNs => "epoch_ns".into(),
            TimeFormat::SpreadsheetDays => "spreadsheet_days".into(),
            TimeFormat::Pattern(pattern) => pattern.clone(),
        }
    }

    /// What a reject says was expected.
    pub fn expected(&self) -> String {
        match self {
            TimeFormat::Civil { order, .. } => format!("a time, {}", order.name()),
            TimeFormat::Pattern(pattern) => format!("a time like `{pattern}`"),
            other => format!("a time, {}", other.name()),
        }
    }
}

/// A civil time as it stands in the text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Civil {
    /// Microseconds of the civil time read as if it were UTC.
    pub local_us: i64,
    /// Offset in the text, µs east of Greenwich.
    pub offset_us: Option<i64>,
    /// Whether a time of day stood there.
    pub has_time: bool,
    /// Whether the second was `:60`.
    pub leap: bool,
}

/// A time cell, read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeValue {
    /// An instant, µs UTC.
    At(i64),
    /// A local time that occurs twice.
    Fold {
        /// Local µs.
        local: i64,
        /// First pass, µs UTC.
        early: i64,
        /// Second pass, µs UTC.
        late: i64,
    },
    /// A local time that never existed.
    Gap,
    /// Not a time in this format.
    Bad,
}

/// Days since 1970-01-01 of a proleptic Gregorian date; `None` when there is no such date.
pub fn days_from_civil(year: i64, month: u32, day: u32) -> Option<i64> {
    if !(1..=12).contains(&month) || day < 1 || day > days_in_month(year, month) {
        return None;
    }
    let y = if month <= 2 { year - 1 } else { year };
    let era = y.div_euclid(400);
    let year_of_era = y.rem_euclid(400);
    let shifted = i64::from((month + 9) % 12);
    let day_of_year = (153 * shifted + 2) / 5 + i64::from(day) - 1;
    let day_of_era = year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year;
    Some(era * 146_097 + day_of_era - 719_468)
}

fn is_leap(year: i64) -> bool {
    (year % 4 == 0 && year % 100 != 0) || year % 400 == 0
}

fn days_in_month(year: i64, month: u32) -> u32 {
    match month {
        2 if is_leap(year) => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    }
}

/// Bytes taken one after the other.
struct Scan<'t> {
    text: &'t [u8],
    at: usize,
}

impl<'t> Scan<'t> {
    fn new(text: &'t [u8]) -> Scan<'t> {
        Scan { text, at: 0 }
    }

    fn peek(&self) -> Option<u8> {
        self.text.get(self.at).copied()
    }

    fn take(&mut self, byte: u8) -> bool {
        let there = self.peek() == Some(byte);
        self.at += usize::from(there);
        there
    }

    fn rest(&self) -> &'t [u8] {
        &self.text[self.at..]
    }

    /// A run of digits: its number and length; at most nine digits are a number here.
    fn digits(&mut self) -> Option<(u32, usize)> {
        let from = self.at;
        let mut number = 0u32;
        while let Some(digit) = self.peek().filter(u8::is_ascii_digit) {
            if self.at - from == 9 {
                return None;
            }
            number = number * 10 + u32::from(digit - b'0');
            self.at += 1;
        }
        (self.at > from).then_some((number, self.at - from))
    }

    /// Exactly `n` digits.
    fn fixed(&mut self, n: usize) -> Option<u32> {
        let digits = self.text.get(self.at..self.at + n)?;
        if !digits.iter().all(u8::is_ascii_digit) {
            return None;
        }
        self.at += n;
        Some(digits.iter().fold(0, |number, digit| number * 10 + u32::from(digit - b'0')))
    }
}

/// Reads a date at the start of the text; what is left follows it.
fn scan_date(scan: &mut Scan<'_>, order: DateOrder, short_years: bool) -> Option<i64> {
    let from = scan.at;
    let run = scan.text[from..].iter().take_while(|byte| byte.is_ascii_digit()).count();
    // Four digits in front are a year, whatever the order of the other dates is.
    let order = if run == 4 { DateOrder::YearMonthDay } else { order };
    if order == DateOrder::YearMonthDay {
        match (run, scan.text.get(from + run)) {
            (8 | 14, _) => {
                let (year, month, day) = (scan.fixed(4)?, scan.fixed(2)?, scan.fixed(2)?);
                return days_from_civil(i64::from(year), month, day);
            }
            (4, Some(b'-')) if matches!(scan.text.get(from + 5), Some(b'W')) => {
                return scan_week_date(scan);
            }
            (4, Some(b'-'))
                if scan.text[from + 5..].iter().take_while(|b| b.is_ascii_digit()).count() == 3 =>
            {
                return scan_ordinal_date(scan);
            }
            _ => {}
        }
    }
    let (first, first_len) = scan.digits()?;
    let separator = scan.peek().filter(|byte| matches!(byte, b'-' | b'/' | b'.' | b' '))?;
    scan.at += 1;
    let (second, named) = match scan.peek()? {
        byte if byte.is_ascii_alphabetic() => (scan_month_name(scan)?, true),
        _ => (scan.digits().filter(|&(_, len)| len <= 2)?.0, false),
    };
    if !scan.take(separator) {
        return None;
    }
    let (third, third_len) = scan.digits()?;
    let (year, year_len, month, day) = match order {
        DateOrder::YearMonthDay => (first, first_len, second, third),
        // A month by its name stands in the middle whatever the numbers around it.
        DateOrder::MonthDay if !named => (third, third_len, first, second),
        DateOrder::MonthDay | DateOrder::DayMonth => (third, third_len, second, first),
    };
    let other_len = if order == DateOrder::YearMonthDay { third_len } else { first_len };
    if other_len > 2 {
        return None;
    }
    let year = match year_len {
        4 => i64::from(year),
        2 if short_years && year >= 69 => 1900 + i64::from(year),
        2 if short_years => 2000 + i64::from(year),
        _ => return None,
    };
    days_from_civil(year, month, day)
}

fn scan_month_name(scan: &mut Scan<'_>) -> Option<u32> {
    const MONTHS: [&str; 12] = [
        "january",
        "february",
        "march",
        "april",
        "may",
        "june",
        "july",
        "august",
        "september",
        "october",
        "november",
        "december",
    ];
    let length = scan.rest().iter().take_while(|byte| byte.is_ascii_alphabetic()).count();
    let word = std::str::from_utf8(&scan.rest()[..length]).ok()?.to_ascii_lowercase();
    if length < 3 {
        return None;
    }
    scan.at += length;
    let found = MONTHS.iter().position(|month| *month == word || month[..3] == word)?;
    u32::try_from(found + 1).ok()
}

fn scan_ordinal_date(scan: &mut Scan<'_>) -> Option<i64> {
    let year = i64::from(scan.fixed(4)?);
    scan.at += 1;
    let day = scan.fixed(3)?;
    let length = if is_leap(year) { 366 } else { 365 };
    (1..=length).contains(&day).then_some(())?;
    Some(days_from_civil(year, 1, 1)? + i64::from(day) - 1)
}

fn scan_week_date(scan: &mut Scan<'_>) -> Option<i64> {
    let year = i64::from(scan.fixed(4)?);
    scan.at += 2;
    let week = i64::from(scan.fixed(2)?);
    let day = if scan.take(b'-') { i64::from(scan.fixed(1)?) } else { return None };
    // Week 1 holds 4 January; day numbers count from a Thursday.
    let week_one = |year: i64| {
        let fourth = days_from_civil(year, 1, 4)?;
        Some(fourth - (fourth + 3).rem_euclid(7))
    };
    let monday = week_one(year)? + (week - 1) * 7;
    let exists = week >= 1 && (1..=7).contains(&day) && monday < week_one(year + 1)?;
    exists.then_some(monday + day - 1)
}

/// A time of day: microseconds since midnight, and whether the second was 60.
fn scan_time(scan: &mut Scan<'_>) -> Option<(i64, bool)> {
    let (first, length) = scan.digits()?;
    let (mut hour, minute, second) = match (length, scan.peek()) {
        (4, _) => (first / 100, first % 100, None),
        (6, _) => (first / 10_000, first / 100 % 100, Some(first % 100)),
        (1 | 2, Some(separator @ (b':' | b'.'))) => {
            scan.at += 1;
            let minute = scan.fixed(2)?;
            let second = if scan.peek() == Some(separator) {
                scan.at += 1;
                Some(scan.fixed(2)?)
            } else {
                None
            };
            (first, minute, second)
        }
        _ => return None,
    };
    let mut fraction_us = 0;
    if second.is_some() && (scan.take(b'.') || scan.take(b',')) {
        fraction_us = scan_fraction(scan)?;
    }
    if let Some(afternoon) = scan_am_pm(scan) {
        if !(1..=12).contains(&hour) {
            return None;
        }
        hour = hour % 12 + if afternoon { 12 } else { 0 };
    }
    let second = second.unwrap_or(0);
    let leap = second == 60;
    let second = if leap { 59 } else { second };
    let midnight = hour == 24 && minute == 0 && second == 0 && fraction_us == 0;
    if minute > 59 || second > 59 || (hour > 23 && !midnight) {
        return None;
    }
    let seconds = i64::from(hour) * 3600 + i64::from(minute) * 60 + i64::from(second);
    Some((seconds * US_PER_SECOND + fraction_us, leap))
}

/// Decimals of a second, in µs; what is finer is dropped.
fn scan_fraction(scan: &mut Scan<'_>) -> Option<i64> {
    let from = scan.at;
    let mut us = 0;
    let mut unit = US_PER_SECOND / 10;
    while let Some(digit) = scan.peek().filter(u8::is_ascii_digit) {
        us += i64::from(digit - b'0') * unit;
        unit /= 10;
        scan.at += 1;
    }
    (scan.at > from).then_some(us)
}

fn scan_am_pm(scan: &mut Scan<'_>) -> Option<bool> {
    let rest = scan.rest();
    let blanks = rest.iter().take_while(|&&byte| byte == b' ').count();
    let afternoon = match rest.get(blanks..blanks + 2)? {
        [b'A' | b'a', b'M' | b'm'] => false,
        [b'P' | b'p', b'M' | b'm'] => true,
        _ => return None,
    };
    scan.at += blanks + 2;
    Some(afternoon)
}

/// An offset of the whole text, µs east of Greenwich: `Z`, `+05:30`, `+0530`, `+05`.
pub fn offset_us(text: &[u8]) -> Option<i64> {
    let (sign, rest) = match text {
        b"Z" | b"z" | b"UTC" | b"GMT" => return Some(0),
        [b'+', rest @ ..] => (1, rest),
        [b'-', rest @ ..] => (-1, rest),
        _ => return None,
    };
    let mut scan = Scan::new(rest);
    let hours = scan.fixed(2)?;
    let minutes = match rest.len() {
        2 => 0,
        4 => scan.fixed(2)?,
        5 if scan.take(b':') => scan.fixed(2)?,
        _ => return None,
    };
    (hours <= 23 && minutes <= 59).then_some(())?;
    Some(sign * (i64::from(hours) * 3600 + i64::from(minutes) * 60) * US_PER_SECOND)
}

/// Longest word for a zone, in letters.
const LONGEST_ZONE_WORD: usize = 6;

/// A word such as `CET`: one run of letters.
fn zone_word(text: &[u8]) -> Option<&[u8]> {
    let word = trim(text);
    let fits = (1..=LONGEST_ZONE_WORD).contains(&word.len());
    (fits && word.iter().all(u8::is_ascii_alphabetic)).then_some(word)
}

/// The offset that ends a time: `None` inside when there is none, outer `None` when what stands
/// there is no offset. A bracketed zone after an offset adds nothing and is passed over.
fn tail_offset(text: &[u8]) -> Option<Option<i64>> {
    let text = trim(text);
    if text.is_empty() {
        return Some(None);
    }
    let bare = match text.iter().position(|&byte| byte == b'[') {
        Some(at) if text.ends_with(b"]") => &text[..at],
        _ => text,
    };
    offset_us(bare).map(Some)
}

/// Reads a civil time: date, perhaps time of day, perhaps offset.
pub fn civil(text: &[u8], order: DateOrder, short_years: bool) -> Option<Civil> {
    let (civil, word) = civil_with_word(text, order, short_years)?;
    word.is_empty().then_some(civil)
}

/// As [`civil`], whatever the word for a zone behind it means.
pub fn civil_in_any_zone(text: &[u8], order: DateOrder, short_years: bool) -> Option<Civil> {
    civil_with_word(text, order, short_years).map(|(civil, _)| civil)
}

/// As [`civil`], with the word for a zone behind it (`CET`), empty where there is none.
pub fn civil_with_word(text: &[u8], order: DateOrder, short_years: bool) -> Option<(Civil, &[u8])> {
    let mut scan = Scan::new(trim(text));
    let days = scan_date(&mut scan, order, short_years)?;
    let date_end = scan.at;
    let whole =
        Civil { local_us: days * US_PER_DAY, offset_us: None, has_time: false, leap: false };
    match scan.peek() {
        None => return Some((whole, b"")),
        Some(b'T' | b't' | b'_') => scan.at += 1,
        Some(b' ' | b',') => {
            let rest = scan.rest();
            let skip = rest.iter().take_while(|&&byte| byte == b' ' || byte == b',').count();
            scan.at += skip;
        }
        Some(_) => {
            // `20240307021500`: the date took eight digits, six are left.
            (date_end == 8 && scan.rest().len() >= 6).then_some(())?;
        }
    }
    let (time_us, leap) = scan_time(&mut scan)?;
    let (offset_us, word) = match tail_offset(scan.rest()) {
        Some(offset_us) => (offset_us, &b""[..]),
        None => (None, zone_word(scan.rest())?),
    };
    Some((Civil { local_us: whole.local_us + time_us, offset_us, has_time: true, leap }, word))
}

/// A time of day alone, perhaps with an offset: µs since midnight.
pub fn time_of_day(text: &[u8]) -> Option<(i64, Option<i64>, bool)> {
    let mut scan = Scan::new(trim(text));
    let (us, leap) = scan_time(&mut scan)?;
    Some((us, tail_offset(scan.rest())?, leap))
}

/// An epoch with `unit_us` microseconds per step (0 stands for nanoseconds).
fn epoch(text: &[u8], us_per_unit: i64) -> Option<i64> {
    let text = trim(text);
    let (negative, digits) = match text {
        [b'-', rest @ ..] => (true, rest),
        _ => (false, text),
    };
    let mut scan = Scan::new(digits);
    let mut whole = 0i64;
    while let Some(digit) = scan.peek().filter(u8::is_ascii_digit) {
        whole = whole.checked_mul(10)?.checked_add(i64::from(digit - b'0'))?;
        scan.at += 1;
    }
    (scan.at > 0).then_some(())?;
    let fraction_us = match us_per_unit {
        US_PER_SECOND if scan.take(b'.') || scan.take(b',') => scan_fraction(&mut scan)?,
        1000 if scan.take(b'.') || scan.take(b',') => scan_fraction(&mut scan)? / 1000,
        _ => 0,
    };
    scan.rest().is_empty().then_some(())?;
    let us = match us_per_unit {
        0 => whole / 1000,
        unit => whole.checked_mul(unit)?.checked_add(fraction_us)?,
    };
    Some(if negative { -us } else { us })
}

/// The instant of an epoch in one of the four units, µs; `None` for other formats and texts.
pub fn epoch_us(text: &[u8], format: &TimeFormat) -> Option<i64> {
    match format {
        TimeFormat::EpochS => epoch(text, US_PER_SECOND),
        TimeFormat::EpochMs => epoch(text, 1000),
        TimeFormat::EpochUs => epoch(text, 1),
        TimeFormat::EpochNs => epoch(text, 0),
        _ => None,
    }
}

/// `HH:MM:SS` or `HH.MM.SS` in microseconds, all eight bytes at once.
#[inline]
fn clock_us(clock: [u8; 8]) -> Option<i64> {
    const MARKS: u64 = 0x0000_FF00_00FF_0000;
    const HIGH: u64 = 0x8080_8080_8080_8080;
    // Added to a byte, this sets the high bit from ten on.
    const FROM_TEN: u64 = 0x7676_7676_7676_7676;
    let clock = u64::from_le_bytes(clock);
    let digits = (clock & !MARKS) ^ (0x3030_3030_3030_3030 & !MARKS);
    let marks = clock & MARKS;
    let colons = u64::from_le_bytes([0, 0, b':', 0, 0, b':', 0, 0]);
    let points = u64::from_le_bytes([0, 0, b'.', 0, 0, b'.', 0, 0]);
    if (digits.wrapping_add(FROM_TEN) | digits) & HIGH != 0 || (marks != colons && marks != points)
    {
        return None;
    }
    // Tens and ones of one part stand side by side.
    let parts = digits * 10 + (digits >> 8);
    let part = |byte: u32| (parts >> (8 * byte) & 0xFF) as i64;
    let (hour, minute, second) = (part(0), part(3), part(6));
    if hour > 23 || minute > 59 || second > 59 {
        return None;
    }
    Some((hour * 3600 + minute * 60 + second) * US_PER_SECOND)
}

/// Three digits of milliseconds, in microseconds.
#[inline]
fn milliseconds_us(digits: [u8; 3]) -> Option<i64> {
    let [a, b, c] = digits.map(|byte| u32::from(byte.wrapping_sub(b'0')));
    (a <= 9 && b <= 9 && c <= 9).then(|| i64::from(a * 100 + b * 10 + c) * 1000)
}

/// Reads the time cells of one block, remembering the date and the zone rule seen last.
#[derive(Debug)]
pub struct TimeReader<'d> {
    format: &'d TimeFormat,
    zone: ZoneCache<'d>,
    words: Vec<(&'d str, ZoneCache<'d>)>,
    date: [u8; 10],
    date_us: i64,
    /// Times whose second was `:60`.
    pub n_leap: u64,
}

impl<'d> TimeReader<'d> {
    /// A reader for one format and one zone.
    pub fn new(format: &'d TimeFormat, zone: &'d Zone) -> TimeReader<'d> {
        let words = zone.words().map(|(word, zone)| (word, ZoneCache::new(zone))).collect();
        let zone = ZoneCache::new(zone);
        TimeReader { format, zone, words, date: [0; 10], date_us: 0, n_leap: 0 }
    }

    /// The instant in one cell.
    #[inline]
    pub fn read(&mut self, text: &[u8]) -> TimeValue {
        if let TimeFormat::Civil { order, short_years } = *self.format {
            if let Some(value) = self.read_same_date(text) {
                return value;
            }
            return self.read_civil(text, order, short_years);
        }
        self.read_other(text)
    }

    /// The instant in a date cell and a time-of-day cell.
    pub fn read_pair(&mut self, date: &[u8], time: &[u8]) -> TimeValue {
        match self.format {
            TimeFormat::Civil { order, short_years } => {
                let days = match civil(date, *order, *short_years) {
                    Some(civil) if civil.offset_us.is_none() => civil,
                    _ => return TimeValue::Bad,
                };
                // Some exports repeat a zero time of day in the date column.
                let midnight = days.local_us.rem_euclid(US_PER_DAY) == 0;
                match time_of_day(time) {
                    Some((us, offset_us, leap)) if midnight => {
                        self.n_leap += u64::from(leap);
                        self.place(days.local_us + us, offset_us)
                    }
                    _ => TimeValue::Bad,
                }
            }
            _ => {
                let joined = [trim(date), b" ", trim(time)].concat();
                self.read(&joined)
            }
        }
    }

    /// The frequent case: `date HH:MM:SS[.fff][Z]` on the date of the row before.
    #[inline]
    fn read_same_date(&mut self, text: &[u8]) -> Option<TimeValue> {
        let (local_us, offset) = self.same_date(text)?;
        Some(self.place(local_us, offset))
    }

    /// The instant at the start of a text and its length, where nothing new is learned: a date
    /// seen before, in UTC or at a known offset. As [`TimeReader::read`] reads it, and `None` for
    /// everything else, many a time too. What follows must end it.
    #[inline]
    pub(crate) fn peek_same_date(&self, text: &[u8], delimiter: u8) -> Option<(i64, usize)> {
        let TimeFormat::Civil { .. } = self.format else { return None };
        // The longest of these times, and what ends it.
        let text = text.first_chunk::<25>()?;
        let (date, rest) = text.split_first_chunk::<10>()?;
        let (&[mark, ref clock @ ..], tail) = rest.split_first_chunk::<9>()?;
        if *date != self.date || !matches!(mark, b'T' | b' ') || mark == delimiter {
            return None;
        }
        let seconds_us = clock_us(*clock)?;
        let (local_us, length) = match tail.first_chunk::<4>()? {
            [b'.', digits @ ..] => (self.date_us + seconds_us + milliseconds_us(*digits)?, 23),
            _ => (self.date_us + seconds_us, 19),
        };
        if text[length] == b'Z' {
            return Some((local_us, length + 1));
        }
        Some((local_us - self.zone.known_offset(local_us)?, length))
    }

    /// Local time and offset.
    #[inline]
    fn same_date(&self, text: &[u8]) -> Option<(i64, Option<i64>)> {
        let (date, rest) = text.split_first_chunk::<10>()?;
        if *date != self.date {
            return None;
        }
        let ([b'T' | b' ', clock @ ..], tail) = rest.split_first_chunk::<9>()? else {
            return None;
        };
        let mut us = clock_us(*clock)?;
        let tail = match tail.split_first_chunk::<4>() {
            Some((&[b'.', ref digits @ ..], rest)) if rest.is_empty() || *rest == [b'Z'] => {
                us += milliseconds_us(*digits)?;
                rest
            }
            _ => tail,
        };
        let offset = match tail {
            b"" => None,
            b"Z" => Some(0),
            _ => return None,
        };
        Some((self.date_us + us, offset))
    }

    fn read_civil(&mut self, text: &[u8], order: DateOrder, short_years: bool) -> TimeValue {
        let Some((civil, word)) = civil_with_word(text, order, short_years) else {
            return TimeValue::Bad;
        };
        self.n_leap += u64::from(civil.leap);
        self.remember_date(text, civil.local_us, order, short_years);
        if word.is_empty() {
            return self.place(civil.local_us, civil.offset_us);
        }
        self.place_in(civil.local_us, word)
    }

    /// A local time in the zone that its row names: an offset, or a word that the site maps.
    fn place_in(&mut self, local_us: i64, zone: &[u8]) -> TimeValue {
        if let Some(offset_us) = offset_us(zone) {
            return TimeValue::At(local_us - offset_us);
        }
        match self.words.iter_mut().find(|(word, _)| word.as_bytes() == zone) {
            Some((_, cache)) => placed(cache.resolve(local_us), local_us),
            None => TimeValue::Bad,
        }
    }

    /// The instant of cells whose zone stands in a cell of its own. An offset in the time itself
    /// is honoured; without one, an empty zone tells nothing.
    pub fn read_zoned(&mut self, date: Option<&[u8]>, time: &[u8], zone: &[u8]) -> TimeValue {
        let TimeFormat::Civil { order, short_years } = *self.format else {
            return TimeValue::Bad;
        };
        let joined;
        let text = match date {
            None => time,
            Some(date) => {
                joined = [trim(date), b" ", trim(time)].concat();
                &joined[..]
            }
        };
        match civil(text, order, short_years) {
            None => TimeValue::Bad,
            Some(civil) => {
                self.n_leap += u64::from(civil.leap);
                match civil.offset_us {
                    Some(offset_us) => TimeValue::At(civil.local_us - offset_us),
                    None => self.place_in(civil.local_us, trim(zone)),
                }
            }
        }
    }

    /// Keeps the date only when it is the first ten bytes exactly.
    fn remember_date(&mut self, text: &[u8], local_us: i64, order: DateOrder, short_years: bool) {
        let Some((date, rest)) = text.split_first_chunk::<10>() else { return };
        let mut scan = Scan::new(date);
        let ends_here = matches!(rest.first(), Some(b'T' | b' '));
        if ends_here && scan_date(&mut scan, order, short_years).is_some() && scan.at == 10 {
            self.date = *date;
            self.date_us = local_us - local_us.rem_euclid(US_PER_DAY);
            // `24:00:00` belongs to the date before the midnight that it names.
            if let Some(days) = scan_date(&mut Scan::new(date), order, short_years) {
                self.date_us = days * US_PER_DAY;
            }
        }
    }

    #[inline]
    fn place(&mut self, local_us: i64, offset_us: Option<i64>) -> TimeValue {
        match offset_us {
            Some(offset) => TimeValue::At(local_us - offset),
            None => placed(self.zone.resolve(local_us), local_us),
        }
    }

    fn read_other(&mut self, text: &[u8]) -> TimeValue {
        let at = match self.format {
            TimeFormat::EpochS
            | TimeFormat::EpochMs
            | TimeFormat::EpochUs
            | TimeFormat::EpochNs => epoch_us(text, self.format),
            TimeFormat::SpreadsheetDays => {
                return match spreadsheet_us(text) {
                    Some(local) => self.place(local, None),
                    None => TimeValue::Bad,
                };
            }
            TimeFormat::Pattern(pattern) => return self.read_pattern(text, pattern),
            TimeFormat::Civil { .. } => None,
        };
        at.map_or(TimeValue::Bad, TimeValue::At)
    }

    fn read_pattern(&mut self, text: &[u8], pattern: &str) -> TimeValue {
        let Ok(parts) = jiff::fmt::strtime::parse(pattern, trim(text)) else {
            return TimeValue::Bad;
        };
        // A pattern without a time of day means midnight.
        let civil = parts
            .to_datetime()
            .or_else(|_| parts.to_date().map(|date| date.to_datetime(jiff::civil::Time::MIN)));
        let Ok(civil) = civil else { return TimeValue::Bad };
        let Ok(local) = jiff::tz::Offset::UTC.to_timestamp(civil) else { return TimeValue::Bad };
        let offset_us = parts.offset().map(|o| i64::from(o.seconds()) * US_PER_SECOND);
        self.place(local.as_microsecond(), offset_us)
    }
}

fn placed(resolved: Resolved, local: i64) -> TimeValue {
    match resolved {
        Resolved::At(at) => TimeValue::At(at),
        Resolved::Fold { early, late } => TimeValue::Fold { local, early, late },
        Resolved::Gap => TimeValue::Gap,
    }
}

/// Local µs of a spreadsheet day number, to the nearest millisecond: the fraction of a day in
/// an f64 is good to about a microsecond, and no spreadsheet shows less than a millisecond.
fn spreadsheet_us(text: &[u8]) -> Option<i64> {
    let days = crate::number::parse(text, crate::number::NumberStyle::POINT)
        .or_else(|| crate::number::parse(text, crate::number::NumberStyle::COMMA))?;
    // Below day 61 the false leap day of 1900 makes the number ambiguous.
    (61.0..=2_958_466.0).contains(&days).then_some(())?;
    Some(((days - SPREADSHEET_EPOCH_DAYS) * 86_400_000.0).round() as i64 * 1000)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn iso(text: &str) -> Option<i64> {
        let civil = civil(text.as_bytes(), DateOrder::YearMonthDay, false)?;
        Some(civil.local_us - civil.offset_us.unwrap_or(0))
    }

    /// RFC 3339 section 5.8 (from memory); epoch seconds computed with Python datetime.
    #[test]
    fn rfc_3339_examples_are_the_instants_they_name() {
        assert_eq!(iso("1985-04-12T23:20:50.52Z"), Some(482_196_050_520_000));
        assert_eq!(iso("1996-12-19T16:39:57-08:00"), Some(851_042_397_000_000));
        assert_eq!(iso("1937-01-01T12:00:27.87+00:20"), Some(-1_041_337_172_130_000));
        let leap = iso("1990-12-31T23:59:60Z");
        assert_eq!(leap, iso("1990-12-31T15:59:60-08:00"));
        assert_eq!(leap, iso("1990-12-31T23:59:59Z"));
    }

    /// ISO 8601 forms of one day; oracle: Python datetime.fromisocalendar.
    #[test]
    fn one_day_in_all_its_iso_forms() {
        let day = iso("2024-03-07");
        assert_eq!(day, Some(1_709_769_600_000_000));
        for text in ["20240307", "2024-067", "2024-W10-4", "2024/03/07", "2024-3-7"] {
            assert_eq!(iso(text), day, "{text}");
        }
        assert_eq!(iso("2020-W53-7"), iso("2021-01-03"));
        assert_eq!(iso("2025-W01-1"), iso("2024-12-30"));
        assert_eq!(iso("2024-W53-1"), None);
        assert_eq!(iso("2023-366"), None);
    }

    #[test]
    fn offsets_and_decimals_of_iso_8601_are_read_and_never_dropped() {
        let want = iso("2024-03-07T02:15:00.5Z");
        for text in [
            "2024-03-07T02:15:00,5Z",
            "2024-03-07T07:45:00.5+05:30",
            "2024-03-07T07:45:00.5+0530",
            "2024-03-07 07:15:00.500000999+05",
            "20240307T021500.5Z",
            "2024-03-07T02:15:00.5-00:00",
            "2024-03-07T03:15:00.5+01:00[Europe/Berlin]",
        ] {
            assert_eq!(iso(text), want, "{text}");
        }
        assert_eq!(iso("2024-03-07T24:00:00Z"), iso("2024-03-08T00:00Z"));
        assert_eq!(iso("20240307021500"), iso("2024-03-07T02:15"));
    }

    #[test]
    fn dates_and_times_that_do_not_exist_are_refused() {
        for text in [
            "1900-02-29",
            "2023-02-29",
            "2024-13-01",
            "2024-00-10",
            "2024-04-31",
            "2024-03-07T25:00",
            "2024-03-07T12:60",
            "2024-03-07T12:00:61",
            "2024-03-07T24:00:01",
            "2024-03-07T12:00x",
            "2024-03-07T12:00+5",
            "2024-03-07T",
            "24-03-07",
            "2024-3",
            "99999999999999999999-01-01",
            "",
            "-",
            "T12:00",
        ] {
            assert_eq!(iso(text), None, "{text}");
        }
        assert!(iso("2000-02-29").is_some());
    }

    #[test]
    fn orders_separators_names_and_halves_of_the_day() {
        let read = |text: &str, order| civil(text.as_bytes(), order, true).map(|c| c.local_us);
        let want = iso("2004-03-10T18:00");
        assert_eq!(read("10/03/2004 18.00.00", DateOrder::DayMonth), want);
        assert_eq!(read("3/10/2004 6:00:00 PM", DateOrder::MonthDay), want);
        assert_eq!(read("10.3.2004, 18:00", DateOrder::DayMonth), want);
        assert_eq!(read("10-Mar-04 18:00", DateOrder::DayMonth), want);
        assert_eq!(read("10-March-2004 06:00pm", DateOrder::MonthDay), want);
        assert_eq!(read("10/03/2004 00:00 PM", DateOrder::DayMonth), None);
        assert_eq!(read("10/03-2004", DateOrder::DayMonth), None);
        assert_eq!(read("1/1/70", DateOrder::DayMonth), iso("1970-01-01"));
        assert_eq!(civil(b"1/1/70", DateOrder::DayMonth, false), None);
    }

    /// Epoch edges; oracle: Python datetime, 45292 = 2024-01-01 in spreadsheets.
    #[test]
    fn epochs_and_spreadsheet_days() {
        let utc = Zone::utc();
        let read =
            |format: TimeFormat, text: &str| TimeReader::new(&format, &utc).read(text.as_bytes());
        let at = |text: &str| TimeValue::At(iso(text).expect(text));
        assert_eq!(read(TimeFormat::EpochS, "2147483647"), at("2038-01-19T03:14:07Z"));
        assert_eq!(read(TimeFormat::EpochS, "482196050.52"), at("1985-04-12T23:20:50.52Z"));
        assert_eq!(read(TimeFormat::EpochMs, "-1500"), TimeValue::At(-1_500_000));
        assert_eq!(
            read(TimeFormat::EpochNs, "9223372036854775807"),
            at("2262-04-11T23:47:16.854775Z")
        );
        assert_eq!(read(TimeFormat::SpreadsheetDays, "45292"), at("2024-01-01T00:00Z"));
        assert_eq!(
            read(TimeFormat::SpreadsheetDays, "46110.104166666664"),
            at("2026-03-29T02:30Z")
        );
        assert_eq!(read(TimeFormat::SpreadsheetDays, "60"), TimeValue::Bad);
        assert_eq!(read(TimeFormat::EpochS, "12x"), TimeValue::Bad);
        assert_eq!(read(TimeFormat::EpochS, "99999999999999999999"), TimeValue::Bad);
    }

    #[test]
    fn the_remembered_date_changes_nothing() {
        let zone = Zone::parse("Europe/Berlin").expect("zone");
        let format = TimeFormat::ISO;
        let mut reader = TimeReader::new(&format, &zone);
        let texts = [
            "2024-03-30T23:59:59",
            "2024-03-31T01:59:59.999",
            "2024-03-31T02:00:00",
            "2024-03-31 03:00:00",
            "2024-03-31T24:00:00",
            "2024-03-31T12:00:00Z",
            "2024-03-31T12:00:00+02:00",
            "2024-03-31T12:00:60",
            "2024-10-27T02:30:00",
            "2024-10-27T02:30:00.123456",
            "2024-10-27T1:30:00",
            "2024-10-27T11.30.00",
        ];
        for text in texts.iter().chain(&texts) {
            let fresh = TimeReader::new(&format, &zone).read(text.as_bytes());
            assert_eq!(reader.read(text.as_bytes()), fresh, "{text}");
        }
    }

    #[test]
    fn a_pattern_reads_what_it_says() {
        let zone = Zone::parse("Europe/Berlin").expect("zone");
        let format = TimeFormat::Pattern("%d.%m.%Y %H:%M:%S".into());
        let mut reader = TimeReader::new(&format, &zone);
        assert_eq!(reader.read(b"31.03.2024 02:30:00"), TimeValue::Gap);
        assert_eq!(
            reader.read(b"31.03.2024 03:30:00"),
            TimeValue::At(iso("2024-03-31T01:30Z").expect("time"))
        );
        assert_eq!(reader.read(b"2024-03-31"), TimeValue::Bad);
    }
}
