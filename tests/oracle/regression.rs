//! Least squares, generalised and robust.

use metersift_stats as stats;

use crate::{assert_close, assert_within, number, numbers, rows};

/// Design with a constant first, and the first column of the file as values.
fn with_constant(name: &str) -> (Vec<f64>, Vec<f64>, usize) {
    let rows = numbers(name);
    let y = rows.iter().map(|row| row[0]).collect();
    let x = rows.iter().flat_map(|row| std::iter::once(1.0).chain(row[1..].to_vec())).collect();
    (x, y, rows[0].len())
}

/// Source: NIST StRD Norris, certified, seen in the data file of the scipy wheel.
/// Tolerance: 1e-12 relative, what statsmodels 0.15.0 reaches on the slope.
#[test]
fn norris_reaches_its_certified_digits() {
    let (x, y, p) = with_constant("norris.csv");
    let fit = stats::least_squares(&x, &y, p).expect("36 rows");
    assert_close(fit.coefficients[0], -0.262323073774029, 1e-12, "B0");
    assert_close(fit.coefficients[1], 1.00211681802045, 1e-13, "B1");
    assert_close(fit.standard_errors[0], 0.232818234301152, 1e-12, "se B0");
    assert_close(fit.standard_errors[1], 0.429796848199937e-3, 1e-12, "se B1");
    assert_close(fit.residual_sd, 0.884796396144373, 1e-12, "residual sd");
    assert_close(fit.r_squared, 0.999993745883712, 1e-14, "R2");
}

/// Source: NIST StRD Longley, certified, seen in statsmodels' test results.
/// Tolerance: 1e-8, seven digits are asked of a QR solver on this set; normal equations fail it.
#[test]
fn longley_keeps_seven_digits() {
    let (x, y, p) = with_constant("longley.csv");
    let fit = stats::least_squares(&x, &y, p).expect("16 rows");
    let want = [
        -3482258.63459582,
        15.0618722713733,
        -0.358191792925910e-1,
        -2.02022980381683,
        -1.03322686717359,
        -0.511041056535807e-1,
        1829.15146461355,
    ];
    for (j, want) in want.into_iter().enumerate() {
        assert_close(fit.coefficients[j], want, 1e-8, &format!("B{j}"));
    }
    assert_close(fit.residual_sd, 304.854073561965, 1e-10, "residual sd");
    assert_close(fit.r_squared, 0.995479004577296, 1e-12, "R2");
}

/// Source: statsmodels 0.15.0 GLS example on Longley with first-order residual correlation,
/// computed. Tolerance: 1e-6, six digits are what this conditioning leaves.
#[test]
fn generalised_least_squares_by_whitening_agrees_with_statsmodels() {
    let (x, y, p) = with_constant("longley.csv");
    let n = y.len();
    let rho: f64 = -0.3634294908742479;
    let covariance: Vec<f64> =
        (0..n * n).map(|e| rho.powi((e / n).abs_diff(e % n) as i32)).collect();
    let factor = stats::Cholesky::new(&covariance, n).expect("positive definite");
    let mut whitened = vec![0.0; n * p];
    for j in 0..p {
        let mut column: Vec<f64> = (0..n).map(|i| x[i * p + j]).collect();
        factor.whiten(&mut column);
        for (i, value) in column.into_iter().enumerate() {
            whitened[i * p + j] = value;
        }
    }
    let mut values = y;
    factor.whiten(&mut values);
    let fit = stats::least_squares(&whitened, &values, p).expect("16 rows");
    let want = [
        -3797854.9015424307,
        -12.765645439596483,
        -0.0380013249817206,
        -2.186948711073633,
        -1.1517764925886498,
        -0.06805355804546487,
        1993.9529285056033,
    ];
    for (j, want) in want.into_iter().enumerate() {
        assert_close(fit.coefficients[j], want, 1e-6, &format!("B{j}"));
    }
    let errors = [(0, 670688.6993104048), (1, 69.43080733386255), (6, 342.6346275669895)];
    for (j, want) in errors {
        assert_close(fit.standard_errors[j], want, 1e-6, &format!("se B{j}"));
    }
}

/// Source: `stackloss`, Huber k 1.345 with MAD scale: R MASS `rlm` and statsmodels 0.15.0 RLM,
/// computed. Tolerance: 1e-4 relative: the two programs themselves part in the fifth digit by
/// their stopping rules.
#[test]
fn huber_regression_agrees_with_two_programs() {
    let (x, y, p) = with_constant("stackloss.csv");
    let fit = stats::huber_ridge(&x, &y, p, stats::HUBER_BEND, &[]).expect("21 rows");
    let statsmodels = [-41.026498, 0.829384, 0.926066, -0.127847];
    let mass = [-41.026485, 0.829386, 0.926059, -0.127846];
    for ((got, a), b) in fit.coefficients.iter().zip(statsmodels).zip(mass) {
        assert_close(*got, a, 1e-4, "statsmodels");
        assert_close(*got, b, 1e-4, "MASS");
    }
    assert_close(fit.scale, 2.440536, 1e-4, "scale");
    assert!(fit.settled);
}

/// Source: `ridge.py`: penalised normal equations with numpy 2.4.6 (plain), roots of the Huber
/// equations at a scale that stands still with scipy 1.17.1 (huber), MAD of statsmodels 0.15.0.
/// Tolerance: 1e-10 plain (normal equations lose digits), 1e-8 huber (where the script stops).
#[test]
fn ridge_with_and_without_huber_weights_agrees_with_its_equations() {
    let (x, y, p) = with_constant("stackloss.csv");
    let ridge = [0.0, 40.0, 10.0, 25.0];
    let fit = |bend| stats::huber_ridge(&x, &y, p, bend, &ridge).expect("21 rows");
    let (plain, huber) = (fit(f64::INFINITY), fit(stats::HUBER_BEND));
    for row in rows("ridge.csv") {
        let (fit, tolerance) = if row[0] == "plain" { (&plain, 1e-10) } else { (&huber, 1e-8) };
        let j = number(&row[2]) as usize;
        let got = match row[1].as_str() {
            "coefficient" => fit.coefficients[j],
            "variance" => fit.covariance[j * p + j],
            _ => fit.scale,
        };
        assert_close(got, number(&row[3]), tolerance, &row.join(" "));
    }
}

/// Source: statsmodels 0.15.0, least squares of Nile on 0..99, computed.
/// Tolerance: half a unit of the eighth decimal printed.
#[test]
fn nile_on_its_years_agrees_with_statsmodels() {
    let y = crate::column("nile.csv");
    let x: Vec<f64> = (0..y.len()).flat_map(|i| [1.0, i as f64]).collect();
    let fit = stats::least_squares(&x, &y, 2).expect("100 rows");
    assert_within(fit.coefficients[1], -2.71430543, 5e-9, "slope");
    assert_within(fit.standard_errors[1], 0.52155409, 5e-9, "se");
}
