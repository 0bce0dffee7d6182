//! Fits that several units share.
//!
//! Units of one model differ in what they are; where the same comps speak for them, in the same columns, the
//! regression is the same, and only the row at which it is read differs. Fits are kept by all that they rest on,
//! to the last bit, so that a kept fit is the one that would be made.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use chrono::{Datelike, NaiveDate};
use xxhash_rust::xxh3::Xxh3;

use crate::fit::ep::Direction;
use crate::fit::matrix::Design;
use crate::fit::posterior::{Posterior, Question, SpreadPrior};
use crate::fit::step::{History, Step, Usual};

/// Most fits that are kept; then all are let go.
const MOST: usize = 200;

/// Fits of one model on one day. Threads share them.
#[derive(Debug, Default)]
pub struct Fits {
    posteriors: Mutex<HashMap<u128, Arc<Posterior>>>,
    steps: Mutex<HashMap<u128, Vec<Step>>>,
}

impl Fits {
    /// The posterior of a question: a kept one, or the one that is made now.
    pub(super) fn posterior(&self, question: &Question<'_>) -> Option<Arc<Posterior>> {
        let key = Key::default().question(question).value();
        let known = |fits: &HashMap<u128, Arc<Posterior>>| fits.get(&key).cloned();
        if let Some(posterior) = known(&locked(&self.posteriors)) {
            return Some(posterior);
        }
        let made = Arc::new(Posterior::of(question)?);
        keep(&self.posteriors, key, made.clone());
        Some(made)
    }

    /// The steps in the prices of a design: kept ones, or those that `search` finds now.
    pub(super) fn steps(
        &self,
        design: &Design,
        history: &History,
        usual: Usual,
        search: impl FnOnce() -> Vec<Step>,
    ) -> Vec<Step> {
        let key = Key::default().design(design);
        let key = key.numbers(&[usual.spread, usual.rows]).history(history);
        let key = key.value();
        if let Some(steps) = locked(&self.steps).get(&key) {
            return steps.clone();
        }
        let made = search();
        keep(&self.steps, key, made.clone());
        made
    }
}

fn locked<T>(kept: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    kept.lock().unwrap_or_else(PoisonError::into_inner)
}

fn keep<T>(kept: &Mutex<HashMap<u128, T>>, key: u128, value: T) {
    let mut kept = locked(kept);
    if kept.len() >= MOST {
        kept.clear();
    }
    kept.insert(key, value);
}

/// A hash of numbers, by their bits.
#[derive(Default)]
struct Key(Xxh3);

impl Key {
    fn numbers(mut self, numbers: &[f64]) -> Self {
        self.0.update(&numbers.len().to_le_bytes());
        for number in numbers {
            self.0.update(&number.to_bits().to_le_bytes());
        }
        self
    }

    fn text(mut self, text: &str) -> Self {
        self.0.update(&text.len().to_le_bytes());
        self.0.update(text.as_bytes());
        self
    }

    fn rules(mut self, rules: &[crate::fit::ep::Rule]) -> Self {
        for rule in rules {
            self = match &rule.of {
                Direction::Column(j) => self.numbers(&[*j as f64]),
                Direction::Row(row) => self.numbers(row.as_slice()),
            };
            let parts = rule.belief.parts().iter();
            let numbers: Vec<f64> = parts.flat_map(|p| [p.weight, p.mean, p.sd]).collect();
            self = self.numbers(&numbers).text(&format!("{:?}", rule.sign));
        }
        self
    }

    fn spread(mut self, spread: &SpreadPrior) -> Self {
        for (weight, moments) in &spread.parts {
            self = self.numbers(&[*weight, moments.mean, moments.variance]);
        }
        self
    }

    fn question(self, question: &Question<'_>) -> Self {
        self.numbers(question.x.as_slice())
            .numbers(question.y.as_slice())
            .numbers(question.weights)
            .numbers(question.start.as_slice())
            .numbers(&[question.nu])
            .rules(question.rules)
            .spread(question.spread)
    }

    fn history(self, history: &History) -> Self {
        let day =
            |day: Option<NaiveDate>| day.map_or(f64::NAN, |day| day.num_days_from_ce().into());
        let sales = history.sales();
        let numbers: Vec<f64> = sales.flat_map(|(on, weight)| [day(on), weight]).collect();
        self.numbers(&numbers)
    }

    fn design(self, design: &Design) -> Self {
        self.numbers(design.x.as_slice())
            .numbers(design.y.as_slice())
            .numbers(&design.weights)
            .numbers(design.start().as_slice())
            .rules(&design.rules)
    }

    fn value(&self) -> u128 {
        self.0.digest128()
    }
}
