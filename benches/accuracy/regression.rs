//! Least squares on log price: as a baseline, and as the oracle that is the floor.

use compband::fit::robust::{Fit, Loss, Options, Problem, fit};
use compband::fit::solve::Sign;
use compband::select::order::quantile;
use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, StudentsT};

use super::sets::Row;

/// An interval on log price.
pub type Band = (f64, f64);

/// The interval score of Winkler (1972) of an 80 % interval; lower is better.
pub fn winkler((low, high): Band, y: f64) -> f64 {
    high - low + 2.0 / 0.2 * ((low - y).max(0.0) + (y - high).max(0.0))
}

/// How a band did on one target.
#[derive(Clone, Copy)]
pub struct Tried {
    pub score: f64,
    pub covered: bool,
}

impl Tried {
    pub fn of(band: Band, y: f64) -> Self {
        Self {
            score: winkler(band, y),
            covered: band.0 <= y && y <= band.1,
        }
    }
}

/// The empirical 10 and 90 % quantiles of `values`, of which there is at least one.
pub fn middle(mut values: Vec<f64>) -> Band {
    values.sort_by(f64::total_cmp);
    let at = |p| quantile(&values, p).expect("values");
    (at(0.1), at(0.9))
}

/// Least squares of log price on the places `kept` of the design: no priors, no signs, all equal.
fn flat_fit(rows: &[&Row], kept: &[usize]) -> Option<Fit> {
    let n = rows.len();
    let x = DMatrix::from_fn(n, kept.len(), |i, j| rows[i].design[kept[j]]);
    let y = DVector::from_iterator(n, rows.iter().map(|r| r.log_price));
    let problem = Problem {
        x: &x,
        y: &y,
        weights: &vec![1.0; n],
        penalties: &[],
        signs: &vec![Sign::Free; kept.len()],
        start: None,
    };
    let options = Options {
        loss: Loss::LeastSquares,
        prior_rows: 0.0,
        ..Options::default()
    };
    fit(&problem, &options).ok()
}

/// Least squares over the columns that vary among the comps, with its 80 % t prediction interval;
/// none where the comps cannot determine it or leave no degree of freedom.
pub fn least_squares(comps: &[&Row], target: &Row) -> Option<Band> {
    let first = &comps.first()?.design;
    let varies = |j: &usize| *j == 0 || comps.iter().any(|c| c.design[*j] != first[*j]);
    let kept: Vec<usize> = (0..first.len()).filter(varies).collect();
    let degrees = comps.len().checked_sub(kept.len()).filter(|d| *d > 0)? as f64;
    let fit = flat_fit(comps, &kept)?;
    let row = DVector::from_iterator(kept.len(), kept.iter().map(|&j| target.design[j]));
    let variance = fit.residuals.norm_squared() / degrees;
    let scale = (variance * (1.0 + fit.variance(&row) / fit.sigma.powi(2))).sqrt();
    let half = scale * StudentsT::new(0.0, 1.0, degrees).ok()?.inverse_cdf(0.9);
    let mean = fit.mean(&row);
    Some((mean - half, mean + half))
}

/// The oracle: least squares fitted on the whole set.
pub struct Oracle {
    /// In the order of the design.
    pub coefficients: DVector<f64>,
    /// Residual scale, over the degrees of freedom left.
    pub scale: f64,
    /// The empirical 10 and 90 % quantiles of the residuals, leave-one-out.
    pub band: Band,
    /// Score on each row, leave-one-out, with these quantiles as the band.
    pub scores: Vec<f64>,
}

impl Oracle {
    /// Fitted on all places of the design.
    pub fn of(rows: &[Row]) -> Self {
        let rows: Vec<&Row> = rows.iter().collect();
        let kept: Vec<usize> = (0..rows[0].design.len()).collect();
        let fit = flat_fit(&rows, &kept).expect("a whole set determines its fit");
        let residuals: Vec<f64> = fit
            .residuals
            .iter()
            .zip(&fit.leverages)
            .map(|(r, h)| r / (1.0 - h))
            .collect();
        let band = middle(residuals.clone());
        let degrees = (rows.len() - kept.len()) as f64;
        Self {
            scale: (fit.residuals.norm_squared() / degrees).sqrt(),
            coefficients: fit.coefficients,
            band,
            scores: residuals.into_iter().map(|r| winkler(band, r)).collect(),
        }
    }

    /// The floor: the mean score.
    pub fn floor(&self) -> f64 {
        self.scores.iter().sum::<f64>() / self.scores.len() as f64
    }
}
