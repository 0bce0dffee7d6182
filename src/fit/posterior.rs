//! The posterior of coefficients, residual scale and tails.
//!
//! With few comps, the residual scale σ and the distribution of the errors are as uncertain as the
//! coefficients. Both are therefore on a grid. Three error distributions have equal prior
//! probability: Student-t with ν/2 degrees of freedom, normal, and normal with a share of mistyped
//! prices (the contaminated normal distribution of Tukey 1960, "A survey of sampling from
//! contaminated distributions"; [`super::mistyped`]). A future sale is not mistyped: its prediction
//! uses the normal part.
//!
//! At each point of the grid the coefficients have a normal posterior by expectation propagation
//! ([`super::ep`]):
//!
//! * Student-t errors enter through a quadratic approximation about the mean β̂, with weights `aᵢ =
//!   wᵢuᵢ/σ²`, gradient `Σ aᵢ rᵢ xᵢ` and information `s Σ aᵢ xᵢxᵢ'`, where `uᵢ = (ν + 1)/(ν +
//!   rᵢ²/σ²)` and `s = (ν + 1)/(ν + 3)` (Fisher scoring; Lange, Little and Taylor 1989, *JASA* 84:
//!   881-896). Sweeps of expectation propagation alternate with new weights.
//! * The height of a point is `log Z + log p(σ)`; log Z is the mass of the likelihood there by
//!   expectation propagation (Laplace's method if the priors were normal; Tierney and Kadane 1986,
//!   *JASA* 81: 82-86). Its weight is `exp(height)` times the step of its part of the grid.
//! * The prior on σ is a mixture of normals on `log σ` ([`SpreadPrior`]): its location is the usual
//!   spread, its log variance is `1/(2 n₀)`, the information in the residuals of `n₀` sales;
//!   related models update it.
//!
//! The middle 80 % makes scales comparable between error distributions.

use nalgebra::DVector;

use super::ep::Moments;
use super::mistyped;
use super::walk::{Errors, NEGLIGIBLE, State, Walk, highest};
pub use super::walk::{Place, Question, SpreadPrior};

/// The posterior on the whole grid.
#[derive(Debug, Clone)]
pub struct Posterior {
    /// The points of the grid, in no order.
    pub places: Vec<Place>,
    /// Mean of the coefficients, p.
    pub mean: DVector<f64>,
    /// Log of the marginal likelihood of the log prices, up to a constant that is the same for all prices of a
    /// design.
    pub log_evidence: f64,
}

impl Posterior {
    /// The posterior of `question`; `None` if the comps and rules do not determine the coefficients
    /// or a value is not finite.
    pub fn of(question: &Question<'_>) -> Option<Self> {
        let mut places: Vec<Place> = Vec::new();
        let walk = Walk::new(question, Errors::Normal);
        let first = State::first(question);
        if question.nu.is_infinite() {
            walk.explore(first, &mut places)?;
        } else {
            let heavy = Errors::t((question.nu / 2.0).max(1.0))?;
            let robust = Walk::new(question, heavy).explore(first, &mut places)?;
            let normal = walk.explore(robust.clone(), &mut places)?;
            mistyped::add(question, &walk, [&normal, &robust], &mut places);
        }
        let best = highest(&places);
        places.retain(|place| place.height >= best - NEGLIGIBLE);
        let total: f64 = places
            .iter()
            .map(|p| (p.height - best).exp() * p.step)
            .sum();
        for place in &mut places {
            place.weight = (place.height - best).exp() * place.step / total;
        }
        let mut mean = DVector::zeros(question.x.ncols());
        for place in &places {
            mean.axpy(place.weight, &place.coefficients.mean, 1.0);
        }
        let finite = places.iter().all(|p| p.weight.is_finite()) && !places.is_empty();
        finite.then_some(Self {
            places,
            mean,
            log_evidence: best + total.ln(),
        })
    }

    fn average(&self, of: impl Fn(&Place) -> f64) -> f64 {
        self.places.iter().map(|p| p.weight * of(p)).sum()
    }

    /// Variance of the combination `row` of the coefficients.
    pub fn variance(&self, row: &DVector<f64>) -> f64 {
        let centre = row.dot(&self.mean);
        self.average(|place| {
            let apart = row.dot(&place.coefficients.mean) - centre;
            place.coefficients.variance(row) + apart * apart
        })
    }

    /// Predictive variance of one sale with the row `row`, with the errors replaced by normal ones
    /// that have the same middle 80 %.
    pub fn sale_variance(&self, row: &DVector<f64>) -> f64 {
        self.average(|place| (2.0 * place.log_spread).exp()) + self.variance(row)
    }

    /// Mean and variance of log σ, where σ is the scale of normal errors with the same middle 80 %.
    pub fn log_spread(&self) -> Moments {
        let mean = self.average(|place| place.log_spread);
        Moments {
            mean,
            variance: self.average(|place| (place.log_spread - mean).powi(2)),
        }
    }

    /// Whether the points with nearly all of the weight have converged.
    pub fn settled(&self) -> bool {
        self.average(|place| f64::from(u8::from(place.settled))) > 0.95
    }

    /// Robustness weights, n: 1 for a zero residual.
    pub fn robust(&self) -> Vec<f64> {
        let rows = self.places.first().map_or(0, |p| p.robust.len());
        (0..rows)
            .map(|i| self.average(|place| place.robust[i]))
            .collect()
    }

    /// Probability that each price is mistyped, n.
    pub fn mistyped(&self) -> Vec<f64> {
        let rows = self.places.first().map_or(0, |p| p.robust.len());
        let is_mistyped = |place: &Place, i| f64::from(u8::from(place.mistyped.contains(&i)));
        (0..rows)
            .map(|i| self.average(|place| is_mistyped(place, i)))
            .collect()
    }

    /// The information about the combination of rule `k` from everything else; `None` if there is
    /// none.
    pub fn without_rule(&self, k: usize) -> Option<Moments> {
        let informed = || {
            self.places
                .iter()
                .filter_map(|p| Some((p.weight, p.cavities[k]?)))
        };
        let total: f64 = informed().map(|(w, _)| w).sum();
        // Averages information, not variance: a point with nearly no information should count for
        // little.
        let known = informed().map(|(w, m)| w / m.variance).sum::<f64>() / total;
        let mean = informed()
            .map(|(w, m)| w * m.mean / m.variance)
            .sum::<f64>()
            / total
            / known;
        (total > 0.5 && known > 0.0).then(|| Moments {
            mean,
            variance: known.recip(),
        })
    }
}
