//! Whether to take an offer or to wait: optimal stopping.
//!
//! Each week brings offers; the best is taken or all are let go. With `Y(t)` what the best offer
//! of week t leaves, β what money of a week later is worth today, and c what holding the unit for
//! a week costs (due as the week begins), the worth of going into week t is
//!
//! ```text
//! W(t) = −c + β E max(Y(t), W(t+1))
//! ```
//!
//! and an offer of week t is taken if it leaves at least `W(t+1)`: the reservation value (McCall,
//! *Economics of information and job search*, Quarterly Journal of Economics 84, 1970). Towards a
//! deadline the equation is solved backwards from what the unit is worth then; without one, where
//! every week is alike, `W` is its fixed point, found by policy iteration: the worth of a policy
//! is a ratio of sums, and the policy that is best against it is better until none is.

use statrs::distribution::{ContinuousCDF, Gamma};

/// Most rounds of policy iteration; a handful are needed.
const ROUNDS: usize = 1000;

/// Chance below which worse offers of a week no longer matter.
const NEGLIGIBLE: f64 = 1e-14;

/// Ends of a rule of thumb: the middle 80 %.
const ENDS: (f64, f64) = (0.1, 0.9);

/// Money with a chance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chance {
    /// What is left of it.
    pub money: f64,
    /// How likely, 0..=1.
    pub chance: f64,
}

/// What one week can bring. Chances that do not sum to 1 leave room for a week without an offer.
#[derive(Debug, Clone, PartialEq)]
pub struct Week {
    /// The asking price; none where there is none.
    pub ask: Option<f64>,
    /// A sale at the asking price: the seller is bound to it.
    pub asked: Chance,
    /// Otherwise, the best offer: taken or let go.
    pub offers: Vec<Chance>,
}

/// What a week's sales come to under a policy.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sold {
    /// Chance of a sale.
    pub chance: f64,
    /// Money left of a sale times its chance, summed.
    pub money: f64,
}

impl Week {
    /// A week with one offer.
    pub fn of_one(offers: Vec<Chance>) -> Self {
        Self {
            ask: None,
            asked: Chance {
                money: 0.0,
                chance: 0.0,
            },
            offers,
        }
    }

    /// A week of buyers who come at random (Poisson), `rate` on average. The chances are those of
    /// one buyer: that he pays the asking price, and of each of the offers, best first.
    pub fn of_many(
        rate: f64,
        ask: Option<f64>,
        asked: Chance,
        offers: impl IntoIterator<Item = Chance>,
    ) -> Self {
        // That nobody comes who brings more, and somebody who brings this.
        let mut nobody = 1.0;
        let mut best = |one: Chance| {
            let nobody_either = nobody * (-rate * one.chance).exp();
            let chance = nobody - nobody_either;
            nobody = nobody_either;
            Chance {
                money: one.money,
                chance,
            }
        };
        let asked = best(asked);
        let offers = offers
            .into_iter()
            .map(best)
            .take_while(|one| one.chance > NEGLIGIBLE)
            .collect();
        Self { ask, asked, offers }
    }

    /// Expected money where whatever leaves less than `wait` is let go, and `wait` stands for it.
    pub fn expected(&self, wait: f64) -> f64 {
        let sold = self.sold(wait);
        sold.money + (1.0 - sold.chance) * wait
    }

    /// What is sold where offers that leave at least `wait` are taken.
    pub fn sold(&self, wait: f64) -> Sold {
        let taken = self.offers.iter().filter(|offer| offer.money >= wait);
        let start = Sold {
            chance: self.asked.chance,
            money: self.asked.chance * self.asked.money,
        };
        taken.fold(start, |sum, offer| Sold {
            chance: sum.chance + offer.chance,
            money: sum.money + offer.chance * offer.money,
        })
    }
}

/// What waiting costs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Patience {
    /// What money of a week later is worth today, above 0, at most 1.
    pub discount: f64,
    /// Money for holding the unit for a week.
    pub cost: f64,
}

impl Patience {
    /// What going into a week is worth whose end without a sale is worth `after`.
    pub fn before(&self, week: &Week, after: f64) -> f64 {
        self.discount * week.expected(after) - self.cost
    }

    /// What it is worth to meet the same week over and over, taking what leaves at least `wait`;
    /// none where that never sells.
    fn forever(&self, week: &Week, wait: f64) -> Option<f64> {
        let sold = week.sold(wait);
        let ends = 1.0 - self.discount * (1.0 - sold.chance);
        (sold.chance > 0.0 && ends > 0.0).then(|| (self.discount * sold.money - self.cost) / ends)
    }
}

