//! From daily features to a verdict per meter: Bayesian comparison of explicit explanations.
//!
//! Why:    somebody decides on it which meters to pull, clean, check or leave alone; so every
//!         explanation is written down with its physics, and what could not be seen is said.
//! In:     the daily table (one row per meter and day) and the records; one as-of date.
//! Out:    one [`metersift_model::Verdict`] per meter of the register.
//! Method: per meter, blocks of days back to the last swap; per observable, a linear-Gaussian
//!         model of level, covariates, recorded resets and ten kinds of noise whose shares the
//!         fleet teaches; per explanation, an average over shapes in time and a fixed cloud of
//!         physical draws, with heavy tails. Nothing is sequential: any past morning is judged
//!         alone, from days and records before it.
//! Limits: probabilities are cautious and not calibrated on a site until findings exist.
//!
//! The same input gives the same verdicts at any thread count: each meter is computed by itself
//! in a fixed order, and what the fleet shares is summed in meter order.

#![allow(clippy::needless_range_loop, reason = "matrix indices read better than zipped iterators")]
#![allow(clippy::neg_cmp_op_on_partial_ord, reason = "NaN must fail: `!(x > 0.0)` says so")]

mod alerts;
mod blind;
mod block_model;
mod blocks;
mod calibration;
mod compare;
mod covariates;
mod draws;
mod error;
mod evidence;
mod facts;
mod fleet;
mod fleet_prior;
mod grades;
mod groups;
mod judge;
mod likelihood;
mod limits;
mod next_test;
mod nuisance;
mod num;
mod observable;
#[cfg(test)]
mod oracle;
mod outcome;
mod peers;
mod prepare;
mod r0;
mod raw;
mod regimes;
mod segment;
mod service;
mod settings;
mod shape;
mod sizes;
pub mod unit_step;
mod wording;

pub use calibration::{Calibration, FindingScore, Held, Line, Origin};
pub use error::FaultsError;
pub use fleet::{COLUMNS as DAILY_COLUMNS, Fleet};
pub use observable::{Observable, Reference};
pub use settings::{Limits, Part, Priors, Settings};
