//! Steps: days on which all prices of a model fell or rose at once, for example when a successor
//! appears.
//!
//! A trend follows such a step slowly, and then overshoots. Steps are therefore detected before the
//! fit. The regression with one step on day τ adds a column `sᵢ`, which is 1 for a sale before τ
//! and 0 from then on. Its coefficient is `−δ`, minus the step in log price; δ ~ N(0, 0.3²). Steps
//! occur at a rate λ (one in five years unless set), on any day with equal probability: the days
//! between two successive sales `g` days apart have prior odds `λ g / 365.25` against no step at
//! all. The data cannot distinguish the days of such a gap, so that one candidate represents them
//! all. At least three sales ([`LEAST_SALES`]) must lie on either side: one or two prices, which
//! may be mistyped or unusual, never make a step. The posterior odds of a step are
//!
//! ```text
//! Σ_τ (λ gτ / 365.25) · Bτ,     Bτ = p(y | step on τ) / p(y | no step)
//! ```
//!
//! which is the discrete posterior of one change point (Smith 1975, "A Bayesian approach to
//! inference about a change-point in a sequence of random variables", *Biometrika* 62: 407-416),
//! here with covariates, priors on their coefficients and Student-t errors. If the assumptions
//! hold, the odds in a market without steps, followed sale by sale, are a martingale: the
//! probability that they ever exceed `k` is at most `λ/k` per year (Ville 1939; Shiryaev 1963).
//! That bounds false alarms: at 0.97, one in 65 years.
//!
//! # Computation
//!
//! Sales have full weight here, however old ([`super::design::age_weights`] would weaken the
//! evidence as it lowers the weights). One robust fit without a step gives coefficients β, scale σ
//! and weights `aᵢ = wᵢuᵢ/σ² · (ν+1)/(ν+3)`. To add a column to a solved regression, only its
//! residual on the other columns matters (Frisch and Waugh 1933; Lovell 1963):
//!
//! ```text
//! M s = s − X (X'AX + P)⁻¹ X'A s,      r(δ) = r − d · M s
//! ```
//!
//! Along that line, `d` and σ need a few rounds of reweighting each, in O(n p) for every candidate,
//! and Laplace's method gives
//!
//! ```text
//! log Bτ ≈ Σ wᵢ log tν(r(d)ᵢ/σ')/σ' − Σ wᵢ log tν(rᵢ/σ)/σ − d²/(2 s²) − ½ log(1 + s² · (Ms)'A(Ms))
//! ```
//!
//! The likeliest candidate is then fitted fully, with all coefficients free, and the resulting
//! change of its odds corrects the odds of all. If a step is certain, the search continues for
//! another one.

use chrono::NaiveDate;
use nalgebra::{DMatrix, DVector};

use super::ep::{Direction, Rule};
use super::matrix::{Column, Design, weights_by_age};
use super::prior::{Belief, Prior};
use super::robust::{Fit, Loss, Options, Problem, fit};
use super::solve::{Penalty, Sign};
use super::term::Term;
use crate::select::Candidate;
use crate::select::order::log_sum_exp;

/// Standard deviation of the prior on the size of a step, log price.
pub const SIZE: f64 = 0.3;

/// Fewest dated sales on either side of a candidate, and between two steps.
pub const LEAST_SALES: usize = 3;

/// Probability from which a step is certain: it enters the adjustments and is reported.
pub const SURE: f64 = 0.97;

/// Probability below which a step is ignored.
pub const LEAST: f64 = 0.1;

/// Most steps in one history.
const MOST_STEPS: usize = 2;

/// Degrees of freedom of the errors. The tails are heavy because gross errors are still among the
/// sales.
const NU: f64 = 4.0;

/// Most candidates in the first pass. If there are more, those near the best follow.
const MOST_CANDIDATES: usize = 48;

/// Rounds of reweighting along the line of one candidate.
const ROUNDS: usize = 6;

/// Log odds in the first pass below which a step is not fitted fully.
const HOPELESS: f64 = -3.0;

/// Days per year.
const YEAR: f64 = 365.25;

/// A day on which prices may have stepped.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// First day of the new prices: the middle of the gap between two sales.
    pub day: NaiveDate,
    /// Probability of a step near that day, given those before it in the list.
    pub probability: f64,
    /// Number of dated sales on the side that has fewer.
    pub sales: usize,
}

impl Step {
    /// Whether it is certain enough to be reported.
    pub fn is_sure(&self) -> bool {
        self.probability >= SURE
    }
}

