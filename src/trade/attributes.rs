//! Numeric attributes of a unit: storage, battery health, shutter count.

use std::collections::BTreeMap;
use std::fmt;

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

use crate::trade::items::fold_name;
use crate::trade::money::minor_units;
use crate::trade::names::{self, is_unseen};
use crate::trade::range::Range;

/// Prefix of the name of a column that contains a numeric attribute.
pub const COLUMN_PREFIX: &str = "attr.";

/// Longest name of an attribute, in characters.
const MOST_NAME: usize = 60;

/// The form in which attribute names are compared and kept: lower case; underscores and runs of
/// white space become one space.
pub fn attribute_key(name: &str) -> String {
    fold_name(&name.replace('_', " "))
}

/// The canonical column name of an attribute: `attr.battery health`.
pub fn column_name(name: &str) -> String {
    format!("{COLUMN_PREFIX}{}", attribute_key(name))
}

/// The attribute in a column: `attr.storage`, `Attr Storage` and `attr_storage` all contain
/// `storage`. `None` for any other column.
pub fn of_column(header: &str) -> Option<String> {
    let header = header.trim();
    let (head, rest) = header.split_at_checked(COLUMN_PREFIX.len())?;
    let apart = |c: char| matches!(c, '.' | '_') || c.is_whitespace();
    let word = head.strip_suffix(apart)?;
    (word.eq_ignore_ascii_case("attr") && is_name(rest)).then(|| attribute_key(rest))
}

/// Whether an attribute can have this name: at most 60 characters; no control or invisible
/// character, no `=` and no `;`.
pub fn is_name(name: &str) -> bool {
    let key = attribute_key(name);
    !key.is_empty()
        && key.chars().count() <= MOST_NAME
        && !key.contains(|c: char| c.is_control() || is_unseen(c) || matches!(c, '=' | ';'))
}

/// Reads a value of a canonical file: digits with an optional minus sign and decimal point, within
/// the bounds and decimals of amounts. `None` for anything else.
pub fn plain_number(text: &str) -> Option<Decimal> {
    let digits = text.strip_prefix('-').unwrap_or(text);
    let plain = digits.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    let value: Decimal = plain.then(|| text.parse().ok()).flatten()?;
    minor_units(value.abs()).map(|_| value)
}

/// Whether two unit names are equal, ignoring case and white space.
pub fn same_unit(one: &str, other: &str) -> bool {
    let letters = |unit: &str| unit.split_whitespace().collect::<String>();
    names::same(&letters(one), &letters(other))
}

/// Values of named numeric attributes, exact as written, sorted by folded name.
#[derive(Debug, Clone, Default, PartialEq, Eq, Hash)]
pub struct Attributes(BTreeMap<String, Decimal>);

impl Attributes {
    /// No attributes.
    pub const NONE: Self = Self(BTreeMap::new());

    /// Reads `memory=8; storage=256`.
    ///
    /// # Errors
    /// The first entry that is not a name and a plain decimal number, or that is repeated.
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

    /// Sets a value and returns the previous one.
    pub fn set(&mut self, name: &str, value: Decimal) -> Option<Decimal> {
        self.0.insert(attribute_key(name), value.normalize())
    }

    /// The value of an attribute, if recorded.
    pub fn get(&self, name: &str) -> Option<Decimal> {
        self.0
            .get(name)
            .or_else(|| self.0.get(&attribute_key(name)))
            .copied()
    }

    /// The cell of an attribute in a canonical file: its value, or an empty text.
    pub fn text(&self, name: &str) -> String {
        self.get(name)
            .map_or(String::new(), |value| value.to_string())
    }

    /// Removes all values.
    pub fn clear(&mut self) {
        self.0.clear();
    }

    /// Names and values, ordered by name.
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

/// Settings of a numeric attribute of a family of models.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Attribute {
    /// Unit, for tables.
    #[serde(default)]
    pub unit: String,
    /// Size of one step.
    #[serde(default)]
    pub scale: Scale,
    /// Direction in which it moves the price.
    #[serde(default)]
    pub sign: Direction,
    /// Effect of one step, as a rule of thumb: per cent or money, without a sign unless the
    /// direction is `either`.
    #[serde(default)]
    pub rule: Option<Range>,
}

impl Attribute {
    /// The expected form, if the value is not possible on the scale.
    pub fn fault(&self, value: Decimal) -> Option<String> {
        let scale = self.scale.word();
        (self.scale != Scale::Unit && value <= Decimal::ZERO)
            .then(|| format!("a number above 0 (its scale in compband.toml is {scale:?})"))
    }

    /// The rule of thumb: the one given, or else a wide one. For a doubling it is 0 to 60 % up, 0
    /// to 40 % down, or 30 % either way; for a log unit 0 to 90 %, 0 to 50 %, or 40 %. A unit step
    /// has none.
    pub fn rule(&self) -> Option<Range> {
        // The inverse of a factor up is a factor down, hence the different per cents.
        let (up, down, either) = match self.scale {
            Scale::Unit => return self.rule,
            Scale::Doubling => (60, 40, 30),
            Scale::Log => (90, 50, 40),
        };
        let (least, most) = match self.sign {
            Direction::Up => (0, up),
            Direction::Down => (0, down),
            Direction::Either => (-either, either),
        };
        Some(self.rule.unwrap_or(Range::percent(least, most)))
    }
}

/// Size of one step of an attribute.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
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
    /// Its word in the settings.
    pub fn word(self) -> &'static str {
        match self {
            Self::Unit => "unit",
            Self::Doubling => "doubling",
            Self::Log => "log",
        }
    }

    /// The value in steps: the value itself, its binary or its natural logarithm. `None` for the
    /// logarithm of a number that is not positive.
    pub fn steps(self, value: f64) -> Option<f64> {
        match self {
            Self::Unit => Some(value),
            Self::Doubling => (value > 0.0).then(|| value.log2()),
            Self::Log => (value > 0.0).then(|| value.ln()),
        }
    }
}

/// Direction in which an attribute moves the price.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
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

impl Direction {
    /// Its word in the settings.
    pub fn word(self) -> &'static str {
        match self {
            Self::Up => "up",
            Self::Down => "down",
            Self::Either => "either",
        }
    }
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

    #[test]
    fn columns_of_attributes() {
        for header in [
            "attr.battery health",
            " Attr Battery_Health",
            "ATTR_battery  health",
        ] {
            assert_eq!(of_column(header).as_deref(), Some("battery health"));
        }
        for other in [
            "attr.",
            "attribute",
            "attrition",
            "storage",
            "attr.a=b",
            "attr.a;b",
            "ättr.a",
        ] {
            assert_eq!(of_column(other), None, "{other}");
        }
        assert_eq!(column_name("Battery_health"), "attr.battery health");
    }

    #[test]
    fn plain_numbers() {
        for (text, value) in [("256", "256"), ("-1.50", "-1.5"), (".5", "0.5")] {
            assert_eq!(plain_number(text).unwrap().normalize().to_string(), value);
        }
        for wrong in [
            "",
            "-",
            ".",
            "1,5",
            "1e3",
            "--1",
            "+1",
            "1.00001",
            "100000000000",
        ] {
            assert_eq!(plain_number(wrong), None, "{wrong}");
        }
    }
}
