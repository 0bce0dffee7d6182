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

use super::waiting::{Chance, Patience, Period, Plan, Sold, Week, forever, until};

/// Weeks for which the trend and the level are followed if there is no deadline.
pub const TREND_WEEKS: usize = 52;

/// Most rounds of policy iteration; a few are enough.
const ROUNDS: usize = 12;

/// Most rounds of the search for the week that repeats.
const REPEATED: usize = 100;

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

/// Share of buyers who would pay `price`, with the probability of each point spread evenly around
/// it.
fn paying(most: &[Chance], price: f64) -> f64 {
    let Some(first) = most.first().filter(|first| first.money < price - SAME) else {
        return 1.0;
    };
    let mut below = first.chance / 2.0;
    for pair in most.windows(2) {
        let (one, next) = (pair[0], pair[1]);
        let between = f64::midpoint(one.chance, next.chance);
        if next.money >= price - SAME {
            let part = ((price - one.money) / (next.money - one.money).max(SAME)).min(1.0);
            return 1.0 - below - part * between;
        }
        below += between;
    }
    0.0
}

impl Level {
    /// Share of buyers who would pay `price`.
    fn paying(&self, price: f64) -> f64 {
        paying(&self.most, price)
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

/// Offer of a buyer with a limit below the asking price.
struct Offer {
    /// Level of prices at which there is this buyer.
    level: usize,
    price: f64,
    /// Its net.
    left: f64,
    /// Probability of a buyer with a lower limit.
    below: f64,
    /// Probability of this buyer.
    chance: f64,
    /// Probability that no such buyer comes in a week and makes the offer.
    nobody: f64,
}

/// The market of one week.
struct Stall<'a> {
    buyers: Buyers<'a>,
    /// For each level, the most that one buyer would pay in this week, ascending.
    most: Vec<Vec<Chance>>,
    /// Possible offers below the asking price, of all levels, best first.
    offers: Vec<Offer>,
    /// Possible asking prices, with their nets.
    asks: Vec<(f64, f64)>,
}

/// A week at each level: the probabilities of a sale at the asking price and of offers.
#[derive(Default)]
struct Outlook {
    ask: f64,
    left: f64,
    /// For each level, the probability of a sale at the asking price.
    asked: Vec<f64>,
    /// Level, net and probability of each best offer, best first.
    offers: Vec<(usize, Chance)>,
}

impl Outlook {
    /// The sales at each level if offers with a net of at least `least` are accepted.
    fn sold(&self, least: f64) -> Vec<Sold> {
        let asked = self.asked.iter();
        let mut sold: Vec<Sold> = asked
            .map(|chance| Sold {
                chance: *chance,
                money: chance * self.left,
            })
            .collect();
        for (level, offer) in self.offers.iter().take_while(|(_, o)| o.money >= least) {
            sold[*level].chance += offer.chance;
            sold[*level].money += offer.chance * offer.money;
        }
        sold
    }

    /// The mean over levels of sales, and of `after` where nothing is sold, under the best smallest
    /// offer; and how many of the offers are then accepted.
    fn best(&self, belief: &[f64], after: &[f64]) -> (f64, usize) {
        let levels = self.asked.iter().zip(belief.iter().zip(after));
        let mut value: f64 = levels
            .map(|(asked, (belief, after))| belief * (asked * self.left + (1.0 - asked) * after))
            .sum();
        let (mut best, mut accepted) = (value, 0);
        for (at, (level, offer)) in self.offers.iter().enumerate() {
            value += belief[*level] * offer.chance * (offer.money - after[*level]);
            if value >= best {
                (best, accepted) = (value, at + 1);
            }
        }
        (best, accepted)
    }

    /// The smallest acceptable net, if the best `accepted` offers are: the mean of `after` given an offer
    /// like those at the border.
    fn least(&self, belief: &[f64], after: &[f64], accepted: usize) -> f64 {
        let near = BORDER * self.asked.len();
        let from = accepted.saturating_sub(near);
        let to = (accepted + near).min(self.offers.len());
        let (mut sum, mut of) = (0.0, 0.0);
        for (level, offer) in &self.offers[from..to] {
            let weight = belief[*level] * offer.chance;
            sum += weight * after[*level];
            of += weight;
        }
        if of > 0.0 {
            sum / of
        } else {
            mean(belief, after)
        }
    }

