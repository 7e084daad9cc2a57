//! All lists of one night.

use crate::admit::{Admission, Decoys, admit, position, shares_budget};
use crate::candidate::{Candidate, candidates_of, chance, risk_of};
use crate::change::change_of;
use crate::cost::{money, points};
use crate::decision::{Standing, standing};
use crate::group::fold;
use crate::past::{History, PastEntry};
use crate::record::track_record;
use crate::settings::Settings;
use crate::tables::shown_probability;
use crate::words;
use metersift_model::verdict::JudgedState;
use metersift_model::watch_list::{
    EntryChange, FleetCounts, NightBefore, WatchLists, Withheld, WithheldWhy,
};
use metersift_model::{Day, Hypothesis, ListKind, Records, Verdict, WatchListEntry};
use polars::prelude::*;
use std::collections::BTreeSet;

/// The watch-lists of one as-of date. `previous` are the verdicts of earlier nights, in any
/// order; nights of the as-of date or later are passed over.
///
/// `calibrated` says whether findings of the site had a say in every probability.
pub fn watch_lists(
    verdicts: &[Verdict],
    records: &Records,
    previous: &[PastEntry],
    as_of: Day,
    settings: &Settings,
) -> WatchLists {
    let mut verdicts: Vec<&Verdict> = verdicts.iter().collect();
    verdicts.sort_by(|a, b| a.meter.cmp(&b.meter));
    let night = Night { records, history: History::new(previous, as_of), as_of, settings };
    let decoys = Decoys::of(&verdicts);

    let candidates = night.candidates(&verdicts);
    let admissions = admit(&candidates, &decoys, &night.history, settings);
    let mut listed = Vec::new();
    let mut withheld = Vec::new();
    for (candidate, admission) in candidates.into_iter().zip(admissions.of) {
        match admission {
            Admission::Listed => listed.push(night.stand(candidate)),
            Admission::Withheld(why) => withheld.push(withheld_entry(&candidate, why)),
            Admission::No => {}
        }
    }
    night.add_risks(&verdicts, &mut listed);

    let expected_false = expected_false(&listed, &decoys);
    let mut entries = night.ranked(listed);
    entries.extend(night.gone(&entries, &verdicts));
    entries.sort_by_key(|entry| (entry.list, entry.rank == 0, entry.rank));
    WatchLists {
        as_of,
        counts: counts(&verdicts),
        entries,
        expected_false,
        not_judged: not_judged(&verdicts),
        calibrated: !verdicts.is_empty()
            && verdicts.iter().all(|verdict| verdict.calibrated.on_this_site()),
        budget: settings.budget,
        entry_probability: admissions.entry_probability,
        withheld,
        record: track_record(previous, records, as_of, settings.record_days),
        before: night.before(),
    }
}

/// What every step of the night looks at.
struct Night<'a> {
    records: &'a Records,
    history: History<'a>,
    as_of: Day,
    settings: &'a Settings,
}

/// A candidate that is listed, and where it stands with the team.
struct Listed<'a> {
    candidate: Candidate<'a>,
    standing: Standing,
}

impl Listed<'_> {
    fn hidden(&self) -> bool {
        matches!(self.standing, Standing::Hidden { .. })
    }
}

