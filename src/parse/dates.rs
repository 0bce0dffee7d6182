//! Days of sale as people write them.

use std::fmt;

use chrono::{Datelike, Days, NaiveDate};

use crate::trade::text::listed;

/// Order of day and month in a date.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DateOrder {
    /// `31/12/2025`
    DayFirst,
    /// `12/31/2025`
    MonthFirst,
}

impl DateOrder {
    /// The other order.
    pub fn other(self) -> Self {
        match self {
            Self::DayFirst => Self::MonthFirst,
            Self::MonthFirst => Self::DayFirst,
        }
    }
}

impl fmt::Display for DateOrder {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::DayFirst => "day first",
            Self::MonthFirst => "month first",
        })
    }
}

/// A date as written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WrittenDate {
    /// Day, month and year are unambiguous.
    Plain(NaiveDate),
    /// Day and month are both numbers, possibly in either order.
    Numbers(NumericDate),
}

/// A date of two numbers and a year.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NumericDate {
    first: u32,
    second: u32,
    year: i32,
    /// Whether dots are between the numbers: then the day is first wherever such dates are written.
    dotted: bool,
}

impl WrittenDate {
    /// The day, in this order if both orders are possible.
    pub fn day(&self, order: DateOrder) -> Option<NaiveDate> {
        match self {
            Self::Plain(day) => Some(*day),
            Self::Numbers(numbers) => numbers.certain().or_else(|| numbers.day(order)),
        }
    }

    /// The date, if it could be read two ways.
    pub fn two_ways(&self) -> Option<NumericDate> {
        match self {
            Self::Numbers(numbers) if numbers.certain().is_none() => Some(*numbers),
            _ => None,
        }
    }
}

/// Reason why a text is not a date.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DateError {
    /// It is not in the form of a date.
    Unreadable,
    /// It has the form of a date, but the calendar has no such day.
    NoSuchDay,
    /// It is a spreadsheet's serial number, which would mean this day.
    Serial(NaiveDate),
}

impl NumericDate {
    /// The day in this order; `None` if the calendar has no such day.
    pub fn day(&self, order: DateOrder) -> Option<NaiveDate> {
        match order {
            DateOrder::DayFirst => NaiveDate::from_ymd_opt(self.year, self.second, self.first),
            DateOrder::MonthFirst => NaiveDate::from_ymd_opt(self.year, self.first, self.second),
        }
    }

    /// The day, if both orders agree, only one is possible, or dots show that the day is first.
    pub fn certain(&self) -> Option<NaiveDate> {
        match (
            self.day(DateOrder::DayFirst),
            self.day(DateOrder::MonthFirst),
        ) {
            (Some(one), Some(other)) if one != other => self.dotted.then_some(one),
            (one, other) => one.or(other),
        }
    }

    /// The only order in which this is a day.
    pub fn proves(&self) -> Option<DateOrder> {
        match (
            self.day(DateOrder::DayFirst),
            self.day(DateOrder::MonthFirst),
        ) {
            (Some(_), None) => Some(DateOrder::DayFirst),
            (None, Some(_)) => Some(DateOrder::MonthFirst),
            _ => None,
        }
    }
}

/// Reads a date: ISO 8601 (`2025-12-31`, `2025/12/31`, `2025-12-1`, `20251231`), `31/12/2025`,
/// `12/31/2025`, `31.12.25` and the like, `1 Feb 2025`, `Feb 1, 2025` (English names). A time after
/// the date is ignored. Years of two digits are in this century.
///
/// # Errors
/// [`DateError`].
pub fn read_date(text: &str) -> Result<WrittenDate, DateError> {
    let text = text.trim();
    if let Some(date) = iso(text) {
        return date.map(WrittenDate::Plain).ok_or(DateError::NoSuchDay);
    }
    let date = without_time(text);
    if date.bytes().all(|b| b.is_ascii_digit()) {
        return all_digits(date);
    }
    if date.bytes().any(|b| b.is_ascii_alphabetic()) {
        return named_month(date).map(WrittenDate::Plain);
    }
    numeric(date)
}

