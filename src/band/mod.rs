//! The band: the predictive distribution of the price of one sale of the unit.
//!
//! [`predictive`] turns a posterior into the distribution of one more sale, and [`mod@estimate`]
//! leads from selected comps to the finished estimate. [`crate::backtest`] compares estimates with
//! the prices then paid. [`change`] explains why an estimate changed, [`conflict`] finds rules of
//! thumb that the comps contradict.

pub mod answer;
mod cases;
pub mod change;
pub mod conflict;
mod effects;
pub mod estimate;
pub mod fits;
mod fitting;
pub mod outcome;
pub mod predictive;
pub mod recalibration;
pub mod related;
pub mod undeclared;
pub mod warnings;

/// Version of the estimation method. Raise it with every change of the statistics (of selection,
/// fit or band) that changes a figure: stored results for past sales (`app::past`) are then
/// computed again.
pub const METHOD: u32 = 12;

pub use estimate::{Estimate, estimate, estimate_with};
