mod common;
use common::*;
use metersift_faults::{Fleet, Settings};
use metersift_model::Hypothesis;

#[test]
fn tuning() {
    let days = 456;
    let mut all: Vec<(f64, bool, f64, Hypothesis, Hypothesis, f64)> = vec![];
    let mut elapsed = 0.0;
    for seed in 1..=3u64 {
        let mut r = Random(seed * 77);
        let mut plans = vec![];
        let mut truth = vec![];
        for s in 0..24 {
            for i in 0..6 {
                let name = format!("s{s:02}-{i}");
                let lu = |r: &mut Random, a: f64, b: f64| a * (b / a as f64).powf(r.uniform());
                let u = r.uniform();
                let onset = (r.uniform() * 400.0) as i32;
                let (t, m, sev) = if u < 0.65 { (Truth::None, Hypothesis::NoChange, 0.0) }
                else if u < 0.70 { let v = lu(&mut r, 0.005, 0.08); (Truth::Coating { share: v, excess: 600.0 * r.uniform(), damping: lu(&mut r, 5.0, 60.0) }, Hypothesis::Coating, v / 0.03) }
                else if u < 0.75 { let v = lu(&mut r, 0.2, 4.0); (Truth::Erosion { loss_pct: v }, Hypothesis::Erosion, v / 0.5) }
                else if u < 0.80 { let v = lu(&mut r, 0.02, 0.6); (Truth::TwoPhase { share: v }, Hypothesis::TwoPhase, v / 0.1) }
                else if u < 0.84 { let v = lu(&mut r, 2.0, 60.0); (Truth::ZeroDrift { stabilities: v }, Hypothesis::ZeroDrift, v / 10.0) }
                else if u < 0.87 { if r.uniform() < 0.5 { let v = lu(&mut r, 0.05, 0.5); (Truth::Pickoff { loss: v }, Hypothesis::Electrical, v / 0.1) } else { let v = lu(&mut r, 0.15, 4.0); (Truth::Drive { rise: v }, Hypothesis::Electrical, v / 0.8) } }
                else if u < 0.89 { let v = lu(&mut r, 0.3, 4.0); (Truth::Damage { step_pct: -v }, Hypothesis::Damage, v / 0.5) }
                else if u < 0.95 { let v = r.normal() * 0.6; (Truth::Process { log_viscosity: v }, Hypothesis::Process, 0.0) }
                else { let v = r.normal() * 1.0; (Truth::Data { noise_log: v }, Hypothesis::Data, 0.0) };
                let mut p = Plan::new(&name, &format!("stream{s}"), t, onset);
                p.has.pickoffs = r.uniform() < 0.6;
                p.has.checks = r.uniform() < 0.7;
                p.has.zeros = r.uniform() < 0.6;
                plans.push(p);
                truth.push((name, m, sev));
            }
        }
        let site = site(&plans, days, seed);
        let fleet = Fleet::new(&site.daily, &site.records, &Settings::default()).unwrap();
        let t0 = std::time::Instant::now();
        let v = fleet.judge(as_of(days));
        elapsed += t0.elapsed().as_secs_f64();
        for (v, (n, m, sev)) in v.iter().zip(&truth) {
            assert_eq!(&v.meter, n);
            let pf = 1.0 / (1.0 + (-v.fault_score).exp());
            let is = Hypothesis::FAULTS.contains(m);
            all.push((pf, is, v.fault_score, v.mode, *m, *sev));
        }
    }
    println!("judge {:.2} ms per meter (2 threads)", elapsed * 1000.0 / all.len() as f64);
    for (lo, hi) in [(0.0, 0.02), (0.02, 0.05), (0.05, 0.1), (0.1, 0.2), (0.2, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 1.01)] {
        let b: Vec<_> = all.iter().filter(|x| x.0 >= lo && x.0 < hi).collect();
        let f = b.iter().filter(|x| x.1).count();
        let mp = b.iter().map(|x| x.0).sum::<f64>() / b.len().max(1) as f64;
        println!("{lo:.2}..{hi:.2}: n {:4} faulty {:4} share {:.3} mean P {:.3}", b.len(), f, f as f64 / b.len().max(1) as f64, mp);
    }
    let mut s = all.clone();
    s.sort_by(|a, b| b.2.total_cmp(&a.2));
    let (mut tp, mut ap, mut n) = (0.0, 0.0, 0.0);
    let total = s.iter().filter(|x| x.1 && x.5 >= 1.0).count() as f64;
    for x in &s {
        if x.1 && x.5 < 1.0 { continue; }
        n += 1.0;
        if x.1 { tp += 1.0; ap += tp / n; }
    }
    println!("AP of faults beyond limit {:.4} of {total}", ap / total);
    for m in [Hypothesis::Coating, Hypothesis::Erosion, Hypothesis::TwoPhase, Hypothesis::ZeroDrift, Hypothesis::Electrical, Hypothesis::Damage, Hypothesis::Process, Hypothesis::Data, Hypothesis::NoChange] {
        let b: Vec<_> = all.iter().filter(|x| x.4 == m && (x.5 >= 1.0 || !x.1)).collect();
        let mut counts = std::collections::BTreeMap::new();
        for x in &b { *counts.entry(x.3.name()).or_insert(0) += 1; }
        let listed = b.iter().filter(|x| x.0 > 0.5).count();
        println!("{:11} n {:3} listed {:3} mean P {:.2} modes {:?}", m.name(), b.len(), listed, b.iter().map(|x| x.0).sum::<f64>() / b.len() as f64, counts);
    }
}
