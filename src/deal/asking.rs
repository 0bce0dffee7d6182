//! The best asking price and the offers to accept: a market of buyers for [`super::waiting`].
//!
//! 1. Buyers arrive at random (Poisson). A price paid for such a unit is assumed to be the most
//!    that the best of m buyers would pay, so that a single buyer would pay at most y with
//!    probability `F(y)^(1/m)`, where F is the distribution of single sales around the unit's level;
//!    F moves with the fitted trend.
//! 2. The level itself is uncertain, and all buyers share it: a [`Level`] with its probability for each
//!    value that it may have. A week without a sale makes high levels less probable, by Bayes' rule.
//! 3. A buyer who would pay the asking price pays it. Of the others, some offer a fixed share of
//!    the most they would pay, if that is not too far below the asking price; the rest leave
//!    without an offer (common practice, no source).
//! 4. Offers stand to the end of the week. The seller accepts the best, or none; a buyer who offers
//!    the asking price is not refused.
//! 5. Holding the unit has a cost per week, and money is discounted by the week.
//! 6. Each week has an asking price and a smallest acceptable offer. For a level k and the policy of the
//!    weeks that follow,
//!
//!    ```text
//!    J_t(k) = −c + β ( Σ money of sales in t + P_k(no sale in t) J_(t+1)(k) )
//!    ```
//!
//!    and the choice of week t has the largest mean of J_t over the levels, with the probabilities that
//!    they have if nothing was sold before t. These follow from the choices before, and J from those
//!    after; both are worked out in turn until nothing changes (policy iteration on the path without a
//!    sale; Sutton and Barto 2018, *Reinforcement learning*, section 4.3). With one level this is the
//!    dynamic programme of [`super::waiting`].
//!
//! Without a deadline the trend and the level are followed for a year, and the market then stays
//! constant.
//!
//! Not included: refused offers do not change the plan for later weeks, beyond that nothing was sold. The
//! uncertainty of the rate of buyers is common to all buyers and is not learnt while waiting.

mod both;
mod policy;
mod stall;
mod thresholds;

pub use both::{Both, plan_both};
pub use thresholds::{Answer, Selling, Thresholds, step};

use super::waiting::{Chance, Patience, Plan, forever, until};
use policy::Course;
use stall::{Limits, Place, Stall, asks};

/// Weeks for which the trend and the level are followed if there is no deadline.
pub const TREND_WEEKS: usize = 52;

/// Differences of money below which amounts count as equal.
const SAME: f64 = 1e-9;

/// A level of prices that the unit may have.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// Its probability today; those of all levels sum to 1.
    pub chance: f64,
    /// The most that one buyer would pay today, ascending, at least one; the probabilities sum to
    /// 1.
    pub most: Vec<Chance>,
    /// Net of the unit at the deadline, if there is one.
    pub end: f64,
}

/// The buyers of a unit.
#[derive(Debug, Clone, Copy)]
pub struct Buyers<'a> {
    /// The levels that prices may have, at least one.
    pub levels: &'a [Level],
    /// Average number per week; above 0.
    pub rate: f64,
    /// Share of buyers with a limit below the asking price who make an offer, 0..=1.
    pub haggling: f64,
    /// Their offer, as a share of the most they would pay, above 0, at most 1.
    pub offered: f64,
    /// Share of the asking price below which there are no offers, 0..=1.
    pub least: f64,
}

/// Possible asking prices.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Asks {
    /// Multiples of a step, money.
    Steps(f64),
    /// One fixed price.
    Only(f64),
}

/// Everything that determines the asking price.
pub struct Market<'a> {
    /// The buyers.
    pub buyers: Buyers<'a>,
    /// The net of a price.
    pub net: &'a dyn Fn(f64) -> f64,
    /// Possible asking prices.
    pub asks: Asks,
    /// Factor by which prices change per week.
    pub drift: f64,
    /// Cost of waiting.
    pub patience: Patience,
    /// Weeks to a deadline, if there is one; the unit then has the net [`Level::end`].
    pub deadline: Option<usize>,
}

