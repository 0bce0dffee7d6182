//! Robust linear regression by iteratively reweighted least squares.
//!
//! Each round solves a penalised least-squares problem with weights `aᵢ = wᵢ uᵢ / σ²`: `wᵢ` is the
//! weight of the comp (by its age), and `uᵢ` falls as its residual grows. For Student-t errors `uᵢ
//! = (ν + 1) / (ν + rᵢ²/σ²)` is the E step of the EM algorithm, and the rounds never lower the
//! likelihood (Lange, Little and Taylor 1989, *JASA* 84: 881-896). Huber (1964) and Tukey's
//! biweight (Beaton and Tukey 1974) take their scale from the median absolute residual.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, StudentsT};

use super::solve::{Factor, Penalty, Sign, SolveError};
use crate::select::order::{NORMAL_DECILE, NORMAL_QUARTILE, median};

/// Treatment of large residuals.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Loss {
    /// Normal errors: every residual counts in full.
    LeastSquares,
    /// Student-t errors with this many degrees of freedom.
    StudentT {
        /// Degrees of freedom ν, at least 1; infinite is [`Loss::LeastSquares`].
        nu: f64,
    },
    /// Huber's loss: weights `min(1, k/|r/σ|)`.
    Huber {
        /// Residual, in scales, at which the loss becomes linear (usually 1.345).
        k: f64,
    },
    /// Tukey's biweight: weights `(1 − (r/cσ)²)²`, zero beyond `c`.
    Tukey {
        /// Residual, in scales, from which the weight is zero (usually 4.685).
        c: f64,
    },
}

impl Loss {
    /// Weight `u` of a residual of `z` scales.
    pub fn weight(self, z: f64) -> f64 {
        match self {
            Self::LeastSquares => 1.0,
            Self::StudentT { nu } if nu.is_infinite() => 1.0,
            Self::StudentT { nu } => (nu + 1.0) / (nu + z * z),
            Self::Huber { k } => (k / z.abs()).min(1.0),
            Self::Tukey { c } if z.abs() >= c => 0.0,
            Self::Tukey { c } => (1.0 - (z / c).powi(2)).powi(2),
        }
    }

    /// Degrees of freedom of the error distribution: ν, or infinite if the centre is normal.
    pub fn nu(self) -> f64 {
        match self {
            Self::StudentT { nu } => nu,
            _ => f64::INFINITY,
        }
    }

    /// Scale at which the middle 80 % of this error distribution equals that of the standard
    /// normal.
    pub fn scale_of_decile(self) -> f64 {
        match StudentsT::new(0.0, 1.0, self.nu()) {
            Ok(t) if self.nu().is_finite() => NORMAL_DECILE / t.inverse_cdf(0.9),
            _ => 1.0,
        }
    }

    /// Share of the complete-data information that remains when the mixing weights are unknown: `(ν
    /// + 1)/(ν + 3)` for location (Lange, Little and Taylor 1989, section 4).
    pub(super) fn location_information(self) -> f64 {
        let nu = self.nu();
        if nu.is_infinite() {
            1.0
        } else {
            (nu + 1.0) / (nu + 3.0)
        }
    }

    /// The same share for scale: `ν/(ν + 3)`.
    pub(super) fn scale_information(self) -> f64 {
        let nu = self.nu();
        if nu.is_infinite() {
            1.0
        } else {
            nu / (nu + 3.0)
        }
    }

    fn scale_from_median(self) -> bool {
        matches!(self, Self::Huber { .. } | Self::Tukey { .. })
    }
}

/// Input of a fit.
#[derive(Debug, Clone)]
pub struct Problem<'a> {
    /// Design, n × p.
    pub x: &'a DMatrix<f64>,
    /// Responses, n.
    pub y: &'a DVector<f64>,
    /// Weight of each row, n, above 0 (average 1 if all are equal).
    pub weights: &'a [f64],
    /// Priors.
    pub penalties: &'a [Penalty],
    /// Sign constraints, p.
    pub signs: &'a [Sign],
    /// Coefficients to start from, p; the least-squares solution if absent.
    pub start: Option<DVector<f64>>,
}

/// Options of a fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Treatment of large residuals.
    pub loss: Loss,
    /// Prior value of the residual scale.
    pub prior_scale: f64,
    /// Weight of the prior value, in rows; 0 for none.
    pub prior_rows: f64,
    /// Divisor of the residual variance: the rows less the effective parameters (true), or the
    /// rows, as in maximum likelihood (false).
    pub correct_scale: bool,
    /// Most rounds.
    pub most_rounds: usize,
    /// The rounds end when no fitted value changes by more than this many residual scales.
    pub tolerance: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            loss: Loss::StudentT { nu: 4.0 },
            prior_scale: 0.15,
            prior_rows: 2.0,
            correct_scale: true,
            most_rounds: 200,
            tolerance: 1e-7,
        }
    }
}

