//! Values of numeric attributes.

use crate::parse::money::read_quantity;
use crate::trade::attributes::{Attribute, same_unit};
use rust_decimal::Decimal;

/// Reads a value of an attribute as typed: a number, optionally followed by its unit.
///
/// # Errors
/// The expected form.
pub fn attribute_value(text: &str, declared: Option<&Attribute>) -> Result<Decimal, String> {
    let (amount, unit) =
        read_quantity(text).map_err(|_| "a number, with a unit or none behind it")?;
    let value = amount
        .certain()
        .ok_or("a number with one reading: write it without a mark between thousands")?;
    let Some(declared) = declared else {
        return Ok(value);
    };
    if !unit.is_empty() && !declared.unit.is_empty() && !same_unit(unit, &declared.unit) {
        return Err(format!(
            "a number in {0}, as compband.toml says: convert it to {0}",
            declared.unit
        ));
    }
    declared.fault(value).map_or(Ok(value), Err)
}
