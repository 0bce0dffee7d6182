//! One unit from buying to selling.

use chrono::NaiveDate;
use rust_decimal::Decimal;

use crate::trade::entry::{Account, Entry, Foreseen, Kind, Postings};
use crate::trade::unit::Unit;

/// Where a deal stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// The unit is in stock.
    Open,
    /// It is sold.
    Sold,
    /// It is scrapped.
    Scrapped,
}

impl State {
    /// In a word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Open => "in stock",
            Self::Sold => "sold",
            Self::Scrapped => "scrapped",
        }
    }
}

/// One unit from buying to selling, by the entries in force.
#[derive(Debug, Clone, PartialEq)]
pub struct Deal {
    /// Its number; shown as `d7`.
    pub id: u32,
    /// The unit, as it is to be sold.
    pub unit: Unit,
    /// Where it stands.
    pub state: State,
    /// Day it was bought.
    pub bought_on: NaiveDate,
    /// Day it was sold or scrapped.
    pub closed_on: Option<NaiveDate>,
    /// What was paid for it, inbound shipping in it.
    pub paid: Decimal,
    /// What was spent on it since.
    pub parts: Decimal,
    /// Minutes of work.
    pub minutes: Decimal,
    /// Sums of its accounts.
    pub sums: Postings,
    /// Price and shipping of its last sale.
    pub sale: Option<Proceeds>,
    /// The estimate of the day it was bought.
    pub foreseen: Option<Foreseen>,
    /// The estimate of the day it was sold.
    pub foreseen_at_sale: Option<Foreseen>,
    /// Where it was sold.
    pub outlet: String,
    /// Offers that came in before it sold.
    pub offers: Option<u32>,
    /// Days in stock before a return, summed.
    held_before: i64,
    /// Day it last came into stock.
    pub(super) in_stock_from: NaiveDate,
    /// Day of its last entry.
    pub(super) last_on: NaiveDate,
    /// Positions of its entries in force.
    pub(super) entries: Vec<usize>,
}

/// What a buyer paid.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Proceeds {
    /// The price.
    pub price: Decimal,
    /// Shipping beside it.
    pub shipping: Decimal,
}

impl Deal {
    /// `d7`.
    pub fn name(&self) -> String {
        name(self.id)
    }

    /// Its cost: all that was paid and spent.
    pub fn cost(&self) -> Decimal {
        self.paid + self.parts
    }

    /// What it brought: what buyers paid for it, less what was given back, or what it fetched as
    /// scrap.
    pub fn revenue(&self) -> Decimal {
        let fetched = match self.state {
            State::Scrapped => self.cost() - self.sum(Account::WriteOff),
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

    /// Profit so far; of a unit in stock, what a sale that came back has cost.
    pub fn profit(&self) -> Decimal {
        self.sums.profit()
    }

    /// Profit in an hour of work, not rounded; none without work.
    pub fn per_hour(&self) -> Option<Decimal> {
        (!self.minutes.is_zero()).then(|| self.profit() * Decimal::from(60) / self.minutes)
    }

    /// Days in stock, up to `today` where it still is.
    pub fn days_held(&self, today: NaiveDate) -> i64 {
        let until = match self.state {
            State::Open => today.max(self.in_stock_from),
            _ => self.closed_on.unwrap_or(today),
        };
        self.held_before + (until - self.in_stock_from).num_days()
    }

    /// How it last came into stock.
    pub(super) fn came(&self) -> &'static str {
        if self.in_stock_from == self.bought_on {
            "bought"
        } else {
            "taken back"
        }
    }

    pub(super) fn opened(at: usize, entry: &Entry, id: u32) -> Self {
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
            held_before: 0,
            in_stock_from: entry.on,
            last_on: entry.on,
            entries: vec![at],
        }
    }

    /// Takes one more entry in.
    pub(super) fn take(&mut self, at: usize, entry: &Entry) {
        self.entries.push(at);
        self.last_on = self.last_on.max(entry.on);
        self.sums += entry.postings;
        self.minutes += entry.minutes;
        match entry.kind {
            Kind::Spend => self.parts += entry.postings.get(Account::Stock),
            Kind::Describe => {
                if let Some(unit) = &entry.unit {
                    self.unit = unit.clone();
                }
            }
            Kind::Sold => {
                self.close(State::Sold, entry.on);
                self.sale = Some(Proceeds {
                    price: -entry.postings.get(Account::Sales),
                    shipping: -entry.postings.get(Account::ShippingPaid),
                });
                self.foreseen_at_sale = entry.estimate;
                self.outlet = entry.outlet.clone();
                self.offers = entry.offers;
            }
            Kind::Scrap => self.close(State::Scrapped, entry.on),
            Kind::Return => {
                self.held_before = self.days_held(entry.on);
                self.state = State::Open;
                self.closed_on = None;
                self.in_stock_from = entry.on;
            }
            Kind::Buy | Kind::Refund | Kind::Fund | Kind::Draw | Kind::Reverse => {}
        }
    }

    fn close(&mut self, state: State, on: NaiveDate) {
        self.state = state;
        self.closed_on = Some(on);
    }

    /// The deal of these entries, the first of them its purchase.
    pub(super) fn of(id: u32, entries: impl IntoIterator<Item = (usize, Entry)>) -> Option<Self> {
        let mut entries = entries.into_iter();
        let (at, entry) = entries.next()?;
        let mut deal = Self::opened(at, &entry, id);
        for (at, entry) in entries {
            deal.take(at, &entry);
        }
        Some(deal)
    }
}

/// `d7`.
pub fn name(deal: u32) -> String {
    format!("d{deal}")
}
