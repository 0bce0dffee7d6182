//! Backtests: predictions of the book's past sales, compared with the prices paid.

pub mod calibration;
pub mod ratio;
pub mod selfcheck;
pub mod verdict;
