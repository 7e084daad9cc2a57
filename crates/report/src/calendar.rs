//! Appointments for calendar programs: one iCalendar file.
//!
//! Why:    a plan that stands in the crew's own calendar is looked at; a table is not.
//! In:     appointments with an hour, or with a day only; the as-of date.
//! Out:    RFC 5545 text: CRLF line ends, lines of at most 75 octets, text escaped.
//! Times:  instants in UTC (section 3.3.5, form 2), which every calendar program shows in its
//!         reader's zone: no zone table travels along, and an appointment on either side of a
//!         clock change is right. A day without an hour is a DATE, which has no zone.
//! Again:  an appointment keeps its UID from plan to plan, its SEQUENCE is the number of the
//!         as-of day and its DTSTAMP that day's midnight: a later plan that is imported moves the
//!         appointment instead of adding another, and the same plan gives the same bytes. One
//!         that is wanted no more is told once more, with STATUS:CANCELLED.
//! Source: RFC 5545, sections 3.1 (lines), 3.3.11 (text), 3.6.1 (events), 3.8.1.11 (status),
//!         3.8.7.4 (sequence).

use crate::card::RunCard;
use icalendar::{Calendar, Component, Event, Property};
use metersift_model::{Day, TimeUs};

/// Octets of a line, without its end.
const LINE_OCTETS: usize = 75;

/// When an appointment is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum When {
    /// Between two instants.
    Hour {
        /// First instant.
        start: TimeUs,
        /// End.
        end: TimeUs,
    },
    /// Some time that day.
    Day(Day),
}

/// One appointment.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Appointment {
    /// Globally unique and the same from plan to plan.
    pub uid: String,
    /// When.
    pub when: When,
    /// One line.
    pub summary: String,
    /// What it is for, and its cautions.
    pub description: String,
    /// Told before and wanted no more.
    pub cancelled: bool,
}

/// The appointments of a plan as one file.
pub fn calendar(name: &str, appointments: &[Appointment], card: &RunCard) -> String {
    let mut calendar = Calendar::empty();
    let mut head = |key: &str, value: &str| {
        calendar.append_property(Property::new(key, one_line(value)));
    };
    head("VERSION", "2.0");
    head("PRODID", "-//metersift//check plan//EN");
    head("CALSCALE", "GREGORIAN");
    head("METHOD", "PUBLISH");
    head("X-WR-CALNAME", name);
    for (key, value) in card.lines() {
        head(&format!("X-METERSIFT-{}", key.to_uppercase().replace('_', "-")), &value);
    }
    for appointment in appointments {
        calendar.push(event(appointment, card.as_of));
    }
    refolded(&calendar.to_string())
}

fn event(appointment: &Appointment, as_of: Day) -> Event {
    let mut event = Event::new();
    event.uid(&appointment.uid);
    event.add_property("DTSTAMP", utc(as_of.start()));
    event.add_property("SEQUENCE", as_of.0.max(0).to_string());
    event.add_property("STATUS", if appointment.cancelled { "CANCELLED" } else { "CONFIRMED" });
    event.summary(&one_line(&appointment.summary));
    event.description(&text(&appointment.description));
    match appointment.when {
        When::Hour { start, end } => {
            event.add_property("DTSTART", utc(start));
            event.add_property("DTEND", utc(end));
        }
        When::Day(day) => {
            let date = |key: &str, day: Day| {
                let value = day.to_string().replace('-', "");
                Property::new(key, value).add_parameter("VALUE", "DATE").done()
            };
            event.append_property(date("DTSTART", day));
            event.append_property(date("DTEND", day.plus(1)));
            event.add_property("TRANSP", "TRANSPARENT");
        }
    }
    event.done()
}

/// `20260317T100000Z`; the fraction of a second is dropped.
fn utc(time: TimeUs) -> String {
    let whole = TimeUs(time.0 - time.0.rem_euclid(1_000_000));
    whole.to_string().replace(['-', ':'], "")
}

/// Text whose only control character is the line end: a carriage return in a name would end the
/// content line.
fn text(value: &str) -> String {
    value.chars().map(|c| if c.is_control() && c != '\n' { ' ' } else { c }).collect()
}

fn one_line(value: &str) -> String {
    text(value).replace('\n', " ")
}

/// Folds every line anew: the crate counts the blank of a folded line to the one before, so that
/// its last piece can have 76 octets.
fn refolded(calendar: &str) -> String {
    calendar.replace("\r\n ", "").split_inclusive("\r\n").map(folded).collect()
}

fn folded(line: &str) -> String {
    let mut out = String::with_capacity(line.len() + line.len() / LINE_OCTETS * 3);
    let mut octets = 0;
    for character in line.trim_end_matches("\r\n").chars() {
        if octets + character.len_utf8() > LINE_OCTETS {
            out.push_str("\r\n ");
            octets = 1;
        }
        out.push(character);
        octets += character.len_utf8();
    }
    out + "\r\n"
}

