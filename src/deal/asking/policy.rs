//! The choices of all weeks: policy iteration on the path without a sale.

use super::super::waiting::{Patience, Period, Plan, Sold};
use super::buyers::SAME;
use super::stall::{Outlook, Stall, mean};

/// Most rounds of policy iteration; a few are enough.
const ROUNDS: usize = 12;

/// Most rounds of the search for the week that repeats.
const REPEATED: usize = 100;

/// The choice of a week: the market with the asking prices, and the smallest acceptable net.
pub(super) struct Choice {
    pub(super) outlook: Outlook,
    least: f64,
    /// Sales at each level.
    sold: Vec<Sold>,
}

impl Choice {
    fn new((outlook, least): (Outlook, f64)) -> Self {
        Self {
            sold: outlook.sold(least),
            outlook,
            least,
        }
    }

    /// Values of entering the week, if its end without a sale has the values `after`.
    fn before(&self, patience: Patience, after: &[f64]) -> Vec<f64> {
        let each = self.sold.iter().zip(after);
        each.map(|(sold, after)| patience.entering(*sold, *after))
            .collect()
    }

    /// Values of repeating the week for ever.
    fn forever(&self, patience: Patience) -> Vec<f64> {
        self.sold
            .iter()
            .map(|sold| patience.for_ever(*sold))
            .collect()
    }

    /// The belief after a week without a sale.
    fn unsold(&self, belief: &[f64]) -> Vec<f64> {
        let left = belief.iter().zip(&self.sold);
        let left: Vec<f64> = left.map(|(b, sold)| b * (1.0 - sold.chance)).collect();
        let all: f64 = left.iter().sum();
        if all > 0.0 {
            left.into_iter().map(|b| b / all).collect()
        } else {
            belief.to_vec()
        }
    }

    fn period(&self, belief: &[f64], before: &[f64]) -> Period {
        Period {
            before: mean(belief, before),
            after: self.least,
            week: self.outlook.week(belief),
        }
    }
}

/// Choices for all weeks, with the values of entering each.
pub(super) struct Policy {
    pub(super) choices: Vec<Choice>,
    /// The choice that then repeats; none with a deadline.
    pub(super) then: Option<Choice>,
    /// Values of entering each week, and at the end.
    values: Vec<Vec<f64>>,
}

/// The market of all weeks, with the levels that prices may have.
pub(super) struct Course<'s> {
    /// Probabilities of the levels today.
    pub(super) prior: Vec<f64>,
    /// Net of the unit at the deadline, by level.
    pub(super) ends: Vec<f64>,
    /// Cost of waiting.
    pub(super) patience: Patience,
    /// Weeks for which the choices differ; the last choice then repeats, unless there is a deadline.
    pub(super) weeks: usize,
    /// Whether that is a deadline.
    pub(super) ends_then: bool,
    /// The market of each week, from the first; the last one holds for all later weeks.
    pub(super) stalls: Vec<Stall<'s>>,
}

impl Course<'_> {
    fn stall(&self, week: usize) -> &Stall<'_> {
        &self.stalls[(week.max(1) - 1).min(self.stalls.len() - 1)]
    }

    /// The best choices found, and their plan.
    pub(super) fn plan(&self) -> (Policy, Plan) {
        let mut beliefs = vec![self.prior.clone(); self.weeks + 1];
        let mut best: Option<(f64, Policy)> = None;
        let mut last = f64::NAN;
        for _ in 0..ROUNDS {
            let policy = self.choose(&beliefs);
            let value = mean(&self.prior, &policy.values[0]);
            for (week, choice) in policy.choices.iter().enumerate() {
                beliefs[week + 1] = choice.unsold(&beliefs[week]);
            }
            let better = best
                .as_ref()
                .is_none_or(|(known, _)| value > known + SAME * known.abs().max(1.0));
            if better {
                best = Some((value, policy));
            }
            if (value - last).abs() <= SAME * value.abs() {
                break;
            }
            last = value;
        }
        let (_, policy) = best.expect("at least one round");
        let plan = policy.plan(&self.prior);
        (policy, plan)
    }

    /// The choices of all weeks from the last to the first, with these beliefs.
    fn choose(&self, beliefs: &[Vec<f64>]) -> Policy {
        let then =
            (!self.ends_then).then(|| self.forever(self.stall(self.weeks), &beliefs[self.weeks]));
        let mut after = then
            .as_ref()
            .map_or_else(|| self.ends.clone(), |then| then.forever(self.patience));
        let mut near = then.as_ref().map(|then| then.outlook.asks.clone());
        let mut values = vec![after.clone()];
        let mut choices = Vec::with_capacity(self.weeks);
        for week in (1..=self.weeks).rev() {
            let stall = self.stall(week);
            let choice = Choice::new(stall.best(&beliefs[week - 1], &after, near.as_deref()));
            near = Some(choice.outlook.asks.clone());
            after = choice.before(self.patience, &after);
            values.push(after.clone());
            choices.push(choice);
        }
        choices.reverse();
        values.reverse();
        Policy {
            choices,
            then,
            values,
        }
    }

    /// The week that repeats for ever with the best mean over the levels: policy iteration.
    fn forever(&self, stall: &Stall<'_>, belief: &[f64]) -> Choice {
        // From the value of selling to the first who comes.
        let low = stall.low();
        let mut after = vec![low; belief.len()];
        let mut best: Option<(f64, Choice)> = None;
        for _ in 0..REPEATED {
            let choice = Choice::new(stall.best(belief, &after, None));
            after = choice.forever(self.patience);
            let value = mean(belief, &after);
            let better = best
                .as_ref()
                .is_none_or(|(known, _)| value > known + 1e-13 * known.abs());
            if !better {
                break;
            }
            best = Some((value, choice));
        }
        best.map_or_else(
            || Choice::new(stall.best(belief, &after, None)),
            |(_, choice)| choice,
        )
    }
}

impl Policy {
    /// As a plan, with the mean values and probabilities of what is believed before each week.
    fn plan(&self, prior: &[f64]) -> Plan {
        let mut belief = prior.to_vec();
        let mut periods = Vec::with_capacity(self.choices.len());
        for (choice, before) in self.choices.iter().zip(&self.values) {
            periods.push(choice.period(&belief, before));
            belief = choice.unsold(&belief);
        }
        let end = self.values.last().map_or(0.0, |end| mean(&belief, end));
        let then = self.then.as_ref().map(|then| {
            let values = self.values.last().map_or(&[][..], Vec::as_slice);
            then.period(&belief, values)
        });
        Plan { periods, then, end }
    }
}