/// One week of a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Period {
    /// What going into it is worth, on its first day.
    pub before: f64,
    /// What its end without a sale is worth: the least that an offer must leave to be taken.
    pub after: f64,
    /// What it can bring.
    pub week: Week,
}

impl Period {
    /// What is sold in it.
    pub fn sold(&self) -> Sold {
        self.week.sold(self.after)
    }
}

/// What to do week by week.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// The weeks, from the first.
    pub periods: Vec<Period>,
    /// The week that then repeats for ever; none where there is a deadline.
    pub then: Option<Period>,
    /// What a unit is worth that is not sold at the deadline, where there is one.
    pub end: f64,
}

/// The week that repeats for ever: `choose` gives the best week against an end without a sale that
/// is worth so much, `low` is a worth against which something is taken.
pub fn forever(low: f64, patience: Patience, choose: impl Fn(f64) -> Week) -> Period {
    let mut after = low;
    let mut week = choose(after);
    for round in 0..ROUNDS {
        let Some(next) = patience.forever(&week, after) else {
            break;
        };
        let better = next > after + 1e-13 * after.abs();
        if round > 0 && !better {
            break;
        }
        after = next;
        week = choose(after);
    }
    Period {
        before: after,
        after,
        week,
    }
}

/// The weeks up to a deadline, after which the unit is worth `end`: `choose` gives the best week
/// by its number from 1 and what its end without a sale is worth.
pub fn until(
    weeks: usize,
    end: f64,
    patience: Patience,
    choose: impl Fn(usize, f64) -> Week,
) -> Vec<Period> {
    let mut after = end;
    let mut periods: Vec<Period> = (1..=weeks)
        .rev()
        .map(|number| {
            let week = choose(number, after);
            let period = Period {
                before: patience.before(&week, after),
                after,
                week,
            };
            after = period.before;
            period
        })
        .collect();
    periods.reverse();
    periods
}

impl Plan {
    /// The turn of a week, from 1; the last or the repeated one beyond that.
    pub fn period(&self, week: usize) -> Option<&Period> {
        let at = week.saturating_sub(1);
        let last = self.then.as_ref().or(self.periods.last());
        self.periods.get(at).or(last)
    }

    /// What an offer of a week must leave to be taken; week 0 is before the first, at once.
    pub fn least(&self, week: usize) -> f64 {
        match (week, self.period(week)) {
            (_, None) => self.end,
            (0, Some(period)) => period.before,
            (_, Some(period)) => period.after,
        }
    }

    /// Chance that it is sold by the end of each of the first `weeks`.
    pub fn sold_by(&self, weeks: usize) -> Vec<f64> {
        let mut unsold = 1.0;
        (1..=weeks)
            .map(|week| {
                unsold *= self
                    .period(week)
                    .map_or(1.0, |period| 1.0 - period.sold().chance);
                1.0 - unsold
            })
            .collect()
    }

    /// Expected weeks to the end of the one in which it is sold, or to the deadline; none where it
    /// may never be sold.
    pub fn weeks(&self) -> Option<f64> {
        let (mut unsold, mut weeks) = (1.0, 0.0);
        for period in &self.periods {
            weeks += unsold;
            unsold *= 1.0 - period.sold().chance;
        }
        let Some(then) = &self.then else {
            return Some(weeks);
        };
        let chance = then.sold().chance;
        (chance > 0.0).then(|| weeks + unsold / chance)
    }

    /// Expected money left in the end, of a sale or at the deadline, nothing taken off for waiting.
    pub fn left(&self) -> f64 {
        let (mut unsold, mut money) = (1.0, 0.0);
        for period in &self.periods {
            let sold = period.sold();
            money += unsold * sold.money;
            unsold *= 1.0 - sold.chance;
        }
        let in_the_end = self.then.as_ref().map_or(self.end, |then| {
            let sold = then.sold();
            if sold.chance > 0.0 {
                sold.money / sold.chance
            } else {
                0.0
            }
        });
        money + unsold * in_the_end
    }
}

/// How often something comes, with the doubt about it: a gamma distribution of the rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rate {
    /// Shape: events it is worth.
    pub shape: f64,
    /// Weeks it is worth.
    pub weeks: f64,
}

