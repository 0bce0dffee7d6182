//! Far-out values.

use super::order::{median, quantile};

/// Fewest values from which fences are drawn.
pub const FEWEST: usize = 5;

/// Least interquartile range (log price) that fences are drawn with: prices that agree to
/// within 5 % are not evidence that 20 % more is a typing error.
const LEAST_RANGE: f64 = 0.05;

/// Quartiles further apart than this many times what the median absolute deviation makes of them
/// are taken to lie among the gross errors themselves.
const MASKED: f64 = 2.0;

/// Least median absolute deviation (log price) that may stand in for such quartiles.
const LEAST_MASKED: f64 = 0.1;

/// Which `values` lie beyond fences `k` interquartile ranges from the quartiles; with k = 3 the
/// far-out fences of Tukey, *Exploratory Data Analysis* (1977).
///
/// Two gross errors on one side of eight values move a quartile. Quartiles twice as far apart as
/// the median absolute deviation would have them therefore give way to the median and that
/// deviation on either side of it, which half of the values cannot move. None is far out where there
/// are fewer than [`FEWEST`].
pub fn far_out(values: &[f64], k: f64) -> Vec<bool> {
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
    let beyond = |value: &f64| *value < lower - reach || *value > upper + reach;
    values.iter().map(beyond).collect()
}
