//! Bids: the highest that meets every aim, and the profit at a given price.

use rust_decimal::Decimal;
use rust_decimal::prelude::{FromPrimitive, ToPrimitive};

use super::asking::step;
use super::haggle::{Discounts, Haggling, Talk};
use super::harvest::Donor;
use super::kelly::{grows_beyond, growth_share};
use super::knapsack::{Item, best_choice};
use crate::deal::prospect::{Prospect, from_minor, minor};
use crate::trade::Currency;
use crate::trade::repair::Repair;

/// Probabilities at which quantiles of the profit are reported.
pub const PROFIT_LEVELS: [f64; 5] = [0.05, 0.25, 0.5, 0.75, 0.95];

/// Probability of the worst plausible loss.
pub const WORST: f64 = 0.01;

/// Parts of the minor unit in which gains are compared.
const FINE: i64 = 1000;

/// Parts of the risk in which shares of it are compared.
const RISK: i64 = 1_000_000;

/// Costs of buying in addition to the bid.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Buying {
    /// Buyer's premium, per cent of the bid.
    pub premium_percent: Decimal,
    /// Buyer's premium, fixed.
    pub premium: Decimal,
    /// Tax, per cent of the bid and the premium.
    pub tax_percent: Decimal,
    /// Shipping to the buyer, or travel.
    pub inbound: Decimal,
}

impl Buying {
    /// Total cost of a bid, minor units; premium and tax are each rounded half-even.
    pub fn cost(&self, bid: i64, currency: &Currency) -> i64 {
        let bid = from_minor(bid, currency);
        let percent = |of: Decimal, percent: Decimal| {
            (of * percent / Decimal::ONE_HUNDRED).round_dp(currency.decimals())
        };
        let premium = percent(bid, self.premium_percent) + self.premium;
        let tax = percent(bid + premium, self.tax_percent);
        minor(bid + premium + tax + self.inbound, currency)
    }
}

/// Costs of getting a unit and preparing it for sale.
#[derive(Debug, Clone, Default)]
pub struct Costs {
    /// Repairs, in order.
    pub repairs: Vec<Repair>,
    /// Price of the unit if a repair fails, as a share of the repaired price; if absent, it has an
    /// estimate for parts.
    pub salvage: Option<Decimal>,
    /// Minutes of other work.
    pub minutes: Decimal,
    /// Cost of an hour of work.
    pub wage: Decimal,
    /// Costs of buying in addition to the bid.
    pub buying: Buying,
    /// Weeks from payment to the proceeds, if given.
    pub weeks: Option<Decimal>,
    /// The value of the parts of the unit if it is taken apart after a repair failed, if known.
    pub donor: Option<Donor>,
}

/// Condition on a purchase.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Aim {
    /// Smallest expected profit, money.
    Profit(Decimal),
    /// Smallest expected profit, per cent of the stake.
    Return(Decimal),
    /// Largest probability of a loss, per cent.
    Loss(Decimal),
    /// Largest stake, as a share of the growth-optimal stake of the bankroll.
    Stake {
        /// The bankroll.
        bankroll: Decimal,
        /// The share, 0..=1.
        share: Decimal,
    },
    /// Largest stake: the cash.
    Cash(Decimal),
}

/// Result of a purchase at one price. Profit is after work unless stated otherwise.
#[derive(Debug, Clone, PartialEq)]
pub struct Measures {
    /// The bid.
    pub bid: Decimal,
    /// Total price: bid, premium, tax and shipping.
    pub cost: Decimal,
    /// The stake: total price and all parts that have to be bought.
    pub stake: Decimal,
    /// The stake, and what the parts from the drawer take to replace.
    pub risked: Decimal,
    /// Expected profit.
    pub profit: Decimal,
    /// Expected profit before the cost of work.
    pub before_work: Decimal,
    /// Expected profit before the cost of work, per hour of work; none without work.
    pub per_hour: Option<Decimal>,
    /// Quantiles of the profit at the probabilities of [`PROFIT_LEVELS`].
    pub points: [Decimal; PROFIT_LEVELS.len()],
    /// Probability of a loss, 0..=1.
    pub loss: f64,
    /// The profit that is exceeded with probability 0.99.
    pub worst: Decimal,
    /// Expected profit as a share of the stake; none if the stake is zero.
    pub returned: Option<f64>,
    /// The same per week.
    pub per_week: Option<f64>,
    /// Stake as a share of the bankroll, if known.
    pub staked: Option<f64>,
    /// Growth-optimal share of the bankroll (before the cost of work).
    pub growth: f64,
}

/// The highest bid for one aim.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    /// The aim.
    pub aim: Aim,
    /// The highest bid; none if not even a bid of zero meets the aim.
    pub most: Option<Decimal>,
    /// The largest stake that an aim of the stake or of the cash allows; none for other aims.
    pub ceiling: Option<Decimal>,
}

