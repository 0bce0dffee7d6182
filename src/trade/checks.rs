//! Checks of the cells of a new sale, imported or logged. The reader of the book's own files is
//! more lenient (see [`crate::book::csv::canonical`]), so that a book stays readable if the rules
//! become stricter.

use crate::trade::cells;
use chrono::{Days, NaiveDate};

use crate::trade::cells::Wrong;
pub use crate::trade::names::is_unseen;
use crate::trade::names::is_variation_selector;

/// Longest model, identifier, source of a rate and any other text, in characters.
const MOST_MODEL: usize = 200;
const MOST_ID: usize = 100;
const MOST_SOURCE: usize = 200;
const MOST_TEXT: usize = 10_000;

/// Most units that one price can cover.
pub const MOST_UNITS: u32 = 10_000;

/// Earliest accepted day of sale.
const FIRST_DAY: Option<NaiveDate> = NaiveDate::from_ymd_opt(1990, 1, 1);

/// Checks the text of a canonical cell, in addition to [`crate::book::csv::canonical::check`].
///
/// # Errors
/// A text that a new sale must not have in this column.
pub fn cell(column: &str, text: &str, today: NaiveDate) -> Result<(), Wrong> {
    match column {
        "sold_on" => cells::day(text).map_or(Ok(()), |sold_on| day(sold_on, today)),
        "lot_size" => text.parse().map_or(Ok(()), units),
        "comp_id" | "model" | "variant" | "missing" | "extras" | "defects" | "venue" | "note" => {
            self::text(column, text)
        }
        _ => Ok(()),
    }
}

/// Accepts a day of sale from 1990 to one day after `today` (clocks differ).
///
/// # Errors
/// Any other day.
pub fn day(day: NaiveDate, today: NaiveDate) -> Result<(), Wrong> {
    let fix = "write it as YYYY-MM-DD, such as 2025-12-31";
    if FIRST_DAY.is_some_and(|first| day < first) {
        let expected = format!("a day from 1990 on, but this is {day}");
        return Err(Wrong::new(expected, fix));
    }
    let last = today.checked_add_days(Days::new(1));
    if last.is_some_and(|last| day > last) {
        let expected =
            format!("a date that is not in the future, but this is {day} (today is {today})");
        return Err(Wrong::new(expected, fix));
    }
    Ok(())
}

/// Accepts 1 to [`MOST_UNITS`] units.
///
/// # Errors
/// Any other number.
pub fn units(units: u32) -> Result<(), Wrong> {
    if (1..=MOST_UNITS).contains(&units) {
        return Ok(());
    }
    Err(Wrong::new(
        format!("a whole number from 1 to {MOST_UNITS}"),
        "write how many units the price bought; blank means 1",
    ))
}

/// Accepts a text that is not too long and has no control characters, except line ends and tabs in
/// a note. In other columns, invisible characters and characters that change the direction of
/// writing are refused: they would make two names look the same.
///
/// # Errors
/// Any other text.
pub fn text(column: &str, text: &str) -> Result<(), Wrong> {
    let (most, one_line) = match column {
        "comp_id" => (MOST_ID, true),
        "model" => (MOST_MODEL, true),
        "rate_source" => (MOST_SOURCE, true),
        "note" => (MOST_TEXT, false),
        _ => (MOST_TEXT, true),
    };
    if text.len() <= most && text.bytes().all(|b| (b' '..=b'~').contains(&b)) {
        return Ok(());
    }
    if text.chars().nth(most).is_some() {
        return Err(Wrong::new(
            format!(
                "at most {most} characters, but this has {}",
                text.chars().count()
            ),
            "shorten it; if the rest of the file is in this cell, a quote is missing",
        ));
    }
    let refused = |c: &char| match c {
        '\n' | '\t' | '\r' => one_line,
        c => c.is_control() || (one_line && is_unseen(*c)),
    };
    let selector = || one_line.then(|| lone_selector(text)).flatten();
    let Some(found) = text.chars().find(refused).or_else(selector) else {
        return Ok(());
    };
    let what = if found.is_control() {
        "control characters"
    } else {
        "characters that cannot be seen"
    };
    Err(Wrong::new(
        format!("text without {what}, but it has {}", found.escape_unicode()),
        "remove it",
    ))
}

/// The first variation selector that does not directly follow a visible character.
fn lone_selector(text: &str) -> Option<char> {
    let mut before = None;
    text.chars().find(|c| {
        let behind = before.replace(*c);
        let seen = |c: char| !c.is_whitespace() && !is_variation_selector(c);
        is_variation_selector(*c) && !behind.is_some_and(seen)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_by_column() {
        for (column, good) in [
            ("note", "two\nlines\tand a family\u{200d}emoji"),
            ("model", "Größe 7 \u{2013} レ"),
            ("venue", "fair"),
            ("model", "\u{260e}\u{fe0f} and \u{845b}\u{e0100}"),
        ] {
            assert_eq!(text(column, good), Ok(()), "{good:?}");
        }
        for (column, wrong) in [
            ("note", "\u{1b}[2J"),
            ("venue", "\u{9b}2J"),
            ("variant", "two\nlines"),
            ("model", "a\u{202e}b"),
            ("defects", "a\u{200b}b"),
            ("comp_id", "a\u{feff}b"),
            ("model", "\u{3164}"),
            ("model", "Zed\u{e0041}"),
            ("variant", "gr\u{ad}ey"),
            ("venue", "\u{fe0f}fair"),
            ("extras", "a\u{fe0f}\u{fe0f}"),
            ("model", &"x".repeat(201)),
            ("comp_id", &"x".repeat(101)),
            ("note", &"é".repeat(10_001)),
        ] {
            assert!(text(column, wrong).is_err(), "{column}: {wrong:?}");
        }
    }

    #[test]
    fn days_and_units() {
        let date = |text: &str| text.parse::<NaiveDate>().unwrap();
        let today = date("2026-03-31");
        for (sold_on, good) in [
            ("1989-12-31", false),
            ("1990-01-01", true),
            ("2026-04-01", true),
            ("2026-04-02", false),
        ] {
            assert_eq!(day(date(sold_on), today).is_ok(), good, "{sold_on}");
        }
        assert!(units(0).is_err() && units(MOST_UNITS).is_ok() && units(MOST_UNITS + 1).is_err());
    }
}
