//! Numbers that a unit has: storage, battery health, shutter count.

use std::collections::BTreeMap;
use std::fmt;

use rust_decimal::Decimal;
use serde::Deserialize;

use super::items::fold_name;
use super::settings::Range;

/// Values of named numeric attributes, exact as written, sorted by (folded) name.
#[derive(Debug, Clone, Default, PartialEq, Eq, Hash)]
pub struct Attributes(BTreeMap<String, Decimal>);

impl Attributes {
    /// None at all.
    pub const NONE: Self = Self(BTreeMap::new());

    /// Reads `memory=8; storage=256`.
    ///
    /// # Errors
    /// The offending entry, where it is not a name and a plain decimal number or stands twice.
    pub fn parse(text: &str) -> Result<Self, String> {
        let mut attributes = Self::default();
        for entry in text.split(';').map(str::trim).filter(|e| !e.is_empty()) {
            let wrong = || entry.to_string();
            let (name, value) = entry.split_once('=').ok_or_else(wrong)?;
            let value = value.trim().parse().map_err(|_| wrong())?;
            if attributes.set(name, value).is_some() {
                return Err(wrong());
            }
        }
        Ok(attributes)
    }

    /// Sets a value and returns the one before.
    pub fn set(&mut self, name: &str, value: Decimal) -> Option<Decimal> {
        self.0.insert(fold_name(name), value.normalize())
    }

    /// The value of an attribute, where recorded.
    pub fn get(&self, name: &str) -> Option<Decimal> {
        self.0.get(&fold_name(name)).copied()
    }

    /// Names and values in order of name.
    pub fn iter(&self) -> impl Iterator<Item = (&str, Decimal)> {
        self.0.iter().map(|(name, value)| (name.as_str(), *value))
    }

    /// Whether nothing is recorded.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

impl fmt::Display for Attributes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, (name, value)) in self.iter().enumerate() {
            write!(f, "{}{name}={value}", if at > 0 { "; " } else { "" })?;
        }
        Ok(())
    }
}

/// What the settings say of a numeric attribute of a family of models.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Attribute {
    /// Unit, for tables.
    #[serde(default)]
    pub unit: String,
    /// What one step of it is.
    #[serde(default)]
    pub scale: Scale,
    /// Which way it moves the price.
    #[serde(default)]
    pub sign: Direction,
    /// What one step changes, rule of thumb: per cent or money, without a sign unless the
    /// direction is `either`.
    #[serde(default)]
    pub rule: Option<Range>,
}

impl Attribute {
    /// The rule of thumb: the one given, or else 0 to 30 % for a doubling and 0 to 40 % for a log
    /// unit (either way where the direction is not known); none for plain units, of which one
    /// can be anything.
    pub fn rule(&self) -> Option<Range> {
        let most = match self.scale {
            Scale::Unit => return self.rule,
            Scale::Doubling => 30,
            Scale::Log => 40,
        };
        let least = if self.sign == Direction::Either {
            -most
        } else {
            0
        };
        Some(self.rule.unwrap_or(Range::percent(least, most)))
    }
}

/// What one step of an attribute is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Scale {
    /// One unit more.
    #[default]
    Unit,
    /// Twice as much.
    Doubling,
    /// 2.718 times as much.
    Log,
}

impl Scale {
    /// The value in steps: itself, its binary or its natural logarithm. `None` for a logarithm
    /// of nothing or less.
    pub fn steps(self, value: f64) -> Option<f64> {
        match self {
            Self::Unit => Some(value),
            Self::Doubling => (value > 0.0).then(|| value.log2()),
            Self::Log => (value > 0.0).then(|| value.ln()),
        }
    }
}

/// Which way an attribute moves the price.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Direction {
    /// More of it never lowers the price.
    Up,
    /// More of it never raises the price.
    Down,
    /// Either way.
    #[default]
    Either,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_print_back() {
        let attributes = Attributes::parse(" Storage = 256; battery  health=87.50 ").unwrap();
        assert_eq!(attributes.to_string(), "battery health=87.5; storage=256");
        assert_eq!(
            Attributes::parse(&attributes.to_string()).unwrap(),
            attributes
        );
        for wrong in ["storage", "storage=", "storage=a", "a=1; A=2"] {
            assert!(Attributes::parse(wrong).is_err(), "{wrong}");
        }
    }
}
