//! Sales paid in a currency other than the book's: the amount paid, and the exchange rate.
//!
//! A row keeps the amount paid and the rate. The amount in the book's currency is always computed
//! from these: price and shipping are each rounded once, half-even, to the minor unit (ISO 4217) of
//! the book's currency.

use crate::trade::cells;
use std::fmt;

use chrono::NaiveDate;
use rust_decimal::Decimal;

use crate::trade::Currency;
use crate::trade::cells::Wrong;
use crate::trade::money::{MOST_MONEY, money_text};

/// Columns of the rate. They follow the columns of every comp in a file in which some row has a
/// rate.
pub const RATE_COLUMNS: [&str; 3] = ["rate", "rate_date", "rate_source"];

/// Most decimals of a rate.
pub const RATE_SCALE: u32 = 10;

/// Largest rate.
pub const MOST_RATE: i64 = 9_999_999;

/// Separator between the parts of a [`Foreign`] as text.
const APART: char = ';';

/// An exchange rate and its source.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rate {
    /// Units of the book's currency for one unit of the other: above 0, at most [`MOST_RATE`], with
    /// at most [`RATE_SCALE`] decimals.
    pub value: Decimal,
    /// Day of the rate.
    pub date: NaiveDate,
    /// Source of the rate, in the user's words.
    pub source: String,
}

/// An amount paid in another currency.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Foreign {
    /// ISO 4217 code; never the book's.
    pub currency: String,
    /// Price of the item, without shipping.
    pub price: Decimal,
    /// Shipping paid by the buyer.
    pub shipping: Decimal,
    /// Rate of the conversion.
    pub rate: Rate,
}

impl Rate {
    /// Reads the three cells of a canonical file. Passes each error to `report`, with its position
    /// in [`RATE_COLUMNS`].
    pub fn parse(cells: [&str; 3], report: &mut dyn FnMut(usize, Wrong)) -> Option<Self> {
        let value = value(cells[0]).map_err(|wrong| report(0, wrong));
        let date = cells::day(cells[1]).map_err(|wrong| report(1, wrong));
        let source = source(cells[2]).map_err(|wrong| report(2, wrong));
        Some(Self {
            value: value.ok()?,
            date: date.ok()?,
            source: source.ok()?,
        })
    }

    /// The cells in the order of [`RATE_COLUMNS`].
    pub fn cells(&self) -> [String; 3] {
        [
            self.value.normalize().to_string(),
            self.date.to_string(),
            self.source.clone(),
        ]
    }
}

/// `0.9132 (2026-03-02, bank's monthly list)`
impl fmt::Display for Rate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let value = self.value.normalize();
        write!(f, "{value} ({}, {})", self.date, self.source)
    }
}

/// Reads a rate: digits with an optional decimal point.
///
/// # Errors
/// Anything else, an empty text, and numbers out of the bounds of [`Rate::value`].
pub fn value(text: &str) -> Result<Decimal, Wrong> {
    let plain = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    let value: Option<Decimal> = plain.then(|| text.parse().ok()).flatten();
    value.filter(|value| in_bounds(*value)).ok_or_else(|| {
        Wrong::new(
            expected_rate(),
            "write what one unit of the other currency is worth, with digits and a decimal point only, such as 0.9132",
        )
    })
}

/// Whether a rate is within the bounds of [`Rate::value`].
pub fn in_bounds(value: Decimal) -> bool {
    value > Decimal::ZERO
        && value <= Decimal::from(MOST_RATE)
        && value.normalize().scale() <= RATE_SCALE
}

/// Description of a valid rate, for messages.
pub fn expected_rate() -> String {
    format!("a rate above 0, at most {MOST_RATE}, with at most {RATE_SCALE} decimals")
}

/// Reads the source of a rate: any text.
///
/// # Errors
/// An empty text, and control characters.
pub fn source(text: &str) -> Result<String, Wrong> {
    let fix = "write in a few words who says so, such as a bank's list";
    cells::named(text, "where the rate comes from", fix)
}

