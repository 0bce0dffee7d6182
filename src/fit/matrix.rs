//! A design as matrices: log prices, columns, weights, rules and the row of the subject.

use super::ep::{Direction as Of, Rule};
use super::term::{Fact, Term};
use crate::fit::pool::Pooled;
use crate::fit::prior::Belief;
use crate::fit::prior::Prior;
use crate::fit::robust::Problem;
use crate::fit::solve::Penalty;
use crate::fit::solve::Sign;
use crate::select::order::effective_number;
use crate::select::order::weighted_median;
use nalgebra::DMatrix;
use nalgebra::DVector;
use std::collections::BTreeMap;

/// Mean length of a month in days (Gregorian calendar: 146 097 days in 4 800 months).
pub const DAYS_PER_MONTH: f64 = 146_097.0 / 4_800.0;

/// A column of the design.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// The term of the column.
    pub term: Term,
    /// Prior belief: the rule of thumb, updated by other models if they have estimates; none for
    /// the level.
    pub prior: Option<Belief>,
    /// Rule of thumb; none for the level.
    pub rule: Option<Prior>,
    /// Pooled estimate of the other models, if there is one.
    pub pooled: Option<Pooled>,
    /// Sign constraint.
    pub sign: Sign,
    /// Comps that inform it: those in the smaller of the groups with and without it (all of them
    /// for the trend).
    pub informed_by: usize,
    /// Largest value in a comp.
    pub most: f64,
}

/// A term of the unit, or next to it, with the same value in the unit and all comps. It does not
/// affect the estimate, but the table of the gains of a repair needs it.
#[derive(Debug, Clone, PartialEq)]
pub struct Shared {
    /// The term.
    pub term: Term,
    /// Rule of thumb, updated by other models if they have estimates.
    pub prior: Belief,
    /// Rule of thumb.
    pub rule: Prior,
    /// Pooled estimate of the other models, if there is one.
    pub pooled: Option<Pooled>,
    /// Sign constraint.
    pub sign: Sign,
    /// Its value in the unit.
    pub on_unit: f64,
}

/// The design of one estimate.
#[derive(Debug, Clone)]
pub struct Design {
    /// Columns, the level first.
    pub columns: Vec<Column>,
    /// Comps, n × p.
    pub x: DMatrix<f64>,
    /// Log prices, n.
    pub y: DVector<f64>,
    /// Weight of each comp by its age, n.
    pub weights: Vec<f64>,
    /// The subject's row, p; the mean of its possible rows if some facts are unknown.
    pub subject: DVector<f64>,
    /// The possible rows of the subject: its own, or one for each combination of unknown facts that
    /// a comp has, as often as among the comps.
    pub possible: Vec<Possible>,
    /// Candidates outside the fit that were requested.
    pub others: Vec<Other>,
    /// Beliefs about the coefficients, one for each column that has one, in column order; then
    /// those about the price of a reference unit and of the subject itself.
    pub rules: Vec<Rule>,
    /// Sign constraints, p.
    pub signs: Vec<Sign>,
    /// Terms without a column that a table of adjustments shows all the same.
    pub shared: Vec<Shared>,
    /// Price by which money rules are divided: the weighted median of the prices paid.
    pub base_price: f64,
}

/// A candidate outside the fit, encoded in its columns.
#[derive(Debug, Clone, PartialEq)]
pub struct Other {
    /// Its row, p.
    pub row: DVector<f64>,
    /// Difference from the subject through terms without a column, by rule of thumb (log).
    pub offset: f64,
    /// Log price.
    pub y: f64,
}

/// One possible row of the subject, if some facts are unknown.
#[derive(Debug, Clone, PartialEq)]
pub struct Possible {
    /// Probability; they sum to one.
    pub weight: f64,
    /// Its row, p.
    pub row: DVector<f64>,
    /// The value of each unknown fact, in a form that distinguishes values.
    pub values: BTreeMap<Fact, String>,
}

