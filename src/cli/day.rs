//! Days as typed on the command line.

use super::notice;
use crate::parse::dates::{WrittenDate, date_typed};
use crate::settings::Settings;
use crate::settings::values::order_word;
use chrono::NaiveDate;

/// Today, by the local clock.
pub fn today() -> NaiveDate {
    chrono::Local::now().date_naive()
}

/// Reads a date of the command line; [`day_of`] turns it into a day once the book is known.
///
/// # Errors
/// The expected form, as text.
pub fn parse_day(text: &str) -> Result<WrittenDate, String> {
    date_typed(text, today()).map_err(|expected| format!("expected {expected}"))
}

/// The day that is meant in the book's order of day and month. A notice points out a date that could be read two ways.
pub fn day_of(given: WrittenDate, settings: &Settings) -> NaiveDate {
    let order = settings.date_order();
    let day = given.day(order).unwrap_or_else(today);
    if let Some(numbers) = given.two_ways() {
        let other = order.other();
        let not = numbers
            .day(other)
            .map_or(String::new(), |other| format!(", not {other}"));
        notice(&format!(
            "the date is read {order}, as {day}{not} (dates = \"{}\" in compband.toml changes that)",
            order_word(other)
        ));
    }
    day
}

/// The day that is meant, or today if none is given.
pub fn day_or_today(given: Option<WrittenDate>, settings: &Settings) -> NaiveDate {
    given.map_or_else(today, |given| day_of(given, settings))
}
