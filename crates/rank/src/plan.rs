//! The check plan: which meters to check in the days to come, and on which day.
//!
//! Why:    a crew can run a handful of in-situ checks a day. Lists say where a check is worth
//!         most tonight; the register says which intervals run out; and what nobody ever checks
//!         stays unknown.
//! In:     the verdicts and lists of one as-of date, and the records.
//! Out:    [`CheckPlan`]: a day for each check as far as the capacity goes; what does not fit is
//!         named as beyond the span, and nothing is dropped.
//! Who:    meters on the list `check_now`; meters whose check interval of the register runs out
//!         within the span; listed or withheld meters whose settling test is an in-situ check (of
//!         a common cause its strongest member: the others are likely to tell the same).
//! Order:  expected cost of waiting one round (in money where it is known of all candidates, else
//!         in points), then the share of the interval that has passed, then the name.
//! Days:   in that order each meter takes a working day with room: one on which it has a good hour
//!         (`hours`) before one on which it has none, then one that has no other meter of its
//!         stream yet, then the first. Two meters of one stream that are checked on one day are
//!         both wrong when the stream was disturbed that day.
//! Hours:  of the good hours of that day the one that the fewest others took, then the one that
//!         was good most often. Where no hour is good often enough the check keeps its day and
//!         says so.
//! Draws:  every tenth slot of the span goes to a meter without an entry and without a completed
//!         check of late, drawn by a generator that the as-of date and the meter's name
//!         seed. One in ten is a judgement of ours: it costs little and is the only way to learn
//!         how often quiet is wrong.
//! Told:   what an earlier plan told ([`ToldCheck`]) stands while it can: a meter keeps its day,
//!         its hour while that is a good one, and a drawn meter is not drawn anew. Otherwise every
//!         morning's calendar would move most of the crew's appointments by a day. Risk still
//!         comes first: a meter that nobody told of takes room that was told to a cheaper one
//!         where none is free within [`WAIT_FOR_ROOM_DAYS`]; that one then takes free room.
//! Limits: hours are what a meter did in the last weeks: a changed campaign changes them.

use crate::candidate::{Candidate, candidates_of, chance, likeliest};
use crate::cost::{money, points};
use crate::hours::{GoodHour, HourShare, Hours};
use crate::settings::{Crew, Settings};
use crate::words;
use metersift_model::records::{CheckOutcome, Meter};
use metersift_model::verdict::{Fact, FactKind, JudgedState};
use metersift_model::watch_list::WatchLists;
use metersift_model::{
    ColumnData, Day, Hypothesis, ListKind, Records, Table, TimeUs, Verdict, WatchListEntry,
};
use metersift_stats::SplitMix64;
use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet};

/// One slot in this many goes to a draw.
const DRAW_EVERY: usize = 10;
/// Days that a meter which no earlier plan told of waits for room that nobody was told: an
/// appointment moved for it costs the crew more than a week's wait (our judgement).
const WAIT_FOR_ROOM_DAYS: usize = 7;
/// A meter with a completed check of the last month is not drawn: that much is known of it.
const FRESH_DAYS: i32 = 30;
/// How a settling test says that it is a check.
const CHECK_WORDS: &str = "in-situ check";
/// Room that a check gets: a check takes minutes, walking to it the rest (our judgement).
const CHECK_HOUR_US: i64 = 3_600_000_000;

/// A proposed hour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlannedHour {
    /// First instant.
    pub start: TimeUs,
    /// End.
    pub end: TimeUs,
    /// Local hour of the day, 0..23.
    pub hour: u8,
    /// How many such hours (weekday and hour) were full, steady and single-phase.
    pub share: HourShare,
}

/// One proposed check.
#[derive(Clone, Debug, PartialEq)]
pub struct PlannedCheck {
    /// The day; `None` = beyond the span.
    pub day: Option<Day>,
    /// Meter.
    pub meter: String,
    /// Stream.
    pub stream: String,
    /// The hour of the day; `None` = no good hour known, or beyond the span.
    pub hour: Option<PlannedHour>,
    /// What is known about the hours of this meter, as a clause.
    pub hour_note: String,
    /// Why it is to be checked.
    pub why: String,
    /// Whether it was drawn at random.
    pub drawn: bool,
    /// Day of the last completed check.
    pub last_checked: Option<Day>,
    /// Day on which the check interval of the register runs out.
    pub due: Option<Day>,
    /// Share of the interval that has passed; NaN where the register asks for none.
    pub overdue_share: f64,
    /// Expected cost of waiting one round, in `cost_unit`.
    pub expected_cost: f64,
    /// `money` or `points`.
    pub cost_unit: &'static str,
    /// Cautions of this very meter: custody, safety function.
    pub cautions: Vec<String>,
}