/// Reads a day as typed: any date of [`read_date`], or one relative to `today` ([`relative_day`]).
///
/// # Errors
/// The expected form, as text.
pub fn date_typed(text: &str, today: NaiveDate) -> Result<WrittenDate, String> {
    let text = text.trim();
    if let Some(day) = relative_day(today, text) {
        return Ok(WrittenDate::Plain(day));
    }
    read_date(text).map_err(|error| match error {
        DateError::NoSuchDay => "a day that the calendar has".to_string(),
        DateError::Unreadable | DateError::Serial(_) => TYPED.to_string(),
    })
}

/// Reads a day as [`date_typed`] does, with this order of day and month where both are possible.
///
/// # Errors
/// Those of [`date_typed`].
pub fn day_typed(text: &str, order: DateOrder, today: NaiveDate) -> Result<NaiveDate, String> {
    let written = date_typed(text, today)?;
    written.day(order).ok_or_else(|| TYPED.to_string())
}

/// Form of a day as typed, for messages.
const TYPED: &str = "a day, such as 2026-11-20, 20.11.2026, 20 Nov 2026, today, yesterday, a weekday, or 3 days ago";

/// Reads a day relative to `today`: `today`, `yesterday`, `3 days ago`, `a week ago`, or a weekday
/// (`monday`, `last mon`), meaning the last one before today. `None` for any other text, and for
/// days outside the calendar.
pub fn relative_day(today: NaiveDate, text: &str) -> Option<NaiveDate> {
    let text = text.to_ascii_lowercase();
    let words: Vec<&str> = text.split_whitespace().collect();
    let back = match words.as_slice() {
        ["today"] => 0,
        ["yesterday"] => 1,
        [count, unit, "ago"] => number_of(count)?.checked_mul(days_in(unit)?)?,
        [day] | ["last", day] => days_since(today, day)?,
        _ => return None,
    };
    today.checked_sub_days(Days::new(back))
}

fn number_of(word: &str) -> Option<u64> {
    match word {
        "a" | "one" => Some(1),
        _ => word.parse().ok(),
    }
}

fn days_in(unit: &str) -> Option<u64> {
    match unit {
        "day" | "days" => Some(1),
        "week" | "weeks" => Some(7),
        _ => None,
    }
}

/// Days since this weekday last occurred before today, 1 to 7.
fn days_since(today: NaiveDate, weekday: &str) -> Option<u64> {
    let at = listed(WEEKDAYS).position(|name| abbreviates(weekday, name))? as u64;
    let now = u64::from(today.weekday().num_days_from_monday());
    Some((now + 6 - at) % 7 + 1)
}

/// `YYYY-MM-DD`, optionally followed by a time; the inner `None` is a day that does not exist.
fn iso(text: &str) -> Option<Option<NaiveDate>> {
    let bytes = text.as_bytes();
    if bytes.len() < 10 || !matches!(bytes[4], b'-' | b'/' | b'.') || bytes[7] != bytes[4] {
        return None;
    }
    if bytes.len() > 10 && !is_time(text.get(10..)?) {
        return None;
    }
    let number = |range: std::ops::Range<usize>| {
        bytes[range].iter().try_fold(0_u32, |n, b| {
            b.is_ascii_digit().then(|| n * 10 + u32::from(b - b'0'))
        })
    };
    let (year, month, day) = (number(0..4)?, number(5..7)?, number(8..10)?);
    Some(NaiveDate::from_ymd_opt(year as i32, month, day))
}

