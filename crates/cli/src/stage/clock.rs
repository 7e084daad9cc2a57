//! Dumps whose clock or zone looks wrong.
//!
//! Why:    a dump that was read in the wrong zone is well formed and wrong in every row; what
//!         gives it away is that it tells of the future, or that the seam to the dump before it
//!         is an hour off.
//! Future: a dump whose last reading lies later than the moment it came, by more than two clocks
//!         may differ.
//! Seams:  the pause from the last reading of a dump to the first of the next is a habit of its
//!         source. Where three in four seams agree, one that is off by an hour is named; a dump
//!         that begins an hour late and whose successor overlaps it by an hour was moved whole.
//! Choice: five minutes, six seams, three in four, 45 days back: our judgement, no source.
//! Limits: an hour that is truly missing at a seam looks the same, and so does one that came
//!         twice: a doubt is a question, not a finding. Sources whose dumps overlap at random
//!         have no habit, and nothing is said of them.

use metersift_model::Day;
use metersift_store::{DumpEntry, DumpState};
use std::collections::BTreeMap;

/// What two clocks may differ by, us.
const TOLERANCE_US: i64 = 5 * 60 * 1_000_000;
const HOUR_US: i64 = 3600 * 1_000_000;
/// The fewest seams that make a habit.
const SEAMS: usize = 6;
/// Days back from the as-of date in which dumps are asked about.
const LOOK_BACK_DAYS: i32 = 45;

/// A dump with readings: first and last, µs UTC.
struct Span<'a> {
    dump: &'a DumpEntry,
    first_us: i64,
    last_us: i64,
}

impl Span<'_> {
    fn is_asked_about(&self, as_of: Day) -> bool {
        let last = metersift_model::TimeUs(self.last_us).day();
        let first = metersift_model::TimeUs(self.first_us).day();
        first < as_of && last >= as_of.plus(-LOOK_BACK_DAYS)
    }
}

/// One line per dump to look at, in order of source and time.
pub fn doubts(dumps: &[DumpEntry], as_of: Day) -> Vec<String> {
    let mut by_source: BTreeMap<&str, Vec<Span<'_>>> = BTreeMap::new();
    for dump in dumps.iter().filter(|dump| dump.state != DumpState::Withdrawn) {
        if let (Some(first_us), Some(last_us)) = (dump.first_us, dump.last_us) {
            let span = Span { dump, first_us, last_us };
            by_source.entry(&dump.source).or_default().push(span);
        }
    }
    let mut lines = Vec::new();
    for spans in by_source.values_mut() {
        spans.sort_by_key(|span| (span.first_us, span.dump.number));
        let asked = spans.iter().filter(|span| span.is_asked_about(as_of));
        lines.extend(asked.filter(|span| is_from_the_future(span.dump)).map(future_words));
        lines.extend(moved(spans, as_of));
    }
    lines
}

/// Whether a dump tells of a time later than the moment it came.
pub fn is_from_the_future(dump: &DumpEntry) -> bool {
    dump.last_us.is_some_and(|last| last > dump.arrived_us.saturating_add(TOLERANCE_US))
}

fn future_words(span: &Span<'_>) -> String {
    format!(
        "{}: its last reading is of {}, later than the moment it came; is its zone right?",
        span.dump.name,
        metersift_model::TimeUs(span.last_us)
    )
}

