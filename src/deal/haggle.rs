//! Negotiating a purchase: how far sellers come down, and what to offer.
//!
//! A seller who asks `A` agrees to prices from `A (1 − D)` up. `Y = −ln(1 − D)` is normal; the range
//! of the settings is its middle 80 %. Own purchases are draws of `Y` ([`Discounts::learnt`]).
//!
//! Three offers are made, each to be accepted or refused: the opening `x`, the target `y` and the
//! walk-away price `z` (never above what is asked, which every seller accepts). A seller who refuses
//! an offer breaks off with probability `b`. With `F(p)` the probability that a seller agrees to `p`
//! and `V` the price at which the purchase earns nothing, the expected gain is
//!
//! ```text
//! G = F(x)(V − x) + (1 − b)(F(y) − F(x))(V − y) + (1 − b)² (F(z) − F(y))(V − z)
//! ```
//!
//! The target is the price to which half of the sellers agree. The opening has the largest `G` of all
//! clean prices from that to which one seller in ten agrees up to the target. Where offering `z` at
//! once gains more (the asking price is so low that a seller who breaks off costs more than is
//! saved), all three are `z`.

use statrs::distribution::{ContinuousCDF, Normal};

/// Number of purchases that the range of the settings is worth.
pub const WORTH: f64 = 5.0;

/// Share of the asking price below which a purchase is no more evidence about discounts.
const LEAST_PAID: f64 = 0.05;

/// Share of sellers who agree to the lowest opening offer.
const FEW: f64 = 0.1;

/// Differences of money below which amounts count as equal.
const SAME: f64 = 1e-9;

/// Discounts of sellers: `−ln(1 − D)` is normal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Discounts {
    /// Mean of `−ln(1 − D)`.
    pub mean: f64,
    /// Its standard deviation.
    pub sd: f64,
    /// Number of own purchases that it was learnt from.
    pub learnt_from: usize,
}

/// The offers of a negotiation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Talk {
    /// The first offer.
    pub open: f64,
    /// The price to aim for.
    pub target: f64,
    /// The price to walk away above.
    pub walk_away: f64,
    /// Probability that the seller agrees to one of the offers.
    pub agreed: f64,
}

/// A negotiation about a price.
#[derive(Debug, Clone, Copy)]
pub struct Haggling {
    /// Discounts of sellers.
    pub discounts: Discounts,
    /// Probability that a seller who refuses an offer breaks off, 0..=1.
    pub breaks_off: f64,
    /// Asking price; above 0.
    pub asked: f64,
    /// The most to pay.
    pub most: f64,
    /// The price at which the purchase earns nothing.
    pub worth: f64,
    /// Offers are multiples of it.
    pub step: f64,
}

impl Discounts {
    /// The discounts whose middle 80 % is from `low` to `high`, shares of the asking price, 0..1.
    pub fn from_range(low: f64, high: f64) -> Self {
        let [low, high] = [low, high].map(|discount| -(-discount).ln_1p());
        let decile = Normal::standard().inverse_cdf(0.9);
        Self {
            mean: f64::midpoint(low, high),
            sd: (high - low) / 2.0 / decile,
            learnt_from: 0,
        }
    }

    /// The same after purchases, each with what was paid as a share of what was asked.
    ///
    /// The mean and variance of `Y` have the conjugate prior of a normal sample, worth [`WORTH`]
    /// purchases each (Gelman et al., *Bayesian Data Analysis*, 3rd edition, section 3.3): with n
    /// purchases of mean ȳ, κ = [`WORTH`],
    ///
    /// ```text
    /// mean = (κ m₀ + n ȳ) / (κ + n)
    /// sd²  = (κ s₀² + Σ (y − ȳ)² + κ n / (κ + n) (ȳ − m₀)²) / (κ + n)
    /// ```
    pub fn learnt(self, paid: &[f64]) -> Self {
        let logs: Vec<f64> = paid
            .iter()
            .map(|share| -share.clamp(LEAST_PAID, 1.0).ln())
            .collect();
        let count = logs.len() as f64;
        if logs.is_empty() {
            return self;
        }
        let mean = logs.iter().sum::<f64>() / count;
        let around: f64 = logs.iter().map(|y| (y - mean).powi(2)).sum();
        let all = WORTH + count;
        let apart = WORTH * count / all * (mean - self.mean).powi(2);
        Self {
            mean: (WORTH * self.mean + count * mean) / all,
            sd: ((WORTH * self.sd.powi(2) + around + apart) / all).sqrt(),
            learnt_from: self.learnt_from + logs.len(),
        }
    }

    /// The discount that a share `p` of sellers does not exceed; never below 0.
    pub fn quantile(&self, p: f64) -> f64 {
        let z = Normal::standard().inverse_cdf(p);
        -(-(self.mean + self.sd * z).max(0.0)).exp_m1()
    }