/// `amount` times `rate`, rounded once, half-even, to the minor unit of `currency`. `None` if it
/// exceeds [`MOST_MONEY`].
pub fn convert(amount: Decimal, rate: Decimal, currency: &Currency) -> Option<Decimal> {
    let (amount, rate) = (amount.normalize(), rate.normalize());
    let product = amount.mantissa().checked_mul(rate.mantissa())?;
    let (scale, decimals) = (amount.scale() + rate.scale(), currency.decimals());
    let units = if scale <= decimals {
        product.checked_mul(10_i128.checked_pow(decimals - scale)?)?
    } else {
        let divisor = 10_i128.checked_pow(scale - decimals)?;
        let (whole, rest) = (product / divisor, product % divisor);
        let up = match (2 * rest).cmp(&divisor) {
            std::cmp::Ordering::Less => 0,
            std::cmp::Ordering::Equal => whole % 2,
            std::cmp::Ordering::Greater => 1,
        };
        whole + up
    };
    let converted = Decimal::try_from_i128_with_scale(units, decimals).ok()?;
    (converted <= Decimal::from(MOST_MONEY)).then_some(converted)
}

impl Foreign {
    /// Price and shipping in the book's `currency`.
    ///
    /// # Errors
    /// A price below half a minor unit, or an amount above the largest of a book.
    pub fn converted(&self, currency: &Currency) -> Result<(Decimal, Decimal), Wrong> {
        let convert = |amount| convert(amount, self.rate.value, currency);
        let code = &currency.code;
        let (Some(price), Some(shipping)) = (convert(self.price), convert(self.shipping)) else {
            return Err(Wrong::new(
                format!("an amount that comes to at most {MOST_MONEY} {code}"),
                "check amount and rate",
            ));
        };
        if price.is_zero() {
            let least = Decimal::new(1, currency.decimals());
            return Err(Wrong::new(
                format!("a price that comes to at least {least} {code}"),
                "check price and rate",
            ));
        }
        Ok((price, shipping))
    }

    /// The amount paid, in words: `120.00 XCU`, or `120.00 + 5.00 XCU` with shipping.
    pub fn paid(&self) -> String {
        let shipping = if self.shipping.is_zero() {
            String::new()
        } else {
            format!(" + {}", self.amount(self.shipping))
        };
        format!("{}{shipping} {}", self.amount(self.price), self.currency)
    }

    /// The amount paid and the rate: `120.00 + 5.00 XCU × 0.9132 (2026-03-02, bank's monthly
    /// list)`.
    pub fn in_words(&self) -> String {
        format!("{} × {}", self.paid(), self.rate)
    }

    /// The whole conversion: `paid 120.00 XCU × 0.9132 (2026-03-02, bank's monthly list) = 109.58`.
    pub fn worked_out(&self, price: Decimal, shipping: Decimal, currency: &Currency) -> String {
        let shipping = if self.shipping.is_zero() {
            String::new()
        } else {
            format!(" + {}", currency.exact(shipping))
        };
        format!(
            "paid {} = {}{shipping}",
            self.in_words(),
            currency.exact(price)
        )
    }

    /// An amount with the decimals of its currency, or more if it has more.
    fn amount(&self, amount: Decimal) -> String {
        let currency = Currency {
            code: self.currency.clone(),
        };
        currency.exact(amount)
    }

    /// Reads the text form of a [`Foreign`].
    pub fn parse(text: &str) -> Option<Self> {
        let mut parts = text.splitn(6, APART);
        let mut part = || parts.next();
        let currency = part()?.to_string();
        let (price, shipping) = (part()?.parse().ok()?, part()?.parse().ok()?);
        let rate = Rate::parse([part()?, part()?, part()?], &mut |_, _| {})?;
        Some(Self {
            currency,
            price,
            shipping,
            rate,
        })
    }
}

