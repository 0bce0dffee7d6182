//! One week of a market: what the asking prices at its outlets bring.

use std::cell::OnceCell;

use super::super::waiting::{Chance, Sold, Week};
use super::buyers::{Buyers, Limits, SAME};

/// Probability below which a worse offer of a week is negligible.
const NEGLIGIBLE: f64 = 1e-14;

/// Offers of each level on either side of the border that are like it.
const BORDER: usize = 2;

/// Most rounds of the search for asking prices at several outlets.
const ROUNDS: usize = 8;

/// Steps of that search near a known choice.
const NEAR: [usize; 3] = [8, 2, 1];

/// Most pairs of an asking price and an offer of a single outlet whose probabilities are kept between searches.
const KEPT: usize = 20_000;

/// Mean of `values` with the probabilities `belief`.
pub(super) fn mean(belief: &[f64], values: &[f64]) -> f64 {
    belief.iter().zip(values).map(|(b, v)| b * v).sum()
}

/// An outlet in one week.
pub(super) struct Place<'a> {
    /// Its buyers.
    pub(super) buyers: Buyers<'a>,
    /// For each level, the most that one of them would pay in this week.
    pub(super) limits: Vec<Limits>,
    /// Possible asking prices, ascending, with their nets.
    pub(super) asks: Vec<(f64, f64)>,
}

/// Offer of a buyer with a limit below the asking price.
struct Offer {
    place: usize,
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

/// The market of one week, at one outlet or at several with buyers of their own.
pub(super) struct Stall<'a> {
    pub(super) places: Vec<Place<'a>>,
    /// Possible offers below the asking price, of all levels and outlets, best first.
    offers: Vec<Offer>,
    /// The week under each asking price of a single outlet, once it was needed.
    outlooks: OnceCell<Vec<Outlook>>,
}

/// A week at each level: the probabilities of a sale at an asking price and of offers.
#[derive(Clone, Default)]
pub(super) struct Outlook {
    /// The asking price at each outlet.
    pub(super) asks: Vec<f64>,
    /// For each level, the probability of a sale at an asking price, and its mean net.
    asked: Vec<Chance>,
    /// Level, net and probability of each best offer, best first.
    offers: Vec<(usize, Chance)>,
}

/// The buyers who would pay the asking prices.
struct Front {
    /// For each outlet and level, the share of its buyers.
    paying: Vec<Vec<f64>>,
    /// For each level, the probability of a sale at an asking price, and its mean net.
    asked: Vec<Chance>,
    /// For each level, the probability that there is none.
    nobody: Vec<f64>,
    /// For each outlet, the lowest offer that is made.
    lowest: Vec<f64>,
}

/// Adds up the mean over levels of sales, and of `after` where nothing is sold, under the best smallest offer: first
/// the sales at the asking price, then offers, best first.
struct Valued<'b> {
    belief: &'b [f64],
    after: &'b [f64],
    value: f64,
    best: f64,
}

impl<'b> Valued<'b> {
    fn new(asked: &[Chance], belief: &'b [f64], after: &'b [f64]) -> Self {
        let levels = asked.iter().zip(belief.iter().zip(after));
        let value = levels
            .map(|(asked, (belief, after))| {
                belief * (asked.chance * asked.money + (1.0 - asked.chance) * after)
            })
            .sum();
        Self {
            belief,
            after,
            value,
            best: value,
        }
    }

    #[inline]
    fn add(&mut self, level: usize, offer: Chance) {
        self.value += self.belief[level] * offer.chance * (offer.money - self.after[level]);
        self.best = self.best.max(self.value);
    }
}

impl Outlook {
    /// The mean over levels of sales, and of `after` where nothing is sold, under the best smallest offer.
    fn value(&self, belief: &[f64], after: &[f64]) -> f64 {
        let mut valued = Valued::new(&self.asked, belief, after);
        for (level, offer) in &self.offers {
            valued.add(*level, *offer);
        }
        valued.best
    }

    /// The sales at each level if offers with a net of at least `least` are accepted.
    pub(super) fn sold(&self, least: f64) -> Vec<Sold> {
        let asked = self.asked.iter();
        let mut sold: Vec<Sold> = asked
            .map(|asked| Sold {
                chance: asked.chance,
                money: asked.chance * asked.money,
            })
            .collect();
        for (level, offer) in self.offers.iter().take_while(|(_, o)| o.money >= least) {
            sold[*level].chance += offer.chance;
            sold[*level].money += offer.chance * offer.money;
        }
        sold
    }