/// What an earlier plan told about a meter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ToldCheck {
    /// The day.
    pub day: Day,
    /// First instant of its hour, if it had one.
    pub start: Option<TimeUs>,
    /// Whether it was drawn at random.
    pub drawn: bool,
}

/// The checks of a span of days.
#[derive(Clone, Debug, PartialEq)]
pub struct CheckPlan {
    /// First day.
    pub as_of: Day,
    /// Days of the span.
    pub days: u32,
    /// Checks a working day, at most.
    pub per_day: u32,
    /// Name of the zone of the hours.
    pub zone: String,
    /// Checks with a day, by day, then order of risk; the draw of a day comes last.
    pub checks: Vec<PlannedCheck>,
    /// Candidates that did not fit, in order of risk.
    pub beyond: Vec<PlannedCheck>,
}

/// Plans checks. The order of `verdicts` and of the lists' entries does not matter. `told` is what
/// the plan before told, by meter.
pub fn check_plan(
    verdicts: &[Verdict],
    lists: &WatchLists,
    records: &Records,
    settings: &Settings,
    crew: &Crew,
    hours: &Hours,
    told: &BTreeMap<String, ToldCheck>,
) -> CheckPlan {
    let mut sorted: Vec<&Verdict> = verdicts.iter().collect();
    sorted.sort_by(|a, b| a.meter.cmp(&b.meter));
    let planner = Planner::new(&sorted, lists, records, settings, crew, hours, told);
    let (asked, quiet): (Vec<Case<'_>>, Vec<Case<'_>>) =
        sorted.iter().map(|verdict| planner.case(verdict)).partition(Case::is_asked);
    let asked = planner.in_order(asked);
    let drawn = planner.draws(quiet);
    planner.plan(asked, drawn)
}

/// A meter that could be checked.
struct Case<'a> {
    /// What a check is expected to be worth.
    candidate: Candidate<'a>,
    why: Vec<String>,
    last_checked: Option<Day>,
    due: Option<Day>,
    overdue_share: f64,
    cost: (f64, &'static str),
}

impl Case<'_> {
    fn is_asked(&self) -> bool {
        !self.why.is_empty()
    }

    fn meter(&self) -> &str {
        &self.candidate.verdict.meter
    }

    /// Dearest first, then the one whose interval is furthest gone, then by name.
    fn order(&self, other: &Case<'_>) -> Ordering {
        let share = |case: &Case<'_>| case.overdue_share.max(0.0);
        other
            .cost
            .0
            .total_cmp(&self.cost.0)
            .then_with(|| share(other).total_cmp(&share(self)))
            .then_with(|| self.meter().cmp(other.meter()))
    }
}

struct Planner<'a> {
    as_of: Day,
    records: &'a Records,
    settings: &'a Settings,
    crew: &'a Crew,
    hours: &'a Hours,
    told: &'a BTreeMap<String, ToldCheck>,
    verdicts: BTreeMap<&'a str, &'a Verdict>,
    /// Entries with a rank that speak of a meter, by list and rank.
    entries: BTreeMap<&'a str, Vec<&'a WatchListEntry>>,
    /// Withheld candidates of a meter: list and mode.
    withheld: BTreeMap<&'a str, Vec<(ListKind, Hypothesis)>>,
    /// Meters with a hidden entry: not asked for, and not quiet either.
    hidden: BTreeSet<&'a str>,
}

impl<'a> Planner<'a> {
    fn new(
        verdicts: &[&'a Verdict],
        lists: &'a WatchLists,
        records: &'a Records,
        settings: &'a Settings,
        crew: &'a Crew,
        hours: &'a Hours,
        told: &'a BTreeMap<String, ToldCheck>,
    ) -> Planner<'a> {
        let mut ranked: Vec<&WatchListEntry> =
            lists.entries.iter().filter(|entry| entry.rank > 0).collect();
        ranked.sort_by(|a, b| (a.list, a.rank, &a.meter).cmp(&(b.list, b.rank, &b.meter)));
        let mut entries: BTreeMap<&str, Vec<&WatchListEntry>> = BTreeMap::new();
        for entry in ranked {
            for meter in meters_of(entry) {
                entries.entry(meter).or_default().push(entry);
            }
        }
        let mut withheld: BTreeMap<&str, Vec<(ListKind, Hypothesis)>> = BTreeMap::new();
        for one in &lists.withheld {
            withheld.entry(&one.meter).or_default().push((one.list, one.mode));
        }
        withheld.values_mut().for_each(|modes| modes.sort());
        // A withheld common cause bears the name of its stream, which no verdict has.
        let verdicts: BTreeMap<&str, &Verdict> =
            verdicts.iter().map(|verdict| (verdict.meter.as_str(), *verdict)).collect();
        withheld.retain(|name, _| verdicts.contains_key(name));
        let hidden = lists.entries.iter().filter(|entry| entry.accepted);
        let hidden = hidden.flat_map(meters_of).collect();
        let as_of = lists.as_of;
        Planner { as_of, records, settings, crew, hours, told, verdicts, entries, withheld, hidden }
    }

