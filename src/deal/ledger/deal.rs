//! One unit from purchase to sale.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use rust_decimal::Decimal;

use super::listing::{Ended, Listing, Offered, Taken};
use crate::trade::entry::{Account, Entry, Foreseen, Kind, Postings};
use crate::trade::unit::Unit;

/// State of a deal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// The unit is in stock.
    Open,
    /// The unit is sold.
    Sold,
    /// It is scrapped.
    Scrapped,
    /// It is taken apart for the drawer.
    Harvested,
}

impl State {
    /// Word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Open => "in stock",
            Self::Sold => "sold",
            Self::Scrapped => "scrapped",
            Self::Harvested => "taken apart",
        }
    }
}

/// One unit from purchase to sale, by the entries in force.
#[derive(Debug, Clone, PartialEq)]
pub struct Deal {
    /// Number, shown as `d7`.
    pub id: u32,
    /// The unit as it will be sold.
    pub unit: Unit,
    /// State.
    pub state: State,
    /// Day of the purchase.
    pub bought_on: NaiveDate,
    /// Day on which it was sold, scrapped or taken apart.
    pub closed_on: Option<NaiveDate>,
    /// Total price, including inbound shipping.
    pub paid: Decimal,
    /// Later expenses.
    pub parts: Decimal,
    /// Minutes of work.
    pub minutes: Decimal,
    /// Sums of its accounts.
    pub sums: Postings,
    /// Proceeds of its last sale.
    pub sale: Option<Proceeds>,
    /// Estimate on the day of the purchase.
    pub foreseen: Option<Foreseen>,
    /// Estimate on the day of the sale.
    pub foreseen_at_sale: Option<Foreseen>,
    /// Outlet of the sale.
    pub outlet: String,
    /// Number of offers before the sale.
    pub offers: Option<u32>,
    /// Asking price of the seller at the purchase, if recorded.
    pub asked: Option<Decimal>,
    /// Where it is or was up for sale, in order.
    pub listings: Vec<Listing>,
    /// Offers that were recorded, in order.
    pub offered: Vec<Offered>,
    /// Total days in stock before a return.
    held_before: i64,
    /// First day of its present time in stock.
    pub(super) in_stock_from: NaiveDate,
    /// Day of its last entry.
    pub(super) last_on: NaiveDate,
    /// Day of the last money or time spent on it since it came into stock.
    worked_on: NaiveDate,
    /// Day of its last description.
    described_on: NaiveDate,
    /// Numbers of its entries in force.
    pub(super) entries: BTreeSet<u32>,
}

/// Payment of a buyer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Proceeds {
    /// The price.
    pub price: Decimal,
    /// Shipping, in addition to the price.
    pub shipping: Decimal,
}

impl Deal {
    /// `d7`.
    pub fn name(&self) -> String {
        name(self.id)
    }

    /// Its cost: total price and expenses.
    pub fn cost(&self) -> Decimal {
        self.paid + self.parts
    }

    /// Its revenue: payments of buyers less refunds, the scrap price, or the cost that went to the drawer.
    pub fn revenue(&self) -> Decimal {
        let fetched = match self.state {
            State::Scrapped | State::Harvested => self.cost() - self.sum(Account::WriteOff),
            State::Open | State::Sold => Decimal::ZERO,
        };
        fetched
            - self.sum(Account::Sales)
            - self.sum(Account::ShippingPaid)
            - self.sum(Account::Refunds)
    }

    /// The sum of one of its accounts.
    pub fn sum(&self, account: Account) -> Decimal {
        self.sums.get(account)
    }

    /// Profit so far; for a unit in stock, the cost of a sale that was returned.
    pub fn profit(&self) -> Decimal {
        self.sums.profit()
    }

    /// Profit per hour of work, not rounded; none without work.
    pub fn per_hour(&self) -> Option<Decimal> {
        (!self.minutes.is_zero()).then(|| self.profit() * Decimal::from(60) / self.minutes)
    }

    /// Days in stock, up to `today` if it still is.
    pub fn days_held(&self, today: NaiveDate) -> i64 {
        let until = match self.state {
            State::Open => today.max(self.in_stock_from),
            _ => self.closed_on.unwrap_or(today),
        };
        self.held_before + (until - self.in_stock_from).num_days()
    }

    /// The day from which it could be sold: that of the last money or time spent on it, or of its coming.
    pub(super) fn ready_from(&self) -> NaiveDate {
        self.worked_on.max(self.in_stock_from)
    }

