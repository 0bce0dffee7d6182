//! The distribution that the band is read from: predictive, calibrated where the comps allow.

use super::jackknife::Jackknife;
use super::predictive::Predictive;

/// Effective comps from which leave-one-out residuals take part in the band.
pub const ENOUGH_TO_CALIBRATE: f64 = 20.0;

/// Effective comps at which the residuals and the model have an equal say.
const EQUAL_SAY: f64 = 20.0;

/// What made a band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum MadeBy {
    /// The model's predictive distribution alone.
    Model,
    /// The model and the leave-one-out residuals.
    Residuals {
        /// The residuals' say in the band's ends, in 0..1.
        share: f64,
        /// How many residuals.
        comps: usize,
    },
}

/// Distribution of log price of one sale of the unit.
#[derive(Debug, Clone)]
pub struct Outcome {
    predictive: Predictive,
    jackknife: Jackknife,
    share: f64,
}

impl Outcome {
    /// Puts the two together. The residuals' say is `n/(n + 20)` from 20 effective comps on.
    pub fn new(predictive: Predictive, jackknife: Jackknife, effective: f64) -> Self {
        let share = if effective >= ENOUGH_TO_CALIBRATE {
            effective / (effective + EQUAL_SAY)
        } else {
            0.0
        };
        Self {
            predictive,
            jackknife,
            share,
        }
    }

    /// Median log price.
    pub fn median(&self) -> f64 {
        self.predictive.centre()
    }

    /// Standard scale of the model's distribution.
    pub fn scale(&self) -> f64 {
        self.predictive.scale()
    }

    /// The band of chance `chance` in 0..1, log price, and what made it. The median is always
    /// inside.
    pub fn band(&self, chance: f64) -> (f64, f64, MadeBy) {
        let half = self.predictive.half_width(chance);
        let centre = self.median();
        let model = (centre - half, centre + half);
        let residuals = if self.share > 0.0 {
            self.jackknife.interval(chance)
        } else {
            None
        };
        match residuals {
            None => (model.0, model.1, MadeBy::Model),
            Some((low, high)) => {
                let mix = |ours: f64, theirs: f64| (1.0 - self.share) * ours + self.share * theirs;
                (
                    mix(model.0, low).min(centre),
                    mix(model.1, high).max(centre),
                    MadeBy::Residuals {
                        share: self.share,
                        comps: self.jackknife.misses.len(),
                    },
                )
            }
        }
    }

    /// The density over prices (not logs) at `points` prices, stretched on either side of the
    /// median so that it has the band of chance `chance`. Pairs of price and density per unit
    /// of money, ascending.
    pub fn density(&self, chance: f64, points: usize) -> Vec<(f64, f64)> {
        let half = self.predictive.half_width(chance).max(f64::MIN_POSITIVE);
        let (low, high, _) = self.band(chance);
        let centre = self.median();
        let (below, above) = ((centre - low) / half, (high - centre) / half);
        let reach = self.predictive.half_width(0.98_f64.max(chance));
        let from = centre - reach * below;
        let to = centre + reach * above;
        (0..points)
            .map(|k| {
                let y = from + (to - from) * k as f64 / (points - 1).max(1) as f64;
                let stretch = if y < centre { below } else { above }.max(1e-6);
                let density = self.predictive.pdf(centre + (y - centre) / stretch) / stretch;
                (y.exp(), density / y.exp())
            })
            .collect()
    }
}
