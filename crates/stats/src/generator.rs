//! A small named generator: the same draws on every machine and in every release.
//!
//! Method: xoshiro256** (Blackman & Vigna 2021, ACM Trans. Math. Softw. 47, 36), its state
//!         filled by SplitMix64 (Steele, Lea & Flood 2014) from a 64-bit seed. Both are public
//!         domain; the oracle tests hold them against the crate `rand_xoshiro`.

/// SplitMix64: turns any seed into well-mixed words.
#[derive(Clone, Debug)]
pub struct SplitMix64 {
    state: u64,
}

impl SplitMix64 {
    /// A generator that starts at `seed`.
    pub fn seeded(seed: u64) -> SplitMix64 {
        SplitMix64 { state: seed }
    }

    /// The next word.
    pub fn next_word(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
}

/// xoshiro256**, for everything random in this program.
#[derive(Clone, Debug)]
pub struct Xoshiro256 {
    state: [u64; 4],
}

impl Xoshiro256 {
    /// A generator whose state SplitMix64 fills from `seed`.
    pub fn seeded(seed: u64) -> Xoshiro256 {
        let mut words = SplitMix64::seeded(seed);
        Xoshiro256 { state: std::array::from_fn(|_| words.next_word()) }
    }

    /// The next word.
    pub fn next_word(&mut self) -> u64 {
        let state = &mut self.state;
        let word = state[1].wrapping_mul(5).rotate_left(7).wrapping_mul(9);
        let shifted = state[1] << 17;
        state[2] ^= state[0];
        state[3] ^= state[1];
        state[1] ^= state[2];
        state[0] ^= state[3];
        state[2] ^= shifted;
        state[3] = state[3].rotate_left(45);
        word
    }

    /// Uniform in 0 <= u < 1, from the upper 53 bits.
    pub fn uniform(&mut self) -> f64 {
        (self.next_word() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Uniform among 0..n without bias; 0 for n = 0.
    pub fn below(&mut self, n: usize) -> usize {
        let n = n as u64;
        if n < 2 {
            return 0;
        }
        // Words beyond the last whole multiple of n would favour the small numbers.
        let limit = u64::MAX - u64::MAX % n;
        loop {
            let word = self.next_word();
            if word < limit {
                return (word % n) as usize;
            }
        }
    }

    /// Standard normal, by Marsaglia's polar method.
    pub fn normal(&mut self) -> f64 {
        loop {
            let (x, y) = (2.0 * self.uniform() - 1.0, 2.0 * self.uniform() - 1.0);
            let square = x * x + y * y;
            if square > 0.0 && square < 1.0 {
                return x * (-2.0 * square.ln() / square).sqrt();
            }
        }
    }

    /// Puts a slice into random order (Fisher and Yates).
    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for i in (1..items.len()).rev() {
            items.swap(i, self.below(i + 1));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_seed_gives_one_sequence() {
        let draw = |seed| {
            let mut generator = Xoshiro256::seeded(seed);
            (0..8).map(|_| generator.next_word()).collect::<Vec<_>>()
        };
        assert_eq!(draw(5), draw(5));
        assert_ne!(draw(5), draw(6));
    }

    #[test]
    fn uniform_draws_fill_their_interval_evenly() {
        let mut generator = Xoshiro256::seeded(1);
        let mut counts = [0_usize; 7];
        for _ in 0..70_000 {
            counts[generator.below(7)] += 1;
            assert!((0.0..1.0).contains(&generator.uniform()));
        }
        // Five standard deviations of a binomial count.
        assert!(counts.iter().all(|&n| n.abs_diff(10_000) < 465), "{counts:?}");
        assert_eq!(generator.below(0), 0);
    }

    #[test]
    fn a_shuffle_loses_nothing() {
        let mut items: Vec<usize> = (0..50).collect();
        Xoshiro256::seeded(2).shuffle(&mut items);
        assert_ne!(items, (0..50).collect::<Vec<_>>());
        items.sort_unstable();
        assert_eq!(items, (0..50).collect::<Vec<_>>());
    }
}
