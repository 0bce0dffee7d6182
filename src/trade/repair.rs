//! Repairs of a unit before it is sold.

use rust_decimal::Decimal;

/// One repair. Repairs are tried in order; the first failure ends them.
#[derive(Debug, Clone, PartialEq)]
pub struct Repair {
    /// Description.
    pub what: String,
    /// Cost of the parts, spent whether the repair succeeds or not.
    pub parts: Decimal,
    /// Minutes of work.
    pub minutes: Decimal,
    /// Probability of success, 0..=1.
    pub success: f64,
}
