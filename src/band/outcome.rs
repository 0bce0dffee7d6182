//! The distribution of one sale of the unit; the band is read from it.
//!
//! Its variance has two parts. One is the uncertainty of the unit's level, which more comps reduce:
//! [`Outcome::mean_interval`]. The other is the variation of single sales around that level, which
//! more comps do not reduce: [`Outcome::sale`]. The distribution of a sale is that of their sum,
//! averaged over the residual scale and the error distribution.

use super::predictive::{Predictive, Scale};
use crate::fit::root::ascending_root;

/// Probability beyond each end of [`Outcome::quantiles`].
pub const TAIL: f64 = 0.01;

/// Cells of the table from which the quantiles are read, how often each is halved at most, and the distance between the
/// cubic and the distribution function in the middle of one that is halved further.
const CELLS: usize = 30;
const HALVINGS: usize = 5;
const NEAR: f64 = 1e-6;

/// Distribution of log price of one sale of the unit.
#[derive(Debug, Clone)]
pub struct Outcome {
    predictive: Predictive,
    median: f64,
    widening: f64,
}

impl Outcome {
    /// From a predictive distribution, not widened.
    pub fn new(predictive: Predictive) -> Self {
        Self {
            median: predictive.quantile(0.5),
            predictive,
            widening: 1.0,
        }
    }

    /// The same distribution with every band `factor` times as wide ([`super::recalibration`]).
    pub fn widened(self, factor: f64) -> Self {
        Self {
            widening: self.widening * factor,
            ..self
        }
    }

    /// Distance of the log price `y` from the median, in half-widths of the band of probability
    /// `level` on that side.
    pub fn distance(&self, y: f64, level: f64) -> f64 {
        let (low, high) = self.band(level);
        let centre = self.median();
        let half = if y < centre {
            centre - low
        } else {
            high - centre
        };
        (y - centre).abs() / half.max(f64::MIN_POSITIVE)
    }

    /// Median log price.
    pub fn median(&self) -> f64 {
        self.median
    }

    /// Quantile of the log price at `p` in 0..1.
    pub fn quantile(&self, p: f64) -> f64 {
        self.median + self.widening * (self.predictive.quantile(p) - self.median)
    }

    /// The band of probability `level` in 0..1, log price, with equal tails.
    pub fn band(&self, level: f64) -> (f64, f64) {
        let tail = (1.0 - level) / 2.0;
        (self.quantile(tail), self.quantile(1.0 - tail))
    }

    /// The interval of probability `level` in 0..1 for the unit's level (the median of its sales),
    /// log price. More comps narrow it.
    pub fn mean_interval(&self, level: f64) -> (f64, f64) {
        let centre = self.centre();
        let tail = (1.0 - level) / 2.0;
        (centre.quantile(tail), centre.quantile(1.0 - tail))
    }

    /// The distribution of the unit's level (the median of its sales), log price.
    pub fn centre(&self) -> Self {
        let known = |s: &Scale| Scale {
            sigma: 0.0,
            nu: f64::INFINITY,
            variance: s.variance.max(1e-18),
            ..*s
        };
        let scales = self.predictive.scales().iter().map(known).collect();
        Self {
            predictive: Predictive::mixture(scales),
            ..*self
        }
    }

    /// The variation of single sales around the unit's level, log price: a distribution about 0.
    /// More comps determine it better and do not reduce it.
    pub fn sale(&self) -> Self {
        let known = |s: &Scale| Scale {
            mean: 0.0,
            variance: 0.0,
            ..*s
        };
        let scales = self.predictive.scales().iter().map(known).collect();
        Self::new(Predictive::mixture(scales)).widened(self.widening)
    }

    /// Probability of a log price of at most `y`.
    pub fn cdf(&self, y: f64) -> f64 {
        self.predictive.cdf(self.narrowed(y))
    }

    fn narrowed(&self, y: f64) -> f64 {
        self.median + (y - self.median) / self.widening
    }

    /// Density at the log price `y`.
    fn pdf(&self, y: f64) -> f64 {
        self.predictive.pdf(self.narrowed(y)) / self.widening
    }

    /// Equally likely log prices that represent the distribution, ascending: the middles of `count`
    /// slices of equal probability, to about 1e-6 in probability.
    ///
    /// Values beyond the quantiles [`TAIL`] and 1 − [`TAIL`] are replaced by these: with a
    /// Student-t distribution of log price, the tails would make the mean price infinite.
    pub fn quantiles(&self, count: usize) -> Vec<f64> {
        let table = self.table();
        let last = table.len() - 2;
        let mut cell = 0;
        (0..count)
            .map(|k| {
                let level = (k as f64 + 0.5) / count as f64;
                while cell < last && table[cell + 1].cdf < level {
                    cell += 1;
                }
                Knot::between(&table[cell], &table[cell + 1], level)
            })
            .collect()
    }

    /// Knots between the quantiles [`TAIL`] and 1 − [`TAIL`], ascending, so close that the cubics between them are
    /// right to about 1e-6.
    fn table(&self) -> Vec<Knot> {
        let (from, to) = (self.quantile(TAIL), self.quantile(1.0 - TAIL));
        let width = (to - from) / CELLS as f64;
        let mut table = vec![self.knot(from)];
        for cell in 1..=CELLS {
            self.extend(&mut table, self.knot(from + width * cell as f64), HALVINGS);
        }
        table
    }

