//! The stages of a job, one file each.

pub mod appointments;
pub mod backtest;
pub mod bundle;
pub mod check_store;
pub mod clock;
pub mod demo;
pub mod explain;
pub mod features;
pub mod guard;
pub mod health;
pub mod import;
pub mod kept;
pub mod ledger;
pub mod night;
pub mod plan;
pub mod scan;
pub mod seen;
pub mod since;
pub mod standing;
pub mod trace;
pub mod withdraw;
