//! The result of a period, such as a calendar year: what the accounts moved, and what was there before and
//! after.
//!
//! An entry counts on its day. A reversal counts on its own day, against what it reverses, so that a period
//! that is over changes only by entries dated in it. Three identities hold, each between figures that are
//! found in different ways ([`Period::is_balanced`]):
//!
//! - bankroll at the start + put in − taken out + profit = bankroll at the end;
//! - stock and parts at the start + bought − stock and parts at the end = cost of sales + losses + what scrap
//!   fetched;
//! - units at the start + bought + taken back − sold − scrapped − taken apart = units at the end.
//!
//! Holdings are those of the units in stock and the parts at hand on that day, movements those of the postings.

use chrono::{Datelike, NaiveDate};
use rust_decimal::Decimal;

use super::Ledger;
use super::deal::{Deal, State};
use crate::trade::entry::{Account, Entry, Kind};

/// Holdings at the end of a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Held {
    /// The day.
    pub on: NaiveDate,
    /// Cash.
    pub cash: Decimal,
    /// Units in stock, at cost.
    pub stock: Decimal,
    /// Parts in the drawer, at cost.
    pub parts: Decimal,
    /// Units in stock.
    pub units: i64,
}

impl Held {
    /// Cash, and stock and parts at cost.
    pub fn bankroll(&self) -> Decimal {
        self.cash + self.goods()
    }

    /// Stock and parts at cost.
    pub fn goods(&self) -> Decimal {
        self.stock + self.parts
    }
}

/// Movements in a period. Amounts are positive in the direction of their names.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Moves {
    /// Prices.
    pub sales: Decimal,
    /// Shipping that buyers paid.
    pub shipping_paid: Decimal,
    /// Money given back to buyers.
    pub refunds: Decimal,
    /// Cost of units sold, less that of units that came back.
    pub cost: Decimal,
    /// Fees of outlets and of payment.
    pub fees: Decimal,
    /// Postage and packing.
    pub postage: Decimal,
    /// Expenses that belong to no unit.
    pub overheads: Decimal,
    /// Cost of units and parts that were lost, less what they fetched.
    pub losses: Decimal,
    /// Paid for units.
    pub units_bought: Decimal,
    /// Spent on units after the purchase.
    pub spent: Decimal,
    /// Paid for parts.
    pub parts_bought: Decimal,
    /// Proceeds of scrap.
    pub scrap: Decimal,
    /// Cash that the owner put in.
    pub put_in: Decimal,
    /// Overheads that the owner paid without the cash of the ledger.
    pub own: Decimal,
    /// Cash that the owner took out.
    pub taken_out: Decimal,
    /// Minutes of work.
    pub minutes: Decimal,
    /// Units bought.
    pub bought: i64,
    /// Units sold.
    pub sold: i64,
    /// Units that came back.
    pub returned: i64,
    /// Units scrapped.
    pub scrapped: i64,
    /// Units taken apart.
    pub harvested: i64,
}

impl Moves {
    /// Income less expenses.
    pub fn profit(&self) -> Decimal {
        self.sales + self.shipping_paid
            - self.refunds
            - self.cost
            - self.fees
            - self.postage
            - self.overheads
            - self.losses
    }

    /// Paid for units and parts, with what was spent on units.
    pub fn purchases(&self) -> Decimal {
        self.units_bought + self.spent + self.parts_bought
    }

    /// Cost of units and parts that left.
    pub fn left(&self) -> Decimal {
        self.cost + self.losses + self.scrap
    }

    fn add(&mut self, entry: &Entry, (kind, minutes): (Kind, Decimal), sign: i64) {
        use Account::*;
        let at = |account| entry.postings.get(account);
        self.sales -= at(Sales);
        self.shipping_paid -= at(ShippingPaid);
        self.refunds += at(Refunds);
        self.cost += at(Cost);
        self.fees += at(Fees);
        self.postage += at(Postage);
        self.overheads += at(Overheads);
        self.losses += at(WriteOff);
        self.minutes += minutes;
        match kind {
            Kind::Fund => self.put_in -= at(Capital),
            Kind::Draw => self.taken_out += at(Capital),
            Kind::Overhead => self.own -= at(Capital),
            Kind::Spend => self.spent += at(Stock),
            Kind::Part => self.parts_bought += at(Drawer),
            Kind::Drop => self.scrap += at(Cash),
            Kind::Buy => {
                self.units_bought += at(Stock);
                self.bought += sign;
            }
            Kind::Sold => self.sold += sign,
            Kind::Return => self.returned += sign,
            Kind::Harvest => self.harvested += sign,
            Kind::Scrap => {
                self.scrap += at(Cash);
                self.scrapped += sign;
            }
            Kind::Describe | Kind::Refund | Kind::Reverse => {}
            Kind::List | Kind::Unlist | Kind::Offer | Kind::Use => {}
        }
    }
}

