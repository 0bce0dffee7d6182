//! Outliers: gross errors before the fit, odd residuals after it.

use super::order::{NORMAL_QUARTILE, median, quantile};

/// Fewest values from which fences are drawn.
pub const FEWEST: usize = 5;

/// Least interquartile range (log price) that fences are drawn with: prices that agree to
/// within 5 % are not evidence that 20 % more is a typing error.
const LEAST_RANGE: f64 = 0.05;

/// Least median absolute deviation (log price) of residuals, for the same reason.
const LEAST_DEVIATION: f64 = 0.02;

/// Standard deviations that one interquartile range is of a normal distribution.
const DEVIATIONS_PER_RANGE: f64 = 2.0 * NORMAL_QUARTILE;

/// Which `values` are gross errors: beyond fences `k` interquartile ranges from the quartiles;
/// with k = 3 the far-out fences of Tukey, *Exploratory Data Analysis* (1977). Where a value was
/// brought here by an adjustment that is itself in doubt, by a standard deviation of `doubts`, its
/// fences lie further out by as many deviations, the two taken together as independent.
///
/// Lengths are equal; fewer than [`FEWEST`] values have no gross errors.
pub fn gross_errors(values: &[f64], doubts: &[f64], k: f64) -> Vec<bool> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let quartiles = quantile(&sorted, 0.25).zip(quantile(&sorted, 0.75));
    let Some((lower, upper)) = quartiles.filter(|_| values.len() >= FEWEST) else {
        return vec![false; values.len()];
    };
    let reach = k * (upper - lower).max(LEAST_RANGE);
    let deviations = k * DEVIATIONS_PER_RANGE + NORMAL_QUARTILE;
    let beyond = |(value, doubt): (&f64, &f64)| {
        let allowed = reach.hypot(deviations * doubt);
        *value < lower - allowed || *value > upper + allowed
    };
    values.iter().zip(doubts).map(beyond).collect()
}

/// Modified z-scores `0.6745 (r − median) / MAD` (Iglewicz and Hoaglin, *How to Detect and
/// Handle Outliers*, 1993); all 0 for fewer than [`FEWEST`] residuals.
pub fn modified_z(residuals: &[f64]) -> Vec<f64> {
    if residuals.len() < FEWEST {
        return vec![0.0; residuals.len()];
    }
    let centre = median(&mut residuals.to_vec());
    let mut sizes: Vec<f64> = residuals.iter().map(|r| (r - centre).abs()).collect();
    let deviation = median(&mut sizes).max(LEAST_DEVIATION);
    residuals
        .iter()
        .map(|r| NORMAL_QUARTILE * (r - centre) / deviation)
        .collect()
}