/// A finished fit.
#[derive(Debug, Clone)]
pub struct Fit {
    /// Coefficients under the sign constraints, p.
    pub coefficients: DVector<f64>,
    /// Coefficients without the sign constraints, p.
    pub unconstrained: DVector<f64>,
    /// Mean that belongs to the posterior precision, with data weighted by their information, p.
    pub informed: DVector<f64>,
    /// Coefficients that a sign constraint fixes at zero, p.
    pub held: Vec<bool>,
    /// Residual scale σ (of the t distribution for Student-t errors).
    pub sigma: f64,
    /// Robustness weights u, n.
    pub robust: Vec<f64>,
    /// Residuals y − Xβ, n.
    pub residuals: DVector<f64>,
    /// Leverages (diagonal of the hat matrix of the last round), n.
    pub leverages: Vec<f64>,
    /// Effective number of parameters: the sum of the leverages.
    pub parameters: f64,
    /// Degrees of freedom behind `sigma`.
    pub degrees: f64,
    /// Rounds taken.
    pub rounds: usize,
    /// Whether the rounds converged within the tolerance.
    pub converged: bool,
    /// Factor of the posterior precision (information-corrected).
    posterior: Factor,
}

/// Steps by the normal equations end when no fitted value changes by more than this many residual
/// scales.
const NEAR: f64 = 1e-5;

/// Fits by iteratively reweighted least squares.
///
/// # Errors
/// [`SolveError`] if the system is singular or not finite.
pub fn fit(problem: &Problem<'_>, options: &Options) -> Result<Fit, SolveError> {
    let (x, y) = (problem.x, problem.y);
    let n = x.nrows();
    let mut beta = match &problem.start {
        Some(start) => start.clone(),
        None => {
            Factor::new(x, y, problem.weights, problem.penalties)?
                .solve_signed(problem.signs)
                .0
        }
    };
    let mut sigma = median_scale(&(y - x * &beta), problem.weights, options);
    let mut state = None;
    let mut rounds = 0;
    let mut converged = false;
    // Quick steps come first; exact ones finish.
    let mut quick = true;
    while rounds < options.most_rounds && !converged {
        rounds += 1;
        let residuals = y - x * &beta;
        if options.loss.scale_from_median() {
            sigma = median_scale(&residuals, problem.weights, options);
        }
        let robust: Vec<f64> = residuals
            .iter()
            .map(|r| options.loss.weight(r / sigma))
            .collect();
        let a: Vec<f64> = (0..n)
            .map(|i| problem.weights[i] * robust[i] / (sigma * sigma))
            .collect();
        let hasty = quick
            .then(|| Factor::quick(x, y, &a, problem.penalties))
            .flatten();
        quick = hasty.is_some();
        let factor = match hasty {
            Some(factor) => factor,
            None => Factor::new(x, y, &a, problem.penalties)?,
        };
        let (next, held) = factor.solve_signed(problem.signs);
        let moved = (x * (&next - &beta)).amax() / sigma;
        beta = next;
        let mut change = 0.0;
        if !options.loss.scale_from_median() {
            let residuals = y - x * &beta;
            let parameters = if options.correct_scale {
                trace(problem, &a, &held, &factor, quick)?
            } else {
                0.0
            };
            let next = pooled_scale(problem.weights, &robust, &residuals, parameters, options);
            change = (next / sigma).ln().abs();
            sigma = next;
        }
        let change = moved.max(change);
        if quick {
            quick = change > NEAR.max(options.tolerance);
        } else {
            converged = change <= options.tolerance;
        }
        state = Some((robust, a, held, factor));
    }
    let Some((robust, a, held, factor)) = state else {
        return Err(SolveError::NotFinite);
    };
    if !sigma.is_finite() || beta.iter().any(|b| !b.is_finite()) {
        return Err(SolveError::NotFinite);
    }
    let working = reduced(problem, &a, &held, &factor)?;
    let leverages = leverages(x, &a, &held, &working);
    let parameters: f64 = leverages.iter().sum();
    let share = options.loss.location_information();
    let informed: Vec<f64> = a.iter().map(|a| a * share).collect();
    let posterior = Factor::new(x, y, &informed, problem.penalties)?;
    let spare = (problem.weights.iter().sum::<f64>() - parameters).max(0.0);
    Ok(Fit {
        residuals: y - x * &beta,
        unconstrained: factor.solve(),
        informed: posterior.solve(),
        coefficients: beta,
        held,
        sigma,
        robust,
        parameters,
        leverages,
        degrees: (options.prior_rows + spare * options.loss.scale_information()).max(1.0),
        rounds,
        converged,
        posterior,
    })
}

