//! Amounts that each kind of entry moves between the accounts.

use rust_decimal::Decimal;

use crate::trade::entry::{Account, Postings};
use crate::trade::part::PartLine;

/// The figures of a sale.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Sale {
    /// The price.
    pub price: Decimal,
    /// Shipping that the buyer paid, in addition to the price.
    pub shipping: Decimal,
    /// Fees.
    pub fees: Decimal,
    /// Postage and packing.
    pub postage: Decimal,
}

/// The figures of a refund.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Refund {
    /// Money given back to the buyer.
    pub amount: Decimal,
    /// Fees that the outlet refunds.
    pub fees_back: Decimal,
    /// Cost of the return shipment.
    pub postage: Decimal,
}

pub(super) fn funded(amount: Decimal) -> Postings {
    Postings::of(&[(Account::Cash, amount), (Account::Capital, -amount)])
}

pub(super) fn into_stock(amount: Decimal) -> Postings {
    Postings::of(&[(Account::Stock, amount), (Account::Cash, -amount)])
}

pub(super) fn sold(sale: &Sale, cost: Decimal) -> Postings {
    Postings::of(&[
        (
            Account::Cash,
            sale.price + sale.shipping - sale.fees - sale.postage,
        ),
        (Account::Stock, -cost),
        (Account::Sales, -sale.price),
        (Account::ShippingPaid, -sale.shipping),
        (Account::Fees, sale.fees),
        (Account::Postage, sale.postage),
        (Account::Cost, cost),
    ])
}

pub(super) fn scrapped(fetched: Decimal, cost: Decimal) -> Postings {
    Postings::of(&[
        (Account::Cash, fetched),
        (Account::Stock, -cost),
        (Account::WriteOff, cost - fetched),
    ])
}

/// Returns `cost` to stock.
pub(super) fn refunded(refund: &Refund, cost: Decimal) -> Postings {
    Postings::of(&[
        (
            Account::Cash,
            refund.fees_back - refund.amount - refund.postage,
        ),
        (Account::Stock, cost),
        (Account::Fees, -refund.fees_back),
        (Account::Postage, refund.postage),
        (Account::Refunds, refund.amount),
        (Account::Cost, -cost),
    ])
}

/// Buys parts for the drawer.
pub(super) fn into_drawer(amount: Decimal) -> Postings {
    Postings::of(&[(Account::Drawer, amount), (Account::Cash, -amount)])
}

/// Moves parts from the drawer into a unit.
pub(super) fn used(cost: Decimal) -> Postings {
    Postings::of(&[(Account::Stock, cost), (Account::Drawer, -cost)])
}

/// Takes parts out of the drawer for good.
pub(super) fn dropped(fetched: Decimal, cost: Decimal) -> Postings {
    Postings::of(&[
        (Account::Cash, fetched),
        (Account::Drawer, -cost),
        (Account::WriteOff, cost - fetched),
    ])
}

/// Takes a unit apart: of its cost, `parts` goes to the drawer and the rest is lost.
pub(super) fn harvested(parts: Decimal, cost: Decimal) -> Postings {
    Postings::of(&[
        (Account::Drawer, parts),
        (Account::Stock, -cost),
        (Account::WriteOff, cost - parts),
    ])
}

/// An expense that belongs to no unit: `cash` is paid from the cash, `own` out of the owner's pocket.
pub(super) fn overhead(cash: Decimal, own: Decimal) -> Postings {
    Postings::of(&[
        (Account::Overheads, cash + own),
        (Account::Cash, -cash),
        (Account::Capital, -own),
    ])
}

/// Cost of parts in all.
pub(super) fn cost_of(parts: &[PartLine]) -> Decimal {
    parts.iter().map(|line| line.cost).sum()
}
