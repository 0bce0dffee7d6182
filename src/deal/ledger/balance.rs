//! The result of the entries: the bankroll by day, and the figures over all deals.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::Ledger;
use super::deal::{Deal, State};
use crate::trade::comp::PriceBasis;
use crate::trade::entry::{Account, Foreseen, Postings};
use crate::trade::items::fold_name;

const DAYS_OF_WEEK: f64 = 7.0;
const DAYS_OF_YEAR: f64 = 365.25;

/// The balances at the end of a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Standing {
    /// The day.
    pub on: NaiveDate,
    /// Cash.
    pub cash: Decimal,
    /// Stock at cost.
    pub stock: Decimal,
    /// Parts in the drawer at cost.
    pub drawer: Decimal,
    /// Money that the owner put in, less money taken out.
    pub capital: Decimal,
}

impl Standing {
    /// Cash, and stock and parts at cost.
    pub fn bankroll(&self) -> Decimal {
        self.cash + self.stock + self.drawer
    }
}

/// Summary of the ledger.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// Today's balances.
    pub now: Standing,
    /// Profit of all deals, less overheads and lost parts.
    pub profit: Decimal,
    /// Units in stock.
    pub open: usize,
    /// Closed deals.
    pub closed: usize,
    /// Number of these with a profit.
    pub won: usize,
    /// Weeks since the first entry.
    pub weeks: f64,
    /// Average bankroll, with equal weight for each day.
    pub average: f64,
    /// Yearly turnover of the average bankroll: cost of units sold and scrapped, per year and per
    /// average bankroll.
    pub turnover: Option<f64>,
    /// Profit per week as a share of the average bankroll.
    pub weekly: Option<f64>,
}

/// One of the owner's sales with its estimate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OwnSale {
    /// The estimate.
    pub foreseen: Foreseen,
    /// The buyer's payment, on the basis of the estimate.
    pub paid: Decimal,
}

impl Ledger {
    /// The balances at the end of every day with an entry.
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

    /// The summary on a day; it includes entries of later days, if there are any.
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

    /// Total offers up to a day, and the weeks in which they came (at least a day each), at one outlet or at all:
    /// the data for the rate of offers. Time counts while a unit is up for sale, at two outlets at once for both. A
    /// sale that was never recorded as listed counts if its number of offers is known, from the last money or time
    /// spent on the unit.
    pub fn offers(&self, today: NaiveDate, outlet: Option<&str>) -> (u32, f64) {
        self.offers_besides(today, outlet, None)
    }

    /// The same without one listing, named by its deal and its position there.
    pub fn offers_besides(
        &self,
        today: NaiveDate,
        outlet: Option<&str>,
        left_out: Option<(u32, usize)>,
    ) -> (u32, f64) {
        let mut sum = (0, 0.0);
        let mut add = |offers: u32, days: i64| {
            sum = (sum.0 + offers, sum.1 + days.max(1) as f64 / DAYS_OF_WEEK);
        };
        for deal in self.deals() {
            let wanted = |at: &str| outlet.is_none_or(|name| fold_name(name) == fold_name(at));
            for (at, listing) in deal.listings.iter().enumerate() {
                if wanted(&listing.outlet) && left_out != Some((deal.id, at)) {
                    add(deal.offers_at(at), listing.days(today));
                }
            }
            if let (State::Sold, Some(offers), Some(sold)) =
                (deal.state, deal.offers, deal.closed_on)
                && deal.listings.is_empty()
                && wanted(&deal.outlet)
            {
                add(offers, (sold - deal.ready_from()).num_days());
            }
        }
        sum
    }

    /// The owner's sales with the estimate that `which` selects.
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

fn standing(on: NaiveDate, sums: &Postings) -> Standing {
    Standing {
        on,
        cash: sums.get(Account::Cash),
        stock: sums.get(Account::Stock),
        drawer: sums.get(Account::Drawer),
        capital: -sums.get(Account::Capital),
    }
}

/// Average bankroll from the first day to the end of the day before `today`, and the number of
/// days.
fn average(course: &[Standing], today: NaiveDate) -> (f64, f64) {
    let Some(first) = course.first() else {
        return (0.0, 0.0);
    };
    let last = course.last().map_or(first.on, |last| last.on);
    // The balance on the last day of all counts for a day.
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
