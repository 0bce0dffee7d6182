//! What the entries of the ledger come to: deals, totals, the bankroll.
//!
//! A [`Ledger`] is built by entering entries one by one. Each kind of entry has one rule for what
//! it moves between the accounts ([`Account`]); entering checks an entry against its rule, so that
//! a file changed by hand is told from one that this program wrote. With *debit* positive the rules
//! are
//!
//! | entry | debit | credit |
//! |---|---|---|
//! | fund, draw | cash | capital (draw: the other way) |
//! | buy, spend | stock | cash |
//! | sold | cash, fees, sending; cost | sales, shipping paid; stock |
//! | scrap | cash, losses | stock |
//! | refund | refunds, sending | cash, fees |
//! | return | the same, and stock | and cost |
//! | reverse | what the reversed entry credited | what it debited |
//!
//! The *bankroll* is cash and stock at cost. It equals capital and profit, since all accounts sum
//! to zero.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use crate::trade::comp::PriceBasis;
use crate::trade::entry::{Account, Entry, Foreseen, Kind, Postings};
use crate::trade::unit::Unit;

const DAYS_OF_WEEK: f64 = 7.0;
const DAYS_OF_YEAR: f64 = 365.25;

/// Why an entry cannot be entered.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{message}")]
pub struct Refusal {
    /// What is wrong.
    pub message: String,
    /// What to do; may be empty.
    pub next: String,
}

fn refuse<T>(message: impl Into<String>, next: impl Into<String>) -> Result<T, Refusal> {
    Err(Refusal {
        message: message.into(),
        next: next.into(),
    })
}

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
    in_stock_from: NaiveDate,
    /// Day of its last entry.
    last_on: NaiveDate,
    /// Positions of its entries in force.
    entries: Vec<usize>,
}

/// What a buyer paid.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Proceeds {
    /// The price.
    pub price: Decimal,
    /// Shipping beside it.
    pub shipping: Decimal,
}

/// The figures of a sale.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Sale {
    /// The price.
    pub price: Decimal,
    /// Shipping that the buyer paid beside it.
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
    /// Fees that the outlet gives back.
    pub fees_back: Decimal,
    /// What sending it back cost.
    pub postage: Decimal,
}

