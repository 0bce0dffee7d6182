//! The result of the ledger's entries: deals, totals, the bankroll.
//!
//! A [`Ledger`] is built by entering entries one by one. Each kind of entry has one rule for the
//! amounts that it moves between the accounts ([`Account`]). Every entry is checked against its
//! rule, so that edits by hand are detected. With *debit* positive the rules are
//!
//! | entry | debit | credit |
//! |---|---|---|
//! | fund, draw | cash | capital (draw: the reverse) |
//! | buy, spend | stock | cash |
//! | sold | cash, fees, sending; cost | sales, shipping paid; stock |
//! | scrap | cash, losses | stock |
//! | refund | refunds, sending | cash, fees |
//! | return | the same, and stock | and cost |
//! | part | drawer | cash |
//! | use | stock | drawer |
//! | drop | cash, losses | drawer |
//! | harvest | drawer, losses | stock |
//! | overhead | overheads | cash; capital where the owner paid it |
//! | list, unlist, offer | – | – |
//! | reverse | the credits of the reversed entry | its debits |
//!
//! The *bankroll* is cash, and stock and parts in the drawer at cost. It equals capital plus profit, because all accounts
//! sum to zero.

mod balance;
mod by_day;
mod deal;
mod drawer;
mod follow;
mod listing;
mod on_market;
mod refusal;
mod rules;
mod worth;
mod year;

use std::collections::BTreeMap;

use chrono::NaiveDate;
use rust_decimal::Decimal;

use self::refusal::refuse;
use self::rules::{
    cost_of, dropped, funded, harvested, into_drawer, into_stock, overhead, refunded, scrapped,
    sold, used,
};
use crate::trade::entry::{Account, Entry, Foreseen, Kind, Postings};
use crate::trade::part::PartLine;
use crate::trade::unit::Unit;
pub use balance::{OwnSale, Standing, Summary};
pub use by_day::{Later, Misfit};
pub use deal::{Deal, Proceeds, State, name};
pub use drawer::{Drawer, Lot};
pub use listing::{Ended, Listing, Offered};
pub use on_market::OnMarket;
pub use refusal::Refusal;
pub use rules::{Refund, Sale};
pub use worth::LastCost;
pub use year::{Held, Moves, Period};

/// The figures of a purchase.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Purchase {
    /// Total price, including inbound shipping.
    pub paid: Decimal,
    /// The unit as it will be sold.
    pub unit: Unit,
    /// Estimate on that day.
    pub estimate: Option<Foreseen>,
    /// Asking price of the seller, with inbound shipping as in `paid`, if known.
    pub asked: Option<Decimal>,
}

/// All entries and their result.
#[derive(Debug, Clone, Default)]
pub struct Ledger {
    entries: Vec<Entry>,
    /// Decimals of the currency's minor unit.
    decimals: u32,
    /// Reversed entries, with the entries that reverse them.
    reversed: BTreeMap<u32, u32>,
    /// Highest number of a deal.
    opened: u32,
    /// Deals, except those with a reversed purchase.
    deals: BTreeMap<u32, Deal>,
    totals: Postings,
    /// Parts at hand.
    drawer: Drawer,
    /// Entries that do not follow on those dated before them.
    misfits: Vec<Misfit>,
}

impl Ledger {
    /// An empty ledger for amounts with `decimals` decimals.
    pub fn new(decimals: u32) -> Self {
        Self {
            decimals,
            ..Self::default()
        }
    }

    /// Every entry, in order.
    pub fn entries(&self) -> &[Entry] {
        &self.entries
    }

    /// The entry that reverses this one.
    pub fn reversed_by(&self, number: u32) -> Option<u32> {
        self.reversed.get(&number).copied()
    }

    /// The deals, in the order of their numbers.
    pub fn deals(&self) -> impl Iterator<Item = &Deal> {
        self.deals.values()
    }

    /// A deal.
    pub fn deal(&self, id: u32) -> Option<&Deal> {
        self.deals.get(&id)
    }

    /// Sums of all accounts.
    pub fn totals(&self) -> &Postings {
        &self.totals
    }

    /// Parts at hand.
    pub fn drawer(&self) -> &Drawer {
        &self.drawer
    }

    /// Cash, and stock and parts at cost.
    pub fn bankroll(&self) -> Decimal {
        let held = [Account::Cash, Account::Stock, Account::Drawer];
        held.map(|account| self.totals.get(account)).iter().sum()
    }

    /// Number of the next entry.
    pub fn next_number(&self) -> u32 {
        self.entries.last().map_or(1, |entry| entry.number + 1)
    }

    /// Number of the deal that the next purchase opens.
    pub fn next_deal(&self) -> u32 {
        self.opened + 1
    }

    fn blank(&self, on: NaiveDate, kind: Kind) -> Entry {
        Entry::blank(self.next_number(), on, kind)
    }

    /// An entry of money that the owner puts in.
    pub fn fund(&self, on: NaiveDate, amount: Decimal) -> Entry {
        Entry {
            postings: funded(amount),
            ..self.blank(on, Kind::Fund)
        }
    }

