//! Values whose reading depends on the whole column: days, amounts, rates, units.

use chrono::NaiveDate;
use rust_decimal::Decimal;

use super::RowReader;
use crate::book::rates::{self};
use crate::parse::dates::{self, DateError, DateOrder, WrittenDate};
use crate::parse::money::{
    Amount, AmountError, DecimalMark, read_amount, read_quantity, read_rate,
};
use crate::parse::words::is_free;
use crate::sheets::facts::Decided;
use crate::sheets::header::{Column, Field};
use crate::trade::attributes::{Attribute, same_unit};
use crate::trade::cells::{Question, Wrong};
use crate::trade::foreign::{self, Rate};
use crate::trade::{Comp, Currency, checks};

impl<'a> RowReader<'a> {
    /// A day, and whether it could be read two ways; no day if the cell is blank.
    ///
    /// # Errors
    /// The expected form.
    pub fn day(&self, text: &str) -> Result<(Option<NaiveDate>, bool), Wrong> {
        if text.is_empty() {
            return Ok((None, false));
        }
        let fix = "write it as YYYY-MM-DD, such as 2025-12-31";
        let mut guessed = false;
        let day = match dates::read_date(text) {
            Ok(WrittenDate::Plain(day)) => day,
            Ok(WrittenDate::Numbers(numbers)) => match self.facts.date_order() {
                Decided::Known { value, why } => {
                    let chosen = self.input.dates.is_some();
                    let certain = numbers.certain().filter(|_| !chosen);
                    guessed = !chosen && certain.is_none();
                    certain.or_else(|| numbers.day(*value)).ok_or_else(|| {
                        Wrong::new(
                            format!("a date written {value}, as {why}"),
                            "write it so, or as YYYY-MM-DD",
                        )
                    })?
                }
                Decided::Open { why, .. } => numbers
                    .certain()
                    .ok_or_else(|| undecided_date(text, &numbers, why))?,
            },
            Err(DateError::Unreadable) => return Err(unreadable(text, self.today, fix)),
            Err(DateError::NoSuchDay) => {
                return Err(Wrong::new("a day that the calendar has", fix));
            }
            Err(DateError::Serial(day)) => {
                return Err(Wrong::new(
                    format!("a date; as the day number of a spreadsheet this would be {day}"),
                    "format the column as a date in the spreadsheet and save it again",
                ));
            }
        };
        checks::day(day, self.today)?;
        Ok((Some(day), guessed))
    }

    pub(super) fn price(&self, text: &str, currency: &Currency) -> Result<Decimal, Wrong> {
        if text.is_empty() {
            return Err(Wrong::new(
                "the price of the sale",
                "write what the item was sold for, or leave the row out",
            ));
        }
        let price = self.amount(Column::Price, text, currency)?;
        if price > Decimal::ZERO {
            return Ok(price);
        }
        let fix = if price.is_zero() {
            "leave out what was given away: it says nothing about the price"
        } else {
            "leave refunds and returns out, and the sale they belong to"
        };
        Err(Wrong::new("a price above 0", fix))
    }

    pub(super) fn shipping(&self, text: &str, currency: &Currency) -> Result<Decimal, Wrong> {
        if is_free(text) {
            return Ok(Decimal::ZERO);
        }
        let shipping = self.amount(Column::Shipping, text, currency)?;
        if shipping < Decimal::ZERO {
            return Err(Wrong::new(
                "0 or more",
                "write what the buyer paid for shipping, 0 if nothing",
            ));
        }
        Ok(shipping)
    }

