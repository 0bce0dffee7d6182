//! Numbers followed by a unit.

use crate::parse::money::read_quantity;
use rust_decimal::Decimal;

/// Reads a number, optionally followed by a unit, and checks it.
///
/// # Errors
/// The expected form.
pub fn checked(
    given: &str,
    unit: &str,
    check: impl Fn(Decimal) -> Result<Decimal, String>,
) -> Result<Decimal, String> {
    number(given, unit)
        .ok_or_else(|| format!("a number, with {unit:?} or nothing behind it"))
        .and_then(check)
}

/// Reads an unambiguous number, optionally followed by a unit.
pub fn number(text: &str, unit: &str) -> Option<Decimal> {
    let (amount, found) = read_quantity(text).ok()?;
    (found.is_empty() || found.eq_ignore_ascii_case(unit)).then(|| amount.certain())?
}