impl Rate {
    /// The gamma distribution whose middle 80 % goes from `low` to `high` a week; `None` unless
    /// 0 < low < high, or where no shape from 0.1 to 10 million fits.
    pub fn from_range(low: f64, high: f64) -> Option<Self> {
        if !(low > 0.0 && low < high && high.is_finite()) {
            return None;
        }
        // The ratio of the ends depends on the shape alone, and falls as it grows.
        let ratio = |shape: f64| {
            let ends = ends(shape, 1.0)?;
            Some(ends.1 / ends.0)
        };
        let (mut least, mut most) = (0.1_f64.ln(), 1e7_f64.ln());
        let wanted = high / low;
        if ratio(least.exp())? < wanted || ratio(most.exp())? > wanted {
            return None;
        }
        for _ in 0..60 {
            let middle = f64::midpoint(least, most);
            if ratio(middle.exp())? > wanted {
                least = middle;
            } else {
                most = middle;
            }
        }
        let shape = f64::midpoint(least, most).exp();
        Some(Self {
            shape,
            weeks: ends(shape, 1.0)?.1 / high,
        })
    }

    /// Mean, a week.
    pub fn mean(&self) -> f64 {
        self.shape / self.weeks
    }

    /// Its middle 80 %, a week.
    pub fn range(&self) -> (f64, f64) {
        ends(self.shape, self.weeks).unwrap_or((self.mean(), self.mean()))
    }
}

/// What is known of a rate after `count` events in `weeks` in which all of them would have been
/// seen: counts are Poisson, so the gamma distribution stays one (Gelman et al., *Bayesian Data
/// Analysis*, 3rd edition, section 2.6).
pub fn posterior(prior: Rate, count: f64, weeks: f64) -> Rate {
    Rate {
        shape: prior.shape + count,
        weeks: prior.weeks + weeks,
    }
}

