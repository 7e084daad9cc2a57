//! Noise for the benchmarks of this folder.

/// A generator.
pub struct Dice(pub u64);

impl Dice {
    /// Sixty-four bits.
    pub fn next(&mut self) -> u64 {
        // xorshift64 (Marsaglia 2003): noise for a benchmark, nothing more.
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    /// About normal: the sum of four uniform draws.
    pub fn noise(&mut self) -> f64 {
        let x = self.next();
        let sum: u64 = (0..4).map(|i| (x >> (16 * i)) & 0xFFFF).sum();
        (sum as f64 / 65_536.0 - 2.0) * 1.732
    }
}
