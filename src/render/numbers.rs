//! Numbers for the reader: money with its currency, signed changes, shares.

use std::fmt::Display;

use rust_decimal::Decimal;

use crate::trade::Currency;
use crate::trade::money::grouped;

/// `1 comp`, `2 comps`.
pub fn count<N: Display + PartialEq + From<u8>>(number: N, one: &str) -> String {
    let plural = if number == N::from(1) { "" } else { "s" };
    format!("{number} {one}{plural}")
}

/// A number with one decimal; a dash for none.
pub fn tenths(number: Option<f64>) -> String {
    number.map_or("–".into(), |number| format!("{number:.1}"))
}

/// An exact amount with groups of three digits: `1 234.50`.
pub fn amount(currency: &Currency, amount: Decimal) -> String {
    grouped(&currency.plain(amount))
}

/// An exact amount with a plus sign if it is above zero.
pub fn signed(currency: &Currency, value: Decimal) -> String {
    let sign = if value > Decimal::ZERO { "+" } else { "" };
    format!("{sign}{}", amount(currency, value))
}

/// An amount of the statistics, rounded to the minor unit, or to whole units from 1000 on.
pub fn about(currency: &Currency, amount: f64) -> String {
    let large = amount.abs() >= 1000.0;
    let rounded = if large { amount.round() } else { amount };
    let Some(exact) = currency.from_statistics(rounded) else {
        return "–".into();
    };
    let exact = if large { exact.round() } else { exact };
    let plain = exact.to_string();
    let negative = plain.starts_with('-') && plain.bytes().any(|b| b.is_ascii_digit() && b != b'0');
    let digits = grouped(plain.trim_start_matches('-'));
    if negative {
        format!("−{digits}")
    } else {
        digits
    }
}

/// A change: [`about`] with a plus sign unless it is negative.
pub fn change(currency: &Currency, amount: f64) -> String {
    let text = about(currency, amount);
    if text.starts_with('−') || amount == 0.0 {
        text
    } else {
        format!("+{text}")
    }
}

/// A change in per cent with one decimal and a sign.
pub fn percent_change(percent: f64) -> String {
    let text = format!("{:.1}", percent.abs());
    match text.as_str() {
        "0.0" => "0.0 %".into(),
        _ if percent < 0.0 => format!("−{text} %"),
        _ => format!("+{text} %"),
    }
}

/// A probability in per cent with this many decimals. One that is not certain is never rounded to 0
/// or 100: `under 1 %`, `over 99 %`.
pub fn chance(share: f64, decimals: usize) -> String {
    let text = format!("{:.decimals$}", 100.0 * share);
    let least = 0.1_f64.powi(decimals.try_into().unwrap_or(0));
    if share > 0.0 && text.bytes().all(|b| matches!(b, b'0' | b'.')) {
        format!("under {least:.decimals$} %")
    } else if share < 1.0 && text.starts_with("100") {
        format!("over {:.decimals$} %", 100.0 - least)
    } else {
        format!("{text} %")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_chance_is_not_rounded_to_a_certainty() {
        for (share, text) in [
            (0.0, "0 %"),
            (1e-9, "under 1 %"),
            (0.0049, "under 1 %"),
            (0.006, "1 %"),
            (0.5, "50 %"),
            (0.994, "99 %"),
            (0.996, "over 99 %"),
            (1.0 - 1e-9, "over 99 %"),
            (1.0, "100 %"),
        ] {
            assert_eq!(chance(share, 0), text, "{share}");
        }
        for (share, text) in [
            (0.0004, "under 0.1 %"),
            (0.0006, "0.1 %"),
            (0.2034, "20.3 %"),
            (0.9996, "over 99.9 %"),
            (1.0, "100.0 %"),
        ] {
            assert_eq!(chance(share, 1), text, "{share}");
        }
    }

    #[test]
    fn money_is_grouped_and_signed() {
        let eur = Currency { code: "EUR".into() };
        assert_eq!(
            amount(&eur, "1234567.5".parse().unwrap()),
            "1\u{202f}234\u{202f}567.50"
        );
        assert_eq!(about(&eur, -12.344), "−12.34");
        assert_eq!(about(&eur, -0.001), "0.00");
        assert_eq!(about(&eur, 12345.6), "12\u{202f}346");
        assert_eq!(change(&eur, 3.0), "+3.00");
        assert_eq!(percent_change(-0.04), "0.0 %");
        assert_eq!(percent_change(-1.25), "−1.2 %");
    }
}
