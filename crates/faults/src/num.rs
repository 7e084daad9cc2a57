//! Small numerics that the verdict needs in a form of its own: a Cholesky factor that always
//! exists, and a generator for tests.

#[cfg(test)]
/// One step of the splitmix64 generator (Steele, Lea & Flood 2014).
pub(crate) fn splitmix64(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// Lower Cholesky factor of a symmetric positive definite row-major matrix, in place; the upper
/// triangle is left as it was. A pivot that rounding made non-positive is raised to `tiny` of
/// its diagonal, so the factor always exists.
pub(crate) fn cholesky(a: &mut [f64], n: usize) {
    const TINY: f64 = 1e-13;
    for j in 0..n {
        let mut pivot = a[j * n + j];
        let diagonal = pivot.abs().max(f64::MIN_POSITIVE);
        for k in 0..j {
            pivot -= a[j * n + k] * a[j * n + k];
        }
        let pivot = pivot.max(TINY * diagonal).sqrt();
        a[j * n + j] = pivot;
        for i in j + 1..n {
            let mut sum = a[i * n + j];
            for k in 0..j {
                sum -= a[i * n + k] * a[j * n + k];
            }
            a[i * n + j] = sum / pivot;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_factor_exists_even_where_rounding_lost_the_last_direction() {
        let mut a = vec![1.0, 1.0, 1.0, 1.0 - 1e-17];
        cholesky(&mut a, 2);
        assert!(a.iter().all(|x| x.is_finite()) && a[3] > 0.0);
        let mut b = vec![4.0, 0.0, 2.0, 5.0];
        cholesky(&mut b, 2);
        assert_eq!((b[0], b[2], b[3]), (2.0, 1.0, 2.0));
    }
}
