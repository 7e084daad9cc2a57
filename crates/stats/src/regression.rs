//! Linear regression: least squares by QR, and a ridge with Huber weights.
//!
//! In:     a row-major design of n rows and p columns (a constant column, if wanted, belongs to
//!         the caller) and n values; a row with a gap anywhere is left out.
//! Out:    `None` with fewer rows than columns or when columns depend on one another.
//! Method: columns scaled to length 1, Householder reflections: normal equations lose the
//!         certified digits of badly conditioned sets. Huber weights by iteration, scale =
//!         1.4826.. * median |residual|, ridge as extra rows.
//! Source: Golub & Van Loan, Matrix Computations, ch. 5; Huber (1964), Ann. Math. Stat. 35, 73;
//!         ridge: Hoerl & Kennard (1970), Technometrics 12, 55 (all from memory).

use crate::location::{MAD_TO_SIGMA, mean, median_absolute_with};

/// Bend of Huber's weights in scales: 95 % efficiency for normal data (Huber 1964).
pub const HUBER_BEND: f64 = 1.345;

/// Smallest pivot of a column of length 1 that still counts as independent (our choice).
const INDEPENDENT: f64 = 1e-12;
/// Relative change of the coefficients that ends the iteration.
const SETTLED: f64 = 1e-12;
const MAX_ROUNDS: usize = 500;

/// An ordinary least-squares fit.
#[derive(Clone, Debug, PartialEq)]
pub struct LeastSquares {
    /// One coefficient per column.
    pub coefficients: Vec<f64>,
    /// Standard error per coefficient.
    pub standard_errors: Vec<f64>,
    /// Inverse of X'X, row-major: times the residual variance it is the covariance.
    pub unscaled_covariance: Vec<f64>,
    /// Residual standard deviation with n - p; NaN when n = p.
    pub residual_sd: f64,
    /// Share of the variance about the mean of y that is explained.
    pub r_squared: f64,
    /// Rows that took part.
    pub n: usize,
}

/// Least squares of `y` on `p` columns.
pub fn least_squares(x: &[f64], y: &[f64], p: usize) -> Option<LeastSquares> {
    let (x, y) = complete_rows(x, y, p)?;
    let n = y.len();
    let solved = solve_qr(x, y.clone(), p)?;
    let residual_sd = (solved.residual_squares / (n - p) as f64).sqrt();
    let standard_errors = (0..p).map(|j| residual_sd * solved.inverse[j * p + j].sqrt()).collect();
    let middle = mean(&y);
    let total: f64 = y.iter().map(|value| (value - middle) * (value - middle)).sum();
    Some(LeastSquares {
        coefficients: solved.coefficients,
        standard_errors,
        unscaled_covariance: solved.inverse,
        residual_sd,
        r_squared: 1.0 - solved.residual_squares / total,
        n,
    })
}

/// A robust ridge fit.
#[derive(Clone, Debug, PartialEq)]
pub struct HuberRidge {
    /// One coefficient per column.
    pub coefficients: Vec<f64>,
    /// scale^2 (X'WX + diag(ridge))^-1, row-major.
    pub covariance: Vec<f64>,
    /// 1.4826.. times the median absolute residual.
    pub scale: f64,
    /// Weight per row that took part, 1 inside the bend.
    pub weights: Vec<f64>,
    /// Whether the coefficients stood still.
    pub settled: bool,
}

/// Minimises sum w r^2 + sum ridge[j] b[j]^2 with Huber weights of the given `bend`.
///
/// `ridge` is one number per column, or empty for none: scale^2 / ridge[j] is then the prior
/// variance of b[j]. Rows are not centred here. An infinite `bend` gives plain ridge.
pub fn huber_ridge(x: &[f64], y: &[f64], p: usize, bend: f64, ridge: &[f64]) -> Option<HuberRidge> {
    let (x, y) = if ridge.iter().all(|&lambda| lambda > 0.0) && ridge.len() == p {
        complete_rows_any(x, y, p)?
    } else {
        complete_rows(x, y, p)?
    };
    let mut weights = vec![1.0; y.len()];
    let mut solved = solve_weighted(&x, &y, p, &weights, ridge)?;
    let mut residuals = vec![0.0; y.len()];
    let mut scratch = Vec::new();
    let (mut scale, mut settled) = (0.0, false);
    for _ in 0..MAX_ROUNDS {
        for ((residual, row), value) in residuals.iter_mut().zip(x.chunks_exact(p)).zip(&y) {
            *residual = value - fitted(row, &solved.coefficients);
        }
        scale = MAD_TO_SIGMA * median_absolute_with(&residuals, &mut scratch);
        if settled || scale.is_nan() || scale <= 0.0 {
            break;
        }
        for (weight, residual) in weights.iter_mut().zip(&residuals) {
            *weight = (bend * scale / residual.abs()).min(1.0);
        }
        let next = solve_weighted(&x, &y, p, &weights, ridge)?;
        settled = has_settled(&solved.coefficients, &next.coefficients);
        solved = next;
    }
    let covariance = solved.inverse.iter().map(|entry| scale * scale * entry).collect();
    let coefficients = solved.coefficients;
    Some(HuberRidge { coefficients, covariance, scale, weights, settled: settled || scale == 0.0 })
}

