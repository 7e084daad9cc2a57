//! What must hold of the lists, on verdicts made by hand.

mod hand;

use hand::*;
use metersift_model::records::{DecisionKind, Finding, ZeroRecord, ZeroState};
use metersift_model::verdict::{FactKind, JudgedState, ObservableEvidence};
use metersift_model::watch_list::{EntryChange, WithheldWhy};
use metersift_model::{Hypothesis, ListKind, Records, TimeUs, Verdict};
use metersift_rank::{PastEntry, Settings, lists_table, track_record, watch_lists};

use Hypothesis::{
    Coating, Damage, Data, Electrical, Erosion, Process, TwoPhase, Unknown, ZeroDrift,
};

#[test]
fn each_mode_asks_for_its_own_decision_and_process_for_none() {
    let table = [
        ("a", Erosion, Some(ListKind::Pull)),
        ("b", Damage, Some(ListKind::Pull)),
        ("c", Coating, Some(ListKind::Clean)),
        ("d", ZeroDrift, Some(ListKind::ReZero)),
        ("e", TwoPhase, Some(ListKind::Gas)),
        ("f", Electrical, Some(ListKind::Electrical)),
        ("g", Data, Some(ListKind::MendData)),
        ("h", Unknown, Some(ListKind::Unexplained)),
        ("i", Process, None),
    ];
    let verdicts: Vec<Verdict> = table.iter().map(|(n, mode, _)| verdict(n, *mode, 0.95)).collect();
    let lists = lists(&verdicts, &records(&[]), &[]);
    for (name, _, list) in table {
        let on: Vec<ListKind> =
            lists.entries.iter().filter(|e| e.meter == name).map(|e| e.list).collect();
        assert_eq!(on, Vec::from_iter(list), "{name}");
    }
}

#[test]
fn no_probability_leaves_above_99_in_100_or_with_more_than_two_digits() {
    let verdicts = [
        verdict("a", Coating, 1.0),
        verdict("b", Coating, 0.999_999),
        verdict("c", Coating, 0.876_54),
    ];
    let lists = lists(&verdicts, &records(&[]), &[]);
    let shown: Vec<f64> = lists.entries.iter().filter_map(|e| e.probability).collect();
    assert_eq!(shown.len(), 3);
    let tables = [lists_table(&lists), table(&verdicts, &lists)];
    for p in tables.iter().flat_map(|t| t.numbers("probability").expect("there")).chain(&shown) {
        assert!(*p <= 0.99 && (p * 100.0 - (p * 100.0).round()).abs() < 1e-9, "{p}");
    }
    let text = lists.entries.iter().map(|e| e.evidence.as_str()).collect::<String>();
    assert!(!text.contains("100 %"), "{text}");
}

#[test]
fn a_fact_is_listed_whatever_any_probability_says_and_outside_the_budget() {
    let table = [
        (FactKind::CheckBeyondLimit, ListKind::Pull),
        (FactKind::ZeroBeyondTolerable, ListKind::ReZero),
        (FactKind::DriveSaturated, ListKind::Pull),
        (FactKind::NoData, ListKind::MendData),
        (FactKind::CheckOverdue, ListKind::CheckNow),
    ];
    for (kind, list) in table {
        let mut quiet = verdict("a", Coating, 0.0);
        quiet.facts = vec![fact(kind, 6.0, 2.0)];
        let lists = lists(&[quiet.clone()], &records(&["a"]), &[]);
        assert_eq!(names(&lists, list), ["a"], "{kind:?}");
        let entry = entry(&lists, "a");
        assert_eq!(entry.probability, None, "a fact is not a probability");
        assert!(entry.evidence.contains('6') && entry.evidence.contains('2'), "{}", entry.evidence);
        assert_eq!(lists.expected_false, [0.0; 8]);
        // Nor does it need a verdict.
        quiet.state = JudgedState::NotJudged;
        quiet.probabilities = [f64::NAN; 10];
        assert_eq!(names(&hand::lists(&[quiet], &records(&["a"]), &[]), list), ["a"], "{kind:?}");
    }
}

#[test]
fn a_saturated_drive_goes_where_its_likely_cause_is_decided() {
    let mut gassy = verdict("a", TwoPhase, 0.9);
    gassy.facts = vec![fact(FactKind::DriveSaturated, 8.0, 5.0)];
    let lists = lists(&[gassy], &records(&["a"]), &[]);
    assert_eq!(names(&lists, ListKind::Gas), ["a"]);
    assert_eq!(names(&lists, ListKind::Pull), [""; 0]);
    assert_eq!(entry(&lists, "a").ne107, 'F');
}