impl<'a> Night<'a> {
    /// Everything that could be on a list, common causes folded.
    fn candidates(&self, verdicts: &[&'a Verdict]) -> Vec<Candidate<'a>> {
        let mut candidates = Vec::new();
        for verdict in verdicts {
            let first = candidates.len();
            candidates.extend(candidates_of(verdict, self.records));
            for (list, notice) in self.notices(verdict) {
                let own = candidates[first..].iter_mut().find(|c| c.list == list);
                match own {
                    Some(candidate) => candidate.notice = Some(notice),
                    None => candidates.push(notice_candidate(list, notice, verdict, self.records)),
                }
            }
        }
        fold(candidates, self.settings.check_probability)
    }

    /// Entries that a meter without a verdict gets: silence is not a pass.
    fn notices(&self, verdict: &Verdict) -> Vec<(ListKind, String)> {
        if verdict.state != JudgedState::NotJudged {
            return Vec::new();
        }
        let mut notices = Vec::new();
        let meter = self.records.meters.get(&verdict.meter);
        if meter.is_some_and(|meter| meter.safety_function) {
            let why = verdict.reason.trim_end_matches('.');
            let text = format!("Part of a safety function and not judged: {why}.");
            notices.push((ListKind::CheckNow, text));
        }
        let nights = self.history.of(&verdict.meter);
        let known = nights.iter().rev().find(|night| night.judged()).or(nights.first());
        if let Some(known) = known {
            let days = self.as_of.0 - known.as_of.0;
            if days >= i32::try_from(self.settings.unjudged_days).unwrap_or(i32::MAX) {
                let why = verdict.reason.trim_end_matches('.');
                let text = format!("Not judged for {days} days: {why}.");
                notices.push((ListKind::MendData, text));
            }
        }
        notices
    }

    /// Judged and listed meters of the last night, for comparison.
    fn before(&self) -> Option<NightBefore> {
        let as_of = self.history.last_night?;
        let count = |of: fn(&PastEntry) -> bool| {
            self.history.last_rows().filter(|night| of(night)).count() as u32
        };
        let listed = count(|night| night.list.is_some());
        Some(NightBefore { as_of, judged: count(PastEntry::judged), listed })
    }

    fn stand(&self, candidate: Candidate<'a>) -> Listed<'a> {
        let standing = standing(&candidate, self.records, &self.history, self.as_of, self.settings);
        Listed { candidate, standing }
    }

    /// Proposes checks for meters that no list asks more of, dearest first, within the slots.
    fn add_risks(&self, verdicts: &[&'a Verdict], listed: &mut Vec<Listed<'a>>) {
        let asks_more = [ListKind::Pull, ListKind::Clean, ListKind::Unexplained];
        let taken: BTreeSet<&str> = listed
            .iter()
            .filter(|entry| asks_more.contains(&entry.candidate.list))
            .flat_map(|entry| meters_of(&entry.candidate))
            .collect();
        let mut risks: Vec<Candidate<'_>> = verdicts
            .iter()
            .filter(|verdict| !taken.contains(verdict.meter.as_str()))
            .filter_map(|verdict| risk_of(verdict, self.records, self.settings))
            .collect();
        let price = |risk: &Candidate<'_>| points(risk, self.settings);
        risks.sort_by(|a, b| {
            price(b).total_cmp(&price(a)).then_with(|| a.verdict.meter.cmp(&b.verdict.meter))
        });
        for risk in risks.into_iter().take(self.settings.check_slots) {
            let overdue = listed.iter_mut().find(|entry| {
                let other = &entry.candidate;
                other.list == ListKind::CheckNow && other.verdict.meter == risk.verdict.meter
            });
            match overdue {
                Some(entry) => {
                    entry.candidate.probability = risk.probability;
                    entry.candidate.right = risk.right;
                    entry.candidate.mode = risk.mode;
                }
                None => listed.push(self.stand(risk)),
            }
        }
    }

    /// Puts entries in order of what waiting costs, list by list, and into words.
    fn ranked(&self, listed: Vec<Listed<'a>>) -> Vec<WatchListEntry> {
        let costs = self.costs(&listed);
        let shown = listed.iter().map(|entry| !entry.hidden()).collect::<Vec<_>>();
        let order = df!(
            "row" => (0..listed.len() as u32).collect::<Vec<_>>(),
            "list" => listed.iter().map(|e| position(e.candidate.list) as u32).collect::<Vec<_>>(),
            "shown" => shown,
            "cost" => costs.iter().map(|cost| cost.0).collect::<Vec<_>>(),
            "certain" => listed.iter().map(|e| certain(&e.candidate)).collect::<Vec<_>>(),
            "meter" => listed.iter().map(|e| e.candidate.name()).collect::<Vec<_>>(),
        )
        .expect("columns of one length")
        .sort(
            ["list", "shown", "cost", "certain", "meter"],
            SortMultipleOptions::new()
                .with_order_descending_multi([false, true, true, true, false]),
        )
        .expect("the columns were made above");
        let rows = order.column("row").expect("made above").u32().expect("made of row numbers");
        let mut ranks = [0_u32; 8];
        rows.into_no_null_iter()
            .map(|row| {
                let entry = &listed[row as usize];
                let rank = if entry.hidden() { 0 } else { next(&mut ranks, entry.candidate.list) };
                self.entry(entry, rank, costs[row as usize])
            })
            .collect()
    }

    /// Cost and unit of each entry. A list is ordered in one unit: money where every entry of
    /// it has some, else points.
    fn costs(&self, listed: &[Listed<'_>]) -> Vec<(f64, &'static str)> {
        let in_money: Vec<Option<f64>> =
            listed.iter().map(|entry| money(&entry.candidate, self.settings)).collect();
        let lacking: BTreeSet<ListKind> = listed
            .iter()
            .zip(&in_money)
            .filter(|(entry, money)| money.is_none() && !entry.hidden())
            .map(|(entry, _)| entry.candidate.list)
            .collect();
        let cost = |(entry, money): (&Listed<'_>, &Option<f64>)| match money {
            Some(money) if !lacking.contains(&entry.candidate.list) => (*money, "money"),
            _ => (points(&entry.candidate, self.settings), "points"),
        };
        listed.iter().zip(&in_money).map(cost).collect()
    }

    fn entry(&self, entry: &Listed<'_>, rank: u32, cost: (f64, &'static str)) -> WatchListEntry {
        let candidate = &entry.candidate;
        let verdict = candidate.verdict;
        let given_mode = verdict.mode == candidate.mode;
        let by_chance = !candidate.is_fact();
        WatchListEntry {
            list: candidate.list,
            rank,
            meter: candidate.name().into(),
            service: verdict.service.clone(),
            stream: verdict.stream.clone(),
            mode: candidate.mode,
            probability: by_chance.then(|| shown_probability(candidate.probability)),
            severity: verdict.severity.clone().filter(|_| given_mode),
            days_left: verdict.days_left.filter(|_| given_mode),
            expected_cost: cost.0,
            cost_unit: cost.1,
            change: change_of(candidate, &self.history, self.settings),
            evidence: self.evidence(entry),
            next_step: words::next_step(candidate, self.records, self.as_of, self.settings),
            settles: words::settles(candidate),
            ne107: words::ne107(candidate),
            cautions: words::cautions(candidate, self.records),
            group_members: candidate.members.iter().map(|v| v.meter.clone()).collect(),
            accepted: entry.hidden(),
        }
    }

    fn evidence(&self, entry: &Listed<'_>) -> String {
        let mut sentences = vec![words::evidence(&entry.candidate)];
        let chance = chance(ListKind::CheckNow, &entry.candidate.verdict.probabilities);
        if entry.candidate.list == ListKind::CheckNow && chance >= self.settings.check_probability {
            sentences.push(words::risk_words(&entry.candidate));
        }
        match &entry.standing {
            Standing::Open => {}
            Standing::Hidden { why, until } => {
                sentences.push(format!("{why}; hidden until {until}."))
            }
            Standing::Noted { what } => sentences.push(format!("{what}.")),
            Standing::Woken { why } => sentences.push(format!("Back on the list: {why}.")),
        }
        sentences.retain(|sentence| !sentence.is_empty());
        sentences.join(" ")
    }

    /// Whether odds could have listed a meter in the nights that still have a say.
    fn was_listed_by_odds(&self, night: &PastEntry, list: ListKind) -> bool {
        let mut nights = self.history.judged(&night.meter, self.settings.memory_days);
        let enough = self.settings.check_probability;
        nights.any(|night| chance(list, &night.probabilities) >= enough)
    }

    /// What the last night listed and tonight does not.
    fn gone(&self, entries: &[WatchListEntry], verdicts: &[&Verdict]) -> Vec<WatchListEntry> {
        let last: Vec<(&PastEntry, ListKind)> = self
            .history
            .last_rows()
            .filter_map(|night| night.list.map(|list| (night, list)))
            .collect();
        let now: Vec<(&str, &str)> = entries
            .iter()
            .flat_map(|entry| {
                let lone = entry.group_members.is_empty().then_some(entry.meter.as_str());
                let members = entry.group_members.iter().map(String::as_str);
                members.chain(lone).map(|meter| (entry.list.name(), meter))
            })
            .collect();
        let table = |keys: &[(&str, &str)]| {
            df!(
                "row" => (0..keys.len() as u32).collect::<Vec<_>>(),
                "list" => keys.iter().map(|key| key.0).collect::<Vec<_>>(),
                "meter" => keys.iter().map(|key| key.1).collect::<Vec<_>>(),
            )
            .expect("columns of one length")
            .lazy()
        };
        let then: Vec<(&str, &str)> =
            last.iter().map(|(night, list)| (list.name(), night.meter.as_str())).collect();
        let keys = [col("list"), col("meter")];
        let left = table(&then)
            .join(table(&now), keys.clone(), keys, JoinArgs::new(JoinType::Anti))
            .sort(["row"], SortMultipleOptions::default())
            .collect()
            .expect("the columns were made above");
        let rows = left.column("row").expect("made above").u32().expect("made of row numbers");
        rows.into_no_null_iter()
            .map(|row| {
                let (night, list) = last[row as usize];
                gone_entry(night, list, verdicts, entries, self.was_listed_by_odds(night, list))
            })
            .collect()
    }
}

/// A meter on a list for a reason that is neither probability nor measured fact.
fn notice_candidate<'a>(
    list: ListKind,
    notice: String,
    verdict: &'a Verdict,
    records: &'a Records,
) -> Candidate<'a> {
    Candidate {
        list,
        verdict,
        meter: records.meters.get(&verdict.meter),
        mode: if list == ListKind::MendData { Hypothesis::Data } else { Hypothesis::NoChange },
        probability: f64::NAN,
        right: f64::NAN,
        main: false,
        facts: Vec::new(),
        notice: Some(notice),
        members: Vec::new(),
    }
}

/// Facts before probabilities where the cost is equal.
fn certain(candidate: &Candidate<'_>) -> f64 {
    if candidate.is_fact() { 1.0 } else { candidate.probability }
}

fn next(ranks: &mut [u32; 8], list: ListKind) -> u32 {
    ranks[position(list)] += 1;
    ranks[position(list)]
}

fn meters_of<'a>(candidate: &Candidate<'a>) -> Vec<&'a str> {
    match candidate.members.as_slice() {
        [] => vec![candidate.verdict.meter.as_str()],
        members => members.iter().map(|member| member.meter.as_str()).collect(),
    }
}