impl Fit {
    /// Fitted value of a design row.
    pub fn mean(&self, row: &DVector<f64>) -> f64 {
        row.dot(&self.coefficients)
    }

    /// Posterior variance of the fitted value of a design row, without the sign constraints.
    pub fn variance(&self, row: &DVector<f64>) -> f64 {
        self.posterior.quadratic(row)
    }

    /// Posterior precision's inverse times `v`, p.
    pub(super) fn solve_for(&self, v: &DVector<f64>) -> DVector<f64> {
        self.posterior.solve_for(v)
    }

    /// Log determinant of the posterior precision.
    pub(super) fn log_determinant(&self) -> f64 {
        self.posterior.log_determinant()
    }
}

fn kept(row: &DVector<f64>, held: &[bool]) -> DVector<f64> {
    DVector::from_iterator(
        held.iter().filter(|h| !**h).count(),
        row.iter().zip(held).filter(|(_, h)| !**h).map(|(v, _)| *v),
    )
}

/// Design and penalties without the columns fixed at zero.
pub(super) fn without(problem: &Problem<'_>, held: &[bool]) -> (DMatrix<f64>, Vec<Penalty>) {
    let columns: Vec<usize> = (0..held.len()).filter(|&j| !held[j]).collect();
    let penalties = problem
        .penalties
        .iter()
        .map(|p| Penalty {
            row: kept(&p.row, held),
            ..p.clone()
        })
        .filter(|p| p.row.amax() > 0.0)
        .collect();
    (problem.x.select_columns(&columns), penalties)
}

/// Factor of the system without the columns fixed at zero; `whole` is the factor of all columns.
fn reduced(
    problem: &Problem<'_>,
    a: &[f64],
    held: &[bool],
    whole: &Factor,
) -> Result<Factor, SolveError> {
    if !held.contains(&true) {
        return Ok(whole.clone());
    }
    let (x, penalties) = without(problem, held);
    Factor::new(&x, problem.y, a, &penalties).map_err(|error| match error {
        SolveError::Undetermined(j) => {
            let mut columns = (0..held.len()).filter(|&j| !held[j]);
            SolveError::Undetermined(columns.nth(j).unwrap_or(j))
        }
        other @ SolveError::NotFinite => other,
    })
}

/// Trace of the hat matrix without the columns fixed at zero; `whole` is the factor of all columns.
fn trace(
    problem: &Problem<'_>,
    a: &[f64],
    held: &[bool],
    whole: &Factor,
    quick: bool,
) -> Result<f64, SolveError> {
    if !held.contains(&true) {
        return Ok(whole.trace(problem.penalties));
    }
    let (x, penalties) = without(problem, held);
    let hasty = quick
        .then(|| Factor::quick(&x, problem.y, a, &penalties))
        .flatten();
    let factor = match hasty {
        Some(factor) => factor,
        None => reduced(problem, a, held, whole)?,
    };
    Ok(factor.trace(&penalties))
}

fn leverages(x: &DMatrix<f64>, a: &[f64], held: &[bool], working: &Factor) -> Vec<f64> {
    (0..x.nrows())
        .map(|i| (a[i] * working.quadratic(&kept(&x.row(i).transpose(), held))).min(1.0))
        .collect()
}

/// Median absolute residual divided by 0.6745 (Huber 1981), combined with the prior value.
fn median_scale(residuals: &DVector<f64>, weights: &[f64], options: &Options) -> f64 {
    let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
    let mad = median(&mut sizes) / NORMAL_QUARTILE;
    let total: f64 = weights.iter().sum();
    let variance = (options.prior_rows * options.prior_scale.powi(2) + total * mad * mad)
        / (options.prior_rows + total);
    variance.sqrt().max(f64::MIN_POSITIVE)
}

fn pooled_scale(
    weights: &[f64],
    robust: &[f64],
    residuals: &DVector<f64>,
    parameters: f64,
    options: &Options,
) -> f64 {
    let squares: f64 = residuals
        .iter()
        .zip(weights)
        .zip(robust)
        .map(|((r, w), u)| w * u * r * r)
        .sum();
    let total: f64 = weights.iter().sum();
    let rows = (total - parameters).max(0.0);
    let divisor = options.prior_rows + rows;
    let variance = (options.prior_rows * options.prior_scale.powi(2) + squares)
        / divisor.max(f64::MIN_POSITIVE);
    variance.sqrt().max(1e-9)
}