/// Sales of a model, in the order of the rows of a design.
#[derive(Debug, Clone)]
pub struct History {
    /// Day of each sale, n.
    days: Vec<Option<NaiveDate>>,
    /// Weight of each sale, without the effect of age, n.
    weights: Vec<f64>,
}

/// Belief about the spread of single sales.
#[derive(Debug, Clone, Copy)]
pub struct Usual {
    /// Usual spread, log price.
    pub spread: f64,
    /// Weight of this belief, in sales.
    pub rows: f64,
}

/// A gap between two sales where a step may lie.
#[derive(Debug, Clone, Copy)]
struct Gap {
    day: NaiveDate,
    days: f64,
    /// Number of dated sales on the side that has fewer.
    sales: usize,
}

impl History {
    /// The history for the rows of `design`, from the candidates `used`.
    pub fn of<'a>(
        design: &Design,
        used: impl Iterator<Item = &'a Candidate>,
        half_life_days: f64,
    ) -> Self {
        let (days, ages): (Vec<_>, Vec<_>) = used.map(|c| (c.sold_on, c.age_days)).unzip();
        let by_age = weights_by_age(&ages, half_life_days);
        let pairs = design.weights.iter().zip(by_age);
        let weights = pairs.map(|(w, age)| if age > 0.0 { w / age } else { 1.0 });
        Self {
            days,
            weights: weights.collect(),
        }
    }

    /// Day of each sale, and its weight without the effect of age.
    pub fn sales(&self) -> impl Iterator<Item = (Option<NaiveDate>, f64)> {
        self.days.iter().copied().zip(self.weights.iter().copied())
    }

    /// The column of a step on `day`: 1 before it, 0 after. An undated sale has the average of the
    /// dated ones.
    fn before(&self, day: NaiveDate) -> DVector<f64> {
        let dated = || self.days.iter().flatten();
        let share = dated().filter(|d| **d < day).count() as f64 / dated().count().max(1) as f64;
        let value = |d: &Option<NaiveDate>| d.map_or(share, |d| f64::from(u8::from(d < day)));
        DVector::from_iterator(self.days.len(), self.days.iter().map(value))
    }

    /// Gaps with at least [`LEAST_SALES`] sales on either side, except those near known steps.
    fn gaps(&self, known: &[Step]) -> Vec<Gap> {
        let mut days: Vec<NaiveDate> = self.days.iter().flatten().copied().collect();
        days.sort_unstable();
        let between = |from: usize, step: &Step| {
            let at = days.partition_point(|d| *d < step.day);
            from.abs_diff(at)
        };
        (LEAST_SALES..(days.len() + 1).saturating_sub(LEAST_SALES))
            .filter(|&at| days[at - 1] < days[at])
            .filter(|&at| known.iter().all(|step| between(at, step) >= LEAST_SALES))
            .map(|at| {
                let apart = (days[at] - days[at - 1]).num_days();
                Gap {
                    day: days[at] - chrono::Duration::days((apart - 1) / 2),
                    days: apart as f64,
                    sales: at.min(days.len() - at),
                }
            })
            .collect()
    }
}

/// Steps in the history of `design`, given a prior rate of `rate` per year, in the order in which
/// they were found: each but the last is certain, given those before it.
pub fn search(design: &Design, history: &History, usual: Usual, rate: f64) -> Vec<Step> {
    let mut steps = Vec::new();
    if rate <= 0.0 || history.gaps(&[]).is_empty() {
        return steps;
    }
    let mut level = Level::new(design, history, usual);
    while let Some(now) = level.take()
        && let Some((step, next)) = now.next(&steps, rate)
    {
        steps.push(step);
        if step.is_sure() && steps.len() < MOST_STEPS {
            level = Some(next);
        }
    }
    steps
}

/// A solved regression with the steps found so far.
struct Level<'a> {
    history: &'a History,
    x: DMatrix<f64>,
    y: &'a DVector<f64>,
    penalties: Vec<Penalty>,
    options: Options,
    fit: Fit,
}

impl<'a> Level<'a> {
    fn new(design: &'a Design, history: &'a History, usual: Usual) -> Option<Self> {
        let loss = Loss::StudentT { nu: NU };
        let options = Options {
            loss,
            prior_scale: usual.spread * loss.scale_of_decile(),
            prior_rows: usual.rows,
            tolerance: 1e-3,
            ..Options::default()
        };
        let (x, y) = (design.x.clone(), &design.y);
        Self::solved(history, x, y, design.penalties(), options, design.start())
    }

