//! Days as typed on the command line.

use crate::parse::dates::day_typed;
use chrono::NaiveDate;

/// Today, by the local clock.
pub fn today() -> NaiveDate {
    chrono::Local::now().date_naive()
}

/// Reads a day of the command line: `YYYY-MM-DD`, or as it is said today.
///
/// # Errors
/// A text that says what was expected.
pub fn parse_day(text: &str) -> Result<NaiveDate, String> {
    day_typed(text, today())
}
