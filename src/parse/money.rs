//! Money as people write it.

use crate::trade::currency::Currency;
use rust_decimal::Decimal;

use crate::trade::foreign::{MOST_RATE, RATE_SCALE};
use crate::trade::money::{MINOR_SCALE, MOST_MONEY};

/// Decimal mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DecimalMark {
    /// `1,234.50`
    Point,
    /// `1.234,50`
    Comma,
}

impl std::fmt::Display for DecimalMark {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Point => "decimal point",
            Self::Comma => "decimal comma",
        })
    }
}

/// An amount as written, with the readings of `.` and `,` as decimal mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Amount {
    point: Option<Decimal>,
    comma: Option<Decimal>,
}

impl Amount {
    /// The amount if `mark` is the decimal mark; `None` if the text cannot be read that way.
    pub fn value(&self, mark: DecimalMark) -> Option<Decimal> {
        match mark {
            DecimalMark::Point => self.point,
            DecimalMark::Comma => self.comma,
        }
    }

    /// The amount, if both readings agree or only one is possible.
    pub fn certain(&self) -> Option<Decimal> {
        match (self.point, self.comma) {
            (Some(point), Some(comma)) if point != comma => None,
            (point, comma) => point.or(comma),
        }
    }

    /// The amount, or else the reading that the decimals of the currency decide: of two readings
    /// that differ, three digits follow the mark, and after a point these are the decimals of a
    /// currency that has three (`31.836`). A comma is left open: it may group thousands.
    pub fn in_currency(&self, currency: &Currency) -> Option<Decimal> {
        let of_point = || {
            self.point
                .filter(|amount| currency.decimals() == 3 && amount.scale() == 3)
        };
        self.certain().or_else(of_point)
    }

    /// Without the reading that has parts of a currency that has none: `1,234` and `1.234` are
    /// 1234.
    fn whole_if(self, currency: &Currency) -> Self {
        let (Some(point), Some(comma)) = (self.point, self.comma) else {
            return self;
        };
        let is_whole = |amount: &Decimal| amount.scale() == 0;
        if currency.decimals() > 0 || is_whole(&point) == is_whole(&comma) {
            return self;
        }
        Self {
            point: Some(point).filter(is_whole),
            comma: Some(comma).filter(is_whole),
        }
    }

    /// The only decimal mark with which the text is an amount.
    pub fn proves(&self) -> Option<DecimalMark> {
        match (self.point, self.comma) {
            (Some(_), None) => Some(DecimalMark::Point),
            (None, Some(_)) => Some(DecimalMark::Comma),
            _ => None,
        }
    }
}

/// Reason why a text is not an amount of a currency.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum AmountError {
    /// Not a number as people write amounts.
    Unreadable,
    /// More than [`MINOR_SCALE`] decimals.
    TooPrecise,
    /// More than [`MOST_MONEY`].
    TooLarge,
    /// The sign or code of another currency.
    OtherCurrency(String),
}

/// Bounds of size and precision of a number.
#[derive(Clone, Copy)]
struct Bounds {
    most: i64,
    decimals: u32,
}

/// Bounds of amounts.
const AMOUNTS: Bounds = Bounds {
    most: MOST_MONEY,
    decimals: MINOR_SCALE,
};

/// Bounds of exchange rates.
const RATES: Bounds = Bounds {
    most: MOST_RATE,
    decimals: RATE_SCALE,
};

impl Bounds {
    /// Digits of the largest number before its decimals.
    fn most_digits(self) -> u32 {
        self.most.ilog10() + 1
    }
}

/// Reads an amount as people write them: `1234.5`, `$1,234.50`, `1.234,50 €`, `1 234,50`,
/// `1'234.50`, `EUR 12`, `12,-`, and `(12.00)`, `-12` or `12-` for negative ones.
///
/// # Errors
/// [`AmountError`].
pub fn read_amount(text: &str, currency: &Currency) -> Result<Amount, AmountError> {
    let is_digit = |c: char| c.is_ascii_digit();
    let (Some(mut first), Some(last)) = (text.find(is_digit), text.rfind(is_digit)) else {
        return Err(AmountError::Unreadable);
    };
    // `.50` means `0.50`.
    if first > 0 && matches!(text.as_bytes()[first - 1], b'.' | b',') {
        first -= 1;
    }
    let (before, number, after) = (&text[..first], &text[first..=last], &text[last + 1..]);
    let negative = if before.is_empty() && after.is_empty() {
        false
    } else {
        surroundings(before.trim(), after.trim(), currency)?
    };
    Ok(readings(number, negative, AMOUNTS)?.whole_if(currency))
}

