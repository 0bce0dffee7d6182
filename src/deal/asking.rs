//! The best asking price and the offers to accept: a market of buyers for [`super::waiting`].
//!
//! 1. Buyers arrive at random (Poisson). A price paid for such a unit is assumed to be the most
//!    that the best of m buyers would pay, so that a single buyer would pay at most y with
//!    probability `F(y)^(1/m)`, where F is the estimate's distribution function; F moves with the
//!    fitted trend. Beyond the middle 90 %, F is cut off: its long tails are uncertainty, not
//!    buyers.
//! 2. A buyer who would pay the asking price pays it. Of the others, some offer a fixed share of
//!    the most they would pay, if that is not too far below the asking price; the rest leave
//!    without an offer (common practice, no source).
//! 3. Offers stand to the end of the week. The seller accepts the best, or none; a buyer who offers
//!    the asking price is not refused.
//! 4. Holding the unit has a cost per week, and money is discounted by the week.
//! 5. Each week has the asking price with the largest continuation value. Without a deadline the
//!    trend is followed for a year, and the market then stays constant.
//!
//! Not included: learning from silence and low offers. The uncertainty of the price level and of
//! the rate of buyers is common to all buyers and does not average out over them.

use super::waiting::{Chance, Patience, Plan, Week, forever, until};

/// Weeks for which the trend is followed if there is no deadline.
pub const TREND_WEEKS: usize = 52;

/// Probability in each tail of the prices paid that is cut off for buyers.
const TAIL: f64 = 0.05;

/// Differences of money below which amounts count as equal.
const SAME: f64 = 1e-9;

/// The buyers of a unit.
#[derive(Debug, Clone, Copy)]
pub struct Buyers<'a> {
    /// The most that one buyer would pay today, ascending, at least one; the probabilities sum to
    /// 1.
    pub most: &'a [Chance],
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
    /// Weeks to a deadline, and the net of the unit then, if there is a deadline.
    pub deadline: Option<(usize, f64)>,
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
/// that the best of `per_sale` buyers would pay; 5 % in each tail are cut off.
pub fn buyers_behind(paid: &[f64], per_sale: f64) -> Vec<Chance> {
    let up_to = |count: usize| (count as f64 / paid.len() as f64).powf(1.0 / per_sale);
    let cut = (TAIL * paid.len() as f64) as usize;
    let held = |at: usize| paid[at.clamp(cut, paid.len() - 1 - cut)];
    (0..paid.len())
        .map(|at| Chance {
            money: held(at),
            chance: up_to(at + 1) - up_to(at),
        })
        .collect()
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

impl Buyers<'_> {
    /// Share of buyers who would pay `price`.
    pub fn paying(&self, price: f64) -> f64 {
        paying(self.most, price)
    }

    /// Share of buyers who pay `price` or make an offer if it is the asking price: those who can be
    /// counted.
    pub fn heard(&self, price: f64) -> f64 {
        let paying = self.paying(price);
        let near = self.paying(self.least * price / self.offered).max(paying);
        paying + self.haggling * (near - paying)
    }
}

/// Offer of a buyer with a limit below the asking price.
struct Offer {
    price: f64,
    /// Its net.
    left: f64,
    /// Probability of a buyer with a lower limit.
    below: f64,
    /// Probability of this offer.
    chance: f64,
}

/// The market of one week.
struct Stall<'a> {
    buyers: Buyers<'a>,
    /// The most that one buyer would pay in this week, ascending.
    most: Vec<Chance>,
    /// Possible offers below the asking price, best first.
    offers: Vec<Offer>,
    /// Possible asking prices, with their nets.
    asks: Vec<(f64, f64)>,
}

