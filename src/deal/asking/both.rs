//! A unit on sale at two outlets at once.
//!
//! Each outlet has buyers of its own, who come at random and know nothing of the other listing; the level of
//! prices is one unknown for both (the k-th level of the one goes with the k-th of the other). The unit goes to
//! the first who pays one of the two asking prices, else at the end of the week to the offer of either outlet
//! that leaves the most, if it is worth taking; the other listing then ends. The smallest acceptable net is
//! the same at both: what waiting is worth.

use super::super::waiting::Plan;
use super::buyers::{Asks, Level};
use super::market::Market;
use super::stall::{Place, Stall};

/// The plan for two outlets at once.
#[derive(Debug)]
pub struct Both {
    /// Its weeks. The asking price of a week is that of the first outlet.
    pub plan: Plan,
    /// The asking prices at both outlets for each week of the plan.
    asks: Vec<[f64; 2]>,
    /// Those that then repeat; none with a deadline.
    then: Option<[f64; 2]>,
}

impl Both {
    /// The asking prices of a week, from 1; beyond the last one, those of the last or of the repeated one.
    pub fn asks(&self, week: usize) -> Option<[f64; 2]> {
        let last = self.then.or(self.asks.last().copied());
        self.asks.get(week.saturating_sub(1)).copied().or(last)
    }
}

/// The plan for two markets with equally many levels, the same patience and the same deadline. At the deadline
/// the unit goes where it leaves more.
pub fn plan_both(one: &Market<'_>, other: &Market<'_>) -> Both {
    let apart = one.weeks_apart().max(other.weeks_apart());
    let nets = [one.net, other.net];
    let stall = |week: usize| {
        let places = vec![beyond(one, week), beyond(other, week)];
        Stall::new(places, &|at, price| nets[at](price))
    };
    let mut course = one.course(&stall, apart);
    let ends = |level: (&mut f64, &Level)| *level.0 = level.0.max(level.1.end);
    course
        .ends
        .iter_mut()
        .zip(other.buyers.levels)
        .for_each(ends);
    let (policy, plan) = course.plan();
    let pair = |asks: &[f64]| [asks[0], asks[1]];
    Both {
        asks: policy
            .choices
            .iter()
            .map(|choice| pair(&choice.outlook.asks))
            .collect(),
        then: policy.then.map(|then| pair(&then.outlook.asks)),
        plan,
    }
}

/// The outlet in a week with one more asking price, at which nobody buys: it is always possible to hold out for
/// offers there, or for the other outlet.
fn beyond<'a>(market: &'a Market<'_>, week: usize) -> Place<'a> {
    let mut place = market.place(week);
    if let (Asks::Steps(step), Some((last, _))) = (market.asks, place.asks.last().copied()) {
        let next = last + step;
        place.asks.push((next, (market.net)(next)));
    }
    place
}

#[cfg(test)]
mod tests;