    fn amount(&self, column: Column, text: &str, currency: &Currency) -> Result<Decimal, Wrong> {
        let amount = read_amount(text, currency).map_err(|error| {
            let expected = error.expected(currency);
            match &error {
                AmountError::OtherCurrency(sign) => {
                    let code = Currency::likely(sign).map_or("CODE".to_string(), |one| one.code);
                    let fix = format!(
                        "if all your sales are in it, write currency = \"{code}\" into compband.toml; if only this \
                         sheet is, say --fill currency={code} and {} converts it",
                        rates::FILE_NAME
                    );
                    Wrong::new(expected, fix).about(Question::Currency)
                }
                _ => Wrong::new(
                    expected,
                    letter_among_digits(text)
                        + "write digits, with a point or comma before the decimals",
                ),
            }
        })?;
        self.reading(column.into(), &amount, amount.in_currency(currency))
    }

    /// A number with the decimal mark of its column, or else `likely`.
    fn reading(
        &self,
        field: Field,
        amount: &Amount,
        likely: Option<Decimal>,
    ) -> Result<Decimal, Wrong> {
        let forced = self.input.decimal;
        if let Some(mark) = forced {
            return amount.value(mark).ok_or_else(|| {
                Wrong::new(
                    format!("an amount with a {mark}"),
                    "write it so, or change --decimal".to_string(),
                )
            });
        }
        if let Some(value) = amount.certain() {
            return Ok(value);
        }
        match self.facts.decimal_mark(field) {
            Decided::Known { value: mark, .. } => amount
                .value(*mark)
                .ok_or_else(|| Wrong::new(format!("an amount with a {mark}"), "write it so")),
            Decided::Open { .. } if let Some(value) = likely => Ok(value),
            Decided::Open { why, .. } => {
                let reading = |mark| amount.value(mark).unwrap_or_default();
                let expected = format!(
                    "one reading, but this is {} with a decimal point and {} with a decimal comma, and {why}",
                    reading(DecimalMark::Point),
                    reading(DecimalMark::Comma)
                );
                let fix = "say --decimal point or --decimal comma";
                Err(Wrong::new(expected, fix).about(Question::DecimalMark(field.number())))
            }
        }
    }

    /// The value of an attribute: a number, optionally followed by its unit.
    pub(super) fn quantity(
        &self,
        at: usize,
        text: &str,
        declared: Option<&Attribute>,
    ) -> Result<Decimal, Wrong> {
        let (amount, unit) = read_quantity(text).map_err(|error| {
            Wrong::new(
                match error {
                    AmountError::Unreadable => {
                        "a number, with a unit or none behind it".to_string()
                    }
                    other => other.expected(&self.settings.currency),
                },
                "write digits, such as 256 or 87.5, or leave the cell blank if it is not known",
            )
        })?;
        if !unit.is_empty() {
            self.unit_fits(at, unit, declared)?;
        }
        let value = self.reading(Field::Attribute(at), &amount, None)?;
        match declared.and_then(|attribute| attribute.fault(value)) {
            Some(expected) => Err(Wrong::new(
                expected,
                "fix it, or leave the cell blank if it is not known",
            )),
            None => Ok(value),
        }
    }

    /// Refuses a unit other than that of the settings, or else the first one in the column.
    fn unit_fits(&self, at: usize, unit: &str, declared: Option<&Attribute>) -> Result<(), Wrong> {
        let settings = declared.map(|attribute| attribute.unit.as_str());
        let (ours, why) = match settings.filter(|unit| !unit.is_empty()) {
            Some(ours) => (ours, "as compband.toml says".to_string()),
            None => match self.facts.unit(at) {
                Some((first, line)) => (first.as_str(), format!("as row {line} is")),
                None => return Ok(()),
            },
        };
        if same_unit(unit, ours) {
            return Ok(());
        }
        Err(Wrong::new(
            format!("a number in {ours}, {why}"),
            format!("convert it to {ours}: one attribute has one unit"),
        ))
    }

    /// The currency of the row, if it is not the book's.
    pub(super) fn other_currency(&self, text: &str) -> Result<Option<Currency>, Wrong> {
        if self.settings.currency.answers_to(text) == Some(true) {
            return Ok(None);
        }
        let other = Currency::of_code(text).ok_or_else(rates::no_code)?;
        Ok(Some(other))
    }