    /// How many of the offers the best smallest offer accepts, if a level has the value `after` where nothing
    /// is sold.
    fn accepted(&self, belief: &[f64], after: &[f64]) -> usize {
        let (mut value, mut best, mut accepted) = (0.0, 0.0, 0);
        for (at, (level, offer)) in self.offers.iter().enumerate() {
            value += belief[*level] * offer.chance * (offer.money - after[*level]);
            if value >= best {
                (best, accepted) = (value, at + 1);
            }
        }
        accepted
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
    pub(super) fn week(&self, belief: &[f64]) -> Week {
        let offers = self.offers.iter().map(|(level, offer)| Chance {
            money: offer.money,
            chance: belief[*level] * offer.chance,
        });
        let asked = || belief.iter().zip(&self.asked);
        let chance: f64 = asked().map(|(b, asked)| b * asked.chance).sum();
        let money: f64 = asked()
            .map(|(b, asked)| b * asked.chance * asked.money)
            .sum();
        let first = self.asked.first().map_or(0.0, |asked| asked.money);
        let single = self.asks.len() == 1 || chance <= 0.0;
        Week {
            ask: self.asks.first().copied(),
            asked: Chance {
                money: if single { first } else { money / chance },
                chance,
            },
            offers: offers.collect(),
        }
    }
}

impl<'a> Stall<'a> {
    /// The market of these outlets; `net` gives the net of a price at each.
    pub(super) fn new(places: Vec<Place<'a>>, net: &dyn Fn(usize, f64) -> f64) -> Self {
        let mut offers: Vec<Offer> = Vec::new();
        for (at, place) in places.iter().enumerate() {
            let rate = place.buyers.rate * place.buyers.haggling;
            for (level, limits) in place.limits.iter().enumerate() {
                let mut below = 0.0;
                for buyer in &limits.most {
                    let price = buyer.money * place.buyers.offered;
                    offers.push(Offer {
                        place: at,
                        level,
                        price,
                        left: net(at, price),
                        below,
                        chance: buyer.chance,
                        nobody: (-rate * buyer.chance).exp(),
                    });
                    below += buyer.chance;
                }
            }
        }
        offers.sort_by(|one, other| other.left.total_cmp(&one.left));
        Self {
            places,
            offers,
            outlooks: OnceCell::new(),
        }
    }

    /// Who would pay the asking prices at these positions. Of buyers at two outlets the first to come is as
    /// likely from each as its buyers are many.
    fn front(&self, at: &[usize]) -> Front {
        let asks = self.places.iter().zip(at);
        let asks: Vec<(f64, f64)> = asks.map(|(place, at)| place.asks[*at]).collect();
        let places = self.places.iter().zip(&asks);
        let paying: Vec<Vec<f64>> = places
            .map(|(place, ask)| place.limits.iter().map(|one| one.paying(ask.0)).collect())
            .collect();
        let levels = self.places.first().map_or(0, |place| place.limits.len());
        let (mut asked, mut nobody) = (Vec::with_capacity(levels), Vec::with_capacity(levels));
        for level in 0..levels {
            let rates = self.places.iter().zip(&paying);
            let rates = rates.map(|(place, paying)| place.buyers.rate * paying[level]);
            let (mut rate, mut money) = (0.0, 0.0);
            for (one, (_, left)) in rates.zip(&asks) {
                rate += one;
                money += one * left;
            }
            let none = (-rate).exp();
            asked.push(Chance {
                money: if asks.len() == 1 || rate <= 0.0 {
                    asks.first().map_or(0.0, |(_, left)| *left)
                } else {
                    money / rate
                },
                chance: 1.0 - none,
            });
            nobody.push(none);
        }
        let lowest = self.places.iter().zip(&asks);
        Front {
            lowest: lowest
                .map(|(place, (ask, _))| place.buyers.least * ask - SAME)
                .collect(),
            paying,
            asked,
            nobody,
        }
    }

    /// Calls `each` with level, net and probability of each best offer, best first.
    fn offers(&self, front: &mut Front, mut each: impl FnMut(usize, Chance)) {
        for offer in &self.offers {
            if offer.price < front.lowest[offer.place] {
                continue;
            }
            let below_ask = 1.0 - front.paying[offer.place][offer.level] - offer.below;
            if below_ask <= 0.0 {
                continue;
            }
            let nobody_either = if below_ask < offer.chance {
                let buyers = self.places[offer.place].buyers;
                (-buyers.rate * buyers.haggling * below_ask).exp()
            } else {
                offer.nobody
            };
            let before = front.nobody[offer.level];
            front.nobody[offer.level] *= nobody_either;
            let chance = before - front.nobody[offer.level];
            if chance > NEGLIGIBLE {
                let money = offer.left;
                each(offer.level, Chance { money, chance });
            }
        }
    }

    /// The week at each level under the asking prices at these positions.
    pub(super) fn outlook(&self, at: &[usize]) -> Outlook {
        let mut front = self.front(at);
        let mut offers = Vec::with_capacity(self.offers.len());
        self.offers(&mut front, |level, offer| offers.push((level, offer)));
        let asks = self.places.iter().zip(at);
        Outlook {
            asks: asks.map(|(place, at)| place.asks[*at].0).collect(),
            asked: front.asked,
            offers,
        }
    }

    /// The mean over levels of sales, and of `after` where nothing is sold, under the best smallest offer.
    fn value(&self, at: &[usize], belief: &[f64], after: &[f64]) -> f64 {
        let mut front = self.front(at);
        let asked = std::mem::take(&mut front.asked);
        let mut valued = Valued::new(&asked, belief, after);
        self.offers(&mut front, |level, offer| valued.add(level, offer));
        valued.best
    }