/// Advice on an asking price.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Advice {
    /// It meets every aim.
    Buy,
    /// At least one seller in ten comes down to the highest bid.
    Haggle(Decimal),
    /// It is not.
    Pass,
}

/// An asking price with its verdict.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// Result at this price.
    pub measures: Measures,
    /// Advice.
    pub advice: Advice,
    /// The highest bid.
    pub most: Option<Decimal>,
    /// The aims that it does not meet.
    pub failed: Vec<Aim>,
    /// Weeks from payment to the proceeds.
    pub weeks: Decimal,
    /// The offers to the seller; none if the advice is to pass.
    pub offers: Option<Offers>,
}

/// The offers to a seller.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Offers {
    /// The first offer.
    pub open: Decimal,
    /// The price to aim for.
    pub target: Decimal,
    /// The price to walk away above.
    pub walk_away: Decimal,
    /// Probability that the seller comes down to it, 0..=1.
    pub agreed: f64,
}

/// Sellers as far as prices can be negotiated with them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sellers {
    /// How far they come down.
    pub discounts: Discounts,
    /// Probability that one who refuses an offer breaks off, 0..=1.
    pub breaks_off: f64,
}

/// A purchase that competes with others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Choice {
    /// Stake.
    pub stake: Decimal,
    /// The quantity whose total is maximised: see [`Gain`].
    pub gain: Decimal,
    /// Stake as a share of the largest that its risk allows, 0..=1; 0 if the bankroll is not known.
    pub risk: f64,
}

/// The quantity whose total over several purchases is maximised.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Gain {
    /// Expected profit per week until the proceeds arrive: short deals count as repeatable.
    #[default]
    Weekly,
    /// Expected profit in total.
    Total,
}

impl Judged {
    /// The purchase as a choice, if it meets every aim.
    pub fn choice(&self, aims: &[Aim], gain: Gain) -> Option<Choice> {
        (self.advice == Advice::Buy).then(|| Choice {
            stake: self.measures.stake,
            gain: match gain {
                Gain::Weekly => self.measures.profit / self.weeks,
                Gain::Total => self.measures.profit,
            },
            risk: self.measures.risk(aims),
        })
    }
}

impl Measures {
    /// The stake as a share of the largest that an aim of the stake allows at this price: 0 without
    /// such an aim or stake, infinite if it allows none.
    pub fn risk(&self, aims: &[Aim]) -> f64 {
        let float = |value: Decimal| value.to_f64().unwrap_or_default();
        let shares = aims.iter().filter_map(|aim| match aim {
            Aim::Stake { bankroll, share } if self.risked > Decimal::ZERO => {
                Some(float(self.risked) / (float(*bankroll) * float(*share) * self.growth))
            }
            _ => None,
        });
        shares.fold(0.0, f64::max)
    }
}

/// Positions of the choices with the largest total gain whose total stake is within the budget,
/// and whose shares of the largest stakes that the risk of each allows sum to at most 1. Exact for
/// gains rounded to a thousandth of the minor unit, and shares rounded up to a millionth.
///
/// With the second condition the purchases together stay within the ceiling of the stake of all
/// of them as one bet. With bankroll `B`, share `k`, `K = kB` and profits `X_i`, a bet of profit
/// `X` is within that ceiling if the slope of `E ln(K + tX)` at `t = 1` is not below 0, which is
/// `E[K / (K + X)] ≤ 1`. A purchase that uses the share `w_i` of its ceiling is within that of a
/// purse of `w_i K`: `E[w_i K / (w_i K + X_i)] ≤ 1`. If the shares sum to `W ≤ 1`, purses of
/// `w_i / W` do as well. As `1 / y` is convex (Jensen's inequality),
/// `K / (K + Σ X_i) = 1 / Σ w_i (1 + X_i / (w_i K)) ≤ Σ w_i · w_i K / (w_i K + X_i)`,
/// whose expectation is at most `Σ w_i = 1`. The purchases need not be independent.
pub fn choose(choices: &[Option<Choice>], budget: Decimal, currency: &Currency) -> Vec<usize> {
    let items: Vec<Item> = choices
        .iter()
        .map(|choice| match choice {
            Some(choice) => Item {
                weights: [
                    minor(choice.stake, currency),
                    ((choice.risk * RISK as f64).ceil() as i64).min(RISK),
                ],
                value: minor(choice.gain * Decimal::from(FINE), currency),
            },
            None => Item {
                weights: [0, 0],
                value: 0,
            },
        })
        .collect();
    best_choice(&items, [minor(budget, currency), RISK])
}