/// Dumps of one source, in order of their first reading, that begin an hour off.
fn moved(spans: &[Span<'_>], as_of: Day) -> Vec<String> {
    // Habits of later dumps are not known on an old date.
    let known = spans.partition_point(|span| metersift_model::TimeUs(span.first_us).day() < as_of);
    let spans = &spans[..known];
    let seams: Vec<i64> = spans.windows(2).map(|pair| pair[1].first_us - pair[0].last_us).collect();
    let Some(usual) = habit(&seams) else { return Vec::new() };
    let off = |at: usize, by: i64| {
        seams.get(at).is_some_and(|seam| (seam - usual - by).abs() <= TOLERANCE_US)
    };
    let mut lines = Vec::new();
    for at in 0..seams.len() {
        let (late, early) = (off(at, HOUR_US), off(at, -HOUR_US));
        let dump = &spans[at + 1];
        // The second seam of a dump that was moved whole belongs to that dump.
        let is_way_back =
            at > 0 && ((early && off(at - 1, HOUR_US)) || (late && off(at - 1, -HOUR_US)));
        if !(late || early) || is_way_back || !dump.is_asked_about(as_of) {
            continue;
        }
        let whole = off(at + 1, if late { -HOUR_US } else { HOUR_US });
        let how = if late { "later" } else { "earlier" };
        let and = match whole {
            true => ", and the next dump fits again: the whole dump looks moved by one hour",
            false => "",
        };
        lines.push(format!(
            "{}: begins 1 h {how} than the seams of source {} let expect{and}; is its zone right, or \
             is an hour {}?",
            dump.dump.name,
            dump.dump.source,
            if late { "missing" } else { "there twice" },
        ));
    }
    lines
}

/// The pause that three in four seams agree on.
fn habit(seams: &[i64]) -> Option<i64> {
    if seams.len() < SEAMS {
        return None;
    }
    let mut sorted = seams.to_vec();
    sorted.sort_unstable();
    let usual = sorted[sorted.len() / 2];
    let agree = seams.iter().filter(|seam| (*seam - usual).abs() <= TOLERANCE_US).count();
    (4 * agree >= 3 * seams.len()).then_some(usual)
}

#[cfg(test)]
mod tests {
    use super::*;
    use metersift_store::RowCounts;

    const DAY_US: i64 = 24 * HOUR_US;

    /// A dump of one day (0 = the first), moved by some hours, that came ten minutes after its end.
    fn dump(day: i64, hours: i64) -> DumpEntry {
        let first = (20_000 + day) * DAY_US + hours * HOUR_US;
        let last = first + DAY_US - 60_000_000;
        DumpEntry {
            number: day as u32,
            name: format!("dock-{day}.csv"),
            hash: format!("{day}"),
            source: "dock".into(),
            bytes: 1,
            arrived_us: (20_001 + day) * DAY_US + 600_000_000,
            first_us: Some(first),
            last_us: Some(last),
            state: DumpState::Imported,
            rows_in: 1,
            rows: RowCounts::default(),
            held_back: 0,
            rejected: 0,
            ignored: 0,
            empty_cells: 0,
            units: BTreeMap::new(),
            again: Vec::new(),
            header_lines: Vec::new(),
            steps: None,
        }
    }

    fn told(hours: [i64; 10]) -> Vec<String> {
        let dumps: Vec<DumpEntry> =
            hours.iter().zip(0..).map(|(hours, day)| dump(day, *hours)).collect();
        let mut lines = doubts(&dumps, Day(20_010));
        lines.retain(|line| line.contains("begins"));
        lines
    }

    #[test]
    fn a_dump_that_tells_of_the_future_is_named() {
        let mut dumps = [dump(0, 0), dump(1, 0)];
        assert!(doubts(&dumps, Day(20_002)).is_empty());
        dumps[1].last_us = Some(dumps[1].arrived_us + HOUR_US);
        let lines = doubts(&dumps, Day(20_002));
        assert_eq!(lines.len(), 1, "{lines:?}");
        assert!(lines[0].starts_with("dock-1.csv: its last reading is of"), "{lines:?}");
        assert!(doubts(&dumps, Day(20_001)).is_empty(), "an old date knows no later dump");
        dumps[1].state = DumpState::Withdrawn;
        assert!(doubts(&dumps, Day(20_002)).is_empty());
    }

    #[test]
    fn a_dump_moved_by_an_hour_is_named_once_and_a_lasting_step_where_it_begins() {
        assert!(told([0; 10]).is_empty());
        for (hour, how) in [(1, "1 h later"), (-1, "1 h earlier")] {
            let mut hours = [0; 10];
            hours[6] = hour;
            let lines = told(hours);
            assert_eq!(lines.len(), 1, "{lines:?}");
            assert!(lines[0].starts_with("dock-6.csv") && lines[0].contains(how), "{lines:?}");
            assert!(lines[0].contains("the whole dump looks moved"), "{lines:?}");
            hours[6..].fill(hour);
            let lines = told(hours);
            assert_eq!(lines.len(), 1, "{lines:?}");
            assert!(!lines[0].contains("the whole dump looks moved"), "{lines:?}");
        }
        // Two hours is no clock change, and seams that agree on nothing are no habit.
        assert!(told([0, 0, 0, 0, 0, 0, 2, 0, 0, 0]).is_empty());
        assert!(told([0, 3, 1, 7, 0, 4, 1, 0, 9, 2]).is_empty());
    }
}
