//! Gaussian likelihoods, Student's t, sums of logarithms.

use metersift_stats::{self as stats, Cholesky};

use crate::{assert_close, column, number, rows};

const TIME: [f64; 8] = [0.0, 5.0, 10.0, 15.0, 20.0, 30.0, 35.0, 45.0];
const VALUE: [f64; 8] = [0.1, -0.2, 0.35, 0.5, 0.1, -0.4, -0.1, 0.3];

/// s^2 (I + r exp(-dt/tau)) or s^2 (I + r min(t, t')/tau) with s^2 = 0.04.
fn covariance(kind: &str, r: f64, tau: f64) -> Cholesky {
    let mut matrix = Vec::with_capacity(64);
    for (i, a) in TIME.iter().enumerate() {
        for (j, b) in TIME.iter().enumerate() {
            let shared = match kind {
                "memory" => (-(a - b).abs() / tau).exp(),
                _ => a.min(*b) / tau,
            };
            matrix.push(0.04 * (f64::from(u8::from(i == j)) + r * shared));
        }
    }
    Cholesky::new(&matrix, 8).expect("positive definite")
}

/// Source: scipy 1.17.1 `multivariate_normal` and a hand-written Kalman recursion agree to
/// 1e-14, computed. Tolerance: 1e-13, an 8 x 8 factor.
#[test]
fn one_density_in_correlated_noise_to_its_parts() {
    let memory = covariance("memory", 0.5, 15.0);
    assert_close(memory.log_det(), -22.94177840014097, 1e-14, "log det");
    let mut whitened = Vec::new();
    let density = stats::gaussian_log_density_with(&VALUE, &memory, &mut whitened);
    assert_close(density, -2.330202186809608, 1e-13, "log density");
    assert_close(stats::dot(&whitened, &whitened), 12.899166242485418, 1e-13, "quadratic form");
    let walk = covariance("walk", 1.0, 60.0);
    assert!(stats::gaussian_log_density(&VALUE, &walk).is_finite());
    let walk = covariance("walk", 0.5, 60.0);
    assert_close(stats::gaussian_log_density(&VALUE, &walk), -3.1000829380106083, 1e-13, "walk");
}

/// Source: generalised least squares by hand and with numpy, computed. Tolerance: 1e-13.
/// Identity: the gain (a/se)^2 / 2 is the difference of the log densities without and with the
/// shape taken off.
#[test]
fn the_gain_of_a_shape_is_a_difference_of_log_densities() {
    let memory = covariance("memory", 0.5, 15.0);
    let shape = TIME.map(|t| t / 45.0);
    let (mut y, mut g) = (VALUE.to_vec(), shape.to_vec());
    memory.whiten(&mut y);
    memory.whiten(&mut g);
    let fit = stats::shape_fit(&y, &g).expect("a shape");
    assert_close(fit.amplitude, 0.0972998668844171, 1e-13, "amplitude");
    assert_close(fit.standard_error, 0.19036302489193307, 1e-13, "standard error");
    assert_close(fit.gain, 0.13062590195457, 1e-12, "gain");
    let left: Vec<f64> = VALUE.iter().zip(shape).map(|(y, g)| y - fit.amplitude * g).collect();
    let with = stats::gaussian_log_density(&left, &memory);
    let without = stats::gaussian_log_density(&VALUE, &memory);
    assert_close(with - without, fit.gain, 1e-12, "identity");
}

/// Source: `likelihoods.py`, scipy 1.17.1, twelve covariances. Tolerance: 1e-12; the script
/// inverts its matrix, we do not.
#[test]
fn twelve_covariances_agree_with_scipy() {
    let mut checked = 0;
    for row in rows("likelihoods.csv") {
        let factor = covariance(&row[0], number(&row[1]), number(&row[2]));
        let (mut y, mut g) = (VALUE.to_vec(), TIME.map(|t| t / 45.0).to_vec());
        factor.whiten(&mut y);
        factor.whiten(&mut g);
        let fit = stats::shape_fit(&y, &g).expect("a shape");
        let density = stats::whitened_log_density(&y, factor.log_det());
        let got = match row[3].as_str() {
            "log_density" => density,
            "log_det" => factor.log_det(),
            "amplitude" => fit.amplitude,
            "standard_error" => fit.standard_error,
            _ => density + fit.gain,
        };
        assert_close(got, number(&row[4]), 1e-12, &row.join(" "));
        checked += 1;
    }
    assert_eq!(checked, 60);
}

/// Source: local level model of Nile (Durbin & Koopman 2001, ch. 2): published log likelihood
/// -632.54 at variances 15099 and 1469.1 (from memory); statsmodels 0.15.0 gives
/// -633.4645636488787 with exact diffuse start, which counts one (1/2) ln 2 pi more (computed).
/// The diffuse likelihood is the density of the 99 differences, so it checks a 99 x 99 factor.
/// Tolerance: 1e-12.
#[test]
fn the_differences_of_nile_have_the_published_diffuse_likelihood() {
    let nile = column("nile.csv");
    let differences: Vec<f64> = nile.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let n = differences.len();
    let (noise, level) = (15099.0, 1469.1);
    let entry = |e: usize| match (e / n).abs_diff(e % n) {
        0 => level + 2.0 * noise,
        1 => -noise,
        _ => 0.0,
    };
    let matrix: Vec<f64> = (0..n * n).map(entry).collect();
    let factor = Cholesky::new(&matrix, n).expect("positive definite");
    let got = stats::gaussian_log_density(&differences, &factor);
    let half_ln_two_pi = 0.5 * (2.0 * std::f64::consts::PI).ln();
    assert_close(got, -633.4645636488787 + half_ln_two_pi, 1e-12, "statsmodels");
    assert!((got + 632.54).abs() < 0.01, "published: {got}");
}

/// Source: scipy 1.17.1, computed. Tolerance: 1e-15 (closed formulas); log-sum-exp 2 ulp.
#[test]
fn student_t_with_four_degrees_and_sums_of_logarithms() {
    let densities = [
        (0.0, -0.9808292530117262),
        (1.0, -1.5386881312972505),
        (3.0, -3.9274667438658417),
        (10.0, -9.126070598065432),
    ];
    for (z, want) in densities {
        assert_close(stats::student_t4_log_density(z), want, 1e-15, "density");
        assert_close(stats::student_t4_log_density(-z), want, 1e-15, "density");
    }
    let ratios =
        [(1.0, -0.5578588782855243), (3.0, -2.9466374908541155), (10.0, -8.145241345053705)];
    for (z, want) in ratios {
        assert_close(stats::student_t4_log_ratio(z), want, 1e-15, "ratio");
    }
    assert_close(stats::log_sum_exp(&[1000.0, 1000.0]), 1000.6931471805599, 3e-16, "large");
    let small = stats::log_sum_exp(&[-1000.0, -1001.0, -1002.0]);
    assert_close(small, -999.5923940355556, 3e-16, "small");
}
