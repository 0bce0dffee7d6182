//! Exact amounts: decimals and text form.

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

/// Plain decimal text without trailing zeros beyond two places (`12.50`, `3.125`).
pub fn money_text(amount: Decimal) -> String {
    money_form(amount).to_string()
}

pub(crate) fn money_form(amount: Decimal) -> Decimal {
    let mut amount = if amount.scale() > 2 {
        amount.normalize()
    } else {
        amount
    };
    if amount.scale() < 2 {
        amount.rescale(2);
    }
    if amount.is_zero() {
        amount.set_sign_positive(true);
    }
    amount
}

/// Decimals of the amounts in a book: amounts are whole multiples of 10^-4 of the currency.
pub const MINOR_SCALE: u32 = 4;

/// Largest amount in a book, in whole units of the currency.
pub const MOST_MONEY: i64 = 99_999_999_999;

/// An amount in units of 10^-[`MINOR_SCALE`], exact. `None` if it has more decimals, is negative or
/// exceeds [`MOST_MONEY`].
pub fn minor_units(amount: Decimal) -> Option<i64> {
    let most = Decimal::from(MOST_MONEY);
    if amount.is_sign_negative() && !amount.is_zero() || amount > most {
        return None;
    }
    let units = amount.checked_mul(Decimal::from(10_i64.pow(MINOR_SCALE)))?;
    units.is_integer().then(|| units.to_i64()).flatten()
}

/// The amount of this number of units of 10^-[`MINOR_SCALE`].
pub fn from_minor_units(units: i64) -> Decimal {
    Decimal::new(units, MINOR_SCALE)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn minor_units_are_exact_or_nothing() {
        let units = |text: &str| minor_units(text.parse().unwrap());
        assert_eq!(units("12.3456"), Some(123_456));
        assert_eq!(units("99999999999"), Some(999_999_999_990_000));
        assert_eq!(units("0.00"), Some(0));
        for wrong in [
            "0.00001",
            "-1",
            "100000000000",
            "79228162514264337593543950335",
        ] {
            assert_eq!(units(wrong), None, "{wrong}");
        }
        assert_eq!(money_text(from_minor_units(123_400)), "12.34");
    }

    #[test]
    fn amounts_keep_what_counts() {
        for (amount, text) in [
            ("12", "12.00"),
            ("12.5", "12.50"),
            ("3.1250", "3.125"),
            ("0", "0.00"),
            ("1.00000", "1.00"),
            ("-0.00", "0.00"),
        ] {
            assert_eq!(money_text(amount.parse().unwrap()), text);
        }
    }
}