fn fitted(row: &[f64], coefficients: &[f64]) -> f64 {
    row.iter().zip(coefficients).map(|(entry, b)| entry * b).sum()
}

fn has_settled(old: &[f64], new: &[f64]) -> bool {
    let size = new.iter().fold(0.0_f64, |size, b| size.max(b.abs()));
    old.iter().zip(new).all(|(a, b)| (a - b).abs() <= SETTLED * (b.abs() + 1e-3 * size))
}

/// The rows without a gap, at least as many as columns.
fn complete_rows(x: &[f64], y: &[f64], p: usize) -> Option<(Vec<f64>, Vec<f64>)> {
    complete_rows_any(x, y, p).filter(|(_, y)| y.len() >= p)
}

/// The rows without a gap, at least one.
fn complete_rows_any(x: &[f64], y: &[f64], p: usize) -> Option<(Vec<f64>, Vec<f64>)> {
    if p == 0 || x.len() != y.len() * p {
        return None;
    }
    let (mut design, mut values) = (Vec::with_capacity(x.len()), Vec::with_capacity(y.len()));
    for (row, &value) in x.chunks_exact(p).zip(y) {
        if value.is_finite() && row.iter().all(|entry| entry.is_finite()) {
            design.extend_from_slice(row);
            values.push(value);
        }
    }
    (!values.is_empty()).then_some((design, values))
}

fn solve_weighted(
    x: &[f64],
    y: &[f64],
    p: usize,
    weights: &[f64],
    ridge: &[f64],
) -> Option<Solved> {
    let mut design = Vec::with_capacity(x.len() + p * p);
    let mut values = Vec::with_capacity(y.len() + p);
    for ((row, &value), weight) in x.chunks_exact(p).zip(y).zip(weights) {
        let root = weight.sqrt();
        design.extend(row.iter().map(|entry| entry * root));
        values.push(value * root);
    }
    for (j, lambda) in ridge.iter().enumerate().take(p) {
        design.extend((0..p).map(|k| if k == j { lambda.max(0.0).sqrt() } else { 0.0 }));
        values.push(0.0);
    }
    solve_qr(design, values, p)
}

struct Solved {
    coefficients: Vec<f64>,
    /// (X'X)^-1, row-major.
    inverse: Vec<f64>,
    residual_squares: f64,
}

/// Householder QR of the scaled design with the right-hand side carried along.
fn solve_qr(mut x: Vec<f64>, mut y: Vec<f64>, p: usize) -> Option<Solved> {
    let n = y.len();
    if n < p {
        return None;
    }
    let lengths = scale_columns(&mut x, p)?;
    for j in 0..p {
        reflect_column(&mut x, &mut y, p, j)?;
    }
    let residual_squares = y[p..].iter().map(|value| value * value).sum();
    let mut coefficients = y[..p].to_vec();
    solve_upper(&x, p, &mut coefficients);
    let inverse = inverse_of_normal(&x, p, &lengths);
    for (b, length) in coefficients.iter_mut().zip(&lengths) {
        *b /= length;
    }
    Some(Solved { coefficients, inverse, residual_squares })
}

/// Divides every column by its length; `None` if one is zero.
fn scale_columns(x: &mut [f64], p: usize) -> Option<Vec<f64>> {
    let mut lengths = vec![0.0; p];
    for row in x.chunks_exact(p) {
        for (length, entry) in lengths.iter_mut().zip(row) {
            *length += entry * entry;
        }
    }
    for length in &mut lengths {
        *length = f64::sqrt(*length);
        if !(length.is_finite() && *length > 0.0) {
            return None;
        }
    }
    for row in x.chunks_exact_mut(p) {
        for (entry, length) in row.iter_mut().zip(&lengths) {
            *entry /= length;
        }
    }
    Some(lengths)
}

