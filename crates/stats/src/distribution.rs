//! Distribution functions.
//!
//! Why:    statrs supplies the incomplete beta and gamma functions, libm the error function:
//!         the one of statrs 0.19 is off by 1e-10 between 0.5 and 0.75. Quantiles are solved
//!         here on the distribution functions and inherit their accuracy (held against scipy
//!         in the oracle tests).
//! Out:    NaN for arguments outside the domain; nothing here panics.

use std::f64::consts::{FRAC_1_SQRT_2, PI, SQRT_2};

use statrs::function::{beta, erf as erf_functions, gamma};

/// Error function.
pub fn erf(x: f64) -> f64 {
    libm::erf(x)
}

/// Complementary error function, accurate far out.
pub fn erfc(x: f64) -> f64 {
    libm::erfc(x)
}

/// Density of the standard normal.
pub fn normal_pdf(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * PI).sqrt()
}

/// Distribution function of the standard normal.
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * erfc(-z * FRAC_1_SQRT_2)
}

/// Logarithm of [`normal_cdf`], also where that is too small for an f64.
pub fn ln_normal_cdf(z: f64) -> f64 {
    if z > -30.0 {
        return normal_cdf(z).ln();
    }
    // Mills ratio by its asymptotic series; at z = -30 the next term is below 1e-13.
    let square = 1.0 / (z * z);
    let series = 1.0 - square * (1.0 - 3.0 * square * (1.0 - 5.0 * square * (1.0 - 7.0 * square)));
    -0.5 * z * z - 0.5 * (2.0 * PI).ln() - (-z).ln() + series.ln()
}

/// Chance of a standard normal farther from zero than `z`, either side.
pub fn normal_two_sided_p(z: f64) -> f64 {
    erfc(z.abs() * FRAC_1_SQRT_2)
}

/// Quantile of the standard normal; infinite at 0 and 1.
pub fn normal_quantile(p: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    if p == 0.0 || p == 1.0 {
        return if p == 0.0 { f64::NEG_INFINITY } else { f64::INFINITY };
    }
    // One Newton step on the smaller tail takes statrs' inverse to full precision.
    let tail = p.min(1.0 - p);
    let start = -SQRT_2 * erf_functions::erfc_inv(2.0 * tail);
    let polished = start - (normal_cdf(start) - tail) / normal_pdf(start);
    let z = if polished.is_finite() { polished } else { start };
    if p <= 0.5 { z } else { -z }
}

/// Distribution function of Student's t with `nu` degrees of freedom.
pub fn student_t_cdf(t: f64, nu: f64) -> f64 {
    if t.is_nan() || nu.is_nan() || nu <= 0.0 {
        return f64::NAN;
    }
    let tail = 0.5 * regularized_beta(nu / 2.0, 0.5, nu / (nu + t * t));
    if t > 0.0 { 1.0 - tail } else { tail }
}

/// Quantile of Student's t with `nu` degrees of freedom.
pub fn student_t_quantile(p: f64, nu: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) || nu.is_nan() || nu <= 0.0 {
        return f64::NAN;
    }
    let tail = p.min(1.0 - p);
    if tail == 0.0 {
        return if p < 0.5 { f64::NEG_INFINITY } else { f64::INFINITY };
    }
    let mut reach = 1.0;
    while student_t_cdf(-reach, nu) > tail && reach < 1e300 {
        reach *= 2.0;
    }
    let near = if reach > 1.0 { -reach / 2.0 } else { 0.0 };
    let t = solve_rising(|t| student_t_cdf(t, nu) - tail, -reach, near);
    if p <= 0.5 { t } else { -t }
}

/// Distribution function of chi-square with `nu` degrees of freedom.
pub fn chi_square_cdf(x: f64, nu: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    gamma::checked_gamma_lr(nu / 2.0, x / 2.0).unwrap_or(f64::NAN)
}

/// Regularised incomplete beta function: the distribution function of the beta distribution.
pub fn regularized_beta(a: f64, b: f64, x: f64) -> f64 {
    beta::checked_beta_reg(a, b, x.clamp(0.0, 1.0)).unwrap_or(f64::NAN)
}

/// Quantile of the beta distribution.
pub fn beta_quantile(p: f64, a: f64, b: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) || a.is_nan() || b.is_nan() || a <= 0.0 || b <= 0.0 {
        return f64::NAN;
    }
    solve_rising(|x| regularized_beta(a, b, x) - p, 0.0, 1.0)
}

/// Distribution function of the inverse Gaussian: when a drifting random walk first reaches a
/// limit. `mean` and `shape` are positive.
pub fn inverse_gaussian_cdf(x: f64, mean: f64, shape: f64) -> f64 {
    if x.is_nan() || mean.is_nan() || shape.is_nan() || mean <= 0.0 || shape <= 0.0 {
        return f64::NAN;
    }
    if x <= 0.0 {
        return 0.0;
    }
    let root = (shape / x).sqrt();
    let reached = normal_cdf(root * (x / mean - 1.0));
    let mirrored = (2.0 * shape / mean + ln_normal_cdf(-root * (x / mean + 1.0))).exp();
    (reached + mirrored).clamp(0.0, 1.0)
}

/// Zero of a rising function between `low` and `high`, by halving down to neighbouring numbers;
/// a root nearer to 0 than 1e-60 of the interval is not resolved.
fn solve_rising(f: impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    for _ in 0..200 {
        let middle = f64::midpoint(low, high);
        if middle <= low || middle >= high {
            break;
        }
        if f(middle) < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_normal_quantile_undoes_the_distribution_function() {
        for z in [-7.0, -2.5, -0.1, 0.0, 0.3, 1.96, 5.0] {
            assert!((normal_quantile(normal_cdf(z)) - z).abs() < 1e-9, "{z}");
        }
    }

    #[test]
    fn the_two_branches_of_the_log_tail_meet() {
        assert!((ln_normal_cdf(-30.0 - 1e-9) - ln_normal_cdf(-30.0 + 1e-9)).abs() < 1e-6);
        assert!(ln_normal_cdf(-1e6).is_finite());
    }

    #[test]
    fn arguments_outside_the_domain_give_nan() {
        assert!(normal_quantile(1.1).is_nan());
        assert!(student_t_quantile(0.5, 0.0).is_nan());
        assert!(beta_quantile(0.5, -1.0, 1.0).is_nan());
        assert!(inverse_gaussian_cdf(1.0, 0.0, 1.0).is_nan());
        assert!(normal_cdf(f64::NAN).is_nan());
    }

    #[test]
    fn a_long_way_to_the_limit_is_still_a_probability() {
        assert!((0.0..=1.0).contains(&inverse_gaussian_cdf(1.0, 1e-3, 1e3)));
    }
}