/// Reads an exchange rate as people write it: `0.9132`, `0,9132`.
///
/// # Errors
/// [`AmountError`], never one of currency.
pub fn read_rate(text: &str) -> Result<Amount, AmountError> {
    let of_number = |c: char| c.is_ascii_digit() || matches!(c, '.' | ',');
    if !text.chars().all(of_number) || !text.contains(|c: char| c.is_ascii_digit()) {
        return Err(AmountError::Unreadable);
    }
    readings(text, false, RATES)
}

/// Whether a text could be an amount of some currency: a number with at most a sign or a code of money beside it.
pub fn looks_like_amount(text: &str) -> bool {
    let beside = |c: char| c.is_alphabetic() || c.is_whitespace() || "$€£¥₩₹₺₽₴₪₫₱฿₦".contains(c);
    let is_money = |unit: &str| {
        let unit = unit.trim();
        let code = unit.len() == 3 && unit.is_ascii();
        let likely = Currency::likely(unit).is_some() && (!code || unit == unit.to_uppercase());
        unit.is_empty() || likely
    };
    let text = text.trim();
    let number = text.trim_matches(beside);
    let Some(at) = text.find(number).filter(|_| !number.is_empty()) else {
        return false;
    };
    let (before, after) = (&text[..at], &text[at + number.len()..]);
    is_money(before)
        && is_money(after)
        && read_quantity(number).is_ok_and(|(_, unit)| unit.is_empty())
}

/// Reads a number followed by an optional unit, as people write it: `256`, `256 GB`, `1,5"`, `-3.2
/// %`. Bounds and decimals are those of amounts. The unit is returned trimmed.
///
/// # Errors
/// [`AmountError`], never one of currency.
pub fn read_quantity(text: &str) -> Result<(Amount, &str), AmountError> {
    let text = text.trim();
    let unsigned = text.strip_prefix(['-', '\u{2212}', '+']).unwrap_or(text);
    let negative = text.starts_with(['-', '\u{2212}']);
    let of_number = |c: char| c.is_ascii_digit() || c.is_whitespace() || ".,'\u{2019}".contains(c);
    let end = unsigned.find(|c| !of_number(c)).unwrap_or(unsigned.len());
    let (number, unit) = (unsigned[..end].trim_end(), unsigned[end..].trim());
    if !number.starts_with(|c: char| c.is_ascii_digit() || matches!(c, '.' | ',')) {
        return Err(AmountError::Unreadable);
    }
    if !is_unit(unit) {
        return Err(AmountError::Unreadable);
    }
    Ok((readings(number, negative, AMOUNTS)?, unit))
}

/// Whether the text after a number can be a unit (`GB`, `m2`, or nothing) rather than part of the
/// number (`e3`, `/16`, `or 512`).
fn is_unit(text: &str) -> bool {
    let is_digit = |c: char| c.is_ascii_digit();
    let stem = text.strip_suffix(is_digit).unwrap_or(text);
    let exponent = stem.len() < text.len() && stem.eq_ignore_ascii_case("e");
    let begins = text
        .chars()
        .next()
        .is_none_or(|c| c.is_alphabetic() || "%‰°\"″′".contains(c));
    begins && !exponent && !stem.contains(is_digit) && stem == stem.trim_end()
}

/// A number with both readings of `.` and `,`.
fn readings(number: &str, negative: bool, bounds: Bounds) -> Result<Amount, AmountError> {
    let signed = |read: Result<Decimal, AmountError>| match read {
        // Zero has no sign: files of a book must not contain `-0.00`.
        Ok(value) if negative && !value.is_zero() => Ok(Some(-value)),
        Ok(value) => Ok(Some(value)),
        Err(AmountError::Unreadable) => Ok(None),
        Err(error) => Err(error),
    };
    let point = signed(number_with(number, DecimalMark::Point, bounds));
    if !number.contains(['.', ',']) {
        let value = point?;
        return value.map_or(Err(AmountError::Unreadable), |_| {
            Ok(Amount {
                point: value,
                comma: value,
            })
        });
    }
    match (
        point,
        signed(number_with(number, DecimalMark::Comma, bounds)),
    ) {
        (Ok(None), Ok(None)) => Err(AmountError::Unreadable),
        (Ok(point), Ok(comma)) => Ok(Amount { point, comma }),
        // If one reading is no number, the error of the other is reported. Otherwise only one is
        // within bounds.
        (Err(error), Ok(None)) | (Ok(None), Err(error)) | (Err(error), Err(_)) => Err(error),
        (Err(_), Ok(comma)) => Ok(Amount { point: None, comma }),
        (Ok(point), Err(_)) => Ok(Amount { point, comma: None }),
    }
}

