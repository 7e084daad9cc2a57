//! What must hold for any data: properties of the kernels, on drawn inputs.

use metersift_stats as stats;
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

fn values(least: usize, most: usize) -> impl Strategy<Value = Vec<f64>> {
    proptest::collection::vec(-1e3..1e3, least..most)
}

proptest! {
    // A fixed seed, so that a run says the same twice; PROPTEST_RNG_SEED and PROPTEST_CASES search
    // elsewhere and longer.
    #![proptest_config(ProptestConfig {
        cases: 128,
        rng_seed: RngSeed::Fixed(20_240_307),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    /// Tolerance: rounding of values near 1e5 in a difference, 1e-10.
    #[test]
    fn adding_a_constant_leaves_every_noise_unchanged(
        values in values(60, 200), shift in -1e5_f64..1e5,
    ) {
        let moved: Vec<f64> = values.iter().map(|v| v + shift).collect();
        let noise = |v: &[f64]| stats::step_noise(v, None).map_or(0.0, |noise| noise.sigma);
        prop_assert!((noise(&values) - noise(&moved)).abs() < 1e-9);
        prop_assert!((stats::mad(&values) - stats::mad(&moved)).abs() < 1e-9);
        prop_assert!((stats::qn(&values) - stats::qn(&moved)).abs() < 1e-9);
        let allan = |v: &[f64]| stats::overlapping_allan_deviation(v, 3).deviation;
        prop_assert!((allan(&values) - allan(&moved)).abs() < 1e-8);
    }

    #[test]
    fn repeating_every_value_leaves_step_noise_unchanged(
        values in values(60, 120), times in 2_usize..5,
    ) {
        let held: Vec<f64> = values.iter().flat_map(|v| std::iter::repeat_n(*v, times)).collect();
        prop_assert_eq!(stats::step_noise(&values, None), stats::step_noise(&held, None));
        prop_assert_eq!(stats::step_noise(&values, Some(0.5)), stats::step_noise(&held, Some(0.5)));
    }

    #[test]
    fn the_order_of_values_does_not_move_a_median(values in values(1, 80), seed in 0_u64..1000) {
        let mut mixed = values.clone();
        stats::Xoshiro256::seeded(seed).shuffle(&mut mixed);
        prop_assert_eq!(stats::median(&values), stats::median(&mixed));
        prop_assert_eq!(stats::mad(&values), stats::mad(&mixed));
    }

    #[test]
    fn a_quantile_lies_between_the_ends_and_rises_with_its_share(
        values in values(1, 60), p in 0.0..1.0, q in 0.0..1.0,
    ) {
        let mut sorted = values;
        sorted.sort_unstable_by(f64::total_cmp);
        let (low, high) = (f64::min(p, q), f64::max(p, q));
        let at = |share| stats::quantile_type7(&sorted, share);
        prop_assert!(at(0.0) == sorted[0] && at(1.0) == sorted[sorted.len() - 1]);
        prop_assert!(at(low) <= at(high));
    }

    #[test]
    fn a_weight_of_three_counts_like_three_values(values in values(1, 30), p in 0.0..1.0) {
        let tripled: Vec<f64> = values.iter().flat_map(|v| [*v; 3]).collect();
        let ones = vec![1.0; tripled.len()];
        let threes = vec![3.0; values.len()];
        prop_assert_eq!(
            stats::weighted_quantile(&values, &threes, p),
            stats::weighted_quantile(&tripled, &ones, p)
        );
    }

    #[test]
    fn tilting_a_series_tilts_its_theil_sen_line(values in values(5, 40), tilt in -10.0_f64..10.0) {
        let time: Vec<f64> = (0..values.len()).map(|i| i as f64).collect();
        let tilted: Vec<f64> = values.iter().zip(&time).map(|(v, t)| v + tilt * t).collect();
        let slope = |v: &[f64]| stats::theil_sen(&time, v, 0.95).map_or(0.0, |line| line.slope);
        prop_assert!((slope(&tilted) - slope(&values) - tilt).abs() < 1e-9);
    }

    #[test]
    fn reversing_time_turns_mann_kendall_round(values in values(2, 60)) {
        let mut reversed = values.clone();
        reversed.reverse();
        let test = |v: &[f64]| stats::mann_kendall(v).map(|test| (test.s, test.p));
        let (Some((s, p)), Some((back, same))) = (test(&values), test(&reversed)) else {
            return Err(TestCaseError::fail("two values are enough"));
        };
        prop_assert!(s == -back && p == same);
    }

    #[test]
    fn turning_scores_round_turns_the_roc_area_round(
        items in proptest::collection::vec((any::<bool>(), 0_u8..9), 4..60),
    ) {
        let (labels, scores): (Vec<bool>, Vec<f64>) =
            items.iter().map(|&(label, score)| (label, f64::from(score))).unzip();
        let turned: Vec<f64> = scores.iter().map(|score| -score).collect();
        let area = stats::roc_auc(&labels, &scores);
        if area.is_finite() {
            prop_assert!((area + stats::roc_auc(&labels, &turned) - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn an_isotonic_fit_rises_and_keeps_the_sum(values in values(1, 60)) {
        let fit = stats::isotonic(&values);
        prop_assert!(fit.windows(2).all(|pair| pair[0] <= pair[1]));
        let (before, after) = (values.iter().sum::<f64>(), fit.iter().sum::<f64>());
        prop_assert!((before - after).abs() < 1e-7);
    }

    #[test]
    fn adding_a_constant_to_logs_adds_it_to_their_sum(
        logs in values(1, 40), shift in -500.0_f64..500.0,
    ) {
        let moved: Vec<f64> = logs.iter().map(|log| log + shift).collect();
        let (plain, shifted) = (stats::log_sum_exp(&logs), stats::log_sum_exp(&moved));
        prop_assert!((shifted - plain - shift).abs() < 1e-9);
    }

    #[test]
    fn whitening_a_draw_of_a_covariance_gives_back_the_draw(seed in 0_u64..500, n in 1_usize..20) {
        let mut generator = stats::Xoshiro256::seeded(seed);
        let root: Vec<f64> = (0..n * n).map(|_| generator.normal()).collect();
        let mut matrix = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..n {
                let (a, b) = (&root[i * n..(i + 1) * n], &root[j * n..(j + 1) * n]);
                matrix[i * n + j] = stats::dot(a, b);
            }
            matrix[i * n + i] += 1.0;
        }
        let Some(factor) = stats::Cholesky::new(&matrix, n) else {
            return Err(TestCaseError::fail("a sum of squares is positive definite"));
        };
        let draw: Vec<f64> = (0..n).map(|_| generator.normal()).collect();
        let mut mixed: Vec<f64> = (0..n)
            .map(|i| stats::dot(&factor.factor()[i * n..i * n + i + 1], &draw[..i + 1]))
            .collect();
        factor.whiten(&mut mixed);
        for (got, want) in mixed.iter().zip(&draw) {
            prop_assert!((got - want).abs() < 1e-8);
        }
    }

    #[test]
    fn no_values_however_odd_make_a_kernel_panic(
        values in proptest::collection::vec(odd_value(), 0..80), p in -0.5..1.5, m in 0_usize..5,
    ) {
        call_every_kernel(&values, p, m);
    }
}

fn odd_value() -> impl Strategy<Value = f64> {
    prop_oneof![
        Just(f64::NAN),
        Just(f64::INFINITY),
        Just(f64::NEG_INFINITY),
        Just(f64::MAX),
        Just(-f64::MAX),
        Just(f64::MIN_POSITIVE),
        Just(0.0),
        Just(-0.0),
        Just(1.0),
        -1e3..1e3,
    ]
}

fn call_every_kernel(values: &[f64], p: f64, m: usize) {
    let labels: Vec<bool> = values.iter().map(|v| *v > 0.0).collect();
    let mut scratch = Vec::new();
    stats::median(values);
    stats::mad(values);
    stats::variance(values);
    stats::root_mean_square(values);
    stats::qn(values);
    stats::sn(values);
    stats::medcouple(values);
    stats::huber_location(values, 1.5);
    stats::quantile_with(values, p, &mut scratch);
    stats::weighted_quantile(values, values, p);
    stats::step_noise(values, Some(p));
    stats::step_noise(values, None);
    stats::absolute_steps(values, &mut scratch);
    scratch.sort_unstable_by(f64::total_cmp);
    stats::resolution_of_steps(&scratch, 1e3);
    stats::allan_deviation(values, m);
    stats::overlapping_allan_deviation(values, m);
    stats::autocorrelation(values, m);
    stats::theil_sen(values, values, p);
    stats::mann_kendall(values);
    stats::seasonal_kendall(values, m);
    stats::level_break(values, m);
    stats::ewma(values, p, 0.0);
    stats::cusum(values, p, 1.0);
    stats::average_precision(&labels, values);
    stats::roc_auc(&labels, values);
    stats::precision_at_k(&labels, values, m);
    stats::platt(values, &labels);
    stats::isotonic_curve(values, &labels);
    stats::reliability(values, &labels, m);
    stats::expected_calibration_error(values, &labels, m);
    stats::brier(values, &labels);
    stats::log_loss(values, &labels);
    stats::kaplan_meier(values, &labels);
    stats::benjamini_hochberg(values);
    stats::conformal_p(values, p);
    stats::spearman(values, values);
    stats::log_sum_exp(values);
    stats::least_squares(values, values, 1);
    stats::huber_ridge(values, values, 1, 1.3, &[]);
    stats::bootstrap_interval(values.len(), 9, p, 1, |units| units.len() as f64);
    stats::Cholesky::new(values, m);
    stats::halton_scrambled(m, 40, 1);
    for &x in values {
        distribution_functions(x, p);
    }
}

fn distribution_functions(x: f64, p: f64) {
    stats::normal_cdf(x);
    stats::ln_normal_cdf(x);
    stats::normal_quantile(x);
    stats::student_t_cdf(x, p);
    stats::student_t_cdf(p, x);
    stats::student_t_quantile(p, x);
    stats::chi_square_cdf(x, p);
    stats::chi_square_cdf(p, x);
    stats::beta_quantile(p, x, x);
    stats::inverse_gaussian_cdf(x, p, p);
    stats::inverse_gaussian_cdf(p, x, x);
    stats::equal_neighbour_share(x, p);
    stats::student_t4_log_ratio(x);
    stats::from_log_odds(x);
    stats::radical_inverse(p.to_bits(), 3);
}