    /// Adds a knot to a table, and knots between it and the last one as long as the cubic misses their middle.
    fn extend(&self, table: &mut Vec<Knot>, next: Knot, halvings: usize) {
        if let (Some(last), 1..) = (table.last(), halvings) {
            let middle = self.knot(f64::midpoint(last.at, next.at));
            let missed = (Knot::cubic(last, &next, 0.5) - middle.cdf).abs();
            // Half the width misses by a sixteenth.
            let more = if missed > NEAR { halvings - 1 } else { 0 };
            self.extend(table, middle, more);
            self.extend(table, next, more);
            return;
        }
        table.push(next);
    }

    fn knot(&self, at: f64) -> Knot {
        let (cdf, density) = self.predictive.cdf_and_pdf(self.narrowed(at));
        Knot {
            at,
            cdf,
            density: density / self.widening,
        }
    }

    /// The density of prices (not logs) at `points` prices, ascending: pairs of price and density
    /// per unit of money. They cover the band of probability 0.98, or of `level` if that is larger.
    pub fn density(&self, level: f64, points: usize) -> Vec<(f64, f64)> {
        let (from, to) = self.band(0.98_f64.max(level));
        (0..points)
            .map(|k| {
                let y = from + (to - from) * k as f64 / (points - 1).max(1) as f64;
                (y.exp(), self.pdf(y) / y.exp())
            })
            .collect()
    }
}

/// A point of a distribution.
struct Knot {
    at: f64,
    cdf: f64,
    density: f64,
}

impl Knot {
    /// The distribution function at the share `t` of the way between two neighbours, by the cubic through both with
    /// their slopes (Hermite).
    fn cubic(one: &Self, next: &Self, t: f64) -> f64 {
        let (s, u) = (1.0 - t, (next.at - one.at) * t * (1.0 - t));
        one.cdf * s * s * (1.0 + 2.0 * t)
            + next.cdf * t * t * (3.0 - 2.0 * t)
            + u * (one.density * s - next.density * t)
    }

    /// The point between two neighbours at which [`Self::cubic`] is `level`; limited to the two ends.
    fn between(one: &Self, next: &Self, level: f64) -> f64 {
        let width = next.at - one.at;
        let cubic = |t: f64| Self::cubic(one, next, t);
        if level <= one.cdf {
            return one.at;
        }
        if level >= next.cdf {
            return next.at;
        }
        let slope = |t: f64| {
            let (s, rise) = (1.0 - t, next.cdf - one.cdf);
            6.0 * rise * t * s
                + width * (one.density * s * (1.0 - 3.0 * t) + next.density * t * (3.0 * t - 2.0))
        };
        let start = (level - one.cdf) / (next.cdf - one.cdf);
        let t = ascending_root((0.0, 1.0), start, 1e-12, |t| (cubic(t) - level, slope(t)));
        one.at + width * t
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use statrs::distribution::{ContinuousCDF, Normal};

    /// Two scales with different means: a distribution with a longer upper tail.
    fn lopsided() -> Outcome {
        let scale = |mean, sigma, nu, weight| Scale {
            sigma,
            nu,
            weight,
            mean,
            variance: 0.001,
        };
        let scales = vec![
            scale(4.0, 0.1, 4.0, 0.7),
            scale(4.15, 0.2, f64::INFINITY, 0.3),
        ];
        Outcome::new(Predictive::mixture(scales)).widened(1.1)
    }

    #[test]
    fn the_density_holds_the_band() {
        let outcome = lopsided();
        let (low, high) = outcome.band(0.8);
        let inside: f64 = outcome
            .density(0.8, 4001)
            .windows(2)
            .filter(|pair| pair[0].0.ln() >= low && pair[1].0.ln() <= high)
            .map(|pair| (pair[1].0 - pair[0].0) * f64::midpoint(pair[0].1, pair[1].1))
            .sum();
        assert!((inside - 0.8).abs() < 0.003, "{inside}");
        assert!(high - outcome.median() > outcome.median() - low);
    }

    #[test]
    fn rungs_are_equally_likely_and_tails_are_held() {
        let outcome = lopsided();
        let quantiles = outcome.quantiles(2000);
        for (k, y) in quantiles.iter().enumerate() {
            let level = ((k as f64 + 0.5) / 2000.0).clamp(TAIL, 1.0 - TAIL);
            assert!(
                (outcome.cdf(*y) - level).abs() < 2e-6,
                "{k}: {}",
                outcome.cdf(*y)
            );
        }
        let fine = outcome.quantiles(20_000);
        assert!(
            fine[..20].iter().all(|y| *y == fine[0]),
            "{:?}",
            &fine[..21]
        );
        // With ten times as many points, the mean price hardly changes.
        let mean = |quantiles: &[f64]| {
            quantiles.iter().map(|y| y.exp()).sum::<f64>() / quantiles.len() as f64
        };
        let change = mean(&quantiles) / mean(&fine) - 1.0;
        assert!(change.abs() < 2e-5, "{change}");
    }

    /// For normal errors of one scale, the distributions of level and sale are normal and their
    /// variances sum to that of the band (Gelman et al., *Bayesian Data Analysis*, 3rd edition,
    /// section 14.2).
    #[test]
    fn the_two_doubts_make_the_band() {
        let scale = Scale {
            sigma: 0.12,
            nu: f64::INFINITY,
            weight: 1.0,
            mean: 4.0,
            variance: 0.05 * 0.05,
        };
        let outcome = Outcome::new(Predictive::mixture(vec![scale]));
        let half = |(low, high): (f64, f64)| (high - low) / 2.0;
        let z = Normal::standard().inverse_cdf(0.9);
        assert!((half(outcome.mean_interval(0.8)) - z * 0.05).abs() < 1e-6);
        assert!((half(outcome.sale().band(0.8)) - z * 0.12).abs() < 1e-6);
        assert!((half(outcome.band(0.8)) - z * 0.13).abs() < 1e-6);
    }
}