    /// The exchange rate in the row.
    pub(super) fn rate(&self, text: &str) -> Result<Decimal, Wrong> {
        let amount = read_rate(text).ok();
        let value = amount.map(|amount| self.reading(Column::Rate.into(), &amount, None));
        let value = value
            .transpose()?
            .filter(|value| foreign::in_bounds(*value));
        value.ok_or_else(|| {
            Wrong::new(
                foreign::expected_rate(),
                "write what one unit of the other currency was worth, such as 0.9132",
            )
        })
    }

    /// The day of the exchange rate in the row.
    pub(super) fn rate_date(&self, text: &str) -> Result<Option<NaiveDate>, Wrong> {
        if text.is_empty() {
            return Err(Wrong::new("the day of the rate", "write it as YYYY-MM-DD"));
        }
        Ok(self.day(text)?.0)
    }

    /// The rate of a sale in another currency without one in its row: that of the sale in the book,
    /// or else that of its day.
    pub(super) fn rate_at_hand(&self, comp: &mut Comp, code: &str) -> Result<Rate, Wrong> {
        // With the currency as it will be written, so that its identifier is the final one.
        let ours = std::mem::replace(&mut comp.currency, code.to_string());
        let id = if comp.comp_id.is_empty() {
            comp.derive_id(0)
        } else {
            comp.comp_id.clone()
        };
        comp.currency = ours;
        let rate = self.conversion.rate(&id, code, comp.sold_on);
        rate.map_err(|wrong| {
            let own = Column::RATE.map(Column::name).join(", ");
            let fix = format!("{}, or fill {own} of the row", wrong.fix);
            Wrong::new(wrong.expected, fix)
        })
    }
}

/// The error of a date that could be read two ways in a column with dates of both orders: no single answer fixes
/// them all.
fn undecided_date(text: &str, numbers: &dates::NumericDate, why: &str) -> Wrong {
    let reading = |order| {
        numbers
            .day(order)
            .map_or("no day".to_string(), |day| day.to_string())
    };
    let expected = format!(
        "dates whose order is known, but {text:?} is {} day first and {} month first, and {why}",
        reading(DateOrder::DayFirst),
        reading(DateOrder::MonthFirst)
    );
    let fix = "write it as YYYY-MM-DD, or say --dates dmy (day first) or --dates mdy (month first) for all";
    Wrong::new(expected, fix)
}

/// `the letter "O" stands among the digits; `, for a text such as `8O,00`; or else empty.
fn letter_among_digits(text: &str) -> String {
    let text: Vec<char> = text.chars().collect();
    let near_digit = |at: usize| {
        let digit = |at: usize| text.get(at).is_some_and(char::is_ascii_digit);
        let before = at.checked_sub(1).is_some_and(digit);
        before || digit(at + 1)
    };
    let looks_like_one = |c: char| "OoQIlLsSBZ".contains(c);
    let found = (0..text.len()).find(|at| looks_like_one(text[*at]) && near_digit(*at));
    let has_others = text.iter().filter(|c| c.is_alphabetic()).count() > 2;
    match found {
        Some(at) if !has_others => format!("the letter \"{}\" stands among the digits; ", text[at]),
        _ => String::new(),
    }
}

/// The error of a text that is no date. One relative to today would be another day at each import.
fn unreadable(text: &str, today: NaiveDate, fix: &str) -> Wrong {
    match dates::relative_day(today, text) {
        Some(day) => Wrong::new(
            "a date that stays the same day whenever the sheet is read",
            format!("write the day itself: {day} if {text:?} is meant from today"),
        ),
        None if text.chars().any(|c| c.is_ascii_digit()) => Wrong::new("a date", fix),
        None => Wrong::new(
            "a date",
            format!("{fix}, or leave the cell empty if the day is not known"),
        ),
    }
}
