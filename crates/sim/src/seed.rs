//! Seeded draws: every number of a fictional site is a function of (seed, who, purpose, index).
//!
//! Why:    a day must come out the same whether it is written alone, with a year before it or
//!         on another thread; so nothing is drawn "next", everything is drawn by name.
//! Method: splitmix64 as hash of the name, xoshiro256++ (Blackman & Vigna) behind it, normal
//!         draws by a table of quantiles with exact tails.
//! Source: normal quantile by P. J. Acklam's rational approximation (coefficients from memory,
//!         relative error below 1.2e-9; checked below against 1.959964 and 3.090232).

use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{RngCore, SeedableRng};
use std::sync::OnceLock;

const CELLS: usize = 1024;

/// What a stream of draws is for; part of its name.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Purpose {
    Register = 1,
    Instrument,
    Recorder,
    Fault,
    Confounder,
    Stream,
    Campaign,
    Shutdown,
    Schedule,
    Gas,
    Noise,
    Checks,
    Zeros,
    Alerts,
    Dump,
    Ambient,
    Finding,
    Assign,
    Variation,
    Missing,
    Growth,
    Ladder,
    Observer,
}

/// splitmix64 finaliser over a list of words.
pub(crate) fn name_of(parts: &[u64]) -> u64 {
    parts.iter().fold(0x6d65_7465_7273_6966, |state, &part| scramble(state ^ part))
}