impl Stall<'_> {
    fn week(&self, (ask, left): (f64, f64)) -> Week {
        let paying = paying(&self.most, ask);
        let asked = Chance {
            money: left,
            chance: paying,
        };
        let offers = self.offers.iter().filter_map(|offer| {
            let chance = (1.0 - paying - offer.below).min(offer.chance);
            let near = offer.price >= self.buyers.least * ask - SAME;
            (near && chance > 0.0).then_some(Chance {
                money: offer.left,
                chance: chance * self.buyers.haggling,
            })
        });
        Week::of_many(self.buyers.rate, Some(ask), asked, offers)
    }

    /// The week with the best asking price, if its end without a sale has the value `after`; the
    /// highest of equals.
    fn best(&self, after: f64) -> Option<Week> {
        let weeks = self.asks.iter().map(|ask| self.week(*ask));
        weeks
            .map(|week| (week.expected(after), week))
            .max_by(|one, other| one.0.total_cmp(&other.0))
            .map(|(_, week)| week)
    }

    /// Smallest net of an offer or a sale.
    fn low(&self) -> f64 {
        let offers = self.offers.iter().map(|offer| offer.left);
        let asks = self.asks.iter().map(|(_, left)| *left);
        offers.chain(asks).fold(f64::MAX, f64::min)
    }
}