    fn days(&self) -> usize {
        self.crew.days.max(1) as usize
    }

    /// What is known about checking a meter; without a reason it is not asked for.
    fn case(&self, verdict: &'a Verdict) -> Case<'a> {
        let meter = self.records.meters.get(&verdict.meter);
        let last_checked = self.last_checked(&verdict.meter);
        let (due, overdue_share) = self.due(meter, verdict, last_checked);
        let entries = self.entries.get(verdict.meter.as_str()).map_or(&[][..], Vec::as_slice);
        let mut why: Vec<String> = Vec::new();
        let mut candidates = vec![self.risk(verdict, meter)];
        let interval = || due.map(|due| self.interval_words(meter, last_checked, due));
        for entry in entries.iter().filter(|entry| entry.list == ListKind::CheckNow) {
            let because = self.check_now_words(entry, verdict, interval());
            why.push(format!("check now, rank {}: {because}", entry.rank));
        }
        let end = self.as_of.plus(i32::try_from(self.days()).unwrap_or(i32::MAX));
        let told = !why.is_empty() && verdict.facts.iter().any(is_overdue);
        if due.is_some_and(|due| due < end) && !told {
            why.extend(interval());
        }
        for entry in entries.iter().filter(|entry| entry.list != ListKind::CheckNow) {
            if entry.settles.contains(CHECK_WORDS) && self.speaks_for(entry, verdict) {
                let (what, list) = (what_settles(entry), entry.list.name());
                why.push(format!("a check would settle {what} ({list}, rank {})", entry.rank));
                candidates.extend(self.as_check(verdict, entry.list));
            }
        }
        let not_yet = self.withheld.get(verdict.meter.as_str()).map_or(&[][..], Vec::as_slice);
        for &(list, mode) in not_yet {
            if mode == verdict.mode && verdict.next_test.contains(CHECK_WORDS) {
                let chance = words::percent(verdict.probabilities[mode.index()]);
                why.push(format!("a check would settle {} {chance}, not listed", mode.words()));
                candidates.extend(self.as_check(verdict, list));
            }
        }
        let price = |candidate: &Candidate<'_>| points(candidate, self.settings);
        let dearest = candidates
            .into_iter()
            .reduce(|best, next| if price(&next) > price(&best) { next } else { best });
        let candidate = dearest.unwrap_or_else(|| self.risk(verdict, meter));
        let cost = (price(&candidate), "points");
        Case { candidate, why, last_checked, due, overdue_share, cost }
    }

    /// Why an entry asks for a check now, in short: the list itself has the evidence.
    fn check_now_words(
        &self,
        entry: &WatchListEntry,
        verdict: &Verdict,
        interval: Option<String>,
    ) -> String {
        let overdue = interval.filter(|_| verdict.facts.iter().any(is_overdue));
        let seen = chance(ListKind::CheckNow, &verdict.probabilities);
        let risk = (seen >= self.settings.check_probability).then(|| {
            let (mode, own) = likeliest(ListKind::CheckNow, &verdict.probabilities);
            let (seen, own) = (words::percent(seen), words::percent(own));
            format!("{seen} chance of something that a check can see, {} {own}", mode.words())
        });
        let parts: Vec<String> = overdue.into_iter().chain(risk).collect();
        // Neither overdue nor likely: the entry's own notice says why.
        if parts.is_empty() { clause(&entry.evidence).into() } else { parts.join(", ") }
    }

    /// A check for what a check can see, whatever the lists say.
    fn risk(&self, verdict: &'a Verdict, meter: Option<&'a Meter>) -> Candidate<'a> {
        let judged = verdict.state != JudgedState::NotJudged;
        let (mode, probability) = if judged {
            likeliest(ListKind::CheckNow, &verdict.probabilities)
        } else {
            // Nobody knows: no less than what counts as ruled out.
            (Hypothesis::Unknown, self.settings.other_cause_probability)
        };
        let unjudged_function = !judged && meter.is_some_and(|meter| meter.safety_function);
        Candidate {
            list: ListKind::CheckNow,
            verdict,
            meter,
            mode,
            probability,
            right: probability,
            main: false,
            facts: verdict.facts.iter().filter(|fact| is_overdue(fact)).collect(),
            notice: unjudged_function.then(String::new),
            members: Vec::new(),
        }
    }