#[test]
fn the_list_is_cut_where_expected_false_entries_pass_the_budget() {
    // 1 - P: 0.05, 0.10, 0.30, 0.45. Running means 0.05, 0.075, 0.15, 0.225: three get in.
    let verdicts = [
        verdict("a", Coating, 0.95),
        verdict("b", Coating, 0.90),
        verdict("c", Coating, 0.70),
        verdict("d", Coating, 0.55),
    ];
    let lists = lists(&verdicts, &records(&[]), &[]);
    let mut listed = names(&lists, ListKind::Clean);
    listed.sort_unstable();
    assert_eq!(listed, ["a", "b", "c"]);
    let clean = ListKind::Clean as usize;
    assert!((lists.expected_false[clean] - 0.45).abs() < 1e-12);
    assert_eq!(lists.entry_probability[clean], 0.70);
    let near: Vec<_> = lists.withheld.iter().map(|w| (w.meter.as_str(), w.why)).collect();
    assert_eq!(near, [("d", WithheldWhy::Budget)]);
    // Alone, an entry needs 1 - budget.
    let alone = |p| {
        names(&hand::lists(&[verdict("a", Coating, p)], &records(&[]), &[]), ListKind::Clean).len()
    };
    assert_eq!((alone(0.79), alone(0.81)), (0, 1));
}

#[test]
fn equals_come_in_together_or_not_at_all() {
    // Running means 0.05 and, with both equals, 0.65 / 3 = 0.217.
    let verdicts =
        [verdict("a", Coating, 0.95), verdict("b", Coating, 0.70), verdict("c", Coating, 0.70)];
    assert_eq!(names(&lists(&verdicts, &records(&[]), &[]), ListKind::Clean), ["a"]);
}

#[test]
fn nothing_more_likely_wrong_than_right_rides_in_on_its_neighbours() {
    let mut verdicts: Vec<Verdict> =
        (0..20).map(|i| verdict(&format!("a{i:02}"), Coating, 0.98)).collect();
    verdicts.push(verdict("b", Coating, 0.45));
    let lists = lists(&verdicts, &records(&[]), &[]);
    assert_eq!(names(&lists, ListKind::Clean).len(), 20);
}

#[test]
fn decoys_that_beat_every_real_explanation_raise_the_expected_false_entries() {
    let mut decoys: Vec<Verdict> =
        (0..9).map(|i| verdict(&format!("d{i}"), Coating, 0.01)).collect();
    for decoy in &mut decoys {
        decoy.decoy_score = (0.95_f64 / 0.05).ln();
    }
    let real = [verdict("a", Coating, 0.9), verdict("b", Coating, 0.9)];
    let all: Vec<Verdict> = decoys.iter().chain(&real).cloned().collect();
    // Nine decoys above 0.9, a third of them for this list: three false among two entries.
    assert_eq!(names(&lists(&all, &records(&[]), &[]), ListKind::Clean), [""; 0]);
    // One decoy among six entries is a third of a false one: within the budget of 1.2, although
    // the likeliest entry alone would not bear it.
    let mut few: Vec<Verdict> = vec![decoys[0].clone()];
    few.extend((0..6).map(|i| verdict(&format!("a{i}"), Coating, 0.90 + 0.005 * f64::from(i))));
    assert_eq!(names(&lists(&few, &records(&[]), &[]), ListKind::Clean).len(), 6);
    // A decoy that a real explanation beats counts for nothing.
    for decoy in &mut decoys {
        *decoy = Verdict { decoy_score: decoy.decoy_score, ..verdict(&decoy.meter, Process, 0.99) };
    }
    let all: Vec<Verdict> = decoys.into_iter().chain(real).collect();
    assert_eq!(names(&lists(&all, &records(&[]), &[]), ListKind::Clean).len(), 2);
}

