//! Halton points and the generator.

use metersift_stats as stats;
use rand_xoshiro::Xoshiro256StarStar;
use rand_xoshiro::rand_core::{RngCore, SeedableRng};

use crate::assert_close;

/// Source: scipy 1.17.1 `qmc.Halton(scramble=False)`, computed; also by hand.
/// Tolerance: 1 ulp, a sum of a few digits.
#[test]
fn the_first_eight_halton_points_in_three_bases() {
    let want = [
        [0.0, 0.0, 0.0],
        [1.0 / 2.0, 1.0 / 3.0, 1.0 / 5.0],
        [1.0 / 4.0, 2.0 / 3.0, 2.0 / 5.0],
        [3.0 / 4.0, 1.0 / 9.0, 3.0 / 5.0],
        [1.0 / 8.0, 4.0 / 9.0, 4.0 / 5.0],
        [5.0 / 8.0, 7.0 / 9.0, 1.0 / 25.0],
        [3.0 / 8.0, 2.0 / 9.0, 6.0 / 25.0],
        [7.0 / 8.0, 5.0 / 9.0, 11.0 / 25.0],
    ];
    for (got, want) in stats::halton(8, 3).chunks_exact(3).zip(want) {
        for (got, want) in got.iter().zip(want) {
            assert_close(*got, want, 3e-16, "coordinate");
        }
    }
}

/// Centred discrepancy, squared (Hickernell 1998, Math. Comput. 67, 299), as scipy defines it.
fn centred_discrepancy(points: &[f64], dimensions: usize) -> f64 {
    let points: Vec<&[f64]> = points.chunks_exact(dimensions).collect();
    let n = points.len() as f64;
    let off = |x: f64| (x - 0.5).abs();
    let single: f64 = points
        .iter()
        .map(|p| p.iter().map(|&x| 1.0 + 0.5 * off(x) - 0.5 * off(x) * off(x)).product::<f64>())
        .sum();
    let pair = |p: &[f64], q: &[f64]| -> f64 {
        p.iter()
            .zip(q)
            .map(|(&x, &y)| 1.0 + 0.5 * off(x) + 0.5 * off(y) - 0.5 * (x - y).abs())
            .product()
    };
    let double: f64 = points.iter().flat_map(|p| points.iter().map(move |q| pair(p, q))).sum();
    (13.0_f64 / 12.0).powi(dimensions as i32) - 2.0 / n * single + double / (n * n)
}

/// Source: scipy 1.17.1 `qmc.discrepancy(method="CD")` of the first 64 plain points in two
/// dimensions: 0.0007340847364840641, computed. Tolerance: 1e-10, differences of sums near 1.
/// Random points of that number average (13/12)^2 - 1 / 64 of about 0.003 (from memory of the
/// closed form), so a scramble that keeps evenness must stay well below.
#[test]
fn halton_points_have_the_discrepancy_that_scipy_finds() {
    assert_close(
        centred_discrepancy(&stats::halton(64, 2), 2),
        0.0007340847364840641,
        1e-10,
        "plain",
    );
    for seed in 0..20 {
        let scrambled = centred_discrepancy(&stats::halton_scrambled(64, 2, seed), 2);
        assert!(scrambled < 0.002, "seed {seed}: {scrambled}");
    }
}

/// A smooth average in six dimensions, exact 1: product of (1 + (x - 1/2)) over coordinates.
/// 1024 scrambled points must beat the error of random points, sqrt((13/12)^6 - 1) / 32 = 0.025,
/// tenfold on the root mean square of 32 seeds (closed form; the factor is our claim).
#[test]
fn a_thousand_scrambled_points_average_better_than_random_ones() {
    let error = |seed| {
        let points = stats::halton_scrambled(1024, 6, seed);
        let product = |p: &[f64]| p.iter().map(|x| 0.5 + x).product::<f64>();
        points.chunks_exact(6).map(product).sum::<f64>() / 1024.0 - 1.0
    };
    let errors: Vec<f64> = (0..32).map(error).collect();
    let random = ((13.0_f64 / 12.0).powi(6) - 1.0).sqrt() / 32.0;
    let ours = stats::root_mean_square(&errors);
    assert!(10.0 * ours < random, "{ours} against {random}");
}

/// Source: crate rand_xoshiro 0.6, a port of the authors' public-domain C code. Exact.
#[test]
fn the_generator_is_xoshiro256_starstar_filled_by_splitmix64() {
    for seed in [0, 1, 42, u64::MAX] {
        let mut ours = stats::Xoshiro256::seeded(seed);
        let mut theirs = Xoshiro256StarStar::seed_from_u64(seed);
        for _ in 0..100 {
            assert_eq!(ours.next_word(), theirs.next_u64());
        }
    }
}

/// Source: moments of the standard normal. Tolerance: four standard errors at 200,000 draws
/// (0.0022 for the mean, 0.0032 for the variance, 0.022 for the fourth moment).
#[test]
fn normal_draws_have_normal_moments() {
    let mut generator = stats::Xoshiro256::seeded(11);
    let draws: Vec<f64> = (0..200_000).map(|_| generator.normal()).collect();
    assert!(stats::mean(&draws).abs() < 0.009);
    assert!((stats::variance(&draws) - 1.0).abs() < 0.013);
    let fourth = stats::mean(&draws.iter().map(|z| z.powi(4)).collect::<Vec<_>>());
    assert!((fourth - 3.0).abs() < 0.09, "{fourth}");
}
