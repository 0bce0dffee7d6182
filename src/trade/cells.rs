//! Cells in canonical form, and the errors of invalid ones.

use crate::trade::money::{MINOR_SCALE, MOST_MONEY, minor_units};
use crate::trade::problem::{Problem, SHOWN};
use crate::trade::text::shorten;
use chrono::NaiveDate;
use rust_decimal::Decimal;

/// An error in a cell, a row or a file, without its place. With its place in a row it is a [`Fault`]; with the
/// row and the file too, in words for the user, it is a [`Problem`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wrong {
    /// The accepted form.
    pub expected: String,
    /// How to fix it; empty if that is obvious.
    pub fix: String,
    /// The question for the whole file of which this cell is one case, if there is one: it is
    /// reported once.
    pub question: Option<Question>,
}

/// A question that one answer settles for every row of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Question {
    /// The decimal mark of a column, by its number.
    DecimalMark(usize),
    /// Exchange rates next to amounts in the book's currency.
    Rate,
    /// Amounts with the sign of another currency.
    Currency,
    /// The meaning of a word in a column, by its number: one question for each word.
    Word(usize),
}

/// An error in a cell, with its place in a row. `C` is the reader's type for columns.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault<C> {
    /// The column.
    pub column: C,
    /// The text as it is in the file.
    pub value: String,
    /// The error.
    pub wrong: Wrong,
}

impl Wrong {
    /// An error without a question about the whole file.
    pub(crate) fn new(expected: impl Into<String>, fix: impl Into<String>) -> Self {
        Self {
            expected: expected.into(),
            fix: fix.into(),
            question: None,
        }
    }

    /// The same error as one case of a question.
    pub(crate) fn about(self, question: Question) -> Self {
        Self {
            question: Some(question),
            ..self
        }
    }

    /// The problem at a place.
    pub fn at(self, file: &str, row: u64, column: &str, value: &str) -> Problem {
        Problem {
            file: file.to_string(),
            row,
            column: shorten(column, SHOWN),
            value: shorten(value, SHOWN),
            expected: self.expected,
            fix: self.fix,
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

pub(crate) fn named(text: &str, what: &str, fix: &str) -> Result<String, Wrong> {
    if text.is_empty() || text.chars().any(char::is_control) {
        return Err(Wrong::new(what, fix));
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