/// Whether the text after a date is a time of day, with its separator.
fn is_time(text: &str) -> bool {
    let Some(time) = text.strip_prefix(['T', 't', ' ', ',']) else {
        return false;
    };
    let time = time.trim_start();
    let allowed = |b: u8| b.is_ascii_digit() || b" :.+-ZzAaPpMm".contains(&b);
    let clock = time.split(' ').next().unwrap_or_default();
    clock.starts_with(|c: char| c.is_ascii_digit())
        && clock.contains(':')
        && time.bytes().all(allowed)
}

fn without_time(text: &str) -> &str {
    let behind_a_blank = text
        .match_indices([' ', ','])
        .find(|(at, _)| is_time(&text[*at..]));
    behind_a_blank.map_or(text, |(at, _)| text[..at].trim_end_matches([' ', ',']))
}

/// `YYYYMMDD`, or the day number of a spreadsheet (day 1 = 1900-01-01, counting a 29 February 1900
/// as such programs do).
fn all_digits(digits: &str) -> Result<WrittenDate, DateError> {
    let number: u32 = digits.parse().map_err(|_| DateError::Unreadable)?;
    match digits.len() {
        8 => NaiveDate::from_ymd_opt((number / 10_000) as i32, number / 100 % 100, number % 100)
            .map(WrittenDate::Plain)
            .ok_or(DateError::NoSuchDay),
        5 if number >= 30_000 => NaiveDate::from_ymd_opt(1899, 12, 30)
            .and_then(|origin| origin.checked_add_days(Days::new(number.into())))
            .map_or(Err(DateError::Unreadable), |day| {
                Err(DateError::Serial(day))
            }),
        _ => Err(DateError::Unreadable),
    }
}

fn numeric(text: &str) -> Result<WrittenDate, DateError> {
    let mark = text
        .find(['/', '.', '-'])
        .map(|at| text.as_bytes()[at] as char)
        .ok_or(DateError::Unreadable)?;
    let mut parts = text.trim_end_matches('.').split(mark).map(str::trim);
    let (Some(first), Some(second), Some(year), None) =
        (parts.next(), parts.next(), parts.next(), parts.next())
    else {
        // `45678.5` is a serial number with a time of day.
        return match text.split_once('.') {
            Some((day, part)) if part.bytes().all(|b| b.is_ascii_digit()) => all_digits(day),
            _ => Err(DateError::Unreadable),
        };
    };
    // ISO 8601 without leading zeros: `2025-12-1`.
    if first.len() == 4 && year.len() <= 2 {
        return NaiveDate::from_ymd_opt(full_year(first)?, small(second)?, small(year)?)
            .map(WrittenDate::Plain)
            .ok_or(DateError::NoSuchDay);
    }
    if !(1..=2).contains(&first.len()) || !(1..=2).contains(&second.len()) {
        return Err(DateError::Unreadable);
    }
    let numbers = NumericDate {
        first: small(first)?,
        second: small(second)?,
        year: full_year(year)?,
        dotted: mark == '.',
    };
    if numbers.day(DateOrder::DayFirst).is_none() && numbers.day(DateOrder::MonthFirst).is_none() {
        return Err(DateError::NoSuchDay);
    }
    Ok(WrittenDate::Numbers(numbers))
}

/// `1 Feb 2025`, `1st February, 25`, `1-Feb-2025`, `Feb 1, 2025`, with or without a weekday.
fn named_month(text: &str) -> Result<NaiveDate, DateError> {
    let words = text
        .split([' ', ',', '-', '/', '.', '\u{a0}'])
        .filter(|word| !word.is_empty() && !is_weekday(word));
    let mut parts = [""; 3];
    let mut count = 0;
    for word in words {
        *parts.get_mut(count).ok_or(DateError::Unreadable)? = word;
        count += 1;
    }
    if count != 3 {
        return Err(DateError::Unreadable);
    }
    let (day, month) = match (month_number(parts[0]), month_number(parts[1])) {
        (Some(month), None) => (parts[1], month),
        (None, Some(month)) => (parts[0], month),
        _ => return Err(DateError::Unreadable),
    };
    let day = ["st", "nd", "rd", "th"]
        .iter()
        .find_map(|end| day.strip_suffix(end))
        .unwrap_or(day);
    NaiveDate::from_ymd_opt(full_year(parts[2])?, month, small(day)?).ok_or(DateError::NoSuchDay)
}

