//! A net as a document, `compband.net/1`.

use rust_decimal::Decimal;
use serde::Serialize;

use super::{Money, VERSION, number};
use crate::deal::outlet::{self, Item, PostageFrom};
use crate::render::net::{Statement, item_name, share};

/// Net of a price.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Net<'a> {
    /// Name and version of this document.
    pub schema: &'static str,
    /// Version of the program.
    pub compband: &'static str,
    /// ISO 4217 code of all money.
    pub currency: &'a str,
    /// Name of the outlet.
    pub outlet: &'a str,
    /// Weight of the parcel.
    pub weight_grams: Option<String>,
    /// Source of the postage.
    pub postage_from: &'static str,
    /// The price.
    pub price: Money,
    /// The lines from the price to the net, which sum to it exactly.
    pub lines: Vec<Line>,
    /// Net amount.
    pub net: Money,
    /// Selling costs as a share of the price.
    pub costs_share: Option<f64>,
    /// The price for a wanted net, if one was given.
    pub wanted: Option<Wanted>,
}

/// One line.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Line {
    /// Name of the line.
    pub item: &'static str,
    /// Money; negative for costs.
    pub amount: Money,
    /// The percentage.
    pub percent: Option<String>,
    /// Base of the percentage.
    pub of: Option<Money>,
}

/// The price for a wanted net.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Wanted {
    /// The wanted net.
    pub net: Money,
    /// The lowest price with at least this net.
    pub least_price: Money,
    /// The lowest price from which on every price has at least this net; null if not known.
    pub every_price_from: Money,
}

/// The document of a statement.
pub fn document<'a>(statement: &Statement<'a>) -> Net<'a> {
    let price = statement
        .net
        .lines
        .iter()
        .find(|line| line.item == Item::Price);
    Net {
        schema: "compband.net/1",
        compband: VERSION,
        currency: &statement.currency.code,
        outlet: statement.outlet,
        weight_grams: statement.terms.weight.map(number),
        postage_from: match statement.terms.postage_from {
            PostageFrom::Weight => "weight",
            PostageFrom::AsPaid => "as paid by the buyer",
            PostageFrom::Unknown => "not known",
            PostageFrom::Collected => "collected",
        },
        price: price.map_or(Decimal::ZERO, |line| line.amount).into(),
        lines: lines(&statement.net),
        net: statement.net.net.into(),
        costs_share: share(&statement.net),
        wanted: statement.wanted.map(|(wanted, needed)| Wanted {
            net: wanted.into(),
            least_price: needed.least.into(),
            every_price_from: needed.always_from.into(),
        }),
    }
}

/// The lines of a net.
pub(super) fn lines(net: &outlet::Net) -> Vec<Line> {
    let line = |line: &outlet::Line| Line {
        item: item_name(line.item),
        amount: line.amount.into(),
        percent: line.percent.map(number),
        of: line.of.map(Money::from),
    };
    net.lines.iter().map(line).collect()
}
