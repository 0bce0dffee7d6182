//! The thresholds of a listing: what to accept and decline without a thought, and what to answer in between.

use super::buyers::SAME;

/// Response to an offer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Answer {
    /// Accept it.
    Accept,
    /// Answer with this price, the most that the buyer would pay by assumption; refuse anything
    /// below the least acceptable.
    Counter(f64),
    /// Refuse it.
    Wait,
}

/// The step of asking prices for a unit of about this price: the largest of 1, 2, 5, 10, … and
/// their tenths that is at most 1 % of it, whole units of money from 20 on, and at least `least`.
pub fn step(price: f64, least: f64) -> f64 {
    let most = price / 100.0;
    let power = 10_f64.powi(most.max(1e-6).log10().floor() as i32);
    let lead = most / power;
    let lead = [5.0, 2.0].into_iter().find(|one| lead >= *one - SAME);
    let fine = lead.unwrap_or(1.0) * power;
    let whole = if price >= 20.0 { 1.0 } else { 0.0 };
    fine.max(whole).max(least)
}

/// How a unit is on sale in some week.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Selling {
    /// The lowest price worth taking.
    pub lowest: f64,
    /// The asking price, which no answer exceeds; who offers it gets the unit.
    pub asked: f64,
    /// The usual offer of buyers as a share of the most they would pay.
    pub offered: f64,
    /// Answers are multiples of this step, or the asking price.
    pub step: f64,
    /// The minor unit of money.
    pub unit: f64,
}

/// The three thresholds of a week.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thresholds {
    /// Offers from this price are accepted; never above the asking price.
    pub accept: f64,
    /// Offers below this price are declined: such a buyer would pay no acceptable price. Equal to `accept` if
    /// no offer is worth an answer.
    pub decline: f64,
    /// The smallest and the largest answer to the offers in between, if there are any.
    pub counter: Option<(f64, f64)>,
}

impl Selling {
    /// The answer to an offer in between: the most that a buyer who offers it would pay, in whole steps.
    fn counter(&self, offer: f64) -> f64 {
        (((offer / self.offered + SAME) / self.step).floor() * self.step).min(self.asked)
    }

    /// The smallest answer that is worth taking: a step, or the asking price.
    fn smallest(&self) -> f64 {
        ((self.lowest - SAME) / self.step).ceil() * self.step
    }

    /// The thresholds.
    ///
    /// A buyer who offers p would pay `p / offered` at most, in whole steps the answer to it. It is worth
    /// taking if it is at least the smallest such step, m, so that offers below `m · offered` are declined.
    pub fn thresholds(&self) -> Thresholds {
        let accept = self.lowest.min(self.asked);
        let none = Thresholds {
            accept,
            decline: accept,
            counter: None,
        };
        if self.lowest > self.asked + SAME {
            return none;
        }
        let worth = |offer: f64| offer / self.offered + SAME >= self.smallest();
        let units = |amount: f64| (amount / self.unit).round() * self.unit;
        let mut decline = units(self.smallest() * self.offered);
        while decline > 0.0 && worth(units(decline - self.unit)) {
            decline = units(decline - self.unit);
        }
        while !worth(decline) {
            decline = units(decline + self.unit);
        }
        let highest = units(accept - self.unit);
        if decline > highest {
            return none;
        }
        Thresholds {
            accept,
            decline,
            counter: Some((self.counter(decline), self.counter(highest))),
        }
    }

    /// The answer to an offer.
    ///
    /// A buyer who would be refused anyway is asked for the most that he would pay: nothing is lost if
    /// he leaves.
    pub fn answer(&self, offer: f64) -> Answer {
        let Thresholds {
            accept, decline, ..
        } = self.thresholds();
        if offer >= accept - SAME {
            Answer::Accept
        } else if offer >= decline - SAME {
            Answer::Counter(self.counter(offer))
        } else {
            Answer::Wait
        }
    }
}