#[test]
fn three_meters_that_move_alike_are_one_line_and_two_are_not() {
    let grouped = |name: &str| Verdict { group: Some("g1".into()), ..verdict(name, TwoPhase, 0.9) };
    let two = [grouped("a"), grouped("b")];
    assert_eq!(names(&lists(&two, &records(&[]), &[]), ListKind::Gas).len(), 2);
    let three = [grouped("a"), grouped("b"), grouped("c")];
    let lists = lists(&three, &records(&["a", "b", "c"]), &[]);
    assert_eq!(names(&lists, ListKind::Gas), ["syrup-3"]);
    let line = entry(&lists, "syrup-3");
    assert_eq!(line.group_members, ["a", "b", "c"]);
    assert!(line.evidence.contains("a, b, c"), "{}", line.evidence);
    assert!(line.next_step.contains("fluid"), "{}", line.next_step);
    // One cause, one doubt.
    assert!((lists.expected_false[ListKind::Gas as usize] - 0.1).abs() < 1e-9);
    // In the verdicts table every member is on the list of its line.
    let table = table(&three, &lists);
    assert!(table.texts("list").expect("there").iter().all(|l| l.as_deref() == Some("gas")));
}

#[test]
fn a_member_that_exceeds_its_group_stays_an_entry_and_other_streams_do_not_fold_in() {
    let grouped = |name: &str| Verdict { group: Some("g1".into()), ..verdict(name, TwoPhase, 0.9) };
    let louder = Verdict { exceeds_group: true, ..grouped("d") };
    let elsewhere = Verdict { stream: "bay-1".into(), ..grouped("e") };
    let all = [grouped("a"), grouped("b"), grouped("c"), louder, elsewhere];
    let lists = lists(&all, &records(&[]), &[]);
    let mut listed = names(&lists, ListKind::Gas);
    listed.sort_unstable();
    assert_eq!(listed, ["d", "e", "syrup-3"]);
}

#[test]
fn an_accepted_entry_is_hidden_but_counted_until_its_last_day() {
    let one = [verdict("a", Coating, 0.95)];
    let mut site = records(&["a"]);
    site.decisions = vec![accepted("a", 5, 10)];
    let before = [past("a", 6, Some(ListKind::Clean), Coating, 0.95)];
    let hidden = lists(&one, &site, &before);
    assert_eq!(names(&hidden, ListKind::Clean), [""; 0]);
    assert!(entry(&hidden, "a").accepted && entry(&hidden, "a").rank == 0);
    assert_eq!(hidden.expected_false, [0.0; 8], "hidden entries are on no list");
    site.decisions = vec![accepted("a", 20, -1)];
    let woken = lists(&one, &site, &before);
    assert_eq!(names(&woken, ListKind::Clean), ["a"]);
    assert!(entry(&woken, "a").evidence.contains("accepted on 2026-02-22"));
}

#[test]
fn an_accepted_entry_wakes_when_it_grows_or_a_new_fact_turns_up() {
    let mut site = records(&["a"]);
    site.decisions = vec![accepted("a", 5, 10)];
    let before = [past("a", 6, Some(ListKind::Clean), Coating, 0.95)];
    let mut grown = verdict("a", Coating, 0.95);
    // Then 3.0 with a standard deviation of 0.78; 4.0 is more than one above it.
    grown.severity.as_mut().expect("has one").size = interval(4.0, 3.0, 5.0);
    let lists = lists(&[grown], &site, &before);
    assert_eq!(names(&lists, ListKind::Clean), ["a"]);
    assert!(entry(&lists, "a").evidence.contains("grew from 3 to 4 %"));
    let mut new_fact = verdict("a", Coating, 0.95);
    new_fact.facts = vec![fact(FactKind::CheckBeyondLimit, 6.0, 2.0)];
    new_fact.facts[0].since = Some(tonight().plus(-1));
    let lists = hand::lists(&[new_fact], &site, &before);
    assert_eq!(names(&lists, ListKind::Pull), ["a"]);
}

#[test]
fn what_was_found_is_said_and_hides_nothing() {
    let mut site = records(&["a"]);
    let mut decision = accepted("a", 5, 10);
    decision.decision = DecisionKind::Found;
    decision.until = None;
    site.decisions = vec![decision];
    let lists = lists(&[verdict("a", Coating, 0.95)], &site, &[]);
    assert_eq!(names(&lists, ListKind::Clean), ["a"]);
    assert!(entry(&lists, "a").evidence.ends_with("Found faulty on 2026-03-09."));
}

