//! The documents that `--json` prints, as types; `data/*.schema.json` are derived from them.
//!
//! Money is a decimal string in the currency that the document names; shares are numbers from 0 to
//! 1, names of per cents say so; dates are ISO 8601. A version of a document may gain keys, but no
//! key is renamed or removed. The comments on the fields are the descriptions in the schemas.

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
pub mod listed;
pub mod net;
pub mod parts;
pub mod refresh;
#[cfg(test)]
mod tests;
pub mod year;

/// Version of the program, part of every document.
const VERSION: &str = env!("CARGO_PKG_VERSION");

/// The text of a document: two spaces of indentation, keys in alphabetical order, a line break at
/// the end.
///
/// # Errors
/// If it cannot be written as JSON, which does not happen for documents of this module.
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

/// A name with a count.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Counted<'a> {
    /// Folded name.
    pub name: &'a str,
    /// Count, at least 1.
    pub count: u32,
}

/// One attribute.
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
    /// Level of the band, per cent.
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

/// A decimal number without trailing zeros.
fn number(number: Decimal) -> String {
    number.normalize().to_string()
}
