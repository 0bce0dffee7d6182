//! The ledger by calendar years.

use chrono::{Datelike, NaiveDate};

use super::AppError;
use super::ledger::{ledger_on, nothing_yet};
use crate::book::Book;
use crate::deal::ledger::{Ledger, Period};

/// The calendar years of a ledger.
#[derive(Debug)]
pub struct Years {
    /// The ledger at the end of the last day.
    pub ledger: Ledger,
    /// The years, in order; the last one up to that day.
    pub years: Vec<Period>,
}

/// The calendar years of a book up to a day: one of them, or all.
///
/// # Errors
/// If the book cannot be read, or its ledger has no such year.
pub fn years(
    book: &Book,
    wanted: Option<i32>,
    until: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<Years, AppError> {
    let ledger = ledger_on(book, until, notice)?;
    let mut years = ledger.years(until);
    let (Some(first), Some(last)) = (years.first(), years.last()) else {
        return Err(nothing_yet());
    };
    let (first, last) = (first.from.year(), last.from.year());
    if let Some(wanted) = wanted {
        years.retain(|year| year.from.year() == wanted);
    }
    if years.is_empty() {
        let its = if first == last {
            format!("its only year is {first}")
        } else {
            format!("its years are {first} to {last}")
        };
        return Err(AppError::Absent {
            message: format!(
                "the ledger has no entries in {}",
                wanted.unwrap_or_default()
            ),
            next: its,
        });
    }
    Ok(Years { ledger, years })
}