#[test]
fn a_decision_hides_its_own_mode_and_meter_only() {
    let mut site = records(&["a", "b"]);
    let mut decision = accepted("a", 5, 10);
    decision.mode = Some(Erosion);
    site.decisions = vec![decision.clone()];
    let verdicts = [verdict("a", Coating, 0.95), verdict("b", Coating, 0.95)];
    assert_eq!(names(&lists(&verdicts, &site, &[]), ListKind::Clean).len(), 2);
    decision.mode = Some(Coating);
    site.decisions = vec![decision.clone()];
    assert_eq!(names(&lists(&verdicts, &site, &[]), ListKind::Clean), ["b"]);
    // Found good counts like an acceptance; a decision of tomorrow does not exist yet.
    decision.decision = DecisionKind::FoundGood;
    decision.until = None;
    site.decisions = vec![decision.clone()];
    assert_eq!(names(&lists(&verdicts, &site, &[]), ListKind::Clean), ["b"]);
    decision.day = tonight().plus(1);
    site.decisions = vec![decision];
    assert_eq!(names(&lists(&verdicts, &site, &[]), ListKind::Clean).len(), 2);
}

#[test]
fn an_entry_comes_up_on_two_of_three_nights_and_on_a_first_night_alone() {
    let one = [verdict("a", Coating, 0.85)];
    let listed = |previous: &[PastEntry]| {
        let lists = lists(&one, &records(&[]), previous);
        names(&lists, ListKind::Clean).len() == 1
    };
    let night = |days, p| past("a", days, None, Coating, p);
    assert!(listed(&[]), "a first night has nothing to ask");
    assert!(!listed(&[night(1, 0.1)]), "one night of two");
    assert!(!listed(&[night(1, 0.1), night(2, 0.1)]));
    assert!(listed(&[night(1, 0.1), night(2, 0.9)]), "two of three");
    assert!(!listed(&[night(1, 0.1), night(2, 0.1), night(3, 0.9)]), "the fourth night is over");
    assert!(listed(&[night(30, 0.1)]), "a month ago is no earlier night");
    let lists = lists(&one, &records(&[]), &[night(1, 0.1)]);
    assert_eq!(lists.withheld[0].why, WithheldWhy::Nights);
}

#[test]
fn what_is_nearly_certain_comes_up_on_its_first_night() {
    let listed = |p: f64| {
        let before = [past("a", 1, None, Coating, 0.1), past("a", 2, None, Coating, 0.1)];
        names(&lists(&[verdict("a", Coating, p)], &records(&[]), &before), ListKind::Clean).len()
    };
    assert_eq!((listed(0.89), listed(0.91)), (0, 1));
}

/// Coating or gas, the one as likely as the other: the meter is at fault, the cause is open.
#[test]
fn a_fault_whose_cause_is_open_stands_with_the_unexplained() {
    let mut open = verdict("a", Coating, 0.46);
    open.probabilities = [0.0; 10];
    open.probabilities[0] = 0.06;
    open.probabilities[Coating.index()] = 0.46;
    open.probabilities[TwoPhase.index()] = 0.42;
    open.probabilities[Electrical.index()] = 0.06;
    let lists_of = |verdict: Verdict| lists(&[verdict], &records(&[]), &[]);
    let listed = lists_of(open.clone());
    assert_eq!(names(&listed, ListKind::Unexplained), ["a"]);
    assert_eq!(listed.entries[0].mode, Coating);
    // With the gas gone the coating has more than half of the chance and its own list.
    open.probabilities[TwoPhase.index()] = 0.0;
    open.probabilities[Coating.index()] = 0.88;
    assert_eq!(names(&lists_of(open), ListKind::Clean), ["a"]);
}

#[test]
fn an_entry_leaves_below_half_the_entry_odds_for_a_week() {
    // Alone the entry odds are 0.8 : 0.2 = 4, half of them 2, so it leaves below 2/3.
    let listed = |p: f64, previous: &[PastEntry]| {
        let lists = lists(&[verdict("a", Coating, p)], &records(&[]), previous);
        names(&lists, ListKind::Clean).len() == 1
    };
    let night = |days, p| past("a", days, Some(ListKind::Clean), Coating, p);
    assert!(listed(0.70, &[night(1, 0.9)]), "between leaving and entering it stays");
    assert!(listed(0.10, &[night(1, 0.1), night(5, 0.9)]), "not yet a week below");
    let week: Vec<PastEntry> = (1..=6).map(|days| night(days, 0.1)).collect();
    assert!(!listed(0.10, &week), "a week below");
    assert!(!listed(0.70, &[]), "between the two it never entered");
    let mut entered = week.clone();
    entered.push(night(8, 0.9));
    let lists = lists(&[verdict("a", Coating, 0.10)], &records(&[]), &entered);
    let fact_only = [past("a", 1, Some(ListKind::CheckNow), Coating, 0.01)];
    let checked = hand::lists(&[verdict("a", Coating, 0.01)], &records(&[]), &fact_only);
    assert!(entry(&checked, "a").evidence.contains("holds no more"));
    let gone = entry(&lists, "a");
    assert_eq!((gone.change, gone.rank, gone.list), (EntryChange::Gone, 0, ListKind::Clean));
    assert!(gone.evidence.contains("10 % tonight"), "{}", gone.evidence);
}