    fn solved(
        history: &'a History,
        x: DMatrix<f64>,
        y: &'a DVector<f64>,
        penalties: Vec<Penalty>,
        options: Options,
        start: DVector<f64>,
    ) -> Option<Self> {
        let problem = Problem {
            x: &x,
            y,
            weights: &history.weights,
            penalties: &penalties,
            signs: &vec![Sign::Free; x.ncols()],
            start: Some(start),
        };
        let fit = fit(&problem, &options).ok()?;
        Some(Self {
            history,
            x,
            y,
            penalties,
            options,
            fit,
        })
    }

    /// The likeliest further step, and the regression with it; `None` if all are too unlikely.
    fn next(&self, known: &[Step], rate: f64) -> Option<(Step, Self)> {
        let looks = self.looks(&self.history.gaps(known), rate);
        let best = looks.iter().max_by(|a, b| a.odds.total_cmp(&b.odds))?;
        let odds = log_sum_exp(looks.iter().map(|look| look.odds));
        if odds < HOPELESS {
            return None;
        }
        let with = self.with(best.gap.day, best.size)?;
        let correction = with.height() - self.height() - best.factor;
        let probability = (1.0 + (-odds - correction).exp()).recip();
        let step = Step {
            day: best.gap.day,
            probability,
            sales: best.gap.sales,
        };
        (probability >= LEAST).then_some((step, with))
    }

    /// First pass over all gaps. If there are many, over some of them, each for the gaps around it,
    /// and then over all near the likeliest.
    fn looks(&self, gaps: &[Gap], rate: f64) -> Vec<Look> {
        let line = Line::of(self);
        let stride = gaps.len().div_ceil(MOST_CANDIDATES).max(1);
        let mut looks: Vec<Look> = gaps
            .chunks(stride)
            .map(|chunk| {
                let days = chunk.iter().map(|gap| gap.days).sum();
                let middle = chunk[chunk.len() / 2];
                line.look(Gap { days, ..middle }, rate)
            })
            .collect();
        if stride > 1
            && let Some(best) =
                (0..looks.len()).max_by(|&a, &b| looks[a].odds.total_cmp(&looks[b].odds))
        {
            let near = best.saturating_sub(1)..(best + 2).min(looks.len());
            let (from, to) = (near.start * stride, (near.end * stride).min(gaps.len()));
            let closer: Vec<Look> = gaps[from..to].iter().map(|g| line.look(*g, rate)).collect();
            looks.splice(near, closer);
        }
        looks
    }

    /// The same regression with a step on `day`, started at `size`.
    fn with(&self, day: NaiveDate, size: f64) -> Option<Self> {
        let p = self.x.ncols();
        let mut x = self.x.clone().resize_horizontally(p + 1, 0.0);
        x.set_column(p, &self.history.before(day));
        let mut penalties = self.penalties.clone();
        for penalty in &mut penalties {
            penalty.row = penalty.row.clone().resize_vertically(p + 1, 0.0);
        }
        penalties.push(Penalty::on(p, p + 1, 0.0, SIZE));
        let start = self.fit.coefficients.clone().resize_vertically(p + 1, size);
        Self::solved(self.history, x, self.y, penalties, self.options, start)
    }

    /// Log of the posterior mass by Laplace's method, up to a constant common to all regressions of
    /// these sales.
    fn height(&self) -> f64 {
        let misses: f64 = self
            .penalties
            .iter()
            .map(|p| p.precision * (p.target - p.row.dot(&self.fit.coefficients)).powi(2))
            .sum();
        let steps = self.penalties.iter().map(|p| p.precision.ln()).sum::<f64>();
        self.likelihood(&self.fit.residuals, self.fit.sigma)
            + (steps - misses - self.fit.log_determinant()) / 2.0
    }

    /// Log likelihood of residuals, including the prior on their scale, up to a constant.
    fn likelihood(&self, residuals: &DVector<f64>, sigma: f64) -> f64 {
        let logs: f64 = residuals
            .iter()
            .zip(&self.history.weights)
            .map(|(r, w)| w * ((NU + 1.0) / 2.0 * ((r / sigma).powi(2) / NU).ln_1p() + sigma.ln()))
            .sum();
        let doubt = (sigma / self.options.prior_scale).ln().powi(2);
        -logs - self.options.prior_rows * doubt
    }
}