    /// The way in which it last came into stock.
    pub(super) fn came(&self) -> &'static str {
        if self.in_stock_from == self.bought_on {
            "bought"
        } else {
            "returned"
        }
    }

    pub(super) fn opened(entry: &Entry, id: u32) -> Self {
        Self {
            id,
            unit: entry.unit.clone().unwrap_or_else(|| Unit::blank("")),
            state: State::Open,
            bought_on: entry.on,
            closed_on: None,
            paid: entry.postings.get(Account::Stock),
            parts: Decimal::ZERO,
            minutes: entry.minutes,
            sums: entry.postings,
            sale: None,
            foreseen: entry.estimate,
            foreseen_at_sale: None,
            outlet: String::new(),
            offers: None,
            asked: entry.quoted,
            listings: Vec::new(),
            offered: Vec::new(),
            held_before: 0,
            in_stock_from: entry.on,
            last_on: entry.on,
            described_on: entry.on,
            worked_on: entry.on,
            entries: BTreeSet::from([entry.number]),
        }
    }

    /// Adds one more entry.
    pub(super) fn take(&mut self, entry: &Entry) {
        self.entries.insert(entry.number);
        self.last_on = self.last_on.max(entry.on);
        self.sums += entry.postings;
        self.minutes += entry.minutes;
        match entry.kind {
            Kind::Spend | Kind::Use => {
                self.parts += entry.postings.get(Account::Stock);
                self.worked_on = self.worked_on.max(entry.on);
            }
            Kind::Describe => {
                // One that is recorded later for an earlier day leaves that of a later day in force.
                if let Some(unit) = &entry.unit
                    && entry.on >= self.described_on
                {
                    self.unit = unit.clone();
                    self.described_on = entry.on;
                }
            }
            Kind::Sold => {
                self.close(State::Sold, entry);
                self.sale = Some(Proceeds {
                    price: -entry.postings.get(Account::Sales),
                    shipping: -entry.postings.get(Account::ShippingPaid),
                });
                self.foreseen_at_sale = entry.estimate;
                self.outlet = entry.outlet.clone();
                self.offers = entry.offers;
            }
            Kind::Scrap => self.close(State::Scrapped, entry),
            Kind::Harvest => self.close(State::Harvested, entry),
            Kind::List => self.list(entry),
            Kind::Unlist => self.unlist(entry),
            Kind::Offer => self.offered.extend(entry.quoted.map(|amount| Offered {
                entry: entry.number,
                on: entry.on,
                amount,
                outlet: entry.outlet.clone(),
            })),
            Kind::Return => {
                self.held_before = self.days_held(entry.on);
                self.state = State::Open;
                self.closed_on = None;
                self.in_stock_from = entry.on;
                self.worked_on = entry.on;
            }
            Kind::Buy | Kind::Refund | Kind::Fund | Kind::Draw | Kind::Reverse => {}
            Kind::Part | Kind::Drop | Kind::Overhead => {}
        }
    }

    fn close(&mut self, state: State, entry: &Entry) {
        self.state = state;
        self.closed_on = Some(entry.on);
        let price = -entry.postings.get(Account::Sales);
        let taken = Taken {
            prices: [price, price - entry.postings.get(Account::ShippingPaid)],
            stated: entry.offers,
            since: self.in_stock_from,
            on: entry.on,
        };
        let mut up: Vec<&mut Listing> =
            self.listings.iter_mut().filter(|one| one.is_up()).collect();
        let alone = up.len() == 1 && entry.outlet.is_empty();
        for listing in &mut up {
            let here = state == State::Sold && (alone || listing.is_at(&entry.outlet));
            let how = if here { Ended::Sold } else { Ended::Unsold };
            listing.ended = Some((entry.on, how));
            listing.sale = here.then_some(taken);
        }
    }

    /// Puts the unit up for sale, or changes the asking price where it is.
    fn list(&mut self, entry: &Entry) {
        match self.up_at(&entry.outlet) {
            Some(at) => self.listings[at].reprice(entry),
            None => self.listings.push(Listing::opened(entry)),
        }
    }

    fn unlist(&mut self, entry: &Entry) {
        if let Some(at) = self.up_at(&entry.outlet) {
            self.listings[at].ended = Some((entry.on, Ended::Unsold));
        }
    }

    /// Position of the listing that is up at an outlet.
    pub(super) fn up_at(&self, outlet: &str) -> Option<usize> {
        let mut all = self.listings.iter();
        all.position(|one| one.is_up() && one.is_at(outlet))
    }

    /// The listings that are up.
    pub fn up(&self) -> impl Iterator<Item = &Listing> {
        self.listings.iter().filter(|one| one.is_up())
    }

    /// The listing through which an offer came, by its position: one that was up on that day. Of several the last,
    /// so that no offer counts twice.
    fn listing_of(&self, offer: &Offered) -> Option<usize> {
        self.listings.iter().rposition(|one| one.received(offer))
    }

    /// The recorded offers through the listing at a position, in order of their days.
    pub fn offers_to(&self, at: usize) -> Vec<&Offered> {
        let offers = self.offered.iter();
        let mut to: Vec<&Offered> = offers
            .filter(|one| self.listing_of(one) == Some(at))
            .collect();
        to.sort_by_key(|one| (one.on, one.entry));
        to
    }

    /// Number of offers through the listing at a position, the accepted one of a sale included. The number recorded with
    /// a sale covers all offers of that time in stock; those recorded elsewhere are taken out of it.
    pub fn offers_at(&self, at: usize) -> u32 {
        let seen = self.offers_to(at);
        let noted = seen.len() as u32;
        let Some(sale) = self.listings.get(at).and_then(|one| one.sale) else {
            return noted;
        };
        let before = self.offered.iter().filter(|one| sale.is_after(one));
        let elsewhere = before
            .filter(|one| self.listing_of(one) != Some(at))
            .count() as u32;
        let stated = sale.stated.unwrap_or(0).saturating_sub(elsewhere);
        stated.max(noted + u32::from(!sale.is_last_of(&seen)))
    }

    /// Number of offers before a sale at a price on a day, the accepted one included, by the recorded offers; `None`
    /// if neither a listing nor an offer is recorded since the unit came into stock.
    pub fn offers_before(&self, on: NaiveDate, prices: [Decimal; 2]) -> Option<u32> {
        let sale = Taken {
            prices,
            stated: None,
            since: self.in_stock_from,
            on,
        };
        let mut seen: Vec<&Offered> = self
            .offered
            .iter()
            .filter(|one| sale.is_after(one))
            .collect();
        seen.sort_by_key(|one| (one.on, one.entry));
        let known = !seen.is_empty() || self.up().next().is_some();
        known.then(|| seen.len() as u32 + u32::from(!sale.is_last_of(&seen)))
    }
}

/// `d7`.
pub fn name(deal: u32) -> String {
    format!("d{deal}")
}
