//! Robust statistics on plain slices.
//!
//! Why:    every other room asks the same small questions (a middle, a spread, a trend, a
//!         likelihood), and each answer is held against somebody else's number once, here.
//! In:     `&[f64]` and small structs. This room has never heard of a meter.
//! Out:    numbers. What cannot be known is NaN (a bare number) or `None` (a struct).
//! NaN:    values that are not finite are gaps. Kernels without an order leave them out;
//!         kernels over neighbours lose only the pairs that touch the gap. Where a function
//!         does anything else, its own text says so.
//! Sums:   taken in the order of the slice, so the answer does not depend on the machine.
//! Speed:  names ending in `_in_place` reorder their slice, names ending in `_with` take the
//!         working memory from the caller; neither allocates once that memory has grown.
//!
//! ```
//! use metersift_stats as stats;
//!
//! // A gap, a repeat and one wild value among ten densities, kg/m3.
//! let density = [998.2, 998.3, f64::NAN, 998.1, 998.1, 998.2, 1450.0, 998.3, 998.2, 998.1];
//! assert_eq!(stats::median(&density), 998.2);
//! assert!((stats::mad_sigma(&density) - 0.148).abs() < 0.001);
//!
//! // 31 entries, 2 of them false: what share of false entries may lie behind that?
//! let share = stats::wilson_interval(2, 31, 0.95);
//! assert!(share.low > 0.017 && share.high < 0.208);
//! ```

mod allan;
mod autocorrelation;
mod bootstrap;
mod calibration;
mod change;
mod corrected_trend;
mod correlation;
mod distribution;
mod generator;
mod halton;
mod likelihood;
mod linear;
mod location;
mod logistic;
#[cfg(test)]
mod made;
mod noise;
mod quantile;
mod ranking;
mod rates;
mod regression;
mod resolution;
mod scale;
mod survival;
mod trend;

pub use allan::*;
pub use autocorrelation::*;
pub use bootstrap::*;
pub use calibration::*;
pub use change::*;
pub use corrected_trend::*;
pub use correlation::*;
pub use distribution::*;
pub use generator::*;
pub use halton::*;
pub use likelihood::*;
pub use linear::*;
pub use location::*;
pub use logistic::*;
pub use noise::*;
pub use quantile::*;
pub use ranking::*;
pub use rates::*;
pub use regression::*;
pub use resolution::*;
pub use scale::*;
pub use survival::*;
pub use trend::*;