/// Result of the first pass at one gap.
#[derive(Debug, Clone, Copy)]
struct Look {
    gap: Gap,
    /// Coefficient of the column.
    size: f64,
    /// Log Bayes factor of a step there.
    factor: f64,
    /// Log posterior odds.
    odds: f64,
}

/// Values common to all gaps in the first pass.
struct Line<'a> {
    level: &'a Level<'a>,
    /// Weights a of the informed rows, n.
    informed: Vec<f64>,
    /// Log likelihood without the step.
    without: f64,
    /// Rows that determine the scale.
    rows: f64,
}

impl<'a> Line<'a> {
    fn of(level: &'a Level<'a>) -> Self {
        let (fit, weights) = (&level.fit, &level.history.weights);
        let share = level.options.loss.location_information() / fit.sigma.powi(2);
        let pairs = weights.iter().zip(&fit.robust);
        let mut line = Self {
            level,
            informed: pairs.map(|(w, u)| share * w * u).collect(),
            without: level.likelihood(&fit.residuals, fit.sigma),
            rows: 1.0,
        };
        // The number of rows that reproduces the scale.
        line.rows = (line.scale(&fit.residuals, fit.sigma) / fit.sigma).powi(2);
        line
    }

    /// Weights `wᵢuᵢ` at these residuals.
    fn counts(&self, residuals: &DVector<f64>, sigma: f64) -> impl Iterator<Item = f64> {
        let weights = self.level.history.weights.iter();
        let loss = self.level.options.loss;
        weights
            .zip(residuals.iter())
            .map(move |(w, r)| w * loss.weight(r / sigma))
    }

    /// Residual scale from weighted residuals, as in [`fit`].
    fn scale(&self, residuals: &DVector<f64>, sigma: f64) -> f64 {
        let Options {
            prior_rows,
            prior_scale,
            ..
        } = self.level.options;
        let pairs = self.counts(residuals, sigma).zip(residuals.iter());
        let squares: f64 = pairs.map(|(count, r)| count * r * r).sum();
        ((prior_rows * prior_scale.powi(2) + squares) / self.rows).sqrt()
    }

    fn look(&self, gap: Gap, rate: f64) -> Look {
        let Level { x, fit, .. } = self.level;
        let column = self.level.history.before(gap.day);
        let weighted = DVector::from_iterator(
            column.len(),
            column.iter().zip(&self.informed).map(|(s, a)| s * a),
        );
        let left = &column - x * fit.solve_for(&x.tr_mul(&weighted));
        let share = self.level.options.loss.location_information();
        let (mut size, mut sigma, mut known) = (0.0, fit.sigma, 0.0);
        let mut residuals = fit.residuals.clone();
        for round in 0..ROUNDS {
            // Sales after a step have large residuals only before the step is included: at first,
            // all have equal weight.
            let counts: Vec<f64> = match round {
                0 => self.level.history.weights.clone(),
                _ => self.counts(&residuals, sigma).collect(),
            };
            let sums = (0..left.len()).map(|i| {
                let a = counts[i] * left[i] / sigma.powi(2);
                (a * left[i], a * fit.residuals[i])
            });
            let (precision, shift) =
                sums.fold((0.0, 0.0), |sum, add| (sum.0 + add.0, sum.1 + add.1));
            known = precision * share;
            size = shift / (precision + SIZE.powi(-2));
            residuals = &fit.residuals - &left * size;
            sigma = self.scale(&residuals, sigma);
        }
        let factor = self.level.likelihood(&residuals, sigma)
            - self.without
            - (size / SIZE).powi(2) / 2.0
            - (known * SIZE * SIZE).ln_1p() / 2.0;
        Look {
            gap,
            size,
            factor,
            odds: factor + (rate * gap.days / YEAR).ln(),
        }
    }
}

