//! Halton points: draws that fill the cube evenly, plain or scrambled.
//!
//! Why:    a fixed set of a thousand such draws estimates an average as well as some ten
//!         thousand random ones, and every meter can share it.
//! Method: coordinate d of point i is the radical inverse of i in the d-th prime base. The
//!         scramble is our own: for every base and every digit place a random permutation of
//!         the digits (Fisher and Yates, xoshiro256**, seeded), applied to all places down to
//!         2^-53, the unending zeros of i included. Every digit place is only relabelled, so
//!         any b^k points in a row still fall one into each interval of length b^-k.
//! Source: Halton (1960), Numer. Math. 2, 84; random digit permutations: Owen (2017),
//!         arXiv:1706.02808.

use crate::generator::Xoshiro256;

/// Bases of the coordinates.
const PRIMES: [u32; 32] = [
    2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71, 73, 79, 83, 89, 97,
    101, 103, 107, 109, 113, 127, 131,
];

/// Most coordinates a point can have.
pub const MAX_HALTON_DIMENSIONS: usize = PRIMES.len();

/// Radical inverse: the digits of `index` in `base`, mirrored at the point.
pub fn radical_inverse(mut index: u64, base: u32) -> f64 {
    let base = u64::from(base);
    let (mut digits, mut scale) = (0.0, 1.0);
    while index > 0 {
        scale /= base as f64;
        digits += (index % base) as f64 * scale;
        index /= base;
    }
    digits
}

/// `n` points from index 0, row-major n x `dimensions`; plain.
///
/// At most [`MAX_HALTON_DIMENSIONS`] coordinates; more are cut off.
pub fn halton(n: usize, dimensions: usize) -> Vec<f64> {
    let bases = &PRIMES[..dimensions.min(MAX_HALTON_DIMENSIONS)];
    (0..n as u64).flat_map(|i| bases.iter().map(move |&base| radical_inverse(i, base))).collect()
}

/// `n` points from index 0, row-major n x `dimensions`; scrambled by `seed`, never 0 or 1.
///
/// Coordinate d depends on `seed` and d alone, so asking for more coordinates changes none.
pub fn halton_scrambled(n: usize, dimensions: usize, seed: u64) -> Vec<f64> {
    let dimensions = dimensions.min(MAX_HALTON_DIMENSIONS);
    let mut points = vec![0.0; n * dimensions];
    for (d, &base) in PRIMES[..dimensions].iter().enumerate() {
        let scramble = Scramble::new(base, seed.wrapping_add((d as u64) << 32));
        for i in 0..n {
            points[i * dimensions + d] = scramble.point(i as u64);
        }
    }
    points
}

/// One permutation of the digits per digit place.
struct Scramble {
    base: usize,
    /// Permutation of place k at `k * base..`.
    places: Vec<u32>,
}

impl Scramble {
    fn new(base: u32, seed: u64) -> Scramble {
        let mut generator = Xoshiro256::seeded(seed);
        let n_places = (53.0 / f64::from(base).log2()).ceil() as usize;
        let mut places = Vec::with_capacity(n_places * base as usize);
        for _ in 0..n_places {
            let mut digits: Vec<u32> = (0..base).collect();
            generator.shuffle(&mut digits);
            places.extend(digits);
        }
        Scramble { base: base as usize, places }
    }

    fn point(&self, mut index: u64) -> f64 {
        let (mut point, mut scale) = (0.0, 1.0);
        for permutation in self.places.chunks_exact(self.base) {
            let digit = (index % self.base as u64) as usize;
            index /= self.base as u64;
            scale /= self.base as f64;
            point += f64::from(permutation[digit]) * scale;
        }
        // Quantiles of 0 and 1 are infinite.
        point.clamp(f64::EPSILON / 4.0, 1.0 - f64::EPSILON / 2.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_projection_of_a_scramble_stays_even() {
        for (d, &base) in PRIMES[..6].iter().enumerate() {
            let n = (base as usize).pow(if base < 4 { 6 } else { 2 });
            let points = halton_scrambled(n, 6, 99);
            let mut cells = vec![0_usize; n];
            for i in 0..n {
                cells[(points[i * 6 + d] * n as f64) as usize] += 1;
            }
            assert!(cells.iter().all(|&count| count == 1), "base {base}");
        }
    }

    #[test]
    fn a_seed_names_a_scramble_and_more_coordinates_change_none() {
        assert_eq!(halton_scrambled(40, 3, 7), halton_scrambled(40, 3, 7));
        assert_ne!(halton_scrambled(40, 3, 7), halton_scrambled(40, 3, 8));
        let (few, many) = (halton_scrambled(10, 2, 7), halton_scrambled(10, 5, 7));
        for i in 0..10 {
            assert_eq!(few[2 * i..2 * i + 2], many[5 * i..5 * i + 2]);
        }
    }

    #[test]
    fn no_scrambled_coordinate_is_zero_or_one() {
        let points = halton_scrambled(5000, 8, 3);
        assert!(points.iter().all(|&u| u > 0.0 && u < 1.0));
    }
}