#[test]
fn a_meter_that_cannot_be_judged_any_more_is_gone_with_its_reason() {
    let before = [past("a", 1, Some(ListKind::Clean), Coating, 0.95)];
    let lists = lists(&[unjudged("a", "no steady data")], &records(&["a"]), &before);
    assert_eq!(lists.not_judged, [("a".to_string(), "no steady data".to_string())]);
    assert_eq!(lists.counts.not_judged, 1);
    let gone = entry(&lists, "a");
    let night = lists.before.expect("known");
    assert_eq!((night.judged, night.listed), (1, 1));
    assert_eq!(gone.change, EntryChange::Gone);
    assert!(gone.evidence.contains("no steady data"), "{}", gone.evidence);
}

#[test]
fn silence_at_a_safety_function_and_a_month_without_a_verdict_are_entries() {
    let mut site = records(&["a", "b"]);
    site.meters.get_mut("a").expect("made").safety_function = true;
    let verdicts = [unjudged("a", "no steady data"), unjudged("b", "no steady data")];
    let before = [past("b", 31, None, Coating, 0.1)];
    let lists = lists(&verdicts, &site, &before);
    assert_eq!(names(&lists, ListKind::CheckNow), ["a"]);
    assert_eq!(names(&lists, ListKind::MendData), ["b"]);
    assert!(entry(&lists, "a").cautions.iter().any(|c| c.contains("proof-test interval")));
    assert!(entry(&lists, "b").evidence.contains("31 days"));
}

#[test]
fn worse_and_better_need_more_than_one_standard_deviation_or_a_step_of_time() {
    let before = [past("a", 1, Some(ListKind::Clean), Coating, 0.95)];
    let change = |size: f64| {
        let mut now = verdict("a", Coating, 0.95);
        now.severity.as_mut().expect("has one").size = interval(size, size - 1.0, size + 1.0);
        entry(&lists(&[now], &records(&[]), &before), "a").change
    };
    // Standard deviation 2 / 2.563 = 0.78.
    assert_eq!(change(3.7), EntryChange::Same);
    assert_eq!(change(3.9), EntryChange::Worse);
    assert_eq!(change(2.1), EntryChange::Better);
    let time = |then: f64, now: f64| {
        let mut before = before.clone();
        before[0].days_left = Some(interval(then, then / 2.0, then * 2.0));
        let mut verdict = verdict("a", Coating, 0.95);
        verdict.days_left = Some(interval(now, now / 2.0, now * 2.0));
        entry(&lists(&[verdict], &records(&[]), &before), "a").change
    };
    assert_eq!(time(100.0, 80.0), EntryChange::Worse, "this quarter instead of this year");
    assert_eq!(time(80.0, 60.0), EntryChange::Same);
    assert_eq!(time(10.0, 20.0), EntryChange::Better);
    // A fact on a meter that was on no list is new, however old the readings behind it.
    let quiet = [past("a", 1, None, Coating, 0.1)];
    let mut failed = verdict("a", Coating, 0.1);
    failed.facts = vec![fact(FactKind::CheckBeyondLimit, 6.0, 2.0)];
    failed.facts[0].since = Some(tonight().plus(-25));
    let overnight = lists(&[failed], &records(&["a"]), &quiet);
    assert_eq!(entry(&overnight, "a").change, EntryChange::New);
    let none = entry(&lists(&[verdict("a", Coating, 0.95)], &records(&[]), &[]), "a").change;
    assert_eq!(none, EntryChange::New);
}