/// Clears column `j` below the diagonal; `None` if nothing of it is left.
fn reflect_column(x: &mut [f64], y: &mut [f64], p: usize, j: usize) -> Option<()> {
    let n = y.len();
    let length = (j..n).map(|i| x[i * p + j] * x[i * p + j]).sum::<f64>().sqrt();
    if length.is_nan() || length <= INDEPENDENT {
        return None;
    }
    let pivot = x[j * p + j];
    let diagonal = if pivot > 0.0 { -length } else { length };
    let mut mirror: Vec<f64> = (j..n).map(|i| x[i * p + j]).collect();
    mirror[0] = pivot - diagonal;
    let half = -diagonal * mirror[0];
    for k in j + 1..p {
        let along: f64 = mirror.iter().zip(j..n).map(|(v, i)| v * x[i * p + k]).sum();
        for (v, i) in mirror.iter().zip(j..n) {
            x[i * p + k] -= along / half * v;
        }
    }
    let along: f64 = mirror.iter().zip(&y[j..]).map(|(v, value)| v * value).sum();
    for (v, value) in mirror.iter().zip(&mut y[j..]) {
        *value -= along / half * v;
    }
    x[j * p + j] = diagonal;
    for i in j + 1..n {
        x[i * p + j] = 0.0;
    }
    Some(())
}

/// Solves `R b = c` with R in the upper triangle of `x`.
fn solve_upper(x: &[f64], p: usize, c: &mut [f64]) {
    for j in (0..p).rev() {
        let known: f64 = (j + 1..p).map(|k| x[j * p + k] * c[k]).sum();
        c[j] = (c[j] - known) / x[j * p + j];
    }
}

/// (X'X)^-1 = R^-1 R^-T with the column scaling taken back.
fn inverse_of_normal(x: &[f64], p: usize, lengths: &[f64]) -> Vec<f64> {
    let mut columns = vec![0.0; p * p];
    for (j, column) in columns.chunks_exact_mut(p).enumerate() {
        column[j] = 1.0;
        solve_upper(x, p, column);
    }
    let mut inverse = vec![0.0; p * p];
    for a in 0..p {
        for b in 0..p {
            let sum: f64 = (0..p).map(|k| columns[k * p + a] * columns[k * p + b]).sum();
            inverse[a * p + b] = sum / (lengths[a] * lengths[b]);
        }
    }
    inverse
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(n: usize) -> (Vec<f64>, Vec<f64>) {
        let x = (0..n).flat_map(|i| [1.0, i as f64]).collect();
        let y = (0..n).map(|i| 2.0 - 0.5 * i as f64).collect();
        (x, y)
    }

    #[test]
    fn a_row_with_a_gap_is_left_out() {
        let (mut x, mut y) = line(6);
        y[1] = f64::NAN;
        x[4] = f64::NAN;
        let fit = least_squares(&x, &y, 2).expect("four rows");
        assert_eq!(fit.n, 4);
        assert!((fit.coefficients[1] + 0.5).abs() < 1e-14);
    }

    #[test]
    fn dependent_columns_have_no_fit() {
        let x = [1.0, 2.0, 1.0, 2.0, 1.0, 2.0];
        assert_eq!(least_squares(&x, &[1.0, 2.0, 3.0], 2), None);
        assert_eq!(least_squares(&[1.0], &[1.0, 2.0], 1), None);
        assert_eq!(least_squares(&[], &[], 2), None);
    }

    #[test]
    fn one_wild_row_does_not_turn_the_line() {
        let (x, mut y) = line(20);
        for (i, value) in y.iter_mut().enumerate() {
            *value += 0.01 * (i as f64 * 1.7).sin();
        }
        y[19] += 100.0;
        let fit = huber_ridge(&x, &y, 2, HUBER_BEND, &[]).expect("a line");
        assert!((fit.coefficients[1] + 0.5).abs() < 2e-3, "{:?}", fit.coefficients);
        assert!(fit.settled && fit.weights[19] < 1e-2);
    }

    #[test]
    fn a_heavy_ridge_leaves_nothing_and_none_changes_nothing() {
        let (x, y) = line(9);
        let heavy = huber_ridge(&x, &y, 2, f64::INFINITY, &[1e12, 1e12]).expect("a fit");
        assert!(heavy.coefficients.iter().all(|b| b.abs() < 1e-6));
        let plain = least_squares(&x, &y, 2).expect("a fit");
        let free = huber_ridge(&x, &y, 2, HUBER_BEND, &[0.0, 0.0]).expect("a fit");
        for (a, b) in free.coefficients.iter().zip(&plain.coefficients) {
            assert!((a - b).abs() < 1e-12);
        }
    }

    #[test]
    fn a_ridge_on_every_column_needs_fewer_rows_than_columns() {
        let fit = huber_ridge(&[1.0, 1.0], &[2.0], 2, f64::INFINITY, &[1.0, 1.0]).expect("a fit");
        assert!((fit.coefficients[0] - 2.0 / 3.0).abs() < 1e-14);
    }
}