    /// The week with probabilities that are means over the levels.
    fn week(&self, belief: &[f64]) -> Week {
        let offers = self.offers.iter().map(|(level, offer)| Chance {
            money: offer.money,
            chance: belief[*level] * offer.chance,
        });
        Week {
            ask: Some(self.ask),
            asked: Chance {
                money: self.left,
                chance: mean(belief, &self.asked),
            },
            offers: offers.collect(),
        }
    }
}

/// Offers of each level on either side of the border that are like it.
const BORDER: usize = 2;

/// Mean of `values` with the probabilities `belief`.
fn mean(belief: &[f64], values: &[f64]) -> f64 {
    belief.iter().zip(values).map(|(b, v)| b * v).sum()
}

impl Stall<'_> {
    /// The week at each level under an asking price.
    fn outlook(&self, (ask, left): (f64, f64)) -> Outlook {
        let paying: Vec<f64> = self.most.iter().map(|most| paying(most, ask)).collect();
        // Probability that no buyer brings more.
        let rate = self.buyers.rate;
        let mut nobody: Vec<f64> = paying.iter().map(|share| (-rate * share).exp()).collect();
        let asked = nobody.iter().map(|nobody| 1.0 - nobody).collect();
        let lowest = self.buyers.least * ask - SAME;
        let mut offers = Vec::with_capacity(self.offers.len());
        for offer in self.offers.iter().filter(|offer| offer.price >= lowest) {
            let below_ask = 1.0 - paying[offer.level] - offer.below;
            if below_ask <= 0.0 {
                continue;
            }
            let nobody_either = if below_ask < offer.chance {
                (-rate * self.buyers.haggling * below_ask).exp()
            } else {
                offer.nobody
            };
            let before = nobody[offer.level];
            nobody[offer.level] *= nobody_either;
            let chance = before - nobody[offer.level];
            if chance > NEGLIGIBLE {
                let money = offer.left;
                offers.push((offer.level, Chance { money, chance }));
            }
        }
        Outlook {
            ask,
            left,
            asked,
            offers,
        }
    }

    /// The best asking price, if a level has the value `after` at the end of a week without a sale, and
    /// the smallest acceptable net; the highest of equals.
    fn best(&self, belief: &[f64], after: &[f64]) -> (Outlook, f64) {
        let outlooks = self.asks.iter().map(|ask| self.outlook(*ask));
        let valued = outlooks.map(|outlook| (outlook.best(belief, after), outlook));
        let best = valued.max_by(|one, other| one.0.0.total_cmp(&other.0.0));
        // There is always a price to ask.
        let ((_, accepted), outlook) = best.unwrap_or_default();
        let least = outlook.least(belief, after, accepted);
        (outlook, least)
    }

    /// Smallest net of an offer or a sale.
    fn low(&self) -> f64 {
        let offers = self.offers.iter().map(|offer| offer.left);
        let asks = self.asks.iter().map(|(_, left)| *left);
        offers.chain(asks).fold(f64::MAX, f64::min)
    }
}

/// Probability below which a worse offer of a week is negligible.
const NEGLIGIBLE: f64 = 1e-14;

/// The choice of a week: the market with the asking price, and the smallest acceptable net.
struct Choice {
    outlook: Outlook,
    least: f64,
    /// Sales at each level.
    sold: Vec<Sold>,
}

impl Choice {
    fn new((outlook, least): (Outlook, f64)) -> Self {
        Self {
            sold: outlook.sold(least),
            outlook,
            least,
        }
    }

    /// Values of entering the week, if its end without a sale has the values `after`.
    fn before(&self, patience: Patience, after: &[f64]) -> Vec<f64> {
        let each = self.sold.iter().zip(after);
        each.map(|(sold, after)| patience.entering(*sold, *after))
            .collect()
    }

