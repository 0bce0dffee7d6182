//! Days as typed on the command line.

use crate::parse::dates::WrittenDate;
use crate::parse::dates::read_date;
use crate::parse::dates::said_on;
use crate::trade::cells;
use chrono::NaiveDate;

/// Today, by the local clock.
pub fn today() -> NaiveDate {
    chrono::Local::now().date_naive()
}

/// Reads a day of the command line: `YYYY-MM-DD`, or as it is said today ([`said_on`]).
///
/// # Errors
/// A text that says what was expected.
pub fn parse_day(text: &str) -> Result<NaiveDate, String> {
    let text = text.trim();
    said_on(today(), text)
        .or_else(|| plain_day(text))
        .map_or_else(|| cells::day(text), Ok)
        .map_err(|wrong| {
            format!(
                "expected {}, today, yesterday, a weekday, or 3 days ago",
                wrong.expected
            )
        })
}

/// A day whose order of year, month and day is plain, such as `2026-3-1`.
fn plain_day(text: &str) -> Option<NaiveDate> {
    match read_date(text) {
        Ok(WrittenDate::Plain(day)) => Some(day),
        _ => None,
    }
}
