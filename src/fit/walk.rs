//! The posterior at one point of the grid of [`super::posterior`], and the walk from point to point.

use std::collections::BTreeSet;
use std::f64::consts::PI;

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{Continuous, StudentsT};

use super::ep::{Moments, Normal, Quadratic, Root, Rule, Sites};
use super::robust::Loss;
use crate::select::order::{NORMAL_QUARTILE, median};

/// Step between scales, in standard deviations of log σ.
const STEP: f64 = 0.9;

/// Scales this far (in log posterior) below the likeliest are omitted.
pub(super) const NEGLIGIBLE: f64 = 5.0;

/// Most steps on each side.
const MOST_STEPS: usize = 40;

/// Most sweeps between two sets of weights, and in total for normal errors.
const SWEEPS: usize = 2;
const MOST_SWEEPS: usize = 15;

/// Most sets of weights at one point.
const MOST_ROUNDS: usize = 20;

/// Sweeps end when no mean changes by more than this many of its standard deviations.
const SETTLED: f64 = 2e-2;

/// Weights have converged when no fitted value changes by more than this share of σ.
const TOLERANCE: f64 = 1e-2;

/// Smallest residual scale. Prices are whole cents and round numbers, so that sales which agree to
/// the cent do not make the next one certain.
const LEAST_SCALE: f64 = 1e-3;

/// A mixture of normals as a belief about the logarithm of the residual scale.
#[derive(Debug, Clone, PartialEq)]
pub struct SpreadPrior {
    /// Weight, and mean and variance of log σ.
    pub parts: Vec<(f64, Moments)>,
}

impl SpreadPrior {
    /// A belief centred on the usual spread `usual` (log price), with the information of `rows`
    /// sales.
    pub fn about(usual: f64, rows: f64) -> Self {
        let belief = Moments {
            mean: usual.ln(),
            variance: (2.0 * rows).recip(),
        };
        Self {
            parts: vec![(1.0, belief)],
        }
    }

    /// Log density of `u = log σ`, up to a constant.
    fn log_density(&self, u: f64) -> f64 {
        let part = |(weight, m): &(f64, Moments)| {
            weight.ln() - ((u - m.mean).powi(2) / m.variance + m.variance.ln()) / 2.0
        };
        let logs: Vec<f64> = self.parts.iter().map(part).collect();
        let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        most + logs.iter().map(|l| (l - most).exp()).sum::<f64>().ln()
    }

    /// Mean of log σ.
    pub fn mean(&self) -> f64 {
        self.parts.iter().map(|(w, m)| w * m.mean).sum()
    }

    /// Variance of log σ.
    pub fn variance(&self) -> f64 {
        let mean = self.mean();
        let square = |(w, m): &(f64, Moments)| w * (m.variance + (m.mean - mean).powi(2));
        self.parts.iter().map(square).sum()
    }
}

/// Comps and rules of thumb, ready for a fit.
#[derive(Debug, Clone)]
pub struct Question<'a> {
    /// Design, n × p.
    pub x: &'a DMatrix<f64>,
    /// Log prices, n.
    pub y: &'a DVector<f64>,
    /// Weight of each row, n, above 0.
    pub weights: &'a [f64],
    /// Beliefs about the coefficients.
    pub rules: &'a [Rule],
    /// Belief about the residual scale.
    pub spread: &'a SpreadPrior,
    /// Degrees of freedom ν of the errors: those with ν/2 are compared with normal ones; infinite
    /// for normal errors alone.
    pub nu: f64,
    /// Coefficients to start from, p.
    pub start: DVector<f64>,
}

/// One residual scale and error distribution, and the posterior of the coefficients given both.
#[derive(Debug, Clone)]
pub struct Place {
    /// Scale σ of the error distribution, log price.
    pub sigma: f64,
    /// Degrees of freedom of the errors; infinite if they are normal.
    pub nu: f64,
    /// Posterior probability; they sum to one.
    pub weight: f64,
    /// Posterior of the coefficients.
    pub coefficients: Normal,
    /// Robustness weights u, n: 1 for a zero residual (less for Student-t errors).
    pub(super) robust: Vec<f64>,
    /// Cavity of each rule.
    pub(super) cavities: Vec<Option<Moments>>,
    pub(super) height: f64,
    /// log σ in scales of normal errors.
    pub(super) log_spread: f64,
    /// Step of the grid in log σ.
    pub(super) step: f64,
    pub(super) settled: bool,
    /// Rows whose prices are taken for mistyped.
    pub(super) mistyped: BTreeSet<usize>,
}

/// Greatest height of some places.
pub(super) fn highest(places: &[Place]) -> f64 {
    let heights = places.iter().map(|place| place.height);
    heights.fold(f64::NEG_INFINITY, f64::max)
}

