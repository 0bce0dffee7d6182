//! The market at one outlet, and its plan.

use super::super::waiting::{Chance, Patience, Plan, forever, until};
use super::buyers::{Asks, Buyers, Level, Limits, asks};
use super::policy::Course;
use super::stall::{Place, Stall};

/// Weeks for which the trend and the level are followed if there is no deadline.
pub const TREND_WEEKS: usize = 52;

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

impl Market<'_> {
    /// The plan for each week.
    pub fn plan(&self) -> Plan {
        let levels = self.buyers.levels;
        if let [level] = levels {
            return self.plan_of_one(level);
        }
        self.course(&|week| self.stall(week), self.weeks_apart())
            .plan()
            .1
    }

    /// The weeks of a market with these levels, patience and deadline.
    pub(super) fn course<'s>(
        &self,
        stall: &dyn Fn(usize) -> Stall<'s>,
        apart: usize,
    ) -> Course<'s> {
        let levels = self.buyers.levels.iter();
        let weeks = self.deadline.unwrap_or(TREND_WEEKS);
        Course {
            prior: levels.clone().map(|level| level.chance).collect(),
            ends: levels.map(|level| level.end).collect(),
            patience: self.patience,
            weeks,
            ends_then: self.deadline.is_some(),
            stalls: (1..=apart).map(stall).collect(),
        }
    }

    /// Weeks from the first that differ in what they offer; all later ones are like the last of them.
    pub(super) fn weeks_apart(&self) -> usize {
        match self.asks {
            _ if self.drift != 1.0 => self.deadline.unwrap_or(TREND_WEEKS).max(1),
            Asks::From { .. } => 2,
            Asks::Steps(_) | Asks::Within { .. } => 1,
        }
    }

    /// The plan where the level is known.
    fn plan_of_one(&self, level: &Level) -> Plan {
        let choose =
            |stall: &Stall<'_>, after: f64| stall.best(&[1.0], &[after], None).0.week(&[1.0]);
        let repeated =
            |stall: &Stall<'_>| forever(stall.low(), self.patience, |after| choose(stall, after));
        let (weeks, then) = match self.deadline {
            Some(weeks) => (weeks, None),
            None => {
                // The last week that differs is the one that repeats.
                let last = self.weeks_apart();
                (last - 1, Some(repeated(&self.stall(last))))
            }
        };
        let end = then.as_ref().map_or(level.end, |then| then.before);
        let periods = until(weeks, end, self.patience, |week, after| {
            choose(&self.stall(week), after)
        });
        Plan { periods, then, end }
    }

    /// The outlet in a week.
    pub(super) fn place(&self, week: usize) -> Place<'_> {
        let scale = self.drift.powi(i32::try_from(week).unwrap_or(i32::MAX));
        let scaled = |level: &Level| {
            let mut most = level.most.clone();
            most.iter_mut().for_each(|most| most.money *= scale);
            most
        };
        let most: Vec<Vec<Chance>> = self.buyers.levels.iter().map(scaled).collect();
        let asks = asks(self.asks, week, &most);
        Place {
            buyers: self.buyers,
            asks: asks.into_iter().map(|ask| (ask, (self.net)(ask))).collect(),
            limits: most.into_iter().map(Limits::new).collect(),
        }
    }

    pub(super) fn stall(&self, week: usize) -> Stall<'_> {
        Stall::new(vec![self.place(week)], &|_, price| (self.net)(price))
    }
}