/// `XCU;120.00;5.00;0.9132;2026-03-02;bank's monthly list`
impl fmt::Display for Foreign {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (price, shipping) = (money_text(self.price), money_text(self.shipping));
        write!(f, "{}{APART}{price}{APART}{shipping}", self.currency)?;
        for cell in self.rate.cells() {
            write!(f, "{APART}{cell}")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn dec(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    fn currency(code: &str) -> Currency {
        Currency::parse(code).unwrap()
    }

    fn foreign(price: &str, rate: &str) -> Foreign {
        Foreign {
            currency: "XCU".into(),
            price: dec(price),
            shipping: dec("5"),
            rate: Rate {
                value: dec(rate),
                date: NaiveDate::from_ymd_opt(2026, 3, 2).unwrap(),
                source: "bank's list; monthly".into(),
            },
        }
    }

    /// Amount, rate, the book's currency, and the product.
    const PRODUCTS: [(&str, &str, &str, &str); 20] = [
        ("120", "0.9132", "EUR", "109.58"),
        ("0.5", "0.01", "EUR", "0.00"),
        ("1.5", "0.01", "EUR", "0.02"),
        ("2.5", "0.01", "EUR", "0.02"),
        ("120.05", "0.9", "EUR", "108.04"),
        ("10.125", "1", "EUR", "10.12"),
        ("10.135", "1", "EUR", "10.14"),
        ("10.1350", "1.0000000001", "EUR", "10.14"),
        ("99.99", "0.5", "EUR", "50.00"),
        ("45", "0.3", "JPY", "14"),
        ("55", "0.3", "JPY", "16"),
        ("4500", "0.0061234", "EUR", "27.56"),
        ("12.3456", "0.0081", "KWD", "0.100"),
        ("1", "0.0005", "KWD", "0.000"),
        ("1", "0.0015", "KWD", "0.002"),
        ("3", "2.5", "JPY", "8"),
        ("98765432109.8765", "1.0123456789", "EUR", "99984758421.12"),
        ("7", "1000000.125", "EUR", "7000000.88"),
        ("99999999.9999", "0.0000000001", "KWD", "0.010"),
        ("123456.7891", "811.2345678901", "JPY", "100152415"),
    ];

    /// Products rounded by Python 3's `decimal`: `(Decimal(a) * Decimal(r)).quantize(q,
    /// ROUND_HALF_EVEN)` under a precision of 60 digits.
    #[test]
    fn products_are_rounded_as_pythons_decimal_rounds_them() {
        for (amount, rate, code, product) in PRODUCTS {
            let converted = convert(dec(amount), dec(rate), &currency(code)).unwrap();
            assert_eq!(converted.to_string(), product, "{amount} x {rate} {code}");
        }
    }

    #[test]
    fn a_product_beyond_what_a_book_keeps_is_none() {
        let euro = currency("EUR");
        assert_eq!(convert(dec("99999999999"), dec("1.1"), &euro), None);
        assert!(convert(dec("99999999999"), dec("1"), &euro).is_some());
        assert_eq!(
            convert(dec("99999999999.9999"), dec("9999998.9999999999"), &euro),
            None
        );
        assert!(foreign("0.0001", "0.01").converted(&euro).is_err());
        let (price, shipping) = foreign("120", "0.9132").converted(&euro).unwrap();
        assert_eq!((price, shipping), (dec("109.58"), dec("4.57")));
    }

    #[test]
    fn rates_have_bounds() {
        for good in [
            "0.9132",
            "1",
            ".5",
            "0.0000000001",
            "9999999",
            "1.50000000000000",
        ] {
            assert!(value(good).is_ok(), "{good}");
        }
        for wrong in [
            "",
            "0",
            "0.0",
            "-1",
            "1,5",
            "1e3",
            "+1",
            " 1",
            "0.00000000001",
            "9999999.1",
            "1.2.3",
            ".",
        ] {
            assert!(value(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn what_is_written_reads_back() {
        let paid = foreign("120", "0.91320");
        let text = paid.to_string();
        assert_eq!(
            text,
            "XCU;120.00;5.00;0.9132;2026-03-02;bank's list; monthly"
        );
        assert_eq!(Foreign::parse(&text), Some(paid.clone()));
        assert_eq!(paid.paid(), "120.00 + 5.00 XCU");
        assert_eq!(
            paid.rate.to_string(),
            "0.9132 (2026-03-02, bank's list; monthly)"
        );
        let yen = Foreign {
            currency: "JPY".into(),
            shipping: Decimal::ZERO,
            ..foreign("4500", "0.0061")
        };
        assert_eq!(yen.paid(), "4500 JPY");
        for wrong in ["", "XCU", "XCU;1;1;1;2026-03-02", "XCU;1;1;0;2026-03-02;x"] {
            assert_eq!(Foreign::parse(wrong), None, "{wrong}");
        }
    }
}
