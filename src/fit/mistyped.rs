//! Mistyped prices: the posterior averages over which rows they are.
//!
//! Under the third error distribution of [`super::posterior`] each price is mistyped with
//! probability π = [`MISTYPED`]. A log error `e` of a mistyped price has the density `1/3 · (1 −
//! exp(−e²/2δ²))`, δ = [`NOT_TYPING`]: the same from a fifth to five times and beyond, and none
//! where the error is too small for a typing error. The posterior then has a mode for every set S
//! of rows that may be the mistyped ones. With few comps and rules of thumb that are far off,
//! several of them matter, and the one next to the fit of all prices is often the wrong one.
//!
//! Given S, the prices of the other rows have normal errors, so that expectation propagation
//! applies to them; the height of a place gains
//!
//! ```text
//! Σ_{i∉S} wᵢ ln(1 − π) + Σ_{i∈S} wᵢ ln(π/3 · E(1 − exp(−e²/2δ²))),   e ~ N(d, v)
//! ```
//!
//! with `d` and `v` the mean and variance of the error that the other rows predict. The empty set
//! is the distribution with normal errors times `(1 − π)ⁿ`: its places serve for both.
//!
//! The sets are too many to visit. The search starts from the empty set and from the prices that do
//! not fit Student-t errors, and goes from set to neighbouring set, one row more or less. Deletion
//! residuals (Cook and Weisberg 1982, *Residuals and Influence in Regression*, section 2.2) estimate
//! the probability of a neighbour from that of the set. The likeliest by this estimate is visited
//! next; the search ends where it is unlikely beside the best (as Occam's window selects models:
//! Madigan and Raftery 1994, *JASA* 89: 1535-1546), or where many visits have found no likelier set.

use std::collections::BTreeSet;
use std::f64::consts::PI;

use super::ep::{Normal, Sites};
use super::walk::{NEGLIGIBLE, Place, Question, State, Walk, highest};

/// Probability that a price is mistyped, under the distribution that allows it.
const MISTYPED: f64 = 0.1;

/// Density of the log error of a mistyped price, where it is not small.
const ANYTHING: f64 = 1.0 / 3.0;

/// A smaller error (log price) is hardly a typing error.
const NOT_TYPING: f64 = 0.8;

/// Most sets to visit.
const MOST_SETS: usize = 100;

/// Visits in a row without a likelier set after which the search ends, times the number of rows: with
/// many, one row more or less matters little.
const PATIENCE_OF_ROWS: usize = 300;

/// The same for very few rows, and for very many.
const MOST_PATIENCE: usize = 40;
const LEAST_PATIENCE: usize = 8;

/// How far below the best a set may promise to be, in log posterior probability, to be visited.
const WINDOW: f64 = 2.0;

/// The same divided by the number of rows: with few, a deletion residual promises little reliably.
const WINDOW_OF_ROWS: f64 = 48.0;

/// Adds the places of the error distribution that allows mistyped prices to those of normal and
/// Student-t errors, which ended at these states. `walk` is that of normal errors.
pub(super) fn add(
    question: &Question<'_>,
    walk: &Walk<'_>,
    [normal, robust]: [&State; 2],
    places: &mut Vec<Place>,
) {
    let mut search = Search::new(question, walk, places);
    let height = search.best;
    let empty = BTreeSet::new();
    if let Some(posterior) = walk.posterior(normal) {
        search.open_steps(&empty, height, normal.sigma, &posterior);
    }
    if let Some(posterior) = walk.posterior(robust) {
        let misfits = steps(question, &empty, robust.sigma, &posterior);
        search.open.push(Step {
            height,
            rows: misfits
                .filter(|(gain, _)| *gain > 0.0)
                .map(|(_, row)| row)
                .collect(),
            sigma: robust.sigma,
        });
    }
    search.visited.insert(empty);
    search.run();
}

/// A set of rows to visit.
struct Step {
    /// Expected log posterior probability at its likeliest place, up to a constant.
    height: f64,
    rows: BTreeSet<usize>,
    /// Scale of the errors to start from: that of the neighbour from which it is reached.
    sigma: f64,
}

/// A search over sets of rows taken for mistyped.
struct Search<'a> {
    question: &'a Question<'a>,
    /// The walk of normal errors over all rows.
    walk: &'a Walk<'a>,
    visited: BTreeSet<BTreeSet<usize>>,
    open: Vec<Step>,
    /// Greatest height.
    best: f64,
    /// Visits since it was found.
    in_vain: usize,
    places: &'a mut Vec<Place>,
}

impl<'a> Search<'a> {
    /// A search that has no set but the empty one: the places of normal errors gain its probability.
    fn new(question: &'a Question<'a>, walk: &'a Walk<'a>, places: &'a mut Vec<Place>) -> Self {
        let none = question.weights.iter().sum::<f64>() * (1.0 - MISTYPED).ln();
        let mut best = f64::NEG_INFINITY;
        for place in places.iter_mut().filter(|place| place.nu.is_infinite()) {
            best = best.max(place.height + none);
            place.height += none.exp().ln_1p();
        }
        Self {
            question,
            walk,
            visited: BTreeSet::new(),
            open: Vec::new(),
            best,
            in_vain: 0,
            places,
        }
    }

