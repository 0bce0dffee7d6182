//! The documents that `--json` prints, as types; `data/*.schema.json` is derived from them.
//!
//! Money is a decimal string in the currency that the document names; shares are numbers from 0 to
//! 1, per cents are named so; dates are ISO 8601. Keys may be added within a version of a document,
//! never renamed or removed. The comments on the fields are the descriptions of the schemas.

use std::io;

use rust_decimal::Decimal;
use serde::Serialize;

use crate::trade::money::money_text;
use crate::trade::{Attributes, Items};

pub mod ask;
pub mod bid;
pub mod check;
pub mod compare;
pub mod estimate;
pub mod ledger;
pub mod net;
pub mod refresh;
#[cfg(test)]
mod tests;

/// Version of the program, part of every document.
const VERSION: &str = env!("CARGO_PKG_VERSION");

/// The text of a document: two spaces of indentation, keys by the alphabet, a line break at the end.
///
/// # Errors
/// Where it cannot be written as JSON, which no document of this module does.
pub fn text(document: &impl Serialize) -> io::Result<String> {
    Ok(format!("{:#}\n", serde_json::to_value(document)?))
}

/// An amount of money.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema), schemars(extend("format" = "money")))]
pub struct Money(String);

impl From<Decimal> for Money {
    fn from(amount: Decimal) -> Self {
        Self(money_text(amount))
    }
}

/// A thing and how many.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Counted<'a> {
    /// Folded name.
    pub name: &'a str,
    /// How many, at least 1.
    pub count: u32,
}

/// One.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Attribute<'a> {
    /// Name.
    pub name: &'a str,
    /// Value, a decimal number.
    pub value: String,
}

/// Band of the price.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Band {
    /// Chance of the band.
    pub chance_percent: u8,
    /// Lower end.
    pub low: Money,
    /// Upper end.
    pub high: Money,
}

impl Band {
    fn of(made: &crate::band::estimate::Estimate) -> Self {
        Self {
            chance_percent: made.level,
            low: made.low.into(),
            high: made.high.into(),
        }
    }
}

fn items(items: &Items) -> Vec<Counted<'_>> {
    items
        .iter()
        .map(|(name, count)| Counted { name, count })
        .collect()
}

fn attributes(attributes: &Attributes) -> Vec<Attribute<'_>> {
    let one = |(name, value): (_, Decimal)| Attribute {
        name,
        value: value.to_string(),
    };
    attributes.iter().map(one).collect()
}

/// A decimal number without zeros at its end.
fn number(number: Decimal) -> String {
    number.normalize().to_string()
}
