//! Outliers: gross errors before the fit, odd residuals after it.

use super::order::{NORMAL_QUARTILE, median, quantile};

/// Fewest values from which fences are drawn.
pub const FEWEST: usize = 5;

/// Least interquartile range (log price) that fences are drawn with: prices that agree to
/// within 5 % are not evidence that 20 % more is a typing error.
const LEAST_RANGE: f64 = 0.05;

/// Least median absolute deviation (log price) of residuals, for the same reason.
const LEAST_DEVIATION: f64 = 0.02;

/// Fences `k` interquartile ranges beyond the quartiles; with k = 3 the far-out fences of
/// Tukey, *Exploratory Data Analysis* (1977). `None` for fewer than [`FEWEST`] values.
pub fn fences(values: &[f64], k: f64) -> Option<(f64, f64)> {
    if values.len() < FEWEST {
        return None;
    }
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let (lower, upper) = (quantile(&sorted, 0.25)?, quantile(&sorted, 0.75)?);
    let range = (upper - lower).max(LEAST_RANGE);
    Some((lower - k * range, upper + k * range))
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
