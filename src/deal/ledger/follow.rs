//! Valid next entries of a ledger: each entry is checked against the state of its deal and the rule
//! of its kind.

use rust_decimal::Decimal;

use super::Ledger;
use super::deal::{Deal, State, name};
use super::drawer::Drawer;
use super::refusal::{Refusal, refuse};
use super::rules::{
    Refund, Sale, cost_of, dropped, funded, harvested, into_drawer, into_stock, overhead, refunded,
    scrapped, sold, used,
};
use crate::trade::entry::{Account, Entry, Kind, Postings};

impl Ledger {
    pub(super) fn check(&self, entry: &Entry) -> Result<(), Refusal> {
        if entry.number != self.next_number() {
            return refuse(
                format!(
                    "ledger entry {} does not follow ledger entry {}",
                    entry.number,
                    self.next_number() - 1
                ),
                "entries are numbered without gaps",
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
                "only money you pay in or take out has no deal",
            );
        }
        match entry.kind {
            Kind::Fund | Kind::Draw => self.check_capital(entry)?,
            Kind::Buy => self.check_purchase(entry)?,
            Kind::Reverse => self.check_reversal(entry)?,
            Kind::Part | Kind::Drop | Kind::Overhead => check_without_deal(entry)?,
            _ => self.check_in_deal(entry)?,
        }
        check_parts(entry)?;
        self.drawer.check(entry, self.decimals)?;
        self.check_rule(entry)
    }

    /// Checks an entry of a deal against those dated before it.
    pub(super) fn follows(&self, entry: &Entry) -> Result<(), Refusal> {
        match entry.kind {
            Kind::Fund | Kind::Draw | Kind::Buy | Kind::Reverse => Ok(()),
            Kind::Part | Kind::Drop | Kind::Overhead => Ok(()),
            _ => {
                self.check_in_deal(entry)?;
                self.check_rule(entry)
            }
        }
    }