/// Distribution of errors with a given scale σ.
#[derive(Debug, Clone, Copy)]
pub(super) enum Errors {
    /// Normal.
    Normal,
    /// Student-t, with its log density at 0.
    T { nu: f64, log_peak: f64 },
}

impl Errors {
    pub(super) fn t(nu: f64) -> Option<Self> {
        let log_peak = StudentsT::new(0.0, 1.0, nu).ok()?.ln_pdf(0.0);
        Some(Self::T { nu, log_peak })
    }

    /// Degrees of freedom; infinite for normal errors.
    fn nu(self) -> f64 {
        match self {
            Self::T { nu, .. } => nu,
            Self::Normal => f64::INFINITY,
        }
    }

    fn loss(self) -> Loss {
        match self {
            Self::T { nu, .. } => Loss::StudentT { nu },
            Self::Normal => Loss::LeastSquares,
        }
    }

    /// Log density of a residual, and the weight of its row: its information relative to a zero
    /// residual.
    fn density_and_weight(self, residual: f64, sigma: f64) -> (f64, f64) {
        let z = residual / sigma;
        let normal = -z * z / 2.0 - sigma.ln() - (2.0 * PI).ln() / 2.0;
        match self {
            Self::Normal => (normal, 1.0),
            Self::T { nu, log_peak } => {
                let log = log_peak - sigma.ln() - (nu + 1.0) / 2.0 * (z * z / nu).ln_1p();
                (log, (nu + 1.0) / (nu + z * z))
            }
        }
    }
}

/// Result of a run of sweeps.
#[derive(Debug, Clone)]
pub(super) struct State {
    pub(super) sigma: f64,
    pub(super) beta: DVector<f64>,
    pub(super) sites: Sites,
}

impl State {
    pub(super) fn first(question: &Question<'_>) -> Self {
        let residuals = question.y - question.x * &question.start;
        let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
        let rows = sizes.len() as f64;
        let usual = question.spread.mean().exp();
        let middle = median(&mut sizes) / NORMAL_QUARTILE;
        Self {
            sigma: ((usual * usual + rows * middle * middle) / (1.0 + rows)).sqrt(),
            beta: question.start.clone(),
            sites: Sites::of(question.rules),
        }
    }
}

/// A walk over the scales of one error distribution, with all that is the same at each.
pub(super) struct Walk<'a> {
    question: &'a Question<'a>,
    errors: Errors,
    loss: Loss,
    /// σ divided by the scale of normal errors with the same middle 80 %.
    unit: f64,
    /// Rows whose prices are taken for mistyped.
    mistyped: BTreeSet<usize>,
    /// Log probability of all signs under the rules before truncation.
    possible: f64,
    /// Sum of the weights of the other rows.
    total: f64,
    /// For normal errors, sums over the other rows.
    sums: Option<Sums>,
}

/// What normal errors take from the rows: their likelihood at any scale and coefficients. Residuals
/// are those of the coefficients `β₀` that the question starts from, so that no digits are lost.
#[derive(Clone)]
struct Sums {
    /// `Σ wᵢ xᵢxᵢ'`, p × p.
    squares: DMatrix<f64>,
    /// `Σ wᵢ rᵢ xᵢ`, p.
    products: DVector<f64>,
    /// `Σ wᵢ rᵢ²`.
    residual: f64,
}

impl Sums {
    fn of(question: &Question<'_>) -> Self {
        let residuals = question.y - question.x * &question.start;
        let weighted = weighted(question.x, question.weights);
        let squared = residuals.iter().zip(question.weights);
        Self {
            squares: products(question.x, &weighted),
            products: weighted.tr_mul(&residuals),
            residual: squared.map(|(r, w)| w * r * r).sum(),
        }
    }

    /// The sums without these rows.
    fn without(&self, question: &Question<'_>, rows: &BTreeSet<usize>) -> Self {
        let mut left = self.clone();
        for &i in rows {
            let row = question.x.row(i).transpose();
            let residual = question.y[i] - row.dot(&question.start);
            let weight = question.weights[i];
            left.squares.ger(-weight, &row, &row, 1.0);
            left.products.axpy(-weight * residual, &row, 1.0);
            left.residual -= weight * residual * residual;
        }
        left
    }

    /// `Σ wᵢ rᵢ²` of the residuals of the coefficients `β₀ + moved`.
    fn residual(&self, moved: &DVector<f64>) -> f64 {
        let fitted = (&self.squares * moved - 2.0 * &self.products).dot(moved);
        (self.residual + fitted).max(0.0)
    }
}