impl Design {
    /// Coefficients to start from: the rules of thumb, and the weighted median price as level, p.
    pub fn start(&self) -> DVector<f64> {
        let mut start = self.prior_means();
        let centred: Vec<f64> = (&self.y - &self.x * &start).iter().copied().collect();
        start[0] = weighted_median(&centred, &self.weights).unwrap_or(self.base_price.ln());
        start
    }

    /// The beliefs as normal distributions with the same mean and variance, for least squares.
    pub fn penalties(&self) -> Vec<Penalty> {
        let p = self.columns.len();
        let penalty = |rule: &Rule| Penalty {
            row: match &rule.of {
                Of::Column(j) => {
                    let mut row = DVector::zeros(p);
                    row[*j] = 1.0;
                    row
                }
                Of::Row(row) => row.clone(),
            },
            target: rule.belief.mean(),
            precision: rule.belief.variance().recip(),
        };
        self.rules.iter().map(penalty).collect()
    }

    /// Position of the rule for column `j`.
    pub fn rule_of(&self, j: usize) -> Option<usize> {
        self.rules.iter().position(|rule| rule.of == Of::Column(j))
    }

    /// The design as a problem for [`super::robust::fit`] with `penalties`, started from
    /// [`Design::start`].
    pub fn problem<'a>(&'a self, penalties: &'a [Penalty]) -> Problem<'a> {
        Problem {
            x: &self.x,
            y: &self.y,
            weights: &self.weights,
            penalties,
            signs: &self.signs,
            start: Some(self.start()),
        }
    }

    /// Log prices adjusted to the subject's condition and day by `coefficients`, n.
    pub fn adjusted(&self, coefficients: &DVector<f64>) -> Vec<f64> {
        let own = self.subject.dot(coefficients);
        (0..self.y.len())
            .map(|i| self.y[i] + own - (self.x.row(i) * coefficients)[0])
            .collect()
    }

    /// Log prices of [`Design::others`] adjusted to the subject's condition and day.
    pub fn adjusted_others(&self, coefficients: &DVector<f64>) -> Vec<f64> {
        let own = self.subject.dot(coefficients);
        self.others
            .iter()
            .map(|o| o.y + own - o.row.dot(coefficients) + o.offset)
            .collect()
    }

    /// Means of the rules of thumb, 0 for the level.
    pub fn prior_means(&self) -> DVector<f64> {
        DVector::from_iterator(
            self.columns.len(),
            self.columns
                .iter()
                .map(|c| c.prior.map_or(0.0, |prior| prior.mean())),
        )
    }

    /// Position of a term among the columns.
    pub fn position(&self, term: &Term) -> Option<usize> {
        self.columns.iter().position(|c| c.term == *term)
    }
}

/// Weights of sales of these ages: `2^(−age/half-life)`, scaled to sum to Kish's effective number
/// of sales ([`effective_number`]). Sales of equal age have full weight, however old; the trend
/// accounts for changes of price since then.
pub fn age_weights(ages: impl Iterator<Item = i32>, half_life_days: f64) -> Vec<f64> {
    let mut weights: Vec<f64> = ages
        .map(|age| f64::from(age.max(0)) / half_life_days)
        .collect();
    // Ages count from the newest sale, so that no weight underflows when all are old.
    let newest = weights.iter().copied().fold(f64::INFINITY, f64::min);
    weights
        .iter_mut()
        .for_each(|age| *age = (newest - *age).exp2());
    let scale = effective_number(&weights) / weights.iter().sum::<f64>();
    weights.iter_mut().for_each(|weight| *weight *= scale);
    weights
}

/// [`age_weights`] of the dated sales. An undated one has their average weight, or 1 if none is
/// dated.
pub(super) fn weights_by_age(ages: &[Option<i32>], half_life_days: f64) -> Vec<f64> {
    let dated = age_weights(ages.iter().copied().flatten(), half_life_days);
    let average = if dated.is_empty() {
        1.0
    } else {
        dated.iter().sum::<f64>() / dated.len() as f64
    };
    let mut dated = dated.into_iter();
    let weight = |age: &Option<i32>| age.and_then(|_| dated.next()).unwrap_or(average);
    ages.iter().map(weight).collect()
}
