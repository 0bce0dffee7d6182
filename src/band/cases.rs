//! The cases that an estimate averages over: no step in the prices, one, or two.
//!
//! Whether prices stepped ([`crate::fit::step`]) is seldom certain in the first weeks. Each case
//! has its own fit to the same comps. The distribution of a sale is the mixture of theirs by
//! probability (Bayesian model averaging; Hoeting, Madigan, Raftery and Volinsky 1999, *Statistical
//! Science* 14: 382-417); adjusted prices and the line over time are averages over the cases.
//! Adjustments come from one case only: the one with exactly the certain steps.

use std::sync::Arc;

use chrono::NaiveDate;

use super::fitting::{
    Asked, EstimateError, build, coefficient, fit_with, monthly, posterior_of, usual_spread,
};
use super::outcome::Outcome;
use super::predictive::{Predictive, Scale};
use crate::fit::design::{DAYS_PER_MONTH, Design, Possible, Term};
use crate::fit::posterior::{Place, Posterior};
use crate::fit::step::{self, History, LEAST, Step, Usual};
use crate::select::Selection;

/// One case.
#[derive(Debug, Clone)]
pub(super) struct Case {
    /// Probability; those of all cases sum to one.
    pub probability: f64,
    /// Its design, with a column for each of its steps.
    pub design: Design,
    /// Its fit.
    pub fit: Arc<Posterior>,
}

/// All cases of one estimate.
#[derive(Debug, Clone)]
pub(super) struct Cases {
    all: Vec<Case>,
    /// Position of the case with exactly the certain steps.
    main: usize,
    /// Steps, likeliest first.
    steps: Vec<Step>,
    /// Number of certain steps.
    sure: usize,
}

/// Steps in the prices of the comps in use, whose design without steps this is.
fn steps(selection: &Selection, design: &Design, asked: Asked<'_>) -> Vec<Step> {
    let settings = &asked.settings.estimate;
    if settings.steps_per_year <= 0.0 {
        return Vec::new();
    }
    let history = History::of(design, selection.in_use(), settings.half_life_days);
    let usual = Usual {
        spread: usual_spread(settings, asked.subject.works),
        rows: settings.spread_worth,
    };
    let search = || step::search(design, &history, usual, settings.steps_per_year);
    match asked.fits.filter(|_| asked.level.is_none()) {
        Some(fits) => fits.steps(design, &history, usual, search),
        None => search(),
    }
}

impl Cases {
    /// The cases of `selection`. Gross errors are determined in the case with every step and
    /// dropped from all cases: a sale after a step is no error just because the step is not yet
    /// certain.
    pub fn of(selection: &mut Selection, asked: Asked<'_>) -> Result<Self, EstimateError> {
        // Mistyped prices first: they must not look like a step.
        let (design, fit) = fit_with(selection, asked, &[])?;
        let steps = steps(selection, &design, asked);
        if steps.is_empty() {
            return Ok(Self {
                all: vec![Case {
                    probability: 1.0,
                    design,
                    fit,
                }],
                main: 0,
                steps,
                sure: 0,
            });
        }
        let days: Vec<NaiveDate> = steps.iter().map(|step| step.day).collect();
        let (design, fit) = fit_with(selection, asked, &days)?;
        let whole = Case {
            probability: probability(&steps, steps.len()),
            design,
            fit,
        };
        let sure = steps.iter().take_while(|s| s.is_sure()).count();
        let (mut all, mut main) = (Vec::new(), 0);
        for count in 0..steps.len() {
            let probability = probability(&steps, count);
            if probability >= LEAST {
                let design = build(selection, asked, &days[..count])?;
                let fit = posterior_of(&design, asked)?;
                all.push(Case {
                    probability,
                    design,
                    fit,
                });
            }
            if count < sure {
                main = all.len();
            }
        }
        all.push(whole);
        let total: f64 = all.iter().map(|case| case.probability).sum();
        all.iter_mut().for_each(|case| case.probability /= total);
        Ok(Self {
            all,
            main,
            steps,
            sure,
        })
    }

    /// The certain steps.
    pub fn sure(&self) -> &[Step] {
        &self.steps[..self.sure]
    }

    /// The likeliest uncertain step that is averaged over, its size (log price), and the log price
    /// of the subject without it.
    pub fn open(&self) -> Option<(Step, f64, f64)> {
        let step = *self.steps.get(self.sure)?;
        let size = self.all.last()?.size(step.day)?.value;
        let without = self.main();
        Some((step, size, without.design.subject.dot(&without.fit.mean)))
    }

    /// The case with exactly the certain steps.
    pub fn main(&self) -> &Case {
        &self.all[self.main]
    }