    /// Checks that the postings follow from the figures by the rule of the entry's kind, and that
    /// no figure is negative.
    fn check_rule(&self, entry: &Entry) -> Result<(), Refusal> {
        use Account::*;
        let at = |account| entry.postings.get(account);
        let deal = entry.deal.unwrap_or_default();
        let (figures, ruled): (Vec<Decimal>, Postings) = match entry.kind {
            Kind::Fund => (vec![at(Cash)], funded(at(Cash))),
            Kind::Draw => (vec![-at(Cash)], funded(at(Cash))),
            Kind::Buy | Kind::Spend => (vec![at(Stock)], into_stock(at(Stock))),
            Kind::Describe | Kind::List | Kind::Unlist | Kind::Offer => {
                (Vec::new(), Postings::default())
            }
            Kind::Part => (vec![at(Drawer)], into_drawer(cost_of(&entry.parts))),
            Kind::Use => (vec![at(Stock)], used(cost_of(&entry.parts))),
            Kind::Drop => {
                let cost = cost_of(&entry.parts);
                (vec![at(Cash), cost], dropped(at(Cash), cost))
            }
            Kind::Harvest => {
                let (parts, cost) = (cost_of(&entry.parts), self.held(deal));
                (vec![parts, cost - parts], harvested(parts, cost))
            }
            Kind::Overhead => {
                let (cash, own) = (-at(Cash), -at(Capital));
                (vec![cash, own], overhead(cash, own))
            }
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
                "amounts are 0 or more; to correct a mistake use `compband ledger reverse`",
            );
        }
        if ruled != entry.postings {
            return refuse(
                format!(
                    "the accounts of ledger entry {} are not those of an entry of the kind {}",
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
            return refuse("nothing is paid in or taken out", "give an amount above 0");
        }
        let cash = self.totals.get(Account::Cash);
        if entry.kind == Kind::Draw && amount > cash {
            return refuse(
                format!("{amount} is more than the cash you have, {cash}"),
                "take out less, or first record money you paid in: `compband ledger fund`",
            );
        }
        Ok(())
    }

    fn check_purchase(&self, entry: &Entry) -> Result<(), Refusal> {
        let next = self.next_deal();
        if entry.deal != Some(next) {
            return refuse(
                format!("the next purchase is {}", name(next)),
                "every purchase opens a deal of its own; deals are numbered without gaps",
            );
        }
        if entry.unit.as_ref().is_none_or(|unit| unit.model.is_empty()) {
            return refuse("a purchase of nothing", "give the model");
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
        // Expenses may be recorded out of order, but not before the purchase.
        let (since, what) = match entry.kind {
            Kind::Spend | Kind::Describe | Kind::List | Kind::Unlist | Kind::Offer | Kind::Use => {
                (deal.in_stock_from, deal.came())
            }
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
                "give the right date with --date",
            );
        }
        match entry.kind {
            Kind::Sold if entry.postings.get(Account::Sales).is_zero() => refuse(
                "a sale for nothing",
                "give a price above 0; for a unit given away or thrown away use `compband scrap`",
            ),
            Kind::Spend if entry.postings == Postings::default() && entry.minutes.is_zero() => {
                refuse("nothing was spent", "give an amount, or --minutes")
            }
            Kind::Describe if entry.unit.is_none() => refuse("nothing is described", ""),
            Kind::List | Kind::Offer if entry.quoted.is_none_or(|price| price.is_zero()) => {
                refuse("a price of 0", "give a price above 0")
            }
            Kind::Unlist => check_listed(entry, deal),
            Kind::Refund | Kind::Return => check_refund(entry, deal),
            _ => Ok(()),
        }
    }

    fn check_reversal(&self, entry: &Entry) -> Result<(), Refusal> {
        let number = entry.reverses.unwrap_or_default();
        let target = self.entry(number)?;
        if target.kind == Kind::Reverse {
            return refuse(
                format!("ledger entry {number} is itself a reversal"),
                "record again what it reversed",
            );
        }
        if let Some(by) = self.reversed_by(number) {
            return refuse(
                format!("ledger entry {number} is already reversed, by ledger entry {by}"),
                "",
            );
        }
        if entry.on < target.on {
            return refuse(
                format!(
                    "{} is before {}, the date of ledger entry {number}",
                    entry.on, target.on
                ),
                "give the right date with --date",
            );
        }
        if entry.deal != target.deal {
            return refuse(format!("ledger entry {number} belongs to another deal"), "");
        }
        let last = target
            .deal
            .and_then(|id| self.deals.get(&id))
            .and_then(|deal| deal.entries.last().copied());
        if self.drawer.is_taken_from(number)
            && let (_, Some((builds, _))) = Drawer::after(self.in_force_without(number))
        {
            return refuse(
                format!("ledger entry {builds} uses parts that ledger entry {number} brought"),
                format!("reverse ledger entry {builds} first: `compband ledger reverse {builds}`"),
            );
        }
        match (target.deal, last) {
            (Some(id), Some(last)) if last != number => refuse(
                format!(
                    "ledger entry {last} of {} builds on ledger entry {number}",
                    name(id)
                ),
                format!("reverse ledger entry {last} first: `compband ledger reverse {last}`"),
            ),
            _ => Ok(()),
        }
    }
}

/// Parts come in only by a purchase of parts or a harvest, and leave only by use or loss.
fn check_parts(entry: &Entry) -> Result<(), Refusal> {
    let (brings, takes) = match entry.kind {
        Kind::Part | Kind::Harvest => (true, false),
        Kind::Use | Kind::Drop => (false, true),
        _ => (false, false),
    };
    let named = !entry.parts.is_empty();
    let fits = entry
        .parts
        .iter()
        .all(|line| if line.lot.is_some() { takes } else { brings });
    let mut names: Vec<(&str, Option<u32>)> = entry
        .parts
        .iter()
        .map(|line| (line.name.as_str(), line.lot))
        .collect();
    names.sort_unstable();
    let once = names.windows(2).all(|pair| pair[0] != pair[1]);
    if fits && once && named == (brings || takes) {
        return Ok(());
    }
    refuse(
        format!(
            "an entry of the kind {} with the wrong parts",
            entry.kind.word()
        ),
        "name each part once",
    )
}

fn check_without_deal(entry: &Entry) -> Result<(), Refusal> {
    if entry.kind == Kind::Overhead
        && entry.postings == Postings::default()
        && entry.minutes.is_zero()
    {
        return refuse("nothing was spent", "give an amount, or --minutes");
    }
    Ok(())
}

fn check_listed(entry: &Entry, deal: &Deal) -> Result<(), Refusal> {
    let up = deal.up_at(&entry.outlet).map(|at| &deal.listings[at]);
    if up.is_some_and(|listing| listing.from <= entry.on) {
        return Ok(());
    }
    let at = if entry.outlet.is_empty() {
        String::new()
    } else {
        format!(" at {}", entry.outlet)
    };
    refuse(
        format!("{} is not listed{at} on {}", deal.name(), entry.on),
        format!("`compband list {} --ask PRICE` lists it", deal.name()),
    )
}

fn check_refund(entry: &Entry, deal: &Deal) -> Result<(), Refusal> {
    let amount = entry.postings.get(Account::Refunds);
    if amount > deal.revenue() {
        return refuse(
            format!(
                "a refund of {amount} is more than you still have from the buyer of {}, {}",
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
                "{fees_back} of fees paid back is more than the fees taken, {}",
                deal.sum(Account::Fees)
            ),
            "",
        );
    }
    if entry.kind == Kind::Refund && entry.postings == Postings::default() {
        return refuse("nothing is paid back", "give an amount above 0");
    }
    Ok(())
}

/// The refusal of an entry that does not fit the state of a deal.
fn not_in(deal: &Deal, expected: State) -> Refusal {
    let since = deal.closed_on.unwrap_or(deal.bought_on);
    let wrong = format!(
        "if that is wrong, `compband ledger entries --deal {}` shows which entry to reverse",
        deal.name()
    );
    let next = match (deal.state, expected) {
        (State::Open, _) => "record the sale first: `compband sold`".to_string(),
        (_, State::Sold) => "only what was sold can be refunded".to_string(),
        (State::Sold, _) => format!(
            "{wrong}; if the unit came back, record it with `compband ledger refund {} --back`",
            deal.name()
        ),
        _ => wrong,
    };
    let state = match deal.state {
        State::Open => format!("is in stock since {since}"),
        state => format!("was {} on {since}", state.word()),
    };
    Refusal {
        message: format!("{}, {:?}, {state}", deal.name(), deal.unit.model),
        next,
    }
}