/// The result of a period.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Period {
    /// First day.
    pub from: NaiveDate,
    /// Last day.
    pub to: NaiveDate,
    /// Holdings before it.
    pub opening: Held,
    /// Holdings after it.
    pub closing: Held,
    /// Movements in it.
    pub moves: Moves,
}

impl Period {
    /// Whether it ends before its calendar year does.
    pub fn is_part_of_year(&self) -> bool {
        self.to.ordinal() < last_of(self.to.year()).map_or(0, |last| last.ordinal())
    }

    /// Whether what was there and what moved come to what is there.
    pub fn is_balanced(&self) -> bool {
        let Self {
            opening,
            closing,
            moves,
            ..
        } = self;
        let put_in = moves.put_in + moves.own - moves.taken_out;
        opening.bankroll() + put_in + moves.profit() == closing.bankroll()
            && opening.goods() + moves.purchases() - closing.goods() == moves.left()
            && opening.units + moves.bought + moves.returned
                - moves.sold
                - moves.scrapped
                - moves.harvested
                == closing.units
    }
}

impl Ledger {
    /// The result of the days from one to another.
    pub fn period(&self, from: NaiveDate, to: NaiveDate) -> Period {
        let opening = self.held_on(from.pred_opt().unwrap_or(from));
        self.period_from(opening, from, to)
    }

    fn period_from(&self, opening: Held, from: NaiveDate, to: NaiveDate) -> Period {
        let mut moves = Moves::default();
        let days = from..=to;
        for entry in self.entries.iter().filter(|one| days.contains(&one.on)) {
            self.add_to(&mut moves, entry);
        }
        Period {
            from,
            to,
            opening,
            closing: self.held_on(to),
            moves,
        }
    }

    /// The calendar years from the first entry to a day, each up to that day.
    pub fn years(&self, until: NaiveDate) -> Vec<Period> {
        let Some(first) = self.entries.iter().map(|entry| entry.on).min() else {
            return Vec::new();
        };
        let mut years: Vec<Period> = Vec::new();
        for year in first.year()..=until.year() {
            let (Some(from), Some(last)) = (NaiveDate::from_ymd_opt(year, 1, 1), last_of(year))
            else {
                continue;
            };
            let to = last.min(until);
            years.push(match years.last() {
                Some(before) => self.period_from(before.closing, from, to),
                None => self.period(from, to),
            });
        }
        years
    }

    /// Overheads that the owner paid without the cash of the ledger.
    pub fn own_overheads(&self) -> Decimal {
        let mut moves = Moves::default();
        self.entries
            .iter()
            .for_each(|entry| self.add_to(&mut moves, entry));
        moves.own
    }

    fn add_to(&self, moves: &mut Moves, entry: &Entry) {
        match entry.reverses.and_then(|number| self.entry(number).ok()) {
            Some(target) => moves.add(entry, (target.kind, -target.minutes), -1),
            None => moves.add(entry, (entry.kind, entry.minutes), 1),
        }
    }

    fn held_on(&self, day: NaiveDate) -> Held {
        let then = self.up_to(day);
        let open: Vec<&Deal> = then
            .deals()
            .filter(|one| one.state == State::Open)
            .collect();
        Held {
            on: day,
            cash: then.totals.get(Account::Cash),
            stock: open.iter().map(|deal| deal.cost()).sum(),
            parts: then.drawer.cost(),
            units: i64::try_from(open.len()).unwrap_or(i64::MAX),
        }
    }
}

fn last_of(year: i32) -> Option<NaiveDate> {
    NaiveDate::from_ymd_opt(year, 12, 31)
}
