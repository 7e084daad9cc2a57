//! Distribution functions against scipy.

use metersift_stats as stats;

use crate::{assert_close, number, rows};

/// Source: published tables agree with scipy 1.17.1, computed. Tolerance: 4 ulp.
#[test]
fn quantiles_that_everybody_knows() {
    let normal = [
        (0.90, 1.2815515655446004),
        (0.95, 1.6448536269514722),
        (0.975, 1.959963984540054),
        (0.995, 2.5758293035489004),
    ];
    for (p, want) in normal {
        assert_close(stats::normal_quantile(p), want, 9e-16, "normal");
    }
    let student = [
        (1.0, 12.706204736174694),
        (5.0, 2.5705818356363146),
        (10.0, 2.228138851986274),
        (30.0, 2.0422724563012378),
    ];
    for (nu, want) in student {
        assert_close(stats::student_t_quantile(0.975, nu), want, 1e-13, "t");
    }
    assert_close(stats::student_t_cdf(2.0, 4.0), 0.9419417382415922, 1e-14, "t CDF");
}

/// Source: `distributions.py`, scipy 1.17.1, 244 points over eleven functions.
/// Tolerance per function: what libm 0.2 (error function) and statrs 0.19.1 (incomplete beta and
/// gamma) reach on this grid, rounded up to a power of ten. The far normal tail loses z^2 ulp.
/// The error function of statrs itself fails here by 1e-10.
#[test]
fn eleven_functions_agree_with_scipy_on_a_grid() {
    let mut worst = std::collections::BTreeMap::new();
    for row in rows("distributions.csv") {
        let [x, a, b, want] = [1, 2, 3, 4].map(|i| number(&row[i]));
        let (got, tolerance) = match row[0].as_str() {
            "erf" => (stats::erf(x), 1e-15),
            "erfc" => (stats::erfc(x), 1e-15),
            "normal_cdf" => (stats::normal_cdf(x), 1e-13),
            "ln_normal_cdf" => (stats::ln_normal_cdf(x), 1e-13),
            "normal_quantile" => (stats::normal_quantile(x), 1e-15),
            "student_t_cdf" => (stats::student_t_cdf(x, a), 1e-12),
            "student_t_quantile" => (stats::student_t_quantile(x, a), 1e-12),
            "chi_square_cdf" => (stats::chi_square_cdf(x, a), 1e-13),
            "regularized_beta" => (stats::regularized_beta(a, b, x), 1e-12),
            "beta_quantile" => (stats::beta_quantile(x, a, b), 1e-12),
            "inverse_gaussian_cdf" => (stats::inverse_gaussian_cdf(x, a, b), 1e-12),
            other => panic!("{other} is not compared"),
        };
        let apart = if got == want { 0.0 } else { ((got - want) / want).abs() };
        let seen = worst.entry(row[0].clone()).or_insert(0.0_f64);
        *seen = seen.max(apart);
        assert_close(got, want, tolerance, &row.join(" "));
    }
    println!("largest relative distances: {worst:?}");
}