const MONTHS: &str = "january, february, march, april, may, june, july, august, september, october, november, december";
const WEEKDAYS: &str = "monday, tuesday, wednesday, thursday, friday, saturday, sunday";

/// Whether `word` is `name` or a prefix of it with at least three letters.
fn abbreviates(word: &str, name: &str) -> bool {
    word.len() >= 3
        && name
            .get(..word.len())
            .is_some_and(|start| start.eq_ignore_ascii_case(word))
}

fn month_number(word: &str) -> Option<u32> {
    (1..)
        .zip(listed(MONTHS))
        .find(|(_, name)| abbreviates(word, name))
        .map(|(number, _)| number)
}

fn is_weekday(word: &str) -> bool {
    listed(WEEKDAYS).any(|name| abbreviates(word, name))
}

fn small(digits: &str) -> Result<u32, DateError> {
    let plain = (1..=2).contains(&digits.len()) && digits.bytes().all(|b| b.is_ascii_digit());
    plain
        .then(|| digits.parse().ok())
        .flatten()
        .ok_or(DateError::Unreadable)
}

fn full_year(digits: &str) -> Result<i32, DateError> {
    if !digits.bytes().all(|b| b.is_ascii_digit()) {
        return Err(DateError::Unreadable);
    }
    match (digits.len(), digits.parse::<i32>()) {
        (2, Ok(year)) => Ok(2000 + year),
        (4, Ok(year)) => Ok(year),
        _ => Err(DateError::Unreadable),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn day(year: i32, month: u32, day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(year, month, day).unwrap()
    }

    #[test]
    fn plain_dates() {
        for text in [
            "2025-02-01",
            "2025/02/01",
            "2025.02.01",
            "20250201",
            "2025-2-1",
            "2025/2/01 10:30",
            "2025-02-01T12:30:00Z",
            "2025-02-01 9:05",
            "2025-02-01T12:30:00.123+01:00",
            "1 Feb 2025",
            "01 February 2025",
            "1-Feb-25",
            "Feb 1, 2025",
            "FEBRUARY 1st 2025",
            "Sat, 1 Feb 2025",
            "Feb 1, 2025 3:04:05 PM",
            "1. Feb. 2025",
        ] {
            assert_eq!(
                read_date(text),
                Ok(WrittenDate::Plain(day(2025, 2, 1))),
                "{text}"
            );
        }
    }

    #[test]
    fn numeric_dates_have_two_readings() {
        for (text, day_first, month_first) in [
            ("31/12/2025", Some(day(2025, 12, 31)), None),
            ("12/31/2025", None, Some(day(2025, 12, 31))),
            ("31.12.25", Some(day(2025, 12, 31)), None),
            (
                "3/4/2025 10:00",
                Some(day(2025, 4, 3)),
                Some(day(2025, 3, 4)),
            ),
            ("3-4-25", Some(day(2025, 4, 3)), Some(day(2025, 3, 4))),
        ] {
            let Ok(WrittenDate::Numbers(numbers)) = read_date(text) else {
                panic!("{text}")
            };
            assert_eq!(numbers.day(DateOrder::DayFirst), day_first, "{text}");
            assert_eq!(numbers.day(DateOrder::MonthFirst), month_first, "{text}");
        }
    }

    #[test]
    fn typed_days_take_every_form() {
        // A Wednesday.
        let today = day(2026, 11, 25);
        for (text, day_first, month_first) in [
            ("2026-11-20", "2026-11-20", "2026-11-20"),
            ("20.11.2026", "2026-11-20", "2026-11-20"),
            ("3.2.2026", "2026-02-03", "2026-02-03"),
            ("3 Feb 2026", "2026-02-03", "2026-02-03"),
            ("Feb 3, 2026", "2026-02-03", "2026-02-03"),
            ("03/02/2026", "2026-02-03", "2026-03-02"),
            ("20/11/2026", "2026-11-20", "2026-11-20"),
            ("11/20/26", "2026-11-20", "2026-11-20"),
            (" yesterday ", "2026-11-24", "2026-11-24"),
            ("20261120", "2026-11-20", "2026-11-20"),
        ] {
            for (order, expected) in [
                (DateOrder::DayFirst, day_first),
                (DateOrder::MonthFirst, month_first),
            ] {
                let read = day_typed(text, order, today).map(|day| day.to_string());
                assert_eq!(read.as_deref(), Ok(expected), "{text} {order}");
            }
            let two = date_typed(text, today).unwrap().two_ways().is_some();
            assert_eq!(two, day_first != month_first, "{text}");
        }
        let wrong = |text| date_typed(text, today).unwrap_err();
        assert!(wrong("31.2.2026").contains("calendar has"));
        assert!(wrong("soon").contains("20.11.2026, 20 Nov 2026, today"));
        assert!(wrong("46000").starts_with("a day, such as"));
    }

    #[test]
    fn what_is_no_date() {
        for text in [
            "",
            "soon",
            "2025",
            "1/2",
            "1/2/3/4",
            "1/2/025",
            "Feb 2025",
            "Feb Mar 2025",
            "1 Fe 2025",
            "12:30",
            "2025-02-01 later",
            "99999999999999999999",
            "1/2-2025",
            "ä/1/2025",
            "-1/2/2025",
            "1,2,2025",
        ] {
            assert_eq!(read_date(text), Err(DateError::Unreadable), "{text}");
        }
        for text in [
            "2025-02-30",
            "2025-2-30",
            "30/30/2025",
            "31 Feb 2025",
            "20251301",
        ] {
            assert_eq!(read_date(text), Err(DateError::NoSuchDay), "{text}");
        }
        assert_eq!(read_date("45688"), Err(DateError::Serial(day(2025, 1, 31))));
        assert_eq!(
            read_date("45688.25"),
            Err(DateError::Serial(day(2025, 1, 31)))
        );
    }

    #[test]
    fn days_relative_to_today() {
        // A Wednesday.
        let today = day(2026, 11, 25);
        for (text, expected) in [
            ("today", Some(day(2026, 11, 25))),
            (" Yesterday ", Some(day(2026, 11, 24))),
            ("3 days ago", Some(day(2026, 11, 22))),
            ("1 day ago", Some(day(2026, 11, 24))),
            ("0 days ago", Some(today)),
            ("a week  ago", Some(day(2026, 11, 18))),
            ("30 weeks ago", Some(day(2026, 4, 29))),
            ("tuesday", Some(day(2026, 11, 24))),
            ("Thu", Some(day(2026, 11, 19))),
            ("last monday", Some(day(2026, 11, 23))),
            // The current weekday would be called `today`.
            ("wednesday", Some(day(2026, 11, 18))),
            ("sunday", Some(day(2026, 11, 22))),
            ("tomorrow", None),
            ("mo", None),
            ("", None),
            ("-1 days ago", None),
            ("days ago", None),
            ("3 months ago", None),
            ("last", None),
            ("18446744073709551615 weeks ago", None),
            ("99999999999 days ago", None),
        ] {
            assert_eq!(relative_day(today, text), expected, "{text}");
        }
    }

    proptest! {
        #[test]
        fn no_text_panics(text in any::<String>(), digits in "[0-9/.: T-]{0,24}") {
            let _ = read_date(&text);
            let _ = read_date(&digits);
            let _ = relative_day(day(2026, 11, 25), &text);
        }
    }
}
