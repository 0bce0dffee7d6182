//! Cells in canonical form, and the errors of invalid ones.

use crate::trade::money::MINOR_SCALE;
use crate::trade::money::MOST_MONEY;
use crate::trade::money::minor_units;
use chrono::NaiveDate;
use rust_decimal::Decimal;

/// An invalid cell.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wrong {
    /// What is accepted instead.
    pub expected: String,
    /// How to fix it; empty if that is obvious.
    pub mend: String,
}

impl Wrong {
    pub(crate) fn new(expected: impl Into<String>, mend: impl Into<String>) -> Self {
        Self {
            expected: expected.into(),
            mend: mend.into(),
        }
    }
}

/// Reads a day as `YYYY-MM-DD`.
///
/// # Errors
/// Anything else.
pub fn day(text: &str) -> Result<NaiveDate, Wrong> {
    let shaped = text.len() == 10
        && text.bytes().enumerate().all(|(at, b)| {
            if matches!(at, 4 | 7) {
                b == b'-'
            } else {
                b.is_ascii_digit()
            }
        });
    let parsed = || {
        let number = |range: std::ops::Range<usize>| text[range].parse::<u32>().ok();
        NaiveDate::from_ymd_opt(
            i32::try_from(number(0..4)?).ok()?,
            number(5..7)?,
            number(8..10)?,
        )
    };
    shaped.then(parsed).flatten().ok_or_else(|| {
        Wrong::new(
            "a day as YYYY-MM-DD",
            "write year, month and day, such as 2026-03-31",
        )
    })
}

/// Reads a day of sale as [`day`] does; an empty cell is a day that was not recorded.
///
/// # Errors
/// Anything else.
pub fn day_if_any(text: &str) -> Result<Option<NaiveDate>, Wrong> {
    if text.is_empty() {
        return Ok(None);
    }
    day(text).map(Some)
}

/// Reads an amount of a canonical file: digits with an optional decimal point.
///
/// # Errors
/// Anything else, more than [`MINOR_SCALE`] decimals, or more than [`MOST_MONEY`].
pub fn amount(text: &str) -> Result<Decimal, Wrong> {
    let plain = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    let value = if plain {
        text.parse::<Decimal>().ok()
    } else {
        None
    };
    value
        .filter(|value| minor_units(*value).is_some())
        .ok_or_else(|| {
            Wrong::new(
                format!("an amount from 0 to {MOST_MONEY} with at most {MINOR_SCALE} decimals"),
                "write digits and a decimal point only, such as 129.50",
            )
        })
}

pub(crate) fn named(text: &str, what: &str, mend: &str) -> Result<String, Wrong> {
    if text.is_empty() || text.chars().any(char::is_control) {
        return Err(Wrong::new(what, mend));
    }
    Ok(text.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days() {
        assert!(day("2024-02-29").is_ok());
        for wrong in [
            "2023-02-29",
            "2023-2-9",
            "+023-02-09",
            "2023-02-09 ",
            "äääää",
            "",
        ] {
            assert!(day(wrong).is_err(), "{wrong}");
        }
    }
}
