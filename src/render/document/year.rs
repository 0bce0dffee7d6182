//! The ledger by calendar years as a document, `compband.year/1`.

use chrono::Datelike;
use serde::Serialize;

use super::{Money, VERSION, number};
use crate::deal::ledger::Period;
use crate::trade::Currency;

/// What the figures are not.
pub const DISCLAIMER: &str = "A record for your own books, not tax advice.";

/// The ledger by calendar years. Money is text with at least two decimals, in the named currency; an amount
/// is positive in the direction of its name.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Document<'a> {
    /// `compband.year/1`.
    pub schema: &'static str,
    /// Version of the program.
    pub compband: &'static str,
    /// ISO 4217 code of all money.
    pub currency: &'a str,
    /// The years, in order.
    pub years: Vec<Year<'a>>,
    /// Disclaimer.
    pub disclaimer: &'static str,
}

/// A calendar year. An entry counts on its day, a reversal on its own.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Year<'a> {
    /// The year.
    pub year: i32,
    /// First day.
    pub from: String,
    /// Last day: that of the document, if the year is not over.
    pub to: String,
    /// ISO 4217 code of all money.
    pub currency: &'a str,
    /// Prices.
    pub sales: Money,
    /// Shipping that buyers paid.
    pub shipping_paid: Money,
    /// Money given back to buyers.
    pub refunds: Money,
    /// Cost of units sold, less that of units that came back.
    pub cost_of_sales: Money,
    /// Fees.
    pub fees: Money,
    /// Postage and packing.
    pub sending: Money,
    /// Expenses that belong to no unit.
    pub overheads: Money,
    /// Cost of units and parts that were lost, less what they fetched.
    pub losses: Money,
    /// Sales and shipping paid, less all of the above.
    pub profit: Money,
    /// Stock at cost before the first day.
    pub stock_at_start: Money,
    /// Parts at cost before the first day.
    pub parts_at_start: Money,
    /// Paid for units, with inbound shipping.
    pub units_bought: Money,
    /// Spent on units after their purchase.
    pub spent_on_units: Money,
    /// Paid for parts.
    pub parts_bought: Money,
    /// What scrapped units and dropped parts fetched.
    pub scrap: Money,
    /// Stock at cost after the last day.
    pub stock_at_end: Money,
    /// Parts at cost after the last day.
    pub parts_at_end: Money,
    /// Cash before the first day.
    pub cash_at_start: Money,
    /// Cash that the owner paid in.
    pub put_in: Money,
    /// Overheads that the owner paid without the cash of the ledger; they count as paid in.
    pub overheads_paid_by_owner: Money,
    /// Cash that the owner took out.
    pub taken_out: Money,
    /// Cash after the last day.
    pub cash_at_end: Money,
    /// Units in stock before the first day.
    pub units_at_start: i64,
    /// Units bought.
    pub bought: i64,
    /// Units that buyers returned.
    pub returned: i64,
    /// Units sold.
    pub sold: i64,
    /// Units scrapped.
    pub scrapped: i64,
    /// Units taken apart for parts.
    pub taken_apart: i64,
    /// Units in stock after the last day.
    pub units_at_end: i64,
    /// Minutes of work.
    pub minutes: String,
}

/// The document of some years.
pub fn document<'a>(years: &[Period], currency: &'a Currency) -> Document<'a> {
    Document {
        schema: "compband.year/1",
        compband: VERSION,
        currency: &currency.code,
        years: years.iter().map(|one| year(one, currency)).collect(),
        disclaimer: DISCLAIMER,
    }
}

/// One year.
pub fn year<'a>(period: &Period, currency: &'a Currency) -> Year<'a> {
    let Period {
        opening,
        closing,
        moves,
        ..
    } = period;
    Year {
        year: period.from.year(),
        from: period.from.to_string(),
        to: period.to.to_string(),
        currency: &currency.code,
        sales: moves.sales.into(),
        shipping_paid: moves.shipping_paid.into(),
        refunds: moves.refunds.into(),
        cost_of_sales: moves.cost.into(),
        fees: moves.fees.into(),
        sending: moves.postage.into(),
        overheads: moves.overheads.into(),
        losses: moves.losses.into(),
        profit: moves.profit().into(),
        stock_at_start: opening.stock.into(),
        parts_at_start: opening.parts.into(),
        units_bought: moves.units_bought.into(),
        spent_on_units: moves.spent.into(),
        parts_bought: moves.parts_bought.into(),
        scrap: moves.scrap.into(),
        stock_at_end: closing.stock.into(),
        parts_at_end: closing.parts.into(),
        cash_at_start: opening.cash.into(),
        put_in: moves.put_in.into(),
        overheads_paid_by_owner: moves.own.into(),
        taken_out: moves.taken_out.into(),
        cash_at_end: closing.cash.into(),
        units_at_start: opening.units,
        bought: moves.bought,
        returned: moves.returned,
        sold: moves.sold,
        scrapped: moves.scrapped,
        taken_apart: moves.harvested,
        units_at_end: closing.units,
        minutes: number(moves.minutes),
    }
}
