//! Outliers: gross errors before the fit, odd residuals after it.

use super::order::{NORMAL_QUARTILE, median, quantile};

/// Fewest values from which fences are drawn.
pub const FEWEST: usize = 5;

/// Least interquartile range (log price) that fences are drawn with: prices that agree to
/// within 5 % are not evidence that 20 % more is a typing error.
const LEAST_RANGE: f64 = 0.05;

/// Least median absolute deviation (log price) of residuals, for the same reason.
const LEAST_DEVIATION: f64 = 0.02;

/// Quartiles further apart than this many times what the median absolute deviation makes of them
/// are taken to lie among the gross errors themselves.
const MASKED: f64 = 2.0;

/// Least median absolute deviation (log price) that may stand in for such quartiles.
const LEAST_MASKED: f64 = 0.1;

/// How many residuals the usual spread is worth where the spread of the residuals is judged.
const USUAL_WORTH: f64 = 4.0;

/// Standard deviations that one interquartile range is of a normal distribution.
const DEVIATIONS_PER_RANGE: f64 = 2.0 * NORMAL_QUARTILE;

/// Which `values` are gross errors: beyond fences `k` interquartile ranges from the quartiles;
/// with k = 3 the far-out fences of Tukey, *Exploratory Data Analysis* (1977). Where a value was
/// brought here by an adjustment that is itself in doubt, by a standard deviation of `doubts`, its
/// fences lie further out by as many deviations, the two taken together as independent.
///
/// Two gross errors on one side of eight values move a quartile. Quartiles twice as far apart as
/// the median absolute deviation would have them therefore give way to the median and that
/// deviation on either side of it, which half of the values cannot move.
///
/// Lengths are equal; fewer than [`FEWEST`] values have no gross errors.
pub fn gross_errors(values: &[f64], doubts: &[f64], k: f64) -> Vec<bool> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let quartiles = quantile(&sorted, 0.25).zip(quantile(&sorted, 0.75));
    let Some((lower, upper)) = quartiles.filter(|_| values.len() >= FEWEST) else {
        return vec![false; values.len()];
    };
    let centre = median(&mut values.to_vec());
    let mut sizes: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    let deviation = median(&mut sizes).max(LEAST_MASKED);
    let (lower, upper) = if upper - lower > MASKED * 2.0 * deviation {
        (centre - deviation, centre + deviation)
    } else {
        (lower, upper)
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
/// Handle Outliers*, 1993) of `residuals` that were brought to one variance; all 0 for fewer than
/// [`FEWEST`]. The deviation of a few residuals is itself hardly known: it is blended, as a
/// variance, with what a `usual` residual spread (log price) would make it, worth
/// [`USUAL_WORTH`] residuals.
pub fn modified_z(residuals: &[f64], usual: f64) -> Vec<f64> {
    if residuals.len() < FEWEST {
        return vec![0.0; residuals.len()];
    }
    let centre = median(&mut residuals.to_vec());
    let mut sizes: Vec<f64> = residuals.iter().map(|r| (r - centre).abs()).collect();
    let count = residuals.len() as f64;
    let squares = USUAL_WORTH * (NORMAL_QUARTILE * usual).powi(2)
        + count * median(&mut sizes).max(LEAST_DEVIATION).powi(2);
    let deviation = (squares / (USUAL_WORTH + count)).sqrt();
    residuals
        .iter()
        .map(|r| NORMAL_QUARTILE * (r - centre) / deviation)
        .collect()
}