fn scramble(word: u64) -> u64 {
    let mut z = word.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// Standard normal number of a name: the same every time it is asked.
pub(crate) fn normal_of(key: u64, index: i64) -> f64 {
    normal_from_bits(scramble(key ^ scramble(index as u64)), table())
}

/// Uniform number in 0..1 of a name.
pub(crate) fn uniform_of(key: u64, index: i64) -> f64 {
    unit(scramble(key ^ scramble(index as u64)))
}

/// Smooth wander of unit variance at every instant: normals at every `scale`, cosine between.
///
/// Correlation falls to zero over one to two scales. Sums of octaves imitate a random walk.
pub(crate) fn wander(key: u64, at: f64, scale: f64) -> f64 {
    let position = at / scale;
    let node = position.floor();
    let share = 0.5 - 0.5 * ((position - node) * std::f64::consts::PI).cos();
    let (left, right) = (normal_of(key, node as i64), normal_of(key, node as i64 + 1));
    let norm = ((1.0 - share).powi(2) + share.powi(2)).sqrt();
    ((1.0 - share) * left + share * right) / norm
}

/// Wander over octaves of 4, 16, 64 and 256 days: mostly slow, never a clean line.
pub(crate) fn slow_wander(key: u64, day: f64) -> f64 {
    0.25 * wander(key ^ 1, day, 4.0)
        + 0.40 * wander(key ^ 2, day, 16.0)
        + 0.60 * wander(key ^ 3, day, 64.0)
        + 0.65 * wander(key ^ 4, day, 256.0)
}

/// A named stream of draws.
#[derive(Clone, Debug)]
pub(crate) struct Draws {
    generator: Xoshiro256PlusPlus,
    table: &'static [f64; CELLS + 1],
}

impl Draws {
    pub(crate) fn new(seed: u64, who: u64, purpose: Purpose, index: u64) -> Draws {
        Draws {
            generator: Xoshiro256PlusPlus::seed_from_u64(name_of(&[
                seed,
                who,
                purpose as u64,
                index,
            ])),
            table: table(),
        }
    }

    pub(crate) fn bits(&mut self) -> u64 {
        self.generator.next_u64()
    }

    /// Uniform in 0..1.
    pub(crate) fn uniform(&mut self) -> f64 {
        unit(self.bits())
    }

    pub(crate) fn range(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    pub(crate) fn log_range(&mut self, low: f64, high: f64) -> f64 {
        (low.ln() + (high / low).ln() * self.uniform()).exp()
    }

    pub(crate) fn chance(&mut self, probability: f64) -> bool {
        self.uniform() < probability
    }

    pub(crate) fn pick(&mut self, n: usize) -> usize {
        ((self.uniform() * n as f64) as usize).min(n.saturating_sub(1))
    }

    pub(crate) fn sign(&mut self) -> f64 {
        if self.bits() >> 63 == 0 { 1.0 } else { -1.0 }
    }

    pub(crate) fn normal(&mut self) -> f64 {
        normal_from_bits(self.bits(), self.table)
    }

    pub(crate) fn exponential(&mut self, mean: f64) -> f64 {
        -mean * (1.0 - self.uniform()).max(1e-300).ln()
    }

    /// Heavy-tailed noise of about unit core: one draw in sixteen is three times as wide.
    pub(crate) fn heavy(&mut self) -> f64 {
        let bits = self.bits();
        let wide = if bits & 0xF == 0 { 3.0 } else { 1.0 };
        wide * normal_from_bits(bits, self.table)
    }
}

fn unit(bits: u64) -> f64 {
    (bits >> 11) as f64 * (1.0 / (1u64 << 53) as f64)
}

fn normal_from_bits(bits: u64, table: &[f64; CELLS + 1]) -> f64 {
    let cell = (bits >> 54) as usize;
    if cell == 0 || cell == CELLS - 1 {
        return normal_quantile(unit(bits).clamp(1e-16, 1.0 - 1e-16));
    }
    let share = ((bits >> 22) & 0xFFFF_FFFF) as f64 * (1.0 / 4_294_967_296.0);
    table[cell] + share * (table[cell + 1] - table[cell])
}

fn table() -> &'static [f64; CELLS + 1] {
    static TABLE: OnceLock<[f64; CELLS + 1]> = OnceLock::new();
    TABLE.get_or_init(|| {
        std::array::from_fn(|i| {
            normal_quantile((i as f64 / CELLS as f64).clamp(1e-16, 1.0 - 1e-16))
        })
    })
}

#[expect(clippy::excessive_precision, reason = "coefficients stand as they are published")]
fn normal_quantile(p: f64) -> f64 {
    const A: [f64; 6] = [
        -3.969683028665376e1,
        2.209460984245205e2,
        -2.759285104469687e2,
        1.383577518672690e2,
        -3.066479806614716e1,
        2.506628277459239,
    ];
    const B: [f64; 5] = [
        -5.447609879822406e1,
        1.615858368580409e2,
        -1.556989798598866e2,
        6.680131188771972e1,
        -1.328068155288572e1,
    ];
    const C: [f64; 6] = [
        -7.784894002430293e-3,
        -3.223964580411365e-1,
        -2.400758277161838,
        -2.549732539343734,
        4.374664141464968,
        2.938163982698783,
    ];
    const D: [f64; 4] =
        [7.784695709041462e-3, 3.224671290700398e-1, 2.445134137142996, 3.754408661907416];
    let poly = |coefficients: &[f64], x: f64| coefficients.iter().fold(0.0, |sum, c| sum * x + c);
    let tail = |q: f64| poly(&C, q) / (poly(&D, q) * q + 1.0);
    if p < 0.02425 {
        tail((-2.0 * p.ln()).sqrt())
    } else if p > 1.0 - 0.02425 {
        -tail((-2.0 * (1.0 - p).ln()).sqrt())
    } else {
        let q = p - 0.5;
        let r = q * q;
        poly(&A, r) * q / (poly(&B, r) * r + 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Standard normal table: 97.5 % at 1.959964, 99.9 % at 3.090232 (any statistics handbook).
    #[test]
    fn normal_quantile_agrees_with_the_printed_table() {
        assert!((normal_quantile(0.975) - 1.959_964).abs() < 5e-7);
        assert!((normal_quantile(0.001) + 3.090_232).abs() < 5e-7);
        assert!(normal_quantile(0.5).abs() < 1e-12);
    }

    #[test]
    fn normal_draws_have_mean_zero_variance_one_and_real_tails() {
        let mut draws = Draws::new(1, 2, Purpose::Noise, 3);
        let n = 200_000;
        let values: Vec<f64> = (0..n).map(|_| draws.normal()).collect();
        let mean = values.iter().sum::<f64>() / n as f64;
        let variance = values.iter().map(|x| x * x).sum::<f64>() / n as f64;
        let beyond_3 = values.iter().filter(|x| x.abs() > 3.0).count() as f64 / n as f64;
        // Standard errors: mean 0.0022, variance 0.0032, tail share 1.2e-4; four of each.
        assert!(mean.abs() < 0.009, "{mean}");
        assert!((variance - 1.0).abs() < 0.013, "{variance}");
        assert!((beyond_3 - 0.0027).abs() < 5e-4, "{beyond_3}");
    }

    #[test]
    fn wander_has_unit_variance_between_its_nodes_too() {
        let n = 20_000;
        let square: f64 =
            (0..n).map(|i| wander(7, f64::from(i) * 3.37 + 0.5, 1.0).powi(2)).sum::<f64>();
        assert!((square / f64::from(n) - 1.0).abs() < 0.05, "{}", square / f64::from(n));
    }
}