/// What a purchase is entered with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Purchase {
    /// What was paid, inbound shipping in it.
    pub paid: Decimal,
    /// The unit as it is to be sold.
    pub unit: Unit,
    /// The estimate of the day.
    pub estimate: Option<Foreseen>,
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
    fn came(&self) -> &'static str {
        if self.in_stock_from == self.bought_on {
            "bought"
        } else {
            "taken back"
        }
    }

    fn opened(at: usize, entry: &Entry, id: u32) -> Self {
        Self {
            id,
            unit: entry.unit.clone().unwrap_or_default(),
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
    fn take(&mut self, at: usize, entry: &Entry) {
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
    fn of(id: u32, entries: impl IntoIterator<Item = (usize, Entry)>) -> Option<Self> {
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

/// All entries and what they come to.
#[derive(Debug, Clone, Default)]
pub struct Ledger {
    entries: Vec<Entry>,
    /// Decimals of the currency's minor unit.
    decimals: u32,
    /// Reversed entries and what reverses them.
    reversed: BTreeMap<u32, u32>,
    /// Highest number of a deal.
    opened: u32,
    /// Deals, those whose purchase was reversed left out.
    deals: BTreeMap<u32, Deal>,
    totals: Postings,
}

/// The bankroll at the end of a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Standing {
    /// The day.
    pub on: NaiveDate,
    /// Cash.
    pub cash: Decimal,
    /// Stock at cost.
    pub stock: Decimal,
    /// What the owner put in, less what was taken out.
    pub capital: Decimal,
}

impl Standing {
    /// Cash and stock at cost.
    pub fn bankroll(&self) -> Decimal {
        self.cash + self.stock
    }
}

/// What all of it comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// Today.
    pub now: Standing,
    /// Profit of all deals.
    pub profit: Decimal,
    /// Units in stock.
    pub open: usize,
    /// Deals closed.
    pub closed: usize,
    /// Those of them with a profit.
    pub won: usize,
    /// Weeks since the first entry.
    pub weeks: f64,
    /// Bankroll on average, each day weighing the same.
    pub average: f64,
    /// How often a year the average bankroll is turned over: cost of what was sold and scrapped, by
    /// the year and by the average bankroll.
    pub turnover: Option<f64>,
    /// Profit in a week as a share of the average bankroll.
    pub weekly: Option<f64>,
}

/// One of the owner's sales beside what was foreseen of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OwnSale {
    /// What was foreseen.
    pub foreseen: Foreseen,
    /// What the buyer paid, on the basis of the estimate.
    pub paid: Decimal,
}

impl Ledger {
    /// An empty one for amounts with so many decimals.
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

    /// The ledger as it stood at the end of a day.
    pub fn up_to(&self, day: NaiveDate) -> Self {
        let mut then = Self::new(self.decimals);
        for entry in self.entries.iter().filter(|entry| entry.on <= day) {
            // What followed on a later entry is of later, whatever its date.
            let _ = then.enter(entry.clone());
        }
        then
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

    /// Cash and stock at cost.
    pub fn bankroll(&self) -> Decimal {
        self.totals.get(Account::Cash) + self.totals.get(Account::Stock)
    }

    /// Number of the next entry.
    pub fn next_number(&self) -> u32 {
        self.entries.last().map_or(1, |entry| entry.number + 1)
    }

    fn blank(&self, on: NaiveDate, kind: Kind) -> Entry {
        Entry::blank(self.next_number(), on, kind)
    }

    /// An entry by which the owner puts money in.
    pub fn fund(&self, on: NaiveDate, amount: Decimal) -> Entry {
        Entry {
            postings: funded(amount),
            ..self.blank(on, Kind::Fund)
        }
    }

    /// An entry by which the owner takes money out.
    pub fn draw(&self, on: NaiveDate, amount: Decimal) -> Entry {
        Entry {
            postings: funded(amount).reversed(),
            ..self.blank(on, Kind::Draw)
        }
    }

    /// An entry that opens a deal.
    pub fn buy(&self, on: NaiveDate, purchase: Purchase) -> Entry {
        Entry {
            deal: Some(self.opened + 1),
            postings: into_stock(purchase.paid),
            unit: Some(purchase.unit),
            estimate: purchase.estimate,
            ..self.blank(on, Kind::Buy)
        }
    }

    /// An entry of what is spent on a unit in stock.
    pub fn spend(&self, on: NaiveDate, deal: u32, amount: Decimal, minutes: Decimal) -> Entry {
        Entry {
            deal: Some(deal),
            postings: into_stock(amount),
            minutes,
            ..self.blank(on, Kind::Spend)
        }
    }

    /// An entry that describes a unit in stock anew.
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

    /// An entry of a unit scrapped, for what it fetches as scrap.
    pub fn scrap(&self, on: NaiveDate, deal: u32, fetched: Decimal) -> Entry {
        Entry {
            deal: Some(deal),
            postings: scrapped(fetched, self.held(deal)),
            ..self.blank(on, Kind::Scrap)
        }
    }

    /// An entry of money given back to a buyer; with `back`, the unit comes back into stock.
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

    /// An entry that reverses another, by default on the very day of that.
    ///
    /// # Errors
    /// Where there is no such entry.
    pub fn reverse(&self, on: Option<NaiveDate>, number: u32) -> Result<Entry, Refusal> {
        let target = self.entry(number)?;
        let on = on.unwrap_or(target.on);
        Ok(Entry {
            deal: target.deal,
            reverses: Some(number),
            postings: target.postings.reversed(),
            ..self.blank(on, Kind::Reverse)
        })
    }

    fn entry(&self, number: u32) -> Result<&Entry, Refusal> {
        // Numbers count up from 1, none left out.
        let at = number.checked_sub(1).map(|at| at as usize);
        at.and_then(|at| self.entries.get(at)).map_or_else(
            || {
                refuse(
                    format!("there is no entry {number}"),
                    "`compband ledger entries` lists them",
                )
            },
            Ok,
        )
    }

    /// What a unit in stock has cost.
    fn held(&self, deal: u32) -> Decimal {
        let sum = |deal: &Deal| deal.sum(Account::Stock);
        self.deals.get(&deal).map_or(Decimal::ZERO, sum)
    }

    /// What the unit of a deal had cost when it was sold.
    fn taken_out(&self, deal: u32) -> Decimal {
        let sum = |deal: &Deal| deal.sum(Account::Cost);
        self.deals.get(&deal).map_or(Decimal::ZERO, sum)
    }

    /// Enters an entry.
    ///
    /// # Errors
    /// [`Refusal`]: it does not follow on those before it; the ledger is then as before.
    pub fn enter(&mut self, entry: Entry) -> Result<(), Refusal> {
        self.check(&entry)?;
        let at = self.entries.len();
        self.totals += entry.postings;
        match (entry.kind, entry.deal) {
            (Kind::Reverse, deal) => {
                let target = entry.reverses.unwrap_or_default();
                self.reversed.insert(target, entry.number);
                if let Some(id) = deal {
                    self.fold_again(id, target);
                }
            }
            (Kind::Buy, Some(id)) => {
                self.opened = id;
                self.deals.insert(id, Deal::opened(at, &entry, id));
            }
            (_, Some(id)) => {
                if let Some(deal) = self.deals.get_mut(&id) {
                    deal.take(at, &entry);
                }
            }
            (_, None) => {}
        }
        self.entries.push(entry);
        Ok(())
    }

    /// Makes a deal anew without the entry `left_out`.
    fn fold_again(&mut self, id: u32, left_out: u32) {
        let Some(old) = self.deals.remove(&id) else {
            return;
        };
        let kept = old
            .entries
            .iter()
            .map(|at| (*at, self.entries[*at].clone()))
            .filter(|(_, entry)| entry.number != left_out);
        if let Some(deal) = Deal::of(id, kept) {
            self.deals.insert(id, deal);
        }
    }

    fn check(&self, entry: &Entry) -> Result<(), Refusal> {
        if entry.number != self.next_number() {
            return refuse(
                format!(
                    "entry {} does not follow on entry {}",
                    entry.number,
                    self.next_number() - 1
                ),
                "entries count up by one, none left out",
            );
        }
        for (account, amount) in entry.postings.iter() {
            let amount = amount.abs().normalize();
            if amount.scale() > self.decimals {
                let most = self.decimals;
                return refuse(
                    format!(
                        "{} {amount}: expected at most {most} decimals",
                        account.column()
                    ),
                    "write amounts to the smallest coin",
                );
            }
        }
        if entry.kind != Kind::Reverse && entry.kind.of_deal() != entry.deal.is_some() {
            return refuse(
                format!(
                    "an entry of the kind {} with the wrong deal",
                    entry.kind.word()
                ),
                "only what the owner puts in or takes out has no deal",
            );
        }
        match entry.kind {
            Kind::Fund | Kind::Draw => self.check_capital(entry)?,
            Kind::Buy => self.check_purchase(entry)?,
            Kind::Reverse => self.check_reversal(entry)?,
            _ => self.check_in_deal(entry)?,
        }
        self.check_rule(entry)
    }

    /// The postings are those that the kind of the entry makes of its figures, none negative.
    fn check_rule(&self, entry: &Entry) -> Result<(), Refusal> {
        use Account::*;
        let at = |account| entry.postings.get(account);
        let deal = entry.deal.unwrap_or_default();
        let (figures, ruled): (Vec<Decimal>, Postings) = match entry.kind {
            Kind::Fund => (vec![at(Cash)], funded(at(Cash))),
            Kind::Draw => (vec![-at(Cash)], funded(at(Cash))),
            Kind::Buy | Kind::Spend => (vec![at(Stock)], into_stock(at(Stock))),
            Kind::Describe => (Vec::new(), Postings::default()),
            Kind::Sold => {
                let sale = Sale {
                    price: -at(Sales),
                    shipping: -at(ShippingPaid),
                    fees: at(Fees),
                    postage: at(Postage),
                };
                let figures = vec![sale.price, sale.shipping, sale.fees, sale.postage];
                (figures, sold(&sale, self.held(deal)))
            }
            Kind::Scrap => (vec![at(Cash)], scrapped(at(Cash), self.held(deal))),
            Kind::Refund | Kind::Return => {
                let refund = Refund {
                    amount: at(Refunds),
                    fees_back: -at(Fees),
                    postage: at(Postage),
                };
                let back = entry.kind == Kind::Return;
                let cost = if back {
                    self.taken_out(deal)
                } else {
                    Decimal::ZERO
                };
                let figures = vec![refund.amount, refund.fees_back, refund.postage];
                (figures, refunded(&refund, cost))
            }
            Kind::Reverse => {
                let target = self.entry(entry.reverses.unwrap_or_default())?;
                (Vec::new(), target.postings.reversed())
            }
        };
        if figures.iter().any(|figure| *figure < Decimal::ZERO) {
            return refuse(
                format!(
                    "an entry of the kind {} with a negative amount",
                    entry.kind.word()
                ),
                "amounts are 0 or more; mistakes are corrected with `compband ledger reverse`",
            );
        }
        if ruled != entry.postings {
            return refuse(
                format!(
                    "the accounts of entry {} are not those of an entry of the kind {}",
                    entry.number,
                    entry.kind.word()
                ),
                "",
            );
        }
        Ok(())
    }

    fn check_capital(&self, entry: &Entry) -> Result<(), Refusal> {
        let amount = entry.postings.get(Account::Cash).abs();
        if amount.is_zero() {
            return refuse("nothing is put in or taken out", "say an amount above 0");
        }
        let cash = self.totals.get(Account::Cash);
        if entry.kind == Kind::Draw && amount > cash {
            return refuse(
                format!("{amount} is more than the cash there is, {cash}"),
                "take out less, or record first what you put in: `compband ledger fund`",
            );
        }
        Ok(())
    }

    fn check_purchase(&self, entry: &Entry) -> Result<(), Refusal> {
        let next = self.opened + 1;
        if entry.deal != Some(next) {
            return refuse(
                format!("the next purchase is {}", name(next)),
                "every purchase opens a deal of its own, and they count up",
            );
        }
        if entry.unit.as_ref().is_none_or(|unit| unit.model.is_empty()) {
            return refuse("a purchase of nothing", "say the model");
        }
        Ok(())
    }

    fn check_in_deal(&self, entry: &Entry) -> Result<(), Refusal> {
        let id = entry.deal.unwrap_or_default();
        let Some(deal) = self.deals.get(&id) else {
            return refuse(
                format!("there is no deal {}", name(id)),
                "`compband ledger deals` lists them",
            );
        };
        let after_sale = matches!(entry.kind, Kind::Refund | Kind::Return);
        let expected = if after_sale { State::Sold } else { State::Open };
        if deal.state != expected {
            return Err(not_in(deal, expected));
        }
        // Parts may be written down out of order, but not before there was a unit.
        let (since, what) = match entry.kind {
            Kind::Spend | Kind::Describe => (deal.in_stock_from, deal.came()),
            _ if deal.last_on == deal.in_stock_from => (deal.last_on, deal.came()),
            _ => (deal.last_on, "last changed"),
        };
        if entry.on < since {
            return refuse(
                format!(
                    "{} is before {}, when {} was {what}",
                    entry.on,
                    since,
                    deal.name()
                ),
                "say the right day with --date",
            );
        }
        match entry.kind {
            Kind::Sold if entry.postings.get(Account::Sales).is_zero() => refuse(
                "a sale for nothing",
                "say a price above 0; what is given away or thrown away is scrapped: `compband scrap`",
            ),
            Kind::Spend if entry.postings == Postings::default() && entry.minutes.is_zero() => {
                refuse("nothing was spent", "say an amount, or --minutes")
            }
            Kind::Describe if entry.unit.is_none() => refuse("nothing is described", ""),
            Kind::Refund | Kind::Return => check_refund(entry, deal),
            _ => Ok(()),
        }
    }

    fn check_reversal(&self, entry: &Entry) -> Result<(), Refusal> {
        let number = entry.reverses.unwrap_or_default();
        let target = self.entry(number)?;
        if target.kind == Kind::Reverse {
            return refuse(
                format!("entry {number} is itself a reversal"),
                "record again what it reversed",
            );
        }
        if let Some(by) = self.reversed_by(number) {
            return refuse(
                format!("entry {number} is reversed already, by entry {by}"),
                "",
            );
        }
        if entry.on < target.on {
            return refuse(
                format!(
                    "{} is before {}, the day of entry {number}",
                    entry.on, target.on
                ),
                "say the right day with --date",
            );
        }
        if entry.deal != target.deal {
            return refuse(format!("entry {number} is of another deal"), "");
        }
        let last = target
            .deal
            .and_then(|id| self.deals.get(&id))
            .and_then(|deal| deal.entries.last())
            .map(|at| self.entries[*at].number);
        match (target.deal, last) {
            (Some(id), Some(last)) if last != number => refuse(
                format!("entry {last} of {} builds on entry {number}", name(id)),
                format!("reverse entry {last} first: `compband ledger reverse {last}`"),
            ),
            _ => Ok(()),
        }
    }

    /// The bankroll at the end of every day that has an entry.
    pub fn course(&self) -> Vec<Standing> {
        let mut days: BTreeMap<NaiveDate, Postings> = BTreeMap::new();
        for entry in &self.entries {
            *days.entry(entry.on).or_default() += entry.postings;
        }
        let mut sums = Postings::default();
        days.into_iter()
            .map(|(on, postings)| {
                sums += postings;
                standing(on, &sums)
            })
            .collect()
    }

    /// What it comes to on a day; entries of later days, if any, count too.
    pub fn summary(&self, today: NaiveDate) -> Summary {
        let course = self.course();
        let (average, days) = average(&course, today);
        let closed: Vec<&Deal> = self.deals().filter(|d| d.state != State::Open).collect();
        let won = closed.iter().filter(|d| d.profit() > Decimal::ZERO).count();
        let profit = self.totals.profit();
        let turned: Decimal = closed.iter().map(|deal| deal.cost()).sum();
        let of_average = |amount: Decimal, span: f64| {
            (average > 0.0 && days > 0.0).then(|| float(amount) / average / (days / span))
        };
        Summary {
            now: standing(today, &self.totals),
            profit,
            open: self.deals.len() - closed.len(),
            closed: closed.len(),
            won,
            weeks: days / DAYS_OF_WEEK,
            average,
            turnover: of_average(turned, DAYS_OF_YEAR),
            weekly: of_average(profit, DAYS_OF_WEEK),
        }
    }

    /// Offers that came in, and the weeks in which they did (a day at least each), over the sales
    /// that say how many: what there is to learn the rate of offers from.
    pub fn offers(&self) -> (u32, f64) {
        let told = self.deals().filter(|deal| deal.state == State::Sold);
        told.filter_map(|deal| Some((deal.offers?, deal.closed_on?, deal.in_stock_from)))
            .fold((0, 0.0), |(offers, weeks), (more, sold, since)| {
                let days = (sold - since).num_days().max(1) as f64;
                (offers + more, weeks + days / DAYS_OF_WEEK)
            })
    }

    /// The owner's sales beside what `which` of the two estimates foresaw.
    pub fn own_sales(&self, which: impl Fn(&Deal) -> Option<Foreseen>) -> Vec<OwnSale> {
        let sold = self.deals().filter(|deal| deal.state == State::Sold);
        sold.filter_map(|deal| {
            let (foreseen, sale) = (which(deal)?, deal.sale?);
            let paid = match foreseen.basis {
                PriceBasis::Delivered => sale.price + sale.shipping,
                PriceBasis::Item => sale.price,
            };
            Some(OwnSale { foreseen, paid })
        })
        .collect()
    }
}

fn check_refund(entry: &Entry, deal: &Deal) -> Result<(), Refusal> {
    let amount = entry.postings.get(Account::Refunds);
    if amount > deal.revenue() {
        return refuse(
            format!(
                "a refund of {amount} is more than the buyer of {} has paid and not had back, {}",
                deal.name(),
                deal.revenue()
            ),
            "",
        );
    }
    let fees_back = -entry.postings.get(Account::Fees);
    if fees_back > deal.sum(Account::Fees) {
        return refuse(
            format!(
                "{fees_back} of fees given back are more than were taken, {}",
                deal.sum(Account::Fees)
            ),
            "",
        );
    }
    if entry.kind == Kind::Refund && entry.postings == Postings::default() {
        return refuse("nothing is given back", "say an amount above 0");
    }
    Ok(())
}

/// The refusal of an entry that a deal is not in the state for.
fn not_in(deal: &Deal, expected: State) -> Refusal {
    let since = deal.closed_on.unwrap_or(deal.bought_on);
    let next = match (deal.state, expected) {
        (State::Open, _) => "record the sale first: `compband sold`".to_string(),
        (_, State::Sold) => "only what was sold can be refunded".to_string(),
        _ => {
            let of_deal = format!("`compband ledger entries --deal {}`", deal.name());
            format!(
                "where that is wrong, {of_deal} shows which entry to reverse; a unit that came back is recorded with \
                 `compband ledger refund {} --back`",
                deal.name()
            )
        }
    };
    Refusal {
        message: format!(
            "{}, {:?}, is {} since {since}",
            deal.name(),
            deal.unit.model,
            deal.state.word()
        ),
        next,
    }
}

fn standing(on: NaiveDate, sums: &Postings) -> Standing {
    Standing {
        on,
        cash: sums.get(Account::Cash),
        stock: sums.get(Account::Stock),
        capital: -sums.get(Account::Capital),
    }
}

/// Bankroll on average from the first day up to the end of the day before `today`, and the days
/// that makes.
fn average(course: &[Standing], today: NaiveDate) -> (f64, f64) {
    let Some(first) = course.first() else {
        return (0.0, 0.0);
    };
    let last = course.last().map_or(first.on, |last| last.on);
    // What stands on the last day of all has stood for a day.
    let end = today
        .max(last)
        .checked_add_days(Days::new(1))
        .unwrap_or(today);
    let until = course[1..].iter().map(|next| next.on).chain([end]);
    let money_days: f64 = course
        .iter()
        .zip(until)
        .map(|(at, until)| float(at.bankroll()) * (until - at.on).num_days() as f64)
        .sum();
    let days = (end - first.on).num_days() as f64;
    (money_days / days, days)
}

fn float(amount: Decimal) -> f64 {
    amount.to_f64().unwrap_or_default()
}

fn funded(amount: Decimal) -> Postings {
    Postings::of(&[(Account::Cash, amount), (Account::Capital, -amount)])
}

fn into_stock(amount: Decimal) -> Postings {
    Postings::of(&[(Account::Stock, amount), (Account::Cash, -amount)])
}

fn sold(sale: &Sale, cost: Decimal) -> Postings {
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

fn scrapped(fetched: Decimal, cost: Decimal) -> Postings {
    Postings::of(&[
        (Account::Cash, fetched),
        (Account::Stock, -cost),
        (Account::WriteOff, cost - fetched),
    ])
}

/// `cost` goes back into stock.
fn refunded(refund: &Refund, cost: Decimal) -> Postings {
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

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn day(number: i64) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 1, 1).unwrap() + chrono::TimeDelta::days(number)
    }

    fn cents(amount: i64) -> Decimal {
        Decimal::new(amount, 2)
    }

    fn purchase(paid: i64) -> Purchase {
        Purchase {
            paid: cents(paid),
            unit: Unit {
                model: "Nerrow F4".into(),
                ..Unit::default()
            },
            estimate: None,
        }
    }

    fn story() -> Ledger {
        let mut ledger = Ledger::new(2);
        let fund = ledger.fund(day(0), cents(30_000));
        ledger.enter(fund).unwrap();
        let buy = ledger.buy(day(4), purchase(4_700));
        ledger.enter(buy).unwrap();
        let spend = ledger.spend(day(7), 1, cents(1_400), Decimal::from(30));
        ledger.enter(spend).unwrap();
        let sale = Sale {
            price: cents(13_100),
            shipping: cents(480),
            fees: cents(1_234),
            postage: cents(570),
        };
        let sold = ledger.sold(day(28), 1, &sale);
        ledger.enter(sold).unwrap();
        ledger
    }

    #[test]
    fn a_deal_from_buying_to_selling() {
        let ledger = story();
        let deal = ledger.deal(1).unwrap();
        // 131 and 4.80 less 12.34, 5.70, 47 and 14.
        assert_eq!(deal.profit(), cents(5_676));
        assert_eq!(deal.per_hour(), Some(cents(11_352)));
        assert_eq!((deal.state, deal.days_held(day(90))), (State::Sold, 24));
        let summary = ledger.summary(day(34));
        assert_eq!(summary.now.bankroll(), cents(35_676));
        assert_eq!((summary.closed, summary.won, summary.open), (1, 1, 0));
        assert_eq!(ledger.offers(), (0, 0.0));
        // 28 days at 300 and 7 at 356.76 (the last day counts whole): 5 weeks.
        let average = (28.0 * 300.0 + 7.0 * 356.76) / 35.0;
        assert!((summary.average - average).abs() < 1e-9 && summary.weeks == 5.0);
        assert!((summary.weekly.unwrap() - 56.76 / average / 5.0).abs() < 1e-12);
        assert!((summary.turnover.unwrap() - 61.0 / average * 365.25 / 35.0).abs() < 1e-12);
        let days: Vec<_> = ledger.course().iter().map(|at| (at.on, at.stock)).collect();
        let stock = [(0, 0), (4, 4_700), (7, 6_100), (28, 0)];
        assert_eq!(days, stock.map(|(at, money)| (day(at), cents(money))));
    }

    #[test]
    fn a_unit_that_comes_back_is_in_stock_at_its_cost() {
        let mut ledger = story();
        let back = Refund {
            amount: cents(13_580),
            fees_back: cents(1_000),
            postage: cents(480),
        };
        let entry = ledger.refund(day(30), 1, &back, true);
        ledger.enter(entry).unwrap();
        let deal = ledger.deal(1).unwrap();
        assert_eq!(
            (deal.state, deal.sum(Account::Stock)),
            (State::Open, cents(6_100))
        );
        // What it has cost: 2.34 of fees, sending it 5.70 and back 4.80.
        assert_eq!(deal.profit(), cents(-1_284));
        assert_eq!(deal.days_held(day(40)), 24 + 10);
        let again = Sale {
            price: cents(10_000),
            ..Sale::default()
        };
        let early = ledger.sold(day(29), 1, &again);
        let refusal = ledger.enter(early).unwrap_err();
        assert!(
            refusal.message.contains("when d1 was taken back"),
            "{refusal}"
        );
        let entry = ledger.sold(day(44), 1, &again);
        ledger.enter(entry).unwrap();
        assert_eq!(
            ledger.deal(1).unwrap().profit(),
            cents(10_000 - 1_284 - 6_100)
        );
        assert_eq!(ledger.own_sales(|deal| deal.foreseen), []);
    }

    #[test]
    fn what_does_not_follow_is_refused() {
        let ledger = story();
        let sale = |price: i64| Sale {
            price: cents(price),
            ..Sale::default()
        };
        let refund = |amount: i64, fees_back: i64| Refund {
            amount: cents(amount),
            fees_back: cents(fees_back),
            postage: Decimal::ZERO,
        };
        let mut open = ledger.clone();
        let buy = open.buy(day(30), purchase(1_000));
        open.enter(buy).unwrap();
        for (entry, told) in [
            (
                open.sold(day(40), 1, &sale(100)),
                "d1, \"Nerrow F4\", is sold since 2026-01-29",
            ),
            (
                open.spend(day(40), 1, cents(5), Decimal::ZERO),
                "is sold since",
            ),
            (open.sold(day(40), 7, &sale(100)), "there is no deal d7"),
            (
                open.sold(day(29), 2, &sale(100)),
                "is before 2026-01-31, when d2 was bought",
            ),
            (
                open.spend(day(29), 2, cents(5), Decimal::ZERO),
                "when d2 was bought",
            ),
            (
                open.spend(day(31), 2, Decimal::ZERO, Decimal::ZERO),
                "nothing was spent",
            ),
            (open.sold(day(31), 2, &sale(0)), "a sale for nothing"),
            (open.sold(day(31), 2, &sale(-5)), "negative amount"),
            (
                open.refund(day(31), 2, &refund(5, 0), false),
                "is in stock since",
            ),
            (
                open.refund(day(31), 1, &refund(13_581, 0), false),
                "a refund of 135.81 is more than the buyer of d1 has paid and not had back, 135.80",
            ),
            (
                open.refund(day(31), 1, &refund(5, 1_235), true),
                "more than were taken, 12.34",
            ),
            (
                open.refund(day(31), 1, &refund(0, 0), false),
                "nothing is given back",
            ),
            (
                open.draw(day(31), cents(34_677)),
                "is more than the cash there is, 346.76",
            ),
            (open.fund(day(31), Decimal::ZERO), "nothing is put in"),
            (
                open.fund(day(31), Decimal::new(1, 3)),
                "cash 0.001: expected at most 2 decimals",
            ),
            (
                open.reverse(None, 2).unwrap(),
                "entry 4 of d1 builds on entry 2",
            ),
            (
                open.reverse(Some(day(27)), 4).unwrap(),
                "is before 2026-01-29, the day of entry 4",
            ),
        ] {
            let before = (open.totals, open.entries.len());
            let refusal = open.enter(entry).unwrap_err();
            assert!(refusal.message.contains(told), "{told}: {refusal}");
            assert_eq!((open.totals, open.entries.len()), before);
        }
        assert!(open.reverse(None, 99).is_err());
        let reversal = open.reverse(None, 4).unwrap();
        open.enter(reversal).unwrap();
        for (number, told) in [
            (4, "reversed already, by entry 6"),
            (6, "itself a reversal"),
        ] {
            let again = open.reverse(None, number).unwrap();
            let refusal = open.enter(again).unwrap_err();
            assert!(refusal.message.contains(told), "{refusal}");
        }
    }

    #[test]
    fn a_forged_entry_is_told_from_a_true_one() {
        let ledger = story();
        for (at, true_entry) in ledger.entries().iter().enumerate() {
            let mut before = Ledger::new(2);
            for entry in &ledger.entries()[..at] {
                before.enter(entry.clone()).unwrap();
            }
            for from in Account::ALL {
                for to in Account::ALL.into_iter().filter(|to| *to != from) {
                    let mut forged = true_entry.clone();
                    forged.postings += Postings::of(&[(from, cents(1)), (to, cents(-1))]);
                    // Another amount of the same shape is as good an entry.
                    let figures = |postings: &Postings| -> Vec<Account> {
                        postings.iter().map(|(account, _)| account).collect()
                    };
                    let taken = before.clone().enter(forged.clone()).is_ok();
                    assert!(
                        !taken || figures(&forged.postings) == figures(&true_entry.postings),
                        "{from:?} {to:?} {forged:?}"
                    );
                    let stock = true_entry.postings.get(Account::Stock);
                    let moves_stock = [from, to].contains(&Account::Stock);
                    assert!(
                        !(taken && moves_stock && stock < Decimal::ZERO),
                        "{forged:?}"
                    );
                }
            }
        }
    }

    /// What is done to a ledger; numbers pick a deal or an entry.
    #[derive(Debug, Clone)]
    enum Act {
        Fund(i64),
        Draw(i64),
        Buy(i64),
        Spend(usize, i64, i64),
        Describe(usize),
        Sold(usize, [i64; 4]),
        Scrap(usize, i64),
        Refund(usize, [i64; 3], bool),
        Reverse(usize),
    }

    fn act() -> impl Strategy<Value = Act> {
        let money = || 0..20_000i64;
        let pick = || 0..6usize;
        prop_oneof![
            money().prop_map(Act::Fund),
            money().prop_map(Act::Draw),
            money().prop_map(Act::Buy),
            (pick(), money(), 0..90i64)
                .prop_map(|(deal, money, minutes)| Act::Spend(deal, money, minutes)),
            pick().prop_map(Act::Describe),
            (pick(), [1..30_000i64, 0..900, 0..3_000, 0..900])
                .prop_map(|(deal, sale)| Act::Sold(deal, sale)),
            (pick(), 0..9_000i64).prop_map(|(deal, money)| Act::Scrap(deal, money)),
            (pick(), [0..30_000i64, 0..900, 0..900], any::<bool>())
                .prop_map(|(deal, refund, back)| Act::Refund(deal, refund, back)),
            (0..40usize).prop_map(Act::Reverse),
        ]
    }

    fn entry(ledger: &Ledger, on: NaiveDate, act: &Act) -> Option<Entry> {
        let id = |pick: usize| {
            let ids: Vec<u32> = ledger.deals().map(|deal| deal.id).collect();
            ids.get(pick % ids.len().max(1)).copied().unwrap_or(1)
        };
        Some(match *act {
            Act::Fund(money) => ledger.fund(on, cents(money)),
            Act::Draw(money) => ledger.draw(on, cents(money)),
            Act::Buy(money) => ledger.buy(on, purchase(money)),
            Act::Spend(deal, money, minutes) => {
                ledger.spend(on, id(deal), cents(money), minutes.into())
            }
            Act::Describe(deal) => ledger.describe(on, id(deal), purchase(0).unit),
            Act::Sold(deal, [price, shipping, fees, postage]) => {
                let sale = Sale {
                    price: cents(price),
                    shipping: cents(shipping),
                    fees: cents(fees),
                    postage: cents(postage),
                };
                ledger.sold(on, id(deal), &sale)
            }
            Act::Scrap(deal, money) => ledger.scrap(on, id(deal), cents(money)),
            Act::Refund(deal, [amount, fees_back, postage], back) => {
                let refund = Refund {
                    amount: cents(amount),
                    fees_back: cents(fees_back),
                    postage: cents(postage),
                };
                ledger.refund(on, id(deal), &refund, back)
            }
            Act::Reverse(pick) => {
                let number = u32::try_from(pick % ledger.entries().len().max(1)).ok()? + 1;
                ledger.reverse(None, number).ok()?
            }
        })
    }

    /// Money that an act brings in (less what it takes), by plain arithmetic.
    fn cash_of(act: &Act) -> Option<i64> {
        Some(match *act {
            Act::Fund(money) | Act::Scrap(_, money) => money,
            Act::Draw(money) | Act::Buy(money) | Act::Spend(_, money, _) => -money,
            Act::Describe(_) => 0,
            Act::Sold(_, [price, shipping, fees, postage]) => price + shipping - fees - postage,
            Act::Refund(_, [amount, fees_back, postage], _) => fees_back - amount - postage,
            Act::Reverse(_) => return None,
        })
    }

    fn holds(ledger: &Ledger) -> Result<(), TestCaseError> {
        prop_assert_eq!(ledger.totals.sum(), Decimal::ZERO);
        for entry in ledger.entries() {
            prop_assert_eq!(entry.postings.sum(), Decimal::ZERO);
        }
        let profits: Decimal = ledger.deals().map(Deal::profit).sum();
        let capital = -ledger.totals.get(Account::Capital);
        prop_assert_eq!(ledger.bankroll(), capital + profits);
        let open = ledger.deals().filter(|deal| deal.state == State::Open);
        let stock: Decimal = open.map(Deal::cost).sum();
        prop_assert_eq!(ledger.totals.get(Account::Stock), stock);
        for deal in ledger.deals() {
            prop_assert!(
                deal.revenue() >= Decimal::ZERO && deal.sum(Account::Fees) >= Decimal::ZERO
            );
            let stock = if deal.state == State::Open {
                deal.cost()
            } else {
                Decimal::ZERO
            };
            prop_assert_eq!(deal.sum(Account::Stock), stock);
        }
        let last = ledger.course().last().map(Standing::bankroll);
        prop_assert_eq!(last.unwrap_or_default(), ledger.bankroll());
        Ok(())
    }

    proptest! {
        #[test]
        fn the_books_balance_whatever_is_done(acts in prop::collection::vec((act(), 0..4i64), 0..60)) {
            let (mut ledger, mut today) = (Ledger::new(2), 0);
            // Cash by entry number, as plain whole cents.
            let mut cash: BTreeMap<u32, i64> = BTreeMap::new();
            for (act, later) in &acts {
                today += later;
                let before = ledger.clone();
                let Some(entry) = entry(&ledger, day(today), act) else { continue };
                let (number, reverses) = (entry.number, entry.reverses);
                if ledger.enter(entry).is_err() {
                    prop_assert_eq!(ledger.totals, before.totals);
                    prop_assert_eq!(&ledger.entries, &before.entries);
                    prop_assert_eq!(&ledger.deals, &before.deals);
                    continue;
                }
                let moved = cash_of(act).or_else(|| Some(-*cash.get(&reverses?)?)).unwrap();
                cash.insert(number, moved);
                prop_assert_eq!(ledger.totals.get(Account::Cash), cents(cash.values().sum()));
                holds(&ledger)?;
                // An entry and its reversal leave everything as it was.
                if reverses.is_none() {
                    let mut back = ledger.clone();
                    let reversal = back.reverse(None, number).unwrap();
                    back.enter(reversal).unwrap();
                    prop_assert_eq!(back.totals, before.totals);
                    prop_assert_eq!(&back.deals, &before.deals);
                }
            }
            let mut again = Ledger::new(2);
            for entry in ledger.entries() {
                again.enter(entry.clone()).unwrap();
            }
            prop_assert_eq!(again.totals, ledger.totals);
            prop_assert_eq!(&again.deals, &ledger.deals);
            let all: Vec<u32> = ledger
                .entries()
                .iter()
                .filter(|entry| entry.kind != Kind::Reverse && ledger.reversed_by(entry.number).is_none())
                .map(|entry| entry.number)
                .collect();
            for number in all.into_iter().rev() {
                let reversal = ledger.reverse(None, number).unwrap();
                ledger.enter(reversal).unwrap();
            }
            prop_assert_eq!(ledger.totals, Postings::default());
            prop_assert_eq!(ledger.deals().count(), 0);
        }
    }
}
