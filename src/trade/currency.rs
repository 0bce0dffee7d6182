//! Currencies: codes, signs and decimals.

use crate::trade::money::money_text;
use rust_decimal::Decimal;

/// Signs written next to amounts (lower case), and the ISO 4217 codes that each can mean.
const SIGNS: &[(&str, &[&str])] = &[
    ("$", DOLLARS),
    ("us$", &["USD"]),
    ("ca$", &["CAD"]),
    ("c$", &["CAD"]),
    ("au$", &["AUD"]),
    ("a$", &["AUD"]),
    ("nz$", &["NZD"]),
    ("hk$", &["HKD"]),
    ("s$", &["SGD"]),
    ("r$", &["BRL"]),
    ("€", &["EUR"]),
    ("euro", &["EUR"]),
    ("euros", &["EUR"]),
    ("£", &["GBP", "EGP", "FKP", "GIP", "SHP"]),
    ("¥", &["JPY", "CNY"]),
    ("元", &["CNY"]),
    ("円", &["JPY"]),
    ("₩", &["KRW"]),
    ("₹", &["INR"]),
    ("₺", &["TRY"]),
    ("₽", &["RUB"]),
    ("₴", &["UAH"]),
    ("₪", &["ILS"]),
    ("₫", &["VND"]),
    ("₱", &["PHP"]),
    ("฿", &["THB"]),
    ("₦", &["NGN"]),
    ("kr", &["SEK", "NOK", "DKK", "ISK"]),
    ("kr.", &["SEK", "NOK", "DKK", "ISK"]),
    ("zł", &["PLN"]),
    ("kč", &["CZK"]),
    ("ft", &["HUF"]),
    ("lei", &["RON", "MDL"]),
    ("лв", &["BGN"]),
    ("лв.", &["BGN"]),
    ("fr", &["CHF"]),
    ("fr.", &["CHF"]),
    ("sfr", &["CHF"]),
    ("sfr.", &["CHF"]),
    ("rs", &["INR", "PKR", "LKR", "NPR", "MUR"]),
    ("rs.", &["INR", "PKR", "LKR", "NPR", "MUR"]),
    ("rm", &["MYR"]),
    ("rp", &["IDR"]),
    ("r", &["ZAR"]),
];

const DOLLARS: &[&str] = &[
    "USD", "CAD", "AUD", "NZD", "SGD", "HKD", "TWD", "MXN", "ARS", "CLP", "COP", "UYU", "BBD",
    "BMD", "BND", "BSD", "BZD", "DOP", "FJD", "GYD", "JMD", "KYD", "LRD", "NAD", "SBD", "SRD",
    "TTD", "XCD",
];

/// A currency.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Currency {
    /// ISO 4217 code, three capital letters.
    pub code: String,
}

impl Currency {
    /// Reads a three-letter code, ignoring case.
    ///
    /// # Errors
    /// The text, if it is not three ASCII letters.
    pub fn parse(code: &str) -> Result<Self, String> {
        let code = code.trim();
        if code.len() == 3 && code.bytes().all(|b| b.is_ascii_alphabetic()) {
            Ok(Self {
                code: code.to_ascii_uppercase(),
            })
        } else {
            Err(code.to_string())
        }
    }

    /// The currency of a code in a column of currencies: three letters, ignoring case. `None` for
    /// anything else, including signs (`lei`), which can mean several currencies.
    pub fn of_code(code: &str) -> Option<Self> {
        let lower = code.trim().to_lowercase();
        let is_sign = SIGNS.iter().any(|(sign, _)| *sign == lower);
        Self::parse(code).ok().filter(|_| !is_sign)
    }

    /// The currency that a sign or code most likely means: the commonest in trade of those that write it so.
    pub fn likely(sign: &str) -> Option<Self> {
        let lower = sign.trim().to_lowercase();
        let known = SIGNS.iter().find(|(known, _)| *known == lower);
        let of_sign = known.and_then(|(_, codes)| codes.first()).map(|code| Self {
            code: (*code).to_string(),
        });
        of_sign.or_else(|| Self::of_code(sign))
    }

    /// Decimals of the minor unit (ISO 4217): 0, 2 or 3.
    pub fn decimals(&self) -> u32 {
        match self.code.as_str() {
            "BIF" | "CLP" | "DJF" | "GNF" | "ISK" | "JPY" | "KMF" | "KRW" | "PYG" | "RWF"
            | "UGX" | "VND" | "VUV" | "XAF" | "XOF" | "XPF" => 0,
            "BHD" | "IQD" | "JOD" | "KWD" | "LYD" | "OMR" | "TND" => 3,
            _ => 2,
        }
    }

    /// Whether `unit`, a sign or code next to an amount, can mean this currency. `None` if it is no
    /// sign or code. An empty unit always matches.
    pub fn answers_to(&self, unit: &str) -> Option<bool> {
        if unit.is_empty() || unit.eq_ignore_ascii_case(&self.code) {
            return Some(true);
        }
        let lower = unit.to_lowercase();
        if let Some((_, codes)) = SIGNS.iter().find(|(sign, _)| *sign == lower) {
            return Some(codes.contains(&self.code.as_str()));
        }
        // A word in lower case is no code: `12 pcs`.
        (unit.len() == 3 && unit.bytes().all(|b| b.is_ascii_uppercase())).then_some(false)
    }

    /// An amount rounded half-even to the minor unit, without the code. Zero has no sign.
    pub fn plain(&self, amount: Decimal) -> String {
        let mut rounded = amount.round_dp(self.decimals());
        rounded.rescale(self.decimals());
        if rounded.is_zero() {
            rounded.set_sign_positive(true);
        }
        rounded.to_string()
    }

    /// An amount with the decimals of the currency, or more if it has more.
    pub fn exact(&self, amount: Decimal) -> String {
        if amount.round_dp(self.decimals()) == amount {
            self.plain(amount)
        } else {
            money_text(amount)
        }
    }

    /// Converts a float of the statistics to money, rounded half-even to the minor unit. `None` if
    /// it is not finite or too large for [`Decimal`].
    pub fn from_statistics(&self, amount: f64) -> Option<Decimal> {
        if !amount.is_finite() {
            return None;
        }
        let mut exact = Decimal::from_f64_retain(amount)?.round_dp(self.decimals());
        exact.rescale(self.decimals());
        Some(exact)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn currency(code: &str) -> Currency {
        Currency::parse(code).unwrap()
    }

    #[test]
    fn nothing_has_no_sign() {
        for text in ["-0", "0", "-0.004", "0.005"] {
            assert_eq!(
                currency("EUR").plain(text.parse().unwrap()),
                "0.00",
                "{text}"
            );
        }
        assert_eq!(currency("JPY").plain("-0.5".parse().unwrap()), "0");
        assert_eq!(currency("EUR").plain("-0.006".parse().unwrap()), "-0.01");
    }
}