fn withheld_entry(candidate: &Candidate<'_>, why: WithheldWhy) -> Withheld {
    Withheld {
        list: candidate.list,
        meter: candidate.name().into(),
        mode: candidate.mode,
        probability: shown_probability(candidate.probability),
        why,
    }
}

/// Expected false entries of each list: the sum of 1 - P(right) of what rests on a probability. If
/// more decoys stand above the lowest odds of the page than its lists doubt together, every list
/// of the page bears its part. Hidden entries are on no list.
fn expected_false(listed: &[Listed<'_>], decoys: &Decoys) -> [f64; 8] {
    let mut expected = [0.0; 8];
    let mut lowest = f64::INFINITY;
    let by_chance = |entry: &&Listed<'_>| !entry.hidden() && !entry.candidate.is_fact();
    for entry in listed.iter().filter(by_chance) {
        let candidate = &entry.candidate;
        expected[position(candidate.list)] += 1.0 - candidate.right.clamp(0.0, 1.0);
        if shares_budget(candidate.list) {
            lowest = lowest.min(candidate.right);
        }
    }
    let page: Vec<usize> =
        ListKind::ALL.into_iter().filter(|list| shares_budget(*list)).map(position).collect();
    let doubt: f64 = page.iter().map(|&list| expected[list]).sum();
    let decoys = decoys.above(lowest);
    if doubt > 0.0 && decoys > doubt {
        page.into_iter().for_each(|list| expected[list] *= decoys / doubt);
    }
    expected
}

fn gone_entry(
    night: &PastEntry,
    list: ListKind,
    verdicts: &[&Verdict],
    entries: &[WatchListEntry],
    by_odds: bool,
) -> WatchListEntry {
    let now = verdicts.iter().find(|verdict| verdict.meter == night.meter);
    let elsewhere = entries.iter().find(|entry| {
        entry.rank > 0 && (entry.meter == night.meter || entry.group_members.contains(&night.meter))
    });
    let evidence = match (now, elsewhere) {
        (None, _) => "No longer in the register.".into(),
        (_, Some(entry)) => format!("Moved to the list `{}`.", entry.list.words()),
        (Some(verdict), None) if verdict.state == JudgedState::NotJudged => {
            format!("Not judged tonight: {}.", verdict.reason.trim_end_matches('.'))
        }
        // On the list for a fact, not for its odds.
        (Some(_), None) if !by_odds => {
            format!("What was measured on {} holds no more.", night.as_of)
        }
        (Some(verdict), None) => format!(
            "Below the odds at which an entry leaves: {} {:.0} % tonight, {:.0} % on {}.",
            night.mode.words(),
            100.0 * shown_probability(verdict.probabilities[night.mode.index()]),
            100.0 * shown_probability(night.probabilities[night.mode.index()]),
            night.as_of
        ),
    };
    WatchListEntry {
        list,
        rank: 0,
        meter: night.meter.clone(),
        service: now.map(|verdict| verdict.service.clone()).unwrap_or_default(),
        stream: now.map(|verdict| verdict.stream.clone()).unwrap_or_default(),
        mode: night.mode,
        probability: now
            .map(|verdict| verdict.probabilities[night.mode.index()])
            .filter(|probability| probability.is_finite())
            .map(shown_probability),
        severity: None,
        days_left: None,
        expected_cost: 0.0,
        cost_unit: "points",
        change: EntryChange::Gone,
        evidence,
        next_step: String::new(),
        settles: String::new(),
        ne107: 'M',
        cautions: Vec::new(),
        group_members: Vec::new(),
        accepted: false,
    }
}

fn counts(verdicts: &[&Verdict]) -> FleetCounts {
    let of = |state: JudgedState| verdicts.iter().filter(|v| v.state == state).count() as u32;
    let blind = |verdict: &&&Verdict| {
        verdict.blind_spots.iter().any(|spot| spot.smallest_visible.is_none())
    };
    FleetCounts {
        meters: verdicts.len() as u32,
        judged: of(JudgedState::Judged),
        young: of(JudgedState::Young),
        not_judged: of(JudgedState::NotJudged),
        blind: verdicts.iter().filter(blind).count() as u32,
    }
}

fn not_judged(verdicts: &[&Verdict]) -> Vec<(String, String)> {
    let silent = verdicts.iter().filter(|verdict| verdict.state == JudgedState::NotJudged);
    silent.map(|verdict| (verdict.meter.clone(), verdict.reason.clone())).collect()
}
