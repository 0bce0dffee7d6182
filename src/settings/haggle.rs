//! How far sellers come down from what they ask: a range of discounts.

use std::fmt;

use rust_decimal::Decimal;
use serde::de::{Deserialize, Deserializer, Error, Visitor};

use crate::trade::range::Range;

/// Discounts that sellers give, per cent of the asking price: the middle 80 % of the belief.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Haggle {
    /// One seller in ten gives less.
    pub low: Decimal,
    /// One seller in ten gives more.
    pub high: Decimal,
}

impl Haggle {
    /// The range from `low` to `high` per cent.
    ///
    /// # Errors
    /// The expected form.
    pub fn new(low: Decimal, high: Decimal) -> Result<Self, String> {
        let most = Decimal::from(95);
        if Decimal::ZERO <= low && low <= high && high <= most {
            Ok(Self { low, high })
        } else {
            Err(format!(
                "two per cents from 0 to {most}, the lower first, such as \"10 to 30\""
            ))
        }
    }

    /// The range about a usual discount, from half of it to half as much again.
    ///
    /// # Errors
    /// The expected form.
    pub fn about(usual: Decimal) -> Result<Self, String> {
        let half = usual / Decimal::TWO;
        Self::new(half, (usual + half).min(Decimal::from(95)))
    }

    /// Reads `10 to 30`, `10 to 30 %` or a usual discount.
    ///
    /// # Errors
    /// The expected form.
    pub fn parse(text: &str) -> Result<Self, String> {
        let plain = text.trim().trim_end_matches('%').trim_end();
        if let Ok(usual) = plain.parse() {
            return Self::about(usual);
        }
        let Range { low, high, .. } = Range::parse(plain)
            .map_err(|_| "two per cents such as \"10 to 30\", or one".to_string())?;
        Self::new(low, high)
    }
}

impl fmt::Display for Haggle {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} to {}", self.low.normalize(), self.high.normalize())
    }
}

/// Reads a number or text.
struct NumberOrText;

impl Visitor<'_> for NumberOrText {
    type Value = Haggle;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("two per cents such as \"10 to 30\", or one")
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Haggle, E> {
        Haggle::parse(text)
            .map_err(|expected| E::custom(format!("expected {expected}, found {text:?}")))
    }

    fn visit_i64<E: Error>(self, usual: i64) -> Result<Haggle, E> {
        self.visit_str(&usual.to_string())
    }

    fn visit_u64<E: Error>(self, usual: u64) -> Result<Haggle, E> {
        self.visit_str(&usual.to_string())
    }

    fn visit_f64<E: Error>(self, usual: f64) -> Result<Haggle, E> {
        self.visit_str(&usual.to_string())
    }
}

impl<'de> Deserialize<'de> for Haggle {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(NumberOrText)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_number_is_the_middle_of_a_range() {
        let read = |text: &str| Haggle::parse(text).map(|range| range.to_string());
        assert_eq!(read("10 to 30").as_deref(), Ok("10 to 30"));
        assert_eq!(read("10 to 30 %"), read("20"));
        assert_eq!(read("0").as_deref(), Ok("0 to 0"));
        assert_eq!(read("80").as_deref(), Ok("40 to 95"));
        for wrong in ["30 to 10", "-5 to 10", "250", "10 to 96", "-1", "much", ""] {
            assert!(read(wrong).is_err(), "{wrong}");
        }
        #[derive(serde::Deserialize)]
        struct Toml {
            seller_discount: Haggle,
        }
        for text in [
            "seller_discount = 20",
            "seller_discount = 20.0",
            "seller_discount = \"10 to 30\"",
        ] {
            let read: Toml = toml::from_str(text).unwrap();
            assert_eq!(read.seller_discount.to_string(), "10 to 30", "{text}");
        }
        assert!(toml::from_str::<Toml>("seller_discount = true").is_err());
    }
}