    /// Probability that a seller who asks `asked` agrees to `price`.
    pub fn agrees(&self, asked: f64, price: f64) -> f64 {
        if price >= asked - SAME {
            return 1.0;
        }
        if price <= 0.0 {
            return 0.0;
        }
        let down = (asked / price).ln();
        if self.sd <= 0.0 {
            return f64::from(u8::from(down <= self.mean + SAME));
        }
        Normal::standard().cdf((self.mean - down) / self.sd)
    }
}

impl Haggling {
    fn floor(&self, price: f64) -> f64 {
        ((price + SAME) / self.step).floor() * self.step
    }

    /// Expected gain of the offers, ascending.
    pub fn gain(&self, offers: &[f64]) -> f64 {
        let (mut gain, mut still, mut before) = (0.0, 1.0, 0.0);
        for offer in offers {
            let agrees = self.discounts.agrees(self.asked, *offer);
            gain += still * (agrees - before).max(0.0) * (self.worth - offer);
            before = agrees.max(before);
            still *= 1.0 - self.breaks_off;
        }
        gain
    }

    /// The offers to make; none if fewer than one seller in ten comes down to the most to pay.
    pub fn talk(&self) -> Option<Talk> {
        let lowest = self.asked * (1.0 - self.discounts.quantile(1.0 - FEW));
        if self.most <= 0.0 || self.most < lowest - SAME {
            return None;
        }
        let whole = |price: f64| {
            let down = self.floor(price);
            if down > 0.0 { down } else { price }
        };
        let last = if self.most >= self.asked {
            self.asked
        } else {
            whole(self.most)
        };
        let half = self.asked * (1.0 - self.discounts.quantile(0.5));
        let nearest = self.floor(half + self.step / 2.0);
        let target = if nearest > 0.0 { nearest } else { half }.min(last);
        let first = (lowest / self.step - SAME).ceil() * self.step;
        let count = ((target - first) / self.step + SAME).floor().max(0.0) as usize;
        let steps = (0..count).map(|k| first + k as f64 * self.step);
        let openings = steps.filter(|open| *open > 0.0).chain([target]);
        let gain_from = |open: &f64| {
            if *open < target {
                self.gain(&[*open, target, last])
            } else {
                self.gain(&[target, last])
            }
        };
        let best = openings.map(|open| (gain_from(&open), open));
        let (gain, open) = best.max_by(|one, other| one.0.total_cmp(&other.0))?;
        let (open, target) = if gain < self.gain(&[last]) - SAME {
            (last, last)
        } else {
            (open, target)
        };
        Some(Talk {
            open,
            target,
            walk_away: whole(self.most).max(last),
            agreed: self.discounts.agrees(self.asked, last),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, StandardNormal};

    fn usual() -> Discounts {
        Discounts::from_range(0.1, 0.3)
    }

    fn haggling(asked: f64, most: f64, worth: f64) -> Haggling {
        Haggling {
            discounts: usual(),
            breaks_off: 0.05,
            asked,
            most,
            worth,
            step: super::super::asking::step(asked, 0.01),
        }
    }

    #[test]
    fn the_range_is_the_middle_of_the_discounts() {
        for (p, discount) in [(0.1, 0.1), (0.9, 0.3)] {
            assert!((usual().quantile(p) - discount).abs() < 1e-7);
            assert!((usual().agrees(60.0, 60.0 * (1.0 - discount)) - (1.0 - p)).abs() < 1e-7);
        }
        assert_eq!(usual().agrees(60.0, 60.0), 1.0);
        let none = Discounts::from_range(0.0, 0.0);
        assert_eq!(
            (none.agrees(60.0, 59.0), none.agrees(60.0, 60.0)),
            (0.0, 1.0)
        );
    }

    /// The posterior of a normal sample by its sums, as in the textbook: with a prior worth n₀ = 5
    /// draws it is that of the sample with five more of the prior's mean and variance.
    #[test]
    fn own_purchases_are_learnt_from() {
        let shares = [0.75, 0.7, 0.72, 0.8, 0.66, 0.71, 0.74];
        let learnt = usual().learnt(&shares);
        let logs = shares.iter().map(|share: &f64| -share.ln());
        // Five draws with the prior's mean and variance: two on each side and one in the middle.
        let apart = usual().sd * 1.25_f64.sqrt();
        let prior = [-apart, -apart, 0.0, apart, apart].map(|z| usual().mean + z);
        let all: Vec<f64> = logs.chain(prior).collect();
        let mean = all.iter().sum::<f64>() / 12.0;
        let variance = all.iter().map(|y| (y - mean).powi(2)).sum::<f64>() / 12.0;
        assert!((learnt.mean - mean).abs() < 1e-12);
        assert!((learnt.sd - variance.sqrt()).abs() < 1e-12);
        assert_eq!(learnt.learnt_from, 7);
        assert_eq!(usual().learnt(&[]), usual());
    }

    /// After many purchases the range is that of the sellers, whatever the settings are.
    #[test]
    fn many_purchases_overrule_the_settings() {
        let mut rng = StdRng::seed_from_u64(7);
        let of = Discounts::from_range(0.02, 0.12);
        let paid: Vec<f64> = (0..400)
            .map(|_| {
                let z: f64 = StandardNormal.sample(&mut rng);
                (-(of.mean + of.sd * z)).exp().min(1.0)
            })
            .collect();
        let learnt = usual().learnt(&paid);
        for (p, discount) in [(0.1, 0.02), (0.5, of.quantile(0.5)), (0.9, 0.12)] {
            assert!(
                (learnt.quantile(p) - discount).abs() < 0.02,
                "{p}: {learnt:?}"
            );
        }
    }

    /// The gain of a buyer who makes these offers, each after the other is refused, to sellers drawn at
    /// random: the mean and its standard error.
    fn simulated(talk: &Haggling, offers: &[f64], seed: u64) -> (f64, f64) {
        const SELLERS: usize = 40_000;
        let mut rng = StdRng::seed_from_u64(seed);
        let gains: Vec<f64> = (0..SELLERS)
            .map(|_| {
                let z: f64 = StandardNormal.sample(&mut rng);
                let down = talk.discounts.mean + talk.discounts.sd * z;
                let limit = talk.asked * (-down).exp().min(1.0);
                for offer in offers {
                    if *offer >= limit - SAME {
                        return talk.worth - offer;
                    }
                    if rng.random::<f64>() < talk.breaks_off {
                        break;
                    }
                }
                0.0
            })
            .collect();
        let n = SELLERS as f64;
        let mean = gains.iter().sum::<f64>() / n;
        let variance = gains.iter().map(|g| (g - mean).powi(2)).sum::<f64>() / n;
        (mean, (variance / n).sqrt())
    }

    /// In a market of sellers drawn from the distribution, the offers gain as much as by the formula, and
    /// no less than offering the last at once.
    #[test]
    fn the_offers_gain_more_than_the_most_at_once() {
        for (at, (asked, most, worth)) in [
            (60.0, 55.0, 66.0),
            (60.0, 44.0, 53.0),
            (60.0, 75.0, 90.0),
            (149.0, 105.77, 126.0),
            (9.0, 30.0, 36.0),
            (9.0, 300.0, 360.0),
            (0.5, 0.45, 0.6),
        ]
        .into_iter()
        .enumerate()
        {
            let talk = haggling(asked, most, worth);
            let found = talk.talk().unwrap();
            assert!(found.open <= found.target && found.target <= found.walk_away);
            assert!(found.walk_away <= most + SAME && found.target <= asked);
            let last = found.walk_away.min(asked);
            let offers = [found.open, found.target, last];
            let offers: Vec<f64> = offers
                .into_iter()
                .enumerate()
                .filter(|(k, offer)| *k == 2 || *offer < offers[k + 1])
                .map(|(_, offer)| offer)
                .collect();
            let (mean, error) = simulated(&talk, &offers, at as u64);
            let gain = talk.gain(&offers);
            assert!(
                (mean - gain).abs() < 4.0 * error + 1e-9,
                "{asked}: {mean} {gain}"
            );
            let (at_once, its_error) = simulated(&talk, &[last], 99);
            let apart = 3.0 * (error.powi(2) + its_error.powi(2)).sqrt();
            assert!(mean >= at_once - apart, "{asked}: {mean} {at_once}");
            assert!(gain >= talk.gain(&[last]) - 1e-9);
            // Half of the sellers agree to the target, where it is not held down.
            if found.target < last {
                let agrees = talk.discounts.agrees(asked, found.target);
                assert!((0.4..0.6).contains(&agrees), "{asked}: {agrees}");
            }
            assert!(talk.discounts.agrees(asked, found.open) >= FEW - 1e-9);
        }
    }

    #[test]
    fn what_is_clean_and_what_is_out_of_reach() {
        let found = haggling(60.0, 55.7, 66.0).talk().unwrap();
        for offer in [found.open, found.target, found.walk_away] {
            assert!((offer - offer.round()).abs() < 1e-9, "{found:?}");
        }
        assert_eq!((found.target, found.walk_away), (48.0, 55.0));
        assert!((42.0..48.0).contains(&found.open), "{found:?}");
        assert_eq!(haggling(60.0, 41.9, 60.0).talk(), None);
        assert_eq!(haggling(60.0, 0.0, 0.0).talk(), None);
        // A find: who haggles may lose it.
        let find = haggling(9.0, 300.0, 360.0).talk().unwrap();
        assert_eq!((find.open, find.target), (9.0, 9.0));
    }
}
