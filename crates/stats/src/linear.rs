//! Dense symmetric positive definite systems on row-major slices.
//!
//! In:     an n x n matrix as n * n numbers, row after row; only the lower triangle is read.
//! Out:    the lower Cholesky factor; `None` when the matrix is not positive definite.
//! Cost:   n^3 / 3 multiplications for a factor, n^2 / 2 for a triangular solve.
//! Source: Golub & Van Loan, Matrix Computations, ch. 4 (from memory).

/// Lower Cholesky factor of a symmetric positive definite matrix.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Cholesky {
    factor: Vec<f64>,
    n: usize,
}

impl Cholesky {
    /// Factor of `matrix`; `None` when it is not positive definite.
    pub fn new(matrix: &[f64], n: usize) -> Option<Cholesky> {
        let mut fresh = Cholesky::default();
        fresh.refactor(matrix, n).then_some(fresh)
    }

    /// Factors another matrix in the same memory; `false` leaves the factor unusable.
    pub fn refactor(&mut self, matrix: &[f64], n: usize) -> bool {
        self.factor.clear();
        self.factor.extend_from_slice(matrix);
        self.n = n;
        cholesky_in_place(&mut self.factor, n)
    }

    /// Rows of the matrix.
    pub fn n(&self) -> usize {
        self.n
    }

    /// The factor, row-major; the upper triangle still holds the matrix.
    pub fn factor(&self) -> &[f64] {
        &self.factor
    }

    /// Logarithm of the matrix' determinant.
    pub fn log_det(&self) -> f64 {
        cholesky_log_det(&self.factor, self.n)
    }

    /// Turns `b` into `L^-1 b`: what was correlated becomes independent with variance 1.
    pub fn whiten(&self, b: &mut [f64]) {
        solve_lower(&self.factor, self.n, b);
    }

    /// Turns `b` into `A^-1 b`.
    pub fn solve(&self, b: &mut [f64]) {
        solve_lower(&self.factor, self.n, b);
        solve_lower_transposed(&self.factor, self.n, b);
    }

    /// The inverse matrix, row-major.
    pub fn inverse(&self) -> Vec<f64> {
        let n = self.n;
        let mut inverse = vec![0.0; n * n];
        for (i, row) in inverse.chunks_exact_mut(n.max(1)).enumerate() {
            row[i] = 1.0;
            self.solve(row);
        }
        inverse
    }
}

/// Replaces the lower triangle of `matrix` by its Cholesky factor; `false` if there is none.
pub fn cholesky_in_place(matrix: &mut [f64], n: usize) -> bool {
    if matrix.len() != n * n {
        return false;
    }
    for i in 0..n {
        let (above, from_i) = matrix.split_at_mut(i * n);
        let row = &mut from_i[..n];
        for j in 0..i {
            let pivot_row = &above[j * n..j * n + j + 1];
            row[j] = (row[j] - dot(&row[..j], &pivot_row[..j])) / pivot_row[j];
        }
        let pivot = row[i] - dot(&row[..i], &row[..i]);
        if pivot.is_nan() || pivot <= 0.0 {
            return false;
        }
        row[i] = pivot.sqrt();
    }
    true
}

/// Log-determinant of the matrix behind a Cholesky factor.
pub fn cholesky_log_det(factor: &[f64], n: usize) -> f64 {
    2.0 * (0..n).map(|i| factor[i * n + i].ln()).sum::<f64>()
}

/// Solves `L x = b` in place.
pub fn solve_lower(factor: &[f64], n: usize, b: &mut [f64]) {
    for i in 0..n {
        let row = &factor[i * n..i * n + i + 1];
        b[i] = (b[i] - dot(&row[..i], &b[..i])) / row[i];
    }
}

/// Solves `L' x = b` in place.
pub fn solve_lower_transposed(factor: &[f64], n: usize, b: &mut [f64]) {
    for i in (0..n).rev() {
        let row = &factor[i * n..i * n + i + 1];
        b[i] /= row[i];
        let known = b[i];
        for (open, &entry) in b[..i].iter_mut().zip(row) {
            *open -= entry * known;
        }
    }
}

/// Sum of products in four interleaved sums: faster than one chain, and always the same order.
pub fn dot(a: &[f64], b: &[f64]) -> f64 {
    let n = a.len().min(b.len());
    let (a, b) = (&a[..n], &b[..n]);
    let mut sums = [0.0_f64; 4];
    let (head_a, head_b) = (a.chunks_exact(4), b.chunks_exact(4));
    let (rest_a, rest_b) = (head_a.remainder(), head_b.remainder());
    for (x, y) in head_a.zip(head_b) {
        for (sum, (a, b)) in sums.iter_mut().zip(x.iter().zip(y)) {
            *sum += a * b;
        }
    }
    let rest: f64 = rest_a.iter().zip(rest_b).map(|(x, y)| x * y).sum();
    (sums[0] + sums[1]) + (sums[2] + sums[3]) + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    const MATRIX: [f64; 9] = [4.0, 2.0, 0.6, 2.0, 5.0, 1.0, 0.6, 1.0, 3.0];

    #[test]
    fn solving_undoes_multiplying() {
        let x = [1.0, -2.0, 0.5];
        let mut b: Vec<f64> = MATRIX.chunks_exact(3).map(|row| dot(row, &x)).collect();
        Cholesky::new(&MATRIX, 3).expect("positive definite").solve(&mut b);
        for (got, want) in b.iter().zip(x) {
            assert!((got - want).abs() < 1e-14);
        }
    }

    #[test]
    fn the_inverse_times_the_matrix_is_one() {
        let inverse = Cholesky::new(&MATRIX, 3).expect("positive definite").inverse();
        for i in 0..3 {
            for j in 0..3 {
                let entry: f64 = (0..3).map(|k| MATRIX[i * 3 + k] * inverse[k * 3 + j]).sum();
                assert!((entry - f64::from(u8::from(i == j))).abs() < 1e-14);
            }
        }
    }

    #[test]
    fn a_matrix_that_is_not_positive_definite_has_no_factor() {
        assert_eq!(Cholesky::new(&[1.0, 2.0, 2.0, 1.0], 2), None);
        assert_eq!(Cholesky::new(&[f64::NAN], 1), None);
        assert_eq!(Cholesky::new(&[1.0, 2.0], 2), None);
        assert!(Cholesky::new(&[], 0).is_some());
    }
}