/// A purchase under consideration.
#[derive(Debug)]
pub struct Case<'a> {
    /// Distribution of the proceeds.
    pub prospect: &'a Prospect,
    /// Costs of buying in addition to the bid.
    pub buying: &'a Buying,
    /// Currency of all money.
    pub currency: &'a Currency,
    /// Weeks from payment to the proceeds; above 0.
    pub weeks: Decimal,
    /// The bankroll, if known.
    pub bankroll: Option<Decimal>,
}

impl Case<'_> {
    /// The highest bid for each aim, exact to the minor unit. Once an aim fails as the bid rises,
    /// it stays failed, so that bisection finds the bid. For the stake, the condition is that the
    /// bankroll should buy at least one such unit: the optimal number `g` maximises `E ln(1 + g
    /// (proceeds − stake))`, whose slope falls with the stake at every `g`. Aims of profit and loss
    /// count the cost of work; those of the stake and of the cash do not, as work takes no money.
    pub fn limits(&self, aims: &[Aim]) -> Vec<Limit> {
        let limit = |&aim: &Aim| {
            let most = self.most(aim);
            Limit {
                aim,
                most,
                ceiling: self.ceiling(aim, most),
            }
        };
        aims.iter().map(limit).collect()
    }

    /// The largest stake that an aim of the stake or of the cash allows: the stake at its highest
    /// bid, or else the one allowed for a gift.
    fn ceiling(&self, aim: Aim, most: Option<Decimal>) -> Option<Decimal> {
        let stake = |bid: i64| self.buying.cost(bid, self.currency) + self.prospect.parts;
        let drawer = self.prospect.drawer;
        match (aim, most) {
            (Aim::Cash(cash), _) => Some(cash),
            (Aim::Stake { .. }, Some(most)) => {
                let stake = stake(minor(most, self.currency));
                Some(from_minor(stake, self.currency))
            }
            (Aim::Stake { bankroll, share }, None) => {
                let growth = self.growth(self.buying.cost(0, self.currency), stake(0) + drawer);
                let growth = Decimal::from_f64(growth).unwrap_or_default();
                let most = (bankroll * share * growth).round_dp(self.currency.decimals());
                Some((most - from_minor(drawer, self.currency)).max(Decimal::ZERO))
            }
            _ => None,
        }
    }

    /// A bid in minor units above which none meets the aim.
    fn above(&self, aim: Aim) -> i64 {
        match aim {
            Aim::Cash(cash) => minor(cash, self.currency).max(0),
            // Above the largest possible proceeds there is no profit.
            Aim::Stake { .. } => self.prospect.most_cash(),
            Aim::Profit(_) | Aim::Return(_) | Aim::Loss(_) => self.prospect.most(),
        }
    }

    /// The highest bid that meets every aim, that of the [`binding`] limit; `None` if there is none. An aim that
    /// the highest bid for the others meets is looked at once.
    pub fn most_for_all(&self, aims: &[Aim]) -> Option<Decimal> {
        // The aim of the stake takes longest.
        let (slow, quick): (Vec<Aim>, Vec<Aim>) = aims
            .iter()
            .partition(|aim| matches!(aim, Aim::Stake { .. }));
        let mut most = None;
        for aim in quick.into_iter().chain(slow) {
            most = match most {
                Some(known) if self.keeps(aim, known) => Some(known),
                known => Some(self.most_below(aim, known)?),
            };
        }
        most.map(|bid| from_minor(bid, self.currency))
    }

    fn most(&self, aim: Aim) -> Option<Decimal> {
        let most = self.most_below(aim, None)?;
        Some(from_minor(most, self.currency))
    }

    /// The highest bid for an aim, minor units; `fails` is one that does not meet it, if known.
    fn most_below(&self, aim: Aim, fails: Option<i64>) -> Option<i64> {
        let keeps = |bid: i64| self.keeps(aim, bid);
        if !keeps(0) {
            return None;
        }
        let above = self.above(aim) + 1;
        let (mut low, mut high) = (0, fails.map_or(above, |fails| fails.min(above)));
        while high - low > 1 {
            let middle = low + (high - low) / 2;
            if keeps(middle) {
                low = middle;
            } else {
                high = middle;
            }
        }
        Some(low)
    }

    /// Whether a bid in minor units meets an aim.
    fn keeps(&self, aim: Aim, bid: i64) -> bool {
        let cost = self.buying.cost(bid, self.currency);
        let stake = cost + self.prospect.parts;
        let risked = stake + self.prospect.drawer;
        let profit = self.prospect.cash - self.prospect.work - cost as f64;
        let float = |value: Decimal| value.to_f64().unwrap_or_default();
        match aim {
            Aim::Profit(least) => profit >= minor(least, self.currency) as f64,
            Aim::Return(least) => profit >= float(least) / 100.0 * stake as f64,
            Aim::Loss(most) => self.prospect.chance_below(cost) <= float(most) / 100.0 + 1e-9,
            Aim::Stake { bankroll, share } => {
                let most = minor(bankroll, self.currency) as f64 * float(share);
                let returns = || self.prospect.returns(cost, risked);
                // The cheap check first: the optimal share is at most 1.
                risked <= 0
                    || (risked as f64 <= most && grows_beyond(returns(), risked as f64 / most))
            }
            Aim::Cash(cash) => stake <= 0 || stake <= minor(cash, self.currency),
        }
    }

    fn growth(&self, cost: i64, risked: i64) -> f64 {
        if risked <= 0 {
            return 1.0;
        }
        let returns: Vec<_> = self.prospect.returns(cost, risked).collect();
        growth_share(&returns)
    }

    /// Result of the purchase at a bid.
    pub fn measures(&self, bid: Decimal) -> Measures {
        let units = minor(bid, self.currency);
        let cost = self.buying.cost(units, self.currency);
        let stake = cost + self.prospect.parts;
        let risked = stake + self.prospect.drawer;
        let money = |units: i64| from_minor(units, self.currency);
        let expected = |units: f64| money(units.round_ties_even() as i64);
        let before_work = self.prospect.cash - cost as f64;
        let profit = before_work - self.prospect.work;
        let returned = (stake > 0).then(|| profit / stake as f64);
        let bankroll = self.bankroll.map(|money| minor(money, self.currency));
        Measures {
            bid: money(units),
            cost: money(cost),
            stake: money(stake),
            risked: money(risked),
            profit: expected(profit),
            before_work: expected(before_work),
            per_hour: (self.prospect.hours > 0.0)
                .then(|| expected(before_work / self.prospect.hours)),
            points: PROFIT_LEVELS.map(|p| money(self.prospect.quantile(p) - cost)),
            loss: self.prospect.chance_below(cost),
            worst: money(self.prospect.quantile(WORST) - cost),
            returned,
            per_week: returned.map(|share| share / self.weeks.to_f64().unwrap_or(1.0)),
            staked: bankroll
                .filter(|all| *all > 0)
                .map(|all| stake as f64 / all as f64),
            growth: self.growth(cost, risked),
        }
    }

    /// The aims that a bid does not meet.
    pub fn failed(&self, aims: &[Aim], bid: Decimal) -> Vec<Aim> {
        let units = minor(bid, self.currency);
        let fails = |aim: &Aim| !self.keeps(*aim, units);
        aims.iter().copied().filter(fails).collect()
    }

    /// Judges an asking price. `most` is the highest bid.
    pub fn judge(
        &self,
        aims: &[Aim],
        asked: Decimal,
        most: Option<Decimal>,
        sellers: Sellers,
    ) -> Judged {
        let offers = most.and_then(|most| self.offers(asked, most, sellers));
        Judged {
            measures: self.measures(asked),
            advice: advice(asked, most, offers.as_ref()),
            most,
            failed: self.failed(aims, asked),
            weeks: self.weeks,
            offers,
        }
    }

    /// The offers to a seller who asks `asked`, if `most` is the highest bid; none if fewer than one in
    /// ten comes down to it.
    pub fn offers(&self, asked: Decimal, most: Decimal, sellers: Sellers) -> Option<Offers> {
        let worth = self.most(Aim::Profit(Decimal::ZERO))?;
        let float = |money: Decimal| money.to_f64().unwrap_or_default();
        if asked.is_zero() {
            return None;
        }
        let talk = Haggling {
            discounts: sellers.discounts,
            breaks_off: sellers.breaks_off,
            asked: float(asked),
            most: float(most),
            worth: float(worth),
            step: step(float(asked), float(from_minor(1, self.currency))),
        };
        let Talk {
            open,
            target,
            walk_away,
            agreed,
        } = talk.talk()?;
        // Rounding to the minor unit must not lead above the highest bid or the asking price.
        let money = |price: f64| self.currency.from_statistics(price);
        Some(Offers {
            open: money(open)?.min(most).min(asked),
            target: money(target)?.min(most).min(asked),
            walk_away: money(walk_away)?.min(most),
            agreed,
        })
    }
}

/// Advice on the asking price `asked`. `most` is the highest bid, `offers` what to offer.
fn advice(asked: Decimal, most: Option<Decimal>, offers: Option<&Offers>) -> Advice {
    match (most, offers) {
        (Some(most), _) if asked <= most => Advice::Buy,
        (Some(most), Some(_)) => Advice::Haggle(most),
        _ => Advice::Pass,
    }
}

/// The binding limit: the lowest, and the first of equal ones.
pub fn binding(limits: &[Limit]) -> Option<&Limit> {
    limits
        .iter()
        .min_by_key(|limit| (limit.most.is_some(), limit.most))
}

#[cfg(test)]
mod drawer_tests;
#[cfg(test)]
mod risk_tests;

#[cfg(test)]
mod tests;
