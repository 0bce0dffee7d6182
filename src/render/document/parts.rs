//! The parts drawer as a document, `compband.parts/1`.

use serde::Serialize;

use super::{Money, VERSION};
use crate::deal::ledger::{Lot, name};
use crate::render::drawer::Content;

/// The parts in the drawer.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Parts<'a> {
    /// Name and version of this document.
    pub schema: &'static str,
    /// Version of the program.
    pub compband: &'static str,
    /// ISO 4217 code of all money.
    pub currency: &'a str,
    /// Day of the document.
    pub as_of: String,
    /// Number of all parts.
    pub count: u32,
    /// Cost of all parts: the balance of the account of the drawer.
    pub cost: Money,
    /// The parts, by name, the oldest first; parts that came in by one entry under one name together.
    pub parts: Vec<Part<'a>>,
}

/// Parts of one name that came in by one entry.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Part<'a> {
    /// Name.
    pub name: &'a str,
    /// Models that they fit; empty if not said.
    pub fits: &'a [String],
    /// How many are left.
    pub count: u32,
    /// Cost of one, rounded.
    pub cost_each: Money,
    /// Cost of those left.
    pub cost: Money,
    /// Day on which they came in.
    pub since: String,
    /// Deal of the unit that they were taken out of; null if they were bought.
    pub from: Option<String>,
    /// Entry of the ledger.
    pub entry: u32,
}

/// The document of a drawer.
pub fn document<'a>(content: &'a Content<'_>) -> Parts<'a> {
    let part = |lot: &'a Lot| Part {
        name: &lot.name,
        fits: &lot.fits,
        count: lot.left,
        cost_each: content.each(lot).into(),
        cost: lot.cost.into(),
        since: lot.on.to_string(),
        from: lot.from.map(name),
        entry: lot.entry,
    };
    Parts {
        schema: "compband.parts/1",
        compband: VERSION,
        currency: &content.currency.code,
        as_of: content.on.to_string(),
        count: content.count(),
        cost: content.cost().into(),
        parts: content.lots().into_iter().map(part).collect(),
    }
}