#[test]
fn waiting_costs_money_where_worth_is_known_and_points_elsewhere() {
    let mut site = records(&["a", "b"]);
    for name in ["a", "b"] {
        site.meters.get_mut(name).expect("made").throughput_value_per_kg = Some(0.5);
    }
    let mut settings = Settings::default();
    settings.money.action_cost.clean = 40.0;
    let mut costly = verdict("a", Coating, 0.9);
    costly.error_now_pct = Some(0.6);
    costly.by_mode[0].error_now_pct = Some(0.6);
    let verdicts = [costly, verdict("b", Coating, 0.9)];
    let lists = watch_lists(&verdicts, &site, &[], tonight(), &settings);
    let first = entry(&lists, "a");
    assert_eq!((first.rank, first.cost_unit), (1, "money"));
    // (0.6 - 0.1) % of 20,000 kg/h over 7 days at 0.5 a kg is 8,400; P 0.9 and cure 0.85; -40.
    assert!((first.expected_cost - (8400.0 * 0.9 * 0.85 - 40.0)).abs() < 1e-6);
    // One entry without worth, and the whole list is in points.
    site.meters.get_mut("b").expect("made").throughput_value_per_kg = None;
    let lists = watch_lists(&verdicts, &site, &[], tonight(), &settings);
    assert!(lists.of(ListKind::Clean).all(|entry| entry.cost_unit == "points"));
    // Criticality 3 weighs 4; the error is 0.6 over a tolerable 5 x 0.1.
    assert!((entry(&lists, "a").expected_cost - 4.0 * 0.9 * 1.2).abs() < 1e-9);
}

#[test]
fn criticality_and_nearness_of_the_limit_order_a_list() {
    let mut site = records(&["a", "b", "c"]);
    site.meters.get_mut("c").expect("made").criticality = 5;
    let far =
        Verdict { days_left: Some(interval(100.0, 50.0, 200.0)), ..verdict("a", Erosion, 0.95) };
    let verdicts = [far, verdict("b", Erosion, 0.9), verdict("c", Erosion, 0.9)];
    assert_eq!(names(&lists(&verdicts, &site, &[]), ListKind::Pull), ["c", "b", "a"]);
}

#[test]
fn an_electrical_fault_is_not_worthless_because_it_still_measures_well() {
    let mut coil = verdict("a", Electrical, 0.9);
    coil.error_now_pct = Some(0.0);
    let lists = lists(&[coil], &records(&["a"]), &[]);
    assert!((entry(&lists, "a").expected_cost - 4.0 * 0.9).abs() < 1e-9);
}

#[test]
fn a_check_is_proposed_for_risk_only_where_no_list_asks_for_more() {
    let mut split = verdict("a", Coating, 0.3);
    split.probabilities[Erosion.index()] = 0.2;
    split.probabilities[Hypothesis::NoChange.index()] = 0.5;
    let verdicts = [split, verdict("b", Coating, 0.9), verdict("c", Coating, 0.1)];
    let lists = lists(&verdicts, &records(&[]), &[]);
    assert_eq!(names(&lists, ListKind::CheckNow), ["a"]);
    assert!(entry(&lists, "a").evidence.contains("50 % in all"));
    assert!((lists.expected_false[ListKind::CheckNow as usize] - 0.5).abs() < 1e-9);
}

#[test]
fn a_re_zero_is_a_thought_only_after_an_as_found_zero_without_gas() {
    let drift = verdict("a", ZeroDrift, 0.95);
    let mut site = records(&["a"]);
    let step = |site: &Records, verdict: &Verdict| {
        entry(&lists(std::slice::from_ref(verdict), site, &[]), "a").next_step.clone()
    };
    let check_first = "Check the zero with both blocks closed";
    assert!(step(&site, &drift).starts_with(check_first), "shut-in flow alone");
    let zero = |days_ago: i32, state| ZeroRecord {
        time: TimeUs(tonight().plus(-days_ago).start().0 + 1),
        zero_kg_h: 21.0,
        state,
    };
    site.zeros.insert("a".into(), vec![zero(3, ZeroState::AsFound)]);
    let found = step(&site, &drift);
    assert!(found.contains("2026-03-11") && found.contains("+21 kg/h"), "{found}");
    assert!(found.contains("gas, partial filling, a leaking valve and a temperature drift"));
    site.meters.get_mut("a").expect("made").custody = true;
    let custody = step(&site, &drift);
    assert!(custody.contains("adjust nothing") && !custody.contains("re-zero"), "{custody}");
    site.meters.get_mut("a").expect("made").custody = false;
    site.zeros.insert("a".into(), vec![zero(90, ZeroState::AsFound)]);
    assert!(step(&site, &drift).starts_with(check_first), "too old");
    let adjusted = vec![zero(3, ZeroState::AsFound), zero(2, ZeroState::AsLeft)];
    site.zeros.insert("a".into(), adjusted);
    assert!(step(&site, &drift).starts_with(check_first), "already adjusted");
    site.zeros.insert("a".into(), vec![zero(3, ZeroState::AsFound)]);
    let mut gassy = drift.clone();
    gassy.probabilities[TwoPhase.index()] = 0.06;
    assert!(step(&site, &gassy).contains("gas could be the cause"));
    // Tonight's own morning has not been looked at.
    site.zeros.insert("a".into(), vec![zero(0, ZeroState::AsFound)]);
    assert!(step(&site, &drift).starts_with(check_first), "from after the as-of date");
}