    fn run(mut self) {
        let patience =
            (PATIENCE_OF_ROWS / self.question.y.len().max(1)).clamp(LEAST_PATIENCE, MOST_PATIENCE);
        while let Some(step) = self.likeliest()
            && step.height >= self.best - self.window()
            && self.in_vain < patience
            && self.visited.len() <= MOST_SETS
        {
            let is_minority = 2 * step.rows.len() < self.question.y.len();
            if is_minority
                && self.visited.insert(step.rows.clone())
                && let Some((height, peak)) = self.fit(&step.rows, step.sigma)
            {
                self.in_vain = if height > self.best {
                    0
                } else {
                    self.in_vain + 1
                };
                self.best = self.best.max(height);
                self.open_steps(&step.rows, height, peak.sigma, &peak.coefficients);
            }
        }
    }

    fn window(&self) -> f64 {
        WINDOW + WINDOW_OF_ROWS / self.question.y.len() as f64
    }

    fn likeliest(&mut self) -> Option<Step> {
        let by_height =
            |a: &usize, b: &usize| self.open[*a].height.total_cmp(&self.open[*b].height);
        let at = (0..self.open.len()).max_by(by_height)?;
        Some(self.open.swap_remove(at))
    }

    /// Opens the neighbours of a set.
    fn open_steps(&mut self, rows: &BTreeSet<usize>, height: f64, sigma: f64, posterior: &Normal) {
        for (gain, row) in steps(self.question, rows, sigma, posterior) {
            let mut rows = rows.clone();
            if !rows.remove(&row) {
                rows.insert(row);
            }
            if height + gain >= self.best - self.window() {
                self.open.push(Step {
                    height: height + gain,
                    rows,
                    sigma,
                });
            }
        }
    }

    /// Adds the places of a set, if they have weight; returns its height and its place there.
    fn fit(&mut self, rows: &BTreeSet<usize>, sigma: f64) -> Option<(f64, Place)> {
        let walk = self.walk.without(rows);
        // Without its row, a coefficient may have its rule alone: the sites start from the rules.
        let start = walk.climb(State {
            sigma,
            beta: self.question.start.clone(),
            sites: Sites::of(self.question.rules),
        })?;
        let peak = walk.at(start.sigma, &start)?;
        let place = peak.0.clone();
        let height = place.height + log_probability(self.question, rows, &place);
        // The highest place is near the peak, not at it.
        if height > highest(self.places) - NEGLIGIBLE - 1.0 {
            let mut places = Vec::new();
            walk.about(&start, peak, &mut places)?;
            for place in &mut places {
                place.height += log_probability(self.question, rows, place);
            }
            self.places.append(&mut places);
        }
        Some((height, place))
    }
}

/// Log probability that these rows are mistyped, others are not, and the prices in these rows are
/// what they are, given the posterior of a place.
fn log_probability(question: &Question<'_>, rows: &BTreeSet<usize>, place: &Place) -> f64 {
    let mistyped = |i: usize| {
        let row = question.x.row(i).transpose();
        let error = question.y[i] - row.dot(&place.coefficients.mean);
        log_density(
            error,
            place.coefficients.variance(&row) + place.sigma.powi(2),
        )
    };
    let each = |(i, weight): (usize, &f64)| {
        weight
            * match rows.contains(&i) {
                true => MISTYPED.ln() + mistyped(i),
                false => (1.0 - MISTYPED).ln(),
            }
    };
    question.weights.iter().enumerate().map(each).sum()
}

/// Log of the mean density of a mistyped price, for a log error with this mean and variance.
fn log_density(mean: f64, variance: f64) -> f64 {
    let square = NOT_TYPING * NOT_TYPING;
    let total = square + variance;
    let small = (square / total).sqrt() * (-mean * mean / 2.0 / total).exp();
    ANYTHING.ln() + (-small).ln_1p()
}