    /// What a meter is on another list for, priced as a check.
    fn as_check(&self, verdict: &'a Verdict, list: ListKind) -> Option<Candidate<'a>> {
        let mut candidates = candidates_of(verdict, self.records);
        candidates.retain(|candidate| candidate.list == list);
        let mut candidate = candidates.pop()?;
        candidate.list = ListKind::CheckNow;
        Some(candidate)
    }

    fn last_checked(&self, meter: &str) -> Option<Day> {
        let checks = self.records.checks.get(meter)?;
        let before = checks.iter().filter(|check| check.time < self.as_of.start());
        let done = before.filter(|check| check.outcome != CheckOutcome::Aborted);
        done.map(|check| check.time.day()).max()
    }

    /// When the interval runs out, and how much of it has passed. A meter that was never checked
    /// counts from its installation, or from tonight where that is not known.
    fn due(
        &self,
        meter: Option<&Meter>,
        verdict: &Verdict,
        last_checked: Option<Day>,
    ) -> (Option<Day>, f64) {
        let interval = meter.and_then(|meter| meter.check_interval_days);
        let Some(interval) = interval.filter(|days| days.is_finite() && *days > 0.0) else {
            return (None, f64::NAN);
        };
        // The lists' own reckoning, where they have one.
        if let Some(fact) = verdict.facts.iter().find(|fact| is_overdue(fact)) {
            return (fact.since.or(Some(self.as_of)), fact.value / fact.limit);
        }
        let Some(from) = last_checked.or_else(|| self.installed(meter, &verdict.meter)) else {
            return (Some(self.as_of), 1.0);
        };
        let due = from.plus(interval.ceil().min(f64::from(i32::MAX)) as i32);
        (Some(due), f64::from(self.as_of.0.saturating_sub(from.0)) / interval)
    }

    /// The youngest installation or swap before tonight.
    fn installed(&self, meter: Option<&Meter>, name: &str) -> Option<Day> {
        let changes = self.records.changes.get(name).map_or(&[][..], Vec::as_slice);
        let fresh = changes.iter().filter(|change| {
            matches!(change.item.as_str(), "installed" | "swapped")
                && change.time < self.as_of.start()
        });
        let registered = meter.and_then(|meter| meter.installed).filter(|day| *day < self.as_of);
        fresh.map(|change| change.time.day()).chain(registered).max()
    }

    fn interval_words(&self, meter: Option<&Meter>, last_checked: Option<Day>, due: Day) -> String {
        let interval = meter.and_then(|meter| meter.check_interval_days).unwrap_or(f64::NAN);
        let days = words::number(interval);
        let never = if last_checked.is_none() { ", no completed check is recorded" } else { "" };
        let verb = if due < self.as_of { "ran" } else { "runs" };
        format!("its check interval of {days} days {verb} out on {due}{never}")
    }

    /// Whether a check of this meter is the one that an entry asks for: of a common cause only
    /// the strongest member, the first by name among equals.
    fn speaks_for(&self, entry: &WatchListEntry, verdict: &Verdict) -> bool {
        let chance = |name: &str| {
            let member = self.verdicts.get(name)?;
            Some(member.probabilities[entry.mode.index()]).filter(|chance| chance.is_finite())
        };
        let strongest = entry.group_members.iter().reduce(|best, next| {
            match chance(next).partial_cmp(&chance(best)) {
                Some(Ordering::Greater) => next,
                Some(Ordering::Equal) => best.min(next),
                _ => best,
            }
        });
        strongest.is_none_or(|strongest| *strongest == verdict.meter)
    }

    fn in_order(&self, mut cases: Vec<Case<'a>>) -> Vec<Case<'a>> {
        let in_money: Option<Vec<f64>> =
            cases.iter().map(|case| money(&case.candidate, self.settings)).collect();
        // One unit for all: points and money cannot be compared.
        for (case, cost) in cases.iter_mut().zip(in_money.unwrap_or_default()) {
            case.cost = (cost, "money");
        }
        for case in cases.iter_mut().filter(|case| case.cost.0.is_nan()) {
            case.cost.0 = 0.0;
        }
        cases.sort_by(Case::order);
        cases
    }

    /// Quiet meters in the order in which they are drawn.
    fn draws(&self, quiet: Vec<Case<'a>>) -> Vec<Case<'a>> {
        let mut keyed: Vec<(u64, Case<'_>)> = quiet
            .into_iter()
            .filter(|case| {
                let name = case.meter();
                let fresh = self.as_of.plus(-FRESH_DAYS);
                let checked = case.last_checked.is_some_and(|day| day >= fresh);
                !checked && !self.entries.contains_key(name) && !self.hidden.contains(name)
            })
            .map(|case| (draw_key(self.as_of, case.meter()), case))
            .collect();
        keyed.sort_by(|a, b| a.0.cmp(&b.0).then_with(|| a.1.meter().cmp(b.1.meter())));
        keyed.into_iter().map(|(_, case)| case).collect()
    }

    fn plan(&self, asked: Vec<Case<'a>>, mut drawn: Vec<Case<'a>>) -> CheckPlan {
        let days = self.days();
        let working: Vec<usize> = (0..days).filter(|day| self.works_on(*day)).collect();
        let per_day = match self.crew.per_day {
            Some(per_day) => per_day.max(1) as usize,
            None => fewest_per_day(working.len(), asked.len(), drawn.len()),
        };
        // Those that were told come first, so that they are not the ones that are cut off.
        drawn.sort_by_key(|case| !self.was_drawn(case.meter()));
        drawn.truncate(working.len() * per_day / DRAW_EVERY);
        let mut calendar = Calendar::new(days, &working, per_day);
        let mut placed: Vec<(usize, usize, &Case<'_>, bool)> = Vec::new();
        for (number, case) in drawn.iter().enumerate() {
            let slot = working[((number + 1) * DRAW_EVERY - 1) / per_day];
            let told = self.told_day(case.meter()).filter(|_| self.was_drawn(case.meter()));
            let Some(day) = calendar.draw_day(told.unwrap_or(slot)) else { continue };
            calendar.take(day, &case.candidate.verdict.stream);
            placed.push((day, usize::MAX, case, true));
        }
        let mut beyond = Vec::new();
        for day in asked.iter().filter_map(|case| self.told_day(case.meter())) {
            calendar.kept[day] += 1;
        }
        for (order, case) in asked.iter().enumerate() {
            let stream = &case.candidate.verdict.stream;
            let told = self.told_day(case.meter());
            if let Some(day) = told {
                calendar.kept[day] = calendar.kept[day].saturating_sub(1);
            }
            let good = |day: usize| !self.good_hours(case, day).is_empty();
            // One that nobody told of waits for free room a few days at most; one that lost its
            // day to a dearer meter takes free room wherever it is, so that no third one moves.
            let free_until = if told.is_some() { days } else { WAIT_FOR_ROOM_DAYS.min(days) };
            let kept = told.filter(|day| calendar.room[*day] > 0);
            let free = || calendar.free_day_for(stream, free_until, &good);
            match kept.or_else(free).or_else(|| calendar.day_for(stream, &good)) {
                Some(day) => {
                    calendar.take(day, stream);
                    placed.push((day, order, case, false));
                }
                None => beyond.push(self.check(case, None, None, false)),
            }
        }
        placed.sort_by_key(|(day, order, ..)| (*day, *order));
        let mut taken: BTreeMap<(usize, u8), u32> = BTreeMap::new();
        let checks = placed.into_iter().map(|(day, _, case, drawn)| {
            let hour = self.hour_for(case, day, &taken);
            if let Some(hour) = hour {
                *taken.entry((day, hour.hour)).or_default() += 1;
            }
            self.check(case, Some(day), hour, drawn)
        });
        CheckPlan {
            as_of: self.as_of,
            days: days as u32,
            per_day: per_day as u32,
            zone: self.hours.zone_words(),
            checks: checks.collect(),
            beyond,
        }
    }

    fn was_drawn(&self, meter: &str) -> bool {
        self.told.get(meter).is_some_and(|told| told.drawn)
    }

    /// The day of the span on which an earlier plan had a meter; `None` = none, or it is past.
    fn told_day(&self, meter: &str) -> Option<usize> {
        let number = self.told.get(meter)?.day.0.checked_sub(self.as_of.0)?;
        usize::try_from(number).ok().filter(|day| *day < self.days())
    }

    fn day(&self, number: usize) -> Day {
        self.as_of.plus(i32::try_from(number).unwrap_or(i32::MAX))
    }

    fn works_on(&self, day: usize) -> bool {
        self.crew.works_on(self.day(day))
    }

    fn good_hours(&self, case: &Case<'_>, day: usize) -> Vec<GoodHour> {
        let work = (self.crew.from_hour, self.crew.until_hour);
        self.hours.good_on(case.meter(), self.day(day), work, self.crew.good_hour_share)
    }

    /// Of the good hours of a day the one that was told before, else the one that the fewest took,
    /// then the best, then the first.
    fn hour_for(
        &self,
        case: &Case<'_>,
        day: usize,
        taken: &BTreeMap<(usize, u8), u32>,
    ) -> Option<PlannedHour> {
        let others = |hour: &GoodHour| taken.get(&(day, hour.hour)).copied().unwrap_or(0);
        let told = self.told.get(case.meter()).and_then(|told| told.start);
        let start_of = |hour: &GoodHour| self.hours.starts_at(self.day(day), hour.hour);
        let mut good = self.good_hours(case, day);
        if let Some(at) = good.iter().position(|hour| told.is_some() && start_of(hour) == told) {
            good = vec![good.swap_remove(at)];
        }
        let best = good.into_iter().reduce(|best, next| {
            let fewer = others(&next).cmp(&others(&best));
            let better = fewer.then_with(|| best.expected.total_cmp(&next.expected));
            if better == Ordering::Less { next } else { best }
        })?;
        let start = start_of(&best)?;
        let end = TimeUs(start.0 + CHECK_HOUR_US);
        Some(PlannedHour { start, end, hour: best.hour, share: best.share })
    }

    /// What is known about the hours of a meter.
    fn hour_note(&self, case: &Case<'_>, hour: Option<PlannedHour>) -> String {
        if let Some(PlannedHour { share, .. }) = hour {
            let HourShare { good, seen } = share;
            return format!(
                "{good} of the last {seen} such hours ran full, steady and single-phase"
            );
        }
        let work = (self.crew.from_hour, self.crew.until_hour);
        match self.hours.best(case.meter(), self.as_of, work) {
            None => "no good hour known: no hours on record".into(),
            Some((_, GoodHour { expected, .. })) if expected >= self.crew.good_hour_share => {
                "no good hour known on a day with room".into()
            }
            Some((day, GoodHour { hour, share, .. })) => format!(
                "no good hour known: at best {} {hour:02}:00, {} of {}",
                weekday_words(day),
                share.good,
                share.seen
            ),
        }
    }

    fn check(
        &self,
        case: &Case<'_>,
        day: Option<usize>,
        hour: Option<PlannedHour>,
        drawn: bool,
    ) -> PlannedCheck {
        let verdict = case.candidate.verdict;
        let why = match (drawn, verdict.state) {
            (false, _) => case.why.join("; "),
            (true, JudgedState::NotJudged) => {
                "drawn at random among the meters without an entry; not judged".into()
            }
            (true, _) => "drawn at random among the meters without an entry".into(),
        };
        PlannedCheck {
            day: day.map(|day| self.day(day)),
            meter: verdict.meter.clone(),
            stream: verdict.stream.clone(),
            hour,
            hour_note: self.hour_note(case, hour),
            why,
            drawn,
            last_checked: case.last_checked,
            due: case.due,
            overdue_share: case.overdue_share,
            expected_cost: case.cost.0,
            cost_unit: case.cost.1,
            cautions: words::check_cautions(case.candidate.meter),
        }
    }
}

/// Room and streams of each day.
struct Calendar<'a> {
    room: Vec<usize>,
    /// Room that meters whose turn has not come were told.
    kept: Vec<usize>,
    streams: Vec<BTreeMap<&'a str, usize>>,
}

impl<'a> Calendar<'a> {
    fn new(days: usize, working: &[usize], per_day: usize) -> Calendar<'a> {
        let mut room = vec![0; days];
        working.iter().for_each(|day| room[*day] = per_day);
        Calendar { room, kept: vec![0; days], streams: vec![BTreeMap::new(); days] }
    }

    fn take(&mut self, day: usize, stream: &'a str) {
        self.room[day] = self.room[day].saturating_sub(1);
        *self.streams[day].entry(stream).or_default() += 1;
    }

    /// The day, or the next one with room, or the last one before it.
    fn draw_day(&self, wanted: usize) -> Option<usize> {
        let has_room = |day: &usize| self.room[*day] > 0;
        let later = (wanted..self.room.len()).find(has_room);
        later.or_else(|| (0..wanted).rev().find(has_room))
    }

    /// The first day with room among those with a good hour (all, where none has one) and the
    /// fewest meters of the stream. A meter without a stream shares none.
    fn day_for(&self, stream: &str, has_good_hour: &dyn Fn(usize) -> bool) -> Option<usize> {
        let with_room = (0..self.room.len()).filter(|&day| self.room[day] > 0);
        self.best_of(with_room, stream, has_good_hour)
    }

    /// As [`Calendar::day_for`], among the first days and in room that was told to nobody.
    fn free_day_for(
        &self,
        stream: &str,
        until: usize,
        has_good_hour: &dyn Fn(usize) -> bool,
    ) -> Option<usize> {
        let free = (0..until.min(self.room.len())).filter(|&day| self.room[day] > self.kept[day]);
        self.best_of(free, stream, has_good_hour)
    }

    fn best_of(
        &self,
        days: impl Iterator<Item = usize>,
        stream: &str,
        has_good_hour: &dyn Fn(usize) -> bool,
    ) -> Option<usize> {
        let there = |day: usize| match stream {
            "" => 0,
            stream => self.streams[day].get(stream).copied().unwrap_or(0),
        };
        // `min_by_key` gives the first of equals.
        days.min_by_key(|&day| (!has_good_hour(day), there(day)))
    }
}

/// The smallest capacity with which every candidate fits beside the draws.
fn fewest_per_day(days: usize, asked: usize, quiet: usize) -> usize {
    if days == 0 {
        return 1;
    }
    let fits = |per_day: &usize| {
        let slots = days * per_day;
        slots - (slots / DRAW_EVERY).min(quiet) >= asked
    };
    (1..=asked.max(1)).find(fits).unwrap_or(asked + 1)
}

/// A number that depends on the as-of date and the meter's name and on nothing else.
fn draw_key(as_of: Day, meter: &str) -> u64 {
    // FNV-1a, 64 bit (Fowler, Noll & Vo; RFC 9923 writes it down), constants from memory; mixed
    // once more, because names that differ in the last letter differ in few bits.
    let fnv = meter.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    });
    let day = SplitMix64::seeded(u64::from(as_of.0.cast_unsigned())).next_word();
    SplitMix64::seeded(fnv ^ day).next_word()
}

fn meters_of(entry: &WatchListEntry) -> Vec<&str> {
    match entry.group_members.as_slice() {
        [] => vec![entry.meter.as_str()],
        members => members.iter().map(String::as_str).collect(),
    }
}

fn is_overdue(fact: &Fact) -> bool {
    fact.kind == FactKind::CheckOverdue
}

/// Weekday as people write it.
pub fn weekday_words(day: Day) -> &'static str {
    use jiff::civil::Weekday;
    match day.civil().weekday() {
        Weekday::Monday => "Mon",
        Weekday::Tuesday => "Tue",
        Weekday::Wednesday => "Wed",
        Weekday::Thursday => "Thu",
        Weekday::Friday => "Fri",
        Weekday::Saturday => "Sat",
        Weekday::Sunday => "Sun",
    }
}