#[test]
fn every_entry_has_evidence_next_step_test_letter_and_the_cautions_of_its_meter() {
    let mut site = records(&["a", "b", "c", "d", "e", "f", "g", "h"]);
    site.meters.get_mut("a").expect("made").custody = true;
    let modes = [Erosion, Damage, Coating, ZeroDrift, TwoPhase, Electrical, Data, Unknown];
    let verdicts: Vec<Verdict> = ["a", "b", "c", "d", "e", "f", "g", "h"]
        .into_iter()
        .zip(modes)
        .map(|(name, mode)| verdict(name, mode, 0.97))
        .collect();
    let lists = lists(&verdicts, &site, &[]);
    assert_eq!(lists.entries.len(), 8);
    for entry in &lists.entries {
        assert!(!entry.evidence.is_empty() && !entry.next_step.is_empty());
        assert!(!entry.settles.is_empty() && "FCSM".contains(entry.ne107));
        let said = entry.cautions.join(" ");
        let wall = entry.list == ListKind::Pull;
        assert_eq!(said.contains("thinnest spot"), wall, "{}", entry.meter);
        assert_eq!(said.contains("not for billing"), entry.meter == "a");
        let all = format!("{} {} {said}", entry.evidence, entry.next_step).to_lowercase();
        for forbidden in ["healthy", "safe", "certified"] {
            let mut words = all.split(|c: char| !c.is_alphanumeric());
            assert!(!words.any(|word| word == forbidden), "{forbidden}: {all}");
        }
    }
}

#[test]
fn evidence_names_change_unit_error_date_and_interval() {
    let mut one = verdict("a", Coating, 0.93);
    let row = |observable: &str, unit: &str, change, se, up| ObservableEvidence {
        observable: observable.into(),
        unit: unit.into(),
        change,
        se,
        since: Some(tonight().plus(-131)),
        over_runner_up: up / 2.0,
        over_no_change: up,
        adjusted: Vec::new(),
    };
    one.evidence = vec![
        row("drive_gain", "ln", 0.35, 0.04, 3.0),
        row("density", "kg/m3", 12.4, 2.1, 1.5),
        row("stiffness_inlet", "%", 0.02, 0.1, -0.8),
    ];
    one.days_left = Some(interval(45.0, 20.0, f64::INFINITY));
    let lists = lists(&[one], &records(&["a"]), &[]);
    assert_eq!(
        entry(&lists, "a").evidence,
        "Drive gain +0.35 ln (se 0.04), density +12.4 kg/m3 (se 2.1) since 2025-11-03: coating \
         93 %; size 3 % (10..90 %: 2 to 4); limit in 45 d (10..90 %: 20 d to beyond a year); \
         against it: inlet stiffness +0.02 % (se 0.1)."
    );
}

#[test]
fn a_verdicts_table_comes_back_as_earlier_nights() {
    let mut open = verdict("a", Coating, 0.95);
    open.days_left = Some(interval(200.0, 90.0, f64::INFINITY));
    let verdicts = [open, unjudged("b", "no steady data"), verdict("c", Erosion, 0.2)];
    let lists = lists(&verdicts, &records(&["a", "b", "c"]), &[]);
    let table = table(&verdicts, &lists);
    let columns: Vec<&str> = table.columns.iter().map(|c| c.name.as_str()).collect();
    assert_eq!(
        columns.join(", "),
        "as_of, meter, service, stream, state, list, rank, mode, probability, fault_score, \
         p_no_change, p_process, p_data, p_coating, p_erosion, p_two_phase, p_zero_drift, \
         p_electrical, p_damage, p_unknown, severity, severity_low, severity_high, \
         severity_unit, days_left, days_left_low, days_left_high, group, blind, reason, \
         raw_fault_score, calibrated, limit, limit_unit, limit_reason"
    );
    let back = PastEntry::from_table(&table).expect("our own table");
    assert_eq!(back.len(), 3);
    assert_eq!(back[0].list, Some(ListKind::Clean));
    assert_eq!(back[0].probabilities, verdicts[0].probabilities);
    assert_eq!(back[0].days_left, verdicts[0].days_left, "an open end stays open");
    assert_eq!((back[1].state, back[1].judged()), (JudgedState::NotJudged, false));
    assert_eq!((back[2].list, back[2].mode), (None, Erosion));
    let mut other = table.clone();
    other.columns.retain(|column| column.name != "p_coating");
    let error = PastEntry::from_table(&other).expect_err("a column is missing");
    assert!(error.to_string().contains("p_coating"), "{error}");
}

