//! Jackknife+ prediction intervals.
//!
//! Barber, Candès, Ramdas and Tibshirani, "Predictive inference with the jackknife+", *Annals
//! of Statistics* 49 (2021): 486-507. Row `i` is predicted from the others with residual `Rᵢ`;
//! the point of interest is predicted without row `i` as `m₋ᵢ`. The interval runs from the
//! `⌊α(n+1)⌋`-th smallest `m₋ᵢ − Rᵢ` to the `⌈(1−α)(n+1)⌉`-th smallest `m₋ᵢ + Rᵢ`. Whatever the
//! distribution, it holds with a chance of at least `1 − 2α`, and in practice near `1 − α`.
//! Unequal weights enter as in Tibshirani, Barber, Candès and Ramdas, "Conformal prediction
//! under covariate shift" (NeurIPS 2019): ranks become shares of the total weight, the point
//! of interest itself counting as much as the heaviest row.

/// A jackknife+ sample: where each leave-one-out fit puts the point of interest, and how far
/// it missed the row that was left out.
#[derive(Debug, Clone, Default)]
pub struct Jackknife {
    /// Predictions of the point of interest, n.
    pub centres: Vec<f64>,
    /// Absolute residuals of the rows left out, n.
    pub misses: Vec<f64>,
    /// What each row counts for, n.
    pub weights: Vec<f64>,
}

impl Jackknife {
    /// The interval of nominal chance `chance` in 0..1; `None` where there are too few rows for
    /// it (an end would be infinite).
    pub fn interval(&self, chance: f64) -> Option<(f64, f64)> {
        let low = self.end(chance, -1.0)?;
        let high = self.end(chance, 1.0)?;
        // The two ends may cross where the leave-one-out fits differ by more than they miss.
        Some((low.min(high), low.max(high)))
    }

    /// The largest chance for which there is an interval; 0 without rows.
    pub fn most_chance(&self) -> f64 {
        let sum: f64 = self.weights.iter().sum();
        if sum > 0.0 {
            sum / (sum + self.heaviest())
        } else {
            0.0
        }
    }

    fn heaviest(&self) -> f64 {
        self.weights.iter().copied().fold(0.0, f64::max)
    }

    /// The upper end for `side` = 1, the lower (by reflection) for `side` = −1.
    fn end(&self, chance: f64, side: f64) -> Option<f64> {
        let mut ends: Vec<(f64, f64)> = self
            .centres
            .iter()
            .zip(&self.misses)
            .zip(&self.weights)
            .map(|((centre, miss), weight)| (side * centre + miss, *weight))
            .collect();
        ends.sort_by(|a, b| a.0.total_cmp(&b.0));
        let total = self.weights.iter().sum::<f64>() + self.heaviest();
        let wanted = chance * total;
        let mut running = 0.0;
        ends.into_iter()
            .find(|(_, weight)| {
                running += weight;
                running >= wanted - 1e-9 * total
            })
            .map(|(end, _)| side * end)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranks_of_equal_weights() {
        let n = 9;
        let jackknife = Jackknife {
            centres: vec![0.0; n],
            misses: (1..=n).map(|i| i as f64).collect(),
            weights: vec![1.0; n],
        };
        // ⌈0.8 · 10⌉ = 8th smallest.
        assert_eq!(jackknife.interval(0.8), Some((-8.0, 8.0)));
        assert_eq!(jackknife.interval(0.81), Some((-9.0, 9.0)));
        assert_eq!(jackknife.interval(0.95), None);
        assert_eq!(
            jackknife.interval(jackknife.most_chance()),
            Some((-9.0, 9.0))
        );
    }
}
