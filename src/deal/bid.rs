//! Bids: the highest that meets every aim, and the profit at a given price.

use rust_decimal::Decimal;
use rust_decimal::prelude::{FromPrimitive, ToPrimitive};

use super::harvest::Donor;
use super::kelly::growth_share;
use super::knapsack::{Item, best_choice};
use crate::deal::prospect::{Prospect, from_minor, minor};
use crate::trade::Currency;
use crate::trade::repair::Repair;

/// Probabilities at which quantiles of the profit are reported.
pub const TOLD: [f64; 5] = [0.05, 0.25, 0.5, 0.75, 0.95];

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
    /// Weeks from payment to the proceeds.
    pub weeks: Decimal,
    /// What the parts of the unit are worth if it is taken apart after a repair failed, if known.
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
    /// Quantiles of the profit at the probabilities of [`TOLD`].
    pub points: [Decimal; TOLD.len()],
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
    /// The highest bid is within the usual discount.
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
}

/// A purchase that competes with others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Choice {
    /// Stake.
    pub stake: Decimal,
    /// What is to be as large as possible in total: see [`Gain`].
    pub gain: Decimal,
    /// Stake as a share of the largest that its risk allows, 0..=1; 0 if the bankroll is not known.
    pub risk: f64,
}

/// What several purchases together should make as large as possible.
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
    pub fn choice(&self, aims: &[Aim], weeks: Decimal, gain: Gain) -> Option<Choice> {
        (self.advice == Advice::Buy).then(|| Choice {
            stake: self.measures.stake,
            gain: match gain {
                Gain::Weekly => self.measures.profit / weeks,
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
    /// Weeks from payment to the proceeds.
    pub weeks: f64,
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

    fn most(&self, aim: Aim) -> Option<Decimal> {
        let keeps = |bid: i64| self.keeps(aim, bid);
        if !keeps(0) {
            return None;
        }
        let (mut low, mut high) = (0, self.above(aim) + 1);
        while high - low > 1 {
            let middle = low + (high - low) / 2;
            if keeps(middle) {
                low = middle;
            } else {
                high = middle;
            }
        }
        Some(from_minor(low, self.currency))
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
                // The cheap check first: the optimal share is at most 1.
                risked <= 0
                    || (risked as f64 <= most && risked as f64 <= most * self.growth(cost, risked))
            }
            Aim::Cash(cash) => stake <= 0 || stake <= minor(cash, self.currency),
        }
    }

    fn growth(&self, cost: i64, risked: i64) -> f64 {
        if risked <= 0 {
            return 1.0;
        }
        growth_share(&self.prospect.returns(cost, risked))
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
            points: TOLD.map(|p| money(self.prospect.quantile(p) - cost)),
            loss: self.prospect.chance_below(cost),
            worst: money(self.prospect.quantile(WORST) - cost),
            returned,
            per_week: returned.map(|share| share / self.weeks),
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

    /// Judges an asking price. `most` is the highest bid; sellers give a discount of up to `haggle`
    /// per cent.
    pub fn judge(
        &self,
        aims: &[Aim],
        asked: Decimal,
        most: Option<Decimal>,
        haggle: Decimal,
    ) -> Judged {
        Judged {
            measures: self.measures(asked),
            advice: self.advice(asked, most, haggle),
            most,
            failed: self.failed(aims, asked),
        }
    }

    /// Advice on the asking price `asked`. `most` is the highest bid; sellers give a discount of up
    /// to `haggle` per cent.
    pub fn advice(&self, asked: Decimal, most: Option<Decimal>, haggle: Decimal) -> Advice {
        let down = asked * (Decimal::ONE_HUNDRED - haggle) / Decimal::ONE_HUNDRED;
        match most {
            Some(most) if asked <= most => Advice::Buy,
            Some(most) if most > Decimal::ZERO && down <= most => Advice::Haggle(most),
            _ => Advice::Pass,
        }
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
mod tests {
    use super::super::outlet::Terms;
    use super::super::prospect::{Failed, Plan, Sale};
    use super::*;
    use crate::settings::selling::{Outlet, Shipping};
    use crate::trade::comp::PriceBasis;
    use proptest::prelude::*;
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, StandardNormal};
    use statrs::distribution::{ContinuousCDF, Normal};

    pub(super) fn eur() -> Currency {
        Currency { code: "EUR".into() }
    }

    pub(super) fn dec(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    pub(super) fn float(money: Decimal) -> f64 {
        money.to_f64().unwrap()
    }

    /// Equally likely log prices, normal around that of `price`.
    fn quantiles(price: f64, spread: f64, rungs: usize) -> Vec<f64> {
        let normal = Normal::new(price.ln(), spread).unwrap();
        (0..rungs)
            .map(|k| normal.inverse_cdf((k as f64 + 0.5) / rungs as f64))
            .collect()
    }

    fn repair(parts: &str, minutes: i64, success: f64) -> Repair {
        Repair {
            parts: dec(parts),
            minutes: Decimal::from(minutes),
            ..Repair::new("mend", success)
        }
    }

    fn outlet() -> Outlet {
        toml::from_str(
            "fee = { percent = 9, of = \"delivered\", fixed = 0.35 }\nshipping = \"seller\"\n\
             returns = { percent = 5, cost = 8, loses = 10 }",
        )
        .unwrap()
    }

    fn prospect(
        rungs: usize,
        terms: Option<&Terms<'_>>,
        repairs: &[Repair],
        wage: i64,
    ) -> Prospect {
        let currency = eur();
        let sale = Sale {
            terms,
            basis: PriceBasis::Delivered,
            currency: &currency,
        };
        Plan {
            sale: &sale,
            mended: &quantiles(140.0, 0.12, rungs),
            failed: Failed::Prices(&quantiles(40.0, 0.3, rungs)),
            repairs,
            minutes: Decimal::from(20),
            wage: Decimal::from(wage),
            lost: 0.0,
            donor: None,
        }
        .prospect()
    }

    fn case<'a>(prospect: &'a Prospect, buying: &'a Buying, currency: &'a Currency) -> Case<'a> {
        Case {
            prospect,
            buying,
            currency,
            weeks: 4.0,
            bankroll: Some(Decimal::from(600)),
        }
    }

    fn buying() -> Buying {
        Buying {
            premium_percent: dec("12.5"),
            premium: dec("2"),
            tax_percent: dec("7"),
            inbound: dec("6.90"),
        }
    }

    #[test]
    fn what_is_paid_in_all() {
        // 12.5 % of 88 and 2 are 13; 7 % of 101 are 7.07; 6.90 on top.
        assert_eq!(buying().cost(8800, &eur()), 11497);
        let costs: Vec<i64> = (0..3000).map(|bid| buying().cost(bid, &eur())).collect();
        assert!(costs.windows(2).all(|pair| pair[0] < pair[1]));
    }

    /// Without any costs, the highest bid for no expected loss is the mean of the log-normal price,
    /// `exp(μ + σ²/2)`, and for a loss in 1 of 5 its 20 % quantile, `exp(μ + σ z)`.
    #[test]
    fn closed_forms_of_a_log_normal_price() {
        let (currency, free) = (eur(), Buying::default());
        let prospect = prospect(2000, None, &[], 0);
        let case = case(&prospect, &free, &currency);
        let most = |aim| float(case.most(aim).unwrap());
        let mean = 140.0 * (0.12_f64 * 0.12 / 2.0).exp();
        assert!((most(Aim::Profit(Decimal::ZERO)) - mean).abs() < 0.02);
        assert!((most(Aim::Return(Decimal::from(25))) - mean / 1.25).abs() < 0.02);
        let z = Normal::standard().inverse_cdf(0.2);
        let point = 140.0 * (0.12 * z).exp();
        assert!((most(Aim::Loss(Decimal::from(20))) - point).abs() < 0.05);
        assert_eq!(case.most(Aim::Profit(Decimal::from(500))), None);
    }

    /// Twenty times as many quantiles change the bid by cents, and probabilities by less than one
    /// quantile.
    #[test]
    fn there_are_enough_quantiles() {
        let (currency, outlet) = (eur(), outlet());
        let shipping: Shipping = toml::from_str("packing = 0.9\nbands = [{ cost = 4.8 }]").unwrap();
        let terms = Terms::new(&outlet, &shipping, &currency, Some(dec("600")), None).unwrap();
        let repairs = [repair("14", 30, 0.9), repair("0", 15, 0.8)];
        let [coarse, fine] =
            [2000, 40_000].map(|rungs| prospect(rungs, Some(&terms), &repairs, 12));
        let costs = buying();
        let (coarse, fine) = (
            case(&coarse, &costs, &currency),
            case(&fine, &costs, &currency),
        );
        for aim in [
            Aim::Profit(Decimal::from(10)),
            Aim::Return(Decimal::from(20)),
            Aim::Stake {
                bankroll: Decimal::from(600),
                share: dec("0.5"),
            },
        ] {
            let (one, other) = (coarse.most(aim).unwrap(), fine.most(aim).unwrap());
            assert!((one - other).abs() <= dec("0.03"), "{aim:?}: {one} {other}");
        }
        let (one, other) = (coarse.measures(dec("50")), fine.measures(dec("50")));
        assert!((one.loss - other.loss).abs() < 1.0 / 2000.0);
        assert!((one.profit - other.profit).abs() <= dec("0.02"));
        assert!((one.growth - other.growth).abs() < 1e-3);
    }

    /// A seeded simulation of the whole: price, repairs in order, return.
    #[test]
    fn a_simulation_agrees() {
        const DRAWS: usize = 200_000;
        let (currency, outlet) = (eur(), outlet());
        let shipping: Shipping = toml::from_str("packing = 0.9\nbands = [{ cost = 4.8 }]").unwrap();
        let terms = Terms::new(&outlet, &shipping, &currency, Some(dec("600")), None).unwrap();
        let repairs = [repair("14", 30, 0.9), repair("5", 15, 0.8)];
        let prospect = prospect(2000, Some(&terms), &repairs, 12);
        let costs = buying();
        let bid = dec("50");
        let at = case(&prospect, &costs, &currency).measures(bid);
        let mut rng = StdRng::seed_from_u64(1956);
        let mut profits: Vec<f64> = (0..DRAWS)
            .map(|_| {
                let (mut spent, mut minutes, mut works) = (at.cost, 20, true);
                for repair in &repairs {
                    if works {
                        spent += repair.parts;
                        minutes += repair.minutes.to_i64().unwrap();
                        works = rng.random::<f64>() < repair.success;
                    }
                }
                let z: f64 = StandardNormal.sample(&mut rng);
                let price = if works {
                    140.0 * (0.12 * z).exp()
                } else {
                    40.0 * (0.3 * z).exp()
                };
                let price = currency.from_statistics(price).unwrap();
                let mut left = terms.without_returns(price).net - spent;
                if rng.random::<f64>() < 0.05 {
                    left -= terms.return_cost(price);
                }
                float(left) - 12.0 * minutes as f64 / 60.0
            })
            .collect();
        profits.sort_by(f64::total_cmp);
        let n = DRAWS as f64;
        let mean = profits.iter().sum::<f64>() / n;
        let variance = profits.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n;
        assert!((float(at.profit) - mean).abs() < 4.0 * (variance / n).sqrt() + 0.01);
        let loss = profits.iter().filter(|x| **x < 0.0).count() as f64 / n;
        assert!((at.loss - loss).abs() < 4.0 * (loss * (1.0 - loss) / n).sqrt() + 0.001);
        for (p, reported) in TOLD.iter().zip(at.points).chain([(&WORST, at.worst)]) {
            let below = profits.partition_point(|x| *x < float(reported)) as f64 / n;
            let error = 4.0 * (p * (1.0 - p) / n).sqrt() + 0.001;
            assert!((below - p).abs() < error, "{p}: {reported} {below}");
        }
    }

    fn aims() -> impl Strategy<Value = Vec<Aim>> {
        (0..40i64, 0..60i64, 1..60i64, 100..2000i64, 1..=10i64).prop_map(
            |(profit, returned, loss, bankroll, share)| {
                vec![
                    Aim::Profit(Decimal::from(profit)),
                    Aim::Return(Decimal::from(returned)),
                    Aim::Loss(Decimal::from(loss)),
                    Aim::Stake {
                        bankroll: Decimal::from(bankroll),
                        share: Decimal::new(share, 1),
                    },
                ]
            },
        )
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(40))]

        /// The highest bid meets every aim; one cent more fails the named one. Higher costs never
        /// raise it.
        #[test]
        fn the_bid_is_the_largest_that_keeps_every_aim(
            aims in aims(), parts in 0..40i64, success in 0.3..1.0f64, wage in 0..20i64, more in 1..30i64,
        ) {
            let (currency, outlet) = (eur(), outlet());
            let terms = Terms::new(&outlet, &Shipping::default(), &currency, None, None).unwrap();
            let repairs = [repair(&parts.to_string(), 30, success)];
            let prospect = prospect(200, Some(&terms), &repairs, wage);
            let costs = buying();
            let weighed = case(&prospect, &costs, &currency);
            let limits = weighed.limits(&aims);
            let limit = binding(&limits).unwrap();
            let fails_at = match limit.most {
                Some(most) => {
                    prop_assert!(weighed.failed(&aims, most).is_empty());
                    most + dec("0.01")
                }
                None => Decimal::ZERO,
            };
            prop_assert!(weighed.failed(&aims, fails_at).contains(&limit.aim));
            let dearer = Buying { inbound: costs.inbound + Decimal::from(more), ..costs.clone() };
            let other = case(&prospect, &dearer, &currency).limits(&aims);
            prop_assert!(binding(&other).unwrap().most <= limit.most);
            if let Some(most) = limit.most {
                prop_assert_eq!(weighed.advice(most, limit.most, Decimal::from(20)), Advice::Buy);
            }
        }
    }
}