/// The most that one buyer would pay, from equally likely prices paid, ascending, each the most
/// that the best of `per_sale` buyers would pay.
pub fn buyers_behind(paid: &[f64], per_sale: f64) -> Vec<Chance> {
    let up_to = |count: usize| (count as f64 / paid.len() as f64).powf(1.0 / per_sale);
    let buyer = |(at, price): (usize, &f64)| Chance {
        money: *price,
        chance: up_to(at + 1) - up_to(at),
    };
    paid.iter().enumerate().map(buyer).collect()
}

impl Level {
    /// Share of buyers who would pay `price`.
    fn paying(&self, price: f64) -> f64 {
        Limits::new(self.most.clone()).paying(price)
    }
}

impl Buyers<'_> {
    /// Share of buyers who would pay `price`.
    pub fn paying(&self, price: f64) -> f64 {
        let levels = self.levels.iter();
        levels.map(|level| level.chance * level.paying(price)).sum()
    }

    /// Share of buyers who pay `price` or make an offer if it is the asking price: those who can be
    /// counted.
    pub fn heard(&self, price: f64) -> f64 {
        let levels = self.levels.iter();
        levels
            .map(|level| level.chance * self.heard_at(level, price))
            .sum()
    }

    /// The same at one level.
    pub fn heard_at(&self, level: &Level, price: f64) -> f64 {
        let paying = level.paying(price);
        let near = level.paying(self.least * price / self.offered).max(paying);
        paying + self.haggling * (near - paying)
    }
}

impl Market<'_> {
    /// The plan for each week.
    pub fn plan(&self) -> Plan {
        let levels = self.buyers.levels;
        if let [level] = levels {
            return self.plan_of_one(level);
        }
        self.course(&|week| self.stall(week), self.drift == 1.0)
            .plan()
            .1
    }

    /// The weeks of a market with these levels, patience and deadline.
    fn course<'s>(&self, stall: &dyn Fn(usize) -> Stall<'s>, fixed: bool) -> Course<'s> {
        let levels = self.buyers.levels.iter();
        let weeks = self.deadline.unwrap_or(TREND_WEEKS);
        Course {
            prior: levels.clone().map(|level| level.chance).collect(),
            ends: levels.map(|level| level.end).collect(),
            patience: self.patience,
            weeks,
            ends_then: self.deadline.is_some(),
            stalls: (1..=if fixed { 1 } else { weeks.max(1) })
                .map(|week| stall(if fixed { 0 } else { week }))
                .collect(),
        }
    }

    /// The plan where the level is known.
    fn plan_of_one(&self, level: &Level) -> Plan {
        let choose =
            |stall: &Stall<'_>, after: f64| stall.best(&[1.0], &[after], None).0.week(&[1.0]);
        let repeated =
            |stall: &Stall<'_>| forever(stall.low(), self.patience, |after| choose(stall, after));
        if self.deadline.is_none() && self.drift == 1.0 {
            let then = repeated(&self.stall(0));
            return Plan {
                periods: Vec::new(),
                end: then.after,
                then: Some(then),
            };
        }
        let (weeks, then) = match self.deadline {
            Some(weeks) => (weeks, None),
            None => (TREND_WEEKS, Some(repeated(&self.stall(TREND_WEEKS)))),
        };
        let end = then.as_ref().map_or(level.end, |then| then.before);
        let periods = until(weeks, end, self.patience, |week, after| {
            choose(&self.stall(week), after)
        });
        Plan { periods, then, end }
    }

    /// The outlet in a week.
    fn place(&self, week: usize) -> Place<'_> {
        let scale = self.drift.powi(i32::try_from(week).unwrap_or(i32::MAX));
        let scaled = |level: &Level| {
            let mut most = level.most.clone();
            most.iter_mut().for_each(|most| most.money *= scale);
            most
        };
        let most: Vec<Vec<Chance>> = self.buyers.levels.iter().map(scaled).collect();
        let asks = asks(self.asks, &most);
        Place {
            buyers: self.buyers,
            asks: asks.into_iter().map(|ask| (ask, (self.net)(ask))).collect(),
            limits: most.into_iter().map(Limits::new).collect(),
        }
    }

    fn stall(&self, week: usize) -> Stall<'_> {
        Stall::new(vec![self.place(week)], &|_, price| (self.net)(price))
    }
}

#[cfg(test)]
mod both_tests;
#[cfg(test)]
mod tests;