    /// An entry of money that the owner takes out.
    pub fn draw(&self, on: NaiveDate, amount: Decimal) -> Entry {
        Entry {
            postings: funded(amount).reversed(),
            ..self.blank(on, Kind::Draw)
        }
    }

    /// An entry that opens a deal.
    pub fn buy(&self, on: NaiveDate, purchase: Purchase) -> Entry {
        Entry {
            deal: Some(self.next_deal()),
            postings: into_stock(purchase.paid),
            unit: Some(purchase.unit),
            estimate: purchase.estimate,
            quoted: purchase.asked,
            ..self.blank(on, Kind::Buy)
        }
    }

    /// An entry of an expense for a unit in stock.
    pub fn spend(&self, on: NaiveDate, deal: u32, amount: Decimal, minutes: Decimal) -> Entry {
        Entry {
            deal: Some(deal),
            postings: into_stock(amount),
            minutes,
            ..self.blank(on, Kind::Spend)
        }
    }

    /// An entry with a new description of a unit in stock.
    pub fn describe(&self, on: NaiveDate, deal: u32, unit: Unit) -> Entry {
        Entry {
            deal: Some(deal),
            unit: Some(unit),
            ..self.blank(on, Kind::Describe)
        }
    }

    /// An entry of a sale.
    pub fn sold(&self, on: NaiveDate, deal: u32, sale: &Sale) -> Entry {
        Entry {
            deal: Some(deal),
            postings: sold(sale, self.held(deal)),
            ..self.blank(on, Kind::Sold)
        }
    }

    /// An entry of a scrapped unit, with its scrap price.
    pub fn scrap(&self, on: NaiveDate, deal: u32, fetched: Decimal) -> Entry {
        Entry {
            deal: Some(deal),
            postings: scrapped(fetched, self.held(deal)),
            ..self.blank(on, Kind::Scrap)
        }
    }

    /// An entry of a refund to a buyer; with `back`, the unit is returned to stock.
    pub fn refund(&self, on: NaiveDate, deal: u32, refund: &Refund, back: bool) -> Entry {
        let (kind, cost) = if back {
            (Kind::Return, self.taken_out(deal))
        } else {
            (Kind::Refund, Decimal::ZERO)
        };
        Entry {
            deal: Some(deal),
            postings: refunded(refund, cost),
            ..self.blank(on, kind)
        }
    }

    /// An entry of a unit put up for sale at an outlet, or of its new asking price there.
    pub fn list(&self, on: NaiveDate, deal: u32, ask: Decimal, outlet: &str) -> Entry {
        Entry {
            quoted: Some(ask),
            ..self.unlist(on, deal, outlet)
        }
        .of(Kind::List)
    }

    /// An entry of a listing that ends unsold.
    pub fn unlist(&self, on: NaiveDate, deal: u32, outlet: &str) -> Entry {
        Entry {
            deal: Some(deal),
            outlet: outlet.to_string(),
            ..self.blank(on, Kind::Unlist)
        }
    }

    /// An entry of an offer for a unit in stock.
    pub fn offer(&self, on: NaiveDate, deal: u32, amount: Decimal, outlet: &str) -> Entry {
        self.list(on, deal, amount, outlet).of(Kind::Offer)
    }

    /// An entry of parts bought for the drawer; each line has its cost.
    pub fn part(&self, on: NaiveDate, parts: Vec<PartLine>, fits: Vec<String>) -> Entry {
        Entry {
            postings: into_drawer(cost_of(&parts)),
            parts,
            fits,
            ..self.blank(on, Kind::Part)
        }
    }

    /// An entry of parts from the drawer that go into a unit in stock ([`Drawer::pick`]).
    pub fn use_part(&self, on: NaiveDate, deal: u32, parts: Vec<PartLine>) -> Entry {
        Entry {
            deal: Some(deal),
            postings: used(cost_of(&parts)),
            parts,
            ..self.blank(on, Kind::Use)
        }
    }

    /// An entry of parts that leave the drawer for good, with what they fetched.
    pub fn drop_part(&self, on: NaiveDate, parts: Vec<PartLine>, fetched: Decimal) -> Entry {
        Entry {
            postings: dropped(fetched, cost_of(&parts)),
            parts,
            ..self.blank(on, Kind::Drop)
        }
    }

    /// An entry of a unit that is taken apart; the lines share in its cost, and what they leave is lost.
    pub fn harvest(
        &self,
        on: NaiveDate,
        deal: u32,
        parts: Vec<PartLine>,
        fits: Vec<String>,
    ) -> Entry {
        Entry {
            deal: Some(deal),
            postings: harvested(cost_of(&parts), self.held(deal)),
            parts,
            fits,
            ..self.blank(on, Kind::Harvest)
        }
    }

    /// An entry of an expense that belongs to no unit, paid from the cash.
    pub fn overhead(&self, on: NaiveDate, amount: Decimal, minutes: Decimal) -> Entry {
        Entry {
            postings: overhead(amount, Decimal::ZERO),
            minutes,
            ..self.blank(on, Kind::Overhead)
        }
    }

