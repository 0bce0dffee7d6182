//! What the comps say of the residual scale and of the tails, beyond one best value.
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
//!
//! How heavy the tails are is known no better. Errors with ν/2 degrees of freedom and normal ones,
//! even chances before the comps, are weighed by the same formula: tidy comps lean to the narrower
//! band of normal errors, and comps with a gross error among them to that of errors that make
//! nothing of it. `s₀` is for each the scale that puts its middle 80 % where the guess has it.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{Continuous, Normal, StudentsT};

use super::robust::{Fit, Loss, Options, Problem, without};
use super::solve::{Factor, Penalty};

/// One residual scale and tail, what the comps and the rules say for it, and how far the mean of a
/// row is in doubt where it holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// The scale σ of the error distribution, log price.
    pub sigma: f64,
    /// Degrees of freedom of the errors; infinite where they are normal.
    pub nu: f64,
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

/// The posterior of the residual scale and the tails about `fit`, with the variance of the mean of
/// the design row `row` (p) at each. `None` where the errors are not Student-t (for normal errors
/// the posterior is a textbook's) or a system cannot be solved.
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
    let heavy = Loss::StudentT {
        nu: (nu / 2.0).max(1.0),
    };
    let mut places = Vec::new();
    for loss in [heavy, Loss::LeastSquares] {
        places.extend(Walk::new(problem, options, fit, loss)?.about(fit, row)?);
    }
    let best = highest(&places);
    places.retain(|(_, place)| place.height >= best - NEGLIGIBLE);
    let total: f64 = places.iter().map(|(_, p)| (p.height - best).exp()).sum();
    let scales: Vec<Scale> = places
        .into_iter()
        .map(|(nu, place)| Scale {
            sigma: place.sigma,
            nu,
            weight: (place.height - best).exp() / total,
            variance: place.variance,
        })
        .collect();
    scales
        .iter()
        .all(|s| s.weight.is_finite() && s.variance.is_finite())
        .then_some(scales)
}

fn highest(places: &[(f64, Place)]) -> f64 {
    let heights = places.iter().map(|(_, place)| place.height);
    heights.fold(f64::NEG_INFINITY, f64::max)
}

/// The error distribution at scale one.
enum Errors {
    Normal(Normal),
    T(StudentsT),
}

impl Errors {
    fn of(loss: Loss) -> Option<Self> {
        let nu = loss.nu();
        if nu.is_infinite() {
            Some(Self::Normal(Normal::standard()))
        } else {
            StudentsT::new(0.0, 1.0, nu).ok().map(Self::T)
        }
    }

    fn ln_pdf(&self, z: f64) -> f64 {
        match self {
            Self::Normal(normal) => normal.ln_pdf(z),
            Self::T(t) => t.ln_pdf(z),
        }
    }
}

/// What is the same at every scale of one tail.
struct Walk<'a> {
    problem: &'a Problem<'a>,
    options: &'a Options,
    loss: Loss,
    errors: Errors,
    /// What scales of the fit's errors are in scales of these.
    unit: f64,
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
    fn new(problem: &'a Problem<'a>, options: &'a Options, fit: &Fit, loss: Loss) -> Option<Self> {
        Some(Self {
            problem,
            options,
            loss,
            errors: Errors::of(loss)?,
            unit: loss.scale_of_decile() / options.loss.scale_of_decile(),
            free: (0..fit.held.len()).filter(|&j| !fit.held[j]).collect(),
            reduced: fit
                .held
                .contains(&true)
                .then(|| without(problem, &fit.held)),
        })
    }

    /// Modes at scales to either side of that of `fit`, as far as any weight is to be found, each
    /// with the degrees of freedom of the errors.
    fn about(&self, fit: &Fit, row: &DVector<f64>) -> Option<Vec<(f64, Place)>> {
        let (centre, nu) = (fit.sigma * self.unit, self.loss.nu());
        let step = STEP / (2.0 * fit.degrees).sqrt();
        let start = self.at(centre, &fit.coefficients, row)?;
        let mut best = start.height;
        let mut all = vec![(nu, start)];
        for direction in [1.0, -1.0] {
            let mut from = all[0].1.mode.clone();
            for k in 1..=MOST_STEPS {
                let sigma = centre * (direction * step * k as f64).exp();
                let place = self.at(sigma, &from, row)?;
                from.clone_from(&place.mode);
                best = best.max(place.height);
                let far = place.height < best - NEGLIGIBLE;
                all.push((nu, place));
                if far {
                    break;
                }
            }
        }
        Some(all)
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
        let share = self.loss.location_information();
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
            let guess = self.options.prior_scale * self.unit;
            rows * (sigma / guess).ln().powi(2)
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
            .map(|(r, w)| w * self.loss.weight(r / sigma) / (sigma * sigma))
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::robust::fit;
    use crate::fit::solve::Sign;

    /// The posterior of the level of `y` alone.
    fn of(y: &[f64]) -> Vec<Scale> {
        let (n, options) = (y.len(), Options::default());
        let (x, y) = (DMatrix::repeat(n, 1, 1.0), DVector::from_column_slice(y));
        let problem = Problem {
            x: &x,
            y: &y,
            weights: &vec![1.0; n],
            penalties: &[],
            signs: &[Sign::Free],
            start: None,
        };
        let fit = fit(&problem, &options).unwrap();
        posterior(&problem, &options, &fit, &DVector::repeat(1, 1.0)).unwrap()
    }

    fn normal_share(scales: &[Scale]) -> f64 {
        let normal = scales.iter().filter(|s| s.nu.is_infinite());
        normal.map(|s| s.weight).sum()
    }

    /// The same share by summing over a fine grid of levels and scales.
    fn share_by_sums(y: &[f64]) -> f64 {
        let options = Options::default();
        let evidence = |loss: Loss| -> f64 {
            let errors = Errors::of(loss).unwrap();
            let guess =
                options.prior_scale * loss.scale_of_decile() / options.loss.scale_of_decile();
            let scales = (-300..300).map(|k| f64::from(k) * 0.01);
            scales
                .flat_map(|t| (-600..600).map(move |m| (t, f64::from(m) * 0.005)))
                .map(|(t, level)| {
                    let sigma = guess * t.exp();
                    let logs = y
                        .iter()
                        .map(|y| errors.ln_pdf((y - level) / sigma) - sigma.ln());
                    (logs.sum::<f64>() - options.prior_rows * t * t).exp()
                })
                .sum()
        };
        let normal = evidence(Loss::LeastSquares);
        normal / (normal + evidence(Loss::StudentT { nu: 2.0 }))
    }

    #[test]
    fn tails_are_weighed_by_the_comps() {
        let tidy = [-0.12, -0.08, -0.03, 0.0, 0.02, 0.05, 0.09, 0.13];
        let mistyped = [-0.12, -0.08, -0.03, 0.0, 0.02, 0.05, 0.09, 1.6];
        for (y, least, most) in [(tidy, 0.5, 0.9), (mistyped, 0.0, 0.05)] {
            let scales = of(&y);
            let sum: f64 = scales.iter().map(|s| s.weight).sum();
            assert!((sum - 1.0).abs() < 1e-12, "{sum}");
            let (share, exact) = (normal_share(&scales), share_by_sums(&y));
            assert!((share - exact).abs() < 0.05, "{share} and {exact}");
            assert!((least..most).contains(&share), "{share}");
        }
    }
}