    /// Values of repeating the week for ever.
    fn forever(&self, patience: Patience) -> Vec<f64> {
        self.sold
            .iter()
            .map(|sold| patience.for_ever(*sold))
            .collect()
    }

    /// The belief after a week without a sale.
    fn unsold(&self, belief: &[f64]) -> Vec<f64> {
        let left = belief.iter().zip(&self.sold);
        let left: Vec<f64> = left.map(|(b, sold)| b * (1.0 - sold.chance)).collect();
        let all: f64 = left.iter().sum();
        if all > 0.0 {
            left.into_iter().map(|b| b / all).collect()
        } else {
            belief.to_vec()
        }
    }

    fn period(&self, belief: &[f64], before: &[f64]) -> Period {
        Period {
            before: mean(belief, before),
            after: self.least,
            week: self.outlook.week(belief),
        }
    }
}

/// Choices for all weeks, with the values of entering each.
struct Policy {
    choices: Vec<Choice>,
    /// The choice that then repeats; none with a deadline.
    then: Option<Choice>,
    /// Values of entering each week, and at the end.
    values: Vec<Vec<f64>>,
}

impl Market<'_> {
    /// The plan for each week.
    pub fn plan(&self) -> Plan {
        let levels = self.buyers.levels;
        if let [level] = levels {
            return self.plan_of_one(level);
        }
        let prior: Vec<f64> = levels.iter().map(|level| level.chance).collect();
        let weeks = self.deadline.unwrap_or(TREND_WEEKS);
        let fixed = self.drift == 1.0;
        let stalls: Vec<Stall<'_>> = (1..=if fixed { 1 } else { weeks.max(1) })
            .map(|week| self.stall(if fixed { 0 } else { week }))
            .collect();
        let stall = |week: usize| &stalls[(week.max(1) - 1).min(stalls.len() - 1)];
        let mut beliefs = vec![prior.clone(); weeks + 1];
        let mut best: Option<(f64, Policy)> = None;
        let mut last = f64::NAN;
        for _ in 0..ROUNDS {
            let policy = self.choose(weeks, &stall, &beliefs);
            let value = mean(&prior, &policy.values[0]);
            for (week, choice) in policy.choices.iter().enumerate() {
                beliefs[week + 1] = choice.unsold(&beliefs[week]);
            }
            let better = best
                .as_ref()
                .is_none_or(|(known, _)| value > known + SAME * known.abs().max(1.0));
            if better {
                best = Some((value, policy));
            }
            if (value - last).abs() <= SAME * value.abs() {
                break;
            }
            last = value;
        }
        let (_, policy) = best.expect("at least one round");
        policy.plan(&prior)
    }

    /// The plan where the level is known.
    fn plan_of_one(&self, level: &Level) -> Plan {
        let choose = |stall: &Stall<'_>, after: f64| stall.best(&[1.0], &[after]).0.week(&[1.0]);
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

    /// The choices of all weeks from the last to the first, with these beliefs.
    fn choose<'s>(
        &self,
        weeks: usize,
        stall: &dyn Fn(usize) -> &'s Stall<'s>,
        beliefs: &[Vec<f64>],
    ) -> Policy {
        let then = self
            .deadline
            .is_none()
            .then(|| self.forever(stall(weeks), &beliefs[weeks]));
        let mut after = then.as_ref().map_or_else(
            || self.buyers.levels.iter().map(|level| level.end).collect(),
            |then| then.forever(self.patience),
        );
        let mut values = vec![after.clone()];
        let mut choices = Vec::with_capacity(weeks);
        for week in (1..=weeks).rev() {
            let choice = Choice::new(stall(week).best(&beliefs[week - 1], &after));
            after = choice.before(self.patience, &after);
            values.push(after.clone());
            choices.push(choice);
        }
        choices.reverse();
        values.reverse();
        Policy {
            choices,
            then,
            values,
        }
    }

    /// The week that repeats for ever with the best mean over the levels: policy iteration.
    fn forever(&self, stall: &Stall<'_>, belief: &[f64]) -> Choice {
        // From the value of selling to the first who comes.
        let low = stall.low();
        let mut after = vec![low; belief.len()];
        let mut best: Option<(f64, Choice)> = None;
        for _ in 0..REPEATED {
            let choice = Choice::new(stall.best(belief, &after));
            after = choice.forever(self.patience);
            let value = mean(belief, &after);
            let better = best
                .as_ref()
                .is_none_or(|(known, _)| value > known + 1e-13 * known.abs());
            if !better {
                break;
            }
            best = Some((value, choice));
        }
        best.map_or_else(
            || Choice::new(stall.best(belief, &after)),
            |(_, choice)| choice,
        )
    }

    fn stall(&self, week: usize) -> Stall<'_> {
        let scale = self.drift.powi(i32::try_from(week).unwrap_or(i32::MAX));
        let scaled = |level: &Level| {
            let mut most = level.most.clone();
            most.iter_mut().for_each(|most| most.money *= scale);
            most
        };
        let most: Vec<Vec<Chance>> = self.buyers.levels.iter().map(scaled).collect();
        let mut offers: Vec<Offer> = Vec::new();
        for (level, most) in most.iter().enumerate() {
            let mut below = 0.0;
            for buyer in most {
                let price = buyer.money * self.buyers.offered;
                let rate = self.buyers.rate * self.buyers.haggling;
                offers.push(Offer {
                    level,
                    price,
                    left: (self.net)(price),
                    below,
                    chance: buyer.chance,
                    nobody: (-rate * buyer.chance).exp(),
                });
                below += buyer.chance;
            }
        }
        offers.sort_by(|one, other| other.left.total_cmp(&one.left));
        let asks = asks(self.asks, &most);
        let asks = asks.into_iter().map(|ask| (ask, (self.net)(ask))).collect();
        Stall {
            buyers: self.buyers,
            most,
            offers,
            asks,
        }
    }
}