    /// An entry of an expense that belongs to no unit, paid out of the owner's pocket: what the owner paid is
    /// put in and spent at once.
    pub fn own_overhead(&self, on: NaiveDate, amount: Decimal, minutes: Decimal) -> Entry {
        Entry {
            postings: overhead(Decimal::ZERO, amount),
            ..self.overhead(on, Decimal::ZERO, minutes)
        }
    }

    /// An entry that reverses another: by default on the same day or, where what was recorded since does not
    /// follow on that, on the last day of the deal.
    ///
    /// # Errors
    /// If there is no such entry.
    pub fn reverse(&self, on: Option<NaiveDate>, number: u32) -> Result<Entry, Refusal> {
        let target = self.entry(number)?;
        let mut entry = Entry {
            deal: target.deal,
            reverses: Some(number),
            postings: target.postings.reversed(),
            ..self.blank(on.unwrap_or(target.on), Kind::Reverse)
        };
        if on.is_none() && self.fits_by_day(&entry).is_err() {
            let last = target.deal.and_then(|id| self.last_day_of(id));
            entry.on = last.unwrap_or(target.on);
        }
        Ok(entry)
    }

    fn entry(&self, number: u32) -> Result<&Entry, Refusal> {
        let found = self.entries.binary_search_by_key(&number, |one| one.number);
        found.ok().map(|at| &self.entries[at]).map_or_else(
            || {
                refuse(
                    format!("there is no ledger entry {number}"),
                    "`compband ledger entries` lists them",
                )
            },
            Ok,
        )
    }

    /// The entry that opened a deal, reversed or not.
    pub fn purchase_of(&self, deal: u32) -> Option<&Entry> {
        let first = self.deals.get(&deal).and_then(|one| one.entries.first());
        if let Some(first) = first {
            return self.entry(*first).ok();
        }
        let mut entries = self.entries.iter();
        entries.find(|entry| entry.kind == Kind::Buy && entry.deal == Some(deal))
    }

    /// Cost of a unit in stock.
    fn held(&self, deal: u32) -> Decimal {
        let sum = |deal: &Deal| deal.sum(Account::Stock);
        self.deals.get(&deal).map_or(Decimal::ZERO, sum)
    }

    /// Cost of the unit of a deal when it was sold.
    fn taken_out(&self, deal: u32) -> Decimal {
        let sum = |deal: &Deal| deal.sum(Account::Cost);
        self.deals.get(&deal).map_or(Decimal::ZERO, sum)
    }

    /// Enters an entry.
    ///
    /// # Errors
    /// [`Refusal`] if it does not fit those before it; the ledger is then unchanged.
    pub fn enter(&mut self, entry: Entry) -> Result<(), Refusal> {
        self.check(&entry)?;
        self.totals += entry.postings;
        if let (Kind::Reverse, Some(target)) = (entry.kind, entry.reverses) {
            self.reversed.insert(target, entry.number);
            if let Some(id) = entry.deal {
                self.fold_again(id, target);
            }
            let target = self.entry(target)?.clone();
            self.drawer.undo(&target);
            self.entries.push(entry);
            return Ok(());
        }
        self.drawer.take(&entry)?;
        let out_of_order = entry.deal.filter(|id| self.is_before_last(*id, entry.on));
        self.fold(&entry);
        self.entries.push(entry);
        if let Some(id) = out_of_order {
            self.fold_again(id, 0);
        }
        Ok(())
    }

    /// The entries in force, except one.
    fn in_force_without(&self, left_out: u32) -> impl Iterator<Item = &Entry> {
        self.entries
            .iter()
            .filter(move |one| one.number != left_out && !self.reversed.contains_key(&one.number))
    }

    /// Adds an entry in force to its deal.
    fn fold(&mut self, entry: &Entry) {
        let Some(id) = entry.deal else { return };
        if entry.kind == Kind::Buy {
            self.opened = self.opened.max(id);
            self.deals.insert(id, Deal::opened(entry, id));
        } else if let Some(deal) = self.deals.get_mut(&id) {
            deal.take(entry);
        }
    }

    /// Whether a day is before that of the last entry of a deal.
    fn is_before_last(&self, id: u32, day: NaiveDate) -> bool {
        self.deals.get(&id).is_some_and(|deal| day < deal.last_on)
    }

    /// Rebuilds a deal by day and number, without the entry `left_out`.
    fn fold_again(&mut self, id: u32, left_out: u32) {
        let Some(old) = self.deals.remove(&id) else {
            return;
        };
        let numbers = old.entries.into_iter().filter(|one| *one != left_out);
        let mut entries: Vec<Entry> = numbers
            .filter_map(|number| self.entry(number).ok().cloned())
            .collect();
        entries.sort_by_key(|entry| (entry.on, entry.number));
        for entry in &entries {
            self.fold(entry);
        }
    }
}

#[cfg(test)]
mod drawer_random;
#[cfg(test)]
mod sample;
#[cfg(test)]
mod tests;
