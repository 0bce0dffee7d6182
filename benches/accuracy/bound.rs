//! What one shrinkage prior could reach at best: a lower bound for rules of thumb that hold every
//! column alike.
//!
//! All coefficients are taken for normal, of one mean `m` towards the side on which the oracle has
//! them and one standard deviation `τ`, in units `u` of the column or of its standard deviation
//! over the set; the constant is all but free. The residual scale σ is known, being the oracle's.
//! The posterior is then a closed form (Gelman, Carlin, Stern, Dunson, Vehtari and Rubin, *Bayesian
//! Data Analysis*, 3rd edition, section 14.8): with P the diagonal of `1/(τu)²` and b₀ that of `±mu`,
//!
//! ```text
//! b ~ N(V (X'y/σ² + P b₀), V),   V = (X'X/σ² + P)⁻¹
//! ```
//!
//! and the band of a target with design row t is `t'b + q √(1 + t'Vt/σ²)`, q being the 10 and 90 %
//! quantiles of the oracle's residuals. The prior is the best of a grid on the very targets that it
//! is scored on. So it knows the side, the width, the scale and the shape of the residuals, none
//! of which comps tell. What it does not bound are rules that differ from column to column and
//! happen to be right; the standard errors leave the choice of the prior out.

use std::fmt::{self, Display, Formatter};

use nalgebra::{DMatrix, DVector};
use statrs::statistics::Statistics;

use super::regression::{Band, Oracle, Tried};
use super::sets::{Role, Row, Set};

const MEANS: [f64; 9] = [0.0, 0.02, 0.03, 0.05, 0.075, 0.1, 0.125, 0.15, 0.2];
const DEVIATIONS: [f64; 9] = [0.01, 0.02, 0.03, 0.05, 0.075, 0.1, 0.15, 0.25, 0.5];

/// Precision of the prior of the constant, whose mean is 0.
const CONSTANT: f64 = 1e-9;

/// Months of which the change of the price is comparable to what another column adds.
const MONTHS: f64 = 10.0;

/// What a coefficient of the prior is counted in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unit {
    /// Per grade, extra, doubling, kind or [`MONTHS`] months.
    Step,
    /// Per standard deviation of the column over the set.
    Deviation,
}

impl Display for Unit {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Step => "step",
            Self::Deviation => "deviation",
        })
    }
}

/// The normal prior of every coefficient.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    pub unit: Unit,
    /// Towards the side on which the oracle has the coefficient.
    pub mean: f64,
    pub sd: f64,
}

fn widths() -> impl Iterator<Item = (Unit, f64)> {
    [Unit::Step, Unit::Deviation]
        .into_iter()
        .flat_map(|unit| DEVIATIONS.map(|sd| (unit, sd)))
}

/// All priors tried: of each width, all means.
pub fn grid() -> Vec<Prior> {
    widths()
        .flat_map(|(unit, sd)| MEANS.map(|mean| Prior { unit, mean, sd }))
        .collect()
}

/// The prior of the grid with the lowest mean score over some draws, and how it did on each.
pub struct Best {
    pub prior: Prior,
    pub tried: Vec<Tried>,
}

impl Best {
    /// `draws`: of each draw, how the priors of the grid did, in its order.
    pub fn of(draws: &[Vec<Tried>]) -> Self {
        let total = |at: usize| draws.iter().map(|tried| tried[at].score).sum::<f64>();
        let (_, at, prior) = grid()
            .into_iter()
            .enumerate()
            .map(|(at, prior)| (total(at), at, prior))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .expect("a grid");
        Self {
            prior,
            tried: draws.iter().map(|tried| tried[at]).collect(),
        }
    }
}

/// The posterior of a target's mean under the priors of one width.
struct Posterior {
    /// Its mean under a prior of mean 0.
    centre: f64,
    /// What it gains per unit of the prior's mean.
    gain: f64,
    variance: f64,
}

/// What is known of a set beforehand.
pub struct Known<'a> {
    oracle: &'a Oracle,
    /// One step and one standard deviation of each place of the design, as units of its
    /// coefficient, with the sign that the oracle has there; 0 for the constant.
    steps: DVector<f64>,
    deviations: DVector<f64>,
}

impl<'a> Known<'a> {
    /// `oracle`: fitted on all columns of the set.
    pub fn of(set: &Set, rows: &[Row], oracle: &'a Oracle) -> Self {
        let units = |unit: &dyn Fn(usize, Role) -> f64| {
            let signed = set.designed().map(|(at, role)| {
                let size = unit(at, role);
                size.copysign(oracle.coefficients[at])
            });
            DVector::from_iterator(rows[0].design.len(), std::iter::once(0.0).chain(signed))
        };
        let step = |_, role| match role {
            Role::Month => MONTHS.recip(),
            _ => 1.0,
        };
        let deviation = |at: usize, _| {
            let column = rows.iter().map(|row| row.design[at]);
            column.population_std_dev().recip()
        };
        Self {
            oracle,
            steps: units(&step),
            deviations: units(&deviation),
        }
    }

    /// How each prior of the grid does on the target, in the grid's order.
    pub fn tries(&self, comps: &[&Row], target: &Row) -> Vec<Tried> {
        let known = self.oracle.scale.powi(-2);
        let x = DMatrix::from_fn(comps.len(), target.design.len(), |i, j| comps[i].design[j]);
        let y = DVector::from_iterator(comps.len(), comps.iter().map(|row| row.log_price));
        let (gram, moment) = (x.tr_mul(&x) * known, x.tr_mul(&y) * known);
        let row = DVector::from_column_slice(&target.design);
        let tried = |band: Band| Tried::of(band, target.log_price);
        widths()
            .map(|(unit, sd)| self.posterior(&gram, &moment, &row, unit, sd))
            .flat_map(|posterior| MEANS.map(|mean| tried(self.band(&posterior, mean))))
            .collect()
    }

    /// From `X'X/σ²` and `X'y/σ²` of the comps.
    fn posterior(
        &self,
        gram: &DMatrix<f64>,
        moment: &DVector<f64>,
        target: &DVector<f64>,
        unit: Unit,
        sd: f64,
    ) -> Posterior {
        let units = match unit {
            Unit::Step => &self.steps,
            Unit::Deviation => &self.deviations,
        };
        let precisions = units.map(|u| {
            if u == 0.0 {
                CONSTANT
            } else {
                (sd * u).powi(-2)
            }
        });
        let mut joined = gram.clone();
        for (j, precision) in precisions.iter().enumerate() {
            joined[(j, j)] += precision;
        }
        let factor = joined.cholesky().expect("a prior on every coefficient");
        let weights = factor.solve(target);
        Posterior {
            centre: weights.dot(moment),
            gain: weights.dot(&precisions.component_mul(units)),
            variance: weights.dot(target),
        }
    }

    fn band(&self, posterior: &Posterior, mean: f64) -> Band {
        let centre = posterior.centre + mean * posterior.gain;
        let width = (1.0 + posterior.variance / self.oracle.scale.powi(2)).sqrt();
        let (low, high) = self.oracle.band;
        (centre + low * width, centre + high * width)
    }
}
