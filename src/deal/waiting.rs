//! Accept an offer or wait: optimal stopping.
//!
//! Each week brings offers; the seller accepts the best or refuses all. With `Y(t)` the net of the
//! best offer of week t, β the discount factor per week, and c the weekly holding cost (due as the
//! week begins), the value of entering week t is
//!
//! ```text
//! W(t) = −c + β E max(Y(t), W(t+1))
//! ```
//!
//! and an offer of week t is accepted if its net is at least `W(t+1)`, the reservation value
//! (McCall, *Economics of information and job search*, Quarterly Journal of Economics 84, 1970).
//! With a deadline, the equation is solved backwards from the value of the unit then. Without one,
//! all weeks are alike and `W` is its fixed point, found by policy iteration: the value of a policy
//! is a ratio of sums, and the best policy for that value is better, until none is.

use statrs::distribution::{ContinuousCDF, Gamma};

/// Most rounds of policy iteration; a few are enough.
const ROUNDS: usize = 1000;

/// Least share of its value that a unit loses or earns in a week, so that waiting without an end has a value.
const NEVER: f64 = 1e-9;

/// Levels of the ends of a rule of thumb: the middle 80 %.
const ENDS: (f64, f64) = (0.1, 0.9);

/// Money with a probability.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chance {
    /// Net amount.
    pub money: f64,
    /// Probability, 0..=1.
    pub chance: f64,
}

/// Outcomes of one week. If the probabilities sum to less than 1, the rest is a week without an
/// offer.
#[derive(Debug, Clone, PartialEq)]
pub struct Week {
    /// The asking price, if there is one.
    pub ask: Option<f64>,
    /// A sale at the asking price, which the seller cannot refuse.
    pub asked: Chance,
    /// Otherwise, the best offer, which the seller can refuse.
    pub offers: Vec<Chance>,
}

/// Sales of a week under a policy.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sold {
    /// Probability of a sale.
    pub chance: f64,
    /// Sum of net times probability over the sales.
    pub money: f64,
}

impl Sold {
    /// Expected money if a week without a sale counts as `wait`.
    fn or(self, wait: f64) -> f64 {
        self.money + (1.0 - self.chance) * wait
    }
}

impl Week {
    /// Sales if offers with a net of at least `wait` are accepted.
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

/// Cost of waiting.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Patience {
    /// Discount factor per week, above 0, at most 1.
    pub discount: f64,
    /// Cost of holding the unit for a week.
    pub cost: f64,
}

impl Patience {
    /// Value of entering a week whose end without a sale has the value `after`.
    pub fn before(&self, week: &Week, after: f64) -> f64 {
        self.entering(week.sold(after), after)
    }

    /// The same for a week with these sales.
    pub fn entering(&self, sold: Sold, after: f64) -> f64 {
        self.discount * sold.or(after) - self.cost
    }

    /// Value of a week with these sales that is repeated for ever; without any sale, what holding the unit
    /// costs for ever.
    pub fn for_ever(&self, sold: Sold) -> f64 {
        let ends = 1.0 - self.discount * (1.0 - sold.chance);
        (self.discount * sold.money - self.cost) / ends.max(NEVER)
    }
}

/// One week of a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Period {
    /// Value of entering it, on its first day.
    pub before: f64,
    /// Value of its end without a sale: the smallest acceptable net of an offer.
    pub after: f64,
    /// Its possible outcomes.
    pub week: Week,
}

impl Period {
    /// Sales in it.
    pub fn sold(&self) -> Sold {
        self.week.sold(self.after)
    }
}

/// A plan for each week.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// The weeks, from the first.
    pub periods: Vec<Period>,
    /// The week that then repeats for ever; none with a deadline.
    pub then: Option<Period>,
    /// Value of an unsold unit at the deadline, if there is one.
    pub end: f64,
}