impl Design {
    /// Adds the column of a step on `day` to a design made of the candidates `used` and `others`.
    /// Prices before `day` are adjusted to the level after it. If the day of the estimate lies
    /// before `day`, later prices are adjusted to the level before it.
    pub fn add_step<'a>(
        &mut self,
        day: NaiveDate,
        used: impl Iterator<Item = &'a Candidate>,
        others: impl Iterator<Item = &'a Candidate>,
    ) {
        let used: Vec<&Candidate> = used.collect();
        let history = History {
            days: used.iter().map(|c| c.sold_on).collect(),
            weights: Vec::new(),
        };
        let p = self.columns.len();
        let own = f64::from(u8::from(today(&used).is_some_and(|today| today < day)));
        let column = history.before(day);
        let with = column.iter().filter(|v| **v == 1.0).count();
        let without = column.iter().filter(|v| **v == 0.0).count();
        let rule = rule();
        self.columns.push(Column {
            term: Term::Step(day),
            prior: Some(Belief::of_rule(rule)),
            rule: Some(rule),
            pooled: None,
            sign: Sign::Free,
            informed_by: with.min(without),
            most: 1.0,
        });
        self.x =
            std::mem::replace(&mut self.x, DMatrix::zeros(0, 0)).resize_horizontally(p + 1, 0.0);
        self.x.set_column(p, &column);
        self.subject = self.subject.clone().resize_vertically(p + 1, own);
        for one in &mut self.possible {
            one.row = one.row.clone().resize_vertically(p + 1, own);
        }
        for rule in &mut self.rules {
            if let Direction::Row(row) = &mut rule.of {
                *row = row.clone().resize_vertically(p + 1, own);
            }
        }
        self.rules.push(Rule {
            of: Direction::Column(p),
            belief: Belief::of_rule(rule),
            sign: Sign::Free,
        });
        self.signs.push(Sign::Free);
        for (other, comp) in self.others.iter_mut().zip(others) {
            let before = comp.sold_on.is_some_and(|sold| sold < day);
            other.row = other
                .row
                .clone()
                .resize_vertically(p + 1, f64::from(u8::from(before)));
        }
    }
}

/// The day of the estimate, computed from the ages of dated candidates.
fn today(candidates: &[&Candidate]) -> Option<NaiveDate> {
    candidates.iter().find_map(|candidate| {
        let age = chrono::Duration::days(candidate.age_days?.into());
        candidate.sold_on?.checked_add_signed(age)
    })
}

/// Rule of thumb for the coefficient of a step.
pub fn rule() -> Prior {
    Prior {
        mean: 0.0,
        sd: SIZE,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A case of `tests/reference/make_step.py`.
    #[derive(serde::Deserialize)]
    struct Case {
        days: Vec<i64>,
        y: Vec<f64>,
        probability: f64,
    }

    /// The probability of a step in a regression with only a level, compared with sums over a fine
    /// grid of level, size and scale.
    #[test]
    fn probabilities_agree_with_brute_force() {
        let cases: Vec<Case> =
            serde_json::from_str(include_str!("../../tests/reference/step.json")).unwrap();
        let begin = NaiveDate::from_ymd_opt(2026, 1, 1).unwrap();
        for case in cases {
            let n = case.y.len();
            let day = |d: &i64| Some(begin + chrono::Duration::days(*d));
            let history = History {
                days: case.days.iter().map(day).collect(),
                weights: vec![1.0; n],
            };
            let (x, y) = (DMatrix::repeat(n, 1, 1.0), DVector::from_vec(case.y));
            let loss = Loss::StudentT { nu: NU };
            let options = Options {
                loss,
                prior_scale: 0.15 * loss.scale_of_decile(),
                prior_rows: 1.0,
                tolerance: 1e-3,
                ..Options::default()
            };
            let level = Level::solved(&history, x, &y, vec![], options, DVector::zeros(1)).unwrap();
            let found = level
                .next(&[], 0.5)
                .map_or(0.0, |(step, _)| step.probability);
            // Smaller probabilities are not reported.
            let logit = |p: f64| (p.max(LEAST) / (1.0 - p.max(LEAST))).ln();
            let apart = logit(found) - logit(case.probability);
            assert!(apart.abs() < 0.3, "{found} for {}", case.probability);
        }
    }

    /// Two sales on one day leave no gap, and gaps with fewer than three sales on a side are no
    /// candidates.
    #[test]
    fn gaps_lie_between_sales() {
        let begin = NaiveDate::from_ymd_opt(2026, 1, 1).unwrap();
        let days = [0, 4, 4, 9, 20, 21].map(|d| Some(begin + chrono::Duration::days(d)));
        let history = History {
            days: days.into_iter().chain([None]).collect(),
            weights: vec![1.0; 7],
        };
        let gaps: Vec<(i64, f64)> = history
            .gaps(&[])
            .iter()
            .map(|gap| ((gap.day - begin).num_days(), gap.days))
            .collect();
        assert_eq!(gaps, [(7, 5.0)]);
        let column = history.before(begin + chrono::Duration::days(7));
        assert_eq!(column.as_slice(), [1.0, 1.0, 1.0, 0.0, 0.0, 0.0, 0.5]);
    }
}