    /// The week under each asking price, if there is one outlet and few prices.
    fn kept(&self) -> Option<&[Outlook]> {
        let [place] = self.places.as_slice() else {
            return None;
        };
        if place.asks.len() * self.offers.len() > KEPT {
            return None;
        }
        let all = || {
            (0..place.asks.len())
                .map(|at| self.outlook(&[at]))
                .collect()
        };
        Some(self.outlooks.get_or_init(all))
    }

    /// The best asking prices, if a level has the value `after` at the end of a week without a sale, and
    /// the smallest acceptable net; the highest of equals. With several outlets the search starts at `near`,
    /// if a choice of a like week is known.
    pub(super) fn best(
        &self,
        belief: &[f64],
        after: &[f64],
        near: Option<&[f64]>,
    ) -> (Outlook, f64) {
        let at = match (self.places.as_slice(), near) {
            ([place], _) => {
                let kept = self.kept();
                let value = |at: usize| match kept {
                    Some(kept) => kept[at].value(belief, after),
                    None => self.value(&[at], belief, after),
                };
                let valued = (0..place.asks.len()).map(|at| (value(at), at));
                let best = valued.max_by(|one, other| one.0.total_cmp(&other.0));
                // There is always a price to ask.
                vec![best.map_or(0, |(_, at)| at)]
            }
            (_, None) => self.climb(self.alone(belief, after), belief, after, true),
            (_, Some(near)) => self.climb(self.nearest(near), belief, after, false),
        };
        let outlook = match (self.kept(), at.as_slice()) {
            (Some(kept), [at]) => kept[*at].clone(),
            _ => self.outlook(&at),
        };
        let accepted = outlook.accepted(belief, after);
        let least = outlook.least(belief, after, accepted);
        (outlook, least)
    }

    /// Positions of the asking prices nearest to these.
    fn nearest(&self, prices: &[f64]) -> Vec<usize> {
        let nearest = |(place, price): (&Place<'_>, &f64)| {
            let up_to = place.asks.partition_point(|(ask, _)| *ask <= price + SAME);
            up_to.saturating_sub(1)
        };
        self.places.iter().zip(prices).map(nearest).collect()
    }

    /// The best asking price of one outlet with the others at their highest, where hardly anybody pays.
    fn alone(&self, belief: &[f64], after: &[f64]) -> Vec<usize> {
        let top: Vec<usize> = self
            .places
            .iter()
            .map(|place| place.asks.len() - 1)
            .collect();
        let of = |place: usize| {
            let mut at = top.clone();
            at[place] = self.along(&top, place, belief, after);
            (self.value(&at, belief, after), at)
        };
        let all = (0..self.places.len()).map(of);
        let best = all.max_by(|one, other| one.0.total_cmp(&other.0));
        best.map_or(top.clone(), |(_, at)| at)
    }

    /// The best position of one outlet's asking price, of all, with those of the others fixed.
    fn along(&self, at: &[usize], place: usize, belief: &[f64], after: &[f64]) -> usize {
        let mut at = at.to_vec();
        let valued = (0..self.places[place].asks.len()).map(|one| {
            at[place] = one;
            (self.value(&at, belief, after), one)
        });
        let best = valued.max_by(|one, other| one.0.total_cmp(&other.0));
        best.map_or(0, |(_, at)| at)
    }

    /// Improves asking prices one outlet at a time, until none gets better: over all prices, or near those
    /// that are given.
    fn climb(&self, mut at: Vec<usize>, belief: &[f64], after: &[f64], all: bool) -> Vec<usize> {
        for _ in 0..ROUNDS {
            let before = at.clone();
            for place in 0..at.len() {
                at[place] = if all {
                    self.along(&at, place, belief, after)
                } else {
                    self.near(&at, place, belief, after)
                };
            }
            if at == before {
                break;
            }
        }
        at
    }

    /// A better position of one outlet's asking price near this one.
    fn near(&self, at: &[usize], place: usize, belief: &[f64], after: &[f64]) -> usize {
        let mut at = at.to_vec();
        let last = self.places[place].asks.len() - 1;
        let mut best = (self.value(&at, belief, after), at[place]);
        for step in NEAR {
            for up in [true, false] {
                loop {
                    let next = if up {
                        (best.1 + step).min(last)
                    } else {
                        best.1.saturating_sub(step)
                    };
                    at[place] = next;
                    let value = self.value(&at, belief, after);
                    if value <= best.0 {
                        break;
                    }
                    best = (value, next);
                }
            }
        }
        best.1
    }

    /// Smallest net of an offer or a sale.
    pub(super) fn low(&self) -> f64 {
        let offers = self.offers.iter().map(|offer| offer.left);
        let asks = self.places.iter().flat_map(|place| &place.asks);
        let asks = asks.map(|(_, left)| *left);
        offers.chain(asks).fold(f64::MAX, f64::min)
    }
}