/// The rows of `x` times `a`.
fn weighted(x: &DMatrix<f64>, a: &[f64]) -> DMatrix<f64> {
    let mut weighted = x.clone();
    for mut column in weighted.column_iter_mut() {
        for (value, a) in column.iter_mut().zip(a) {
            *value *= a;
        }
    }
    weighted
}

/// `weighted'x`, which is symmetric.
fn products(x: &DMatrix<f64>, weighted: &DMatrix<f64>) -> DMatrix<f64> {
    let p = x.ncols();
    let mut products = DMatrix::zeros(p, p);
    for j in 0..p {
        let column = weighted.column(j);
        for i in j..p {
            let value = column.dot(&x.column(i));
            products[(i, j)] = value;
            products[(j, i)] = value;
        }
    }
    products
}

/// The likelihood near a mean, with its robustness weights.
struct Local {
    likelihood: Quadratic,
    robust: Vec<f64>,
}

impl<'a> Walk<'a> {
    pub(super) fn new(question: &'a Question<'a>, errors: Errors) -> Self {
        let loss = errors.loss();
        Self {
            question,
            errors,
            loss,
            unit: loss.scale_of_decile(),
            mistyped: BTreeSet::new(),
            possible: question.rules.iter().map(Rule::log_possible).sum(),
            total: question.weights.iter().sum(),
            sums: matches!(errors, Errors::Normal).then(|| Sums::of(question)),
        }
    }

    /// The walk of normal errors over all rows but these.
    pub(super) fn without(&self, mistyped: &BTreeSet<usize>) -> Self {
        let weights = mistyped.iter().map(|&i| self.question.weights[i]);
        let sums = self.sums.as_ref();
        Self {
            mistyped: mistyped.clone(),
            total: self.total - weights.sum::<f64>(),
            sums: sums.map(|sums| sums.without(self.question, mistyped)),
            ..*self
        }
    }

    /// The posterior of normal errors at the scale of `state`, with its sites.
    pub(super) fn posterior(&self, state: &State) -> Option<Normal> {
        let likelihood = self.local(&state.beta, state.sigma).likelihood;
        state.sites.posterior(self.question.rules, &likelihood)
    }

    /// Moves from `start` close to the likeliest scale: sweeps, new weights and a new scale
    /// alternate.
    pub(super) fn climb(&self, start: State) -> Option<State> {
        const ROUNDS: usize = 12;
        let Question { rules, spread, .. } = self.question;
        let (usual, rows) = (
            spread.mean().exp() * self.unit,
            (2.0 * spread.variance()).recip(),
        );
        let mut state = start;
        for _ in 0..ROUNDS {
            let local = self.local(&state.beta, state.sigma);
            let posterior = self.settle(&mut state.sites, &local.likelihood, 2)?;
            let squares = self.residual(&posterior.mean, &local.robust);
            let parameters = posterior.mean.len() as f64 - state.sites.taken(rules, &posterior);
            let left = (self.total - parameters.max(0.0)).max(0.0);
            let sigma = ((rows * usual * usual + squares) / (rows + left)).sqrt();
            state.beta = posterior.mean;
            let sigma = sigma.max(LEAST_SCALE);
            let change = (sigma / state.sigma).ln().abs();
            state.sigma = sigma;
            if change < 0.05 {
                break;
            }
        }
        Some(state)
    }

    /// Climbs from `from`, adds the places about the scale that it reaches to `all`, and returns the
    /// state there.
    pub(super) fn explore(&self, from: State, all: &mut Vec<Place>) -> Option<State> {
        let start = self.climb(from)?;
        let peak = self.at(start.sigma, &start)?;
        self.about(&start, peak, all)?;
        Some(start)
    }

    /// Adds `peak`, the posterior at the scale of `start`, and posteriors at scales on both sides
    /// as far as their weight is not negligible.
    pub(super) fn about(
        &self,
        start: &State,
        peak: (Place, State),
        all: &mut Vec<Place>,
    ) -> Option<()> {
        let taken = {
            let local = self.local(&start.beta, start.sigma);
            let posterior = start.sites.root(self.question.rules, &local.likelihood)?;
            posterior.mean.len() as f64 - start.sites.taken(self.question.rules, &posterior)
        };
        let share = self.loss.scale_information();
        let rows = (2.0 * self.question.spread.variance()).recip();
        let degrees = (rows + (self.total - taken).max(0.0) * share).max(1.0);
        let step = STEP / (2.0 * degrees).sqrt();
        let (mut place, first) = peak;
        place.step = step;
        let mut best = place.height.max(highest(all));
        all.push(place);
        for direction in [1.0, -1.0] {
            let mut from = first.clone();
            for k in 1..=MOST_STEPS {
                let sigma = start.sigma * (direction * step * k as f64).exp();
                if sigma < LEAST_SCALE {
                    break;
                }
                let (mut place, next) = self.at(sigma, &from)?;
                place.step = step;
                from = next;
                best = best.max(place.height);
                let far = place.height < best - NEGLIGIBLE;
                all.push(place);
                if far {
                    break;
                }
            }
        }
        Some(())
    }

