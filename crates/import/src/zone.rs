//! Local clock to UTC, with folds and gaps as answers instead of guesses.
//!
//! Why:    a dump without offsets holds times that occur twice and times that never existed;
//!         a library that shifts them in silence moves samples by an hour.
//! In:     local microseconds: the civil time read as if it were UTC.
//! Out:    UTC microseconds, or both candidates of a fold, or "never existed".
//! Method: zone rules change at quarter hours of local time almost everywhere, so one look-up
//!         per quarter hour is cached. A quarter hour in which the rule changes (some zones
//!         before 1972) is looked up time by time.
//! Source: IANA time zone database in the binary (crate `jiff`).

use crate::error::ImportError;
use jiff::tz::{AmbiguousOffset, Offset, TimeZone};
use std::collections::BTreeMap;

/// Length of a cached slot.
const SLOT_US: i64 = 900_000_000;
const US_PER_SECOND: i64 = 1_000_000;

/// The zone in which times without offset are read.
#[derive(Clone, Debug, PartialEq)]
pub struct Zone {
    name: String,
    rule: Rule,
    /// What the words for zones in this dump mean.
    words: BTreeMap<String, Zone>,
}

#[derive(Clone, Debug, PartialEq)]
enum Rule {
    Fixed { offset_us: i64 },
    Named(TimeZone),
}

/// What a local time is in UTC.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Resolved {
    /// One instant, µs UTC.
    At(i64),
    /// Two instants, µs UTC: the clock was set back.
    Fold {
        /// The first pass.
        early: i64,
        /// The second pass.
        late: i64,
    },
    /// No instant: the clock was set forward over it.
    Gap,
}

impl Zone {
    /// UTC.
    pub fn utc() -> Zone {
        Zone { name: "UTC".into(), rule: Rule::Fixed { offset_us: 0 }, words: BTreeMap::new() }
    }

    /// An IANA name, `UTC`, or an offset such as `+01:00`.
    ///
    /// # Errors
    /// [`ImportError::UnknownZone`].
    pub fn parse(name: &str) -> Result<Zone, ImportError> {
        let unknown = || ImportError::UnknownZone { zone: crate::text::shown(name.as_bytes()) };
        let trimmed = name.trim();
        if matches!(trimmed, "UTC" | "Z" | "utc") {
            return Ok(Zone::utc());
        }
        if trimmed.starts_with(['+', '-']) {
            let offset = crate::clock::offset_us(trimmed.as_bytes()).ok_or_else(unknown)?;
            let rule = Rule::Fixed { offset_us: offset };
            return Ok(Zone { name: trimmed.into(), rule, words: BTreeMap::new() });
        }
        let zone = TimeZone::get(trimmed).map_err(|_| unknown())?;
        Ok(Zone { name: trimmed.into(), rule: Rule::Named(zone), words: BTreeMap::new() })
    }

    /// The name it was asked for by.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Whether the zone, or one that a word stands for, has rules (and so perhaps folds and
    /// gaps).
    pub fn is_named(&self) -> bool {
        matches!(self.rule, Rule::Named(_)) || self.words.values().any(Zone::is_named)
    }

    /// The zone, with the meaning of words for zones: `CET` is an offset here and a zone with
    /// rules there, so no word but `UTC` and `GMT` means anything by itself.
    ///
    /// # Errors
    /// As [`Zone::parse`], for a meaning.
    pub fn with_words(mut self, words: &BTreeMap<String, String>) -> Result<Zone, ImportError> {
        for (word, meaning) in words {
            self.words.insert(word.trim().into(), Zone::parse(meaning)?);
        }
        Ok(self)
    }

    /// Words and what they mean.
    pub fn words(&self) -> impl Iterator<Item = (&str, &Zone)> {
        self.words.iter().map(|(word, zone)| (word.as_str(), zone))
    }

    /// Whether a word means something here.
    pub fn knows(&self, word: &[u8]) -> bool {
        self.words.keys().any(|known| known.as_bytes() == word)
    }

