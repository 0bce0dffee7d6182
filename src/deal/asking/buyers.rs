//! The buyers of a unit, and the most that they would pay.

use super::super::waiting::Chance;

/// Differences of money below which amounts count as equal.
pub(super) const SAME: f64 = 1e-9;

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
    /// Multiples of a step, money, up to a most (the lowest of them if that is above it).
    Within {
        /// The step.
        step: f64,
        /// The most.
        most: f64,
    },
    /// This price in the first week; from then on it may be lowered, as in [`Asks::Within`].
    From {
        /// The price of the first week, money.
        first: f64,
        /// The step.
        step: f64,
        /// The most.
        most: f64,
    },
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

/// The most that one buyer would pay, ascending, with the probability of each point spread evenly around it.
pub(super) struct Limits {
    pub(super) most: Vec<Chance>,
    /// Probability of a buyer below each point.
    below: Vec<f64>,
}

impl Limits {
    /// These limits, ascending.
    pub(super) fn new(most: Vec<Chance>) -> Self {
        let mut sum = most.first().map_or(0.0, |first| first.chance / 2.0);
        let below = most.windows(2).map(|pair| {
            let before = sum;
            sum += f64::midpoint(pair[0].chance, pair[1].chance);
            before
        });
        Self {
            below: below.collect(),
            most,
        }
    }

    /// Share of buyers who would pay `price`.
    pub(super) fn paying(&self, price: f64) -> f64 {
        let at = self.most.partition_point(|one| one.money < price - SAME);
        let Some(next) = self.most.get(at) else {
            return 0.0;
        };
        if at == 0 {
            return 1.0;
        }
        let one = self.most[at - 1];
        let between = f64::midpoint(one.chance, next.chance);
        let part = ((price - one.money) / (next.money - one.money).max(SAME)).min(1.0);
        1.0 - self.below[at - 1] - part * between
    }
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
    pub fn counted(&self, price: f64) -> f64 {
        let levels = self.levels.iter();
        levels
            .map(|level| level.chance * self.counted_at(level, price))
            .sum()
    }

    /// The same at one level.
    pub fn counted_at(&self, level: &Level, price: f64) -> f64 {
        let paying = level.paying(price);
        let near = level.paying(self.least * price / self.offered).max(paying);
        paying + self.haggling * (near - paying)
    }
}

/// Possible asking prices in a week for these buyers: from the last step that all would pay to the last
/// that any would.
pub(super) fn asks(asks: Asks, week: usize, most: &[Vec<Chance>]) -> Vec<f64> {
    let (step, most_asked) = match asks {
        Asks::From { first, .. } if week == 1 => return vec![first],
        Asks::Steps(step) => (step, f64::INFINITY),
        Asks::Within { step, most } => (step, most),
        Asks::From { first, step, most } => (step, most.min(first)),
    };
    let low = most.iter().filter_map(|most| most.first());
    let low = low.map(|one| one.money).fold(f64::MAX, f64::min);
    let high = most.iter().filter_map(|most| most.last());
    let high = high.map(|one| one.money).fold(0.0, f64::max);
    let first = (low / step).floor().max(1.0);
    let last = (high.min(most_asked) / step).floor().max(first);
    let count = (last - first) as usize;
    let mut all: Vec<f64> = (0..=count).map(|k| (first + k as f64) * step).collect();
    if let Asks::From {
        first: given, most, ..
    } = asks
    {
        all.retain(|ask| *ask < given);
        if given <= most || all.is_empty() {
            all.push(given);
        }
    }
    all
}