impl Policy {
    /// As a plan, with the mean values and probabilities of what is believed before each week.
    fn plan(&self, prior: &[f64]) -> Plan {
        let mut belief = prior.to_vec();
        let mut periods = Vec::with_capacity(self.choices.len());
        for (choice, before) in self.choices.iter().zip(&self.values) {
            periods.push(choice.period(&belief, before));
            belief = choice.unsold(&belief);
        }
        let end = self.values.last().map_or(0.0, |end| mean(&belief, end));
        let then = self.then.as_ref().map(|then| {
            let values = self.values.last().map_or(&[][..], Vec::as_slice);
            then.period(&belief, values)
        });
        Plan { periods, then, end }
    }
}

/// Possible asking prices for these buyers: from the last step that all would pay to the last that
/// any would.
fn asks(asks: Asks, most: &[Vec<Chance>]) -> Vec<f64> {
    let step = match asks {
        Asks::Only(price) => return vec![price],
        Asks::Steps(step) => step,
    };
    let low = most.iter().filter_map(|most| most.first());
    let low = low.map(|one| one.money).fold(f64::MAX, f64::min);
    let high = most.iter().filter_map(|most| most.last());
    let high = high.map(|one| one.money).fold(0.0, f64::max);
    let first = (low / step).floor().max(1.0);
    let last = (high / step).floor().max(first);
    let count = (last - first) as usize;
    (0..=count).map(|k| (first + k as f64) * step).collect()
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

/// Response to an offer of `price` if the smallest acceptable net is `least`. `offered` is the
/// usual offer of buyers as a share of the most they would pay; asking prices are multiples of
/// `step`, and the unit is on sale at `asked`, which no answer exceeds.
///
/// A buyer who would be refused anyway is asked for the most that he would pay: nothing is lost if
/// he leaves.
pub fn answer(
    price: f64,
    (least, asked): (f64, f64),
    offered: f64,
    step: f64,
    net: impl Fn(f64) -> f64,
) -> Answer {
    if net(price) >= least || price >= asked {
        return Answer::Accept;
    }
    let counter = (((price / offered + SAME) / step).floor() * step).min(asked);
    if counter > price && net(counter) >= least {
        Answer::Counter(counter)
    } else {
        Answer::Wait
    }
}

#[cfg(test)]
mod tests;
