//! What must hold of the lists whatever the verdicts say.

mod hand;

use hand::*;
use metersift_model::verdict::FactKind;
use metersift_model::{Hypothesis, ListKind, Verdict};
use metersift_rank::PastEntry;
use proptest::prelude::*;

fn any_verdict() -> impl Strategy<Value = (Verdict, Option<f64>)> {
    let weights = proptest::collection::vec(0.0_f64..1.0, 10);
    let extra = (0_u8..8, 0.0_f64..5.0, proptest::option::of(0.0_f64..1.0));
    (0_u32..400, weights, extra).prop_map(|(name, weights, (kind, error, before))| {
        let sum: f64 = weights.iter().map(|w| w.powi(6)).sum::<f64>() + 1e-12;
        let mut verdict = verdict(&format!("m{name:03}"), Hypothesis::Coating, 0.0);
        for (p, weight) in verdict.probabilities.iter_mut().zip(&weights) {
            *p = weight.powi(6) / sum;
        }
        let best = |mode: &Hypothesis| verdict.probabilities[mode.index()];
        let faults = Hypothesis::FAULTS;
        let mode = faults.into_iter().max_by(|a, b| best(a).total_cmp(&best(b)));
        verdict.mode = mode.unwrap_or(Hypothesis::Unknown);
        verdict.probability = verdict.probabilities[verdict.mode.index()];
        verdict.error_now_pct = Some(error);
        verdict.stream = format!("s{}", name % 3);
        verdict.group = (kind < 4).then(|| format!("g{}", name % 2));
        verdict.exceeds_group = kind == 1;
        if kind == 2 {
            verdict.facts = vec![fact(FactKind::CheckBeyondLimit, error, 1.0)];
        }
        (verdict, before)
    })
}

/// A fleet without two meters of one name, and the night before.
fn any_fleet() -> impl Strategy<Value = (Vec<Verdict>, Vec<PastEntry>)> {
    proptest::collection::vec(any_verdict(), 0..40).prop_map(|mut rows| {
        rows.sort_by(|a, b| a.0.meter.cmp(&b.0.meter));
        rows.dedup_by(|a, b| a.0.meter == b.0.meter);
        let night = |(verdict, before): &(Verdict, Option<f64>)| {
            let list = ListKind::ALL[verdict.meter.len() % 8];
            before.map(|p| past(&verdict.meter, 1, (p > 0.5).then_some(list), verdict.mode, p))
        };
        let before = rows.iter().filter_map(night).collect();
        (rows.into_iter().map(|(verdict, _)| verdict).collect(), before)
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn shuffling_meters_leaves_the_ranking_unchanged(
        (fleet, before) in any_fleet(),
        seed in any::<u64>(),
    ) {
        let site = records(&fleet.iter().map(|v| v.meter.as_str()).collect::<Vec<_>>());
        let mut shuffled = fleet.clone();
        let mut turned = before.clone();
        shuffled.sort_by_key(|v| v.meter.bytes().fold(seed, |h, b| {
            (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3)
        }));
        turned.reverse();
        // Entry odds of empty lists are NaN: compare their text.
        let text = |verdicts: &[Verdict], previous: &[PastEntry]| {
            format!("{:?}", lists(verdicts, &site, previous))
        };
        prop_assert_eq!(text(&fleet, &before), text(&shuffled, &turned));
    }

    #[test]
    fn every_fact_is_listed_and_ranks_run_from_one_without_gaps((fleet, before) in any_fleet()) {
        let site = records(&[]);
        let lists = lists(&fleet, &site, &before);
        for verdict in fleet.iter().filter(|v| !v.facts.is_empty()) {
            prop_assert!(names(&lists, ListKind::Pull).contains(&verdict.meter.as_str()));
        }
        for list in ListKind::ALL {
            let ranks: Vec<u32> = lists.of(list).map(|entry| entry.rank).collect();
            prop_assert_eq!(&ranks, &(1..=ranks.len() as u32).collect::<Vec<_>>());
            let costs: Vec<f64> = lists.of(list).map(|entry| entry.expected_cost).collect();
            prop_assert!(costs.windows(2).all(|pair| pair[0] >= pair[1]));
        }
        for entry in &lists.entries {
            prop_assert!(entry.probability.is_none_or(|p| (0.0..=0.99).contains(&p)));
        }
    }

    #[test]
    fn on_a_first_night_the_page_expects_no_more_false_entries_than_its_budget(
        (fleet, _) in any_fleet(),
    ) {
        let lists = lists(&fleet, &records(&[]), &[]);
        let own = [ListKind::CheckNow, ListKind::MendData];
        let page: Vec<ListKind> =
            ListKind::ALL.into_iter().filter(|list| !own.contains(list)).collect();
        for lists_of in [page, vec![ListKind::MendData]] {
            let judged = |list: &ListKind| {
                lists.of(*list).filter(|entry| entry.probability.is_some()).count()
            };
            let allowed = lists.budget * lists_of.iter().map(judged).sum::<usize>() as f64 + 1e-9;
            let expected: f64 = lists_of.iter().map(|l| lists.expected_false[*l as usize]).sum();
            prop_assert!(expected <= allowed, "{:?}", lists_of);
        }
    }
}
