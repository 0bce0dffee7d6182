//! Amounts, per cents and weights as typed on the command line.

use super::AppError;
use crate::parse::quantity::checked;
use rust_decimal::Decimal;

use crate::parse::money::{other_currency_in, parse_amount};
use crate::parse::words::is_free;
use crate::trade::Currency;
use crate::trade::problem::SHOWN;
use crate::trade::text::excerpt;

/// The error for an invalid value of a flag.
pub fn refused(flag: &str, given: &str, expected: &str) -> AppError {
    AppError::Refused {
        message: format!("{flag} {}: expected {expected}", excerpt(given, SHOWN)),
        next: String::new(),
    }
}

/// Reads a non-negative amount of the book's currency.
///
/// # Errors
/// The flag, its value and the expected form.
pub fn money(flag: &str, given: &str, currency: &Currency) -> Result<Decimal, AppError> {
    parse_amount(given, currency)
        .and_then(|amount| {
            if amount.is_sign_negative() {
                Err("an amount of 0 or more, without a minus".into())
            } else {
                Ok(amount)
            }
        })
        .map_err(|expected| match other_currency_in(given, currency) {
            Some(_) => AppError::Refused {
                message: format!("{flag} {}: expected {expected}", excerpt(given, SHOWN)),
                next: format!("write what it comes to in {}", currency.code),
            },
            None => refused(flag, given, &expected),
        })
}

/// [`money`], if given.
///
/// # Errors
/// Those of [`money`].
pub fn money_if(
    flag: &str,
    given: Option<&String>,
    currency: &Currency,
) -> Result<Option<Decimal>, AppError> {
    given.map(|text| money(flag, text, currency)).transpose()
}

/// The shipping that a buyer pays, if given; `free` is 0.
///
/// # Errors
/// Those of [`money`].
pub fn shipping_if(
    flag: &str,
    given: Option<&String>,
    currency: &Currency,
) -> Result<Option<Decimal>, AppError> {
    match given {
        Some(text) if !text.trim().is_empty() && is_free(text) => Ok(Some(Decimal::ZERO)),
        other => money_if(flag, other, currency),
    }
}

/// Minutes of work; none if not given.
///
/// # Errors
/// The flag, and the expected form: anything but a number from 0 to 100 000.
pub fn minutes(flag: &str, given: Option<&str>) -> Result<Decimal, AppError> {
    let most = Decimal::from(100_000);
    let check = |minutes: Decimal| {
        let within = (Decimal::ZERO..=most).contains(&minutes);
        within
            .then_some(minutes)
            .ok_or_else(|| "minutes from 0 to 100000".to_string())
    };
    given.map_or(Ok(Decimal::ZERO), |text| quantity(flag, text, "min", check))
}

/// Reads a number, optionally followed by its unit: `600`, `600 g`, `20 %`. `check` is one of the
/// checks of [`crate::settings::selling`].
///
/// # Errors
/// The flag, its value and the expected form.
pub fn quantity(
    flag: &str,
    given: &str,
    unit: &str,
    check: impl Fn(Decimal) -> Result<Decimal, String>,
) -> Result<Decimal, AppError> {
    checked(given, unit, check).map_err(|expected| refused(flag, given, &expected))
}