fn ends(shape: f64, weeks: f64) -> Option<(f64, f64)> {
    let gamma = Gamma::new(shape, weeks).ok()?;
    Some((gamma.inverse_cdf(ENDS.0), gamma.inverse_cdf(ENDS.1)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use statrs::function::gamma::ln_gamma;

    /// Equally likely offers at the middles of slices of equal chance.
    fn slices(count: usize, quantile: impl Fn(f64) -> f64) -> Vec<Chance> {
        let each = 1.0 / count as f64;
        (0..count)
            .map(|k| Chance {
                money: quantile((k as f64 + 0.5) * each),
                chance: each,
            })
            .collect()
    }

    fn reservation(offers: Vec<Chance>, discount: f64, cost: f64) -> f64 {
        let low = offers.iter().map(|o| o.money).fold(f64::MAX, f64::min);
        let week = Week::of_one(offers);
        forever(low, Patience { discount, cost }, |_| week.clone()).after
    }

    fn patient() -> Patience {
        Patience {
            discount: 1.0,
            cost: 0.0,
        }
    }

    /// Sargent and Stachurski, *Job Search I: The McCall Search Model* (QuantEcon lectures): wages
    /// from 10 to 60 with beta-binomial chances (n = 50, a = 200, b = 100), unemployment
    /// compensation 25, β = 0.99: the reservation wage is 47.316. Whoever takes a wage has it
    /// for ever, so an offer is worth w/(1 − β), and waiting earns 25: a cost of −25.
    #[test]
    fn the_published_reservation_wage() {
        let (n, a, b, beta) = (50.0, 200.0, 100.0, 0.99);
        let ln_beta = |x: f64, y: f64| ln_gamma(x) + ln_gamma(y) - ln_gamma(x + y);
        let offers: Vec<Chance> = (0..=50)
            .map(|k| {
                let k = f64::from(k);
                let choose = -ln_beta(n - k + 1.0, k + 1.0) - (n + 1.0_f64).ln();
                Chance {
                    money: (10.0 + k) / (1.0 - beta),
                    chance: (choose + ln_beta(k + a, n - k + b) - ln_beta(a, b)).exp(),
                }
            })
            .collect();
        let total: f64 = offers.iter().map(|offer| offer.chance).sum();
        assert!((total - 1.0).abs() < 1e-9, "{total}");
        // In the lecture the compensation comes with the refusal, before the next week's β.
        let wage = (1.0 - beta) * reservation(offers, beta, -25.0);
        assert_eq!(format!("{wage:.3}"), "47.316");
    }

    /// Without discount the reservation value solves E(Y − x)⁺ = c (DeGroot, *Optimal Statistical
    /// Decisions*, chapter 13; Lippman and McCall 1976): 1 − √(2c) for offers uniform on 0 to 1,
    /// −ln c for exponential ones of mean 1.
    #[test]
    fn closed_forms_for_a_cost_of_waiting() {
        for cost in [0.001, 0.02, 0.1, 0.32] {
            let uniform = reservation(slices(100_000, |u| u), 1.0, cost);
            assert!(
                (uniform - (1.0 - (2.0 * cost).sqrt())).abs() < 1e-5,
                "{uniform}"
            );
            let exponential = reservation(slices(200_000, |u| -(-u).ln_1p()), 1.0, cost);
            assert!(
                (exponential + cost.ln()).abs() < 2e-3,
                "{cost}: {exponential}"
            );
        }
    }

    /// With discount alone, x = β E max(x, Y): for uniform offers x = β (1 + x²)/2.
    #[test]
    fn closed_form_for_a_discount() {
        for beta in [0.5_f64, 0.9, 0.99, 0.999] {
            let expected = (1.0 - (1.0 - beta * beta).sqrt()) / beta;
            let found = reservation(slices(100_000, |u| u), beta, 0.0);
            assert!(
                (found - expected).abs() < 1e-5,
                "{beta}: {found} {expected}"
            );
        }
    }

    /// The best of Poisson many uniform offers is at most y with chance exp(−λ(1 − y)), so that
    /// E(Y − x)⁺ = (1 − x) − (1 − exp(−λ(1 − x)))/λ = c.
    #[test]
    fn closed_form_for_the_best_of_many() {
        for (rate, cost) in [(0.3, 0.01), (2.0, 0.05), (20.0, 0.002)] {
            let mut offers = slices(20_000, |u| u);
            offers.reverse();
            let nobody = Chance {
                money: 0.0,
                chance: 0.0,
            };
            let week = Week::of_many(rate, None, nobody, offers);
            let patience = Patience {
                discount: 1.0,
                cost,
            };
            let x = forever(0.0, patience, |_| week.clone()).after;
            let gain = (1.0 - x) - (1.0 - (-rate * (1.0 - x)).exp()) / rate;
            assert!((gain - cost).abs() < 1e-4, "{rate} {cost}: {x} {gain}");
        }
    }

    /// A uniform offer each week, nothing lost by waiting, n weeks left: the worth A(n) follows
    /// A(n+1) = (1 + A(n)²)/2 (Moser, *On a problem of Cayley*, Scripta Mathematica 22, 1956):
    /// 0.5, 0.625, 0.695, 0.742, 0.775.
    #[test]
    fn the_weeks_before_a_deadline() {
        let week = Week::of_one(slices(10_000, |u| u));
        let periods = until(5, 0.0, patient(), |_, _| week.clone());
        let values: Vec<String> = periods
            .iter()
            .map(|period| format!("{:.3}", period.before))
            .collect();
        assert_eq!(values, ["0.775", "0.742", "0.695", "0.625", "0.500"]);
        let plan = Plan {
            periods,
            then: None,
            end: 0.0,
        };
        assert!((plan.left() - plan.least(0)).abs() < 1e-12);
        assert_eq!(plan.least(5), 0.0);
        assert!((plan.sold_by(5)[4] - 1.0).abs() < 1e-9);
    }

    /// A coin each week, heads sells for 10: 2 weeks on average, and the chances of a geometric
    /// distribution, whether the weeks are counted or repeat for ever.
    #[test]
    fn what_a_plan_comes_to() {
        let week = Week::of_one(vec![Chance {
            money: 10.0,
            chance: 0.5,
        }]);
        let patience = Patience {
            discount: 0.9,
            cost: 1.0,
        };
        let then = forever(10.0, patience, |_| week.clone());
        // W = −1 + 0.9 (5 + W/2).
        assert!((then.before - 3.5 / 0.55).abs() < 1e-12);
        let periods = until(3, then.before, patience, |_, _| week.clone());
        assert!((periods[0].before - then.before).abs() < 1e-12);
        let plan = Plan {
            periods,
            then: Some(then),
            end: 0.0,
        };
        assert_eq!(plan.sold_by(4), [0.5, 0.75, 0.875, 0.9375]);
        assert!((plan.weeks().unwrap() - 2.0).abs() < 1e-12);
        assert!((plan.left() - 10.0).abs() < 1e-12);
    }

    #[test]
    fn a_rule_of_thumb_becomes_a_rate() {
        for (low, high) in [(1.0, 4.0), (0.1, 0.11), (0.01, 5.0), (20.0, 30.0)] {
            let rate = Rate::from_range(low, high).unwrap();
            let gamma = Gamma::new(rate.shape, rate.weeks).unwrap();
            assert!(
                (gamma.cdf(low) - 0.1).abs() < 1e-6,
                "{low}: {}",
                gamma.cdf(low)
            );
            assert!(
                (gamma.cdf(high) - 0.9).abs() < 1e-6,
                "{high}: {}",
                gamma.cdf(high)
            );
        }
        for (low, high) in [(0.0, 1.0), (2.0, 2.0), (3.0, 1.0), (1.0, f64::INFINITY)] {
            assert_eq!(Rate::from_range(low, high), None);
        }
    }

    #[test]
    fn counts_move_the_rate() {
        let prior = Rate {
            shape: 4.0,
            weeks: 2.0,
        };
        let after = posterior(prior, 6.0, 8.0);
        assert_eq!(
            after,
            Rate {
                shape: 10.0,
                weeks: 10.0
            }
        );
        assert_eq!(after.mean(), 1.0);
        let (low, high) = after.range();
        let (before_low, before_high) = prior.range();
        assert!(high - low < before_high - before_low);
    }

    fn offers() -> impl Strategy<Value = Vec<Chance>> {
        prop::collection::vec((0.0..100.0, 0.01..1.0), 1..12).prop_map(|pairs| {
            let total: f64 = pairs.iter().map(|(_, weight): &(f64, f64)| weight).sum();
            let mut offers: Vec<Chance> = pairs
                .into_iter()
                .map(|(money, weight)| Chance {
                    money,
                    chance: weight / total,
                })
                .collect();
            offers.sort_by(|a, b| b.money.total_cmp(&a.money));
            offers
        })
    }

    fn best_of(rate: f64, offers: &[Chance]) -> Week {
        let nobody = Chance {
            money: 0.0,
            chance: 0.0,
        };
        Week::of_many(rate, None, nobody, offers.iter().copied())
    }

    proptest! {
        /// The fixed point is one, and is what iterating the equation comes to.
        #[test]
        fn policy_iteration_finds_the_fixed_point(
            offers in offers(), rate in 0.1..5.0, discount in 0.5..0.99, cost in 0.0..5.0,
        ) {
            let week = best_of(rate, &offers);
            let patience = Patience { discount, cost };
            let period = forever(0.0, patience, |_| week.clone());
            prop_assert!((patience.before(&week, period.after) - period.after).abs() < 1e-8);
            let far = until(4000, 0.0, patience, |_, _| week.clone());
            prop_assert!((far[0].before - period.after).abs() < 1e-6 * (1.0 + period.after.abs()));
        }

        /// More offers or more patience never lower the least to take; a higher cost never raises
        /// it; a later deadline neither.
        #[test]
        fn comparative_statics(
            offers in offers(), rate in 0.1..5.0, discount in 0.5..0.999, cost in 0.0..5.0,
            more in 1.0..3.0, weeks in 1..30usize,
        ) {
            let least = |rate: f64, discount: f64, cost: f64| {
                let week = best_of(rate, &offers);
                let patience = Patience { discount, cost };
                let ever = forever(0.0, patience, |_| week.clone()).after;
                let end = ever.min(0.0);
                let periods = until(weeks, end, patience, |_, _| week.clone());
                (ever, periods)
            };
            let (base, periods) = least(rate, discount, cost);
            let slack = 1e-9 * (1.0 + base.abs());
            prop_assert!(least(rate * more, discount, cost).0 >= base - slack);
            // A unit that costs more than it brings is worth the more the less the future counts.
            if base >= 0.0 {
                let patient = 1.0 - (1.0 - discount) / more;
                prop_assert!(least(rate, patient, cost).0 >= base - slack);
            }
            prop_assert!(least(rate, discount, cost * more).0 <= base + slack);
            // Worth no more than for ever at the deadline, it falls towards it from below that.
            prop_assert!(periods.iter().all(|period| period.before <= base + slack));
            prop_assert!(periods.iter().all(|period| period.after <= period.before + slack));
        }

        /// Chances of a week sum to 1 with that of no offer at all.
        #[test]
        fn the_best_of_a_week_is_a_distribution(offers in offers(), rate in 0.01..50.0) {
            let week = best_of(rate, &offers);
            let some: f64 = week.offers.iter().map(|offer| offer.chance).sum();
            prop_assert!((some - (1.0 - (-rate).exp())).abs() < 1e-9);
        }
    }
}