/// The other currency that an amount names by its code, such as `110.00 GBP` where the book is in EUR.
pub fn other_currency_in(text: &str, ours: &Currency) -> Option<Currency> {
    let mut words = text
        .split(|c: char| !c.is_alphabetic())
        .filter(|word| !word.is_empty());
    let (code, more) = (words.next()?, words.next());
    let is_code = more.is_none() && code.len() == 3 && code.bytes().all(|b| b.is_ascii_uppercase());
    let other = Currency::of_code(code).filter(|_| is_code)?;
    (other.code != ours.code).then_some(other)
}

/// Reads a single amount, without other amounts that would show the decimal mark.
///
/// # Errors
/// A sentence with the expected form.
pub fn parse_amount(text: &str, currency: &Currency) -> Result<Decimal, String> {
    let amount = read_amount(text.trim(), currency).map_err(|error| error.expected(currency))?;
    amount.in_currency(currency).ok_or_else(|| {
        let [point, comma] =
            [amount.point, amount.comma].map(|v| v.unwrap_or_default().to_string());
        format!(
            "one reading: {text:?} is {point} with a decimal point and {comma} with a decimal comma"
        )
    })
}

impl AmountError {
    /// The expected form, for a message.
    pub fn expected(&self, currency: &Currency) -> String {
        match self {
            Self::Unreadable => {
                let example = currency.plain(Decimal::new(123_450, 2));
                format!("an amount of {}, such as {example}", currency.code)
            }
            Self::TooPrecise => format!("at most {MINOR_SCALE} decimals"),
            Self::TooLarge => format!("an amount up to {MOST_MONEY}"),
            Self::OtherCurrency(other) => {
                format!(
                    "{} only, but {other:?} is another currency (a book has one)",
                    currency.code
                )
            }
        }
    }
}

/// Reads the text around a number (sign, brackets, currency) and returns whether the amount is
/// negative.
fn surroundings(before: &str, after: &str, currency: &Currency) -> Result<bool, AmountError> {
    let minus = ['-', '\u{2212}'];
    let (mut before, mut after, mut negative) = (before, after, false);
    if let (Some(inner_before), Some(inner_after)) =
        (before.strip_prefix('('), after.strip_suffix(')'))
    {
        (before, after, negative) = (inner_before.trim(), inner_after.trim(), true);
    }
    // `12,-` is an amount without cents.
    let no_cents = [",--", ".--", ",-", ".-"]
        .iter()
        .find_map(|dash| after.strip_prefix(dash));
    after = no_cents.unwrap_or(after).trim_start();
    for side in [&mut before, &mut after] {
        if let Some(rest) = side
            .strip_prefix(minus)
            .or_else(|| side.strip_suffix(minus))
        {
            if negative {
                return Err(AmountError::Unreadable);
            }
            (*side, negative) = (rest.trim(), true);
        }
    }
    before = before.strip_prefix('+').unwrap_or(before).trim();
    for unit in [before, after] {
        match currency.answers_to(unit) {
            Some(true) => {}
            Some(false) => return Err(AmountError::OtherCurrency(unit.to_string())),
            None => return Err(AmountError::Unreadable),
        }
    }
    Ok(negative)
}