impl Market<'_> {
    /// The plan for each week.
    pub fn plan(&self) -> Plan {
        let choose = |stall: &Stall<'_>, after: f64| {
            stall
                .best(after)
                .unwrap_or_else(|| Week::of_one(Vec::new()))
        };
        if self.deadline.is_none() && self.drift == 1.0 {
            let stall = self.stall(0);
            let then = forever(stall.low(), self.patience, |after| choose(&stall, after));
            return Plan {
                periods: Vec::new(),
                end: then.after,
                then: Some(then),
            };
        }
        let (weeks, then) = match self.deadline {
            Some((weeks, _)) => (weeks, None),
            None => {
                let stall = self.stall(TREND_WEEKS);
                let then = forever(stall.low(), self.patience, |after| choose(&stall, after));
                (TREND_WEEKS, Some(then))
            }
        };
        let deadline = self.deadline.map_or(0.0, |(_, end)| end);
        let end = then.as_ref().map_or(deadline, |then| then.before);
        let periods = until(weeks, end, self.patience, |week, after| {
            choose(&self.stall(week), after)
        });
        Plan { periods, then, end }
    }

    fn stall(&self, week: usize) -> Stall<'_> {
        let scale = self.drift.powi(i32::try_from(week).unwrap_or(i32::MAX));
        let mut most = self.buyers.most.to_vec();
        most.iter_mut().for_each(|most| most.money *= scale);
        let mut below = 0.0;
        let mut offers: Vec<Offer> = Vec::with_capacity(most.len());
        for buyer in &most {
            let price = buyer.money * self.buyers.offered;
            offers.push(Offer {
                price,
                left: (self.net)(price),
                below,
                chance: buyer.chance,
            });
            below += buyer.chance;
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

/// Possible asking prices for these buyers: from the last step that all would pay to the last that
/// any would.
fn asks(asks: Asks, most: &[Chance]) -> Vec<f64> {
    let step = match asks {
        Asks::Only(price) => return vec![price],
        Asks::Steps(step) => step,
    };
    let (Some(low), Some(high)) = (most.first(), most.last()) else {
        return Vec::new();
    };
    let first = (low.money / step).floor().max(1.0);
    let last = (high.money / step).floor().max(first);
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
/// `step`.
///
/// A buyer who would be refused anyway is asked for the most that he would pay: nothing is lost if
/// he leaves.
pub fn answer(price: f64, least: f64, offered: f64, step: f64, net: impl Fn(f64) -> f64) -> Answer {
    if net(price) >= least {
        return Answer::Accept;
    }
    let counter = ((price / offered + SAME) / step).floor() * step;
    if counter > price && net(counter) >= least {
        Answer::Counter(counter)
    } else {
        Answer::Wait
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};

    /// Evenly from `low` to `high`.
    fn even(low: f64, high: f64, count: usize) -> Vec<Chance> {
        let each = 1.0 / count as f64;
        (0..count)
            .map(|k| Chance {
                money: low + (high - low) * (k as f64 + 0.5) * each,
                chance: each,
            })
            .collect()
    }

    fn most() -> Vec<Chance> {
        even(60.0, 140.0, 200)
    }

    fn buyers(most: &[Chance]) -> Buyers<'_> {
        Buyers {
            most,
            rate: 1.5,
            haggling: 0.5,
            offered: 0.9,
            least: 0.0,
        }
    }

    fn net(price: f64) -> f64 {
        0.88 * price - 5.0
    }

    fn market<'a>(buyers: Buyers<'a>, deadline: Option<(usize, f64)>) -> Market<'a> {
        Market {
            buyers,
            net: &net,
            asks: Asks::Steps(1.0),
            drift: 0.997,
            patience: Patience {
                discount: 0.995,
                cost: 0.4,
            },
            deadline,
        }
    }

    /// Without haggling and with valuations uniform on 0 to 1: the price A sells in a week with
    /// probability q = 1 − exp(−λ(1 − A)), so that W = β q A/(1 − β(1 − q)); the best A by trying
    /// all.
    #[test]
    fn the_asking_price_where_nobody_haggles() {
        let most = even(0.0, 1.0, 1000);
        for (rate, discount) in [(0.5, 0.9), (2.0, 0.99), (6.0, 0.95)] {
            let market = Market {
                buyers: Buyers {
                    most: &most,
                    rate,
                    haggling: 0.0,
                    offered: 0.9,
                    least: 0.0,
                },
                net: &|price| price,
                asks: Asks::Steps(0.001),
                drift: 1.0,
                patience: Patience {
                    discount,
                    cost: 0.0,
                },
                deadline: None,
            };
            let value = |ask: f64| {
                let q = 1.0 - (-rate * (1.0 - ask)).exp();
                discount * q * ask / (1.0 - discount * (1.0 - q))
            };
            let best = (1..1000)
                .map(|k| f64::from(k) / 1000.0)
                .max_by(|a, b| value(*a).total_cmp(&value(*b)))
                .unwrap();
            let plan = market.plan();
            assert!((plan.least(0) - value(best)).abs() < 1e-6);
            assert!((plan.period(1).unwrap().week.ask.unwrap() - best).abs() < 2.1e-3);
        }
    }

    /// A simulation of the market as described: the discounted net less the cost of waiting, and
    /// the number of weeks, agree with the plan.
    #[test]
    fn a_simulation_agrees() {
        let most = most();
        for deadline in [None, Some((4, 30.0))] {
            let market = market(buyers(&most), deadline);
            let plan = market.plan();
            let mut random = StdRng::seed_from_u64(20_261);
            let runs = 40_000;
            let (mut value, mut weeks, mut left) = (0.0, 0.0, 0.0);
            for _ in 0..runs {
                let (money, paid, took) = live(&market, &plan, &mut random);
                value += money / f64::from(runs);
                left += paid / f64::from(runs);
                weeks += took / f64::from(runs);
            }
            // Three standard errors: the standard deviation of a sale's net is below 20, that of
            // the weeks below 3.
            let root = f64::from(runs).sqrt();
            assert!(
                (value - plan.least(0)).abs() < 60.0 / root,
                "{value} {}",
                plan.least(0)
            );
            assert!(
                (left - plan.left()).abs() < 60.0 / root,
                "{left} {}",
                plan.left()
            );
            let expected = plan.weeks().unwrap();
            assert!((weeks - expected).abs() < 9.0 / root, "{weeks} {expected}");
        }
    }

    /// Simulates one unit: its discounted value, its final net, the weeks.
    fn live(market: &Market<'_>, plan: &Plan, random: &mut StdRng) -> (f64, f64, f64) {
        let buyers = market.buyers;
        let (mut value, mut today) = (0.0, 1.0);
        for week in 1..10_000_usize {
            if let Some((weeks, end)) = market.deadline
                && week > weeks
            {
                return (value + today * end, end, weeks as f64);
            }
            value -= today * market.patience.cost;
            today *= market.patience.discount;
            let scale = market.drift.powi(week.min(TREND_WEEKS) as i32);
            let ask = plan.period(week).unwrap().week.ask.unwrap();
            let (mut paid, mut offer) = (false, f64::MIN);
            // Arrivals of a Poisson process within the week.
            let mut at = 0.0;
            loop {
                at -= (1.0 - random.random::<f64>()).ln() / buyers.rate;
                if at > 1.0 {
                    break;
                }
                let most = scale * (60.0 + 80.0 * random.random::<f64>());
                if most >= ask {
                    paid = true;
                } else if random.random::<f64>() < buyers.haggling {
                    offer = offer.max(net(buyers.offered * most));
                }
            }
            let taken = if paid {
                Some(net(ask))
            } else {
                Some(offer).filter(|o| *o >= plan.least(week))
            };
            if let Some(left) = taken {
                return (value + today * left, left, week as f64);
            }
        }
        unreachable!("never sold")
    }

    /// The highest limit of five buyers has the distribution of the prices paid.
    #[test]
    fn the_best_of_the_buyers_behind_prices_paid() {
        let paid: Vec<f64> = even(0.0, 1.0, 1000).iter().map(|one| one.money).collect();
        let most = buyers_behind(&paid, 5.0);
        for price in [0.1, 0.5, 0.9] {
            let all_below = (1.0 - paying(&most, price)).powi(5);
            assert!((all_below - price).abs() < 1e-3, "{price}: {all_below}");
        }
        assert_eq!((paying(&most, 0.05), paying(&most, 0.951)), (1.0, 0.0));
        assert!(
            buyers_behind(&paid, 1.0)
                .iter()
                .all(|one| (one.chance - 1e-3).abs() < 1e-12)
        );
    }

    #[test]
    fn asking_prices_come_in_steps() {
        for (price, expected) in [
            (148.0, 1.0),
            (250.0, 2.0),
            (999.0, 5.0),
            (1000.0, 10.0),
            (40.0, 1.0),
            (12.0, 0.1),
            (3.0, 0.02),
            (0.2, 0.01),
        ] {
            assert!(
                (step(price, 0.01) - expected).abs() < 1e-9,
                "{price}: {}",
                step(price, 0.01)
            );
        }
        assert_eq!(step(12.0, 1.0), 1.0);
    }

    #[test]
    fn answers_to_an_offer() {
        let least = net(100.0);
        let answer = |price| answer(price, least, 0.9, 1.0, net);
        assert_eq!(answer(100.0), Answer::Accept);
        assert_eq!(answer(99.0), Answer::Counter(110.0));
        assert_eq!(answer(90.0), Answer::Counter(100.0));
        assert_eq!(answer(89.9), Answer::Wait);
    }

    #[test]
    fn who_is_heard() {
        let most = most();
        let buyers = buyers(&most);
        assert_eq!(buyers.heard(0.0), 1.0);
        assert!((buyers.heard(100.0) - 0.75).abs() < 1e-12);
        assert!((buyers.paying(120.0) - 0.25).abs() < 1e-12);
        assert_eq!(buyers.heard(1000.0), 0.5);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]

        /// With a free asking price, more buyers, more patience, a lower cost or a later deadline
        /// never lower the smallest acceptable net at once; it falls towards a deadline; a fixed
        /// asking price is never better.
        #[test]
        fn comparative_statics(
            rate in 0.2..4.0, haggling in 0.0..1.0, offered in 0.6..1.0, discount in 0.95..1.0_f64,
            cost in 0.0..2.0, more in 1.0..2.0, weeks in 1..8usize, asked in 60.0..140.0_f64,
        ) {
            let most = most();
            let plan = |rate, discount, cost, deadline, asks| {
                let buyers = Buyers { most: &most, rate, haggling, offered, least: 0.0 };
                Market {
                    buyers, net: &net, asks, drift: 1.0,
                    patience: Patience { discount, cost },
                    deadline,
                }.plan()
            };
            let free = Asks::Steps(2.0);
            for deadline in [None, Some((weeks, 0.0))] {
                let base = plan(rate, discount, cost, deadline, free);
                let at_once = base.least(0) - 1e-9;
                prop_assert!(plan(rate * more, discount, cost, deadline, free).least(0) >= at_once);
                let patient = 1.0 - (1.0 - discount) / more;
                prop_assert!(plan(rate, patient, cost, deadline, free).least(0) >= at_once);
                prop_assert!(plan(rate, discount, cost / more, deadline, free).least(0) >= at_once);
                let own = Asks::Only((asked / 2.0).round() * 2.0);
                prop_assert!(plan(rate, discount, cost, deadline, own).least(0) <= base.least(0) + 1e-9);
            }
            let near = plan(rate, discount, cost, Some((weeks, 0.0)), free);
            let later = plan(rate, discount, cost, Some((weeks + 1, 0.0)), free);
            prop_assert!(later.least(0) >= near.least(0) - 1e-9);
            let least: Vec<f64> = (0..=weeks).map(|week| near.least(week)).collect();
            prop_assert!(least.windows(2).all(|pair| pair[1] <= pair[0] + 1e-9), "{:?}", least);
            prop_assert!(near.least(0) <= plan(rate, discount, cost, None, free).least(0) + 1e-9);
        }
    }
}
