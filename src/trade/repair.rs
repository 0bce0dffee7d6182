//! Repairs of a unit before it is sold.

use rust_decimal::Decimal;

/// One repair. They are tried in order; the first that fails ends them.
#[derive(Debug, Clone, PartialEq)]
pub struct Repair {
    /// What is done.
    pub what: String,
    /// What its parts cost: spent whether it succeeds or not.
    pub parts: Decimal,
    /// Minutes of work.
    pub minutes: Decimal,
    /// Chance that it succeeds, 0..=1.
    pub success: f64,
}
