//! Numbers for the reader: money with its currency, signed changes, shares.

use rust_decimal::Decimal;

use crate::trade::Currency;

/// Narrow no-break space, the separator between groups of three digits.
const GROUP: char = '\u{202f}';

/// `1 comp`, `2 comps`.
pub fn count(number: usize, one: &str) -> String {
    format!("{number} {one}{}", if number == 1 { "" } else { "s" })
}

/// An exact amount with groups of three digits: `1 234.50`.
pub fn amount(currency: &Currency, amount: Decimal) -> String {
    grouped(&currency.plain(amount))
}

/// An amount of the statistics, rounded to the minor unit, or to whole units from 1000 on.
pub fn about(currency: &Currency, amount: f64) -> String {
    let rounded = if amount.abs() >= 1000.0 {
        amount.round()
    } else {
        amount
    };
    let Some(exact) = currency.from_statistics(rounded) else {
        return "–".into();
    };
    let plain = if amount.abs() >= 1000.0 {
        exact.round().to_string()
    } else {
        exact.to_string()
    };
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

/// Decimal digits with the whole part in groups of three, and a true minus sign.
pub(super) fn grouped(plain: &str) -> String {
    let (sign, digits) = plain
        .strip_prefix('-')
        .map_or(("", plain), |rest| ("−", rest));
    let (whole, fraction) = digits
        .split_once('.')
        .map_or((digits, None), |(w, f)| (w, Some(f)));
    let mut out = String::from(sign);
    for (at, digit) in whole.chars().enumerate() {
        if at > 0 && (whole.len() - at) % 3 == 0 && whole.len() > 3 {
            out.push(GROUP);
        }
        out.push(digit);
    }
    if let Some(fraction) = fraction {
        out.push('.');
        out.push_str(fraction);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

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