/// The rows that a step from the set `rows` may add or remove, each with the gain in log posterior
/// probability that its deletion residual promises; `posterior` is that of the set at the scale
/// `sigma`.
fn steps(
    question: &Question<'_>,
    rows: &BTreeSet<usize>,
    sigma: f64,
    posterior: &Normal,
) -> impl Iterator<Item = (f64, usize)> {
    let square = sigma * sigma;
    let step = move |i: usize| {
        let row = question.x.row(i).transpose();
        let residual = question.y[i] - row.dot(&posterior.mean);
        let variance = posterior.variance(&row);
        let (mean, variance) = if rows.contains(&i) {
            (residual, square + variance)
        } else {
            let leverage = (question.weights[i] * variance / square).min(0.999);
            (residual / (1.0 - leverage), square / (1.0 - leverage))
        };
        let sound = -(mean * mean / variance + (2.0 * PI * variance).ln()) / 2.0;
        let odds = (MISTYPED / (1.0 - MISTYPED)).ln() + log_density(mean, variance) - sound;
        (if rows.contains(&i) { -odds } else { odds }, i)
    };
    (0..question.y.len()).map(step)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::ep::{Direction, Rule};
    use crate::fit::prior::{Belief, Prior};
    use crate::fit::solve::Sign;
    use crate::fit::walk::{Errors, SpreadPrior};
    use nalgebra::{DMatrix, DVector};

    /// The closed form of a normal density times a normal kernel (Petersen and Pedersen 2012, *The
    /// Matrix Cookbook*, section 8.1.8) against a sum over a fine grid.
    #[test]
    fn the_mean_density_agrees_with_a_sum() {
        for (mean, variance) in [(0.0, 0.02), (0.5, 0.1), (-1.6, 0.04), (2.0, 1.5)] {
            let step = 1e-3;
            let at = |k: i32| {
                let e = f64::from(k) * step;
                let normal =
                    (-(e - mean).powi(2) / 2.0 / variance).exp() / (2.0 * PI * variance).sqrt();
                normal * ANYTHING * (1.0 - (-(e / NOT_TYPING).powi(2) / 2.0).exp()) * step
            };
            let sum: f64 = (-12_000..12_000).map(at).sum();
            let ours = log_density(mean, variance);
            assert!((ours - sum.ln()).abs() < 1e-6, "{mean} {variance}: {ours}");
        }
    }

    /// Eight prices, none, one or two of them mistyped, and a slope nine scales beyond its rule: the search
    /// reaches the probabilities that all sets of up to three rows give.
    #[test]
    fn the_search_agrees_with_all_sets() {
        let slopes = [0.0, 0.4, 0.9, 1.3, 1.8, 2.2, 2.9, 3.5];
        let noise = [0.05, -0.08, 0.02, 0.1, -0.04, -0.1, 0.06, 0.0];
        for wrong in [vec![], vec![(2, 5.0_f64)], vec![(1, 0.2), (5, 5.0)]] {
            let x = DMatrix::from_fn(8, 2, |i, j| if j == 0 { 1.0 } else { slopes[i] });
            let mut y = DVector::from_fn(8, |i, _| 4.0 + 0.9 * slopes[i] + noise[i]);
            for (row, factor) in &wrong {
                y[*row] += factor.ln();
            }
            let rules = [Rule {
                of: Direction::Column(1),
                belief: Belief::of_rule(Prior { mean: 0.0, sd: 0.1 }),
                sign: Sign::Free,
            }];
            let question = Question {
                x: &x,
                y: &y,
                weights: &[1.0; 8],
                rules: &rules,
                spread: &SpreadPrior::about(0.15, 1.0),
                nu: 4.0,
                start: DVector::from_vec(vec![y.mean(), 0.0]),
            };
            let (found, all) = (found(&question), exhaustive(&question));
            for i in 0..8 {
                let apart = (found[i] - all[i]).abs();
                assert!(apart < 0.02, "{wrong:?} {i}: {found:?} {all:?}");
            }
            let is_wrong = |i: usize| wrong.iter().any(|(row, _)| *row == i);
            let clear = (0..8).filter(|&i| (all[i] > 0.5) == is_wrong(i)).count();
            assert!(clear >= 6, "{wrong:?}: {all:?}");
        }
    }

    fn explored(question: &Question<'_>, errors: Errors, places: &mut Vec<Place>) -> State {
        let walk = Walk::new(question, errors);
        walk.explore(State::first(question), places).unwrap()
    }

    /// Probability that each price is mistyped.
    fn probabilities(places: &[Place]) -> Vec<f64> {
        let best = highest(places);
        let weight = |p: &Place| (p.height - best).exp() * p.step;
        let total: f64 = places.iter().map(weight).sum();
        let of = |i: usize| places.iter().filter(move |p| p.mistyped.contains(&i));
        (0..8)
            .map(|i| of(i).map(weight).sum::<f64>() / total)
            .collect()
    }

    fn found(question: &Question<'_>) -> Vec<f64> {
        let mut places = Vec::new();
        let robust = explored(question, Errors::t(2.0).unwrap(), &mut places);
        let normal = explored(question, Errors::Normal, &mut places);
        let walk = Walk::new(question, Errors::Normal);
        add(question, &walk, [&normal, &robust], &mut places);
        probabilities(&places)
    }

    fn exhaustive(question: &Question<'_>) -> Vec<f64> {
        let mut places = Vec::new();
        explored(question, Errors::t(2.0).unwrap(), &mut places);
        let normal = explored(question, Errors::Normal, &mut places);
        let walk = Walk::new(question, Errors::Normal);
        let mut search = Search::new(question, &walk, &mut places);
        for bits in 1_u32..256 {
            let rows: BTreeSet<usize> = (0..8).filter(|i| bits >> i & 1 == 1).collect();
            if rows.len() <= 3 {
                search.fit(&rows, normal.sigma);
            }
        }
        probabilities(&places)
    }
}