    /// Distribution of the log price of one sale of the subject.
    pub fn outcome(&self) -> Outcome {
        Outcome::new(Predictive::mixture(
            self.all.iter().flat_map(Case::scales).collect(),
        ))
    }

    /// Log price of the subject.
    pub fn level(&self) -> f64 {
        self.mean(|case| case.design.subject.dot(&case.fit.mean))
    }

    /// Log prices of the comps, adjusted to the subject's condition and day, n.
    pub fn adjusted(&self) -> Vec<f64> {
        self.means(|case| case.design.adjusted(&case.fit.mean))
    }

    /// Adjusted log prices of the candidates outside the fit.
    pub fn adjusted_others(&self) -> Vec<f64> {
        self.means(|case| case.design.adjusted_others(&case.fit.mean))
    }

    /// Difference of log prices on `day`, `age` days before the estimate, from those on its day.
    pub fn then(&self, day: NaiveDate, age: f64) -> f64 {
        self.mean(|case| {
            let trend = -monthly(&case.design, &case.fit) * age / DAYS_PER_MONTH;
            let apart = |(step, j): (NaiveDate, usize)| {
                let before = f64::from(u8::from(day < step));
                (before - case.design.subject[j]) * case.fit.mean[j]
            };
            trend + case.steps().map(apart).sum::<f64>()
        })
    }

    /// Days of all steps of all cases, ascending.
    pub fn days(&self) -> Vec<NaiveDate> {
        let mut days: Vec<NaiveDate> = self
            .all
            .iter()
            .flat_map(|c| c.steps())
            .map(|s| s.0)
            .collect();
        days.sort_unstable();
        days.dedup();
        days
    }

    fn mean(&self, of: impl Fn(&Case) -> f64) -> f64 {
        self.all
            .iter()
            .map(|case| case.probability * of(case))
            .sum()
    }

    fn means(&self, of: impl Fn(&Case) -> Vec<f64>) -> Vec<f64> {
        let mut sums: Vec<f64> = Vec::new();
        for case in &self.all {
            let values = of(case);
            sums.resize(values.len(), 0.0);
            for (sum, value) in sums.iter_mut().zip(values) {
                *sum += case.probability * value;
            }
        }
        sums
    }
}

impl Case {
    /// Day and column of each step.
    fn steps(&self) -> impl Iterator<Item = (NaiveDate, usize)> {
        let columns = self.design.columns.iter().enumerate();
        columns.filter_map(|(j, column)| match column.term {
            Term::Step(day) => Some((day, j)),
            _ => None,
        })
    }

    /// Size of the step on `day` (log price after it less that before), with its middle 80 %.
    pub fn size(&self, day: NaiveDate) -> Option<super::estimate::Spread> {
        let (_, j) = self.steps().find(|(step, _)| *step == day)?;
        let (before, _) = coefficient(&self.design, &self.fit, j);
        Some(super::estimate::Spread {
            value: -before.value,
            low: -before.high,
            high: -before.low,
        })
    }

    /// The components of its predictive distribution of one sale.
    fn scales(&self) -> impl Iterator<Item = Scale> {
        let Self {
            probability,
            design,
            fit,
        } = self;
        // Averages over the possible values of the subject's unknown facts.
        let average = move |of: &dyn Fn(&Possible) -> f64| -> f64 {
            design.possible.iter().map(|one| one.weight * of(one)).sum()
        };
        fit.places.iter().map(move |place: &Place| {
            let at = |one: &Possible| one.row.dot(&place.coefficients.mean);
            let mean = average(&at);
            Scale {
                sigma: place.sigma,
                nu: place.nu,
                weight: probability * place.weight,
                mean,
                variance: average(&|one| {
                    place.coefficients.variance(&one.row) + (at(one) - mean).powi(2)
                }),
            }
        })
    }
}

/// Probability of exactly the first `count` of `steps`.
fn probability(steps: &[Step], count: usize) -> f64 {
    let made: f64 = steps[..count].iter().map(|s| s.probability).product();
    made * steps.get(count).map_or(1.0, |s| 1.0 - s.probability)
}

/// [`fit_with`] the steps whose probability exceeds one half.
pub(super) fn fit_trimmed(
    selection: &mut Selection,
    asked: Asked<'_>,
) -> Result<(Design, Arc<Posterior>), EstimateError> {
    let without = fit_with(selection, asked, &[])?;
    let likely = steps(selection, &without.0, asked)
        .into_iter()
        .take_while(|step| step.probability > 0.5);
    let days: Vec<NaiveDate> = likely.map(|step| step.day).collect();
    if days.is_empty() {
        return Ok(without);
    }
    fit_with(selection, asked, &days)
}