    /// The instant of a local time, without a cache.
    pub fn resolve(&self, local_us: i64) -> Resolved {
        match &self.rule {
            Rule::Fixed { offset_us } => Resolved::At(local_us - offset_us),
            Rule::Named(zone) => apply(lookup(zone, local_us), local_us),
        }
    }
}

/// What holds for the local times of one slot; offsets in µs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum SlotRule {
    Offset(i64),
    Fold { before: i64, after: i64 },
    Gap,
}

/// A zone with the answers for the quarter hours seen last.
#[derive(Clone, Debug)]
pub struct ZoneCache<'z> {
    zone: &'z Zone,
    slots: Vec<(i64, SlotRule)>,
}

/// Slots kept; a power of two. 64 quarter hours are 16 hours of local time.
const N_SLOTS: usize = 64;

impl<'z> ZoneCache<'z> {
    /// An empty cache.
    pub fn new(zone: &'z Zone) -> ZoneCache<'z> {
        ZoneCache { zone, slots: vec![(i64::MIN, SlotRule::Gap); N_SLOTS] }
    }

    /// The offset of a local time, µs, where it is the only one and was looked up before.
    #[inline]
    pub(crate) fn known_offset(&self, local_us: i64) -> Option<i64> {
        match &self.zone.rule {
            Rule::Fixed { offset_us } => Some(*offset_us),
            Rule::Named(_) => {
                let slot = local_us.div_euclid(SLOT_US);
                match self.slots[(slot as usize) & (N_SLOTS - 1)] {
                    (cached, SlotRule::Offset(offset_us)) if cached == slot => Some(offset_us),
                    _ => None,
                }
            }
        }
    }

    /// The instant of a local time.
    #[inline]
    pub fn resolve(&mut self, local_us: i64) -> Resolved {
        match &self.zone.rule {
            Rule::Fixed { offset_us } => Resolved::At(local_us - offset_us),
            Rule::Named(zone) => {
                let slot = local_us.div_euclid(SLOT_US);
                let place = (slot as usize) & (N_SLOTS - 1);
                let (cached, rule) = self.slots[place];
                if cached == slot {
                    return apply(rule, local_us);
                }
                let first = lookup(zone, slot * SLOT_US);
                let last = lookup(zone, slot * SLOT_US + SLOT_US - 1);
                if first != last {
                    return apply(lookup(zone, local_us), local_us);
                }
                self.slots[place] = (slot, first);
                apply(first, local_us)
            }
        }
    }
}

fn apply(rule: SlotRule, local_us: i64) -> Resolved {
    match rule {
        SlotRule::Offset(offset) => Resolved::At(local_us - offset),
        SlotRule::Fold { before, after } => {
            Resolved::Fold { early: local_us - before, late: local_us - after }
        }
        SlotRule::Gap => Resolved::Gap,
    }
}

fn lookup(zone: &TimeZone, local_us: i64) -> SlotRule {
    let Some(civil) = civil(local_us) else { return SlotRule::Gap };
    match zone.to_ambiguous_timestamp(civil).offset() {
        AmbiguousOffset::Unambiguous { offset } => SlotRule::Offset(us(offset)),
        AmbiguousOffset::Gap { .. } => SlotRule::Gap,
        AmbiguousOffset::Fold { before, after } => {
            SlotRule::Fold { before: us(before), after: us(after) }
        }
    }
}

fn us(offset: Offset) -> i64 {
    i64::from(offset.seconds()) * US_PER_SECOND
}

/// The civil time of local microseconds; `None` outside the years that the calendar knows.
fn civil(local_us: i64) -> Option<jiff::civil::DateTime> {
    let instant = jiff::Timestamp::from_microsecond(local_us).ok()?;
    Some(Offset::UTC.to_datetime(instant))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn local(text: &str) -> i64 {
        let civil: jiff::civil::DateTime = text.parse().expect("civil time");
        Offset::UTC.to_timestamp(civil).expect("in range").as_microsecond()
    }

    fn utc(text: &str) -> i64 {
        text.parse::<jiff::Timestamp>().expect("instant").as_microsecond()
    }

    /// IANA 2026f transitions, listed by Python zoneinfo: zone, a local time in the gap, a
    /// local time in the fold with both instants.
    #[test]
    fn folds_and_gaps_of_the_iana_rules_are_found() {
        let gaps = [
            ("Europe/Berlin", "2024-03-31T02:30"),
            ("America/New_York", "2026-03-08T02:00"),
            ("Australia/Lord_Howe", "2024-10-06T02:15"),
            ("Africa/Casablanca", "2024-04-14T02:59:59"),
            ("America/Sao_Paulo", "2018-11-04T00:30"),
            ("Asia/Tehran", "2022-03-22T00:00"),
            ("Antarctica/Troll", "2024-03-31T02:59"),
            ("Pacific/Apia", "2011-12-30T12:00"),
            ("Africa/Cairo", "2024-04-26T00:30"),
            ("Asia/Pyongyang", "2018-05-04T23:45"),
        ];
        for (name, time) in gaps {
            let zone = Zone::parse(name).expect(name);
            assert_eq!(zone.resolve(local(time)), Resolved::Gap, "{name} {time}");
            assert_eq!(ZoneCache::new(&zone).resolve(local(time)), Resolved::Gap, "{name}");
        }
        let folds = [
            ("Europe/Berlin", "2026-10-25T02:30", "2026-10-25T00:30Z", "2026-10-25T01:30Z"),
            ("America/New_York", "2024-11-03T01:00", "2024-11-03T05:00Z", "2024-11-03T06:00Z"),
            ("Australia/Lord_Howe", "2024-04-07T01:45", "2024-04-06T14:45Z", "2024-04-06T15:15Z"),
            ("Antarctica/Troll", "2024-10-27T01:00", "2024-10-26T23:00Z", "2024-10-27T01:00Z"),
            ("America/Mexico_City", "2022-10-30T01:59", "2022-10-30T06:59Z", "2022-10-30T07:59Z"),
        ];
        for (name, time, early, late) in folds {
            let zone = Zone::parse(name).expect(name);
            let want = Resolved::Fold { early: utc(early), late: utc(late) };
            assert_eq!(zone.resolve(local(time)), want, "{name} {time}");
            assert_eq!(ZoneCache::new(&zone).resolve(local(time)), want, "{name} {time}");
        }
        let kolkata = Zone::parse("Asia/Kolkata").expect("zone");
        assert_eq!(
            kolkata.resolve(local("2024-03-31T02:30")),
            Resolved::At(utc("2024-03-30T21:00Z"))
        );
    }

    #[test]
    fn the_cache_answers_as_the_rules_do_all_through_a_year() {
        for name in ["Europe/Berlin", "Australia/Lord_Howe", "Africa/Monrovia", "+05:45"] {
            let zone = Zone::parse(name).expect(name);
            let mut cache = ZoneCache::new(&zone);
            // 1972 holds the change of Monrovia from -00:44:30, which no quarter hour holds.
            for start in ["1972-01-01T00:00", "2024-01-01T00:00"] {
                for minute in 0..366 * 24 * 60 / 7 {
                    let time = local(start) + minute * 7 * 60_000_000;
                    assert_eq!(cache.resolve(time), zone.resolve(time), "{name} {time}");
                }
            }
        }
    }

    #[test]
    fn offsets_and_unknown_names() {
        let zone = Zone::parse("-00:20").expect("offset");
        assert_eq!(zone.resolve(0), Resolved::At(1_200_000_000));
        assert!(matches!(Zone::parse("Larkmoor"), Err(ImportError::UnknownZone { .. })));
        assert!(Zone::parse("+25:00").is_err());
    }
}
