//! What the comps say of the residual scale, beyond one best value.
//!
//! With few comps the scale is as uncertain as anything else, and a band made as if it were
//! known, or known as from that many free residuals, has the wrong width. So the chance of each
//! scale is weighed by how well the comps and the rules of thumb agree under it: with β̂(σ) the
//! posterior mode at that scale,
//!
//! ```text
//! log p(σ | y) ≈ Σ wᵢ log tν((yᵢ − xᵢ'β̂)/σ)/σ − ½ Σ pₖ (gₖ − zₖ'β̂)² − ½ log |H(σ)|
//!                − n₀ (log σ − log s₀)² + constant
//! ```
//!
//! (Laplace's method; Tierney and Kadane 1986, *JASA* 81: 82-86), `H` being the posterior
//! precision of [`super::robust`]. The prior on σ is lognormal about `s₀` with log variance
//! `1/(2 n₀)`, the information in the residuals of `n₀` sales; it forbids a spread of nothing
//! and, unlike the inverse chi-square, a ruinous one.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{Continuous, StudentsT};

use super::robust::{Fit, Loss, Options, Problem, without};
use super::solve::{Factor, Penalty};

/// One residual scale, what the comps and the rules say for it, and how far the mean of a row is
/// in doubt where it holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// The scale σ of the error distribution, log price.
    pub sigma: f64,
    /// Chance; they add up to one.
    pub weight: f64,
    /// Variance of the row's mean.
    pub variance: f64,
}

/// Step between scales, in standard deviations of log σ.
const STEP: f64 = 0.6;

/// Scales this far (in log posterior) below the likeliest are left out.
const NEGLIGIBLE: f64 = 9.0;

/// Most steps to either side.
const MOST_STEPS: usize = 30;

/// The mode at one scale is found when no fitted value moves by more than this share of it.
const TOLERANCE: f64 = 1e-4;

/// Most rounds of reweighting at one scale.
const MOST_ROUNDS: usize = 50;

/// The posterior of the residual scale about `fit`, with the variance of the mean of the design
/// row `row` (p) at each. `None` where the errors are not Student-t (for normal errors the
/// posterior is a textbook's) or a system cannot be solved.
pub fn posterior(
    problem: &Problem<'_>,
    options: &Options,
    fit: &Fit,
    row: &DVector<f64>,
) -> Option<Vec<Scale>> {
    let Loss::StudentT { nu } = options.loss else {
        return None;
    };
    if nu.is_infinite() {
        return None;
    }
    let errors = StudentsT::new(0.0, 1.0, nu).ok()?;
    let walk = Walk::new(problem, options, fit, errors);
    let step = STEP / (2.0 * fit.degrees).sqrt();
    let start = walk.at(fit.sigma, &fit.coefficients, row)?;
    let mut best = start.height;
    let mut all = vec![start];
    for direction in [1.0, -1.0] {
        let mut from = all[0].mode.clone();
        for k in 1..=MOST_STEPS {
            let sigma = fit.sigma * (direction * step * k as f64).exp();
            let place = walk.at(sigma, &from, row)?;
            from.clone_from(&place.mode);
            best = best.max(place.height);
            let far = place.height < best - NEGLIGIBLE;
            all.push(place);
            if far {
                break;
            }
        }
    }
    let total: f64 = all.iter().map(|p| (p.height - best).exp()).sum();
    let scales: Vec<Scale> = all
        .into_iter()
        .filter(|place| place.height >= best - NEGLIGIBLE)
        .map(|place| Scale {
            sigma: place.sigma,
            weight: (place.height - best).exp() / total,
            variance: place.variance,
        })
        .collect();
    scales
        .iter()
        .all(|s| s.weight.is_finite() && s.variance.is_finite())
        .then_some(scales)
}

/// What is the same at every scale.
struct Walk<'a> {
    problem: &'a Problem<'a>,
    options: &'a Options,
    errors: StudentsT,
    /// Columns that no sign constraint holds at zero, with the design and penalties of these.
    free: Vec<usize>,
    reduced: Option<(DMatrix<f64>, Vec<Penalty>)>,
}

/// The mode at one scale.
struct Place {
    sigma: f64,
    mode: DVector<f64>,
    /// Log posterior of the scale, up to a constant.
    height: f64,
    variance: f64,
}

impl<'a> Walk<'a> {
    fn new(problem: &'a Problem<'a>, options: &'a Options, fit: &Fit, errors: StudentsT) -> Self {
        Self {
            problem,
            options,
            errors,
            free: (0..fit.held.len()).filter(|&j| !fit.held[j]).collect(),
            reduced: fit
                .held
                .contains(&true)
                .then(|| without(problem, &fit.held)),
        }
    }

    fn at(&self, sigma: f64, from: &DVector<f64>, row: &DVector<f64>) -> Option<Place> {
        let (x, y) = (self.problem.x, self.problem.y);
        let mut mode = from.clone();
        let mut residuals = y - x * &mode;
        let mut weights = self.weights(&residuals, sigma);
        for _ in 0..MOST_ROUNDS {
            let next = self.solve(&weights)?;
            let left = y - x * &next;
            let moved = (&left - &residuals).amax();
            (mode, residuals) = (next, left);
            weights = self.weights(&residuals, sigma);
            if moved <= TOLERANCE * sigma {
                break;
            }
        }
        let share = self.options.loss.location_information();
        weights.iter_mut().for_each(|a| *a *= share);
        let precision = Factor::quick(x, y, &weights, self.problem.penalties)?;
        let likelihood: f64 = residuals
            .iter()
            .zip(self.problem.weights)
            .map(|(r, w)| w * (self.errors.ln_pdf(r / sigma) - sigma.ln()))
            .sum();
        let misses: f64 = self
            .problem
            .penalties
            .iter()
            .map(|p| p.precision * (p.target - p.row.dot(&mode)).powi(2))
            .sum();
        let rows = self.options.prior_rows;
        let doubt = if rows > 0.0 {
            rows * (sigma / self.options.prior_scale).ln().powi(2)
        } else {
            0.0
        };
        Some(Place {
            sigma,
            variance: precision.quadratic(row),
            height: likelihood - (misses + precision.log_determinant()) / 2.0 - doubt,
            mode,
        })
    }

    fn weights(&self, residuals: &DVector<f64>, sigma: f64) -> Vec<f64> {
        residuals
            .iter()
            .zip(self.problem.weights)
            .map(|(r, w)| w * self.options.loss.weight(r / sigma) / (sigma * sigma))
            .collect()
    }

    fn solve(&self, weights: &[f64]) -> Option<DVector<f64>> {
        let Problem {
            x, y, penalties, ..
        } = self.problem;
        let Some((x, penalties)) = &self.reduced else {
            return Some(Factor::quick(x, y, weights, penalties)?.solve());
        };
        let solution = Factor::quick(x, y, weights, penalties)?.solve();
        let mut all = DVector::zeros(self.problem.x.ncols());
        for (&j, value) in self.free.iter().zip(solution.iter()) {
            all[j] = *value;
        }
        Some(all)
    }
}