/// Reads digits with decimals after `mark`. The other mark, white space or an apostrophe separates
/// thousands, the same one throughout.
fn number_with(number: &str, mark: DecimalMark, bounds: Bounds) -> Result<Decimal, AmountError> {
    let most_digits = bounds.most_digits();
    let decimal_mark = if mark == DecimalMark::Point { '.' } else { ',' };
    let (mut mantissa, mut whole_digits, mut decimals) = (0_i64, 0_u32, 0_u32);
    let (mut in_decimals, mut group_mark, mut in_group) = (false, None, 0_u32);
    for c in number.chars() {
        match c {
            '0'..='9' => {
                if in_decimals {
                    decimals += 1;
                } else {
                    in_group += 1;
                    whole_digits += u32::from(mantissa > 0 || c != '0');
                }
                if decimals > bounds.decimals || whole_digits > most_digits {
                    // Continue: that the text is no number at all is the more serious error.
                    continue;
                }
                mantissa = mantissa * 10 + i64::from(c as u8 - b'0');
            }
            _ if c == decimal_mark && !in_decimals => {
                if group_mark.is_some() && in_group != 3 {
                    return Err(AmountError::Unreadable);
                }
                in_decimals = true;
            }
            '.' | ',' | '\'' | '\u{2019}' | ' ' | '\u{a0}' | '\u{202f}' | '\u{2009}'
                if !in_decimals =>
            {
                let whole = match group_mark {
                    None => (1..=3).contains(&in_group) && mantissa > 0,
                    Some(known) => known == c && in_group == 3,
                };
                if !whole {
                    return Err(AmountError::Unreadable);
                }
                (group_mark, in_group) = (Some(c), 0);
            }
            _ => return Err(AmountError::Unreadable),
        }
    }
    if group_mark.is_some() && in_group != 3 {
        return Err(AmountError::Unreadable);
    }
    if whole_digits > most_digits {
        return Err(AmountError::TooLarge);
    }
    if decimals > bounds.decimals {
        return Err(AmountError::TooPrecise);
    }
    let amount = Decimal::new(mantissa, decimals);
    if amount > Decimal::from(bounds.most) {
        Err(AmountError::TooLarge)
    } else {
        Ok(amount)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trade::currency::Currency;
    use proptest::prelude::*;

    fn currency(code: &str) -> Currency {
        Currency::parse(code).unwrap()
    }

    fn certain(text: &str, code: &str) -> Result<Option<String>, AmountError> {
        read_amount(text, &currency(code)).map(|amount| amount.certain().map(|v| v.to_string()))
    }

    #[test]
    fn quantities_as_people_write_them() {
        for (text, value, unit) in [
            ("256", "256", ""),
            (" 256 GB ", "256", "GB"),
            ("87%", "87", "%"),
            ("1,5", "1.5", ""),
            ("13.3\"", "13.3", "\""),
            ("-3 °C", "-3", "°C"),
            ("1 000 000 shots", "1000000", "shots"),
            ("12 m2", "12", "m2"),
            (".5", "0.5", ""),
        ] {
            let (amount, found) = read_quantity(text).unwrap();
            let value: Decimal = value.parse().unwrap();
            assert_eq!((amount.certain(), found), (Some(value), unit), "{text}");
        }
        let (amount, _) = read_quantity("120,000 shots").unwrap();
        assert_eq!(amount.certain(), None);
        for wrong in [
            "",
            "GB",
            "- GB",
            "1.2.3",
            "1e3",
            "twelve",
            "--1",
            "'5",
            "0.00001",
            "5-10",
            "256 or 512",
            "1 or 2",
            "1/2",
        ] {
            assert!(read_quantity(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn amounts_as_people_write_them() {
        for (text, code, value) in [
            ("1234.5", "EUR", "1234.5"),
            ("$1,234.50", "USD", "1234.50"),
            ("$1,234.50", "CAD", "1234.50"),
            ("1.234,50 €", "EUR", "1234.50"),
            ("(12.00)", "EUR", "-12.00"),
            ("($12.00)", "USD", "-12.00"),
            ("1 234,50", "EUR", "1234.50"),
            ("1\u{a0}234,50\u{a0}€", "EUR", "1234.50"),
            ("1\u{202f}234", "EUR", "1234"),
            ("1'234.50", "CHF", "1234.50"),
            ("CHF 1’234.–", "CHF", "none"),
            ("EUR 12", "EUR", "12"),
            ("12eur", "EUR", "12"),
            ("12-", "EUR", "-12"),
            ("-$12", "USD", "-12"),
            ("€-12", "EUR", "-12"),
            ("\u{2212}7,5", "EUR", "-7.5"),
            ("12,-", "EUR", "12"),
            (".50", "EUR", "0.50"),
            ("0,125", "EUR", "0.125"),
            ("1,234,567", "EUR", "1234567"),
            ("1234.567", "EUR", "1234.567"),
            ("12.5000", "EUR", "12.5000"),
            ("99999999999.0000", "EUR", "99999999999.0000"),
            ("000000000000012", "EUR", "12"),
        ] {
            let expected = if value == "none" {
                Err(AmountError::Unreadable)
            } else {
                Ok(Some(value.to_string()))
            };
            assert_eq!(certain(text, code), expected, "{text}");
        }
    }

    #[test]
    fn a_lone_mark_before_three_digits_is_ambiguous() {
        for text in ["1,234", "1.234", "-12,500 EUR"] {
            let amount = read_amount(text, &currency("EUR")).unwrap();
            assert_eq!((amount.certain(), amount.proves()), (None, None), "{text}");
        }
        let amount = read_amount("1,234", &currency("EUR")).unwrap();
        assert_eq!(amount.value(DecimalMark::Point), Some(Decimal::from(1234)));
        assert_eq!(
            amount.value(DecimalMark::Comma),
            Some(Decimal::new(1234, 3))
        );
        assert!(
            parse_amount("1,234", &currency("EUR"))
                .unwrap_err()
                .contains("1.234 with a decimal comma")
        );
    }

    #[test]
    fn the_decimals_of_the_currency_decide_where_they_can() {
        for (text, code, value) in [
            ("1,234", "JPY", Some("1234")),
            ("1.234", "JPY", Some("1234")),
            ("-12,500 JPY", "JPY", Some("-12500")),
            ("1,500", "KRW", Some("1500")),
            ("1,000", "JPY", Some("1000")),
            ("31.836", "KWD", Some("31.836")),
            ("1.500", "KWD", Some("1.500")),
            ("31,836", "KWD", None),
            ("31,83", "KWD", Some("31.83")),
            ("1,234.500", "KWD", Some("1234.500")),
            ("31.836", "EUR", None),
        ] {
            let read = parse_amount(text, &currency(code)).ok();
            assert_eq!(read, value.map(|v| v.parse().unwrap()), "{text} {code}");
        }
        let grouped = read_amount("1,234", &currency("JPY")).unwrap();
        assert_eq!(grouped.proves(), Some(DecimalMark::Point));
        let error = parse_amount("free", &currency("JPY")).unwrap_err();
        assert_eq!(error, "an amount of JPY, such as 1234");
    }

    #[test]
    fn what_looks_like_an_amount() {
        for text in [
            "4.90", "4", "£4.90", "4,90 €", "EUR 5", "5 GBP", "1.234,50", "kr 50",
        ] {
            assert!(looks_like_amount(text), "{text}");
        }
        for text in [
            "",
            "€",
            "4 pcs",
            "12 kg",
            "3/4",
            "abc",
            "2026-01-02",
            "4 or 5",
            "gbp",
        ] {
            assert!(!looks_like_amount(text), "{text}");
        }
        let eur = currency("EUR");
        let other = |text| other_currency_in(text, &eur).map(|other| other.code);
        assert_eq!(other("110.00 GBP").as_deref(), Some("GBP"));
        assert_eq!(
            (other("110 EUR"), other("110"), other("5 gbp")),
            (None, None, None)
        );
    }

    #[test]
    fn what_is_no_amount() {
        for text in [
            "",
            "NaN",
            "inf",
            "-",
            "free",
            "1e5",
            "12.5.1",
            "1,23,4",
            "12 34",
            "1,2345,678",
            "--5",
            "(-5)",
            "5-6",
            "12 pcs",
            "0x12",
            "1_000",
            "٣",
            "12.34,5.6",
        ] {
            assert_eq!(certain(text, "EUR"), Err(AmountError::Unreadable), "{text}");
        }
        assert_eq!(certain("1.23456", "EUR"), Err(AmountError::TooPrecise));
        assert_eq!(certain("99999999999.01", "EUR"), Err(AmountError::TooLarge));
        assert_eq!(certain("100000000000", "EUR"), Err(AmountError::TooLarge));
        assert_eq!(
            certain(&"9".repeat(100_000), "EUR"),
            Err(AmountError::TooLarge)
        );
        for text in ["$12", "12 GBP", "£5"] {
            assert!(
                matches!(certain(text, "EUR"), Err(AmountError::OtherCurrency(_))),
                "{text}"
            );
        }
    }

    proptest! {
        #[test]
        fn no_text_panics(text in any::<String>()) {
            let _ = read_amount(&text, &currency("EUR"));
        }

        #[test]
        fn plain_amounts_come_back(mantissa in -99_999_999_999_i64..=99_999_999_999, scale in 0..=4_u32) {
            let value = Decimal::new(mantissa, scale);
            let amount = read_amount(&value.to_string(), &currency("EUR")).unwrap();
            prop_assert_eq!(amount.value(DecimalMark::Point), Some(value));
        }
    }
}