    /// The posterior at scale `sigma`, started from the state at a nearby scale.
    pub(super) fn at(&self, sigma: f64, from: &State) -> Option<(Place, State)> {
        let Question { x, rules, .. } = self.question;
        let mut state = State {
            sigma,
            ..from.clone()
        };
        let (sweeps, rounds) = match self.errors {
            Errors::Normal => (MOST_SWEEPS, 1),
            _ => (SWEEPS, MOST_ROUNDS),
        };
        let mut local = self.local(&state.beta, sigma);
        let mut root = self.settle(&mut state.sites, &local.likelihood, sweeps)?;
        let mut settled = rounds == 1;
        for _ in 1..rounds {
            let moved = (*x * (&root.mean - &state.beta)).amax();
            state.beta.copy_from(&root.mean);
            settled = moved <= TOLERANCE * sigma;
            if settled {
                break;
            }
            local = self.local(&state.beta, sigma);
            root = self.settle(&mut state.sites, &local.likelihood, sweeps)?;
        }
        let posterior = root.posterior();
        let log_spread = (sigma / self.unit).ln();
        let height = state.sites.log_mass(rules, &local.likelihood, &posterior) - self.possible
            + self.question.spread.log_density(log_spread);
        let place = Place {
            sigma,
            nu: self.errors.nu(),
            weight: 0.0,
            cavities: state.sites.cavities(rules, &posterior),
            robust: local.robust,
            coefficients: posterior,
            height,
            log_spread,
            settled,
            step: 0.0,
            mistyped: self.mistyped.clone(),
        };
        height.is_finite().then_some((place, state))
    }

    /// Runs at most `most` sweeps until the sites converge, and returns the posterior.
    fn settle(&self, sites: &mut Sites, likelihood: &Quadratic, most: usize) -> Option<Root> {
        sites.settle(self.question.rules, likelihood, most, SETTLED)
    }

    /// Weighted sum of the squared residuals at `beta`, given robustness weights.
    fn residual(&self, beta: &DVector<f64>, robust: &[f64]) -> f64 {
        let Question {
            x,
            y,
            weights,
            start,
            ..
        } = self.question;
        if let Some(sums) = &self.sums {
            return sums.residual(&(beta - start));
        }
        let residuals = *y - *x * beta;
        let rows = weights.iter().zip(robust).zip(&residuals);
        rows.map(|((w, u), r)| w * u * r * r).sum()
    }

    /// The quadratic approximation of the log likelihood at `beta`; for normal errors it is exact
    /// and the same at each.
    fn local(&self, beta: &DVector<f64>, sigma: f64) -> Local {
        match &self.sums {
            Some(sums) => self.normal(sums, sigma),
            None => self.approximate(beta, sigma),
        }
    }

    fn normal(&self, sums: &Sums, sigma: f64) -> Local {
        let start = &self.question.start;
        let square = sigma * sigma;
        let at = &sums.squares * start;
        let left = sums.residual + (2.0 * &sums.products + &at).dot(start);
        let robust = |i| if self.mistyped.contains(&i) { 0.0 } else { 1.0 };
        Local {
            likelihood: Quadratic {
                constant: -left / 2.0 / square - self.total * (sigma.ln() + (2.0 * PI).ln() / 2.0),
                shift: (&sums.products + at) / square,
                precision: &sums.squares / square,
            },
            robust: (0..self.question.y.len()).map(robust).collect(),
        }
    }

    fn approximate(&self, beta: &DVector<f64>, sigma: f64) -> Local {
        let Question { x, y, weights, .. } = self.question;
        let residuals = *y - *x * beta;
        let (share, square) = (self.loss.location_information(), sigma * sigma);
        let density = |r: &f64| self.errors.density_and_weight(*r, sigma);
        let (logs, robust): (Vec<f64>, Vec<f64>) = residuals.iter().map(density).unzip();
        let a = weights.iter().zip(&robust).map(|(w, u)| w * u / square);
        let weighted = weighted(x, &a.collect::<Vec<_>>());
        let gradient = weighted.tr_mul(&residuals);
        let precision = products(x, &weighted) * share;
        let log_likelihood: f64 = logs.iter().zip(*weights).map(|(log, w)| w * log).sum();
        let at = &precision * beta;
        Local {
            likelihood: Quadratic {
                constant: log_likelihood - gradient.dot(beta) - at.dot(beta) / 2.0,
                shift: gradient + at,
                precision,
            },
            robust,
        }
    }
}
