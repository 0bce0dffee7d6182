//! Amounts, per cents and weights as typed on the command line.

use super::AppError;
use crate::parse::quantity::checked;
use rust_decimal::Decimal;

use crate::parse::money::parse_amount;
use crate::trade::Currency;
use crate::trade::problem::SHOWN;
use crate::trade::text::{quoted, shorten};

/// The refusal of what stands behind a flag.
pub fn refused(flag: &str, given: &str, expected: &str) -> AppError {
    AppError::Refused {
        message: format!(
            "{flag} {}: expected {expected}",
            quoted(&shorten(given, SHOWN))
        ),
        next: String::new(),
    }
}

/// Reads an amount of the book's currency that is not negative.
///
/// # Errors
/// The flag, what was found and what was expected.
pub fn money(flag: &str, given: &str, currency: &Currency) -> Result<Decimal, AppError> {
    parse_amount(given, currency)
        .and_then(|amount| {
            if amount.is_sign_negative() {
                Err("an amount of 0 or more; write it without the minus".into())
            } else {
                Ok(amount)
            }
        })
        .map_err(|expected| refused(flag, given, &expected))
}

/// [`money`], where it is given.
///
/// # Errors
/// As there.
pub fn money_if(
    flag: &str,
    given: Option<&String>,
    currency: &Currency,
) -> Result<Option<Decimal>, AppError> {
    given.map(|text| money(flag, text, currency)).transpose()
}

/// Reads a number in a unit that may stand behind it: `600`, `600 g`, `20 %`. `check` is one of
/// the checks of [`crate::settings::selling`].
///
/// # Errors
/// The flag, what was found and what was expected.
pub fn quantity(
    flag: &str,
    given: &str,
    unit: &str,
    check: impl Fn(Decimal) -> Result<Decimal, String>,
) -> Result<Decimal, AppError> {
    checked(given, unit, check).map_err(|expected| refused(flag, given, &expected))
}