/// What a check would tell about an entry of another list.
fn what_settles(entry: &WatchListEntry) -> String {
    match entry.probability {
        Some(probability) => format!("{} {}", entry.mode.words(), words::percent(probability)),
        None => "what was measured".into(),
    }
}

/// A sentence as a clause.
fn clause(sentence: &str) -> &str {
    sentence.trim().trim_end_matches('.')
}

/// The columns of a plan: those with a day first, then those beyond the span.
pub fn plan_table(plan: &CheckPlan) -> Table {
    let rows: Vec<&PlannedCheck> = plan.checks.iter().chain(&plan.beyond).collect();
    let text = |of: &dyn Fn(&PlannedCheck) -> String| {
        let cell = |row: &&PlannedCheck| Some(of(row)).filter(|text| !text.is_empty());
        ColumnData::Text(rows.iter().map(cell).collect())
    };
    let day = |of: &dyn Fn(&PlannedCheck) -> Option<Day>| {
        ColumnData::Day(rows.iter().map(|row| of(row)).collect())
    };
    let number = |of: &dyn Fn(&PlannedCheck) -> f64| {
        let finite = |value: f64| if value.is_finite() { value } else { f64::NAN };
        ColumnData::Number(rows.iter().map(|row| finite(of(row))).collect())
    };
    let standing = |row: &PlannedCheck| match (row.day, row.drawn) {
        (None, _) => "beyond_span",
        (Some(_), true) => "drawn",
        (Some(_), false) => "planned",
    };
    let mut table = Table::default();
    table.push("as_of", "", day(&|_| Some(plan.as_of)));
    table.push("day", "", day(&|row| row.day));
    table.push("standing", "", text(&|row| standing(row).into()));
    table.push("meter", "", text(&|row| row.meter.clone()));
    table.push("stream", "", text(&|row| row.stream.clone()));
    table.push("why", "", text(&|row| row.why.clone()));
    table.push("last_checked", "", day(&|row| row.last_checked));
    table.push("due", "", day(&|row| row.due));
    table.push("overdue_share", "", number(&|row| row.overdue_share));
    table.push("expected_cost", "", number(&|row| row.expected_cost));
    table.push("cost_unit", "", text(&|row| row.cost_unit.into()));
    table.push("cautions", "", text(&|row| row.cautions.join(" ")));
    let time = |of: &dyn Fn(&PlannedHour) -> TimeUs| {
        ColumnData::Time(rows.iter().map(|row| row.hour.as_ref().map(of)).collect())
    };
    let count = |of: &dyn Fn(&PlannedHour) -> u32| {
        let one = |row: &&PlannedCheck| row.hour.as_ref().map(|hour| i64::from(of(hour)));
        ColumnData::Count(rows.iter().map(one).collect())
    };
    table.push("start", "", time(&|hour| hour.start));
    table.push("end", "", time(&|hour| hour.end));
    let local = |row: &PlannedCheck| {
        row.hour.map_or(String::new(), |hour| format!("{:02}:00 {}", hour.hour, plan.zone))
    };
    table.push("local_start", "", text(&local));
    table.push("good_hours", "", count(&|hour| hour.share.good));
    table.push("hours_seen", "", count(&|hour| hour.share.seen));
    table.push("hour_note", "", text(&|row| row.hour_note.clone()));
    table
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_smallest_capacity_holds_candidates_and_draws() {
        // 28 days: 28 slots of which 2 are draws hold 26 candidates, and the 27th needs two a day.
        assert_eq!(fewest_per_day(28, 26, 100), 1);
        assert_eq!(fewest_per_day(28, 27, 100), 2);
        assert_eq!(fewest_per_day(28, 28, 0), 1);
        assert_eq!(fewest_per_day(28, 0, 100), 1);
        for (days, asked, quiet) in [(1, 1, 9), (1, 50, 0), (3, 50, 50), (7, 20, 1)] {
            let per_day = fewest_per_day(days, asked, quiet);
            let room = |n: usize| days * n - (days * n / DRAW_EVERY).min(quiet);
            assert!(room(per_day) >= asked, "{days} {asked} {quiet}");
            assert!(per_day == 1 || room(per_day - 1) < asked, "{days} {asked} {quiet}");
        }
    }

    #[test]
    fn a_day_with_a_good_hour_comes_before_an_earlier_one_without() {
        let mut calendar = Calendar::new(4, &[0, 2, 3], 1);
        let good = |day: usize| day == 3;
        assert_eq!(calendar.day_for("a", &good), Some(3));
        calendar.take(3, "a");
        assert_eq!(calendar.day_for("a", &good), Some(0));
        calendar.take(0, "a");
        assert_eq!(calendar.day_for("a", &good), Some(2), "nobody works on day 1");
    }

    #[test]
    fn another_morning_draws_in_another_order() {
        let order = |as_of: i32| {
            let mut names: Vec<String> = (0..50).map(|n| format!("FT-{n}")).collect();
            names.sort_by_key(|name| draw_key(Day(as_of), name));
            names
        };
        assert_eq!(order(20_000), order(20_000));
        let firsts: BTreeSet<String> =
            (0..200).map(|day| order(20_000 + day).swap_remove(0)).collect();
        // 200 fair draws of 50 names leave out 50 (1 - 1/50)^200 = 0.9 of them on average.
        assert!(firsts.len() > 43, "{} names came first", firsts.len());
    }

    #[test]
    fn a_stream_fills_other_days_before_it_shares_one() {
        let mut calendar = Calendar::new(3, &[0, 1, 2], 2);
        let days: Vec<Option<usize>> = (0..7)
            .map(|_| {
                let day = calendar.day_for("syrup-3", &|_| true)?;
                calendar.take(day, "syrup-3");
                Some(day)
            })
            .collect();
        let expected = [Some(0), Some(1), Some(2), Some(0), Some(1), Some(2), None];
        assert_eq!(days, expected);
    }
}