#[cfg(test)]
mod tests {
    use super::*;

    fn card() -> RunCard {
        RunCard {
            run: "0f".into(),
            config_hash: "1e".into(),
            ledger: "2d".into(),
            program: "metersift 0.1.0".into(),
            as_of: Day::parse("2026-03-28").expect("a day"),
        }
    }

    fn time(text: &str) -> TimeUs {
        TimeUs(text.parse::<jiff::Timestamp>().expect("a time").as_microsecond())
    }

    fn appointment(when: When) -> Appointment {
        Appointment {
            uid: "0123456789abcdef@metersift".into(),
            when,
            summary: "Check FT-1; starch, milk".into(),
            description: "why:\nslurry \\ line \u{b0}C, 7 of 8; ".repeat(20),
            cancelled: false,
        }
    }

    /// RFC 5545 section 3.1: a line break followed by a blank is taken out.
    fn unfolded(text: &str) -> Vec<String> {
        text.replace("\r\n ", "").split("\r\n").map(String::from).collect()
    }

    #[test]
    fn no_line_is_longer_than_75_octets_and_unfolding_gives_the_text_back() {
        for pad in 0..160 {
            let mut one = appointment(When::Day(card().as_of));
            one.summary = format!("{} {}", "\u{e4}\u{20ac}".repeat(pad / 5), "x".repeat(pad));
            let text = calendar("Larkmoor", &[one.clone()], &card());
            for line in text.split("\r\n") {
                assert!(line.len() <= 75, "{} octets: {line}", line.len());
                assert!(!line.contains(['\n', '\r']), "a bare line end in {line:?}");
            }
            let lines = unfolded(&text);
            assert!(lines.contains(&format!("SUMMARY:{}", one.summary)), "{pad}: {text}");
        }
    }

    #[test]
    fn text_is_escaped_as_section_3_3_11_says() {
        let text = calendar("a, b", &[appointment(When::Day(card().as_of))], &card());
        let lines = unfolded(&text);
        assert!(lines.contains(&r"SUMMARY:Check FT-1\; starch\, milk".to_string()), "{text}");
        let description = lines.iter().find(|l| l.starts_with("DESCRIPTION:")).expect("one");
        assert!(
            description.starts_with("DESCRIPTION:why:\\nslurry \\\\ line \u{b0}C\\, 7 of 8\\; ")
        );
        assert!(lines.contains(&r"X-WR-CALNAME:a\, b".to_string()), "{text}");
    }

    #[test]
    fn an_hour_after_the_clock_change_is_told_in_utc_and_a_day_as_a_date() {
        let hour =
            When::Hour { start: time("2026-03-29T08:00:00Z"), end: time("2026-03-29T09:00:00Z") };
        let text = calendar("Larkmoor", &[appointment(hour)], &card());
        assert!(text.contains("\r\nDTSTART:20260329T080000Z\r\n"), "{text}");
        assert!(text.contains("\r\nDTEND:20260329T090000Z\r\n"), "{text}");
        let day = When::Day(Day::parse("2026-12-31").expect("a day"));
        let text = calendar("Larkmoor", &[appointment(day)], &card());
        assert!(text.contains("\r\nDTSTART;VALUE=DATE:20261231\r\n"), "{text}");
        assert!(text.contains("\r\nDTEND;VALUE=DATE:20270101\r\n"), "{text}");
    }

    #[test]
    fn the_stamp_is_the_as_of_date_and_the_same_plan_gives_the_same_bytes() {
        let plan = [appointment(When::Day(card().as_of))];
        let text = calendar("Larkmoor", &plan, &card());
        assert!(text.contains("\r\nDTSTAMP:20260328T000000Z\r\n"), "{text}");
        // 2026-03-28 is day 20540 since 1970-01-01.
        assert!(text.contains("\r\nSEQUENCE:20540\r\n"), "{text}");
        assert_eq!(text, calendar("Larkmoor", &plan, &card()));
    }

    #[test]
    fn an_appointment_that_is_wanted_no_more_is_told_as_cancelled() {
        let one = appointment(When::Day(card().as_of));
        let wanted = calendar("Larkmoor", std::slice::from_ref(&one), &card());
        assert!(wanted.contains("\r\nSTATUS:CONFIRMED\r\n"), "{wanted}");
        let gone = calendar("Larkmoor", &[Appointment { cancelled: true, ..one }], &card());
        assert_eq!(gone, wanted.replace("STATUS:CONFIRMED", "STATUS:CANCELLED"));
    }

    #[test]
    fn a_name_cannot_add_a_line() {
        let mut one = appointment(When::Day(card().as_of));
        one.summary = "FT-1\r\nATTENDEE:mailto:x@example.com\r\n".into();
        let text = calendar("x\r\nURL:y", &[one], &card());
        assert!(!text.contains("\r\nATTENDEE") && !text.contains("\r\nURL"), "{text}");
    }
}