/// The week that repeats for ever. `choose` gives the best week if its end without a sale has the
/// given value; `low` is a value at which some offer is accepted.
pub fn forever(low: f64, patience: Patience, choose: impl Fn(f64) -> Week) -> Period {
    let mut after = low;
    let mut week = choose(after);
    for round in 0..ROUNDS {
        let next = patience.for_ever(week.sold(after));
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

/// The weeks up to a deadline, at which the unit has the value `end`. `choose` gives the best week
/// by its number from 1 and the value of its end without a sale.
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
    /// The period of a week, from 1; beyond the last one, the last or the repeated one.
    pub fn period(&self, week: usize) -> Option<&Period> {
        let at = week.saturating_sub(1);
        let last = self.then.as_ref().or(self.periods.last());
        self.periods.get(at).or(last)
    }

    /// Smallest acceptable net of an offer in a week; week 0 is before the first, at once.
    pub fn least(&self, week: usize) -> f64 {
        match (week, self.period(week)) {
            (_, None) => self.end,
            (0, Some(period)) => period.before,
            (_, Some(period)) => period.after,
        }
    }

    /// Probability of a sale by the end of each of the first `weeks`.
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

    /// Expected weeks to the end of the week of the sale, or to the deadline; none if it may never
    /// be sold.
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

    /// Expected final money, from a sale or at the deadline, without the cost of waiting.
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

/// An uncertain rate of events: a gamma distribution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rate {
    /// Shape: equivalent number of events.
    pub shape: f64,
    /// Equivalent number of weeks.
    pub weeks: f64,
}

impl Rate {
    /// The gamma distribution whose middle 80 % is from `low` to `high` per week; `None` unless 0 <
    /// low < high, or if no shape from 0.1 to 10 million fits.
    pub fn from_range(low: f64, high: f64) -> Option<Self> {
        if !(low > 0.0 && low < high && high.is_finite()) {
            return None;
        }
        // The ratio of the ends depends only on the shape, and falls as it grows.
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

    /// Mean per week.
    pub fn mean(&self) -> f64 {
        self.shape / self.weeks
    }

    /// Its middle 80 %, per week.
    pub fn range(&self) -> (f64, f64) {
        ends(self.shape, self.weeks).unwrap_or((self.mean(), self.mean()))
    }
}

/// The rate after `count` events in `weeks` in which all would have been observed: counts are
/// Poisson, so the posterior is a gamma distribution too (Gelman et al., *Bayesian Data Analysis*,
/// 3rd edition, section 2.6).
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

    /// Equally likely offers at the middles of slices of equal probability.
    fn slices(count: usize, quantile: impl Fn(f64) -> f64) -> Vec<Chance> {
        let each = 1.0 / count as f64;
        (0..count)
            .map(|k| Chance {
                money: quantile((k as f64 + 0.5) * each),
                chance: each,
            })
            .collect()
    }

    /// A week with one of these offers.
    fn week(offers: Vec<Chance>) -> Week {
        let asked = Chance {
            money: 0.0,
            chance: 0.0,
        };
        Week {
            ask: None,
            asked,
            offers,
        }
    }

    /// A week of buyers who arrive at random (Poisson), `rate` on average, each with one of these
    /// offers, best first; the best one of all counts.
    fn best_of(rate: f64, offers: &[Chance]) -> Week {
        // Probability that no buyer brings more.
        let mut nobody = 1.0;
        let best = offers.iter().map(|one| {
            let before = nobody;
            nobody *= (-rate * one.chance).exp();
            Chance {
                money: one.money,
                chance: before - nobody,
            }
        });
        week(best.collect())
    }

    fn reservation(offers: Vec<Chance>, discount: f64, cost: f64) -> f64 {
        let low = offers.iter().map(|o| o.money).fold(f64::MAX, f64::min);
        let week = week(offers);
        forever(low, Patience { discount, cost }, |_| week.clone()).after
    }

    fn patient() -> Patience {
        Patience {
            discount: 1.0,
            cost: 0.0,
        }
    }

    /// Sargent and Stachurski, *Job Search I: The McCall Search Model* (QuantEcon lectures): wages
    /// from 10 to 60 with beta-binomial probabilities (n = 50, a = 200, b = 100), unemployment
    /// compensation 25, β = 0.99: the reservation wage is 47.316. An accepted wage lasts for ever,
    /// so an offer has the value w/(1 − β), and waiting earns 25: a cost of −25.
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
        // In the lecture the compensation is paid at the refusal, before the next week's β.
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

    /// The best of a Poisson number of uniform offers is at most y with probability exp(−λ(1 − y)),
    /// so that E(Y − x)⁺ = (1 − x) − (1 − exp(−λ(1 − x)))/λ = c.
    #[test]
    fn closed_form_for_the_best_of_many() {
        for (rate, cost) in [(0.3, 0.01), (2.0, 0.05), (20.0, 0.002)] {
            let mut offers = slices(20_000, |u| u);
            offers.reverse();
            let week = best_of(rate, &offers);
            let patience = Patience {
                discount: 1.0,
                cost,
            };
            let x = forever(0.0, patience, |_| week.clone()).after;
            let gain = (1.0 - x) - (1.0 - (-rate * (1.0 - x)).exp()) / rate;
            assert!((gain - cost).abs() < 1e-4, "{rate} {cost}: {x} {gain}");
        }
    }

    /// A uniform offer each week, no cost of waiting, n weeks left: the value A(n) follows A(n+1) =
    /// (1 + A(n)²)/2 (Moser, *On a problem of Cayley*, Scripta Mathematica 22, 1956): 0.5, 0.625,
    /// 0.695, 0.742, 0.775.
    #[test]
    fn the_weeks_before_a_deadline() {
        let week = week(slices(10_000, |u| u));
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

    /// A coin each week, heads sells for 10: 2 weeks on average, and the probabilities of a
    /// geometric distribution, whether the weeks are counted or repeat for ever.
    #[test]
    fn what_a_plan_comes_to() {
        let week = week(vec![Chance {
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

    proptest! {
        /// The fixed point is unique and is the limit of iterating the equation.
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

        /// More offers or more patience never lower the smallest acceptable net; a higher cost
        /// never raises it; a later deadline never lowers it.
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
            // For a unit that costs more than it brings, the value rises as the future counts less.
            if base >= 0.0 {
                let patient = 1.0 - (1.0 - discount) / more;
                prop_assert!(least(rate, patient, cost).0 >= base - slack);
            }
            prop_assert!(least(rate, discount, cost * more).0 <= base + slack);
            // If the value at the deadline is at most that of repeating for ever, values fall
            // towards the deadline.
            prop_assert!(periods.iter().all(|period| period.before <= base + slack));
            prop_assert!(periods.iter().all(|period| period.after <= period.before + slack));
        }
    }
}
