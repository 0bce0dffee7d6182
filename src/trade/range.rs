//! Rules of thumb as ranges.

use rust_decimal::Decimal;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;

/// A range that contains the true value about two times in three ([`crate::fit::prior`] reads it).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Range {
    /// Lower end.
    pub low: Decimal,
    /// Upper end.
    pub high: Decimal,
    /// Unit of both ends.
    pub unit: RangeUnit,
}

/// Unit of a [`Range`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RangeUnit {
    /// Per cent of the price.
    Percent,
    /// Money in the book's currency.
    Money,
}

impl Range {
    /// Reads `"5 to 15 %"` (per cent) or `"10 to 25"` (money).
    ///
    /// # Errors
    /// The expected form, as text.
    pub fn parse(text: &str) -> Result<Self, String> {
        let wrong = || {
            format!(
                "{text:?} is not a range: write the low and the high end as \"5 to 15 %\" (per cent) \
                 or \"10 to 25\" (money)"
            )
        };
        let trimmed = text.trim();
        let (ends, unit) = match trimmed.strip_suffix('%') {
            Some(ends) => (ends, RangeUnit::Percent),
            None => (trimmed, RangeUnit::Money),
        };
        let (low, high) = ends.split_once(" to ").ok_or_else(wrong)?;
        let end = |text: &str| {
            text.trim()
                .trim_end_matches('%')
                .trim_end()
                .parse::<Decimal>()
                .map_err(|_| wrong())
        };
        let (low, high) = (end(low)?, end(high)?);
        if low > high {
            return Err(format!(
                "{text:?} is the wrong way round: put the low end first"
            ));
        }
        if unit == RangeUnit::Percent && (low <= Decimal::from(-100) || high > Decimal::from(1000))
        {
            return Err(format!(
                "{text:?} is out of range: per cents go from above -100 to 1000"
            ));
        }
        Ok(Self { low, high, unit })
    }

    /// A range in per cent.
    pub fn percent(low: i64, high: i64) -> Self {
        Self {
            low: low.into(),
            high: high.into(),
            unit: RangeUnit::Percent,
        }
    }
}

impl fmt::Display for Range {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} to {}", self.low, self.high)?;
        if self.unit == RangeUnit::Percent {
            f.write_str(" %")
        } else {
            Ok(())
        }
    }
}

impl Serialize for Range {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Range {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Self::parse(&text).map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges() {
        assert_eq!(Range::parse("5 to 15 %").unwrap(), Range::percent(5, 15));
        assert_eq!(Range::parse("-3 % to 1%").unwrap(), Range::percent(-3, 1));
        assert_eq!(Range::parse("10.50 to 25").unwrap().unit, RangeUnit::Money);
        for wrong in ["", "5", "5-15 %", "15 to 5 %", "-100 to 0 %", "a to b"] {
            assert!(Range::parse(wrong).is_err(), "{wrong}");
        }
    }
}
