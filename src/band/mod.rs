//! The band: what one sale of the unit will fetch, as a distribution.
//!
//! [`predictive`] turns a posterior into a distribution for one more sale, and [`mod@estimate`] runs
//! the whole from selected comps to the finished estimate. [`crate::backtest`] measures
//! finished estimates against what was then paid.
//! [`change`] says why an estimate is not what it was, [`conflict`] which rules of thumb the comps contradict.

pub mod answer;
mod cases;
pub mod change;
pub mod conflict;
pub mod estimate;
mod fitting;
pub mod outcome;
pub mod predictive;
pub mod recalibration;
pub mod related;
pub mod undeclared;
pub mod warnings;

/// Number of the method by which estimates are made. Raise it with every change of the statistics
/// (of selection, fit or band) that moves a figure: what earlier runs kept of past sales
/// (`app::past`) is then made anew.
pub const METHOD: u32 = 10;

pub use estimate::{Estimate, estimate, estimate_with};