#[test]
fn tonight_does_not_listen_to_its_own_echo_nor_to_the_future() {
    let one = [verdict("a", Coating, 0.95)];
    let alone = lists(&one, &records(&[]), &[]);
    let echo = [
        past("a", 0, Some(ListKind::Clean), Coating, 0.01),
        past("a", -3, Some(ListKind::Pull), Erosion, 0.99),
    ];
    assert_eq!(lists(&one, &records(&[]), &echo), alone);
}

#[test]
fn the_record_of_the_list_counts_entries_once_and_says_how_sure_it_is() {
    let mut previous = Vec::new();
    let mut site = Records::default();
    for index in 0..31 {
        let name = format!("m{index:02}");
        // Listed on two nights in a row: one entry.
        previous.push(past(&name, 40, Some(ListKind::Clean), Coating, 0.9));
        previous.push(past(&name, 39, Some(ListKind::Clean), Coating, 0.9));
        let mode = (index >= 2).then_some(Coating);
        let finding = |days_ago: i32| Finding {
            day: tonight().plus(-days_ago),
            mode,
            severity: String::new(),
            note: String::new(),
        };
        // What was found before the entry, and what will be found, is no answer to it.
        site.findings.insert(name, vec![finding(50), finding(20), finding(-5)]);
    }
    previous.push(past("old", 100, Some(ListKind::Clean), Coating, 0.9));
    let record = track_record(&previous, &site, tonight(), 90);
    assert_eq!((record.entries, record.settled, record.false_entries), (31, 31, 2));
    // Wilson 95 % of 2/31, computed with statsmodels 0.15.0; printed to ten decimals.
    let (low, high) = record.false_share.expect("settled");
    assert!((low - 0.017_874_783_5).abs() < 5e-11 && (high - 0.207_186_367_4).abs() < 5e-11);
    assert_eq!(track_record(&[], &site, tonight(), 90).false_share, None);
}

#[test]
fn counts_add_up_and_blind_meters_are_counted() {
    let young = Verdict { state: JudgedState::Young, ..verdict("b", Coating, 0.1) };
    let mut blind = verdict("c", Coating, 0.1);
    blind.blind_spots = vec![metersift_model::verdict::BlindSpot {
        mode: Erosion,
        smallest_visible: None,
        unit: "%".into(),
    }];
    let verdicts = [verdict("a", Coating, 0.1), young, blind, unjudged("d", "no data")];
    let counts = lists(&verdicts, &records(&[]), &[]).counts;
    assert_eq!((counts.meters, counts.judged, counts.young), (4, 2, 1));
    assert_eq!((counts.not_judged, counts.blind), (1, 1));
}

#[test]
fn a_source_that_stopped_is_an_entry_behind_the_meters_of_its_list() {
    let records = records(&["FT-1"]);
    let mut stopped = verdict("FT-1", Hypothesis::Data, 0.02);
    stopped.facts = vec![fact(FactKind::NoData, 9.0, 2.0)];
    let mut tonight = lists(&[stopped], &records, &[]);
    let days = std::collections::BTreeMap::from([(
        "syrup-house".to_string(),
        vec![metersift_model::Day::parse("2026-03-01").expect("a day")],
    )]);
    let silent = metersift_rank::silent_sources(&days, tonight.as_of);
    metersift_rank::add_silent(&mut tonight, &silent, &[]);
    let mend: Vec<_> = tonight.of(ListKind::MendData).collect();
    assert_eq!(mend.len(), 2);
    assert_eq!((mend[1].meter.as_str(), mend[1].rank), ("source syrup-house", 2));
    assert!(mend[1].evidence.contains("2026-03-01"), "{}", mend[1].evidence);
    assert!(!mend[1].next_step.is_empty() && !mend[1].cautions.is_empty());
}
